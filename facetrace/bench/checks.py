"""What a calliper reads after a step."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facetrace.bench.partial import BLANK, ON_CORNER, VERTICAL, facet_corners, slope_and_across
from facetrace.solid.build import Facet
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Floats, Solid


@dataclass(frozen=True)
class Checks:
    """What a calliper reads after a step, mm, None for what does not exist yet; carats left.

    depth_mm: of the whole stone so far; culet_mm, crown_mm: lowest and highest point from the
    girdle plane, keel_mm: length of the keel; table_*: of the finished table; flat_*: of what is left of
    the blank's face on the side being cut; facet_*: the tier's largest facet, up its slope and across.
    """

    length_mm: float
    width_mm: float
    depth_mm: float
    girdle_min_mm: float | None
    girdle_mean_mm: float | None
    culet_mm: float | None
    keel_mm: float | None
    crown_mm: float | None
    table_length_mm: float | None
    table_width_mm: float | None
    flat_length_mm: float | None
    flat_width_mm: float | None
    facet_slope_mm: float | None
    facet_across_mm: float | None
    carats: float


def checks_of(
    after: Solid, own: Sequence[Facet], side: str, begun: set[str], density: float
) -> Checks:
    """What is measured on a stone after a step of that side; begun: sides that have been cut at."""
    sizes = measure(after, density)
    low, high = after.vertices[:, 2].min(), after.vertices[:, 2].max()
    both = {"crown", "pavilion"} <= begun
    bottom, top = (facet_corners(after, f"{BLANK}{face}") for face in ("bottom", "top"))
    keel = after.vertices[after.vertices[:, 2] < low + ON_CORNER]
    keel_mm = float(np.ptp(keel, axis=0)[:2].max())
    level = [f for f in own if abs(f.normal[2]) > 1 - VERTICAL and f.normal[2] > 0]
    table = facet_corners(after, level[0].name) if level else None
    left = top if side == "crown" else bottom if side == "pavilion" else None
    largest = _largest(after, own)
    return Checks(
        sizes.length_mm, sizes.width_mm, sizes.depth_mm,
        sizes.girdle_min_mm if both else None, sizes.girdle_mean_mm if both else None,
        float(-low) if bottom is None else None,
        keel_mm if bottom is None and keel_mm > ON_CORNER else None,
        float(high) if top is None else None,
        *_extent(table), *_extent(left), *largest,
        sizes.carats,
    )  # fmt: skip


def _extent(points: Floats | None) -> tuple[float | None, float | None]:
    """Extents along the length (x) and across (y), mm."""
    if points is None:
        return None, None
    size = np.ptp(points, axis=0)
    return float(size[0]), float(size[1])


def _largest(after: Solid, own: Sequence[Facet]) -> tuple[float | None, float | None]:
    names = {f.name for f in own}
    extents = [
        (area, slope_and_across(normal, after.vertices[polygon]))
        for name, normal, polygon, area in zip(
            after.names, after.normals, after.polygons, after.areas, strict=True
        )
        if name in names
    ]
    return max(extents)[1] if extents else (None, None)
