"""The girdle of a stone apart from its crown and pavilion: smooth blanks and flats cut into them."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.design.model import Design
from facetrace.design.outline import girdle_polygon
from facetrace.solid.build import build_solid
from facetrace.solid.lobes import TwoLobes
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid, SolidError

Floats = NDArray[np.float64]

GIRDLE = "girdle"
VERTICAL = 1e-9
# so many flats at most stand for a smooth outline; they leave the curve by 1e-4 of the radius
MOST_FLATS = 256
MOST_TEETH = 1000
# corners of a girdle in tiers may leave an ellipse by that share and still be meant as one
ELLIPSE = 0.03
# outlines turn more than this where a point or a corner is meant, degrees
CORNER_DEG = 10.0
THICKNESS_STEPS = 12


@dataclass(frozen=True)
class Blank:
    """Crown and pavilion as designed, and the smooth outline that the girdle's flats are cut into.

    names, normals (n, 3), offsets (n,): all facets but the vertical ones, mm; outline (m, 2):
    corners of the smooth outline, counter-clockwise.
    """

    names: tuple[str, ...]
    normals: Floats
    offsets: Floats
    outline: Floats

    def stone(self, corners: Floats, lift: float = 0.0) -> Solid:
        """The stone with these corners (k, 2) of its girdle, crown and pavilion *lift* mm farther apart.

        Raises SolidError where nothing closed is left.
        """
        ahead = np.roll(corners, -1, axis=0) - corners
        sides = np.column_stack([ahead[:, 1], -ahead[:, 0], np.zeros(len(corners))])
        sides /= np.linalg.norm(sides, axis=1, keepdims=True)
        reach = (sides[:, :2] * corners).sum(axis=1)
        offsets = self.offsets + np.abs(self.normals[:, 2]) * lift / 2
        names = [*self.names, *(f"{GIRDLE} {i + 1}" for i in range(len(corners)))]
        return Solid.from_planes(
            np.vstack([self.normals, sides]), np.concatenate([offsets, reach]), names
        )


def blank_of(design: Design) -> Blank:
    """The blank of a design: a smooth girdle of the design's length and width.

    Raises DesignError where the design builds no stone, FacetraceError where it is a heart, or in
    tiers and its girdle no ellipse.
    """
    solid = build_solid(design)
    if isinstance(solid, TwoLobes):
        raise FacetraceError(
            "the girdle of a heart cannot be compared: its blank is not convex; use another outline"
        )
    kept = np.abs(solid.normals[:, 2]) > VERTICAL
    return Blank(
        tuple(n for n, keep in zip(solid.names, kept, strict=True) if keep),
        solid.normals[kept], solid.offsets[kept], _smooth(design, solid, ~kept),
    )  # fmt: skip


def _smooth(design: Design, solid: Solid, vertical: NDArray[np.bool_]) -> Floats:
    if design.outline and design.girdle:
        gear, facets = _fine(design.gear)
        girdle = design.girdle.model_copy(update={"facets": facets})
        return girdle_polygon(design.model_copy(update={"gear": gear, "girdle": girdle})).corners
    places = [p for p, v in zip(solid.polygons, vertical, strict=True) if v]
    if len(places) < 3:
        raise FacetraceError("the stone has no girdle facets; its girdle cannot be compared")
    rim = solid.vertices[np.unique(np.concatenate(places))][:, :2]
    middle, half = (rim.max(axis=0) + rim.min(axis=0)) / 2, np.ptp(rim, axis=0) / 2
    off = np.linalg.norm((rim - middle) / half, axis=1) - 1
    if np.abs(off).max() > ELLIPSE:
        raise FacetraceError(
            "the girdle of these tiers is neither round nor oval; give the design an [outline], so "
            "that its smooth outline is known"
        )
    turn = (np.arange(MOST_FLATS) + 0.5) * (2 * math.pi / MOST_FLATS)
    return np.asarray(middle + half * np.column_stack([np.cos(turn), np.sin(turn)]))


def _fine(gear: int) -> tuple[int, int]:
    """A multiple of the gear, and the most flats (divisible by 4) that it holds."""
    found = [
        (flats, gear * k)
        for k in range(1, MOST_TEETH // gear + 1)
        for flats in range(4, MOST_FLATS + 1, 4)
        if (gear * k) % flats == 0
    ]
    flats, teeth = max(found, default=(gear, gear))
    return teeth, flats


def flats_in(outline: Floats, count: int) -> Floats:
    """Corners (k, 2) of about *count* flats of equal length with their corners on the outline.

    Points and corners of the outline stay; a straight side is one flat. k may differ from
    *count* by the rounding of each part between two points.
    """
    ahead = np.roll(outline, -1, axis=0) - outline
    length = np.linalg.norm(ahead, axis=1)
    along = ahead / length[:, None]
    before = np.roll(along, 1, axis=0)
    turn = np.degrees(np.arctan2(
        before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0], (before * along).sum(axis=1)
    ))  # fmt: skip
    sharp = np.flatnonzero(turn > CORNER_DEG)
    starts = sharp if len(sharp) else np.array([0])
    corners = []
    for start, end in zip(starts, [*starts[1:], starts[0] + len(outline)], strict=True):
        part = np.arange(start, end + 1) % len(outline)
        if len(part) == 2:
            corners.append(outline[part[:1]])
            continue
        reach = np.concatenate([[0.0], np.cumsum(length[part[:-1]])])
        pieces = max(1, round(count * reach[-1] / length.sum()))
        places = reach[-1] * np.arange(pieces) / pieces
        corners.append(
            np.column_stack([np.interp(places, reach, outline[part][:, k]) for k in (0, 1)])
        )
    found = np.vstack(corners)
    # neighbours that fell on one side of the outline are one flat
    before, ahead = found - np.roll(found, 1, axis=0), np.roll(found, -1, axis=0) - found
    bend = before[:, 0] * ahead[:, 1] - before[:, 1] * ahead[:, 0]
    return np.asarray(found[bend > VERTICAL])


def lift_for(blank: Blank, thickness_mm: float) -> float:
    """How far crown and pavilion move apart so that the smooth girdle's mean height is *thickness_mm*.

    Raises FacetraceError where crown and pavilion then no longer meet the outline.
    """

    def mean(lift: float) -> float:
        return measure(blank.stone(blank.outline, lift), 1.0).girdle_mean_mm

    try:
        lift, found = 0.0, mean(0.0)
        for _ in range(THICKNESS_STEPS):
            if abs(found - thickness_mm) < 1e-6:
                return lift
            # the mean grows as the lift does, but where the girdle thins to an edge
            lift += thickness_mm - found
            found = mean(lift)
    except SolidError:
        pass
    if abs(found - thickness_mm) < 1e-3:
        return lift
    raise FacetraceError(
        f"a girdle of {thickness_mm:g} mm: crown and pavilion leave none that thin; choose a thicker one"
    )
