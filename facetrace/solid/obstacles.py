"""What a stone keeps off in a rough with hollows, and the largest copy at one orientation.

A hollow is no convex body. Its surface is parted into groups of triangles, and the convex hull of
each group is kept off: no less than the hollow's surface, and somewhat more, which is told in mm.
"""

import heapq
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import trimesh
from scipy.optimize import linprog
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.transform import Rotation

from facetrace.solid.body import Floats
from facetrace.solid.place import WHOLE, Copy, Facing, Obstacle, Space, Stone, parting
from facetrace.solid.polyhedron import Solid

# more bodies cost the search more than they give
MOST_BODIES = 4
# a round body's corners
MOST_CORNERS = 80
# of a copy's size: what linear programs leave to rounding
ROUNDING = 1e-7
# degrees between spins that are tried, and between those next to the best of them
SPIN, FINE_SPIN = 10.0, 2.0


# ---- hollows ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Hollows:
    """Convex bodies, each by its corners (n, 3), that hold the surface of all hollows.

    excess_mm: the hollows' surface lies at most so far inside them, so much more is kept off.
    """

    bodies: tuple[Floats, ...] = ()
    excess_mm: float = 0.0


def hollow_bodies(triangles: Floats, tolerance_mm: float, most: int = MOST_BODIES) -> Hollows:
    """Bodies around triangles (k, 3, 3) of hollows.

    Triangles that hang together are one body where the surface is its hull's, to *tolerance_mm*;
    else they are halved along their longest extent, the worst first, up to *most* bodies.
    """
    order = itertools.count()
    heap = [(-_excess(group), next(order), group) for group in _connected(triangles)]
    heapq.heapify(heap)
    while heap and len(heap) < most and -heap[0][0] > tolerance_mm and len(heap[0][2]) > 1:
        _, _, group = heapq.heappop(heap)
        for half in _halved(group):
            heapq.heappush(heap, (-_excess(half), next(order), half))
    bodies = [np.unique(group.reshape(-1, 3), axis=0) for _, _, group in sorted(heap, key=lambda h: h[1])]  # fmt: skip
    return Hollows(tuple(_extreme(points) for points in bodies), -heap[0][0] if heap else 0.0)


def _connected(triangles: Floats) -> list[Floats]:
    if not len(triangles):
        return []
    _, corners = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    owner = np.repeat(np.arange(len(triangles)), 3)
    many = len(triangles) + int(corners.max()) + 1
    links = coo_matrix((np.ones(len(owner)), (owner, len(triangles) + corners.ravel())), (many, many))  # fmt: skip
    _, groups = connected_components(links, directed=False)
    mine = groups[: len(triangles)]
    return [triangles[mine == g] for g in np.unique(mine)]


def _excess(group: Floats) -> float:
    """How far the surface lies under its convex hull, mm; 0 of flat ones."""
    try:
        equations = ConvexHull(np.unique(group.reshape(-1, 3), axis=0)).equations
    except QhullError:
        return 0.0
    under = -(group @ equations[:, :3].T + equations[:, 3])
    # a triangle is on the hull where one face is near all of it
    return max(0.0, float(under.max(axis=1).min(axis=1).max()))


def _halved(group: Floats) -> tuple[Floats, Floats]:
    middles = group.mean(axis=1)
    along = np.linalg.svd(middles - middles.mean(axis=0), full_matrices=False)[2][0]
    ranked = np.argsort(middles @ along, kind="stable")
    return group[ranked[: len(ranked) // 2]], group[ranked[len(ranked) // 2 :]]


def _extreme(points: Floats) -> Floats:
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError:
        return points


# ---- round bodies -----------------------------------------------------------------------------


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


# ---- a copy in the rough ----------------------------------------------------------------------


def in_rough(stone: Stone, copy: Copy) -> tuple[Floats, Floats]:
    """(corners (n, 3), planes (4, m)) of a copy's convex hull in the rough's frame."""
    middle = copy.shift + copy.scale * copy.rotation @ stone.middle
    corners = middle + copy.scale * stone.parts[WHOLE] @ copy.rotation.T
    normals = copy.rotation @ stone.planes[:3]
    return corners, np.vstack([normals, copy.scale * stone.planes[3] + middle @ normals])


def loosened(space: Space, by_mm: float) -> Space:
    """The space with its skin and every margin less by so much, more where it is negative."""
    bodies = tuple(
        replace(b, margin_mm=max(0.0, b.margin_mm - by_mm)) for b in space.obstacles
    )  # fmt: skip
    return replace(space, obstacles=bodies, skin_mm=space.skin_mm - by_mm)


def _normals(points: Floats) -> Floats:
    """Unit normals (n, 3) of a convex body's faces; of a flat one both of its plane and those of its sides."""
    try:
        return np.unique(ConvexHull(points).equations[:, :3].round(6), axis=0)
    except QhullError:
        axes = np.linalg.svd(points - points.mean(axis=0))[2]
        sides = ConvexHull(points @ axes[:2].T).equations[:, :2] @ axes[:2]
        return np.vstack([axes[2], -axes[2], sides])


@dataclass(frozen=True)
class Partings:
    """Directions (n, 3) along which a stone's parts, in its own frame, and bodies come apart."""

    parts: tuple[Floats, ...]
    bodies: tuple[Floats, ...]

    @classmethod
    def of(cls, stone: Stone, space: Space) -> Self:
        """Of all faces of both."""
        return cls(
            tuple(-_normals(part) for part in stone.parts),
            tuple(_normals(body.points) for body in space.obstacles),
        )

    def soonest(self, k: int, part: int, rotation: Floats, moving: Floats, body: Floats) -> tuple[float, Floats]:  # fmt: skip
        """See ``place.parting``: the best of these directions, from the stone to the body."""
        tried = np.vstack([-self.parts[part] @ rotation.T, -self.bodies[k]])
        gaps = (body @ tried.T).min(axis=0) - (moving @ tried.T).max(axis=0)
        best = int(np.argmax(gaps))
        return float(gaps[best]), tried[best]


def fitted(
    stone: Stone, space: Space, rotation: Floats, quick: Partings | None = None,
    holding: Sequence[int] = (),
) -> Copy | None:  # fmt: skip
    """The largest copy found at one orientation, None where there is none; it holds the bodies *holding*.

    Bodies that the largest copy in the hull cuts into are parted from it one by one, the deepest
    first, along the direction that parts them soonest (*quick*: of these); so another choice may
    leave room for more.
    """
    planes = space.planes
    reach = (stone.parts[WHOLE] @ rotation.T @ planes[:3]).max(axis=0)
    rows = np.column_stack([reach, planes[:3].T])
    most = planes[3]
    kept = set(holding)
    for number in holding:
        body = space.obstacles[number]
        normals = rotation @ stone.planes[:3]
        rows = np.vstack([rows, np.column_stack([-stone.planes[3], -normals.T])])
        most = np.append(most, -(body.points @ normals).max(axis=0) - body.margin_mm)
    for _ in range(1 + len(space.obstacles)):
        found = linprog([-1.0, 0, 0, 0], A_ub=rows, b_ub=most, bounds=[(0, None)] + [(None, None)] * 3, method="highs")  # fmt: skip
        if not found.success or found.x[0] <= 0:
            return None
        scale, place = float(found.x[0]) * (1 - ROUNDING), found.x[1:]
        hit = _deepest(stone, space, rotation, scale, place, kept, quick)
        if hit is None:
            shift = place - scale * rotation @ stone.middle
            return Copy(scale, rotation, shift, stone.volume * scale**3)
        number, u = hit
        kept.add(number)
        body = space.obstacles[number]
        own = float((stone.parts[body.part] @ rotation.T @ u).max())
        rows = np.vstack([rows, [own, *u]])
        most = np.append(most, float((body.points @ u).min()) - body.margin_mm)
    return None


def held_by(stone: Stone, space: Space, copy: Copy) -> list[int]:
    """Numbers of the bodies that a copy holds inside."""
    planes = in_rough(stone, copy)[1]
    return [
        k
        for k, body in enumerate(space.obstacles)
        if body.inside and (body.points @ planes[:3] <= planes[3]).all()
    ]


def _deepest(
    stone: Stone, space: Space, rotation: Floats, scale: float, place: Floats, kept: set[int],
    quick: Partings | None,
) -> tuple[int, Floats] | None:  # fmt: skip
    worst, deepest = None, 2 * ROUNDING * scale
    for k, body in enumerate(space.obstacles):
        moving = place + scale * stone.parts[body.part] @ rotation.T
        if k in kept or not _near(moving, body):
            continue
        if body.inside:
            seen = (body.points - place) @ rotation
            if (seen @ stone.planes[:3] <= scale * stone.planes[3] - body.margin_mm).all():
                continue
        if quick is None:
            gap, u = parting(moving, body.points)
        else:
            gap, u = quick.soonest(k, body.part, rotation, moving, body.points)
        if body.margin_mm - gap > deepest:
            worst, deepest = (k, u), body.margin_mm - gap
    return worst


def _near(moving: Floats, body: Obstacle) -> bool:
    low, high = body.points.min(axis=0) - body.margin_mm, body.points.max(axis=0) + body.margin_mm
    return bool((moving.min(axis=0) < high).all() and (moving.max(axis=0) > low).all())


def facing_each(
    stone: Stone, space: Space, facing: Facing, rings: int = 2, around: int = 6
) -> list[Copy]:
    """For table directions in rings over the cone, the largest copy over spins: the heaviest first.

    No search: directions and spins are those tried, see ``fitted``.
    """
    found = []
    quick = Partings.of(stone, space)
    for frame in facing.frames():
        for tilt, towards in _rings(facing, rings, around):
            axis = [-math.sin(towards) * tilt, math.cos(towards) * tilt, 0.0]
            upright = frame @ Rotation.from_rotvec(axis).as_matrix()
            best = _best_spin(stone, space, upright, quick)
            if best is not None:
                found.append(best)
    return sorted(found, key=lambda copy: -copy.volume)


def _rings(facing: Facing, rings: int, around: int) -> list[tuple[float, float]]:
    """(tilt, azimuth) of each direction, radians."""
    low, high = math.radians(facing.least_deg), math.radians(facing.within_deg)
    found = []
    for ring in range(rings + 1):
        tilt = low + (high - low) * ring / rings
        count = around if tilt > 0 else 1
        found += [(tilt, 2 * math.pi * (k + 0.5 * (ring % 2)) / count) for k in range(count)]
    return list(dict.fromkeys(found))


def _best_spin(stone: Stone, space: Space, upright: Floats, quick: Partings) -> Copy | None:
    def at(spins: Floats) -> tuple[float, Copy] | None:
        tried = []
        for spin in spins:
            turned = upright @ Rotation.from_euler("z", spin, degrees=True).as_matrix()
            copy = fitted(stone, space, turned, quick)
            if copy is not None:
                tried.append((float(spin), copy))
        return max(tried, key=lambda t: t[1].volume) if tried else None

    turn = 360.0 / stone.folds
    count = max(2, math.ceil(turn / SPIN))
    coarse = at(np.arange(count) * turn / count)
    if coarse is None:
        return None
    near = np.arange(-SPIN + FINE_SPIN, SPIN, FINE_SPIN)
    fine = at(coarse[0] + near[near != 0])
    return max((c[1] for c in (coarse, fine) if c), key=lambda copy: copy.volume)
