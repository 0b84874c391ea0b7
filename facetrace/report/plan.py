"""Pictures of plans: the stone in the transparent rough, with the defects, from three sides, as PNG."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from facetrace.placement.thinning import Thinned, thinned
from facetrace.report.line_drawing import BEHIND, FLAWS, behind
from facetrace.report.picture import DPI, plain, png
from facetrace.report.six_views import Plane, chained, skin_line
from facetrace.results.plan_words import short_name
from facetrace.rough.defects import Defect
from facetrace.rough.rough import Rough
from facetrace.studies import saw
from facetrace.studies.answer import Answer
from facetrace.studies.zoned import Cut

Floats = NDArray[np.float64]

# colours that colour-blind people tell apart (Okabe & Ito, "Color Universal Design", 2008), and hatches
COLOURS = ("#D55E00", "#0072B2", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
HATCHES = ("////", "\\\\\\\\", "xxxx", "....", "||||", "----")
# edges of the rough that turn less than this, as a cosine, are not drawn
SHARP = 0.985
# triangles of a scan that are drawn
DRAWN = 6000
# names of the views, and the stone's axes that point right, up, and to the eye
VIEWS = (("face up", 0, 1, 2), ("along its length", 1, 2, 0), ("across", 0, 2, 1))
PANEL = 3.1
HEAD, FOOT = 0.62, 0.8


@dataclass(frozen=True)
class Panel:
    """Stones in their place, with a name, and the saw cuts between them; the first is seen from its own three sides."""

    name: str
    cuts: tuple[Cut, ...]
    saws: tuple[Plane, ...] = ()


def saw_planes(cuts: Sequence[saw.Cut]) -> tuple[Plane, ...]:
    """The cuts of several pieces, each with the sides of those before it that bound what it divides."""

    def before(cut: saw.Cut) -> tuple[tuple[Floats, float], ...]:
        if cut.of is None:
            return ()
        first, side = cuts[cut.of[0]], cut.of[1]
        return (*before(first), (-side * first.plane.normal, -side * first.plane.offset))

    return tuple(
        Plane(f"saw {k + 1}", cut.plane.normal, cut.plane.offset, before(cut)) for k, cut in enumerate(cuts)
    )  # fmt: skip


def panels_of(answer: Answer) -> list[Panel]:
    """The stones to be drawn: the best, the heaviest where that is another, and those of several pieces."""
    found = []
    for k in dict.fromkeys((answer.best, 0)) if answer.plans else ():
        stone = answer.plans[k].stone
        name = f"{short_name(stone)}, {stone.carats:.2f} ct"
        if answer.best:
            best = "most valuable" if answer.prices else "zone hidden"
            name += f" ({best if k == answer.best else 'heaviest'})"
        found.append(Panel(name, (stone.cut,)))
    if answer.pieces:
        sawn = answer.pieces.sawn
        name = f"{len(sawn.stones)} stones, {sawn.carats:.2f} ct"
        found.append(Panel(name, tuple(s.cut for s in sawn.stones), saw_planes(sawn.cuts)))
    return found


def plan_png(panels: Sequence[Panel], rough: Rough) -> bytes:
    """A row of three views for each stone, all at one scale."""
    height = HEAD + PANEL * len(panels) + FOOT
    figure = Figure(figsize=(3 * PANEL, height), dpi=DPI)
    reach = 0.54 * float(np.linalg.norm(np.ptp(rough.mesh.vertices, axis=0)))
    names = list(dict.fromkeys(d.name for d in rough.defects))
    skin = thinned(rough.mesh.vertices, rough.mesh.faces, DRAWN)
    for line, panel in enumerate(panels):
        bottom = FOOT + PANEL * (len(panels) - 1 - line)
        for k, (view, right, up, eye) in enumerate(VIEWS):
            axes = figure.add_axes((k / 3, bottom / height, 1 / 3, 0.93 * PANEL / height))
            frame = panel.cuts[0].turn[:, [right, up, eye]] * [1, 1, -1 if eye == 1 else 1]
            _view(axes, rough, skin, panel, frame, names, reach)
            axes.text(0.04, 0.97, view, transform=axes.transAxes, fontsize=8, va="top")
        top = (bottom + 0.965 * PANEL) / height
        figure.text(0.012, top, plain(panel.name), fontsize=9, va="center")
    title = f"Plans for {rough.name}"
    figure.text(0.012, 1 - 0.22 / height, plain(title), fontsize=11, va="center")
    _legend(figure, names, height)
    notes = [
        "One scale throughout, mm. Grey: the rough. Lines in it: the stone's facets that face the eye."
    ]
    if any(panel.saws for panel in panels):
        notes[0] += " Dashes and dots: saw cuts."
    if names:
        notes.append(f"{FLAWS} {BEHIND}")
    for k, note in enumerate(reversed(notes)):
        figure.text(0.012, (0.13 + 0.16 * k) / height, note, fontsize=7, color="0.25", va="center")
    return png(figure, {"Title": title, "Description": " ".join(notes)})


def _legend(figure: Figure, names: Sequence[str], height: float) -> None:
    for k, name in enumerate(names[:8]):
        colour, hatch = COLOURS[k % len(COLOURS)], HATCHES[k % len(HATCHES)]
        x, y = 0.012 + 0.245 * (k % 4), (0.63 - 0.17 * (k // 4)) / height
        figure.add_artist(
            Polygon(
                [(x, y - 0.05 / height), (x + 0.02, y - 0.05 / height), (x + 0.02, y + 0.05 / height), (x, y + 0.05 / height)],
                transform=figure.transFigure, facecolor=colour, alpha=0.5, edgecolor=colour, hatch=hatch,
            )
        )  # fmt: skip
        figure.text(x + 0.026, y, plain(name), fontsize=7.5, va="center")


def _view(
    axes: Any,
    rough: Rough,
    skin: Thinned,
    panel: Panel,
    frame: Floats,
    names: Sequence[str],
    reach: float,
) -> None:
    """One view; columns of *frame* (3, 3): right, up and towards the eye, in the rough's frame."""
    middle = rough.mesh.vertices.mean(axis=0) @ frame

    def seen(points: Floats) -> Floats:
        return np.asarray((points @ frame - middle)[..., :2])

    body, sharp, rim = _skin(skin, frame[:, 2])
    axes.add_collection(PolyCollection(list(seen(body)), facecolors="0.86", edgecolors="0.86", linewidths=0.3, zorder=1))  # fmt: skip
    axes.add_collection(LineCollection(list(seen(sharp)), colors="0.62", linewidths=0.5, zorder=2))
    axes.add_collection(LineCollection(list(seen(rim)), colors="0.35", linewidths=0.9, zorder=2))
    for cut in sorted(panel.cuts, key=lambda c: float(c.shift @ frame[:, 2])):
        _facets(axes, cut, frame, seen)
    stones = [cut.shift + cut.solid.vertices @ cut.turn.T for cut in panel.cuts]
    for defect in rough.defects:
        hidden = any(behind(stone, defect.points, frame.T) for stone in stones)
        _defect(axes, defect, names.index(defect.name), seen, hidden)
    for plane in panel.saws:
        segments, faces, edges = skin_line(skin, plane)
        near = _normals(skin)[faces] @ frame[:, 2] > 0
        for line in chained(seen(segments[near]), edges[near]):
            axes.plot(*line.T, color="black", lw=1.1, ls="-.", zorder=6)
    _axis(axes, frame, reach)
    length = 1.0 if reach < 6 else 5.0
    axes.plot([-0.94 * reach, -0.94 * reach + length], [-0.93 * reach] * 2, color="black", lw=1.6)
    axes.text(-0.94 * reach, -0.91 * reach, f"{length:g} mm", fontsize=7, va="bottom")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.set_axis_off()


def _outline(points: Floats) -> Floats:
    return np.asarray(points[ConvexHull(points).vertices])


def _normals(skin: Thinned) -> Floats:
    """(n, 3) of the triangles, of length 1."""
    t = skin.vertices[skin.faces]
    normals = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None])


def _skin(skin: Thinned, eye: Floats) -> tuple[Floats, Floats, Floats]:
    """Triangles (n, 3, 3) of the surface that face the eye, edges (n, 2, 3) where it turns, and its rim as it is seen."""
    vertices, faces, normals = skin.vertices, skin.faces, _normals(skin)
    edges = np.sort(np.vstack([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    _, which, count = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    # a thinned surface may have an odd edge
    edges, owner, which = (
        x[count[which.ravel()] == 2]
        for x in (edges, np.tile(np.arange(len(faces)), 3), which.ravel())
    )
    order = np.argsort(which, kind="stable")
    one, two = normals[owner[order[0::2]]], normals[owner[order[1::2]]]
    lines = vertices[edges[order[0::2]]]
    sharp = np.einsum("ij,ij->i", one, two) < SHARP
    rim = (one @ eye > 0) != (two @ eye > 0)
    return vertices[faces[normals @ eye > 0]], lines[sharp], lines[rim]


def _facets(axes: Any, cut: Cut, frame: Floats, seen: Any) -> None:
    eye = cut.turn.T @ frame[:, 2]
    faces = [
        seen(cut.shift + part.vertices[polygon] @ cut.turn.T)
        for part in cut.solid.parts
        for normal, polygon in zip(part.normals, part.polygons, strict=True)
        if normal @ eye > 1e-9
    ]
    axes.add_collection(
        PolyCollection(faces, facecolors="#F4C6D4", edgecolors="#7A1F3D", linewidths=0.6, zorder=3)
    )


def _defect(axes: Any, defect: Defect, number: int, seen: Any, hidden: bool) -> None:
    """A flaw over the stones; of one that is *hidden* behind a stone only a broken outline over it."""
    colour, hatch = COLOURS[number % len(COLOURS)], HATCHES[number % len(HATCHES)]
    points = seen(defect.points)
    try:
        outline = _outline(points)
    except QhullError:
        # a crack seen edge on
        axes.plot(points[:, 0], points[:, 1], color=colour, lw=1.8, ls="--" if hidden else "-", zorder=5)  # fmt: skip
        return
    patch = partial(Polygon, outline)
    axes.add_patch(patch(facecolor=colour, alpha=0.22, lw=0, zorder=2.5 if hidden else 4))
    axes.add_patch(patch(fill=False, edgecolor=colour, hatch=hatch, lw=0, zorder=2.6 if hidden else 5))  # fmt: skip
    axes.add_patch(patch(fill=False, edgecolor=colour, lw=0.9, ls="--" if hidden else "-", zorder=5))  # fmt: skip


def _axis(axes: Any, frame: Floats, reach: float) -> None:
    """The c-axis as an arrow in the upper right corner, as long as it is seen."""
    along = frame[2, :2] if frame[2, :2] @ [0.3, 1.0] >= 0 else -frame[2, :2]
    at = np.array([0.7, 0.66]) * reach
    tip = at + 0.24 * reach * along
    if np.hypot(*along) < 0.08:
        axes.plot(*at, marker="o", ms=6, mfc="none", mec="black", zorder=6)
        axes.plot(*at, marker=".", ms=3, color="black", zorder=6)
    else:
        axes.annotate("", tip, at, arrowprops={"arrowstyle": "-|>", "lw": 1.2, "color": "black"}, zorder=6)  # fmt: skip
    axes.text(at[0] + 0.06 * reach, at[1] - 0.02 * reach, "c", fontsize=8, va="top")
