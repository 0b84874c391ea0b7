"""Value and bids in sentences, and for the JSON document: what a chance covers, and what it leaves out.

The numbers are those of ``studies.value``. Every printed chance comes with what it covers, and with the chance
that the same bid earns its margin if the stones come out lighter, for the scan's error is not the only one.
"""

from collections.abc import Sequence
from typing import Any

from facetrace.studies.price import Prices, plain
from facetrace.studies.value import LIGHTER, Bid, Worth, percent
from facetrace.trace.faceup import Estimate

LEFT_OUT = (
    "It leaves out errors of the colour data, of your prices, of the balance and of the scan's scale, of a shape that is assumed, "
    "and the cutter's skill."
)
INDEPENDENT = "Stones count as independent: where they are lost together, or are all lighter than planned, the bid is too high."

# name of a plan in a sentence, what its stones may be worth, and the bid for them
Plan = tuple[str, Worth, Bid]


def expected_words(of: Worth) -> str:
    """The expected value, what it counts in, and the range of the weights."""
    money = of.prices.money
    rest = f"low {plain(of.low.value)}, high {plain(of.high.value)}"
    start = f"Expected value {money(of.expected.value)}"
    loss = of.prices.risk.loss
    if not loss:
        return f"{start}, {rest}; no loss in cutting is counted in."
    return (
        f"{start}: a stone is lost in cutting with a chance of {percent(loss)}. "
        f"If none is lost {money(of.if_none_lost.value)}, {rest}."
    )


def covers(bid: Bid) -> str:
    """What the chance of a bid covers and what it leaves out."""
    loss = f" and stones lost in cutting ({percent(bid.loss)} each)" if bid.loss else ""
    none = (
        ""
        if bid.loss
        else "It leaves out stones lost in cutting, for which the price file gives no chance. "
    )
    return (
        f"The chance covers the error of scan or caliper (each weight from low to high, as a triangle){loss}. {none}"
        f"{LEFT_OUT}"
    )


def earns(bid: Bid, whose: str, on: str = "") -> str:
    """With what chance a bid earns its margin, and the same if *whose* (the stone, every stone) weight is lower."""
    return (
        f"a margin of {100 * bid.margin:g} %{on} is then earned with a chance of {percent(bid.earned)}. "
        f"If {whose} comes out {percent(LIGHTER)} lighter, the same bid earns that with a chance of {percent(bid.earned_lighter)}."
    )


def bid_words(of: Worth, bid: Bid) -> list[str]:
    """The bid for a rough and how sure it is, or why no price will do; and what the chance covers."""
    alone = len(of.stones) == 1
    first = bid.remark
    if bid.limit.value > 0:
        limit = of.prices.money(bid.limit.value)
        each = "the stone" if alone else "every stone"
        first = f"Bid at most {limit} for the rough: {earns(bid, each)}"
    return [first, covers(bid), *([] if alone else [INDEPENDENT])]


def best_of(plans: Sequence[Plan]) -> int:
    """Number of the plan of the highest expected value, lost stones counted in; of equals the first."""
    return max(range(len(plans)), key=lambda k: plans[k][1].expected.value)


def headline(plans: Sequence[Plan]) -> list[str]:
    """Value and bid of the best plan, of however many stones; and a plan that allows a higher bid, where one does."""
    name, of, bid = plans[best_of(plans)]
    found = [expected_words(of), *bid_words(of, bid)]
    if len(plans) > 1:
        found.insert(0, f"Worth most, by expected value: {name}.")
    other, its_worth, its_bid = max(plans, key=lambda p: p[2].limit.value)
    if its_bid.limit.value > max(bid.limit.value, 0.0):
        money = of.prices.money
        found.append(
            f"{other} allows a higher bid, {money(its_bid.limit.value)}: it is expected to bring less, "
            f"{money(its_worth.expected.value)}, but costs less to cut or is surer."
        )
    return found


# ---- a parcel ---------------------------------------------------------------------------------


def sum_of_bids(bids: Sequence[Bid | None]) -> float:
    """What single bids add up to, roughs not to be bought left out."""
    return sum(max(bid.limit.value, 0.0) for bid in bids if bid)


def parcel_words(prices: Prices, bids: Sequence[Bid | None], parcel: Bid) -> list[str]:
    """The sum of single bids (None where nothing fits), and the bid for all roughs together."""
    money, count = prices.money, len(bids)
    found = [
        *prices.risk.doubts,
        f"Sum of the single bids: {money(sum_of_bids(bids))}. With these the margin is earned on each rough for "
        f"itself, with a chance of {percent(1 - parcel.chance)} at least.",
    ]
    if parcel.limit.value > 0:
        found.append(
            f"Bid for the parcel: at most {money(parcel.limit.value)} for all {count} roughs together; "
            f"{earns(parcel, 'every stone', ' on the whole')}"
        )
    if 0 < parcel.limit.value < sum_of_bids(bids):
        why = ["roughs that are not cut have their costs, too"] if parcel.uncut else []
        if parcel.loss and count - parcel.uncut > 1:
            why.append("that one stone of many is lost is likelier than that a single one is")
        if why:
            found.append(f"That is less than the single bids come to: {'; '.join(why)}.")
    if parcel.error >= 1:
        found.append(f"The parcel's bid may be too low by up to {money(parcel.error)}, by the steps of its sum.")  # fmt: skip
    if parcel.remark:
        found.append(f"The parcel: {parcel.remark}")
    if parcel.uncut:
        found.append(
            f"Roughs that count as bought but not cut: {parcel.uncut} of {count}; nothing or little was found, or less is "
            "expected than cutting costs."
        )
    return [*found, covers(parcel), INDEPENDENT]


# ---- for the document ---------------------------------------------------------------------------


def _pair(of: Estimate) -> dict[str, float]:
    return {"value": of.value, "stderr": of.stderr}


def bid_member(bid: Bid) -> dict[str, Any]:
    """A bid for the JSON document: shares and chances from 0 to 1."""
    return {
        "limit": _pair(bid.limit), "margin": bid.margin, "chance": bid.chance, "loss": bid.loss,
        "earned": bid.earned, "lighter": {"share": LIGHTER, "earned": bid.earned_lighter},
        "remark": bid.remark,
    }  # fmt: skip


def value_member(of: Worth) -> dict[str, Any]:
    """Member "value" of a stone."""
    names = ("expected", "if_none_lost", "low", "high")
    return {"value": {n: _pair(getattr(of, n)) for n in names}}


def worth_member(of: Worth | None, bid: Bid | None) -> dict[str, Any]:
    """Members "value" and "bid" of a plan; none without prices."""
    return value_member(of) | {"bid": bid_member(bid)} if of and bid else {}


def parcel_member(prices: Prices, bids: Sequence[Bid | None], parcel: Bid) -> dict[str, Any]:
    """Member "parcel" of a lot."""
    return {
        "sum_of_bids": sum_of_bids(bids),
        "bid": bid_member(parcel),
        "error": parcel.error,
        "uncut": parcel.uncut,
        "words": parcel_words(prices, bids, parcel),
    }
