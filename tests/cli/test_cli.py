"""The command line as a person and as a machine use it."""

import math
import os
import subprocess
import sys

import pytest
from PIL import Image
from shared import DESIGNS, ROOT, ROUND, document, run
from wrong_designs import WRONG, WRONG_SOLID

from facetrace.cli.trace import LightName
from facetrace.optics.lights import light_names

PINK = ROOT / "designs" / "pink-sapphire.csv"


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
        assert set(found["measures"][name]) == {"value", "stderr", "dof"}
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


def test_dichroscope_says_what_colours(tmp_path):
    found = document("dichroscope", "ruby")
    assert found["chromophores"] == [
        {"name": "Cr3+", "ppma": 300, "provisional": True},
        {"name": "h-Cr3+", "ppma": 3, "provisional": True},
    ]
    tried = document("dichroscope", "ruby", "--ppma", "Cr3+=600", "--ppma", "V3+ = 50")
    assert [(c["name"], c["ppma"]) for c in tried["chromophores"]] == [("Cr3+", 600), ("V3+", 50)]
    table = run("dichroscope", "ruby", "--ppma", "Fe2+-Ti4+=4").stdout
    assert [line for line in table.splitlines() if "Fe2+-Ti4+" in line and "4" in line]
    assert "provisional" in table
    assert "nothing" in run("dichroscope", "corundum").stdout


def test_spectrum_from_a_file(tmp_path):
    found = document("dichroscope", "corundum", "--spectrum", PINK)
    assert found["spectrum"] == {"file": PINK.name, "path": str(PINK), "polarised": True, "range_nm": [380, 780]}  # fmt: skip
    assert "chromophores" not in found
    assert found["notes"] == []
    # the file was made from 90 ppma of Cr3+ and 250 of Fe3+ with 0.03 per cm of grey
    built_in = document("dichroscope", "corundum", "--ppma", "Cr3+=90", "--ppma", "Fe3+=250")
    for ray in ("ordinary", "extraordinary"):
        theirs = found["dichroscope"][ray]["xyz"]
        ours = [x * math.exp(-0.03 * 0.5) for x in built_in["dichroscope"][ray]["xyz"]]
        assert theirs == pytest.approx(ours, abs=5e-4)
    base = ["trace", ROUND, "--no-picture", "--rays", 4096]
    traced = document(*base, "--spectrum", PINK)
    assert traced["spectrum"] == found["spectrum"]
    assert traced["design"]["material"] == "ruby, spectrum pink-sapphire.csv"
    assert "provisional" not in " ".join(traced["notes"])
    ruby = document(*base)
    assert [c["name"] for c in ruby["chromophores"]] == ["Cr3+", "h-Cr3+"]
    assert traced["measures"]["absorbed"]["value"] < ruby["measures"]["absorbed"]["value"]
    assert "chromophores" not in document(*base, "--no-absorption")


def test_unpolarised_spectrum_warns(tmp_path):
    rows = [line.rsplit(",", 1)[0] for line in PINK.read_text("utf-8").splitlines()]
    text = PINK.read_text("utf-8").split("nm,o,e")[0] + "nm,unpolarised\n"
    one = tmp_path / "one [b]$\\x$.csv"
    one.write_text(text + "\n".join(r for r in rows if r[0].isdigit()), encoding="utf-8")
    plot = tmp_path / "plot.png"
    result = run("dichroscope", "corundum", "--spectrum", one, "--plot", plot)
    assert result.exit_code == 0, result.output
    assert (
        "is unpolarised: both rays get the same absorption, so pleochroism is lost" in result.stderr
    )
    assert "one [b]$\\x$" in result.stdout
    assert "Unpolarised" in Image.open(plot).text["Description"]
    assert document("dichroscope", "corundum", "--spectrum", one)["difference_ciede2000"] < 1e-9
    # a crystal with one ray has no pleochroism to lose
    assert document("dichroscope", "spinel", "--spectrum", one)["notes"] == []


def test_plot_of_the_absorption(tmp_path):
    plot = tmp_path / "plot.png"
    for material in ("ruby", "blue sapphire", "corundum", "diamond"):
        assert run("dichroscope", material, "--plot", plot).exit_code == 0
        picture = Image.open(plot)
        assert picture.size == (760, 460)
        provisional = "Provisional" in picture.text["Description"]
        assert provisional == (material in ("ruby", "blue sapphire"))


def test_wrong_spectrum_writes_nothing(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text(PINK.read_text("utf-8").replace("# logarithm: decadic\n", ""), encoding="utf-8")
    results = ["--json", tmp_path / "a.json", "--picture", tmp_path / "a.png"]
    for command in (["trace", ROUND], ["dichroscope", "ruby", "--plot", tmp_path / "b.png"]):
        result = run(*command, "--spectrum", path, *results)
        assert result.exit_code == 2
        assert result.stderr.startswith(f"error: {path}: does not say its logarithm")
        assert result.stderr.count("\n") == 1
        assert [p.name for p in tmp_path.iterdir()] == ["s.csv"]


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
        (["trace", ROUND, "--spectrum", "none.csv"], "none.csv: no such file"),
        (["trace", ROUND, "--spectrum", PINK, "--json", PINK], "is the file that was read"),
        (["trace", ROUND, "--spectrum", PINK, "--maps", PINK], "is the file that was read"),
        (["trace", ROUND, "--spectrum", PINK, "--no-absorption"], "give one of them"),
        (["trace", ROUND, "--spectrum", ROUND], "does not name the columns"),
        (["dichroscope", "ruby", "--spectrum", PINK, "--plot", PINK], "is the file that was read"),
        (["dichroscope", "spinel", "--spectrum", PINK], "spinel is isotropic"),
        (["dichroscope", "ruby", "--spectrum", PINK, "--ppma", "Cr3+=3"], "give one of them"),
        (["dichroscope", "ruby", "--ppma", "Cr3+"], "'Cr3+' is not a chromophore and a concentr"),
        (["dichroscope", "ruby", "--ppma", "Cr3+=-1"], "write it like Cr3+=300"),
        (["dichroscope", "ruby", "--ppma", "Cr3+=nan"], "write it like Cr3+=300"),
        (["dichroscope", "ruby", "--ppma", "V3+=1", "--ppma", "V3+=2"], "V3+ is given twice"),
        (["dichroscope", "ruby", "--ppma", "Cr=1"], "chromophore 'Cr' is not in the data of ruby"),
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


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("trace", ROUND, "--picture", "a.png", "--maps", "a.png"), "named for two outputs"),
        (("trace", ROUND, "--picture", "a.png", "--json", "a.png"), "named for two outputs"),
        (("dichroscope", "ruby", "--plot", "a.png", "--picture", "a.png"), "named for two outputs"),
        (("dichroscope", "ruby", "--plot", "a.jpg"), "end in .png"),
        (("trace", ROUND, "--maps", "maps"), "end in .png"),
    ],
)
def test_pictures_that_cannot_be(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.output
    assert len(result.output.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
