"""The certificate of a re-cut, by code that the search does not use: numpy and scipy only.

Corners come anew from the planes (Qhull's half-space intersection), weights from the hull of the corners, and each
flaw's body from the words of the stone's file. A flaw is gone where a direction is found in which all of its body
lies above the whole stone after; the direction comes from a linear program, the distance from the points
themselves, so that a poor direction can only make it too small. Lengths in mm.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog, nnls
from scipy.spatial import ConvexHull, HalfspaceIntersection, QhullError

from facetrace.common.errors import FacetraceError

if TYPE_CHECKING:
    from facetrace.recut.search import Cut, Plan
    from facetrace.recut.stone import CutStone, Flaw, Spot
    from facetrace.solid.polyhedron import Solid

Floats = NDArray[np.float64]

# mm, degrees
TOLERANCE_MM, TOLERANCE_DEG = 1e-9, 1e-6
# share of the weight, mm and %: a printed solid takes corners nearer than 1e-7 of its size for one, this code none
TOLERANCE_SHARE, TOLERANCE_SIZE = 1e-7, 1e-4
# a corner or a place lies on a plane, and a place is where the file says, to within this, mm: the centre of a scan's
# facet moves by more than its corners do
ON_MM, PLACE_MM = 1e-6, 1e-4
# a normal's z, below which a plane is upright, and under 1, above which it is level
UPRIGHT = 1e-9
# carats of 1 mm^3 at 1 g/cm^3: 1 ct = 0.2 g, the metric carat of 1907
CARATS = 0.005
# as the file's words mean them: other facets so near belong to the place, mm; what lies under a whole facet ends so
# little short of its edges; a width is a circle of so many points
TOUCH_MM, UNDER, RIM = 0.02, 0.999, 8
NEW_CULET = "new culet"


@dataclass(frozen=True)
class FlawChecked:
    """A flaw's body against the stone after: mm: how far outside it lies, below 0 how deep it reaches in."""

    name: str
    said: bool
    gone: bool
    mm: float


@dataclass(frozen=True)
class Checked:
    """What was measured of a re-cut; problems: what does not hold, in words without weights."""

    carats: float
    above_floor_carats: float
    flaws: tuple[FlawChecked, ...]
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether all holds."""
        return not self.problems


@dataclass(frozen=True)
class _Shape:
    """A stone made anew from its planes: names, normals (n, 3), offsets (n,), corners (m, 3)."""

    names: tuple[str, ...]
    normals: Floats
    offsets: Floats
    corners: Floats

    @property
    def mm3(self) -> float:
        return float(ConvexHull(self.corners).volume)

    def around(self, facet: int) -> Floats:
        """Corners (k, 3) of a facet, in its plane and in turn about it."""
        off = self.corners @ self.normals[facet] - self.offsets[facet]
        near = np.abs(off) < ON_MM
        # into the plane itself: a cut as deep as the flaw is told from one that is not
        points = self.corners[near] - np.outer(off[near], self.normals[facet])
        flat = points @ np.linalg.svd(self.normals[facet][None])[2][1:].T
        return np.asarray(points[ConvexHull(flat).vertices])


def check(
    stone: "CutStone", plan: "Plan", floor_carats: float, before: Mapping[str, float], after: Mapping[str, float]
) -> Checked:  # fmt: skip
    """Check a plan's last numbers against the stone's file.

    before, after: the sizes that are printed, mm and %, by the names of the result. Raises FacetraceError where the
    planes leave no stone.
    """
    model = stone.model
    old, new = _shape(stone.solid), _shape(plan.after.solid)
    most = model.limits.most_carats
    lowest = floor_carats + model.spare_carats
    if most is not None:
        lowest = max(lowest, model.measured.carats - most)
    carats = CARATS * stone.density * new.mm3
    flaws = tuple(
        _flaw(flaw, fate.gone, _body(old, flaw, spot), new)
        for flaw, spot, fate in zip(model.flaw, stone.spots, plan.fates, strict=True)
    )
    problems = (
        *_contained(old, new), *_named(old, new, plan.cuts),
        *_weights(stone, plan, lowest, CARATS * stone.density * old.mm3, carats),
        *_places(stone, old),
        *(f"the flaw '{f.name}' is said to go, but {-f.mm:.2g} mm of it stay" for f in flaws if f.said and not f.gone),
        *_sizes("before", before, old), *_sizes("after", after, new),
    )  # fmt: skip
    return Checked(carats, carats - lowest, flaws, problems)


def require(stone: "CutStone", checked: Checked) -> None:
    """Raise FacetraceError where a re-cut does not hold."""
    if not checked.ok:
        raise FacetraceError(
            f"{stone.path}: the re-cut did not pass its check by separate code: {checked.problems[0]}; no weight is "
            "shown and nothing is written; a defect of facetrace: report it with this file"
        )


# ---- planes, corners, weight ------------------------------------------------------------------


def _shape(solid: "Solid") -> _Shape:
    normals, offsets = solid.normals, solid.offsets
    reach = 4 * float(np.abs(offsets).max())
    box = reach * np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    inner = _deepest(normals, offsets, box)[0]
    try:
        found = HalfspaceIntersection(np.column_stack([normals, -offsets]), inner)
    except QhullError:
        raise FacetraceError("check by separate code: the planes leave no stone") from None
    return _Shape(solid.names, normals, offsets, found.intersections)


def _deepest(normals: Floats, offsets: Floats, points: Floats) -> tuple[Floats, Floats]:
    """The point (3,) of the hull of points (k, 3) that lies deepest under the planes, and shares (n,) of the planes'
    normals that make the direction in which the hull lies highest above them: max t with n_i . x + t <= d_i."""
    k, n = len(points), len(offsets)
    found = linprog(
        np.append(np.zeros(k), -1.0),
        A_ub=np.column_stack([normals @ points.T, np.ones(n)]), b_ub=offsets,
        A_eq=np.append(np.ones(k), 0.0)[None], b_eq=[1.0],
        bounds=[(0, None)] * k + [(None, None)], method="highs",
    )  # fmt: skip
    if not found.success:
        return points.mean(axis=0), np.full(n, 1 / n)
    share = np.clip(-found.ineqlin.marginals, 0.0, None)
    weights = np.clip(found.x[:k], 0.0, None)
    return weights / weights.sum() @ points, share / share.sum()


def _contained(old: _Shape, new: _Shape) -> Iterator[str]:
    beyond = float((new.corners @ old.normals.T - old.offsets).max())
    if beyond > TOLERANCE_MM:
        yield f"a corner of the stone after lies {beyond:.2g} mm outside the stone before"


def _named(old: _Shape, new: _Shape, cuts: "tuple[Cut, ...]") -> Iterator[str]:
    """Planes that differ are those of the cuts, and angles and depths of the cuts are those of the planes."""
    named = {c.name: c for c in cuts}
    where = {name: k for k, name in enumerate(old.names)}
    for k, name in enumerate(new.names):
        cut, was = named.get(name), where.get(name)
        if cut is None:
            if was is None:
                yield f"the facet '{name}' is new, but no cut names it"
            elif _moved(old, was, new, k) > TOLERANCE_MM:
                yield f"the facet '{name}' is cut, but no cut names it"
            continue
        if was is None and name != NEW_CULET:
            yield f"the cut of '{name}' is of no facet of the stone"
            continue
        corners = old.corners if was is None else old.around(was)
        mm = float((corners @ new.normals[k] - new.offsets[k]).max())
        if abs(mm - cut.mm) > TOLERANCE_SIZE:
            yield f"the cut of '{name}' goes {mm:.4f} mm down at most, not {cut.mm:.4f}"
        if abs(_angle(new.normals[k]) - cut.angle_after) > TOLERANCE_DEG:
            yield f"the facet '{name}' comes to {_angle(new.normals[k]):.3f} deg, not {cut.angle_after:.3f}"
        if cut.vanished:
            yield f"the facet '{name}' is said to be ground away, but it is there"
    for cut in cuts:
        if cut.name not in new.names and not cut.vanished:
            yield f"nothing is left of the facet '{cut.name}', which is not said"


def _moved(old: _Shape, was: int, new: _Shape, now: int) -> float:
    """How far a plane is from what it was, over the stone."""
    tilt = float(np.linalg.norm(new.normals[now] - old.normals[was]))
    size = float(np.abs(old.corners).max())
    return tilt * size + abs(float(new.offsets[now] - old.offsets[was]))


def _angle(normal: Floats) -> float:
    """Degrees from the girdle plane."""
    flat = math.hypot(float(normal[0]), float(normal[1]))
    return math.degrees(math.atan2(flat, abs(float(normal[2]))))


def _weights(
    stone: "CutStone", plan: "Plan", lowest: float, before: float, after: float
) -> Iterator[str]:
    measured = stone.model.measured.carats
    for word, weighed, said in (
        ("measured", before, measured), ("before", before, plan.before.carats), ("after", after, plan.after.carats),
    ):  # fmt: skip
        share = said / weighed - 1
        if not abs(share) <= TOLERANCE_SHARE:
            yield f"the weight {word} is {100 * share:+.2g} % off what the corners weigh"
    if not math.isclose(plan.lowest, lowest, rel_tol=TOLERANCE_SHARE):
        yield "what the stone must keep is not what the file says"
    if plan.cuts and after < lowest * (1 - TOLERANCE_SHARE):
        yield "the stone after weighs less than it must keep"


# ---- flaws ------------------------------------------------------------------------------------


def _flaw(flaw: "Flaw", said: bool, body: Floats, new: _Shape) -> FlawChecked:
    """Whether the hull of the body (k, 3) has no point inside the stone after."""
    inner, share = _deepest(new.normals, new.offsets, body)
    # the planes alone, and their mean with those shares: n . r <= d of the stone after
    across = np.vstack([new.normals, share @ new.normals])
    offsets = np.append(new.offsets, share @ new.offsets)
    out = float((body @ across.T - offsets).min(axis=0).max())
    if out >= -TOLERANCE_MM:
        # what rounding took off a touch
        return FlawChecked(flaw.name, said, True, max(0.0, out))
    depth = float((new.offsets - np.vstack([body, inner]) @ new.normals.T).min(axis=1).max())
    return FlawChecked(flaw.name, said, False, -max(0.0, depth))


def _body(old: _Shape, flaw: "Flaw", spot: "Spot") -> Floats:
    """Corners (k, 3) of what must go: from the surface down by the depth, as wide as the file says."""
    if flaw.facet is not None and flaw.at is None:
        facet = old.names.index(flaw.facet)
        middle, around = _centre(old, facet), old.around(facet)
        top = np.vstack([middle, middle + UNDER * (around - middle)])
        return np.vstack([top, top - flaw.depth_mm * old.normals[facet]])
    near = np.round(old.offsets - old.normals @ spot.place, 9) < TOUCH_MM
    if flaw.facet is not None:
        near[old.names.index(flaw.facet)] = True
    normal = old.normals[near].sum(axis=0)
    normal /= np.linalg.norm(normal)
    top = spot.place[None]
    if flaw.width_mm > 0:
        side = np.cross(normal, np.eye(3)[0 if abs(normal[0]) < 0.6 else 1])
        side /= np.linalg.norm(side)
        angles = 2 * math.pi * np.arange(RIM) / RIM
        ring = np.outer(np.cos(angles), side) + np.outer(np.sin(angles), np.cross(normal, side))
        top = np.vstack([top, spot.place + flaw.width_mm / 2 * ring])
    return np.vstack([top, top - flaw.depth_mm * normal])


def _centre(old: _Shape, facet: int) -> Floats:
    """The centre of area (3,) of a facet, by the triangles about its corners' mean."""
    points = old.around(facet)
    mean = points.mean(axis=0)
    ahead = np.roll(points, -1, axis=0)
    areas = np.linalg.norm(np.cross(points - mean, ahead - mean), axis=1)
    return np.asarray(areas @ ((points + ahead + mean) / 3) / areas.sum())


def _places(stone: "CutStone", old: _Shape) -> Iterator[str]:
    """Each flaw's place is the one that the file says."""
    for flaw, spot in zip(stone.model.flaw, stone.spots, strict=True):
        if flaw.at_mm is not None:
            wished = np.array(flaw.at_mm)
            if stone.scan is not None:
                wished = stone.scan.points_in(wished) * stone.scale
            # of places that are as near any will do
            off = float(np.linalg.norm(spot.place - wished)) - _gap(old, wished)
        else:
            off = float(np.linalg.norm(spot.place - _place(old, flaw)))
        surface = float((old.offsets - old.normals @ spot.place).min())
        if not (abs(off) <= PLACE_MM and abs(surface) <= ON_MM):
            yield f"the flaw '{flaw.name}' is not where the file says"


def _place(old: _Shape, flaw: "Flaw") -> Floats:
    """The point (3,) at shares (right, up) of the way from a facet's centre to its edge, seen from outside."""
    facet = old.names.index(str(flaw.facet))
    centre, normal = _centre(old, facet), old.normals[facet]
    right, up = (float(x) for x in flaw.at or (0.0, 0.0))
    if math.hypot(right, up) == 0:
        return centre
    flat = math.hypot(float(normal[0]), float(normal[1]))
    if flat <= UPRIGHT:
        along = np.array([right, up, 0.0])
    else:
        x, y, z = normal
        across = np.array([-y, x, 0.0]) / flat
        climbs = np.array([-x * z, -y * z, flat * flat]) / flat
        along = right * across + up * climbs
    along = along / np.linalg.norm(along)
    slope = old.normals @ along
    ahead = slope > 1e-12
    room = ((old.offsets - old.normals @ centre)[ahead] / slope[ahead]).min()
    return np.asarray(centre + min(1.0, math.hypot(right, up)) * room * along)


def _gap(old: _Shape, point: Floats) -> float:
    """How far a point (3,) is from the surface.

    From outside the least distance: Lawson and Hanson, Solving Least Squares Problems, 1974, chapter 23.
    """
    out = old.normals @ point - old.offsets
    if out.max() <= 0:
        return float(-out.max())
    matrix = np.vstack([-old.normals.T, out])
    wish = np.array([0.0, 0.0, 0.0, 1.0])
    rest = matrix @ nnls(matrix, wish)[0] - wish
    return float(np.linalg.norm(rest[:3] / rest[3]))


# ---- sizes ------------------------------------------------------------------------------------


def _sizes(when: str, said: Mapping[str, float], shape: _Shape) -> Iterator[str]:
    size = np.ptp(shape.corners, axis=0)
    # of a stone as long as it is wide the table may be measured either way
    ways = (0, 1) if abs(size[0] - size[1]) < ON_MM else (int(np.argmin(size[:2])),)
    found = [_measured(shape, across) for across in ways]
    for name in (n for n in found[0] if n in said):
        values = [f[name] for f in found]
        if not min(abs(said[name] - v) for v in values) <= TOLERANCE_SIZE:
            yield f"{name} {when} is {values[0]:.4f} by the corners, not {said[name]:.4f}"


def _measured(shape: _Shape, across: int) -> dict[str, float]:
    """Sizes by the names of the result, from the corners and planes; across: the axis of the width."""
    low, high = shape.corners.min(axis=0), shape.corners.max(axis=0)
    size = high - low
    found = {
        "length_mm": float(size[1 - across]),
        "width_mm": float(size[across]),
        "depth_mm": float(size[2]),
        "table_percent": 0.0,
        "girdle_min_mm": 0.0,
    }
    for k in np.flatnonzero(shape.normals[:, 2] > 1 - UPRIGHT):
        table = shape.around(int(k))[:, across]
        found["table_percent"] = float(100 * np.ptp(table) / size[across])
    z = shape.normals[:, 2]
    upright = np.flatnonzero(np.abs(z) <= UPRIGHT)
    if not len(upright):
        return found
    rim = np.vstack([shape.around(int(k)) for k in upright])
    # over each corner of the girdle the stone reaches from the highest plane below to the lowest above
    level = (shape.offsets - rim[:, :2] @ shape.normals[:, :2].T) / np.where(z == 0, 1.0, z)
    tops = np.where(z > UPRIGHT, level, np.inf).min(axis=1)
    bottoms = np.where(z < -UPRIGHT, level, -np.inf).max(axis=1)
    found["girdle_min_mm"] = float((tops - bottoms).min())
    found["crown_height_mm"] = float(high[2] - rim[:, 2].max())
    found["pavilion_depth_mm"] = float(rim[:, 2].min() - low[2])
    return found
