"""Rough: crystal faces against published angles, volumes against closed forms, scans, rough files."""

import json
import math
import re
import tomllib
from pathlib import Path

import demo_roughs
import jsonschema
import numpy as np
import pytest
import trimesh
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation
from shared import ROOT

from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import read_design
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.rough import scan
from facetrace.rough.habit import HABITS, face, faces, habit, polar_angle
from facetrace.rough.model import Disc, read_rough, schema_text
from facetrace.rough.rough import rough_of, shortest_turn
from facetrace.rough.scan import Scan, mended, read_scan
from facetrace.rough.zone import differences, read_zones
from facetrace.solid import convex as fit
from facetrace.studies.zoned import BASE, cut_of, place_of, subject_of

FOLDER = ROOT / "designs" / "roughs"
SCHEMA_NAME = "facetrace-rough.schema.json"
SHIPPED = sorted(FOLDER.glob("*.toml"))

# ---- habits -----------------------------------------------------------------------------------


def test_the_lattice_is_corundums():
    """a 4.75, c 12.982 angstrom (Anthony & Bideaux, Handbook of Mineralogy, by way of an encyclopedia).

    X-ray density: 6 Al2O3 of 101.961 g/mol in a cell of sqrt(3)/2 a^2 c: 3.95-4.10 (handbook range).
    """
    data = faces()
    assert (data.a, data.c) == (4.75, 12.982)
    cell = math.sqrt(3) / 2 * data.a**2 * data.c * 1e-24
    assert 3.95 < 6 * 101.961 / 6.02214076e23 / cell < 4.10


@pytest.mark.parametrize(
    ("symbol", "published"),
    # c^r, c^n, c^z, c^v: Dana's System of Mineralogy (1892), axial ratio 1.3630 (memory)
    [("c", 0), ("a", 90), ("m", 90), ("r", 57.57), ("n", 61.19), ("z", 79.60), ("v", 84.76)],
)
def test_angles_between_faces(symbol, published):
    """Within 0.1 degrees of the published angle from c; and the angle between reciprocal vectors themselves."""
    assert face(symbol).published_angle == pytest.approx(published, abs=0.01)
    assert polar_angle(symbol) == pytest.approx(published, abs=0.1)
    for setting, share in (("structural", 1.0), ("morphological", 0.5)):
        a, c = faces().a, faces().c * share
        # rows of the inverse of the matrix of cell edges: b1, b2, b3
        rows = np.linalg.inv(np.array([[a, 0, 0], [-a / 2, a * math.sqrt(3) / 2, 0], [0, 0, c]]).T)
        normal = np.array(getattr(face(symbol), setting)) @ rows
        angle = math.degrees(math.acos(normal[2] / np.linalg.norm(normal)))
        assert polar_angle(symbol, setting) == pytest.approx(angle, abs=1e-6)


def test_volumes_of_habits():
    """A regular hexagon w across has sqrt(3)/2 w^2; frusta by the prismatoid formula; an ellipsoid pi/6 x y z."""
    w, h = 6.0, 5.0
    y = 2 * w / math.sqrt(3)

    def area(across):
        return math.sqrt(3) / 2 * across**2

    def frustum(low, high, height):
        return height / 3 * (area(low) + area(high) + math.sqrt(area(low) * area(high)))

    def cot(symbol):
        return 1 / math.tan(math.radians(polar_angle(symbol)))

    shoulder = w - 2 * cot("v") * h / 4
    end = shoulder - 2 * cot("z") * h / 4
    wanted = {
        "pebble": math.pi / 6 * w * y * h,
        "block": w * y * h,
        "plate": area(w) * h,
        "barrel": 2 * (frustum(w, shoulder, h / 4) + frustum(shoulder, end, h / 4)),
        "bipyramid": 2 * frustum(w, w - 2 * cot("z") * h / 2, h / 2),
    }
    for name in HABITS:
        points = habit(name, (w, y, h))
        mesh = scan.of_points(points)
        assert mesh.volume == pytest.approx(wanted[name], rel=1e-9)
        assert mesh.volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.faces).volume)
        np.testing.assert_allclose(np.ptp(points, axis=0), (w, y, h), rtol=0.005)
        np.testing.assert_allclose((points.max(axis=0) + points.min(axis=0)) / 2, 0, atol=1e-9)


def test_uneven_crystals_keep_their_faces():
    """Whatever the calipers say, faces are a, v, z, c and r; rhombohedron faces are three above, three below."""
    for name, symbols in (("plate", "acr"), ("barrel", "cvz"), ("bipyramid", "cz")):
        found = fit.hull(habit(name, (8, 10.5, 6), 1.0 if name == "plate" else 0.0)).planes
        angles = np.degrees(np.arccos(np.abs(found[2]).clip(0, 1)))
        wanted = [polar_angle(s) for s in symbols]
        assert all(np.abs(np.array(wanted) - a).min() < 1e-4 for a in angles)
        assert all(np.abs(angles - a).min() < 1e-4 for a in wanted)
    plate = fit.hull(habit("plate", (8, 9, 6), 1.0)).planes
    r = plate[:, np.abs(np.degrees(np.arccos(np.abs(plate[2]))) - polar_angle("r")) < 1e-4]
    assert sorted(np.sign(r[2])) == [-1, -1, -1, 1, 1, 1]


@pytest.mark.parametrize(
    ("name", "size", "complaint"),
    [
        ("plate", (8, 4, 6), r"6\.928 mm along x at most, not 8"),
        ("bipyramid", (4, 4, 60), "mm along z at most, not 60"),
    ],
)
def test_sizes_that_no_crystal_has(name, size, complaint):
    with pytest.raises(FacetraceError, match=complaint):
        habit(name, size)


# ---- scans ------------------------------------------------------------------------------------

OUTLINE = np.array([[0, 0], [4, 0], [4, 2], [2, 2], [2, 4], [0, 4]])


def l_shape():
    """An L of 4 and 4 mm, arms 2 mm wide, 4 mm high: 12 mm^2 times 4."""
    points = np.array([[x, y, z] for z in (0.0, 4.0) for x, y in OUTLINE])
    top = np.array([[0, 1, 2], [0, 2, 3], [0, 3, 5], [3, 4, 5]])
    sides = [[i, (i + 1) % 6, (i + 1) % 6 + 6] for i in range(6)]
    sides += [[i, (i + 1) % 6 + 6, i + 6] for i in range(6)]
    return Scan(points, np.vstack([top[:, ::-1], top + 6, sides]))


def box(size=(4, 3, 2)):
    mesh = trimesh.creation.box(size)
    return np.array(mesh.vertices), np.array(mesh.faces)


def ball(divisions=3):
    mesh = trimesh.creation.icosphere(subdivisions=divisions, radius=4)
    return np.array(mesh.vertices), np.array(mesh.faces)


def test_triangles_any_way_round_are_wound_alike(rng):
    """Three in ten of the triangles of a ball turned at random: all of one body agree again, by trimesh."""
    v, f = ball(4)
    turned = rng.random(len(f)) < 0.3
    found = mended(v, np.where(turned[:, None], f[:, ::-1], f))
    assert f"{turned.sum()} triangles were wound the wrong way" in found.repairs[0]
    assert trimesh.Trimesh(found.vertices, found.faces, process=False).is_winding_consistent
    assert found.volume == pytest.approx(4 / 3 * math.pi * 64, rel=0.01)


def test_volumes_of_meshes(rng):
    """An L of 12 mm^2 by 4 mm; convex bodies by qhull."""
    mesh = mended(l_shape().vertices, l_shape().faces)
    assert mesh.repairs == ()
    assert mesh.volume == pytest.approx(48)
    for points in (box()[0], ball()[0], rng.normal(size=(60, 3)) * 3):
        mesh = scan.of_points(points)
        assert mended(mesh.vertices, mesh.faces).repairs == ()
        assert mesh.volume == pytest.approx(ConvexHull(points).volume)


def test_what_is_mended():
    v, f = ball()
    flipped = f.copy()
    flipped[[3, 50, 700]] = flipped[[3, 50, 700], ::-1]
    holed = np.delete(f, 17, axis=0)
    for faces_, words in (
        (flipped, "3 triangles were wound the wrong way"),
        (f[:, ::-1], "inside out"),
        (holed, "1 small hole filled"),
        (np.vstack([f, f[:2]]), "2 triangles given twice"),
        (np.vstack([f, [[0, 0, 5]]]), "1 triangles without area"),
    ):
        found = mended(v, faces_)
        assert words in "; ".join(found.repairs)
        assert len(found.repairs) == 1
        assert found.volume == pytest.approx(4 / 3 * math.pi * 64, rel=0.015)
        assert trimesh.Trimesh(found.vertices, found.faces, process=False).is_volume


def test_corners_that_do_not_quite_meet(tmp_path, rng):
    """Every triangle with corners of its own, off by up to half a micrometre, as text files have them."""
    v, f = ball(2)
    loose = v[f].reshape(-1, 3) + rng.uniform(-5e-4, 5e-4, size=(3 * len(f), 3))
    path = tmp_path / "loose.stl"
    trimesh.Trimesh(loose, np.arange(3 * len(f)).reshape(-1, 3), process=False).export(path)
    found = read_scan(path)
    assert "within 0.002 mm of others" in found.repairs[0]
    assert len(found.faces) == len(f)


def bodies(*parts):
    vertices, triangles, count = [], [], 0
    for v, f in parts:
        vertices.append(v)
        triangles.append(f + count)
        count += len(v)
    return np.vstack(vertices), np.vstack(triangles)


def folded():
    """A long bar bent through itself: rings along a spiral that meets its own start."""
    angles = np.linspace(0, 2.3 * math.pi, 40)
    ring = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1.0]])
    rows = []
    for a in angles:
        out = np.array([math.cos(a), math.sin(a), 0])
        rows.append([(5 + p) * out + [0, 0, q + 0.05 * a] for p, q in ring])
    points = np.array(rows).reshape(-1, 3)
    triangles = []
    for k in range(len(angles) - 1):
        for j in range(4):
            a, b = 4 * k + j, 4 * k + (j + 1) % 4
            triangles += [[a, a + 4, b], [b, a + 4, b + 4]]
    last = 4 * (len(angles) - 1)
    triangles += [[0, 1, 2], [0, 2, 3], [last, last + 2, last + 1], [last, last + 3, last + 2]]
    return points, np.array(triangles)


BOX = box()
REFUSED = {
    "not closed: a hole 5 mm wide with 4 edges": (
        BOX[0], BOX[1][BOX[0][BOX[1], 2].min(axis=1) < 0],
    ),
    r"2 bodies \(4, 4 mm large\)": bodies(BOX, (BOX[0] + 10, BOX[1])),
    "2 bodies .*a hollow inside": bodies(BOX, (BOX[0] / 3, BOX[1][:, ::-1])),
    "crosses itself": folded(),
    "scale it to mm": (BOX[0] / 25.4, BOX[1]),
    r"inches \(": (BOX[0] / 25.4, BOX[1]),
    r"metres \(4 mm\)": (BOX[0] / 1000, BOX[1]),
    r"micrometres \(4 mm\)": (BOX[0] * 1000, BOX[1]),
    "next to nothing": (BOX[0] * [1, 1, 1e-5], BOX[1]),
    "more than two triangles meet at 2 edges": (
        np.vstack([BOX[0], [[0, 0, 9]]]), np.vstack([BOX[1], [[0, 1, 8], [1, 2, 8], [2, 0, 8]]]),
    ),
    # the projective plane of six corners: every edge has two triangles, but there is no outside
    "one side only": (
        np.vstack([np.eye(3), -np.eye(3)]) * 4,
        np.array([[0, 1, 4], [0, 1, 5], [0, 2, 3], [0, 2, 5], [0, 3, 4],
                  [1, 2, 3], [1, 2, 4], [1, 3, 5], [2, 4, 5], [3, 4, 5]]),
    ),
    "is not a number": (np.where(BOX[0] > 1.9, np.nan, BOX[0]), BOX[1]),
    "500,000": (BOX[0], np.tile(BOX[1], (45_000, 1))),
}  # fmt: skip


@pytest.mark.parametrize("words", REFUSED)
def test_what_is_refused(words):
    with pytest.raises(FacetraceError, match=words) as caught:
        mended(*REFUSED[words])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", ["stl", "obj", "ply"])
def test_formats(kind, tmp_path):
    v, f = ball(2)
    path = tmp_path / f"ball.{kind}"
    trimesh.Trimesh(v, f, process=False).export(path)
    found = read_scan(path)
    assert found.repairs == ()
    assert (len(found.vertices), len(found.faces)) == (len(v), len(f))
    with pytest.raises(FacetraceError, match="no such file"):
        read_scan(tmp_path / "absent.stl")


# ---- rough files ------------------------------------------------------------------------------

CUBE = [[x, y, z] for x in (-2, 2) for y in (-2, 2) for z in (-2, 2)]
HEAD = f'name = "t"\n[shape]\npoints_mm = {CUBE}\nc_axis = [0, 0, 1]\n'


def written(folder: Path, text: str):
    path = folder / "rough.toml"
    path.write_text(text, encoding="utf-8")
    return read_rough(path)


def defect(kind, rest):
    return f'{HEAD}[[defect]]\nname = "d"\nkind = "{kind}"\n{rest}\n'


def test_weight_of_a_cube_of_ruby(tmp_path):
    """64 mm^3 at specific gravity 4.00 (trade sheets: 4.00, +0.10, -0.05): 0.256 g, 1.28 ct of 0.2 g."""
    for weighed, said in ((1.28 * 1.029, False), (1.28 * 0.971, False), (1.32, True), (1.24, True)):
        text = f"density = 4.00\nweighed_carats = {weighed}\n{HEAD}"
        found = rough_of(written(tmp_path, text))
        assert found.carats == pytest.approx(1.28)
        assert (found.weight_note is not None) == said
        if said:
            assert "1.28 ct" in found.weight_note
            assert f"{weighed:.2f} ct" in found.weight_note
            assert "sizes that are off" in found.weight_note
    assert rough_of(written(tmp_path, HEAD)).density == 3.99


def test_c_comes_to_stand_upright(rng):
    """The shortest turn: about an axis at right angles to both, by their angle; c and -c are the same axis."""
    for c in rng.normal(size=(50, 3)):
        turn = shortest_turn(tuple(c))
        np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(turn) == pytest.approx(1)
        up = np.sign(c[2]) * c / np.linalg.norm(c)
        np.testing.assert_allclose(turn @ up, [0, 0, 1], atol=1e-12)
        assert Rotation.from_matrix(turn).magnitude() == pytest.approx(math.acos(up[2]))
    np.testing.assert_array_equal(shortest_turn((0, 0, -3)), np.eye(3))


def test_a_pebbles_c_may_point_anywhere(tmp_path):
    """Along its length the length comes to stand upright; its volume is the ellipsoid's, pi/6 x y z."""
    text = 'name = "t"\n[shape]\nhabit = "pebble"\nsize_mm = [10, 6, 5]\n'
    for axis, height in (("", 5), ("c_axis = [-2, 0, 0]\n", 10), ("c_axis = [0, 1, 0]\n", 6)):
        found = rough_of(written(tmp_path, text + axis))
        assert np.ptp(found.mesh.vertices[:, 2]) == pytest.approx(height, rel=0.005)
        assert found.volume_mm3 == pytest.approx(math.pi / 6 * 300)


def test_another_frame_of_the_scan_changes_nothing(tmp_path, rng):
    """Mesh, c and defects turned together: the same piece, but for a turn about c."""

    def piece(turn):
        def of(points):
            return (np.array(points, dtype=float) @ turn.T).tolist()

        v, f = demo_roughs.pebble()
        (tmp_path / "p.stl").write_bytes(demo_roughs.stl(np.array(of(v)), f))
        wall = [[1.6, -6, -6], [1.6, 6, -6], [3.2, 6, 2], [3.2, -6, 2]]
        c, n, s = of([[0.3, -0.2, 0.93], [0.4, 0.5, -0.7], [0.2, 0.3, -0.1]])
        inner = of([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
        return rough_of(written(tmp_path, f"""name = "t"
            [shape]
            mesh = "p.stl"
            c_axis = {c}
            [[defect]]
            name = "crack"
            kind = "crack"
            polygon_mm = {of(wall)}
            [[defect]]
            name = "side"
            kind = "zone"
            material = "blue sapphire"
            half_space = {{ normal = {n}, from_mm = 1.5 }}
            [[defect]]
            name = "core"
            kind = "zone"
            material = "corundum"
            sector = {{ azimuths = [0, 60, 120, 180, 240, 300], outer_mm = 1, centre_mm = {s} }}
            [[defect]]
            name = "crystal"
            kind = "crystal"
            hull = {{ points_mm = {inner} }}
            """))  # fmt: skip

    one = piece(np.eye(3))
    for turn in Rotation.random(3, rng=rng).as_matrix():
        two = piece(turn)
        assert two.carats == pytest.approx(one.carats, rel=1e-5)
        # what takes one scan's crystal frame to the other's is a turn about c, or over it
        back = two.turn @ turn @ one.turn.T
        np.testing.assert_allclose(np.abs(back[2]), [0, 0, 1], atol=1e-9)
        np.testing.assert_allclose(two.mesh.vertices.mean(0), back @ one.mesh.vertices.mean(0), atol=1e-4)  # fmt: skip
        assert [d.name for d in two.defects] == [d.name for d in one.defects]
        for a, b in zip(one.defects, two.defects, strict=True):
            assert (a.kind, a.wish, a.margin_mm, a.zone) == (b.kind, b.wish, b.margin_mm, b.zone)
            if a.name != "core":  # its azimuths are those of the crystal frame
                np.testing.assert_allclose(b.points.mean(0), back @ a.points.mean(0), atol=0.05)
                # the farthest corner from the origin is the same
                for x, y in ((a, b), (b, a)):
                    assert np.linalg.norm(x.points, axis=1).max() == pytest.approx(np.linalg.norm(y.points, axis=1).max(), abs=1e-3)  # fmt: skip


def test_round_bodies_are_wholly_within_their_corners(tmp_path, rng):
    """Points of a disc's circle, an ellipsoid and a pit lie in the hull of the corners, which is little larger."""
    text = defect("crystal", "ellipsoid = { centre_mm = [0.3, 0, 0.2], radii_mm = [1, 0.5, 0.3], tilt = 30 }")  # fmt: skip
    file = written(tmp_path, text)
    (found,) = rough_of(file).defects
    (body,) = file.model.defect[0].bodies()
    assert (found.wish, found.margin_mm) == ("inside", 0.2)
    around = fit.hull(found.points)
    m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
    on = rng.normal(size=(2000, 3))
    on = (on / np.linalg.norm(on, axis=1)[:, None] + w) @ np.linalg.inv(m).T
    assert around.holds(on, 1e-9).all()
    exact = 4 / 3 * math.pi * 0.15
    assert exact < ConvexHull(found.points).volume < 1.05 * exact
    # a polygon of n corners around a circle of radius r: n tan(pi / n) r^2, its corners r / cos(pi / n) from the middle
    disc = Disc(centre_mm=(0, 0, 0), normal=(1, 2, 3), radius_mm=1.5).corners()
    area = np.linalg.norm(np.cross(disc, np.roll(disc, -1, axis=0)).sum(axis=0)) / 2
    n = len(disc)
    assert area == pytest.approx(n * math.tan(math.pi / n) * 1.5**2)
    assert 1.5 < np.linalg.norm(disc, axis=1).max() <= 1.5 + 0.01
    # half of a flat ellipsoid below the face x = 2
    pit = "at_mm = [2, 0, 0]\nradius_mm = 0.5\ndepth_mm = 0.8"
    (found,) = rough_of(written(tmp_path, defect("pit", pit))).defects
    assert found.points[:, 0].max() == pytest.approx(2)
    assert 1.17 < found.points[:, 0].min() <= 1.2
    half = 2 / 3 * math.pi * 0.5 * 0.5 * 0.8
    assert half < ConvexHull(found.points).volume < 1.05 * half


def test_defects_are_clipped_to_the_piece(tmp_path):
    """A half-space of a cube of 4 mm, a crack across it, and a shell of six wedges that share a name."""
    (found,) = rough_of(written(tmp_path, defect("silk", "half_space = { normal = [0, 0, 2], from_mm = 1.5 }"))).defects  # fmt: skip
    assert ConvexHull(found.points).volume == pytest.approx(4 * 4 * 0.5)
    assert found.wish == "under girdle"
    (found,) = rough_of(written(tmp_path, defect("crack", "polygon_mm = [[1,-9,-9],[1,9,-9],[1,9,9],[1,-9,9]]"))).defects  # fmt: skip
    assert sorted(found.points.tolist()) == [[1, -2, -2], [1, -2, 2], [1, 2, -2], [1, 2, 2]]
    six = "sector = { azimuths = [0, 60, 120, 180, 240, 300], outer_mm = 1, inner_mm = 0.5 }"
    text = defect("zone", f'chromophores = {{ "Cr3+" = 10 }}\n{six}')
    found = rough_of(written(tmp_path, text)).defects
    assert [d.name for d in found] == ["d"] * 6
    # hexagonal shell: 2 sqrt(3) (R^2 - r^2) h
    volume = sum(ConvexHull(d.points).volume for d in found)
    assert volume == pytest.approx(2 * math.sqrt(3) * 0.75 * 4)


def test_zones_are_those_of_a_zone_file(tmp_path):
    """The same colour and shape in a zone file: the same bodies and absorptions; errors name the rough's line."""
    colour = 'chromophores = { "Cr3+" = 100 }\nstrength = 0.5\n'
    slab = "slab = { normal = [1, 0, 0.5], from_mm = 0, to_mm = 1 }"
    crack = '[[defect]]\nname = "e"\nkind = "crack"\ndisc = { centre_mm = [0,0,0], normal = [0,0,1], radius_mm = 1 }\n'
    turned = HEAD.replace("[0, 0, 1]\n", "[0, 1, 0]\n") + crack
    rough = rough_of(written(tmp_path, f'{turned}[[defect]]\nname = "d"\nkind = "zone"\n{colour}{slab}\n'))  # fmt: skip
    (tmp_path / "z.toml").write_text(f'name = "t"\n[[zone]]\nname = "d"\n{colour}{slab}\n')
    other = read_zones(tmp_path / "z.toml")
    nm = observer().wavelength_nm
    for a, b in zip(differences(rough.zones, rough.material, nm), differences(other, rough.material, nm), strict=True):  # fmt: skip
        np.testing.assert_array_equal(a, b)
    ((mine, number),) = rough.zones.bodies()
    ((theirs, _),) = other.bodies()
    assert number == 0
    assert [d.zone for d in rough.defects] == [None, 0]
    points = np.random.default_rng(1).uniform(-2, 2, size=(500, 3))
    assert (mine.holds(points @ rough.turn.T) == theirs.holds(points)).all()
    assert rough.zones.blank() is rough.hull
    text = defect("zone", 'material = "corundum"\nstrength = 3\n' + slab)
    rough = rough_of(written(tmp_path, text))
    with pytest.raises(FileError, match=r"rough\.toml:9: defect\[1\]\.strength: zone 'd' would leave"):  # fmt: skip
        differences(rough.zones, rough.material, nm)


def test_the_study_of_orientations_takes_a_roughs_zones():
    """The plate's blue flank, in a round as large as its hull holds: it reaches into the stone."""
    rough = rough_of(read_rough(FOLDER / "blue-plate.toml"))
    design = read_design(ROOT / "designs" / "round-brilliant.toml").design
    subject = subject_of(design, rough.material, rough.zones, find_light("hemisphere"), observer())
    cut = cut_of(subject, BASE)
    place = place_of(subject, BASE)
    corners = cut.shift + cut.solid.vertices @ cut.turn.T
    assert rough.hull.holds(corners, 1e-6).all()
    assert 0 < place.shares[0] < 0.2


# ---- from a face, wedges, sizes in any order, the balance ---------------------------------------


def on(folder, kind, rest, head=HEAD):
    text = defect(kind, f"from_face = {{ {rest} }}").replace(HEAD, head)
    return rough_of(written(folder, text))


def test_cracks_from_a_face_of_a_cube(tmp_path):
    """On a cube of 4 mm all corners can be told by hand: here, so long, so deep; then leaning, on -x, +y and +z."""
    for rest, wanted in (
        ('face = "+x", at_mm = [0.5, -0.5], long_mm = 2, deep_mm = 1.5', [[0.5, -0.5, -0.5], [2, 1.5, -0.5]]),
        ('face = "-x", at_mm = [0.5, -0.5], long_mm = 2, along_deg = 90, deep_mm = 1', [[-2, 0.5, -1.5], [-1, 0.5, 0.5]]),
        # straight down is deep_mm, whatever it leans: towards along_deg + 90
        ('face = "+y", at_mm = [0, 0], long_mm = 1, deep_mm = 1, dip_deg = 45', [[-0.5, 1, 0], [0.5, 2, 1]]),
        ('face = "+z", at_mm = [1, 0], long_mm = 1, along_deg = 90, deep_mm = 1, dip_deg = 135', [[1, -0.5, 1], [2, 0.5, 2]]),
        ("face = [0, 0, 3], at_mm = [0.5, 0], long_mm = 20, deep_mm = 3", [[-2, 0, -1], [2, 0, 2]]),
    ):  # fmt: skip
        (found,) = on(tmp_path, "crack", rest).defects
        np.testing.assert_allclose([found.points.min(0), found.points.max(0)], wanted, atol=1e-9)
        assert len(found.points) == 4
    # its axes on a face without a name: right and up as one looks at it; here -x + y is right, z is up
    n = [1, 1, 0]
    turned = HEAD.replace(
        str(CUBE),
        str((np.array(CUBE) @ Rotation.from_euler("z", 45, degrees=True).as_matrix().T).tolist()),
    )
    (found,) = on(
        tmp_path,
        "crack",
        f"face = {n}, at_mm = [1, 0.5], long_mm = 1, along_deg = 90, deep_mm = 1",
        turned,
    ).defects
    middle = (found.points.min(0) + found.points.max(0)) / 2
    right, out = np.array([-1, 1, 0]) / math.sqrt(2), np.array([1, 1, 0]) / math.sqrt(2)
    np.testing.assert_allclose(middle, right + 1.5 * out + [0, 0, 0.5], atol=1e-9)


def test_a_crack_begins_at_the_surface_of_a_scan(tmp_path):
    """On a ball of radius 4: by Pythagoras the surface over (y, z) is at sqrt(16 - y^2 - z^2), in any frame of c."""
    v, f = ball(4)
    trimesh.Trimesh(v + np.array([9, 0, 0]), f, process=False).export(tmp_path / "b.stl")
    for c in ([0, 0, 1], [1, 2, -0.5]):
        head = f'name = "t"\n[shape]\nmesh = "b.stl"\nc_axis = {c}\n[loss]\nscan_mm = 0.02\n'
        rest = (
            'face = "+x", at_mm = [1, -1], along_deg = 30, long_mm = 2, deep_mm = 1.2, dip_deg = 70'
        )
        found = on(tmp_path, "crack", rest, head)
        points = found.defects[0].whole @ found.turn - [9, 0, 0]
        t = np.array([0, math.cos(math.pi / 6), 0.5])
        s = np.array([0, -0.5, math.cos(math.pi / 6)])
        # in one plane through the surface point, leaning by 70 degrees
        down = math.cos(math.radians(70)) * s - math.sin(math.radians(70)) * np.array([1, 0, 0])
        here = np.array([math.sqrt(14), 1, -1])
        np.testing.assert_allclose((points - here) @ np.cross(t, down), 0, atol=0.01)
        reach = np.linalg.norm(points, axis=1)
        # 0.02 of the scan and 0.05 stand out; what is deepest lies 1.2 mm below the surface over it, along x
        assert reach.max() > 4.0
        assert (reach > 4).sum() >= 2
        # of each place k of the trace: where its line, here + k t + u down, meets the ball first
        lowest = []
        for k in np.linspace(-1, 1, 33):
            p = here + k * t
            u = np.roots([1, 2 * p @ down, p @ p - 16]).real.min()
            lowest.append((p + u * down)[0] - 1.2)
        assert points[:, 0].min() == pytest.approx(min(lowest), abs=0.03)


def test_other_kinds_from_a_face(tmp_path):
    """A cube of 4 mm: a pit is half an ellipsoid, a crystal a whole one between its depths, silk a block."""
    (pit,) = on(
        tmp_path, "pit", 'face = "+x", at_mm = [0.5, 0], wide_mm = 1, deep_mm = 0.8'
    ).defects
    half = 2 / 3 * math.pi * 0.5 * 0.5 * 0.8
    assert half < ConvexHull(pit.points).volume < 1.05 * half
    np.testing.assert_allclose(pit.points.mean(0)[[1, 2]], [0.5, 0], atol=0.05)
    assert pit.points[:, 0].max() == pytest.approx(2)
    (crystal,) = on(
        tmp_path,
        "crystal",
        'face = "+y", at_mm = [0.5, 0], long_mm = 2, wide_mm = 1, under_mm = 0.5, deep_mm = 1.5',
    ).defects
    whole = math.pi / 6 * 2 * 1 * 1
    assert whole < ConvexHull(crystal.points).volume < 1.05 * whole
    np.testing.assert_allclose(np.ptp(crystal.points, axis=0), [2, 1, 1], atol=0.1)
    np.testing.assert_allclose(crystal.points.mean(0), [0.5, 1, 0], atol=0.01)
    for kind in ("silk", "cloud"):
        (block,) = on(
            tmp_path, kind, 'face = "-z", at_mm = [1, 1], long_mm = 1, wide_mm = 0.5, deep_mm = 2'
        ).defects
        np.testing.assert_allclose([block.points.min(0), block.points.max(0)], [[0.5, 0.75, -2], [1.5, 1.25, 0]], atol=1e-9)  # fmt: skip


def test_wedges(tmp_path):
    """A triangular prism: half of long times thick times deep; to a point a third."""
    for tip, share in (("[[0, -1, 0], [0, 1, 0]]", 1 / 2), ("[[0, 0, 0]]", 1 / 3)):
        wedge = f"wedge = {{ mouth_mm = [[2, -1, 0], [2, 1, 0]], tip_mm = {tip}, thick_mm = 0.4 }}"
        for kind in ("crack", "silk"):
            (found,) = rough_of(written(tmp_path, defect(kind, wedge))).defects
            assert ConvexHull(found.points).volume == pytest.approx(share * 2 * 2 * 0.4, rel=1e-6)
            assert np.ptp(found.points[found.points[:, 0] > 1.9][:, 2]) == pytest.approx(0.4)
    rest = 'face = "+x", at_mm = [0, 0], long_mm = 2, wide_mm = 0.4, deep_mm = 1'
    (found,) = on(tmp_path, "crack", rest, HEAD + "[loss]\nscan_mm = 0\n").defects
    # its mouth is wide_mm where it stands out of the surface by 0.05 mm, so a little less at it
    at = 0.4 / 1.05
    assert ConvexHull(found.points).volume == pytest.approx(at * 2 / 2, rel=1e-6)


def test_sizes_in_any_order(tmp_path):
    """What is likely counts as given; else c is a barrel's length and a plate's thickness, and what fits as well is asked."""

    def found_questions(habit_, size):
        return rough_of(
            written(tmp_path, f'name = "t"\n[shape]\nhabit = "{habit_}"\nsize_mm = {size}\n')
        ).questions

    def taken(habit_, size):
        text = f'name = "t"\n[shape]\nhabit = "{habit_}"\nsize_mm = {size}\n'
        found = rough_of(written(tmp_path, text))
        return np.ptp(found.mesh.vertices, axis=0), found.notes

    size, (note, assumed) = taken("plate", [9.5, 11, 6.5])
    assert "the shape is taken as a whole plate of these sizes" in assumed
    assert note == "taken as: 9.5 mm across the flats, 11 mm across the corners, 6.5 mm along c"
    np.testing.assert_allclose(size, [9.5, 11, 6.5])
    for name, told, wanted in (
        ("plate", [11, 6, 9.5], (9.5, 11, 6)), ("plate", [9, 4, 8], (8, 9, 4)),
        ("bipyramid", [20, 8, 9], (8, 9, 20)), ("barrel", [14, 8, 7.5], (7.5, 8, 14)),
    ):  # fmt: skip
        size, (note, _) = taken(name, told)
        np.testing.assert_allclose(size, wanted, rtol=1e-9)
        assert note.startswith(
            f"taken as: {wanted[0]:g} mm across the flats, {wanted[1]:g} mm across"
        )
        assert note.endswith(f"in the order of the file it would be no likely {name}")
        assert found_questions(name, told) == ()
    # a regular hexagon has corners / flats = 1.155: 9 / 8 = 1.125 and 10.5 / 9 = 1.167 are both near it
    for told, wanted, asked in (
        ([8, 9, 10.5], (8, 9, 10.5), False), ([9, 10.5, 8], (9, 10.5, 8), True),
        ([10.5, 9, 8], (8, 9, 10.5), True), ([9, 8, 10.5], (8, 9, 10.5), True),
    ):  # fmt: skip
        size, _ = taken("barrel", told)
        np.testing.assert_allclose(size, wanted, rtol=1e-9)
        questions = found_questions("barrel", told)
        assert bool(questions) == asked
        assert all(
            q.startswith("which size is which: they also make a barrel of ") for q in questions
        )
    size, notes = taken("block", [4, 5, 6])
    np.testing.assert_allclose(size, [4, 5, 6])
    assert len(notes) == 1


@pytest.mark.parametrize("radius", [0.4, 3.0, 12.0, 40.0])
def test_round_bodies_of_any_size_stand_out_by_a_hundredth_of_a_millimetre(tmp_path, radius):
    """A ball that takes a corner of a block away: no corner of the body that counts lies further off it within the block."""
    middle = 2 + (radius - 1) * np.ones(3) / math.sqrt(3)
    text = defect("cloud", f"ellipsoid = {{ centre_mm = {middle.tolist()}, radii_mm = [{radius}, {radius}, {radius}] }}")  # fmt: skip
    (found,) = rough_of(written(tmp_path, text)).defects
    off = np.linalg.norm(found.points - middle, axis=1) - radius
    assert off.max() <= 0.0105
    within = np.linalg.norm(found.within - middle, axis=1) - radius
    assert within.max() <= 1e-9


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ('weighed_carats = 0.384\n[shape]\nhabit = "block"\nsize_mm = [6, 4, 4]\nc_axis = [0, 0, 1]', "what is wrong: .*may hold grams \\(0.384 g are 1.92 ct\\)"),
        ('[shape]\nhabit = "block"\nsize_mm = [6, 4, 4]', "where c lies: the file gives no c_axis"),
        ('[shape]\nhabit = "pebble"\nsize_mm = [6, 4, 4]', "where c lies: the file gives no c_axis"),
        ('[shape]\nhabit = "block"\nsize_mm = [6, 4, 4]\nc_axis = [0, 0, 1]\n[[defect]]\nname = "feather"\nkind = "crack"\n'
         'from_face = { face = "+x", at_mm = [0, 0], long_mm = 25, deep_mm = 1 }', "how large feather is: long_mm is 25 in a piece of 6 mm"),
    ],
)  # fmt: skip
def test_what_is_to_be_found_out_first(tmp_path, text, asked):
    """6 x 4 x 4 mm of 4.00 g/cm3 are 1.92 ct: 0.384 g."""
    (question,) = rough_of(written(tmp_path, f'name = "t"\ndensity = 4\n{text}\n')).questions
    assert re.match(asked, question)


@pytest.mark.parametrize(
    ("size", "habit_", "more", "problem"),
    [
        ([0.92, 0.78, 0.64], "block", "", r"rough.toml:\d+: shape.size_mm: the largest is 0.92 mm, which no rough is"),
        ([12, 6, 7], "bipyramid", '[[defect]]\nname = "c"\nkind = "crack"\npolygon_mm = [[4, 0, 0], [4, 1, 0], [4, 0, 1]]\n',
         r"rough.toml:\d+: shape.size_mm: in this order no likely bipyramid, but in the order \[6.0, 7.0, 12.0\]"),
    ],
)  # fmt: skip
def test_sizes_that_cannot_be_meant(tmp_path, size, habit_, more, problem):
    path = written(tmp_path, f'name = "t"\n[shape]\nhabit = "{habit_}"\nsize_mm = {size}\n{more}')
    with pytest.raises(FileError, match=problem):
        rough_of(path)


def test_a_sawn_block_with_c_across(tmp_path):
    text = 'name = "t"\n[shape]\nhabit = "block"\nsize_mm = [4, 5, 6]\nc_axis = [0, 1, 0]\n'
    found = rough_of(written(tmp_path, text))
    assert found.volume_mm3 == pytest.approx(120)
    assert np.ptp(found.mesh.vertices[:, 2]) == pytest.approx(5)


def test_the_balance_is_trusted(tmp_path):
    """A cube of 4 mm, 1.28 ct at 4.00, that weighs 8 times as much is one of 8 mm, with all in it twice as far."""
    zone_ = (
        'kind = "zone"\nchromophores = { "Cr3+" = 10 }\nsector = { azimuth = 0, outer_mm = 1 }\n'
    )
    rest = (
        'kind = "crack"\npolygon_mm = [[1,-1,-1],[1,1,-1],[1,1,1],[1,-1,1]]\n[[defect]]\nname = "p"\nkind = "pit"\n'
        'at_mm = [2, 0, 0]\nradius_mm = 0.5\ndepth_mm = 0.8\n[[defect]]\nname = "e"\nkind = "crystal"\n'
        "ellipsoid = { centre_mm = [0.3, 0, 0.2], radii_mm = [1, 0.5, 0.3], tilt = 30 }\n"
        f'[[defect]]\nname = "w"\nkind = "silk"\nwedge = {{ mouth_mm = [[2,-1,0],[2,1,0]], tip_mm = [[0,0,0]], thick_mm = 0.4 }}\n'
        f'[[defect]]\nname = "z"\n{zone_}'
    )  # fmt: skip
    turned = HEAD.replace("c_axis = [0, 0, 1]", "c_axis = [1, 2, 3]")
    body = f'{turned}[[defect]]\nname = "d"\n{rest}'
    plain = rough_of(written(tmp_path, "density = 4\nweighed_carats = 10.24\n" + body))
    found = rough_of(
        written(tmp_path, 'density = 4\nweighed_carats = 10.24\ntrust = "balance"\n' + body)
    )
    assert plain.scaled == 1
    # whoever is right, a stone may weigh as much less or more
    assert plain.doubt_carats == pytest.approx((1 / 8, 8))
    assert plain.weight_note is not None
    assert plain.notes == ()
    assert found.scaled == pytest.approx(2)
    assert found.carats == pytest.approx(10.24)
    assert found.weight_note is None
    # as much up as down: the balance may be off as well as the scan
    assert found.doubt_carats == pytest.approx((1 / 8, 8))
    assert "times 2.0000 (weighed 10.24 ct, 1.28 ct by its volume as given" in found.notes[0]
    np.testing.assert_allclose(found.mesh.vertices, 2 * plain.mesh.vertices)
    for a, b in zip(plain.defects, found.defects, strict=True):
        np.testing.assert_allclose(b.points.mean(0), 2 * a.points.mean(0), atol=0.05)
        np.testing.assert_allclose(
            np.ptp(b.points, axis=0), 2 * np.ptp(a.points, axis=0), rtol=1e-6
        )
    points = np.random.default_rng(1).uniform(-2, 2, size=(500, 3))
    ((one, _),), ((two, _),) = plain.zones.bodies(), found.zones.bodies()
    assert (one.holds(points) == two.holds(2 * points)).all()
    # lengths of from_face are the piece's own, its place the file's: 1 and 1 become 2 and 2, 0.5 stays
    text = defect(
        "crack", 'from_face = { face = "+x", at_mm = [1, 1], long_mm = 1, deep_mm = 0.5 }'
    )
    (crack,) = rough_of(
        written(tmp_path, 'density = 4\nweighed_carats = 10.24\ntrust = "balance"\n' + text)
    ).defects
    np.testing.assert_allclose([crack.points.min(0), crack.points.max(0)], [[3.5, 1.5, 2], [4, 2.5, 2]], atol=1e-6)  # fmt: skip


SLAB = "slab = { normal = [1, 0, 0], from_mm = 0, to_mm = 1 }"
BLUE = 'material = "blue sapphire"\n'
WRONG = [
    ('name = "t"\n', "shape: is missing"),
    ('name = "t"\n[shape]\n', r":2: shape: needs exactly one shape: mesh, habit or points_mm \(given: none\)"),
    ('name = "t"\n[shape]\nmesh = "a.stl"\n', r":2: shape: c_axis: is missing; say how"),
    ('name = "t"\n[shape]\nhabit = "plate"\n', "size_mm: goes with habit"),
    ('name = "t"\n[shape]\nhabit = "cube"\n', r":3: shape\.habit: must be 'pebble'"),
    ('name = "t"\n[shape]\nhabit = "plate"\nsize_mm = [9, 10, 6]\nc_axis = [1, 0, 0]\n', "c_axis: a plate has c along z"),
    ('name = "t"\n[shape]\nhabit = "barrel"\nsize_mm = [9, 10, 6]\ncorners_mm = 1\n', "corners_mm: goes with a plate"),
    (HEAD.replace("[0, 0, 1]", "[0, 0, 0]"), "c_axis: has no direction"),
    (HEAD + "[loss]\nskin = 1\n", r":6: loss\.skin: unknown key; did you mean 'skin_mm'"),
    ("chromophores = { Fe = 1 }\nspectrum = \"a.csv\"\n" + HEAD, "give chromophores or spectrum, not both"),
    ("weighed_carats = 0\n" + HEAD, r":1: weighed_carats: must be more than 0"),
    (defect("dent", SLAB), r":7: defect\[1\]\.kind: must be 'crack'"),
    (defect("silk", ""), r":5: defect\[1\]: needs exactly one shape: slab"),
    (defect("crack", SLAB), "slab: does not go with a crack; give polygon_mm, disc, wedge or from_face"),
    (defect("silk", "at_mm = [0, 0, 0]"), "at_mm: does not go with a silk"),
    (defect("pit", "at_mm = [0, 0, 0]\nradius_mm = 1"), "depth_mm: is missing; a pit has"),
    (defect("silk", 'wish = "hide"\n' + SLAB), "wish: hide is for zones"),
    (defect("silk", BLUE + SLAB), "material: goes with kind zone, this is a silk"),
    (defect("silk", "strength = 1\n" + SLAB), "strength: goes with kind zone"),
    (defect("zone", SLAB), r"needs exactly one colour: material, .* \(given: none\)"),
    (defect("crack", "polygon_mm = [[0,0,0],[1,0,0],[2,0,0]]"), "polygon_mm: the points lie on one line"),
    (defect("crack", "polygon_mm = [[0,0,0],[2,0,0],[2,2,1],[0,2,0]]"), "polygon_mm: a point lies 0.* off the plane"),
    (defect("crack", "polygon_mm = [[0,0,0],[3,0,0],[1,1,0],[0,3,0]]"), "polygon_mm: is not convex, a point lies 0.71 mm inside"),
    ('trust = "balance"\n' + HEAD, r":1: trust: \"balance\" needs weighed_carats"),
    (defect("crack", 'from_face = { face = "+w", at_mm = [0, 0], long_mm = 1, deep_mm = 1 }'), r":8: defect\[1\]\.from_face\.face: must be '\+x'"),
    (defect("crack", "from_face = { face = [0, 0, 0], at_mm = [0, 0], long_mm = 1, deep_mm = 1 }"), r"from_face\.face: has no direction"),
    (defect("crack", 'from_face = { face = "+x", at_mm = [0, 0], deep_mm = 1 }'), r":8: defect\[1\]\.from_face\.long_mm: is missing; a crack"),
    (defect("pit", 'from_face = { face = "+x", at_mm = [0, 0], wide_mm = 1, deep_mm = 1, dip_deg = 80 }'), r"from_face\.dip_deg: means nothing of a pit"),
    (defect("pit", 'radius_mm = 1\nfrom_face = { face = "+x", at_mm = [0, 0], wide_mm = 1, deep_mm = 1 }'), "from_face: says where the pit is"),
    (defect("silk", 'from_face = { face = "+x", at_mm = [0, 0], long_mm = 1, under_mm = 2, deep_mm = 1 }'), r"under_mm: 2 is not above deep_mm 1"),
    (defect("zone", BLUE + 'from_face = { face = "+x", at_mm = [0, 0], long_mm = 1, deep_mm = 1 }'), "from_face: does not go with a zone"),
    (defect("crystal", "wedge = { mouth_mm = [[2,-1,0],[2,1,0]], tip_mm = [[0,0,0]], thick_mm = 0.4 }"), "wedge: does not go with a crystal"),
    (defect("crack", "wedge = { mouth_mm = [[2,-1,0],[2,1,0]], tip_mm = [[2,0,0]], thick_mm = 0.4 }"), "mouth_mm, tip_mm: lie on one line"),
    (defect("silk", SLAB) + '[[defect]]\nname = "d"\nkind = "silk"\n' + SLAB, r":\d+: defect\[2\].name: a defect before it is named 'd' too"),
]  # fmt: skip

WRONG_LATER = [
    ('name = "t"\n[shape]\nmesh = "a.stl"\nc_axis = [0, 0, 1]\n', r"rough\.toml:3: shape\.mesh: .*a\.stl: no such file"),
    ('name = "t"\n[shape]\nhabit = "bipyramid"\nsize_mm = [4, 4, 60]\n', r":4: shape\.size_mm: a bipyramid .* at most, not 60"),
    ('material = "rubby"\n' + HEAD, r":1: material: no material 'rubby'"),
    ("chromophores = { Co = 1 }\n" + HEAD, r":1: chromophores: chromophore 'Co'"),
    ('spectrum = "absent.csv"\n' + HEAD, r":1: spectrum: .*no such file"),
    (defect("silk", SLAB.replace("0, to_mm = 1", "7, to_mm = 9")), r":5: defect\[1\]: 'd' lies wholly outside the rough"),
    (defect("crack", "polygon_mm = [[9,0,0],[9,1,0],[9,0,1]]"), "'d' lies wholly outside"),
    (defect("pit", "at_mm = [0, 0, 0]\nradius_mm = 0.5\ndepth_mm = 1"), r":8: defect\[1\]\.at_mm: lies 2 mm below"),
    (defect("crack", 'from_face = { face = "+x", at_mm = [2.5, 0], long_mm = 1, deep_mm = 1 }'), r":8: defect\[1\]\.from_face\.at_mm: no surface of the piece lies at 2\.5, 0 mm of this face; .* -2\.00 to 2\.00"),
    (defect("pit", 'from_face = { face = "+x", at_mm = [0, -3], wide_mm = 1, deep_mm = 1 }'), r"from_face\.at_mm: no surface"),
    ('weighed_carats = 90000\ntrust = "balance"\ndensity = 0.6\n' + HEAD, r":2: trust: 90000 ct makes the largest side 311 mm"),
    (defect("zone", 'material = "rubby"\n' + SLAB), r":8: defect\[1\]\.material: no material 'rubby'"),
    (defect("zone", 'material = "diamond"\n' + SLAB), "a zone is a part of the same crystal"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "complaint"), WRONG, ids=lambda v: v[-40:])
def test_mistakes_get_one_clear_line(text, complaint, tmp_path):
    with pytest.raises(FileError, match=complaint) as caught:
        written(tmp_path, text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("text", "complaint"), WRONG_LATER, ids=lambda v: v[-40:])
def test_pieces_that_cannot_be(text, complaint, tmp_path):
    file = written(tmp_path, text)
    with pytest.raises(FileError, match=complaint) as caught:
        rough_of(file)
    assert "\n" not in str(caught.value)


def test_a_broken_scan_names_the_roughs_line(tmp_path):
    trimesh.Trimesh(BOX[0], BOX[1][2:], process=False).export(tmp_path / "open.stl")
    file = written(tmp_path, 'name = "t"\n[shape]\nmesh = "open.stl"\nc_axis = [0, 0, 1]\n')
    with pytest.raises(
        FileError, match=r"rough\.toml:3: shape\.mesh: .*open\.stl: the mesh is not"
    ):
        rough_of(file)


def test_the_demo_scan_is_that_of_the_script():
    """Made by: python tests/tools/demo_roughs.py; single precision, so to 1e-5 mm."""
    found = trimesh.load_mesh(FOLDER / "cracked-pebble.stl", process=False)
    v, f = demo_roughs.pebble()
    np.testing.assert_allclose(found.triangles, v[f], atol=1e-5)
    assert (FOLDER / "cracked-pebble.stl").stat().st_size < 60_000


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_roughs_are_sound(path):
    rough = rough_of(read_rough(path))
    assert "invented" in rough.file.model.notes
    assert 8 < rough.carats < 12
    assert rough.weight_note is None
    assert rough.repairs == ()
    assert rough.defects
    text = path.read_text(encoding="utf-8")
    schema = json.loads((FOLDER / SCHEMA_NAME).read_text(encoding="utf-8"))
    jsonschema.validate(tomllib.loads(text), schema)
    assert text.startswith(f"#:schema ./{SCHEMA_NAME}\n")


def test_published_schema_of_roughs_is_that_of_the_code():
    """Made by: python -m facetrace.rough.model"""
    assert (FOLDER / SCHEMA_NAME).read_text(encoding="utf-8") == schema_text()
