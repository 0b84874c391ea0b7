"""The CPU driver: which thread does which row of sums; everything else is in ``launch`` and below.

Rays are numbered; a row of sums belongs to a fixed run of consecutive rays and is
written by one thread only, so sums are the same bits for any number of threads.
"""

from collections.abc import Callable
from typing import Any

from numba import prange

from facetrace.kernel import (
    coherent,
    compiling,
    events,
    facets,
    ground,
    isotropic,
    isotropic_path,
    launch,
    light,
    paths,
    sampling,
    scene,
    tally,
    uniaxial,
    uniaxial_path,
    vectors,
    zones,
)
from facetrace.kernel.compiling import fingerprint, leaf, parallel_entry
from facetrace.kernel.launch import trace_row

# all that the compiled loop is made of
CODE = (
    compiling, vectors, scene, events, uniaxial, coherent, isotropic, light, sampling, zones, ground,
    facets, tally, paths, uniaxial_path, isotropic_path, launch,
)  # fmt: skip


@leaf
def _log_of(logs, row):
    if logs is None:
        return None
    return logs[row]


def _make_trace_rows(stamp: int) -> Callable[..., Any]:
    def trace_rows(scene, rays, first_row, rows_per_task, out, logs):
        """Trace rows first_row ... first_row + len(out) - 1 of *rays* into *out* (rows, SUMS).

        *logs*: None, compiled apart, or (rows, events + 1, LOG_COLUMNS), one log for each row
        (``kernel.events``).
        """
        if stamp < 0:  # never; makes the stamp part of the compiled function's identity
            return
        rows = out.shape[0]
        tasks = (rows + rows_per_task - 1) // rows_per_task
        for task in prange(tasks):
            for row in range(task * rows_per_task, min(rows, (task + 1) * rows_per_task)):
                trace_row(scene, rays, first_row + row, out[row], _log_of(logs, row))

    return parallel_entry(trace_rows)


trace_rows = _make_trace_rows(fingerprint(*CODE))
