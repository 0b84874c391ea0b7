"""Is a re-cut worth its hundredths of a carat: which facets to take down or turn, and what stays.

Every flaw has remedies (``recut.remedies``). A flaw is gone when its deepest points lie outside one plane of the new
solid. Cuts only take away, so a set of them weighs no more than any part of it: that bounds the search.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from facetrace.recut.planes import NEW_FACET, angle_of, below, deepest
from facetrace.recut.remedies import (
    ANGLE,
    NOTHING,
    STEP_DEG,
    Bench,
    Changes,
    Remedy,
    State,
    remedies_for,
)
from facetrace.recut.stone import CutStone
from facetrace.solid.polyhedron import Floats, Solid

# remedies of a flaw that the search tries, the cheapest first, and solids that it builds
MOST_REMEDIES, MOST_SOLIDS = 6, 1500


@dataclass(frozen=True)
class Stop:
    """Why a flaw stays: a refusal, the cheapest remedy that meets it, and the stone with that remedy on
    top of what is cut (None where it was not built)."""

    reason: str
    remedy: Remedy
    state: State | None


@dataclass(frozen=True)
class Fate:
    """What becomes of a flaw: gone, by which remedy (None: another's takes it along), or what stopped it.

    remedies: all that were looked at, the cheapest first; stopped: one for each kind of refusal.
    """

    flaw: int
    gone: bool
    remedy: Remedy | None
    remedies: tuple[Remedy, ...]
    stopped: tuple[Stop, ...] = ()


@dataclass(frozen=True)
class Cut:
    """A facet as it is cut: name, angles in degrees, mm at the deepest, whether it turned about an axis
    that is not its index's, and whether nothing is left of it."""

    name: str
    angle_before: float
    angle_after: float
    mm: float
    swung_deg: float
    vanished: bool


@dataclass(frozen=True)
class Plan:
    """What to cut. lowest: carats that must be left; searched: whether every set was looked at."""

    before: State
    after: State
    fates: tuple[Fate, ...]
    cuts: tuple[Cut, ...]
    lowest: float
    searched: bool
    symmetric: bool
    flats_fit: bool | None


def merged(solid: Solid, changes: Changes, more: Changes) -> dict[int, Floats] | None:
    """Both sets of planes; of two for one facet the one that lies below. None where neither does."""
    found = dict(changes)
    for facet, plane in more.items():
        old = found.get(facet)
        if old is None:
            found[facet] = plane
        elif facet == len(solid.names):
            found[facet] = min(old, plane, key=lambda p: float(p[3]))
        elif below(solid, facet, plane, old):
            found[facet] = plane
        elif not below(solid, facet, old, plane):
            return None
    return found


@dataclass
class _Best:
    """The best set so far: what is gone, in what order sets are preferred, and how it is reached."""

    rank: tuple[float, ...]
    state: State
    changes: dict[int, Floats]
    chosen: dict[int, Remedy]


class _Search:
    """Flaw by flaw, the most important first: leave it, or take one of its remedies."""

    def __init__(self, bench: Bench, remedies: Sequence[Sequence[Remedy]]) -> None:
        self.bench = bench
        flaws = bench.stone.model.flaw
        self.worth = [(f.importance, f.depth_mm) for f in flaws]
        self.order = sorted(range(len(flaws)), key=lambda k: (-flaws[k].importance, -flaws[k].depth_mm, k))  # fmt: skip
        self.options = [[r for r in mine if r.refusal is None][:MOST_REMEDIES] for mine in remedies]
        self.whole = True
        self.most = len(bench.built) + MOST_SOLIDS
        self.best = _Best(self._rank(self._gone(bench.before), bench.before), bench.before, {}, {})

    def _rank(self, gone: Sequence[bool], state: State) -> tuple[float, ...]:
        """Importance gone, then depth, then carats, then those first in the order."""
        sums = (
            round(sum(w[k] for w, g in zip(self.worth, gone, strict=True) if g), 9) for k in (0, 1)
        )
        return (*sums, state.carats, *(float(gone[k]) for k in self.order))

    def _gone(self, state: State) -> list[bool]:
        return [self.bench.gone(k, state.solid) for k in range(len(self.worth))]

    def run(self) -> _Best:
        """The best set within all limits."""
        self._go(0, {}, {}, self.bench.before)
        return self.best

    def _hope(self, place: int, state: State) -> tuple[float, ...]:
        """No set that goes on from here ranks higher: all that is undecided may yet go at no cost."""
        gone = self._gone(state)
        for k in self.order[place:]:
            gone[k] = gone[k] or bool(self.options[k])
        # what was left may go with another's remedy
        for k in self.order[:place]:
            gone[k] = gone[k] or any(self.options[j] for j in self.order[place:])
        return self._rank(gone, state)

    def _go(
        self, place: int, changes: dict[int, Floats], chosen: dict[int, Remedy], state: State
    ) -> None:  # fmt: skip
        if self.bench.refusal(state) is None or not changes:
            rank = self._rank(self._gone(state), state)
            if rank > self.best.rank:
                self.best = _Best(rank, state, changes, chosen)
        if place == len(self.order) or self._hope(place, state) <= self.best.rank:
            return
        flaw = self.order[place]
        if not self.bench.gone(flaw, state.solid):
            for remedy in self.options[flaw]:
                together = merged(self.bench.stone.solid, changes, remedy.changes)
                if together is None:
                    continue
                if len(self.bench.built) >= self.most:
                    self.whole = False
                    return
                ahead = self.bench.state(together)
                # weight only falls as more is cut; symmetry and girdle may come back
                if ahead is None or ahead.carats < self.bench.lowest:
                    continue
                self._go(place + 1, together, chosen | {flaw: remedy}, ahead)
        self._go(place + 1, changes, chosen, state)


def plan_of(stone: CutStone, floor_carats: float) -> Plan:
    """The best re-cut of a stone that stays at or above *floor_carats* and the file's spare.

    Raises nothing: a stone below its floor gets a plan that cuts nothing.
    """
    bench = Bench(stone, floor_carats)
    remedies = [remedies_for(bench, k) for k in range(len(stone.spots))]
    search = _Search(bench, remedies)
    best = search.run()
    fates = tuple(_fate(bench, best, k, mine) for k, mine in enumerate(remedies))
    flats = stone.flats
    return Plan(
        bench.before, best.state, fates, tuple(_cuts(stone.solid, best)), bench.lowest, search.whole,
        bool(bench.symmetry), None if flats is None else best.state.carats - flats[1] >= bench.lowest,
    )  # fmt: skip


def _fate(bench: Bench, best: _Best, flaw: int, remedies: list[Remedy]) -> Fate:
    if bench.gone(flaw, best.state.solid):
        return Fate(flaw, True, best.chosen.get(flaw), tuple(remedies))
    stopped: dict[str, Stop] = {}
    for remedy in remedies:
        together = merged(bench.stone.solid, best.changes, remedy.changes)
        # what is refused alone is built for its weight only
        state = bench.state(together) if together and remedy.refusal != ANGLE else None
        reason = remedy.refusal or bench.refusal(state) or NOTHING
        old = stopped.get(reason)
        if old is None or (reason == ANGLE and remedy.degrees < old.remedy.degrees):
            stopped[reason] = Stop(reason, remedy, state)
    return Fate(flaw, False, None, tuple(remedies), tuple(stopped.values()))


def _cuts(solid: Solid, best: _Best) -> Iterator[Cut]:
    for facet, plane in sorted(best.changes.items()):
        if facet == len(solid.names):
            mm = -plane[3] - float(solid.vertices[:, 2].min())
            yield Cut(NEW_FACET, 0.0, 0.0, float(mm), 0.0, NEW_FACET in best.state.solid.missing)
            continue
        old = solid.normals[facet]
        before, after = angle_of(old), angle_of(plane[:3])
        whole = math.degrees(math.acos(min(1.0, float(old @ plane[:3]))))
        swung = whole if whole - abs(after - before) > STEP_DEG / 100 else 0.0
        yield Cut(
            solid.names[facet], before, after, deepest(solid, facet, plane), swung,
            solid.names[facet] not in best.state.solid.names,
        )  # fmt: skip
