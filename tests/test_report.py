"""Pages: every figure from the embedded JSON, nothing from outside, readable; what a browser does is in test_browser.py.

Sources: RFC 6901 section 5 (JSON pointers), WCAG 2.2 success criterion 1.4.3 with its definitions of relative luminance and
contrast ratio, IEC 61966-2-1 through colour-science.
"""

import io
import json
import re
import shutil

import colour
import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from test_cli import SCHEMA
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.report.charts import Scale, Series, chart, misplaced
from facetrace.report.html import (
    Figures,
    asset,
    document_in,
    embedded,
    esc,
    look_up,
    loose_numbers,
    page,
    shown,
    wrong_figures,
)
from facetrace.report.pages import report_html

RFC6901 = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC6901), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
        ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_of_the_standard(pointer, value):
    """RFC 6901, section 5."""
    assert look_up(RFC6901, pointer) == value


@given(st.dictionaries(st.text(), st.text() | st.floats(allow_nan=False, allow_infinity=False)))
def test_embedded_json_holds_no_markup_and_comes_back(data):
    text = embedded(data)
    assert not set("<>&") & set(text)
    assert json.loads(text) == data


@given(st.text(min_size=1))
def test_names_appear_as_text_alone(name):
    """No name can leave its element: read back by the standard library's parser it is what it was."""
    f = Figures({"name": name, "x": 1.5})
    text = page(name, f"<p>{f.words('/name')} {f.number('/x', 1)}</p>", f.document)
    assert document_in(text) == f.document
    assert "<script>" not in esc(name)
    # a parser makes one kind of line end of all
    if not re.search(r"[\r\x00]", name):
        assert wrong_figures(text) == []


def test_a_figure_that_was_changed_is_found():
    f = Figures({"x": {"value": 0.0933, "stderr": 0.0005}})
    sound = page("t", f"<p>{f.estimate('/x', 2, times=100)} %</p>", f.document)
    assert "9.33" in sound
    assert wrong_figures(sound) == []
    assert wrong_figures(sound.replace(">9.33<", ">9.34<"))
    assert wrong_figures(sound.replace("/x/value", "/x/other"))
    assert loose_numbers(sound) == []
    assert loose_numbers(sound.replace(" %</p>", " % of 5</p>")) == ["% of 5"]


@pytest.mark.parametrize(
    ("value", "digits", "times", "plus", "expected"),
    [(-0.0001, 2, 1, False, "0.00"), (0.5, 0, 1, True, "0"), (-12.345, 1, 1, False, "\N{MINUS SIGN}12.3"), (0.0399, 2, 100, True, "+3.99")],
)  # fmt: skip
def test_numbers_as_printed(value, digits, times, plus, expected):
    """Half to even as Python's format has it; no minus at zero."""
    assert shown(value, digits, times, plus) == expected


@given(
    st.lists(
        st.tuples(st.floats(-1e6, 1e6, width=32), st.floats(-1e3, 1e3, width=32)),
        min_size=1,
        max_size=12,
    )
)
def test_marks_of_a_chart_are_where_its_values_are(points):
    f = Figures({"p": [{"x": x, "y": y} for x, y in points]})
    series = Series("a", "dot", 1, [f"/p/{k}/x" for k in range(len(points))], [f"/p/{k}/y" for k in range(len(points))])  # fmt: skip
    text = page("t", chart(f, [series], Scale("x"), Scale("y", times=100), "t", "d"), f.document)
    assert misplaced(text) == []
    for place in re.findall(r"translate\(([-\d.]+) ([-\d.]+)\)\" fill", text)[: len(points)]:
        assert 0 <= float(place[0]) <= 480
        assert 0 <= float(place[1]) <= 330


def test_a_mark_that_was_moved_is_found():
    f = Figures({"x": [1.0, 2.0], "y": [3.0, 5.0]})
    text = page("t", chart(f, [Series("a", "line", 0, ["/x"], ["/y"])], Scale("x"), Scale("y"), "t", "d"), f.document)  # fmt: skip
    assert misplaced(text) == []
    moved = re.sub(r'points="([\d.]+),', lambda m: f'points="{float(m[1]) + 1:.2f},', text)
    assert misplaced(moved)


def _luminance(hexa: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(hexa[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_text_stands_out_from_paper():
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for marks, of which c4 to c6 also have an outline or a form."""
    css = asset("page.css")
    schemes = re.findall(r":root \{(.*?)\}", css, flags=re.S)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = dict(re.findall(r"--([\w]+): (#\w{6}|#\w{3})", scheme))
        colours = {k: v if len(v) == 7 else "#" + "".join(2 * c for c in v[1:]) for k, v in colours.items()}  # fmt: skip
        paper = _luminance(colours["paper"])
        for name, least in (("ink", 4.5), ("soft", 4.5), ("accent", 4.5), ("c1", 3.0), ("c2", 3.0), ("c3", 3.0)):  # fmt: skip
            one = _luminance(colours[name])
            ratio = (max(one, paper) + 0.05) / (min(one, paper) + 0.05)
            assert ratio >= least, (name, ratio)


# ---- a whole report ----------------------------------------------------------------------------

QUICK = ["--size", "64", "--samples", "4", "--rays", "4096"]


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.fixture(scope="module")
def reported(report_page):
    """The text of a small report and its document."""
    path, told = report_page
    return path.read_text(encoding="utf-8"), json.loads(told.read_text(encoding="utf-8"))


@pytest.mark.slow
def test_every_figure_of_a_report_is_in_its_json(reported):
    text, document = reported
    assert document_in(text) == document
    jsonschema.validate(document, SCHEMA)
    assert wrong_figures(text) == []
    assert misplaced(text) == []
    assert loose_numbers(text) == []
    assert text.count("data-at=") > 150


@pytest.mark.slow
def test_a_report_takes_nothing_from_outside(reported):
    """Every address is a data URL or a place on the page, and a policy forbids the rest."""
    text, _ = reported
    addresses = re.findall(r'(?:src|href|action|poster)="([^"]*)"', text)
    assert all(a.startswith(("data:image/", "#")) for a in addresses)
    assert not re.search(
        r"url\((?!#)|@import|<link|<iframe|\bfetch\(|XMLHttpRequest|\beval\(", text
    )
    assert "default-src 'none'" in text


@pytest.mark.slow
def test_pictures_have_words_and_scale(reported):
    text, document = reported
    pictures = re.findall(r'<img src="[^"]*" alt="([^"]*)"', text)
    assert len(pictures) == len(document["report"]["pictures"]) == 1 + 4 + 14 + 2
    assert all(len(alt) > 15 for alt in pictures)
    for facts in document["report"]["pictures"].values():
        assert facts["mm_per_pixel"] > 0
    rocked = {f["mm_per_pixel"] for k, f in document["report"]["pictures"].items() if k.startswith("rocked")}  # fmt: skip
    assert len(rocked) == 1
    zones = [document["report"]["pictures"][k] for k in ("zone with", "zone without")]
    assert zones[0]["mm_per_pixel"] == zones[1]["mm_per_pixel"]


@pytest.mark.slow
def test_the_picture_is_as_bright_as_the_figures_say(reported):
    """sRGB (IEC 61966-2-1, through colour-science) of the face-up picture against brightness and mean XYZ of the figures.

    The picture is of 64 pixels with 4 rays in each: 2 % of Y, 3 % of X and Z; a shift of the exposure by a tenth fails.
    """
    text, document = reported
    source = re.search(r'<img src="data:image/webp;base64,([^"]*)" alt="Round', text)[1]
    import base64

    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(source))).convert("RGB")) / 255
    xyz = colour.RGB_to_XYZ(pixels, "sRGB", apply_cctf_decoding=True)
    facts = document["report"]["pictures"]["face"]
    paper = colour.RGB_to_XYZ(pixels[0, 0], "sRGB", apply_cctf_decoding=True)
    area = document["solid"]["length_mm"] ** 2 * np.pi / 4 * np.sinc(1 / 16)
    stone = (xyz - paper).sum(axis=(0, 1)) * facts["mm_per_pixel"] ** 2 / area + paper
    expected = [e["value"] for e in document["colour"]["xyz"]]
    np.testing.assert_allclose(stone, expected, rtol=0.05)


def test_incomplete_results_are_refused_in_a_line(tmp_path):
    for name, text, says in (
        ("a.json", "{", "is not JSON"),
        ("b.json", '{"schema": "other/1"}', "is not a result of facetrace"),
        ("c.json", '{"schema": "facetrace-result/1", "notes": []}', "holds none of"),
        ("d.json", '{"schema": "facetrace-result/1", "angles": {}}', "is incomplete"),
        ("e.json", '{"schema": "facetrace-result/1", "plan": {"rough": {"file": "../nowhere.toml"}}}', "neither here nor beside it"),
        ("f.json", '{"schema": "facetrace-result/1", "girdle": [], "design": {"name": 1}}', "is incomplete"),
    ):  # fmt: skip
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        result = run("report", path)
        assert result.exit_code == 2, result.output
        lines = [line for line in result.output.splitlines() if line]
        assert len(lines) == 1
        assert says in lines[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"{c}.json" for c in "abcdef"]


@pytest.mark.slow
def test_a_design_that_has_changed_since_is_noticed(tmp_path):
    """The page of a sweep is not made from another design than the sweep was."""
    design = tmp_path / "round.toml"
    shutil.copy("designs/round-brilliant.toml", design)
    told = tmp_path / "angles.json"
    result = run(
        "angles", design, "--vary", "pavilion.angle=41:43:1", "--rays", "2048", "--no-plot", "--csv", tmp_path / "a.csv", "--json", told,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    result = run("report", told, *QUICK)
    assert result.exit_code == 0, result.output
    text = (tmp_path / "angles-report.html").read_text(encoding="utf-8")
    assert wrong_figures(text) == misplaced(text) == loose_numbers(text) == []
    jsonschema.validate(document_in(text), SCHEMA)
    whole = told.read_text(encoding="utf-8")
    number = json.loads(whole)["angles"]["as_it_stands"]
    for part, key, value, words in (
        ("rows", "values", {"ruby": 41.0}, "another state of"),
        ("rows", "carats", 0, "is incomplete"),
        ("rows", "carats", float("nan"), "is not JSON"),
        ("design", "file", [1], "is incomplete"),
        ("design", "file", "x" * 5000, "xxx ... xxx"),
        ("", "substance", list(range(500)), "is incomplete"),
        ("", "substance", "x" * 5000, "xxx ... xxx"),
    ):
        document = json.loads(whole)
        spots = {"": document, "design": document["design"]}
        spot = spots[part] if part in spots else document["angles"]["rows"][number]
        spot[key] = value
        told.write_text(json.dumps(document), encoding="utf-8")
        result = run("report", told)
        assert result.exit_code == 2
        assert words in result.output
        assert result.output.count("\n") == 1
    told.write_text(whole, encoding="utf-8")
    design.write_text(design.read_text().replace("length_mm = 6.5", "length_mm = 6.6").replace("width_mm = 6.5", "width_mm = 6.6"))  # fmt: skip
    result = run("report", told)
    assert result.exit_code == 2
    assert "another state of" in result.output


@pytest.mark.slow
def test_a_hostile_name_is_a_name(reported):
    """Every text of a document may be hostile; none becomes an element or an attribute."""
    bad = "<img src=x onerror=alert(1)>\"'`</script><script>alert(2)</script>"
    text, document = reported

    def spoiled(value):
        if isinstance(value, dict):
            return {k: spoiled(v) if k not in ("pictures", "swatches", "picture", "towards") else v for k, v in value.items()}  # fmt: skip
        if isinstance(value, list):
            return [spoiled(v) for v in value]
        return bad if isinstance(value, str) else value

    made = report_html(spoiled(document), dict.fromkeys(document["report"]["pictures"], b""))
    assert "<img src=x" not in made
    assert made.count("<script") == text.count("<script")
    assert wrong_figures(made) == []


# ---- the page and the commands -----------------------------------------------------------------


@pytest.mark.slow
def test_a_page_and_the_sweep_speak_of_one_crystal(tmp_path):
    """With c laid into the girdle plane all of the page turns: its sweep is that of facetrace angles with the same axis."""
    told, other = tmp_path / "a.json", tmp_path / "b.json"
    axis = ["--axis-tilt", "90", "--axis-azimuth", "30"]
    result = run("report", "designs/oval-brilliant.toml", *QUICK, *axis, "--rays", "16384", "--out", tmp_path / "a.html", "--json", told)  # fmt: skip
    assert result.exit_code == 0, result.output
    page = json.loads(told.read_text(encoding="utf-8"))
    words = []
    for varied in page["angles"]["varied"]:
        words += ["--vary", f"{varied['name']}={varied['from']}:{varied['to']}:{varied['step']}"]
    result = run("angles", "designs/oval-brilliant.toml", *axis, *words, "--rays", "16384", "--no-plot", "--csv", tmp_path / "b.csv", "--json", other)  # fmt: skip
    assert result.exit_code == 0, result.output
    assert page["angles"] == json.loads(other.read_text(encoding="utf-8"))["angles"]
    light, own = page["measures"]["light_return"], page["angles"]["rows"][0]["light_return"]
    # other sets of rays: 4.1 standard errors
    assert abs(light["value"] - own["value"]) < 4.1 * np.hypot(light["stderr"], own["stderr"])
    assert page["scene"]["axis"] == {"tilt": 90.0, "azimuth": 30.0}


@pytest.mark.slow
def test_pages_of_results_with_spectrum_lot_and_sawn_pair(tmp_path):
    """What was made under a spectrum, of a whole lot, of two stones from one rough, comes back as a page."""
    quick = ["--most-cells", "20", "--rays", "256", "--workers", "1"]
    made = {
        "pink": ["angles", "designs/pear-brilliant.toml", "--spectrum", "designs/pink-sapphire.csv", "--vary", "pavilion.angle=40:41:1", "--rays", "2048", "--no-plot"],
        "lot": ["lot", "designs/roughs", "designs/round-brilliant.toml", "--prices", "designs/prices/invented.toml", *quick],
        "pair": ["plan", "designs/roughs/crystal-barrel.toml", "designs/round-brilliant.toml", "--pieces", "2", "--no-losses", "--no-picture", *quick],
    }  # fmt: skip
    for name, words in made.items():
        told = tmp_path / f"{name}.json"
        result = run(*words, "--csv", tmp_path / f"{name}.csv", "--json", told)
        assert result.exit_code == 0, result.output
        result = run("report", told, "--size", "96", "--samples", "4")
        assert result.exit_code == 0, result.output
        text = (tmp_path / f"{name}-report.html").read_text(encoding="utf-8")
        assert wrong_figures(text) == misplaced(text) == loose_numbers(text) == []
        document = document_in(text)
        jsonschema.validate(document, SCHEMA)
        pictures = set(document["report"]["pictures"])
        assert {"pink": {"before"}, "lot": {"lot 0", "lot 1", "lot 2"}, "pair": {"plan 0", "sawn 0", "sawn 1"}}[name] <= pictures  # fmt: skip
    lot = json.loads((tmp_path / "lot.json").read_text(encoding="utf-8"))["lot"]
    sums = document_in((tmp_path / "lot-report.html").read_text(encoding="utf-8"))["report"]["sums"]
    assert sums["carats"] == pytest.approx(sum(p["plans"][p["best"]]["carats"] for p in lot))
