"""Tilt tolerance: how far a stone may be tilted before it windows.

The cut alone is asked: no colour, one wavelength, so that nothing hides a window. The window is
the share of light that comes from below the girdle plane (``trace.faceup``), and does not depend on the
light. It opens where the ray refracted at the table meets a flank below the critical angle:
sin t = n sin(P - C) for a flat table over flanks at P, total reflection at C.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from facetrace.optics.lights import Light
from facetrace.solid.polyhedron import Floats, Solid
from facetrace.trace.faceup import Estimate, face_up
from facetrace.trace.paired import aligned
from facetrace.trace.run import ROULETTE_SHARE, trace_sums
from facetrace.trace.scene import Medium, View, direction, scene_of

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


WindowAt = Callable[[float, float], Estimate]


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

    def window(tilt: float, azimuth: float) -> Estimate:
        view = View(eye_tilt=tilt, eye_azimuth=azimuth)
        scene = aligned(scene_of(solid, clear, axis, LIGHT, view))
        sums = trace_sums(scene, points, seed, floor=ROULETTE_SHARE)
        return face_up(sums, scene).measures["window"]

    level = window(0.0, 0.0)
    if level.value > share:
        return TiltTolerance(Estimate(0.0, 0.0), 0.0, level)
    azimuths = distinct_azimuths(solid, axis)
    before = dict.fromkeys(azimuths, level)
    for step in range(1, round(MOST_DEG / STEP_DEG) + 1):
        tilt = step * STEP_DEG
        now = {a: window(tilt, a) for a in azimuths}
        opened = [a for a in azimuths if now[a].value > share]
        if opened:
            crossings = {a: _crossing(window, a, tilt, before[a], now[a], share) for a in opened}
            worst = min(opened, key=lambda a: crossings[a].value)
            return TiltTolerance(crossings[worst], worst, level)
        before = now
    return TiltTolerance(None, None, level)


def _crossing(
    window: WindowAt, azimuth: float, tilt: float, shut: Estimate, opened: Estimate, share: float
) -> Estimate:
    """Tilt between *tilt* - 5, where the window is at most *share*, and *tilt*, where it is more."""
    low, high = tilt - STEP_DEG, tilt
    slope = math.inf
    for halving in range(HALVINGS):
        if halving == SLOPE_HALVINGS:
            slope = (opened.value - shut.value) / (high - low)
        middle = (low + high) / 2
        there = window(middle, azimuth)
        if there.value > share:
            high, opened = middle, there
        else:
            low, shut = middle, there
    at = low + (high - low) * (share - shut.value) / (opened.value - shut.value)
    return Estimate(at, max(shut.stderr, opened.stderr) / slope, min(shut.dof, opened.dof))


def distinct_azimuths(solid: Solid, axis: tuple[float, float]) -> tuple[float, ...]:
    """Of 0, 90, 180 and 270 degrees those that no symmetry of solid and c-axis takes to one another."""
    planes = np.column_stack([solid.normals, solid.offsets])
    tree = cKDTree(planes)
    c = direction(*axis)
    kept: list[float] = []
    same = [m for m in _square() if _maps(m, planes, tree, c)]
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


def _maps(matrix: Floats, planes: Floats, tree: cKDTree, c: Floats) -> bool:
    """Whether a symmetry takes every facet to a facet, and the optic axis to itself."""
    moved = np.column_stack([planes[:, :3] @ matrix.T, planes[:, 3]])
    gap, _ = tree.query(moved)
    return bool(abs(abs(float(c @ matrix @ c)) - 1) < SAME and gap.max() < SAME)
