"""The command line as a person and as a machine use it."""

import json
import os
import subprocess
import sys

import jsonschema
import pytest
from conftest import DESIGNS, ROOT
from PIL import Image
from test_design import WRONG, WRONG_SOLID
from typer.testing import CliRunner

from facetrace.cli.main import app
from facetrace.cli.trace import LightName
from facetrace.optics.lights import light_names

ROUND = ROOT / "designs" / "round-brilliant.toml"
SCHEMA = json.loads(
    (ROOT / "facetrace" / "report" / "facetrace-result.schema.json").read_text(encoding="utf-8")
)


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def document(*arguments):
    result = run(*arguments, "--json", "-")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    jsonschema.validate(found, SCHEMA)
    return found


# ---- the main job ---------------------------------------------------------------------------


def test_solid_document():
    found = document("solid", ROUND)
    assert found["schema"] == "facetrace-result/1"
    solid = found["solid"]
    for name in ("carats", "volume_mm3", "length_mm", "width_mm", "depth_mm", "facets", "vertices"):
        assert solid[name] > 0
    assert solid["carats"] == pytest.approx(solid["volume_mm3"] * 3.99 * 0.005)


def test_uniform_enclosure_from_the_command_line():
    """The check of the README: 1 within 3 standard errors."""
    found = document(
        "trace", ROUND, "--index", 1.765, "--no-absorption", "--light", "uniform", "--no-picture"
    )
    bright = found["measures"]["brightness"]
    assert abs(bright["value"] - 1) <= 3 * bright["stderr"]
    for name in ("light_return", "window", "extinction", "absorbed", "surface"):
        assert set(found["measures"][name]) == {"value", "stderr"}
    assert sum(found["outcomes"].values()) == pytest.approx(1, abs=1e-12)
    assert found["rays"] >= 262144
    assert found["seed"] == 1
    assert found["seconds"] > 0


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_trace_writes_table_and_picture(path, tmp_path):
    design = tmp_path / path.name
    design.write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    maps = tmp_path / "maps.png"
    result = run("trace", design, "--rays", 4096, "--size", 64, "--samples", 8, "--maps", maps)
    assert result.exit_code == 0, result.output
    for word in ("light returned", "window", "extinction", "brightness", "ct", "provisional"):
        assert word in result.output
    picture = Image.open(design.with_suffix(".png"))
    assert picture.size[0] == 64
    assert "exposure 1 " in picture.text["Description"]
    red, green, blue = picture.convert("RGB").getpixel((32, 32))
    assert red > green or (red, green, blue) == (0, 0, 0)
    assert Image.open(maps).size == (1150, 360)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        ["maps.png", design.name, design.stem + ".png"]
    )


def test_json_to_stdout_leaves_no_picture(tmp_path):
    design = tmp_path / "stone.toml"
    design.write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    found = document("trace", design, "--rays", 4096)
    assert "leading_area" not in found
    assert [p.name for p in tmp_path.iterdir()] == ["stone.toml"]
    asked = document("trace", design, "--rays", 4096, "--size", 64, "--picture", tmp_path / "p.png")
    assert sum(asked["leading_area"].values()) == pytest.approx(1)
    assert sum(asked["dominant_area"].values()) == pytest.approx(1)
    assert (tmp_path / "p.png").exists()


def test_options_reach_the_scene():
    base = ["trace", ROUND, "--no-picture", "--rays", 4096]
    plain = document(*base)
    assert plain["scene"]["head_deg"] == 10
    tilted = document(*base, "--tilt", 20, "--azimuth", 90)
    assert tilted["measures"]["window"]["value"] > plain["measures"]["window"]["value"]
    along = document(*base, "--axis-tilt", 90)
    assert along["colour"]["hue_deg"]["value"] != plain["colour"]["hue_deg"]["value"]
    line = document(*base, "--wavelength", 550)
    assert "lightness" not in line["colour"]
    clear = document(*base, "--no-absorption")
    assert clear["measures"]["absorbed"]["value"] == 0
    other = document(*base, "--material", "blue sapphire")
    assert other["design"]["material"] == "blue sapphire"
    hard = document(*base, "--head", 12, "--head-edge", "hard", "--light", "overcast")
    assert hard["scene"]["head_hard"] is True
    sure = document("trace", ROUND, "--no-picture", "--error", 0.001)
    assert sure["measures"]["light_return"]["stderr"] <= 0.001


def test_tiers_can_be_traced(tmp_path):
    tiers = run("solid", ROUND, "--tiers")
    (tmp_path / "tiers.toml").write_text(tiers.stdout, encoding="utf-8")
    a, b = document("solid", ROUND), document("solid", tmp_path / "tiers.toml")
    assert a["solid"]["carats"] == pytest.approx(b["solid"]["carats"], rel=1e-9)


def test_mesh_and_facets(tmp_path):
    result = run("solid", ROUND, "--mesh", tmp_path / "stone.stl", "--facets")
    assert result.exit_code == 0
    assert (tmp_path / "stone.stl").stat().st_size > 1000
    assert "pavilion main 0" in result.output


def test_vanishing_facets_are_named(tmp_path):
    text = ROUND.read_text(encoding="utf-8")
    tiers = run("solid", ROUND, "--tiers").stdout
    tiers += (
        '\n[[tier]]\nname = "extra"\nside = "crown"\nangle = 36\nindex = 0\ndistance_mm = 2.5\n'
    )
    (tmp_path / "extra.toml").write_text(tiers, encoding="utf-8")
    result = run("solid", tmp_path / "extra.toml")
    assert "no place on the stone for: extra 0" in result.output
    assert document("solid", tmp_path / "extra.toml")["solid"]["missing_facets"] == ["extra 0"]
    assert text


def test_dichroscope():
    found = document("dichroscope", "ruby", "--angle", 90)
    pair = found["dichroscope"]
    assert pair["ordinary"]["lightness"] < pair["extraordinary"]["lightness"]
    assert document("dichroscope", "ruby", "--angle", 0)["difference_ciede2000"] < 1e-9
    assert "provisional" in " ".join(found["notes"])


# ---- mistakes: one line, exit 2, no traceback, nothing written --------------------------------


@pytest.mark.parametrize("case", [*WRONG, *WRONG_SOLID])
def test_wrong_designs(case, tmp_path):
    path = tmp_path / "stone.toml"
    path.write_text((WRONG | WRONG_SOLID)[case][0], encoding="utf-8")
    for command in ("solid", "trace"):
        result = run(command, path)
        assert result.exit_code == 2
        assert result.stderr.startswith(f"error: {path}")
        assert result.stderr.count("\n") == 1
        assert "Traceback" not in result.output
        assert [p.name for p in tmp_path.iterdir()] == ["stone.toml"]


def test_unknown_material_in_a_design_has_its_line(tmp_path):
    text = ROUND.read_text(encoding="utf-8")
    path = tmp_path / "stone.toml"
    path.write_text(text.replace('"ruby"', '"rubby"', 1), encoding="utf-8")
    for command in ("solid", "trace"):
        assert f"{path}:4: material: no material 'rubby'" in run(command, path).stderr
    path.write_text(text + "\n", encoding="utf-8")
    path.write_text(
        text.replace("gear = 96", "gear = 96\nchromophores = { Cr = 3 }"), encoding="utf-8"
    )
    assert f"{path}:4: chromophores: chromophore 'Cr' is not" in run("solid", path).stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["trace", "none.toml"], "none.toml: no such file"),
        (["trace", "."], "is a folder"),
        (["solid", ""], "is a folder"),
        (["trace", ROUND, "--material", "emerald"], "no material 'emerald'; known: corundum, ruby"),
        (["trace", ROUND, "--rays", "10", "--error", "0.1"], "give one of them"),
        (["trace", ROUND, "--picture", "/nowhere/p.png"], "its folder does not exist"),
        (["trace", ROUND, "--json", "/nowhere/p.json"], "its folder does not exist"),
        (["trace", ROUND, "--maps", ROUND], "is the file that was read"),
        (["solid", ROUND, "--mesh", "stone.step"], "use one of .stl"),
        (["dichroscope", "rubby"], "no material 'rubby'"),
    ],
)
def test_wrong_wishes(arguments, message):
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["trace", ROUND, "--rays", "0"],
        ["trace", ROUND, "--error", "nan"],
        ["trace", ROUND, "--tilt", "inf"],
        ["trace", ROUND, "--index", "0.9"],
        ["trace", ROUND, "--light", "disco"],
        ["trace", ROUND, "--wavelength", "900"],
        ["dichroscope", "ruby", "--angle", "100"],
    ],
)
def test_values_out_of_range(arguments):
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_every_light_can_be_asked_for():
    assert sorted(LightName) == sorted(light_names())


def test_help_has_examples():
    for command in ("solid", "trace", "dichroscope"):
        result = run(command, "--help")
        assert result.exit_code == 0
        assert "facetrace " + command in result.output


def test_installed_script_says_its_version():
    result = subprocess.run(
        [sys.executable, "-m", "facetrace.cli.main", "--version"],
        capture_output=True, text=True, check=True, env=os.environ | {"COLUMNS": "80"},
    )  # fmt: skip
    assert result.stdout.startswith("facetrace 0.")
