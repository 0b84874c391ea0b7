"""The judge of plans judged: true distances against scipy and trimesh, a right stone, one wrong stone of each kind.

The right stones are those of natural-roughs.json, which the independent search found and checked.
"""

import json

import numpy as np
import pytest
import trimesh
from independent_placement import CARATS, FIGURES, corners_of
from natural_roughs import COUNT, write
from plan_judge import Ball, _between, _nearest_on_ball, complaints, shortest_turn
from scipy.optimize import minimize
from scipy.spatial import ConvexHull
from true_distances import convex, crosses, nearest_pairs, on_triangles, windings

KNOWN = json.loads(FIGURES.read_text(encoding="utf-8"))
# a round in a pebble, the table within 15 degrees of c
ROUND = 0


class Case:
    """The files of a plan, made by hand: a stone at a place in a rough of ours."""

    def __init__(self, folder, number=ROUND):
        self.folder, self.known = folder, KNOWN[str(number)]
        self.rough = write(folder, number)
        self.c = np.array(json.loads(self.rough.read_text().split("c_axis = ")[1].split("\n")[0]))
        self.c /= np.linalg.norm(self.c)
        self.turn = np.array(self.known["turn_file"])
        self.at = np.array(self.known["shift_file_mm"])
        self.scale = self.known["scale"]
        self.corners = corners_of(self.known["design"])
        self.changes = {}

    def points(self, design_points):
        """Points of the design's frame where the copy puts them."""
        return self.at + self.scale * np.asarray(design_points, dtype=float) @ self.turn.T

    def add(self, text):
        self.rough.write_text(self.rough.read_text() + "\n[[defect]]\n" + text)

    def judged(self, inverted=False, torn=False):
        hull = ConvexHull(self.corners)
        mesh = trimesh.Trimesh(self.points(self.corners), _outwards(hull), process=False)
        if inverted:
            mesh.invert()
        if torn:
            mesh.update_faces(np.arange(len(mesh.faces)) > 0)
        stone, answer = self.folder / "stone.stl", self.folder / "out.json"
        mesh.export(stone)
        carats = hull.volume * self.scale**3 * CARATS
        to_crystal = shortest_turn(self.c)
        row = {
            "carats": carats, "low_carats": 0.95 * carats, "high_carats": 1.05 * carats,
            "most_carats": 1.5 * carats, "scale": self.scale, "turn": (to_crystal @ self.turn).tolist(),
            "shift_mm": (to_crystal @ self.at).tolist(), "design": self.known["design"],
            "table_to_c_deg": float(np.degrees(np.arccos(min(1, abs(self.c @ self.turn[:, 2]))))),
        }  # fmt: skip
        answer.write_text(json.dumps({"plan": {"plans": [row | self.changes], "best": 0}}))
        return complaints(self.rough, answer, stone, *self.known["table_to_c"])


def _outwards(hull):
    a, b, c = (hull.points[hull.simplices[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
    return np.where(inward[:, None], hull.simplices[:, ::-1], hull.simplices)


@pytest.fixture
def case(tmp_path):
    return Case(tmp_path)


def ball_text(centre, radius, kind, more=""):
    numbers = [round(float(x), 9) for x in centre]
    return f'name = "x"\nkind = "{kind}"\n{more}ellipsoid = {{ centre_mm = {numbers}, radii_mm = {[radius] * 3} }}\n'


def crack_text(points):
    return f'name = "x"\nkind = "crack"\npolygon_mm = {np.asarray(points).round(9).tolist()}\n'


# ---- right ones -------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("number", range(COUNT))
def test_the_independent_stones_are_right(tmp_path, number):
    case = Case(tmp_path, number)
    assert case.judged() == []
    assert case.known["carats"] == pytest.approx(ConvexHull(case.corners).volume * case.scale**3 * CARATS)  # fmt: skip


def test_a_right_stone_passes(case):
    assert case.judged() == []


def test_bodies_where_they_may_be_pass(case):
    """A crystal well within; silk below the girdle, off what is under the table; a crack beside the stone."""
    case.add(ball_text(case.points([0, 0, -0.8]), 0.1, "crystal"))
    case.add(ball_text(case.points([2.45, 0, -0.33]), 0.1, "silk"))
    away = case.points(case.corners)[np.argmax(case.corners[:, 0])] + 0.2 * case.turn[:, 0]
    across = 2 * np.array([[1, 1], [1, -1], [-1, -1], [-1, 1]]) @ case.turn[:, 1:].T
    case.add(crack_text(away + across))
    assert case.judged() == []


# ---- wrong ones -------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", range(3))
@pytest.mark.parametrize("side", [-1, 1])
def test_moved_by_a_fifth_of_a_millimetre(case, axis, side):
    case.at = case.at + 0.2 * side * np.eye(3)[axis]
    assert any(c.startswith("scan:") for c in case.judged())


def test_grown_by_two_percent(case):
    case.scale *= 1.02
    assert any(c.startswith("scan:") for c in case.judged())


def test_far_outside(case):
    case.at = case.at + 30
    assert any("outside" in c for c in case.judged())


def test_over_a_crack(case):
    girdle = case.points([3.0, 0, 0])
    case.add(crack_text(girdle + 0.8 * np.array([[1, 1], [1, -1], [-1, -1], [-1, 1]]) @ case.turn[:, 1:].T))  # fmt: skip
    assert [c for c in case.judged() if c.startswith("x:")]


def test_a_crack_nearer_than_its_margin(case):
    away = case.points(case.corners)[np.argmax(case.corners[:, 0])] + 0.09 * case.turn[:, 0]
    case.add(crack_text(away + 2 * np.array([[1, 1], [1, -1], [-1, -1], [-1, 1]]) @ case.turn[:, 1:].T))  # fmt: skip
    (only,) = case.judged()
    assert only.startswith("x: 0.09")


def test_a_crack_wholly_inside(case):
    case.add(crack_text(case.points([[0.1, 0, 0], [0, 0.1, 0], [-0.1, -0.1, 0.01]])))
    (only,) = case.judged()
    assert only.startswith("x: -")


def test_a_disc_that_reaches_the_stone(case):
    away = case.points(case.corners)[np.argmax(case.corners[:, 0])] + 0.3 * case.turn[:, 0]
    disc = f'name = "x"\nkind = "crack"\ndisc = {{ centre_mm = {away.tolist()}, normal = {case.turn[:, 2].tolist()}, radius_mm = RADIUS }}\n'
    text = case.rough.read_text()
    case.add(disc.replace("RADIUS", "0.15"))
    assert case.judged() == []
    case.rough.write_text(text)
    case.add(disc.replace("RADIUS", "0.25"))
    assert [c for c in case.judged() if c.startswith("x:")]


@pytest.mark.parametrize("at", [[3.25, 0, 0], [2.9, 0, 0]], ids=["half out", "too near the surface"])  # fmt: skip
def test_a_crystal_that_reaches_the_surface(case, at):
    case.add(ball_text(case.points(at), 0.1, "crystal"))
    (only,) = case.judged()
    assert only.startswith("x: neither")


def test_a_crystal_inside_that_is_to_be_cut_away(case):
    case.add(ball_text(case.points([0, 0, -0.8]), 0.1, "crystal", 'wish = "cut away"\n'))
    (only,) = case.judged()
    assert only.startswith("x: -")


@pytest.mark.parametrize(
    ("at", "where"), [([0, 0, -0.8], "under the table"), ([2.45, 0, 0.3], "above the girdle")]
)
def test_silk_where_it_may_not_be(case, at, where):
    case.add(ball_text(case.points(at), 0.1, "silk"))
    assert any(where in c for c in case.judged())


def test_turned_out_of_the_cone(case):
    lean = np.radians(40)
    case.turn = case.turn @ np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])  # fmt: skip
    case.scale *= 0.6
    (only,) = case.judged()
    assert only.startswith("cone:")


def test_a_plan_that_hides_the_turn_of_its_stone(case):
    lean = np.radians(3)
    other = case.turn @ np.array([[1, 0, 0], [0, np.cos(lean), -np.sin(lean)], [0, np.sin(lean), np.cos(lean)]])  # fmt: skip
    case.changes["turn"] = (shortest_turn(case.c) @ other).tolist()
    assert any("table does not look" in c for c in case.judged())


@pytest.mark.parametrize(
    ("name", "factor", "words"),
    [
        ("carats", 1.001, "carats: printed"),
        ("low_carats", 1.2, "low_carats is more"),
        ("high_carats", 0.8, "high_carats is less"),
        ("most_carats", 0.5, "most_carats is less"),
        ("table_to_c_deg", 1.1, "table_to_c_deg: printed"),
    ],
)
def test_wrong_numbers(case, name, factor, words):
    case.judged()
    row = json.loads((case.folder / "out.json").read_text())["plan"]["plans"][0]
    case.changes[name] = factor * row[name] + (1 if name == "table_to_c_deg" else 0)
    (only,) = case.judged()
    assert only.startswith(words)


def test_a_mirrored_mesh(case):
    assert any("mirrored" in c for c in case.judged(inverted=True))


def test_a_mirrored_turn(case):
    case.changes["turn"] = (shortest_turn(case.c) @ case.turn * [-1, 1, 1]).tolist()
    assert "turn is no rotation" in case.judged()


def test_a_torn_mesh(case):
    assert "the stone's mesh is not closed" in case.judged(torn=True)


# ---- the mathematics against others -----------------------------------------------------------


def least_distance(first, second):
    """Of two convex hulls, by scipy's SLSQP over the weights of their corners."""
    n, m = len(first), len(second)

    def value(x):
        gap = x[:n] @ first - x[n:] @ second
        return gap @ gap

    def slope(x):
        gap = x[:n] @ first - x[n:] @ second
        return np.concatenate([2 * first @ gap, -2 * second @ gap])

    sums = [{"type": "eq", "fun": lambda x: x[:n].sum() - 1}, {"type": "eq", "fun": lambda x: x[n:].sum() - 1}]  # fmt: skip
    start = np.concatenate([np.full(n, 1 / n), np.full(m, 1 / m)])
    options = {"maxiter": 500, "ftol": 1e-15}
    return np.sqrt(minimize(value, start, jac=slope, bounds=[(0, 1)] * (n + m), constraints=sums, options=options).fun)  # fmt: skip


def test_distances_are_those_of_scipy():
    rng = np.random.default_rng(20270105)
    stone = convex(rng.normal(size=(40, 3)))
    triangles = 0.7 * rng.normal(size=(60, 3, 3)) + 2.5 * rng.normal(size=(60, 1, 3))
    meet = crosses(triangles, stone)
    assert 0 < meet.sum() < 60
    for triangle, met in zip(triangles, meet, strict=True):
        wanted = least_distance(triangle, stone.corners)
        if met:
            assert wanted < 1e-3
        else:
            ours, theirs = nearest_pairs(triangle[None], stone, 50.0)
            gap = np.linalg.norm(ours - theirs, axis=1).min()
            assert gap == pytest.approx(wanted, abs=1e-4)


def test_points_on_triangles_and_windings_are_those_of_trimesh():
    rng = np.random.default_rng(20270106)
    triangles, points = rng.normal(size=(500, 3, 3)), 2 * rng.normal(size=(500, 3))
    wanted = trimesh.triangles.closest_point(triangles, points)
    assert on_triangles(points, triangles) == pytest.approx(wanted, abs=1e-9)
    sphere = trimesh.creation.icosphere(subdivisions=2)
    inside = np.linalg.norm(points, axis=1) < 0.9
    outside = np.linalg.norm(points, axis=1) > 1
    turns = windings(points, np.asarray(sphere.triangles))
    assert turns[inside] == pytest.approx(1)
    assert turns[outside] == pytest.approx(0, abs=1e-9)


def test_distances_of_an_ellipsoid_are_those_of_its_many_points():
    """Points of a fine mesh on it (20,480 triangles, 2e-4 of a radius under the surface) from outside."""
    rng = np.random.default_rng(20270107)
    sphere = trimesh.creation.icosphere(subdivisions=5)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    ball = Ball(np.array([3.0, 0.5, -0.4]), turn * [0.9, 0.5, 0.3])
    stone = convex(rng.normal(size=(30, 3)))
    on_it = np.asarray(sphere.vertices) @ ball.shape.T + ball.centre
    hull = trimesh.Trimesh(*_mesh(stone.corners))
    wanted = trimesh.proximity.closest_point_naive(hull, on_it)[1].min()
    assert wanted > 0.1
    assert _between(ball, stone, np.array([1.0, 0, 0])) == pytest.approx(wanted, abs=1e-3)
    assert _between(ball, stone, np.array([1.0, 0, 0])) <= wanted
    for point in rng.normal(size=(20, 3)) * 2:
        near = ball.centre + ball.shape @ _nearest_on_ball(ball, point)
        if np.linalg.norm(np.linalg.solve(ball.shape, point - ball.centre)) > 1:
            least = np.linalg.norm(on_it - point, axis=1).min()
            assert np.linalg.norm(near - point) == pytest.approx(least, abs=1e-3)


def _mesh(corners):
    hull = ConvexHull(corners)
    return corners[hull.vertices], np.searchsorted(np.sort(hull.vertices), hull.simplices)


def test_the_frame_of_c_is_the_shortest_turn():
    rng = np.random.default_rng(20270108)
    for c in rng.normal(size=(20, 3)):
        turn = shortest_turn(c)
        up = c * np.sign(c[2]) / np.linalg.norm(c)
        assert turn @ up == pytest.approx([0, 0, 1])
        # the shortest: by the angle between them, which the trace tells
        assert (np.trace(turn) - 1) / 2 == pytest.approx(up[2])
