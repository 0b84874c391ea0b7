"""The solid of a closed convex mesh of plane facets, with names for its facets."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from facetrace.common.errors import FacetraceError
from facetrace.rough import scan
from facetrace.solid.polyhedron import Floats, Solid

# triangles whose corners leave a plane by less than this share of the stone's size lie in it
FLAT_SHARE = 1e-4
MOST_FACETS = 512
# the rebuilt stone may differ from the mesh by this share of the volume
SAME_VOLUME = 2e-3
# degrees: nearer to upright is girdle, nearer to level is table or culet
UPRIGHT_DEG, LEVEL_DEG = 1.0, 1.0
# facets of one tier differ by less, degrees and mm
TIER_DEG, TIER_MM = 0.2, 0.02


@dataclass(frozen=True)
class Faceted:
    """A solid from a mesh, its table level, its axis through the outline's middle, z = 0 in the girdle.

    The point p of the mesh lies at ``turn @ p - origin``: turn (3, 3), origin (3,) in mm.
    """

    solid: Solid
    turn: Floats
    origin: Floats

    def points_in(self, points: Floats) -> Floats:
        """Points (n, 3) of the mesh's frame in that of the solid."""
        return np.asarray(points @ self.turn.T - self.origin)

    def points_out(self, points: Floats) -> Floats:
        """Points (n, 3) of the solid's frame in that of the mesh."""
        return np.asarray((points + self.origin) @ self.turn)


def faceted(path: Path) -> Faceted:
    """Facets from the coplanar triangles of a closed convex mesh; +z is the table, lengths are mm.

    Names: table, culet, and ``SIDE LETTER NUMBER``: letters by rising angle, numbers counter-
    clockwise from +x. Raises FacetraceError where the mesh is not closed, not convex, not made of
    plane facets, or no facet faces +z.
    """
    scan.from_mesh(path)
    mesh = scan.load(path)
    points = np.asarray(mesh.vertices, dtype=np.float64)
    planes = _planes(points)
    if len(planes) > MOST_FACETS:
        raise FacetraceError(
            f"{path}: the mesh has {len(planes)} faces in different planes; a stone of flat facets (at "
            f"most {MOST_FACETS}) is needed, so flatten the scan facet by facet"
        )
    # a scan's table is seldom quite level
    turn = np.eye(3)
    if planes[:, 2].max() > math.cos(math.radians(LEVEL_DEG)):
        table = planes[int(np.argmax(planes[:, 2])), :3]
        turn = Rotation.align_vectors([[0.0, 0.0, 1.0]], [table])[0].as_matrix()
        planes = _planes(points @ turn.T)
    names = _names(planes)
    if "table" not in names:
        raise FacetraceError(
            f"{path}: no facet faces +z within {LEVEL_DEG:g} degree; turn the mesh so that the table "
            "faces up along z"
        )
    solid = Solid.from_planes(planes[:, :3], planes[:, 3], names)
    off = abs(solid.volume / abs(float(mesh.volume)) - 1)
    if off > SAME_VOLUME:
        raise FacetraceError(
            f"{path}: its plane facets enclose {100 * off:.1f} % more or less than the mesh; its faces "
            "are not flat"
        )
    origin = _middle(solid)
    offsets = solid.offsets - solid.normals @ origin
    return Faceted(Solid.from_planes(solid.normals, offsets, solid.names), turn, origin)


def _middle(solid: Solid) -> Floats:
    """The middle (3,) of the outline, at the level of the girdle's facets or of the widest corner."""
    middle = (solid.vertices.max(axis=0) + solid.vertices.min(axis=0)) / 2
    rim = [
        p for name, p in zip(solid.names, solid.polygons, strict=True) if name.startswith("girdle")
    ]
    if rim:
        z = solid.vertices[np.unique(np.concatenate(rim)), 2]
        middle[2] = (z.max() + z.min()) / 2
    else:
        away = np.linalg.norm((solid.vertices - middle)[:, :2], axis=1)
        middle[2] = solid.vertices[int(np.argmax(away)), 2]
    return np.asarray(middle)


def _planes(points: Floats) -> Floats:
    """Planes (n, 4) of the hull's faces, the largest triangle of each deciding which triangles are its."""
    hull = ConvexHull(points)
    slack = FLAT_SHARE * float(np.ptp(points, axis=0).max())
    triangles = points[hull.simplices]
    areas = 0.5 * np.linalg.norm(
        np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1
    )
    left = np.ones(len(areas), dtype=bool)
    found = []
    for largest in np.argsort(-areas, kind="stable"):
        if not left[largest]:
            continue
        plane = hull.equations[largest]
        off = np.abs(triangles @ plane[:3] + plane[3]).max(axis=1)
        # of a flake the other side lies as near
        mine = left & (off < slack) & (hull.equations[:, :3] @ plane[:3] > 0)
        mine[largest] = True
        left &= ~mine
        normal = (hull.equations[mine, :3] * areas[mine, None]).sum(axis=0)
        normal /= np.linalg.norm(normal)
        corners = points[np.unique(hull.simplices[mine])]
        normal = _straightened(normal, corners, 2 * slack)
        found.append(np.append(normal, (corners @ normal).max()))
    return np.array(found)


def _straightened(normal: Floats, corners: Floats, slack: float) -> Floats:
    """Exactly upright or level where the corners (k, 3) allow it: mesh files round."""
    upright, level = normal * [1, 1, 0], normal * [0, 0, 1]
    for wish in (upright, level):
        length = float(np.linalg.norm(wish))
        if length > 0.5 and np.ptp(corners @ wish) < slack * length:
            return np.asarray(wish / length)
    return normal


def _names(planes: Floats) -> list[str]:
    angles = np.degrees(np.arctan2(np.hypot(planes[:, 0], planes[:, 1]), np.abs(planes[:, 2])))
    azimuths = np.degrees(np.arctan2(planes[:, 1], planes[:, 0])) % 360
    names = [""] * len(planes)
    for side in ("crown", "girdle", "pavilion"):
        tiers: list[list[int]] = []
        for i in np.lexsort((planes[:, 3].round(3), angles.round(2))):
            where = "girdle" if angles[i] > 90 - UPRIGHT_DEG else "crown" if planes[i, 2] > 0 else "pavilion"  # fmt: skip
            if where != side:
                continue
            level = "table" if side == "crown" else "culet"
            if angles[i] < LEVEL_DEG and side != "girdle" and level not in names:
                names[i] = level
                continue
            last = next(
                (t for t in tiers
                 if abs(angles[t[0]] - angles[i]) < TIER_DEG and abs(planes[t[0], 3] - planes[i, 3]) < TIER_MM),
                None,
            )  # fmt: skip
            if last is None:
                tiers.append([int(i)])
            else:
                last.append(int(i))
        for k, tier in enumerate(tiers):
            for number, i in enumerate(
                sorted(tier, key=lambda f: round(float(azimuths[f]), 6) % 360)
            ):
                names[i] = f"{side} {_letters(k)} {number + 1}"
    return names


def _letters(number: int) -> str:
    """a, b, ... z, aa, ab, ..."""
    word = chr(ord("a") + number % 26)
    return word if number < 26 else _letters(math.floor(number / 26) - 1) + word
