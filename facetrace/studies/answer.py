"""All that is said of one rough: its plans, each certified, ranked, priced, and what a direction and its defects cost.

Nothing goes on from here that was not certified (``studies.certified``) from the rough's own file, with the numbers as
they are printed, whether a search found them now or a table holds them. What fails is named, without carats.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import trimesh
from numpy.typing import NDArray

from facetrace.common.progress import ProgressBar, silent
from facetrace.placement.certificate import Certificate, Cone
from facetrace.placement.shapes import PlacedCopy
from facetrace.solid.export import joined, placed
from facetrace.studies.certified import certificate_of
from facetrace.studies.directions import BANDS, Loss, directions, losses
from facetrace.studies.placed_stone import Found, PlacedStone, different
from facetrace.studies.plan_task import PlanWishes, Room, Task
from facetrace.studies.price import Figure, Prices
from facetrace.studies.run import Run, unseen
from facetrace.studies.saw import Sawn, sawn
from facetrace.studies.value import Bid, Stone, Worth, bid_limit, worth

Floats = NDArray[np.float64]
# what price files call the figures of a stone; colour is that from within
FIGURES: dict[Figure, str] = {
    "light returned": "light_return", "window": "window", "zone": "zone", "lightness": "lightness",
    "chroma": "chroma", "hue": "hue_deg",
}  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """A stone that passed its check; worth, bid: what it may be worth and the bid for it, None without prices."""

    stone: PlacedStone
    certificate: Certificate
    worth: Worth | None = None
    bid: Bid | None = None


@dataclass(frozen=True)
class Direction:
    """The heaviest stone found with the table in one band of angles to c; None where none was."""

    name: str
    found: Checked | None


@dataclass(frozen=True)
class Pieces:
    """Stones of a sawn rough, heaviest first, and what all together may be worth."""

    sawn: Sawn
    stones: tuple[Checked, ...]
    worth: Worth | None = None
    bid: Bid | None = None


@dataclass(frozen=True)
class Answer:
    """All that is reported of one rough: plans heaviest first, and by value where prices are known.

    found: what each search came to; failed: what was found but did not pass its check, in sentences; halved: whether
    saw cuts were asked for; stopped: whether the work ended early.
    """

    tasks: tuple[Task, ...]
    found: tuple[Found, ...]
    plans: tuple[Checked, ...]
    failed: tuple[str, ...]
    prices: Prices | None
    losses: tuple[Loss, ...] = ()
    directions: tuple[Direction, ...] = ()
    pieces: Pieces | None = None
    halved: bool = False
    stopped: bool = False

    @property
    def room(self) -> Room:
        """The rough as the search sees it."""
        return self.tasks[0].room

    @property
    def wishes(self) -> PlanWishes:
        """What all plans share."""
        return self.tasks[0].wishes

    @property
    def best(self) -> int:
        """Number of the plan to go by: the most valuable; without prices the heaviest whose zones hide, or of all."""
        if not self.prices:
            hidden = [k for k, plan in enumerate(self.plans) if plan.stone.hides]
            return hidden[0] if hidden and self.room.to_hide else 0
        return max(range(len(self.plans)), key=lambda k: value_of(self.plans[k]), default=0)

    @property
    def chosen(self) -> Checked | None:
        """The plan to go by."""
        return self.plans[self.best] if self.plans else None

    @property
    def stones(self) -> tuple[PlacedStone, ...]:
        """The stones to go by: the best plan's, or those of several pieces."""
        if self.pieces and self.sawn_first:
            return self.pieces.sawn.stones
        return (self.chosen.stone,) if self.chosen else ()

    @property
    def mesh(self) -> trimesh.Trimesh:
        """The stones to go by where they lie, in the rough file's frame, mm."""
        back = self.room.rough.turn.T
        cuts = [stone.cut for stone in self.stones]
        return joined([placed(cut.solid, back @ cut.turn, back @ cut.shift) for cut in cuts])

    @property
    def sawn_first(self) -> bool:
        """Whether the stones of several pieces are the plan to go by: by value, without prices by weight."""
        if self.pieces is None or self.chosen is None:
            return self.pieces is not None
        if self.pieces.worth:
            return value_of(self.pieces) > value_of(self.chosen)
        return self.pieces.sawn.carats > self.chosen.stone.carats

    @property
    def found_little(self) -> bool:
        """Whether the best keeps so little that nothing follows from it."""
        return self.chosen is not None and self.chosen.stone.little


def value_of(priced: Checked | Pieces) -> float:
    """The expected value, 0 without prices."""
    return priced.worth.expected.value if priced.worth else 0.0


def priced_stone(stone: PlacedStone) -> Stone:
    """A stone as the price files see it."""
    figures = {name: stone.figures[own] for name, own in FIGURES.items()}
    outline = stone.task.trial.shape
    return Stone(stone.low_carats, stone.carats, stone.high_carats, outline, figures)  # type: ignore[arg-type]


# ---- certificates -----------------------------------------------------------------------------


def checked(
    stone: PlacedStone, saw: Floats | None = None, cone: tuple[float, float] | None = None
) -> tuple[Certificate, list[str]]:
    """(certificate of a stone, what is wrong with it, or with those that it may come to if the scan is off).

    saw (4, w): planes of saw cuts that it stays under; cone: the table's angles to c, degrees.
    """
    rough, place, asked = stone.rough, stone.place, stone.task.wishes.facing
    low, high = cone or (asked.least_deg, asked.within_deg)
    facing = Cone(asked.direction, within_deg=high, least_deg=low, both=True)

    def certificate(copy: PlacedCopy, more_mm: float) -> Certificate:
        return certificate_of(
            rough, stone.variation.solid, copy.scale, copy.rotation, copy.shift, cone=facing,
            volume_mm3=copy.volume, margin_less_mm=-more_mm, saw=saw,
        )  # fmt: skip

    best = certificate(place.copy, 0.0)
    wrong = list(best.problems)
    scan = rough.loss.scan_mm
    for name, copy, more in (("low", place.low, scan), ("high", place.high, -scan)):
        if copy.scale > 0:
            wrong += [f"as {name}: {text}" for text in certificate(copy, more).problems]
    if not place.low.volume <= place.copy.volume <= place.high.volume:
        wrong.append("low, likeliest and high carats do not rise")
    if not stone.told_truly:
        wrong.append("carats or sizes are not those of the stone that lies there")
    return best, wrong


def answered(
    tasks: Sequence[Task], found: Sequence[Found], prices: Prices | None, run: Run, progress: ProgressBar = silent,
    *, what_defects_cost: bool = True, what_directions_cost: bool = True, pieces: int = 1,
) -> Answer:  # fmt: skip
    """Plans certified and ranked; what defects and directions cost the best, and several pieces, where asked for."""
    plans, failed = [], []
    for stone in different(found):
        certificate, wrong = checked(stone)
        if wrong:
            failed.append(_failed(stone.design, wrong))
        else:
            plans.append(_priced(stone, certificate, prices))
    answer = Answer(tuple(tasks), tuple(found), tuple(plans), tuple(failed), prices)
    run.done, run.of = 0, 1
    if answer.chosen and what_defects_cost and answer.room.kept_off:
        answer = replace(answer, losses=_losses(answer.chosen, run, progress))
    if answer.chosen and what_directions_cost:
        answer = _directions(answer, answer.chosen, run, progress)
    if pieces > 1:
        with _shown(run, progress, f"{pieces if pieces == 2 else '2 or 3'} stones from one rough"):
            found_in = sawn(tasks, run, pieces, lambda s: _value(prices, s))
        answer = _pieces(replace(answer, halved=True), found_in)
    return replace(answer, stopped=run.late or not all(f.complete for f in found))


def _failed(what: str, wrong: Sequence[str]) -> str:
    return f"{what}: a stone was found but did not pass its check: {'; '.join(wrong)}"


def _worth(prices: Prices, stones: Sequence[PlacedStone]) -> tuple[Worth, Bid]:
    of = worth(prices, [priced_stone(stone) for stone in stones])
    return of, bid_limit(prices, of, stones[0].task.room.carats)


def _priced(stone: PlacedStone, certificate: Certificate, prices: Prices | None) -> Checked:
    return Checked(stone, certificate, *(_worth(prices, [stone]) if prices else ()))


def _value(prices: Prices | None, found: Sawn) -> float:
    return _worth(prices, found.stones)[0].expected.value if prices else found.carats


@contextmanager
def _shown(run: Run, progress: ProgressBar, title: str) -> Iterator[None]:
    with progress(title) as report:
        run.report = report
        yield
    run.report = unseen


def _losses(best: Checked, run: Run, progress: ProgressBar) -> tuple[Loss, ...]:
    found: list[Loss] = []
    names = best.stone.task.room.kept_off
    count = len(names) + (len(names) > 1)
    with progress("what each defect costs") as report:
        for loss in losses(best.stone, run):
            found.append(loss)
            report(len(found) / count)
    return tuple(found)


def _directions(answer: Answer, best: Checked, run: Run, progress: ProgressBar) -> Answer:
    found: dict[str, Checked] = {}
    failed = list(answer.failed)
    with progress("what a direction of the table costs") as report:
        for name, stone in directions(best.stone, run):
            certificate, wrong = checked(stone, cone=BANDS[name])
            if wrong:
                failed.append(_failed(name, wrong))
            else:
                found[name] = _priced(stone, certificate, answer.prices)
            report(len(found) / len(BANDS))
    none = [name for name in BANDS if name not in found and not run.over()]
    shown = [Direction(name, found.get(name)) for name in BANDS if name in found or name in none]
    return replace(answer, directions=tuple(shown), failed=tuple(failed))


def _pieces(answer: Answer, found: Sawn | None) -> Answer:
    if found is None:
        return answer
    prices, kerf = answer.prices, answer.room.rough.loss.kerf_mm
    stones, failed = [], []
    for k, stone in enumerate(found.stones):
        certificate, wrong = checked(stone, found.walls(k, kerf))
        stones.append(_priced(stone, certificate, prices))
        if wrong:
            failed.append(
                f"a sawn piece's {stone.design} did not pass its check: {'; '.join(wrong)}"
            )
    if failed:
        return replace(answer, failed=(*answer.failed, *failed))
    together = _worth(prices, found.stones) if prices else ()
    return replace(answer, pieces=Pieces(found, tuple(stones), *together))
