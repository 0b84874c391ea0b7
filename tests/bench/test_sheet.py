"""The bench sheet: blank, steps, aims, errors of the angle, drawings and the page, against outside facts."""

import json
import math
import re
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pytest
import trimesh
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from page_checks import document_in, loose_numbers, wrong_figures
from shared import DESIGNS, ROUND, SCHEMA, document, run

from facetrace.bench.faults import _within
from facetrace.bench.gears import on_gear
from facetrace.bench.steps import bench_steps
from facetrace.design.model import Design, read_design
from facetrace.report.html import css_string
from facetrace.report.line_drawing import ABOVE, BELOW, END, SIDE, Drawing
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes

DENSITY = 3.99
HOSTILE = "Ruby <script>alert(\"x\")</script> & $1 'quoted' [bold]"


def cone(sides, angle, across, girdle=0.2, crown=35.0, table=1.0):
    """A regular cut: one tier of mains on each side, straight over the girdle's flats; gear 96."""
    fold = {"at": [0], "fold": sides}
    return Design.model_validate({
        "name": "invented", "gear": 96, "material": "ruby", "girdle": {"thickness_mm": girdle},
        "tier": [
            {"name": "girdle", "side": "girdle", "angle": 90, "index": fold, "distance_mm": across},
            {"name": "main", "side": "pavilion", "angle": angle, "index": fold, "to_girdle": True},
            {"name": "crown main", "side": "crown", "angle": crown, "index": fold, "to_girdle": True},
            {"name": "table", "side": "crown", "angle": 0, "height_mm": table},
        ],
    })  # fmt: skip


def pyramid(angle, half=2.0):
    """Two pairs of mains over a square girdle, that meet in one point; an invented design."""
    sides = [[0, 48], [24, 72]]
    pairs = [
        {
            "name": f"main {'ab'[k]}",
            "side": "pavilion",
            "angle": angle,
            "index": i,
            "to_girdle": True,
        }
        for k, i in enumerate(sides)
    ]
    return Design.model_validate({
        "name": "invented", "gear": 96, "material": "ruby", "girdle": {"thickness_mm": 0.2},
        "tier": [
            {"name": "girdle", "side": "girdle", "angle": 90, "index": [0, 24, 48, 72], "distance_mm": half},
            *pairs,
            {"name": "table", "side": "crown", "angle": 0, "height_mm": 0.8},
        ],
    })  # fmt: skip


# ---- steps ----------------------------------------------------------------------------------


@given(
    st.sampled_from([4, 6, 8, 12, 16]), st.floats(30, 60), st.floats(1.5, 6), st.floats(0.05, 0.5)
)
@settings(max_examples=8, phases=[Phase.generate])
def test_depths_of_a_regular_cone(sides, angle, across, girdle):
    """Closed form: flats at r, mains at a down from z = -t/2 meet at r tan a below; trigonometry alone."""
    found = bench_steps(cone(sides, angle, across, girdle), DENSITY)
    girdle_step, main, crown, table = found.steps
    assert [s.name for s in found.steps] == ["girdle", "main", "crown main", "table"]
    deep = girdle / 2 + across * math.tan(math.radians(angle))
    assert main.checks.culet_mm == pytest.approx(deep, rel=1e-6)
    assert girdle_step.settings[0].aim.mm == pytest.approx(across)
    assert main.settings[0].aim.kind == "line"
    assert main.settings[0].aim.mm == pytest.approx(girdle / 2)
    # with the pavilion there, the crown is cut to the girdle that is left
    assert crown.settings[0].aim.kind == "girdle"
    assert crown.settings[0].aim.mm == pytest.approx(girdle)
    # along x a calliper reads across flats, 2 r; across y, where no flat faces, corners: 2 r / cos(pi / n)
    long = 1.0 if sides % 4 == 0 else 1 / math.cos(math.pi / sides)
    assert girdle_step.checks.length_mm == pytest.approx(2 * across * long, rel=1e-6)
    # the mains' slope, from the flat's middle to the point: r / cos a
    assert main.checks.facet_slope_mm == pytest.approx(
        across / math.cos(math.radians(angle)), rel=1e-6
    )
    assert table.checks.crown_mm == pytest.approx(1.0, rel=1e-6)


@given(st.floats(35, 55), st.floats(1, 4))
@settings(max_examples=8, phases=[Phase.generate])
def test_a_pyramids_point_opens_to_an_edge(angle, half):
    """Closed form. One pair of mains 0.1 deg steeper about the girdle: the other pair meets at depth
    r tan a, where the first stands r tan a / tan(a + e) from its foot: an edge 2 r (1 - tan a / tan(a + e)).
    """
    tan = math.tan(math.radians(angle))
    wide = 2 * half * (1 - tan / math.tan(math.radians(angle + 0.1)))
    first, second = bench_steps(pyramid(angle, half), DENSITY).steps[1:3]
    assert first.fault is not None
    assert second.fault is not None
    assert first.fault.open_mm == pytest.approx(wide, rel=1e-6)
    assert set(first.fault.at) == {"main a 0", "main a 48", "main b 24", "main b 72"}
    # the second pair was aimed at the first one's ridge's ends, where girdle and mains meet
    assert second.settings[0].aim.kind in ("meet", "line")
    # the tolerance by bisection of the same closed forms, too steep and too flat: of the flat pair the ridge
    # lies higher, so the point opens across it
    open_mm = 0.05
    found = bench_steps(pyramid(angle, half), DENSITY, open_mm=open_mm).steps[1].fault
    assert found is not None
    steep = math.degrees(math.atan(tan / (1 - open_mm / (2 * half)))) - angle
    flat = angle - math.degrees(math.atan(tan * (1 - open_mm / (2 * half))))
    assert found.tolerance_deg == pytest.approx(min(steep, flat), rel=2e-3)


def test_a_whole_tier_of_a_round_keeps_its_culet():
    """By symmetry all mains of a cone too steep still meet in a point, dr tan' a deeper; one alone does not."""
    fault = bench_steps(cone(8, 42.0, 3.2), DENSITY).steps[1].fault
    assert fault is not None
    assert fault.open_mm == pytest.approx(0, abs=1e-6)
    deeper = 3.2 * (math.tan(math.radians(42.1)) - math.tan(math.radians(42)))
    assert fault.depth_mm == pytest.approx(deeper, rel=1e-6)
    assert fault.moved_mm >= deeper * (1 - 1e-9)
    assert fault.alone_mm is not None
    assert fault.alone_mm > 0.01
    assert fault.alone_deg is not None
    assert fault.alone_deg < 0.1 * 0.05 / fault.alone_mm * 1.2


def in_mesh(solid):
    return trimesh.load(
        trimesh.util.wrap_as_stream(mesh_bytes(solid, "stl")), file_type="stl", process=True
    )


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_every_step_of_a_shipped_design(path):
    """Each step takes stone off and leaves all that the finished stone needs; none wants what is not there."""
    design = read_design(path).design
    stone = build_solid(design)
    for first in ("pavilion", "crown") if path.stem != "round-by-hand" else ("pavilion",):
        found = bench_steps(design, DENSITY, first=first)
        before = found.preform.solid
        cut: set[str] = set()
        for step in found.steps:
            assert step.after.volume < before.volume - 1e-6, step.name
            # the finished stone lies within: every corner on the inner side of every plane of its lobe
            for part, final in zip(step.after.parts, stone.parts, strict=True):
                reach = final.vertices @ part.normals.T - part.offsets
                assert reach.max() < 1e-6, step.name
            own = {f.name for f in step.facets}
            for setting in step.settings:
                for aim in setting.aims:
                    assert (aim.mm is None) == (aim.kind in ("meet", "own"))
                    for meet in aim.meets:
                        stand = cut | (own if aim.kind == "own" else set())
                        assert set(meet.facets) <= stand, (step.name, meet)
            cut |= own
            before = step.after
        assert before.volume == pytest.approx(stone.volume, rel=1e-9)
        assert {f.name for s in found.steps for f in s.facets} >= set(stone.names)
        sides = [s.side for s in found.steps]
        order = ["girdle", first, "crown" if first == "pavilion" else "pavilion"]
        assert sides == sorted(sides, key=order.index)
        assert found.steps[-1].checks.carats == pytest.approx(stone.volume * DENSITY / 200)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_sizes_against_trimesh(path):
    """Extents and volume of the meshes of partial stones (trimesh); STL holds single precision."""
    for step in bench_steps(read_design(path).design, DENSITY).steps[1:3]:
        mesh = in_mesh(step.after)
        assert sorted(mesh.extents[:2]) == pytest.approx(
            sorted([step.checks.length_mm, step.checks.width_mm]), abs=1e-5
        )
        assert mesh.extents[2] == pytest.approx(step.checks.depth_mm, abs=1e-5)
        if step.checks.culet_mm is not None:
            assert -mesh.bounds[0][2] == pytest.approx(step.checks.culet_mm, abs=1e-5)
        assert abs(mesh.volume) * DENSITY / 200 == pytest.approx(step.checks.carats, rel=1e-4)


def test_a_template_against_trimesh():
    """Radii of the blank's wall: where rays from the axis leave its section (trimesh), pear and heart."""
    for path in (p for p in DESIGNS if p.stem in ("pear-brilliant", "heart-brilliant")):
        found = bench_steps(read_design(path).design, DENSITY)
        mesh = in_mesh(found.preform.solid)
        ends = trimesh.intersections.mesh_plane(mesh, [0, 0, 1], [0, 0, 0.013])[:, :, :2]
        for index, mm in found.preform.radii:
            turn = 2 * math.pi * index / 96 + 1e-7
            # along the ray and across it: the wall is where a piece of the section crosses over
            u = ends @ [math.cos(turn), math.sin(turn)]
            v = ends @ [-math.sin(turn), math.cos(turn)]
            over = v[:, 0] * v[:, 1] < 0
            u, v = u[over], v[over]
            reach = u[:, 0] - v[:, 0] * (u[:, 1] - u[:, 0]) / (v[:, 1] - v[:, 0])
            assert max(reach) == pytest.approx(mm, abs=2e-5), (path.stem, index)
        low = found.preform.allowance_mm
        assert found.preform.height_mm == pytest.approx(found.measures.depth_mm + 2 * low)
        assert found.preform.width_mm == pytest.approx(found.measures.width_mm + 2 * low, abs=0.1)


def test_the_round_by_hand():
    """What the file says tier by tier is what the sheet says, in its words, where it can be read off."""
    found = document("sheet", ROUND.with_name("round-by-hand.toml"))["sheet"]
    steps = {s["name"]: s for s in found["steps"]}
    star = steps["star"]["settings"][0]
    assert star["angle"] == 23
    assert [p["index"] for p in star["positions"]] == [6 + 12 * k for k in range(8)]
    # through = crown main, crown main, crown break
    meet = set(star["aim"]["meets"][0]["facets"])
    assert {"crown main 0", "crown main 12", "crown break 3"} <= meet
    assert steps["pavilion main"]["checks"]["culet_mm"] == pytest.approx(3.016)
    assert steps["girdle"]["settings"][0]["aim"]["mm"] == 3.1875
    assert "6.38 mm across" in steps["girdle"]["settings"][0]["words"]
    assert steps["table"]["checks"]["crown_mm"] == pytest.approx(1.129)


def test_another_gear():
    """Tooth i of 96 is 80 i / 96 of 80: every sixth falls on a tooth; 3 is 2.5, half a tooth off."""
    assert on_gear(12, 96, 80) == (10, 0)
    assert on_gear(3, 96, 80) == (2.5, 0.5)
    found = document("sheet", ROUND, "--gear", 80)["sheet"]["other_gear"]
    # girdle 3 + 6 k and both tiers of breaks stand at odd multiples of 3, mains and stars at multiples of 6
    assert found == {
        "teeth": 80, "positions": 16 * 3 + 8 * 3 + 1, "between": 48, "worst_off": 0.5, "worst_deg": 2.25,
    }  # fmt: skip
    assert document("sheet", ROUND, "--gear", 96)["sheet"]["other_gear"] is None


def test_a_gear_that_misses_is_said_at_once(tmp_path):
    """Odd multiples of 3 of 96 miss 80 teeth by half a tooth, 360 / 160 deg; those of a step cut, all of 12, do not."""
    step = ROUND.with_name("rectangle-step.toml")
    page = tmp_path / "sheet.html"
    told = " ".join(run("sheet", ROUND, "--gear", 80, "--out", page).output.split())
    assert "warning: 48 of 73 positions" in told
    assert "2.25 degrees" in told
    assert "warning" not in run("sheet", step, "--gear", 80, "--out", page).output
    assert "All positions fit a gear of" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_aims_are_one_plain_sentence_each(path):
    """Which facet, then one length or one meet; then, where there are others, what they do."""
    length = r"until (it stands |the stone is )?\d+\.\d\d mm (from the axis|deep in all|of [^.]+ is left[^.]*)"
    one = rf"cut (level )?(to the meet of [^.]+( \d\.\d+ mm)?|{length})"
    for step in document("sheet", path)["sheet"]["steps"]:
        for setting in step["settings"]:
            assert re.fullmatch(
                rf"(At index [\d.]+: {one}\. The other.*\.|{one.replace('cut', 'Cut', 1)}\.)",
                setting["words"],
            ), setting["words"]


# ---- drawings -------------------------------------------------------------------------------


def dial(view):
    """Index number -> place on paper (x, y down) of the dial around a stone."""
    stone = build_solid(read_design(ROUND).design)
    root = ElementTree.fromstring(Drawing(stone, view, "d", 5, "a stone", names={}, gear=96).svg())
    found = {}
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        place = re.match(r"translate\((\S+) (\S+)\)", text.get("transform"))
        if re.fullmatch(r"\d+", text.text or ""):
            found[int(text.text)] = (float(place[1]), float(place[2]))
    return found


def test_numbers_run_the_other_way_from_below():
    """Seen from above index 24 of 96 stands up; turned over about the length, below; 0 stays on the right."""
    above, below = dial(ABOVE), dial(BELOW)
    for seen, sign in ((above, -1), (below, 1)):
        assert seen[0][0] > 0
        assert abs(seen[0][1]) < 0.1
        assert seen[24][1] * sign > 0
        assert abs(seen[24][0]) < 0.1
        assert seen[48][0] < 0


def test_a_drawing_is_to_scale_and_escaped():
    stone = build_solid(read_design(ROUND).design)
    text = Drawing(stone, SIDE, 'k"<', 4, HOSTILE, names=dict.fromkeys(stone.names, HOSTILE)).svg()
    root = ElementTree.fromstring(text)
    assert "<script" not in text
    assert root[0].text == HOSTILE
    outline = next(p for p in root if p.get("class") == "thick")
    numbers = np.array(re.findall(r"-?\d+\.\d+", outline.get("d")), dtype=float).reshape(-1, 2)
    size = np.ptp(stone.vertices, axis=0)
    assert np.ptp(numbers, axis=0) == pytest.approx([4 * size[0], 4 * size[2]], abs=0.02)
    assert "6.50" in text
    # CSS: 96 px are 25.4 mm; common practice, no source: letters of 12 px or more on a screen
    assert min(float(n) for n in re.findall(r'font-size="([\d.]+)"', text)) * 96 / 25.4 >= 12


@pytest.mark.parametrize("view", [ABOVE, BELOW, SIDE, END], ids=lambda v: v.words[:10])
def test_visible_edges_of_a_cube(view):
    """A cube seen along an axis shows one face: an outline of 4 edges, no other."""
    from facetrace.solid.polyhedron import Solid

    cube = Solid.from_planes(np.vstack([np.eye(3), -np.eye(3)]), np.ones(6))
    root = ElementTree.fromstring(Drawing(cube, view, "c", 1, "cube", names={}, hidden=True).svg())
    edges = {p.get("class"): p.get("d").count("M") for p in root if p.get("class")}
    # the 4 edges along the view project to points; the 4 behind are hidden
    assert edges == {"thick": 4, "hidden": 8}


# ---- the page -------------------------------------------------------------------------------


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_every_figure_of_a_page_is_its_documents(path, tmp_path):
    page, data = tmp_path / "sheet.html", tmp_path / "sheet.json"
    result = run("sheet", path, "--out", page, "--json", data, "--gear", 120)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()[:-3]) <= 80
    text = page.read_text(encoding="utf-8")
    found = json.loads(data.read_text(encoding="utf-8"))
    jsonschema.validate(found, SCHEMA)
    assert document_in(text) == found
    assert wrong_figures(text) == []
    assert loose_numbers(text) == []
    assert not re.search(r"(src|href)=[\"']?(https?:|//)", text)
    for word in ("Water", "Eyes", "Dust", "Guard", "Heat", "Local rules", "not an appraisal"):
        assert word in text
    assert text.count('class="step keep"') == len(found["sheet"]["steps"])
    idents = re.findall(r' id="([^"]+)"', text)
    assert len(idents) == len(set(idents))


def test_hostile_names(tmp_path):
    design = tmp_path / "hostile.toml"
    text = ROUND.with_name("round-by-hand.toml").read_text(encoding="utf-8")
    tier = '<b>"star" & $1\''
    text = text.replace('"star"', json.dumps(tier))
    text = re.sub(r'^name = "Round.*$', f"name = {json.dumps(HOSTILE)}", text, count=1, flags=re.M)
    design.write_text(text, encoding="utf-8")
    result = run("sheet", design)
    assert result.exit_code == 0, result.output
    page = (tmp_path / "hostile-sheet.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert '<b>"star' not in page
    assert "&lt;script&gt;alert" in page
    assert wrong_figures(page) == []
    assert document_in(page)["design"]["name"] == HOSTILE
    # at the foot of each printed page, as a CSS string that nothing ends (CSS Syntax 3, 4.3.7)
    foot = re.search(r'@bottom-left \{ content: "([A-Za-z0-9 ,.\\-]*)" \}', page)[1]
    read = re.sub(r"\\([0-9A-F]{6}) ", lambda m: chr(int(m[1], 16)), foot)
    assert read == HOSTILE
    assert page.count("</style") == 1
    for text in ("</style><b>", '"} * {x:y', "\\41 b", "a\nb \u202e\U0001f48e"):
        assert re.fullmatch(r'"([A-Za-z0-9 ,.-]|\\[0-9A-F]{6} )*"', css_string(text))


def test_a_browser_reads_the_foot(browser):
    """Chromium turns the escapes back into the name, spaces after escapes included."""
    page = browser.new_context().new_page()
    text = HOSTILE + " </style> \\41 \u202e\U0001f48e  x"
    page.set_content(f"<style>b::before {{ content: {css_string(text)} }}</style><b></b>")
    read = page.evaluate("getComputedStyle(document.querySelector('b'), '::before').content")
    assert json.loads(read) == text
    page.context.close()


@pytest.mark.parametrize(("name", "most"), [("round-brilliant", 5), ("rectangle-step", 5)])
def test_a_printed_sheet_is_short(browser, tmp_path, name, most):
    """A4, as Chromium prints it: loose wet sheets are few (four with DejaVu; other letters may need one more)."""
    target = tmp_path / "sheet.html"
    assert run("sheet", ROUND.with_name(f"{name}.toml"), "--out", target).exit_code == 0
    page = browser.new_context().new_page()
    page.goto(target.as_uri())
    printed = page.pdf(format="A4", prefer_css_page_size=False)
    assert 1 < len(re.findall(rb"/Type\s*/Page[^s]", printed)) <= most
    page.context.close()


def test_wrong_inputs(tmp_path):
    """One line, exit code 2, nothing written."""
    design = tmp_path / "round.toml"
    design.write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    for words, said in (
        (["--out", tmp_path / "sheet.pdf"], "let its name end in .html"),
        (["--out", design], "is the file that was read"),
        (["--out", tmp_path / "no" / "sheet.html"], "its folder does not exist"),
        (["--out", tmp_path / "a.html", "--json", tmp_path / "a.html"], "named for two outputs"),
        (["--allowance", "0"], ""),
        (["--meet-gap", "nan"], ""),
        (["--gear", "2"], ""),
        (["--first", "girdle"], ""),
    ):
        result = run("sheet", design, *words)
        assert result.exit_code == 2, words
        assert said in " ".join(result.output.split()), words
    assert [p.name for p in tmp_path.iterdir()] == ["round.toml"]


def test_an_order_that_cannot_be_cut(tmp_path):
    """A crown aimed at the pavilion cannot come first; the message says what would do."""
    design = tmp_path / "crossed.toml"
    text = ROUND.with_name("round-by-hand.toml").read_text(encoding="utf-8")
    crown = text.index('name = "crown main"')
    text = text[:crown] + text[crown:].replace(
        "to_girdle = true", 'through = ["girdle", "girdle", "pavilion main"]', 1
    ).replace("angle = 36", "angle = 36")
    design.write_text(text, encoding="utf-8")
    result = run("sheet", design, "--first", "crown")
    assert result.exit_code == 2
    assert "try --first pavilion" in " ".join(result.output.split())


def test_a_facet_that_ends_within_a_wall(tmp_path):
    """Breaks that stand a little higher than the mains end between the corners of their flats.

    By hand: facet and flat face the same way, so their edge is level, at z = (d - r sin a) / -cos a for a facet of angle a and
    distance d, a flat at r; what is left of the wall reaches from there to the blank's upper face.
    """
    text = (DESIGNS[0].parent / "round-by-hand.toml").read_text(encoding="utf-8")
    assert "height_mm = 3.016" in text
    design = tmp_path / "round.toml"
    design.write_text(text.replace("height_mm = 3.016", "height_mm = 2.97"), encoding="utf-8")
    made = bench_steps(read_design(design).design, 3.99)
    step = next(s for s in made.steps if s.name == "pavilion break")
    facet, aim = step.settings[0].facets[0], step.settings[0].aim
    wall = next(f for f in made.flats if f.index == facet.index)
    a = math.radians(step.settings[0].angle)
    edge = (facet.distance - wall.distance * math.sin(a)) / math.cos(a)
    assert aim.kind == "line"
    assert aim.mm == pytest.approx(edge, abs=1e-9)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_corners_within_facets_as_one_by_one(path):
    """Those all of whose facets are among some: compared with a look at each."""
    solid = build_solid(read_design(path).design)
    for part in solid.parts:
        for k in range(len(part.names)):
            names = frozenset(np.roll(part.names, k)[: 5 + k % 9].tolist())
            found = _within(part, names)
            assert found == [i for i, o in enumerate(part.owners) if o <= names]
