"""The marking sheet: every number worked out again from the plan's JSON and the meshes, by other code; the page; mistakes."""

import json
import math
import re
import shutil

import jsonschema
import numpy as np
import pytest
import trimesh
from conftest import ROOT
from test_cli import SCHEMA, run

from facetrace.design.model import read_design
from facetrace.report.html import document_in, loose_numbers, wrong_figures
from facetrace.report.six_views import SIDES, Plane, Scene, chained, side_axes, skin_line
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes

HOSTILE = "Piece <script>alert(\"x\")</script> & 'one'"
C = np.array([0.3, -0.2, 0.93])
DENSITY = 3.99
# where the stones lie in the crystal frame, invented: size, turn (columns: the stone's x, y, z), shift
TURNS = [
    trimesh.transformations.euler_matrix(0.4, -0.3, 1.1)[:3, :3],
    trimesh.transformations.euler_matrix(2.6, 0.2, -0.5)[:3, :3],
]
STONES = [("round-brilliant", 0.6, TURNS[0], [-2.0, 0.4, 0.3]), ("oval-brilliant", 0.4, TURNS[1], [2.4, -0.3, 0.1])]  # fmt: skip
SAW = ([0.96, 0.05, math.sqrt(1 - 0.96**2 - 0.05**2)], 1.1)


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


@pytest.fixture
def plan(tmp_path):
    """A plan's JSON with its files beside it: two single stones, and the same two as a sawn pair."""
    folder = ROOT / "designs" / "roughs"
    text = (folder / "cracked-pebble.toml").read_text(encoding="utf-8")
    text = text.replace('"Cracked pebble"', json.dumps(HOSTILE))
    (tmp_path / "piece.toml").write_text(text, encoding="utf-8")
    shutil.copy(folder / "cracked-pebble.stl", tmp_path)
    for name, *_ in STONES:
        shutil.copy(ROOT / "designs" / f"{name}.toml", tmp_path)
    rough = trimesh.load(folder / "cracked-pebble.stl")
    rows = [row(*s) for s in STONES]
    document = {
        "schema": "facetrace-result/1", "program": {"name": "facetrace", "version": "0"}, "notes": [],
        "plan": {
            "rough": {"name": HOSTILE, "file": "piece.toml", "carats": rough.volume * DENSITY / 200},
            "designs": {name: f"{name}.toml" for name, *_ in STONES}, "plans": rows, "best": 0,
            "sawn": {"normal": SAW[0], "offset_mm": SAW[1], "stones": rows},
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


@pytest.mark.parametrize("words", [(), ("--number", "2"), ("--pair",)], ids=" ".join)
def test_every_number_is_that_of_the_meshes(plan, words):
    """From STL files (single precision: 1e-5 mm) and the plan's turn, shift and scale; facets by trimesh."""
    found, text = marked(plan, *words)
    rough = trimesh.load(plan.with_name("cracked-pebble.stl"))
    corners = np.asarray(rough.vertices)
    low, high = corners.min(axis=0), corners.max(axis=0)
    np.testing.assert_allclose(found["rough"]["low_mm"], low, atol=1e-5)
    np.testing.assert_allclose(found["rough"]["high_mm"], high, atol=1e-5)
    np.testing.assert_allclose(found["rough"]["size_mm"], high - low, atol=1e-5)
    assert found["rough"]["carats"] == pytest.approx(rough.volume * DENSITY / 200, rel=1e-6)
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
    wanted = {(): STONES[:1], ("--number", "2"): STONES[1:], ("--pair",): STONES}[words]
    for part, (name, scale, turn, shift) in zip(found["stones"], wanted, strict=True):
        own = mesh_of(name)
        stone = trimesh.Trimesh((np.asarray(shift) + scale * own.vertices @ turn.T) @ back.T, own.faces, process=False)  # fmt: skip
        normal, along = back @ turn[:, 2], back @ turn[:, 0]
        piece = corners
        if words == ("--pair",):
            # the stone's own side, half the kerf of 0.4 mm away from the plane: each edge cut there
            across = back @ SAW[0]
            across = across * np.sign(back @ shift @ across - SAW[1])
            at = (SAW[1] * back @ SAW[0]) + 0.2 * across
            kept = [p for p in corners if (p - at) @ across >= 0]
            for i, j in rough.edges_unique:
                one, two = (corners[i] - at) @ across, (corners[j] - at) @ across
                if one * two < 0:
                    kept.append((two * corners[i] - one * corners[j]) / (two - one))
            piece = np.array(kept)
            assert 0.1 < len(piece) / len(corners) < 0.9
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
    if words == ("--pair",):
        normal = back @ SAW[0]
        check_plane(found["saw"], normal, SAW[1] * normal, corners)
        reach = corners @ normal
        np.testing.assert_allclose(found["saw"]["ends_mm"], [reach.max() - SAW[1], SAW[1] - reach.min()], atol=1e-5)  # fmt: skip
        assert found["saw"]["kerf_mm"] == 0.4
    else:
        assert found["saw"] is None
    # and the page shows these numbers, no others
    assert document_in(text)["mark"] == found
    assert wrong_figures(text) == []
    assert loose_numbers(text) == []


def test_the_page_holds_nothing_foreign(plan):
    found, text = marked(plan, "--pair")
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
    kept, _, ends = skin_line(scene, Plane("table", normal, 0.2, (np.array([1.0, 0, 0]), 0.0)))
    assert 0 < len(kept) < len(segments)
    (line,) = chained(kept, ends)
    assert np.linalg.norm(line[0] - line[-1]) > 1


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["--number", "3"], "--number: {plan} holds 2 plans; give 1 to 2"),
        (["--number", "1", "--pair"], "--number and --pair: give one of them"),
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
        (lambda d: d["plan"].update(sawn=None), "--pair: "),
        (lambda d: d["plan"]["rough"].update(carats=9.0), "was made from another state of"),
        (lambda d: d["plan"]["sawn"].update(normal=[0, 1]), "is incomplete, or of another version"),
        (lambda d: d["plan"]["sawn"].update(normal=[0, 0, 0]), "is incomplete, or of another version"),
        (lambda d: d.update(lot=d.pop("plan")), "is a result of facetrace lot; name what"),
    ):  # fmt: skip
        document = json.loads(text)
        change(document)
        plan.write_text(json.dumps(document), encoding="utf-8")
        done = run("mark", plan, "--pair")
        assert done.exit_code == 2
        assert complaint in " ".join(done.output.split())
        assert "Traceback" not in done.output
    assert not list(plan.parent.glob("*.html"))
