"""Solids against closed forms, trimesh and handbook weights (proportions: facetrace/checks/matter.py)."""

import itertools
import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shared import DESIGNS

from facetrace.checks.stones import box, random_solid
from facetrace.design.model import MOST_FACETS, Design, DesignError, read_design
from facetrace.kernel import facets
from facetrace.solid import polyhedron
from facetrace.solid.build import build_solid, facets_of
from facetrace.solid.export import FORMATS, mesh_bytes, mesh_of
from facetrace.solid.measure import _meet_error, measure
from facetrace.solid.polyhedron import Solid, SolidError

OCTAHEDRON = np.array([[x, y, z] for x in (1, -1) for y in (1, -1) for z in (1, -1)])


def design_text(tmp_path, text):
    path = tmp_path / "stone.toml"
    path.write_text(text, encoding="utf-8")
    return read_design(path).design


def round_brilliant(tmp_path, crown=34.5, pavilion=40.75, table=53, girdle=1e-4):
    return build_solid(
        design_text(
            tmp_path,
            f"""
            name = "t"
            gear = 96
            material = "diamond"
            [outline]
            shape = "round"
            length_mm = 10.0
            width_mm = 10.0
            [girdle]
            thickness_mm = {girdle}
            facets = 16
            [crown]
            style = "brilliant"
            angle = {crown}
            table_percent = {table}
            [pavilion]
            style = "brilliant"
            angle = {pavilion}
            """,
        )
    )


# ---- closed forms ---------------------------------------------------------------------------


def test_box_and_octahedron():
    cube = box(1, 2, 3)
    assert cube.volume == pytest.approx(48)
    assert len(cube.vertices) == 8
    np.testing.assert_allclose(sorted(cube.areas), [8, 8, 12, 12, 24, 24])
    assert all(len(near) == 4 for near in cube.adjacency)
    octahedron = Solid.from_planes(OCTAHEDRON, np.ones(8))
    assert octahedron.volume == pytest.approx(4 / 3)
    assert len(octahedron.vertices) == 6


def test_carat():
    """1 ct = 0.2 g (metric carat, 1907): a cube of 1 cm3 at 4 g/cm3 weighs 20 ct."""
    assert measure(box(5, 5, 5), 4.0).carats == pytest.approx(20)


@given(st.integers(0, 10_000), st.integers(5, 60))
def test_random_solids(seed, facets):
    """Euler's formula, trimesh's volume, watertight mesh, rotation invariance."""
    try:
        solid = random_solid(seed, facets)
    except SolidError:
        return
    edges = sum(len(p) for p in solid.polygons) / 2
    assert len(solid.vertices) - edges + len(solid.names) == 2
    mesh = mesh_of(solid)
    assert mesh.is_watertight
    assert mesh.is_convex
    assert mesh.volume == pytest.approx(solid.volume, rel=1e-9)
    assert mesh.area == pytest.approx(solid.areas.sum(), rel=1e-9)
    turn, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    turned = Solid.from_planes(solid.normals @ turn.T, solid.offsets)
    assert turned.volume == pytest.approx(solid.volume, rel=1e-9)


def test_two_lobes_of_most_planes_fit_the_kernel():
    """The kernel packs a facet's number into 12 bits."""
    assert 2 * polyhedron.MOST_PLANES <= facets.MOST_FACETS == 1 << 12


def test_away_from_the_origin():
    """A cube that does not hold the origin: the inner point is found by linear programming."""
    shift = np.array([40.0, -30.0, 20.0])
    normals = np.vstack([np.eye(3), -np.eye(3)])
    assert Solid.from_planes(normals, 1 + normals @ shift).volume == pytest.approx(8)


# ---- what is wrong is said ------------------------------------------------------------------


def test_redundant_planes_are_named():
    names = ["x", "y", "z", "-x", "-y", "-z", "far", "touching"]
    solid = Solid.from_planes(
        np.vstack([np.eye(3), -np.eye(3), [[1, 1, 1], [1, 1, 0]]]),
        [1, 1, 1, 1, 1, 1, 9, 2.0],
        names,
    )
    assert set(solid.missing) == {"far", "touching"}
    assert len(solid.names) == 6


@pytest.mark.parametrize(
    ("normals", "offsets", "message"),
    [
        (np.vstack([np.eye(3), -np.eye(3)[:2]]), np.ones(5), "open"),
        (np.vstack([np.eye(3), -np.eye(3)]), [-1, 1, 1, -1, 1, 1], "nothing"),
        (np.vstack([np.eye(3), -np.eye(3)]), [0, 1, 1, 0, 1, 1], "flat"),
        (np.eye(3), np.ones(3), "at least 4"),
        (np.zeros((6, 3)), np.ones(6), "no direction"),
        (np.full((6, 3), np.nan), np.ones(6), "not finite"),
        (np.ones((6, 2)), np.ones(6), "shape"),
    ],
)
def test_planes_that_bound_nothing(normals, offsets, message):
    with pytest.raises(SolidError, match=message):
        Solid.from_planes(normals, offsets)


# ---- against the trade ----------------------------------------------------------------------


# carats = SG x factor x sizes in mm, "well proportioned stone, medium girdle": lists on jewellery-
# trade pages, which differ among themselves by up to 9 % for these outlines; +-10 %
HANDBOOK = {
    "round-brilliant": (0.0018, lambda m: m.length_mm * m.width_mm),
    "round-by-hand": (0.0018, lambda m: m.length_mm * m.width_mm),
    "oval-brilliant": (0.0020, lambda m: ((m.length_mm + m.width_mm) / 2) ** 2),
    "cushion-brilliant": (0.0022, lambda m: ((m.length_mm + m.width_mm) / 2) ** 2),
    "oval-mixed": (0.0020, lambda m: ((m.length_mm + m.width_mm) / 2) ** 2),
    # lists say 0.0021 or 0.0018, for a fuller belly than a round's: test_heart.py says what follows
    # from the outline alone, 0.0018 x 0.68 / (pi / 4)
    "heart-brilliant": (0.00155, lambda m: m.length_mm * m.width_mm),
    "pear-brilliant": (0.0018, lambda m: m.length_mm * m.width_mm),
    # lists say 0.0016 or 0.0017; the long keel that closes the windows at the points keeps weight
    "marquise-brilliant": (0.0017, lambda m: m.length_mm * m.width_mm),
    "cushion-old-style": (0.0022, lambda m: ((m.length_mm + m.width_mm) / 2) ** 2),
    "square-cushion": (0.0018, lambda m: m.length_mm * m.width_mm),
    "rectangle-step": (0.0025, lambda m: m.length_mm * m.width_mm),
    # lists say 0.0023 to 0.0025
    "square-step": (0.0024, lambda m: m.length_mm * m.width_mm),
}


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_handbook_weights(path):
    design = read_design(path).design
    m = measure(build_solid(design), 3.99)
    factor, area = HANDBOOK[path.stem]
    assert m.carats == pytest.approx(factor * area(m) * m.depth_mm * 3.99, rel=0.1)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_shipped_designs_are_sound(path):
    """Every facet is there, meets close, the caliper reads the size asked for, the gear holds it."""
    design = read_design(path).design
    solid = build_solid(design)
    m = measure(solid, 3.99)
    assert solid.missing == ()
    assert m.meet_error_mm < (0.005 if "hand" in path.stem else 1e-6)
    if design.outline:
        assert m.length_mm == pytest.approx(design.outline.length_mm, abs=1e-6)
        assert m.width_mm == pytest.approx(design.outline.width_mm, abs=1e-6)
        assert m.table_percent == pytest.approx(design.crown.table_percent, abs=1e-6)
    assert m.girdle_min_mm == pytest.approx(design.girdle.thickness_mm, abs=0.002)
    for facet in facets_of(design):
        assert facet.index == int(facet.index)


# ---- every outline with every style ---------------------------------------------------------


OUTLINES = {
    "round": {"shape": "round", "length_mm": 7, "width_mm": 7},
    "oval": {"shape": "oval", "length_mm": 8, "width_mm": 6},
    "pear": {"shape": "pear", "length_mm": 9, "width_mm": 6},
    "marquise": {"shape": "marquise", "length_mm": 10, "width_mm": 5},
    "cushion": {"shape": "cushion", "length_mm": 8, "width_mm": 6.5, "fullness": 3.2},
    "square cushion": {"shape": "cushion", "length_mm": 7, "width_mm": 7, "fullness": 3},
    "rectangle": {"shape": "rectangle", "length_mm": 8, "width_mm": 6},
    "square": {"shape": "rectangle", "length_mm": 6, "width_mm": 6, "corner_percent": 20},
}
CROWNS = {
    "brilliant": {"style": "brilliant", "angle": 36, "table_percent": 55},
    "step": {"style": "step", "angle": [45, 38, 30], "table_percent": 55},
    "round step": {"style": "step", "angle": 28, "steps": 3, "bulge": 0.3, "table_percent": 55},
}
PAVILIONS = {
    "brilliant": {"style": "brilliant", "angle": 41},
    "bulged brilliant": {
        "style": "brilliant",
        "angle": 41,
        "bulge": 0.3,
        "lower_girdle_percent": 40,
    },
    "straight step": {"style": "step", "angle": 41},
    "bulged step": {"style": "step", "angle": 41, "steps": 4, "bulge": 0.3},
    "mixed": {"style": "mixed", "angle": [66, 60, 41], "lower_girdle_percent": 80},
}


def stone(outline, crown="brilliant", pavilion="brilliant", gear=96, facets=16, **changes):
    return Design.model_validate({
        "name": "t", "gear": gear, "outline": OUTLINES[outline] if isinstance(outline, str) else outline,
        "girdle": {"thickness_mm": 0.2, "facets": facets}, "crown": CROWNS[crown],
        "pavilion": PAVILIONS[pavilion] | changes,
    })  # fmt: skip


def sound(design):
    """Every facet is there, corners meet, the girdle is of one thickness, the caliper agrees."""
    solid = build_solid(design)
    m = measure(solid, 4.0)
    assert solid.missing == ()
    assert m.meet_error_mm < 1e-6
    assert (m.girdle_min_mm, m.girdle_max_mm) == pytest.approx((0.2, 0.2), abs=1e-6)
    asked = (design.outline.length_mm, design.outline.width_mm, design.crown.table_percent)
    assert (m.length_mm, m.width_mm, m.table_percent) == pytest.approx(asked, abs=1e-6)
    return solid, m


def ends(solid):
    """Lowest corners, by x."""
    z = solid.vertices[:, 2]
    found = solid.vertices[z < z.min() + 1e-6]
    return found[np.argsort(found[:, 0])]


@pytest.mark.parametrize("outline", OUTLINES)
def test_all_facets_meet(outline):
    """At the culet, wherever it is moved, and along the girdle; the depth stays (exact)."""
    for crown, pavilion in itertools.product(CROWNS, PAVILIONS):
        if pavilion != "bulged step" and crown == "round step":
            continue
        plain, m = sound(stone(outline, crown, pavilion))
        moved, n = sound(stone(outline, crown, pavilion, culet_shift_percent=[6, -9]))
        width = m.width_mm
        np.testing.assert_allclose(ends(moved) - ends(plain), [[0.06 * width, -0.09 * width, 0]] * len(ends(plain)), atol=1e-6)  # fmt: skip
        assert n.depth_mm == pytest.approx(m.depth_mm, abs=1e-6)
        flat = build_solid(stone(outline, crown, pavilion, culet_percent=4))
        assert flat.missing == ()
        near = {flat.names[i] for i in flat.adjacency[flat.names.index("culet")]}
        at_point = np.abs(plain.normals @ ends(plain)[0] - plain.offsets) < 1e-6
        assert near >= {name for name, on in zip(plain.names, at_point, strict=True) if on}


@pytest.mark.parametrize("outline", OUTLINES)
@pytest.mark.parametrize("pavilion", PAVILIONS)
def test_keel(outline, pavilion):
    """It has the length that was asked for; a pear's begins on the axis."""
    steps = pavilion.endswith("step")
    if OUTLINES[outline]["shape"] == "rectangle" and not steps:
        with pytest.raises(DesignError, match=r"^pavilion: keel_percent: .*no rectangle"):
            build_solid(stone(outline, pavilion=pavilion, keel_percent=15))
        return
    solid, m = sound(stone(outline, pavilion=pavilion, keel_percent=15))
    left, right = ends(solid)
    assert right[0] - left[0] == pytest.approx(0.15 * m.length_mm, abs=1e-6)
    assert left[0] == pytest.approx(0 if outline == "pear" else -right[0], abs=1e-6)


@given(
    st.sampled_from(sorted(OUTLINES)),
    st.sampled_from(["bulged brilliant", "bulged step"]),
    st.floats(0, 0.5), st.floats(-15, 15), st.floats(-15, 15),
)  # fmt: skip
@settings(max_examples=60)
def test_any_bulge_and_shift(outline, pavilion, bulge, along, across):
    # a bulge of a few thousandths ends mains some hundredths of a mm short of the girdle line: a true
    # edge, which meet_error takes for a meet that missed
    if bulge < 0.01:
        bulge = 0.0
    sound(stone(outline, pavilion=pavilion, bulge=bulge, culet_shift_percent=[along, across]))


def test_volumes_of_steps():
    """Pavilions in closed form: a pyramid, and a stack of its slices (frusta); a shift of the apex
    leaves a pyramid's volume (Cavalieri)."""

    def below(design):
        solid = build_solid(design)
        bottom = Solid.from_planes(np.vstack([solid.normals, [[0, 0, 1]]]), [*solid.offsets, -0.1])
        return bottom.volume, float(bottom.areas[-1])

    tan = math.tan(math.radians(41))
    for outline in ("round", "oval", "pear", "marquise", "square"):
        half = OUTLINES[outline]["width_mm"] / 2
        for shift in ([0, 0], [5, 9]):
            volume, area = below(
                stone(outline, pavilion="straight step", culet_shift_percent=shift)
            )
            assert volume == pytest.approx(area * half * tan / 3, rel=1e-9)
        volume, area = below(stone(outline, pavilion="bulged step"))
        slopes = [tan * (1 + 0.6 * k / 3) for k in (3, 2, 1, 0)]
        sizes = [(1, 3 / 4), (3 / 4, 2 / 4), (2 / 4, 1 / 4), (1 / 4, 0)]
        slices = [s * half / 4 * (a * a + a * b + b * b) / 3 for s, (a, b) in zip(slopes, sizes, strict=True)]  # fmt: skip
        assert volume == pytest.approx(area * sum(slices), rel=1e-9)


def test_bulge_keeps_weight_and_scale_cubes():
    for outline in OUTLINES:
        for pavilion in ("bulged brilliant", "bulged step"):
            carats = [measure(sound(stone(outline, pavilion=pavilion, bulge=b))[0], 4.0).carats for b in (0.0, 0.1, 0.2, 0.4)]  # fmt: skip
            assert carats == sorted(carats)
            assert carats[0] < carats[1]
    small = stone("pear", pavilion="bulged step")
    size = {k: v * 2 if k.endswith("_mm") else v for k, v in OUTLINES["pear"].items()}
    large = stone(size, pavilion="bulged step")
    large = large.model_copy(
        update={"girdle": large.girdle.model_copy(update={"thickness_mm": 0.4})}
    )
    assert build_solid(large).volume == pytest.approx(8 * build_solid(small).volume, rel=1e-8)


@pytest.mark.parametrize("ratio", [1.0, 1.3, 1.75, 2.2, 4.0])
@pytest.mark.parametrize("shape", ["pear", "marquise"])
def test_pointed_outlines_are_circular_arcs(shape, ratio):
    """Area of a circular segment, R^2 (t - sin t) / 2 (plane geometry); flats come within 1 %."""
    b = 3.0
    a = b * ratio if shape == "marquise" else 2 * b * ratio - b
    radius = (a * a + b * b) / (2 * b)
    angle = 2 * math.asin(min(1.0, a / radius))
    lens = radius**2 * (angle - math.sin(angle))
    area = lens if shape == "marquise" else lens / 2 + math.pi * b * b / 2
    outline = {"shape": shape, "length_mm": 2 * b * ratio, "width_mm": 2 * b}
    solid = build_solid(stone(outline, "step", "straight step", facets=64))
    x, y = solid.silhouette(np.array([1.0, 0, 0]), np.array([0, 1.0, 0])).T
    polygon = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    assert polygon == pytest.approx(area, rel=0.01)
    assert (x.max(), x[np.argmax(y)]) == pytest.approx((2 * b * ratio - (b if shape == "pear" else b * ratio), 0), abs=0.2)  # fmt: skip


def test_angles_are_what_was_asked(tmp_path):
    solid = round_brilliant(tmp_path, crown=36, pavilion=42)
    up = dict(zip(solid.names, solid.normals[:, 2], strict=True))
    assert math.degrees(math.acos(up["crown main 0"])) == pytest.approx(36, abs=1e-6)
    assert math.degrees(math.acos(-up["pavilion main 24"])) == pytest.approx(42, abs=1e-6)


@pytest.mark.parametrize("kind", FORMATS)
def test_mesh_files_load_again(kind):
    import io

    import trimesh

    solid = build_solid(read_design(DESIGNS[0]).design)
    loaded = trimesh.load(io.BytesIO(mesh_bytes(solid, kind)), file_type=kind, force="mesh")
    loaded.merge_vertices()
    assert loaded.volume == pytest.approx(solid.volume, rel=1e-4)


def test_hundreds_of_planes_meet_in_one_corner():
    """One apex for all, whatever rounding makes of it, and all of them own it."""
    turn = np.arange(512) * (2 * np.pi / 512)
    sides = np.column_stack([np.cos(turn), np.sin(turn), np.ones(512)]) / np.sqrt(2)
    normals = np.vstack([sides, [[0.0, 0.0, -1.0]]])
    corners, owners = polyhedron._corners(normals, np.append(sides[:, 2], 1.0), np.zeros(3))
    assert len(corners) == 513
    assert sorted(map(len, owners)) == [3] * 512 + [512]
    np.testing.assert_allclose(corners[np.argmax(corners[:, 2])], [0, 0, 1], atol=1e-12)


def ball(facets, rings=32):
    """Planes that touch the unit ball, in rings about z, no two of them parallel."""
    turn = np.arange(facets // rings) * (2 * np.pi * rings / facets)
    polar = (np.arange(rings) + 0.5) * (np.pi / rings)
    polar, turn = (a.ravel() for a in np.meshgrid(polar, turn, indexing="ij"))
    return np.column_stack(
        [np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)]
    )


def test_the_most_facets_take_little_memory():
    """All pairs of corners once took 4 GB; volume of what touches a ball: V = A r / 3 (Archimedes' way)."""
    normals = ball(MOST_FACETS)
    tracemalloc.start()
    try:
        solid = Solid.from_planes(normals, np.ones(len(normals)))
        sizes = measure(solid, 3.99)
        assert tracemalloc.get_traced_memory()[1] < 30e6
    finally:
        tracemalloc.stop()
    assert sizes.facets == MOST_FACETS
    assert solid.volume == pytest.approx(solid.areas.sum() / 3, rel=1e-9)
    assert 4 / 3 * math.pi < solid.volume < 1.02 * 4 / 3 * math.pi


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_gaps_and_owners_of_corners_as_all_pairs_have_them(path):
    """The widest gap of corners nearer than 0.05 of a mm, and which facets go through each, compared one by one."""
    solid = build_solid(read_design(path).design)
    steps = solid.vertices[:, None] - solid.vertices[None]
    gaps = np.linalg.norm(steps, axis=2)
    upright = np.linalg.norm(steps[..., :2], axis=2) < 0.1 * np.abs(steps[..., 2])
    on_girdle = [any(c in p for n, p in zip(solid.normals, solid.polygons, strict=True) if abs(n[2]) < 1e-9) for c in range(len(gaps))]  # fmt: skip
    for near in (0.05, 0.5, 2.0):
        close = gaps[(gaps < near) & ~(upright & np.outer(on_girdle, on_girdle))]
        assert _meet_error(solid, near) == pytest.approx(close.max(), abs=1e-15)
    for corner, point in enumerate(solid.vertices):
        through = {n for n, p in zip(solid.names, solid.polygons, strict=True) if corner in p}
        assert solid.owners[corner] == through
        assert all(corner in solid.corners[n] for n in through)
        planes = [i for i, n in enumerate(solid.names) if n in through]
        np.testing.assert_allclose(solid.normals[planes] @ point, solid.offsets[planes], atol=1e-6)
