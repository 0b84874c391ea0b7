"""The largest copy inside a blank, against closed forms and against its own dual."""

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation
from shared import ROUND

from facetrace.common.errors import FacetraceError
from facetrace.design.model import read_design
from facetrace.placement import blank as one_turn
from facetrace.rough import scan
from facetrace.solid import convex
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes

CUBE = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * 0.5
OCTAHEDRON = np.vstack([np.eye(3), -np.eye(3)])
TETRAHEDRON = CUBE[[0, 3, 5, 6]]
STRAIGHT = np.eye(3)
UNIT_BOX = convex.box([1, 1, 1], [0, 0, 0])
ORIGIN = np.zeros(3)


@pytest.mark.parametrize(
    ("name", "stone", "turn", "blank", "scale"),
    [
        ("a cube in its like", CUBE, STRAIGHT, UNIT_BOX, 1.0),
        # half diagonals 1 against half edges 1/2
        ("an octahedron in a cube, corners on its faces", OCTAHEDRON, STRAIGHT, UNIT_BOX, 0.5),
        # width of a square turned by 45 degrees: sqrt(2)
        ("a cube turned by 45 degrees", CUBE, Rotation.from_euler("z", 45, degrees=True).as_matrix(), UNIT_BOX, 1 / np.sqrt(2)),
        # |x| + |y| + |z| <= 1 at the corner (1/2, 1/2, 1/2)
        ("a cube in an octahedron", CUBE, STRAIGHT, convex.hull(OCTAHEDRON), 2 / 3),
        # every other corner of the cube
        ("a tetrahedron in a cube", TETRAHEDRON, STRAIGHT, UNIT_BOX, 1.0),
        # -T in T: the opposite tetrahedron, between the midpoints of faces
        ("a tetrahedron upside down in its like", -TETRAHEDRON, STRAIGHT, convex.hull(TETRAHEDRON), 1 / 3),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)  # fmt: skip
def test_closed_forms(name, stone, turn, blank, scale):
    """Elementary geometry; each answer is bounded from below by the copy and from above by its dual."""
    found = one_turn.largest_copy(stone, turn, blank, ORIGIN)
    assert found.scale == pytest.approx(scale, rel=1e-7)
    copy = found.shift + found.scale * stone @ turn.T
    assert blank.holds(copy, 1e-7).all()
    assert found.weights.min() >= 0
    np.testing.assert_allclose(blank.planes[:3] @ found.weights, 0, atol=1e-9)
    upper = one_turn.bound(found.weights, one_turn.reach(stone, turn, blank), blank)
    assert upper == pytest.approx(scale, rel=1e-7)


def test_a_ball_in_a_box():
    """800 points of a sphere of radius 1 touch the three nearer pairs of walls: scale 1/2 of 1 mm."""
    ball = np.array(trimesh.creation.icosphere(subdivisions=3).vertices)
    found = one_turn.largest_copy(ball, STRAIGHT, convex.box([1, 3, 5], [0, 0, 0]), ORIGIN)
    assert found.scale == pytest.approx(0.5, rel=1e-3)


def test_stones_in_random_blanks_are_optimal(rng):
    """Weak duality: what fits is at most what the weights allow; here they meet."""
    stone = build_solid(read_design(ROUND).design).vertices
    for _ in range(20):
        blank = convex.hull(rng.normal(size=(30, 3)) * 4)
        turn = Rotation.random(rng=rng).as_matrix()
        found = one_turn.largest_copy(stone, turn, blank, ORIGIN)
        assert blank.holds(found.shift + found.scale * stone @ turn.T, 1e-6).all()
        assert abs(blank.planes[:3] @ found.weights).max() < 1e-8
        upper = one_turn.bound(found.weights, one_turn.reach(stone, turn, blank), blank)
        assert found.scale == pytest.approx(upper, rel=1e-6)


def test_the_place_nearest_to_the_wished_one():
    """Along the length of a bar the copy is free; it goes where it is wished, or as near as it can."""
    bar = convex.box([10, 1, 1], [0, 0, 0])
    for wish, place in ((2.0, 2.0), (-3.3, -3.3), (20.0, 4.5)):
        found = one_turn.largest_copy(CUBE, STRAIGHT, bar, np.array([wish, 0.3, 0.0]))
        np.testing.assert_allclose(found.shift, [place, 0, 0], atol=1e-6)


def test_size_and_place_of_the_blank_carry_over():
    """Twice the blank holds twice the stone; moved, the stone moves along."""
    found = one_turn.largest_copy(OCTAHEDRON, STRAIGHT, convex.box([2, 2, 2], [5, -4, 3]), ORIGIN)
    assert found.scale == pytest.approx(1.0, rel=1e-7)
    np.testing.assert_allclose(found.shift, [5, -4, 3], atol=1e-6)


def test_an_open_blank_is_refused():
    above = Body(np.array([[0.0], [0], [-1], [1]]))
    with pytest.raises(FacetraceError, match="the blank is open"):
        one_turn.largest_copy(CUBE, STRAIGHT, above, ORIGIN)


def test_a_mesh_serves_as_blank(tmp_path):
    """A stone's own mesh, through an STL file, holds that stone once."""
    solid = build_solid(read_design(ROUND).design)
    path = tmp_path / "blank.stl"
    path.write_bytes(mesh_bytes(solid, "stl"))
    found = one_turn.largest_copy(solid.vertices, STRAIGHT, scan.from_mesh(path), ORIGIN)
    assert found.scale == pytest.approx(1.0, rel=1e-4)


def test_meshes_that_are_no_blank(tmp_path):
    hollow = trimesh.creation.annulus(1.0, 2.0, 1.0)
    hollow.export(tmp_path / "ring.stl")
    with pytest.raises(FacetraceError, match=r"not convex \(2\d\.\d %"):
        scan.from_mesh(tmp_path / "ring.stl")
    opened = trimesh.creation.box()
    opened.update_faces(np.arange(len(opened.faces)) > 1)
    opened.export(tmp_path / "open.stl")
    with pytest.raises(FacetraceError, match="not closed"):
        scan.from_mesh(tmp_path / "open.stl")
    (tmp_path / "words.stl").write_text("no mesh at all", encoding="utf-8")
    with pytest.raises(FacetraceError, match=r"words\.stl"):
        scan.from_mesh(tmp_path / "words.stl")
    with pytest.raises(FacetraceError, match="no such file"):
        scan.from_mesh(tmp_path / "absent.stl")


def test_which_bodies_overlap():
    """Neighbours that share a face do not; open bodies count; ellipsoids count as their boxes."""
    left, right = convex.box([1, 1, 1], [0, 0, 0]), convex.box([1, 1, 1], [1, 0, 0])
    assert not convex.may_overlap(left, right)
    assert convex.may_overlap(left, convex.box([1, 1, 1], [0.9, 0.9, 0.9]))
    beyond = Body(np.array([[-1.0], [0], [0], [-0.4]]))
    assert convex.may_overlap(left, beyond)
    assert not convex.may_overlap(left, Body(np.array([[-1.0], [0], [0], [-0.6]])))
    ball = Body(ellipsoid=np.column_stack([np.eye(3), [2.0, 0, 0]]))
    assert convex.may_overlap(right, ball)
    assert not convex.may_overlap(left, ball)


def test_shared_volumes():
    """A cube of edge 1 with half-spaces, a corner of it, balls and ellipsoids (closed forms; in balls to 1 %)."""

    def ellipsoid(centre, radii):
        m = np.diag(1 / np.array(radii))
        return Body(ellipsoid=np.column_stack([m, m @ np.array(centre)]))

    def beyond(normal, distance):
        return Body(np.append(-np.array(normal) / np.linalg.norm(normal), -distance)[:, None])

    ball = 4 * np.pi / 3
    for body, wanted in (
        (beyond([1, 0, 0], 0.2), 0.3),
        (beyond([1, 0, 0], -9.0), 1.0),
        (beyond([1, 0, 0], 0.5), 0.0),
        # legs of 0.3 at the corner: leg^3 / 6
        (beyond([1, 1, 1], 1.2 / np.sqrt(3)), 0.0045),
        (convex.box([2, 2, 2], [400, 0, 0]), 0.0),
        (ellipsoid([0, 0, 0], [0.4, 0.3, 0.2]), ball * 0.024),
        (ellipsoid([0.5, 0.5, 0.5], [0.4, 0.3, 0.2]), ball * 0.024 / 8),
        (ellipsoid([0, 0, 0], [9, 9, 9]), 1.0),
        (ellipsoid([0, 0, -3], [1, 1, 1]), 0.0),
    ):
        assert convex.shared_volume(UNIT_BOX, body) == pytest.approx(wanted, rel=0.01, abs=1e-12)
