"""The marking sheet: where a planned stone lies in its rough, as numbers and as a page to take to the saw and the dop.

All numbers are in the frame of the rough file: its axes x, y, z, millimetres, and the box around the piece in that
frame, whose six sides are called "+x", "-x" and so on, each through the outermost point of the piece on that side.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from trimesh.intersections import slice_faces_plane

from facetrace.design.model import Design
from facetrace.optics.colour import observer, srgb_of
from facetrace.optics.pleochroism import dichroscope_pair
from facetrace.report.drawing3d import fewer
from facetrace.report.html import (
    Figures,
    css_string,
    figure,
    listed,
    page,
    paragraph,
    rough_carats,
    section,
    table,
)
from facetrace.report.line_drawing import BEHIND, FLAWS
from facetrace.report.sheet import tick
from facetrace.report.six_views import (
    LETTERS,
    SIDES,
    Floats,
    Outlined,
    Plane,
    Scene,
    SideView,
    axis_name,
    fits_one_to_one,
    side_axes,
)
from facetrace.results.document import ESTIMATE
from facetrace.results.reading import Result, lying, stones_of
from facetrace.results.sheet import CAUTIONS, DEFER
from facetrace.rough.rough import Rough, read_rough, rough_of
from facetrace.rough.zone import substances
from facetrace.solid.polyhedron import Solid
from facetrace.studies.zoned import Cut

# triangles of the rough that are drawn, and mm by which drawing fewer may move its skin without a word
MOST_DRAWN, MOVED_MM = 4000, 0.05
# a facet's normal this near to the axis is the table; corners this near to the lowest, of the depth, are the culet
LEVEL, LOWEST = 1e-9, 1e-6
# a colour zone is shown as so many mm of it look through the ordinary ray
ZONE_MM = 2.0
# a line that shows the scale of the print; sizes by caliper agree within so much at least (common practice, no source)
CHECK_MM, AGREE_MM = 50, 0.1
AXES = "xyz"
DEGREE, MINUS = "\N{DEGREE SIGN}", "\N{MINUS SIGN}"
# a saw cut, from 0, and a side of it: -1 that of its normal, 1 the other
Side = tuple[int, int]
OWN_CAUTIONS = (
    "Measure again before each step that cannot be undone: before the saw, before the table is ground, before the dop is set.",
    "Saw slowly, wet, the piece held firm; a crack may let go and throw a part of it.",
    "A crack often runs further than it shows: look again, wet and against the light, after each face.",
)
WHAT = {
    "table": "middle of the table", "girdle": "middle of the girdle plane", "culet": "lowest point (culet)",
}  # fmt: skip
MARKS = {"table": "whole line", "girdle": "dashed line"}
SAW_MARKS = ("line of dashes and dots", "line of dashes and pairs of dots")


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
    corners = piece_of(marked, _before(marked, cut))
    reach = corners @ cut.normal
    return _plane_part("saw", cut.normal, cut.offset, corners, low, high) | {
        "ends_mm": [float(reach.max()) - cut.offset, cut.offset - float(reach.min())],
        "kerf_mm": marked.rough.loss.kerf_mm, "number": number + 1, "crack": cut.crack, "of": _as_member(cut.of),
    }  # fmt: skip


def _before(marked: Marked, cut: Sawing) -> list[Side]:
    """Sides of the cuts that come before, which bound the piece that a cut divides."""
    return [] if cut.of is None else [*_before(marked, marked.cuts[cut.of[0]]), cut.of]


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
    return [*found, DEFER, ESTIMATE]


# ---- drawings ----------------------------------------------------------------------------------


def scene_of(marked: Marked) -> tuple[Scene, float]:
    """What the six views show, and how far the drawing moved the skin, mm."""
    rough = marked.rough
    vertices, faces, moved = fewer(rough.mesh, MOST_DRAWN)
    corners = rough.mesh.vertices @ rough.turn
    planes = [
        Plane(f"saw {k + 1}", cut.normal, cut.offset, marked.walls(_before(marked, cut)))
        for k, cut in enumerate(marked.cuts)
    ]
    for stone in marked.stones:
        up, at = stone.cut.turn[:, 2], places(stone.cut.solid)
        # a piece bears the lines of its own stone alone
        keep = marked.walls(stone.sides)
        for kind in ("table", "girdle"):
            point = stone.cut.shift + stone.cut.turn @ at[kind]
            planes.append(Plane(kind, up, float(up @ point), keep))
    return Scene(
        vertices @ rough.turn, faces, tuple(s.cut for s in marked.stones), tuple(_outlined(rough)), tuple(planes),
        rough.turn[2], corners.min(axis=0), corners.max(axis=0),
    ), moved  # fmt: skip


def _outlined(rough: Rough) -> list[Outlined]:
    colours = _zone_colours(rough)
    found = []
    for k, name in enumerate(dict.fromkeys(d.name for d in rough.defects)):
        own = [d for d in rough.defects if d.name == name]
        number = own[0].zone
        line = f"var(--c{k % 6 + 1})" if number is None else "var(--soft)"
        colour = line if number is None else colours[number]
        found.append(Outlined(k + 1, tuple(d.points @ rough.turn for d in own), colour, line))
    return found


def _zone_colours(rough: Rough) -> list[str]:
    """What each zone's substance looks like through ZONE_MM, as CSS."""
    if rough.zones is None:
        return []
    eye, found = observer(), []
    for substance in substances(rough.zones, rough.material):
        xyz = dichroscope_pair(substance, math.pi / 2, ZONE_MM, eye).ordinary.xyz
        r, g, b = np.round(255 * srgb_of(np.asarray(xyz)[None], eye.white, 1.0)[0][0]).astype(int)
        found.append(f"rgb({r} {g} {b})")
    return found


# ---- page --------------------------------------------------------------------------------------


def mark_page(document: dict[str, Any], marked: Marked) -> str:
    """The sheet as one HTML page; its figures are those of *document*."""
    f = Figures(document)
    name = marked.rough.name
    scene, moved = scene_of(marked)
    body = [
        _head(f), _first(f), _order(f), _views(f, scene, moved), _numbers(f), _cautions(f),
    ]  # fmt: skip
    rules = (
        f"@page {{ @bottom-left {{ content: {css_string(name[:70])} }} "
        '@bottom-right { content: "page " counter(page) " of " counter(pages) } }'
    )
    return page(
        f"Marking sheet: {name}", "\n".join(b for b in body if b), document, styles=("mark.css",), rules=rules
    )  # fmt: skip


def _size(f: Figures, at: str) -> str:
    return (
        " \N{MULTIPLICATION SIGN} ".join(f.number(f"{at}/{k}") for k in range(len(f.at(at)))) + " mm"
    )  # fmt: skip


def _head(f: Figures) -> str:
    blanks = "".join(f'<span class="blank">{w}<i></i></span>' for w in ("piece", "cutter", "date", "carats in"))  # fmt: skip
    stones = "; ".join(
        f"{f'stone {LETTERS[k]}, ' if f.at(f'{at}/sides') else ''}{f.number(f'{at}/carats')} ct, {_size(f, f'{at}/size_mm')}, "
        f"from the design '{f.words(f'{at}/name')}'"
        for k, at in enumerate(f"/mark/stones/{k}" for k in range(len(f.at("/mark/stones"))))
    )
    return "\n".join([
        f"<header><h1>Marking sheet: {f.words('/mark/rough/name')}</h1>",
        paragraph(f"To be cut: {stones}.", "lead"),
        paragraph(f"The rough: {rough_carats(f, '/mark/rough')}."),
        f'<p class="blanks">{blanks}</p></header>',
    ])  # fmt: skip


def _first(f: Figures) -> str:
    at = "/mark/rough"
    steps = [
        "Print at full size (no fitting to the page). This line is then "
        f'{f.number("/mark/check_mm", 0)} mm long:<div class="check"></div>',
        f"Measure the piece along x, y and z: {_size(f, f'{at}/size_mm')}. If a caliper reads otherwise by more than "
        f"{f.number(f'{at}/agree_mm')} mm, the distances below are off: stop and look why.",
        f"Hold the piece against the six views until it lies as drawn. Write +x, {MINUS}x, +y, {MINUS}y, +z, {MINUS}z on it "
        "with a pen that water leaves. A side is named after the axis of the rough file that points out of it.",
    ]
    taken = [f"Rough file: {f.words(f'{at}/notes/{k}')}." for k in range(len(f.at(f"{at}/notes")))]
    return section(
        "first", "Before you begin", _steps(steps), paragraph(" ".join(taken), "soft") if taken else ""
    )  # fmt: skip


def _steps(steps: Sequence[str]) -> str:
    return f'<ul class="steps">{"".join(f"<li>{tick()}{s}</li>" for s in steps)}</ul>'


def _views(f: Figures, scene: Scene, moved: float) -> str:
    views = [SideView(scene, side) for side in SIDES]
    drawn = []
    for view in views:
        right, up = axis_name(view.axes[0]), axis_name(view.axes[1])
        side = view.side.replace("-", MINUS)
        words = f"Side {view.side} of the rough with the stone in it, {up} up, {right} to the right"
        caption = f"<b>{side}</b> towards you: {up} up, {right.replace('-', MINUS)} to the right."
        drawn.append(figure(view.large(words), caption))
    key = [
        "T: middle of the table; C: lowest point. Whole line on the skin: the table's plane; dashed: the girdle plane"
        + "".join(
            f"; S{f.number(f'/mark/cuts/{k}/number', 0)}, {SAW_MARKS[k].removeprefix('line of ')}: saw cut"
            for k in _cuts(f)
        )
        + ". c: the optic axis."
    ]
    if scene.defects:
        key.append(f"{FLAWS} {BEHIND}")
    for k, defect in enumerate(scene.defects):
        at = f"/mark/defects/{k}"
        key.append(
            f'<span class="swatch-small" style="background:{defect.colour}"></span>{f.number(f"{at}/number", 0)} '
            f"{f.words(f'{at}/name')} ({f.words(f'{at}/kind')}, wish: {f.words(f'{at}/wish')})"
        )
    small = ""
    if fits_one_to_one(scene):
        ones = "".join(figure(v.small(), f"<b>{v.side.replace('-', MINUS)}</b>") for v in views)
        small = (
            f'<h3>One to one: lay the piece on its outline</h3><div class="onetoone">{ones}</div>'
        )
    told = f" The skin is drawn with fewer triangles, up to <span data-fixed>{moved:.2f}</span> mm off." if moved > MOVED_MM else ""  # fmt: skip
    return section(
        "views",
        "From six sides",
        paragraph(f"Drawn <span data-fixed>{scene.scale:g}</span> to <span data-fixed>1</span> when printed at full size.{told}"),
        f'<div class="six">{"".join(drawn)}</div>', listed(key, "key"), small,
    )  # fmt: skip


def _deg(f: Figures, at: str) -> str:
    return f"{f.number(at, 1)}{DEGREE}"


def _three(f: Figures, at: str) -> str:
    return ", ".join(f"{_deg(f, f'{at}/{k}')} from +{axis}" for k, axis in enumerate(AXES))


def _numbers(f: Figures) -> str:
    heads = ["", *(s.replace("-", MINUS) for s in SIDES)]
    parts = [
        paragraph(
            "Sides are those of the smallest box around the piece along x, y and z. Distances in mm, of the finished stone."
        )
    ]
    angles, planes = (
        [("c (the optic axis)", *(_deg(f, f"/mark/c/angles_deg/{k}") for k in range(3)))],
        [],
    )
    count = len(f.at("/mark/stones"))
    for n in range(count):
        at = f"/mark/stones/{n}"
        who = f", stone {LETTERS[n]}" if count > 1 else ""
        rows = [
            (f"{what}{who}", *(f.number(f"{at}/points/{name}/from_mm/{s}") for s in SIDES)) for name, what in WHAT.items()
        ]  # fmt: skip
        parts.append(table("Straight in from each side of the box, mm", heads, rows, "numbers"))
        planes += [_plane_row(f, f"{at}/planes/{k}", who) for k in range(2)]
        for word, key in (("table's normal, out of the table", "normal_deg"), ("length, towards index 0", "length_deg")):  # fmt: skip
            angles.append((f"{word.replace('0', '<span data-fixed>0</span>')}{who}", *(_deg(f, f"{at}/{key}/{k}") for k in range(3))))  # fmt: skip
    for n in _cuts(f):
        at = f"/mark/cuts/{n}"
        planes.append(_plane_row(f, at, f" cut {f.number(f'{at}/number', 0)}"))
        angles.append((f"across saw cut {f.number(f'{at}/number', 0)}", *(_deg(f, f"{at}/angles_deg/{k}") for k in range(3))))  # fmt: skip
    parts.append(
        table(
            "Planes: the piece stands with the named side up; height of the plane at the middle of each side of the box, mm",
            ["plane", "up", *(s.replace("-", MINUS) for s in SIDES)], planes, "numbers",
        )
    )  # fmt: skip
    parts.append(
        paragraph("\N{EN DASH} the plane passes above or below the box there, or it is the side that is up or below.", "soft")
    )  # fmt: skip
    parts.append(table("Angles", ["", "to +x", "to +y", "to +z"], angles, "numbers"))
    views = [("c out of the paper", *(_deg(f, f"/mark/c/views_deg/{s}") for s in SIDES))]
    parts.append(table("How c stands in each view: plus to the eye, minus away", heads, views, "numbers"))  # fmt: skip
    return section("numbers", "Numbers", *parts)


def _plane_row(f: Figures, at: str, who: str) -> tuple[str, ...]:
    cells = [
        f.number(f"{at}/heights_mm/{s}") if f.has(f"{at}/heights_mm/{s}") else "\N{EN DASH}" for s in SIDES
    ]  # fmt: skip
    name = f.at(f"{at}/name")
    line = MARKS.get(name) or SAW_MARKS[f.at(f"{at}/number") - 1]
    return (
        f"{f.words(f'{at}/name')}{who}, {line}",
        f.at(f"{at}/up").replace("-", MINUS),
        *cells,
    )


def _cuts(f: Figures) -> range:
    return range(len(f.at("/mark/cuts")))


def _side_words(f: Figures, at: str) -> str:
    """A side of a saw cut, by the side of the box that it faces, and the cut."""
    cut = f"/mark/cuts/{f.at(f'{at}/cut')}"
    up = str(f.at(f"{cut}/up"))
    if f.at(f"{at}/side") > 0:
        up = ("-" if up[0] == "+" else "+") + up[1]
    return f"{up.replace('-', MINUS)} of cut {f.number(f'{cut}/number', 0)}"


def _saw_steps(f: Figures) -> list[str]:
    steps = []
    if len(_cuts(f)) > 1:
        steps.append("Draw both saw cuts and the lines of all stones before you saw: on a piece x, y and z are hard to find again.")  # fmt: skip
    for n in _cuts(f):
        at = f"/mark/cuts/{n}"
        # what a cut divides is the rough, or a piece of the cut before
        piece = (
            f"the piece towards {_side_words(f, f'{at}/of')}" if f.has(f"{at}/of") else "the rough"
        )
        through = f", through the {f.words(f'{at}/crack')}" if f.has(f"{at}/crack") else ""
        up = f.at(f"{at}/up").replace("-", MINUS)
        steps.append(
            f"Saw cut {f.number(f'{at}/number', 0)}: divide {piece}{through}. Draw the cut round it ({SAW_MARKS[n].removeprefix('line of ')} in the "
            f"views). Its middle lies {f.number(f'{at}/ends_mm/0')} mm from the end of {'the rough' if piece == 'the rough' else 'that piece'} towards "
            f"{up} and {f.number(f'{at}/ends_mm/1')} mm from the other, square to the cut; the blade takes {f.number(f'{at}/kerf_mm')} mm. "
            f"The direction across it stands {_three(f, f'{at}/angles_deg')}. Measure both ends again before the blade touches."
        )
    return steps


def _order(f: Figures) -> str:
    steps = _saw_steps(f)
    for n in range(len(f.at("/mark/stones"))):
        at = f"/mark/stones/{n}"
        own, piece = "", "the rough"
        if f.at(f"{at}/sides"):
            own, piece = f"Stone {LETTERS[n]}: ", f"piece {LETTERS[n]}"
            sides = (_side_words(f, f"{at}/sides/{k}") for k in range(len(f.at(f"{at}/sides"))))
            steps.append(f"{own}it lies in {piece}, towards {', towards '.join(sides)}.")  # fmt: skip
        steps += [
            f"{own}Draw the line of the table's plane round {piece} (whole line in the views, heights under Numbers).",
            own + _table_step(f, at, piece),
            f"{own}Mark T on that face, and the length through it: {_three(f, f'{at}/length_deg')}.",
            f"{own}Set the dop on the face, its axis through T and square to the face; index <span data-fixed>0</span> along the length.",
            f"{own}Below the same outermost point the girdle plane lies {f.number(f'{at}/planes/1/below_mm')} mm, "
            f"the lowest point {f.number(f'{at}/culet_below_mm')} mm. The table's normal is {_deg(f, f'{at}/normal_to_c_deg')} from c; "
            "a dichroscope or a polariscope through the table shows whether that came true.",
        ]  # fmt: skip
    return section("order", "In this order", _steps(steps))


def _table_step(f: Figures, at: str, piece: str) -> str:
    """How deep to grind for the table; nothing to grind where polishing takes all that lies over it, as numbers are printed."""
    below, skin = f"{at}/planes/0/below_mm", "/mark/rough/skin_mm"
    lies = (
        f"The finished table lies {f.number(below)} mm below the outermost point of {piece} over it"
    )
    normal = f"square to the table's normal, which stands {_three(f, f'{at}/normal_deg')}"
    if round(f.at(below), 2) > round(f.at(skin), 2):
        return f"Grind a face {normal}. {lies}. Stop {f.number(skin)} mm before that: the rest goes in polishing."
    return f"Only polish this side, do not grind it: the face is {normal}. {lies}, and polishing may take {f.number(skin)} mm."


def _cautions(f: Figures) -> str:
    cautions = [f.words(f"/mark/cautions/{k}") for k in range(len(f.at("/mark/cautions")))]
    remarks = [f.words(f"/notes/{k}") for k in range(len(f.at("/notes")))]
    return section("cautions", "Take care", '<div class="caution">', listed(cautions), "</div>", listed(remarks))  # fmt: skip
