"""The house's front: what lies at the top."""

import shutil
import subprocess
from pathlib import Path

import pytest
from shared import ROOT


@pytest.mark.skipif(
    shutil.which("git") is None, reason="needs git, which lists the project's files"
)
def test_top_level_is_the_agreed_one():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    top = {Path(name).parts[0] for name in listed if name and not name.startswith(".")}
    if top:
        assert top == {
            "README.md", "DEVELOPERS.md", "pyproject.toml", "facetrace", "designs", "tests",
            "benchmarks", "LICENSE",
        }  # fmt: skip
