"""Measures of a solid that a cutter or a buyer asks for."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from facetrace.solid.lobes import TwoLobes
from facetrace.solid.polyhedron import Floats, Solid

GRAMS_PER_CARAT = 0.2
# corners nearer than this share of the width are one meet that missed
NEAR_MEET = 0.01
VERTICAL = 1e-9
SAME_PLACE = 1e-6


@dataclass(frozen=True)
class SolidMeasures:
    """Sizes in mm, weight in carats, percentages of the width.

    The width is the shorter side of the outline, the length the longer; of a heart the length is
    that from its point to its cleft. girdle_*: height of
    the vertical facets around the stone. meet_error_mm: the widest gap among corners
    that lie so near together that one meeting point was meant.
    """

    volume_mm3: float
    carats: float
    length_mm: float
    width_mm: float
    depth_mm: float
    depth_percent: float
    table_percent: float
    crown_height_mm: float
    pavilion_depth_mm: float
    girdle_min_mm: float
    girdle_mean_mm: float
    girdle_max_mm: float
    facets: int
    vertices: int
    meet_error_mm: float


def carats_at(mm3: float, density: float) -> float:
    """Carats of a volume at a density in g/cm^3: 1 ct = 0.2 g, the metric carat of 1907."""
    return mm3 * density * 1e-3 / GRAMS_PER_CARAT


def measure(solid: Solid, density: float) -> SolidMeasures:
    """All measures of a solid whose material has that density in g/cm^3.

    1 ct = 0.2 g, so carats = mm^3 x g/cm^3 x 0.005 (the metric carat of 1907).
    """
    low, high = solid.vertices.min(axis=0), solid.vertices.max(axis=0)
    size = high - low
    thickness, top, bottom = _girdle(solid)
    # a heart's length runs from its point to its cleft, though it may be the shorter side
    across = 1 if isinstance(solid, TwoLobes) else int(np.argmin(size[:2]))
    width = float(size[across])
    return SolidMeasures(
        volume_mm3=solid.volume,
        carats=carats_at(solid.volume, density),
        length_mm=float(size[1 - across]),
        width_mm=width,
        depth_mm=float(size[2]),
        depth_percent=float(100 * size[2] / width),
        table_percent=100 * _table_width(solid, across) / width,
        crown_height_mm=float(high[2] - top),
        pavilion_depth_mm=float(bottom - low[2]),
        girdle_min_mm=float(thickness[0]),
        girdle_mean_mm=float(thickness[1]),
        girdle_max_mm=float(thickness[2]),
        # the wall of a heart divides facets, but makes no more of them
        facets=len(set(solid.names)),
        vertices=len(solid.vertices),
        meet_error_mm=_meet_error(solid, NEAR_MEET * width),
    )


def _table_width(solid: Solid, across: int) -> float:
    """Extent of the table (the facet that faces straight up) across the stone, 0 without one."""
    parts = [
        solid.vertices[polygon]
        for normal, polygon in zip(solid.normals, solid.polygons, strict=True)
        if normal[2] > 1 - VERTICAL
    ]
    return float(np.ptp(np.vstack(parts)[:, across])) if parts else 0.0


def _girdle(solid: Solid) -> tuple[tuple[float, float, float], float, float]:
    """((least, mean, most) height of the vertical facets, highest and lowest z of the girdle)."""
    upright = np.flatnonzero(np.abs(solid.normals[:, 2]) <= VERTICAL)
    if not len(upright):
        middle = _widest_level(solid)
        return (0.0, 0.0, 0.0), middle, middle
    by_size: dict[int, list[int]] = {}
    for k in upright:
        by_size.setdefault(len(solid.polygons[k]), []).append(int(k))
    heights, levels, run = [], [], 0.0
    for like in by_size.values():
        points = solid.vertices[np.array([solid.polygons[k] for k in like])]
        nx, ny, _ = solid.normals[like].T[:, :, None]
        along, z = nx * points[..., 1] - ny * points[..., 0], points[..., 2]
        heights.append(_heights(along, z).ravel())
        levels.append(z.ravel())
        run += float(np.ptp(along, axis=1).sum())
    all_heights, z = np.concatenate(heights), np.concatenate(levels)
    mean = float(solid.areas[upright].sum()) / run
    return (
        (float(all_heights.min()), mean, float(all_heights.max())), float(z.max()), float(z.min())
    )  # fmt: skip


def _widest_level(solid: Solid) -> float:
    """z of the corner farthest from the axis: the knife edge of a stone without girdle facets."""
    return float(solid.vertices[np.argmax(np.linalg.norm(solid.vertices[:, :2], axis=1)), 2])


def _heights(along: Floats, z: Floats) -> Floats:
    """Vertical extent (n, k) of convex polygons at each of their corners (n, k), along the facet and up."""
    following_along, following_z = np.roll(along, -1, axis=1), np.roll(z, -1, axis=1)
    # at each place (down) each corner and each side (across) that it meets, NaN where it does not
    off = along[:, None, :] - along[:, :, None]
    following_off = following_along[:, None, :] - along[:, :, None]
    corner = np.where(np.abs(off) < SAME_PLACE, z[:, None, :], np.nan)
    crosses = (off * following_off < 0) & (
        np.minimum(np.abs(off), np.abs(following_off)) > SAME_PLACE
    )
    part = -off / np.where(crosses, (following_along - along)[:, None, :], np.inf)
    side = np.where(crosses, z[:, None, :] + (following_z - z)[:, None, :] * part, np.nan)
    levels = np.concatenate([corner, side], axis=2)
    return np.asarray(np.nanmax(levels, axis=2) - np.nanmin(levels, axis=2))


def _meet_error(solid: Solid, near: float) -> float:
    """Widest gap among corners nearer than *near*, the height of a thin girdle left aside."""
    girdle = np.zeros(len(solid.vertices), dtype=bool)
    for normal, polygon in zip(solid.normals, solid.polygons, strict=True):
        if abs(normal[2]) < VERTICAL:
            girdle[polygon] = True
    a, b = cKDTree(solid.vertices).query_pairs(near, output_type="ndarray").T
    steps = solid.vertices[a] - solid.vertices[b]
    upright = np.linalg.norm(steps[:, :2], axis=1) < 0.1 * np.abs(steps[:, 2])
    close = np.linalg.norm(steps[~(upright & girdle[a] & girdle[b])], axis=1)
    return float(close.max()) if close.size else 0.0
