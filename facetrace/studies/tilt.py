"""Tilt tolerance: how far a stone may be tilted before it windows.

The cut alone is asked: no colour, one wavelength, so that nothing hides a window. The window is
the share of light that comes from below the girdle plane (``trace.faceup``), and does not depend on the
light. It opens where the ray refracted at the table meets a flank below the critical angle:
sin t = n sin(P - C) for a flat table over flanks at P, total reflection at C.
"""

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from facetrace.optics.lights import Light
from facetrace.solid.polyhedron import Floats, Solid
from facetrace.trace.faceup import Estimate, share_of
from facetrace.trace.paired import aligned
from facetrace.trace.run import ROULETTE_SHARE, trace_all
from facetrace.trace.scene import Medium, Scene, View, direction, scene_of, seen_otherwise

LINE_NM = 589.3
STEP_DEG = 5.0
MOST_DEG = 30.0
AZIMUTHS = (0.0, 90.0, 180.0, 270.0)
POINTS = 16
# the last bracket is 5 / 2^4 degrees wide; the slope that makes an error of degrees out of one of the
# window is taken over 5 / 2^2, where it is not lost in noise
HALVINGS = 4
SLOPE_HALVINGS = 2
SAME = 1e-6
# what a window sees does not depend on the light; this one needs no integral over a head
LIGHT = Light("uniform", 1.0, 0.0, 1.0)


# (tilt, azimuth) of a view, degrees
Tilted = tuple[float, float]


@dataclass(frozen=True)
class TiltTolerance:
    """The least tilt, along the length and the width, at which the window exceeds the share asked for.

    tilt: degrees of the eye off the table's normal, None where it never does up to 30;
    azimuth: towards which it does so first; face_up: the window of the clear stone, untilted.
    """

    tilt: Estimate | None
    azimuth: float | None
    face_up: Estimate


def tilt_tolerance(
    solid: Solid, clear: Medium, axis: tuple[float, float], share: float, seed: int,
    points: int = POINTS,
) -> TiltTolerance:  # fmt: skip
    """Search by 5 degrees, then halve. *clear*: the stone without colour at one wavelength.

    *share* of all light (0 to 1); *points* of each of 128 sets for one tilt.
    """
    return tilt_tolerances([(solid, axis)], clear, share, seed, points)[0]


def tilt_tolerances(
    stones: Sequence[tuple[Solid, tuple[float, float]]], clear: Medium, share: float, seed: int,
    points: int = POINTS,
) -> list[TiltTolerance]:  # fmt: skip
    """``tilt_tolerance`` of each (solid, axis): all searches go step by step together, so that their views are traced at once."""
    searches = [_search(distinct_azimuths(*stone), share) for stone in stones]
    upright = [scene_of(solid, clear, axis, LIGHT, View()) for solid, axis in stones]
    found: dict[int, TiltTolerance] = {}
    wanted = {k: next(search) for k, search in enumerate(searches)}
    while wanted:
        scenes = [
            _tilted(upright[k], stones[k][0], view) for k, views in wanted.items() for view in views
        ]
        traced = iter(trace_all(scenes, points, seed, ROULETTE_SHARE))
        asked, wanted = wanted, {}
        for k, views in asked.items():
            windows = [share_of(next(traced), "window") for _ in views]
            try:
                wanted[k] = searches[k].send(windows)
            except StopIteration as done:
                found[k] = done.value
    return [found[k] for k in range(len(stones))]


def _tilted(scene: Scene, solid: Solid, view: Tilted) -> Scene:
    tilt, azimuth = view
    return aligned(seen_otherwise(scene, solid, LIGHT, View(eye_tilt=tilt, eye_azimuth=azimuth)))


def _search(
    azimuths: Sequence[float], share: float
) -> Generator[list[Tilted], list[Estimate], TiltTolerance]:
    """One stone's search: gives the views that it wants next, and is sent their windows."""
    (level,) = yield [(0.0, 0.0)]
    if level.value > share:
        return TiltTolerance(Estimate(0.0, 0.0), 0.0, level)
    before = dict.fromkeys(azimuths, level)
    for step in range(1, round(MOST_DEG / STEP_DEG) + 1):
        tilt = step * STEP_DEG
        windows = yield [(tilt, azimuth) for azimuth in azimuths]
        now = dict(zip(azimuths, windows, strict=True))
        opened = [a for a in azimuths if now[a].value > share]
        if opened:
            brackets = [_Bracket(tilt - STEP_DEG, tilt, before[a], now[a]) for a in opened]
            for halving in range(HALVINGS):
                if halving == SLOPE_HALVINGS:
                    brackets = [b.with_slope() for b in brackets]
                middles = yield [(b.middle, a) for b, a in zip(brackets, opened, strict=True)]
                brackets = [b.halved(m, share) for b, m in zip(brackets, middles, strict=True)]
            crossings = dict(zip(opened, (b.crossing(share) for b in brackets), strict=True))
            worst = min(opened, key=lambda a: crossings[a].value)
            return TiltTolerance(crossings[worst], worst, level)
        before = now
    return TiltTolerance(None, None, level)


@dataclass(frozen=True)
class _Bracket:
    """Tilts between which the window exceeds the share: at *low* it is *shut*, at *high* *opened*; slope: of the window, per degree."""

    low: float
    high: float
    shut: Estimate
    opened: Estimate
    slope: float = math.inf

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2

    def with_slope(self) -> "_Bracket":
        slope = (self.opened.value - self.shut.value) / (self.high - self.low)
        return replace(self, slope=slope)

    def halved(self, there: Estimate, share: float) -> "_Bracket":
        """The half that holds the crossing, *there* being the window at the middle."""
        if there.value > share:
            return replace(self, high=self.middle, opened=there)
        return replace(self, low=self.middle, shut=there)

    def crossing(self, share: float) -> Estimate:
        """The tilt at which the window is that share, by a straight line."""
        shut, opened = self.shut, self.opened
        part = (share - shut.value) / (opened.value - shut.value)
        at = self.low + (self.high - self.low) * part
        return Estimate(at, max(shut.stderr, opened.stderr) / self.slope, min(shut.dof, opened.dof))


def distinct_azimuths(solid: Solid, axis: tuple[float, float]) -> tuple[float, ...]:
    """Of 0, 90, 180 and 270 degrees those that no symmetry of solid and c-axis takes to one another."""
    planes = np.column_stack([solid.normals, solid.offsets])
    tree = cKDTree(planes)
    c = direction(*axis)
    kept: list[float] = []
    square = _square()
    moved = np.vstack([np.column_stack([planes[:, :3] @ m.T, planes[:, 3]]) for m in square])
    gaps = tree.query(moved)[0].reshape(len(square), -1).max(axis=1)
    # every facet to a facet, and the optic axis to itself
    same = [
        m for m, gap in zip(square, gaps, strict=True)
        if gap < SAME and abs(abs(float(c @ m @ c)) - 1) < SAME
    ]  # fmt: skip
    for azimuth in AZIMUTHS:
        here = direction(90.0, azimuth)
        if not any(
            np.allclose(m @ direction(90.0, other), here, atol=SAME) for m in same for other in kept
        ):
            kept.append(azimuth)
    return tuple(kept)


def _square() -> list[Floats]:
    """The symmetries of a square about z, but for the identity."""
    turn = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    mirror = np.diag([1.0, -1.0, 1.0])
    turns = [np.linalg.matrix_power(turn, k) for k in range(4)]
    return [*turns[1:], *(t @ mirror for t in turns)]
