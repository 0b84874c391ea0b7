"""What no copy of a stone in a rough can exceed, wherever it lies and however it is turned: the proof of a plan.

It shares nothing with the search but the shapes. A copy is the set ``shift + scale * Q r`` of the stone's points r, Q a
rotation. What every valid copy obeys is kept, and no more: it lies in the convex hull of the rough's surface, the skin taken
off; under the saw's walls; it keeps off defects, or holds them; and it keeps off single corners of the true surface that lie
deep under the hull, each with the skin.

Over rotations and separating directions the bound is branch and bound. A cell is a box of table
directions and spins, with a square of separating directions for each body that matters. Its bound is a linear
program: the rotation Q = exp(w) Q0 is carried to first order in w, |w| bounded by the cell, and the most that this
leaves out is given away on every constraint; products of two unknowns are carried to first order about the cell's middle,
and the greatest remainder over the cell is given away. So a cell's bound is never too low, and comes near
the truth with the square of the cell's size (spatial branch and bound: Horst & Tuy, "Global
Optimization", 1996; rotation cells: Hartley & Kahl, IJCV 82, 64, 2009; both from memory).

Defects are parted from the stone in coarse cells of turns: a crack costs much, and a side of it with no room is dismissed for all
turns of the cell at once.
"""

import heapq
import itertools
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.transform import Rotation

from facetrace.common.errors import FacetraceError
from facetrace.placement.programs import EMPTY, least_cost
from facetrace.placement.shapes import WHOLE, Facing, Obstacle, Space, Stone, upright
from facetrace.solid.body import Floats

Ints = NDArray[np.int64]

# of a length in mm, or of the size: what linear programs leave to rounding
ROUNDING = 1e-7
# rows that a cell's programs hand on to one another
POOL = 300
# what of a square's remainder tells on the bound: it needs no division before turns are small
# (tried on cracks, crystals and hollows: from 0.001 to 0.03 alike, at 0.3 ten times the cells)
SQUARE_SHARE = 0.01
# but for squares wider than this, which tell little yet: they are divided before another body is parted
# (on crossing cracks 0.05 to 0.3 alike, 0.6 leaves half as much again)
WIDE_SQUARE = 0.3
# of the rough's size: copies that are smaller do not count
SMALLEST = 0.02
# cells of the first division: degrees, but no more of them than this share of all
FIRST_CELL, FIRST_SHARE = 20.0, 0.2
# planes of the hull that every cell sees; of all of them the number, and how many of those a cell finds broken it takes on at once
FEW_PLANES, MOST_PLANES, MORE_PLANES = (120, 40), 4000, 8
# a cell of larger turns, radians, is coarse
COARSE = 0.3
# turns of a larger cell are divided before defects are parted, radians, and before corners of the surface are: a crack costs
# much, and what dies early need not be divided (a crack through most of a pebble, 1500 cells: 0.2 leaves 133 %, 0.3 0.5 %; at 0.6 small bodies cost more)
PART_FROM, SURFACE_FROM = 0.3, 0.1
# corners of the surface that count: how many, and how deep under the hull they lie at the least, mm
POINTS, DEEP_MM = 300, 0.05
# between corners of a surface of fewer faces points are added, no farther apart than this share of its size
FEW_FACES, POINTS_APART = 1000, 0.12
# corners of a scan that are looked at for them
MOST_LOOKED = 10_000
# points of the outline of a cell, on each side of its square
SIDE_POINTS = 6
_STEPS = 2 * np.arange(SIDE_POINTS) / SIDE_POINTS - 1
OUTLINE = np.vstack([
    np.column_stack([x, y]) for x, y in (
        (_STEPS, -1 + 0 * _STEPS), (1 + 0 * _STEPS, _STEPS), (-_STEPS, 1 + 0 * _STEPS), (-1 + 0 * _STEPS, -_STEPS)
    )
])  # fmt: skip
# of a straight line of tilts as another frame has it, no less than its curvature: at most 1 by the first frame's sines
# and cosines, and half as much again by the second's
BEND = 3.0
# bodies that one cell parts
MOST_BODIES = 24
# nearer to its limit nothing counts as broken: of the stone's size, and of what the turns of a cell give away
BROKEN, BROKEN_SHARE = 2e-4, 0.5
# a spin tells so much less than a tilt
SPIN_WEIGHT = 0.7


@dataclass(frozen=True)
class Bound:
    """No valid copy has a larger volume, mm^3; how many cells of turns were bounded."""

    most_mm3: float
    cells: int


# ---- the room ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Room:
    """A space as cells see it, from a middle.

    planes (4, m): of a body around the hull and of walls, the skin taken off; few (k,), coarse: those that all cells see, and coarse ones. bodies: defects,
    then single corners of the surface from number *first* on; frames: of each an orthonormal basis, in columns, of its squares.
    between (n, n): how far the stone's corners are from one another.
    """

    planes: Floats
    few: Ints
    coarse: Ints
    low: Floats
    high: Floats
    bodies: tuple[Obstacle, ...]
    frames: tuple[Floats, ...]
    first: int
    between: Floats

    def seen_by(self, cell: "_Cell") -> Ints:
        """Numbers of the planes that a cell sees at the least."""
        return self.coarse if cell.angle > COARSE else self.few

    @cached_property
    def points(self) -> Floats:
        """(n, 3): the corners of the surface."""
        return np.vstack([np.zeros((0, 3)), *(b.points for b in self.bodies[self.first :])])


def _room_of(stone: Stone, space: Space) -> _Room:
    middle = (space.vertices.max(axis=0) + space.vertices.min(axis=0)) / 2
    seen = space.vertices - middle
    hull = _planes_around(seen)
    walls = np.vstack([space.walls[:3], space.walls[3] - middle @ space.walls[:3]])
    sawn = np.arange(hull.shape[1], hull.shape[1] + walls.shape[1])
    few, coarse = (np.concatenate([_apart(hull[:3], most), sawn]) for most in FEW_PLANES)
    planes = np.hstack([hull, walls])
    planes[3] -= space.skin_mm
    bodies, frames = [], []
    for body in space.obstacles:
        points = body.points if body.true_points is None else body.true_points
        bodies.append(replace(body, points=points - middle))
        axes = np.linalg.svd(points - points.mean(axis=0))[2] if len(points) > 1 else np.eye(3)
        frames.append(axes.T)
    first = len(bodies)
    for point, normal in zip(*_deep_points(seen, space.faces, hull), strict=True):
        bodies.append(Obstacle("surface", point[None], WHOLE, space.skin_mm))
        frames.append(upright(normal))
    corners = stone.parts[WHOLE]
    between = np.linalg.norm(corners[:, None] - corners[None], axis=2)
    return _Room(
        planes,
        few,
        coarse,
        seen.min(axis=0),
        seen.max(axis=0),
        tuple(bodies),
        tuple(frames),
        first,
        between,
    )


def _planes_around(points: Floats) -> Floats:
    """(4, m) planes that touch the convex hull of points (n, 3), at most MOST_PLANES: the hull, or a body around it."""
    some = points
    if len(points) > 4 * MOST_PLANES:
        # those foremost in directions over the sphere; the planes are moved out to all of them below
        towards = np.asarray(trimesh.creation.icosphere(subdivisions=3).vertices).T
        blocks = np.array_split(towards, 8, axis=1)
        some = points[np.unique(np.concatenate([(points @ b).argmax(axis=0) for b in blocks]))]
    equations = np.unique(ConvexHull(some).equations.round(9), axis=0)
    normals = equations[:, :3].T
    if normals.shape[1] > MOST_PLANES:
        normals = normals[:, _apart(normals, MOST_PLANES)]
    normals = normals / np.linalg.norm(normals, axis=0)
    offsets = np.max([(block @ normals).max(axis=0) for block in np.array_split(points, 1 + len(points) // 2000)], axis=0)  # fmt: skip
    return np.vstack([normals, offsets])


def _apart(normals: Floats, most: int) -> Ints:
    """Numbers of at most *most* of unit vectors (3, n), as far from one another as may be."""
    count = normals.shape[1]
    if count <= most:
        return np.arange(count)
    near = 2.0 / math.sqrt(most)
    while True:
        tree = cKDTree(normals.T)
        kept = _thinned_out(tree, np.arange(count), near)
        if len(kept) <= most:
            return kept
        near *= 1.15


def _thinned_out(tree: Any, order: Ints, gap: float) -> Ints:
    """Of points in that order those that lie no nearer than *gap* to one before."""
    free = np.ones(len(tree.data), dtype=bool)
    kept = []
    for k in order:
        if free[k]:
            kept.append(k)
            free[tree.query_ball_point(tree.data[k], gap)] = False
    return np.array(kept, dtype=np.int64)


def _deep_points(vertices: Floats, faces: Ints, hull: Floats) -> tuple[Floats, Floats]:
    """(points (n, 3), unit normals): of the surface, its corners where there are many, far from one another and deep under the hull, the deepest first."""
    if len(faces) < FEW_FACES:
        vertices, faces = trimesh.remesh.subdivide_to_size(
            vertices, faces, POINTS_APART * float(np.ptp(vertices, axis=0).max())
        )
    depth = np.full(len(vertices), np.inf)
    # not worth the time to look at every corner of a fine scan
    depth[np.arange(len(vertices)) % (1 + len(vertices) // MOST_LOOKED) > 0] = 0.0
    for block in np.array_split(np.arange(hull.shape[1]), 1 + hull.shape[1] // 100):
        left = depth > DEEP_MM
        under = hull[3, block] - vertices[left] @ hull[:3, block]
        depth[left] = np.minimum(depth[left], under.min(axis=1))
    deep = np.flatnonzero(depth > DEEP_MM)
    if not len(deep):
        return np.zeros((0, 3)), np.zeros((0, 3))
    t = vertices[faces]
    across = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    normals = np.column_stack([
        np.bincount(faces.ravel(), np.repeat(across[:, k], 3), len(vertices)) for k in range(3)
    ])[deep]  # fmt: skip
    length = np.linalg.norm(normals, axis=1)
    normals = np.where(length[:, None] > 0, normals / np.maximum(length, 1e-300)[:, None], [0.0, 0.0, 1.0])  # fmt: skip
    tree = cKDTree(vertices[deep])
    order = np.argsort(-depth[deep], kind="stable")
    gap = 0.02 * float(np.ptp(vertices, axis=0).max())
    while True:
        kept = _thinned_out(tree, order, gap)
        if len(kept) <= POINTS:
            return vertices[deep][kept], np.asarray(normals[kept], dtype=np.float64)
        gap *= 1.1


# ---- cells ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Turn:
    """Table tilted by the rotation vector (p, q, 0) in *frame*, and a spin about the table's normal; radians.

    gauge (3, 3): the turn of spin 0 at a table direction near by; there it is taken by the shortest way.
    """

    frame: Floats
    gauge: Floats
    p: float
    q: float
    spin: float

    @cached_property
    def towards(self) -> Floats:
        """Where the table faces, (3,)."""
        return np.asarray(self.frame @ _tilted(self.p, self.q)[:, 2])

    @cached_property
    def matrix(self) -> Floats:
        near = self.gauge.T @ self.towards
        return np.asarray(self.gauge @ upright(near) @ Rotation.from_rotvec([0, 0, self.spin]).as_matrix())  # fmt: skip

    @cached_property
    def theta(self) -> float:
        """The angle from the gauge's table direction to this one."""
        z = self.gauge.T @ self.towards
        return math.atan2(math.hypot(z[0], z[1]), z[2])


def _tilted(p: float, q: float) -> Floats:
    return np.asarray(Rotation.from_rotvec([p, q, 0.0]).as_matrix())


@dataclass(frozen=True)
class _Square:
    """Directions u = sign e_axis + (c + eta) over the other two axes of a basis, |eta| <= half: part of a cube's face."""

    axis: int
    sign: float
    c: tuple[float, float] = (0.0, 0.0)
    half: tuple[float, float] = (1.0, 1.0)

    @property
    def others(self) -> list[int]:
        return [k for k in range(3) if k != self.axis]

    @cached_property
    def middle(self) -> Floats:
        """(3,), in the basis."""
        u = np.zeros(3)
        u[self.axis] = self.sign
        u[self.others] = self.c
        return u

    @property
    def longest(self) -> float:
        """The greatest length of its directions."""
        return math.sqrt(1 + sum((abs(c) + h) ** 2 for c, h in zip(self.c, self.half, strict=True)))

    @property
    def shortest(self) -> float:
        """The least."""
        return math.sqrt(
            1 + sum(max(abs(c) - h, 0.0) ** 2 for c, h in zip(self.c, self.half, strict=True))
        )

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

    low, high (3,): where the middle of the stone can lie, in units of the stone; bound: no scale in it is larger; more:
    planes of the room that it sees besides the few.
    """

    turn: _Turn
    half: tuple[float, float, float]
    regions: _Regions
    low: Floats
    high: Floats
    bound: float = math.inf
    more: tuple[int, ...] = ()

    def allows(self, facing: Facing) -> bool:
        """Whether some of it is where the table may face."""
        near = math.hypot(*(
            max(abs(x) - h, 0.0) for x, h in ((self.turn.p, self.half[0]), (self.turn.q, self.half[1]))
        ))  # fmt: skip
        far = math.hypot(abs(self.turn.p) + self.half[0], abs(self.turn.q) + self.half[1])
        return near <= math.radians(facing.within_deg) and far >= math.radians(facing.least_deg)

    @cached_property
    def axes(self) -> Floats:
        """(3, 3), in columns: the axes of the turns away from the middle, the third where the table faces."""
        return np.asarray(self.turn.frame @ _tilted(self.turn.p, self.turn.q))

    @cached_property
    def tilts(self) -> tuple[float, float, float]:
        """How far the table tilts away from the middle, radians: about either axis, and in all.

        The outline of the cell, at points along its sides; between two of them a side bends off their line
        by no more than its curvature, less than BEND, allows.
        """
        turn, (h, k, _) = self.turn, self.half
        p, q = turn.p + h * OUTLINE[:, 0], turn.q + k * OUTLINE[:, 1]
        rho = np.hypot(p, q)
        share = np.sinc(rho / math.pi)
        seen = np.column_stack([share * q, -share * p, np.cos(rho)]) @ _tilted(turn.p, turn.q)
        angle = np.arctan2(np.hypot(seen[:, 0], seen[:, 1]), seen[:, 2])
        longer = angle / np.maximum(np.sin(angle), 1e-12)
        slack = BEND * (2 * max(h, k) / SIDE_POINTS) ** 2 / 8
        about = [float((np.abs(seen[:, i]) * longer).max()) + slack for i in (1, 0)]
        most = min(float(angle.max()) + slack, math.hypot(h, k))
        return min(about[0], most), min(about[1], most), most

    @cached_property
    def spin(self) -> float:
        """How far the stone spins away from the middle, radians.

        A rotation of the cell is one that tilts the table the short way after a spin: the spin is
        the cell's, and the area of the triangle on the sphere (holonomy), at most
        tan(theta / 2) times the tilt at theta from the gauge's table direction.
        """
        tilt = self.tilts[2]
        theta = min(self.turn.theta + tilt, 0.999 * math.pi)
        return min(self.half[2] + math.tan(theta / 2) * tilt, math.pi)

    @cached_property
    def angle(self) -> float:
        """The largest turn away from the middle of the cell, radians: of a spin and a tilt, about axes across one another."""
        return min(math.hypot(self.tilts[2], self.spin), math.pi)

    @cached_property
    def box(self) -> tuple[float, float, float]:
        """How large the parts of that turn's rotation vector can be along ``axes``, radians.

        Its direction is that of the vector of both turns' quaternion, where they stand by their half sines,
        and the tilt's axis is turned by half the spin.
        """
        half = self.angle / 2
        longer = half / math.sin(half) if half > 1e-9 else 1.0
        first, second, tilt = self.tilts
        aside = math.sin(min(self.spin, math.pi) / 2)
        most = longer * tilt
        parts = first + aside * second, second + aside * first, self.spin
        return (
            min(longer * parts[0], most, self.angle), min(longer * parts[1], most, self.angle),
            min(longer * parts[2], self.angle),
        )  # fmt: skip

    @property
    def wide(self) -> bool:
        """Whether a square is so wide that its directions say little yet."""
        return any(r is not None and max(r.half) > WIDE_SQUARE for r in self.regions.values())

    def split(self) -> "list[_Cell]":
        """Two halves of the orientations."""
        k = int(np.argmax([self.tilts[0], self.tilts[1], SPIN_WEIGHT * self.half[2]]))
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


def _first_cells(stone: Stone, facing: Facing, low: Floats, high: Floats, most: int) -> list[_Cell]:
    """Cells that cover the facing, of FIRST_CELL degrees, or larger ones lest there be more than *most*."""
    size = FIRST_CELL
    while True:
        found = list(_cells_of(stone, facing, low, high, size))
        if len(found) <= most or size > 60:
            return found
        size *= 1.15


def _cells_of(stone: Stone, facing: Facing, low: Floats, high: Floats, size: float) -> Iterator[_Cell]:  # fmt: skip
    within, turn = math.radians(facing.within_deg), 2 * math.pi / stone.folds
    n = max(1, math.ceil(2 * within / math.radians(size) - 1e-9))
    m = max(1, math.ceil(turn / math.radians(size) - 1e-9))
    half = (within / n, within / n, turn / m / 2)
    for frame, i, j in itertools.product(facing.frames(), range(n), range(n)):
        p, q = -within + (2 * i + 1) * half[0], -within + (2 * j + 1) * half[1]
        gauge = frame @ _tilted(p, q)
        for k in range(m):
            cell = _Cell(_Turn(frame, gauge, p, q, (2 * k + 1) * half[2]), half, {}, low, high)
            if cell.allows(facing):
                yield cell


# ---- the program of a cell --------------------------------------------------------------------


@dataclass(frozen=True)
class _Solved:
    """The best point of a cell's program: scale, place of the middle, turn. bound: no scale in the cell is larger."""

    bound: float
    scale: float
    place: Floats
    rotation: Floats


class _Program:
    """A cell's linear program, for scales from *least* to *most*.

    Unknowns: the inverse scale sigma, the place tau of the stone's middle in units of the stone, the
    turn omega along the cell's axes, eta of each square. Rows, for a plane n, d of the hull and a corner v:
    n . (v + omega x v + tau) <= d sigma; for a direction u, a corner v and a corner x of a body:
    u . (v + omega x v + tau - x sigma) <= - margin sigma.
    """

    def __init__(self, stone: Stone, room: _Room, cell: _Cell, least: float, most: float) -> None:
        self.stone, self.room, self.cell = stone, room, cell
        self.matrix = cell.turn.matrix
        self.axes = cell.axes
        self.squares = [k for k, region in cell.regions.items() if region is not None]
        self.lost = cell.angle**2 / 2
        box = [(1 / most, 1 / least), *zip(cell.low, cell.high, strict=True)]
        box += [(-most_turn, most_turn) for most_turn in cell.box]
        for k in self.squares:
            box += [(-half, half) for half in _square(cell, k).half]
        self.low, self.high = np.array(box).T.copy()
        rows, limits = zip(
            self._hull(room.planes[:, [*room.seen_by(cell), *cell.more]]),
            *(self._inside(stone, room.bodies[k]) for k, r in cell.regions.items() if r is None),
            strict=True,
        )
        self._rest = (
            self.lost, np.ascontiguousarray(self.axes), np.vstack(rows), np.concatenate(limits), *self._bodies(stone, room),
            np.zeros((POOL, len(box))), np.zeros(POOL), np.zeros(1, dtype=np.int64),
        )  # fmt: skip

    def _hull(self, planes: Floats) -> tuple[Floats, Floats]:
        """Rows of planes and of those corners that may be foremost somewhere in the cell."""
        normals = self.axes.T @ planes[:3]
        corners = self.stone.parts[WHOLE] @ (self.axes.T @ self.matrix).T
        reach = corners @ normals
        foremost = reach.argmax(axis=0)
        short = reach[foremost, np.arange(len(foremost))] - reach
        corner_of, plane_of = np.nonzero(short <= self.cell.angle * self.room.between[:, foremost])
        n, v = normals[:, plane_of].T, corners[corner_of]
        rows = np.empty((len(n), 7))
        rows[:, 0] = -planes[3, plane_of]
        rows[:, 1:4] = planes[:3, plane_of].T
        # n . (omega x v) = omega . (v x n)
        for k in range(3):
            i, j = (k + 1) % 3, (k + 2) % 3
            rows[:, 4 + k] = v[:, i] * n[:, j] - v[:, j] * n[:, i]
        return rows, self._losses(n, v, self.stone.far[WHOLE][corner_of]) - reach[
            corner_of, plane_of
        ]

    def _losses(self, n: Floats, v: Floats, far: Floats) -> Floats:
        """The most that the first order leaves out of n . exp(w) v, for normals and corners (m, 3) along the axes, far (m,) from the middle.

        To the second order it is w . A w / 2 with A = (n . v) 1 - (n v + v n) / 2, over the cell's box, and at most |w|^3 |v| / 6 more.
        """
        a, b, spin = self.cell.box
        tilt, angle = min(math.hypot(a, b), self.cell.angle), self.cell.angle
        each = n * v
        total = each.sum(axis=1)
        xx, yy, zz = total - each[:, 0], total - each[:, 1], total - each[:, 2]
        xy, xz, yz = (
            np.abs(n[:, i] * v[:, j] + n[:, j] * v[:, i]) / 2 for i, j in ((0, 1), (0, 2), (1, 2))
        )
        box = np.maximum(xx, 0) * a**2 + np.maximum(yy, 0) * b**2 + 2 * a * b * xy
        disc = tilt**2 * np.maximum((xx + yy) / 2 + np.hypot((xx - yy) / 2, xy), 0)
        across = np.minimum(box, disc) + spin**2 * np.maximum(zz, 0)
        second = (across + 2 * spin * np.minimum(a * xz + b * yz, tilt * np.hypot(xz, yz))) / 2
        return np.asarray(np.minimum(second + angle**3 / 6 * far, self.lost * far))

    def _inside(self, stone: Stone, body: Obstacle) -> tuple[Floats, Floats]:
        """Rows Q m . (x sigma - tau) <= e - margin sigma for each facet m, e and corner x of the body."""
        m = (self.matrix @ stone.planes[:3]).T
        low, high = self.low, self.high
        sigma, tau = (low[0] + high[0]) / 2, (low[1:4] + high[1:4]) / 2
        rows, limits = [], []
        for x in body.points:
            p = x * sigma - tau
            room = np.abs(x) * (high[0] - low[0]) / 2 + (high[1:4] - low[1:4]) / 2
            row = np.zeros((len(m), 7))
            row[:, 0] = m @ x + body.margin_mm
            row[:, 1:4] = -m
            row[:, 4:7] = np.cross(m, p[None]) @ self.axes
            # |omega . (m x dp)| over the box: the turn about each axis b, dp . (b x m)
            swing = sum(
                self.high[4 + k] * np.abs(np.cross(self.axes[:, k][None], m)) @ room
                for k in range(3)
            )
            far = np.linalg.norm(p) + np.linalg.norm(room)
            rows.append(row)
            limits.append(stone.planes[3] + self.lost * far + swing)
        return np.vstack(rows), np.concatenate(limits)

    def _bodies(self, stone: Stone, room: _Room) -> tuple[Any, ...]:
        """What the compiled code takes of the bodies that squares part from the stone."""
        bodies = [room.bodies[k] for k in self.squares]
        regions = [_square(self.cell, k) for k in self.squares]
        frames = [room.frames[k] for k in self.squares]
        edges = [f[:, r.others].T for f, r in zip(frames, regions, strict=True)]
        middles = [f @ r.middle for f, r in zip(frames, regions, strict=True)]
        corners, far, points = [np.zeros((0, 3))], [np.zeros(0)], [np.zeros((0, 3))]
        squares = np.zeros((len(bodies), 4), dtype=np.int64)
        for n, (body, region) in enumerate(zip(bodies, regions, strict=True)):
            turned = stone.parts[body.part] @ self.matrix.T
            swing = region.longest * self.cell.angle
            foremost = _may_be_foremost(turned, middles[n], edges[n], region.half, swing)
            nearest = _may_be_foremost(-body.points, middles[n], edges[n], region.half, 0.0)
            corners.append(turned[foremost])
            far.append(stone.far[body.part][foremost])
            points.append(body.points[nearest])
            squares[n, ::2] = squares[n - 1, 1::2] if n else 0
            squares[n, 1::2] = squares[n, ::2] + [len(corners[-1]), len(points[-1])]
        return (
            np.vstack(corners),
            np.concatenate(far),
            np.vstack(points),
            squares,
            np.array(edges).reshape(-1, 2, 3),
            np.array(middles).reshape(-1, 3),
            np.array([r.half for r in regions]).reshape(-1, 2),
            np.array([r.longest for r in regions]),
            np.array([b.margin_mm * r.shortest for b, r in zip(bodies, regions, strict=True)]),
        )

    def _least(self, cost: Floats, stop: float) -> tuple[Floats, float, int]:
        z, bound, state = least_cost(cost, self.low, self.high, stop, *self._rest)
        return z, float(bound), int(state)

    def solve(self, cut: float) -> _Solved | None:
        """The largest scale, None where nothing is left; not worked out where it is at most *cut*."""
        cost = np.zeros(len(self.low))
        cost[0] = 1.0
        z, bound, state = self._least(cost, 1 / cut if cut > 0 else math.inf)
        if state == EMPTY or bound <= 0:
            return None
        # where it was stopped it may lie off the box
        z = np.clip(z, self.low, self.high)
        rotation = Rotation.from_rotvec(self.axes @ z[4:7]).as_matrix() @ self.matrix
        return _Solved(1 / bound, 1 / z[0], z[1:4] / z[0], rotation)

    def narrow(self, bodies: tuple[int, ...]) -> bool:
        """Bring the box of tau and the squares of some bodies in as far as the rows allow; whether anything is left."""
        sides = [1, 2, 3]
        for n, k in enumerate(self.squares):
            if k in bodies:
                sides += [7 + 2 * n, 8 + 2 * n]
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

    def halves(self) -> list[tuple[_Cell, tuple[int, ...]]]:
        """The cell divided where the most is given away: the turn, as a rule, for it tells on every row."""
        cell = self.cell
        radius = self.stone.radius
        worst, given = -1, self.lost * radius
        room = (self.high[1:4] - self.low[1:4]) / 2 + radius * (cell.tilts[2] + cell.spin) / 2
        for k in self.squares:
            region = _square(cell, k)
            loss = sum(
                h * float(np.abs(self.room.frames[k][:, axis]) @ room)
                for axis, h in zip(region.others, region.half, strict=True)
            )
            if max(region.half) < WIDE_SQUARE:
                loss *= SQUARE_SHARE
            if loss > given:
                worst, given = k, loss
        if worst < 0:
            return [(part, ()) for part in cell.split()]
        parts = _square(cell, worst).split()
        return [(replace(cell, regions={**cell.regions, worst: part}), (worst,)) for part in parts]


def _may_be_foremost(
    points: Floats, middle: Floats, edges: Floats, half: tuple[float, float], swing: float
) -> Ints:
    """Numbers of those of points (n, 3) that may reach farther than one of them in some direction of a square.

    swing: by so much of the distance of two points a turn changes how much farther one reaches: |u . (R d - d)| <= |u| angle |d|.
    A bound stays one with any row left out; those of the others ask little that these do not.
    """
    short = points @ middle
    at = int(np.argmax(short))
    apart = points - points[at]
    reach = np.abs(apart @ edges.T) @ np.array(half) + swing * np.linalg.norm(apart, axis=1)
    return np.flatnonzero(short[at] - short <= reach)


def _square(cell: _Cell, k: int) -> _Square:
    region = cell.regions[k]
    assert region is not None
    return region


# ---- branch and bound -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Task:
    """What is asked: copies of scale *have* need no better bound than *cut*; those below *floor* are not wanted."""

    stone: Stone
    room: _Room
    cut: float
    floor: float
    upper: float

    def bounded(self, cell: _Cell, fresh: tuple[int, ...]) -> tuple[_Cell, _Solved, _Program] | None:  # fmt: skip
        """The cell with its bound; None where it holds nothing that is wanted."""
        most = min(cell.bound, self.upper)
        if most <= self.cut:
            return None
        program, solved = self.solved(cell, most)
        if solved is None:
            return None
        cell = program.cell
        if program.squares and solved.bound > self.cut:
            if not program.narrow(fresh or tuple(program.squares)):
                return None
            most = min(most, solved.bound)
            program, solved = self.solved(replace(program.narrowed, bound=most), most)
            if solved is None:
                return None
            cell = program.cell
        return replace(cell, bound=min(most, solved.bound * (1 + ROUNDING))), solved, program

    def solved(self, cell: _Cell, most: float) -> tuple[_Program, _Solved | None]:
        """The cell's program, with the planes that its best point breaks taken on until there are none."""
        for _ in range(3):
            program = _Program(self.stone, self.room, cell, self.floor, most)
            solved = program.solve(self.cut)
            if solved is None or solved.bound <= self.cut or cell.angle > COARSE or len(self.room.few) == self.room.planes.shape[1]:  # fmt: skip
                return program, solved
            planes = self.room.planes
            reach = (self.stone.parts[WHOLE] @ solved.rotation.T @ planes[:3]).max(axis=0)
            over = solved.scale * reach + solved.place @ planes[:3] - planes[3]
            over[[*self.room.few, *cell.more]] = -np.inf
            worst = np.argsort(-over)[:MORE_PLANES]
            new = worst[over[worst] > self.broken(cell, solved)].tolist()
            if not new:
                return program, solved
            cell = replace(cell, more=(*cell.more, *new))
        return program, solved

    def broken(self, cell: _Cell, solved: _Solved) -> float:
        """mm beyond which a limit counts as broken: less matters little against what the cell gives away."""
        size = solved.scale * self.stone.radius
        return size * max(BROKEN, BROKEN_SHARE * cell.angle**2 / 2)

    def hit(self, cell: _Cell, solved: _Solved) -> int | None:
        """The body that the best point of a cell breaks most, None where there is none."""
        if len(cell.regions) >= MOST_BODIES or cell.angle > PART_FROM:
            return None
        worst, deepest = None, self.broken(cell, solved)
        for k, body in enumerate(self.room.bodies[: self.room.first]):
            if k in cell.regions:
                continue
            depth = self.depth(k, body, solved)
            if depth > deepest:
                worst, deepest = k, depth
        if worst is not None or cell.angle > SURFACE_FROM or not len(self.room.points):
            return worst
        seen = (self.room.points - solved.place) @ solved.rotation
        gaps = (seen @ self.stone.planes[:3] - solved.scale * self.stone.planes[3]).max(axis=1)
        depths = self.room.bodies[-1].margin_mm - gaps
        for k in cell.regions:
            if k >= self.room.first:
                depths[k - self.room.first] = -np.inf
        at = int(np.argmax(depths))
        return self.room.first + at if depths[at] > deepest else None

    def depth(self, k: int, body: Obstacle, solved: _Solved) -> float:
        """How far a body is from being held or parted by the facets of the stone or its own axes, mm."""
        part = self.stone.parts[body.part]
        seen = (body.points - solved.place) @ solved.rotation
        if body.inside:
            out = (seen @ self.stone.planes[:3]).max(axis=0) - solved.scale * self.stone.planes[3]
            if out.max() <= -body.margin_mm:
                return -np.inf
        sides = self.stone.sides[body.part]
        axes = solved.rotation.T @ self.room.frames[k]
        tried = np.hstack([sides[:3], axes, -axes])
        gaps = (seen @ tried).min(axis=0) - solved.scale * (part @ tried).max(axis=0)
        return body.margin_mm - float(gaps.max())


def _parted(cell: _Cell, k: int, body: Obstacle) -> list[tuple[_Cell, tuple[int, ...]]]:
    """The cell divided by how a body and the stone come apart."""
    ways: list[_Square | None] = [_Square(axis, sign) for axis in range(3) for sign in (1.0, -1.0)]
    if body.inside:
        ways.append(_INSIDE)
    return [(replace(cell, regions={**cell.regions, k: way}), (k,)) for way in ways]


def bounded(
    stone: Stone, space: Space, facing: Facing, have_mm3: float, *, within: float = 0.005,
    most_cells: int = 2000, part: tuple[int, int] = (0, 1), until: float | None = None,
) -> Bound:  # fmt: skip
    """An upper bound of the volume of any copy of a stone that is valid in a space, its table facing where it may.

    have_mm3: the volume of a copy that is known, 0 without one; the work ends when nothing can be larger than that by more than the share
    *within*, or after *most_cells* cells, or at *until* (``time.time()``). part: (k, n), only the k-th of n shares of the turns: the
    bound of all is the largest of the shares'. The bound is at least have_mm3; without one it is 0 where no copy longer
    than SMALLEST of the rough fits. Raises FacetraceError where the cone is wider than a hemisphere.
    """
    if not 0 <= facing.least_deg <= facing.within_deg <= 90:
        raise FacetraceError(
            "the table's angles must be 0 to 90 degrees, the least at most the largest"
        )
    room = _room_of(stone, space)
    have = (have_mm3 / stone.volume) ** (1 / 3)
    longest = float(np.linalg.norm(room.high - room.low))
    upper = longest / float(np.ptp(stone.parts[WHOLE], axis=0).max())
    floor = max(have * (1 - ROUNDING), SMALLEST * upper)
    task = _Task(stone, room, max(have * (1 + within) ** (1 / 3), floor), floor, upper)
    first = _first_cells(stone, facing, room.low / floor, room.high / floor, int(FIRST_SHARE * most_cells * part[1]))  # fmt: skip
    top, cells = _largest_bound(task, first[part[0] :: part[1]], facing, most_cells, until)
    return Bound(max(have_mm3, stone.volume * top**3), cells)


def _largest_bound(
    task: _Task, first: list[_Cell], facing: Facing, most_cells: int, until: float | None
) -> tuple[float, int]:
    """(no scale in the first cells is larger, cells that were bounded)."""
    heap: list[tuple[float, int, _Cell, tuple[int, ...], _Solved | None, _Program | None]] = []
    order = itertools.count()
    for cell in first:
        heapq.heappush(heap, (-task.upper, next(order), cell, (), None, None))
    dropped, cells = 0.0, 0
    while heap and cells < most_cells and (until is None or time.time() < until):
        bound, _, cell, fresh, solved, program = heap[0]
        if -bound <= task.cut:
            break
        heapq.heappop(heap)
        if solved is None or program is None:
            parts = [(cell, fresh)]
        else:
            k = None if cell.wide else task.hit(cell, solved)
            parts = program.halves() if k is None else _parted(cell, k, task.room.bodies[k])
        for part, fresh in parts:
            if not part.allows(facing):
                continue
            cells += 1
            found = task.bounded(part, fresh)
            if found is None:
                # nothing as large as what is known, or as *floor*
                continue
            if found[0].bound <= task.cut:
                dropped = max(dropped, found[0].bound)
            else:
                heapq.heappush(
                    heap, (-found[0].bound, next(order), found[0], (), found[1], found[2])
                )
    return max(dropped, -heap[0][0] if heap else 0.0), cells
