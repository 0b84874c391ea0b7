"""Outlines of the girdle as support functions: the distance of the tangent at each azimuth.

A convex outline is the set of its tangents: h(phi) is the distance from the axis to
the tangent whose normal has azimuth phi, which is just what a girdle facet at that
index position is cut to. (Schneider, "Convex Bodies: The Brunn-Minkowski Theory",
ch. 1.7, for the sums used below.)
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from facetrace.design.heart import Lobe
from facetrace.design.model import Design, Outline

Floats = NDArray[np.float64]

POINTED = ("pear", "marquise")
# index positions nearer than this are the same
SAME = 1e-6
# the facets of a heart take whole positions where they stand so many teeth apart
ROOM = 1.9


@dataclass(frozen=True)
class Segment:
    """What the flanks run down to: a segment along x from (left, y) to (right, y), mm; or a point."""

    left: float
    right: float
    y: float = 0.0

    def support(self, azimuth: float) -> float:
        """Distance of the tangent with that azimuth [rad] from the axis, in mm."""
        along = math.cos(azimuth)
        return (self.right if along > 0 else self.left) * along + self.y * math.sin(azimuth)


POINT = Segment(0.0, 0.0)


@dataclass(frozen=True)
class GirdlePolygon:
    """Girdle facets in order around the gear.

    index: positions on the gear; normal (n, 2); distance (n,) in mm; corners (n, 2),
    corner i lies between facets i and i + 1; ridge: what the flanks of a step cut run
    to where nothing else is asked. Of a heart it is the lobe y >= 0, whose wall y = 0 has corners
    but is no facet; half says so.
    """

    index: tuple[float, ...]
    normal: Floats
    distance: Floats
    corners: Floats
    ridge: Segment = POINT
    half: bool = False

    def support(self, azimuth: float) -> float:
        """Distance of the tangent with that azimuth [rad] from the axis, in mm."""
        return float(np.max(self.corners @ np.array([math.cos(azimuth), math.sin(azimuth)])))

    def shrunk(self, share: float, floor: Segment, turn: float) -> "GirdlePolygon":
        """The outline moved by *share* of the way to *floor*; turn: radians per index position.

        Where the floor is longer than a point it adds sides along x that the polygon lacks.
        """
        index = list(self.index)
        if floor.right > floor.left:
            sides = (math.pi / 2 / turn, 3 * math.pi / 2 / turn)
            index += [s for s in sides if min(abs(i - s) for i in self.index) > SAME]
        index.sort()
        normal = np.array([[math.cos(turn * i), math.sin(turn * i)] for i in index])
        distance = np.array(
            [(1 - share) * self.support(turn * i) + share * floor.support(turn * i) for i in index]
        )
        return GirdlePolygon(tuple(index), normal, distance, corners_of(normal, distance))


@dataclass(frozen=True)
class Layout:
    """Index positions of a brilliant's facets: star i lies between main i and the next main.

    breaks[i]: those that meet in the ridge under star i. In the lobe of a heart the first main stands
    at the point, the last in the cleft.
    """

    mains: tuple[float, ...]
    stars: tuple[float, ...]
    breaks: tuple[tuple[float, ...], ...]


def corners_of(normal: Floats, distance: Floats) -> Floats:
    """Corners of a polygon given by its sides in order, (n, 2)."""
    following = np.roll(normal, -1, axis=0)
    det = normal[:, 0] * following[:, 1] - normal[:, 1] * following[:, 0]
    d2 = np.roll(distance, -1)
    x = (distance * following[:, 1] - d2 * normal[:, 1]) / det
    y = (normal[:, 0] * d2 - following[:, 0] * distance) / det
    return np.column_stack([x, y])


def _lame(normal: Floats, a: float, b: float, fullness: float) -> Floats:
    """Support of Lame's curve |x/a|^p + |y/b|^p = 1; p = 2 is the ellipse."""
    dual = fullness / (fullness - 1.0)
    sums = np.abs(a * normal[:, 0]) ** dual + np.abs(b * normal[:, 1]) ** dual
    return np.asarray(sums ** (1.0 / dual))


def _arcs(normal: Floats, a: float, b: float) -> Floats:
    """Support of two circular arcs through (+-a, 0) and (0, +-b), for normals that they have.

    Their radius is (a^2 + b^2) / (2 b): the centres lie on the y axis.
    """
    radius = (a * a + b * b) / (2 * b)
    return np.asarray(radius - (radius - b) * np.abs(normal[:, 1]))


def _point_teeth(outline: Outline, gear: int) -> float:
    """Half the cone of normals at the point of a pear or marquise, in teeth of the gear."""
    b = outline.width_mm / 2
    a = outline.length_mm - b if outline.shape == "pear" else outline.length_mm / 2
    return math.atan2((a * a - b * b) / (2 * b), a) * gear / (2 * math.pi)


def _place(design: Design, share: float) -> float:
    """Index position after that share of the turn, counted evenly along the curve's normals.

    A point's own normals take no room, save that share 0 (and 1/2 for a marquise) is the
    point. Positions are whole where the gear has teeth enough to keep neighbours apart.
    """
    outline, gear = design.outline, design.gear
    assert outline is not None
    if outline.shape == "heart":
        return _lobe_place(design, share)
    share %= 1.0
    if outline.shape not in POINTED or share == 0:
        return gear * share
    if share > 0.5:
        return gear - _place(design, 1 - share)
    if share > 0.25 and outline.shape == "marquise":
        return gear / 2 - _place(design, 0.5 - share)
    cone = _point_teeth(outline, gear)
    place = cone + (gear / 4 - cone) * 4 * share if share < 0.25 else gear * share
    parts = [design.girdle.facets if design.girdle else 0]
    parts += [2 * part.mains for part in (design.crown, design.pavilion) if part]
    whole = 2 * (gear / 4 - cone) >= max(parts)
    return math.floor(place + 0.5) if whole else place


def _lobe(outline: Outline) -> Lobe:
    half = outline.length_mm / 2
    cleft = half - outline.cleft_percent / 100 * outline.length_mm
    return Lobe(half, half, outline.width_mm / 2, cleft)


def _lobe_place(design: Design, share: float) -> float:
    """Index position after that share of the way from the point around a lobe to the cleft."""
    assert design.outline is not None
    lobe, teeth = _lobe(design.outline), design.gear / (2 * math.pi)
    parts = [design.girdle.facets if design.girdle else 0]
    parts += [2 * part.mains for part in (design.crown, design.pavilion) if part]
    least = (lobe.azimuth(0.2) - lobe.azimuth(1e-9)) / 0.2 * 2 / max(parts) * teeth
    place = lobe.azimuth(share) * teeth
    return math.floor(place + 0.5) if least >= ROOM else place


def layout(design: Design, mains: int) -> Layout:
    """Where the facets of a brilliant stand. Raises ValueError where the gear cannot hold them.

    Two breaks for each ridge; on a rectangle one, over each of its eight sides, with
    mains at the corners.
    """
    outline, gear = design.outline, design.gear
    assert outline is not None
    if outline.shape == "rectangle":
        if mains != 8:
            raise ValueError(f"mains: a brilliant on a rectangle has 8 mains, not {mains}")
        sides = tuple(gear / 8 * ((i + 1) % 8) for i in range(8))
        return Layout(
            tuple(gear / 8 * (i + 0.5) for i in range(8)), sides, tuple((s,) for s in sides)
        )
    if outline.shape == "heart":
        return _lobe_layout(design, mains)
    if outline.shape in POINTED and mains % 4:
        raise ValueError(
            f"mains: a {outline.shape} has mains at its point and across, so their number is "
            f"divisible by 4, not {mains}"
        )
    if outline.shape not in POINTED and gear % (4 * mains):
        fits = [n for n in range(3, 33) if gear % (4 * n) == 0]
        raise ValueError(
            f"mains: {mains} mains with their break facets do not fit a gear of {gear} teeth; "
            + (f"use one of {', '.join(map(str, fits))}" if fits else "use a gear of 96 teeth")
        )

    def at(share: float) -> tuple[float, ...]:
        return tuple(_place(design, (i + share) / mains) for i in range(mains))

    return Layout(at(0), at(0.5), tuple(zip(at(0.25), at(0.75), strict=True)))


def _lobe_layout(design: Design, mains: int) -> Layout:
    if mains % 2 or mains < 8:
        raise ValueError(
            "mains: a heart has one main at its point, one in its cleft, and as many in each lobe, so "
            f"their number is even and at least 8, not {mains}"
        )
    count = mains // 2

    def at(share: float) -> tuple[float, ...]:
        return tuple(_place(design, (i + share) / count) for i in range(count))

    ends = (*at(0), _place(design, 1.0))
    return Layout(ends, at(0.5), tuple(zip(at(0.25), at(0.75), strict=True)))


def girdle_positions(gear: int, facets: int) -> list[float]:
    """Index positions of evenly spaced girdle facets, with corners at the ends where possible."""
    if gear % facets:
        fits = [n for n in range(4, 129) if gear % n == 0]
        raise ValueError(
            f"{facets} girdle facets do not fit a gear of {gear} teeth; "
            f"use one of {', '.join(map(str, fits))}"
        )
    step = gear // facets
    start = step / 2 if step % 2 == 0 else 0.0
    return [start + step * i for i in range(facets)]


def _pointed_positions(design: Design, facets: int) -> list[float]:
    if facets % 4:
        assert design.outline is not None
        raise ValueError(
            f"a {design.outline.shape} needs a number of girdle facets divisible by 4, not {facets}"
        )
    return [_place(design, (i + 0.5) / facets) for i in range(facets)]


def girdle_polygon(design: Design) -> GirdlePolygon:
    """The girdle facets of a design in short form. Raises ValueError where the gear cannot hold them."""
    outline, girdle = design.outline, design.girdle
    assert outline is not None
    assert girdle is not None
    if outline.shape == "rectangle":
        return _rectangle(outline, design.gear)
    if outline.shape == "heart":
        return _heart(design, girdle.facets)
    if outline.shape in POINTED:
        index = _pointed_positions(design, girdle.facets)
    else:
        index = girdle_positions(design.gear, girdle.facets)
    normal, distance, corners = _sized(outline.model_dump_json(), design.gear, tuple(index))
    return GirdlePolygon(tuple(index), normal, distance, corners)


# the candidates of a sweep mostly share it
@lru_cache(maxsize=64)
def _sized(outline_json: str, gear: int, index: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Normals, distances and corners of the girdle facets on a smooth curve; see ``GirdlePolygon``."""
    outline = Outline.model_validate_json(outline_json)
    turn = 2 * math.pi / gear
    normal = np.array([[math.cos(turn * i), math.sin(turn * i)] for i in index])
    # reach of the curve towards +x, -x and +-y
    half = outline.width_mm / 2
    behind = half if outline.shape == "pear" else outline.length_mm / 2
    asked = np.array([outline.length_mm - behind, behind, half])
    reach = asked.copy()
    # a caliper touches corners or flats; scale so that it reads the size that was asked for
    for _ in range(60):
        distance = _curve(outline, normal, *reach)
        corners = corners_of(normal, distance)
        high, low = corners.max(axis=0), corners.min(axis=0)
        found = np.array([high[0], -low[0], (high[1] - low[1]) / 2])
        if outline.shape != "pear":
            found[:2] = found[:2].mean()
        reach *= asked / found
    return _unchanging(normal, distance, corners)


def _heart(design: Design, facets: int) -> GirdlePolygon:
    """The lobe y >= 0 of a heart, corners on its wall included."""
    if facets % 2 or facets < 8:
        raise ValueError(f"a heart needs an even number of girdle facets, at least 8, not {facets}")
    assert design.outline is not None
    count = facets // 2
    index = [_place(design, (i + 0.5) / count) for i in range(count)]
    normal, distance, corners = _sized_lobe(
        design.outline.model_dump_json(), design.gear, tuple(index)
    )
    return GirdlePolygon(tuple(index), normal[:-1], distance[:-1], corners, half=True)


@lru_cache(maxsize=64)
def _sized_lobe(
    outline_json: str, gear: int, index: tuple[float, ...]
) -> tuple[Floats, Floats, Floats]:
    """As ``_sized`` of a lobe, its wall last."""
    outline = Outline.model_validate_json(outline_json)
    turn = 2 * math.pi / gear
    normal = np.array([[math.cos(turn * i), math.sin(turn * i)] for i in index] + [[0.0, -1.0]])
    lobe = _lobe(outline)
    asked = np.array([lobe.point, lobe.head, lobe.side])
    reach = asked.copy()
    for _ in range(200):
        point, head, side = (float(r) for r in reach)
        distance = np.append(Lobe(point, head, side, lobe.cleft).support(normal[:-1]), 0.0)
        # the last flat is no tangent: it ends in the cleft
        distance[-2] = -lobe.cleft * normal[-2, 0]
        corners = corners_of(normal, distance)
        high, low = corners.max(axis=0), corners.min(axis=0)
        reach *= asked / np.array([high[0], -low[0], high[1]])
    return _unchanging(normal, distance, corners)


def _unchanging(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats, Floats]:
    for array in (a, b, c):
        array.flags.writeable = False
    return a, b, c


def _curve(outline: Outline, normal: Floats, ahead: float, behind: float, b: float) -> Floats:
    """Support of the smooth outline at the normals of the girdle facets, mm."""
    if outline.shape == "marquise":
        return _arcs(normal, ahead, b)
    if outline.shape == "pear":
        return np.where(normal[:, 0] > 0, _arcs(normal, ahead, b), _lame(normal, behind, b, 2.0))
    return _lame(normal, ahead, b, outline.fullness if outline.shape == "cushion" else 2.0)


def _rectangle(outline: Outline, gear: int) -> GirdlePolygon:
    if gear % 8:
        raise ValueError(
            f"a rectangle with cut corners needs a gear divisible by 8, not {gear} teeth; "
            "use 64, 80, 96 or 120"
        )
    index = [gear / 8 * i for i in range(8)]
    normal = np.array([[math.cos(math.pi / 4 * i), math.sin(math.pi / 4 * i)] for i in range(8)])
    a, b = outline.length_mm / 2, outline.width_mm / 2
    corner = (a + b - outline.corner_percent / 100 * outline.width_mm) / math.sqrt(2)
    distance = np.array([a, corner, b, corner, a, corner, b, corner])
    return GirdlePolygon(
        tuple(index), normal, distance, corners_of(normal, distance), Segment(b - a, a - b)
    )
