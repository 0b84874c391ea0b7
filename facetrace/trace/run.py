"""Running a scene: independent replicates for figures, pixels for pictures."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.driver import trace_rows
from facetrace.kernel.paths import SUMS
from facetrace.trace.points import key_of, scrambled_tables
from facetrace.trace.scene import FAR, Scene

Floats = NDArray[np.float64]
Progress = Callable[[float], None]

REPLICATES = 16
ROW_RAYS = 1024
FIRST_POINTS = 256
MAX_POINTS = 1 << 24
# rows traced between two signs of life
BATCH_ROWS = 128
MARGIN = 0.04


@dataclass(frozen=True)
class Sums:
    """Sums over paths, one row a replicate (see kernel.paths for the columns)."""

    rows: Floats
    points: int
    seed: int

    @property
    def rays(self) -> int:
        """Rays launched over all replicates."""
        return self.points * len(self.rows)


@dataclass(frozen=True)
class Pixels:
    """Sums per pixel, (height, width, columns), and the size of a pixel in mm."""

    sums: Floats
    step_mm: float
    samples: int


def _fan(outline: Floats) -> Floats:
    """Triangles around the middle of a convex polygon: see kernel.sampling.fan_point."""
    centre = outline.mean(axis=0)
    following = np.roll(outline, -1, axis=0)
    a, b = outline - centre, following - centre
    area = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    share = np.cumsum(area) / area.sum()
    share[-1] = 1.0
    count = len(outline)
    return np.ascontiguousarray(
        np.column_stack([share, np.tile(centre, (count, 1)), outline, following])
    )


def _reach(outline: Floats) -> float:
    return float(np.abs(outline).max())


def _nothing(_: float) -> None:
    return


def _trace(
    scene: Scene, tables: NDArray[np.uint32], seed: int, grid: Floats, per_pixel: bool,
    first_point: int, points: int, row_rays: int, rows: int, task_rows: int, batch: int,
    report: Progress,
) -> Floats:  # fmt: skip
    out = np.zeros((rows, SUMS))
    for start in range(0, rows, batch):
        part = out[start : start + batch]
        trace_rows(
            scene.planes, scene.crystal, scene.medium.spectrum, scene.light, scene.view,
            _fan(scene.outline), grid, per_pixel, tables, key_of(seed), first_point, points,
            row_rays, task_rows, start, scene.medium.physics, part,
        )  # fmt: skip
        report(min(1.0, (start + len(part)) / rows))
    return out


def points_for(rays: int) -> int:
    """Points of each replicate, a power of two, so that all together are at least *rays*."""
    return max(FIRST_POINTS, 1 << max(0, math.ceil(math.log2(max(rays, 1) / REPLICATES))))


def trace_sums(
    scene: Scene, points: int, seed: int, *, first: Sums | None = None, report: Progress = _nothing
) -> Sums:
    """Trace *points* (a power of two) per replicate over the silhouette.

    With *first*, which must hold half as many points, only the other half is traced.
    The same bits for any number of threads.
    """
    have = first.points if first else 0
    if points & (points - 1) or (first and points != 2 * have):
        raise ValueError("points must be a power of two, twice those already traced")
    new = points - have
    row_rays = min(ROW_RAYS, new)
    rows = REPLICATES * new // row_rays
    grid = np.array([0.0, 0.0, 0.0, 1.0, FAR * _reach(scene.outline)])
    out = _trace(
        scene, scrambled_tables(seed, REPLICATES), seed, grid, False, have, new, row_rays, rows, 1,
        BATCH_ROWS, report,
    )  # fmt: skip
    rows_sum = out.reshape(REPLICATES, -1, SUMS).sum(axis=1)
    return Sums(rows_sum + first.rows if first else rows_sum, points, seed)


def trace_pixels(
    scene: Scene, size: int, samples: int, seed: int, *, width_mm: float | None = None,
    report: Progress = _nothing,
) -> Pixels:  # fmt: skip
    """Trace *samples* rays in each pixel of a square picture of *size* pixels a side.

    *width_mm* of the picture; by default the stone with a small margin.
    """
    half = width_mm / 2 if width_mm else (1 + MARGIN) * _reach(scene.outline)
    step = 2 * half / size
    grid = np.array([-half, half, step, float(size), FAR * _reach(scene.outline)])
    task = max(1, 2048 // samples)
    out = _trace(
        scene, scrambled_tables(seed, 1), seed ^ 0x5A5A5A, grid, True, 0, samples, samples,
        size * size, task, 16 * task, report,
    )  # fmt: skip
    return Pixels(out.reshape(size, size, SUMS), step, samples)
