"""What the best plan's design would come to otherwise: without each defect, and with its table in another direction."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from facetrace.placement import search
from facetrace.placement.shapes import Facing
from facetrace.solid.measure import carats_at
from facetrace.studies.placed_stone import PlacedStone
from facetrace.studies.run import Run
from facetrace.studies.stone_search import ASIDE, heaviest

# angle of the table's normal to c, degrees: a table square to c has its normal along c
BANDS = {
    "square to c": (0.0, 15.0),
    "tilted": (15.0, 45.0),
    "steep": (45.0, 75.0),
    "along c": (75.0, 90.0),
}


def directions(best: PlacedStone, run: Run) -> Iterator[tuple[str, PlacedStone]]:
    """(name of the band, its heaviest stone) of the best plan's design, where one is found; zones are hidden where that is wished.

    The best plan itself is where the climbs of its band begin, so its band's stone is no lighter.
    """
    asked = best.task.wishes.facing
    for name, (low, high) in BANDS.items():
        if run.over():
            return
        if (low, high) == (asked.least_deg, asked.within_deg):
            # what was asked for is known already
            yield name, replace(best, kind=name)
            continue
        facing = Facing(asked.direction, high, low, both=True)
        starts = [best.place.copy] if low <= best.table_to_c <= high else []
        ready = best.task.room.ready
        stone = heaviest(best.task, best.variation, name, ready, run, starts, facing)
        if stone is not None:
            yield name, stone


@dataclass(frozen=True)
class Loss:
    """What some defects cost a stone: carats that the search finds more without them."""

    names: tuple[str, ...]
    carats: float


def losses(best: PlacedStone, run: Run) -> Iterator[Loss]:
    """For each defect that the stone keeps off, then for all of them where there are several."""
    room, copy = best.task.room, best.place.copy
    names: list[tuple[str, ...]] = [(name,) for name in room.kept_off]
    if len(names) > 1:
        names.append(tuple(room.kept_off))
    for some in names:
        if run.over():
            return
        found = search.largest(
            best.variation.stone, search.prepared(room.space(without=some)), best.task.wishes.facing, effort=ASIDE,
            starts=[copy], threads=run.workers.count, watch=run.watch(),
        )  # fmt: skip
        if run.over():
            return
        more = max([c.volume for c in found], default=0.0) - copy.volume
        yield Loss(some, carats_at(max(0.0, more), room.rough.density))
