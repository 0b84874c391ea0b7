"""Differences of two stones traced with the same random numbers.

Sets of points with the same seed meet two like stones at like places, if their scenes are
``aligned``, so that much of their errors cancels. Their sums side by side are one sample of both, from which the variance of the
difference follows as that of any figure does (``trace.faceup``); nothing is assumed about
how far they cancel.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from facetrace.kernel.tally import SUMS
from facetrace.trace.faceup import (
    Estimate,
    Floats,
    estimates,
    figures_of,
    light_return_of,
    lost_light_of,
)
from facetrace.trace.run import Sums
from facetrace.trace.scene import Scene

TURN = 360.0
# an angle so little below 0 is 0, rounded
ROUNDING = 1e-7


def aligned(scene: Scene) -> Scene:
    """The same scene with its outline beginning at the corner next to the image's first axis.

    Rays are drawn along the outline from its first corner, which a hull may put anywhere: like stones
    would be met at unlike places.
    """
    outline = scene.outline
    angle = np.arctan2(outline[:, 1], outline[:, 0]) % (2 * np.pi)
    angle[angle > 2 * np.pi - ROUNDING] = 0.0
    return replace(scene, outline=np.roll(outline, -int(np.argmin(angle)), axis=0))


def difference(
    a: Sums, scene_a: Scene, b: Sums, scene_b: Scene, names: Sequence[str]
) -> dict[str, Estimate]:
    """Figures of *a* minus those of *b*, with the standard errors of the differences.

    *names*: those of ``faceup.figures_of``; a difference of hues lies in [-180, 180). With
    different seeds, or scenes that are not ``aligned``, it is right too, only less sharp.
    """
    rows = np.hstack([a.rows, b.rows])
    found: dict[str, Estimate] = {}
    for name in names:
        # one by one: hue is cyclic, the others are not
        def apart(totals: Floats, name: str = name) -> Floats:
            of_a = figures_of(totals[:, :SUMS], scene_a, (name,))
            gap = of_a - figures_of(totals[:, SUMS:], scene_b, (name,))
            return (gap + TURN / 2) % TURN - TURN / 2 if name == "hue_deg" else gap

        found[name] = estimates(rows, apart, period=TURN if name == "hue_deg" else None)[0]
    return found


def recovered(sums: Sums, before: Sums) -> Estimate:
    """Light returned more than *before*, as a share of the light lost before."""

    def share(totals: Floats) -> Floats:
        of, was = totals[:, :SUMS], totals[:, SUMS:]
        return ((light_return_of(of) - light_return_of(was)) / lost_light_of(was))[:, None]

    return estimates(np.hstack([sums.rows, before.rows]), share)[0]
