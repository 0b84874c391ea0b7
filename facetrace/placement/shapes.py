"""A stone, where its table may face, a copy of it, and the room that it is placed in: what all of this floor shares."""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from facetrace.solid.body import Floats
from facetrace.solid.polyhedron import Solid

Ints = NDArray[np.int64]

# corners that fall on one another under a turn of the stone, as a share of its size
SAME = 1e-6
MOST_FOLDS = 16
# a round body's corners
MOST_CORNERS = 80


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

    @cached_property
    def sides(self) -> tuple[Floats, ...]:
        """Of each part its planes (4, m), seen from the middle."""
        return (self.planes, *(hull_planes(part) for part in self.parts[1:]))


WHOLE, CROWN, UNDER_TABLE = 0, 1, 2


def hull_planes(corners: Floats) -> Floats:
    """(4, m): each plane of the convex hull of corners (n, 3) once, normals of length 1 outward, and offsets."""
    equations = np.unique(ConvexHull(corners).equations.round(9), axis=0)
    return np.vstack([equations[:, :3].T, -equations[:, 3]])


def stone_of(solid: Solid) -> Stone:
    """The stone of a solid; of a heart the convex hull, which takes the cleft for stone.

    Parts: the whole; what lies above the girdle plane z = 0; what lies beneath the table.
    """
    corners = solid.vertices
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    planes = hull_planes(corners)
    extreme = corners[ConvexHull(corners).vertices]
    crown = _cut(planes, np.array([[0.0, 0.0, -1.0, 0.0]]).T)
    table = corners[np.isclose(corners[:, 2], corners[:, 2].max(), atol=SAME)]
    column = crown
    if len(table) >= 3:
        sides = ConvexHull(table[:, :2]).equations
        walls = np.vstack([sides[:, :2].T, np.zeros(len(sides)), -sides[:, 2]])
        column = _cut(planes, walls)
    parts = tuple(part - middle for part in (extreme, crown, column))
    seen = np.vstack([planes[:3], planes[3] - middle @ planes[:3]])
    return Stone(middle, parts, seen, solid.volume, _folds(extreme - middle))


def _cut(planes: Floats, more: Floats) -> Floats:
    """Corners of the polytope under both sets of planes (4, n)."""
    both = np.hstack([planes, more])
    return Solid.from_planes(both[:3].T, both[3]).vertices


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
    so far below the stone's surface. true_points (m, 3): where *points* are those of a body around the true one, points of
    the true one, for bounds.
    """

    name: str
    points: Floats
    part: int = WHOLE
    margin_mm: float = 0.0
    inside: bool = False
    true_points: Floats | None = None


@dataclass(frozen=True)
class Facing:
    """Where the table may face: within *within_deg* of *direction* (3,), in the rough's frame.

    least_deg: and at least so far from it; both: or of the opposite direction.
    """

    direction: tuple[float, float, float] = (0.0, 0.0, 1.0)
    within_deg: float = 15.0
    least_deg: float = 0.0
    both: bool = False

    def directions(self) -> list[Floats]:
        """Unit directions (3,) about which the table may face."""
        towards = np.array(self.direction) / np.linalg.norm(self.direction)
        return [sign * towards for sign in ((1.0, -1.0) if self.both else (1.0,))]

    def frames(self) -> list[Floats]:
        """Rotations (3, 3) that take the stone's z to the middle of each cone."""
        return [upright(towards) for towards in self.directions()]


def upright(towards: Floats) -> Floats:
    """The shortest rotation that takes +z to a unit vector."""
    angle = math.acos(float(np.clip(towards[2], -1, 1)))
    axis = np.array([-towards[1], towards[0], 0.0])
    length = float(np.linalg.norm(axis))
    axis = axis / length if length > 1e-12 else np.array([1.0, 0.0, 0.0])
    return np.asarray(Rotation.from_rotvec(angle * axis).as_matrix())


@dataclass(frozen=True)
class PlacedCopy:
    """A copy that fits: its point r lies at ``shift + scale * rotation @ r``, mm; volume in mm^3."""

    scale: float
    rotation: Floats
    shift: Floats
    volume: float

    def middle(self, stone: Stone) -> Floats:
        """Where the stone's middle lies, (3,)."""
        return np.asarray(self.shift + self.scale * self.rotation @ stone.middle)


def placed_copy(stone: Stone, scale: float, rotation: Floats, middle: Floats) -> PlacedCopy:
    """The copy of a scale whose middle lies there."""
    shift = middle - scale * rotation @ stone.middle
    return PlacedCopy(scale, rotation, shift, stone.volume * scale**3)


@dataclass(frozen=True)
class Space:
    """What a stone is placed in: a closed surface, bodies in it, and walls that it stays under.

    vertices (n, 3), faces (m, 3): triangles counter-clockwise seen from outside, mm; skin_mm: how far under the surface the stone lies;
    walls (4, w): planes of saw cuts, from which the skin is taken off as well.
    """

    vertices: Floats
    faces: Ints
    obstacles: tuple[Obstacle, ...] = ()
    skin_mm: float = 0.0
    walls: Floats = field(default_factory=lambda: np.zeros((4, 0)))

    @cached_property
    def hull(self) -> Floats:
        """(4, m): the planes of the surface's convex hull."""
        return hull_planes(self.vertices)

    @property
    def size(self) -> float:
        """Its largest side, mm."""
        return float(np.ptp(self.vertices, axis=0).max())

    def loosened(self, by_mm: float) -> "Space":
        """The same with its skin and every margin less by so much, more where it is negative; none below 0."""
        bodies = tuple(
            replace(b, margin_mm=max(0.0, b.margin_mm - by_mm)) for b in self.obstacles
        )  # fmt: skip
        return replace(self, obstacles=bodies, skin_mm=max(0.0, self.skin_mm - by_mm))


def coarser(points: Floats, most: int = MOST_CORNERS) -> Floats:
    """Corners (m, 3) of a body that holds the convex hull of *points* (n, 3), fewer where there are many.

    Planes that touch it in 42 directions, even over the sphere that its axes make of it.
    """
    if len(points) <= most:
        return points
    middle = points.mean(axis=0)
    axes, sizes, _ = np.linalg.svd((points - middle).T, full_matrices=False)
    if sizes[2] < 1e-6 * sizes[0]:
        return points
    towards = np.asarray(trimesh.creation.icosphere(subdivisions=1).vertices) @ (axes / sizes).T
    towards = towards / np.linalg.norm(towards, axis=1)[:, None]
    solid = Solid.from_planes(towards, ((points - middle) @ towards.T).max(axis=0))
    return solid.vertices + middle if len(solid.vertices) < len(points) else points
