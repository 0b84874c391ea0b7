"""Judges what `facetrace plan` wrote, from the files alone: rough.toml, scan.stl, the JSON, the stone's mesh.

Nothing of facetrace is imported. ``complaints`` returns what is wrong, in words; nothing is wrong
where the list is empty. Distances are true ones (true_distances.py), an ellipsoid is its true surface.
"""

import json
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull
from true_distances import (
    Convex,
    convex,
    crosses,
    ellipsoid_rotation,
    nearest_pairs,
    on_triangles,
    parted,
    windings,
)

Floats = NDArray[np.float64]

# g/cm3: corundum.toml, specific gravity 3.99 to 4.01; 1 ct = 0.2 g, the metric carat of 1907
RUBY = 3.99
GRAMS_PER_CARAT = 0.2
# mm that a place may be off, and what numbers of 32 bits in a mesh add: half a digit each way in three axes
TOLERANCE = 1e-6
# share that weights may differ by: the mesh's 32-bit corners
WEIGHT = 2e-5
DEGREES = 1e-3
MARGINS = {"crack": 0.1, "crystal": 0.2, "pit": 0.05}
WISHES = {
    "crack": "cut away", "silk": "under girdle", "cloud": "under girdle", "crystal": "inside",
    "pit": "cut away", "zone": "hide",
}  # fmt: skip
# corners of the outline that stands for a disc: they lie on its circle
AROUND = 360


@dataclass(frozen=True)
class Ball:
    """An ellipsoid: points centre + shape @ y, y in the unit ball."""

    centre: Floats
    shape: Floats

    def support(self, directions: Floats) -> Floats:
        """How far it reaches along directions (n, 3) from the file's origin."""
        return np.asarray(directions @ self.centre + np.linalg.norm(directions @ self.shape, axis=1))  # fmt: skip


# a flat body: triangles (n, 3, 3)
Body = Ball | Floats


@dataclass(frozen=True)
class Stone:
    """What is judged, in the rough file's frame: the whole, what is above the girdle, what is under the table."""

    whole: Convex
    crown: Convex
    column: Convex
    tolerance: float


def shortest_turn(c_axis: Floats) -> Floats:
    """The rotation that takes c, its upper end, to +z the shortest way (Rodrigues)."""
    c = c_axis / np.linalg.norm(c_axis)
    if c[2] < 0:
        c = -c
    x, y = c[1], -c[0]
    cross = np.array([[0, 0, y], [0, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1 + c[2]))


def complaints(
    rough: Path, answer: Path, stone: Path, low_deg: float, high_deg: float
) -> list[str]:
    """What is wrong with the best stone of a plan, in words; empty where nothing is.

    rough: the rough file, its scan beside it; answer: the command's JSON; stone: the mesh of
    ``--stone``; low_deg, high_deg: what ``--table-to-c`` asked.
    """
    told = tomllib.loads(rough.read_text(encoding="utf-8"))
    plan = json.loads(answer.read_text(encoding="utf-8"))["plan"]
    row = plan["plans"][plan.get("best") or 0]
    scan = np.array(trimesh.load(rough.parent / told["shape"]["mesh"]).triangles, dtype=float)
    mesh = trimesh.load(stone)
    corners = np.array(mesh.vertices, dtype=float)
    found = _of_mesh(mesh, row, told.get("density", RUBY))
    turn = shortest_turn(np.array(told["shape"]["c_axis"], dtype=float)).T @ np.array(row["turn"])
    if np.abs(turn @ turn.T - np.eye(3)).max() > 1e-6 or np.linalg.det(turn) < 0:
        return [*found, "turn is no rotation"]
    at = shortest_turn(np.array(told["shape"]["c_axis"], dtype=float)).T @ np.array(row["shift_mm"])
    found += _of_table(corners, turn, row, np.array(told["shape"]["c_axis"]), (low_deg, high_deg))
    if any("table does not look" in words for words in found):
        return found
    whole = convex(corners)
    if ((whole.normals @ at) > whole.offsets + TOLERANCE).any():
        return [*found, "the design's middle, shift_mm, is not in the stone"]
    tolerance = TOLERANCE + float(np.spacing(np.float32(np.abs(corners).max())))
    parts = Stone(
        whole, _above(whole, turn[:, 2], at), _under_table(whole, turn[:, 2], at), tolerance
    )
    found += _of_scan(scan, whole, told.get("loss", {}).get("skin_mm", 0.15), tolerance)
    for defect in told.get("defect", []):
        found += _of_defect(defect, parts, scan)
    return found


# ---- the mesh and the numbers -----------------------------------------------------------------


def _of_mesh(mesh: trimesh.Trimesh, row: dict[str, Any], density: float) -> list[str]:
    found = []
    if not (mesh.is_watertight and mesh.is_winding_consistent):
        return ["the stone's mesh is not closed"]
    if mesh.volume <= 0:
        return ["the stone's mesh is mirrored: its faces look inwards"]
    if ConvexHull(mesh.vertices).volume > mesh.volume * (1 + WEIGHT):
        found.append("the stone's mesh is not convex")
    carats = mesh.volume * density * 1e-3 / GRAMS_PER_CARAT
    if abs(carats / row["carats"] - 1) > WEIGHT:
        found.append(f"carats: printed {row['carats']:.5f}, the mesh weighs {carats:.5f}")
    if not row["low_carats"] <= row["carats"] * (1 + 1e-12):
        found.append("low_carats is more than carats")
    if not row["high_carats"] >= row["carats"] * (1 - 1e-12):
        found.append("high_carats is less than carats")
    if "most_carats" in row and not row["most_carats"] >= row["carats"] * (1 - 1e-12):
        found.append("most_carats is less than carats")
    return found


def _of_table(
    corners: Floats, turn: Floats, row: dict[str, Any], c_axis: Floats, asked: tuple[float, float]
) -> list[str]:
    """The table looks where the plan says, and within the cone that was asked."""
    normal = turn[:, 2]
    c = c_axis / np.linalg.norm(c_axis)
    angle = float(np.degrees(np.arctan2(np.linalg.norm(np.cross(c, normal)), abs(c @ normal))))
    found = []
    height = corners @ normal
    if (height > height.max() - 1e-5).sum() < 3:
        found.append("the stone's table does not look along the third column of turn")
    if not asked[0] - DEGREES <= angle <= asked[1] + DEGREES:
        found.append(f"cone: the table's normal is {angle:.4f} deg from c, asked {asked[0]} to {asked[1]}")  # fmt: skip
    if abs(angle - row["table_to_c_deg"]) > DEGREES:
        found.append(f"table_to_c_deg: printed {row['table_to_c_deg']:.4f}, is {angle:.4f}")
    return found


# ---- the scan ---------------------------------------------------------------------------------


def _of_scan(scan: Floats, whole: Convex, skin: float, tolerance: float) -> list[str]:
    outside = np.abs(windings(whole.corners, scan) - 1) > 1e-3
    if outside.any():
        return [f"scan: {outside.sum()} corners of the stone are outside"]
    near = scan[parted(scan, whole) < skin]
    cut = int(crosses(near, whole).sum()) if len(near) else 0
    if cut:
        return [f"scan: {cut} of its triangles cut the stone"]
    gap = _gap(near, whole, skin)
    if gap < skin - tolerance:
        return [f"scan: {gap:.6f} mm from the stone, skin_mm is {skin}"]
    return []


def _gap(triangles: Floats, stone: Convex, within: float) -> float:
    """The true least distance where nothing crosses; *within* where it is more."""
    if not len(triangles):
        return within
    ours, theirs = nearest_pairs(triangles, stone, within)
    return min(within, float(np.linalg.norm(ours - theirs, axis=1).min(initial=within)))


# ---- parts of the stone -----------------------------------------------------------------------


def _clipped(body: Convex, normal: Floats, offset: float) -> Convex:
    """What of a body lies where normal . x <= offset."""
    beyond = body.edges @ normal - offset
    passing = (beyond[:, 0] < 0) != (beyond[:, 1] < 0)
    share = beyond[passing, 0] / (beyond[passing, 0] - beyond[passing, 1])
    first, second = body.edges[passing, 0], body.edges[passing, 1]
    kept = body.corners[body.corners @ normal <= offset]
    return convex(np.vstack([kept, first + share[:, None] * (second - first)]))


def _above(whole: Convex, up: Floats, at: Floats) -> Convex:
    """The stone above the girdle plane, z = 0 of the design's frame."""
    return _clipped(whole, -up, float(-up @ at))


def _under_table(whole: Convex, up: Floats, at: Floats) -> Convex:
    """The stone straight under its table."""
    height = whole.corners @ up
    table = whole.corners[height > height.max() - 1e-5]
    first = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    first = first / np.linalg.norm(first)
    axes = np.array([first, np.cross(up, first)])
    sides = ConvexHull(table @ axes.T).equations
    body = whole
    for a, b, c in np.unique(sides.round(9), axis=0):
        wall = a * axes[0] + b * axes[1]
        body = _clipped(body, wall, -c + 1e-9)
    return body


# ---- defects ----------------------------------------------------------------------------------


def _of_defect(defect: dict[str, Any], stone: Stone, scan: Floats) -> list[str]:
    kind, name = defect["kind"], defect["name"]
    wish = defect.get("wish", WISHES[kind])
    margin = defect.get("margin_mm", MARGINS.get(kind, 0.0))
    if wish in ("anywhere", "hide"):
        return []
    body = _body(defect, scan)
    if wish == "under girdle":
        parts = (("above the girdle", stone.crown), ("under the table", stone.column))
        return [
            f"{name}: {gap:.6f} mm off what is {where}, wanted {margin}"
            for where, part in parts
            if (gap := _off(body, part, margin)) < margin - stone.tolerance
        ]
    gap = _off(body, stone.whole, margin)
    if gap >= margin - stone.tolerance:
        return []
    if wish == "inside":
        under = _depth(body, stone.whole)
        if under >= margin - stone.tolerance:
            return []
        return [f"{name}: neither off the stone ({gap:.6f} mm) nor within it ({under:.6f} mm), wanted {margin}"]  # fmt: skip
    return [f"{name}: {gap:.6f} mm off the stone, wanted {margin}"]


def _body(defect: dict[str, Any], scan: Floats) -> Body:
    """A defect's true shape. Raises ValueError for shapes that the natural roughs have not."""
    if "polygon_mm" in defect:
        return _fan(np.array(defect["polygon_mm"], dtype=float))
    if "disc" in defect:
        disc = defect["disc"]
        axes = _across(np.array(disc["normal"], dtype=float))[:2]
        angles = np.linspace(0, 2 * np.pi, AROUND, endpoint=False)
        circle = disc["radius_mm"] * np.column_stack([np.cos(angles), np.sin(angles)])
        return _fan(np.array(disc["centre_mm"]) + circle @ axes)
    if "ellipsoid" in defect:
        e = defect["ellipsoid"]
        axes = ellipsoid_rotation(e.get("tilt", 0.0), e.get("azimuth", 0.0), e.get("turn", 0.0))
        return Ball(np.array(e.get("centre_mm", [0, 0, 0]), dtype=float), axes * np.array(e["radii_mm"]))  # fmt: skip
    if defect["kind"] == "pit":
        # down from the nearest face of the scan's hull, its mouth on at_mm
        at = np.array(defect["at_mm"], dtype=float)
        hull = ConvexHull(scan.reshape(-1, 3)).equations
        axes = _across(hull[int(np.argmax(hull[:, :3] @ at + hull[:, 3])), :3])
        radii = [defect["radius_mm"], defect["radius_mm"], defect["depth_mm"]]
        return Ball(at, axes.T * np.array(radii))
    raise ValueError(f"{defect['name']}: the judge knows no such shape")


def _across(normal: Floats) -> Floats:
    """Rows: two directions across a normal, and its own, of length 1."""
    third = normal / np.linalg.norm(normal)
    first = np.cross(third, np.eye(3)[int(np.argmin(np.abs(third)))])
    first = first / np.linalg.norm(first)
    return np.array([first, np.cross(third, first), third])


def _fan(polygon: Floats) -> Floats:
    """Triangles of a flat convex polygon, its corners in any order."""
    middle = polygon.mean(axis=0)
    flat = (polygon - middle) @ np.linalg.svd(polygon - middle, full_matrices=False)[2][:2].T
    p = polygon[np.argsort(np.arctan2(flat[:, 1], flat[:, 0]))]
    return np.array([[p[0], p[k], p[k + 1]] for k in range(1, len(p) - 1)])


def _off(body: Body, part: Convex, margin: float) -> float:
    """How far a body is off part of the stone, mm, up to *margin*; below 0 where they meet."""
    if not isinstance(body, Ball):
        if crosses(body, part).any() and not _touches(body, part):
            return -float(min(1.0, _meeting(body, part)))
        return _gap(body, part, margin + 1.0)
    # where the ellipsoid is a ball of radius 1, the part's nearest point tells whether they meet
    back = np.linalg.inv(body.shape)
    there = replace(part, triangles=(part.triangles - body.centre) @ back.T)
    inside = (part.normals @ body.centre <= part.offsets).all()
    near = on_triangles(np.zeros((len(there.triangles), 3)), there.triangles)
    reach = float(np.linalg.norm(near, axis=1).min())
    least = float(np.linalg.norm(body.shape, axis=0).min())
    if inside:
        return -least
    if reach < 1:
        return (reach - 1) * least
    start = near[int(np.argmin(np.linalg.norm(near, axis=1)))]
    return _between(body, part, start / np.linalg.norm(start))


def _touches(body: Floats, part: Convex) -> bool:
    """Whether what meets is rounding: some plane of the part all but parts each triangle."""
    return bool((parted(body, part) > -TOLERANCE).all())


def _meeting(body: Floats, part: Convex) -> float:
    """How deep flat triangles go into a part, mm: by the plane that parts them best."""
    return float(-parted(body, part).min())


def _between(ball: Ball, part: Convex, y: Floats) -> float:
    """Distance of an ellipsoid and a convex body that do not meet: nearest points by turns (von Neumann).

    y: a start on the unit ball. What is returned is proven: the width of the gap along the last direction.
    """
    best = 0.0
    for _ in range(2000):
        point = ball.centre + ball.shape @ y
        feet = on_triangles(np.tile(point, (len(part.triangles), 1)), part.triangles)
        foot = feet[int(np.argmin(np.linalg.norm(feet - point, axis=1)))]
        new = _nearest_on_ball(ball, foot)
        away = foot - (ball.centre + ball.shape @ new)
        size = float(np.linalg.norm(away))
        if size < 1e-9:
            break
        u = away / size
        best = max(best, float((part.corners @ u).min() - ball.support(u[None])[0]))
        if size - best < 1e-9 or np.linalg.norm(new - y) < 1e-13:
            break
        y = new
    return best


def _nearest_on_ball(ball: Ball, point: Floats) -> Floats:
    """y of the point of an ellipsoid nearest to one outside of it: the root of the secular equation."""
    axes, radii, _ = np.linalg.svd(ball.shape)
    seen = (point - ball.centre) @ axes

    def size(shift: float) -> float:
        return float(np.sum((radii * seen / (radii**2 + shift)) ** 2))

    low, high = 0.0, float(np.linalg.norm(radii * seen))
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if size(middle) > 1 else (low, middle)
    place = axes @ (radii**2 * seen / (radii**2 + high))
    return np.asarray(np.linalg.solve(ball.shape, place))


def _depth(body: Body, whole: Convex) -> float:
    """How far below the stone's surface all of a body lies, mm; below 0 where some of it is outside."""
    if isinstance(body, Ball):
        return float((whole.offsets - body.support(whole.normals)).min())
    points = body.reshape(-1, 3)
    return float((whole.offsets - points @ whole.normals.T).min())
