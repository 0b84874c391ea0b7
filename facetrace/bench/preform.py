"""The blank that is ground before the first facet."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facetrace.bench.partial import BLANK, ON_CORNER, VERTICAL
from facetrace.solid.build import Facet, solid_of
from facetrace.solid.measure import carats_at
from facetrace.solid.polyhedron import Solid

# common practice, no source: what is left to grind all round
ALLOWANCE_MM = 0.3
# a template is read at so many index positions or fewer
TEMPLATE = 32


@dataclass(frozen=True)
class Preform:
    """The blank to grind before the first facet, mm: a prism over the girdle's outline.

    crown_mm, pavilion_mm: its faces from the girdle plane; radii: (index position, axis to its side).
    """

    solid: Solid
    allowance_mm: float
    length_mm: float
    width_mm: float
    height_mm: float
    crown_mm: float
    pavilion_mm: float
    carats: float
    radii: tuple[tuple[float, float], ...]


def blank_of(
    solid: Solid, walls: Sequence[Facet], allowance: float, gear: int
) -> list[Facet]:  # fmt: skip
    """Sides of a prism *allowance* mm outside the stone, and its two faces."""
    facets = []
    lobes = [w.lobe for w in walls] or [None]
    for lobe, part in zip(lobes, solid.parts, strict=True):
        rim = part.silhouette(np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
        ahead = np.roll(rim, -1, axis=0) - rim
        sides = np.column_stack([ahead[:, 1], -ahead[:, 0]])
        sides /= np.linalg.norm(sides, axis=1, keepdims=True)
        for (x, y), reach in zip(sides, (sides * rim).sum(axis=1), strict=True):
            if lobe and abs(reach) < ON_CORNER and abs(x) < ON_CORNER:
                continue
            index = math.atan2(y, x) * gear / (2 * math.pi) % gear
            normal = (float(x), float(y), 0.0)
            facets.append(
                Facet(f"{BLANK}side", index, 90.0, normal, float(reach) + allowance, lobe)
            )
    low, high = solid.vertices[:, 2].min(), solid.vertices[:, 2].max()
    facets.append(Facet(f"{BLANK}top", 0.0, 0.0, (0.0, 0.0, 1.0), float(high) + allowance))
    facets.append(Facet(f"{BLANK}bottom", 0.0, 0.0, (0.0, 0.0, -1.0), float(allowance - low)))
    return facets


def preform_of(
    solid: Solid, facets: Sequence[Facet], allowance: float, density: float, gear: int
) -> Preform:
    """Sizes of the blank that those facets bound, and its template; density [g/cm3]."""
    blank = solid_of(facets)
    low, high = blank.vertices.min(axis=0), blank.vertices.max(axis=0)
    size = high - low
    across = int(np.argmin((solid.vertices.max(axis=0) - solid.vertices.min(axis=0))[:2]))
    if len(solid.parts) > 1:
        across = 1
    each = next(k for k in range(1, gear + 1) if gear % k == 0 and gear // k <= TEMPLATE)
    places = [float(i) for i in range(0, gear, each)]
    return Preform(
        blank, allowance, float(size[1 - across]), float(size[across]), float(size[2]),
        float(high[2]), float(-low[2]), carats_at(blank.volume, density),
        tuple((i, _radius(facets, 2 * math.pi * i / gear)) for i in places),
    )  # fmt: skip


def _radius(facets: Sequence[Facet], azimuth: float) -> float:
    """From the axis to the side of the blank, mm."""
    ray = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
    lobe = "left" if ray[1] >= -VERTICAL else "right"
    sides = [f for f in facets if f.tier == f"{BLANK}side" and f.lobe in (None, lobe)]
    reach = [f.distance / (ray @ f.normal) for f in sides if ray @ f.normal > VERTICAL]
    return float(min(reach))
