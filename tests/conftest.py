"""Shared scenes. Everything here is invented."""

import os
import shutil
import subprocess
import sys

import numba
import numpy as np
import pytest
from hypothesis import settings
from shared import PATIENCE, ROOT, brief_searches
from typer.testing import CliRunner

settings.register_profile("here", deadline=None, derandomize=True)
settings.load_profile("here")


if "PYTEST_XDIST_WORKER" in os.environ:
    # the tests have a process for each core: threads that wait for one another would only take turns
    numba.set_num_threads(max(1, numba.get_num_threads() // int(os.environ["PYTEST_XDIST_WORKER_COUNT"])))  # fmt: skip


def pytest_configure(config):
    """Several workers would each compile the same for half a minute; so it is done once, by one process a core."""
    if getattr(config.option, "numprocesses", None) and not hasattr(config, "workerinput"):
        tool = ROOT / "tests" / "tools" / "compile_first.py"
        begun = [
            subprocess.Popen(
                [sys.executable, str(tool), part],
                cwd=ROOT,
                env=os.environ | {"PYTHONPATH": str(ROOT)},
            )
            for part in ("paths", "others")
        ]
        # what is wrong with them the tests will say
        for process in begun:
            process.wait()


@pytest.fixture
def briefly():
    """See ``brief_searches``."""
    with brief_searches():
        yield


@pytest.fixture
def rng():
    """The same numbers for each test, whatever ran before it."""
    return np.random.default_rng(20261125)


BROWSERS = ("chromium", "chromium-browser", "google-chrome")
BROWSER_FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser():
    """A headless Chromium; without one the tests are skipped, with FACETRACE_NEEDS_BROWSER set they fail."""
    where = next(filter(None, map(shutil.which, BROWSERS)), None)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        where = None
    if where is None:
        remedy = "needs Chromium (Debian: apt-get install chromium) and pip install playwright"
        if os.environ.get("FACETRACE_NEEDS_BROWSER"):
            pytest.fail(remedy)
        pytest.skip(remedy)
    with sync_playwright() as player:
        found = player.chromium.launch(executable_path=where, args=BROWSER_FLAGS, timeout=1000 * PATIENCE)  # fmt: skip
        usual = found.new_context

        def patient(**words):
            context = usual(**words)
            context.set_default_timeout(1000 * PATIENCE)
            return context

        found.new_context = patient
        yield found
        found.close()


@pytest.fixture(scope="session")
def report_page(tmp_path_factory):
    """A small report on a round with a zone: its page and its data."""
    from facetrace.cli.commands import app

    folder = tmp_path_factory.mktemp("report")
    page, told = folder / "round.html", folder / "round.json"
    words = [
        "report", ROOT / "designs" / "round-brilliant.toml", "--zone", ROOT / "designs" / "zones" / "blue-corner.toml",
        "--size", 64, "--samples", 4, "--rays", 4096, "--out", page, "--json", told,
    ]  # fmt: skip
    result = CliRunner().invoke(app, [str(w) for w in words])
    assert result.exit_code == 0, result.output
    return page, told
