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
from page_checks import document_in, loose_numbers, misplaced, wrong_figures
from PIL import Image
from plan_pages import FAST, box, changes, paged, plan_of, run, sawn_of, without
from shared import SCHEMA
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import (
    Figures,
    asset,
    embedded,
    esc,
    look_up,
    page,
    shown,
)
from facetrace.report.pages import report_html
from facetrace.results.money import INDEPENDENT, LEFT_OUT

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
def test_a_page_of_a_sweep_under_a_spectrum(tmp_path):
    told = tmp_path / "pink.json"
    words = [
        "--spectrum",
        "designs/pink-sapphire.csv",
        "--vary",
        "pavilion.angle=40:41:1",
        "--rays",
        "2048",
        "--no-plot",
    ]
    result = run(
        "angles",
        "designs/pear-brilliant.toml",
        *words,
        "--csv",
        tmp_path / "pink.csv",
        "--json",
        told,
    )
    assert result.exit_code == 0, result.output
    _, document = paged(told)
    assert "before" in document["report"]["pictures"]


# ---- plans -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A priced plan of a box with a crack, and the folder of its files."""
    folder = tmp_path_factory.mktemp("plans")
    crack = '[[defect]]\nname = "feather"\nkind = "crack"\nmargin_mm = 0.2\npolygon_mm = [[-4, -4, 3], [4, -4, 3], [4, 4, 3], [-4, 4, 3]]\n'
    told = plan_of(folder, box(folder, (6, 6, 9), more=crack), "--prices", "designs/prices/invented.toml")  # fmt: skip
    document = json.loads(told.read_text(encoding="utf-8"))
    jsonschema.validate(document, SCHEMA)
    return folder, document


def test_a_page_of_a_plan_has_its_certificate_and_what_is_proven(planned):
    folder, document = planned
    told = folder / "box.json"
    words, _ = paged(told)
    stone = document["plan"]["plans"][0]
    assert f"keeps {stone['carats']:.2f} ct (" in words
    # no balance: 6 x 6 x 9 mm at 3.99 g/cm3, a carat is 0.2 g
    assert f"The rough: {6 * 6 * 9 * 3.99 / 200:.2f} ct by its volume." in words
    assert f"off {stone['checked']['defects'][0]['mm']:.2f}" in words
    assert f"{100 * stone['gap']:.2f}" in words
    assert "not proven" not in words
    placing = document["plan"]["placing"]
    assert words.count(placing) == 1
    assert words.index("To mark the rough") < words.index(placing)


NAMES = (
    "stopped", "failed", "asked", "little", "directions", "two", "three", "unpriced", "second", "nothing",
    "nothing whole", "nothing, stopped",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_page_of_all_that_a_plan_may_be(planned, name):
    folder, document = planned
    change, says = changes(document["plan"])[name]
    told = folder / f"{name}.json"
    told.write_text(json.dumps(document | {"plan": document["plan"] | change}), encoding="utf-8")
    words, made = paged(told)
    for text in says:
        assert text in words
    if name == "asked":
        assert words.count("First find out: 9 ct.") == 1
        assert words.index("First find out") < words.index(" keeps ")
    if name == "little":
        assert "bid at most" not in words
    plan = made["plan"]
    stones = len(plan["plans"]) + len((plan["sawn"] or {"stones": ()})["stones"])
    assert len(made["report"]["pictures"]) == stones
    assert sum(len(scene["stones"]) for scene in made["drawing"]["scenes"]) == stones
    # the crack alone is drawn, and kept off
    assert "One to be cut away is never in it" in words
    # what opens as a page opens as a picture and as a sheet, or says in a line that it has no stone
    for words_ in (("view", told, "--from", "side", "--size", "400"), ("mark", told)):
        result = CliRunner().invoke(
            app, [str(w) for w in words_], env={"DISPLAY": "", "WAYLAND_DISPLAY": ""}
        )
        assert result.exit_code == (0 if stones else 2), result.output
        assert "Traceback" not in result.output
        if not stones:
            assert "holds no stone: none was found" in " ".join(result.output.split())


def test_a_page_of_a_lot_with_unread_files_and_pieces(planned):
    """Sums by hand: two stones of the first rough, none of the second, little of the third."""
    folder, document = planned
    plan = document["plan"]
    stone = plan["plans"][0]
    asked, weighed = changes(plan)["asked"][0], plan["rough"] | {"name": "second", "weighed_carats": plan["rough"]["carats"] + 0.001}  # fmt: skip
    lot = [
        plan | {"sawn": sawn_of(stone, 2), "stopped": True, "question": "First find out: c."}, plan | changes(plan)["nothing"][0] | {"stopped": True, "rough": weighed},
        plan | {"little": True} | asked,
    ]  # fmt: skip
    bid = stone["bid"] | {"limit": {"value": 77.0, "stderr": 0.0}}
    parcel = {
        "sum_of_bids": 66.0,
        "bid": bid,
        "error": 2.0,
        "uncut": 1,
        "words": ["Bid at most 77 coins.", LEFT_OUT, INDEPENDENT],
    }
    unread = [{"name": "gone", "problem": "gone.toml:3: shape: <b> is missing"}]
    whole = without(document, "plan") | {"lot": lot, "unread": unread, "parcel": parcel}
    told = folder / "lot.json"
    told.write_text(json.dumps(whole), encoding="utf-8")
    words, made = paged(told)
    for text in ("Not planned", "gone.toml:3: shape: <b> is missing", "Two stones from one rough", "none found", "little", "66", "77", "too low by"):  # fmt: skip
        assert text in words
    carats = f"{plan['rough']['carats']:.2f}"
    for text in (f"9.00 ct by the balance, {carats} by its volume", f"{carats} ct by the balance", f"{carats} ct by its volume"):  # fmt: skip
        assert text in words
    # what to know of single roughs comes before all figures, alike things once; what the parcel's chance covers beside it
    # roughs of one name are told apart by their files
    one = f"box ({plan['rough']['file']})"
    assert words.index(f"{one}: First find out: 9 ct.") < words.index("The lot: what")
    assert words.index(f"{one}, second: The work was stopped early") < words.index("The lot: what")
    parcel_words = words[words.index("bid for all roughs together") : words.index("all its plans")]
    # of the roughs asked about the first is in the sums, the last has little
    assert f"something is to be found out first: {one}." in parcel_words
    assert all(text in parcel_words for text in parcel["words"])
    sums = made["report"]["sums"]
    assert sums["carats"] == pytest.approx(3 * stone["carats"])
    assert sums["value"] == pytest.approx(stone["value"]["expected"]["value"])
    assert sums["rough_carats"] == pytest.approx(3 * plan["rough"]["carats"])
    assert set(made["report"]["pictures"]) == {"lot 0 0", "lot 0 1", "lot 2 0"}
    # a lot that was stopped before its first rough
    told.write_text(json.dumps(without(whole, "parcel") | {"lot": []}), encoding="utf-8")
    assert "Not planned" in paged(told)[0]


@pytest.mark.slow
def test_pages_of_plans_that_plan_itself_made(tmp_path, briefly):
    """Flexed, with a zone, with the balance trusted, of several pieces or none, with nothing found, a lot with a file unread."""
    zone = '[[defect]]\nname = "flank"\nkind = "zone"\nwish = "hide"\nmaterial = "blue sapphire"\nhalf_space = { normal = [1, 0, 0], from_mm = 2.5 }\n'
    several = [w for w in FAST if w != "--no-directions"]
    made = [
        plan_of(
            tmp_path, box(tmp_path, (5, 5, 5), "flexed"), "--flex", "outline.length_mm=6.5:7:0.5"
        ),
        plan_of(tmp_path, box(tmp_path, (6, 5, 5), "zoned", zone)),
        plan_of(
            tmp_path,
            box(tmp_path, (5, 5, 5), "balance", weigh='weighed_carats = 2.0\ntrust = "balance"\n'),
        ),
        plan_of(tmp_path, box(tmp_path, (5, 5, 5), "asked", weigh="weighed_carats = 2.0\n")),
        plan_of(tmp_path, box(tmp_path, (4, 4, 13), "tall"), "--pieces", "3", fast=several),
        plan_of(tmp_path, box(tmp_path, (0.15, 0.15, 0.15), "tiny"), "--pieces", "2"),
    ]
    pages = {told.stem: paged(told)[0] for told in made}
    assert "First find out what is wrong" in pages["asked"].split(" keeps ")[0]
    assert "along c (75 to 90°)" in pages["tall"]
    assert "No stone was found." in pages["tiny"]
    folder = tmp_path / "lot"
    folder.mkdir()
    box(folder, (5, 5, 10), "a")
    (folder / "b.toml").write_text(
        'name = "b"\nmaterial = "ruby"\n[shape]\nmesh = "gone.stl"\nc_axis = [0, 0, 1]\n'
    )
    told = tmp_path / "lot.json"
    words = [
        "--pieces",
        "2",
        "--prices",
        "designs/prices/invented.toml",
        "--most-cells",
        "0",
        "--rays",
        "256",
        "--workers",
        "1",
    ]
    result = run(
        "lot",
        folder,
        "designs/round-brilliant.toml",
        *words,
        "--csv",
        tmp_path / "lot.csv",
        "--json",
        told,
    )
    assert result.exit_code == 0, result.output
    text, document = paged(told)
    assert "gone.stl" in text
    assert [e["name"] for e in document["unread"]] == ["b"]
