"""Where in a rough, and facing which way, a stone of one shape comes out largest, with a proof.

A copy of the stone is the set ``shift + scale * Q r`` of its points r, Q a rotation. It must stay inside the
rough's convex hull, keep off convex bodies (cracks, crystals, hollows), or hold them whole. For one
Q and one separating direction per body the largest copy is a linear program in scale and shift.

Over rotations and separating directions the search is branch and bound. A cell is a box of table
directions and spins, with a square of separating directions for each body that matters. Its bound is a linear
program too: the rotation Q = exp(w) Q0 is carried to first order in w, |w| bounded by the cell, and what that
leaves out, at most |w|^2 / 2 of a point's distance from the middle of the stone, is given away on every
constraint; products of two unknowns are carried to first order about the cell's middle, and the
greatest remainder over the cell is given away. So a cell's bound is never too low, and comes near
the truth with the square of the cell's size (spatial branch and bound: Horst & Tuy, "Global
Optimization", 1996; rotation cells: Hartley & Kahl, IJCV 82, 64, 2009; both from memory).
"""

import heapq
import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.transform import Rotation

from facetrace.common.errors import FacetraceError
from facetrace.kernel.programs import DONE, EMPTY, least_cost
from facetrace.solid.body import Body, Floats
from facetrace.solid.polyhedron import Solid

# corners that fall on one another under a turn of the stone, as a share of its size
SAME = 1e-6
MOST_FOLDS = 16
# of a length in mm, or of the size: what linear programs leave to rounding
ROUNDING = 1e-7
# a corner's row counts where the corner comes so near the foremost, in turns of the cell
NEAR_TURNS = 1.5
# rows that a cell's programs hand on to one another
POOL = 300
# what of a square's remainder tells on the bound: it needs no division before turns are small
# (tried on cracks, crystals and hollows: from 0.001 to 0.03 alike, at 0.3 ten times the cells)
SQUARE_SHARE = 0.01
# but for squares wider than this, which tell nothing yet
SMALL_SQUARE = 0.3
# the kernel's programs and HiGHS may differ by this share of the scale
AGREED = 1e-5
# of the rough's size: copies that are smaller do not count
SMALLEST = 0.02
# steps of a climb from one orientation to a better one near by, and how far the first may turn, radians
CLIMB_STEPS = 14
FIRST_TURN = 0.15
LAST_TURN = 2e-4
# cells of the first division: degrees
FIRST_CELL = 10.0
# starts of the climbs: rings of table directions, directions in a ring, spins
RINGS, AROUND, SPINS = 2, 6, 4
# of the starts that many are climbed from, at the least the best of each cone
CLIMBS = 5
# a climb ends when a step gains no more than this share of the scale
GAIN = 2e-4


@dataclass(frozen=True)
class Stone:
    """A stone to be placed: corners of its convex hull and of the parts that bodies must keep out of.

    middle (3,): the point it is turned about, in its own frame; parts[0] (n, 3): its corners seen from the
    middle, mm; further parts: see ``stone_of``. planes (4, m): its facets seen from the middle;
    volume: mm^3 at scale 1; folds: it looks the same after 1/folds of a turn about z.
    """

    middle: Floats
    parts: tuple[Floats, ...]
    planes: Floats
    volume: float
    folds: int

    @cached_property
    def far(self) -> tuple[Floats, ...]:
        """Of each part the distances (n,) of its corners from the middle."""
        return tuple(np.linalg.norm(part, axis=1) for part in self.parts)

    @cached_property
    def radius(self) -> float:
        """The greatest of them."""
        return float(self.far[WHOLE].max())


WHOLE, CROWN, UNDER_TABLE = 0, 1, 2
# for each body that matters the direction that parts it from the stone; None: it lies inside
_Directions = dict[int, Floats | None]


def stone_of(solid: Solid) -> Stone:
    """The stone of a solid; of a heart the convex hull, which takes the cleft for stone.

    Parts: the whole; what lies above the girdle plane z = 0; what lies beneath the table.
    """
    corners = solid.vertices
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    hull = ConvexHull(corners)
    equations = np.unique(hull.equations.round(9), axis=0)
    planes = np.vstack([equations[:, :3].T, -equations[:, 3] - equations[:, :3] @ middle])
    extreme = corners[hull.vertices]
    crown = _cut(equations, np.array([[0.0, 0.0, -1.0, 0.0]]))
    table = corners[np.isclose(corners[:, 2], corners[:, 2].max(), atol=SAME)]
    column = crown
    if len(table) >= 3:
        sides = ConvexHull(table[:, :2]).equations
        walls = np.column_stack([sides[:, :2], np.zeros(len(sides)), sides[:, 2]])
        column = _cut(equations, walls)
    parts = tuple(part - middle for part in (extreme, crown, column))
    return Stone(middle, parts, planes, solid.volume, _folds(extreme - middle))


def _cut(equations: Floats, more: Floats) -> Floats:
    """Corners of the polytope within both sets of half-spaces (n, 4), a . x + b <= 0."""
    solid = Solid.from_planes(
        np.vstack([equations[:, :3], more[:, :3]]), -np.concatenate([equations[:, 3], more[:, 3]])
    )
    return solid.vertices


def _folds(corners: Floats) -> int:
    size = float(np.abs(corners).max())
    for folds in range(MOST_FOLDS, 1, -1):
        turned = corners @ Rotation.from_euler("z", 360 / folds, degrees=True).as_matrix().T
        gaps = np.linalg.norm(turned[:, None] - corners[None], axis=2).min(axis=1)
        if gaps.max() <= SAME * size:
            return folds
    return 1


@dataclass(frozen=True)
class Obstacle:
    """A convex body, by its corners (n, 3) in the rough's frame, that part of the stone must keep off.

    part: WHOLE, CROWN or UNDER_TABLE; margin_mm: how far off; inside: or the whole body lies at least
    so far below the stone's surface.
    """

    name: str
    points: Floats
    part: int = WHOLE
    margin_mm: float = 0.0
    inside: bool = False


@dataclass(frozen=True)
class Facing:
    """Where the table may face: within *within_deg* of *direction* (3,), in the rough's frame.

    least_deg: and at least so far from it; both: or of the opposite direction.
    """

    direction: tuple[float, float, float] = (0.0, 0.0, 1.0)
    within_deg: float = 15.0
    least_deg: float = 0.0
    both: bool = False

    def frames(self) -> list[Floats]:
        """Rotations (3, 3) that take the stone's z to the middle of each cone."""
        towards = np.array(self.direction) / np.linalg.norm(self.direction)
        return [_upright(sign * towards) for sign in ((1.0, -1.0) if self.both else (1.0,))]


def _upright(towards: Floats) -> Floats:
    """The shortest rotation that takes +z to a unit vector."""
    angle = math.acos(float(np.clip(towards[2], -1, 1)))
    axis = np.array([-towards[1], towards[0], 0.0])
    length = float(np.linalg.norm(axis))
    axis = axis / length if length > 1e-12 else np.array([1.0, 0.0, 0.0])
    return np.asarray(Rotation.from_rotvec(angle * axis).as_matrix())


@dataclass(frozen=True)
class Copy:
    """A copy that fits: its point r lies at ``shift + scale * rotation @ r``, mm; volume in mm^3."""

    scale: float
    rotation: Floats
    shift: Floats
    volume: float


@dataclass(frozen=True)
class Found:
    """The largest copy found, None where none fits, and what none can exceed.

    most_mm3: no copy in the facing allowed has a larger volume; cells: how many were bounded.
    """

    copy: Copy | None
    most_mm3: float
    cells: int

    @property
    def gap(self) -> float:
        """By what share the best possible volume may exceed the one found; infinite without one."""
        return self.most_mm3 / self.copy.volume - 1 if self.copy else math.inf


@dataclass(frozen=True)
class Space:
    """What a stone is placed in: planes of a convex hull, bodies in it, and what is taken off the skin."""

    hull: Body
    obstacles: tuple[Obstacle, ...] = ()
    skin_mm: float = 0.0

    def seen_from(self, point: Floats) -> "Space":
        """The same with its origin at a point."""
        bodies = tuple(replace(body, points=body.points - point) for body in self.obstacles)
        return Space(self.hull.seen_from(np.eye(3), point), bodies, self.skin_mm)

    @cached_property
    def hull_corners(self) -> Floats:
        """(n, 3) of the hull."""
        return Solid.from_planes(self.hull.planes[:3].T, self.hull.planes[3]).vertices

    @cached_property
    def planes(self) -> Floats:
        """(4, m) of the hull, moved in by the skin."""
        return np.vstack([self.hull.planes[:3], self.hull.planes[3] - self.skin_mm])


# ---- one orientation --------------------------------------------------------------------------


def _rows(
    stone: Stone, rotation: Floats, space: Space, apart: _Directions
) -> tuple[Floats, Floats]:
    """(rows (n, 4), limits) of scale and place at one orientation: rows . (scale, place) <= limits."""
    planes = space.planes
    turned = stone.parts[WHOLE] @ rotation.T
    reach = (turned @ planes[:3]).max(axis=0)
    rows = [np.column_stack([reach, planes[:3].T])]
    most = [planes[3]]
    for k, u in apart.items():
        body = space.obstacles[k]
        if u is None:
            normals = rotation @ stone.planes[:3]
            far = (body.points @ normals).max(axis=0)
            rows.append(np.column_stack([-stone.planes[3], -normals.T]))
            most.append(-far - body.margin_mm)
        else:
            size = float(np.linalg.norm(u))
            own = float((stone.parts[body.part] @ rotation.T @ u).max())
            rows.append(np.concatenate([[own], u])[None])
            most.append(np.array([float((body.points @ u).min()) - body.margin_mm * size]))
    return np.vstack(rows), np.concatenate(most)


def proven(
    stone: Stone, rotation: Floats, space: Space, apart: _Directions
) -> tuple[float, Floats, float] | None:
    """(scale, place of the middle, bound) of the largest copy at one orientation, by HiGHS; None where none fits.

    *apart*: how each body that matters comes apart. The bound is that of the program's dual: for
    weights w >= 0 with sum w a = (1, 0, 0, 0), scale = sum w (a . x) <= sum w b (Chvatal, "Linear
    Programming", ch. 5).
    """
    rows, limits = _rows(stone, rotation, space, apart)
    found = linprog(
        [-1.0, 0, 0, 0],
        A_ub=rows,
        b_ub=limits,
        bounds=[(0, None), *[(None, None)] * 3],
        method="highs",
    )
    if not found.success or found.x[0] <= 0:
        return None
    weights = np.maximum(-found.ineqlin.marginals, 0.0)
    return float(found.x[0]) * (1 - ROUNDING), found.x[1:], float(weights @ limits)


def _largest(
    stone: Stone, rotation: Floats, space: Space, apart: _Directions, least: float, most: float
) -> tuple[float, Floats] | None:
    """(scale, place of the middle) of the same, fast; None where it is smaller than *least*."""
    rows, limits = _rows(stone, rotation, space, apart)
    # (scale, place) <= limits as (sigma, tau): rows . (1, tau) <= limits sigma
    plain = np.zeros((len(rows), 7))
    plain[:, 0], plain[:, 1:4] = -limits, rows[:, 1:]
    room = np.ptp(space.hull_corners, axis=0) / least
    low = np.concatenate([[1 / most], -room, np.zeros(3)])
    high = np.concatenate([[1 / least], room, np.zeros(3)])
    cost = np.zeros(7)
    cost[0] = 1.0
    z, _, state = least_cost(cost, low, high, math.inf, True, *NO_PAIRS, plain, -rows[:, 0], *NO_BODIES, *_pool(7))  # fmt: skip
    if state != DONE:
        return None
    return (1 - ROUNDING) / float(z[0]), z[1:4] / z[0]


def _pool(size: int) -> tuple[Any, ...]:
    return np.zeros((POOL, size)), np.zeros(POOL), np.zeros(1, dtype=np.int64)


_NONE, _NOWHERE = np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
# no rows of planes and corners, and no bodies, for the kernel
NO_PAIRS = np.zeros((4, 0)), _NOWHERE, _NOWHERE, _NONE, np.zeros(0), 0.0, np.eye(3)
NO_BODIES = (
    _NONE, np.zeros(0), _NONE, np.zeros((0, 4), dtype=np.int64), np.zeros((0, 2), dtype=np.int64),
    _NONE, np.zeros((0, 2)), np.zeros(0), np.zeros(0),
)  # fmt: skip


def parting(moving: Floats, body: Floats) -> tuple[float, Floats]:
    """(gap, unit direction): the most by which a direction parts two convex bodies, by their corners (n, 3).

    Apart: their distance, nearly. Together: minus the least push along a tried direction, and so
    an upper bound of how deep they are. Tried: facets of their difference (the Minkowski sum of
    one and the mirrored other), which hold every direction that can matter.
    """
    points = (moving[:, None] - body[None]).reshape(-1, 3)
    try:
        equations = ConvexHull(points).equations
    except QhullError:
        equations = ConvexHull(points, qhull_options="QJ").equations
    # the origin outside facet j: n . 0 + b > 0
    best = int(np.argmax(equations[:, 3]))
    return float(equations[best, 3]), equations[best, :3]


# ---- orientations -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Turn:
    """Frame, table tilted by the rotation vector (p, q, 0) in it, spin about the table's normal; radians."""

    frame: Floats
    p: float
    q: float
    spin: float

    @cached_property
    def matrix(self) -> Floats:
        tilted = Rotation.from_rotvec([self.p, self.q, 0.0]).as_matrix()
        return np.asarray(self.frame @ tilted @ Rotation.from_rotvec([0, 0, self.spin]).as_matrix())

    def turned(self, by: Floats, facing: Facing) -> "_Turn":
        """Turned further by the rotation vector *by* (3,), and back where it may no longer face there."""
        inner = self.frame.T @ Rotation.from_rotvec(by).as_matrix() @ self.matrix
        z = inner[:, 2]
        angle = math.atan2(math.hypot(z[0], z[1]), z[2])
        flat = np.array([-z[1], z[0]])
        length = float(np.linalg.norm(flat))
        flat = flat / length if length > 1e-12 else np.array([1.0, 0.0])
        p, q = angle * flat
        tilted = Rotation.from_rotvec([p, q, 0.0]).as_matrix()
        spun = tilted.T @ inner
        allowed = min(max(angle, math.radians(facing.least_deg)), math.radians(facing.within_deg))
        p, q = allowed * flat
        return _Turn(self.frame, float(p), float(q), math.atan2(spun[1, 0], spun[0, 0]))


@dataclass(frozen=True)
class _Square:
    """Directions u = sign e_axis + (c + eta) over the other two axes, |eta| <= half: part of a cube's face."""

    axis: int
    sign: float
    c: tuple[float, float] = (0.0, 0.0)
    half: tuple[float, float] = (1.0, 1.0)

    @property
    def basis(self) -> tuple[int, int]:
        first, second = (k for k in range(3) if k != self.axis)
        return first, second

    @cached_property
    def middle(self) -> Floats:
        u = np.zeros(3)
        u[self.axis] = self.sign
        u[list(self.basis)] = self.c
        return u

    @property
    def longest(self) -> float:
        """The greatest length of its directions."""
        return math.sqrt(1 + sum((abs(c) + h) ** 2 for c, h in zip(self.c, self.half, strict=True)))

    def split(self) -> "list[_Square]":
        k = int(self.half[1] > self.half[0])
        half = list(self.half)
        half[k] /= 2
        found = []
        for side in (-1, 1):
            c = list(self.c)
            c[k] += side * half[k]
            found.append(replace(self, c=(c[0], c[1]), half=(half[0], half[1])))
        return found


# a body lies inside the stone
_INSIDE = None
_Regions = dict[int, _Square | None]


@dataclass(frozen=True)
class _Cell:
    """A box of orientations (half sizes in radians), with what is known of the bodies' separating directions.

    low, high (3,): where the middle of the stone can lie, in units of the stone; bound: no scale in it is larger.
    """

    turn: _Turn
    half: tuple[float, float, float]
    regions: _Regions
    low: Floats
    high: Floats
    bound: float = math.inf

    def allows(self, facing: Facing) -> bool:
        """Whether some of it is where the table may face."""
        near = math.hypot(*(
            max(abs(x) - h, 0.0) for x, h in ((self.turn.p, self.half[0]), (self.turn.q, self.half[1]))
        ))  # fmt: skip
        far = math.hypot(abs(self.turn.p) + self.half[0], abs(self.turn.q) + self.half[1])
        return near <= math.radians(facing.within_deg) and far >= math.radians(facing.least_deg)

    @cached_property
    def reach(self) -> tuple[float, float]:
        """(most tilt of the table, most spin) away from the middle of the cell, radians.

        A rotation of the cell is one that tilts the table the short way after a spin: the spin is
        the cell's, and the area of the triangle on the sphere (holonomy), at most
        tan(theta / 2) times the tilt at theta from the frame's z.
        """
        tilt = math.hypot(self.half[0], self.half[1])
        theta = min(math.hypot(self.turn.p, self.turn.q) + tilt, math.pi / 2)
        return tilt, self.half[2] + math.tan(theta / 2) * tilt

    def split(self) -> "list[_Cell]":
        """Two halves of the orientations."""
        k = int(np.argmax(self.half))
        half = list(self.half)
        half[k] /= 2
        name = ("p", "q", "spin")[k]
        middle = getattr(self.turn, name)
        return [
            replace(
                self, turn=replace(self.turn, **{name: middle + side * half[k]}),
                half=(half[0], half[1], half[2]),
            )
            for side in (-1, 1)
        ]  # fmt: skip


def _first_cells(stone: Stone, facing: Facing, low: Floats, high: Floats) -> Iterator[_Cell]:
    within, turn = math.radians(facing.within_deg), 2 * math.pi / stone.folds
    n = max(1, math.ceil(2 * within / math.radians(FIRST_CELL)))
    m = max(1, math.ceil(turn / math.radians(FIRST_CELL)))
    half = (within / n, within / n, turn / m / 2)
    for frame, i, j, k in itertools.product(facing.frames(), range(n), range(n), range(m)):
        middle = _Turn(
            frame, -within + (2 * i + 1) * half[0], -within + (2 * j + 1) * half[1],
            (2 * k + 1) * half[2],
        )  # fmt: skip
        cell = _Cell(middle, half, {}, low, high)
        if cell.allows(facing):
            yield cell


# ---- the program of a cell --------------------------------------------------------------------


@dataclass(frozen=True)
class _Solved:
    """The best point of a cell's program: scale, place of the middle, turn, direction of each body.

    bound: no scale in the cell is larger.
    """

    bound: float
    scale: float
    place: Floats
    by: Floats
    directions: _Directions


class _Program:
    """A cell's linear program, for scales from *least* to *most*.

    Unknowns: the inverse scale sigma, the place tau of the stone's middle in units of the stone, the
    turn omega in the stone's frame, eta of each square. Rows, for a plane n, d of the hull and a corner v:
    n . (v + omega x v + tau) <= d sigma; for a direction u, a corner v and a corner x of a body:
    u . (v + omega x v + tau - x sigma) <= - margin sigma. Unless *sure* it is that of a climb.
    """

    def __init__(
        self, stone: Stone, space: Space, cell: _Cell, least: float, most: float, sure: bool = True
    ) -> None:
        self.stone, self.space, self.cell, self.sure = stone, space, cell, sure
        self.matrix = cell.turn.matrix
        tilt, spin = cell.reach
        self.squares = [k for k, region in cell.regions.items() if region is not None]
        self.lost = (tilt + spin) ** 2 / 2 if sure else 0.0
        box = [(1 / most, 1 / least), *zip(cell.low, cell.high, strict=True)]
        box += [(-tilt, tilt), (-tilt, tilt), (-spin, spin)]
        for k in self.squares:
            box += [(-half, half) for half in _square(cell, k).half]
        self.low, self.high = np.array(box).T.copy()
        corners = stone.parts[WHOLE] @ self.matrix.T
        planes = space.planes
        reach = corners @ planes[:3]
        angle = tilt + spin
        near = reach >= reach.max(axis=0) - NEAR_TURNS * angle * stone.radius
        corner_of, plane_of = np.nonzero(near)
        inside = [
            self._inside(stone, space.obstacles[k]) for k, r in cell.regions.items() if r is None
        ]
        none = (np.zeros((0, len(box))), np.zeros(0))
        rows, limits = zip(none, *inside, strict=True)
        self._rest = (
            planes, plane_of, corner_of, corners, stone.far[WHOLE], self.lost, self.matrix,
            np.vstack(rows), np.concatenate(limits), *self._bodies(stone, space),
            *_pool(len(box)),
        )  # fmt: skip

    def _inside(self, stone: Stone, body: Obstacle) -> tuple[Floats, Floats]:
        """Rows Q m . (x sigma - tau) <= e - margin sigma for each facet m, e and corner x of the body."""
        m = (self.matrix @ stone.planes[:3]).T
        low, high = self.low, self.high
        sigma, tau = (low[0] + high[0]) / 2, (low[1:4] + high[1:4]) / 2
        given = self.sure * 1.0
        rows, limits = [], []
        for x in body.points:
            p = x * sigma - tau
            room = np.abs(x) * (high[0] - low[0]) / 2 + (high[1:4] - low[1:4]) / 2
            row = np.zeros((len(m), len(low)))
            row[:, 0] = m @ x + body.margin_mm
            row[:, 1:4] = -m
            row[:, 4:7] = np.cross(m, p[None]) @ self.matrix
            # |omega . (m x dp)| over the box: the turn about each of the stone's axes b, dp . (b x m)
            swing = sum(
                self.high[4 + k] * np.abs(np.cross(self.matrix[:, k][None], m)) @ room
                for k in range(3)
            )
            far = np.linalg.norm(p) + np.linalg.norm(room)
            rows.append(row)
            limits.append(stone.planes[3] + given * (self.lost * far + swing))
        return np.vstack(rows), np.concatenate(limits)

    def _bodies(self, stone: Stone, space: Space) -> tuple[Any, ...]:
        """What the kernel takes of the bodies that squares part from the stone."""
        count = len(self.squares)
        bodies = [space.obstacles[k] for k in self.squares]
        used = sorted({body.part for body in bodies})
        first = dict(zip(used, np.cumsum([0, *(len(stone.parts[p]) for p in used)]), strict=False))
        starts = np.cumsum([0, *(len(body.points) for body in bodies)])
        squares = np.zeros((count, 4), dtype=np.int64)
        for n, body in enumerate(bodies):
            begin = first[body.part]
            squares[n] = begin, begin + len(stone.parts[body.part]), starts[n], starts[n + 1]
        regions = [_square(self.cell, k) for k in self.squares]
        corners = [stone.parts[p] @ self.matrix.T for p in used]
        empty = np.zeros((0, 3))
        return (
            np.vstack([empty, *corners]),
            np.concatenate([np.zeros(0), *(stone.far[p] for p in used)]),
            np.vstack([empty, *(body.points for body in bodies)]),
            squares,
            np.array([r.basis for r in regions], dtype=np.int64).reshape(-1, 2),
            np.array([r.middle for r in regions]).reshape(-1, 3),
            np.array([r.half for r in regions]).reshape(-1, 2),
            np.array([r.longest for r in regions]),
            np.array([body.margin_mm for body in bodies]),
        )

    def _least(self, cost: Floats, stop: float) -> tuple[Floats, float, int]:
        z, bound, state = least_cost(cost, self.low, self.high, stop, self.sure, *self._rest)
        return z, float(bound), int(state)

    def solve(self, cut: float) -> _Solved | None:
        """The largest scale, None where nothing is left; not worked out where it is at most *cut*."""
        cost = np.zeros(len(self.low))
        cost[0] = 1.0
        z, bound, state = self._least(cost, 1 / cut if cut > 0 else math.inf)
        if state == EMPTY or bound <= 0:
            return None
        directions: _Directions = dict.fromkeys(self.cell.regions)
        for n, k in enumerate(self.squares):
            region = _square(self.cell, k)
            u = region.middle.copy()
            u[list(region.basis)] += z[7 + 2 * n : 9 + 2 * n]
            directions[k] = u
        return _Solved(1 / bound, 1 / z[0], z[1:4] / z[0], self.matrix @ z[4:7], directions)

    def narrow(self) -> bool:
        """Bring the box of tau and the squares in as far as the rows allow; whether anything is left."""
        sides = [1, 2, 3, *range(7, len(self.low))]
        for side in sides:
            for sign in (1.0, -1.0):
                cost = np.zeros(len(self.low))
                cost[side] = sign
                _, bound, state = self._least(cost, math.inf)
                if state == EMPTY:
                    return False
                if sign > 0:
                    self.low[side] = max(self.low[side], bound)
                else:
                    self.high[side] = min(self.high[side], -bound)
                if self.low[side] > self.high[side]:
                    return False
        return True

    @property
    def narrowed(self) -> _Cell:
        """The cell with what ``narrow`` found."""
        regions = dict(self.cell.regions)
        for n, k in enumerate(self.squares):
            low, high = self.low[7 + 2 * n : 9 + 2 * n], self.high[7 + 2 * n : 9 + 2 * n]
            region = _square(self.cell, k)
            c = [c + (a + b) / 2 for c, a, b in zip(region.c, low, high, strict=True)]
            half = [(b - a) / 2 for a, b in zip(low, high, strict=True)]
            regions[k] = replace(region, c=(c[0], c[1]), half=(half[0], half[1]))
        return replace(self.cell, regions=regions, low=self.low[1:4], high=self.high[1:4])

    def halves(self) -> list[_Cell]:
        """The cell divided where the most is given away: the turn, as a rule, for it tells on every row."""
        cell = self.cell
        tilt, spin = cell.reach
        radius = self.stone.radius
        worst, given = -1, self.lost * radius
        room = (self.high[1:4] - self.low[1:4]) / 2 + radius * (tilt + spin) / 2
        for k in self.squares:
            region = _square(cell, k)
            loss = sum(h * room[axis] for axis, h in zip(region.basis, region.half, strict=True))
            if max(region.half) < SMALL_SQUARE:
                loss *= SQUARE_SHARE
            if loss > given:
                worst, given = k, loss
        if worst < 0:
            return cell.split()
        parts = _square(cell, worst).split()
        return [replace(cell, regions={**cell.regions, worst: part}) for part in parts]


def _square(cell: _Cell, k: int) -> _Square:
    region = cell.regions[k]
    assert region is not None
    return region


# ---- the search -------------------------------------------------------------------------------


@dataclass
class _Search:
    """The state of one search: the best copy so far, and the cells that are left."""

    stone: Stone
    space: Space
    facing: Facing
    within: float
    best: Copy | None = None
    least: float = 0.0
    parted: _Directions = field(default_factory=dict)

    @property
    def cut(self) -> float:
        """Cells whose bound is no larger can be left: they hold nothing better by more than *within*."""
        size = max(self.best.scale if self.best else 0.0, self.least)
        return float(size * (1 + self.within) ** (1 / 3))

    def hit(
        self, rotation: Floats, scale: float, place: Floats, known: _Directions
    ) -> tuple[int, Floats] | None:
        """The body that a copy cuts into deepest, and the direction that parts them soonest; None where none is."""
        worst: tuple[int, Floats] | None = None
        deepest = 0.0
        for k, body in enumerate(self.space.obstacles):
            if k in known:
                continue
            moving = place + scale * self.stone.parts[body.part] @ rotation.T
            if (moving.min(axis=0) > body.points.max(axis=0) + body.margin_mm).any():
                continue
            if (moving.max(axis=0) < body.points.min(axis=0) - body.margin_mm).any():
                continue
            if body.inside:
                seen = (body.points - place) @ rotation
                if (
                    seen @ self.stone.planes[:3] <= scale * self.stone.planes[3] - body.margin_mm
                ).all():
                    continue
            gap, u = parting(moving, body.points)
            depth = body.margin_mm - gap
            if depth > max(deepest, 2 * ROUNDING * scale):
                worst, deepest = (k, u), depth
        return worst

    def climb(self, turn: _Turn, directions: _Directions) -> None:
        """From one orientation to better ones near by, by linear programs to first order."""
        step = FIRST_TURN
        here = self.value(turn, directions)
        for _ in range(CLIMB_STEPS):
            if here is None or step < LAST_TURN:
                return
            scale, known = here
            regions: _Regions = {k: _around(u, step) for k, u in known.items()}
            least = scale / 2
            cell = _Cell(turn, (step / 2, step / 2, step / 2), regions, *self.room(least))
            solved = _Program(self.stone, self.space, cell, least, 4 * scale, sure=False).solve(0.0)
            if solved is None or solved.scale <= scale * (1 + GAIN):
                return
            there = turn.turned(solved.by, self.facing)
            after = self.value(there, solved.directions)
            if after is not None and after[0] > scale * (1 + ROUNDING):
                if after[0] < scale + 0.5 * (solved.scale - scale):
                    step /= 2
                turn, here = there, after
            else:
                step /= 3

    def room(self, least: float) -> tuple[Floats, Floats]:
        """Where the middle of a stone of at least that scale can lie, in units of the stone."""
        corners = self.space.hull_corners
        return corners.min(axis=0) / least, corners.max(axis=0) / least

    @property
    def floor(self) -> float:
        """Smaller scales are not wanted."""
        return max(self.best.scale if self.best else 0.0, self.least, SMALLEST * self.upper)

    @property
    def upper(self) -> float:
        """No copy is longer than the rough: a first bound of the scale."""
        longest = float(np.linalg.norm(np.ptp(self.space.hull_corners, axis=0)))
        return float(longest / np.ptp(self.stone.parts[WHOLE], axis=0).max())

    def value(self, turn: _Turn, directions: _Directions) -> tuple[float, _Directions] | None:
        """(scale, directions) of the largest copy with the bodies that it meets parted from it; the best is kept."""
        kept = dict(directions)
        rotation = turn.matrix
        found = self._largest(rotation, kept)
        for _ in range(1 + len(self.space.obstacles)):
            if found is None:
                return None
            hit = self.hit(rotation, *found, kept)
            if hit is None:
                scale, place = found
                if scale > self.floor:
                    shift = place - scale * rotation @ self.stone.middle
                    self.best = Copy(scale, rotation, shift, self.stone.volume * scale**3)
                    self.parted = kept
                return scale, kept
            kept[hit[0]] = hit[1]
            found = self._largest(rotation, kept)
            if self.space.obstacles[hit[0]].inside:
                within = {**kept, hit[0]: _INSIDE}
                other = self._largest(rotation, within)
                if other and (found is None or other[0] > found[0]):
                    kept, found = within, other
        return None

    def _largest(self, rotation: Floats, directions: _Directions) -> tuple[float, Floats] | None:
        least = SMALLEST * self.upper
        return _largest(self.stone, rotation, self.space, directions, least, self.upper)

    def starts(self) -> Iterator[_Turn]:
        """Table directions in rings, each with some spins."""
        within = math.radians(self.facing.within_deg)
        turn = 2 * math.pi / self.stone.folds
        for frame in self.facing.frames():
            for ring in range(RINGS + 1):
                angle = max(within * ring / RINGS, math.radians(self.facing.least_deg))
                for j in range(AROUND if ring else 1):
                    a = 2 * math.pi * (j + 0.5 * (ring % 2)) / AROUND
                    for k in range(SPINS):
                        yield _Turn(
                            frame, angle * math.cos(a), angle * math.sin(a), turn * k / SPINS
                        )

    def proven_best(self, centre: Floats) -> Copy | None:
        """The best copy as HiGHS has it at its orientation, seen from where *centre* was seen."""
        if self.best is None:
            return None
        known = self.best
        found = proven(self.stone, known.rotation, self.space, self.parted)
        if found is None or abs(found[0] / known.scale - 1) > AGREED:
            raise AssertionError(f"two solvers disagree: {found} and {known}")
        scale, place, _ = found
        shift = centre + place - scale * known.rotation @ self.stone.middle
        return Copy(scale, known.rotation, shift, self.stone.volume * scale**3)

    def best_starts(self) -> list[_Turn]:
        """The starts from which to climb: those with the largest copies."""
        values = [(self.value(start, {}), start) for start in self.starts()]
        sizes = [(found[0], -n, start) for n, (found, start) in enumerate(values) if found]
        return [start for _, _, start in heapq.nlargest(CLIMBS, sizes)]

    def bounded(self, cell: _Cell) -> tuple[_Cell, _Solved, _Program] | None:
        """The cell with its bound; None where it holds nothing that is wanted."""
        least = self.floor
        most = min(cell.bound, self.upper)
        if most <= self.cut:
            return None
        program = _Program(self.stone, self.space, cell, least, most)
        solved = program.solve(self.cut)
        if solved is None:
            return None
        if program.squares and solved.bound > self.cut:
            if not program.narrow():
                return None
            cell = replace(program.narrowed, bound=min(most, solved.bound))
            program = _Program(self.stone, self.space, cell, least, cell.bound)
            solved = program.solve(self.cut)
            if solved is None:
                return None
        return replace(cell, bound=min(most, solved.bound * (1 + ROUNDING))), solved, program


def _around(u: Floats | None, half: float) -> _Square | None:
    """The square of directions around one."""
    if u is None:
        return _INSIDE
    axis = int(np.argmax(np.abs(u)))
    sign = 1.0 if u[axis] > 0 else -1.0
    first, second = (k for k in range(3) if k != axis)
    scaled = u / abs(u[axis])
    return _Square(axis, sign, (float(scaled[first]), float(scaled[second])), (half, half))


def _parted(cell: _Cell, k: int, body: Obstacle) -> list[_Cell]:
    """The cell divided by how a body and the stone come apart."""
    ways: list[_Square | None] = [_Square(axis, sign) for axis in range(3) for sign in (1.0, -1.0)]
    if body.inside:
        ways.append(_INSIDE)
    return [replace(cell, regions={**cell.regions, k: way}) for way in ways]


def largest(
    stone: Stone, space: Space, facing: Facing, *, within: float = 0.005, most_cells: int = 20_000,
    least_mm3: float = 0.0, report: Callable[[int, float], None] | None = None,
) -> Found:  # fmt: skip
    """The largest copy of a stone in a space, its table facing where it may.

    within: the search ends when nothing can be larger by more than this share of the volume, or after
    *most_cells* cells; ``Found.gap`` says what was reached. least_mm3: smaller copies are not wanted.
    *report* is told the cells done and the gap. The result depends on the arguments alone. Raises
    FacetraceError where the cone is wider than a hemisphere.
    """
    if not 0 <= facing.least_deg <= facing.within_deg <= 90:
        raise FacetraceError(
            "the table's angles must be 0 to 90 degrees, the least at most the largest"
        )
    least = (least_mm3 / stone.volume) ** (1 / 3)
    centre = space.hull_corners.mean(axis=0)
    search = _Search(stone, space.seen_from(centre), facing, within, least=least)
    space = search.space
    for start in search.best_starts():
        search.climb(start, {})
    heap: list[tuple[float, int, _Cell, _Solved, _Program]] = []
    order = itertools.count()
    dropped, cells = 0.0, 0

    def add(cell: _Cell) -> None:
        nonlocal cells, dropped
        if not cell.allows(facing):
            return
        cells += 1
        found = search.bounded(cell)
        if found is None:
            dropped = max(dropped, min(cell.bound, search.cut))
            return
        known, solved, program = found
        if known.bound <= search.cut:
            dropped = max(dropped, known.bound)
            return
        heapq.heappush(heap, (-known.bound, next(order), known, solved, program))

    for cell in _first_cells(stone, facing, *search.room(search.floor)):
        add(cell)
    while heap and cells < most_cells:
        bound, _, cell, solved, program = heap[0]
        if -bound <= search.cut:
            break
        heapq.heappop(heap)
        turn = cell.turn.turned(solved.by, facing)
        before = search.best
        search.value(turn, solved.directions)
        if search.best is not before:
            search.climb(turn, solved.directions)
        hit = search.hit(turn.matrix, solved.scale, solved.place, solved.directions)
        parts = (
            _parted(cell, hit[0], space.obstacles[hit[0]]) if hit
            else program.halves()
        )  # fmt: skip
        for part in parts:
            add(part)
        if report:
            top = -heap[0][0] if heap else search.cut
            report(cells, (top / search.best.scale) ** 3 - 1 if search.best else math.inf)
    top = max(dropped, -heap[0][0] if heap else 0.0, search.best.scale if search.best else 0.0)
    return Found(search.proven_best(centre), stone.volume * top**3, cells)
