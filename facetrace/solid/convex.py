"""Convex bodies: box, hull, corners, what two of them share."""

import math

import numpy as np
import trimesh
from numpy.typing import ArrayLike
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, HalfspaceIntersection, QhullError

from facetrace.common.errors import FacetraceError
from facetrace.solid.body import Body, Floats

# bodies that share less than a ball of this radius, mm, only touch
TOUCH_MM = 1e-6
# thinner hulls, mm, are flat
FLAT_MM = 1e-6
# an ellipsoid's volume is that of 1,280 facets around it: divisions of an icosahedron
DIVISIONS = 3


# ---- blanks -----------------------------------------------------------------------------------


def box(size_mm: ArrayLike, centre_mm: ArrayLike) -> Body:
    """A box with its edges along the axes."""
    half, centre = np.asarray(size_mm, dtype=np.float64) / 2, np.asarray(centre_mm)
    eye = np.eye(3)
    offsets = np.concatenate([half + centre, half - centre])
    return Body(np.vstack([np.hstack([eye, -eye]), offsets]))


def hull(points_mm: ArrayLike) -> Body:
    """The convex hull of points (n, 3). Raises FacetraceError where they lie in one plane."""
    points = np.asarray(points_mm, dtype=np.float64)
    flat = "the points lie in one plane (or are fewer than 4); a body is wanted"
    try:
        shape = ConvexHull(points)
    except QhullError:
        raise FacetraceError(flat) from None
    equations = shape.equations
    # between planes w apart lie w A / 2 at most, A the surface: few hulls need a closer look
    if 2 * shape.volume < FLAT_MM * shape.area:
        depth = -(points @ equations[:, :3].T + equations[:, 3]).min(axis=0)
        if depth.min() < FLAT_MM:
            raise FacetraceError(flat)
    # triangles of one face repeat its plane
    _, first = np.unique(equations.round(9), axis=0, return_index=True)
    planes = equations[np.sort(first)]
    return Body(np.vstack([planes[:, :3].T, -planes[:, 3]]))


# ---- overlap ----------------------------------------------------------------------------------


def _walls(body: Body) -> Floats:
    """Planes (4, m) around a body; an ellipsoid's box, edges along its axes."""
    if body.ellipsoid is None:
        return body.planes
    rows, middle = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
    length = np.linalg.norm(rows, axis=1)
    normals = rows / length[:, None]
    offsets = np.concatenate([(1 + middle) / length, (1 - middle) / length])
    return np.vstack([np.hstack([normals.T, -normals.T]), offsets])


def may_overlap(a: Body, b: Body) -> bool:
    """False only where two bodies share no more than their surface; ellipsoids count as boxes."""
    return _inmost(np.hstack([_walls(a), _walls(b)]))[1] > TOUCH_MM


def _inmost(walls: Floats) -> tuple[Floats, float]:
    """Centre and radius, at most 1, of the largest ball within walls (4, m); radius 0 where there is none."""
    found = linprog(
        [0.0, 0.0, 0.0, -1.0],
        A_ub=np.column_stack([walls[:3].T, np.linalg.norm(walls[:3], axis=0)]),
        b_ub=walls[3],
        bounds=[(None, None)] * 3 + [(None, 1.0)],
        method="highs",
    )
    return (found.x[:3], float(found.x[3])) if found.success else (np.zeros(3), 0.0)


def shared_volume(stone: Body, body: Body) -> float:
    """mm^3 that a bounded polytope shares with a body; 0 where they share no ball of TOUCH_MM.

    An ellipsoid counts as 1,280 facets of the same volume, which lie within 1 % of its radius.
    """
    planes, around, unit = stone.planes, body.planes, 1.0
    if body.ellipsoid is not None:
        # in the frame where it is the unit ball
        m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
        normals = planes[:3].T @ np.linalg.inv(m)
        planes = np.vstack([normals.T, planes[3] + normals @ w])
        planes = planes / np.linalg.norm(normals, axis=1)
        around, unit = _ball(), 1 / abs(np.linalg.det(m))
    found = corners(np.hstack([planes, around]))
    # joggled: the corners of one facet are many, and in one plane up to rounding
    return float(ConvexHull(found, qhull_options="QJ").volume * unit) if len(found) else 0.0


def corners(walls: Floats) -> Floats:
    """Corners (n, 3) of the bounded polytope within planes (4, m); (0, 3) where it holds no ball of TOUCH_MM."""
    centre, radius = _inmost(walls)
    if radius <= TOUCH_MM:
        return np.zeros((0, 3))
    return np.asarray(
        HalfspaceIntersection(np.vstack([walls[:3], -walls[3]]).T, centre).intersections
    )


def _ball() -> Floats:
    """Planes (4, m) of a polytope with the unit ball's volume."""
    shape = ConvexHull(trimesh.creation.icosphere(subdivisions=DIVISIONS).vertices)
    size = (4 * math.pi / 3 / shape.volume) ** (1 / 3)
    return np.vstack([shape.equations[:, :3].T, -size * shape.equations[:, 3]])
