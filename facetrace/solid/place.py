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
Optimization", 1996, ch. 4; rotation cells: Hartley & Kahl, IJCV 82, 64, 2009).
"""

import heapq
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.transform import Rotation

from facetrace.common.errors import FacetraceError
from facetrace.solid.body import Body, Floats
from facetrace.solid.polyhedron import Solid

# corners that fall on one another under a turn of the stone, as a share of its size
SAME = 1e-6
MOST_FOLDS = 16
# of a length in mm, or of the size: what linear programs leave to rounding
ROUNDING = 1e-7
# rows that one round adds to a program, and rounds before its bound is taken as it is
NEW_ROWS = 12
MOST_ROUNDS = 12
# rows with less slack, as a share of the rough's size, are handed on to the halves of a cell
KEPT = 0.03
# steps of a climb from one orientation to a better one near by, and how far the first may turn, radians
CLIMB_STEPS = 14
FIRST_TURN = 0.15
LAST_TURN = 2e-4
# cells of the first division: degrees
FIRST_CELL = 10.0
# starts of the climbs: rings of table directions, directions in a ring, spins
RINGS, AROUND, SPINS = 2, 6, 4


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


WHOLE, CROWN, UNDER_TABLE = 0, 1, 2


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

    @cached_property
    def hull_corners(self) -> Floats:
        """(n, 3) of the hull."""
        return Solid.from_planes(self.hull.planes[:3].T, self.hull.planes[3]).vertices

    @cached_property
    def planes(self) -> Floats:
        """(4, m) of the hull, moved in by the skin."""
        return np.vstack([self.hull.planes[:3], self.hull.planes[3] - self.skin_mm])


# ---- one orientation --------------------------------------------------------------------------


def _program(cost: Floats, rows: Floats, most: Floats, low: Floats, high: Floats) -> Floats | None:
    """The x that makes cost . x least where rows x <= most; None where there is none."""
    found = linprog(cost, A_ub=rows, b_ub=most, bounds=np.column_stack([low, high]), method="highs")
    return np.asarray(found.x) if found.success else None


def _largest(
    stone: Stone, rotation: Floats, space: Space, apart: dict[int, Floats | None]
) -> tuple[float, Floats] | None:
    """(scale, place of the middle) of the largest copy at one orientation.

    *apart*: for each body that matters the direction that parts it from the stone; None: it lies inside.
    """
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
    low, high = np.array([0.0, *[-np.inf] * 3]), np.full(4, np.inf)
    x = _program(np.array([-1.0, 0, 0, 0]), np.vstack(rows), np.concatenate(most), low, high)
    if x is None or x[0] <= 0:
        return None
    return float(x[0]) * (1 - ROUNDING), x[1:]


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

    low, high (3,): where the middle of the stone can lie; pairs: (plane, corner) rows that mattered to the parent;
    bound: no scale in it is larger.
    """

    turn: _Turn
    half: tuple[float, float, float]
    regions: _Regions
    low: Floats
    high: Floats
    pairs: tuple[tuple[int, int], ...] = ()
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


def _first_cells(stone: Stone, space: Space, facing: Facing) -> Iterator[_Cell]:
    corners = space.hull_corners
    low, high = corners.min(axis=0), corners.max(axis=0)
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
    """The best point of a cell's program: scale, place of the middle, turn w / scale, direction of each body."""

    scale: float
    place: Floats
    by: Floats
    directions: dict[int, Floats | None]
    pairs: tuple[tuple[int, int], ...]


@dataclass
class _Program:
    """A cell's linear program in scale s, place t, s times the turn w, and eta of each square.

    sure: give away what the first order leaves out, so that no copy of the cell is lost; else the
    program is that of a climb. least, most: of the scale.
    """

    stone: Stone
    space: Space
    cell: _Cell
    least: float
    most: float
    sure: bool = True
    rows: list[Floats] = field(default_factory=list)
    limits: list[float] = field(default_factory=list)
    pairs: list[tuple[int, tuple[int, int]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        cell, stone = self.cell, self.stone
        q = cell.turn.matrix
        tilt, spin = cell.reach
        # two directions across the table, and along its normal
        self.basis = q
        self.box = np.array([tilt, tilt, spin])
        self.lost = (tilt + spin) ** 2 / 2 if self.sure else 0.0
        self.turned = [part @ q.T for part in stone.parts]
        self.far = [np.linalg.norm(part, axis=1) for part in stone.parts]
        self.squares = [k for k, region in cell.regions.items() if region is not None]
        self.size = 7 + 2 * len(self.squares)
        for pair in cell.pairs:
            self._add_pair(*pair)
        for a in range(3):
            for sign in (1.0, -1.0):
                row = np.zeros(self.size)
                row[0], row[4 + a] = -self.box[a], sign
                self._add(row, 0.0)
        for k, region in cell.regions.items():
            if region is None:
                self._add_inside(k)

    def _add(self, row: Floats, limit: float) -> None:
        self.rows.append(row)
        self.limits.append(limit)

    def _across(self, points: Floats, normals: Floats) -> Floats:
        """Coefficients (n, 3) of the turn, in its basis: w x point . normal = w . point x normal."""
        return np.asarray(np.cross(points, normals) @ self.basis)

    def _add_pair(self, plane: int, corner: int) -> None:
        n, d = self.space.planes[:3, plane], self.space.planes[3, plane]
        v = self.turned[WHOLE][corner]
        row = np.zeros(self.size)
        row[0] = n @ v - self.far[WHOLE][corner] * self.lost
        row[1:4] = n
        row[4:7] = self._across(v[None], n)[0]
        self.pairs.append((len(self.rows), (plane, corner)))
        self._add(row, float(d))

    def _add_inside(self, k: int) -> None:
        """Every corner of the body within every facet of the stone."""
        body, cell = self.space.obstacles[k], self.cell
        normals = self.basis @ self.stone.planes[:3]
        middle = (cell.low + cell.high) / 2
        loose = float(np.linalg.norm(cell.high - cell.low)) / 2
        angle = float(self.box[:2].max() + self.box[2])
        scale = (self.least + self.most) / 2
        apart = angle * self.most * abs(1 / max(self.least, 1e-9) - 1 / scale)
        for x in body.points:
            off = x - middle
            far = float(np.linalg.norm(off)) + loose
            given = (self.lost * far + angle * loose + apart * far) if self.sure else 0.0
            rows = np.zeros((normals.shape[1], self.size))
            rows[:, 0] = -self.stone.planes[3]
            rows[:, 1:4] = -normals.T
            # w x normal . off = w . normal x off
            rows[:, 4:7] = self._across(normals.T, off[None].repeat(len(rows), axis=0)) / scale
            limits = -(x @ normals) - body.margin_mm + given
            self.rows.extend(rows)
            self.limits.extend(limits)

    def _square_rows(self, k: int) -> tuple[Floats, Floats]:
        """All rows of a body that a square of directions parts from the stone, (corners x corners, size)."""
        body, region, cell = self.space.obstacles[k], self.cell.regions[k], self.cell
        assert region is not None
        v, far = self.turned[body.part], self.far[body.part]
        u, axes = region.middle, list(region.basis)
        scale, loose = (self.least + self.most) / 2, (self.most - self.least) / 2
        place, room = (cell.low + cell.high) / 2, (cell.high - cell.low) / 2
        rows = np.zeros((len(v), len(body.points), self.size))
        rows[..., 0] = (v @ u - region.longest * self.lost * far)[:, None]
        rows[..., 1:4] = u
        rows[..., 4:7] = self._across(v, np.broadcast_to(u, v.shape))[:, None]
        limits = np.broadcast_to(body.points @ u - body.margin_mm, rows.shape[:2]).copy()
        first = 7 + 2 * self.squares.index(k)
        y = scale * v[:, None] + place - body.points[None]
        rows[..., first : first + 2] = y[..., axes]
        if self.sure:
            for axis, half in zip(axes, region.half, strict=True):
                e = np.zeros(3)
                e[axis] = 1.0
                swing = np.abs(self._across(v, np.broadcast_to(e, v.shape))) @ self.box
                limits += (
                    half * (loose * np.abs(v[:, axis]) + room[axis] + self.most * swing)[:, None]
                )
        return rows.reshape(-1, self.size), limits.ravel()

    def solve(self, cut: float) -> _Solved | None:
        """The largest scale, None where nothing at least *least* is left; rough where it is at most *cut*."""
        low, high = self._bounds()
        cost = np.zeros(self.size)
        cost[0] = -1.0
        squares = [self._square_rows(k) for k in self.squares]
        x = None
        for _ in range(MOST_ROUNDS):
            x = _program(cost, np.array(self.rows), np.array(self.limits), low, high)
            if x is None:
                return None
            if x[0] <= cut or not self._cut_off(x, squares):
                break
        assert x is not None
        return self._solved(x)

    def _bounds(self) -> tuple[Floats, Floats]:
        low = np.concatenate([[self.least], self.cell.low, np.full(self.size - 4, -np.inf)])
        high = np.concatenate([[self.most], self.cell.high, np.full(self.size - 4, np.inf)])
        for n, k in enumerate(self.squares):
            region = self.cell.regions[k]
            assert region is not None
            high[7 + 2 * n : 9 + 2 * n] = region.half
            low[7 + 2 * n : 9 + 2 * n] = [-h for h in region.half]
        return low, high

    def _cut_off(self, x: Floats, squares: list[tuple[Floats, Floats]]) -> bool:
        """Add the rows that x breaks most; whether there were any."""
        planes = self.space.planes
        v = self.turned[WHOLE]
        moved = x[0] * v + np.cross(self.basis @ x[4:7], v)
        over = moved @ planes[:3] - (x[0] * self.lost * self.far[WHOLE])[:, None]
        worst = over.argmax(axis=0)
        excess = over[worst, np.arange(planes.shape[1])] + x[1:4] @ planes[:3] - planes[3]
        tolerance = ROUNDING * float(np.ptp(self.space.hull_corners, axis=0).max())
        chosen = np.argsort(-excess)[:NEW_ROWS]
        new = [int(j) for j in chosen if excess[j] > tolerance]
        for j in new:
            self._add_pair(j, int(worst[j]))
        found = bool(new)
        for rows, limits in squares:
            excess = rows @ x - limits
            chosen = np.argsort(-excess)[:NEW_ROWS]
            broken = [int(j) for j in chosen if excess[j] > tolerance]
            self.rows.extend(rows[broken])
            self.limits.extend(float(limits[j]) for j in broken)
            found = found or bool(broken)
        return found

    def _solved(self, x: Floats) -> _Solved:
        directions: dict[int, Floats | None] = {}
        for k, region in self.cell.regions.items():
            if region is None:
                directions[k] = None
            else:
                n = 7 + 2 * self.squares.index(k)
                u = region.middle.copy()
                u[list(region.basis)] += x[n : n + 2]
                directions[k] = u
        where = [at for at, _ in self.pairs]
        slack = np.array([self.limits[at] - self.rows[at] @ x for at in where])
        near = KEPT * float(np.ptp(self.space.hull_corners, axis=0).max())
        tight = tuple(pair for (_, pair), s in zip(self.pairs, slack, strict=True) if s < near)
        by = self.basis @ x[4:7] / x[0] if x[0] > 0 else np.zeros(3)
        return _Solved(float(x[0]), x[1:4], by, directions, tight)

    def narrowed(self) -> tuple[Floats, Floats] | None:
        """Where the middle can lie for scales of at least *least*, under the rows that are there."""
        low, high = self._bounds()
        rows, limits = np.array(self.rows), np.array(self.limits)
        lower, upper = self.cell.low.copy(), self.cell.high.copy()
        for a in range(3):
            for sign, side in ((1.0, lower), (-1.0, upper)):
                cost = np.zeros(self.size)
                cost[1 + a] = sign
                x = _program(cost, rows, limits, low, high)
                if x is None:
                    return None
                side[a] = x[1 + a]
        slack = ROUNDING * float(np.ptp(self.space.hull_corners, axis=0).max())
        return np.maximum(lower - slack, self.cell.low), np.minimum(upper + slack, self.cell.high)


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

    @property
    def cut(self) -> float:
        """Cells whose bound is no larger can be left: they hold nothing better by more than *within*."""
        return max(self.best.scale if self.best else 0.0, self.least) * (1 + self.within) ** (1 / 3)

    def offer(self, turn: _Turn, directions: dict[int, Floats | None]) -> bool:
        """Try one orientation with directions that part it from bodies; whether it is the best so far."""
        kept = dict(directions)
        rotation = turn.matrix
        for _ in range(2 + len(self.space.obstacles)):
            found = _largest(self.stone, rotation, self.space, kept)
            floor = max(self.best.scale if self.best else 0.0, self.least)
            if found is None or found[0] <= floor:
                return False
            scale, place = found
            hit = self.hit(rotation, scale, place, kept)
            if hit is None:
                shift = place - scale * rotation @ self.stone.middle
                self.best = Copy(scale, rotation, shift, self.stone.volume * scale**3)
                return True
            kept[hit[0]] = hit[1]
        return False

    def hit(
        self, rotation: Floats, scale: float, place: Floats, known: dict[int, Floats | None]
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

    def climb(self, turn: _Turn, directions: dict[int, Floats | None]) -> None:
        """From one orientation to better ones near by, by linear programs to first order."""
        step = FIRST_TURN
        known = dict(directions)
        corners = self.space.hull_corners
        low, high = corners.min(axis=0), corners.max(axis=0)
        here = self._value(turn, known)
        for _ in range(CLIMB_STEPS):
            if here is None or step < LAST_TURN:
                return
            scale, known = here
            regions: _Regions = {k: _around(u, step) for k, u in known.items()}
            cell = _Cell(turn, (step / 2, step / 2, step / 2), regions, low, high)
            solved = _Program(self.stone, self.space, cell, 0.0, 4 * scale, sure=False).solve(0.0)
            if solved is None:
                return
            there = turn.turned(solved.by, self.facing)
            after = self._value(there, solved.directions)
            if after is not None and after[0] > scale * (1 + ROUNDING):
                step *= 1.0 if after[0] > scale + 0.5 * (solved.scale - scale) else 0.5
                turn, here = there, after
            else:
                step /= 3

    def _value(
        self, turn: _Turn, directions: dict[int, Floats | None]
    ) -> tuple[float, dict[int, Floats | None]] | None:
        """(scale, directions) of the largest copy with the bodies that it meets parted from it."""
        kept = dict(directions)
        rotation = turn.matrix
        for _ in range(2 + len(self.space.obstacles)):
            found = _largest(self.stone, rotation, self.space, kept)
            if found is None:
                return None
            hit = self.hit(rotation, *found, kept)
            if hit is None:
                if found[0] > max(self.best.scale if self.best else 0.0, self.least):
                    scale, place = found
                    shift = place - scale * rotation @ self.stone.middle
                    self.best = Copy(scale, rotation, shift, self.stone.volume * scale**3)
                return found[0], kept
            kept[hit[0]] = hit[1]
        return None

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

    def bounded(self, cell: _Cell) -> tuple[_Cell, _Solved, _Program] | None:
        """The cell with its bound; None where it holds nothing that is wanted."""
        least = self.best.scale if self.best else self.least
        most = min(cell.bound, _upper(self.stone, self.space))
        if most <= self.cut:
            return None
        program = _Program(self.stone, self.space, cell, least, most)
        solved = program.solve(self.cut)
        if solved is None:
            return None
        if program.squares and solved.scale > self.cut:
            room = program.narrowed()
            if room is None:
                return None
            cell = replace(cell, low=room[0], high=room[1], bound=min(most, solved.scale))
            program = _Program(
                self.stone, self.space, replace(cell, pairs=solved.pairs), least, cell.bound
            )
            solved = program.solve(self.cut)
            if solved is None:
                return None
        bound = min(cell.bound, solved.scale * (1 + ROUNDING))
        return replace(cell, bound=bound, pairs=solved.pairs), solved, program


def _around(u: Floats | None, half: float) -> _Square | None:
    """The square of directions around one."""
    if u is None:
        return _INSIDE
    axis = int(np.argmax(np.abs(u)))
    sign = 1.0 if u[axis] > 0 else -1.0
    first, second = (k for k in range(3) if k != axis)
    scaled = u / abs(u[axis])
    return _Square(axis, sign, (float(scaled[first]), float(scaled[second])), (half, half))


def _upper(stone: Stone, space: Space) -> float:
    """No copy is longer than the rough: a first bound of the scale."""
    longest = float(np.linalg.norm(np.ptp(space.hull_corners, axis=0)))
    return longest / float(np.ptp(stone.parts[WHOLE], axis=0).max())


def _halves(cell: _Cell, program: _Program, space: Space, stone: Stone) -> list[_Cell]:
    """The cell divided where the most is given away."""
    tilt, spin = cell.reach
    size = program.most * float(program.far[WHOLE].max())
    worst, given = -1, size * (tilt + spin) ** 2 / 2
    place = (cell.high - cell.low) / 2
    for k in program.squares:
        region = cell.regions[k]
        assert region is not None
        body = space.obstacles[k]
        wide = float(np.linalg.norm(stone.parts[body.part], axis=1).max())
        loose = (program.most - program.least) / 2 * wide
        loss = sum(
            half * (loose + place[axis] + size * max(tilt, spin))
            for axis, half in zip(region.basis, region.half, strict=True)
        )
        if loss > given:
            worst, given = k, loss
    if worst < 0:
        return cell.split()
    region = cell.regions[worst]
    assert region is not None
    return [replace(cell, regions={**cell.regions, worst: part}) for part in region.split()]


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
    search = _Search(stone, space, facing, within, least=least)
    for start in search.starts():
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

    for cell in _first_cells(stone, space, facing):
        add(cell)
    while heap and cells < most_cells:
        bound, _, cell, solved, program = heap[0]
        if -bound <= search.cut:
            break
        heapq.heappop(heap)
        turn = cell.turn.turned(solved.by, facing)
        if search.offer(turn, solved.directions):
            search.climb(turn, solved.directions)
        hit = search.hit(turn.matrix, solved.scale, solved.place, cell.regions)
        parts = (
            _parted(cell, hit[0], space.obstacles[hit[0]]) if hit
            else _halves(cell, program, space, stone)
        )  # fmt: skip
        for part in parts:
            add(part)
        if report:
            top = -heap[0][0] if heap else search.cut
            report(cells, (top / search.best.scale) ** 3 - 1 if search.best else math.inf)
    top = max(dropped, -heap[0][0] if heap else 0.0, search.best.scale if search.best else 0.0)
    return Found(search.best, stone.volume * top**3, cells)
