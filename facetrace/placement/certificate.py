"""The certificate of a placed stone: whether it lies where it may, checked by code that the search does not use.

A convex stone, a closed surface of triangles, and bodies of true shape. Distances are certified: of each triangle and
body a direction is found in which a slab of that width parts it from the stone. The direction comes from the nearest
features, the width from the corners themselves, so that a poor direction can only make the distance too small.
Nothing here is shared with ``placement.search``; numpy and scipy only. Lengths in mm.
"""

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, QhullError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Wish = Literal["cut away", "inside", "under girdle", "anywhere", "hide"]

# mm, degrees, of a rotation's products, share of the volume: what rounding may take
TOLERANCE_MM, TOLERANCE_DEG, TOLERANCE_TURN, TOLERANCE_VOLUME = 1e-9, 1e-6, 1e-9, 1e-9
# a body thinner than this share of its size is flat; corners so near the top are the table's
FLAT, TABLE = 1e-9, 1e-6
# pairs of features, and numbers, that are looked at together
PAIRS, NUMBERS = 400_000, 2_000_000
# triangles that are looked at closely at once: the first time, and later
FIRST, BATCH = 32, 256
# edge pairs of each triangle whose common normal is tried, and halvings of an edge
NORMALS, HALVINGS = 3, 60
# steps of Newton's method for the nearest point of an ellipsoid
NEWTON = 40
# a winding number is whole to within this; a surface with a hole has others
WHOLE = 1e-3


def _unit(vectors: Floats) -> Floats:
    """Rows (n, 3) of length 1; those that have no direction are left out."""
    vectors = vectors[np.isfinite(vectors).all(axis=1)]
    length = np.linalg.norm(vectors, axis=1)
    good = np.isfinite(length) & (length > 1e-150)
    return np.asarray(vectors[good] / length[good][:, None])


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray((a * b).sum(axis=-1))


def _cross(a: Floats, b: Floats) -> Floats:
    """As numpy's, some times as fast."""
    (ax, ay, az), (bx, by, bz) = np.moveaxis(a, -1, 0), np.moveaxis(b, -1, 0)
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


# ---- shapes -----------------------------------------------------------------------------------


class Shape(Protocol):
    """A convex body of bounded size."""

    def support(self, directions: Floats) -> Floats:
        """How far it reaches along directions (n, 3) of length 1 from the origin, (n,)."""

    def towards(self, stone: "Polytope") -> Floats:
        """Directions (n, 3) from it to the stone, one of which parts them by their distance."""

    def moved(self, by: Floats) -> "Shape":
        """The same body elsewhere."""


@dataclass(frozen=True)
class Polytope:
    """The convex hull of corners (n, 3), which may lie in one plane."""

    corners: Floats

    @cached_property
    def _surface(self) -> tuple[Floats, Floats, Floats]:
        """(triangles (t, 3, 3), their normals (t, 3) outward, edges (e, 2, 3))."""
        middle = self.corners.mean(axis=0)
        sizes, axes = np.linalg.svd(self.corners - middle, full_matrices=False)[1:]
        if len(sizes) == 3 and sizes[2] > FLAT * sizes[0]:
            try:
                return _hull(self.corners)
            except QhullError:
                pass
        return _flat(self.corners, (self.corners - middle) @ axes[:2].T)

    @property
    def triangles(self) -> Floats:
        """(t, 3, 3): its surface; of a flat one the one side."""
        return self._surface[0]

    @property
    def normals(self) -> Floats:
        """(t, 3): of each triangle, outward."""
        return self._surface[1]

    @property
    def edges(self) -> Floats:
        """(e, 2, 3), without those between triangles of one plane."""
        return self._surface[2]

    @cached_property
    def facets(self) -> Floats:
        """(4, k): each plane once, normals and how far the corners reach along them."""
        normals = _unit(np.unique(self.normals.round(9), axis=0))
        return np.vstack([normals.T, self.support(normals)])

    def support(self, directions: Floats) -> Floats:
        """How far it reaches along directions (n, 3) of length 1 from the origin, (n,)."""
        step = max(1, NUMBERS // len(self.corners))
        blocks = [directions[k : k + step] for k in range(0, len(directions), step)]
        return np.concatenate([np.zeros(0), *((b @ self.corners.T).max(axis=1) for b in blocks)])

    def towards(self, stone: "Polytope") -> Floats:
        """Directions (n, 3) from it to the stone: normals of its faces and of nearest features."""
        step = _at_once(stone)
        parts = [self.triangles[k : k + step] for k in range(0, len(self.triangles), step)]
        found = [_directions(part, stone).reshape(-1, 3) for part in parts]
        return np.vstack([self.normals, *found])

    def moved(self, by: Floats) -> "Polytope":
        """The same body elsewhere."""
        return Polytope(self.corners + by)

    def under(self, plane: Floats) -> "Polytope | None":
        """What of it lies at normal . r <= offset of a plane (4,), None where nothing does."""
        beyond = self.corners @ plane[:3] - plane[3]
        if (beyond <= 0).all():
            return self
        a, b = self.edges[:, 0], self.edges[:, 1]
        x, y = a @ plane[:3] - plane[3], b @ plane[:3] - plane[3]
        crossed = x * y < 0
        share = (x[crossed] / (x[crossed] - y[crossed]))[:, None]
        left = np.vstack([
            self.corners[beyond <= 0], a[crossed] + share * (b[crossed] - a[crossed])
        ])  # fmt: skip
        return Polytope(left) if len(left) else None


def _hull(corners: Floats) -> tuple[Floats, Floats, Floats]:
    hull = ConvexHull(corners)
    normals = hull.equations[:, :3]
    a = np.repeat(np.arange(len(normals)), 3)
    b = hull.neighbors.ravel()
    # the edge across from each corner of a triangle lies between it and that neighbour
    pairs = hull.simplices[:, [[1, 2], [2, 0], [0, 1]]].reshape(-1, 2)
    sharp = (a < b) & (np.abs(normals[a] - normals[b]).max(axis=1) > 1e-12)
    return hull.points[hull.simplices], normals, hull.points[pairs[sharp]]


def _flat(corners: Floats, seen: Floats) -> tuple[Floats, Floats, Floats]:
    """Of corners in one plane, seen (n, 2) in it; those on one line make one thin triangle."""
    try:
        around = corners[ConvexHull(seen).vertices]
    except (QhullError, ValueError):
        ends = np.argsort(seen[:, 0])[[0, -1]]
        around = corners[[ends[0], ends[1], ends[1]]]
    fan = np.stack([np.broadcast_to(around[0], (len(around) - 2, 3)), around[1:-1], around[2:]], 1)
    edges = np.stack([around, np.roll(around, -1, axis=0)], axis=1)
    normals = _cross(fan[:, 1] - fan[:, 0], fan[:, 2] - fan[:, 0])
    aside = _cross(edges[:, 1] - edges[:, 0], normals.sum(axis=0))
    return fan, _unit(np.vstack([normals, -normals, aside])), edges


@dataclass(frozen=True)
class Planes:
    """All r with planes[:3].T @ r <= planes[3], (4, m), normals of length 1; it may be open."""

    planes: Floats

    def within(self, box: Polytope) -> Polytope | None:
        """What of it lies in a box, None where nothing does."""
        found: Polytope | None = box
        for plane in self.planes.T:
            found = found.under(plane) if found is not None else None
        return found

    def moved(self, by: Floats) -> "Planes":
        """The same body elsewhere."""
        return Planes(np.vstack([self.planes[:3], self.planes[3] + by @ self.planes[:3]]))


@dataclass(frozen=True)
class Ellipsoid:
    """centre (3,), axes (3, 3) of length 1 in columns, radii (3,)."""

    centre: Floats
    axes: Floats
    radii: Floats

    def support(self, directions: Floats) -> Floats:
        """How far it reaches along directions (n, 3) of length 1 from the origin, (n,)."""
        own = (directions @ self.axes) * self.radii
        return np.asarray(directions @ self.centre + np.linalg.norm(own, axis=1))

    def outward(self, points: Floats) -> Floats:
        """The normals (n, 3), of any length, where it is nearest to points (n, 3) outside it.

        The nearest point is y_i = r_i^2 q_i / (t + r_i^2) with the t that puts it on the surface: Eberly, Distance
        from a point to an ellipse, an ellipsoid, or a hyperellipsoid, 2013. Newton's steps come from one side.
        """
        own = (points - self.centre) @ self.axes
        square, reach = self.radii**2, self.radii * own
        t = (np.abs(reach) - square).max(axis=1)
        # of points deep inside there may be no number: they give no direction
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            for _ in range(NEWTON):
                share = reach / (t[:, None] + square)
                off = (share**2).sum(axis=1) - 1
                step = off / (2 * (share**2 / (t[:, None] + square)).sum(axis=1))
                t = t + np.where(np.isfinite(step), step, 0.0)
                if not (np.abs(step) > 1e-15 * (np.abs(t) + square.max())).any():
                    break
            normal = own / (t[:, None] + square)
        return np.where(np.isfinite(normal), normal, 0.0) @ self.axes.T

    def towards(self, stone: Polytope) -> Floats:
        """Directions (n, 3) from it to the stone, by the corners and edges of that."""
        along, _ = _nearest_on_edges(self.outward, stone.edges)
        return np.vstack([self.outward(stone.corners), along])

    def moved(self, by: Floats) -> "Ellipsoid":
        """The same body elsewhere."""
        return replace(self, centre=self.centre + by)


@dataclass(frozen=True)
class Disc:
    """A flat circle: centre (3,), normal (3,) of length 1."""

    centre: Floats
    normal: Floats
    radius: float

    def support(self, directions: Floats) -> Floats:
        """How far it reaches along directions (n, 3) of length 1 from the origin, (n,)."""
        flat = directions - np.outer(directions @ self.normal, self.normal)
        return np.asarray(directions @ self.centre + self.radius * np.linalg.norm(flat, axis=1))

    def _nearest(self, points: Floats) -> Floats:
        own = points - self.centre
        flat = own - np.outer(own @ self.normal, self.normal)
        length = np.linalg.norm(flat, axis=1)
        return np.asarray(
            self.centre + flat * (self.radius / np.maximum(length, self.radius))[:, None]
        )

    def outward(self, points: Floats) -> Floats:
        """From its nearest points to points (n, 3)."""
        return points - self._nearest(points)

    def towards(self, stone: Polytope) -> Floats:
        """Directions (n, 3) from it to the stone, by the corners and edges of that."""
        along, at = _nearest_on_edges(self.outward, stone.edges)
        # where an edge touches the rim, what is across both parts them
        rim = _cross(self.normal[None], at - self.centre)
        across = _cross(stone.edges[:, 1] - stone.edges[:, 0], rim)
        own = np.vstack([self.normal, -self.normal])
        return np.vstack([self.outward(stone.corners), along, across, -across, own])

    def moved(self, by: Floats) -> "Disc":
        """The same body elsewhere."""
        return replace(self, centre=self.centre + by)


class _Outward(Protocol):
    def __call__(self, points: Floats, /) -> Floats: ...


def _nearest_on_edges(outward: _Outward, edges: Floats) -> tuple[Floats, Floats]:
    """(directions (e, 3), points (e, 3)) where edges (e, 2, 3) are nearest to a convex body.

    Along an edge the distance from a convex body is convex: where its slope changes sign is found by halving.
    """
    start, along = edges[:, 0], edges[:, 1] - edges[:, 0]
    low, high = np.zeros(len(edges)), np.ones(len(edges))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        rises = _dot(outward(start + middle[:, None] * along), along) > 0
        low, high = np.where(rises, low, middle), np.where(rises, middle, high)
    points = start + ((low + high) / 2)[:, None] * along
    return outward(points), points


# ---- distances --------------------------------------------------------------------------------


def separation(stone: Polytope, shape: Shape) -> float:
    """The distance of a body from the stone, never too large; below 0 where they meet, about by how deep."""
    directions = _unit(np.vstack([-stone.normals, shape.towards(stone)]))
    return float((-stone.support(-directions) - shape.support(directions)).max())


def depth(stone: Polytope, shape: Shape) -> float:
    """How deep a body lies under the planes of the stone's facets; below 0 where it comes out."""
    # the least of a triangle's corners: what rounding took off it counts as gone
    reach = _dot(stone.triangles, stone.normals[:, None]).min(axis=1)
    return float((reach - shape.support(stone.normals)).min())


def _at_once(stone: Polytope) -> int:
    """Triangles whose features may be paired with the stone's at once."""
    most = max(len(stone.corners), 3 * len(stone.triangles), 3 * len(stone.edges))
    return max(1, PAIRS // most)


def _on_triangles(points: Floats, triangles: Floats) -> Floats:
    """The nearest points (..., 3) of triangles (..., 3, 3) to points (..., 3)."""
    a, b, c = triangles[..., 0, :], triangles[..., 1, :], triangles[..., 2, :]
    normal = _cross(b - a, c - a)
    square = _dot(normal, normal)
    safe = np.where(square > 0, square, 1.0)
    best = points - (_dot(points - a, normal) / safe)[..., None] * normal
    inside = square > 0
    least = np.full(inside.shape, np.inf)
    foot = best
    for p, q in ((a, b), (b, c), (c, a)):
        along = q - p
        inside = inside & (_dot(_cross(along, foot - p), normal) >= 0)
        length = _dot(along, along)
        share = _dot(points - p, along) / np.where(length > 0, length, 1.0)
        near = p + np.clip(share, 0, 1)[..., None] * along
        gap = _dot(points - near, points - near)
        best = np.where((gap < least)[..., None], near, best)
        least = np.minimum(gap, least)
    return np.asarray(np.where(inside[..., None], foot, best))


def _gaps(first: Floats, second: Floats) -> Floats:
    """The shortest vectors (..., 3) from segments (..., 2, 3) to others."""
    p, d = first[..., 0, :], first[..., 1, :] - first[..., 0, :]
    q, e = second[..., 0, :], second[..., 1, :] - second[..., 0, :]
    r = p - q
    dd, ee, de, dr, er = _dot(d, d), _dot(e, e), _dot(d, e), _dot(d, r), _dot(e, r)
    dd, ee = np.where(dd > 0, dd, 1.0), np.where(ee > 0, ee, 1.0)
    det = dd * ee - de * de
    askew = det > 1e-20 * dd * ee
    free = (de * er - dr * ee) / np.where(askew, det, 1.0)
    best = np.zeros_like(r)
    least = np.full(det.shape, np.inf)
    # both inner, then each end of the one with the other
    starts = [np.where(askew, np.clip(free, 0, 1), 0.0), np.zeros_like(det), np.ones_like(det)]
    for s in starts:
        t = np.clip((de * s + er) / ee, 0, 1)
        s = np.clip((de * t - dr) / dd, 0, 1)
        gap = t[..., None] * e - s[..., None] * d - r
        square = _dot(gap, gap)
        best = np.where((square < least)[..., None], gap, best)
        least = np.minimum(square, least)
    return best


def _least(vectors: Floats) -> Floats:
    """Of rows (m, n, 3) the shortest of each, (m, 3)."""
    return np.asarray(vectors[np.arange(len(vectors)), _dot(vectors, vectors).argmin(axis=1)])


def _directions(triangles: Floats, stone: Polytope) -> Floats:
    """Directions (m, n, 3) from triangles (m, 3, 3) to the stone; one parts the two by their distance, if it can be.

    Two convex bodies apart are nearest at a corner of one and a face of the other, or at two edges; where they touch
    they are parted by the plane of a face, or of an edge of each.
    """
    count = len(triangles)
    corners = stone.corners - _on_triangles(stone.corners[None], triangles[:, None])
    points = triangles.reshape(-1, 1, 3)
    faces = (_on_triangles(points, stone.triangles[None]) - points).reshape(count, -1, 3)
    sides = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 1, 2, 3)
    edges = _gaps(sides, stone.edges[None]).reshape(count, -1, 3)
    nearest = [_least(gaps)[:, None] for gaps in (corners, faces, edges)]
    few = min(NORMALS, edges.shape[1])
    order = np.argpartition(_dot(edges, edges), few - 1, axis=1)[:, :few]
    side, edge = np.divmod(order, len(stone.edges))
    own = sides.reshape(count, 3, 2, 3)[np.arange(count)[:, None], side]
    theirs = stone.edges[edge]
    across = _cross(own[:, :, 1] - own[:, :, 0], theirs[:, :, 1] - theirs[:, :, 0])
    flat = _cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])[:, None]
    return np.concatenate([*nearest, across, -across, flat, -flat], axis=1)


def _parted(triangles: Floats, stone: Polytope) -> Floats:
    """The distance of each triangle (m, 3, 3) from the stone, never too large, (m,); below 0 where they meet."""
    directions = _directions(triangles, stone)
    count, many = directions.shape[:2]
    length = np.linalg.norm(directions, axis=2)
    good = length > 1e-150
    flat = (directions / np.where(good, length, 1.0)[..., None]).reshape(-1, 3)
    reach = (flat.reshape(count, many, 3) @ triangles.transpose(0, 2, 1)).max(axis=2)
    gaps = -stone.support(-flat).reshape(count, many) - reach
    return np.asarray(np.where(good, gaps, -np.inf).max(axis=1))


def surface_distance(vertices: Floats, faces: Ints, stone: Polytope) -> float:
    """The distance of a surface from the stone, never too large; below 0 where a triangle of it meets the stone.

    All triangles are bounded from below by the planes of the facets, first with a ball about each, then by their
    corners; those whose bound does not settle it are paired with the stone feature by feature.
    """
    bound = _ball_bounds(vertices, faces, stone)
    lowest = vertices[faces[np.argsort(bound)[:FIRST]]]
    least = float(np.maximum(_plane_bounds(lowest, stone), _parted(lowest, stone)).min())
    # a bound of the facets holds for what is parted: no triangle beyond it can be nearer
    rest = np.flatnonzero(bound < least)
    tight = _plane_bounds(vertices[faces[rest]], stone)
    order = np.argsort(tight)
    rest, tight = rest[order], tight[order]
    step = min(BATCH, _at_once(stone))
    for k in range(0, len(rest), step):
        if tight[k] >= least or least < -TOLERANCE_MM:
            break
        some = slice(k, k + step)
        close = np.maximum(tight[some], _parted(vertices[faces[rest[some]]], stone))
        least = min(least, float(close.min()))
    return least


def _ball_bounds(vertices: Floats, faces: Ints, stone: Polytope) -> Floats:
    """Of each triangle how far a ball about it lies beyond one facet's plane at least, (m,)."""
    planes = stone.facets
    found = np.empty(len(faces))
    step = max(1, NUMBERS // planes.shape[1])
    for k in range(0, len(faces), step):
        a, b, c = (vertices[faces[k : k + step, j]] for j in range(3))
        middle = (a + b + c) / 3
        square = np.maximum.reduce([_dot(x - middle, x - middle) for x in (a, b, c)])
        beyond = (middle @ planes[:3] - planes[3]).max(axis=1)
        found[k : k + step] = beyond - np.sqrt(square)
    return found


def _plane_bounds(triangles: Floats, stone: Polytope) -> Floats:
    """Of each triangle (m, 3, 3) how far all of it lies beyond one facet's plane at least, (m,)."""
    planes = stone.facets
    found = np.empty(len(triangles))
    step = max(1, NUMBERS // (3 * planes.shape[1]))
    for k in range(0, len(triangles), step):
        beyond = triangles[k : k + step] @ planes[:3] - planes[3]
        found[k : k + step] = beyond.min(axis=1).max(axis=1)
    return found


def winding(point: Floats, vertices: Floats, faces: Ints) -> float:
    """How often a closed surface winds round a point: solid angles by van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30, 125, 1983."""
    total = 0.0
    for k in range(0, len(faces), NUMBERS // 30):
        a, b, c = (vertices[faces[k : k + NUMBERS // 30, j]] - point for j in range(3))
        la, lb, lc = (np.sqrt(_dot(x, x)) for x in (a, b, c))
        under = la * lb * lc + _dot(a, b) * lc + _dot(b, c) * la + _dot(c, a) * lb
        total += float(np.arctan2(_dot(a, _cross(b, c)), under).sum())
    return total / (2 * math.pi)


# ---- the certificate --------------------------------------------------------------------------


@dataclass(frozen=True)
class Flaw:
    """A defect of true shape, in one or more convex parts, in the rough's frame."""

    name: str
    shapes: tuple[Polytope | Planes | Ellipsoid | Disc, ...]
    wish: Wish
    margin_mm: float = 0.0


@dataclass(frozen=True)
class Cone:
    """Where the table may face: least_deg to within_deg off *direction*, or, if both, off its opposite."""

    direction: tuple[float, float, float] = (0.0, 0.0, 1.0)
    within_deg: float = 15.0
    least_deg: float = 0.0
    both: bool = False


@dataclass(frozen=True)
class Certificate:
    """What a check of a placed stone found. It holds where nothing is wrong.

    problems: one sentence each. surface_mm: the stone's least distance from the scan's surface; defects_mm: of each
    defect that has a say its distance from what it must keep off, or how deep it lies in the stone; lies: "off",
    "inside", "inside in part", "under girdle", "meets", "anywhere" or "hidden"; saw_mm: from the nearest saw plane, None
    without one; table_to_c_deg: 0 to 90; volume_mm3: the stone's own; triangles: of the scan, all of which were
    checked. Distances are below 0 where bodies meet, then about how deep; nan where they could not be measured.
    """

    problems: tuple[str, ...]
    surface_mm: float
    defects_mm: dict[str, float]
    lies: dict[str, str]
    saw_mm: float | None
    table_to_c_deg: float
    volume_mm3: float
    triangles: int
    seconds: float

    @property
    def ok(self) -> bool:
        """Whether nothing is wrong."""
        return not self.problems


@dataclass(frozen=True)
class _Placed:
    """The stone about its own middle: whole, its part above the girdle, what of it is beneath the table.

    box: about all of the stone and the scan, and *room* mm farther.
    """

    whole: Polytope
    crown: Polytope | None
    column: Polytope | None
    box: Polytope
    room: float


def certify(
    corners: ArrayLike, scale: float, rotation: ArrayLike, shift: ArrayLike,
    vertices: ArrayLike, faces: ArrayLike, *, volume_mm3: float, skin_mm: float = 0.0,
    flaws: Sequence[Flaw] = (), saw: ArrayLike | None = None, saw_mm: float = 0.0,
    cone: Cone | None = None, polygons: Sequence[ArrayLike] | None = None,
) -> Certificate:  # fmt: skip
    """Check a stone whose point r lies at ``shift + scale * rotation @ r`` in a rough.

    corners (n, 3): the stone's, in its design's frame: girdle at z = 0, table up; of a heart its hull counts.
    vertices (m, 3), faces (k, 3): the scan, counter-clockwise seen from outside, c along +z, mm. saw (4, w): planes
    that the stone lies under by saw_mm. volume_mm3: what is claimed; polygons: the stone's own facets, numbers of
    corners in order, counter-clockwise seen from outside; without them its hull's volume counts.
    """
    start = time.perf_counter()
    own, matrix, at = (np.asarray(x, dtype=np.float64) for x in (corners, rotation, shift))
    surface, triangles = np.asarray(vertices, dtype=np.float64), np.asarray(faces, dtype=np.int64)
    walls = np.zeros((4, 0)) if saw is None else np.asarray(saw, dtype=np.float64)
    numbers = (own, matrix, at, surface, walls, np.array([scale, volume_mm3, skin_mm, saw_mm]))
    if not all(np.isfinite(x).all() for x in numbers) or not scale > 0 or len(own) < 4:
        said = "The stone's place holds a number that is not finite, or its scale is not above 0."
        nan = math.nan
        return Certificate((said,), nan, {}, {}, None, nan, nan, len(triangles), 0.0)
    problems = _turn_problems(matrix)
    table, off_cone = _table(matrix, cone)
    volume, off_volume = _volume(own, scale, polygons, volume_mm3)
    problems += [*off_cone, *off_volume]
    # about the stone's middle: far from the origin numbers lose digits
    placed = at + scale * own @ matrix.T
    middle = placed.mean(axis=0)
    stone = _placed(own, scale, matrix, at - middle, surface - middle)
    near = surface_distance(surface - middle, triangles, stone.whole)
    problems += _surface_problems(near, skin_mm, winding(np.zeros(3), surface - middle, triangles))
    from_saw = None
    if walls.shape[1]:
        from_saw = float((walls[3] - middle @ walls[:3] - stone.whole.support(walls[:3].T)).min())
        if from_saw < saw_mm - TOLERANCE_MM:
            problems.append(
                f"The stone comes over a saw cut's plane by {_mm(-from_saw)}." if from_saw < 0
                else f"The stone lies only {_mm(from_saw, saw_mm)} under a saw cut; {_mm(saw_mm)} is asked."
            )  # fmt: skip
    found: dict[str, float] = {}
    lies: dict[str, str] = {}
    for flaw in flaws:
        _judge(flaw, stone, middle, found, lies, problems)
    seconds = time.perf_counter() - start
    return Certificate(
        tuple(problems), near, found, lies, from_saw, table, volume, len(triangles), seconds
    )


def _mm(found: float, asked: float | None = None) -> str:
    """A length in words, with as many digits as tell it from what was asked."""
    close = asked is not None and abs(found - asked) < 0.01
    return f"{found:.9f} mm" if close and found != asked else f"{found:.2f} mm"


def _turn_problems(matrix: Floats) -> list[str]:
    off = float(np.abs(matrix.T @ matrix - np.eye(3)).max())
    if off > TOLERANCE_TURN:
        return [f"The stone's turn is no rotation: its axes are off by {off:.2g}."]
    if np.linalg.det(matrix) < 0:
        return ["The stone's turn is no rotation: it mirrors the stone."]
    return []


def _table(matrix: Floats, cone: Cone | None) -> tuple[float, list[str]]:
    """(degrees of the table's normal from c, problems)."""
    up = matrix[:, 2]

    def degrees(direction: Floats) -> float:
        across = float(np.linalg.norm(_cross(direction, up)))
        return math.degrees(math.atan2(across, float(direction @ up)))

    c = degrees(np.array([0.0, 0.0, 1.0]))
    if cone is None:
        return min(c, 180 - c), []
    off = degrees(np.array(cone.direction))
    if cone.both:
        off = min(off, 180 - off)
    low, high = cone.least_deg - TOLERANCE_DEG, cone.within_deg + TOLERANCE_DEG
    said = [
        f"The table faces {off:.6g} degrees off; {cone.least_deg:g} to {cone.within_deg:g} degrees are asked."
    ]
    return min(c, 180 - c), [] if low <= off <= high else said


def _volume(
    own: Floats, scale: float, polygons: Sequence[ArrayLike] | None, claimed: float
) -> tuple[float, list[str]]:
    """The stone's volume by the divergence theorem, about its middle."""
    middle = own.mean(axis=0)
    if polygons is None:
        hull = Polytope(own - middle)
        t, normals = hull.triangles, hull.normals[: len(hull.triangles)]
        out = _cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        six = float(np.abs(_dot(out, t[:, 0]) * np.sign(_dot(out, normals))).sum())
    else:
        rings = [own[np.asarray(p, dtype=np.int64)] - middle for p in polygons]
        six = sum(
            float(_dot(_cross(ring[1:-1], ring[2:]), ring[0]).sum()) for ring in rings
        )  # fmt: skip
    volume = float(six / 6 * scale**3)
    if abs(volume - claimed) <= TOLERANCE_VOLUME * abs(volume):
        return volume, []
    return volume, [f"The stone's volume is {volume:.9g} mm3, not {claimed:.9g} mm3."]


def _placed(own: Floats, scale: float, matrix: Floats, at: Floats, surface: Floats) -> _Placed:
    """The stone in the rough and its parts. Parts are cut in the design's frame."""
    hull = Polytope(own)
    crown = hull.under(np.array([0.0, 0.0, -1.0, 0.0]))
    top = own[:, 2].max()
    table = own[own[:, 2] >= top - TABLE * np.ptp(own, axis=0).max(), :2]
    column: Polytope | None = None
    try:
        sides = ConvexHull(table).equations if len(table) >= 3 else np.zeros((0, 3))
    except QhullError:
        sides = np.zeros((0, 3))
    if len(sides):
        column = hull
        for x, y, offset in sides:
            column = column.under(np.array([x, y, 0.0, -offset])) if column is not None else None

    def there(part: Polytope | None) -> Polytope | None:
        return Polytope(at + scale * part.corners @ matrix.T) if part is not None else None

    whole = Polytope(at + scale * own @ matrix.T)
    every = np.vstack([surface, whole.corners])
    # a body that is open is cut to a box; what is left out is farther off than the rough is wide
    room = float(np.ptp(every, axis=0).max())
    low, high = every.min(axis=0) - room, every.max(axis=0) + room
    grid = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)])
    return _Placed(whole, there(crown), there(column), Polytope(low + grid * (high - low)), room)


def _surface_problems(near: float, skin_mm: float, around: float) -> list[str]:
    """What is wrong with the distance from the surface, which winds so often *around* a point of the stone.

    One point is enough: where no triangle meets the stone, the surface winds equally often round all its points,
    since the number changes only where one crosses the surface.
    """
    if abs(around - round(around)) > WHOLE:
        return [f"The scan's surface is not closed: it winds {around:.3f} times round the stone."]
    if near < -TOLERANCE_MM:
        return [f"The scan's surface reaches into the stone, by {_mm(-near, 0.0)}."]
    if round(around) < 1:
        return [f"The stone lies outside the scan, {_mm(near)} from its surface."]
    if near < skin_mm - TOLERANCE_MM:
        return [
            f"The stone lies only {_mm(near, skin_mm)} under the scan's surface; {_mm(skin_mm)} is asked."
        ]
    return []


def _off(part: Polytope | None, shape: Shape | None, room: float) -> float:
    """The distance of a body from a part of the stone, no more than *room*."""
    return room if part is None or shape is None else min(room, separation(part, shape))


def _judge(
    flaw: Flaw, stone: _Placed, middle: Floats,
    found: dict[str, float], lies: dict[str, str], problems: list[str],
) -> None:  # fmt: skip
    """Put down how a defect lies."""
    if flaw.wish in ("anywhere", "hide"):
        lies[flaw.name] = "anywhere" if flaw.wish == "anywhere" else "hidden"
        return
    least = flaw.margin_mm - TOLERANCE_MM
    values, kinds = [], []
    for given in flaw.shapes:
        there = given.moved(-middle)
        shape = there.within(stone.box) if isinstance(there, Planes) else there
        value, kind = _off(stone.whole, shape, stone.room), "off"
        if value < least and shape is not None:
            if flaw.wish == "inside":
                value, kind = max((value, "off"), (depth(stone.whole, shape), "inside"))
            elif flaw.wish == "under girdle":
                parts = (stone.crown, stone.column)
                value, kind = min(_off(p, shape, stone.room) for p in parts), "under girdle"
        values.append(value)
        kinds.append(kind)
    if not values:
        problems.append(f"'{flaw.name}' has no shape.")
        return
    worst = int(np.argmin(values))
    found[flaw.name] = values[worst]
    if values[worst] < least:
        problems.append(_flaw_words(flaw, values[worst], kinds[worst]))
    if values[worst] < -TOLERANCE_MM:
        lies[flaw.name] = "meets"
    elif "inside" in kinds and "off" in kinds:
        lies[flaw.name] = "inside in part"
    else:
        lies[flaw.name] = "under girdle" if "under girdle" in kinds else kinds[0]


def _flaw_words(flaw: Flaw, value: float, kind: str) -> str:
    asked = f"{_mm(flaw.margin_mm)} is asked"
    if flaw.wish == "cut away":
        if value < 0:
            return f"'{flaw.name}' is not cut away: it lies {_mm(-value, 0.0)} in the stone."
        return f"'{flaw.name}' lies only {_mm(value, flaw.margin_mm)} off the stone; {asked}."
    if flaw.wish == "inside":
        if value < 0:
            return f"'{flaw.name}' comes out of the stone: {_mm(-value, 0.0)} short of inside or off; {asked}."
        where = "under the stone's surface" if kind == "inside" else "off the stone"
        return f"'{flaw.name}' lies only {_mm(value, flaw.margin_mm)} {where}; {asked}."
    if value < 0:
        return f"'{flaw.name}' reaches {_mm(-value, 0.0)} above the girdle or under the table; {asked}."
    return f"'{flaw.name}' lies only {_mm(value, flaw.margin_mm)} off what is above the girdle or under the table; {asked}."
