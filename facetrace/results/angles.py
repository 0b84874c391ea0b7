"""What a sweep of angles says: table, sentences, cautions, JSON."""

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np
from rich import box
from rich.table import Table

from facetrace.common.ledger import Row
from facetrace.results import document
from facetrace.studies.angles import AngleStudy
from facetrace.studies.rows import number
from facetrace.studies.sweep import FIGURES, GAINS, NEVER, SIZES, that_can_be_cut
from facetrace.studies.tilt import MOST_DEG
from facetrace.studies.wish import LIGHT, TIE_ERRORS, Wish

# a neighbour that loses more than this share of the light is worth a caution
MUCH_LIGHT = 0.1
# a step apart, to rounding
STEP_SLACK = 1e-6
UNITS = {"carats": "ct", "face_mm2": "mm^2 face up"}
MOST_LINES = 20

# ---- words -------------------------------------------------------------------------------------


def wish_words(study: AngleStudy, wish: Wish) -> str:
    """What a wish asks for."""
    more = "weight" if study.conditions.carats is None else "size face up"
    return {
        "light": "the most light",
        "weight": f"the most {more} with at least {100 * study.keep_light:g} % of the best light",
        "balance": f"the best product of light and {more}",
    }[wish]


def values_words(study: AngleStudy, row: Row) -> str:
    """The numbers varied: pavilion.angle 43, crown.angle 37."""
    return ", ".join(f"{r.name} {number(row, r.name):g}" for r in study.ranges)


def advice(study: AngleStudy) -> str:
    """The recommendation in one or two sentences."""
    among = f" among stones of {study.at_least:g} ct or more" if study.at_least else ""
    text = f"For {wish_words(study, study.wish)}{among}: {values_words(study, study.chosen)}."
    if study.chosen is study.as_it_stands:
        return f"{text} That is the design as it stands."
    light, gain = study.confirmed.figures[LIGHT], study.confirmed.gains[LIGHT]
    weight = study.conditions.weight
    before, after = number(study.as_it_stands, weight), number(study.chosen, weight)
    return (
        f"{text} Against the design as it stands: {after - before:+.3f} {UNITS[weight]} "
        f"({100 * (after / before - 1):+.1f} %), light returned {100 * light.value:.2f} % "
        f"({100 * gain.value:+.2f} +- {100 * gain.stderr:.2f} points of all light)."
    )


def cautions(study: AngleStudy) -> list[str]:
    """What to know before following the advice."""
    row, before = study.chosen, study.as_it_stands
    notes = []
    gain = study.confirmed.gains[LIGHT]
    if row is not before and abs(gain.value) <= TIE_ERRORS * gain.stderr:
        notes.append("Its light is that of the design as it stands, within the error.")
    idle = _idle(study)
    for wanted in study.ranges:
        here = row[wanted.name]
        ends = (wanted.values[0], wanted.values[-1])
        if len(wanted.values) > 1 and here in ends and wanted.name not in idle:
            notes.append(
                f"{wanted.name} {here:g} is an end of its range: a wider one may hold better."
            )
    edge = _cliff(study)
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


def _idle(study: AngleStudy) -> list[str]:
    """Numbers that were varied without any effect: the outline or the style does not use them."""
    idle = []
    for wanted in study.ranges:
        groups: dict[tuple[object, ...], set[tuple[float, float]]] = {}
        for row in that_can_be_cut(study.rows):
            others = tuple(row[r.name] for r in study.ranges if r is not wanted)
            figures = (number(row, study.conditions.weight), number(row, LIGHT))
            groups.setdefault(others, set()).add(figures)
        if len(wanted.values) > 1 and all(len(figures) == 1 for figures in groups.values()):
            idle.append(wanted.name)
    return idle


def _cliff(study: AngleStudy) -> str | None:
    """A neighbour, at most one step away in each number, that loses much light or windows untilted."""
    row = study.chosen
    worst: Row | None = None
    for near in that_can_be_cut(study.rows):
        steps = [abs(number(near, r.name) - number(row, r.name)) / r.step for r in study.ranges]
        if not STEP_SLACK < max(steps) <= 1 + STEP_SLACK:
            continue
        falls = number(near, LIGHT) < (1 - MUCH_LIGHT) * number(row, LIGHT)
        windows = tilt_of(near) == 0 < tilt_of(row)
        if (falls or windows) and (worst is None or number(near, LIGHT) < number(worst, LIGHT)):
            worst = near
    if worst is None:
        return None
    text = (
        f"It stands near an edge: at {values_words(study, worst)} light returned is "
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


def member(study: AngleStudy) -> dict[str, Any]:
    """The member "angles" of the JSON document; rows are named by their number, from 0."""
    place = {id(row): i for i, row in enumerate(study.rows)}
    return {
        "varied": [
            {"name": r.name, "from": r.start, "to": r.stop, "step": r.step} for r in study.ranges
        ],
        "carats": study.conditions.carats,
        "window_share": study.conditions.window_share,
        "tilt_limit_deg": MOST_DEG,
        "rays": study.conditions.rays,
        "rows": [_row_member(study, row) for row in study.rows],
        "as_it_stands": 0,
        "front": [place[id(row)] for row in study.front],
        "best": {wish: place[id(row)] for wish, row in study.best.items()},
        "recommendation": {
            "prefer": study.wish,
            "at_least_carats": study.at_least,
            "keep_light": study.keep_light,
            "row": place[id(study.chosen)],
            "advice": advice(study),
            "cautions": cautions(study),
            "measures": {k: asdict(v) for k, v in study.confirmed.figures.items()},
            "gains": {k: asdict(v) for k, v in study.confirmed.gains.items()},
        },
    }


def _row_member(study: AngleStudy, row: Row) -> dict[str, Any]:
    part: dict[str, Any] = {
        "values": {r.name: row[r.name] for r in study.ranges},
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


def angles_document(study: AngleStudy, file: str) -> dict[str, Any]:
    """The whole document; *file*: the design's."""
    lamp = study.conditions.light
    scene = {
        "light": lamp.name, "head_deg": lamp.head_deg, "head_hard": lamp.head_hard,
        "view": {"tilt": 0.0, "azimuth": 0.0, "eye_tilt": 0.0, "eye_azimuth": 0.0},
        "axis": study.design.axis.model_dump(), "index": None,
        "absorption": study.absorbing, "wavelength_nm": None,
        "white_radiance": lamp.white(1.0),
    }  # fmt: skip
    material = document.material_part(study.material)
    if not study.absorbing:
        material = {"substance": material["substance"]}
    parts = document.head() | {
        "design": {"name": study.design.name, "file": file, "material": study.material.name},
        "scene": scene,
        "seed": study.conditions.seed,
        "angles": member(study),
        "notes": notes(study),
    }
    return parts | material


def notes(study: AngleStudy) -> list[str]:
    """Cautions that belong to the numbers."""
    colour = document.colour_notes(study.material) if study.absorbing else []
    texts = [document.ESTIMATE, *document.light_notes(study.conditions.light), *colour]
    if study.missing:
        texts.append("As it stands, no place on the stone for: " + ", ".join(study.missing))
    return texts


# ---- table -------------------------------------------------------------------------------------


# heading, column, factor, digits, width; where many numbers are varied the last ones make room
COLUMNS = (
    ("light\n%", "light_return", 100.0, 2, 5),
    ("win-\ndow", "window", 100.0, 2, 5),
    ("extinc-\ntion", "extinction", 100.0, 2, 7),
    ("bright-\nness", "brightness", 1.0, 3, 7),
    ("L*", "lightness", 1.0, 1, 4),
    ("C*", "chroma", 1.0, 1, 4),
    ("h", "hue_deg", 1.0, 0, 3),
)
WIDTH = 80


def table(study: AngleStudy) -> Table:
    """The front, the best for each wish and the design as it stands, by rising weight."""
    weight = study.conditions.weight
    table = Table(title=study.title, title_justify="left", box=box.SIMPLE_HEAD, padding=0)
    table.add_column("", no_wrap=True)
    rows = _lines(study)
    names = [_heading(r.name) for r in study.ranges]
    values = [[f"{number(row, r.name):g}" for row in rows] for r in study.ranges]
    wide = [
        max(map(len, (*name.split("\n"), *cells)))
        for name, cells in zip(names, values, strict=True)
    ]
    sizes = "weight\nct" if weight == "carats" else "face\nmm^2"
    # marks, size and tilt, each with a blank
    left = (
        WIDTH
        - max(len(_marks(study, row)) for row in rows)
        - 8
        - 6
        - sum(width + 1 for width in wide)
    )
    shown = [
        c for i, c in enumerate(COLUMNS) if i < 2 or sum(d[4] + 1 for d in COLUMNS[: i + 1]) <= left
    ]
    for heading in (*names, sizes, *(c[0] for c in shown), "tilt\ndeg"):
        table.add_column(heading, justify="right", no_wrap=True)
    for i, row in enumerate(rows):
        table.add_row(
            _marks(study, row),
            *(cells[i] for cells in values),
            f"{number(row, weight):.3f}",
            *(f"{factor * number(row, name):.{digits}f}" for _, name, factor, digits, _ in shown),
            tilt_words(row),
            style="bold" if row is study.chosen else None,
        )
    table.add_section()
    errors = [
        f"{factor * max(number(r, f'{name}_stderr') for r in rows):.{digits + 1}f}"
        for _, name, factor, digits, _ in shown
    ]
    tilt = max(float(r["tilt_deg_stderr"] or 0) for r in rows)
    table.add_row("+- most", *[""] * (len(study.ranges) + 1), *errors, f"{tilt:.1f}")
    return table


def _heading(name: str) -> str:
    """A parameter's name in short lines: pavilion / lower / girdle / %."""
    name = name.replace("_percent", "_%")
    for mark in (".", " ", "_"):
        name = name.replace(mark, "\n")
    return name


def _lines(study: AngleStudy) -> list[Row]:
    """At most 20 rows; of a long front some, evenly."""
    named = [study.as_it_stands, *study.best.values()]
    room = MOST_LINES - len(named)
    front = study.front
    if len(front) > room:
        front = [front[round(i)] for i in np.linspace(0, len(front) - 1, room)]
    rows = {id(row): row for row in [*front, *named]}
    return sorted(rows.values(), key=lambda r: number(r, study.conditions.weight))


def _marks(study: AngleStudy, row: Row) -> str:
    words = ["as is"] if row is study.as_it_stands else []
    # at a fixed weight the wish for weight is one for size
    names = {"weight": "size"} if study.conditions.carats else {}
    words += [names.get(wish, wish) for wish, best in study.best.items() if best is row]
    return ("> " if row is study.chosen else "  ") + ", ".join(words)


def under_table(study: AngleStudy) -> Iterator[str]:
    """Remarks on the table."""
    among = f"among stones of {study.at_least:g} ct or more " if study.at_least else ""
    yield (
        f"Tilt, along length or width: least angle at which the clear stone's window exceeds {100 * study.conditions.window_share:g} % of all light. "
        f"Shown: the front (no other has more of both), the best for each wish {among}and the design as it "
        "is; +- most: the largest standard error of these rows."
    )
    yield ". ".join(f"{wish.capitalize()}: {wish_words(study, wish)}" for wish in study.best) + "."
    uncut = len(study.rows) - len(that_can_be_cut(study.rows))
    if uncut:
        yield f"{uncut} candidates cannot be cut; the CSV says why."


def how_made(study: AngleStudy) -> str:
    """Candidates, rays, time, light and seed."""
    conditions = study.conditions
    return (
        f"{len(study.rows)} candidates of {conditions.rays:,} rays, {study.seconds:.1f} s, {study.under}, "
        f"seed {conditions.seed}; the gain is from other random numbers and 4 times the rays"
    )
