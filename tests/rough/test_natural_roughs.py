"""The natural roughs are what they should be: closed, one body, wound outwards, no side through a face (trimesh and scipy)."""

import numpy as np
import pytest
import trimesh
from natural_roughs import COUNT, WRONG, made, write
from scipy.spatial import cKDTree

from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of


def crossings(mesh):
    """How many sides pass through a triangle that shares no corner with them."""
    sides, triangles = mesh.edges_unique, np.asarray(mesh.triangles)
    corners = np.asarray(mesh.vertices)
    ends = corners[sides]
    middle, centre = ends.mean(axis=1), triangles.mean(axis=1)
    reach = np.linalg.norm(ends[:, 0] - middle, axis=1)
    size = np.linalg.norm(triangles - centre[:, None], axis=2).max(axis=1)
    near = cKDTree(centre).query_ball_point(middle, reach + size.max())
    count = 0
    for k, (side, who) in enumerate(zip(sides, near, strict=True)):
        who = np.array(who)
        who = who[np.linalg.norm(centre[who] - middle[k], axis=1) <= reach[k] + size[who]]
        who = who[~np.isin(mesh.faces[who], side).any(axis=1)]
        a, b, c = (triangles[who, i] for i in range(3))
        p, q = ends[k]

        def volume(x, y, z, w):
            return np.einsum("ij,ij->i", np.cross(y - x, z - x), np.broadcast_to(w, x.shape) - x)

        apart = np.sign(volume(a, b, c, p)) != np.sign(volume(a, b, c, q))
        way = np.broadcast_to(q - p, a.shape)
        turns = [np.einsum("ij,ij->i", np.cross(x - p, y - p), way) for x, y in ((a, b), (b, c), (c, a))]  # fmt: skip
        through = (np.min(turns, axis=0) > 0) | (np.max(turns, axis=0) < 0)
        count += int((apart & through).sum())
    return count


@pytest.mark.parametrize("number", range(COUNT))
def test_a_natural_rough_is_one_closed_body(tmp_path, number):
    path = write(tmp_path, number)
    mesh = trimesh.load(tmp_path / "scan.stl")
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.euler_number == 2
    assert mesh.volume > 0
    assert 5 <= mesh.extents.max() <= 14
    assert crossings(mesh) == 0
    rough = rough_of(read_rough(path))
    assert rough.repairs == ()
    assert rough.volume_mm3 == pytest.approx(mesh.volume, rel=1e-5)
    assert len(rough.file.model.defect) == len(made(number).defects)


def test_the_same_number_makes_the_same_files(tmp_path):
    for folder in ("a", "b"):
        write(tmp_path / folder, 30)
    for name in ("rough.toml", "scan.stl"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_crossings_are_seen():
    """A pebble with one corner pushed through the other side."""
    mesh = trimesh.creation.icosphere(subdivisions=2)
    assert crossings(mesh) == 0
    mesh.vertices[0] *= -1.5
    assert crossings(mesh) > 0


def test_there_are_enough_of_each():
    assert COUNT >= 40
    assert {"crack", "crossing cracks", "crack in the middle", "crystal inside", "crystal cut away", "silk"} == set(WRONG)  # fmt: skip
