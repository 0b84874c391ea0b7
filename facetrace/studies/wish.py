"""Choosing among candidates: the front of light against weight, and one candidate for a wish."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Key, Row
from facetrace.design.model import Design
from facetrace.studies.rows import number
from facetrace.studies.sweep import Conditions, Range, Traced, that_can_be_cut, traced, with_values
from facetrace.trace.faceup import Estimate, face_up
from facetrace.trace.paired import difference

Wish = Literal["weight", "light", "balance"]
WISHES: tuple[Wish, ...] = ("light", "weight", "balance")
LIGHT = "light_return"
# candidates this near to the best, in standard errors of their difference, share its place
TIE_ERRORS = 2.0
# those farther off, in errors as if nothing cancelled, are not traced again to be told apart
FAR_ERRORS = 4.0
MOST_TIES = 200
# the one recommended is traced afresh, with other random numbers and so many times the rays: the
# best of many is partly the luckiest
CONFIRM = 4
CONFIRM_SEED = 0x5EED
FIGURES = (LIGHT, "window", "extinction", "brightness")


@dataclass(frozen=True)
class Confirmed:
    """The candidate chosen, traced afresh: its figures, and what they gain on the design as it stands."""

    figures: dict[str, Estimate]
    gains: dict[str, Estimate]


def front(rows: Sequence[Row], weight: str) -> list[Row]:
    """Rows that no other beats in weight and light both, by rising weight (Pareto's front).

    *weight*: the column to set against light returned.
    """
    kept: list[Row] = []
    best = -1.0
    for row in sorted(that_can_be_cut(rows), key=lambda r: (-number(r, weight), -number(r, LIGHT))):
        if number(row, LIGHT) > best:
            best = number(row, LIGHT)
            kept.append(row)
    return kept[::-1]


def choose(
    rows: Sequence[Row],
    wish: Wish,
    weight: str,
    apart: Callable[[Row, Row], Estimate],
    *,
    at_least: float = 0.0,
    keep_light: float = 0.9,
) -> Row:
    """The candidate for a wish among those of at least so many carats.

    light: the most light returned; of those within 2 standard errors of the difference, which
    *apart(best, row)* tells, the heaviest. weight: the heaviest with at least the share
    *keep_light* of the best light. balance: on the front, the largest product of light and
    weight. Raises FacetraceError where no candidate is heavy enough.
    """
    able = [row for row in that_can_be_cut(rows) if number(row, "carats") >= at_least]
    if not able:
        heaviest = max((number(r, "carats") for r in that_can_be_cut(rows)), default=0.0)
        raise FacetraceError(
            f"--at-least {at_least:g}: no candidate weighs so much; the heaviest has {heaviest:.3f} ct"
        )
    best = max(able, key=lambda r: number(r, LIGHT))
    if wish == "weight":
        bright = [r for r in able if number(r, LIGHT) >= keep_light * number(best, LIGHT)]
        return max(bright, key=lambda r: (number(r, weight), number(r, LIGHT)))
    if wish == "balance":
        return max(front(able, weight), key=lambda r: number(r, LIGHT) * number(r, weight))
    return max(_tied(best, able, apart), key=lambda r: (number(r, weight), number(r, LIGHT)))


def _tied(best: Row, rows: Sequence[Row], apart: Callable[[Row, Row], Estimate]) -> list[Row]:
    near = [
        row for row in sorted(rows, key=lambda r: -number(r, LIGHT))
        if row is not best
        and number(best, LIGHT) - number(row, LIGHT)
        <= FAR_ERRORS * (number(best, f"{LIGHT}_stderr") + number(row, f"{LIGHT}_stderr"))
    ]  # fmt: skip
    gaps = [(row, apart(best, row)) for row in near[:MOST_TIES]]
    return [best, *(row for row, gap in gaps if gap.value <= TIE_ERRORS * gap.stderr)]


class Comparing:
    """Differences between candidates of a sweep, traced again with the sweep's own random numbers."""

    def __init__(self, design: Design, ranges: Sequence[Range], conditions: Conditions) -> None:
        self._design, self._ranges, self._conditions = design, ranges, conditions
        self._floor = traced(design, conditions).sums.floor
        self._done: dict[Key, Traced] = {}

    def __call__(self, a: Row, b: Row) -> Estimate:
        """Light returned of *a* minus that of *b*."""
        one, other = self._traced(a, keep=True), self._traced(b, keep=False)
        return difference(one.sums, one.scene, other.sums, other.scene, (LIGHT,))[LIGHT]

    def _traced(self, row: Row, keep: bool) -> Traced:
        key = tuple(row[r.name] for r in self._ranges)
        if key in self._done:
            return self._done[key]
        candidate = traced(
            with_values(self._design, self._ranges, key), self._conditions, self._floor
        )
        if keep:
            self._done[key] = candidate
        return candidate


def confirm(design: Design, ranges: Sequence[Range], conditions: Conditions, row: Row) -> Confirmed:
    """Trace the chosen one and the design as it stands with other random numbers and more rays."""
    fresh = replace(
        conditions, points=CONFIRM * conditions.points, seed=conditions.seed ^ CONFIRM_SEED
    )
    base = traced(design, fresh)
    key = tuple(row[r.name] for r in ranges)
    one = traced(with_values(design, ranges, key), fresh, base.sums.floor)
    measures = face_up(one.sums, one.scene).measures
    gains = difference(one.sums, one.scene, base.sums, base.scene, FIGURES)
    return Confirmed({name: measures[name] for name in FIGURES}, gains)
