"""What each facet is cut to: a corner that is already there, or a length where none is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from facetrace.bench.partial import (
    BLANK,
    NEAR_CORNER,
    ON_CORNER,
    VERTICAL,
    by_rank,
    facet_corners,
    slope_and_across,
)
from facetrace.solid.build import Facet, solid_of
from facetrace.solid.polyhedron import Floats, Solid, SolidError

# corners of more facets than this are said last: a culet that is growing, not a meet to look for
MANY = 4
# facets of a step with equal angle [deg] and depth [mm] are cut at one setting
SAME_SETTING = 1e-6


@dataclass(frozen=True)
class Meet:
    """A corner (3,) that stands before a facet is cut through it, mm, and the facets that meet there.

    gap: how far the facet's plane passes from it, mm.
    """

    point: tuple[float, float, float]
    facets: tuple[str, ...]
    gap: float


@dataclass(frozen=True)
class Aim:
    """How deep one facet is cut.

    kind: "meet" (corners of steps before), "own" (corners that earlier settings of the same step
    made), else a length, mm: "axis" (axis to girdle flat), "height" (of a level facet, above or below the
    girdle plane), "girdle" (girdle left under or over the facet), "line" (its end at the girdle, from the
    girdle plane), "left" (what it leaves of the facet *beside*, up its slope), "tip" (its deepest
    point, from the girdle plane). hinge: the point about which an error of the angle turns it.
    """

    kind: Literal["meet", "own", "axis", "height", "girdle", "line", "left", "tip"]
    facet: str
    meets: tuple[Meet, ...]
    mm: float | None
    beside: str | None
    hinge: tuple[float, float, float]


@dataclass(frozen=True)
class MachineSetting:
    """Facets of a step that share one angle [deg] and depth, and what each aims at."""

    angle: float
    facets: tuple[Facet, ...]
    aims: tuple[Aim, ...]

    @property
    def aim(self) -> Aim:
        """That of the first facet, said for all."""
        return self.aims[0]

    @property
    def alike(self) -> bool:
        """Whether all its facets aim at the same kind of thing."""
        return len({(a.kind, len(a.meets)) for a in self.aims}) == 1


def settings_of(own: Sequence[Facet]) -> list[MachineSetting]:
    """Facets of one step by equal angle and depth, in the order in which they first come."""
    groups: list[list[Facet]] = []
    for facet in own:
        for group in groups:
            mate = group[0]
            if (
                abs(mate.angle - facet.angle) < SAME_SETTING
                and abs(mate.distance - facet.distance) < SAME_SETTING
            ):
                group.append(facet)
                break
        else:
            groups.append([facet])
    return [MachineSetting(g[0].angle, tuple(g), ()) for g in groups]


def _meets(facet: Facet, before: Solid, after: Solid, near: float) -> tuple[Meet, ...]:
    """Corners of *before* on the facet's plane that *after* keeps; those of most facets first."""
    normal = np.array(facet.normal)
    azimuth = math.atan2(normal[1], normal[0])
    gaps = np.abs(before.vertices @ normal - facet.distance)
    ranked = []
    for corner in np.flatnonzero(gaps < near):
        point, names = before.vertices[corner], before.owners[corner]
        if any(n.startswith(BLANK) for n in names) or facet.name in names:
            continue
        if np.linalg.norm(after.vertices - point, axis=1).min() > 2 * near:
            continue
        off = abs((math.atan2(point[1], point[0]) - azimuth + math.pi) % (2 * math.pi) - math.pi)
        if math.hypot(point[0], point[1]) < ON_CORNER:
            off = 0.0
        rank = (len(names) > MANY, -len(names), round(off, 6), round(point[2], 6))
        x, y, z = (float(v) for v in point)
        gap = float(gaps[corner])
        ranked.append(
            (rank, Meet((x, y, z), by_rank(names, before), gap if gap > ON_CORNER else 0.0))
        )
    return tuple(m for _, m in sorted(ranked, key=lambda row: row[0]))


def aims_of(
    setting: MachineSetting, before: Solid, after: Solid, done: Sequence[Facet], settings: Sequence[MachineSetting]
) -> tuple[Aim, ...]:  # fmt: skip
    """What the facets of one setting aim at: corners of steps before, else lengths or corners of settings before.

    before, after: the stone without and with the step; done: all facets so far; settings: of the step.
    """
    for near in (ON_CORNER, NEAR_CORNER):
        meets = [_meets(f, before, after, near) for f in setting.facets]
        if all(meets):
            return tuple(_met("meet", f, m) for f, m in zip(setting.facets, meets, strict=True))
    if setting.angle == 90:
        return tuple(_length(f, after) for f in setting.facets)
    turn = next(k for k, s in enumerate(settings) if s.facets is setting.facets)
    if turn:
        own = {f for s in settings for f in s.facets}
        earlier = [f for f in done if f not in own]
        earlier += [f for s in settings[:turn] for f in s.facets]
        so_far = solid_of(earlier) if _joins(earlier) else before
        meets = [_meets(f, so_far, after, ON_CORNER) for f in setting.facets]
        if all(meets):
            return tuple(_met("own", f, m) for f, m in zip(setting.facets, meets, strict=True))
    return tuple(_length(f, after) for f in setting.facets)


def _joins(facets: Sequence[Facet]) -> bool:
    try:
        solid_of(facets)
    except SolidError:
        return False
    return True


def _met(kind: Literal["meet", "own"], facet: Facet, meets: tuple[Meet, ...]) -> Aim:
    return Aim(kind, facet.name, meets, None, None, meets[0].point)


def _foot(facet: Facet, mm: float) -> tuple[float, float, float]:
    """The point of the facet's plane straight out from (0, 0, mm) towards its index position."""
    x, y, z = facet.normal
    flat = math.hypot(x, y)
    if flat < VERTICAL:
        return 0.0, 0.0, facet.distance / z
    reach = (facet.distance - z * mm) / flat
    return reach * x / flat, reach * y / flat, mm


def _length(facet: Facet, after: Solid) -> Aim:
    """The length that says how deep a facet goes where no corner does."""
    points = facet_corners(after, facet.name)
    normal = np.array(facet.normal)
    if abs(normal[2]) < VERTICAL:
        return Aim("axis", facet.name, (), facet.distance, None, _foot(facet, 0.0))
    if math.hypot(normal[0], normal[1]) < VERTICAL or points is None:
        z = facet.distance / normal[2]
        return Aim("height", facet.name, (), abs(z), None, _foot(facet, z))
    upright = np.abs(after.normals[:, 2]) < VERTICAL
    ends = []
    for name, polygon, vertical in zip(after.names, after.polygons, upright, strict=True):
        if not vertical or name.startswith(BLANK):
            continue
        wall = after.vertices[polygon]
        for p in points:
            if np.linalg.norm(wall - p, axis=1).min() < ON_CORNER:
                # towards the other side of the stone: up from a pavilion, down from a crown
                ends.append((float(p[2] * np.sign(normal[2])), p, wall))
    if ends:
        least = min(e[0] for e in ends)
        _, point, wall = next(e for e in ends if e[0] < least + ON_CORNER)
        other = _across(wall, point)
        open_side = any(
            name.startswith(BLANK) and abs(n @ other - d) < ON_CORNER
            for name, n, d in zip(after.names, after.normals, after.offsets, strict=True)
        )
        hinge = _foot(facet, float(point[2]))
        if open_side:
            return Aim("line", facet.name, (), float(point[2] * np.sign(normal[2])), None, hinge)
        return Aim("girdle", facet.name, (), abs(float(other[2] - point[2])), None, hinge)
    return _beside(facet, after, points)


def _across(wall: Floats, point: Floats) -> Floats:
    """Where the vertical line through a point of an upright facet's edge leaves the facet again.

    *wall* (k, 3): the facet's corners in order. A facet below may end between two corners of the one above.
    """
    heights = []
    for a, b in zip(wall, np.roll(wall, -1, axis=0), strict=True):
        along = (b - a)[:2]
        length = float(np.hypot(*along))
        if length < ON_CORNER:
            heights += [a[2], b[2]] if np.hypot(*(a - point)[:2]) < ON_CORNER else []
            continue
        share = float(along @ (point - a)[:2]) / length**2
        if -ON_CORNER <= share * length <= length + ON_CORNER:
            heights.append(a[2] + share * (b[2] - a[2]))
    far = max(heights, key=lambda z: abs(z - point[2]))
    return np.array([point[0], point[1], far])


def _beside(facet: Facet, after: Solid, points: Floats) -> Aim:
    """What the facet leaves of the neighbour on its girdle side, or how deep its tip lies."""
    own = next(i for i, n in enumerate(after.names) if n == facet.name)
    best, shared = None, 0.0
    middle = points.mean(axis=0)
    for i in after.adjacency[own]:
        edge = np.intersect1d(after.polygons[own], after.polygons[i])
        ends = after.vertices[edge]
        if len(edge) < 2 or after.names[i].startswith(BLANK) or abs(after.normals[i][2]) < VERTICAL:
            continue
        if facet.tier == after.names[i].rpartition(" ")[0] or abs(ends[:, 2].mean()) > abs(
            middle[2]
        ):
            continue
        length = float(np.linalg.norm(ends[0] - ends[1]))
        if length > shared + ON_CORNER:
            best, shared = i, length
    if best is None:
        tip = points[np.argmax(np.abs(points[:, 2]))]
        return Aim(
            "tip",
            facet.name,
            (),
            abs(float(tip[2])),
            None,
            (float(tip[0]), float(tip[1]), float(tip[2])),
        )
    shared_edge = after.vertices[np.intersect1d(after.polygons[own], after.polygons[best])]
    slope = slope_and_across(after.normals[best], after.vertices[after.polygons[best]])[0]
    return Aim(
        "left",
        facet.name,
        (),
        slope,
        after.names[best],
        _foot(facet, float(shared_edge[:, 2].mean())),
    )
