"""True distances between triangles and a convex stone, by brute force: numpy only, nothing of the planner's.

Two bodies that do not meet are nearest at a corner of one and a face of the other, or at two edges.
Triangles are (n, 3, 3), points (n, 3), segments two arrays (n, 3); lengths in mm.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# pairs that are compared at once
CHUNK = 200_000
# normals of one flat facet differ by no more (a stone from a file of 32-bit numbers)
FLAT = 1e-4


@dataclass(frozen=True)
class Convex:
    """A convex polytope: corners (n, 3), normals (m, 3) and offsets (m,) of its planes, triangles, edges (k, 2, 3)."""

    corners: Floats
    normals: Floats
    offsets: Floats
    triangles: Floats
    edges: Floats
    volume: float


def convex(points: Floats) -> Convex:
    """The convex hull of points; edges between triangles of one flat facet are left out."""
    hull = ConvexHull(points)
    normals = hull.equations[:, :3]
    pairs: dict[tuple[int, int], list[int]] = {}
    for k, (a, b, c) in enumerate(hull.simplices):
        for i, j in ((a, b), (b, c), (c, a)):
            pairs.setdefault((min(i, j), max(i, j)), []).append(k)
    sharp = [
        e for e, of in pairs.items() if np.linalg.norm(normals[of[0]] - normals[of[-1]]) > FLAT
    ]
    planes = np.unique(hull.equations.round(12), axis=0)
    return Convex(
        hull.points[hull.vertices],
        planes[:, :3],
        -planes[:, 3],
        hull.points[hull.simplices],
        hull.points[np.array(sharp)],
        float(hull.volume),
    )


def on_triangles(points: Floats, triangles: Floats) -> Floats:
    """Of each point the nearest point of the triangle of the same row, (n, 3)."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    square = np.einsum("ij,ij->i", normal, normal)
    square = np.where(square > 0, square, 1.0)
    foot = points - (np.einsum("ij,ij->i", points - a, normal) / square)[:, None] * normal
    inside = square > 0
    best, least = foot, np.full(len(points), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        side = np.einsum("ij,ij->i", np.cross(q - p, foot - p), normal)
        inside = inside & (side >= 0)
        along = q - p
        length = np.einsum("ij,ij->i", along, along)
        share = np.einsum("ij,ij->i", points - p, along) / np.where(length > 0, length, 1.0)
        near = p + np.clip(share, 0, 1)[:, None] * along
        gap = np.einsum("ij,ij->i", points - near, points - near)
        closer = gap < least
        least = np.where(closer, gap, least)
        best = np.where(closer[:, None], near, best)
    return np.asarray(np.where(inside[:, None], foot, best))


def on_segments(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """The nearest points of two segments (n, 2, 3) of the same row (Ericson, Real-Time Collision Detection, 5.1.9)."""
    p, d = first[:, 0], first[:, 1] - first[:, 0]
    q, e = second[:, 0], second[:, 1] - second[:, 0]
    r = p - q
    a, f_ = np.einsum("ij,ij->i", d, d), np.einsum("ij,ij->i", e, e)
    c, f, b = (np.einsum("ij,ij->i", x, y) for x, y in ((d, r), (e, r), (d, e)))
    det = a * f_ - b * b
    s = np.clip(np.where(det > 1e-14 * a * f_, (b * f - c * f_) / np.where(det > 0, det, 1), 0), 0, 1)  # fmt: skip
    t = (b * s + f) / f_
    s = np.where(t < 0, np.clip(-c / a, 0, 1), np.where(t > 1, np.clip((b - c) / a, 0, 1), s))
    t = np.clip(t, 0, 1)
    return p + s[:, None] * d, q + t[:, None] * e


def _pairs(n: int, m: int) -> Iterator[tuple[Ints, Ints]]:
    """Numbers of all n x m pairs, in portions."""
    step = max(1, CHUNK // max(m, 1))
    for start in range(0, n, step):
        i, j = np.meshgrid(np.arange(start, min(n, start + step)), np.arange(m), indexing="ij")
        yield i.ravel(), j.ravel()


def _apart(first: Floats, second: Floats, i: Ints, j: Ints, within: float) -> Bools:
    """Whether balls about parts (n, k, 3) and (m, k, 3) leave a pair farther apart than *within*."""
    a, b = first.mean(axis=1), second.mean(axis=1)
    ra = np.linalg.norm(first - a[:, None], axis=2).max(axis=1)
    rb = np.linalg.norm(second - b[:, None], axis=2).max(axis=1)
    gap = a[i] - b[j]
    return np.asarray(np.einsum("ij,ij->i", gap, gap) > (within + ra[i] + rb[j]) ** 2)


def edges_of(triangles: Floats) -> Floats:
    """Each side of triangles once, (k, 2, 3)."""
    sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    a, b = sides[:, 0].T, sides[:, 1].T
    later = (a[1] > b[1]) | ((a[1] == b[1]) & (a[2] > b[2]))
    swap = (a[0] > b[0]) | ((a[0] == b[0]) & later)
    sides[swap] = sides[swap][:, ::-1]
    return np.asarray(np.unique(sides.reshape(-1, 6), axis=0).reshape(-1, 2, 3))


def nearest_pairs(triangles: Floats, stone: Convex, within: float) -> tuple[Floats, Floats]:
    """Pairs (on the triangles, on the stone) of nearest points of their features, no farther than *within*.

    The least of them is the distance where the two do not cross and none is inside the other.
    """
    ours, theirs = [np.zeros((0, 3))], [np.zeros((0, 3))]

    def keep(on_ours: Floats, on_theirs: Floats) -> None:
        gap = on_ours - on_theirs
        near = np.einsum("ij,ij->i", gap, gap) <= within * within
        ours.append(on_ours[near])
        theirs.append(on_theirs[near])

    points = np.unique(triangles.reshape(-1, 3), axis=0)
    for i, j in _pairs(len(points), len(stone.triangles)):
        ok = ~_apart(points[:, None], stone.triangles, i, j, within)
        p = points[i[ok]]
        keep(p, on_triangles(p, stone.triangles[j[ok]]))
    for i, j in _pairs(len(triangles), len(stone.corners)):
        ok = ~_apart(triangles, stone.corners[:, None], i, j, within)
        v = stone.corners[j[ok]]
        keep(on_triangles(v, triangles[i[ok]]), v)
    sides = edges_of(triangles)
    for i, j in _pairs(len(sides), len(stone.edges)):
        ok = ~_apart(sides, stone.edges, i, j, within)
        keep(*on_segments(sides[i[ok]], stone.edges[j[ok]]))
    return np.concatenate(ours), np.concatenate(theirs)


def parted(triangles: Floats, stone: Convex) -> Floats:
    """How far one plane of the stone parts each triangle from it, (n,): below 0 where none does."""
    found = np.full(len(triangles), -np.inf)
    for part in np.array_split(np.arange(len(triangles)), max(1, len(triangles) // 4000)):
        beyond = triangles[part] @ stone.normals.T - stone.offsets
        found[part] = beyond.min(axis=1).max(axis=1)
    return found


def crosses(triangles: Floats, stone: Convex) -> Bools:
    """Which triangles meet the stone, (n,): a side of one passes through the stone, or an edge of it through one."""
    found = np.zeros(len(triangles), dtype=bool)
    for k in np.flatnonzero(parted(triangles, stone) < 0):
        # what the stone's planes leave of a triangle, plane by plane
        shape = triangles[k]
        for normal, offset in zip(stone.normals, stone.offsets, strict=True):
            shape = _below(shape, shape @ normal - offset)
            if not len(shape):
                break
        found[k] = len(shape) > 0
    return found


def _below(shape: Floats, beyond: Floats) -> Floats:
    """What of a polygon (n, 3) lies where *beyond* (n,) is below 0 (Sutherland & Hodgman, 1974)."""
    if (beyond < 0).all():
        return shape
    kept = []
    for k in range(len(shape)):
        here, there = beyond[k - 1], beyond[k]
        if (here < 0) != (there < 0):
            kept.append(shape[k - 1] + here / (here - there) * (shape[k] - shape[k - 1]))
        if there < 0:
            kept.append(shape[k])
    return np.array(kept).reshape(-1, 3)


def windings(points: Floats, triangles: Floats) -> Floats:
    """How often a closed surface winds round each point, (n,) (van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30, 125, 1983)."""
    found = []
    for point in points:
        a, b, c = (triangles[:, k] - point for k in range(3))
        la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
        det = np.einsum("ij,ij->i", a, np.cross(b, c))
        under = la * lb * lc + sum(
            np.einsum("ij,ij->i", x, y) * z for x, y, z in ((a, b, lc), (b, c, la), (c, a, lb))
        )
        found.append(2 * np.arctan2(det, under).sum() / (4 * np.pi))
    return np.array(found)


def ellipsoid_rotation(tilt: float, azimuth: float, turn: float) -> Floats:
    """Columns: an ellipsoid's three axes; the third lies *tilt* off z towards *azimuth*, the body turned about it (degrees)."""

    def about(axis: int, degrees: float) -> Floats:
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        if axis == 2:
            return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])

    return np.asarray(about(2, azimuth) @ about(1, tilt) @ about(2, turn - azimuth))
