"""Style and types, as everyone runs them."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from shared import ROOT


@pytest.mark.parametrize("command", [["ruff", "check", "."], ["ruff", "format", "--check", "."]])
def test_ruff(command):
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
def test_mypy():
    """For the Python that runs: the stubs of a numpy that has left 3.11 behind are none for 3.11."""
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--python-version", python], cwd=ROOT, capture_output=True, text=True
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


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
