"""The largest copy of a stone in a rough of any shape: many starts, climbed on the true surface.

1. Turns over the cone and spins, each from places deep in the rough: the largest copy with points of the surface and
   of defects kept off by facets (``climbing.rated``), a fraction of a millisecond each.
2. The best of them that differ are climbed on the thinned surface, the best of those on, and shaken.
3. The best few are climbed on the scan itself.

Numbers depend on the arguments alone, not on how many threads there are, unless the work is stopped early.
"""

import math
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError, cKDTree
from scipy.spatial.transform import Rotation

from facetrace.placement.climbing import Scene, Shape, climbed, nearby, rated, scratch_for
from facetrace.placement.shapes import (
    WHOLE,
    Facing,
    Obstacle,
    PlacedCopy,
    Space,
    Stone,
    coarser,
    placed_copy,
)
from facetrace.placement.thinning import Thinned, thinned
from facetrace.solid.body import Floats

Ints = NDArray[np.int64]

# triangles of the two thinned surfaces, and points of the one that starts see
FACES = (500, 1600)
RATED_POINTS = 360
# walls of the starts: planes of the hull
RATED_WALLS = 120
# points of a defect, and how dense, as a share of the rough's size
DEFECT_POINTS = 150
# places where starts begin, and starts in all
PLACES, STARTS = 12, 4000
# climbs from starts; rounds of shaken copies of the best few on either surface, and how many in each; climbs that end on the scan
CLIMBS, ROUNDS, SHAKES, FEW, LAST = 60, (8, 3), (36, 16), 9, 3
STEPS = 40
# gains that count, shares of the scale, in the search and on the scan
ROUGH_GAIN, FINE_GAIN = 2e-4, 3e-6
FIRST_TURN, LAST_TURN = 0.15, 0.005
# a shake: from least to most turn, radians, on either surface, and so much of the stone's radius to the side for each radian
LEAST_SHAKE, MOST_SHAKE, ASIDE = 0.06, (0.7, 0.25), 0.45
# copies that are one: radians of turn, and the place, as a share of the stone's radius; more in the first rounds, lest
# all shakes go to one neighbourhood
SAME_TURN, SAME_PLACE = 0.12, 0.15
WIDE = 5.0
# the scan's triangles that may come near in the last climb, in turns of the stone's radius; how often those are chosen anew
NEAR = 4.0
TRIES = 4


@dataclass(frozen=True)
class Effort:
    """How much is tried: see the constants of the same names."""

    starts: int = STARTS
    climbs: int = CLIMBS
    rounds: tuple[int, int] = ROUNDS
    shakes: tuple[int, int] = SHAKES


FULL = Effort()
QUICK = Effort(1200, 10, (4, 1), (12, 8))


@dataclass(frozen=True)
class Prepared:
    """A space as all stones see it: its thinned surfaces, coarse and fine, and points, from a middle.

    simple: its bodies with few corners, which hold them. deep (k, 3): places deep inside, seen from the middle, with their clearances (k,).
    """

    space: Space
    simple: tuple[Obstacle, ...]
    middle: Floats
    surfaces: tuple[Thinned, Thinned]
    points: Floats
    owners: Ints
    walls: Floats
    deep: Floats

    @cached_property
    def balls(self) -> Floats:
        """(f, 4): of each of the scan's triangles the middle of its corners, seen from the room's, and how far they are."""
        return _balls(self.space.vertices - self.middle, self.space.faces)


def _balls(vertices: Floats, faces: Ints) -> Floats:
    t = vertices[faces]
    centre = t.mean(axis=1)
    radius = np.linalg.norm(t - centre[:, None], axis=2).max(axis=1)
    return np.column_stack([centre, radius])


def shape_of(stone: Stone) -> Shape:
    """The stone for the compiled code."""
    part = np.cumsum([0, *(len(p) for p in stone.parts)])
    side = np.cumsum([0, *(s.shape[1] for s in stone.sides)])
    return Shape(
        np.ascontiguousarray(np.vstack(stone.parts)), np.ascontiguousarray(np.hstack(stone.sides)),
        part, side, stone.radius,
    )  # fmt: skip


# ---- the space --------------------------------------------------------------------------------


def prepared(space: Space) -> Prepared:
    """The space made ready for searches."""
    middle = space.vertices.mean(axis=0)
    fine = thinned(space.vertices - middle, space.faces, FACES[1])
    coarse = thinned(fine.vertices, fine.faces, FACES[0])
    points, owners = [_spread(fine.vertices, fine.faces, RATED_POINTS)], []
    owners.append(np.full(len(points[0]), -1))
    for k, body in enumerate(space.obstacles):
        corners, faces = _triangles(body.points - middle)
        points.append(_spread(corners, faces, DEFECT_POINTS))
        owners.append(np.full(len(points[-1]), k))
    hull = _few_planes(ConvexHull(fine.vertices))
    sawn = np.vstack([space.walls[:3], space.walls[3] - middle @ space.walls[:3]])
    walls = np.hstack([hull, sawn])
    every, owner = np.vstack(points), np.concatenate(owners)
    simple = tuple(replace(b, points=coarser(b.points)) for b in space.obstacles)
    found = Prepared(space, simple, middle, (coarse, fine), every, owner, walls, np.zeros((0, 3)))
    return replace(found, deep=_deep(found, sawn))


def walled(room: Prepared, walls: Floats) -> Prepared:
    """The room with further walls (4, w), as saw cuts make them."""
    space = replace(room.space, walls=np.hstack([room.space.walls, walls]))
    seen = np.vstack([walls[:3], walls[3] - room.middle @ walls[:3]])
    sawn = np.vstack([space.walls[:3], space.walls[3] - room.middle @ space.walls[:3]])
    found = replace(room, space=space, walls=np.hstack([room.walls, seen]))
    return replace(found, deep=_deep(found, sawn))


def promise(stone: Stone, room: Prepared, facing: Facing, starts: int, threads: int = 1) -> float:
    """Volume of the largest copy that the starts alone show: a quick measure, not a stone that is sure to fit."""
    states = _Search(stone, room, facing, threads, Watch()).rate(starts, best=True)
    return float(stone.volume * max((s.scale for s in states), default=0.0) ** 3)


def _few_planes(hull: ConvexHull) -> Floats:
    """(4, w): planes around the hull, few of those that are nearly one. The hull lies under each."""
    normals = hull.equations[:, :3]
    if len(normals) > RATED_WALLS:
        a, b, c = (hull.points[hull.simplices[:, k]] for k in range(3))
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        kept: list[int] = []
        near = math.cos(2.2 / math.sqrt(RATED_WALLS))
        for k in np.argsort(-area):
            if not kept or (normals[kept] @ normals[k]).max() < near:
                kept.append(int(k))
        normals = normals[kept]
    else:
        normals = np.unique(normals.round(9), axis=0)
    return np.vstack([normals.T, (hull.points @ normals.T).max(axis=0)])


def _triangles(points: Floats) -> tuple[Floats, Ints]:
    """(corners, faces) of a convex body's surface; of a flat one both of its sides at once."""
    try:
        hull = ConvexHull(points)
    except QhullError:
        axes = np.linalg.svd(points - points.mean(axis=0))[2]
        around = points[ConvexHull(points @ axes[:2].T).vertices]
        fan = [(0, k, k + 1) for k in range(1, len(around) - 1)]
        return around, np.array(fan, dtype=np.int64)
    used, faces = np.unique(hull.simplices, return_inverse=True)
    return points[used], faces.reshape(-1, 3).astype(np.int64)


def _spread(vertices: Floats, faces: Ints, most: int) -> Floats:
    """About *most* points of a surface, far from one another: corners first, then random ones."""
    t = vertices[faces]
    area = np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1)
    rng = np.random.default_rng(1)
    which = rng.choice(len(faces), 4 * most, p=area / area.sum())
    a, b = np.sqrt(rng.random(4 * most)), rng.random(4 * most)
    inner = np.einsum("ki,kij->kj", np.column_stack([1 - a, a * (1 - b), a * b]), t[which])
    every = np.vstack([vertices[: 4 * most], inner])
    gap = math.sqrt(area.sum() / 2 / most) * 0.8
    kept = _thinned_out(every, gap)
    return np.asarray(every[kept[:most]])


def _thinned_out(points: Floats, gap: float) -> Ints:
    """Numbers of points no nearer to one another than *gap*, the first ones first."""
    tree = cKDTree(points)
    free = np.ones(len(points), dtype=bool)
    kept = []
    for k in range(len(points)):
        if free[k]:
            kept.append(k)
            free[tree.query_ball_point(points[k], gap)] = False
    return np.array(kept, dtype=np.int64)


def winding(triangles: Floats, points: Floats) -> Floats:
    """How often closed triangles (k, 3, 3) wind around points (n, 3) (van Oosterom & Strackee, 1983)."""
    found = []
    for point in points:
        a, b, c = (triangles[:, k] - point for k in range(3))
        la, lb, lc = (np.sqrt(np.einsum("ij,ij->i", x, x)) for x in (a, b, c))
        det = np.einsum("ij,ij->i", a, np.cross(b, c))
        dots = [np.einsum("ij,ij->i", p, q) for p, q in ((a, b), (b, c), (c, a))]
        angle = 2 * np.arctan2(det, la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb)
        found.append(angle.sum() / (4 * math.pi))
    return np.array(found)


def _deep(room: Prepared, sawn: Floats) -> Floats:
    """Places inside, each the deepest around: off the surface and the cracks."""
    rng = np.random.default_rng(2)
    surface = room.surfaces[0]
    low, high = surface.vertices.min(axis=0), surface.vertices.max(axis=0)
    tried = low + (high - low) * rng.random((4000, 3))
    tried = tried[(tried @ room.walls[:3] < room.walls[3]).all(axis=1)]
    if not len(tried):
        return np.zeros((0, 3))
    clear = cKDTree(room.points).query(tried)[0]
    for normal, offset in zip(sawn[:3].T, sawn[3], strict=True):
        clear = np.minimum(clear, offset - tried @ normal)
    order = np.argsort(-clear)[:400]
    inside = winding(surface.vertices[surface.faces], tried[order]) > 0.5
    order = order[inside]
    kept: list[int] = []
    for k in order:
        if len(kept) == PLACES:
            break
        far = np.linalg.norm(tried[kept] - tried[k], axis=1) if kept else np.array([np.inf])
        if (far > 0.7 * np.maximum(clear[kept], clear[k]) if kept else far > 0).all():
            kept.append(int(k))
    return np.asarray(tried[kept])


def scene_of(
    room: Prepared, bodies: Sequence[Obstacle], vertices: Floats, faces: Ints, facing: Floats
) -> tuple[Scene, Ints]:
    """(the scene with every defect in it, of each triangle the number of its defect, -1 of the surface).

    vertices, faces: of the surface, seen from the room's middle; facing (5,): see ``Scene``.
    """
    space = room.space
    all_v, all_f, margins, owners, whose = (
        [vertices],
        [faces],
        [np.full(len(faces), space.skin_mm)],
        [],
        [],
    )
    owners.append(np.zeros(len(faces), dtype=np.int64))
    whose.append(np.full(len(faces), -1))
    v_margins, v_owners = [np.full(len(vertices), space.skin_mm)], [np.zeros(len(vertices), dtype=np.int64)]  # fmt: skip
    held: list[Floats] = []
    count = len(vertices)
    for k, body in enumerate(bodies):
        corners, triangles = _triangles(body.points - room.middle)
        all_v.append(corners)
        all_f.append(triangles + count)
        count += len(corners)
        margins.append(np.full(len(triangles), body.margin_mm))
        owners.append(np.full(len(triangles), body.part))
        whose.append(np.full(len(triangles), k))
        v_margins.append(np.full(len(corners), body.margin_mm))
        v_owners.append(np.full(len(corners), body.part))
        if body.inside:
            held.append(np.column_stack([corners, np.full(len(corners), body.margin_mm)]))
    v, f = np.ascontiguousarray(np.vstack(all_v)), np.ascontiguousarray(np.vstack(all_f))
    walls = np.vstack([space.walls[:3], space.walls[3] - room.middle @ space.walls[:3] - space.skin_mm])  # fmt: skip
    points = np.vstack([np.zeros((0, 4)), *held])
    return Scene(
        v, f, _balls(v, f), np.concatenate(margins), np.concatenate(owners),
        np.concatenate(v_margins), np.concatenate(v_owners), np.zeros(len(f), dtype=bool), np.zeros(len(v), dtype=bool),
        np.ascontiguousarray(walls), np.ascontiguousarray(points), np.zeros(len(points), dtype=bool), facing,
    ), np.concatenate(whose)  # fmt: skip


def _holding(scene: Scene, whose: Ints, bodies: Sequence[Obstacle], held: frozenset[int]) -> Scene:
    """The scene in which some bodies, by number, lie in the stone, and the others are kept off."""
    off = np.isin(whose, list(held))
    out = np.zeros(len(scene.vertices), dtype=bool)
    out[np.unique(scene.faces[off])] = True
    holds, at = np.zeros(len(scene.held), dtype=bool), 0
    for k, body in enumerate(bodies):
        if body.inside:
            many = len(_triangles(body.points)[0])
            holds[at : at + many] = k in held
            at += many
    return scene._replace(off=off, out=out, holds=holds)


# ---- starts -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _State:
    """A copy seen from the room's middle, in one of the facing's cones, with the bodies that it holds."""

    scale: float
    matrix: Floats
    place: Floats
    cone: int
    held: frozenset[int] = frozenset()


def _rotations(facing: Facing, folds: int, most: int) -> Iterator[tuple[int, Floats]]:
    """About *most* turns (3, 3), even over the cones and the spins, with the number of the cone."""
    low, high = math.radians(facing.least_deg), math.radians(facing.within_deg)
    frames = facing.frames()
    spin = 2 * math.pi / folds
    # as dense in tilt as in spin
    area = 2 * math.pi * (math.cos(low) - math.cos(high))
    cell = max((len(frames) * max(area, 1e-3) * spin / most) ** (1 / 3), 0.06)
    spins = max(2, math.ceil(spin / cell))
    rings = max(1, math.ceil((high - low) / cell))
    for cone, frame in enumerate(frames):
        for ring in range(rings + 1 if high > low else 1):
            tilt = low + (high - low) * ring / rings
            around = max(1, math.ceil(2 * math.pi * math.sin(tilt) / cell))
            for j in range(around):
                a = 2 * math.pi * (j + 0.5 * (ring % 2)) / around
                axis = [-math.sin(a) * tilt, math.cos(a) * tilt, 0.0]
                tilted = frame @ Rotation.from_rotvec(axis).as_matrix()
                for k in range(spins):
                    about = spin * (k + 0.5 * (j % 2)) / spins
                    yield cone, tilted @ Rotation.from_rotvec([0, 0, about]).as_matrix()


def _differ(
    states: Sequence[_State], radius: float, folds: int, most: int, wide: float = 1.0
) -> list[_State]:
    """The largest, each unlike those before; *wide*: so many times the usual difference."""
    kept: list[_State] = []
    for state in sorted(states, key=lambda s: -s.scale):
        if len(kept) == most:
            break
        if all(_unlike(state, other, radius, folds, wide) for other in kept):
            kept.append(state)
    return kept


def _unlike(a: _State, b: _State, radius: float, folds: int, wide: float) -> bool:
    if a.held != b.held or np.linalg.norm(a.place - b.place) > wide * SAME_PLACE * radius * a.scale:
        return True
    between = a.matrix.T @ b.matrix
    tilt = math.acos(max(-1.0, min(1.0, between[2, 2])))
    turn = 2 * math.pi / folds
    spin = math.atan2(between[1, 0] - between[0, 1], between[0, 0] + between[1, 1]) % turn
    return tilt + min(spin, turn - spin) > wide * SAME_TURN


# ---- the search -------------------------------------------------------------------------------


@dataclass
class Watch:
    """Says how far a search is, and whether it is to stop; the best state so far stays."""

    report: Callable[[float], None] = lambda _: None
    over: Callable[[], bool] = lambda: False
    best: PlacedCopy | None = None


@dataclass
class _Search:
    stone: Stone
    room: Prepared
    facing: Facing
    threads: int
    watch: Watch
    shape: Shape = field(init=False)
    scenes: dict[Any, tuple[Scene, Ints]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.shape = shape_of(self.stone)

    def cone(self, number: int) -> Floats:
        towards = self.facing.directions()[number]
        angles = np.radians([self.facing.least_deg, self.facing.within_deg])
        return np.array([*towards, *angles])

    def rate(self, most: int, best: bool = False) -> list[_State]:
        """States of the starts, no climb yet; with *best* the largest is among them, and most are left out."""
        room = self.room
        if not len(room.deep):
            return []
        turns = list(_rotations(self.facing, self.stone.folds, max(24, most // len(room.deep))))
        matrices = np.array([m for _, m in turns for _ in room.deep])
        cones = np.array([c for c, _ in turns for _ in room.deep])
        places = np.tile(room.deep, (len(turns), 1))
        bodies = room.space.obstacles
        # what may lie in the stone, or in a part of it, is kept off wholly once, and once not at all
        some = [k for k, body in enumerate(bodies) if body.inside or body.part != WHOLE]
        found: list[_State] = []
        for without in (False, True) if some else (False,):
            left = ~np.isin(room.owners, some) if without else np.ones(len(room.owners), dtype=bool)
            margins = np.array([room.space.skin_mm, *(b.margin_mm for b in room.space.obstacles)])[
                room.owners + 1
            ]
            walls = room.walls - np.array([[0.0]] * 3 + [[room.space.skin_mm]])
            scales, at = self._rated(room.points[left], margins[left], walls, matrices, places)
            for k in np.flatnonzero(scales > 0):
                state = _State(float(scales[k]), matrices[k], at[k], int(cones[k]))
                found.append(self._held(state) if without else state)
        return self._parted(found, [k for k in some if bodies[k].part != WHOLE], best)

    def _parted(self, states: Sequence[_State], bodies: Sequence[int], best: bool) -> list[_State]:
        """The best states, smaller where a part of the stone reaches a body that only this part must keep off.

        best: those after the largest are left out. A point is off a part by a facet at distance d > 0 up to the scale n . r / d, by one with d < 0 from there on.
        """
        if not bodies:
            return list(states)
        found: list[_State] = []
        largest_yet = 0.0
        for state in sorted(states, key=lambda s: -s.scale)[: 40 * CLIMBS]:
            scale = state.scale
            if best and scale <= largest_yet:
                break
            for k in bodies:
                planes = self.stone.sides[self.room.space.obstacles[k].part]
                seen = (self.room.points[self.room.owners == k] - state.place) @ state.matrix
                reach = (seen @ planes[:3]) / planes[3]
                upto = np.where(planes[3] > 0, reach, 0.0).max(axis=1)
                after = np.where(planes[3] < 0, reach, np.inf).min(axis=1)
                scale = min(scale, float(np.where(after <= scale, scale, upto).min()))
            if scale > 0:
                found.append(replace(state, scale=scale))
                largest_yet = max(largest_yet, scale)
        return found

    def _held(self, state: _State) -> _State:
        """The state with those bodies held that may be, and whose middles are in it."""
        held = []
        for k, body in enumerate(self.room.space.obstacles):
            seen = (body.points.mean(axis=0) - self.room.middle - state.place) @ state.matrix
            if (
                body.inside
                and (seen @ self.stone.planes[:3] < state.scale * self.stone.planes[3]).all()
            ):
                held.append(k)
        return replace(state, held=frozenset(held))

    def _rated(
        self, points: Floats, margins: Floats, walls: Floats, matrices: Floats, places: Floats
    ) -> tuple[Floats, Floats]:
        scales, at = np.zeros(len(matrices)), places.copy()
        corners = np.ascontiguousarray(self.stone.parts[WHOLE])
        planes, walls = np.ascontiguousarray(self.stone.planes), np.ascontiguousarray(walls)

        def some(block: slice) -> None:
            if not self.watch.over():
                rated(
                    planes, corners, points, margins, walls, self.stone.radius, matrices[block], at[block], scales[block],
                )  # fmt: skip

        blocks = [slice(k, k + 100) for k in range(0, len(matrices), 100)]
        with ThreadPoolExecutor(self.threads) as pool:
            list(pool.map(some, blocks))
        return scales, at

    def scene(self, level: int, cone: int, held: frozenset[int]) -> Scene:
        """The scene of climbs on a thinned surface: 0 the coarse one, 1 the fine one."""
        with self.lock:
            key = (level, cone, held)
            if key not in self.scenes:
                surface = self.room.surfaces[level]
                bodies = self.room.simple
                scene, whose = scene_of(
                    self.room, bodies, surface.vertices, surface.faces, self.cone(cone)
                )
                self.scenes[key] = _holding(scene, whose, bodies, held), whose
            return self.scenes[key][0]

    def climb(self, states: Sequence[_State], level: int) -> list[_State]:
        """Each climbed on a thinned surface; those that lead nowhere are left out."""

        def one(state: _State) -> _State | None:
            if self.watch.over():
                return None
            scene = self.scene(level, state.cone, state.held)
            found = self._climbed(scene, state, FIRST_TURN, ROUGH_GAIN)
            # through a thin wall a climb may come out of the rough
            return found if found and winding(surface, found.place[None])[0] > 0.5 else None

        surface = self.room.surfaces[0].vertices[self.room.surfaces[0].faces]
        with ThreadPoolExecutor(self.threads) as pool:
            return [s for s in pool.map(one, states) if s]

    def _climbed(self, scene: Scene, state: _State, radians: float, least: float) -> _State | None:
        matrix, place = np.ascontiguousarray(state.matrix).copy(), state.place.copy()
        room = scratch_for(self.shape, scene)
        scale = climbed(self.shape, scene, room, state.scale, matrix, place, radians, STEPS, least)
        return replace(state, scale=float(scale), matrix=matrix, place=place) if scale > 0 else None

    def shaken(self, states: Sequence[_State], level: int, round_: int, count: int) -> list[_State]:
        """Copies of states, turned and moved at random by little and by much, and a little smaller."""
        rng = np.random.default_rng([3, level, round_])
        found = []
        for k in range(count):
            state = states[k % len(states)]
            size = LEAST_SHAKE * (MOST_SHAKE[level] / LEAST_SHAKE) ** rng.random()
            turn, aside = rng.normal(size=(2, 3)) / math.sqrt(3)
            move = size * ASIDE * self.stone.radius * state.scale * aside
            matrix = Rotation.from_rotvec(size * turn).as_matrix() @ state.matrix
            found.append(
                replace(state, matrix=matrix, place=state.place + move, scale=0.9 * state.scale)
            )
        return found

    def on_scan(self, state: _State, space: Space | None = None) -> _State | None:
        """The state climbed among the scan's own triangles. space: of other margins."""
        room = replace(self.room, space=space or self.room.space)
        whole, faces = room.space.vertices - room.middle, room.space.faces
        size = self.stone.radius * state.scale
        # as far as the thinned surface lies off the scan, the stone has to turn and move
        radians = LAST_TURN + 2 * room.surfaces[1].off_mm / size
        near = NEAR * radians * size + room.space.skin_mm
        chosen = np.zeros(len(faces), dtype=bool)
        start = replace(state, scale=state.scale * (1 + 1e-3))
        for _ in range(TRIES):
            chosen |= self._beside(start, near)
            used, some = np.unique(faces[chosen], return_inverse=True)
            bodies = room.space.obstacles
            scene, whose = scene_of(
                room, bodies, whole[used], some.reshape(-1, 3), self.cone(state.cone)
            )
            scene = _holding(scene, whose, bodies, state.held)
            found = self._climbed(scene, start, radians, FINE_GAIN)
            if found is None or found.scale > 2 * state.scale:
                return None
            if not (self._beside(found, room.space.skin_mm) & ~chosen).any():
                return found
            # it went where triangles were left out
            chosen |= self._beside(found, near)
        return None

    def _beside(self, state: _State, near: float) -> NDArray[np.bool_]:
        """Which of the scan's triangles may come nearer than so many mm to a state."""
        planes = np.ascontiguousarray(
            np.vstack([state.matrix @ self.stone.planes[:3], self.stone.planes[3]])
        )
        return np.asarray(nearby(planes, state.scale, state.place, self.room.balls, near))

    def state_of(self, copy: PlacedCopy) -> _State:
        """A copy as a start."""
        place = copy.middle(self.stone) - self.room.middle
        up = [float(d @ copy.rotation[:, 2]) for d in self.facing.directions()]
        start = _State(copy.scale, np.asarray(copy.rotation), place, int(np.argmax(up)))
        return self._held(start)

    def copy_of(self, state: _State) -> PlacedCopy:
        return placed_copy(self.stone, state.scale, state.matrix, state.place + self.room.middle)


def largest(
    stone: Stone, room: Prepared, facing: Facing, *, effort: Effort = FULL, starts: Sequence[PlacedCopy] = (),
    threads: int = 1, watch: Watch | None = None, last: int = 1,
) -> list[PlacedCopy]:  # fmt: skip
    """Copies of a stone in a space, the largest first, each valid on the scan as far as this code can tell; none where none is found.

    starts: copies to climb from as well; last: how many to end with at least. The first is what the search stands for; the others lie elsewhere, and are smaller.
    """
    watch = watch or Watch()
    search = _Search(stone, room, facing, threads, watch)
    given = [search.state_of(copy) for copy in starts]
    few = max(FEW, last)
    states = _differ(search.rate(effort.starts), stone.radius, stone.folds, effort.climbs)
    watch.report(0.2)
    best = _differ(search.climb([*given, *states], 0), stone.radius, stone.folds, few, WIDE)
    for level in (0, 1):
        if level:
            best = search.climb(best, 1)
        many = effort.rounds[level]
        for round_ in range(many if best else 0):
            watch.report(0.3 + 0.3 * level + 0.3 * round_ / many)
            found = search.climb(search.shaken(best, level, round_, effort.shakes[level]), level)
            wide = 1.0 if level else WIDE ** (1 - (round_ + 1) / many)
            best = _differ([*best, *found], stone.radius, stone.folds, few, wide)
    ends: list[PlacedCopy] = []
    for state in best[: max(LAST, last)]:
        ended = search.on_scan(state)
        if ended is not None:
            ends.append(search.copy_of(ended))
    watch.report(1.0)
    return sorted(ends, key=lambda copy: -copy.volume)


def reclimbed(
    stone: Stone, room: Prepared, facing: Facing, copy: PlacedCopy, space: Space
) -> PlacedCopy | None:
    """The largest copy near one, in the same room with other margins."""
    search = _Search(stone, room, facing, 1, Watch())
    ended = search.on_scan(search.state_of(copy), space=space)
    return search.copy_of(ended) if ended is not None else None
