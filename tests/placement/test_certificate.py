"""The certificate of a placed stone: wrong stones of every kind fail, and distances are those of plain geometry."""

import ast
import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog, minimize
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation
from shared import ROOT
from true_distances import convex, crosses, nearest_pairs

from facetrace.design.model import read_design
from facetrace.placement.certificate import (
    Cone,
    Disc,
    Ellipsoid,
    Flaw,
    Planes,
    Polytope,
    certify,
    depth,
    separation,
    surface_distance,
    winding,
)
from facetrace.results.certificate import certificate_member, certificate_words
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.solid.build import build_solid
from facetrace.studies import certified

EYE = np.eye(3)
# a square stone: table, girdle, culet
STONE = np.array([
    *([x, y, 0.5] for x in (-0.6, 0.6) for y in (-0.6, 0.6)),
    *([x, y, 0.0] for x in (-1.0, 1.0) for y in (-1.0, 1.0)),
    [0.0, 0.0, -1.2],
])  # fmt: skip
# a frustum h (A + B + sqrt(A B)) / 3 on a pyramid
VOLUME = 0.5 * (4 + 1.44 + 2.4) / 3 + 1.2 * 4 / 3
BOX = trimesh.creation.box([6, 6, 6])


def tried(mesh=BOX, *, scale=1.0, turn=EYE, shift=(0, 0, 0), volume=VOLUME, **more):
    return certify(
        STONE, scale, turn, shift, mesh.vertices, mesh.faces, volume_mm3=volume * scale**3, **more
    )


def one_problem(found, words):
    assert not found.ok
    assert len(found.problems) == 1, found.problems
    assert words in found.problems[0], found.problems


def tilted(degrees):
    return Rotation.from_euler("x", degrees, degrees=True).as_matrix()


def plate(normal, offset, thick=0.02):
    """A slab, open at its sides."""
    n = np.array(normal) / np.linalg.norm(normal)
    return Planes(np.vstack([np.column_stack([n, -n]), [offset + thick, -offset]]))


def ball(centre, radius):
    return Ellipsoid(np.array(centre, dtype=float), EYE, np.full(3, radius))


# ---- right stones, and wrong ones of each kind ------------------------------------------------


def test_right_stone_passes():
    flaws = [
        Flaw("crack", (plate([1, 0, 0], 1.1),), "cut away", 0.1),
        Flaw("crystal", (ball([0, 0, -0.2], 0.1),), "inside", 0.2),
        Flaw("far crystal", (ball([0, 2, 0], 0.5),), "inside", 0.2),
        Flaw("silk", (ball([0.75, 0, -0.2], 0.1),), "under girdle"),
        Flaw("cloud", (ball([0, 0, 0], 1.0),), "anywhere"),
        Flaw("zone", (ball([0, 0, 0], 1.0),), "hide"),
    ]
    found = tried(
        skin_mm=1.8, flaws=flaws, saw=[[0], [0], [1], [0.9]], saw_mm=0.4, cone=Cone(within_deg=5)
    )
    assert found.problems == ()
    assert found.surface_mm == pytest.approx(1.8, abs=1e-12)
    assert found.defects_mm["crack"] == pytest.approx(0.1, abs=1e-12)
    assert found.lies == {
        "crack": "off", "crystal": "inside", "far crystal": "off", "silk": "under girdle",
        "cloud": "anywhere", "zone": "hidden",
    }  # fmt: skip
    assert found.saw_mm == pytest.approx(0.4)
    assert found.table_to_c_deg == 0
    assert found.volume_mm3 == pytest.approx(VOLUME, rel=1e-14)
    assert found.triangles == 12


def test_moved_out():
    found = tried(shift=(2.5, 0, 0))
    one_problem(found, "The scan's surface reaches into the stone, by 0.50 mm.")


def test_corner_out_only():
    one_problem(tried(shift=(2.001, 0, 0), skin_mm=0.0), "reaches into the stone")


def test_grown_one_percent():
    mesh = trimesh.creation.box([2.3, 2.3, 6])
    assert tried(mesh, skin_mm=0.15).ok
    one_problem(tried(mesh, skin_mm=0.15, scale=1.01), "only 0.14")


def test_short_by_a_hair_is_told_with_enough_digits():
    mesh = trimesh.creation.box([2.3, 2.3, 6])
    one_problem(tried(mesh, skin_mm=0.15, scale=1 + 1e-7), "only 0.149999900 mm")


def test_through_a_dish():
    mesh = BOX.subdivide().subdivide()
    vertices = np.array(mesh.vertices)
    dish = (np.abs(vertices[:, :2]).max(axis=1) < 0.1) & (vertices[:, 2] > 2.9)
    assert dish.sum() == 1
    vertices[dish, 2] = 0.4
    dished = trimesh.Trimesh(vertices, mesh.faces, process=False)
    # all of its corners are in the rough
    assert np.abs(STONE).max() < 3
    assert dished.is_watertight
    one_problem(tried(dished), "The scan's surface reaches into the stone, by 0.1")
    vertices[dish, 2] = 0.6
    dished = trimesh.Trimesh(vertices, mesh.faces, process=False)
    assert tried(dished, skin_mm=0.09).ok
    one_problem(tried(dished, skin_mm=0.11), "only 0.10")


def test_needle_through_the_stone():
    """No corner of either in the other: a long thin spike passes through."""
    mesh = BOX.subdivide().subdivide()
    vertices = np.array(mesh.vertices)
    tip = (np.abs(vertices[:, :2]).max(axis=1) < 0.1) & (vertices[:, 2] > 2.9)
    vertices[tip] = [0.0, 0.0, -2.5]
    one_problem(tried(trimesh.Trimesh(vertices, mesh.faces, process=False)), "reaches into")


def test_outside_the_rough_altogether():
    found = tried(shift=(20, 0, 0))
    assert found.problems == ("The stone lies outside the scan, 16.00 mm from its surface.",)
    assert found.surface_mm == pytest.approx(16, abs=1e-9)


def cup(sections=48):
    line = np.array([[0, -3], [3, -3], [3, 3], [2.2, 3], [2.2, -2], [0, -2]])
    mesh = trimesh.creation.revolve(line, sections=sections)
    assert mesh.is_watertight
    assert mesh.volume > 0
    return mesh


def test_in_the_hollow_of_a_cup():
    one_problem(tried(cup()), "outside the scan")


def test_rough_larger_than_the_stone_within_it():
    """A shell: a rough with a closed hole, and the stone in it."""
    inner = trimesh.creation.box([4, 4, 4])
    inner.invert()
    one_problem(tried(trimesh.util.concatenate([BOX, inner])), "outside the scan")


def test_surface_that_is_not_closed():
    open_box = trimesh.Trimesh(BOX.vertices, BOX.faces[1:], process=False)
    one_problem(tried(open_box), "not closed")


@pytest.mark.parametrize(
    ("shape", "wish", "margin", "words"),
    [
        (plate([1, 0, 0], 0.5), "cut away", 0.1, "is not cut away"),
        (plate([1, 0, 0], 1.05), "cut away", 0.1, "'flaw' lies only 0.05 mm off the stone; 0.10 mm"),
        # a crack wholly inside the stone: no corner or edge of the stone is near
        (Disc(np.zeros(3), np.array([0, 0, 1.0]), 0.2), "cut away", 0.1, "is not cut away"),
        (Polytope(np.array([[0.1, 0, 0], [0, 0.1, 0], [0, 0, 0.1]])), "cut away", 0.1, "is not cut away"),
        # a disc far wider than the stone, whose rim is nowhere near
        (Disc(np.array([0, 0, 0.2]), np.array([0, 0, 1.0]), 50.0), "cut away", 0.0, "is not cut away"),
        (ball([1.0, 0, 0], 0.2), "inside", 0.2, "comes out of the stone"),
        (ball([0.0, 0, 0.3], 0.1), "inside", 0.2, "lies only 0.10 mm under the stone's surface"),
        (ball([0.0, 0, 0.8], 0.2), "inside", 0.2, "lies only 0.10 mm off the stone"),
        (Planes(np.array([[0.0, 0, 1, 0]]).T), "inside", 0.2, "comes out of the stone"),
        # silk above the girdle, off the table
        (ball([0.85, 0.0, 0.05], 0.04), "under girdle", 0.0, "reaches 0.09 mm above the girdle"),
        # silk deep under the table, in the pavilion
        (ball([0.0, 0.0, -0.8], 0.1), "under girdle", 0.0, "above the girdle or under the table"),
        (Planes(np.array([[0.0, 0, 1, -0.9]]).T), "under girdle", 0.0, "under the table"),
        # off the table's column and under the girdle, by less than is asked
        (ball([0.8, 0.0, -0.15], 0.1), "under girdle", 0.1, "lies only 0.05 mm off what is above"),
    ],
)  # fmt: skip
def test_defects_that_lie_wrong(shape, wish, margin, words):
    one_problem(tried(flaws=[Flaw("flaw", (shape,), wish, margin)]), words)


def test_silk_that_touches_the_girdle_plane_and_the_column():
    block = Planes(np.array([[0, 0, 1, 0.0], [-1, 0, 0, -0.6], [1, 0, 0, 3]]).T)
    found = tried(flaws=[Flaw("silk", (block,), "under girdle")])
    assert found.problems == ()
    assert found.lies == {"silk": "under girdle"}
    deeper = Planes(block.planes + np.array([[0, 0, 0, 1e-8], [0] * 4, [0] * 4]).T)
    assert not tried(flaws=[Flaw("silk", (deeper,), "under girdle")]).ok


def test_parts_of_one_defect_each_have_their_place():
    far, within = ball([0, 0, 2], 0.2), ball([0, 0, 0], 0.1)
    found = tried(flaws=[Flaw("crystals", (far, within), "inside", 0.1)])
    assert found.problems == ()
    assert found.lies == {"crystals": "inside in part"}
    wrong = Flaw("crystals", (far, within, ball([0, 0, 0.5], 0.1)), "inside", 0.1)
    one_problem(tried(flaws=[wrong]), "comes out")


def test_out_of_the_cone():
    cone = Cone((0, 0, 1), 15.0, 2.0)
    assert tried(turn=tilted(15), cone=cone).ok
    assert tried(turn=tilted(2), cone=cone).ok
    one_problem(
        tried(turn=tilted(15.001), cone=cone), "The table faces 15.001 degrees off; 2 to 15"
    )
    one_problem(tried(turn=tilted(1.99), cone=cone), "1.99 degrees off")
    one_problem(tried(turn=tilted(170), cone=cone), "170 degrees off")
    found = tried(turn=tilted(170), cone=Cone((0, 0, 1), 15.0, 0.0, both=True))
    assert found.ok
    assert found.table_to_c_deg == pytest.approx(10)


def test_mirrored_and_skewed_turns():
    one_problem(tried(turn=np.diag([1, 1, -1.0]), cone=Cone(both=True)), "mirrors the stone")
    one_problem(tried(turn=np.diag([1, 1, 1 + 1e-8])), "is no rotation")


def test_over_the_saw_plane():
    saw = [[0.0], [0.0], [1.0], [0.45]]
    one_problem(tried(saw=saw, saw_mm=0.1), "comes over a saw cut's plane by 0.05 mm")
    saw[3] = [0.55]
    one_problem(tried(saw=saw, saw_mm=0.1), "lies only 0.05 mm under a saw cut; 0.10 mm is asked")


def test_wrong_volume():
    one_problem(tried(volume=VOLUME * 1.0001), "mm3, not")
    one_problem(tried(volume=VOLUME * (1 + 1e-8)), "volume is 2.90666667 mm3, not 2.9066667")


def test_numbers_that_are_none():
    for wrong in ({"shift": (0, math.nan, 0)}, {"scale": 0.0}, {"skin_mm": math.inf}):
        found = tried(**wrong)
        assert len(found.problems) == 1
        assert "not finite" in found.problems[0]


def test_far_from_the_origin():
    """Where an STL of a survey's coordinates may lie: 100 m off."""
    at = np.array([1e5, -1e5, 1e5])
    mesh = trimesh.creation.box([2.3, 2.3, 6])
    mesh.apply_translation(at)
    flaw = Flaw("crystal", (ball(at, 0.1),), "inside", 0.3)
    found = tried(mesh, shift=at, skin_mm=0.15 - 1e-10, flaws=[flaw])
    assert found.surface_mm == pytest.approx(0.15, abs=1e-10)
    assert found.defects_mm["crystal"] == pytest.approx(tried(
        flaws=[Flaw("crystal", (ball([0, 0, 0], 0.1),), "inside", 0.3)]
    ).defects_mm["crystal"], abs=1e-10)  # fmt: skip


# ---- distances against closed forms -----------------------------------------------------------

CUBE = Polytope(np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float))
OCTAHEDRON = Polytope(np.vstack([EYE, -EYE]))


@pytest.mark.parametrize("half", [1.0 + 1e-7, 1.2, 3.0])
def test_cube_in_a_cube(half):
    outer = trimesh.creation.box([2 * half] * 3)
    assert surface_distance(outer.vertices, outer.faces, CUBE) == pytest.approx(half - 1, abs=1e-12)


def test_cube_turned_in_a_cube():
    """By 45 degrees about z its upright edges are sqrt(2) out."""
    turned = Polytope(CUBE.corners @ Rotation.from_euler("z", 45, degrees=True).as_matrix().T)
    outer = trimesh.creation.box([3, 3, 8])
    wanted = 1.5 - math.sqrt(2)
    assert surface_distance(outer.vertices, outer.faces, turned) == pytest.approx(wanted, abs=1e-12)


def test_octahedron_against_planes():
    """Its corner is 1 from the middle, its faces 1 / sqrt(3)."""
    box = Polytope(20 * CUBE.corners)
    for normal, reach in (((1, 0, 0), 1.0), ((1, 1, 1), 1 / math.sqrt(3)), ((1, 1, 0), 0.5**0.5)):
        n = np.array(normal) / np.linalg.norm(normal)
        half = Planes(np.append(-n, -2.0)[:, None]).within(box)
        assert separation(OCTAHEDRON, half) == pytest.approx(2 - reach, abs=1e-12)


def test_two_cubes_corner_to_corner_and_edge_to_edge():
    assert separation(CUBE, CUBE.moved(np.full(3, 3.0))) == pytest.approx(math.sqrt(3), abs=1e-12)
    assert separation(CUBE, CUBE.moved(np.array([3.0, 3, 0.5]))) == pytest.approx(
        math.sqrt(2), abs=1e-12
    )
    # crossed edges: one cube on its edge along x, the other on its edge along y
    upper = CUBE.corners @ Rotation.from_euler("x", 45, degrees=True).as_matrix().T
    lower = CUBE.corners @ Rotation.from_euler("y", 45, degrees=True).as_matrix().T
    for gap in (0.3, 0.0, -1e-10):
        moved = Polytope(upper + np.array([0, 0, 2 * math.sqrt(2) + gap]))
        assert separation(Polytope(lower), moved) == pytest.approx(gap, abs=1e-13)


@given(st.integers(0, 10**6))
@settings(max_examples=15)
def test_ellipsoid_against_a_plane(seed):
    """It reaches sqrt(sum (r_i n . a_i)^2) along n: any book on ellipsoids."""
    rng = np.random.default_rng(seed)
    axes, radii = Rotation.random(random_state=rng).as_matrix(), rng.uniform(0.05, 2, 3)
    n = rng.normal(size=3)
    n /= np.linalg.norm(n)
    reach = math.sqrt((((n @ axes) * radii) ** 2).sum())
    # a wide plate above it
    frame = np.linalg.svd(n[None])[2]
    wide = 50 * np.array([frame[1], frame[2], -frame[1], -frame[2]])
    above = Polytope(np.vstack([wide + (reach + 0.3) * n, wide + (reach + 1) * n]))
    body = Ellipsoid(np.zeros(3), axes, radii)
    assert separation(above, body) == pytest.approx(0.3, abs=1e-12)


@given(st.integers(0, 10**6))
@settings(max_examples=20)
def test_ball_against_a_cube(seed):
    """From a cube a point's distance is that of its clipped coordinates; a ball is its radius nearer."""
    rng = np.random.default_rng(seed)
    centre, radius = rng.normal(size=3) * 3, rng.uniform(0.01, 1)
    gap = np.linalg.norm(centre - np.clip(centre, -1, 1)) - radius
    found = separation(CUBE, ball(centre, radius))
    if gap > -radius:
        assert found == pytest.approx(gap, abs=1e-11)
    else:
        assert found < 0


def test_disc_against_a_cube():
    z = np.array([0, 0, 1.0])
    for disc, wanted in [
        (Disc(np.array([0, 0, 1.5]), z, 0.3), 0.5),  # parallel to a face
        (Disc(np.array([2.5, 0, 0]), z, 0.5), 1.0),  # its rim to a face
        (Disc(np.array([3.0, 3.0, 0]), z, 1.0), 2 * math.sqrt(2) - 1),  # its rim to an edge
        (Disc(np.array([3.0, 0, 0]), np.array([1.0, 0, 0]), 9.0), 2.0),  # a wide one
    ]:
        assert separation(CUBE, disc) == pytest.approx(wanted, abs=1e-12)


def test_disc_is_round():
    """Its true rim, not the 12 corners around it: between two of those the rim is nearer by 3.4 %."""
    disc = Disc(np.array([3.0, 0, 0]), np.array([0, 0, 1.0]), 1.0)
    turned = Polytope(CUBE.corners)
    assert separation(turned, disc) == pytest.approx(1.0, abs=1e-12)


def test_depth_of_a_ball_in_an_octahedron():
    assert depth(OCTAHEDRON, ball([0, 0, 0], 0.2)) == pytest.approx(1 / math.sqrt(3) - 0.2)
    assert depth(OCTAHEDRON, ball([1, 0, 0], 0.2)) < 0


# ---- random bodies against other methods ------------------------------------------------------


def random_stone(rng, count=14):
    return Polytope(rng.normal(size=(count, 3)) * rng.uniform(0.3, 1.5, 3))


def reference(stone, centre, matrix):
    """The distance of a hull from {centre + matrix y, |y| <= 1} by scipy's SLSQP, from above."""
    corners = stone.corners
    count, many = len(corners), matrix.shape[1]

    def gap(x):
        return x[:count] @ corners - centre - matrix @ x[count:]

    def slope(x):
        return np.concatenate([2 * corners @ gap(x), -2 * matrix.T @ gap(x)])

    found = minimize(
        lambda x: gap(x) @ gap(x), np.concatenate([np.full(count, 1 / count), np.zeros(many)]),
        jac=slope, bounds=[(0, 1)] * count + [(-1, 1)] * many, method="SLSQP",
        constraints=[
            {"type": "eq", "fun": lambda x: x[:count].sum() - 1},
            {"type": "ineq", "fun": lambda x: 1 - x[count:] @ x[count:]},
        ],
        options={"ftol": 1e-16, "maxiter": 500},
    )  # fmt: skip
    return float(np.linalg.norm(gap(found.x)))


@given(st.integers(0, 10**6), st.booleans())
@settings(max_examples=20)
def test_round_bodies_against_slsqp(seed, flat):
    rng = np.random.default_rng(seed)
    stone = random_stone(rng)
    axes, radii = Rotation.random(random_state=rng).as_matrix(), rng.uniform(0.05, 1.5, 3)
    centre = rng.normal(size=3)
    centre *= rng.uniform(1, 4) / np.linalg.norm(centre)
    if flat:
        body = Disc(centre, axes[:, 2], radii[0])
        wanted = reference(stone, centre, axes[:, :2] * radii[0])
    else:
        body = Ellipsoid(centre, axes, radii)
        wanted = reference(stone, centre, axes * radii)
    found = separation(stone, body)
    if wanted > 1e-4:
        # SLSQP stops near its optimum, above it
        assert found <= wanted + 1e-7
        assert found >= wanted - 1e-4
    else:
        assert found < 1e-4


@given(st.integers(0, 10**6))
@settings(max_examples=60)
def test_polytopes_against_all_pairs_of_features(seed):
    rng = np.random.default_rng(seed)
    stone, other = random_stone(rng), random_stone(rng, int(rng.integers(3, 12)))
    other = other.moved(rng.normal(size=3) * 2)
    found = separation(stone, other)
    # a common point: weights of both hulls that give one and the same
    a, b = stone.corners, other.corners
    rows = np.vstack([
        np.hstack([a.T, -b.T]), np.append(np.ones(len(a)), np.zeros(len(b))),
        np.append(np.zeros(len(a)), np.ones(len(b))),
    ])  # fmt: skip
    meet = linprog(np.zeros(rows.shape[1]), A_eq=rows, b_eq=[0, 0, 0, 1, 1], method="highs").success
    if meet:
        assert found <= 1e-7
        return
    gaps = nearest_pairs(other.triangles, convex(stone.corners), 100.0)
    wanted = np.linalg.norm(gaps[0] - gaps[1], axis=1).min()
    assert found == pytest.approx(wanted, abs=1e-11)


@given(st.integers(0, 10**6))
@settings(max_examples=12)
def test_surfaces_against_all_pairs_of_features(seed):
    """A bumpy surface about a random stone: every triangle with every feature."""
    rng = np.random.default_rng(seed)
    stone = random_stone(rng)
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=1)
    bumps = 1 + 0.2 * np.sin(mesh.vertices @ rng.normal(size=(3, 3)) * 3).sum(axis=1) / 3
    vertices = mesh.vertices * bumps[:, None] * rng.uniform(2, 6)
    found = surface_distance(vertices, mesh.faces, stone)
    other, triangles = convex(stone.corners), vertices[mesh.faces]
    if crosses(triangles, other).any():
        assert found < 1e-9
        return
    gaps = nearest_pairs(triangles, other, 100.0)
    assert found == pytest.approx(np.linalg.norm(gaps[0] - gaps[1], axis=1).min(), abs=1e-11)


def test_winding_numbers_of_a_cup():
    mesh = cup()
    for point, wanted in [((0, 0, 0), 0), ((0, 0, -2.5), 1), ((2.6, 0, 0), 1), ((9, 0, 0), 0)]:
        assert winding(np.array(point), mesh.vertices, mesh.faces) == pytest.approx(
            wanted, abs=1e-9
        )


@pytest.mark.slow
def test_many_triangles_take_seconds():
    """Timed loosely, for slow machines; wanted are 0.5 s for 20,000."""
    mesh = trimesh.creation.icosphere(subdivisions=5, radius=1)
    found = certify(
        STONE, 1.0, EYE, (0, 0, 0), mesh.vertices * [1.5, 1.5, 1.3], mesh.faces, volume_mm3=VOLUME
    )
    assert found.ok
    assert found.triangles == len(mesh.faces)
    assert found.seconds < 5


# ---- from rough files -------------------------------------------------------------------------

SHAPES = """
name = "All shapes"
material = "ruby"
density = 4.0
weighed_carats = 30
trust = "balance"
[shape]
points_mm = [[-7, -7, -6], [7, -7, -6], [7, 7, -6], [-7, 7, -6], [-7, -7, 6], [7, -7, 6], [7, 7, 6], [-7, 7, 6]]
c_axis = [0.4, -0.3, -0.8]
[[defect]]
name = "polygon"
kind = "crack"
polygon_mm = [[-1, -2, -2], [-1, 2, -2], [1, 2, 3], [1, -2, 3]]
[[defect]]
name = "disc"
kind = "crack"
disc = { centre_mm = [2, 1, 0], normal = [1, 2, 3], radius_mm = 1.5 }
[[defect]]
name = "wedge"
kind = "crack"
wedge = { mouth_mm = [[-2, -3, 6], [2, -3, 6]], tip_mm = [[0, -2, 1]], thick_mm = 0.3 }
[[defect]]
name = "seen crack"
kind = "crack"
from_face = { face = "+x", at_mm = [1, 2], along_deg = 30, long_mm = 3, deep_mm = 2, dip_deg = 70 }
[[defect]]
name = "gaping crack"
kind = "crack"
from_face = { face = "-y", at_mm = [1, 2], along_deg = 10, long_mm = 3, deep_mm = 2, wide_mm = 0.2 }
[[defect]]
name = "pit"
kind = "pit"
at_mm = [7, 1, 1]
radius_mm = 0.8
depth_mm = 0.5
[[defect]]
name = "seen pit"
kind = "pit"
from_face = { face = "+y", at_mm = [1, 1], wide_mm = 1.2, deep_mm = 0.8 }
[[defect]]
name = "ellipsoid"
kind = "crystal"
ellipsoid = { centre_mm = [0.9, 0.6, -1.2], radii_mm = [0.7, 0.5, 1.0], tilt = 30, azimuth = 45, turn = 20 }
[[defect]]
name = "seen crystal"
kind = "crystal"
from_face = { face = "+z", at_mm = [1, -2], along_deg = 20, long_mm = 1.5, wide_mm = 1, under_mm = 1, deep_mm = 3 }
[[defect]]
name = "hull"
kind = "cloud"
hull = { points_mm = [[0, 0, 0], [2, 0, 0], [0, 2, 0], [0, 0, 2], [1, 1, 2]] }
[[defect]]
name = "seen silk"
kind = "silk"
from_face = { face = "-z", at_mm = [1, -2], along_deg = 20, long_mm = 1.5, wide_mm = 1, deep_mm = 3 }
[[defect]]
name = "half"
kind = "silk"
half_space = { normal = [1, 1, 0.3], from_mm = 5 }
[[defect]]
name = "slab"
kind = "cloud"
slab = { normal = [1, -1, 0.3], from_mm = 3, to_mm = 3.5 }
[[defect]]
name = "sector"
kind = "silk"
sector = { azimuths = [10, 130], inner_mm = 2, outer_mm = 4, from_mm = -1, to_mm = 2, centre_mm = [1, 1, 0.5] }
"""


@pytest.fixture(scope="module")
def shapes_rough(tmp_path_factory):
    path = tmp_path_factory.mktemp("certificate") / "rough.toml"
    path.write_text(SHAPES)
    return rough_of(read_rough(path))


def test_shapes_are_those_that_the_file_reader_finds(shapes_rough):
    """Two readings of one file, each by its own arithmetic: how far each shape reaches in many directions."""
    rough = shapes_rough
    assert rough.scaled != 1
    turn = certified._into_crystal_frame(rough)
    assert np.abs(turn - rough.turn).max() < 1e-12
    directions = trimesh.creation.icosphere(subdivisions=2).vertices
    corners = rough.mesh.vertices
    box = trimesh.bounds.corners([corners.min(axis=0) - 1, corners.max(axis=0) + 1])
    for model in rough.file.model.defect:
        wholes = [d.whole for d in rough.defects if d.name == model.name]
        shapes = certified._shapes(rough, model, turn)
        assert len(wholes) == len(shapes), model.name
        for whole, shape in zip(wholes, shapes, strict=True):
            reach = (directions @ whole.T).max(axis=1)
            if isinstance(shape, Planes):
                shape = shape.within(Polytope(box))
            if isinstance(shape, Polytope):
                # both cut to one box
                part = shape
                for plane in ConvexHull(box).equations if model.name != "polygon" else []:
                    part = part.under(np.append(plane[:3], -plane[3]))
                least = np.minimum(part.support(directions), reach)
                assert np.abs(part.support(directions) - reach).max() < 1e-6 or (
                    np.abs(least - reach).max() < 1e-6
                ), model.name
            else:
                # the reader's is the body of planes, or the polygon, around it
                ours = shape.support(directions)
                size = np.ptp(whole, axis=0).max()
                assert (ours <= reach + 1e-9).all(), model.name
                assert (ours >= reach - 0.06 * size).all(), model.name


def test_certificate_of_an_example():
    rough = rough_of(read_rough(ROOT / "designs" / "roughs" / "cracked-pebble.toml"))
    solid = build_solid(read_design(ROOT / "designs" / "heart-brilliant.toml").design)
    scale = 2.0 / np.ptp(solid.vertices, axis=0).max()
    place = rough.mesh.vertices.mean(axis=0) + np.array([-2.5, 0, 0.3])
    found = certified.certificate_of(rough, solid, scale, EYE, place, cone=Cone())
    assert found.ok, found.problems
    said = certificate_words(found)
    assert said.startswith("Checked on all 516 triangles of the rough: ")
    assert said.endswith(" mm off the crack, table 0.0 deg from c.")
    told = certificate_member(found)
    assert told["defects"][0]["lies"] == "off"
    assert told["triangles"] == 516
    assert told["saw_mm"] is None
    wrong = certified.certificate_of(rough, solid, scale, EYE, place + np.array([3.0, 0, 0]))
    assert not wrong.ok
    assert certificate_words(wrong).startswith("Not certified. 'crack' is not cut away")
    wrong = certified.certificate_of(rough, solid, scale, EYE, place, volume_mm3=1.0)
    assert "volume" in wrong.problems[0]


def test_margins_less_and_more():
    rough = rough_of(read_rough(ROOT / "designs" / "roughs" / "cracked-pebble.toml"))
    solid = build_solid(read_design(ROOT / "designs" / "round-brilliant.toml").design)
    scale = 2.0 / np.ptp(solid.vertices, axis=0).max()
    place = rough.mesh.vertices.mean(axis=0) + np.array([-2.5, 0, 0.3])
    found = certified.certificate_of(rough, solid, scale, EYE, place)
    gap = found.defects_mm["crack"]
    # so much less, or more, than the file's 0.1 mm is the gap just not met
    more = certified.certificate_of(
        rough, solid, scale, EYE, place, margin_less_mm=0.1 - gap - 1e-6, skin_mm=0.0
    )
    assert not more.ok
    assert certified.certificate_of(
        rough, solid, scale, EYE, place, margin_less_mm=0.1 - gap + 1e-6, skin_mm=0.0
    ).ok
    assert certified.certificate_of(rough, solid, scale, EYE, place, margin_less_mm=9.0).ok


def imports(path):
    tree = ast.parse(path.read_text())
    found = [n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom)]
    return {n.module if isinstance(n, ast.ImportFrom) else n.names[0].name for n in found}


def test_shares_nothing_with_the_search():
    own = imports(ROOT / "facetrace" / "placement" / "certificate.py")
    assert {name.split(".")[0] for name in own} <= {
        "collections", "dataclasses", "functools", "math", "numpy", "scipy", "time", "typing"
    }  # fmt: skip
    path = ROOT / "facetrace" / "studies" / "certified.py"
    assert not {n for n in imports(path) if n.startswith("facetrace")} - {
        "facetrace.rough", "facetrace.rough.rough", "facetrace.rough.model", "facetrace.rough.zone",
        "facetrace.placement.certificate", "facetrace.solid.body", "facetrace.solid.polyhedron",
    }  # fmt: skip
    text = path.read_text()
    assert not [w for w in ("rough.defects", "rough.hull", "mesh.hull", "rough.zones") if w in text]
