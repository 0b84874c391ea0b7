"""The marking sheet: where a planned stone lies in its rough, as a page to take to the saw and the dop."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

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
    Outlined,
    Plane,
    Scene,
    SideView,
    fits_one_to_one,
)
from facetrace.results.mark import AXES, SIDES, Marked, axis_name, places
from facetrace.rough.rough import Rough
from facetrace.rough.zone import substances

# triangles of the rough that are drawn, and mm by which drawing fewer may move its skin without a word
MOST_DRAWN, MOVED_MM = 4000, 0.05
# a colour zone is shown as so many mm of it look through the ordinary ray
ZONE_MM = 2.0
DEGREE, MINUS = "\N{DEGREE SIGN}", "\N{MINUS SIGN}"
WHAT = {
    "table": "middle of the table", "girdle": "middle of the girdle plane", "culet": "lowest point (culet)",
}  # fmt: skip
MARKS = {"table": "whole line", "girdle": "dashed line"}
SAW_MARKS = ("line of dashes and dots", "line of dashes and pairs of dots")


# ---- drawings ----------------------------------------------------------------------------------


def scene_of(marked: Marked) -> tuple[Scene, float]:
    """What the six views show, and how far the drawing moved the skin, mm."""
    rough = marked.rough
    vertices, faces, moved = fewer(rough.mesh, MOST_DRAWN)
    corners = rough.mesh.vertices @ rough.turn
    planes = [
        Plane(f"saw {k + 1}", cut.normal, cut.offset, marked.walls(marked.before(cut)))
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
