"""Pictures of an orientation study: before and after, and maps over tilt directions, as PNG."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib import colormaps
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke
from numpy.typing import NDArray

from facetrace.common.ledger import Row
from facetrace.report.picture import DPI, plain, png
from facetrace.results.orient import change_words
from facetrace.studies.orient import OrientStudy, Portrait, that_can_be_cut
from facetrace.studies.rows import number
from facetrace.studies.screen import face_pixels
from facetrace.studies.visibility import hidden
from facetrace.studies.zoned import BASE, candidate_of

Floats = NDArray[np.float64]

PANEL_PX, HEAD_PX, FOOT_PX = 300, 34, 66
# cells of a map that still have room for their numbers; below this shade the numbers are white
MOST_NUMBERS, DARK = 40, 0.45
# what marks stand out with: cividis runs from dark blue over grey to yellow
MARK = "#D55E00"
# a scale ends at 1 % of the face at least, and at the threshold
LEAST_SHARE = 1.0


def comparison_png(study: OrientStudy, exposure: float) -> bytes:
    """Stones side by side, all with one scale and one exposure, without the surface's mirror light."""
    panels, white = study.portraits, study.subject.plain.white
    width, height = PANEL_PX * len(panels), PANEL_PX + HEAD_PX + FOOT_PX
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI)
    outside = 0.0
    for k, panel in enumerate(panels):
        pixels, share = face_pixels(panel.maps, white, exposure, False)
        outside = max(outside, share)
        axes = figure.add_axes(
            (k / len(panels), FOOT_PX / height, 1 / len(panels), PANEL_PX / height)
        )
        axes.imshow(pixels, interpolation="nearest", aspect="auto")
        axes.set_axis_off()
        if k == 0:
            _bar(axes, 1.0 / panel.maps.step_mm, len(pixels))
        left = (k + 0.03) / len(panels)
        name, detail = _caption(study, panel)
        figure.text(left, 52 / height, plain(name), fontsize=9, va="center")
        figure.text(left, 43 / height, plain(detail), fontsize=7.5, va="top", color="0.25")
    note = f"{study.subject.light.words}; exposure {exposure:g}; surface mirror light left out"
    if outside >= 0.01:
        note += f"; {100 * outside:.0f} % beyond the screen's colours"
    figure.text(0.01, 1 - HEAD_PX / 2 / height, plain(study.title), fontsize=10, va="center")
    figure.text(0.01, 13 / height, note, fontsize=7, va="center", color="0.25")
    return png(figure, {"Title": study.title, "Description": note})


def _caption(study: OrientStudy, portrait: Portrait) -> tuple[str, str]:
    """Name of a stone, and one or two short lines under it."""
    base = candidate_of(portrait.row) == BASE
    best = "recommended" if study.best else "least visible"
    name = study.untilted if base else best
    if not portrait.zoned:
        change = "" if base else change_words(portrait.row, study.untilted).replace(", ", ",\n")
        return f"{name}, without the zone", change
    share = 100 * number(portrait.row, "share")
    return name, f"CIEDE2000 beyond {study.test.threshold:g} on {share:.1f} % of the face"


def _bar(axes: Any, length: float, size: int) -> None:
    y = size * 0.97
    axes.plot([size * 0.03, size * 0.03 + length], [y, y], color="black", lw=1.5)
    axes.text(size * 0.03, y - size * 0.012, "1 mm", fontsize=7, va="bottom")
    axes.set_xlim(-0.5, size - 0.5)
    axes.set_ylim(size - 0.5, -0.5)


def tilt_map_png(study: OrientStudy) -> bytes:
    """Two maps over the directions of the table's normal, seen face up from above the stone.

    Of the grid, with the culet as in its best candidate.
    """
    culet, title = candidate_of(study.coarse), study.title
    rows = [
        r for r in that_can_be_cut(study.rows[: study.tried])
        if (r["along"], r["across"]) == (culet.along, culet.across)
    ]  # fmt: skip
    under = "Culet as designed."
    if culet.shift:
        under = f"All with the culet shifted {culet.shift:g} % towards {culet.towards:g}."
    figure = Figure(figsize=(8.4, 4.9), dpi=DPI)
    maps = (
        ("share", 100, LEAST_SHARE, f"share of the face beyond {study.test.threshold:g}, %"),
        ("most", 1, study.test.threshold, "largest difference, CIEDE2000"),
    )
    for k, (column, times, least, name) in enumerate(maps):
        values = times * _column(rows, column)
        axes = figure.add_axes((0.05 + 0.49 * k, 0.18, 0.34, 0.6), projection="polar")
        top = max(float(values.max()), least)
        _map(figure, axes, study, rows, values / top, top, (0.42 + 0.49 * k, 0.2, 0.014, 0.56))
        axes.set_title(name, fontsize=9, pad=12)
    figure.text(0.012, 0.945, plain(title), fontsize=10)
    axis_tilt, axis_azimuth = study.subject.axis
    note = "Centre: the table as designed; outwards: degrees the table tilts, towards that side. "
    far = "" if axis_tilt <= _edge(_column(rows, "tilt")) else " (beyond the map, that way)"
    note += f"c: the optic axis, {axis_tilt:.3g} deg towards {axis_azimuth:.3g}{far}."
    marks = "Dots: hidden" if any(hidden(r, study.allow) for r in rows) else "Hidden nowhere"
    if study.best:
        marks += "; ring: the smallest change that hides it"
    figure.text(0.012, 0.085, note, fontsize=7.5, color="0.25")
    figure.text(0.012, 0.045, plain(f"{marks}. {under}"), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": f"{note} {marks}. {under}"})


def _column(rows: Sequence[Row], name: str) -> Floats:
    return np.array([number(row, name) for row in rows])


def _edge(tilt: Floats) -> float:
    """Radius of the map: half a ring beyond the last."""
    levels = np.unique(tilt)
    return float(levels[-1] + (levels[-1] - levels[-2]) / 2) if len(levels) > 1 else 1.0


def _map(
    figure: Figure, axes: Any, study: OrientStudy, rows: Sequence[Row], values: Floats, top: float, place: Any
) -> None:  # fmt: skip
    """One map of *values* from 0 to 1, which stands for *top*."""
    tilts = _column(rows, "tilt")
    levels = np.unique(tilts)
    edges = np.concatenate([[0.0], (levels[1:] + levels[:-1]) / 2, [_edge(tilts)]])
    for row, tilt, value, shade in zip(
        rows, tilts, values, colormaps["cividis"](values), strict=True
    ):
        ring = int(np.searchsorted(levels, tilt))
        width = 2 * np.pi / int((tilts == tilt).sum())
        at = np.radians(number(row, "azimuth"))
        axes.bar(
            at, edges[ring + 1] - edges[ring], width=width, bottom=edges[ring], color=shade,
            edgecolor="white", lw=0.6 if edges[ring] else 0,
        )  # fmt: skip
        if hidden(row, study.allow):
            axes.plot([at], [tilt], marker=".", color="white", ms=5, mec="black", mew=0.5)
        elif len(values) <= MOST_NUMBERS and tilt > 0:
            axes.text(
                at, tilt, f"{value * top:.1f}", fontsize=6.5, ha="center", va="center",
                color="black" if value > DARK else "white",
            )  # fmt: skip
    axes.set_ylim(0, edges[-1])
    axes.set_yticks(levels[levels > 0])
    axes.tick_params(labelsize=7)
    axes.set_rlabel_position(11)
    for label in axes.get_yticklabels():
        label.set_path_effects([Stroke(linewidth=2, foreground="white"), Normal()])
    axes.grid(visible=False)
    if study.best:
        chosen = candidate_of(study.best)
        axes.plot(
            [np.radians(chosen.azimuth)], [chosen.tilt], marker="o", ms=13, mfc="none", mec=MARK, mew=2
        )  # fmt: skip
    axis_tilt, axis_azimuth = study.subject.axis
    reach = min(axis_tilt, 0.94 * edges[-1])
    axes.text(
        np.radians(axis_azimuth), reach, "c", fontsize=11, fontweight="bold", color="white",
        ha="center", va="center", bbox={"boxstyle": "circle,pad=0.15", "fc": "black", "ec": "white", "lw": 0.6},
    )  # fmt: skip
    bar = figure.add_axes(place)
    figure.colorbar(ScalarMappable(Normalize(0, top), "cividis"), cax=bar)
    bar.tick_params(labelsize=7)
