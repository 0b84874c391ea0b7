"""Views in three dimensions: sizes, directions and names by geometry, and what is said where nothing can be drawn.

All designs and roughs are invented. VTK draws in a process of its own; where there is no OpenGL for it,
these tests skip what only it can draw.
"""

import io
import json
import math
import pickle
import subprocess
import sys

import numpy as np
import pytest
import trimesh
from PIL import Image
from scipy.spatial import ConvexHull
from shared import ROOT
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.cli.loading import load_stone
from facetrace.cli.view import kind_of, scene_in
from facetrace.report import scene3d_picture, scene3d_vtk
from facetrace.report.scene3d import VIEWS, Scene3D, facet_labels, stone_scene
from facetrace.solid.export import mesh_of

DESIGNS, ROUGHS = ROOT / "designs", ROOT / "designs" / "roughs"
# an outline is drawn a pixel wide, half of it outside: less than 1 % of so many pixels
PIXELS = 1200
PLAIN = (None, False)


def stone(name):
    file, solid = load_stone(DESIGNS / f"{name}.toml")
    return file.design, solid, stone_scene(file.design, solid, ["Invented."])


def run(*words, **environ):
    return CliRunner().invoke(app, ["view", *map(str, words)], env={"DISPLAY": "", "WAYLAND_DISPLAY": "", **environ})  # fmt: skip


@pytest.fixture(scope="module")
def vtk():
    """Skips where VTK finds no OpenGL."""
    shown = stone("round-brilliant")[2]
    if scene3d_vtk.vtk_pictures(scene3d_vtk.PictureTask(shown, (VIEWS["above"],), 5.0, 64)) is None:
        pytest.skip("no OpenGL here")


# ---- sizes ------------------------------------------------------------------------------------


def projected(solid, frame):
    """mm^2 that a convex stone covers: the hull of its corners, seen along the frame (scipy)."""
    return ConvexHull(mesh_of(solid).convex_hull.vertices @ frame[:, :2]).volume


def covered(image, step):
    """mm^2 of what is not paper, with pixels *step* mm wide."""
    return (image.astype(int).min(axis=2) < 250).sum() * step**2


@pytest.mark.parametrize("name", ["round-brilliant", "rectangle-step"])
def test_silhouettes_have_the_stones_area(vtk, name):
    """Within 1 % of the projected area, from all five sides (closed form of a polygon)."""
    _, solid, shown = stone(name)
    reach = shown.reach(VIEWS.values())
    images = scene3d_vtk.vtk_pictures(
        scene3d_vtk.PictureTask(shown, tuple(VIEWS.values()), reach, PIXELS)
    )
    for image, frame in zip(images, VIEWS.values(), strict=True):
        assert covered(image, 2 * reach / PIXELS) == pytest.approx(
            projected(solid, frame), rel=0.01
        )


def test_a_heart_keeps_its_cleft(vtk):
    """From above it covers what its facets that face up do, less than its hull by the cleft."""
    _, solid, shown = stone("heart-brilliant")
    reach = shown.reach(VIEWS.values())
    image = scene3d_vtk.vtk_pictures(
        scene3d_vtk.PictureTask(shown, (VIEWS["above"],), reach, PIXELS)
    )[0]
    assert covered(image, 2 * reach / PIXELS) == pytest.approx(solid.face_mm2, rel=0.01)
    assert solid.face_mm2 < 0.97 * projected(solid, VIEWS["above"])


@pytest.mark.parametrize("by_vtk", [True, False])
def test_the_sheet_is_drawn_to_scale(vtk, by_vtk):
    """Both ways of drawing, on the picture itself: pixels between the view's name and the bar, 1 %."""
    _, solid, shown = stone("rectangle-step")
    bare = Scene3D("", (), shown.parts, ())
    made = scene3d_picture.scene_picture(bare, "above", (900, None), vtk=by_vtk)
    assert made.by_vtk == by_vtk
    image = np.asarray(Image.open(io.BytesIO(made.png)).convert("RGB"))
    reach = bare.reach([VIEWS["above"]])
    step = 2 * reach / 900
    low, high = scene3d_picture.strip(bare, VIEWS["above"], reach)
    assert low > -0.9 * reach
    own = image[
        scene3d_picture.HEAD_PX + 30 : scene3d_picture.HEAD_PX + round((high - low) / step) - 60
    ]
    assert covered(own, step) == pytest.approx(projected(solid, VIEWS["above"]), rel=0.01)


def test_a_single_view_is_as_high_as_what_it_shows():
    """The stone and its marks are inside; from the side, where it is flatter than wide, a quarter of the square or more is saved."""
    _, _, shown = stone("round-brilliant")
    for name, most in (("above", 1.0), ("side", 0.75), ("end", 0.9)):
        reach = shown.reach([VIEWS[name]])
        low, high = scene3d_picture.strip(shown, VIEWS[name], reach)
        y = (shown.points - shown.middle) @ VIEWS[name][:, 1]
        assert -reach <= low < y.min() < y.max() < high <= reach
        assert (high - low) / (2 * reach) <= most


# ---- directions and names ---------------------------------------------------------------------


def test_c_is_a_line_along_the_designs_axis():
    """Spherical coordinates: c = (sin t cos a, sin t sin a, cos t), through the stone and out of it."""
    design, solid, _ = stone("round-brilliant")
    tilted = design.model_copy(update={"axis": design.axis.model_copy(update={"tilt": 30.0, "azimuth": 50.0})})  # fmt: skip
    mark = next(m for m in stone_scene(tilted, solid, []).marks if m.axis)
    along = (mark.end - mark.start) / np.linalg.norm(mark.end - mark.start)
    t, a = math.radians(30), math.radians(50)
    assert along == pytest.approx(
        [math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)]
    )
    for end, way in ((mark.end, along), (mark.start, -along)):
        assert (solid.vertices @ way).max() < end @ way


def test_a_view_is_a_right_handed_frame():
    for frame in VIEWS.values():
        assert frame.T @ frame == pytest.approx(np.eye(3))
        assert np.linalg.det(frame) == pytest.approx(1)
    assert VIEWS["above"][:, 2] == pytest.approx([0, 0, 1])
    assert VIEWS["side"][:, 1] == pytest.approx([0, 0, 1])
    assert VIEWS["side"][:, 0] == pytest.approx([1, 0, 0])


@pytest.mark.parametrize("name", ["round-brilliant", "heart-brilliant"])
def test_a_facets_label_has_its_angle_and_index(name):
    """From the normals of the solid: angle from the girdle plane, azimuth over the gear."""
    design, solid, _ = stone(name)
    labels = facet_labels(design)
    for own, normal in zip(solid.names, solid.normals, strict=True):
        angle = math.degrees(math.acos(min(1.0, abs(normal[2]))))
        words = labels[own]
        assert f", {angle:.2f} deg" in words
        if "index" in words:
            index = float(words.split("index ")[1].split(" of ")[0])
            towards = math.degrees(math.atan2(normal[1], normal[0]))
            assert (towards - 360 * index / design.gear + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)  # fmt: skip


PICKS = """
import pickle, sys
from facetrace.report import scene3d_vtk
from facetrace.report.scene3d import VIEWS
shown, places = pickle.load(open(sys.argv[1], "rb"))
made = scene3d_vtk.window_plot(shown, (400, 400), "above", off_screen=True)
made.plotter.screenshot(None, return_img=True)
reach = shown.reach(VIEWS.values())
found = {}
for view, frame in VIEWS.items():
    scene3d_vtk.aim_camera(made.plotter, shown.middle, frame, reach)
    made.plotter.render()
    told = [scene3d_vtk.facet_at(made, at) for at in places]
    found[view] = [t[1] if t else None for t in told]
names = sorted(k for k in made.plotter.actors if k.startswith(("mark", "stone", "rough", "defect", "hint", "title")))
pickle.dump((reach, found, names), open(sys.argv[2], "wb"))
"""


def in_the_window(shown, places, folder):
    """What the window that is made, but not shown, tells of places in pixels; in a process of its own."""
    (folder / "in").write_bytes(pickle.dumps((shown, places)))
    done = subprocess.run(
        [sys.executable, "-c", PICKS, str(folder / "in"), str(folder / "out")], check=False, capture_output=True
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-800:]
    return pickle.loads((folder / "out").read_bytes())


def entered(solid, start, along):
    """The facet through which a ray enters a convex solid: of the planes that face it the last that it passes."""
    slope, room = solid.normals @ along, solid.offsets - solid.normals @ start
    with np.errstate(divide="ignore"):
        way = room / slope
    first, last = way[slope < 0].max(), way[slope > 0].min()
    beside = (room[slope == 0] < 0).any()
    return None if beside or first > last else solid.names[int(np.flatnonzero(way == first)[0])]


def test_the_pointer_tells_the_facet_that_a_ray_meets(vtk, tmp_path):
    """By the planes of the convex stone; places nearer to an edge than a pixel may go either way and are left out."""
    design, solid, shown = stone("round-brilliant")
    places = [(x + 0.0, y + 0.0) for x in range(40, 400, 40) for y in range(40, 400, 40)]
    reach, found, names = in_the_window(shown, places, tmp_path)
    assert {"stone 0", "mark c-axis", "mark table", "mark culet", "mark index 0", "hint", "title"} <= set(names)  # fmt: skip
    labels = facet_labels(design)
    checked = 0
    for view, frame in VIEWS.items():
        for at, told in zip(places, found[view], strict=True):
            met = set()
            for off in ((0, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
                # the middle of a pixel
                x, y = (np.array(at) + 0.5 + off - 200) * reach / 200
                start = shown.middle + frame @ np.array([x, y, 50.0])
                name = entered(solid, start, -frame[:, 2])
                met.add(name and labels[name])
            if len(met) == 1:
                assert told == met.pop()
                checked += 1
    assert checked > 200


# ---- files ------------------------------------------------------------------------------------


def test_a_file_is_known_by_what_is_in_it(tmp_path):
    for source, kind in ((DESIGNS / "round-brilliant.toml", "design"), (ROUGHS / "blue-plate.toml", "rough")):  # fmt: skip
        other = tmp_path / f"{kind}.txt"
        other.write_text(source.read_text())
        assert kind_of(other) == kind
    assert kind_of(DESIGNS / "round-by-hand.toml") == "design"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ((DESIGNS / "zones" / "pale-core.toml",), "is a zone file"),
        ((DESIGNS / "prices" / "invented.toml",), "is a price file"),
        ((DESIGNS / "cut" / "ruby-above-a-carat.toml",), "is a cut stone's file"),
        ((ROUGHS / "cracked-pebble.stl",), "name the rough file"),
        ((DESIGNS / "none.toml",), "no such file"),
        ((DESIGNS / "round-brilliant.toml", "--number", 1), "go with a plan"),
        ((ROUGHS / "blue-plate.toml", "--zone", DESIGNS / "zones" / "pale-core.toml"), "goes with a design"),
        ((DESIGNS / "round-brilliant.toml", "--size", "12"), "from 400 to 6000 pixels"),
        ((DESIGNS / "round-brilliant.toml", "--picture", "a.jpg"), "end in .png"),
        ((ROUGHS / "blue-plate.toml", "--plan", DESIGNS / "round-brilliant.toml"), "name what `facetrace plan --json`"),
    ],
)  # fmt: skip
def test_what_cannot_be_shown_is_told_in_a_line(words, line):
    done = run(*words)
    assert done.exit_code == 2
    assert line in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('{"schema": "facetrace-result/1", "solid": {}}', "holds none of"),
        ('{"schema": "facetrace-result/9", "plan": {}}', "schema is not facetrace-result/1"),
        ('{"schema": "facetrace-result/1", "plan": {}}', "is incomplete"),
        ('{"plan": ', "is not JSON"),
        ("name = 3", "is of no known kind"),
        ("name = ", "not valid TOML"),
    ],
)
def test_a_file_of_nothing_known(tmp_path, text, line):
    path = tmp_path / "thing"
    path.write_text(text)
    done = run(path)
    assert done.exit_code == 2
    assert line in done.stderr
    assert list(tmp_path.iterdir()) == [path]


# ---- a plan -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A plan of an invented rough, a rough search of few cells; its files are copies."""
    folder = tmp_path_factory.mktemp("plan")
    for source in (ROUGHS / "blue-plate.toml", DESIGNS / "oval-brilliant.toml"):
        (folder / source.name).write_text(source.read_text())
    words = ["plan", folder / "blue-plate.toml", folder / "oval-brilliant.toml", "--most-cells", 0, "--rays", 256]  # fmt: skip
    words += ["--workers", 1, "--no-losses", "--no-directions", "--no-picture", "--csv", folder / "p.csv", "--json", folder / "plan.json"]  # fmt: skip
    done = CliRunner().invoke(app, list(map(str, words)))
    assert done.exit_code == 0, done.output
    return folder


@pytest.mark.slow
def test_a_plans_stone_lies_inside_its_rough(planned):
    """In the crystal frame at shift + scale turn r, so inside the rough's hull; c by the turn's last row."""
    shown, sources = scene_in(planned / "plan.json", None, None, *PLAIN)
    member = json.loads((planned / "plan.json").read_text())["plan"]
    row = member["plans"][member["best"]]
    rough, gem = shown.parts[:2]
    assert [p.role for p in shown.parts] == ["rough", "stone", "defect"]
    hull = ConvexHull(rough.points)
    assert (gem.points @ hull.equations[:, :3].T + hull.equations[:, 3]).max() < 1e-6
    # a general-purpose library weighs the stone that is shown; 3.99 g/cm3 and 0.2 g a carat
    mm3 = trimesh.convex.convex_hull(gem.points).volume
    assert mm3 * 3.99 * 0.005 == pytest.approx(row["carats"], rel=5e-3)
    mark = next(m for m in shown.marks if m.axis)
    along = (mark.end - mark.start) / np.linalg.norm(mark.end - mark.start)
    assert along == pytest.approx(row["turn"][2])
    assert {p.name for p in sources} == {"plan.json", "blue-plate.toml", "oval-brilliant.toml"}


@pytest.mark.slow
def test_a_plan_is_shown_from_its_own_files_only(planned, tmp_path):
    """A picture; another state of the design, or none of it, is refused in a line."""
    done = run(planned / "plan.json", "--picture", tmp_path / "a.png", "--size", 600)
    assert done.exit_code == 0, done.stderr
    assert Image.open(tmp_path / "a.png").size[0] == 600
    assert "holds" in run(planned / "plan.json", "--number", 9).stderr
    design = planned / "oval-brilliant.toml"
    own = design.read_text()
    try:
        design.write_text((DESIGNS / "round-brilliant.toml").read_text())
        done = run(planned / "plan.json")
        assert done.exit_code == 2
        assert "another state" in done.stderr
        design.unlink()
        done = run(planned / "plan.json")
        assert done.exit_code == 2
        assert "neither here nor beside it" in done.stderr
    finally:
        design.write_text(own)


@pytest.mark.slow
def test_all_stones_of_several_pieces_are_shown(planned):
    """Each where its own turn and shift put it; where they are the plan to go by, without a word too."""
    whole = json.loads((planned / "plan.json").read_text())
    member = whole["plan"]
    row = member["plans"][member["best"]]
    shifts = [np.add(row["shift_mm"], [0, 0, dz]) for dz in (0.0, 1.5, -1.5)]
    stones = [row | {"kind": "sawn", "shift_mm": list(at), "sides": []} for at in shifts]
    path = planned / "pieces.json"
    for first, choice in ((True, PLAIN), (False, (None, True)), (True, (1, False))):
        sawn = {"cuts": [], "stones": stones, "carats": 1.0, "first": first}
        path.write_text(json.dumps(whole | {"plan": member | {"sawn": sawn}}))
        shown, _ = scene_in(path, None, None, *choice)
        gems = [p for p in shown.parts if p.role == "stone"]
        assert len(gems) == (1 if choice[0] else 3)
        for gem, at in zip(gems, shifts, strict=False):
            # in the frame of the first stone
            moved = gems[0].points + (at - shifts[0]) @ np.array(row["turn"])
            np.testing.assert_allclose(gem.points, moved, atol=1e-9)
    done = run(planned / "plan.json", "--pieces")
    assert done.exit_code == 2
    assert "holds no stones of several pieces" in done.stderr


# ---- with a screen and without ----------------------------------------------------------------


def test_without_a_screen_there_is_a_picture(tmp_path):
    """Beside the file, said on stderr; the same bytes again; facts in the PNG."""
    design = tmp_path / "rectangle.toml"
    design.write_text((DESIGNS / "rectangle-step.toml").read_text())
    pictures = []
    for _ in range(2):
        done = run(design, "--size", 700)
        assert done.exit_code == 0
        assert "no screen here" in done.stderr
        assert done.stdout == ""
        pictures.append((tmp_path / "rectangle-view.png").read_bytes())
    assert pictures[0] == pictures[1]
    assert Image.open(io.BytesIO(pictures[0])).text["Software"] == "facetrace"


@pytest.mark.parametrize(("status", "made"), [(0, False), (3, True), (-11, True)])
def test_with_a_screen_there_is_a_window(monkeypatch, tmp_path, status, made):
    """Or a picture, where the window's process ends early: by a signal (a segmentation fault), or without a window."""
    asked = []

    def ran(task, folder, what, environ, patience):
        asked.append(task)
        return status

    monkeypatch.setattr(scene3d_vtk, "_run", ran)
    design = tmp_path / "round.toml"
    design.write_text((DESIGNS / "round-brilliant.toml").read_text())
    done = run(design, DISPLAY=":1")
    assert done.exit_code == 0
    assert asked == (["window", "pictures"] if made else ["window"])
    assert (tmp_path / "round-view.png").exists() == made
    if made:
        assert "no window could be opened" in done.stderr
        assert "drawn plainly" in done.stderr


def test_where_there_is_a_screen():
    assert not scene3d_vtk.has_screen({}, "linux")
    assert not scene3d_vtk.has_screen({"DISPLAY": ""}, "linux")
    assert scene3d_vtk.has_screen({"DISPLAY": ":0"}, "linux")
    assert scene3d_vtk.has_screen({"WAYLAND_DISPLAY": "wayland-0"}, "linux")
    assert scene3d_vtk.has_screen({}, "win32")
    assert scene3d_vtk.has_screen({}, "darwin")


@pytest.mark.parametrize("name", ["blue-plate", "crystal-barrel", "cracked-pebble"])
def test_a_roughs_defects_are_named_by_kind(name):
    """Every defect of the file is in the legend, and its bodies lie in the rough."""
    shown, _ = scene_in(ROUGHS / f"{name}.toml", None, None, *PLAIN)
    rough = ConvexHull(shown.parts[0].points)
    for part in shown.parts[1:]:
        assert (part.points @ rough.equations[:, :3].T + rough.equations[:, 3]).max() < 1e-6
    assert {number for _, number in shown.legend} == {p.number for p in shown.parts[1:]}
    expected = {
        "blue-plate": ["zone: blue flank"],
        "crystal-barrel": ["crystal", "silk: silky corner", "pit"],
        "cracked-pebble": ["crack"],
    }
    assert [words for words, _ in shown.legend] == expected[name]


def test_help_does_not_wait_for_vtk():
    code = "import sys, facetrace.cli.commands, facetrace.cli.view; print([m for m in sys.modules if m.startswith(('vtk', 'pyvista', 'matplotlib'))])"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"
