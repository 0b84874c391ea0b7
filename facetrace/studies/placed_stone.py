"""A planned stone where it lies in its rough, and its row in a table, from which work goes on.

The range of the weight is that of the scan's error: the same stone climbed again with its skin and all margins
wider by the error, and narrower (none below 0). A stone that fits the wider ones fits the others, so low <= carats <= high.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Cell, Row
from facetrace.placement.shapes import PlacedCopy
from facetrace.rough.rough import Rough
from facetrace.solid.measure import carats_at
from facetrace.solid.polyhedron import Solid
from facetrace.studies import visibility, zoned
from facetrace.studies.plan_task import Task, Variation
from facetrace.studies.rows import cells, number
from facetrace.studies.viewer import FIGURES
from facetrace.trace.faceup import Estimate

Floats = NDArray[np.float64]

KEY = ("mark", "kind")
TURN = [f"turn_{a}{b}" for a in "xyz" for b in "xyz"]
SHIFT = ["shift_x_mm", "shift_y_mm", "shift_z_mm"]
CARATS = ("low_carats", "carats", "high_carats")
SIZE = ("length_mm", "width_mm", "depth_mm")
COLUMNS: dict[str, Callable[[str], Cell]] = (
    {"mark": str, "rough": str, "design": str, "kind": str, "outline": str, "changed": str}
    | dict.fromkeys((*CARATS, "most_carats", "scale", *TURN, *SHIFT, *SIZE), float)
    | dict.fromkeys([n for f in FIGURES for n in (f, f"{f}_stderr")], float)
    | {"low_place": str, "high_place": str, "variations": int, "cells": int, "remark": str}
)
# of the rough's weight: a stone that keeps less is little
LITTLE = 0.05
# remarks of work that was stopped, and of designs that nothing was found of
STOPPED, NONE_FOUND = "stopped early", "the search found no stone of it"


@dataclass(frozen=True)
class CopyRange:
    """A copy with those that it comes to if the scan is off, inward and outward."""

    copy: PlacedCopy
    low: PlacedCopy
    high: PlacedCopy


@dataclass(frozen=True)
class Found:
    """What a search for one design in one rough came to; kind: HEAVIEST, HIDDEN, a direction of the table, or sawn.

    variations: how many were tried; cells: of the bound; remark: why there is none, or that the work was stopped.
    """

    task: Task
    kind: str
    variations: int = 1
    cells: int = 0
    remark: str | None = None

    @property
    def design(self) -> str:
        """The name of its design."""
        return self.task.trial.name

    @property
    def complete(self) -> bool:
        """Whether the work on it was not stopped early."""
        return not (self.remark or "").startswith(STOPPED)


class NothingFound(Found):
    """No stone: the remark says why."""


@dataclass(frozen=True, kw_only=True)
class PlacedStone(Found):
    """A stone where it lies in its rough, in the crystal frame, c along +z.

    low_carats, carats, high_carats, size_mm (length, width, depth): as they are told, which a check compares with the
    copies (``told_truly``); figures: by the names of ``viewer.FIGURES``; most_carats: what none of the design can
    exceed, None where nothing is proven.
    """

    variation: Variation
    place: CopyRange
    low_carats: float
    carats: float
    high_carats: float
    size_mm: tuple[float, float, float]
    figures: Mapping[str, Estimate]
    most_carats: float | None = None

    @property
    def rough(self) -> Rough:
        """Its rough."""
        return self.task.room.rough

    @property
    def cut(self) -> zoned.Cut:
        """The solid at size where it lies, as the studies of orientation see it."""
        return cut_of(self.variation.solid, self.place.copy)

    @property
    def gap(self) -> float | None:
        """By what share the best possible stone may be heavier; None where nothing is proven."""
        if self.most_carats is None:
            return None
        return max(0.0, self.most_carats / self.carats - 1)

    @property
    def hides(self) -> bool:
        """Whether no zone shows on its face, as far as is wished."""
        return hidden(self.figures["zone"], self.task)

    @property
    def little(self) -> bool:
        """Whether it keeps so little that the search may have missed more."""
        return self.carats < LITTLE * self.task.room.carats

    @property
    def table_to_c(self) -> float:
        """Angle between the table's normal and c, taken as a line, degrees."""
        return math.degrees(math.acos(min(1.0, abs(float(self.place.copy.rotation[2, 2])))))

    @property
    def in_file(self) -> tuple[Floats, Floats, Floats]:
        """(normal of the table, direction of the stone's length, its origin in mm) in the rough file's own frame."""
        back, copy = self.rough.turn.T, self.place.copy
        return back @ copy.rotation[:, 2], back @ copy.rotation[:, 0], back @ copy.shift

    @property
    def told_truly(self) -> bool:
        """Whether carats and sizes are those of the copies."""
        carats, size = told_of(self.rough, self.variation.solid, self.place)
        told = (self.low_carats, self.carats, self.high_carats, *self.size_mm)
        return all(
            math.isclose(a, b, rel_tol=1e-9) for a, b in zip(told, (*carats, *size), strict=True)
        )


def hidden(zone: Estimate, task: Task) -> bool:
    """Whether a zone that shows on this share of a face counts as hidden, see ``visibility.hidden``."""
    return visibility.hidden(
        {"share": zone.value, "share_stderr": zone.stderr}, task.wishes.allow
    )  # fmt: skip


def cut_of(solid: Solid, copy: PlacedCopy) -> zoned.Cut:
    """A copy of a solid at size where it lies."""
    return zoned.Cut(solid.scaled(copy.scale), copy.rotation, copy.shift, copy.scale)


def told_of(
    rough: Rough, solid: Solid, place: CopyRange
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Carats (low, likeliest, high) and size in mm (length, width, depth) of copies."""
    x, y, depth = map(float, place.copy.scale * np.ptp(solid.vertices, axis=0))
    less, more = rough.doubt_carats
    low, carats, high = (
        carats_at(c.volume, rough.density) for c in (place.low, place.copy, place.high)
    )
    return (low * less, carats, high * more), (max(x, y), min(x, y), depth)


def placed_stone(found: Found, variation: Variation, place: CopyRange) -> PlacedStone:
    """The stone of a search that lies there; it is looked at. Raises FileError for zones that it cannot have."""
    (low, carats, high), size = told_of(found.task.room.rough, variation.solid, place)
    figures = found.task.viewer.figures(cut_of(variation.solid, place.copy))
    return PlacedStone(
        **vars(found), variation=variation, place=place, low_carats=low, carats=carats,
        high_carats=high, size_mm=size, figures=figures,
    )  # fmt: skip


def different(found: Sequence[Found]) -> list[PlacedStone]:
    """The stones that there are, heaviest first; one that hides its zones anyway counts once."""
    kept: dict[tuple[object, ...], PlacedStone] = {}
    for stone in found:
        if isinstance(stone, PlacedStone):
            copy = stone.place.copy
            where = (copy.rotation.tobytes(), copy.shift.tobytes(), copy.scale, stone.design)
            kept.setdefault(where, stone)
    return sorted(kept.values(), key=lambda s: -s.carats)


# ---- rows of a table --------------------------------------------------------------------------


def row_of(found: Found) -> Row:
    """The row of what was found, with all COLUMNS."""
    row: Row = dict.fromkeys(COLUMNS) | {
        "mark": found.task.mark, "rough": found.task.room.rough.name, "design": found.design, "kind": found.kind,
        "outline": found.task.trial.shape, "variations": found.variations, "cells": found.cells, "remark": found.remark,
    }  # fmt: skip
    if not isinstance(found, PlacedStone):
        return row
    copy = found.place.copy
    row |= {
        "changed": found.variation.words, "most_carats": found.most_carats, "scale": copy.scale,
        "low_place": _cell_of(found.place.low), "high_place": _cell_of(found.place.high),
    } | {name: getattr(found, name) for name in CARATS}  # fmt: skip
    row |= dict(zip(TURN, map(float, copy.rotation.ravel()), strict=True))
    row |= dict(zip(SHIFT, map(float, copy.shift), strict=True))
    row |= dict(zip(SIZE, found.size_mm, strict=True))
    for name in FIGURES:
        row |= cells(name, found.figures.get(name))
    return row


def complete(row: Mapping[str, Cell]) -> bool:
    """Whether the work on a row was not stopped early."""
    return not str(row["remark"] or "").startswith(STOPPED)


def found_in(row: Mapping[str, Cell], task: Task) -> Found:
    """What a row of the task tells. Raises FacetraceError where its cells hold no stone."""
    found = Found(
        task, str(row["kind"]), int(row["variations"] or 0), int(row["cells"] or 0),
        None if row["remark"] is None else str(row["remark"]),
    )  # fmt: skip
    if row["carats"] is None:
        return NothingFound(**vars(found))
    try:
        variation = task.trial.variation_in(str(row["changed"] or ""))
        solid = variation.solid
        copy = _copy([number(row, n) for n in ("scale", *TURN, *SHIFT)], solid)
        low, high = (
            _copy([float(x) for x in str(row[n]).split()], solid)
            for n in ("low_place", "high_place")
        )
        low_carats, carats, high_carats = (number(row, n) for n in CARATS)
        length, width, depth = (number(row, n) for n in SIZE)
        return PlacedStone(
            **vars(found), variation=variation, place=CopyRange(copy, low, high),
            low_carats=low_carats, carats=carats, high_carats=high_carats, size_mm=(length, width, depth),
            figures={n: Estimate(number(row, n), number(row, f"{n}_stderr")) for n in FIGURES if row[n] is not None},
            most_carats=None if row["most_carats"] is None else number(row, "most_carats"),
        )  # fmt: skip
    except (TypeError, ValueError):
        raise FacetraceError(
            f"the table's row of {row['design']} ({row['kind']}) holds no stone; give --fresh to begin it anew"
        ) from None


def _cell_of(copy: PlacedCopy) -> str:
    """A copy's scale, turn and shift as 13 numbers in a cell."""
    return " ".join(repr(float(x)) for x in (copy.scale, *copy.rotation.ravel(), *copy.shift))


def _copy(numbers: Sequence[float], solid: Solid) -> PlacedCopy:
    scale, *rest = numbers
    turn, shift = np.array(rest[:9]).reshape(3, 3), np.array(rest[9:])
    if shift.shape != (3,):
        raise ValueError("13 numbers are wanted")
    return PlacedCopy(scale, turn, shift, solid.volume * scale**3)
