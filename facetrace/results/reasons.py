"""Why one plan is worth more than another, in sentences."""

import math
from dataclasses import dataclass

from facetrace.studies.price import plain
from facetrace.studies.value import Worth, percent
from facetrace.trace.faceup import Estimate

COUNTS = ("No stone", "One stone", "Two stones", "Three stones")
# of two plans: a value nearer than so many standard errors is no difference
TIE_ERRORS = 2.0
# a ratio nearer to 1 than this is no reason
TOO_SMALL = 0.005
MOST_REASONS = 2


@dataclass(frozen=True)
class _Reason:
    ratio: float
    text: str


def why(a: Worth, b: Worth) -> str:
    """One or two plain sentences: what makes plan *a* worth more than *b*, by the ratios of their factors.

    The plans are priced by one file. Of several stones a factor is the mean, weighted by their value by weight.
    """
    gain = a.expected.value - b.expected.value
    if gain <= TIE_ERRORS * (a.expected.stderr + b.expected.stderr):
        return "Their values cannot be told apart." if gain > 0 else "It is not worth more."
    reasons = [_by_step(a, b), _by_carats(a, b)]
    names = dict.fromkeys(n for w in (a, b) for p in w.stones for n, _ in p.factors)
    reasons += [_by_factor(a, b, name) for name in names]
    telling = sorted((r for r in reasons if r.ratio > 1 + TOO_SMALL), key=lambda r: -r.ratio)
    return " ".join(r.text for r in telling[:MOST_REASONS]) or "Many small differences add up."


def _ratio(one: float, other: float) -> float:
    if other > 0:
        return one / other
    return math.inf if one > 0 else 1.0


def _count(of: Worth) -> str:
    return COUNTS[len(of.stones)]


def _by_carats(a: Worth, b: Worth) -> _Reason:
    kept = f"on average {a.carats:.2f} ct instead of {b.carats:.2f}."
    same = len(a.stones) == len(b.stones)
    text = (
        f"It is heavier: {kept}"
        if same
        else f"{_count(a)} keep{'s' * (len(a.stones) == 1)} more: {kept}"
    )
    return _Reason(_ratio(a.carats, b.carats), text)


def _by_step(a: Worth, b: Worth) -> _Reason:
    """The price of a mean carat, and the step that tells most."""
    price_a, price_b = (
        _ratio(sum(p.by_weight for p in w.stones), w.carats) if w.carats else 0.0 for w in (a, b)
    )

    def chance(of: Worth, carats: float) -> float:
        return max(p.stone.chance_from(carats) for p in of.stones)

    tellings = []
    for k, step in enumerate(a.prices.step):
        jump = step.per_carat - (a.prices.step[k - 1].per_carat if k else 0.0)
        one, other = chance(a, step.from_carats), chance(b, step.from_carats)
        tellings.append((jump * (one - other), step.from_carats, one, other))
    gain, carats, one, other = max(tellings)
    cost = f"{plain(price_a)} a carat instead of {plain(price_b)}."
    if gain <= 0:
        return _Reason(_ratio(price_a, price_b), f"Its weights fit the steps better: {cost}")
    sure = one == 1 and other == 0
    chances = (
        ""
        if sure
        else f" with {percent(one)}, the other with {percent(other)} (by the scan's error alone)"
    )
    verb = ("It", "Its larger stone", "Its largest stone")[len(a.stones) - 1] + " reaches"
    return _Reason(_ratio(price_a, price_b), f"{verb} {carats:g} ct{chances}: {cost}")


def _by_factor(a: Worth, b: Worth, name: str) -> _Reason:
    def mean(of: Worth) -> tuple[float, str]:
        weights = [p.by_weight for p in of.stones]
        each = [dict(p.factors).get(name, Estimate(1.0, 0.0)).value for p in of.stones]
        *first, last = (p.looks.get(name, "not known") for p in of.stones)
        looks = " and ".join([*filter(None, [", ".join(first)]), last])
        total = sum(weights)
        return sum(
            w * f for w, f in zip(weights, each, strict=True)
        ) / total if total else 1.0, looks

    (one, looks_a), (other, looks_b) = mean(a), mean(b)
    text = (
        f"{name.capitalize()} {looks_a} instead of {looks_b}: x{one:.2f} instead of x{other:.2f}."
    )
    return _Reason(_ratio(one, other), text)
