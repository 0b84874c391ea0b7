"""What may be done against a flaw of a cut stone: a facet taken down or turned, alone or with its siblings, or a new culet.

Depths go up to the next 0.01 mm, angles to the next 0.1 degree.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from facetrace.recut.planes import (
    VERTICAL,
    Hinge,
    Symmetry,
    asymmetry,
    deepest,
    far_hinges,
    lowered,
    radians_to_clear,
    siblings,
    slope_hinges,
    symmetries,
    turned,
    with_planes,
)
from facetrace.recut.stone import CutStone
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Floats, Solid, SolidError

STEP_MM, STEP_DEG = 0.01, 0.1
# rounding up forgives so much of a step
SLIP = 1e-6
# turns beyond this are not even mentioned, degrees
MENTIONED_DEG = 5.0
# a deepest point may lie so far inside, mm, by rounding
SLACK_MM = 1e-9
# a flaw this near above the lowest corner, mm, is at the culet
CULET_MM = 0.1

ALONE, SIBLINGS, GIRDLE, CULET = "alone", "siblings", "girdle", "culet"
DOWN, TURNED = "down", "turned"
FLOOR, SYMMETRY, ANGLE, THIN, NOTHING = "floor", "symmetry", "angle", "girdle", "nothing"

Changes = Mapping[int, Floats]


@dataclass(frozen=True)
class State:
    """A solid and what is judged of it; asymmetry_mm: beyond that of the stone as cut."""

    solid: Solid
    carats: float
    asymmetry_mm: float
    girdle_mm: float


@dataclass(frozen=True)
class Remedy:
    """One way to be rid of a flaw.

    facets, planes: what is cut (``planes.with_planes``); who: alone, siblings, girdle, culet; way: down or
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


class Bench:
    """The stone, its symmetry, and solids that were built already."""

    def __init__(self, stone: CutStone, floor_carats: float) -> None:
        self.stone = stone
        self.symmetry: list[Symmetry] = symmetries(stone.solid)
        self.own = asymmetry(stone.solid, self.symmetry)
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
            solid = with_planes(self.stone.solid, changes) if changes else self.stone.solid
        except SolidError:
            return None
        return State(
            solid,
            self.stone.carats(solid),
            max(0.0, asymmetry(solid, self.symmetry) - self.own),
            measure(solid, 1.0).girdle_min_mm,
        )

    def refusal(self, state: State | None) -> str | None:
        """Why a stone is not what is wished."""
        limits = self.stone.model.limits
        if state is None:
            return NOTHING
        if state.asymmetry_mm > limits.symmetry_mm:
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


def remedies_for(bench: Bench, flaw: int) -> list[Remedy]:
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


def _groups(bench: Bench, facet: int) -> list[tuple[str, tuple[int, ...]]]:
    """A facet alone, with its siblings, and with the whole girdle; each set of facets once."""
    solid = bench.stone.solid
    groups = [(ALONE, (facet,)), (SIBLINGS, siblings(bench.symmetry, facet))]
    if abs(solid.normals[facet, 2]) <= VERTICAL:
        upright = np.flatnonzero(np.abs(solid.normals[:, 2]) <= VERTICAL)
        groups.append((GIRDLE, tuple(int(i) for i in upright)))
    return list({members: (who, members) for who, members in reversed(groups)}.values())


def _downs(bench: Bench, flaw: int, facet: int) -> Iterator[Remedy]:
    solid, bottoms = bench.stone.solid, bench.stone.spots[flaw].bottoms
    need = float((solid.offsets[facet] - bottoms @ solid.normals[facet]).max())
    mm = round(_up(need, STEP_MM) * STEP_MM, 6)
    for who, members in _groups(bench, facet):
        planes = tuple(lowered(solid, i, mm) for i in members)
        yield Remedy(members, planes, who, DOWN, 0.0, mm, "")


def _turns(bench: Bench, flaw: int, facet: int) -> Iterator[Remedy]:
    solid, spot = bench.stone.solid, bench.stone.spots[flaw]
    mates = siblings(bench.symmetry, facet)
    for number, hinge in enumerate(slope_hinges(solid, facet)):

        def same(i: int, number: int = number) -> Hinge:
            return slope_hinges(solid, i)[number]

        yield from _turned_about(bench, flaw, facet, hinge, ALONE, (facet,), same)
        if len(mates) > 1:
            yield from _turned_about(bench, flaw, facet, hinge, SIBLINGS, mates, same)
    for hinge in far_hinges(solid, facet, spot.place):
        yield from _turned_about(bench, flaw, facet, hinge, ALONE, (facet,), lambda _: hinge)  # noqa: B023


def _turned_about(
    bench: Bench, flaw: int, facet: int, hinge: Hinge, who: str, members: tuple[int, ...],
    same: Callable[[int], Hinge],
) -> Iterator[Remedy]:  # fmt: skip
    solid, bottoms = bench.stone.solid, bench.stone.spots[flaw].bottoms
    radians = radians_to_clear(solid, facet, hinge, bottoms)
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


def _new_culet(bench: Bench, flaw: int) -> Iterator[Remedy]:
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
