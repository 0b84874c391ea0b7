"""A cut stone with facets taken down or turned: moved half-spaces, siblings, and how far the stone is from its symmetry."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from facetrace.solid.polyhedron import Floats, Solid

Ints = NDArray[np.int64]

NEW_FACET = "new culet"
VERTICAL = 1e-9
# planes that a symmetry brings together lie so near, mm (at half the stone's size)
SAME_PLANE_MM = 0.02
# a corner may stand so far, mm, on the wrong side of a hinge
ON_HINGE_MM = 1e-7


@dataclass(frozen=True)
class Hinge:
    """A line in a facet about which it is turned.

    point (3,) on it, mm; towards (3,): unit, in the facet and square to the line, to where it is
    cut; word: where the line lies.
    """

    point: Floats
    towards: Floats
    word: str


@dataclass(frozen=True)
class Symmetry:
    """A turn about the axis or a mirror through it: matrix (3, 3), and where each facet goes, (n,)."""

    matrix: Floats
    goes_to: Ints


def with_planes(solid: Solid, changes: Mapping[int, Floats]) -> Solid:
    """The solid with the planes (4,) of *changes* in place of those of its facets, by number.

    Number n of n facets adds one, NEW_FACET. Where every new plane lies below the whole of its old
    facet, the new solid lies in the old one. Raises SolidError where nothing closed is left.
    """
    planes = solid.planes.T.copy()
    names = list(solid.names)
    for facet, plane in changes.items():
        if facet == len(names):
            planes = np.vstack([planes, plane])
            names.append(NEW_FACET)
        else:
            planes[facet] = plane
    return Solid.from_planes(planes[:, :3], planes[:, 3], names)


def lowered(solid: Solid, facet: int, mm: float) -> Floats:
    """The facet's plane (4,) taken down parallel by so many mm."""
    return np.append(solid.normals[facet], solid.offsets[facet] - mm)


def turned(solid: Solid, facet: int, hinge: Hinge, radians: float) -> Floats:
    """The facet's plane (4,) turned about the hinge so that what lies *towards* is cut."""
    normal = solid.normals[facet] * math.cos(radians) + hinge.towards * math.sin(radians)
    return np.append(normal, normal @ hinge.point)


def corners(solid: Solid, facet: int) -> Floats:
    """Corners (k, 3) of a facet, mm."""
    return np.asarray(solid.vertices[solid.polygons[facet]])


def deepest(solid: Solid, facet: int, plane: Floats) -> float:
    """How far the plane lies below the corners of the facet, at most, mm."""
    return float((corners(solid, facet) @ plane[:3] - plane[3]).max())


def below(solid: Solid, facet: int, plane: Floats, other: Floats) -> bool:
    """Whether *plane* lies nowhere above *other* as far as the facet reaches."""
    points = corners(solid, facet)
    gap = points @ (plane[:3] - other[:3]) - (plane[3] - other[3])
    return bool((gap >= -ON_HINGE_MM).all())


def angle_of(normal: Floats) -> float:
    """Degrees from the girdle plane: 0 table, 90 girdle."""
    return math.degrees(math.atan2(math.hypot(normal[0], normal[1]), abs(normal[2])))


def uphill(normal: Floats) -> Floats | None:
    """Unit vector in the facet that climbs; None for a level one."""
    up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    length = float(np.linalg.norm(up))
    return up / length if length > VERTICAL else None


def slope_hinges(solid: Solid, facet: int) -> list[Hinge]:
    """The level lines through its highest and lowest corner: turned about them it keeps its index."""
    up = uphill(solid.normals[facet])
    if up is None:
        return []
    points = corners(solid, facet)
    height = points @ up
    return [
        Hinge(points[int(np.argmax(height))], -up, "upper end"),
        Hinge(points[int(np.argmin(height))], up, "lower end"),
    ]


def far_hinges(solid: Solid, facet: int, spot: Floats) -> list[Hinge]:
    """The edge that is farthest from *spot* (3,) in the facet, and the farthest corner."""
    points, normal = corners(solid, facet), solid.normals[facet]
    along = np.roll(points, -1, axis=0) - points
    inward = np.cross(normal, along / np.linalg.norm(along, axis=1)[:, None])
    reach = ((spot - points) * inward).sum(axis=1)
    edge = int(np.argmax(reach))
    found = [Hinge(points[edge], inward[edge], "far edge")]
    away = spot - points
    far = int(np.argmax(np.linalg.norm(away, axis=1)))
    towards = away[far] - (away[far] @ normal) * normal
    length = float(np.linalg.norm(towards))
    if length > 0 and ((points - points[far]) @ towards >= -ON_HINGE_MM * length).all():
        found.append(Hinge(points[far], towards / length, "far corner"))
    return found


def radians_to_clear(solid: Solid, facet: int, hinge: Hinge, bottoms: Floats) -> float:
    """Radians about the hinge that bring all *bottoms* (k, 3) out of the stone; pi/2 where none do."""
    off = bottoms - hinge.point
    depth, reach = -(off @ solid.normals[facet]), off @ hinge.towards
    deep = depth > 0
    if (reach[deep] <= 0).any():
        return math.pi / 2
    return float(np.arctan2(depth[deep], reach[deep]).max(initial=0.0))


def outside(solid: Solid, points: Floats, slack: float = 1e-9) -> bool:
    """Whether all points (k, 3) lie outside the solid or on its surface."""
    return bool(((points @ solid.normals.T - solid.offsets).max(axis=1) >= -slack).all())


def symmetries(solid: Solid) -> list[Symmetry]:
    """Turns about the axis and mirrors through it that bring every plane onto one of the stone's.

    They map to within SAME_PLANE_MM; identity is left out. A stone without any gives none.
    """
    size = float(np.ptp(solid.vertices, axis=0).max()) / 2
    marks = np.column_stack([solid.normals * size, solid.offsets])
    tree = cKDTree(marks)
    aside = np.hypot(solid.normals[:, 0], solid.normals[:, 1]) > VERTICAL
    tips = np.column_stack([solid.normals[:, 2] * size, solid.offsets])
    near = cKDTree(tips).query_ball_point(tips, SAME_PLANE_MM)
    classes = [[int(i) for i in mates] for mates, a in zip(near, aside, strict=True) if a]
    if not classes:
        return []
    mates = sorted(min(classes, key=lambda m: (len(list(m)), m)))
    first = mates[0]
    azimuth = np.arctan2(solid.normals[:, 1], solid.normals[:, 0])
    found = []
    for mate in mates:
        for mirror in (1.0, -1.0):
            # azimuth a goes to mirror * a + shift
            shift = azimuth[mate] - mirror * azimuth[first]
            c, s = math.cos(shift), math.sin(shift)
            matrix = np.array([[c, -mirror * s, 0.0], [s, mirror * c, 0.0], [0.0, 0.0, 1.0]])
            if np.allclose(matrix, np.eye(3), atol=1e-9):
                continue
            gap, nearest = tree.query(
                np.column_stack([solid.normals @ matrix.T * size, solid.offsets])
            )
            goes_to = np.asarray(nearest, dtype=np.int64)
            if gap.max() < SAME_PLANE_MM and len(np.unique(goes_to)) == len(marks):
                found.append(Symmetry(matrix, goes_to))
    return found


def siblings(found: list[Symmetry], facet: int) -> tuple[int, ...]:
    """The facets that the symmetries make of one, itself among them, by number."""
    return tuple(sorted({facet, *(int(s.goes_to[facet]) for s in found)}))


def asymmetry(solid: Solid, found: list[Symmetry]) -> float:
    """How far, at most, a corner lies from the nearest that a symmetry expects there, mm.

    The Hausdorff distance between the corners and their images; 0 where the stone is exact.
    """
    widest = 0.0
    points = solid.vertices
    tree = cKDTree(points)
    for symmetry in found:
        images = points @ symmetry.matrix.T
        there = float(tree.query(images)[0].max())
        back = float(cKDTree(images).query(points)[0].max())
        widest = max(widest, there, back)
    return widest
