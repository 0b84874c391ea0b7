"""Where light is traced: a card that is not there is told in one line; "auto" goes on without it."""

import importlib.util
import os
import subprocess
import sys

import pytest
from shared import ROOT, refused

from facetrace.common.errors import FacetraceError
from facetrace.trace import device
from facetrace.trace.device import chosen_device, tracing_on

DESIGN = ROOT / "designs" / "round-brilliant.toml"


@pytest.fixture
def no_package(monkeypatch):
    found = importlib.util.find_spec
    monkeypatch.setattr(
        device, "find_spec", lambda name: None if name == "numba_cuda" else found(name)
    )


def test_without_the_package(no_package):
    with pytest.raises(FacetraceError, match="needs one more package"), tracing_on("gpu"):
        pass
    with tracing_on("auto") as chosen:
        assert chosen == chosen_device() == "cpu"
    line = refused(["trace", DESIGN, "--device", "gpu"])
    assert line.startswith("error: trace: --device: a graphics card needs one more package")
    assert chosen_device() == "cpu"


def test_without_a_card(monkeypatch):
    monkeypatch.setattr(device, "find_spec", lambda _: object())
    monkeypatch.setattr("numba.cuda.is_available", lambda: False)
    with pytest.raises(FacetraceError, match="no graphics card is found"), tracing_on("gpu"):
        pass


def test_what_a_block_chooses_ends_with_it(monkeypatch):
    monkeypatch.setattr(device, "missing_card", lambda: None)
    with tracing_on("gpu"):
        assert chosen_device() == "gpu"
        with tracing_on("cpu"):
            assert chosen_device() == "cpu"
        assert chosen_device() == "gpu"
    assert chosen_device() == "cpu"


PROGRAM = """
from dataclasses import replace
from unittest.mock import patch
import logged_paths
from facetrace.trace import device
from facetrace.trace.run import trace_all, trace_pixels
import numpy as np
known = logged_paths.scenes()
one = known["isotropic"]
# the last two go in one launch, though one has fewer facets
steps = replace(logged_paths._scene("rectangle-step"), medium=known["round"].medium)
many = [known["round"], steps]
assert steps.planes.shape != known["round"].planes.shape
found = []
with patch.object(device, "missing_card", lambda: None):
    for name in ("cpu", "gpu"):
        with device.tracing_on(name):
            sums = [of.rows for of in trace_all(many, 16, 3, 0.9)]
            found.append([*sums, trace_pixels(one, 6, 1, 3, floor=0.3).sums])
for a, b in zip(*found):
    print(np.abs(a - b).max() <= 1e-12 * np.abs(a).max())
"""


@pytest.mark.slow
def test_figures_and_pictures_of_a_simulated_card():
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], capture_output=True, text=True, cwd=ROOT,
        env=os.environ | {
            "NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": f"{ROOT}:{ROOT / 'tests' / 'tools'}",
        },
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == 3 * ["True"]
