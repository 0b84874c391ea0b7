"""Plans for roughs: closed forms, laws, judges from outside of what lies in what, the commands.

plan_judge.py judges files alone. trimesh (a general-purpose mesh library) tells how far points are off a mesh, the solid angles of
its triangles (van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30, 125, 1983) on which side. All roughs, designs
and prices are invented. Where a test looks at what is said and not at how heavy a stone is, it searches less (*briefly*).
"""

import csv
import itertools
import json
import math
import re
import time
import tomllib
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_judge import complaints
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation
from shared import BRIEF, ROOT, SCHEMA, run

from facetrace.common.workers import Workers
from facetrace.design.model import read_design
from facetrace.optics.lights import find_light
from facetrace.placement import search
from facetrace.placement.search import prepared
from facetrace.placement.shapes import Facing, Space, coarser, stone_of
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.solid.export import placed
from facetrace.solid.measure import GRAMS_PER_CARAT
from facetrace.solid.polyhedron import Solid
from facetrace.studies import sweep, visibility, zoned
from facetrace.studies.directions import BANDS, losses
from facetrace.studies.placed_stone import different
from facetrace.studies.plan import plan_ledger, plan_rough
from facetrace.studies.plan_task import (
    HEAVIEST,
    HIDDEN,
    PlanWishes,
    Room,
    Task,
    TrialDesign,
    tasks_of,
)
from facetrace.studies.run import Run
from facetrace.studies.saw import sawn
from facetrace.studies.stone_search import found_for, range_of

DESIGNS = ROOT / "designs"
ROUGHS = DESIGNS / "roughs"
ROUND, OVAL = DESIGNS / "round-brilliant.toml", DESIGNS / "oval-brilliant.toml"
PRICES = DESIGNS / "prices" / "invented.toml"
QUICK = {"most_cells": 300, "rays": 1 << 10, "samples": 2, "pixel_mm": 0.3}


def wishes(low=0.0, high=15.0, **changes):
    facing = Facing(within_deg=high, least_deg=low, both=True)
    return PlanWishes(facing, find_light("hemisphere", None), **(QUICK | changes))


def box_rough(folder, size, more="", skin=0.0, scan=0.0, name="box", head=""):
    corners = [[x * a / 2, y * b / 2, z * c / 2] for a, b, c in [size] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]  # fmt: skip
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{name}"\nmaterial = "ruby"\n{head}[shape]\npoints_mm = {corners}\nc_axis = [0, 0, 1]\n'
        f"[loss]\nscan_mm = {scan}\nskin_mm = {skin}\nkerf_mm = 0.4\n{more}"
    )
    return path


def mesh_rough(folder, mesh, name, skin=0.15):
    """A rough of a scan; None: of one that is not there."""
    if mesh is not None:
        (folder / f"{name}.stl").write_bytes(mesh)
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{name}"\nmaterial = "ruby"\n[shape]\nmesh = "{name}.stl"\nc_axis = [0, 0, 1]\n[loss]\nskin_mm = {skin}\n'
    )
    return path


def crack_across(half, at=0.0, margin=0.1):
    corners = [[-half, -half, at], [half, -half, at], [half, half, at], [-half, half, at]]
    return f'[[defect]]\nname = "crack"\nkind = "crack"\nmargin_mm = {margin}\npolygon_mm = {corners}\n'


def rough_at(path):
    return rough_of(read_rough(path))


def trial(design=ROUND, *ranges):
    model = read_design(design).design
    return TrialDesign(model, design.stem, tuple(sweep.range_of(model, *r) for r in ranges))


def tasks(rough, wanted, *designs):
    return tasks_of(rough, [trial(d) for d in designs or (ROUND,)], wanted)


def found(tasks):
    return list(found_for(tasks, plan_ledger(tasks, None), Run(Workers(1), of=len(tasks))))


def plans(rough, wanted, *designs):
    return found(tasks(rough, wanted, *designs))


def stone_mesh(stone):
    """The stone in the crystal frame."""
    return placed(stone.cut.solid, stone.cut.turn, stone.cut.shift)


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


def test_a_round_in_a_tall_square_box_is_as_wide_as_the_box(tmp_path, briefly):
    """Table along c: the girdle's polygon, turned so that it measures least both ways, fills 6 mm less two skins."""
    rough = rough_at(box_rough(tmp_path, (6, 6, 20), skin=0.15))
    (stone,) = plans(rough, wishes(0, 0), ROUND)
    girdle = trial().variation().solid.vertices[:, :2]
    turns = np.radians(np.arange(0, 90, 0.01))
    across = np.ptp(girdle @ np.array([np.cos(turns), np.sin(turns)]), axis=0)
    along = np.ptp(girdle @ np.array([-np.sin(turns), np.cos(turns)]), axis=0)
    scale = (6 - 0.3) / np.maximum(across, along).min()
    assert stone.place.copy.scale == pytest.approx(scale, rel=0.005 / 3)
    assert stone.place.copy.scale <= scale * (1 + 1e-6)
    assert stone.table_to_c == pytest.approx(0, abs=1e-6)
    solid = trial().variation().solid
    carats = solid.volume * stone.place.copy.scale**3 * 3.99e-3 / GRAMS_PER_CARAT
    assert stone.carats == pytest.approx(carats)


def test_a_scan_error_in_a_box_moves_each_wall_by_itself(tmp_path, briefly):
    """Low and high by the closed form of the box: widths 6 - 2 (0.15 +- 0.05), weights as their cubes."""
    rough = rough_at(box_rough(tmp_path, (6, 6, 20), skin=0.15, scan=0.05))
    (stone,) = plans(rough, wishes(0, 0), ROUND)
    assert stone.low_carats / stone.carats == pytest.approx((5.6 / 5.7) ** 3, rel=1e-4)
    assert stone.high_carats / stone.carats == pytest.approx((5.8 / 5.7) ** 3, rel=1e-4)


CUBE = Solid.from_planes(np.vstack([np.eye(3), -np.eye(3)]), np.full(6, 0.5))
BOX_FACES = ConvexHull([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)])


@settings(max_examples=20, deadline=None, derandomize=True)
@given(
    st.tuples(*[st.floats(2.5, 9.0)] * 3), st.sampled_from([0.0, 15.0, 90.0]), st.floats(0.0, 0.3), st.floats(0.0, 0.2)
)  # fmt: skip
def test_the_largest_cube_in_a_box_is_as_wide_as_its_least_side(sides, within, skin, scan):
    """A cube is nowhere narrower than its edge, so no turn of it is larger; low and high likewise."""
    v = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * sides
    surface = trimesh.convex.convex_hull(v)
    ready = prepared(Space(np.array(surface.vertices), np.array(surface.faces), (), skin))
    stone, facing = stone_of(CUBE), Facing(within_deg=within, both=True)
    edge = min(sides) - 2 * skin
    found = search.largest(stone, ready, facing, effort=BRIEF)
    assert found[0].scale == pytest.approx(edge, rel=2e-3)
    sized = range_of(stone, ready, facing, found[0], scan)
    # none below 0: a skin is not added
    wider = edge + 2 * min(scan, skin)
    for copy, wanted in ((sized.low, edge - 2 * scan), (sized.copy, edge), (sized.high, wider)):
        assert copy.scale <= wanted * (1 + 1e-6)
        assert copy.scale == pytest.approx(wanted, rel=2e-3)
    assert sized.low.volume <= sized.copy.volume <= sized.high.volume


def test_a_larger_scan_error_never_narrows_the_range():
    """Each range holds the one before it; to 1e-4, which is more than what climbs leave."""
    rough = rough_at(ROUGHS / "cracked-pebble.toml")
    (task,), facing = tasks(rough, wishes()), Facing(both=True)
    stone, ready = task.trial.variation().stone, task.room.ready
    copy = search.largest(stone, ready, facing, effort=BRIEF)[0]
    found = [range_of(stone, ready, facing, copy, mm) for mm in (0.0, 0.03, 0.06, 0.15, 0.3)]
    for sized in found:
        assert sized.low.volume <= sized.copy.volume <= sized.high.volume
    for near, far in itertools.pairwise(found):
        assert far.low.volume <= near.low.volume * (1 + 1e-4)
        assert far.high.volume >= near.high.volume * (1 - 1e-4)
    assert found[-1].low.volume < 0.95 * found[0].low.volume


def test_what_a_crack_costs_is_the_difference_of_two_searches(tmp_path):
    cracked = rough_at(box_rough(tmp_path, (7, 7, 7), crack_across(3.5), name="cracked"))
    whole = rough_at(box_rough(tmp_path, (7, 7, 7), name="whole"))
    half = rough_at(box_rough(tmp_path, (7, 7, 3.4), name="half"))
    wanted = wishes(0, 5)
    (stone,) = plans(cracked, wanted)
    (other,), (less,) = (plans(r, wanted, ROUND) for r in (whole, half))
    # a crack right across leaves the half of the box, less its margin
    assert stone.carats == pytest.approx(less.carats, rel=0.01)
    (loss,) = losses(stone, Run(Workers(1)))
    assert loss.names == ("crack",)
    assert loss.carats == pytest.approx(other.carats - stone.carats, rel=0.02)
    assert stone.carats <= stone.most_carats
    assert other.gap >= 0


def test_a_number_that_may_flex_gives_the_variation_that_fits(tmp_path, briefly):
    """A long box wants a long oval: of the lengths allowed, the one whose shape is the box's."""
    rough = rough_at(box_rough(tmp_path, (12, 6, 30)))
    name = "outline.length_mm"
    own = read_design(OVAL).design.outline
    longer = (name, own.width_mm * 1.5, own.width_mm * 2.5, own.width_mm * 0.5)
    (stone,) = found([Task(Room(rough), trial(OVAL, longer), wishes(0, 0))])
    (plain,) = plans(rough, wishes(0, 0), OVAL)
    assert stone.carats > plain.carats
    assert stone.variation.words == f"{name}={own.width_mm * 2.0!r}"
    assert stone.size_mm[0] / stone.size_mm[1] == pytest.approx(2.0, rel=1e-6)


def test_a_round_body_of_fewer_corners_holds_the_whole_of_it():
    ball = trimesh.creation.icosphere(subdivisions=3).vertices * [2, 1, 0.5]
    fewer = coarser(np.asarray(ball))
    assert len(fewer) <= 80
    equations = ConvexHull(fewer).equations
    assert (ball @ equations[:, :3].T + equations[:, 3]).max() < 1e-9
    # an icosahedron's 42 directions: corners stand 8 % out
    assert (np.linalg.norm(fewer / [2, 1, 0.5], axis=1) < 1.1).all()


# ---- judges from outside ------------------------------------------------------------------------

BARREL = """
name = "barrel"
material = "ruby"
[shape]
habit = "barrel"
size_mm = [8, 9.5, 11]
[[defect]]
name = "crack"
kind = "crack"
polygon_mm = [[4.2, 0.8, -4], [1.5, 0.8, -4], [1.5, 0.8, 1], [4.2, 0.8, 1]]
wish = "cut away"
"""
FEW = ("--most-cells", 100, "--rays", 1024, "--workers", 1)
ALONE = ("--no-losses", "--no-directions", "--no-picture")


def test_a_crack_from_the_side_of_a_barrel_is_kept_off(tmp_path):
    """Judged from the files alone. The judge reads scans: the barrel's corners go into one, of 32-bit numbers."""
    path = tmp_path / "barrel.toml"
    path.write_text(BARREL)
    answer, stone = tmp_path / "answer.json", tmp_path / "stone.stl"
    result = run("plan", path, OVAL, *FEW, *ALONE, "--table-to-c", "60:90", "--json", answer, "--stone", stone)  # fmt: skip
    assert result.exit_code == 0, result.output
    rough = rough_of(read_rough(path))
    trimesh.convex.convex_hull(rough.mesh.vertices).export(tmp_path / "scan.stl")
    scanned = tmp_path / "scanned.toml"
    shape = 'mesh = "scan.stl"\nc_axis = [0, 0, 1]'
    scanned.write_text(BARREL.replace('habit = "barrel"\nsize_mm = [8, 9.5, 11]', shape))
    assert complaints(scanned, answer, stone, 60, 90) == []
    (crack,) = tomllib.loads(BARREL)["defect"]
    a, b, _, d = (np.array(p) for p in crack["polygon_mm"])
    u, w = np.meshgrid(np.linspace(0, 1, 40), np.linspace(0, 1, 40))
    on_crack = a + u.reshape(-1, 1) * (b - a) + w.reshape(-1, 1) * (d - a)
    assert off(trimesh.load(stone), on_crack).min() >= 0.1 - 1e-5
    (plan,) = json.loads(answer.read_text())["plan"]["plans"]
    (checked,) = plan["checked"]["defects"]
    assert checked["name"] == "crack"
    assert checked["mm"] >= 0.1 - 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("design", [ROUND, OVAL], ids=lambda p: p.stem)
def test_stones_lie_in_the_scan_and_off_the_crack(design, rng):
    rough = rough_of(read_rough(ROUGHS / "cracked-pebble.toml"))
    stones = different(plans(rough, wishes(), design))
    assert stones
    surface = trimesh.Trimesh(rough.mesh.vertices, rough.mesh.faces)
    (crack,) = [d.points for d in rough.defects]
    weights = rng.dirichlet(np.full(len(crack), 0.3), size=4000)
    for stone in stones:
        mesh = stone_mesh(stone)
        points = np.vstack([mesh.vertices, mesh.sample(2000, seed=1)])
        assert off(surface, points).max() <= -rough.loss.skin_mm + 1e-6
        assert off(mesh, weights @ crack).min() >= 0.1 - 1e-6


@pytest.mark.slow
def test_stones_hold_the_crystal_or_leave_it_and_keep_silk_below_the_girdle(rng):
    rough = rough_of(read_rough(ROUGHS / "crystal-barrel.toml"))
    (stone,) = different(plans(rough, wishes(), ROUND))
    mesh = stone_mesh(stone)
    by_name = {d.name: d for d in rough.defects}
    gaps = off(mesh, by_name["crystal"].within)
    assert gaps.max() <= -0.3 + 1e-4 or gaps.min() >= 0.3 - 1e-4
    assert off(mesh, by_name["pit"].within).min() >= 0.05 - 1e-4
    silk = by_name["silky corner"].points
    inside = rng.dirichlet(np.full(len(silk), 0.3), size=5000) @ silk
    copy = stone.place.copy
    seen = (inside - copy.shift) @ copy.rotation
    in_stone = off(mesh, inside) < -1e-6
    assert (seen[in_stone, 2] <= 1e-6).all()


@pytest.mark.slow
def test_the_heaviest_that_hides_a_zone_hides_it():
    """The share is traced again, more finely, by the study of orientations itself."""
    rough = rough_at(ROUGHS / "blue-plate.toml")
    first, second = plans(rough, wishes(samples=8, pixel_mm=0.15), ROUND)
    assert (first.kind, second.kind) == (HEAVIEST, HIDDEN)
    assert second.carats <= first.carats
    from facetrace.optics.colour import observer

    subject = zoned.subject_of(read_design(ROUND).design, rough.material, rough.zones, find_light("hemisphere", None), observer())  # fmt: skip
    finer = visibility.VisibilityTest(samples=32, seed=5)
    look = visibility.look_at_cut(subject, second.cut, finer)
    share = visibility.estimate(visibility.row_of(zoned.BASE, look, look, finer, 1.0), "share")
    assert share.value <= 0.01 + 4.5 * math.hypot(share.stderr, second.figures["zone"].stderr)


def test_placing_is_told_in_the_frame_of_the_file(tmp_path, briefly):
    """The same box, its file turned: what is told turns with it."""
    corners = np.array([[x * 3, y * 3, z * 6] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    lying = corners[:, [2, 0, 1]]
    path = box_rough(tmp_path, (6, 6, 12))
    text = path.read_text().replace("c_axis = [0, 0, 1]", "c_axis = [1, 0, 0]")
    points = text.split("points_mm = ")[1].split("\n")[0]
    path.write_text(text.replace(points, str(lying.tolist())))
    rough = rough_at(path)
    (stone,) = plans(rough, wishes(0, 0), ROUND)
    up, along, origin = stone.in_file
    assert abs(up[0]) == pytest.approx(1)
    assert up @ along == pytest.approx(0, abs=1e-9)
    assert (np.abs(origin) <= [6, 3, 3]).all()


# ---- nothing is believed that was not checked ---------------------------------------------------


def moved(copy):
    return replace(copy, shift=copy.shift + np.array([0.3, 0.0, 0.0]))


def grown(copy):
    # about a point inside, so that it stays in its place
    return replace(copy, scale=1.03 * copy.scale, volume=1.03**3 * copy.volume)


def turned(copy):
    """20 degrees more, about x through its girdle's middle, and so small that it would fit."""
    turn = Rotation.from_euler("x", 20, degrees=True).as_matrix()
    return replace(
        copy, rotation=turn @ copy.rotation, scale=0.5 * copy.scale, volume=copy.volume / 8
    )


def nothing_is_claimed(result, answer):
    """No plan in the JSON; the one weight in the words is the rough's."""
    assert result.exit_code == 0, result.output
    member = json.loads(answer.read_text())["plan"]
    assert member["plans"] == []
    assert member["best"] is None
    assert member["directions"] == []
    assert len(member["failed"]) == 1
    words = " ".join(result.output.split())
    assert "a stone was found but did not pass its check" in words
    assert not re.search(r"\d ct|\d %", result.stdout)


def find_wrongly(monkeypatch, wrong):
    """Have plans of this process found in brief, and each copy made wrong."""

    def broken(*words, **more):
        return [wrong(copy) for copy in rightly(*words, **more | {"effort": BRIEF})]

    rightly = search.largest
    monkeypatch.setattr("facetrace.placement.search.largest", broken)


@pytest.mark.parametrize("wrong", [moved, grown, turned], ids=lambda f: f.__name__)
def test_a_wrong_search_is_never_believed(tmp_path, monkeypatch, wrong):
    path = box_rough(tmp_path, (6, 6, 9), skin=0.1, scan=0.05)
    find_wrongly(monkeypatch, wrong)
    monkeypatch.setattr("facetrace.placement.search.reclimbed", lambda *_: None)
    answer = tmp_path / "a.json"
    nothing_is_claimed(
        run("plan", path, ROUND, *FEW, "--table-to-c", "0:2", "--json", answer), answer
    )
    assert not list(tmp_path.glob("*.png"))


@pytest.mark.parametrize("wrong", [moved, grown, turned], ids=lambda f: f.__name__)
def test_a_wrong_copy_that_is_climbed_again_is_checked_all_the_same(tmp_path, monkeypatch, wrong):
    """What the search's own code makes of it may be right again; then it is checked, else it is named."""
    path = box_rough(tmp_path, (6, 6, 9), skin=0.1, scan=0.05)
    find_wrongly(monkeypatch, wrong)
    answer = tmp_path / "a.json"
    result = run("plan", path, ROUND, *FEW, *ALONE, "--table-to-c", "0:2", "--json", answer)
    member = json.loads(answer.read_text())["plan"]
    assert len(member["plans"]) + len(member["failed"]) == 1, result.output
    for plan in member["plans"]:
        # a round of unit scale in the box less its skin
        assert plan["checked"]["ok"]
        assert max(plan["length_mm"], plan["width_mm"]) <= 5.8 * 1.02
        assert plan["table_to_c_deg"] <= 2 + 1e-6


def edited(path, change):
    """The table with some cells of its only row changed."""
    lines = path.read_text().splitlines(keepends=True)
    (row,) = csv.DictReader(line for line in lines if not line.startswith("#"))
    for name, new in change.items():
        old = row[name]
        row[name] = repr(new(float(old)))
    with path.open("w", newline="") as stream:
        stream.writelines(lines[:2])
        table = csv.DictWriter(stream, list(row), lineterminator="\n")
        table.writeheader()
        table.writerow(row)


@pytest.mark.parametrize(
    "change",
    [
        {"shift_x_mm": lambda x: x + 0.3},
        {"scale": lambda x: 1.03 * x},
        {"turn_zz": lambda x: 0.9 * x},
        {"carats": lambda x: 1.02 * x},
        {"high_carats": lambda x: 1.5 * x},
        {"low_carats": lambda x: 0.5 * x},
    ],
    ids=lambda c: next(iter(c)),
)
def test_a_table_that_was_edited_is_not_believed(tmp_path, briefly, change):
    path = box_rough(tmp_path, (6, 6, 9), skin=0.1, scan=0.05)
    words = ("plan", path, ROUND, *FEW, *ALONE, "--table-to-c", "0:2")
    assert run(*words).exit_code == 0
    edited(tmp_path / "box-plan.csv", change)
    answer = tmp_path / "a.json"
    result = run(*words, "--json", answer)
    assert "1 of 1 plans come from" in " ".join(result.output.split())
    nothing_is_claimed(result, answer)


# ---- what is said -------------------------------------------------------------------------------


def test_plan_says_what_is_cut_and_writes_it_all(tmp_path, briefly):
    path = box_rough(tmp_path, (7, 7, 9), crack_across(3.5), skin=0.1, scan=0.05)
    stone, rest = tmp_path / "stone.stl", tmp_path / "rest.stl"
    result = run("plan", path, ROUND, *FEW, "--table-to-c", "0:5", "--prices", PRICES, "--stone", stone, "--offcut", rest)  # fmt: skip
    assert result.exit_code == 0, result.output
    words = " ".join(result.output.split())
    assert "Without the crack this rough would cut" in words
    assert "Bid at most" in words or "do not buy" in words
    assert "not an appraisal" in words
    assert "Checked on all 12 triangles of the rough" in words
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert (tmp_path / "box-plan.png").stat().st_size > 10_000
    with (tmp_path / "box-plan.csv").open() as stream:
        (row,) = csv.DictReader(line for line in stream if not line.startswith("#"))
    cut, left = trimesh.load(stone), trimesh.load(rest)
    assert cut.is_watertight
    assert left.is_watertight
    assert cut.volume + left.volume == pytest.approx(7 * 7 * 9, rel=1e-5)
    assert cut.volume * 3.99e-3 / GRAMS_PER_CARAT == pytest.approx(float(row["carats"]), rel=1e-4)


def test_plan_document_is_the_schema_s_with_directions_and_two_pieces(tmp_path, briefly):
    path = box_rough(tmp_path, (6, 6, 12), skin=0.1)
    result = run("plan", path, ROUND, *FEW, "--table-to-c", "0:2", "--pieces", 2, "--prices", PRICES, "--json", "-")  # fmt: skip
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    jsonschema.validate(found, SCHEMA)
    member = found["plan"]
    assert member["best"] == 0
    assert member["failed"] == []
    (only,) = member["plans"]
    assert only["checked"]["ok"]
    assert only["most_carats"] == pytest.approx(only["carats"] * (1 + only["gap"]))
    assert only["figures"]["light_return"]["stderr"] > 0
    # two stones, one above the other, keep more of a box twice as tall as wide
    assert sum(s["carats"] for s in member["sawn"]["stones"]) > 1.5 * only["carats"]
    assert {tuple(s["sides"][0].values()) for s in member["sawn"]["stones"]} == {(0, -1.0), (0, 1.0)}  # fmt: skip
    assert [d["name"] for d in member["directions"]] == list(BANDS)
    for direction in member["directions"]:
        low, high = direction["table_to_c_deg"]
        stone = direction["stone"]
        assert stone["checked"]["ok"]
        assert low - 1e-6 <= stone["table_to_c_deg"] <= high + 1e-6
        assert stone["low_carats"] <= stone["carats"] <= stone["high_carats"]
        assert "value" in stone
    # its climbs begin at the plan itself
    assert member["directions"][0]["stone"]["carats"] >= only["carats"] * (1 - 1e-5)
    assert not list(tmp_path.glob("*plan*"))


def test_that_little_was_found_is_said_and_no_advice_given(tmp_path, briefly):
    """A crack that is to be kept off by 3.2 mm leaves two slabs of 0.8 mm of a box 8 mm wide."""
    path = box_rough(tmp_path, (8, 8, 8), crack_across(4, margin=3.2))
    result = run("plan", path, ROUND, *FEW, *ALONE, "--table-to-c", "0:2", "--prices", PRICES)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert re.search(
        r"The search found little: [0-4]\.\d % of the rough\. That is no advice not to buy", words
    )
    assert not re.search(r"[Bb]id |do not buy|coins", words)


def test_that_the_weight_is_wrong_comes_before_all_figures(tmp_path, briefly):
    """6 x 6 x 9 mm of 3.99 g/cm3 weigh 6.46 ct, not 8."""
    path = box_rough(tmp_path, (6, 6, 9), head="weighed_carats = 8\n")
    result = run("plan", path, ROUND, *FEW, *ALONE, "--table-to-c", "0:2")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("First find out what is wrong: weighed 8.00 ct, but its volume")
    assert result.stdout.count("First find out") == 1


def test_a_stone_that_fits_nowhere_is_said(tmp_path, briefly):
    """A crack right across a thin plate that is to be kept off by 2 mm, and the plate is 3 mm high."""
    path = box_rough(tmp_path, (6, 6, 3), crack_across(3.0, margin=2))
    result = run("plan", path, ROUND, *FEW, "--no-picture")
    assert result.exit_code == 0, result.output
    words = " ".join(result.output.split())
    assert "round-brilliant: the search found no stone of it." in words
    assert "does not prove that none fits" in words


# ---- pieces -------------------------------------------------------------------------------------


def test_three_stones_of_a_long_box_are_each_as_wide_as_it(tmp_path, briefly):
    """Table along c: each piece is longer than a round is deep, so each round fills the box's width, as one alone does."""
    rough = rough_at(box_rough(tmp_path, (5, 5, 20), skin=0.1))
    answer = plan_rough(rough, [trial()], wishes(0, 0), pieces=3, what_directions_cost=False, run=Run(Workers(1)))  # fmt: skip
    found, (one,) = answer.pieces.sawn, answer.plans
    assert len(found.stones) == 3
    assert len(found.cuts) == 2
    assert found.carats == pytest.approx(3 * one.stone.carats, rel=2e-3)
    assert all(piece.certificate.ok for piece in answer.pieces.stones)
    assert answer.sawn_first
    meshes = [stone_mesh(stone).vertices for stone in found.stones]
    for corners, sides in zip(meshes, found.sides, strict=True):
        for cut, side in sides:
            plane = found.cuts[cut].plane
            beyond = side * (plane.offset - corners @ plane.normal)
            # half a kerf of 0.4 mm, and the skin
            assert beyond.min() >= 0.2 + 0.1 - 1e-6
    # pieces: the first cut's depths make the whole box, the second's what that one left
    first, second = found.cuts
    assert sum(first.depths_mm) == pytest.approx(np.ptp(rough.mesh.vertices @ first.plane.normal))
    assert second.of is not None


@pytest.mark.slow
def test_two_stones_lie_on_their_sides_of_the_saw(briefly):
    rough = rough_at(ROUGHS / "crystal-barrel.toml")
    pair = sawn(tasks(rough, wishes(), OVAL), Run(Workers(1)))
    loss = rough.loss
    (cut,) = pair.cuts
    for stone, ((number, side),) in zip(pair.stones, pair.sides, strict=True):
        assert number == 0
        corners = stone_mesh(stone).vertices
        beyond = side * (cut.plane.offset - corners @ cut.plane.normal)
        assert beyond.min() >= loss.kerf_mm / 2 + loss.skin_mm - 1e-6
    assert sorted(side for ((_, side),) in pair.sides) == [-1.0, 1.0]
    assert sum(cut.depths_mm) == pytest.approx(np.ptp(rough.mesh.vertices @ cut.plane.normal))


def test_zones_are_hidden_in_sawn_pieces_too(tmp_path, briefly):
    """Blue at one end of a long box: neither stone shows it."""
    zone = '[[defect]]\nname = "blue end"\nkind = "zone"\nwish = "hide"\nmaterial = "blue sapphire"\nhalf_space = { normal = [0, 0, 1], from_mm = 5 }\n'
    rough = rough_at(box_rough(tmp_path, (5, 5, 14), zone))
    pair = sawn(tasks(rough, wishes(0, 0)), Run(Workers(1)))
    assert len(pair.stones) == 2
    assert all(stone.hides for stone in pair.stones)


# ---- lots and workers ---------------------------------------------------------------------------


def test_lot_goes_on_where_it_stopped_and_takes_in_a_new_rough(tmp_path, briefly):
    folder = tmp_path / "lot"
    folder.mkdir()
    box_rough(folder, (6, 6, 9), name="b")
    box_rough(folder, (5, 6, 9), name="c")
    lot = ("lot", folder, ROUND, *FEW, "--table-to-c", "0:2", "--csv", tmp_path / "lot.csv")
    assert run(*lot).exit_code == 0
    whole = (tmp_path / "lot.csv").read_bytes()
    # as kill -9 may leave it: the last row missing
    (tmp_path / "lot.csv").write_bytes(b"".join(whole.splitlines(keepends=True)[:-1]))
    assert run(*lot).exit_code == 0
    assert (tmp_path / "lot.csv").read_bytes() == whole
    box_rough(folder, (7, 7, 9), name="a")
    result = run(*lot, "--prices", PRICES, "--json", tmp_path / "lot.json")
    lines = (tmp_path / "lot.csv").read_text().splitlines()
    assert [line.split(",")[1] for line in lines[3:]] == ["a", "b", "c"]
    assert lines[4:] == whole.decode().splitlines()[3:]
    found = json.loads((tmp_path / "lot.json").read_text())
    jsonschema.validate(found, SCHEMA)
    assert [m["rough"]["name"] for m in found["lot"]] == ["a", "b", "c"]
    assert found["unread"] == []
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_files_of_a_lot_that_cannot_be_read_are_rows_with_their_reasons(tmp_path, briefly):
    """A scan of 5,120 smooth triangles, one of which half is missing, one that is not there, a damaged file, a box."""
    folder = tmp_path / "lot"
    folder.mkdir()
    ball = trimesh.creation.icosphere(subdivisions=4, radius=3).export(file_type="stl")
    mesh_rough(folder, ball, "ball")
    mesh_rough(folder, ball[: len(ball) // 2], "cut short")
    mesh_rough(folder, None, "gone")
    (folder / "damaged.toml").write_text('name = "b"\n')
    box_rough(folder, (6, 6, 9), name="box")
    answer = tmp_path / "lot.json"
    result = run("lot", folder, ROUND, *FEW, "--table-to-c", "0:2", "--json", answer)
    assert result.exit_code == 0, result.output
    found = json.loads(answer.read_text())
    jsonschema.validate(found, SCHEMA)
    assert [m["rough"]["name"] for m in found["lot"]] == ["ball", "box"]
    for member in found["lot"]:
        (plan,) = member["plans"]
        assert plan["checked"]["ok"]
    assert found["lot"][0]["plans"][0]["checked"]["triangles"] == 5120
    assert [u["name"] for u in found["unread"]] == ["cut short", "damaged", "gone"]
    words = " ".join(result.stdout.split())
    for name in ("cut short", "damaged", "gone"):
        assert f"{name}: not planned: {folder}/{name}.toml:".replace(" ", "") in words.replace(
            " ", ""
        )
    assert result.stdout.count("see below") == 3
    assert "Traceback" not in result.output


def test_a_lot_s_figures_stand_whole_and_doubts_beside_its_sum(tmp_path, briefly):
    """Two files of one name, one of which was weighed in grams; prices of seven digits in 80 columns."""
    folder = tmp_path / "lot"
    folder.mkdir()
    first = box_rough(folder, (6, 6, 9), name="first").read_text().replace('"first"', '"A stone"')
    (folder / "first.toml").write_text(first)
    # 324 mm3 of 3.99 g/cm3: 1.293 g, 6.46 ct
    (folder / "second.toml").write_text(f"weighed_carats = 1.29\n{first}")
    prices = tmp_path / "dear.toml"
    prices.write_text(PRICES.read_text().replace("per_carat = 650", "per_carat = 1650000").replace("per_carat = 900", "per_carat = 1900000"))  # fmt: skip
    result = run("lot", folder, ROUND, *FEW, "--prices", prices, "--margin", 500, "--csv", tmp_path / "l.csv")  # fmt: skip
    assert result.exit_code == 0, result.output
    table = [line for line in result.stdout.splitlines() if line.startswith("│")]
    assert "…" not in result.stdout
    assert [line.split()[1] for line in table] == ["first", "second", "all"]
    value, bid = (float(c.replace(",", "")) for c in (table[2].split("│")[k] for k in (5, -2)))
    each = [[float(line.split("│")[k].replace(",", "")) for k in (5, -2)] for line in table[:2]]
    # each is rounded to a whole coin
    assert [value, bid] == pytest.approx(np.sum(each, axis=0), abs=1)
    words = " ".join(result.stdout.split())
    assert "second: first find out what is wrong: weighed 1.29 ct" in words
    assert "weighed_carats may hold grams (1.29 g are 6.45 ct)" in words
    assert "Bids and sums hold 1 rough of which something is to be found out first." in words
    assert "A margin of 500 % is asked" in words


@pytest.mark.slow
def test_roughs_of_a_lot_share_the_time(tmp_path, monkeypatch):
    """None takes what the others need: each has its stone, and whichever was cut short says so.

    The seconds are those in which this process works: on a busy machine more go by.
    """
    monkeypatch.setattr(time, "time", time.process_time)
    folder = tmp_path / "lot"
    folder.mkdir()
    for name in "abc":
        box_rough(folder, (6, 7, 9), crack_across(4, at=1.5), name=name)
    answer = tmp_path / "lot.json"
    result = run(
        "lot",
        folder,
        ROUND,
        OVAL,
        *FEW,
        "--most-cells",
        4000,
        "--within",
        0.05,
        "--seconds",
        9,
        "--json",
        answer,
    )
    assert result.exit_code == 0, result.output
    found = json.loads(answer.read_text())
    assert found["unread"] == []
    assert [len(member["plans"]) for member in found["lot"]] == [2, 2, 2]
    assert any(member["stopped"] for member in found["lot"])


def test_a_lot_without_a_rough_that_can_be_read_is_refused(tmp_path):
    folder = tmp_path / "lot"
    folder.mkdir()
    (folder / "b.toml").write_text('name = "b"\n')
    result = run("lot", folder, ROUND)
    assert result.exit_code == 2
    assert "b.toml" in result.stderr
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "holds no rough files" in run("lot", empty, ROUND).stderr


def test_a_design_of_a_lot_that_cannot_be_cut_stops_it(tmp_path):
    folder = tmp_path / "lot"
    folder.mkdir()
    box_rough(folder, (6, 6, 9))
    result = run("lot", folder, tmp_path / "none.toml")
    assert result.exit_code == 2
    assert "none.toml" in result.stderr


def test_numbers_are_the_same_for_any_number_of_workers(tmp_path):
    """Bit for bit: the table, the JSON, the stone's mesh, of one thread and of two with two processes."""
    path = box_rough(tmp_path, (6, 5, 7), crack_across(3, at=1.5), skin=0.1, scan=0.05)
    found = []
    for workers in (1, 2):
        files = [tmp_path / f"{workers}.{end}" for end in ("csv", "json", "stl")]
        table, answer, stone = files
        words = (
            "--rays",
            1024,
            "--most-cells",
            100,
            "--no-picture",
            "--no-losses",
            "--workers",
            workers,
        )
        result = run(
            "plan", path, ROUND, *words, "--csv", table, "--json", answer, "--stone", stone
        )
        assert result.exit_code == 0, result.output
        found.append([file.read_bytes() for file in files])
    assert found[0] == found[1]


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
