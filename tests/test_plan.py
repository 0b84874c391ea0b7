"""Plans for roughs: closed forms, laws, an outside judge of what lies in what, the commands.

trimesh (a general-purpose mesh library) tells how far points are off a mesh, the solid angles of its
triangles (van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30, 125, 1983) on which side.
All roughs, designs and prices are invented.
"""

import csv
import json
import math

import jsonschema
import numpy as np
import pytest
import trimesh
from conftest import ROOT
from scipy.spatial import ConvexHull, Delaunay
from test_cli import SCHEMA, run

from facetrace.design.model import read_design
from facetrace.optics.lights import find_light
from facetrace.optics.rough import read_rough, rough_of
from facetrace.solid.export import placed
from facetrace.solid.measure import GRAMS_PER_CARAT
from facetrace.solid.obstacles import coarser, fitted, hollow_bodies
from facetrace.solid.place import WHOLE, Facing, Obstacle, Space, stone_of
from facetrace.studies import orient
from facetrace.studies.angles import range_of
from facetrace.studies.plan import (
    HEAVIEST,
    HIDDEN,
    Outline,
    Setting,
    Task,
    copy_of,
    cut_of,
    estimate,
    gap_of,
    losses,
    made,
    placing,
    room_of,
    sweep,
    table_to_c,
)
from facetrace.studies.saw import sawn

DESIGNS = ROOT / "designs"
ROUGHS = DESIGNS / "roughs"
ROUND, OVAL = DESIGNS / "round-brilliant.toml", DESIGNS / "oval-brilliant.toml"
PRICES = DESIGNS / "prices" / "invented.toml"
QUICK = {"most_cells": 300, "rays": 1 << 12, "samples": 2, "pixel_mm": 0.3}


def setting(low=0.0, high=15.0, **changes):
    facing = Facing(within_deg=high, least_deg=low, both=True)
    return Setting(facing, find_light("hemisphere", None), **(QUICK | changes))


def box_rough(folder, size, more="", skin=0.0, scan=0.0, name="box"):
    corners = [[x * a / 2, y * b / 2, z * c / 2] for a, b, c in [size] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]  # fmt: skip
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{name}"\nmaterial = "ruby"\n[shape]\npoints_mm = {corners}\nc_axis = [0, 0, 1]\n'
        f"[loss]\nscan_mm = {scan}\nskin_mm = {skin}\nkerf_mm = 0.4\n{more}"
    )
    return path


def crack_across(half, at=0.0):
    corners = [[-half, -half, at], [half, -half, at], [half, half, at], [-half, half, at]]
    return f'[[defect]]\nname = "crack"\nkind = "crack"\nmargin_mm = 0.1\npolygon_mm = {corners}\n'


def room_at(path):
    return room_of(rough_of(read_rough(path)))


def task(room, design=ROUND, *ranges):
    model = read_design(design).design
    return Task(room, design.stem, Outline(model, tuple(range_of(model, *r) for r in ranges)))


def plans(room, wanted, *designs):
    return list(sweep([task(room, d) for d in designs], wanted, {}, 1))


def stone_mesh(row, design=ROUND):
    """The stone in the crystal frame."""
    outline = Outline(read_design(design).design)
    solid = outline.solid(row["changed"])
    cut = cut_of(solid, copy_of(row, solid))
    return placed(cut.solid, cut.turn, cut.shift)


def off(mesh, points):
    """How far points lie outside a mesh, mm; inside they are negative (the surface winds round them)."""
    found = []
    for part in np.array_split(np.asarray(points), max(1, len(points) // 500)):
        _, gap, _ = trimesh.proximity.closest_point_naive(mesh, part)
        a, b, c = (mesh.triangles[None, :, k] - part[:, None] for k in range(3))
        la, lb, lc = (np.linalg.norm(x, axis=2) for x in (a, b, c))
        det = np.einsum("nij,nij->ni", a, np.cross(b, c))
        dots = [(p * q).sum(axis=2) for p, q in ((a, b), (b, c), (c, a))]
        angle = 2 * np.arctan2(det, la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb)
        found.append(np.where(angle.sum(axis=1) > 2 * math.pi, -gap, gap))
    return np.concatenate(found)


# ---- closed forms and laws ----------------------------------------------------------------------


def test_a_round_in_a_tall_square_box_is_as_wide_as_the_box(tmp_path):
    """Table along c: the girdle's polygon, turned so that it measures least both ways, fills 6 mm less two skins."""
    room = room_at(box_rough(tmp_path, (6, 6, 20), skin=0.15))
    (row,) = plans(room, setting(0, 0), ROUND)
    girdle = Outline(read_design(ROUND).design).solid("").vertices[:, :2]
    turns = np.radians(np.arange(0, 90, 0.01))
    across = np.ptp(girdle @ np.array([np.cos(turns), np.sin(turns)]), axis=0)
    along = np.ptp(girdle @ np.array([-np.sin(turns), np.cos(turns)]), axis=0)
    scale = (6 - 0.3) / np.maximum(across, along).min()
    assert row["scale"] == pytest.approx(scale, rel=0.005 / 3)
    assert row["scale"] <= scale * (1 + 1e-6)
    assert table_to_c(row) == pytest.approx(0, abs=1e-6)
    solid = Outline(read_design(ROUND).design).solid("")
    carats = solid.volume * row["scale"] ** 3 * 3.99e-3 / GRAMS_PER_CARAT
    assert row["carats"] == pytest.approx(carats)


def test_a_scan_error_in_a_box_moves_each_wall_by_itself(tmp_path):
    """Low and high by the closed form of the box: widths 6 - 2 (0.15 +- 0.05), weights as their cubes."""
    room = room_at(box_rough(tmp_path, (6, 6, 20), skin=0.15, scan=0.05))
    (row,) = plans(room, setting(0, 0), ROUND)
    assert row["low_carats"] / row["carats"] == pytest.approx((5.6 / 5.7) ** 3, rel=1e-5)
    assert row["high_carats"] / row["carats"] == pytest.approx((5.8 / 5.7) ** 3, rel=1e-5)


def test_what_a_crack_costs_is_the_difference_of_two_searches(tmp_path):
    cracked = room_at(box_rough(tmp_path, (7, 7, 7), crack_across(3.5), name="cracked"))
    whole = room_at(box_rough(tmp_path, (7, 7, 7), name="whole"))
    half = room_at(box_rough(tmp_path, (7, 7, 3.4), name="half"))
    wanted = setting(0, 5, most_cells=3000)
    mine = task(cracked)
    (row,) = sweep([mine], wanted, {}, 1)
    (other,), (less,) = (plans(r, wanted, ROUND) for r in (whole, half))
    # a crack right across leaves the half of the box, less its margin
    assert row["carats"] == pytest.approx(less["carats"], rel=0.01)
    (loss,) = losses(mine, wanted, row, 1)
    assert loss.names == ("crack",)
    assert loss.carats == pytest.approx(other["carats"] - row["carats"], rel=0.02)
    assert loss.carats <= loss.most_carats + 1e-9
    assert row["carats"] <= row["most_carats"]
    assert gap_of(other) <= 0.005 + 1e-9


def test_a_number_that_may_flex_gives_the_variation_that_fits(tmp_path):
    """A long box wants a long oval: of the lengths allowed, the one whose shape is the box's."""
    room = room_at(box_rough(tmp_path, (12, 6, 30)))
    name = "outline.length_mm"
    own = read_design(OVAL).design.outline
    longer = (name, own.width_mm * 1.5, own.width_mm * 2.5, own.width_mm * 0.5)
    (row,) = sweep([task(room, OVAL, longer)], setting(0, 0), {}, 1)
    (plain,) = plans(room, setting(0, 0), OVAL)
    assert row["carats"] > plain["carats"]
    assert row["changed"] == f"{name}={own.width_mm * 2.0!r}"
    assert row["length_mm"] / row["width_mm"] == pytest.approx(2.0, rel=1e-6)


# ---- bodies that are kept off -------------------------------------------------------------------


def _sides(corners):
    hull = ConvexHull(corners)
    return corners[hull.simplices]


def test_a_box_shaped_hollow_is_one_body_and_nothing_more(rng):
    corners = np.array([[x, y, z] for x in (0, 2) for y in (0, 1) for z in (0, 3.0)])
    walls = [t for t in _sides(corners) if not (t[:, 2] == 3).all()]
    found = hollow_bodies(np.array(walls), 0.01)
    assert len(found.bodies) == 1
    assert found.excess_mm == pytest.approx(0, abs=1e-9)
    assert ConvexHull(found.bodies[0]).volume == pytest.approx(6)


def test_a_bent_hollow_is_parted_until_little_more_is_kept_off():
    """Two slots that meet at right angles: their hull takes 45 degrees of stone; parted it does not."""
    first = np.array([[x, y, z] for x in (0, 4) for y in (0, 1) for z in (0, 1.0)])
    second = np.array([[x, y, z] for x in (0, 1) for y in (0, 4) for z in (0, 1.0)])
    walls = np.vstack([_sides(first), _sides(second)])
    whole, parted = hollow_bodies(walls, 0.01, 1), hollow_bodies(walls, 0.01, 24)
    assert whole.excess_mm > 0.5
    assert parted.excess_mm <= 0.01
    hulls = [Delaunay(b) for b in parted.bodies if np.linalg.matrix_rank(b - b[0], 1e-9) == 3]
    flat = [b for b in parted.bodies if np.linalg.matrix_rank(b - b[0], 1e-9) < 3]
    for triangle in walls:
        middle = triangle.mean(axis=0)
        inside = any(h.find_simplex(middle, tol=1e-9) >= 0 for h in hulls)
        assert inside or any((np.abs(b[:, None] - triangle[None]).sum(axis=2) < 1e-9).any(axis=0).all() for b in flat)  # fmt: skip


def test_a_round_body_of_fewer_corners_holds_the_whole_of_it():
    ball = trimesh.creation.icosphere(subdivisions=3).vertices * [2, 1, 0.5]
    fewer = coarser(np.asarray(ball))
    assert len(fewer) <= 80
    equations = ConvexHull(fewer).equations
    assert (ball @ equations[:, :3].T + equations[:, 3]).max() < 1e-9
    # an icosahedron's 42 directions: corners stand 8 % out
    assert (np.linalg.norm(fewer / [2, 1, 0.5], axis=1) < 1.1).all()


def test_one_orientation_keeps_off_a_body_by_its_margin():
    solid = Outline(read_design(ROUND).design).solid("")
    stone = stone_of(solid)
    hull = rough_of(read_rough(ROUGHS / "blue-plate.toml")).hull
    ball = np.asarray(trimesh.creation.icosphere(subdivisions=1).vertices) * 0.6 + [2, 0, 0]
    copy = fitted(stone, Space(hull, (Obstacle("ball", ball, WHOLE, 0.25),), 0.1), np.eye(3))
    mesh = placed(cut_of(solid, copy).solid, copy.rotation, copy.shift)
    assert off(mesh, ball).min() >= 0.25 - 1e-6


# ---- the judge from outside ---------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("design", [ROUND, OVAL], ids=lambda p: p.stem)
def test_stones_lie_in_the_scan_and_off_the_crack(design, rng):
    rough = rough_of(read_rough(ROUGHS / "cracked-pebble.toml"))
    rows = made(plans(room_of(rough), setting(), design))
    assert rows
    surface = trimesh.Trimesh(rough.mesh.vertices, rough.mesh.faces)
    (crack,) = [d.points for d in rough.defects]
    weights = rng.dirichlet(np.full(len(crack), 0.3), size=4000)
    for row in rows:
        mesh = stone_mesh(row, design)
        points = np.vstack([mesh.vertices, mesh.sample(2000, seed=1)])
        assert off(surface, points).max() < -0.1
        assert off(surface.convex_hull, points).max() <= -rough.loss.skin_mm + 1e-4
        assert off(mesh, weights @ crack).min() >= 0.1 - 1e-4


@pytest.mark.slow
def test_stones_hold_the_crystal_or_leave_it_and_keep_silk_below_the_girdle(rng):
    rough = rough_of(read_rough(ROUGHS / "crystal-barrel.toml"))
    (row,) = made(plans(room_of(rough), setting(), ROUND))
    mesh = stone_mesh(row)
    by_name = {d.name: d for d in rough.defects}
    gaps = off(mesh, by_name["crystal"].points)
    assert gaps.max() <= -0.3 + 1e-4 or gaps.min() >= 0.3 - 1e-4
    assert off(mesh, by_name["pit"].points).min() >= 0.05 - 1e-4
    silk = by_name["silky corner"].points
    inside = rng.dirichlet(np.full(len(silk), 0.3), size=5000) @ silk
    solid = Outline(read_design(ROUND).design).solid("")
    copy = copy_of(row, solid)
    seen = (inside - copy.shift) @ copy.rotation
    in_stone = off(mesh, inside) < -1e-6
    assert (seen[in_stone, 2] <= 1e-6).all()


@pytest.mark.slow
def test_two_stones_lie_on_their_sides_of_the_saw():
    room = room_at(ROUGHS / "crystal-barrel.toml")
    pair = sawn([task(room), task(room, OVAL)], setting(), 1)
    loss = room.rough.loss
    paths = {"round-brilliant": ROUND, "oval-brilliant": OVAL}
    sides = []
    for row in pair.rows:
        corners = stone_mesh(row, paths[row["design"]]).vertices
        beyond = corners @ pair.plane.normal - pair.plane.offset
        assert np.abs(beyond).min() >= loss.kerf_mm / 2 + loss.skin_mm - 1e-6
        sides.append(np.sign(beyond))
    assert {float(side[0]) for side in sides} == {1.0, -1.0}
    assert all((side == side[0]).all() for side in sides)
    assert sum(pair.depths_mm) == pytest.approx(
        np.ptp(room.rough.mesh.vertices @ pair.plane.normal)
    )


@pytest.mark.slow
def test_the_heaviest_that_hides_a_zone_hides_it():
    """The share is traced again, more finely, by the study of orientations itself."""
    room = room_at(ROUGHS / "blue-plate.toml")
    first, second = plans(room, setting(samples=8, pixel_mm=0.15), ROUND)
    assert (first["kind"], second["kind"]) == (HEAVIEST, HIDDEN)
    assert second["carats"] <= first["carats"]
    from facetrace.optics.colour import observer

    subject = orient.subject_of(read_design(ROUND).design, room.rough.material, room.rough.zones, find_light("hemisphere", None), observer())  # fmt: skip
    solid = Outline(read_design(ROUND).design).solid("")
    finer = orient.Setting(samples=32, seed=5)
    look = orient.look_at_cut(subject, cut_of(solid, copy_of(second, solid)), finer)
    share = orient.estimate(orient.row_of(orient.BASE, look, look, finer, 1.0), "share")
    assert share.value <= 0.01 + 4.5 * math.hypot(share.stderr, estimate(second, "zone").stderr)


def test_placing_is_told_in_the_frame_of_the_file(tmp_path):
    """The same box, its file turned: what is told turns with it."""
    corners = np.array([[x * 3, y * 3, z * 6] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    lying = corners[:, [2, 0, 1]]
    path = box_rough(tmp_path, (6, 6, 12))
    text = path.read_text().replace(str(corners.tolist()), str(lying.tolist()))
    text = text.replace("c_axis = [0, 0, 1]", "c_axis = [1, 0, 0]")
    points = text.split("points_mm = ")[1].split("\n")[0]
    path.write_text(text.replace(points, str(lying.tolist())))
    room = room_at(path)
    (row,) = plans(room, setting(0, 0), ROUND)
    up, along, origin = placing(row, room.rough)
    assert abs(up[0]) == pytest.approx(1)
    assert up @ along == pytest.approx(0, abs=1e-9)
    assert (np.abs(origin) <= [6, 3, 3]).all()


# ---- the commands -------------------------------------------------------------------------------

FEW = ("--most-cells", 100, "--rays", 4096, "--workers", 1)


def test_plan_says_what_is_cut_and_writes_it_all(tmp_path):
    path = box_rough(tmp_path, (7, 7, 9), crack_across(3.5), skin=0.1, scan=0.05)
    stone, rest = tmp_path / "stone.stl", tmp_path / "rest.stl"
    result = run("plan", path, ROUND, *FEW, "--table-to-c", "0:5", "--prices", PRICES, "--stone", stone, "--offcut", rest)  # fmt: skip
    assert result.exit_code == 0, result.output
    words = " ".join(result.output.split())
    assert "Without the crack this rough would cut" in words
    assert "Bid at most" in words or "do not buy" in words
    assert "not an appraisal" in words
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert (tmp_path / "box-plan.png").stat().st_size > 10_000
    with (tmp_path / "box-plan.csv").open() as stream:
        (row,) = csv.DictReader(line for line in stream if not line.startswith("#"))
    cut, left = trimesh.load(stone), trimesh.load(rest)
    assert cut.is_watertight
    assert left.is_watertight
    assert cut.volume + left.volume == pytest.approx(7 * 7 * 9, rel=1e-5)
    assert cut.volume * 3.99e-3 / GRAMS_PER_CARAT == pytest.approx(float(row["carats"]), rel=1e-4)


def test_plan_document_is_the_schema_s(tmp_path):
    path = box_rough(tmp_path, (6, 6, 12), skin=0.1)
    result = run("plan", path, ROUND, *FEW, "--table-to-c", "0:2", "--pieces", 2, "--prices", PRICES, "--json", "-")  # fmt: skip
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    jsonschema.validate(found, SCHEMA)
    member = found["plan"]
    assert member["best"] == 0
    (only,) = member["plans"]
    assert only["most_carats"] == pytest.approx(only["carats"] * (1 + only["gap"]))
    assert only["figures"]["light_return"]["stderr"] > 0
    # two stones, one above the other, keep more of a box twice as tall as wide
    assert sum(s["carats"] for s in member["sawn"]["stones"]) > 1.5 * only["carats"]
    assert not list(tmp_path.glob("*plan*"))


def test_lot_goes_on_where_it_stopped_and_takes_in_a_new_rough(tmp_path):
    folder = tmp_path / "lot"
    folder.mkdir()
    box_rough(folder, (6, 6, 9), name="b")
    box_rough(folder, (5, 6, 9), name="c")
    lot = ("lot", folder, ROUND, *FEW, "--table-to-c", "0:2", "--csv", tmp_path / "lot.csv")
    assert run(*lot).exit_code == 0
    whole = (tmp_path / "lot.csv").read_bytes()
    # as Ctrl-C leaves it: the last row missing
    (tmp_path / "lot.csv").write_bytes(b"".join(whole.splitlines(keepends=True)[:-1]))
    again = run(*lot)
    assert "1 of 2 plans come from" in " ".join(again.output.split())
    assert (tmp_path / "lot.csv").read_bytes() == whole
    box_rough(folder, (7, 7, 9), name="a")
    result = run(*lot, "--prices", PRICES, "--json", tmp_path / "lot.json")
    assert "2 of 3 plans come from" in " ".join(result.output.split())
    lines = (tmp_path / "lot.csv").read_text().splitlines()
    assert [line.split(",")[1] for line in lines[3:]] == ["a", "b", "c"]
    found = json.loads((tmp_path / "lot.json").read_text())
    jsonschema.validate(found, SCHEMA)
    assert [m["rough"]["name"] for m in found["lot"]] == ["a", "b", "c"]
    assert max(map(len, result.stdout.splitlines())) <= 80


@pytest.mark.slow
def test_numbers_are_the_same_for_any_number_of_workers(tmp_path):
    room = room_at(box_rough(tmp_path, (6, 6, 9)))
    tasks = [task(room), task(room, OVAL)]
    assert list(sweep(tasks, setting(), {}, 1)) == list(sweep(tasks, setting(), {}, 2))


@pytest.mark.parametrize(
    ("options", "problem"),
    [
        (("--table-to-c", "20:10"), "--table-to-c: '20:10' is not LOW:HIGH from 0 to 90 degrees; write it like 0:15"),
        (("--flex", "outline.length_mm"), "--flex: 'outline.length_mm' is not NAME=FROM:TO:STEP"),
        (("--flex", "outline.lenght_mm=1:2:1"), "did you mean 'outline.length_mm'?"),
        (("--stone", "stone.txt"), "the mesh format follows the ending"),
        (("--picture", "a.jpg"), "pictures are written as PNG"),
    ],
)  # fmt: skip
def test_what_cannot_be_planned_is_one_line(tmp_path, monkeypatch, options, problem):
    monkeypatch.chdir(tmp_path)
    result = run("plan", box_rough(tmp_path, (6, 6, 6)), ROUND, *options)
    assert result.exit_code == 2
    assert problem in " ".join(result.stderr.split())
    assert [p.name for p in tmp_path.iterdir()] == ["box.toml"]


def test_a_lot_with_a_damaged_rough_is_refused_before_any_work(tmp_path):
    folder = tmp_path / "lot"
    folder.mkdir()
    box_rough(folder, (6, 6, 9), name="a")
    (folder / "b.toml").write_text('name = "b"\n')
    result = run("lot", folder, ROUND)
    assert result.exit_code == 2
    assert "b.toml" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["lot"]
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "holds no rough files" in run("lot", empty, ROUND).stderr


def test_a_stone_that_fits_nowhere_is_said(tmp_path):
    """The crack right across leaves nothing of a thin plate that holds a margin of its own height."""
    crack = crack_across(3.0).replace("margin_mm = 0.1", "margin_mm = 2")
    result = run("plan", box_rough(tmp_path, (6, 6, 3), crack), ROUND, *FEW, "--no-picture")
    assert result.exit_code == 0, result.output
    assert "round-brilliant: no stone of it fits." in " ".join(result.output.split())
