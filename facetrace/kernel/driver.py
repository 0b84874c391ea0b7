"""The CPU driver: which ray, which row of sums; everything else is in ``paths``.

Rays are numbered; a row of sums belongs to a fixed run of consecutive rays and is
written by one thread only, so sums are the same bits for any number of threads.
"""

from collections.abc import Callable
from typing import Any

from numba import prange

from facetrace.kernel import (
    coherent,
    compiling,
    ground,
    isotropic,
    launch,
    light,
    paths,
    sampling,
    uniaxial,
    zones,
)
from facetrace.kernel.compiling import entry, fingerprint
from facetrace.kernel.launch import launch as launch_ray


def _make_trace_rows(stamp: int) -> Callable[..., Any]:
    def trace_rows(
        planes, entry_rows, finish, split, bodies, body_planes, crystal, spectrum, light_row, view, fan, grid, per_pixel, tables, key,
        first_point, points_per_set, rays_per_row, rows_per_task, first_row, floor, physics, out,
    ):  # fmt: skip
        """Trace the rays of rows first_row ... first_row + len(out) - 1 into *out*.

        Ray k is point first_point + k % points_per_set of set k // points_per_set. *floor*:
        weight below which Russian roulette begins.
        """
        if stamp < 0:  # never; makes the stamp part of the compiled function's identity
            return
        rows = out.shape[0]
        tasks = (rows + rows_per_task - 1) // rows_per_task
        for task in prange(tasks):
            for row in range(task * rows_per_task, min(rows, (task + 1) * rows_per_task)):
                start = (first_row + row) * rays_per_row
                for ray in range(start, start + rays_per_row):
                    launch_ray(
                        planes, entry_rows, finish, split, bodies, body_planes, crystal, spectrum, light_row, view, fan, grid, per_pixel, tables,
                        key, ray // points_per_set, first_point + ray % points_per_set,
                        floor, physics, out, row,
                    )  # fmt: skip

    return entry(trace_rows)


trace_rows = _make_trace_rows(
    fingerprint(
        compiling, uniaxial, coherent, isotropic, light, sampling, zones, ground, paths, launch
    )
)
