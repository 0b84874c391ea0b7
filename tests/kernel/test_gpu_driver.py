"""The GPU driver's logic on a simulated card, and the search in single precision that it uses.

The simulated card is numba's. No card is at hand in these tests; what real ones gave is in the notes of benchmarks/gpu.py.
"""

import os
import subprocess
import sys

import logged_paths
import numba
import numpy as np
import pytest
from shared import ROOT

from facetrace.kernel.facets import NEAR_ROOM, confirmed_facet, leaving_facet


@pytest.mark.slow
def test_a_simulated_card_gives_the_cpu_s_rows():
    """Lanes that wait for each other, launch together and go on to their next rows: the same sums, bit for bit."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "tools" / "gpu_rows.py")], capture_output=True, text=True, cwd=ROOT,
        env=os.environ | {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    lines = [line.split(": ") for line in done.stdout.splitlines()]
    assert [name for name, _ in lines] == list(logged_paths.scenes())
    assert {differences for _, differences in lines} == {"0.0e+00 0.0e+00"}


@numba.njit(error_model="numpy")
def _both(planes, near, starts, ways, found, times):
    for k in range(len(starts)):
        p, s = starts[k], ways[k]
        found[k, 0], times[k, 0] = leaving_facet(
            planes, 0, planes.shape[1], p[0], p[1], p[2], s[0], s[1], s[2]
        )
        found[k, 1], times[k, 1] = confirmed_facet(planes, near, p[0], p[1], p[2], s[0], s[1], s[2])


@pytest.mark.parametrize("design", ["round-brilliant", "rectangle-step"])
@pytest.mark.parametrize("where", ["inside", "on a facet", "on an edge", "along a facet"])
def test_single_precision_confirmed_is_double_precision(design, where, rng):
    """The same facet at the same distance, to the bit, for flights from anywhere, also where two facets are near."""
    solid = logged_paths.solid_of(design)
    planes, corners = solid.planes, solid.vertices
    near = np.zeros((128, 4), dtype=np.float32)
    near[: planes.shape[1], :3] = planes[:3].T
    near[: planes.shape[1], 3] = planes[3] - NEAR_ROOM * np.abs(planes[3]).max()
    count = 20_000
    ways = rng.normal(size=(count, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    mixed = rng.dirichlet(np.full(4, 0.5), count)
    starts = np.einsum("nk,nkj->nj", mixed, corners[rng.integers(0, len(corners), (count, 4))])
    if where != "inside":
        # to the facet that is met from there, or to its edge with the next
        found, times = np.zeros((count, 2), dtype=np.int64), np.zeros((count, 2))
        _both(planes, near, starts, ways, found, times)
        starts = starts + times[:, :1] * ways
        normals = planes[:3].T[found[:, 0]]
        ways = rng.normal(size=(count, 3))
        ways -= np.einsum("nj,nj->n", ways, normals)[:, None] * normals
        ways /= np.linalg.norm(ways, axis=1)[:, None]
        if where == "on an edge":
            _both(planes, near, starts, ways, found, times)
            starts = starts + times[:, :1] * ways
        depth = 1e-7 if where == "along a facet" else rng.uniform(0.01, 1, (count, 1))
        ways = ways - depth * normals
        ways /= np.linalg.norm(ways, axis=1)[:, None]
    found, times = np.zeros((count, 2), dtype=np.int64), np.zeros((count, 2))
    _both(planes, near, starts, ways, found, times)
    np.testing.assert_array_equal(found[:, 0], found[:, 1])
    np.testing.assert_array_equal(times[:, 0], times[:, 1])
