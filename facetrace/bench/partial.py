"""A stone that is partly cut: what is left of its blank, its facets, how a facet lies."""

import math

import numpy as np

from facetrace.solid.polyhedron import Floats, Solid

# of the blank's facets; no tier's name may hold @
BLANK = "blank@"
VERTICAL = 1e-9
# a plane passes through a corner where it is nearer than this, mm; or nearly, as the eye sees it
ON_CORNER, NEAR_CORNER = 1e-6, 0.01


def by_rank(names: frozenset[str], solid: Solid) -> tuple[str, ...]:
    """Names in the order in which they were cut."""
    return tuple(dict.fromkeys(n for n in solid.names if n in names))


def facet_corners(solid: Solid, name: str) -> Floats | None:
    """Corners (k, 3) of a facet, of both lobes where a wall divides it; None where it is not there."""
    parts = [p for n, p in zip(solid.names, solid.polygons, strict=True) if n == name]
    return np.asarray(solid.vertices[np.unique(np.concatenate(parts))]) if parts else None


def slope_and_across(normal: Floats, points: Floats) -> tuple[float, float]:
    """Extent of a facet up its slope and across, mm."""
    flat = math.hypot(normal[0], normal[1])
    across = (
        np.array([-normal[1], normal[0], 0.0]) / flat
        if flat > VERTICAL
        else np.array([0.0, 1.0, 0.0])
    )
    up = np.cross(normal, across)
    return float(np.ptp(points @ up)), float(np.ptp(points @ across))
