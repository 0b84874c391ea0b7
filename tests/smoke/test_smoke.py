"""Does it work at all? A trace, a solid, a plan and a sheet, each by the command that a user types: `python -m pytest -m smoke`.

Each is judged by something that is not the program's own: a law, a closed form, trimesh, a judge of the written files.
"""

import json
import math
import os
import subprocess
import sys
from itertools import pairwise

import pytest
import trimesh
from natural_roughs import write
from PIL import Image
from plan_judge import GRAMS_PER_CARAT, RUBY, complaints
from shared import ROOT, ROUND

pytestmark = pytest.mark.smoke

# of designs/round-brilliant.toml: mm across corners and of girdle, degrees, the table's share of the width
ACROSS, GIRDLE, PAVILION, CROWN, TABLE = 6.5, 0.18, 42, 36, 0.56
FACETS = {
    "girdle": 16, "pavilion main": 8, "pavilion break": 16, "crown main": 8, "crown break": 16, "star": 8, "table": 1,
}  # fmt: skip


def begun(folder, *words):
    """A command in *folder*, in a process of its own, that writes told.json there."""
    return subprocess.Popen(
        [sys.executable, "-m", "facetrace.cli.main", *map(str, words), "--json", "told.json"],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def facetrace(folder, *words, process=None):
    """The JSON that a command writes in *folder*; process: where it was begun before."""
    process = process or begun(folder, *words)
    _, told = process.communicate()
    assert process.returncode == 0, told
    return json.loads((folder / "told.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def planning(tmp_path_factory):
    """A plan on its way, the rough file and the folder: it takes longest."""
    folder = tmp_path_factory.mktemp("plan")
    rough = write(folder, 0)
    words = ["--table-to-c", "0:15", "--no-losses", "--no-directions", "--no-picture", "--rays", 256, "--most-cells", 60]  # fmt: skip
    process = begun(folder, "plan", rough, ROUND, *words, "--workers", 1, "--stone", "stone.stl")
    yield process, rough, folder
    process.kill()
    process.communicate()


@pytest.fixture(autouse=True)
def _planning_beside(request):
    """Where one process runs all tests, the other core plans meanwhile."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        request.getfixturevalue("planning")


def depth():
    """Of the round, by trigonometry: the mains pass through the girdle's corners."""
    half = ACROSS / 2
    return (
        GIRDLE
        + half * math.tan(math.radians(PAVILION))
        + half * (1 - TABLE) * math.tan(math.radians(CROWN))
    )


def test_a_true_trace(tmp_path):
    """Ruby under the sky: all light is accounted for (to what roulette leaves to chance), and it is red; one picture."""
    found = facetrace(tmp_path, "trace", ROUND, "--rays", 4096, "--size", 64, "--samples", 1, "--picture", "a.png")  # fmt: skip
    measures = {name: figure["value"] for name, figure in found["measures"].items()}
    shares = ("light_return", "window", "extinction", "absorbed", "surface")
    assert sum(measures[name] for name in shares) == pytest.approx(1, abs=1e-5)
    # some millimetres of this invented, strong ruby take up most; CIE 15:2004, 8.2: L* of Y, hue of red
    assert measures["absorbed"] > 0.5
    colour = found["colour"]
    assert colour["lightness"]["value"] == pytest.approx(
        116 * math.cbrt(colour["xyz"][1]["value"]) - 16
    )
    assert 0 < colour["hue_deg"]["value"] < 40
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.width == 64
        assert len(picture.getcolors(picture.width * picture.height)) > 100


def test_a_clear_stone_among_equal_walls_looks_like_the_walls(tmp_path):
    """The law of the closed enclosure (Kirchhoff): radiance 1 wherever the eye looks; tested at 4.1 standard errors."""
    words = ["--index", 1.765, "--no-absorption", "--light", "uniform", "--rays", 4096, "--no-picture"]  # fmt: skip
    brightness = facetrace(tmp_path, "trace", ROUND, *words)["measures"]["brightness"]
    assert brightness["stderr"] < 1e-5
    assert abs(brightness["value"] - 1) < 4.1 * brightness["stderr"] + 1e-12


def test_a_solid(tmp_path):
    """Weight against volume (trimesh, of the mesh) times density; the depth against trigonometry."""
    found = facetrace(tmp_path, "solid", ROUND, "--mesh", "a.stl")["solid"]
    mesh = trimesh.load(tmp_path / "a.stl")
    assert mesh.is_watertight
    assert found["carats"] == pytest.approx(mesh.volume / 1000 * RUBY / GRAMS_PER_CARAT, rel=1e-5)
    assert found["depth_mm"] == pytest.approx(depth(), abs=1e-6)
    assert found["depth_mm"] == pytest.approx(mesh.extents[2], abs=1e-5)
    assert found["facets"] == sum(FACETS.values())


def test_a_sheet(tmp_path):
    """Seven steps with all facets of a round on a gear of 96; each takes stone away; what the caliper reads at the end."""
    found = facetrace(tmp_path, "sheet", ROUND, "--out", "a.html")["sheet"]
    steps = {step["name"]: step for step in found["steps"]}
    assert {name: step["facets"] for name, step in steps.items()} == FACETS
    (mains,) = steps["pavilion main"]["settings"]
    assert mains["angle"] == PAVILION
    assert [p["index"] for p in mains["positions"]] == list(range(0, 96, 12))
    # 16 flats in a circle of that width: across them cos(180/16)
    (flats,) = steps["girdle"]["settings"]
    assert flats["aim"]["mm"] == pytest.approx(ACROSS / 2 * math.cos(math.pi / 16), abs=1e-6)
    carats = [step["checks"]["carats"] for step in found["steps"]]
    assert all(after < before for before, after in pairwise(carats))
    assert found["steps"][-1]["checks"]["depth_mm"] == pytest.approx(depth(), abs=1e-6)
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert all(name in page for name in FACETS)


def test_a_plan(planning):
    """The heaviest round in an invented pebble: the written files, judged by code that shares nothing with the planner."""
    process, rough, folder = planning
    (row,) = facetrace(folder, process=process)["plan"]["plans"]
    assert complaints(rough, folder / "told.json", folder / "stone.stl", 0, 15) == []
    assert row["low_carats"] < row["carats"] < row["most_carats"]
