"""The girdle on one blank: what flats cost in closed form, finishes compared with paired errors."""

import json
import math

import jsonschema
import numpy as np
import pytest
from shared import DESIGNS, ROOT, ROUND, SCHEMA
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Ledger
from facetrace.design.expand import expand
from facetrace.design.model import read_design
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.girdle import Blank, blank_of, flats_in, lift_for
from facetrace.solid.measure import measure
from facetrace.studies.girdle import KEY, GirdleGrid, columns, keys_of, sweep
from facetrace.trace.scene import medium_of


def area(polygon):
    x, y = polygon.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_flats_lie_in_the_smooth_blank_of_the_designs_size(path):
    design = read_design(path).design
    if path.stem == "heart-brilliant":
        with pytest.raises(FacetraceError, match="girdle of a heart cannot be compared"):
            blank_of(design)
        return
    blank = blank_of(design)
    size = np.ptp(blank.outline, axis=0)
    outline = design.outline
    if outline:
        np.testing.assert_allclose(size, [outline.length_mm, outline.width_mm], atol=1e-6)
    last = 0.0
    for count in (12, 24, 48, 96):
        corners = flats_in(blank.outline, count)
        share = area(corners) / area(blank.outline)
        assert last - 1e-12 <= share <= 1 + 1e-12
        last = share
    assert last > 0.998


def test_what_flats_cost_a_round_prism():
    """A circle of n sides on a blank keeps n / (2 pi) sin(2 pi / n) of it (closed form)."""
    blank = blank_of(read_design(ROUND).design)
    lids = Blank(
        ("top", "bottom"),
        np.array([[0, 0, 1.0], [0, 0, -1.0]]),
        np.array([1.0, 1.0]),
        blank.outline,
    )
    smooth = lids.stone(blank.outline).volume
    fine = len(blank.outline)
    for n in (16, 32, 64):
        kept = lids.stone(flats_in(blank.outline, n)).volume / smooth
        exact = (n * math.sin(2 * math.pi / n)) / (fine * math.sin(2 * math.pi / fine))
        assert kept == pytest.approx(exact, abs=2e-6)


def test_sides_of_a_rectangle_are_flat_already():
    blank = blank_of(read_design(ROOT / "designs" / "rectangle-step.toml").design)
    assert len(flats_in(blank.outline, 96)) == len(blank.outline) == 8


def test_thickness_is_the_mean_height_and_leaves_crown_and_pavilion():
    blank = blank_of(read_design(ROUND).design)
    for wanted in (0.1, 0.3):
        lift = lift_for(blank, wanted)
        stone = blank.stone(blank.outline, lift)
        assert measure(stone, 4.0).girdle_mean_mm == pytest.approx(wanted, abs=1e-3)
        table = stone.names.index("table")
        assert stone.offsets[table] == pytest.approx(
            blank.offsets[blank.names.index("table")] + lift / 2, abs=1e-12
        )


def test_design_in_tiers_needs_a_girdle_that_it_can_name():
    design = expand(read_design(ROOT / "designs" / "rectangle-step.toml").design)
    with pytest.raises(FacetraceError, match=r"give the design an \[outline\]"):
        blank_of(design.model_copy(update={"outline": None}))


def grid(**wishes):
    eye = observer()
    usual = {
        "media": {"clear": medium_of(find_material("corundum"), eye)}, "density": 4.0,
        "axis": (0.0, 0.0), "light": find_light("hemisphere"), "roughness": 0.39,
        "thicknesses": (0.3,), "tilts": (0.0, 20.0), "azimuth": 0.0, "flats": (96,), "points": 128, "seed": 1,
    }  # fmt: skip
    return GirdleGrid(**(usual | wishes))


@pytest.mark.slow
def test_among_equal_walls_every_finish_looks_like_the_walls():
    """Second law of thermodynamics: ground, polished, in flats, eye straight on and tilted."""
    rows = list(sweep(read_design(ROUND).design, grid(light=find_light("uniform")), {}))
    assert len(rows) == 6
    for row in rows:
        assert row["brightness"] == pytest.approx(1.0, abs=4.1 * row["brightness_stderr"] + 1e-9)


@pytest.mark.slow
def test_paired_differences_are_sharp_and_agree_with_unpaired_ones():
    """Other seeds give the same difference within 4.1 of their errors; pairing makes their
    errors smaller than those of unpaired ones, most where the eye hardly meets the girdle."""
    design = read_design(ROUND).design
    first = {tuple(r[k] for k in KEY): r for r in sweep(design, grid(points=512), {})}
    second = {tuple(r[k] for k in KEY): r for r in sweep(design, grid(points=512, seed=9), {})}
    for key, row in first.items():
        other = second[key]
        if row["finish"] == "ground":
            assert row["gain"] == 0.0
            continue
        error = math.hypot(row["gain_stderr"], other["gain_stderr"])
        assert abs(row["gain"] - other["gain"]) <= 4.1 * error
    tilted = first["clear", 0.3, 20.0, "polished", 0]
    assert tilted["gain_stderr"] < 0.8 * math.sqrt(2) * tilted["light_return_stderr"]
    # a clean ground girdle scatters light of the sky to a tilted eye: more than ten errors
    assert tilted["gain"] < -10 * tilted["gain_stderr"]
    straight = first["clear", 0.3, 0.0, "polished", 0]
    assert straight["gain_stderr"] < 0.2 * math.sqrt(2) * straight["light_return_stderr"]
    assert abs(straight["recovered"]) < 0.01


def test_resumed_gives_the_same_bytes(tmp_path):
    design, wanted = read_design(ROUND).design, grid(points=16, thicknesses=(0.2, 0.3))
    whole, parts = tmp_path / "whole.csv", tmp_path / "parts.csv"
    with Ledger.open(whole, "f", columns(), KEY) as ledger:
        for row in sweep(design, wanted, {}):
            ledger.add(row)
    with Ledger.open(parts, "f", columns(), KEY) as ledger:
        for row, _ in zip(sweep(design, wanted, {}), range(4), strict=False):
            ledger.add(row)
    with Ledger.open(parts, "f", columns(), KEY) as ledger:
        assert len(ledger.rows) == 4
        for key, row in zip(keys_of(wanted), sweep(design, wanted, dict(ledger.rows)), strict=True):
            if key not in ledger.rows:
                ledger.add(row)
    assert parts.read_bytes() == whole.read_bytes()


def test_command(tmp_path):
    design = tmp_path / "stone.toml"
    design.write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    base = ["girdle", str(design), "--rays", "2048", "--thickness", "0.3", "--tilts", "0,20"]
    done = CliRunner().invoke(app, [*base, "--json", str(tmp_path / "r.json")])
    assert done.exit_code == 0, done.output
    document = json.loads((tmp_path / "r.json").read_text())
    jsonschema.validate(document, SCHEMA)
    assert len(document["girdle"]["rows"]) == 12
    assert "common practice, no source" in document["girdle"]["findings"][0]
    assert (tmp_path / "stone-girdle.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "stone-girdle.csv").read_text().startswith("# facetrace")
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert "…" not in done.stdout
    again = CliRunner().invoke(app, base)
    assert "12 of 12 rows come from" in again.output
    for wrong, words in (
        (["--flats", "two"], "--flats: 'two' is not a number"),
        (["--flats", "9.5"], "no whole number of flats"),
        (["--thickness", "0"], "--thickness: '0' is not a number"),
        (["--thickness", "0.001"], "--thickness: '0.001' is not a number"),
        (["--seed", "2"], "holds other work"),
    ):
        failed = CliRunner().invoke(app, [*base, *wrong])
        assert failed.exit_code == 2
        assert words in " ".join(failed.output.split())
