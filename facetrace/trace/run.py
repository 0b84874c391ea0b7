"""Running a scene: independent sets of paths for figures, pixels for pictures."""

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.launch import STRATA
from facetrace.kernel.scene import Rays
from facetrace.kernel.tally import SEEN_X, SUM_Y, SUMS
from facetrace.trace.device import alike, chosen_device, traced_on_card, traced_rows
from facetrace.trace.points import key_of, scrambled_tables
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]
Progress = Callable[[float], None]

# independent sets of points: a pair in each stratum of the silhouette
SETS = 2 * STRATA * STRATA
# matrices that scramble them; the digital shift is each set's own
TABLES = 16
# rays of a row of sums at most; a card has a row for each of its lanes
ROW_RAYS = {"cpu": 1024, "gpu": 64}
FIRST_POINTS = 16
PICTURE_SALT = 0x5A5A5A
# rays traced between two signs of life
BATCH_RAYS = {"cpu": 1 << 18, "gpu": 1 << 26}
# scenes that a card is given at once
MOST_SCENES = 1 << 12
TASK_RAYS = 1 << 11
# tasks that each thread has at least
TASKS_EACH = 4
MARGIN = 0.04
# rays of a picture's pixel that share all but their wavelength: with 32 rays a pixel 4 gave the
# least rms dE*ab of 1, 4, 8, 16, 32 in clear, red and blue stones
SHARED = 4
CENTRE_DIGITS = 9
# Russian roulette begins at this share of the radiance from within the stone, which a small
# pilot run measures, or of that radiance's spread from ray to ray if that is less: late where a
# stone absorbs most of its light, and hardly at all where all paths see the same
ROULETTE_SHARE = 0.07
ROULETTE_SPREAD = 0.35
LEAST_FLOOR = 1e-4
PILOT_POINTS = 16


@dataclass(frozen=True)
class Sums:
    """Sums over paths (see kernel.tally for the columns), one row for each independent set.

    Rows 2g and 2g + 1 are two independent samples of the same part of the silhouette, so a
    figure's variance follows from their differences: see ``trace.faceup``.
    """

    rows: Floats
    points: int
    seed: int
    floor: float

    @property
    def rays(self) -> int:
        """Rays launched over all sets."""
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


def _nothing(_: float) -> None:
    return


def _trace(scene: Scene, rays: Rays, rows: int, report: Progress) -> Floats:
    """Sums (rows, columns) of the first rows of *rays*; the same bits for any number of threads."""
    # a part for each thread even of few rays
    most = -(-rows // (TASKS_EACH * numba.get_num_threads()))
    task_rows = max(1, min(TASK_RAYS // rays.row_rays, most))
    batch = task_rows * max(1, BATCH_RAYS[chosen_device()] // (task_rows * rays.row_rays))
    arrays = scene.arrays
    if rows <= batch:
        whole = traced_rows(arrays, rays, 0, rows, task_rows)
        report(1.0)
        return whole
    out = np.zeros((rows, SUMS))
    for start in range(0, rows, batch):
        part = out[start : start + batch]
        part[:] = traced_rows(arrays, rays, start, len(part), task_rows)
        report((start + len(part)) / rows)
    return out


def points_for(rays: int) -> int:
    """Points of each set, a power of two, so that all together are at least *rays*."""
    return max(FIRST_POINTS, 1 << max(0, math.ceil(math.log2(max(rays, 1) / SETS))))


def over_silhouette(
    scene: Scene, seed: int, first_point: int, points: int, row_rays: int, floor: float
) -> Rays:
    """Points *first_point* and *points* - 1 that follow of each of the SETS sets over the silhouette."""
    return Rays(
        fan=_fan(scene.outline),
        grid=np.array([0.0, 0.0, 0.0, 1.0, scene.far, 1.0, 0.0]),
        per_pixel=False,
        tables=scrambled_tables(seed, TABLES),
        key=key_of(seed),
        first_point=first_point,
        points=points,
        row_rays=row_rays,
        floor=floor,
    )


def _set_sums(
    scenes: Sequence[Scene], seed: int, have: int, points: int, floor: float, report: Progress
) -> Floats:  # fmt: skip
    """Sums (scenes, SETS, columns) of points *have* ... *points* - 1 of every set."""
    new = points - have
    row_rays = min(ROW_RAYS[chosen_device()], new & -new)
    rays = [over_silhouette(scene, seed, have, new, row_rays, floor) for scene in scenes]
    rows = SETS * new // row_rays
    if chosen_device() == "gpu":
        return _sets_on_card(scenes, rays, rows, report)
    found = np.zeros((len(scenes), SETS, SUMS))
    for k, (scene, own) in enumerate(zip(scenes, rays, strict=True)):
        traced = _trace(scene, own, rows, _part_of(report, k, len(scenes)))
        found[k] = traced.reshape(SETS, -1, SUMS).sum(axis=1)
    return found


def _part_of(report: Progress, k: int, count: int) -> Progress:
    return lambda share: report((k + share) / count)


def _sets_on_card(
    scenes: Sequence[Scene], rays: Sequence[Rays], rows: int, report: Progress
) -> Floats:
    """Sums (scenes, SETS, columns); like scenes go together, and as many rays as a card does in a fraction of a second."""
    arrays = [scene.arrays for scene in scenes]
    like: dict[Hashable, list[int]] = {}
    for k, scene in enumerate(scenes):
        like.setdefault((*alike(arrays[k]), id(scene.medium)), []).append(k)
    room = BATCH_RAYS["gpu"] // rays[0].row_rays
    most = min(MOST_SCENES, max(1, room // rows))
    # of one scene whole sets at a time
    sets = SETS if most > 1 else min(SETS, max(1, room * SETS // rows))
    found, done = np.zeros((len(scenes), SETS, SUMS)), 0
    for members in like.values():
        for k in range(0, len(members), most):
            batch = members[k : k + most]
            for first in range(0, SETS, sets):
                part = min(sets, SETS - first)
                found[batch, first : first + part] = traced_on_card(
                    [arrays[i] for i in batch], [rays[i] for i in batch],
                    first * (rows // SETS), part * (rows // SETS), rows // SETS,
                )  # fmt: skip
            done += len(batch)
            report(done / len(scenes))
    return found


def roulette_floor(scene: Scene, seed: int) -> float:
    """Weight below which roulette begins, from a pilot run of 2,048 rays."""
    pilot = _set_sums([scene], seed, 0, PILOT_POINTS, LEAST_FLOOR, _nothing)[0]
    launched = max(float(pilot[:, SUM_Y].sum()), 1e-300)
    within = min(float(pilot[:, SEEN_X + 1].sum()) / launched, 1.0)
    off = pilot[:, SEEN_X + 1] - within * pilot[:, SUM_Y]
    apart = off[0::2] - off[1::2]
    spread = float(np.sqrt(np.sum(apart**2) * SETS * PILOT_POINTS)) / launched
    return max(LEAST_FLOOR, min(ROULETTE_SHARE * within, ROULETTE_SPREAD * spread))


def warm_up(scene: Scene) -> None:
    """Have the kernel compiled or loaded, so that what follows can be timed."""
    roulette_floor(scene, 0)


def trace_sums(
    scene: Scene,
    points: int,
    seed: int,
    *,
    first: Sums | None = None,
    floor: float | None = None,
    report: Progress = _nothing,
) -> Sums:
    """Trace *points* (a multiple of 16, best a power of two) of each set over the silhouette.

    With *first*, from the same scene and seed, only the points beyond its are traced. *floor* of
    another scene's roulette instead of a pilot run: stones that are compared should share it.
    """
    have = first.points if first else 0
    _check_points(points, have)
    if first:
        floor = first.floor
    elif floor is None:
        floor = roulette_floor(scene, seed)
    rows = _set_sums([scene], seed, have, points, floor, report)[0]
    return Sums(rows + first.rows if first else rows, points, seed, floor)


def trace_all(
    scenes: Sequence[Scene], points: int, seed: int, floor: float, report: Progress = _nothing
) -> list[Sums]:
    """``trace_sums`` of each scene from the start, with one floor: on a card as fast as one scene with all their rays."""
    _check_points(points, 0)
    found = _set_sums(scenes, seed, 0, points, floor, report)
    return [Sums(rows, points, seed, floor) for rows in found]


def _check_points(points: int, have: int) -> None:
    if points % PILOT_POINTS or points <= have:
        raise ValueError(f"points must be a multiple of {PILOT_POINTS}, more than already traced")


def trace_pixels(
    scene: Scene,
    size: int,
    samples: int,
    seed: int,
    *,
    width_mm: float | None = None,
    centre_mm: Floats | None = None,
    floor: float | None = None,
    picture: bool = False,
    report: Progress = _nothing,
) -> Pixels:
    """Trace *samples* rays in each pixel of a square picture of *size* pixels a side.

    *width_mm* and *centre_mm* (right, up) of the picture; by default the stone in its middle
    with a small margin. *floor* as in ``trace_sums``. *picture*: four rays share a place and all choices, and
    wavelengths are parted among neighbours (``kernel.launch.wavelength_of_pixel``): a quarter to a half less noise of colour
    after the filter of ``trace.maps``, a little more of luminance, and no mean changes.
    """
    low, high = scene.outline.min(axis=0), scene.outline.max(axis=0)
    # a stone whose axis lies off its middle (a pear) stands in the middle of its picture
    centre = np.round((low + high) / 2 if centre_mm is None else centre_mm, CENTRE_DIGITS)
    half = width_mm / 2 if width_mm else (1 + MARGIN) * float((high - low).max()) / 2
    step = 2 * half / size
    # as many strata as rays, and a power of two as the net's
    shared, strata = (SHARED, 1 << (samples - 1).bit_length()) if picture else (1, 0)
    rays = Rays(
        fan=_fan(scene.outline),
        grid=np.array([centre[0] - half, centre[1] + half, step, size, scene.far, shared, strata]),
        per_pixel=True,
        tables=scrambled_tables(seed, 1),
        key=key_of(seed ^ PICTURE_SALT),
        first_point=0,
        points=samples,
        row_rays=samples,
        floor=roulette_floor(scene, seed) if floor is None else floor,
    )
    sums = _trace(scene, rays, size * size, report)
    return Pixels(sums.reshape(size, size, SUMS), step, samples)
