"""Is a re-cut worth its hundredths of a carat: which facets to take down or turn, and what stays.

Every flaw has remedies: a facet it touches taken down parallel or turned about its far side, alone or
with all that the stone's symmetry makes of it, the whole girdle drawn in, a small new culet. A flaw is gone
when its deepest points lie outside one plane of the new solid. Depths go up to the next 0.01 mm, angles to the
next 0.1 degree. Cuts only take away, so a set of them weighs no more than any part of it: that
bounds the search.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.recut.planes import (
    NEW_FACET,
    VERTICAL,
    Hinge,
    Symmetry,
    angle_of,
    below,
    deepest,
    far_hinges,
    lowered,
    parting,
    recut,
    siblings,
    slope_hinges,
    symmetries,
    turn_for,
    turned,
)
from facetrace.recut.stone import CutStone
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Floats, Solid, SolidError
from facetrace.studies.rows import SURE_ERRORS
from facetrace.trace.faceup import Estimate, face_up
from facetrace.trace.paired import aligned, difference
from facetrace.trace.run import points_for, roulette_floor, trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

STEP_MM, STEP_DEG = 0.01, 0.1
# rounding up forgives so much of a step
SLIP = 1e-6
# turns beyond this are not even mentioned, degrees
MENTIONED_DEG = 5.0
# remedies of a flaw that the search tries, the cheapest first, and solids that it builds
MOST_REMEDIES, MOST_SOLIDS = 6, 1500
# a deepest point may lie so far inside, mm, by rounding
SLACK_MM = 1e-9
# a flaw this near above the lowest corner, mm, is at the culet
CULET_MM = 0.1

ALONE, SIBLINGS, GIRDLE, CULET = "alone", "siblings", "girdle", "culet"
DOWN, TURNED = "down", "turned"
FLOOR, SYMMETRY, ANGLE, THIN, NOTHING = "floor", "symmetry", "angle", "girdle", "nothing"
FIGURES = ("light_return", "window", "extinction", "absorbed", "brightness")

Changes = Mapping[int, Floats]


@dataclass(frozen=True)
class State:
    """A solid and what is judged of it; parting_mm: beyond that of the stone as cut."""

    solid: Solid
    carats: float
    parting_mm: float
    girdle_mm: float


@dataclass(frozen=True)
class Remedy:
    """One way to be rid of a flaw.

    facets, planes: what is cut (solid.recut.recut); who: alone, siblings, girdle, culet; way: down or
    turned; degrees: by which the facets turn; mm: the deepest cut; hinge: what stays of a turned facet.
    state: of the stone with this remedy alone, None where it leaves none or was not built; refusal: why
    it cannot be taken.
    """

    facets: tuple[int, ...]
    planes: tuple[Floats, ...]
    who: str
    way: str
    degrees: float
    mm: float
    hinge: str
    state: State | None = None
    refusal: str | None = None

    @property
    def changes(self) -> dict[int, Floats]:
        """Planes by facet."""
        return dict(zip(self.facets, self.planes, strict=True))


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
class Lights:
    """Figures before and after, and their paired differences, by name."""

    before: dict[str, Estimate]
    after: dict[str, Estimate]
    change: dict[str, Estimate]


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


class _Bench:
    """The stone, its symmetry, and solids that were built already."""

    def __init__(self, stone: CutStone, floor_carats: float) -> None:
        self.stone = stone
        self.symmetry: list[Symmetry] = symmetries(stone.solid)
        self.own = parting(stone.solid, self.symmetry)
        self.lowest = stone.lowest(floor_carats)
        self.built: dict[tuple[tuple[int, bytes], ...], State | None] = {}
        before = self.state({})
        assert before is not None
        self.before: State = before

    def state(self, changes: Changes) -> State | None:
        """The stone with these planes; None where nothing closed is left."""
        key = tuple(sorted((i, p.tobytes()) for i, p in changes.items()))
        if key not in self.built:
            self.built[key] = self._build(changes)
        return self.built[key]

    def _build(self, changes: Changes) -> State | None:
        try:
            solid = recut(self.stone.solid, changes) if changes else self.stone.solid
        except SolidError:
            return None
        return State(
            solid,
            self.stone.carats(solid),
            max(0.0, parting(solid, self.symmetry) - self.own),
            measure(solid, 1.0).girdle_min_mm,
        )

    def refusal(self, state: State | None) -> str | None:
        """Why a stone is not what is wished."""
        limits = self.stone.model.limits
        if state is None:
            return NOTHING
        if state.parting_mm > limits.symmetry_mm:
            return SYMMETRY
        if state.carats < self.lowest:
            return FLOOR
        return THIN if self.thin(state) else None

    def thin(self, state: State) -> bool:
        """Whether the girdle is thinner than it may become."""
        least = min(self.stone.model.limits.girdle_mm, self.before.girdle_mm)
        return state.girdle_mm < least - VERTICAL

    def judged(self, remedy: Remedy) -> Remedy:
        """The remedy with what it alone does to the stone."""
        if remedy.refusal:
            return remedy
        state = self.state(remedy.changes)
        return replace(remedy, state=state, refusal=self.refusal(state))

    def gone(self, flaw: int, solid: Solid) -> bool:
        """Whether one facet's plane leaves nothing of a flaw: of points beyond several, some may stay between."""
        beyond = self.stone.spots[flaw].bottoms @ solid.normals.T - solid.offsets
        return bool((beyond.min(axis=0) >= -SLACK_MM).any())


# ---- remedies ---------------------------------------------------------------------------------


def remedies_for(bench: _Bench, flaw: int) -> list[Remedy]:
    """All remedies of a flaw, each judged alone, cheapest first; those refused by angle at the end."""
    found: list[Remedy] = []
    for facet in bench.stone.spots[flaw].facets:
        found += _downs(bench, flaw, facet)
        if abs(bench.stone.solid.normals[facet, 2]) > VERTICAL:
            found += _turns(bench, flaw, facet)
    found += _new_culet(bench, flaw)
    judged = [bench.judged(r) for r in found]
    judged = [r for r in judged if r.state is None or bench.gone(flaw, r.state.solid)]
    judged.sort(key=lambda r: (-r.state.carats if r.state else 0.0, r.degrees))
    # of like cuts the one that takes least
    least: dict[tuple[object, ...], Remedy] = {}
    for remedy in judged:
        kind = (remedy.facets, remedy.way, remedy.hinge, remedy.refusal == ANGLE)
        least.setdefault(kind, remedy)
    return list(least.values())


def _up(value: float, step: float) -> int:
    """Steps that reach a value, at least one."""
    return max(1, math.ceil(value / step - SLIP))


def _groups(bench: _Bench, facet: int) -> list[tuple[str, tuple[int, ...]]]:
    """A facet alone, with its siblings, and with the whole girdle; each set of facets once."""
    solid = bench.stone.solid
    groups = [(ALONE, (facet,)), (SIBLINGS, siblings(bench.symmetry, facet))]
    if abs(solid.normals[facet, 2]) <= VERTICAL:
        upright = np.flatnonzero(np.abs(solid.normals[:, 2]) <= VERTICAL)
        groups.append((GIRDLE, tuple(int(i) for i in upright)))
    return list({members: (who, members) for who, members in reversed(groups)}.values())


def _downs(bench: _Bench, flaw: int, facet: int) -> Iterator[Remedy]:
    solid, bottoms = bench.stone.solid, bench.stone.spots[flaw].bottoms
    need = float((solid.offsets[facet] - bottoms @ solid.normals[facet]).max())
    mm = round(_up(need, STEP_MM) * STEP_MM, 6)
    for who, members in _groups(bench, facet):
        planes = tuple(lowered(solid, i, mm) for i in members)
        yield Remedy(members, planes, who, DOWN, 0.0, mm, "")


def _turns(bench: _Bench, flaw: int, facet: int) -> Iterator[Remedy]:
    solid, spot = bench.stone.solid, bench.stone.spots[flaw]
    mates = siblings(bench.symmetry, facet)
    for number, hinge in enumerate(slope_hinges(solid, facet)):

        def same(i: int, number: int = number) -> Hinge:
            return slope_hinges(solid, i)[number]

        yield from _turn(bench, flaw, facet, hinge, ALONE, (facet,), same)
        if len(mates) > 1:
            yield from _turn(bench, flaw, facet, hinge, SIBLINGS, mates, same)
    for hinge in far_hinges(solid, facet, spot.place):
        yield from _turn(bench, flaw, facet, hinge, ALONE, (facet,), lambda _: hinge)  # noqa: B023


def _turn(
    bench: _Bench, flaw: int, facet: int, hinge: Hinge, who: str, members: tuple[int, ...],
    same: Callable[[int], Hinge],
) -> Iterator[Remedy]:  # fmt: skip
    solid, bottoms = bench.stone.solid, bench.stone.spots[flaw].bottoms
    radians = turn_for(solid, facet, hinge, bottoms)
    degrees = round(_up(math.degrees(radians), STEP_DEG) * STEP_DEG, 6)
    if degrees > MENTIONED_DEG:
        return
    planes = tuple(turned(solid, i, same(i), math.radians(degrees)) for i in members)
    if any(p[2] * solid.normals[i, 2] < 0 for i, p in zip(members, planes, strict=True)):
        # a facet of the crown stays one
        return
    mm = max(deepest(solid, i, p) for i, p in zip(members, planes, strict=True))
    refusal = ANGLE if degrees > bench.stone.model.limits.most_angle + SLIP else None
    yield Remedy(members, planes, who, TURNED, degrees, mm, hinge.word, refusal=refusal)


def _new_culet(bench: _Bench, flaw: int) -> Iterator[Remedy]:
    """A small flat under a pavilion that ends in a point or a keel, where the flaw lies there."""
    solid, spot = bench.stone.solid, bench.stone.spots[flaw]
    lowest = float(solid.vertices[:, 2].min())
    pointed = bool((solid.normals[:, 2] > VERTICAL - 1).all())
    if not pointed or spot.place[2] > lowest + CULET_MM:
        return
    if any(solid.normals[i, 2] >= 0 for i in spot.facets) or len(spot.facets) < 2:
        return
    mm = round(_up(float(spot.bottoms[:, 2].max()) - lowest, STEP_MM) * STEP_MM, 6)
    plane = np.array([0.0, 0.0, -1.0, -(lowest + mm)])
    yield Remedy((len(solid.names),), (plane,), CULET, DOWN, 0.0, mm, "")


# ---- the best set -----------------------------------------------------------------------------


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

    def __init__(self, bench: _Bench, remedies: Sequence[Sequence[Remedy]]) -> None:
        self.bench = bench
        flaws = bench.stone.model.flaw
        self.worth = [(f.importance, f.depth_mm) for f in flaws]
        self.order = sorted(range(len(flaws)), key=lambda k: (-flaws[k].importance, -flaws[k].depth_mm, k))  # fmt: skip
        self.options = [[r for r in mine if r.refusal is None][:MOST_REMEDIES] for mine in remedies]
        self.whole = True
        self.most = len(bench.built) + MOST_SOLIDS
        self.best = _Best(self._rank(bench.before), bench.before, {}, {})

    def _rank(self, state: State) -> tuple[float, ...]:
        """Importance gone, then depth, then those first in the order, then carats."""
        gone = [self.bench.gone(k, state.solid) for k in range(len(self.worth))]
        return (
            round(sum(w[0] for w, g in zip(self.worth, gone, strict=True) if g), 9),
            round(sum(w[1] for w, g in zip(self.worth, gone, strict=True) if g), 9),
            *(float(gone[k]) for k in self.order),
            state.carats,
        )

    def run(self) -> _Best:
        """The best set within all limits."""
        self._go(0, {}, {}, self.bench.before)
        return self.best

    def _hope(self, place: int, state: State) -> tuple[float, ...]:
        """No set that goes on from here ranks higher: all that is undecided may yet go at no cost."""
        gone = [self.bench.gone(k, state.solid) for k in range(len(self.worth))]
        for k in self.order[place:]:
            gone[k] = gone[k] or bool(self.options[k])
        # what was left may go with another's remedy
        for k in self.order[:place]:
            gone[k] = gone[k] or any(self.options[j] for j in self.order[place:])
        return (
            round(sum(w[0] for w, g in zip(self.worth, gone, strict=True) if g), 9),
            round(sum(w[1] for w, g in zip(self.worth, gone, strict=True) if g), 9),
            *(float(gone[k]) for k in self.order),
            state.carats,
        )

    def _go(
        self, place: int, changes: dict[int, Floats], chosen: dict[int, Remedy], state: State
    ) -> None:  # fmt: skip
        if self.bench.refusal(state) is None or not changes:
            rank = self._rank(state)
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
    bench = _Bench(stone, floor_carats)
    remedies = [remedies_for(bench, k) for k in range(len(stone.spots))]
    search = _Search(bench, remedies)
    best = search.run()
    fates = tuple(_fate(bench, best, k, mine) for k, mine in enumerate(remedies))
    flats = stone.flats
    return Plan(
        bench.before, best.state, fates, tuple(_cuts(stone.solid, best)), bench.lowest, search.whole,
        bool(bench.symmetry), None if flats is None else best.state.carats - flats[1] >= bench.lowest,
    )  # fmt: skip


def _fate(bench: _Bench, best: _Best, flaw: int, remedies: list[Remedy]) -> Fate:
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


# ---- light ------------------------------------------------------------------------------------


def light_of(stone: CutStone, plan: Plan, light: Light, rays: int, seed: int) -> Lights:
    """Face-up figures before and after with the same random numbers."""
    medium = medium_of(stone.material, observer())
    scenes = [
        aligned(scene_of(s.solid, medium, stone.axis, light, View()))
        for s in (plan.before, plan.after)
    ]
    floor = roulette_floor(scenes[0], seed)
    sums = [trace_sums(s, points_for(rays), seed, floor=floor) for s in scenes]
    before, after = (face_up(s, c).measures for s, c in zip(sums, scenes, strict=True))
    change = difference(sums[1], scenes[1], sums[0], scenes[0], FIGURES)
    return Lights({n: before[n] for n in FIGURES}, {n: after[n] for n in FIGURES}, change)


def worth_it(stone: CutStone, plan: Plan, light: Lights | None) -> bool:
    """Something goes, and light returned does not surely fall by more than the limit."""
    return any(f.gone for f in plan.fates) and not darker(stone, light)


def darker(stone: CutStone, light: Lights | None) -> bool:
    """Whether light returned surely falls by more than the limit."""
    if light is None:
        return False
    change = light.change["light_return"]
    reach = SURE_ERRORS * change.stderr
    return change.value + reach < -stone.model.limits.light_points / 100
