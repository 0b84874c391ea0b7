"""Views of a moving stone: it rocks and spins, eye and light stay."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from facetrace.trace.run import MARGIN
from facetrace.trace.scene import Scene, View

Floats = NDArray[np.float64]

MOTIONS = ("rock", "spin", "both")
# in "both" the stone rocks so often while it turns once
ROCKS = 2
ANGLE_DIGITS = 6


def views_of(motion: str, frames: int, tilt: float, azimuth: float) -> list[View]:
    """Views at equal times of one loop; the last goes over into the first.

    rock: the tilt is a sine of the time, out to *tilt* degrees towards *azimuth* and as far
    back; spin: one turn about the table's normal, counter-clockwise, which leans by *tilt*;
    both: one turn while the stone rocks twice. Equal views are equal to the bit.
    """
    if motion not in MOTIONS:
        raise ValueError(f"no motion {motion!r}; known: {', '.join(MOTIONS)}")
    views = []
    for k in range(frames):
        rocks = {"rock": 1, "spin": 0, "both": ROCKS}[motion]
        lean = tilt * math.sin(2 * math.pi * rocks * k / frames) if rocks else tilt
        spin = 0.0 if motion == "rock" else 360.0 * k / frames
        # + 0.0: no negative zero
        views.append(
            View(
                tilt=round(lean, ANGLE_DIGITS) + 0.0,
                azimuth=azimuth,
                spin=round(spin, ANGLE_DIGITS),
            )
        )
    return views


def frame_around(scenes: Sequence[Scene]) -> tuple[Floats, float]:
    """Middle (right, up) and width, mm, of the square that holds the stone in all *scenes*."""
    low = np.min([scene.outline.min(axis=0) for scene in scenes], axis=0)
    high = np.max([scene.outline.max(axis=0) for scene in scenes], axis=0)
    return (low + high) / 2, (1 + MARGIN) * float((high - low).max())
