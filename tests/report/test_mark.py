"""The marking sheet: every number worked out again from the plan's JSON and the meshes, by other code; the page; mistakes."""

import io
import json
import math
import re
import shutil

import jsonschema
import numpy as np
import pytest
import trimesh
from page_checks import document_in, loose_numbers, wrong_figures
from PIL import Image
from scipy.spatial import ConvexHull
from shared import ROOT, SCHEMA, run

from facetrace.design.model import read_design
from facetrace.report.line_drawing import behind
from facetrace.report.plan import Panel, plan_png, saw_planes
from facetrace.report.six_views import Plane, Scene, chained, skin_line
from facetrace.results.mark import SIDES, side_axes
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes
from facetrace.studies import saw
from facetrace.studies.zoned import Cut

HOSTILE = "Piece <script>alert(\"x\")</script> & 'one'"
C = np.array([0.3, -0.2, 0.93])
DENSITY = 3.99
# where the stones lie in the crystal frame, invented: size, turn (columns: the stone's x, y, z), shift
TURNS = [
    trimesh.transformations.euler_matrix(0.4, -0.3, 1.1)[:3, :3],
    trimesh.transformations.euler_matrix(2.6, 0.2, -0.5)[:3, :3],
]
STONES = [
    ("round-brilliant", 0.6, TURNS[0], [-2.0, -0.4, 0.3]), ("oval-brilliant", 0.4, TURNS[1], [2.4, -0.3, 0.1]),
    ("round-brilliant", 0.2, TURNS[1], [-2.0, 2.8, 0.2]),
]  # fmt: skip
# saw cuts, the second of what lies against the first's normal: normal, offset, what it divides; sides of the stones
CUTS = [
    ([0.96, 0.05, math.sqrt(1 - 0.96**2 - 0.05**2)], 1.1, None),
    ([0.0, 0.8, 0.6], 1.5, {"cut": 0, "side": 1}),
]
SIDES_OF = [[(0, 1), (1, 1)], [(0, -1)], [(0, 1), (1, -1)]]
KERF = 0.4


def turned_upright(c):
    """Rodrigues' rotation of c onto z about their common perpendicular; by hand, not facetrace's."""
    c = c / np.linalg.norm(c)
    v, s = np.cross(c, [0, 0, 1]), np.linalg.norm(np.cross(c, [0, 0, 1]))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]]) / s
    return np.eye(3) + s * k + (1 - c[2]) * k @ k


def mesh_of(name):
    """A design's solid as trimesh reads it."""
    solid = build_solid(read_design(ROOT / "designs" / f"{name}.toml").design)
    return trimesh.load(trimesh.util.wrap_as_stream(mesh_bytes(solid, "stl")), file_type="stl")


def row(name, scale, turn, shift):
    solid = build_solid(read_design(ROOT / "designs" / f"{name}.toml").design)
    return {
        "design": name, "kind": "heaviest", "changed": "", "carats": solid.volume * scale**3 * DENSITY / 200,
        "scale": scale, "turn": np.asarray(turn).tolist(), "shift_mm": list(shift),
    }  # fmt: skip


def sawn(pieces, first=False):
    """The plan's member for two pieces or three."""
    return {
        "cuts": [
            {"normal": n, "offset_mm": d, "crack": "crack" if of is None else None, "of": of, "depths_mm": [1, 1]}
            for n, d, of in CUTS[: pieces - 1]
        ],
        "stones": [
            {**row(*stone), "kind": "sawn", "sides": [{"cut": k, "side": s} for k, s in sides if k < pieces - 1]}
            for stone, sides in zip(STONES[:pieces], SIDES_OF, strict=False)
        ],
        "carats": 1.0, "first": first,
    }  # fmt: skip


def clipped(triangles, normal, offset):
    """Triangles (n, 3, 3) where normal . r >= offset: each as a polygon cut by Sutherland and Hodgman's rule (1974)."""
    found = []
    for triangle in triangles:
        kept = []
        for p, q in zip(triangle, np.roll(triangle, -1, axis=0), strict=True):
            a, b = p @ normal - offset, q @ normal - offset
            if a >= 0:
                kept.append(p)
            if a * b < 0:
                kept.append((b * p - a * q) / (b - a))
        found += [[kept[0], kept[k], kept[k + 1]] for k in range(1, len(kept) - 1)]
    return np.array(found)


def piece_of(triangles, sides, back):
    """Corners of a piece, half of the kerf away from the cuts that bound it."""
    for k, side in sides:
        normal = -side * back @ np.array(CUTS[k][0])
        triangles = clipped(triangles, normal, -side * CUTS[k][1] + KERF / 2)
    return triangles.reshape(-1, 3)


@pytest.fixture
def plan(tmp_path):
    """A plan's JSON with its files beside it: two single stones, and the same two as those of two pieces."""
    folder = ROOT / "designs" / "roughs"
    text = (folder / "cracked-pebble.toml").read_text(encoding="utf-8")
    text = text.replace('"Cracked pebble"', json.dumps(HOSTILE))
    (tmp_path / "piece.toml").write_text(text, encoding="utf-8")
    shutil.copy(folder / "cracked-pebble.stl", tmp_path)
    for name, *_ in STONES:
        shutil.copy(ROOT / "designs" / f"{name}.toml", tmp_path)
    rough = trimesh.load(folder / "cracked-pebble.stl")
    rows = [row(*s) for s in STONES[:2]]
    document = {
        "schema": "facetrace-result/1", "program": {"name": "facetrace", "version": "0"}, "notes": [],
        "plan": {
            "rough": {"name": HOSTILE, "file": "piece.toml", "carats": rough.volume * DENSITY / 200},
            "designs": {name: f"{name}.toml" for name, *_ in STONES}, "plans": rows, "best": 0,
            "sawn": sawn(2),
        },
    }  # fmt: skip
    (tmp_path / "plan.json").write_text(json.dumps(document), encoding="utf-8")
    return tmp_path / "plan.json"


def marked(plan, *words):
    page, data = plan.with_name("page.html"), plan.with_name("data.json")
    done = run("mark", plan, "--out", page, "--json", data, *words)
    assert done.exit_code == 0, done.output
    document = json.loads(data.read_text(encoding="utf-8"))
    jsonschema.validate(document, SCHEMA)
    return document["mark"], page.read_text(encoding="utf-8")


def angle(a, b):
    return math.degrees(math.atan2(np.linalg.norm(np.cross(a, b)), a @ b))


def height(normal, point, up, side, low, high):
    """Three planes meet in a point: the marked one, that of the side of the box, and the middle across."""
    k, j = "xyz".index(up[1]), "xyz".index(side[1])
    other = 3 - k - j
    eye = np.eye(3)
    side_at = (high if side[0] == "+" else low)[j]
    meet = np.linalg.solve(
        np.array([normal, eye[j], eye[other]]), [normal @ point, side_at, (low[other] + high[other]) / 2]
    )  # fmt: skip
    return meet[k] - low[k] if up[0] == "+" else high[k] - meet[k]


def check_plane(found, normal, point, corners, piece=None):
    low, high = corners.min(axis=0), corners.max(axis=0)
    assert found["below_mm"] == pytest.approx(
        ((corners if piece is None else piece) - point).dot(normal).max(), abs=1e-5
    )
    np.testing.assert_allclose(found["angles_deg"], [angle(normal, a) for a in np.eye(3)], atol=1e-4)  # fmt: skip
    up = found["up"]
    assert abs(normal["xyz".index(up[1])]) == pytest.approx(np.abs(normal).max())
    assert (normal["xyz".index(up[1])] > 0) == (up[0] == "+")
    size = (high - low)["xyz".index(up[1])]
    assert set(found["heights_mm"]) == {s for s in SIDES if s[1] != up[1]}
    for side, value in found["heights_mm"].items():
        wanted = height(normal, point, up, side, low, high)
        if value is None:
            assert not -1e-4 < wanted < size + 1e-4
        else:
            assert value == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize(
    ("words", "pieces"), [((), 1), (("--number", "2"), 1), (("--pieces",), 2), (("--pieces",), 3), ((), 3)]
)  # fmt: skip
def test_every_number_is_that_of_the_meshes(plan, words, pieces):
    """From STL files (single precision: 1e-5 mm) and the plan's turn, shift and scale; facets by trimesh.

    Without words the sheet is of the plan to go by: of three pieces where these come first.
    """
    if pieces == 3:
        document = json.loads(plan.read_text(encoding="utf-8"))
        document["plan"]["sawn"] = sawn(3, first=True)
        plan.write_text(json.dumps(document), encoding="utf-8")
    found, text = marked(plan, *words)
    rough = trimesh.load(plan.with_name("cracked-pebble.stl"))
    corners = np.asarray(rough.vertices)
    low, high = corners.min(axis=0), corners.max(axis=0)
    np.testing.assert_allclose(found["rough"]["low_mm"], low, atol=1e-5)
    np.testing.assert_allclose(found["rough"]["high_mm"], high, atol=1e-5)
    np.testing.assert_allclose(found["rough"]["size_mm"], high - low, atol=1e-5)
    assert found["rough"]["carats"] == pytest.approx(rough.volume * DENSITY / 200, rel=1e-6)
    # the file's own line
    assert found["rough"]["weighed_carats"] == 10.15
    # the file's losses; agree_mm: twice the scan's 0.05
    assert (found["rough"]["skin_mm"], found["rough"]["agree_mm"]) == (0.15, 0.1)
    c = C / np.linalg.norm(C)
    np.testing.assert_allclose(
        found["c"]["angles_deg"], [angle(c, a) for a in np.eye(3)], atol=1e-6
    )
    for side, value in found["c"]["views_deg"].items():
        eye = np.eye(3)["xyz".index(side[1])] * (1 if side[0] == "+" else -1)
        assert value == pytest.approx(90 - angle(c, eye), abs=1e-6)
    back = turned_upright(C).T
    wanted = STONES[1:2] if words == ("--number", "2") else STONES[:pieces]
    for number, (part, (name, scale, turn, shift)) in enumerate(
        zip(found["stones"], wanted, strict=True)
    ):
        own = mesh_of(name)
        stone = trimesh.Trimesh((np.asarray(shift) + scale * own.vertices @ turn.T) @ back.T, own.faces, process=False)  # fmt: skip
        normal, along = back @ turn[:, 2], back @ turn[:, 0]
        piece = corners
        sides = [(k, side) for k, side in SIDES_OF[number] if k < pieces - 1]
        assert part["sides"] == [{"cut": k, "side": side} for k, side in sides]
        if sides:
            piece = piece_of(rough.triangles, sides, back)
            assert 0.1 < trimesh.convex.convex_hull(piece).volume / rough.convex_hull.volume < 0.9
        heights = stone.vertices @ normal
        flat = stone.face_normals @ normal > 1 - 1e-6
        table = np.average(stone.triangles_center[flat], axis=0, weights=stone.area_faces[flat])
        points = {"table": table, "girdle": back @ shift, "culet": stone.vertices[heights < heights.min() + 1e-5].mean(axis=0)}  # fmt: skip
        assert part["carats"] == pytest.approx(stone.volume * DENSITY / 200, rel=1e-5)
        np.testing.assert_allclose(part["size_mm"], scale * own.extents, atol=1e-5)
        for key, point in points.items():
            np.testing.assert_allclose(part["points"][key]["at_mm"], point, atol=2e-5)
            from_mm = part["points"][key]["from_mm"]
            for k, axis in enumerate("xyz"):
                assert from_mm[f"+{axis}"] == pytest.approx(high[k] - point[k], abs=2e-5)
                assert from_mm[f"-{axis}"] == pytest.approx(point[k] - low[k], abs=2e-5)
        for plane, key in zip(part["planes"], ("table", "girdle"), strict=True):
            assert plane["name"] == key
            check_plane(plane, normal, points[key], corners, piece)
        assert part["culet_below_mm"] == pytest.approx(((piece - points["culet"]) @ normal).max(), abs=2e-5)  # fmt: skip
        np.testing.assert_allclose(part["normal_deg"], [angle(normal, a) for a in np.eye(3)], atol=1e-5)  # fmt: skip
        np.testing.assert_allclose(part["length_deg"], [angle(along, a) for a in np.eye(3)], atol=1e-5)  # fmt: skip
        to_c = angle(normal, c)
        assert part["normal_to_c_deg"] == pytest.approx(min(to_c, 180 - to_c), abs=1e-5)
    assert len(found["cuts"]) == pieces - 1
    for k, cut in enumerate(found["cuts"]):
        normal, offset, of = back @ CUTS[k][0], CUTS[k][1], CUTS[k][2]
        assert (cut["number"], cut["kerf_mm"], cut["of"]) == (k + 1, KERF, of)
        divided = piece_of(rough.triangles, [(of["cut"], of["side"])] if of else [], back)
        check_plane(cut, normal, offset * normal, corners, divided)
        reach = divided @ normal
        np.testing.assert_allclose(cut["ends_mm"], [reach.max() - offset, offset - reach.min()], atol=1e-5)  # fmt: skip
    # and the page shows these numbers, no others
    assert document_in(text)["mark"] == found
    assert wrong_figures(text) == []
    assert loose_numbers(text) == []


def test_the_page_holds_nothing_foreign(plan):
    found, text = marked(plan, "--pieces")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    assert "default-src 'none'" in text
    assert not re.search(r'(src|href)="(?!#|data:)', text)
    assert text.count('class="six"') == 1
    for caution in ("cannot be undone", "eye protection", "Dust", "not an appraisal"):
        assert caution in text
    assert [d["name"] for d in found["defects"]] == ["crack"]


def test_views_are_to_scale(plan):
    """Each view's rough, from the path's own coordinates: as wide and high as the mesh seen from there, times the scale."""
    found, text = marked(plan)
    scale = float(re.search(r"Drawn <span data-fixed>([\d.]+)</span> to", text)[1])
    corners = np.asarray(trimesh.load(plan.with_name("cracked-pebble.stl")).vertices)
    views = dict(re.findall(r'<svg [^>]*id="view-(\d)"(.*?)</svg>', text, re.S))
    assert sorted(views) == list("012345")
    for k, side in enumerate(SIDES):
        # right, up, eye: right-handed, z (of +-z: y) up
        right, up, eye = side_axes(side)
        np.testing.assert_array_equal(np.cross(right, up), eye)
        assert eye["xyz".index(side[1])] == (1 if side[0] == "+" else -1)
        assert up[1 if side[1] == "z" else 2] == 1
        width, high, box = re.search(r'width="([\d.]+)mm" height="([\d.]+)mm" viewBox="([^"]+)"', views[str(k)]).groups()  # fmt: skip
        assert box.split()[2:] == [width, high]
        path = re.search(rf'id="rough-{k}-f" d="([^"]+)"', views[str(k)])[1]
        xy = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", path), dtype=float)
        middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
        seen = (corners - middle) @ np.array([right, -up]).T * scale
        # triangles turned away may hold the outermost corner only where the skin is edge on
        np.testing.assert_allclose(
            [xy.min(0), xy.max(0)], [seen.min(0), seen.max(0)], atol=0.02 * scale
        )
        out = found["c"]["views_deg"][side]
        words = f"c {abs(out):.0f}° {'to you' if out > 0 else 'away'}"
        assert words in views[str(k)]


def test_lines_on_the_skin_of_a_box():
    """A plane across a box 2 x 4 x 6: its line is one ring around, 2 (2 + 4 / cos a) long at a slant a; half of it kept."""
    box = trimesh.creation.box((2, 4, 6))
    v, f = np.asarray(box.vertices), np.asarray(box.faces)
    scene = Scene(v, f, (), (), (), np.array([0, 0, 1.0]), v.min(0), v.max(0))
    a = 0.3
    normal = np.array([0, -math.sin(a), math.cos(a)])
    segments, rows, edges = skin_line(scene, Plane("table", normal, 0.2))
    np.testing.assert_allclose(segments @ normal, 0.2, atol=1e-12)
    assert len(rows) == len(segments)
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1).sum()
    assert length == pytest.approx(2 * (2 + 4 / math.cos(a)))
    (ring,) = chained(segments, edges)
    np.testing.assert_allclose(ring[0], ring[-1], atol=1e-12)
    assert np.linalg.norm(np.diff(ring, axis=0), axis=1).sum() == pytest.approx(length)
    kept, _, ends = skin_line(scene, Plane("table", normal, 0.2, ((np.array([1.0, 0, 0]), 0.0),)))
    assert 0 < len(kept) < len(segments)
    (line,) = chained(kept, ends)
    assert np.linalg.norm(line[0] - line[-1]) > 1


def interval(hull, at, eye):
    """From where to where a line at + s eye runs in a convex hull; none (from above to) where it misses it."""
    slope, height = hull.equations[:, :3] @ eye, hull.equations[:, :3] @ at + hull.equations[:, 3]
    ends = -height / slope
    return ends[slope < 0].max(), ends[slope > 0].min()


def test_what_lies_behind_a_stone_by_its_lines_of_sight():
    """Random convex pairs: 900 lines of sight through both, each cut by the faces of both hulls; seeded, and exact for a line."""
    rng = np.random.default_rng(4)
    counts = {True: 0, False: 0}
    for _ in range(60):
        stone, flaw = (
            rng.normal(size=(12, 3)),
            0.6 * rng.normal(size=(7, 3)) + 2 * rng.normal(size=3),
        )
        axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        hulls = [ConvexHull(points) for points in (stone, flaw)]
        seen = [points @ axes[:2].T for points in (stone, flaw)]
        low, high = np.max([s.min(0) for s in seen], axis=0), np.min([s.max(0) for s in seen], axis=0)  # fmt: skip
        lines = [(x, y) for x in np.linspace(low[0], high[0], 30) for y in np.linspace(low[1], high[1], 30)]  # fmt: skip
        both = [[interval(h, np.array(p) @ axes[:2], axes[2]) for h in hulls] for p in lines if (low < high).all()]  # fmt: skip
        both = [(s, f) for s, f in both if s[0] < s[1] and f[0] < f[1]]
        told = behind(stone, flaw, axes)
        counts[told] += 1
        # lines may miss a shared corner, never show what is not there
        if told:
            assert all(f[1] < s[0] for s, f in both)
        elif both:
            assert any(f[1] > s[0] for s, f in both)
    assert min(counts.values()) >= 5


def test_a_flat_crack_behind_beside_and_in_front():
    """A cube of 2 mm seen along z, and a square of 1 mm, edge on too: positions by hand."""
    cube = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=float)
    square = np.array([[x, y, 0] for x in (-0.5, 0.5) for y in (-0.5, 0.5)])
    for shift, expected in (((0, 0, -1.1), True), ((1.4, 0, -5), True), ((1.6, 0, -5), False), ((0, 0, 0), False), ((0, 0, 1.1), False)):  # fmt: skip
        assert behind(cube, square + shift, np.eye(3)) is expected
    assert behind(cube, square[:, [2, 1, 0]] + [0, 0, -1.6], np.eye(3))


def test_the_picture_of_a_plan_shows_its_saw_cuts(plan):
    """The second cut is drawn on its own piece alone: side 1 of a cut is the other than its normal's."""
    rough = rough_of(read_rough(plan.with_name("piece.toml")))
    sides = [None if of is None else (of["cut"], of["side"]) for _, _, of in CUTS]
    cuts = [saw.Cut(saw.Plane(np.array(n), d), (1.0, 1.0), of) for (n, d, _), of in zip(CUTS, sides, strict=True)]  # fmt: skip
    first, second = saw_planes(cuts)
    assert first.keep == ()
    (normal, offset), = second.keep  # fmt: skip
    for point in rough.mesh.vertices[:50]:
        assert (point @ normal >= offset) == (point @ np.array(CUTS[0][0]) <= CUTS[0][1])
    solid = build_solid(read_design(ROOT / "designs" / "round-brilliant.toml").design)
    stones = tuple(Cut(solid.scaled(scale), turn, np.array(at), scale) for _, scale, turn, at in STONES)  # fmt: skip
    said = {}
    for planes in ((), (first, second)):
        png = plan_png([Panel("three stones", stones, planes)], rough)
        said[len(planes)] = Image.open(io.BytesIO(png)).text["Description"]
    assert "never in it" in said[0]
    assert "saw cuts" not in said[0]
    assert "saw cuts" in said[2]


def test_the_sheet_says_what_is_to_be_cut_and_where_polishing_is_all(plan):
    """Two weights of one rough; the stone's own size apart from its design's name; a table no deeper than the skin is not ground."""
    document = json.loads(plan.read_text(encoding="utf-8"))
    found, text = marked(plan)
    words = re.sub(r"<[^>]+>", "", text)
    size = " × ".join(f"{mm:.2f}" for mm in found["stones"][0]["size_mm"])
    assert f"To be cut: {found['stones'][0]['carats']:.2f} ct, {size} mm, from the design 'Round" in words  # fmt: skip
    assert f"The rough: 10.15 ct by the balance, {found['rough']['carats']:.2f} by its volume." in words  # fmt: skip
    assert "Grind a face square to the table's normal" in words
    assert "One to be cut away is never in it" in words
    # the table moved up along its normal until it lies at the skin
    stone = document["plan"]["plans"][0]
    up = np.array(stone["turn"])[:, 2]
    for off, polished in ((0.001, True), (-0.01, False)):
        below = found["stones"][0]["planes"][0]["below_mm"] - found["rough"]["skin_mm"]
        stone["shift_mm"] = (np.array(STONES[0][3]) + (below + off) * up).tolist()
        plan.with_name("moved.json").write_text(json.dumps(document), encoding="utf-8")
        _, text = marked(plan.with_name("moved.json"))
        assert ("Only polish this side, do not grind it" in text) is polished
        assert ("Stop <data" in text) is not polished


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--number", "3"], "--number: {plan} holds 2 plans; give 1 to 2"),
        (["--number", "1", "--pieces"], "--number and --pieces: give one of them"),
        (
            ["--out", "page.pdf"],
            "page.pdf: the sheet is written as HTML; let its name end in .html",
        ),
    ],
)
def test_mistakes(plan, words, complaint):
    before = sorted(p.name for p in plan.parent.iterdir())
    done = run("mark", plan, *words)
    assert done.exit_code == 2
    assert complaint.format(plan=plan) in " ".join(done.output.split())
    assert sorted(p.name for p in plan.parent.iterdir()) == before


def test_other_files_and_changed_ones(plan):
    text = plan.read_text(encoding="utf-8")
    for change, complaint in (
        (lambda d: d["plan"].update(sawn=None), "--pieces: "),
        (lambda d: d["plan"]["rough"].update(carats=9.0), "was made from another state of"),
        (lambda d: d["plan"]["sawn"]["cuts"][0].update(normal=[0, 1]), "is incomplete, or of another version"),
        (lambda d: d["plan"]["sawn"]["cuts"][0].update(normal=[0, 0, 0]), "is incomplete, or of another version"),
        (lambda d: d["plan"]["sawn"]["cuts"][0].update(of={"cut": 0, "side": 1}), "is incomplete, or of another version"),
        (lambda d: d["plan"]["sawn"]["cuts"][0].update(offset_mm=50.0), "is incomplete, or of another version"),
        (lambda d: d["plan"]["sawn"]["stones"][0]["sides"][0].update(cut=1), "is incomplete, or of another version"),
        (lambda d: d.update(lot=d.pop("plan")), "is a result of facetrace lot; name what"),
    ):  # fmt: skip
        document = json.loads(text)
        change(document)
        plan.write_text(json.dumps(document), encoding="utf-8")
        done = run("mark", plan, "--pieces")
        assert done.exit_code == 2
        assert complaint in " ".join(done.output.split())
        assert "Traceback" not in done.output
    assert not list(plan.parent.glob("*.html"))


def test_the_sheet_says_the_order_of_the_cuts(plan):
    """Both cuts are drawn, the second on its own piece alone, and each stone's piece is named by its sides."""
    document = json.loads(plan.read_text(encoding="utf-8"))
    document["plan"]["sawn"] = sawn(3)
    plan.write_text(json.dumps(document), encoding="utf-8")
    found, text = marked(plan, "--pieces")
    words = re.sub(r"<[^>]+>", "", text)
    first, second, stone = (words.index(w) for w in ("Saw cut 1: divide the rough, through the crack", "Saw cut 2: divide the piece", "Stone A:"))  # fmt: skip
    assert first < second < stone
    up = found["cuts"][0]["up"]
    # the second divides what lies against the first's normal
    other = {"+": "\N{MINUS SIGN}", "-": "+"}[up[0]] + up[1]
    assert f"divide the piece towards {other} of cut 1" in words
    assert f"Stone A: it lies in piece A, towards {other} of cut 1, towards" in words
    assert "below the outermost point of piece A over it" in words
    assert text.count(">S1<") >= 4
    assert text.count(">S2<") >= 3
