"""A plot of a study of the girdle, as PNG."""

from typing import Any

from matplotlib.figure import Figure

from facetrace.report.picture import DPI, plain, png
from facetrace.report.plot import COLOURS
from facetrace.results.girdle import STONES
from facetrace.studies.girdle import CLAIM, FLATS, POLISHED, GirdleStudy
from facetrace.studies.rows import number

MARKS = ("o", "s", "^", "D", "v", "P")


def girdle_png(study: GirdleStudy) -> bytes:
    """Share of the lost light brought back against thickness, a panel for each stone.

    Full marks and lines: flats; open marks, dashed: polished smooth. Bars are two standard errors.
    """
    title, count = f"{study.title}: the girdle", len(study.grid.media)
    width, height = 4.6 * count + 0.6, 5.4
    figure = Figure(figsize=(width, height), dpi=DPI)
    for i, stone in enumerate(study.grid.media):
        axes = figure.add_axes(((0.75 + 4.6 * i) / width, 0.3, 3.7 / width, 0.57))
        _panel(axes, study, stone)
        axes.set_title(STONES[stone], fontsize=9)
        axes.set_xlabel("mean height of the smooth girdle, mm", fontsize=9)
        axes.set_ylabel("brought back, % of the light lost", fontsize=9)
        axes.tick_params(labelsize=8)
        axes.grid(alpha=0.25, lw=0.6)
        if i == 0:
            handles, labels = axes.get_legend_handles_labels()
            figure.legend(
                handles, labels, fontsize=7, ncol=2 * count, loc="lower left",
                bbox_to_anchor=(0.01, 0.06), frameon=False,
            )  # fmt: skip
    figure.text(0.012, 0.94, plain(title), fontsize=10)
    note = f"{study.under}. Against a ground girdle on the same blank; bars: 2 standard errors."
    figure.text(0.012, 0.03, plain(note), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": note})


def _panel(axes: Any, study: GirdleStudy, stone: str) -> None:
    axes.axhspan(100 * CLAIM[0], 100 * CLAIM[1], color="0.85", lw=0, label="the trade's claim")
    axes.axhline(0, color="0.5", lw=0.8)
    kinds = [(POLISHED, 0), *((FLATS, n) for n in study.grid.flats)]
    for k, tilt in enumerate(study.grid.tilts):
        for j, (finish, flats) in enumerate(kinds):
            mine = [
                r for r in study.rows
                if (r["stone"], r["eye_tilt"], r["finish"], r["flats"]) == (stone, tilt, finish, flats)
            ]  # fmt: skip
            smooth = finish == POLISHED
            axes.errorbar(
                [number(r, "thickness_mm") for r in mine],
                [100 * number(r, "recovered") for r in mine],
                [200 * number(r, "recovered_stderr") for r in mine],
                color=COLOURS[k % len(COLOURS)], marker=MARKS[j % len(MARKS)], ms=5, lw=1,
                ls="--" if smooth else "-", mfc="white" if smooth else None, capsize=2,
                label=f"eye {tilt:g} deg, " + ("polished smooth" if smooth else f"{flats} flats"),
            )  # fmt: skip
