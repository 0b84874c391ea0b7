"""Two stones from one rough, sawn by a plane.

Planes that are tried: across the rough's longest extents and across c at several depths, and through
each crack. In each half each design is fitted at table directions and spins of a coarse grid
(``solid.obstacles.facing_each``). The planes that promise most are searched in full, so the proof holds
for each half of that plane, not over all planes. The saw takes its kerf; the sawn faces lose
their skin like the others.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from facetrace.common.ledger import Row
from facetrace.common.workers import each_done
from facetrace.optics.rough import Rough
from facetrace.solid.body import Body
from facetrace.solid.obstacles import facing_each
from facetrace.solid.place import Facing, Found, Space, Stone, largest, stone_of
from facetrace.solid.polyhedron import SolidError
from facetrace.studies.plan import (
    COLUMNS,
    Setting,
    Task,
    carats_of,
    eye_of,
    row_of,
    sized_of,
)
from facetrace.studies.rows import number

Floats = NDArray[np.float64]
Progress = Callable[[float], None]

# depths of the planes, shares of the rough's extent across them
DEPTHS = (0.3, 0.4, 0.5, 0.6, 0.7)
# directions nearer than this are one, as a cosine
SAME = 0.97
# planes that are searched in full
BEST = 2
RINGS, AROUND = 1, 4


@dataclass(frozen=True)
class Plane:
    """A saw cut: normal . r = offset in the crystal frame, mm, the middle of the kerf; crack: through which, or ""."""

    normal: Floats
    offset: float
    crack: str = ""

    def halves(self, space: Space, kerf_mm: float) -> tuple[Space, Space]:
        """What is left on the two sides, that with the larger offsets first."""
        found = []
        for side in (-1.0, 1.0):
            face = np.append(side * self.normal, side * self.offset - kerf_mm / 2)[:, None]
            found.append(replace(space, hull=Body(np.hstack([space.hull.planes, face]))))
        return found[0], found[1]


@dataclass(frozen=True)
class Sawn:
    """Two stones and the plane between them: rows as those of plans, the heavier first.

    depths_mm: from the plane to the rough's two ends across it, at the side of the normal first;
    tried: how many planes were.
    """

    plane: Plane
    rows: tuple[Row, Row]
    depths_mm: tuple[float, float]
    tried: int

    @property
    def carats(self) -> float:
        """Of both stones."""
        return sum(number(row, "carats") for row in self.rows)


def planes_of(rough: Rough) -> list[Plane]:
    """The planes that are tried."""
    corners = rough.mesh.vertices
    centred = corners - corners.mean(axis=0)
    normals: list[Floats] = []
    for normal in (*np.linalg.svd(centred, full_matrices=False)[2], np.array([0.0, 0.0, 1.0])):
        if all(abs(normal @ other) < SAME for other in normals):
            normals.append(normal)
    found = []
    for normal in normals:
        low, high = float((corners @ normal).min()), float((corners @ normal).max())
        found += [Plane(normal, low + depth * (high - low)) for depth in DEPTHS]
    for defect in rough.defects:
        if defect.kind == "crack":
            middle = defect.points.mean(axis=0)
            normal = np.linalg.svd(defect.points - middle)[2][2]
            found.append(Plane(normal, float(middle @ normal), defect.name))
    return found


# ---- in processes of its own ------------------------------------------------------------------


@dataclass(frozen=True)
class _Trial:
    stones: tuple[Stone, ...]
    halves: tuple[Space, Space]
    facing: Facing


def _tried(trial: _Trial) -> tuple[tuple[int, float], ...]:
    """(number of the best stone, its volume) in each half; volume 0 where none fits."""
    found = []
    for space in trial.halves:
        sizes = [0.0] * len(trial.stones)
        for k, stone in enumerate(trial.stones):
            try:
                copies = facing_each(stone, space, trial.facing, RINGS, AROUND)
            except SolidError:
                continue
            sizes[k] = copies[0].volume if copies else 0.0
        best = int(np.argmax(sizes))
        found.append((best, sizes[best]))
    return tuple(found)


@dataclass(frozen=True)
class _Half:
    stone: Stone
    space: Space
    facing: Facing
    within: float
    most_cells: int


def _searched(half: _Half) -> Found:
    return largest(
        half.stone, half.space, half.facing, within=half.within, most_cells=half.most_cells
    )  # fmt: skip


# ---- the answer -------------------------------------------------------------------------------


def sawn(
    tasks: Sequence[Task], setting: Setting, workers: int, report: Progress = lambda _: None,
    better: Callable[[Sawn], float] = lambda found: found.carats,
) -> Sawn | None:  # fmt: skip
    """The best pair of stones, each of any of the designs as they stand; None where no two fit.

    *better* is what counts among the planes searched in full: carats unless told otherwise.
    """
    room = tasks[0].room
    solids = [t.outline.solid("") for t in tasks]
    stones = tuple(stone_of(solid) for solid in solids)
    space, kerf = room.space(), room.rough.loss.kerf_mm
    planes = planes_of(room.rough)
    trials = [_Trial(stones, p.halves(space, kerf), setting.facing) for p in planes]
    tried = []
    for k, result in enumerate(each_done(_tried, trials, workers)):
        tried.append(result)
        report(0.6 * (k + 1) / len(planes))
    both = [k for k, halves in enumerate(tried) if all(volume > 0 for _, volume in halves)]
    chosen = sorted(both, key=lambda k: -sum(v for _, v in tried[k]))[:BEST]
    halves = [
        _Half(stones[n], side, setting.facing, setting.within, setting.most_cells)
        for k in chosen
        for (n, _), side in zip(tried[k], trials[k].halves, strict=True)
    ]
    found = []
    for k, result_of_half in enumerate(each_done(_searched, halves, workers)):
        found.append(result_of_half)
        report(0.6 + 0.4 * (k + 1) / len(halves))
    pairs = []
    for i, k in enumerate(chosen):
        two = [
            _row(tasks[n], setting, halves[2 * i + j], found[2 * i + j])
            for j, (n, _) in enumerate(tried[k])
        ]
        if two[0] and two[1]:
            pairs.append(_pair(room.rough, planes[k], (two[0], two[1]), len(planes)))
    return max(pairs, key=better) if pairs else None


def _row(task: Task, setting: Setting, half: _Half, found: Found) -> Row | None:
    if found.copy is None:
        return None
    rough = task.room.rough
    head: Row = dict.fromkeys(COLUMNS) | {
        "rough": rough.name, "design": task.label, "outline": task.outline.shape, "changed": "",
        "variations": 1, "cells": found.cells, "most_carats": carats_of(rough, found.most_mm3),
        "kind": "sawn",
    }  # fmt: skip
    sized = sized_of(half.stone, half.space, found.copy, rough.loss.scan_mm)
    eye = eye_of(rough, task.outline.design, setting)
    return row_of(eye, half.stone, task.outline.solid(""), sized, head)


def _pair(rough: Rough, plane: Plane, rows: tuple[Row, Row], tried: int) -> Sawn:
    reach = rough.mesh.vertices @ plane.normal
    depths = (float(reach.max()) - plane.offset, plane.offset - float(reach.min()))
    ordered = sorted(rows, key=lambda row: -number(row, "carats"))
    return Sawn(plane, (ordered[0], ordered[1]), depths, tried)
