"""A plot of a sweep: light against weight, as PNG."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from facetrace.common.ledger import Row
from facetrace.report.picture import DPI, plain, png
from facetrace.results.angles import values_words, wish_words
from facetrace.studies.angles import AngleStudy
from facetrace.studies.rows import number
from facetrace.studies.sweep import that_can_be_cut
from facetrace.studies.wish import LIGHT

# Okabe & Ito's palette for all kinds of colour vision (2008); marks differ in form too
FRONT, STANDS, CHOSEN = "#0072B2", "#E69F00", "#D55E00"
AXES = {"carats": "weight, ct", "face_mm2": "size face up, mm\N{SUPERSCRIPT TWO}"}


def sweep_png(study: AngleStudy) -> bytes:
    """Light returned against weight, or against the face where the weight is fixed."""
    weight = study.conditions.weight
    title = f"{study.title}: light against {'weight' if weight == 'carats' else 'size'}"
    figure = Figure(figsize=(7.6, 5.0), dpi=DPI)
    axes = figure.add_axes((0.09, 0.17, 0.88, 0.66))
    rows = that_can_be_cut(study.rows)
    x, y, error = _points(rows, weight)
    axes.errorbar(
        x, y, error, fmt="o", ms=3, color="0.6", ecolor="0.75", elinewidth=0.8,
        label=f"candidates ({len(rows)})", zorder=1,
    )  # fmt: skip
    x, y, _ = _points(study.front, weight)
    axes.plot(x, y, "-o", color=FRONT, ms=4, lw=1.2, label="front: none has more of both")
    x, y, _ = _points([study.as_it_stands], weight)
    axes.plot(x, y, "s", color=STANDS, ms=9, mec="black", mew=0.8, label="the design as it stands")
    x, y, _ = _points([study.chosen], weight)
    axes.plot(
        x, y, "*", color=CHOSEN, ms=15, mec="black", mew=0.8,
        label=f"recommended: {plain(values_words(study, study.chosen))}",
    )  # fmt: skip
    if study.at_least:
        label = f"at least {study.at_least:g} ct"
        axes.axvline(study.at_least, color="0.4", lw=0.9, ls=(0, (4, 3)), label=label)
    axes.set_xlabel(AXES[weight], fontsize=9)
    axes.set_ylabel("light returned, % of all light", fontsize=9)
    axes.tick_params(labelsize=8)
    axes.grid(alpha=0.25, lw=0.6)
    axes.legend(
        fontsize=8, frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
    )  # fmt: skip
    figure.text(0.012, 0.94, plain(title), fontsize=10)
    note = f"For {wish_words(study, study.wish)}. Bars, where they can be seen, are standard errors. Under {study.under}."
    figure.text(0.012, 0.03, plain(note), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": note})


def _points(rows: list[Row], weight: str) -> tuple[Any, Any, Any]:
    table = [(number(r, weight), number(r, LIGHT), number(r, f"{LIGHT}_stderr")) for r in rows]
    x, y, error = np.array(table).T
    return x, 100 * y, 100 * error
