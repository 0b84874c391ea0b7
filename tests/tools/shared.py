"""What many tests ask for: where things lie, a command run in this process, its JSON held against the schema."""

import json
import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.placement.search import Effort, largest
from facetrace.solid.body import Body

ROOT = Path(__file__).parents[2]
DESIGNS = sorted((ROOT / "designs").glob("*.toml"))
ROUND = ROOT / "designs" / "round-brilliant.toml"
SCHEMA = json.loads(
    (ROOT / "facetrace" / "results" / "facetrace-result.schema.json").read_text(encoding="utf-8")
)


# s that a browser or another process may take for what must come: a busy machine is no failure
PATIENCE = 300.0


def eventually(holds: Callable[[], bool]) -> None:
    """Wait until something holds that must come, looked at again and again."""
    until = time.monotonic() + PATIENCE
    while not holds():
        assert time.monotonic() < until, "did not come"
        time.sleep(0.02)


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def document(*words):
    """The JSON that a command prints, valid by the schema."""
    result = run(*words, "--json", "-")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    jsonschema.validate(found, SCHEMA)
    return found


def refused(words):
    """The one line on stderr of a command that ends with 2."""
    done = run(*words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("error: ")
    return done.stderr


def chord(body: Body, start, along):
    """Length of a line's part in a body, |t| <= 10 on it: cut by each plane; roots for an ellipsoid."""
    low, high = -10.0, 10.0
    if body.ellipsoid is not None:
        m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
        u, v = m @ along, m @ start - w
        half = (u @ v) ** 2 - (u @ u) * (v @ v - 1)
        if half <= 0:
            return 0.0
        low = max(low, (-(u @ v) - math.sqrt(half)) / (u @ u))
        high = min(high, (-(u @ v) + math.sqrt(half)) / (u @ u))
    for n, d in zip(body.planes[:3].T, body.planes[3], strict=True):
        t = (d - n @ start) / (n @ along)
        low, high = (low, min(high, t)) if n @ along > 0 else (max(low, t), high)
    return max(0.0, high - low)


# searches for a place of a tenth of the usual effort
BRIEF = Effort(400, 6, (2, 1), (8, 8))


@contextmanager
def brief_searches() -> Iterator[None]:
    """Plans of this process found in brief, for tests of all else that is told of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "facetrace.placement.search.largest",
            lambda *words, **more: largest(*words, **more | {"effort": BRIEF}),
        )
        yield
