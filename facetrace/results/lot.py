"""A lot of roughs: what is kept of each, the table, sentences, and the JSON document."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.table import Table

from facetrace.results import document
from facetrace.results.money import parcel_member, parcel_words
from facetrace.results.plan_member import plan_member
from facetrace.results.plan_words import called, notes_of, proven_words
from facetrace.studies.answer import Answer
from facetrace.studies.lot import LotAnswer, LotRough
from facetrace.studies.plan_task import HEAVIEST
from facetrace.studies.price import plain

# letters of a name in a table that is too wide
LEAST_LETTERS = 10


@dataclass(frozen=True)
class Told:
    """What is said of one rough: its member of the document, sentences, and cautions."""

    member: dict[str, Any]
    words: tuple[str, ...]
    notes: tuple[str, ...]


def told_of(answer: Answer) -> Told:
    """Words and numbers only, so that a lot of thousands needs no more memory than one."""
    return Told(plan_member(answer), _words(answer), tuple(notes_of(answer)))


def _words(answer: Answer) -> tuple[str, ...]:
    """Where value and weight disagree, what was found wrong, and what to look at again."""
    found = [f"first find out {text}." for text in answer.room.rough.questions]
    found += answer.failed
    if answer.chosen is None:
        return tuple(found)
    if answer.best:
        heavy, best = answer.plans[0].stone, answer.chosen.stone
        found.append(f"{called(best)} comes before the heavier {called(heavy)}.")
    if answer.found_little:
        found.append("the search found little; that is no advice not to buy.")
    gaps = [plan.stone.gap for plan in answer.plans if plan.stone.kind == HEAVIEST]
    wide = [gap for gap in gaps if gap is not None and gap > answer.wishes.within + 1e-6]
    if wide:
        found.append(f"{proven_words(max(wide))} that no stone is heavier by more than {100 * max(wide):.0f} %.")  # fmt: skip
    if any(gap is None for gap in gaps):
        found.append("heavier stones are not ruled out; the work ended before the proof.")
    return tuple(found)


def lot_notes(lot: LotAnswer) -> list[str]:
    """Cautions that belong to the numbers of all roughs, each once."""
    return list(dict.fromkeys(text for rough in lot.read for text in rough.kept.notes))


def _names(roughs: Sequence[LotRough]) -> list[str]:
    """What each rough is called: by its file where two have one name."""
    names = Counter(rough.name for rough in roughs)
    return [r.name if names[r.name] == 1 else r.file for r in roughs]


def _short(name: str, letters: int) -> str:
    return name if len(name) <= letters else name[: letters - 2] + ".."


def _cells(rough: LotRough, priced: bool) -> list[str]:
    """What stands behind a rough's name and carats; of figures all digits, whatever the width."""
    best = rough.best
    if rough.problem or best is None:
        return ["see below" if rough.problem else "none found"]
    cells = [best.name, f"{best.carats:.2f}"]
    if not priced:
        share = f"{100 * best.carats / rough.carats:.1f}"
        return [*cells, f"{best.low_carats:.2f} - {best.high_carats:.2f}", share]
    of, bid = best.worth, best.bid
    if not of or not bid:
        return [*cells, "little"]
    return [
        *cells, plain(of.expected.value), f"{plain(of.low.value)}-{plain(of.high.value)}",
        plain(max(bid.limit.value, 0.0)),
    ]  # fmt: skip


def _total(lot: LotAnswer) -> list[str]:
    bests = [r.best for r in lot.roughs if r.best]
    rough, cut = sum(r.carats for r in lot.roughs), sum(best.carats for best in bests)
    value = sum(best.worth.expected.value for best in bests if best.worth)
    bids = sum(max(best.bid.limit.value, 0.0) for best in bests if best.bid)
    share = f"{100 * cut / rough:.1f}" if rough else "-"
    more = [plain(value), "", plain(bids)] if lot.prices else ["", share]
    return ["all", f"{rough:.2f}", "", f"{cut:.2f}", *more]


def lot_table(lot: LotAnswer, name: str, width: int) -> Table:
    """One row for each rough, and the sums; *width*: letters of a line."""
    priced = lot.prices is not None
    heads = ["rough", "ct", "best design", "ct", *(("value", "low-high", "bid") if priced else ("low - high", "yield %"))]  # fmt: skip
    rows = [
        [own, f"{rough.carats:.2f}" if rough.carats else "-", *_cells(rough, priced)]
        for own, rough in zip(_names(lot.roughs), lot.roughs, strict=True)
    ]
    rows = [[*row, *["-"] * (len(heads) - len(row))] for row in rows] + [_total(lot)]
    widths = [max(len(row[k]) for row in [heads, *rows]) for k in range(len(heads))]
    # what is too wide takes it from the names, then from the range, which the JSON has too
    room = width - 3 * len(heads) - 1
    for k in (0, 2):
        widths[k] = max(min(widths[k], LEAST_LETTERS), widths[k] - max(0, sum(widths) - room))
    left_out = [heads.index("low-high")] if priced and sum(widths) > room else []
    table = Table(title=f"the lot {name}", title_justify="left")
    for k, head in enumerate(heads):
        if k not in left_out:
            table.add_column(_short(head, widths[k]), justify="left" if k in (0, 2) else "right", no_wrap=True, min_width=widths[k])  # fmt: skip
    for row in rows:
        if row is rows[-1]:
            table.add_section()
        table.add_row(*(_short(cell, widths[k]) if k in (0, 2) else cell for k, cell in enumerate(row) if k not in left_out))  # fmt: skip
    return table


def lot_sentences(lot: LotAnswer) -> list[str]:
    """What could not be planned, what is to be said of each rough, and what to bid for all."""
    named = list(zip(_names(lot.roughs), lot.roughs, strict=True))
    found = [f"{name}: not planned: {r.problem}" for name, r in named if r.problem]
    found += [f"{name}: {text}" for name, r in named if r.kept for text in r.kept.words]
    if lot.prices is None or lot.parcel is None:
        return found
    risk = lot.prices.risk
    found.append(
        f"Values in {lot.prices.currency}. A bid is the most to pay for a margin of {risk.margin_percent:g} % with a "
        f"chance of {100 - risk.chance_percent:g} % for each rough on its own; 0: do not buy."
    )
    found += parcel_words(lot.prices, lot.bids, lot.parcel)
    doubted = sum(r.doubted for r in lot.roughs if r.best and r.best.worth)
    if doubted:
        found.append(
            f"Bids and sums hold {doubted} {'rough' if doubted == 1 else 'roughs'} of which something is to be found out first."
        )
    return found


def lot_document(lot: LotAnswer) -> dict[str, Any]:
    """The JSON document of a lot."""
    parts: dict[str, Any] = document.head() | {
        "seed": lot.wishes.seed,
        "lot": [rough.kept.member for rough in lot.read],
        "unread": [{"name": r.name, "problem": r.problem} for r in lot.roughs if r.problem],
    }
    if lot.prices and lot.parcel:
        parts["parcel"] = parcel_member(lot.prices, lot.bids, lot.parcel)
    return parts | {"notes": lot_notes(lot)}
