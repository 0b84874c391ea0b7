"""The marking sheet's numbers: where a planned stone lies in its rough.

All numbers are in the frame of the rough file: its axes x, y, z, millimetres, and the box around the piece in that
frame, whose six sides are called "+x", "-x" and so on, each through the outermost point of the piece on that side.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from trimesh.intersections import slice_faces_plane

from facetrace.design.model import Design
from facetrace.results import document
from facetrace.results.reading import Result, lying, stones_of
from facetrace.results.sheet import CAUTIONS, DEFER
from facetrace.rough.model import read_rough
from facetrace.rough.rough import Rough, rough_of
from facetrace.solid.polyhedron import Solid
from facetrace.studies.zoned import Cut

Floats = NDArray[np.float64]
# a saw cut, from 0, and a side of it: -1 that of its normal, 1 the other
Side = tuple[int, int]
SIDES = ("+x", "-x", "+y", "-y", "+z", "-z")
AXES = "xyz"
# a facet's normal this near to the axis is the table; corners this near to the lowest, of the depth, are the culet
LEVEL, LOWEST = 1e-9, 1e-6
# a line that shows the scale of the print; sizes by caliper agree within so much at least (common practice, no source)
CHECK_MM, AGREE_MM = 50, 0.1
OWN_CAUTIONS = (
    "Measure again before each step that cannot be undone: before the saw, before the table is ground, before the dop is set.",
    "Saw slowly, wet, the piece held firm; a crack may let go and throw a part of it.",
    "A crack often runs further than it shows: look again, wet and against the light, after each face.",
)


def side_axes(side: str) -> Floats:
    """(3, 3): what points right, up and to the eye where one looks at a side."""
    eye = np.zeros(3)
    eye[AXES.index(side[1])] = 1.0 if side[0] == "+" else -1.0
    up = np.array([0.0, 1.0, 0.0] if side[1] == "z" else [0.0, 0.0, 1.0])
    return np.array([np.cross(up, eye), up, eye])


def axis_name(direction: Floats) -> str:
    """ "+x" for a direction along an axis."""
    k = int(np.argmax(np.abs(direction)))
    return ("+" if direction[k] > 0 else "-") + AXES[k]


@dataclass(frozen=True)
class Lying:
    """A stone of a plan where it lies in the rough file's frame."""

    cut: Cut
    row: Mapping[str, Any]
    design: Design
    sides: tuple[Side, ...] = ()


@dataclass(frozen=True)
class Sawing:
    """A saw cut, the middle of its kerf: normal . r = offset in the rough file's frame; of: whose piece it divides."""

    normal: Floats
    offset: float
    crack: str | None
    of: Side | None


@dataclass(frozen=True)
class Marked:
    """A rough, the stones to cut from it, and the saw cuts between them in their order."""

    rough: Rough
    stones: tuple[Lying, ...]
    cuts: tuple[Sawing, ...]
    sources: tuple[Any, ...]

    def walls(
        self, sides: Sequence[Side], kerf_mm: float = 0.0
    ) -> tuple[tuple[Floats, float], ...]:
        """(n, d) for each side of a cut, so that n . r >= d there, half of the kerf away from the cut."""
        return tuple(
            (-side * self.cuts[k].normal, -side * self.cuts[k].offset + kerf_mm / 2) for k, side in sides
        )  # fmt: skip

    def before(self, cut: Sawing) -> list[Side]:
        """Sides of the cuts that come before, which bound the piece that a cut divides."""
        return [] if cut.of is None else [*self.before(self.cuts[cut.of[0]]), cut.of]


def marked_of(result: Result, number: int | None, pieces: bool, source: Any = None) -> Marked:
    """What a plan's document says of one of its stones (counted from 1), or of those of several pieces; see ``stones_of``.

    Raises FacetraceError where the files that it names are gone or changed, or it has no such stone.
    """
    member = result.document["plan"]
    rows = stones_of(result, member, number, pieces)
    sawn = "sides" in rows[0]
    where = source or result.found(member["rough"]["file"])
    rough = rough_of(read_rough(where))
    result.check(str(where), rough.carats, float(member["rough"]["carats"]))
    stones, sources = [], [result.path, where]
    for row in rows:
        cut, design, file = lying(result, member, row, rough)
        back = rough.turn.T
        sides = tuple(_side(side) for side in row["sides"]) if sawn else ()
        here = replace(cut, turn=back @ cut.turn, shift=back @ cut.shift)
        stones.append(Lying(here, row, design, sides))
        sources.append(file)
    cuts = [_sawing(cut, rough) for cut in member["sawn"]["cuts"]] if sawn else []
    used = [k for stone in stones for k, _ in stone.sides] + [c.of[0] for c in cuts if c.of]
    if any(not 0 <= k < len(cuts) for k in used) or any(
        c.of and c.of[0] >= k for k, c in enumerate(cuts)
    ):
        raise ValueError("cuts")
    return Marked(rough, tuple(stones), tuple(cuts), tuple(sources))


def _side(member: Mapping[str, Any]) -> Side:
    if member["side"] not in (-1, 1):
        raise ValueError("side")
    return int(member["cut"]), int(member["side"])


def _sawing(member: Mapping[str, Any], rough: Rough) -> Sawing:
    normal = np.array(member["normal"], dtype=float)
    if normal.shape != (3,):
        raise ValueError("normal")
    of = None if member["of"] is None else _side(member["of"])
    there = rough.turn.T @ (normal / np.linalg.norm(normal))
    return Sawing(there, float(member["offset_mm"]), member["crack"], of)


# ---- numbers -----------------------------------------------------------------------------------


def mark_part(marked: Marked) -> dict[str, Any]:
    """The member "mark" of the document."""
    rough = marked.rough
    corners = rough.mesh.vertices @ rough.turn
    low, high = corners.min(axis=0), corners.max(axis=0)
    c = rough.turn[2]
    names = list(dict.fromkeys(d.name for d in rough.defects))
    kinds = {d.name: (d.kind, d.wish) for d in rough.defects}
    return {
        "rough": {
            "name": rough.name, "file": str(rough.file.path), "carats": rough.carats, "weighed_carats": rough.weighed_carats,
            "size_mm": (high - low).tolist(), "low_mm": low.tolist(), "high_mm": high.tolist(),
            "skin_mm": rough.loss.skin_mm, "agree_mm": max(AGREE_MM, 2 * rough.loss.scan_mm), "notes": list(rough.notes),
        },
        "c": {
            "angles_deg": _angles(c),
            "views_deg": {s: math.degrees(math.asin(np.clip(c @ side_axes(s)[2], -1, 1))) for s in SIDES},
        },
        "stones": [_stone_part(stone, piece_of(marked, stone.sides), low, high, c) for stone in marked.stones],
        "cuts": [_cut_part(marked, k, low, high) for k in range(len(marked.cuts))],
        "defects": [
            {"number": k + 1, "name": n, "kind": kinds[n][0], "wish": kinds[n][1]} for k, n in enumerate(names)
        ],
        "check_mm": CHECK_MM,
        "cautions": [*OWN_CAUTIONS, *CAUTIONS],
    }  # fmt: skip


def piece_of(marked: Marked, sides: Sequence[Side]) -> Floats:
    """Corners (n, 3) of the rough, or of its piece on these sides of the saw cuts."""
    mesh = marked.rough.mesh
    corners, faces = mesh.vertices @ marked.rough.turn, mesh.faces
    for normal, offset in marked.walls(sides, marked.rough.loss.kerf_mm):
        if len(faces):
            corners, faces, _ = slice_faces_plane(corners, faces, normal, offset * normal)
    if not len(faces):
        raise ValueError("sides")
    return np.asarray(corners[np.unique(faces)])


def _cut_part(marked: Marked, number: int, low: Floats, high: Floats) -> dict[str, Any]:
    cut = marked.cuts[number]
    corners = piece_of(marked, marked.before(cut))
    reach = corners @ cut.normal
    return _plane_part("saw", cut.normal, cut.offset, corners, low, high) | {
        "ends_mm": [float(reach.max()) - cut.offset, cut.offset - float(reach.min())],
        "kerf_mm": marked.rough.loss.kerf_mm, "number": number + 1, "crack": cut.crack, "of": _as_member(cut.of),
    }  # fmt: skip


def _as_member(side: Side | None) -> dict[str, int] | None:
    return None if side is None else {"cut": side[0], "side": side[1]}


def _angles(direction: Floats) -> list[float]:
    """To x, y and z, degrees."""
    unit = direction / np.linalg.norm(direction)
    return [math.degrees(math.acos(float(np.clip(a, -1, 1)))) for a in unit]


def _plane_part(
    name: str, normal: Floats, offset: float, corners: Floats, low: Floats, high: Floats
) -> dict[str, Any]:
    """A plane normal . r = offset against the box: how far under the piece's outermost point, how high at its sides.

    up: the side that is held up, of the axis nearest to the normal; heights_mm: at the middle of each other
    side of the box, from the opposite side up; null where the plane passes above or below the box.
    """
    up = axis_name(normal)
    k, sign = AXES.index(up[1]), 1.0 if up[0] == "+" else -1.0
    middle, size = (low + high) / 2, high - low
    heights: dict[str, float | None] = {}
    for side in SIDES:
        j = AXES.index(side[1])
        if j == k:
            continue
        at = middle.copy()
        at[j] = high[j] if side[0] == "+" else low[j]
        level = (offset - normal @ at) / normal[k] + at[k]
        height = float(level - low[k] if sign > 0 else high[k] - level)
        heights[side] = height if 0 <= height <= size[k] else None
    return {
        "name": name, "up": up, "below_mm": float((corners @ normal).max() - offset), "heights_mm": heights,
        "angles_deg": _angles(normal), "normal": normal.tolist(), "offset_mm": float(offset),
    }  # fmt: skip


def places(solid: Solid) -> dict[str, Floats]:
    """Points (3,) in a stone's own frame: the middle of its table (or top), of its girdle plane, its lowest point."""
    z = solid.vertices[:, 2]
    top, low = float(z.max()), float(z.min())
    sums, area = np.zeros(3), 0.0
    for normal, polygon in zip(solid.normals, solid.polygons, strict=True):
        if normal[2] > 1 - LEVEL:
            p = solid.vertices[polygon]
            for a, b in pairwise(p[1:]):
                part = float(np.linalg.norm(np.cross(a - p[0], b - p[0])))
                sums, area = sums + part * (p[0] + a + b) / 3, area + part
    near = LOWEST * (top - low)
    table_ = sums / area if area else solid.vertices[z > top - near].mean(axis=0)
    return {
        "table": np.asarray(table_), "girdle": np.zeros(3), "culet": solid.vertices[z < low + near].mean(axis=0),
    }  # fmt: skip


def _stone_part(
    stone: Lying, corners: Floats, low: Floats, high: Floats, c: Floats
) -> dict[str, Any]:
    cut, row = stone.cut, stone.row
    up, along = cut.turn[:, 2], cut.turn[:, 0]
    points = {n: cut.shift + cut.turn @ p for n, p in places(cut.solid).items()}
    return {
        "design": str(row["design"]), "name": stone.design.name, "carats": float(row["carats"]),
        "size_mm": np.ptp(cut.solid.vertices, axis=0).tolist(),
        "points": {
            n: {
                "at_mm": p.tolist(),
                "from_mm": {
                    s: float(high[k] - p[k] if s[0] == "+" else p[k] - low[k]) for s in SIDES for k in [AXES.index(s[1])]
                },
            }
            for n, p in points.items()
        },
        "planes": [_plane_part(n, up, float(up @ points[n]), corners, low, high) for n in ("table", "girdle")],
        "culet_below_mm": float((corners @ up).max() - up @ points["culet"]),
        "normal_deg": _angles(up), "length_deg": _angles(along),
        "normal_to_c_deg": math.degrees(math.acos(min(1.0, abs(float(up @ c))))),
        "sides": [_as_member(side) for side in stone.sides],
    }  # fmt: skip


def notes(marked: Marked) -> list[str]:
    """What belongs to the numbers."""
    found = marked.rough.asked
    if marked.rough.weight_note:
        found.append("Measure the piece before you trust a distance.")
    return [*found, DEFER, document.ESTIMATE]


def mark_document(marked: Marked) -> dict[str, Any]:
    """The JSON document of a marking sheet."""
    return document.head() | {"mark": mark_part(marked), "notes": notes(marked)}
