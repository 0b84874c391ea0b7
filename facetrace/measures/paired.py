"""Differences of two stones traced with the same random numbers.

Sets of points with the same seed meet two like stones at like places, so that their errors
nearly cancel. Their sums side by side are one sample of both, from which the variance of the
difference follows as that of any figure does (``measures.faceup``); nothing is assumed about
how far they cancel.
"""

from collections.abc import Sequence

import numpy as np

from facetrace.kernel.paths import SUMS
from facetrace.measures.faceup import Estimate, Floats, estimates, figures_of
from facetrace.trace.run import Sums
from facetrace.trace.scene import Scene

TURN = 360.0


def difference(
    a: Sums, scene_a: Scene, b: Sums, scene_b: Scene, names: Sequence[str]
) -> dict[str, Estimate]:
    """Figures of *a* minus those of *b*, with the standard errors of the differences.

    *names*: those of ``faceup.figures_of``; a difference of hues lies in [-180, 180). With
    different seeds it is right too, only less sharp.
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
