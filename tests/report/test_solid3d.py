"""The drawing that turns, in a real browser: where points are drawn, what is hidden, how it is handled.

Judges from outside: scipy's rotations and trimesh's ray geometry (general-purpose libraries); Chromium's own
tree of what assistive programs are told; contrast by WCAG 2.2, success criterion 1.4.3 and its definition
of relative luminance (W3C Recommendation, 2023; formula from memory). Roughs and designs are invented.
"""

import json
import math
import re

import jsonschema
import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from shared import ROOT, SCHEMA, eventually

from facetrace.cli.loading import load_stone
from facetrace.report.drawing3d import (
    MM_DIGITS,
    MOST_TRIANGLES,
    drawing_of_design,
    drawing_of_plans,
    fewer,
)
from facetrace.report.html import asset, embedded
from facetrace.report.plan import Panel
from facetrace.results import document
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.rough.scan import Scan
from facetrace.rough.zone import read_zones
from facetrace.solid.body import Body
from facetrace.solid.export import mesh_of
from facetrace.studies.zoned import Cut

DESIGNS = ROOT / "designs"
HOSTILE = ["<img src=x onerror='window.hacked=1'>", "</script><script>window.hacked=1</script>", "\"'&<!--\u2028"]  # fmt: skip
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>a drawing</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><style>{style}
body {{ margin: 1rem }}</style></head><body><main><h1>A drawing</h1><div id="solid"></div><p style="height: 60rem">end</p></main>
<script type="application/json" id="data">{data}</script><script>{script}</script>
<script>facetraceSolid(document.getElementById("solid"), JSON.parse(document.getElementById("data").textContent))</script>
</body></html>"""


def design_drawing(name):
    file, solid = load_stone(DESIGNS / f"{name}.toml")
    return drawing_of_design(file.design, solid), solid


def plan_drawing(rough="cracked-pebble", scale=0.8):
    """Two plans that nobody searched for: drawings do not ask whether a stone fits."""
    piece = rough_of(read_rough(DESIGNS / "roughs" / f"{rough}.toml"))
    panels, designs = [], {}
    for k, name in enumerate(("oval-brilliant", "heart-brilliant")):
        file, solid = load_stone(DESIGNS / f"{name}.toml")
        turn = Rotation.from_euler("ZYZ", [40 + k, 12, -25], degrees=True).as_matrix()
        at = np.array([0.3, -0.2, 1.1])
        panels.append(Panel(name, (Cut(solid.scaled(scale), turn, at, scale),)))
        designs[name] = [file.design]
    return drawing_of_plans(piece, panels, designs), piece, panels


@pytest.fixture
def opened(browser, tmp_path):
    """opened(drawing, **context) -> page; afterwards nothing but the file may have been asked for, nor any error be told."""
    pages, asked, told = [], [], []

    def open_one(drawing, **context):
        path = tmp_path / f"{len(pages)}.html"
        path.write_text(PAGE.format(style=asset("solid3d.css"), data=embedded(drawing), script=asset("solid3d-draw.js") + asset("solid3d.js")), encoding="utf-8")  # fmt: skip
        here = browser.new_context(**({"viewport": {"width": 1000, "height": 800}, "reduced_motion": "reduce"} | context))  # fmt: skip
        page = here.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: told.append(message.text))
        page.on("pageerror", lambda error: told.append(str(error)))
        page.goto(path.as_uri())
        pages.append((here, path.as_uri()))
        return page

    yield open_one
    for here, _ in pages:
        here.close()
    assert asked == [uri for _, uri in pages]
    assert told == []


def call(page, code, *arguments):
    return page.evaluate(
        f"(a) => document.getElementById('solid').facetrace.{code}", list(arguments)
    )


def look(page, turn, tilt, zoom=1.0):
    call(page, "set({turn: a[0], tilt: a[1], zoom: a[2]})", turn, tilt, zoom)


def eye(turn, tilt, axes):
    """Rows: right, up, towards the eye; turned about z, then tilted about x, by scipy."""
    return Rotation.from_euler("zx", [turn, -tilt], degrees=True).as_matrix() @ np.array(axes)


def scale_of(page):
    return float(page.locator(".ft-stage").get_attribute("data-scale"))


def settled(page):
    """Seen only after the browser has painted twice."""
    page.evaluate("() => new Promise((f) => requestAnimationFrame(() => requestAnimationFrame(f)))")


# ---- the data ---------------------------------------------------------------------------------


def test_facets_carry_what_the_design_file_says():
    """Angles and teeth of the invented round: 8 mains of 42 and 36 degrees on a 96 gear, 12 teeth apart."""
    drawing, solid = design_drawing("round-brilliant")
    (stone,) = drawing["scenes"][0]["stones"]
    assert stone["gear"] == 96
    for tier, angle in (("pavilion main", 42.0), ("crown main", 36.0)):
        mains = [f for f in stone["facets"] if f["tier"] == tier]
        assert [f["angle_deg"] for f in mains] == [angle] * 8
        assert sorted(f["index"] for f in mains) == [12.0 * k for k in range(8)]
        assert {f["name"] for f in mains} == {f"{tier} {12 * k}" for k in range(8)}
    table = next(f for f in stone["facets"] if f["name"] == "table")
    assert (table["angle_deg"], table["index"], table["side"]) == (0.0, None, "crown")
    # Euler's formula of convex polyhedra: corners - edges + facets = 2
    assert len(stone["vertices"]) - len(stone["edges"]) + len(stone["facets"]) == 2
    off = np.abs(np.array(stone["vertices"]) - solid.vertices).max()
    assert off <= 0.5 * 10.0**-MM_DIGITS * (1 + 1e-6)


def test_drawings_fit_the_schema_and_the_document():
    zones = read_zones(DESIGNS / "zones" / "blue-corner.toml")
    file, solid = load_stone(DESIGNS / "heart-brilliant.toml")
    bodies = [(zones.model.zone[k].name, body) for body, k in zones.bodies()]
    ball = Body(ellipsoid=np.column_stack([2 * np.eye(3), [0.0, 0.0, -1.0]]))
    for drawing in (
        drawing_of_design(file.design, solid, [*bodies, ("core", ball)]),
        drawing_of_design(None, solid),
        plan_drawing()[0],
        drawing_of_plans(plan_drawing("crystal-barrel")[1]),
    ):
        whole = {**document.head(), "notes": [document.ESTIMATE], "drawing": drawing}
        jsonschema.validate(json.loads(document.text_of(whole)), SCHEMA)
    # two lobes, and the wall cuts the core in two
    drawing = drawing_of_design(file.design, solid, [("core", ball)])
    assert [len(drawing["bodies"]), len(drawing["scenes"][0]["stones"][0]["parts"])] == [2, 2]
    assert {b["colour"] for b in drawing["bodies"]} == {0}


def test_too_fine_meshes_are_drawn_coarser_and_it_is_said(opened):
    """Every corner of the whole mesh has a drawn one within the move that is stated."""
    ball = trimesh.creation.icosphere(subdivisions=6, radius=4.0)
    mesh = Scan(np.array(ball.vertices), np.array(ball.faces, dtype=np.int64))
    vertices, faces, moved = fewer(mesh, MOST_TRIANGLES)
    assert 5_000 < len(faces) <= MOST_TRIANGLES < len(ball.faces)
    assert cKDTree(vertices).query(mesh.vertices)[0].max() <= moved < 0.2
    same, kept, still = fewer(mesh, len(mesh.faces))
    assert same is mesh.vertices
    assert (len(kept), still) == (len(mesh.faces), 0.0)
    drawing, _, _ = plan_drawing()
    drawing["rough"] |= {
        "vertices": vertices.round(MM_DIGITS).tolist(), "triangles": faces.tolist(),
        "of": len(ball.faces), "moved_mm": round(moved, MM_DIGITS),
    }  # fmt: skip
    words = opened(drawing).locator(".ft-caption").inner_text()
    assert f"Its {len(ball.faces):,} triangles are drawn as {len(faces):,}" in words
    assert f"at most {round(moved, MM_DIGITS)} mm" in words
    # what turns by more than the limit is counted here by trimesh
    piece = plan_drawing()[1]
    bends = np.degrees(trimesh.Trimesh(piece.mesh.vertices, piece.mesh.faces, process=False).face_adjacency_angles)  # fmt: skip
    drawing = drawing_of_plans(piece)
    sharp = int((bends > drawing["rough"]["sharp_deg"]).sum())
    drawing["rough"]["most_edges"] = 100
    assert (
        f"the 100 sharpest of {sharp} where" in opened(drawing).locator(".ft-caption").inner_text()
    )


# ---- where things are drawn -------------------------------------------------------------------


def test_points_lie_where_rotation_matrices_put_them(opened):
    """To half a pixel, any view and zoom; the bar is as long as it says; the frame is the first stone's."""
    for drawing in (design_drawing("rectangle-step")[0], plan_drawing()[0]):
        page = opened(drawing)
        scene = drawing["scenes"][0]
        points = np.array(scene["stones"][0]["vertices"])
        for turn, tilt, zoom in (
            (0, 0, 1),
            (30, 20, 1),
            (-90, 90, 2.5),
            (77, 133, 0.7),
            (0, 180, 4),
        ):
            look(page, turn, tilt, zoom)
            right, up, _ = eye(turn, tilt, scene["axes"])
            flat = np.column_stack([points @ right, -points @ up])
            seen = np.array([call(page, "project(a[0])", p) for p in points.tolist()])
            scale = scale_of(page)
            assert np.abs((seen - seen[0]) - scale * (flat - flat[0])).max() < 0.5
            bar = page.locator(".ft-stage .ft-bar").bounding_box()["width"]
            label = page.locator(".ft-stage text").last.inner_html()
            assert bar == pytest.approx(float(label.split()[0]) * scale, abs=2)
        # c stands up in the crystal's frame and reaches beyond the stone on both sides
        look(page, 30, 60)
        drawn = [
            page.locator(f".ft-stage path.ft-axis >> nth={k}").get_attribute("d") for k in range(3)
        ]
        assert all(drawn)
        numbers = [list(map(float, re.findall(r"-?[\d.]+", d))) for d in drawn]
        c = eye(30, 60, scene["axes"]) @ np.array(scene["c_axis"]["direction"])
        for a, b, x, y in numbers:
            run_ = np.array([x - a, b - y])
            assert abs(run_[0] * c[1] - run_[1] * c[0]) < 0.03 * np.hypot(*run_) + 0.02


def hits(triangles, start, towards):
    """How far along the ray each triangle (n, 3, 3) is hit, NaN where not; barycentric by trimesh."""
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    slope = normals @ towards
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.einsum("ij,ij->i", normals, triangles[:, 0] - start) / slope
    ok = np.isfinite(along)
    places = start + along[ok, None] * towards
    shares = trimesh.triangles.points_to_barycentric(triangles[ok], places)
    found = np.full(len(triangles), np.nan)
    found[ok] = np.where((shares > -1e-9).all(axis=1), along[ok], np.nan)
    return found


def mesh_and_names(solid):
    owners = [name for name, p in zip(solid.names, solid.polygons, strict=True) for _ in p[2:]]
    return np.array(mesh_of(solid).triangles), owners


@pytest.mark.parametrize("name", ["round-brilliant", "heart-brilliant"])
def test_a_click_names_the_facet_that_a_ray_meets_first(opened, name):
    """Both lobes of a heart, too; pixels whose neighbours meet other facets are left out."""
    drawing, solid = design_drawing(name)
    page = opened(drawing)
    triangles, owners = mesh_and_names(solid)
    rng = np.random.default_rng(5)
    box = page.locator(".ft-stage svg").bounding_box()
    checked = set()
    for turn, tilt in ((0, 0), (20, 60), (100, 75), (-80, 95), (60, 150)):
        look(page, turn, tilt)
        rows, scale = eye(turn, tilt, np.eye(3)), scale_of(page)
        zero = np.array(call(page, "project(a[0])", [0, 0, 0]))
        reach = 3.0 * scale

        def owner(pixel, rows=rows, scale=scale, zero=zero):
            d = (np.array(pixel) - zero) / scale
            far = hits(triangles, d[0] * rows[0] - d[1] * rows[1] + 50 * rows[2], -rows[2])
            return None if np.isnan(far).all() else owners[int(np.nanargmin(far))]

        for k, pixel in enumerate(zero + rng.uniform(-reach, reach, size=(60, 2))):
            near = {owner(pixel + np.array(s)) for s in ((0, 0), (1, 1), (1, -1), (-1, 1), (-1, -1))}  # fmt: skip
            if len(near) > 1:
                continue
            (wanted,) = near
            assert call(page, "pick(a[0], a[1])", *pixel) == wanted
            checked.add(wanted)
            if k % 12 == 0 and wanted:
                page.mouse.click(box["x"] + pixel[0], box["y"] + pixel[1])
                told = page.locator(".ft-facet")
                eventually(lambda t=told, w=wanted: t.inner_text().startswith(f"{w}: "))
    assert len(checked) > 30


@pytest.mark.parametrize("name", ["rectangle-step", "heart-brilliant"])
def test_edges_are_hidden_where_rays_to_the_eye_are_stopped(opened, name):
    """Ten places on each edge, lifted off the stone: free sight, a whole line; no sight, a dashed one."""
    drawing, solid = design_drawing(name)
    page = opened(drawing)
    triangles, _ = mesh_and_names(solid)
    stone = drawing["scenes"][0]["stones"][0]
    for turn, tilt in ((20, 60), (100, 75), (-80, 80), (-60, 130)):
        look(page, turn, tilt)
        towards = eye(turn, tilt, np.eye(3))[2]
        lines = {k: segments(page, k) for k in ("ft-edges", "ft-hidden")}
        checked = dict.fromkeys(lines, 0)
        for a, b, f, g in stone["edges"]:
            normals = solid.normals[[f, g]]
            if np.abs(normals @ towards).min() < 0.03:
                continue
            for share in np.linspace(0.05, 0.95, 10):
                place = (1 - share) * solid.vertices[a] + share * solid.vertices[b]
                far = hits(triangles, place + 1e-3 * normals.sum(axis=0), towards)
                kind = "ft-hidden" if np.nanmax(far, initial=-1.0) > 0 else "ft-edges"
                pixel = np.array(call(page, "project(a[0])", place.tolist())) if checked[kind] < 250 else None  # fmt: skip
                if pixel is not None:
                    assert off_lines(lines[kind], pixel) < 0.6, (turn, tilt, stone["facets"][f]["name"], share)  # fmt: skip
                    checked[kind] += 1
        assert min(checked.values()) > 100


def segments(page, layer):
    d = page.locator(f".ft-stage svg > path.{layer}").first.get_attribute("d")
    return np.array([list(map(float, re.findall(r"-?[\d.]+", part))) for part in d.split("M")[1:]]).reshape(-1, 2, 2)  # fmt: skip


def off_lines(lines, point):
    start, arm = lines[:, 0], lines[:, 1] - lines[:, 0]
    share = np.clip(np.einsum("ij,ij->i", point - start, arm) / np.maximum((arm**2).sum(axis=1), 1e-12), 0, 1)  # fmt: skip
    return float(np.linalg.norm(start + share[:, None] * arm - point, axis=1).min())


# ---- how it is handled ------------------------------------------------------------------------


def test_buttons_keys_mouse_and_wheel(opened):
    drawing, _ = design_drawing("round-brilliant")
    page = opened(drawing)
    stage = page.locator(".ft-stage")

    def state():
        return call(page, "state()")

    pictures = []
    for label, turn, tilt, words in (
        ("From above", 0, 0, "Seen from above."), ("Side", 0, 90, "Seen from the side."),
        ("End", -90, 90, "Seen from the side, turned 90 degrees clockwise."),
        ("From below", 0, 180, "Seen from below."),
        ("Three-quarter", 30, 55, "Seen from above, turned 30 degrees, tilted 55 degrees."),
    ):  # fmt: skip
        page.get_by_role("button", name=label, exact=True).click()
        settled(page)
        eventually(lambda at=(turn, tilt): (state()["turn"], state()["tilt"]) == at)
        page.locator(f".ft-where:text-is('{words}')").wait_for()
        pictures.append(stage.screenshot())
    assert len(set(pictures)) == 5
    stage.focus()
    before = state()
    for key in ("ArrowRight", "ArrowUp", "ArrowUp", "+"):
        page.keyboard.press(key)
    eventually(lambda: state()["zoom"] == pytest.approx(1.25))
    assert state()["turn"] == pytest.approx(before["turn"] + 5)
    assert state()["tilt"] == pytest.approx(before["tilt"] + 10)
    page.keyboard.press("-")
    eventually(lambda: state()["zoom"] == pytest.approx(1.0))
    page.get_by_role("button", name="Zoom in").click()
    page.keyboard.press("Tab")
    stage.focus()
    page.keyboard.press("Home")
    eventually(lambda: state() == {"turn": 30, "tilt": 55, "zoom": 1, "scene": 0, "facet": None})
    box = stage.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 80, y - 20, steps=4)
    page.mouse.up()
    eventually(lambda: state()["turn"] > 55 and state()["tilt"] > 60)
    # the plain wheel moves the page, with Ctrl it zooms
    page.mouse.wheel(0, 120)
    page.wait_for_function("() => window.scrollY > 0")
    assert state()["zoom"] == 1
    page.evaluate("() => window.scrollTo(0, 0)")
    page.keyboard.down("Control")
    page.mouse.wheel(0, -120)
    page.keyboard.up("Control")
    page.wait_for_function("() => document.getElementById('solid').facetrace.state().zoom > 1.1")
    assert page.evaluate("() => window.scrollY") == 0


def test_a_facet_from_the_list_lights_up_and_faces_the_eye(opened):
    drawing, solid = design_drawing("heart-brilliant")
    page = opened(drawing)
    names = page.get_by_label("Facet", exact=True)
    assert page.locator(".ft-stage path.ft-chosen").get_attribute("d") == ""
    for wanted in ("pavilion main left 36", "star right 60", "table"):
        wanted = wanted if wanted in solid.names else next(n for n in solid.names if n.startswith(wanted.rsplit(" ", 1)[0]))  # fmt: skip
        value = page.locator("option").filter(has_text=re.compile(f"^{wanted}, ")).first.get_attribute("value")  # fmt: skip
        names.select_option(value=value)
        settled(page)
        state = call(page, "state()")
        number = solid.names.index(wanted)
        towards = eye(state["turn"], state["tilt"], np.eye(3))[2]
        assert towards @ solid.normals[number] == pytest.approx(1, abs=1e-6)
        angle = math.degrees(math.acos(abs(solid.normals[number, 2])))
        words = page.locator(".ft-facet").inner_text()
        assert words.startswith(f"{wanted}: ")
        assert f"{angle:.2f} degrees from the girdle plane" in words
        drawn = page.locator(".ft-stage path.ft-chosen").get_attribute("d")
        corners = {(x, y) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", drawn)}
        # the table of a heart is two pieces of one facet
        mine = {i for n, p in zip(solid.names, solid.polygons, strict=True) if n == wanted for i in p}  # fmt: skip
        seen = [call(page, "project(a[0])", solid.vertices[i].tolist()) for i in mine]
        assert len(corners) == len(mine)
        assert all(min(math.hypot(x - float(a), y - float(b)) for a, b in corners) < 0.1 for x, y in seen)  # fmt: skip
    tier = page.locator("option").filter(has_text=re.compile(", all ")).first
    names.select_option(value=tier.get_attribute("value"))
    count = int(tier.inner_text().split(", all ")[1])
    assert page.locator(".ft-facet").inner_text().endswith(f": {count} facets")


def test_toggles_and_plans(opened):
    drawing, _, panels = plan_drawing()
    page = opened(drawing)
    layers = {
        "Rough": [".ft-rough-fill", ".ft-rough-front", ".ft-rough-back"], "Stone": [".ft-edges", ".ft-hidden"],
        "Flaws and zones": [".ft-body"], "Hidden edges": [".ft-hidden", ".ft-rough-back"], "c-axis": [".ft-inside"],
    }  # fmt: skip

    def drawn(layer):
        return page.locator(f".ft-stage svg path{layer}").first.get_attribute("d")

    for label, names in layers.items():
        assert all(drawn(n) for n in names)
        page.get_by_label(label, exact=True).uncheck()
        off = [n for n in names if n != ".ft-inside"]
        eventually(lambda off=off: not any(drawn(n) for n in off))
        page.get_by_label(label, exact=True).check()
        eventually(lambda names=names: all(drawn(n) for n in names))
    before = drawn(".ft-edges")
    page.get_by_label("Show", exact=True).select_option(label=panels[1].name)
    eventually(lambda: drawn(".ft-edges") != before)
    assert page.locator(".ft-stage").get_attribute("aria-label").startswith("heart-brilliant, from")
    assert "crack (crack; wish: cut away)" in page.locator(".ft-legend").inner_text()
    assert "crack" in page.locator(".ft-stage svg text").all_text_contents()


def test_on_a_phone_one_finger_scrolls_and_two_zoom(opened):
    page = opened(
        plan_drawing()[0], viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        device_scale_factor=2,
    )  # fmt: skip
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    # fingers need 24 px at least (WCAG 2.2, 2.5.8 target size)
    for control in page.locator("#solid button, #solid select, #solid input").all():
        box = control.bounding_box()
        assert control.is_hidden() or min(box["width"], box["height"]) >= 20
    box = page.locator(".ft-stage").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = page.context.new_cdp_session(page)

    def fingers(kind, *places):
        points = [{"x": a, "y": b, "id": k} for k, (a, b) in enumerate(places)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def state():
        return call(page, "state()")

    start = state()
    fingers("touchStart", (x, y))
    for k in range(1, 9):
        fingers("touchMove", (x + 10 * k, y))
    fingers("touchEnd")
    eventually(lambda: state()["turn"] > start["turn"] + 20)
    assert page.evaluate("() => window.scrollY") == 0
    start = state()
    fingers("touchStart", (x - 30, y), (x + 30, y))
    for k in range(1, 9):
        fingers("touchMove", (x - 30 - 5 * k, y + 4 * k), (x + 30 + 5 * k, y + 4 * k))
    fingers("touchEnd")
    eventually(lambda: state()["zoom"] == pytest.approx(140 / 60, rel=0.1))
    assert state()["tilt"] < start["tilt"] - 8
    assert page.evaluate("() => window.scrollY") == 0
    start = state()
    fingers("touchStart", (x, y))
    for k in range(1, 12):
        fingers("touchMove", (x, y - 20 * k))
    fingers("touchEnd")
    page.wait_for_function("() => window.scrollY > 50")
    assert state()["tilt"] == pytest.approx(start["tilt"], abs=0.1)


# ---- for everyone -----------------------------------------------------------------------------


def luminance(colour):
    """Relative luminance of "rgb(r, g, b)" as WCAG defines it."""
    parts = [int(n) / 255 for n in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(a, b):
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_of_contrast():
    """Black on white is 21 by the definition."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out(opened, scheme):
    """4.5 to 1 for text, 3 to 1 for lines (WCAG 2.2, 1.4.3 and 1.4.11)."""
    page = opened(plan_drawing()[0], color_scheme=scheme)
    style_of = """(e) => { const s = getComputedStyle(e); return [s.color, s.backgroundColor, s.fill, s.stroke]; }"""
    paper = page.locator("#solid").evaluate(style_of)[1]
    assert (luminance(paper) > 0.5) == (scheme == "light")
    for one in page.locator("#solid :is(p, button, select, label, li, .ft-tip)").all():
        ink, own, _, _ = one.evaluate(style_of)
        ground = paper if own == "rgba(0, 0, 0, 0)" else own
        assert contrast(ink, ground) >= 4.5
    for one in page.locator(".ft-stage text").all():
        assert contrast(one.evaluate(style_of)[2], paper) >= 4.5
    for layer in ("ft-edges", "ft-hidden", "ft-rough-front", "ft-axis", "ft-body", "ft-chosen-line"):  # fmt: skip
        assert contrast(page.locator(f".ft-stage .{layer}").first.evaluate(style_of)[3], paper) >= 3


def test_every_control_has_a_name(opened):
    """As Chromium tells assistive programs; what can be focused is no fewer."""
    page = opened(plan_drawing()[0])
    tree = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
    told = [
        (n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n["ignored"]
    ]
    for role, count in (("button", 7), ("combobox", 2), ("checkbox", 5), ("application", 1), ("group", 4), ("status", 2)):  # fmt: skip
        names = [name for r, name in told if r == role]
        assert len(names) >= count, role
        assert role == "status" or all(n.strip() for n in names), role
    assert any(r == "application" and n.startswith("oval-brilliant, from above") for r, n in told)
    # the whole is reached by Tab alone, the drawing among it, and the ring around it is seen
    reached = []
    for _ in range(16):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("() => document.activeElement.className || document.activeElement.tagName"))  # fmt: skip
        if reached[-1] == "ft-stage":
            assert page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle") == "solid"  # fmt: skip
    assert {"ft-stage", "BUTTON", "SELECT", "INPUT"} <= set(reached)


def test_names_are_text_and_nothing_else(opened):
    drawing, _, _ = plan_drawing("crystal-barrel")
    for k, body in enumerate(drawing["bodies"]):
        body["name"] = HOSTILE[k % 3]
    drawing["name"], drawing["rough"]["name"] = HOSTILE[0], HOSTILE[1]
    for k, scene in enumerate(drawing["scenes"]):
        scene["name"] = HOSTILE[k]
        for f in scene["stones"][0]["facets"]:
            f["name"], f["tier"] = f"{HOSTILE[2]} {f['name']}", HOSTILE[1]
    page = opened(drawing)
    page.get_by_label("Facet", exact=True).select_option(index=3)
    page.mouse.click(500, 400)
    settled(page)
    assert page.evaluate("() => [window.hacked, document.querySelectorAll('#solid img, #solid script').length]") == [None, 0]  # fmt: skip
    assert HOSTILE[0] in page.locator("#solid option").first.inner_text()
    assert HOSTILE[1] in page.locator(".ft-legend").inner_text()
    assert "<" not in embedded(drawing)
    assert json.loads(embedded(drawing)) == drawing


def test_printed_it_is_still_and_black_on_white(opened):
    """The current view and three others; A4 and Letter as PDF; controls stay off the paper."""
    page = opened(plan_drawing()[0], color_scheme="dark")
    assert page.locator(".ft-print").is_hidden()
    page.emulate_media(media="print", color_scheme="dark")
    assert page.locator(".ft-print svg:visible").count() == 3
    assert page.locator(".ft-print p").all_inner_texts() == ["From above", "Side", "End"]
    for k in range(3):
        assert page.locator(".ft-print path.ft-edges").nth(k).get_attribute("d")
    assert page.locator("#solid :is(button, select, input):visible").count() == 0
    assert page.locator(".ft-stage").is_visible()
    assert page.locator("#solid").evaluate("(e) => getComputedStyle(e).backgroundColor") == "rgb(255, 255, 255)"  # fmt: skip
    for size in ("A4", "Letter"):
        assert page.pdf(format=size).startswith(b"%PDF")


def test_motion_is_spared_those_who_ask(opened):
    page = opened(design_drawing("round-brilliant")[0], reduced_motion="no-preference")
    page.get_by_role("button", name="From below").click()
    page.wait_for_function("() => document.getElementById('solid').facetrace.state().tilt === 180")
    page.emulate_media(reduced_motion="reduce")
    tilt = page.evaluate(
        """() => { const b = [...document.querySelectorAll("#solid button")].find((x) => x.textContent === "Side");
        b.click(); return document.getElementById("solid").facetrace.state().tilt; }"""
    )
    assert tilt == 90
