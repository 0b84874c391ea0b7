"""The certificate of a re-cut: right ones hold, each kind of wrong one is told. Stones are invented."""

import ast
import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from cut_stones import SHIPPED, box_file, run, stone_file
from scipy.optimize import linprog
from scipy.spatial import ConvexHull
from shared import ROOT, SCHEMA
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.common.errors import FacetraceError
from facetrace.recut import remedies
from facetrace.recut.check import check, require
from facetrace.recut.planes import outside
from facetrace.recut.recut import checked_of, sizes_of
from facetrace.recut.search import plan_of
from facetrace.recut.stone import read_stone
from facetrace.results.recut import checked_words
from facetrace.solid.export import mesh_bytes
from facetrace.solid.polyhedron import Solid

RUBY = SHIPPED[1]


@pytest.fixture(scope="module")
def ruby():
    stone = read_stone(RUBY)
    return stone, plan_of(stone, stone.model.floor_carats)


def checked(stone, plan, **changes):
    """The check of a plan whose state after is changed."""
    after = replace(plan.after, **changes)
    return checked_of(stone, replace(plan, after=after), stone.model.floor_carats)


def with_planes(solid, changes):
    """The solid with other offsets, by name."""
    offsets = solid.offsets.copy()
    for name, mm in changes.items():
        offsets[solid.names.index(name)] += mm
    return Solid.from_planes(solid.normals, offsets, solid.names)


def test_shares_nothing_with_the_search():
    """What it imports when it runs: numpy, scipy, and the class of errors."""
    tree = ast.parse((ROOT / "facetrace" / "recut" / "check.py").read_text())
    found = {n.module for n in tree.body if isinstance(n, ast.ImportFrom)}
    assert {m for m in found if m.startswith("facetrace")} == {"facetrace.common.errors"}


# ---- what is right ----------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_stones_hold(path):
    stone = read_stone(path)
    plan = plan_of(stone, stone.model.floor_carats)
    found = checked_of(stone, plan, stone.model.floor_carats)
    assert found.ok, found.problems
    require(stone, found)
    # the hull of the printed corners, scaled by what the balance said: scipy's Qhull
    share = ConvexHull(plan.after.solid.vertices).volume / ConvexHull(stone.solid.vertices).volume
    assert found.carats == pytest.approx(stone.model.measured.carats * share, rel=1e-8)
    assert [f.gone for f in found.flaws] == [f.gone for f in plan.fates]
    assert all((f.mm >= 0) == f.gone for f in found.flaws)
    assert checked_words(found).startswith(
        f"Checked by separate code: {plan.after.carats:.3f} ct, "
    )


def test_a_cube_in_closed_form(tmp_path):
    """4.00 g/cm3, 4 x 4 x 3.86 mm x 0.005 (metric carat, 1907); a pit of 0.137 lies 0.003 mm above the cut of 0.14."""
    stone = read_stone(box_file(tmp_path, 'facet = "table"\ndepth_mm = 0.137\nat = [0.3, 0.2]'))
    found = checked_of(stone, plan_of(stone, 0.1), 0.1)
    assert found.ok, found.problems
    assert found.carats == pytest.approx(4 * 4 * 3.86 * 4.0 * 0.005, rel=1e-9)
    assert found.above_floor_carats == pytest.approx(4 * 4 * 3.86 * 4.0 * 0.005 - 0.1, rel=1e-9)
    assert found.flaws[0].mm == pytest.approx(0.003, abs=1e-9)
    # where nothing is taken, it is as deep as the file says
    found = checked_of(stone, plan_of(stone, 1.28), 1.28)
    assert found.ok
    assert (found.flaws[0].gone, round(found.flaws[0].mm, 9)) == (False, -0.137)


@pytest.mark.parametrize("facet", ["table", "girdle 27", "girdle 3", "crown main 24"])
def test_a_cut_just_as_deep_as_the_flaw(tmp_path, facet):
    """A whole facet's flaw of 0.05 mm goes with a cut of 0.05 mm: it lies on the stone after, 0 mm out."""
    stone = read_stone(stone_file(tmp_path, [f'facet = "{facet}"\ndepth_mm = 0.05'], floor=0.9))
    found = checked_of(stone, plan_of(stone, 0.9), 0.9)
    assert found.ok, found.problems
    assert found.flaws[0].gone
    assert found.flaws[0].mm == pytest.approx(0.0, abs=1e-9)


def test_a_scan_holds(tmp_path, ruby):
    """A mesh of single precision, whose meets part by rounding."""
    stone, _ = ruby
    (tmp_path / "scan.stl").write_bytes(mesh_bytes(stone.solid, "stl"))
    text = stone_file(tmp_path, ['at_mm = [0, 0, 1.07]\ndepth_mm = 0.02\nwidth_mm = 0.3']).read_text()  # fmt: skip
    (tmp_path / "mesh.toml").write_text(
        text.replace('design = "round-brilliant.toml"', 'mesh = "scan.stl"\nmaterial = "ruby"')
    )
    scanned = read_stone(tmp_path / "mesh.toml")
    found = checked_of(scanned, plan_of(scanned, 1.0), 1.0)
    assert found.ok, found.problems


@pytest.mark.parametrize("seed", range(3))
def test_what_goes_is_gone_between_its_points_too(tmp_path, seed):
    """Wide chips on edges: no point of a chip's body lies inside the stone after. Reference: scipy's linprog."""
    rng = np.random.default_rng(seed)
    first = read_stone(stone_file(tmp_path, ['facet = "table"\ndepth_mm = 0.02']))
    flaws = []
    for corner in first.solid.vertices[rng.choice(len(first.solid.vertices), 4, replace=False)]:
        place = [round(float(x), 4) for x in corner]
        flaws.append(f"at_mm = {place}\ndepth_mm = 0.04\nwidth_mm = {rng.uniform(0.3, 1.0):.3f}")
    stone = read_stone(stone_file(tmp_path, flaws, floor=0.8, more="[limits]\nsymmetry_mm = 0.5\n"))
    plan = plan_of(stone, 0.8)
    found = checked_of(stone, plan, 0.8)
    assert found.ok, found.problems
    after = plan.after.solid
    for fate, spot in zip(plan.fates, stone.spots, strict=True):
        if fate.gone:
            k = len(spot.bottoms)
            deepest = linprog(
                np.append(np.zeros(k), -1.0),
                A_ub=np.column_stack([after.normals @ spot.bottoms.T, np.ones(len(after.names))]),
                b_ub=after.offsets, A_eq=np.append(np.ones(k), 0.0)[None], b_eq=[1.0],
                bounds=[(0, None)] * k + [(None, None)],
            )  # fmt: skip
            assert -deepest.fun < 1e-6


def test_a_wide_chip_that_goes_in_its_points_only(tmp_path, monkeypatch):
    """A search that asks each deepest point alone is found out: planes on both sides of an edge leave what lies between."""
    flaws = [
        'facet = "girdle 63"\nat = [0.92908, -0.36960]\ndepth_mm = 0.0281\nwidth_mm = 0.24',
        'facet = "girdle 51"\nat = [-0.97719, -0.21191]\ndepth_mm = 0.081\nwidth_mm = 0.905',
        "at_mm = [0.9128, -0.3719, -2.2291]\ndepth_mm = 0.0826\nwidth_mm = 0.194",
    ]
    more = "[limits]\nsymmetry_mm = 0.5\n"
    path = stone_file(tmp_path, flaws, carats=1.2, floor=1.0798, size=6.5, depth=4.145, more=more)
    stone = read_stone(path)
    assert checked_of(stone, plan_of(stone, 1.0798), 1.0798).ok

    def by_points(bench, flaw, solid):
        return outside(solid, bench.stone.spots[flaw].bottoms)

    monkeypatch.setattr(remedies.Bench, "gone", by_points)
    (problem,) = checked_of(stone, plan_of(stone, 1.0798), 1.0798).problems
    assert problem.startswith("the flaw 'flaw 1' is said to go, but 0.03")


def test_what_goes_by_the_way_is_said(ruby):
    stone, plan = ruby
    fates = (replace(plan.fates[0], gone=False), *plan.fates[1:])
    found = checked_of(stone, replace(plan, fates=fates), 1.0)
    assert found.ok
    assert "'pit in the table', said to stay, goes by the way" in checked_words(found)


# ---- what is wrong ----------------------------------------------------------------------------


def test_a_plane_above_the_old_one(ruby):
    stone, plan = ruby
    grown = with_planes(plan.after.solid, {"table": 0.05})
    found = checked(stone, plan, solid=grown, carats=stone.carats(grown))
    assert not found.ok
    assert "outside the stone before" in found.problems[0]
    # by less than a thousandth of a hair: 1e-7 mm above the old table
    old = stone.solid.offsets[stone.solid.names.index("table")]
    now = plan.after.solid.offsets[plan.after.solid.names.index("table")]
    slight = with_planes(plan.after.solid, {"table": old - now + 1e-7})
    assert "lies 1e-07 mm outside" in checked(stone, plan, solid=slight).problems[0]


@pytest.mark.parametrize("share", [1.01, 0.99, 1 + 1e-6, math.nan])
def test_a_wrong_weight(ruby, share):
    stone, plan = ruby
    (problem,) = checked(stone, plan, carats=plan.after.carats * share).problems
    assert problem.startswith("the weight after is")
    assert "% off what the corners weigh" in problem


def test_below_the_floor(ruby):
    stone, plan = ruby
    floor = plan.after.carats - stone.model.spare_carats + 0.001
    sizes = (vars(sizes_of(stone, s.solid)) for s in (plan.before, plan.after))
    plan = replace(plan, lowest=stone.lowest(floor))
    (problem,) = check(stone, plan, floor, *sizes).problems
    assert problem == "the stone after weighs less than it must keep"
    # a floor other than the file's and the command's
    (problem,) = checked_of(stone, replace(plan, lowest=0.5), 1.0).problems
    assert problem == "what the stone must keep is not what the file says"


def test_a_failed_check_is_an_error(ruby):
    stone, plan = ruby
    with pytest.raises(FacetraceError, match="did not pass its check by separate code: the weight"):
        require(stone, checked(stone, plan, carats=1.0))


def test_a_flaw_that_is_not_gone(ruby):
    stone, plan = ruby
    fates = tuple(replace(f, gone=True) for f in plan.fates)
    (problem,) = checked_of(stone, replace(plan, fates=fates), 1.0).problems
    assert problem == "the flaw 'chip at the girdle' is said to go, but 0.15 mm of it stay"
    # its place is not the file's
    spots = (
        replace(stone.spots[0], place=stone.spots[0].place + np.array([0.1, 0, 0])),
        *stone.spots[1:],
    )
    (problem,) = checked_of(replace(stone, spots=spots), plan, 1.0).problems
    assert problem == "the flaw 'pit in the table' is not where the file says"


def test_a_plane_that_no_cut_names(ruby):
    stone, plan = ruby
    cut = with_planes(plan.after.solid, {"crown main 24": -0.01})
    found = checked(stone, plan, solid=cut, carats=stone.carats(cut))
    assert found.problems[0] == "the facet 'crown main 24' is cut, but no cut names it"
    # or it is named with a wrong angle, or a wrong depth
    for change, problem in (({"mm": 0.2}, "goes"), ({"angle_after": 3.0}, "comes to")):
        cuts = (replace(plan.cuts[0], **change), *plan.cuts[1:])
        (told,) = checked_of(stone, replace(plan, cuts=cuts), 1.0).problems
        assert problem in told


def test_a_wrong_size(ruby):
    stone, plan = ruby
    before, after = (vars(sizes_of(stone, s.solid)) for s in (plan.before, plan.after))
    for name in ("length_mm", "width_mm", "depth_mm", "table_percent", "girdle_min_mm", "crown_height_mm"):  # fmt: skip
        (problem,) = check(stone, plan, 1.0, before, after | {name: after[name] + 0.001}).problems
        assert problem.startswith(f"{name} after is ")


# ---- the command ------------------------------------------------------------------------------


def test_command_says_and_writes_it(tmp_path):
    path = tmp_path / "out.json"
    done = run(RUBY, "--rays", 2048, "--no-picture", "--json", path)
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "Checked by separate code: 1.017 ct, 0.012 ct above what it must keep; every flaw that goes is cut away" in said  # fmt: skip
    document = json.loads(path.read_text())
    jsonschema.validate(document, SCHEMA)
    part = document["recut"]["checked"]
    assert part["ok"]
    assert part["carats"] == pytest.approx(document["recut"]["after"]["carats"], rel=1e-7)
    assert [f["gone"] for f in part["flaws"]] == [True, True, True, False]
    assert part["words"] in said


def test_command_shows_no_weight_of_a_wrong_one(tmp_path, monkeypatch):
    def heavier(stone, floor):
        plan = plan_of(stone, floor)
        return replace(plan, after=replace(plan.after, carats=1.01 * plan.after.carats))

    monkeypatch.setattr("facetrace.recut.recut.plan_of", heavier)
    picture, path = tmp_path / "out.png", tmp_path / "out.json"
    done = CliRunner().invoke(
        app, ["recut", str(RUBY), "--picture", str(picture), "--json", str(path)]
    )
    assert done.exit_code == 2
    assert done.stdout == ""
    line = " ".join(done.stderr.split())
    assert "did not pass its check by separate code: the weight after is +1 % off" in line
    assert " ct" not in line
    assert not picture.exists()
    assert not path.exists()
