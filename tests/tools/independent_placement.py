"""A long, plain search for the largest copy of a convex stone in a rough: the figure that the planner is held to.

    python tests/tools/independent_placement.py --write --passes 3

writes tests/tools/natural-roughs.json, rough by rough; what is there already is kept, and each further pass
searches again from other starts and keeps the heavier (``by_pass`` tells what each pass found). Nothing of the planner's
is used: the design's corners come from ``facetrace.solid.build``, all else from numpy, scipy and trimesh.

Method: many random starts; from each a climb by linear programs (HiGHS) that keep points of the surface
outside, each by the facet that parts it best; the best few then climb on true distances (corner to
face, edge to edge). Facts used: a point is outside a convex polytope exactly if one facet parts it;
the distance of two bodies changes by the movement of the nearest points along the line between them;
copies about one inner point lie in one another, so at one place and turn all sizes up to one fit.
Every copy is checked once more by brute force, and made smaller until it passes: a figure is never
more than what fits, and may be less than the best there is.
"""

import argparse
import json
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import natural_roughs
import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, HalfspaceIntersection, cKDTree
from scipy.spatial.transform import Rotation
from true_distances import (
    Convex,
    convex,
    crosses,
    ellipsoid_rotation,
    nearest_pairs,
    parted,
    windings,
)

Floats = NDArray[np.float64]

ROOT = Path(__file__).parents[2]
FIGURES = Path(__file__).parent / "natural-roughs.json"
DESIGNS = ("round-brilliant", "oval-brilliant", "rectangle-step", "cushion-brilliant", "pear-brilliant")  # fmt: skip
RANGES = ((0, 15), (0, 30), (60, 90), (0, 90))
# g/cm3 of ruby, corundum.toml: specific gravity 3.99 to 4.01; carats from mm3
DENSITY = 3.99
CARATS = DENSITY * 1e-3 / 0.2
SEED = 20270104
STARTS, HARD_STARTS, POLISHED = 48, 64, 5
# climbs more from near the best so far, of which so many are polished
HOPS, HOPS_POLISHED = 20, 2
# random places and turns from which the starts are picked
TRIED = 1500
WHOLE, CROWN, COLUMN = 0, 1, 2
MARGINS = {"crack": 0.1, "crystal": 0.2, "pit": 0.05}
# mm: points that stand for a surface are no farther apart
POINTS_MM = 0.55
# mm: what is given away to rounding
ROUNDING = 2e-6


@dataclass(frozen=True)
class Ball:
    """An ellipsoid: centre (3,), axes (3, 3) as columns, radii (3,), mm."""

    centre: Floats
    axes: Floats
    radii: Floats

    def triangles(self) -> Floats:
        """A body of flat triangles about it: it holds all of it, and 0.6 % of a radius more."""
        sphere = trimesh.creation.icosphere(subdivisions=3)
        t = np.asarray(sphere.triangles)
        normals = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        away = np.einsum("ij,ij->i", t[:, 0], normals) / np.linalg.norm(normals, axis=1)
        return np.asarray((t / away.min() * self.radii) @ self.axes.T + self.centre)

    def reach(self, towards: Floats) -> tuple[Floats, Floats]:
        """Support along directions (n, 3) from its centre, (n,), and the points there, (n, 3)."""
        seen = towards @ self.axes * self.radii
        size = np.linalg.norm(seen, axis=1)
        return size, (seen * self.radii / size[:, None]) @ self.axes.T


@dataclass(frozen=True)
class Group:
    """Triangles (n, 3, 3) that one part of the stone keeps off by *margin*, and points (m, 3) that stand for them."""

    triangles: Floats
    points: Floats
    margin: float
    part: int


@dataclass(frozen=True)
class Room:
    """A rough: its surface and what is wrong, c (3,) of length 1, the table's angles to it in radians.

    groups: what is kept off; held: bodies that lie inside the stone, with their margins.
    """

    groups: tuple[Group, ...]
    held: tuple[tuple[Ball, float], ...]
    c: Floats
    low: float
    high: float

    @property
    def surface(self) -> Floats:
        """The scan's triangles."""
        return self.groups[0].triangles


@dataclass(frozen=True)
class Place:
    """A copy: point v of the design stands at ``at + size * turn @ v``."""

    size: float
    at: Floats
    turn: Floats


# ---- what is given ----------------------------------------------------------------------------


def parts_of(corners: Floats) -> list[Convex]:
    """The stone in the design's frame; what of it is above the girdle plane z = 0; what lies under the table."""
    whole = convex(corners)
    top = whole.corners[:, 2].max()
    table = whole.corners[whole.corners[:, 2] > top - 1e-6]
    # of its outline: a . x + b <= 0
    sides = ConvexHull(table[:, :2]).equations
    walls = np.column_stack([sides[:, :2], np.zeros(len(sides)), sides[:, 2]])
    inner = np.append(table[:, :2].mean(axis=0), top * 0.5)
    planes = np.column_stack([whole.normals, -whole.offsets])
    above = np.array([[0.0, 0.0, -1.0, 0.0]])
    return [whole] + [
        convex(HalfspaceIntersection(np.vstack([planes, more]), inner).intersections)
        for more in (above, walls)
    ]


def _dense(triangles: Floats) -> Floats:
    faces = np.arange(3 * len(triangles)).reshape(-1, 3)
    vertices = trimesh.remesh.subdivide_to_size(triangles.reshape(-1, 3), faces, POINTS_MM)[0]
    return np.unique(np.asarray(vertices).round(7), axis=0)


def _group(triangles: Floats, margin: float, part: int = WHOLE) -> Group:
    return Group(triangles, _dense(triangles), margin, part)


def _fan(polygon: Floats) -> Floats:
    """A flat convex polygon's triangles; its corners may come in any order."""
    middle = polygon.mean(axis=0)
    axes = np.linalg.svd(polygon - middle)[2]
    flat = (polygon - middle) @ axes[:2].T
    p = polygon[np.argsort(np.arctan2(flat[:, 1], flat[:, 0]))]
    return np.array([[p[0], p[k], p[k + 1]] for k in range(1, len(p) - 1)])


def rooms_of(path: Path, low_deg: float, high_deg: float) -> list[Room]:
    """A rough file's rooms: one for each choice of which crystals are held and which are kept off."""
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    mesh = trimesh.load(path.parent / told["shape"]["mesh"])
    always = [_group(np.array(mesh.triangles, dtype=float), told["loss"]["skin_mm"])]
    ways: list[tuple[list[Group], list[tuple[Ball, float]]]] = [(always, [])]
    for defect in told.get("defect", []):
        margin = defect.get("margin_mm", MARGINS.get(defect["kind"], 0.0))
        if defect["kind"] == "crack":
            group = _group(_fan(np.array(defect["polygon_mm"])), margin)
            ways = [([*g, group], h) for g, h in ways]
            continue
        e = defect["ellipsoid"]
        axes = ellipsoid_rotation(e.get("tilt", 0), e.get("azimuth", 0), e.get("turn", 0))
        ball = Ball(np.array(e["centre_mm"]), axes, np.array(e["radii_mm"]))
        if defect["wish"] == "under girdle":
            more = [_group(ball.triangles(), margin, part) for part in (CROWN, COLUMN)]
            ways = [([*g, *more], h) for g, h in ways]
        else:
            off = [([*g, _group(ball.triangles(), margin)], h) for g, h in ways]
            held = [(g, [*h, (ball, margin)]) for g, h in ways]
            ways = off + (held if defect["wish"] == "inside" else [])
    c = np.array(told["shape"]["c_axis"])
    c = c / np.linalg.norm(c)
    angles = np.radians([low_deg, high_deg])
    return [Room(tuple(g), tuple(h), c, float(angles[0]), float(angles[1])) for g, h in ways]


def _seen(part: Convex, place: Place) -> Convex:
    """A part of the stone where a copy puts it."""
    move = place.size * place.turn.T
    normals = part.normals @ place.turn.T
    return Convex(
        part.corners @ move + place.at,
        normals,
        place.size * part.offsets + normals @ place.at,
        part.triangles @ move + place.at,
        part.edges @ move + place.at,
        part.volume * place.size**3,
    )


def in_cone(room: Room, turn: Floats) -> Floats:
    """The same turn, or the nearest whose table stands as is allowed."""
    normal = turn[:, 2]
    c = room.c if room.c @ normal >= 0 else -room.c
    angle = float(np.arctan2(np.linalg.norm(np.cross(c, normal)), c @ normal))
    # a hair within, for rounding
    wanted = float(np.clip(angle, room.low + 1e-7, room.high - 1e-7))
    if wanted == angle:
        return turn
    axis = np.cross(c, normal)
    if np.linalg.norm(axis) < 1e-9:
        axis = turn[:, 0]
    axis = axis / np.linalg.norm(axis)
    back = Rotation.from_rotvec((wanted - angle) * axis).as_matrix()
    return np.asarray(back @ turn)


# ---- the first climb: points ------------------------------------------------------------------


def _sizes(parts: Sequence[Convex], group: Group, at: Floats, turn: Floats) -> tuple[Floats, NDArray[np.int64]]:  # fmt: skip
    """Of each point the size at which the stone comes within its margin, and the facet that parts it."""
    part = parts[group.part]
    beyond = ((group.points - at) @ turn) @ part.normals.T - group.margin
    flat = part.offsets < 1e-9
    size = beyond / np.where(flat, 1.0, part.offsets)
    size[:, flat] = np.where(beyond[:, flat] >= 0, 1e3, -1e3)
    facet = size.argmax(axis=1)
    return size[np.arange(len(size)), facet], facet


def _least_held(parts: Sequence[Convex], room: Room, at: Floats, turn: Floats) -> float:
    """The size that holds what is to be held."""
    least = 0.0
    whole = parts[WHOLE]
    u = whole.normals @ turn.T
    for ball, margin in room.held:
        least = max(least, float(((u @ (ball.centre - at) + ball.reach(u)[0] + margin) / whole.offsets).max()))  # fmt: skip
    return least


def roughly(parts: Sequence[Convex], room: Room, at: Floats, turn: Floats) -> float:
    """The size that the points leave, below 0 where none."""
    size = min(float(_sizes(parts, g, at, turn)[0].min()) for g in room.groups)
    return size if size >= _least_held(parts, room, at, turn) else -1.0


def _program(
    rows: Floats, limits: Floats, room: Room, place: Place, trust: tuple[float, float], parts: Sequence[Convex]
) -> Floats | None:  # fmt: skip
    """(ds, dt, w) that gains most size, within the trusted region (mm, radians)."""
    normal = place.turn[:, 2]
    c = room.c if room.c @ normal >= 0 else -room.c
    lean = np.concatenate([np.zeros(4), np.cross(normal, c)])
    more, most = [lean, -lean], [np.cos(room.low) - c @ normal, c @ normal - np.cos(room.high)]
    if room.low == 0:
        more, most = more[1:], most[1:]
    u = parts[WHOLE].normals @ place.turn.T
    for ball, margin in room.held:
        size, point = ball.reach(u)
        r = ball.centre - place.at
        more += list(np.column_stack([-parts[WHOLE].offsets, -u, np.cross(u, r + point)]))
        most += list(place.size * parts[WHOLE].offsets - margin - size - u @ r)
    bounds = [(-0.3 * place.size, 0.5 * place.size), *[(-trust[0], trust[0])] * 3, *[(-trust[1], trust[1])] * 3]  # fmt: skip
    answer = linprog(
        [-1, 0, 0, 0, 0, 0, 0],
        A_ub=np.vstack([rows, *more]),
        b_ub=np.concatenate([limits, np.array(most) + 1e-12]),
        bounds=bounds,
        method="highs-ds",
    )
    return np.asarray(answer.x) if answer.x is not None else None


def _moved(room: Room, place: Place, step: Floats) -> tuple[Floats, Floats]:
    turn = Rotation.from_rotvec(step[4:]).as_matrix() @ place.turn
    left, _, right = np.linalg.svd(turn)
    return place.at + step[1:4], in_cone(room, left @ right)


def climb(parts: Sequence[Convex], room: Room, at: Floats, turn: Floats) -> Place:
    """From a place and a turn uphill, points kept off."""
    place = Place(roughly(parts, room, at, turn), at, turn)
    trust = 1.0
    for _ in range(60):
        rows, limits = [], []
        for group in room.groups:
            sizes, facet = _sizes(parts, group, place.at, place.turn)
            near = sizes < 1.15 * place.size + 0.9 * trust * 0.6 / 3
            r = group.points[near] - place.at
            part = parts[group.part]
            n, d = part.normals[facet[near]], part.offsets[facet[near]]
            u = n @ place.turn.T
            rows.append(np.column_stack([d, u, np.cross(r, u)]))
            limits.append(np.einsum("ij,ij->i", u, r) - place.size * d - group.margin)
        step = _program(np.vstack(rows), np.concatenate(limits), room, place, (0.6 * trust, 0.15 * trust), parts)  # fmt: skip
        if step is None:
            trust *= 0.4
        else:
            new_at, new_turn = _moved(room, place, step)
            size = roughly(parts, room, new_at, new_turn)
            if size > place.size * (1 + 2e-5):
                trust = min(1.0, trust * (1.6 if size - place.size > 0.5 * step[0] else 0.8))
                place = Place(size, new_at, new_turn)
            else:
                trust *= 0.4
        if trust < 0.004:
            break
    return place


# ---- the second climb: true distances ---------------------------------------------------------


def _contacts(parts: Sequence[Convex], room: Room, place: Place, reach: float) -> tuple[Floats, Floats] | None:  # fmt: skip
    """Rows and what is left of each gap over (ds, dt, w); None where something meets the stone."""
    rows, left = [np.zeros((0, 7))], [np.zeros(0)]
    for group in room.groups:
        seen = _seen(parts[group.part], place)
        gap = parted(group.triangles, seen)
        near = group.triangles[gap < group.margin + reach]
        if not len(near):
            continue
        if crosses(near, seen).any():
            return None
        ours, theirs = nearest_pairs(near, seen, group.margin + reach)
        apart = ours - theirs
        gaps = np.linalg.norm(apart, axis=1)
        if not group.margin:
            # nothing between them to point along: what touches is moved off by its facet
            gaps = np.maximum(gaps, 1e-12)
        u = apart / gaps[:, None]
        r = theirs - place.at
        row = np.column_stack([np.einsum("ij,ij->i", u, r) / place.size, u, np.cross(r, u)])
        keep = np.unique(np.column_stack([row, gaps]).round(7), axis=0, return_index=True)[1]
        rows.append(row[keep])
        left.append(gaps[keep] - group.margin)
    return np.vstack(rows), np.concatenate(left)


def grown(parts: Sequence[Convex], room: Room, place: Place, least: float) -> Place | None:
    """The largest copy at that place and turn by true distances; None where it is below *least*."""
    if abs(windings(place.at[None], room.surface)[0] - 1) > 0.01:
        return None
    good, size = 0.0, place.size
    bad = np.inf
    for _ in range(14):
        found = _contacts(parts, room, Place(size, place.at, place.turn), 0.06)
        if found is None:
            bad = min(bad, size)
            size = max(good, 0.97 * size) if not good else (good + size) / 2
        else:
            rows, left = found
            outward = rows[:, 0] > 1e-9
            more = float((left[outward] / rows[outward, 0]).min()) if outward.any() else 0.05
            if len(left) and left.min() < -ROUNDING / 4:
                bad = min(bad, size)
                size += more - 1e-8
                if good and size <= good:
                    break
            else:
                good = size
                more = min(more, 0.05, 0.5 * (bad - size) if bad < np.inf else 1.0)
                if more < 2e-6 * size:
                    break
                size += more
        if size < least:
            return None
    if good < max(least, _least_held(parts, room, place.at, place.turn)):
        return None
    return Place(good, place.at, place.turn)


def polished(parts: Sequence[Convex], room: Room, start: Place) -> Place | None:
    """Uphill by true distances from what the points left."""
    place = None
    for share in (1.0, 0.93, 0.85):
        first = Place(share * start.size, start.at, start.turn)
        place = place or grown(parts, room, first, 0.5 * start.size)
    if place is None:
        return None
    far = float(np.linalg.norm(parts[WHOLE].corners, axis=1).max())
    trust, gained = 0.1, 1.0
    for _ in range(40):
        reach = 0.05 + 2 * trust * 0.5
        found = _contacts(parts, room, place, reach)
        if found is None:
            break
        step = _program(*found, room, place, (trust, 0.7 * trust / (far * place.size) * 2), parts)
        if step is None:
            trust *= 0.4
        else:
            at, turn = _moved(room, place, step)
            guess = Place(place.size + max(0.0, step[0]) * 0.9, at, turn)
            better = grown(parts, room, guess, place.size * (1 + 1e-6))
            if better is None:
                trust *= 0.4
            else:
                gained = better.size / place.size - 1
                place = better
                trust = min(0.2, trust * 1.5) if gained > 1e-4 else trust * 0.6
        if trust < 5e-4:
            break
    return place


# ---- the check --------------------------------------------------------------------------------


def faults(parts: Sequence[Convex], room: Room, place: Place) -> list[str]:
    """What is wrong with a copy, by brute force over all triangles and all pairs of features that are near."""
    found = []
    for k, group in enumerate(room.groups):
        seen = _seen(parts[group.part], place)
        if crosses(group.triangles, seen).any():
            found.append(f"group {k} meets the stone")
        ours, theirs = nearest_pairs(group.triangles, seen, group.margin + 0.01)
        gap = np.linalg.norm(ours - theirs, axis=1)
        if len(gap) and gap.min() < group.margin - ROUNDING / 2:
            found.append(f"group {k}: {gap.min():.6f} mm, wanted {group.margin}")
    seen = _seen(parts[WHOLE], place)
    if (np.abs(windings(seen.corners, room.surface) - 1) > 1e-6).any():
        found.append("a corner is outside")
    if place.size < _least_held(parts, room, place.at, place.turn) - 1e-9:
        found.append("what is held comes too near the stone's surface")
    normal = place.turn[:, 2]
    angle = np.arctan2(np.linalg.norm(np.cross(room.c, normal)), abs(room.c @ normal))
    if not room.low - 1e-9 <= angle <= room.high + 1e-9:
        found.append("the table stands outside the cone")
    return found


def surely(parts: Sequence[Convex], room: Room, place: Place) -> Place | None:
    """The copy, made smaller about its middle until it passes the check."""
    for share in (1.0, 1 - 1e-6, 1 - 1e-5, 1 - 1e-4, 0.999, 0.995, 0.98, 0.95):
        tried = Place(place.size * share, place.at, place.turn)
        if not faults(parts, room, tried):
            return tried
    return None


# ---- the search -------------------------------------------------------------------------------


def _turn_in_cone(room: Room, rng: np.random.Generator) -> Floats:
    """Even over the cone, its other end, and spins."""
    height = rng.uniform(np.cos(room.high), np.cos(room.low)) * rng.choice([-1.0, 1.0])
    first = np.cross(room.c, np.eye(3)[int(np.argmin(np.abs(room.c)))])
    first /= np.linalg.norm(first)
    second = np.cross(room.c, first)
    phi, spin = rng.uniform(0, 2 * np.pi, size=2)
    normal = height * room.c + np.sqrt(1 - height**2) * (np.cos(phi) * first + np.sin(phi) * second)
    x = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    x /= np.linalg.norm(x)
    y = np.cross(normal, x)
    x, y = np.cos(spin) * x + np.sin(spin) * y, np.cos(spin) * y - np.sin(spin) * x
    return in_cone(room, np.column_stack([x, y, normal]))


def _deep(room: Room, rng: np.random.Generator) -> Floats:
    """Points well inside the rough and off what is wrong in it, (n, 3)."""
    surface = room.surface
    low, high = surface.min(axis=(0, 1)), surface.max(axis=(0, 1))
    points = rng.uniform(low, high, size=(1500, 3))
    points = points[np.abs(windings(points, surface) - 1) < 0.5]
    tree = cKDTree(np.vstack([g.points for g in room.groups if g.part == WHOLE]))
    depth = tree.query(points)[0]
    return np.asarray(points[depth > 0.3 * depth.max()])


def search(corners: Floats, room: Room, starts: int, seed: int) -> tuple[Place | None, float, list[float]]:  # fmt: skip
    """The largest copy found, its mm3, and the mm3 of all that were polished."""
    rng = np.random.default_rng(seed)
    parts = parts_of(corners)
    middle = (corners.max(axis=0) + corners.min(axis=0)) / 2
    deep = _deep(room, rng)
    thin = tuple(
        Group(g.triangles, g.points[rng.permutation(len(g.points))[:500]], g.margin, g.part)
        for g in room.groups
    )
    coarse = Room(thin, room.held, room.c, room.low, room.high)
    reach = float(np.ptp(room.surface, axis=(0, 1)).max() / np.ptp(corners, axis=0).max())
    tried = []
    for _ in range(TRIED):
        turn = _turn_in_cone(room, rng)
        at = deep[rng.integers(len(deep))] - rng.uniform(0.3, 0.6) * reach * turn @ middle
        tried.append((roughly(parts, coarse, at, turn), at, turn))
    tried.sort(key=lambda x: -x[0])
    best = tried[: starts // 2]
    rest = tried[starts // 2 : 10 * starts]
    best += [rest[k] for k in rng.permutation(len(rest))[: starts - len(best)]]
    found = [climb(parts, room, at, turn) for _, at, turn in best]
    good = _apart(found, POLISHED)
    good += _apart([climb(parts, room, *_near(p, room, rng)) for p in good[:2] for _ in range(HOPS // 2)], HOPS_POLISHED)  # fmt: skip
    done = [surely(parts, room, p) for p in (polished(parts, room, p) for p in good) if p]
    ended = sorted((p for p in done if p), key=lambda p: -p.size)
    if not ended:
        return None, 0.0, []
    volumes = [parts[WHOLE].volume * p.size**3 for p in ended]
    return ended[0], volumes[0], volumes


def _near(place: Place, room: Room, rng: np.random.Generator) -> tuple[Floats, Floats]:
    hop = Rotation.from_rotvec(rng.normal(size=3) * 0.25).as_matrix()
    return place.at + 0.3 * rng.normal(size=3), in_cone(room, hop @ place.turn)


def _apart(places: Sequence[Place], most: int) -> list[Place]:
    """The largest that are not the same again."""
    found = sorted((p for p in places if p.size > 0), key=lambda p: -p.size)
    good: list[Place] = []
    for place in found:
        if len(good) == most:
            break
        if any(abs(p.size / place.size - 1) < 2e-4 and np.linalg.norm(p.at - place.at) < 0.02 for p in good):  # fmt: skip
            continue
        good.append(place)
    return good


# ---- the figures ------------------------------------------------------------------------------


def corners_of(design: str) -> Floats:
    """Corners of a design's solid, (n, 3), mm."""
    from facetrace.design.model import read_design
    from facetrace.solid.build import build_solid

    return np.array(build_solid(read_design(ROOT / "designs" / f"{design}.toml").design).vertices)


def asked(number: int) -> tuple[str, tuple[int, int]]:
    """The design and the range of the table's angle to c that go with a rough."""
    return DESIGNS[number % len(DESIGNS)], RANGES[(number + number // 4) % len(RANGES)]


def figure(number: int, turn: int, folder: Path) -> dict[str, Any]:
    """The member of the file for one rough, by pass number *turn* alone."""
    started = time.perf_counter()
    path = natural_roughs.write(folder, number)
    design, (low, high) = asked(number)
    corners = corners_of(design)
    starts = HARD_STARTS if natural_roughs.made(number).defects else STARTS
    seed = SEED + 100_000 * turn + number
    ended = []
    for k, room in enumerate(rooms_of(path, low, high)):
        ended.append(search(corners, room, starts, seed + 1000 * k))
    place, mm3, volumes = max(ended, key=lambda e: e[1])
    if place is None:
        raise SystemExit(f"rough {number}: nothing fits")
    return {
        "name": natural_roughs.made(number).name,
        "design": design,
        "table_to_c": [low, high],
        "carats": mm3 * CARATS,
        "others": [v * CARATS for v in volumes],
        "scale": place.size,
        "turn_file": place.turn.tolist(),
        "shift_file_mm": place.at.tolist(),
        "starts": (starts + HOPS) * len(ended),
        "seed": seed,
        "by_pass": [mm3 * CARATS],
        "seconds": round(time.perf_counter() - started, 1),
    }


def heavier(old: dict[str, Any] | None, new: dict[str, Any]) -> dict[str, Any]:
    """Of two passes the heavier stone, with the count of both."""
    if old is None:
        return new
    best = max(old, new, key=lambda one: one["carats"])
    told = {
        "starts": old["starts"] + new["starts"],
        "by_pass": [*old["by_pass"], *new["by_pass"]],
        "seconds": round(old["seconds"] + new["seconds"], 1),
    }
    return best | told


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the figures, going on where an earlier run stopped."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--write", action="store_true", required=True)
    parser.add_argument("--passes", type=int, default=3)
    parser.add_argument("--only", type=int, nargs="*", default=None, help="numbers of roughs")
    parser.add_argument("--out", type=Path, default=FIGURES)
    words = parser.parse_args(arguments)
    out: Path = words.out
    wanted = range(natural_roughs.COUNT) if words.only is None else words.only
    known = json.loads(out.read_text(encoding="utf-8")) if out.exists() else {}
    for turn in range(words.passes):
        for number in wanted:
            old = known.get(str(number))
            if old is not None and len(old["by_pass"]) > turn:
                continue
            with tempfile.TemporaryDirectory() as folder:
                row = heavier(old, figure(number, turn, Path(folder)))
            known[str(number)] = row
            ordered = {k: known[k] for k in sorted(known, key=int)}
            out.write_text(json.dumps(ordered, indent=1) + "\n", encoding="utf-8")
            each = ", ".join(f"{c:.4f}" for c in row["by_pass"])
            print(f"{number} {row['name']}, {row['design']} {row['table_to_c']}: {each} ct, {row['seconds']} s", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
