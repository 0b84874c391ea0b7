"""Outlines of the girdle as support functions: the distance of the tangent at each azimuth.

A convex outline is the set of its tangents: h(phi) is the distance from the axis to
the tangent whose normal has azimuth phi, which is just what a girdle facet at that
index position is cut to. (Schneider, "Convex Bodies: The Brunn-Minkowski Theory",
ch. 1.7, for the sums used below.)
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.design.model import Design, Outline

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class GirdlePolygon:
    """Girdle facets in order around the gear.

    index: positions on the gear; normal (n, 2); distance (n,) in mm; corners (n, 2),
    corner i lies between facets i and i + 1; keel: half length of the segment on x
    that the flanks of a step cut run down to, in mm.
    """

    index: tuple[float, ...]
    normal: Floats
    distance: Floats
    corners: Floats
    keel: float

    def support(self, azimuth: float) -> float:
        """Distance of the tangent with that azimuth [rad] from the axis, in mm."""
        return float(np.max(self.corners @ np.array([math.cos(azimuth), math.sin(azimuth)])))

    def keel_support(self, azimuth: float) -> float:
        """The same for the keel."""
        return self.keel * abs(math.cos(azimuth))


def corners_of(normal: Floats, distance: Floats) -> Floats:
    """Corners of a polygon given by its sides in order, (n, 2)."""
    following = np.roll(normal, -1, axis=0)
    det = normal[:, 0] * following[:, 1] - normal[:, 1] * following[:, 0]
    d2 = np.roll(distance, -1)
    x = (distance * following[:, 1] - d2 * normal[:, 1]) / det
    y = (normal[:, 0] * d2 - following[:, 0] * distance) / det
    return np.column_stack([x, y])


def _smooth_support(normal: Floats, a: float, b: float, fullness: float) -> Floats:
    """Support of Lame's curve |x/a|^p + |y/b|^p = 1; p = 2 is the ellipse."""
    dual = fullness / (fullness - 1.0)
    sums = np.abs(a * normal[:, 0]) ** dual + np.abs(b * normal[:, 1]) ** dual
    return np.asarray(sums ** (1.0 / dual))


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


def girdle_polygon(design: Design) -> GirdlePolygon:
    """The girdle facets of a design in short form. Raises ValueError where the gear cannot hold them."""
    outline, girdle = design.outline, design.girdle
    assert outline is not None
    assert girdle is not None
    if outline.shape == "rectangle":
        return _rectangle(outline, design.gear)
    index = girdle_positions(design.gear, girdle.facets)
    turn = 2 * math.pi / design.gear
    normal = np.array([[math.cos(turn * i), math.sin(turn * i)] for i in index])
    fullness = outline.fullness if outline.shape == "cushion" else 2.0
    a, b = outline.length_mm / 2, outline.width_mm / 2
    # a caliper touches corners or flats; scale so that it reads the size that was asked for
    for _ in range(60):
        distance = _smooth_support(normal, a, b, fullness)
        extent = np.abs(corners_of(normal, distance)).max(axis=0)
        a *= outline.length_mm / 2 / extent[0]
        b *= outline.width_mm / 2 / extent[1]
    return GirdlePolygon(tuple(index), normal, distance, corners_of(normal, distance), 0.0)


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
    return GirdlePolygon(tuple(index), normal, distance, corners_of(normal, distance), a - b)
