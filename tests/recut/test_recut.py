"""Re-cutting: what cuts take in closed form, symmetry that stays, floors that hold. Stones are invented."""

import itertools
import json
import math
import shutil
import tomllib

import jsonschema
import numpy as np
import pytest
import trimesh
from cut_stones import ROUND, SHIPPED, box_file, run, stone_file
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, HalfspaceIntersection
from shared import DESIGNS, ROOT, SCHEMA

from facetrace.common.errors import FileError
from facetrace.design.model import read_design
from facetrace.optics.lights import find_light
from facetrace.recut.facets import faceted
from facetrace.recut.planes import (
    Hinge,
    asymmetry,
    far_hinges,
    lowered,
    outside,
    radians_to_clear,
    siblings,
    slope_hinges,
    symmetries,
    turned,
    with_planes,
)
from facetrace.recut.recut import Lights, light_of, worth_it
from facetrace.recut.search import merged, plan_of
from facetrace.recut.stone import read_stone, schema_text
from facetrace.results.recut import cautions, floor_words, girdle_words, outcome, verdict
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes, mesh_of
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import Estimate

SIDES = np.vstack([np.eye(3), -np.eye(3)])
FLAW = 'facet = "table"\ndepth_mm = 0.02'
CONVEX = [p for p in DESIGNS if "heart" not in p.stem]


# ---- closed forms -----------------------------------------------------------------------------


def test_cube_with_a_pit_in_its_table(tmp_path):
    """What is left of a cube of edge a whose top goes down by d: a a (a - d) of a a a."""
    path = box_file(tmp_path, 'facet = "table"\ndepth_mm = 0.137')
    stone = read_stone(path)
    plan = plan_of(stone, 0.1)
    (cut,) = plan.cuts
    # up to the next 0.01 mm
    assert (cut.name, round(cut.mm, 9), cut.vanished) == ("table", 0.14, False)
    assert plan.after.solid.volume == pytest.approx(4 * 4 * 3.86, rel=1e-12)
    assert plan.after.carats == pytest.approx(4 * 4 * 3.86 * 4.0 * 0.005, rel=1e-9)
    assert plan.fates[0].gone


def test_turned_facet_takes_a_wedge():
    """A face turned by t about one edge of the cube takes a a a tan(t) / 2."""
    a, t = 4.0, math.radians(0.7)
    cube = Solid.from_planes(SIDES, np.full(6, a / 2))
    for hinge in far_hinges(cube, 2, np.array([1.9, 0.3, 2.0])):
        if hinge.word == "far edge":
            left = with_planes(cube, {2: turned(cube, 2, hinge, t)}).volume
            assert a**3 - left == pytest.approx(a**3 * math.tan(t) / 2, rel=1e-9)
    # the angle that a pit asks for: atan(depth / reach)
    edge = Hinge(np.array([-2.0, 0, 2]), np.array([1.0, 0, 0]), "far edge")
    needed = radians_to_clear(cube, 2, edge, np.array([[1.5, 0.0, 1.9]]))
    assert needed == pytest.approx(math.atan2(0.1, 3.5), rel=1e-12)


def test_octahedron_loses_its_point_and_its_skin():
    """|x| + |y| + |z| <= r: a point cut h deep is a pyramid of 2 h^3 / 3; all faces down by d leave
    ((r - d sqrt 3) / r)^3."""
    r, h, d = 3.0, 0.4, 0.1
    signs = np.array([[x, y, z] for x in (1, -1) for y in (1, -1) for z in (1, -1)]) / math.sqrt(3)
    stone = Solid.from_planes(signs, np.full(8, r / math.sqrt(3)))
    blunt = with_planes(stone, {8: np.array([0.0, 0.0, -1.0, r - h])})
    assert stone.volume - blunt.volume == pytest.approx(2 * h**3 / 3, rel=1e-9)
    assert "new culet" in blunt.names
    small = with_planes(stone, {i: lowered(stone, i, d) for i in range(8)})
    assert small.volume == pytest.approx(stone.volume * (1 - d * math.sqrt(3) / r) ** 3, rel=1e-9)


def test_skin_of_a_stone_that_is_almost_a_ball(rng):
    """Facets that all touch a ball of radius r, down by d: (1 - d / r)^3 exactly, area x d to first order."""
    normals = rng.normal(size=(300, 3))
    ball = Solid.from_planes(normals / np.linalg.norm(normals, axis=1)[:, None], np.full(300, 3.0))
    for d in (0.01, 0.001):
        lost = ball.volume - with_planes(ball, {i: lowered(ball, i, d) for i in range(300)}).volume
        assert lost == pytest.approx(ball.volume * (1 - (1 - d / 3) ** 3), rel=1e-7)
        assert lost == pytest.approx(ball.areas.sum() * d, rel=1.1 * d / 3)


@pytest.mark.parametrize("path", CONVEX, ids=lambda p: p.stem)
def test_volumes_agree_with_scipy_and_first_order(path, rng):
    """Halfspace intersection and hull of scipy, for random facets down and turned at once."""
    stone = build_solid(read_design(path).design)
    changes = {}
    for i in rng.choice(len(stone.names), 6, replace=False):
        hinges = slope_hinges(stone, int(i))
        turn = hinges and rng.random() < 0.5
        changes[int(i)] = (
            turned(stone, int(i), hinges[0], math.radians(0.6))
            if turn
            else lowered(stone, int(i), 0.03)
        )
    found = with_planes(stone, changes)
    planes = stone.planes.T.copy()
    for i, plane in changes.items():
        planes[i] = plane
    halves = np.column_stack([planes[:, :3], -planes[:, 3]])
    corners = HalfspaceIntersection(halves, stone.vertices.mean(axis=0)).intersections
    assert found.volume == pytest.approx(ConvexHull(corners, qhull_options="QJ").volume, rel=1e-6)
    # nothing grows: every corner of the new stone lies in the old one
    assert (found.vertices @ stone.normals.T <= stone.offsets + 1e-7).all()
    thin = with_planes(stone, {3: lowered(stone, 3, 1e-5)})
    assert stone.volume - thin.volume == pytest.approx(1e-5 * stone.areas[3], rel=0.02)


def test_volume_agrees_with_a_sliced_mesh():
    """The hull of what trimesh's slice by a plane leaves, as the reference."""
    stone = build_solid(read_design(ROUND).design)
    facet = stone.names.index("pavilion main 12")
    plane = turned(stone, facet, slope_hinges(stone, facet)[1], math.radians(0.8))
    mesh = mesh_of(stone)
    points = trimesh.intersections.slice_faces_plane(
        mesh.vertices, mesh.faces, -plane[:3], plane[:3] * plane[3]
    )[0]
    cut = trimesh.convex.convex_hull(points)
    assert with_planes(stone, {facet: plane}).volume == pytest.approx(cut.volume, rel=1e-9)
    assert with_planes(stone, {facet: plane}).volume < stone.volume - 1e-3


# ---- symmetry ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "order", "mains"),
    [("round-brilliant", 16, 8), ("oval-brilliant", 4, 4), ("pear-brilliant", 2, 2),
     ("square-step", 8, None), ("marquise-brilliant", 4, 4)],
)  # fmt: skip
def test_symmetry_of_outlines(name, order, mains):
    """Orders of the point groups D8, D2, D1, D4 (identity counted), and orbits of one facet."""
    stone = build_solid(read_design(ROOT / "designs" / f"{name}.toml").design)
    found = symmetries(stone)
    assert len(found) + 1 == order
    if mains:
        of_mains = [i for i, name in enumerate(stone.names) if name.startswith("pavilion main")]
        assert max(len(siblings(found, i)) for i in of_mains) == mains


@pytest.mark.parametrize("path", CONVEX, ids=lambda p: p.stem)
def test_siblings_cut_alike_stay_alike(path):
    """The orbit keeps the symmetry to rounding, in depth and in angle; one facet alone does not."""
    stone = build_solid(read_design(path).design)
    found = symmetries(stone)
    assert found
    for facet in range(0, len(stone.names), 7):
        mates = siblings(found, facet)
        down = with_planes(stone, {i: lowered(stone, i, 0.02) for i in mates})
        assert asymmetry(down, found) < 1e-6
        if slope_hinges(stone, facet) and abs(stone.normals[facet, 2]) > 1e-9:
            turns = {i: turned(stone, i, slope_hinges(stone, i)[1], 0.01) for i in mates}
            assert asymmetry(with_planes(stone, turns), found) < 1e-6
        if len(mates) > 1:
            assert asymmetry(with_planes(stone, {facet: lowered(stone, facet, 0.02)}), found) > 0.01


# ---- what goes and what stays -----------------------------------------------------------------

PLACES = ("table", "pavilion main 12", "pavilion break 21", "crown main 48", "girdle 33", "star 6")


@settings(max_examples=40)
@given(
    flaws=st.lists(
        st.tuples(
            st.sampled_from(PLACES), st.floats(0.005, 0.12), st.floats(0, 0.95), st.floats(0, 6.28)
        ),
        min_size=1, max_size=3,
    ),
    floor=st.floats(0.95, 1.03),
)  # fmt: skip
def test_never_below_the_floor_and_what_goes_is_gone(tmp_path_factory, flaws, floor):
    folder = tmp_path_factory.mktemp("stone")
    tables = [
        f'facet = "{f}"\ndepth_mm = {d:.4f}\nat = [{s * math.cos(a):.4f}, {s * math.sin(a):.4f}]'
        for f, d, s, a in flaws
    ]
    stone = read_stone(stone_file(folder, tables, floor=floor, spare=0.002))
    plan = plan_of(stone, floor)
    assert plan.before.carats == pytest.approx(1.02)
    if plan.cuts:
        assert plan.after.carats >= floor + 0.002
        assert plan.after.asymmetry_mm <= 0.05
        assert all(abs(c.angle_after - c.angle_before) <= 1 + 1e-9 for c in plan.cuts)
    else:
        assert plan.after.carats == plan.before.carats
    for fate, spot in zip(plan.fates, stone.spots, strict=True):
        assert fate.gone == outside(plan.after.solid, spot.bottoms)
        assert fate.gone or fate.stopped
        for remedy in fate.remedies:
            if remedy.state:
                assert outside(remedy.state.solid, spot.bottoms)
                # the cut is as small as its steps allow
                assert remedy.state.carats < plan.before.carats
    points = plan.after.solid.vertices
    assert (points @ stone.solid.normals.T <= stone.solid.offsets + 1e-7).all()


def test_search_finds_what_trying_all_sets_finds(tmp_path, rng):
    """Every set of at most one remedy for each of three flaws, within the limits, against the bounded search."""
    for floor in 4 * (0.98, 1.009, 1.014):
        flaws = []
        for facet in rng.choice(PLACES, 3, replace=False):
            at = rng.uniform(-0.6, 0.6, 2).round(3).tolist()
            depth = round(rng.uniform(0.01, 0.06), 3)
            flaws.append(f'facet = "{facet}"\nat = {at}\ndepth_mm = {depth}')
        stone = read_stone(stone_file(tmp_path, flaws, floor=floor))
        plan = plan_of(stone, floor)
        found = symmetries(stone.solid)
        best = (0, 0.0, 0.0)
        options = [[None, *(r for r in f.remedies if r.refusal is None)] for f in plan.fates]
        for chosen in itertools.product(*options):
            changes = {}
            for remedy in chosen:
                changes = merged(stone.solid, changes, remedy.changes if remedy else {})
                if changes is None:
                    break
            if changes is None:
                continue
            solid = with_planes(stone.solid, changes)
            if stone.carats(solid) < floor or asymmetry(solid, found) > 0.05:
                continue
            if (
                measure(solid, 1.0).girdle_min_mm
                < min(0.05, measure(stone.solid, 1.0).girdle_min_mm) - 1e-9
            ):
                continue
            gone = [outside(solid, s.bottoms) for s in stone.spots]
            depth = sum(f.depth_mm for f, g in zip(stone.model.flaw, gone, strict=True) if g)
            best = max(best, (sum(gone), round(depth, 9), stone.carats(solid)))
        gone = [f.gone for f in plan.fates]
        depth = sum(f.depth_mm for f, g in zip(stone.model.flaw, gone, strict=True) if g)
        assert (sum(gone), round(depth, 9)) == best[:2]
        assert plan.after.carats == pytest.approx(best[2], abs=1e-9)


def test_deeper_flaws_cost_more(tmp_path):
    last = 0.0
    for depth in (0.01, 0.02, 0.03, 0.05, 0.08):
        flaw = f'facet = "crown main 24"\ndepth_mm = {depth}'
        stone = read_stone(stone_file(tmp_path, [flaw], floor=0.5))
        plan = plan_of(stone, 0.5)
        assert plan.fates[0].gone
        assert plan.before.carats - plan.after.carats > last
        last = plan.before.carats - plan.after.carats


def test_one_cut_takes_its_neighbour_along(tmp_path):
    """Two pits in siblings go with one cut of the tier; the cheaper way for both is found."""
    flaws = [f'facet = "pavilion main {k}"\nat = [0, 0.5]\ndepth_mm = 0.01' for k in (12, 60)]
    stone = read_stone(stone_file(tmp_path, flaws))
    plan = plan_of(stone, 1.0)
    assert [f.gone for f in plan.fates] == [True, True]
    assert [f.remedy is None for f in plan.fates] == [False, True]
    assert len(plan.cuts) == 8


def test_importance_decides_where_the_floor_allows_one(tmp_path):
    table = 'facet = "table"\ndepth_mm = 0.05'
    girdle = 'facet = "girdle 27"\ndepth_mm = 0.08'
    for first, second, gone in (("", "importance = 3", [False, True]), ("importance = 3", "", [True, False])):  # fmt: skip
        stone = read_stone(
            stone_file(tmp_path, [f"{table}\n{first}", f"{girdle}\n{second}"], floor=1.0105)
        )
        assert [f.gone for f in plan_of(stone, 1.0105).fates] == gone


def test_edges_of_the_task(tmp_path):
    """Culet, whole facets, outline, no weight to spare, and a girdle wish."""
    stone = read_stone(stone_file(tmp_path, ["at_mm = [0, 0, -2.87]\ndepth_mm = 0.04"]))
    plan = plan_of(stone, 1.0)
    assert [c.name for c in plan.cuts] == ["new culet"]
    assert plan.fates[0].remedy.who == "culet"
    # 16 flats at 6.17 mm in by 0.05: the width falls by 0.1
    stone = read_stone(stone_file(tmp_path, ['facet = "girdle 27"\ndepth_mm = 0.05']))
    text = " ".join(cautions(stone, plan_of(stone, 1.0)))
    assert "width 6.17 to 6.07 mm" in text
    # a crown ground down to where the stars were
    deep = 'facet = "table"\ndepth_mm = 0.5'
    stone = read_stone(stone_file(tmp_path, [deep], floor=0.1))
    plan = plan_of(stone, 0.1)
    assert "Ground away entirely: star" in " ".join(cautions(stone, plan))
    # already below its floor
    stone = read_stone(stone_file(tmp_path, [deep], floor=1.1))
    plan = plan_of(stone, 1.1)
    assert plan.cuts == ()
    assert "there is nothing to take off" in verdict(stone, plan, None)
    # what the whole may cost
    flaw = 'facet = "table"\ndepth_mm = 0.05'
    more = "[limits]\nmost_carats = 0.002\n[girdle]\nfacet = 96\n"
    stone = read_stone(stone_file(tmp_path, [flaw], floor=0.5, more=more))
    plan = plan_of(stone, 0.5)
    assert not plan.cuts
    assert floor_words(stone, 0.5) == "It must keep 1.018 ct: the re-cut may cost 0.002."
    # circle to 96 flats against 256: n / (2 pi) sin(2 pi / n), of the girdle's share of the weight
    assert 0 < stone.flats[1] < 1.02 * (1 - 96 / (2 * math.pi) * math.sin(2 * math.pi / 96))
    assert "96 flats" in girdle_words(stone, plan)


def test_a_scan_is_judged_as_its_design_is(tmp_path):
    """The mesh of a design, through the file of single precision that STL is, gives its facets back."""
    drawn = build_solid(read_design(ROUND).design)
    path = tmp_path / "scan.stl"
    path.write_bytes(mesh_bytes(drawn, "stl"))
    scanned = faceted(path).solid
    assert len(scanned.names) == len(drawn.names)
    assert scanned.volume == pytest.approx(drawn.volume, rel=1e-5)
    assert len(symmetries(scanned)) == 15
    text = stone_file(tmp_path, ['facet = "table"\ndepth_mm = 0.03']).read_text()
    text = text.replace(f'design = "{ROUND.name}"', 'mesh = "scan.stl"\nmaterial = "ruby"')
    (tmp_path / "mesh.toml").write_text(text)
    of_mesh, of_design = (read_stone(tmp_path / n) for n in ("mesh.toml", "stone.toml"))
    a, b = plan_of(of_mesh, 1.0), plan_of(of_design, 1.0)
    assert a.after.carats == pytest.approx(b.after.carats, abs=1e-5)
    # the same stone leaning by half a degree, somewhere else: levelled, and places are those of the mesh
    leaning = trimesh.load_mesh(path)
    leaning.apply_transform(trimesh.transformations.rotation_matrix(0.0087, [1, 2, 0.0]))
    leaning.apply_translation([20, -30, 40])
    leaning.export(path)
    scan = faceted(path)
    assert len(scan.solid.names) == len(drawn.names)
    assert measure(scan.solid, 1.0).girdle_mean_mm == pytest.approx(0.18, abs=1e-3)
    assert np.abs(scan.solid.vertices).max() == pytest.approx(
        np.abs(drawn.vertices).max(), abs=1e-3
    )
    place = scan.points_out(np.array([[0, 0, 1.12]]))[0].round(4).tolist()
    (tmp_path / "mesh.toml").write_text(text.replace('facet = "table"', f"at_mm = {place}"))
    stone = read_stone(tmp_path / "mesh.toml")
    assert [stone.solid.names[i] for i in stone.spots[0].facets] == ["table"]
    np.testing.assert_allclose(stone.places(stone.spots[0].place), place, atol=0.02)


def test_a_stone_without_symmetry_is_cut_facet_by_facet(tmp_path, rng):
    """A random stone: the cheapest cut turns one facet about its far side, which a tier could not."""
    normals = rng.normal(size=(40, 3))
    normals = np.vstack([normals / np.linalg.norm(normals, axis=1)[:, None], [[0, 0, 1.0]]])
    normals = normals[(normals[:, 2] < 0.9) | (normals[:, 2] == 1)]
    lump = Solid.from_planes(normals, np.append(np.full(len(normals) - 1, 3.0), 2.2))
    (tmp_path / "lump.stl").write_bytes(mesh_bytes(lump, "stl"))
    solid = faceted(tmp_path / "lump.stl").solid
    assert symmetries(solid) == []
    size = np.ptp(solid.vertices, axis=0)
    length, width = sorted(size[:2])[::-1]
    text = f"""name = "Lump"\nmesh = "lump.stl"\nmaterial = "ruby"\nfloor_carats = 1\n
[measured]\nlength_mm = {length}\nwidth_mm = {width}\ndepth_mm = {size[2]}\ncarats = {solid.volume * 0.02}
[[flaw]]\nname = "pit"\nfacet = "table"\nat = [0.9, 0]\ndepth_mm = 0.03\n"""
    (tmp_path / "lump.toml").write_text(text)
    stone = read_stone(tmp_path / "lump.toml")
    plan = plan_of(stone, 1.0)
    (cut,) = plan.cuts
    assert plan.fates[0].remedy.way == "turned"
    assert 0 < cut.angle_after <= 1
    assert round(cut.angle_after * 10, 6) == round(cut.angle_after * 10)
    assert "no symmetry that a cut could spoil" in " ".join(cautions(stone, plan))


def test_a_girdle_is_not_ground_to_a_knife_edge(tmp_path):
    """Pavilion breaks at 43 degrees by 0.09 mm take 0.09 / cos 43 = 0.12 of a girdle of 0.17 mm."""
    flaw = 'facet = "pavilion break 21"\ndepth_mm = 0.09'
    stone = read_stone(stone_file(tmp_path, [flaw], floor=0.5, more="[limits]\ngirdle_mm = 0.1\n"))
    plan = plan_of(stone, 0.5)
    assert not plan.cuts
    assert "16 pavilion break facets 0.09 mm down would thin the girdle to 0.05 mm (limit 0.1)" in (
        outcome(stone, plan, plan.fates[0])
    )
    more = "[limits]\ngirdle_mm = 0.04\n"
    free = read_stone(stone_file(tmp_path, [flaw], floor=0.5, more=more))
    assert plan_of(free, 0.5).fates[0].gone


def test_darker_stones_are_not_worth_it(tmp_path):
    stone = read_stone(stone_file(tmp_path, [FLAW]))
    plan = plan_of(stone, 1.0)
    for change, worth in ((-0.02, False), (-0.0105, True), (0.01, True)):
        same = {"light_return": Estimate(0.1, 0.001)}
        seen = Lights(same, same, {"light_return": Estimate(change, 0.001)})
        assert worth_it(stone, plan, seen) is worth
        assert verdict(stone, plan, seen).startswith("Worth" if worth else "Not worth it")


def test_light_before_and_after(tmp_path):
    """Nothing cut, nothing changes; what is cut has a paired error below that of unpaired figures."""
    stone = read_stone(stone_file(tmp_path, ['facet = "table"\ndepth_mm = 0.02']))
    plan = plan_of(stone, 1.0)
    seen = light_of(stone, plan, find_light("hemisphere"), 1 << 14, 1)
    change = seen.change["light_return"]
    assert change.value == pytest.approx(
        seen.after["light_return"].value - seen.before["light_return"].value, abs=1e-12
    )
    assert change.stderr < 1.5 * seen.before["light_return"].stderr
    assert worth_it(stone, plan, seen) == (change.value > -0.01)
    idle = plan_of(stone, 1.02)
    seen = light_of(stone, idle, find_light("hemisphere"), 1 << 12, 1)
    assert all(e.value == 0 and e.stderr == 0 for e in seen.change.values())


# ---- files ------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_stones_are_sound(path):
    text = path.read_text(encoding="utf-8")
    schema = json.loads((path.parent / "facetrace-stone.schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(tomllib.loads(text), schema)
    assert text.startswith("#:schema ./facetrace-stone.schema.json\n")
    stone = read_stone(path)
    assert "invented" in stone.model.notes
    assert not stone.notes


def test_published_schema_of_stones_is_that_of_the_code():
    """Made by: python -m facetrace.recut.stone"""
    path = ROOT / "designs" / "cut" / "facetrace-stone.schema.json"
    assert path.read_text(encoding="utf-8") == schema_text()


@pytest.mark.parametrize(
    ("flaw", "more", "line", "words"),
    [
        ('facet = "tabel"\ndepth_mm = 0.02', {}, 12, "flaw[1].facet: no facet is named 'tabel'; did you mean 'table'?"),
        ("depth_mm = 0.02", {}, 10, "flaw[1]: needs one of facet and at_mm, to say where it is"),
        ("at_mm = [0, 0, 9]\ndepth_mm = 0.02", {}, 12, "flaw[1].at_mm: lies 7.93 mm from the surface"),
        (f"{FLAW}\nat = [0.9, 0.9]", {}, 10, "at: lies beyond the facet's edge"),
        (f"{FLAW}\ndeep = 1", {}, 14, "flaw[1].deep: unknown key; known here: at, at_mm"),
        (FLAW, {"carats": 3.0}, 9, "measured.carats: 3 ct cannot be this stone: shape and sizes make 1.0"),
        (FLAW, {"more": "[limits]\nmost_angle = 90\n"}, 11, "limits.most_angle: must be at most 15"),
    ],
)  # fmt: skip
def test_wrong_files_are_told_by_line_and_key(tmp_path, flaw, more, line, words):
    path = stone_file(tmp_path, [flaw], **more)
    with pytest.raises(FileError) as error:
        read_stone(path)
    assert words in str(error.value)
    assert f"{path}:{line}:" in str(error.value)


def test_shapes_that_cannot_be_judged(tmp_path):
    text = stone_file(tmp_path, [FLAW]).read_text()
    shutil.copy(ROOT / "designs" / "heart-brilliant.toml", tmp_path)
    trimesh.creation.torus(2.0, 0.5).export(tmp_path / "torus.stl")
    turned_box = trimesh.creation.box((4, 4, 4))
    turned_box.apply_transform(trimesh.transformations.rotation_matrix(0.5, [1, 0.3, 0]))
    turned_box.export(tmp_path / "tilted.stl")
    trimesh.creation.icosphere(4, 2.0).export(tmp_path / "ball.stl")
    for shape, words in (
        ('design = "heart-brilliant.toml"', "stone.toml:2: design: is a heart"),
        ('design = "none.toml"', "none.toml: no such file"),
        ('mesh = "torus.stl"\nmaterial = "ruby"', "the mesh is not convex"),
        ('mesh = "tilted.stl"\nmaterial = "ruby"', "no facet faces +z within 1 degree"),
        ('mesh = "ball.stl"\nmaterial = "ruby"', "faces in different planes"),
        ('mesh = "ball.stl"', "material: is missing; a mesh does not say"),
        (f'design = "{ROUND.name}"\nmesh = "ball.stl"', "needs exactly one of design and mesh"),
    ):
        path = tmp_path / "stone.toml"
        path.write_text(text.replace(f'design = "{ROUND.name}"', shape))
        with pytest.raises(FileError) as error:
            read_stone(path)
        assert words in str(error.value)


def test_sizes_and_weight_that_disagree_are_noted(tmp_path):
    stone = read_stone(stone_file(tmp_path, [FLAW], depth=4.2, carats=1.10))
    assert "depth 4.20 mm measured, 3.93 by its shape" in stone.notes[0]
    assert "Weighed 1.100 ct, but shape and density make 1.024 ct" in stone.notes[1]
    # all that follows is in carats of the balance
    assert plan_of(stone, 1.0).before.carats == pytest.approx(1.10, rel=1e-12)


# ---- the command ------------------------------------------------------------------------------


def test_command_on_the_shipped_stones(tmp_path):
    for path, worth, gone in (
        (SHIPPED[1], True, [True, True, True, False]),
        (SHIPPED[0], False, [False] * 3),
    ):
        picture, json_file = tmp_path / f"{path.stem}.png", tmp_path / f"{path.stem}.json"
        done = run(path, "--rays", 4096, "--picture", picture, "--json", json_file)
        assert done.exit_code == 0, done.output
        assert max(len(line) for line in done.stdout.splitlines()) <= 80
        assert "…" not in done.stdout
        assert ("Worth it:" if worth else "Not worth it:") in done.stdout
        assert "not an appraisal" in done.output
        assert picture.read_bytes().startswith(b"\x89PNG")
        document = json.loads(json_file.read_text())
        jsonschema.validate(document, SCHEMA)
        found = document["recut"]
        assert found["worth_it"] is worth
        assert [f["gone"] for f in found["flaws"]] == gone
        assert found["after"]["carats"] >= found["floor_carats"] + found["spare_carats"]
        assert (found["light"] is None) == (not any(gone))
    stays = found["flaws"][0]["reasons"]
    assert any("below 1.505 ct" in text for text in stays)


def test_floor_of_the_command_line(tmp_path):
    done = run(SHIPPED[1], "--floor", 0.98, "--rays", 4096, "--no-picture")
    assert done.exit_code == 0, done.output
    assert "4 of 4 flaws go" in " ".join(done.stdout.split())
    assert "It falls below 1 ct" in " ".join(done.stdout.split())
    done = run(SHIPPED[1], "--floor", 1.02, "--no-picture")
    assert "Not worth it: the stone weighs 1.022 ct and must keep 1.025" in " ".join(done.stdout.split())  # fmt: skip
    names = run(SHIPPED[1], "--facets").stdout
    assert "pavilion main 12" in names
    assert max(len(line) for line in names.splitlines()) <= 80
    bare = run(stone_file(tmp_path, []))
    assert bare.exit_code == 2
    assert "flaw: is missing; give [[flaw]] tables" in " ".join(bare.output.split())
    failed = run(tmp_path / "none.toml")
    assert failed.exit_code == 2
    assert "no such file" in failed.output
