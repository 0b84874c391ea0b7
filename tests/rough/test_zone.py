"""Zone files: bodies against closed forms and quadrature, absorptions, mistakes with one clear line."""

import json
import math
import tomllib

import jsonschema
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from shared import ROOT, chord

from facetrace.common.errors import FacetraceError, FileError
from facetrace.optics.colour import observer
from facetrace.optics.material import find_material
from facetrace.rough.zone import Zone, differences, read_zones, schema_text

SCHEMA_NAME = "facetrace-zone.schema.json"
SHIPPED = sorted((ROOT / "designs" / "zones").glob("*.toml"))
HEXAGON = {"azimuths": [0, 60, 120, 180, 240, 300], "outer_mm": 1.5, "from_mm": -1, "to_mm": 2}
SHAPES = {
    "slab": {"normal": [1, 2, 2], "from_mm": -0.5, "to_mm": 1.0},
    "half_space": {"normal": [0, -3, 4], "from_mm": 0.2},
    "ellipsoid": {
        "centre_mm": [0.3, -0.2, 0.5], "radii_mm": [2, 1, 0.5], "tilt": 40, "azimuth": 70, "turn": 15,
    },
    "sector": {"azimuth": 25, "inner_mm": 0.5, "outer_mm": 1.9, "from_mm": -1, "centre_mm": [0.2, 0.1, 0.3]},
    "hull": {"points_mm": [[0, 0, 0], [2, 0, 0], [0, 2, 0], [0, 0, 2], [1.5, 1.5, 1.5]]},
}  # fmt: skip


def zone_of(shape, data, **colour):
    return Zone.model_validate({"name": "z", shape: data} | (colour or {"material": "ruby"}))


@pytest.mark.parametrize("shape", SHAPES)
def test_chords_are_those_of_the_points_held(shape, rng):
    """Cut lengths against the midpoint rule over ``holds``: two ends, each off by less than a step."""
    (body,) = zone_of(shape, SHAPES[shape]).bodies()
    count = 20_000
    t = -10 + 20 * (np.arange(count) + 0.5) / count
    met = 0
    for _ in range(40):
        along = rng.normal(size=3)
        along /= np.linalg.norm(along)
        start = rng.uniform(-1, 1, size=3)
        exact = chord(body, start, along)
        held = body.holds(start + t[:, None] * along).mean() * 20
        assert held == pytest.approx(exact, abs=2 * 20 / count)
        met += exact > 0
    assert met >= 5


@pytest.mark.parametrize("shape", SHAPES)
def test_another_frame_changes_no_chord(shape, rng):
    """Lengths do not depend on the frame; in one of twice the scale they are half as long."""
    (body,) = zone_of(shape, SHAPES[shape]).bodies()
    turn, origin = Rotation.random(rng=rng).as_matrix(), rng.normal(size=3)
    moved, halved = body.seen_from(turn, origin), body.seen_from(turn, origin, 2.0)
    points = rng.uniform(-2, 2, size=(500, 3))
    there = (points - origin) @ turn
    assert (body.holds(points) == moved.holds(there)).all()
    assert (body.holds(points) == halved.holds(there / 2)).all()
    for _ in range(20):
        along = rng.normal(size=3)
        along /= np.linalg.norm(along)
        start = rng.uniform(-1, 1, size=3)
        # a line short enough to end nowhere in the body
        if 0 < chord(body, start, along) < 4:
            whole = chord(moved, turn.T @ (start - origin), turn.T @ along)
            assert whole == pytest.approx(chord(body, start, along), rel=1e-9)


def volume(bodies, size, rng, count=400_000):
    """(value, standard error) by points in a cube of that edge; each point in at most one body."""
    points = rng.uniform(-size / 2, size / 2, size=(count, 3))
    held = np.sum([b.holds(points) for b in bodies], axis=0)
    assert held.max() <= 1
    return held.mean() * size**3, held.std() / math.sqrt(count) * size**3


@pytest.mark.parametrize(
    ("shape", "data", "exact"),
    [
        # hexagon of inradius r: 2 sqrt(3) r^2
        ("sector", HEXAGON, 2 * math.sqrt(3) * 1.5**2 * 3),
        ("sector", HEXAGON | {"inner_mm": 0.75}, 2 * math.sqrt(3) * (1.5**2 - 0.75**2) * 3),
        # one triangle of it
        ("sector", {"azimuth": 11, "outer_mm": 1.5, "from_mm": -1, "to_mm": 2}, math.sqrt(3) / 3 * 1.5**2 * 3),
        ("ellipsoid", SHAPES["ellipsoid"], 4 / 3 * math.pi * 2 * 1 * 0.5),
        # a cube of edge 5 between two planes 1.5 apart along its edge
        ("slab", {"normal": [0, 0, -7], "from_mm": -0.5, "to_mm": 1.0}, 25 * 1.5),
        ("half_space", {"normal": [0, 2, 0], "from_mm": 0.5}, 25 * 2.0),
        # four corners of a cube of edge 2 cut off: a third of it is left
        ("hull", {"points_mm": [[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]]}, 8 / 3),
    ],
)  # fmt: skip
def test_volumes(shape, data, exact, rng):
    """Elementary solid geometry, within 4.5 standard errors (false alarm: 7 in a million each)."""
    value, error = volume(zone_of(shape, data).bodies(), 5.0, rng)
    assert abs(value - exact) < 4.5 * error


def test_a_sector_is_the_wedge_that_trimesh_cuts(rng):
    """The wedge at 25 degrees as trimesh's hull of its eight corners: the same points inside."""
    data = SHAPES["sector"] | {"to_mm": 1.5}
    (body,) = zone_of("sector", data).bodies()
    corners = [
        [r / math.cos(math.pi / 6) * math.cos(a), r / math.cos(math.pi / 6) * math.sin(a), z]
        for r in (0.5, 1.9) for z in (-1, 1.5)
        for a in (math.radians(-5), math.radians(55))
    ]  # fmt: skip
    mesh = trimesh.convex.convex_hull(np.array(corners) + data["centre_mm"])
    assert mesh.volume == pytest.approx(2.5 * (1.9**2 - 0.5**2) / math.sqrt(3))
    points = rng.uniform(-3, 3, size=(3000, 3))
    off = points[:, None] - mesh.triangles_center
    inside = (np.einsum("pfk,fk->pf", off, mesh.face_normals) <= 0).all(axis=1)
    assert inside.sum() > 50
    assert (body.holds(points) == inside).all()


def test_a_leaning_ellipsoid_reaches_farthest_along_its_third_radius():
    """Its support along a unit vector u is |diag(radii) axes^T u| (Schneider, "Convex Bodies", ch. 1.7)."""
    data = {"radii_mm": [1, 1, 3], "tilt": 30, "azimuth": 90}
    (body,) = zone_of("ellipsoid", data).bodies()
    tip = 3 * np.array([0, math.sin(math.pi / 6), math.cos(math.pi / 6)])
    assert body.holds((0.999 * tip)[None]).all()
    assert not body.holds((1.001 * tip)[None]).any()


# ---- absorption -------------------------------------------------------------------------------

HEAD = 'name = "t"\n[[zone]]\nname = "z"\n'
SLAB = "slab = { normal = [1, 0, 0], from_mm = 0, to_mm = 1 }\n"


def written(tmp_path, text):
    path = tmp_path / "zones.toml"
    path.write_text(text, encoding="utf-8")
    return read_zones(path)


def test_difference_is_zone_minus_host_times_strength(tmp_path):
    """A zone of twice the host's concentration adds the host's own absorption once (Beer's law)."""
    host, nm = find_material("ruby"), observer().wavelength_nm
    twice = 'chromophores = { "Cr3+" = 600, "h-Cr3+" = 6 }\n'
    for strength in (0.0, 0.25, 1.0, 2.0):
        file = written(tmp_path, f"{HEAD}{twice}strength = {strength}\n{SLAB}")
        (found,) = differences(file, host, nm)
        for ours, own in zip(found, host.absorption(nm), strict=True):
            np.testing.assert_allclose(ours, strength * own, rtol=1e-12, atol=1e-15)


def test_a_spectrum_beside_the_zone_file_colours_a_zone(tmp_path):
    (tmp_path / "flat.csv").write_text(
        "# quantity: absorption coefficient\n# logarithm: natural\n# unit: 1/cm\nnm,o,e\n"
        + "".join(f"{nm},3.0,2.0\n" for nm in range(380, 781, 10)), encoding="utf-8",
    )  # fmt: skip
    nm = observer().wavelength_nm
    file = written(tmp_path, f'{HEAD}spectrum = "flat.csv"\n{SLAB}')
    (found,) = differences(file, find_material("corundum"), nm)
    np.testing.assert_allclose(found, [np.full(len(nm), 3.0), np.full(len(nm), 2.0)])


CLEAR = 'material = "corundum"\n'
TWO = (
    'name = "t"\n[[zone]]\nname = "a"\n' + CLEAR + SLAB.replace("{", "{{").replace("}", "}}")
    + '[[zone]]\nname = "b"\n' + CLEAR + "slab = {{ normal = [1, 0, 0], from_mm = {0}, to_mm = 3 }}\n"
)  # fmt: skip


def test_two_colourless_zones_may_touch_but_not_overlap(tmp_path):
    """Each takes all of the host's colour away; where both lie less than none would be left."""
    host, nm = find_material("ruby"), observer().wavelength_nm
    assert len(differences(written(tmp_path, TWO.format(1)), host, nm)) == 2
    with pytest.raises(FileError, match=r"zones\.toml:2: zone\[1\]\.strength: zone 'a', with the"):
        differences(written(tmp_path, TWO.format(0.9)), host, nm)


WRONG = [
    ('name = "t"\n', "zone: is missing"),
    ('name = "t"\nzone = []\n', "zone: must have at least 1 item"),
    (HEAD + CLEAR, r":2: zone\[1\]: needs exactly one shape: slab, .* \(given: none\)"),
    (HEAD + SLAB, r":2: zone\[1\]: needs exactly one colour: material, .* \(given: none\)"),
    (HEAD + CLEAR + SLAB + "strength = -1\n", r":6: zone\[1\].strength: must be at least 0"),
    (HEAD + CLEAR + SLAB + "colour = 3\n", r":6: zone\[1\].colour: unknown key; known here: .*sector"),
    (HEAD + CLEAR + SLAB + "[zone.half_space]\nnormal = [1, 0, 0]\nfrom_mm = 1\n", r"given: slab, half_space"),
    (HEAD + CLEAR + "slab = { normal = [0, 0, 0], from_mm = 0, to_mm = 1 }\n", r"slab: normal: has no direction"),
    (HEAD + CLEAR + "slab = { normal = [1, 0, 0], from_mm = 1, to_mm = 1 }\n", r"slab: from_mm, to_mm: 1 to 1 leaves"),
    (HEAD + CLEAR + "slab = { normal = [1, 0], from_mm = 0, to_mm = 1 }\n", r"slab.normal\[3\]: is missing"),
    (HEAD + CLEAR + "sector = { outer_mm = 1 }\n", "sector: needs one of azimuth and azimuths"),
    (HEAD + CLEAR + "sector = { azimuth = 0, inner_mm = 2, outer_mm = 1 }\n", "inner_mm, outer_mm: 2 to 1"),
    (HEAD + CLEAR + "sector = { azimuths = [0, 40], outer_mm = 1 }\n", "40 degrees apart, wedges are 60 wide"),
    (HEAD + CLEAR + "ellipsoid = { radii_mm = [1, 1, 0] }\n", r"radii_mm\[3\]: must be at least 1e-06"),
    (HEAD + CLEAR + "ellipsoid = { radii_mm = [1, 1, 1e-320] }\n", r"radii_mm\[3\]: must be at least 1e-06"),
    (HEAD + CLEAR + "half_space = { normal = [1e-200, 0, 0], from_mm = 0 }\n", "normal: has no direction; its length is at least 1e-06"),
    (HEAD + CLEAR + "slab = { normal = [1, 0, 0], from_mm = 0, to_mm = 1e-9 }\n", "from_mm, to_mm: 0 to 1e-09 leaves nothing"),
    (HEAD + CLEAR + "hull = { points_mm = [[0,0,0],[1,0,0],[0,1,0],[0,0,1e-8]] }\n", "lie in one plane"),
    (HEAD + CLEAR + "hull = { points_mm = [[0,0,0],[1,0,0],[0,1,0],[1,1,0]] }\n", "lie in one plane"),
    (HEAD + CLEAR + SLAB + "[blank]\n", r":6: blank: needs exactly one of box_mm"),
    (HEAD + CLEAR + SLAB + "[blank]\nbox_mm = [1, 1, -1]\n", r"blank.box_mm\[3\]: "),
    (HEAD + CLEAR + SLAB + '[blank]\nmesh = "a.stl"\ncentre_mm = [1, 0, 0]\n', "centre_mm: goes with box_mm"),
    (HEAD + CLEAR + SLAB + "[placement]\ncentre = [1, 0, 0]\n", "did you mean 'centre_mm'"),
    (HEAD + CLEAR + SLAB + '[[zone]]\nname = "z"\n' + CLEAR + SLAB, "two zones are named 'z'"),
]  # fmt: skip

WRONG_LATER = [
    ('material = "rubby"\n', r":4: zone\[1\].material: no material 'rubby'; known: "),
    ('material = "diamond"\n', "'diamond' is diamond, the stone is corundum; a zone is a part"),
    ("chromophores = { Co = 3 }\n", r":4: zone\[1\].chromophores: 'Co' is not in the data of corundum"),
    ('spectrum = "absent.csv"\n', r"zones\.toml:4: zone\[1\]\.spectrum: .*absent\.csv: no such file"),
    ('material = "corundum"\nstrength = 3\n', r":5: zone\[1\].strength: zone 'z' would leave an .* lower strength"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "complaint"), WRONG, ids=lambda v: v[-40:])
def test_mistakes_get_one_clear_line(text, complaint, tmp_path):
    with pytest.raises(FacetraceError, match=complaint) as caught:
        written(tmp_path, text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("text", "complaint"), WRONG_LATER, ids=lambda v: v[-40:])
def test_colours_that_a_stone_cannot_have(text, complaint, tmp_path):
    file = written(tmp_path, HEAD + text + SLAB)
    with pytest.raises(FacetraceError, match=complaint) as caught:
        differences(file, find_material("ruby"), observer().wavelength_nm)
    assert "\n" not in str(caught.value)


def test_a_blank_that_is_no_blank_names_its_line(tmp_path):
    file = written(tmp_path, HEAD + CLEAR + SLAB + '[blank]\nmesh = "absent.stl"\n')
    with pytest.raises(FileError, match=r"zones\.toml:7: blank\.mesh: .*: no such file"):
        file.blank()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_zone_files_are_sound(path):
    file = read_zones(path)
    found = differences(file, find_material("ruby"), observer().wavelength_nm)
    assert len(found) == len(file.model.zone)
    assert "invented" in file.model.notes
    file.blank()
    schema = json.loads((ROOT / "designs" / "zones" / SCHEMA_NAME).read_text(encoding="utf-8"))
    text = path.read_text(encoding="utf-8")
    jsonschema.validate(tomllib.loads(text), schema)
    assert text.startswith(f"#:schema ./{SCHEMA_NAME}\n")


def test_published_schema_of_zones_is_that_of_the_code():
    """Made by: python -m facetrace.rough.zone"""
    assert (ROOT / "designs" / "zones" / SCHEMA_NAME).read_text(encoding="utf-8") == schema_text()
