"""What a sweep of a design's numbers says: sentences, JSON, and a plot of light against weight."""

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from facetrace.common.ledger import Row
from facetrace.report.picture import DPI, plain, png
from facetrace.studies.angles import FIGURES, GAINS, NEVER, SIZES, cut
from facetrace.studies.rows import number
from facetrace.studies.tilt import MOST_DEG
from facetrace.studies.wish import LIGHT, TIE_ERRORS, Outcome, Wish

# Okabe & Ito's palette for all kinds of colour vision (2008); marks differ in form too
FRONT, STANDS, CHOSEN = "#0072B2", "#E69F00", "#D55E00"
# a neighbour that loses more than this share of the light is worth a caution
MUCH_LIGHT = 0.1
# a step apart, to rounding
STEP_SLACK = 1e-6
AXES = {"carats": "weight, ct", "face_mm2": "size face up, mm\N{SUPERSCRIPT TWO}"}
UNITS = {"carats": "ct", "face_mm2": "mm^2 face up"}


def wish_words(found: Outcome, wish: Wish) -> str:
    """What a wish asks for."""
    more = "weight" if found.setting.carats is None else "size face up"
    return {
        "light": "the most light",
        "weight": f"the most {more} with at least {100 * found.keep_light:g} % of the best light",
        "balance": f"the best product of light and {more}",
    }[wish]


def values_words(found: Outcome, row: Row) -> str:
    """The numbers varied: pavilion.angle 43, crown.angle 37."""
    return ", ".join(f"{r.name} {number(row, r.name):g}" for r in found.ranges)


def advice(found: Outcome) -> str:
    """The recommendation in one or two sentences."""
    among = f" among stones of {found.at_least:g} ct or more" if found.at_least else ""
    text = f"For {wish_words(found, found.wish)}{among}: {values_words(found, found.chosen)}."
    if found.chosen is found.as_it_stands:
        return f"{text} That is the design as it stands."
    light, gain = found.confirmed.figures[LIGHT], found.confirmed.gains[LIGHT]
    weight = found.setting.weight
    before, after = number(found.as_it_stands, weight), number(found.chosen, weight)
    return (
        f"{text} Against the design as it stands: {after - before:+.3f} {UNITS[weight]} "
        f"({100 * (after / before - 1):+.1f} %), light returned {100 * light.value:.2f} % "
        f"({100 * gain.value:+.2f} +- {100 * gain.stderr:.2f} points of all light)."
    )


def cautions(found: Outcome) -> list[str]:
    """What to know before following the advice."""
    row, before = found.chosen, found.as_it_stands
    notes = []
    gain = found.confirmed.gains[LIGHT]
    if row is not before and abs(gain.value) <= TIE_ERRORS * gain.stderr:
        notes.append("Its light is that of the design as it stands, within the error.")
    idle = _idle(found)
    for wanted in found.ranges:
        here = row[wanted.name]
        ends = (wanted.values[0], wanted.values[-1])
        if len(wanted.values) > 1 and here in ends and wanted.name not in idle:
            notes.append(
                f"{wanted.name} {here:g} is an end of its range: a wider one may hold better."
            )
    edge = _cliff(found)
    if edge:
        notes.append(edge)
    notes += [f"{name} changes nothing on this design." for name in idle]
    if row["remark"]:
        notes.append(f"There is {row['remark']}.")
    tilt, was = tilt_of(row), tilt_of(before)
    errors = [r["tilt_deg_stderr"] or 0.0 for r in (row, before)]
    if tilt == 0:
        share = 100 * number(row, "clear_window")
        notes.append(f"Without colour it windows untilted: {share:.0f} % of all light.")
    elif tilt < was - TIE_ERRORS * math.hypot(*map(float, errors)):
        notes.append(
            f"It windows on less tilt: {tilt_words(row)} degrees, the design as it stands "
            f"{tilt_words(before)}."
        )
    return notes


def _idle(found: Outcome) -> list[str]:
    """Numbers that were varied without any effect: the outline or the style does not use them."""
    idle = []
    for wanted in found.ranges:
        groups: dict[tuple[object, ...], set[tuple[float, float]]] = {}
        for row in cut(found.rows):
            others = tuple(row[r.name] for r in found.ranges if r is not wanted)
            figures = (number(row, found.setting.weight), number(row, LIGHT))
            groups.setdefault(others, set()).add(figures)
        if len(wanted.values) > 1 and all(len(figures) == 1 for figures in groups.values()):
            idle.append(wanted.name)
    return idle


def _cliff(found: Outcome) -> str | None:
    """A neighbour, at most one step away in each number, that loses much light or windows untilted."""
    row = found.chosen
    worst: Row | None = None
    for near in cut(found.rows):
        steps = [abs(number(near, r.name) - number(row, r.name)) / r.step for r in found.ranges]
        if not STEP_SLACK < max(steps) <= 1 + STEP_SLACK:
            continue
        falls = number(near, LIGHT) < (1 - MUCH_LIGHT) * number(row, LIGHT)
        windows = tilt_of(near) == 0 < tilt_of(row)
        if (falls or windows) and (worst is None or number(near, LIGHT) < number(worst, LIGHT)):
            worst = near
    if worst is None:
        return None
    text = (
        f"It stands near an edge: at {values_words(found, worst)} light returned is "
        f"{100 * number(worst, LIGHT):.2f} %"
    )
    if tilt_of(worst) < tilt_of(row):
        text += f" and it windows at {tilt_words(worst)} degrees of tilt"
    return f"{text}; mind the accuracy of your angles."


def tilt_of(row: Row) -> float:
    """Degrees, infinite where it never windows."""
    return math.inf if row["tilt_deg"] == NEVER else number(row, "tilt_deg")


def tilt_words(row: Row) -> str:
    """Degrees to a tenth, or >30."""
    return NEVER if row["tilt_deg"] == NEVER else f"{number(row, 'tilt_deg'):.1f}"


def angles_part(found: Outcome) -> dict[str, Any]:
    """The member "angles" of the JSON document; rows are named by their number, from 0."""
    place = {id(row): i for i, row in enumerate(found.rows)}
    return {
        "varied": [
            {"name": r.name, "from": r.start, "to": r.stop, "step": r.step} for r in found.ranges
        ],
        "carats": found.setting.carats,
        "window_share": found.setting.window_share,
        "tilt_limit_deg": MOST_DEG,
        "rays": found.setting.rays,
        "rows": [_row_part(found, row) for row in found.rows],
        "as_it_stands": 0,
        "front": [place[id(row)] for row in found.front],
        "best": {wish: place[id(row)] for wish, row in found.best.items()},
        "recommendation": {
            "prefer": found.wish,
            "at_least_carats": found.at_least,
            "keep_light": found.keep_light,
            "row": place[id(found.chosen)],
            "advice": advice(found),
            "cautions": cautions(found),
            "measures": {k: asdict(v) for k, v in found.confirmed.figures.items()},
            "gains": {k: asdict(v) for k, v in found.confirmed.gains.items()},
        },
    }


def _row_part(found: Outcome, row: Row) -> dict[str, Any]:
    part: dict[str, Any] = {
        "values": {r.name: row[r.name] for r in found.ranges},
        "remark": row["remark"],
    }
    if row[LIGHT] is None:
        return part
    part |= {name: row[name] for name in SIZES}
    names = (*FIGURES, *(f"{name}_gain" for name in GAINS), "clear_window")
    part |= {name: _estimate(row, name) for name in names}
    part["tilt_azimuth"] = row["tilt_azimuth"]
    return part | {"tilt_deg": None if row["tilt_deg"] == NEVER else _estimate(row, "tilt_deg")}


def _estimate(row: Row, name: str) -> dict[str, float]:
    return {"value": number(row, name), "stderr": number(row, f"{name}_stderr")}


def sweep_png(found: Outcome, title: str, under: str) -> bytes:
    """Light returned against weight, or against the face where the weight is fixed."""
    weight = found.setting.weight
    figure = Figure(figsize=(7.6, 5.0), dpi=DPI)
    axes = figure.add_axes((0.09, 0.17, 0.88, 0.66))
    rows = cut(found.rows)
    x, y, error = _points(rows, weight)
    axes.errorbar(
        x, y, error, fmt="o", ms=3, color="0.6", ecolor="0.75", elinewidth=0.8,
        label=f"candidates ({len(rows)})", zorder=1,
    )  # fmt: skip
    x, y, _ = _points(found.front, weight)
    axes.plot(x, y, "-o", color=FRONT, ms=4, lw=1.2, label="front: none has more of both")
    x, y, _ = _points([found.as_it_stands], weight)
    axes.plot(x, y, "s", color=STANDS, ms=9, mec="black", mew=0.8, label="the design as it stands")
    x, y, _ = _points([found.chosen], weight)
    axes.plot(
        x, y, "*", color=CHOSEN, ms=15, mec="black", mew=0.8,
        label=f"recommended: {plain(values_words(found, found.chosen))}",
    )  # fmt: skip
    if found.at_least:
        label = f"at least {found.at_least:g} ct"
        axes.axvline(found.at_least, color="0.4", lw=0.9, ls=(0, (4, 3)), label=label)
    axes.set_xlabel(AXES[weight], fontsize=9)
    axes.set_ylabel("light returned, % of all light", fontsize=9)
    axes.tick_params(labelsize=8)
    axes.grid(alpha=0.25, lw=0.6)
    axes.legend(
        fontsize=8, frameon=False, ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
    )  # fmt: skip
    figure.text(0.012, 0.94, plain(title), fontsize=10)
    note = f"For {wish_words(found, found.wish)}. Bars are standard errors. Under {under}."
    figure.text(0.012, 0.03, plain(note), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": note})


def _points(rows: list[Row], weight: str) -> tuple[Any, Any, Any]:
    table = [(number(r, weight), number(r, LIGHT), number(r, f"{LIGHT}_stderr")) for r in rows]
    x, y, error = np.array(table).T
    return x, 100 * y, 100 * error
