"""Long work: what is done again and again leaves nothing behind. Time is not asserted; benchmarks/long.py measures it."""

import json
import os
import subprocess
import sys

import pytest
from shared import ROOT

# MB, of the process after the same work: what the allocator keeps or gives back
WANDERS = 12.0
STEADY = ("open_files", "threads", "children", "temporary", "compiled")


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_sweeps_leave_nothing_behind(tmp_path):
    """Four blocks of the same mixture of work, each with designs of its own; the second and fourth with what takes long.

    Six sweeps and the other works of two blocks may not leave 1 MB each: a picture of 600 x 600 pixels has as much.
    """
    told = tmp_path / "long.json"
    words = ["--sweeps", "12", "--every", "3", "--often", "2", "--seldom", "6", "--json", str(told)]  # fmt: skip
    done = subprocess.run(
        [sys.executable, str(ROOT / "benchmarks" / "long.py"), *words], capture_output=True, text=True, check=False, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    blocks = json.loads(told.read_text(encoding="utf-8"))
    assert [b["sweeps"] for b in blocks] == [3, 6, 9, 12]
    warm, later = blocks[1], blocks[2:]
    for block in later:
        assert {name: block[name] for name in STEADY} == {name: warm[name] for name in STEADY}
        assert block["resident_mb"] <= warm["resident_mb"] + WANDERS
    assert warm["temporary"] == 0
    # the one that multiprocessing keeps to tidy up after its processes
    assert warm["children"] <= 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["long.json"]
