"""What an error of the angle does to the finished stone, and how exact the angle must be.

The whole stone is cut again with the tier turned about what it aimed at.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from facetrace.bench.aims import MachineSetting
from facetrace.bench.partial import NEAR_CORNER, ON_CORNER, VERTICAL, by_rank
from facetrace.solid.build import Facet, facet_normal, parts_of, solid_of
from facetrace.solid.lobes import WALL
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Floats, Solid, SolidError

# common practice, no source: what a 10x loupe shows clearly
OPEN_MM = 0.05
ERROR_DEG = 0.1
MOST_ERROR_DEG, SEARCHES, NEAR_ENOUGH = 5.0, 12, 1e-3


@dataclass(frozen=True)
class Fault:
    """What an error of the angle, in degrees, does to the finished stone, the rest as designed.

    open_mm: how far the worst meet opens when the whole tier is off, and at: its facets (None and ()
    where no four facets meet); alone_mm, alone_at: when one of its facets is off and the others are
    right. moved_mm: how far the tier's corners move at most; girdle_mm, table_mm: change of the
    mean girdle and of the table's width (None where it is not defined); depth_mm, carats: change.
    tolerance_deg, alone_deg: the error that opens the worst meet by the wished mm, the smaller of
    too steep and too flat (None: not within MOST_ERROR_DEG).
    """

    degrees: float
    open_mm: float | None
    at: tuple[str, ...]
    alone_mm: float | None
    alone_at: tuple[str, ...]
    moved_mm: float
    girdle_mm: float | None
    table_mm: float | None
    depth_mm: float
    carats: float
    tolerance_deg: float | None
    alone_deg: float | None


@dataclass(frozen=True)
class _Corner:
    """A corner (3,) of the finished stone and its facets, those so near that they were meant included."""

    point: Floats
    facets: frozenset[str]
    part: int


def _corners(solid: Solid, names: frozenset[str]) -> list[_Corner]:
    """Corners where facets called *names* come together with others, lobe by lobe."""
    corners = []
    for k, part in enumerate(solid.parts):
        tree = cKDTree(part.vertices)
        seen: set[int] = set()
        for i, point in enumerate(part.vertices):
            if i in seen:
                continue
            near = tree.query_ball_point(point, NEAR_CORNER)
            seen.update(near)
            facets = frozenset(n for j in near for n in part.owners[j])
            if facets & names:
                corners.append(_Corner(point, facets, k))
    return corners


def _opened(
    corners: Sequence[_Corner], parts: Sequence[Solid]
) -> tuple[float, frozenset[str], float]:
    """How far the worst of *corners* opens in other *parts*, its facets; how far one moves at most, mm.

    A corner became those of its part whose facets are among its own; it opens by the widest distance
    between them.
    """
    worst, at, moved = 0.0, frozenset[str](), 0.0
    for corner in corners:
        part = parts[corner.part]
        points = part.vertices[_within(part, corner.facets)]
        if not len(points):
            continue
        moved = max(moved, float(np.linalg.norm(points - corner.point, axis=1).max()))
        wide = float(np.linalg.norm(points[:, None] - points[None], axis=2).max())
        if len(corner.facets) > 3 and wide > worst + ON_CORNER:
            worst, at = wide, corner.facets
    return worst, at, moved


def _within(part: Solid, names: frozenset[str]) -> list[int]:
    """Corners all of whose facets are among *names*."""
    touched = {c for n in names for c in part.corners.get(n, ())}
    return sorted(c for c in touched if part.owners[c] <= names)


def turned(facet: Facet, hinge: Sequence[float], degrees: float) -> Facet:
    """The facet at its index position, so much steeper, still through *hinge* (3,).

    A level facet leans towards its index position, a girdle flat out of plumb.
    """
    side = "crown" if facet.normal[2] > VERTICAL else "pavilion"
    azimuth = math.atan2(facet.normal[1], facet.normal[0])
    normal = facet_normal(side, math.radians(facet.angle + degrees), azimuth)
    # its name, which tells of the angle where that is 0, stays what it was
    return replace(facet, normal=normal, distance=float(np.dot(normal, hinge)))


def _off(
    facets: Sequence[Facet], settings: Sequence[MachineSetting], degrees: float
) -> list[Facet]:  # fmt: skip
    """All facets, those of the settings turned about what they aim at.

    What aims at a corner of its own step goes through that corner as the error has moved it.
    """
    known = {f.name: f for f in facets}
    for setting in settings:
        moved = {}
        for facet, aim in zip(setting.facets, setting.aims, strict=True):
            hinge: Sequence[float] = aim.hinge
            if aim.kind == "own":
                planes = [known[n] for n in aim.meets[0].facets]
                rows = np.array([p.normal for p in planes])
                hinge = np.linalg.lstsq(rows, np.array([p.distance for p in planes]), rcond=None)[0]
            moved[facet.name] = turned(facet, hinge, degrees)
        known |= moved
    return [known[f.name] if not (f.tier == WALL and f.lobe) else f for f in facets]


def fault_of(
    facets: Sequence[Facet], solid: Solid, settings: Sequence[MachineSetting], density: float, open_mm: float
) -> Fault | None:  # fmt: skip
    """What ERROR_DEG does, for the whole tier and for one facet of each setting alone."""
    corners = _corners(solid, frozenset(f.name for s in settings for f in s.facets))

    def cut(some: Sequence[MachineSetting], degrees: float) -> tuple[Solid, ...] | None:
        try:
            return parts_of(_off(facets, some, degrees))
        except SolidError:
            return None

    def opened(some: Sequence[MachineSetting], degrees: float) -> float:
        parts = cut(some, degrees)
        return math.inf if parts is None else _opened(corners, parts)[0]

    wrong = _off(facets, settings, ERROR_DEG)
    try:
        off = solid_of(wrong)
    except SolidError:
        return None
    wide, at, moved = _opened(corners, off.parts)
    sizes, nominal = measure(off, density), measure(solid, density)
    table = (sizes.table_percent * sizes.width_mm - nominal.table_percent * nominal.width_mm) / 100
    upright, level = (any(s.angle == a for s in settings) for a in (90, 0))
    # turned about where it meets its neighbours as they should be
    singles = [replace(s, facets=s.facets[:1], aims=s.aims[:1]) for s in settings]
    alone = [(_opened(corners, f), [s]) for s in singles if (f := cut([s], ERROR_DEG)) is not None]
    (alone_mm, alone_at, _), single = (
        max(alone, key=lambda a: a[0][0]) if alone else ((0.0, at, 0.0), [])
    )
    touching = any(len(c.facets) > 3 for c in corners)
    return Fault(
        ERROR_DEG, wide if touching else None, by_rank(at, solid),
        alone_mm if touching else None, by_rank(alone_at, solid), moved,
        None if upright or not nominal.girdle_mean_mm else sizes.girdle_mean_mm - nominal.girdle_mean_mm,
        None if level or not nominal.table_percent else table,
        sizes.depth_mm - nominal.depth_mm, sizes.carats - nominal.carats,
        _tolerance(lambda d: opened(settings, d), open_mm) if touching else None,
        _tolerance(lambda d: opened(single, d), open_mm) if touching else None,
    )  # fmt: skip


def _tolerance(opened: Callable[[float], float], open_mm: float) -> float | None:
    ways = [_degrees_for(opened, sign, open_mm) for sign in (1.0, -1.0)]
    return min((w for w in ways if w is not None), default=None)


def _degrees_for(opened: "Callable[[float], float]", sign: float, open_mm: float) -> float | None:
    """The error at which a meet opens by *open_mm*: false position, with bisection where it stalls."""
    low, high = 0.0, ERROR_DEG
    at_low, at_high = 0.0, opened(sign * high)
    while at_high < open_mm:
        low, at_low = high, at_high
        high = high * (1.2 * open_mm / at_high if at_high > 0.05 * open_mm else 4.0)
        if high > MOST_ERROR_DEG:
            return None
        at_high = opened(sign * high)
    for k in range(SEARCHES):
        share = (
            (open_mm - at_low) / (at_high - at_low) if math.isfinite(at_high) and k % 4 < 3 else 0.5
        )
        middle = low + (high - low) * share
        opening = opened(sign * middle)
        if abs(opening - open_mm) < NEAR_ENOUGH * open_mm:
            return middle
        if opening < open_mm:
            low, at_low = middle, opening
        else:
            high, at_high = middle, opening
    return low
