"""Pictures of a re-cut: plan views before and after."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from facetrace.recut.recut import Recut
from facetrace.recut.search import Plan
from facetrace.recut.stone import CutStone
from facetrace.report.picture import DPI, plain, png
from facetrace.results.recut import title
from facetrace.solid.polyhedron import Solid

RECUT_COLOUR, FLAW_COLOUR = "#56B4E9", "#D55E00"


def recut_png(recut: Recut) -> bytes:
    """Crown and pavilion before and after, seen along the axis; what is recut is shaded, flaws are crosses."""
    stone, plan, heading = recut.stone, recut.plan, f"{title(recut.stone)}: re-cut"
    figure = Figure(figsize=(8.0, 9.0), dpi=DPI)
    recut_names = {c.name for c in plan.cuts}
    reach = 1.06 * float(np.abs(plan.before.solid.vertices[:, :2]).max())
    for row, (word, state) in enumerate((("before", plan.before), ("after", plan.after))):
        for column, (side, sign) in enumerate((("crown", 1.0), ("pavilion, from below", -1.0))):
            axes = figure.add_axes((0.02 + 0.49 * column, 0.5 - 0.43 * row, 0.47, 0.41))
            _view(axes, state.solid, sign, recut_names if word == "after" else set())
            _marks(axes, stone, plan, sign, word == "after")
            axes.set_xlim(-reach, reach)
            axes.set_ylim(-reach, reach)
            axes.set_aspect("equal")
            axes.set_axis_off()
            axes.set_title(f"{side}, {word}: {state.carats:.3f} ct", fontsize=9)
    figure.text(0.02, 0.96, plain(heading), fontsize=11)
    named = ", ".join(f"{k + 1} {f.name}" for k, f in enumerate(stone.model.flaw))
    figure.text(0.02, 0.035, plain(f"Flaws: {named}")[:150], fontsize=7.5, color="0.25")
    note = f"{recut.source.words}. Shaded: recut; crosses: flaws, open circles: gone. +x (index 0) to the right."
    figure.text(0.02, 0.012, plain(note), fontsize=7.5, color="0.25")
    return png(figure, {"Title": heading, "Description": note})


def _view(axes: Any, solid: Solid, sign: float, shaded: set[str]) -> None:
    for name, normal, polygon in zip(solid.names, solid.normals, solid.polygons, strict=True):
        if sign * normal[2] < -1e-9:
            continue
        points = solid.vertices[polygon][:, :2] * [1.0, sign]
        face = RECUT_COLOUR if name in shaded else "white"
        upright = abs(normal[2]) <= 1e-9
        line = (
            {"lw": 2.4, "ec": RECUT_COLOUR}
            if upright and name in shaded
            else {"lw": 0.8, "ec": "0.2"}
        )
        axes.add_patch(
            Polygon(points, closed=True, fc=face, alpha=1.0, zorder=2 if upright else 1, **line)
        )


def _marks(axes: Any, stone: CutStone, plan: Plan, sign: float, after: bool) -> None:
    for fate, spot in zip(plan.fates, stone.spots, strict=True):
        if max(sign * stone.solid.normals[i, 2] for i in spot.facets) < -1e-9:
            continue
        x, y = spot.place[0], sign * spot.place[1]
        gone = after and fate.gone
        axes.plot(
            [x], [y], marker="o" if gone else "x", ms=7, mfc="none", mec=FLAW_COLOUR, mew=1.6, zorder=4,
            clip_on=False,
        )  # fmt: skip
        axes.annotate(
            str(fate.flaw + 1), (x, y), (5, 4), textcoords="offset points", fontsize=8, color=FLAW_COLOUR,
            zorder=5,
        )  # fmt: skip
