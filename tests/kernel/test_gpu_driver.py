"""The GPU driver's logic on a simulated card, and the search in single precision that it uses.

The simulated card is numba's. No card is at hand in these tests; what real ones gave is in the notes of benchmarks/gpu.py.
"""

import os
import subprocess
import sys

import logged_paths
import numpy as np
import pytest
from facet_flights import WHERE, check_search
from shared import ROOT

from facetrace.kernel.facets import NEAR_ROOM, confirmed_facet


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


@pytest.mark.parametrize("design", ["round-brilliant", "rectangle-step"])
@pytest.mark.parametrize("where", WHERE)
def test_single_precision_confirmed_is_double_precision(design, where, rng):
    """The same facet at the same distance, to the bit, for flights from anywhere, also where two facets are near."""
    solid = logged_paths.solid_of(design)
    planes = solid.planes
    near = np.zeros((128, 4), dtype=np.float32)
    near[: planes.shape[1], :3] = planes[:3].T
    near[: planes.shape[1], 3] = planes[3] - NEAR_ROOM * np.abs(planes[3]).max()
    check_search(confirmed_facet, solid, near, where, rng)
