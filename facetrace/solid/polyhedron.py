"""A convex solid from half-spaces, with its facets, corners and edges (Qhull through scipy)."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, QhullError, cKDTree

from facetrace.common.errors import FacetraceError
from facetrace.design.model import MOST_FACETS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# corners nearer than this share of the stone's size are one corner
SAME_CORNER = 1e-7
# a solid that is thinner than this share of its size is flat
FLAT = 1e-9
# of a stone and of the blank about it
MOST_PLANES = 2 * MOST_FACETS


class SolidError(FacetraceError):
    """Planes that do not bound a solid."""


@dataclass(frozen=True)
class Solid:
    """A convex polyhedron {r : normals r <= offsets}, millimetres.

    names, normals (n, 3) unit and outward, offsets (n,): its facets; vertices (m, 3);
    polygons: for each facet its corners' numbers, counter-clockwise seen from outside;
    missing: names of planes that leave no facet on the solid.
    """

    names: tuple[str, ...]
    normals: Floats
    offsets: Floats
    vertices: Floats
    polygons: tuple[Ints, ...]
    missing: tuple[str, ...] = ()

    @staticmethod
    def from_planes(
        normals: ArrayLike, offsets: ArrayLike, names: Sequence[str] | None = None
    ) -> "Solid":
        """Intersection of the half-spaces normals[i] . r <= offsets[i].

        normals (n, 3), of any length but 0; offsets (n,) in the same unit. Raises
        SolidError when the planes leave nothing, something flat, or something unbounded.
        """
        n, d = _checked(normals, offsets)
        names = (
            tuple(names) if names is not None else tuple(f"facet {i + 1}" for i in range(len(d)))
        )
        if len(names) != len(d):
            raise SolidError(f"{len(names)} names for {len(d)} planes")
        centre = _inner_point(n, d)
        corners, owners = _corners(n, d, centre)
        extents = np.linalg.svd(corners - corners.mean(axis=0), compute_uv=False)
        if extents[-1] <= FLAT * extents[0]:
            raise SolidError("the planes leave nothing of the stone (empty or flat)")
        # all places where a corner is on a plane, plane by plane
        counts = [len(owner) for owner in owners]
        corner = np.repeat(np.arange(len(owners)), counts)
        plane = np.fromiter(itertools.chain.from_iterable(owners), np.int64, len(corner))
        met = np.bincount(plane, minlength=len(d)) >= 3
        kept = np.flatnonzero(met)
        polygons = _ordered(corners, corner[met[plane]], plane[met[plane]], n)
        return Solid(
            tuple(names[i] for i in kept), n[kept], d[kept], corners, tuple(polygons),
            tuple(names[i] for i in np.flatnonzero(~met)),
        )  # fmt: skip

    @cached_property
    def planes(self) -> Floats:
        """(4, n) rows nx, ny, nz, offset: what the kernel takes."""
        return np.ascontiguousarray(np.vstack([self.normals.T, self.offsets]))

    @property
    def columns(self) -> tuple[str | None, ...]:
        """Names of the facets of ``planes``; None for a wall between two lobes."""
        return self.names

    @property
    def split(self) -> int | None:
        """How many columns of ``planes`` bound the first of two lobes; None where there is one."""
        return None

    @property
    def parts(self) -> tuple["Solid", ...]:
        """The convex solids that it is made of."""
        return (self,)

    def scaled(self, factor: float) -> "Solid":
        """The same shape with all lengths times *factor*."""
        return replace(self, offsets=self.offsets * factor, vertices=self.vertices * factor)

    @cached_property
    def areas(self) -> Floats:
        """Area of each facet in mm^2, (n,)."""
        sizes = np.array([len(p) for p in self.polygons])
        starts, ring = np.cumsum(sizes) - sizes, np.concatenate(self.polygons)
        following = np.arange(1, len(ring) + 1)
        following[starts + sizes - 1] = starts
        points = self.vertices[ring] - np.repeat(self.vertices[ring[starts]], sizes, axis=0)
        x, y, z = points.T
        u, v, w = points[following].T
        cross = np.column_stack([y * w - z * v, z * u - x * w, x * v - y * u])
        return np.asarray(0.5 * np.linalg.norm(np.add.reduceat(cross, starts), axis=1))

    @property
    def face_mm2(self) -> float:
        """Area seen from straight above, of a stone none of whose facets hides another from there."""
        return float(np.sum(self.areas * np.maximum(self.normals[:, 2], 0.0)))

    @cached_property
    def volume(self) -> float:
        """mm^3, by the divergence theorem over the facets."""
        apex = self.vertices.mean(axis=0)
        return float(np.sum(self.areas * (self.offsets - self.normals @ apex)) / 3)

    @cached_property
    def corners(self) -> dict[str, frozenset[int]]:
        """Numbers of the corners of the facets of each name."""
        found: dict[str, frozenset[int]] = {}
        for name, polygon in zip(self.names, self.polygons, strict=True):
            found[name] = found.get(name, frozenset()) | frozenset(polygon.tolist())
        return found

    @cached_property
    def owners(self) -> tuple[frozenset[str], ...]:
        """Names of the facets through each corner."""
        found: list[set[str]] = [set() for _ in self.vertices]
        for name, corners in self.corners.items():
            for corner in corners:
                found[corner].add(name)
        return tuple(frozenset(f) for f in found)

    @cached_property
    def adjacency(self) -> tuple[tuple[int, ...], ...]:
        """For each facet the facets with which it shares an edge."""
        edges: dict[tuple[int, int], int] = {}
        for i, polygon in enumerate(self.polygons):
            for a, b in zip(polygon, np.roll(polygon, -1), strict=True):
                edges[int(a), int(b)] = i
        near: list[set[int]] = [set() for _ in self.polygons]
        for (a, b), i in edges.items():
            other = edges.get((b, a))
            if other is not None:
                near[i].add(other)
        return tuple(tuple(sorted(s)) for s in near)

    def silhouette(self, right: Floats, up: Floats) -> Floats:
        """Outline seen along right x up, as a counter-clockwise polygon (k, 2) in those axes."""
        flat = np.column_stack([self.vertices @ right, self.vertices @ up])
        return np.asarray(flat[ConvexHull(flat).vertices])


def _checked(normals: ArrayLike, offsets: ArrayLike) -> tuple[Floats, Floats]:
    n = np.array(normals, dtype=np.float64)
    d = np.array(offsets, dtype=np.float64)
    if n.ndim != 2 or n.shape[1] != 3 or d.shape != (len(n),):
        raise SolidError("planes need normals of shape (n, 3) and offsets of shape (n,)")
    if not (np.isfinite(n).all() and np.isfinite(d).all()):
        raise SolidError("planes hold a value that is not finite")
    if len(n) < 4:
        raise SolidError(f"{len(n)} planes cannot bound a solid; it takes at least 4")
    if len(n) > MOST_PLANES:
        raise SolidError(f"{len(n)} planes are more than the {MOST_PLANES} that are supported")
    length = np.linalg.norm(n, axis=1)
    if (length < 1e-12).any():
        raise SolidError("a plane has no direction (its normal is zero)")
    return n / length[:, None], d / length


def _inner_point(n: Floats, d: Floats) -> Floats:
    """The origin where it is well inside, else the centre of the largest inscribed ball."""
    scale = float(np.abs(d).max())
    if d.min() > 0.05 * scale:
        return np.zeros(3)
    from scipy.optimize import linprog  # slow to import and seldom needed

    limit = 1e6 * max(scale, 1e-9)
    found = linprog(
        [0, 0, 0, -1],
        A_ub=np.column_stack([n, np.ones(len(d))]),
        b_ub=d,
        bounds=[(-limit, limit)] * 3 + [(None, limit)],
        method="highs",
    )
    if not found.success:
        raise SolidError("the planes bound no solid (no point is inside all of them)")
    if found.x[3] > 0.1 * limit:
        raise SolidError("the planes leave the solid open (unbounded)")
    if found.x[3] <= 1e-9 * max(scale, 1e-9):
        raise SolidError("the planes leave nothing of the stone (empty or flat)")
    return np.asarray(found.x[:3])


def _corners(n: Floats, d: Floats, centre: Floats) -> tuple[Floats, list[set[int]]]:
    """Corners and the planes through each: facets of the hull of the dual points n / (d - n.c)."""
    room = d - n @ centre
    if not room.min() > 0:
        # the program that found the point has tolerances of its own, larger than such a stone
        raise SolidError("the planes leave nothing of the stone (empty or flat)")
    try:
        hull = ConvexHull(n / room[:, None])
    except QhullError:
        raise SolidError("the planes leave the solid open (unbounded)") from None
    normal, offset = hull.equations[:, :3], hull.equations[:, 3]
    if (offset > -1e-9 * np.abs(hull.points).max()).any():
        raise SolidError("the planes leave the solid open (unbounded)")
    points = centre - normal / offset[:, None]
    size = float(np.ptp(points, axis=0).max())
    near = cKDTree(points).query_pairs(SAME_CORNER * size, output_type="ndarray")
    ones = np.ones(len(near), dtype=np.int8)
    graph = coo_array((ones, (near[:, 0], near[:, 1])), shape=(len(points), len(points)))
    _, groups = connected_components(graph, directed=False)
    # members group by group, each in the order of the hull
    counts = np.bincount(groups)
    order, starts = np.argsort(groups, kind="stable"), np.cumsum(counts) - counts
    owners = [
        {*simplices.ravel().tolist()} for simplices in np.split(hull.simplices[order], starts[1:])
    ]
    return np.add.reduceat(points[order], starts) / counts[:, None], owners


def _ordered(corners: Floats, corner: Ints, plane: Ints, normals: Floats) -> list[Ints]:
    """For each plane that occurs, in order, its corners' numbers counter-clockwise around the outward normal.

    corner, plane (k,): numbers of a corner and of a plane on which it lies.
    """
    by_plane = np.argsort(plane, kind="stable")
    corner, plane = corner[by_plane], plane[by_plane]
    _, starts, counts = np.unique(plane, return_index=True, return_counts=True)
    points, normal = corners[corner], normals[plane]
    middles = np.add.reduceat(points, starts) / counts[:, None]
    rays = points - np.repeat(middles, counts, axis=0)
    first = rays[starts]
    along = np.einsum("ij,ij->i", first, normal[starts])
    first = first - along[:, None] * normal[starts]
    second = np.repeat(np.cross(normal[starts], first), counts, axis=0)
    angle = np.arctan2(
        np.einsum("ij,ij->i", rays, second),
        np.einsum("ij,ij->i", rays, np.repeat(first, counts, axis=0)),
    )
    order = np.lexsort((angle, plane))
    return np.split(corner[order], starts[1:])
