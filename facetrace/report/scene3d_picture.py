"""Pictures of bodies in three dimensions as PNG: several views at one scale, or one, with a bar in mm.

Bodies come from VTK (``report.scene3d_vtk``), or are drawn here as convex bodies are: facets that face the eye,
lobe behind lobe. Lines, hatches and words are drawn here in either case.
"""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib import patheffects
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from facetrace.report.picture import DPI, plain, png
from facetrace.report.plan import COLOURS, HATCHES
from facetrace.report.scene3d import VIEWS, Mark, Part, Scene3D
from facetrace.report.scene3d_vtk import (
    AMBIENT,
    LAMP,
    ROUGH_EDGE,
    STONE,
    STONE_EDGE,
    PictureTask,
    round_length,
    vtk_pictures,
)

Floats = NDArray[np.float64]

TITLES = {
    "above": "from above", "below": "from below", "side": "side", "end": "end",
    "corner": "from a corner",
}  # fmt: skip
NOTE = "One scale throughout. Seen without perspective, so that lengths can be compared."
COLUMNS, ROWS = 3, 2
HEAD_PX = 34
# pixels of a letter of 7.5 points on average, and of a line
LETTER_PX, LINE_PX = 5.1, 15
# of a single view's reach: room over what is drawn for its name, and under it for the bar
ABOVE, BELOW = 0.12, 0.16
# a line is a point where so little of it is seen
END_ON = 0.08
ROUGH_FILL = "0.90"


@dataclass(frozen=True)
class ScenePicture:
    """A picture as PNG, and whether VTK drew its bodies."""

    png: bytes
    by_vtk: bool


def scene_picture(
    scene: Scene3D, view: str | None, size: tuple[int, int | None], *, vtk: bool = True
) -> ScenePicture:
    """All views (*view* None) or one, in *size* pixels (height None: as high as needed).

    vtk: ask VTK first; where it cannot draw, and else, the bodies are drawn by matplotlib.
    """
    names = list(VIEWS) if view is None else [view]
    foot = None if view is None else _foot(scene, size[0] - 20)
    frames = tuple(VIEWS[n] for n in names)
    reach = scene.reach(frames)
    low, high = (-reach, reach) if view is None else strip(scene, frames[0], reach)
    share = (high - low) / (2 * reach)
    width, height, side = layout(size, foot, share)
    tall = round(side * share)
    images = vtk_pictures(PictureTask(scene, frames, reach, side)) if vtk else None
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI)
    for k, name in enumerate(names):
        column, row = k % COLUMNS, k // COLUMNS
        top = height - HEAD_PX - row * side
        axes = figure.add_axes(
            (column * side / width, (top - tall) / height, side / width, tall / height)
        )
        if images is not None:
            axes.imshow(
                images[k], extent=(-reach, reach, -reach, reach), interpolation="nearest", zorder=0
            )
        _view(axes, scene, frames[k], reach, bodies=images is None)
        _bar(axes, reach, low)
        axes.set_xlim(-reach, reach)
        axes.set_ylim(low, high)
        axes.set_aspect("auto")
        axes.text(
            -0.94 * reach, high - 0.03 * reach, TITLES[name], fontsize=8.5, va="top", zorder=9
        )
    figure.text(
        10 / width, 1 - 0.5 * HEAD_PX / height, plain(scene.title), fontsize=11, va="center"
    )
    if view is None:
        place = (2 * side + 12, height - HEAD_PX - side - 20, side - 24)
    else:
        place = (10, height - HEAD_PX - tall - 14, width - 20)
    _words(figure, scene, place, (width, height))
    return ScenePicture(png(figure, {"Title": scene.title, "Description": " ".join((*scene.words, NOTE))}), images is not None)  # fmt: skip


def strip(scene: Scene3D, frame: Floats, reach: float) -> tuple[float, float]:
    """From where to where up a single view reaches, mm from its middle, with room for its name, marks and bar."""
    y = (scene.points - scene.middle) @ frame[:, 1]
    return max(-reach, float(y.min()) - BELOW * reach), min(reach, float(y.max()) + ABOVE * reach)


def layout(
    size: tuple[int, int | None], foot: int | None, share: float = 1.0
) -> tuple[int, int, int]:
    """(width, height, side of a square view), pixels.

    foot: room under a single view, None for all views; share: of its square that a single view shows.
    """
    width, height = size
    if foot is not None:
        side = width if height is None else min(width, int((height - HEAD_PX - foot) / share))
        return width, height or round(side * share) + HEAD_PX + foot, side
    side = width // COLUMNS
    if height is not None:
        side = min(side, (height - HEAD_PX) // ROWS)
    return width, height or ROWS * side + HEAD_PX, side


def _foot(scene: Scene3D, room: float) -> int:
    """Pixels that legend and sentences take."""
    lines = sum(len(_wrapped(text, room)) for text in (*scene.words, NOTE))
    return round(LINE_PX * (1.5 + 1.25 * len(scene.legend) + lines + 0.3 * len(scene.words)))


def _wrapped(text: str, room: float) -> list[str]:
    return textwrap.wrap(text, max(20, int(room / LETTER_PX)))


def _words(
    figure: Figure, scene: Scene3D, place: tuple[float, float, float], size: tuple[int, int]
) -> None:
    """Legend and sentences from a corner (left, top) down, in a column of a width, all in pixels."""
    left, y, room = place
    width, height = size
    for text, number in scene.legend:
        colour, hatch = COLOURS[number % len(COLOURS)], HATCHES[number % len(HATCHES)]
        corners = [(left, y - 5), (left + 22, y - 5), (left + 22, y + 6), (left, y + 6)]
        figure.add_artist(
            Polygon(
                [(a / width, b / height) for a, b in corners], transform=figure.transFigure,
                facecolor=(colour, 0.35), edgecolor=colour, hatch=hatch,
            )
        )  # fmt: skip
        figure.text((left + 29) / width, y / height, plain(text), fontsize=8, va="center")
        y -= 1.25 * LINE_PX
    for text in (*scene.words, NOTE):
        for line in _wrapped(text, room):
            figure.text(
                left / width, y / height, plain(line), fontsize=7.5, va="center", color="0.2"
            )
            y -= LINE_PX
        y -= 0.3 * LINE_PX


# ---- one view ---------------------------------------------------------------------------------


def _view(axes: Any, scene: Scene3D, frame: Floats, reach: float, *, bodies: bool) -> None:
    middle = scene.middle

    def seen(points: Floats) -> Floats:
        return np.asarray((points - middle) @ frame[:, :2])

    if bodies:
        _bodies(axes, scene, frame, seen)
    for part in scene.parts:
        if part.role == "defect":
            _defect(axes, part, seen, filled=bodies)
    for mark in scene.marks:
        _mark(axes, mark, frame, seen, reach)
    axes.set_axis_off()


def _bar(axes: Any, reach: float, low: float) -> None:
    length, left = round_length(0.45 * reach), -0.94 * reach
    axes.plot([left, left + length], [low + 0.05 * reach] * 2, color="black", lw=1.6, zorder=9)
    axes.text(left, low + 0.07 * reach, f"{length:g} mm", fontsize=7.5, va="bottom", zorder=9)


def _bodies(axes: Any, scene: Scene3D, frame: Floats, seen: Any) -> None:
    """The rough as a pale ground, the facets of the stones that face the eye, and the rough's edges over all."""
    for part in (p for p in scene.parts if p.role == "rough"):
        faces = [seen(part.points[p]) for p in part.polygons]
        axes.add_collection(PolyCollection(faces, facecolors=ROUGH_FILL, edgecolors=ROUGH_FILL, linewidths=0.6, zorder=1))  # fmt: skip
        pairs, _ = part.edges
        axes.add_collection(LineCollection(list(seen(part.points)[pairs]), colors=ROUGH_EDGE, linewidths=0.5, zorder=3.9))  # fmt: skip
    stones = [p for p in scene.parts if p.role == "stone"]
    lobes = [(part, lobe) for part in stones for lobe in sorted(set(part.lobe))]
    step = 1.0 / (2 * max(1, len(lobes)))
    for k, (part, lobe) in enumerate(
        sorted(lobes, key=lambda pair: _depth(pair[0], pair[1], frame))
    ):
        _facets(axes, part, lobe, frame, seen, 2 + 2 * k * step)


def _depth(part: Part, lobe: int, frame: Floats) -> float:
    """How near to the eye the middle of a lobe is; two that share a wall, or stones apart, are drawn in this order."""
    own = [part.points[p].mean(axis=0) for p, of in zip(part.polygons, part.lobe, strict=True) if of == lobe]  # fmt: skip
    return float(np.mean(own, axis=0) @ frame[:, 2])


def _facets(axes: Any, part: Part, lobe: int, frame: Floats, seen: Any, zorder: float) -> None:
    towards = part.normals @ frame[:, 2]
    scene = [k for k in range(len(part.polygons)) if part.lobe[k] == lobe and towards[k] > 1e-9]
    shade = [_shade(part.normals[k], frame) for k in scene]
    faces = [seen(part.points[part.polygons[k]]) for k in scene]
    axes.add_collection(PolyCollection(faces, facecolors=shade, edgecolors=shade, linewidths=0.4, zorder=zorder))  # fmt: skip
    pairs, owners = part.edges
    visible = np.isin(owners, scene).any(axis=1)
    lines = seen(part.points)[pairs[visible]]
    axes.add_collection(LineCollection(list(lines), colors=STONE_EDGE, linewidths=0.7, zorder=zorder + 0.01))  # fmt: skip


def _shade(normal: Floats, frame: Floats) -> tuple[float, ...]:
    """The stone's colour under a lamp above the eye's left shoulder."""
    lamp = frame @ np.array(LAMP) / np.linalg.norm(LAMP)
    share = AMBIENT + (1 - AMBIENT) * max(0.0, float(normal @ lamp))
    return tuple(share * int(STONE[k : k + 2], 16) / 255 for k in (1, 3, 5))


def _defect(axes: Any, part: Part, seen: Any, *, filled: bool) -> None:
    """Colour and hatch as in the pictures of plans; seen edge on, a line."""
    colour, hatch = COLOURS[part.number % len(COLOURS)], HATCHES[part.number % len(HATCHES)]
    points = seen(part.points)
    try:
        outline = points[ConvexHull(points).vertices]
    except QhullError:
        axes.plot(points[:, 0], points[:, 1], color=colour, lw=1.8, zorder=5)
        return
    if filled:
        axes.add_patch(Polygon(outline, facecolor=colour, alpha=0.18, lw=0, zorder=4))
    axes.add_patch(Polygon(outline, fill=False, edgecolor=colour, hatch=hatch, lw=0.9, zorder=5))


def _mark(axes: Any, mark: Mark, frame: Floats, seen: Any, reach: float) -> None:
    start, end = seen(np.array([mark.start, mark.end]))
    along = mark.end - mark.start
    if np.hypot(*(end - start)) < END_ON * np.linalg.norm(along):
        if mark.axis:
            # towards the eye
            axes.plot(*end, marker="o", ms=7, mfc="none", mec="black", zorder=6)
            axes.plot(*end, marker=".", ms=3, color="black", zorder=6)
            _name(axes, mark.name, end + reach * np.array([0.05, 0.02]), "left")
        return
    if mark.axis:
        axes.plot(
            *np.array([start, end]).T, color="black", lw=1.1, ls=(0, (7, 3, 1.5, 3)), zorder=6
        )
    else:
        axes.annotate("", end, start, arrowprops={"arrowstyle": "-|>", "lw": 1.0, "color": "black", "shrinkA": 0, "shrinkB": 0}, zorder=6)  # fmt: skip
    unit = (end - start) / np.hypot(*(end - start))
    away = end + 0.03 * reach * unit
    _name(axes, mark.name, away, "left" if unit[0] > 0.5 else "right" if unit[0] < -0.5 else "center", unit[1])  # fmt: skip


def _name(axes: Any, name: str, at: Sequence[float], side: str, up: float = 0.0) -> None:
    level = "bottom" if up > 0.5 else "top" if up < -0.5 else "center"
    halo = [patheffects.withStroke(linewidth=2.5, foreground="white", alpha=0.8)]
    axes.text(*at, plain(name), fontsize=7.5, ha=side, va=level, zorder=8, path_effects=halo)
