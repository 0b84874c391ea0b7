"""The outline of one lobe of a heart, y >= 0; the other is its mirror image.

Three arcs, tangent where they meet: the side y = h (1 - v^p) from the shoulder to the point, a
quarter of an ellipse around the head, and a parabola from there into the cleft, down to the wall
y = 0. Their support functions follow from setting the derivative along the arc to zero.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# exponent p of the side: 1 is straight to the point, 2 a parabola
SIDE = 1.75
# where the shoulder (the greatest width) lies, share of the length from the head
SHOULDER = 0.33
# where the head reaches farthest back, share of half the width
CREST = 0.46
# shares of a lobe's facets from its point to its shoulder, and to where its cleft begins
SIDE_SHARE, CLEFT_SHARE = 0.4, 0.75


@dataclass(frozen=True)
class Lobe:
    """Reach from the axis to the point, the head, the side and the cleft, mm, all positive."""

    point: float
    head: float
    side: float
    cleft: float

    @property
    def _shoulder(self) -> float:
        return SHOULDER * (self.point + self.head) - self.head

    @property
    def first(self) -> float:
        """Azimuth of the normal where the side comes to the point, radians."""
        return math.atan2(self.point - self._shoulder, SIDE * self.side)

    @property
    def last(self) -> float:
        """Azimuth of the normal where the lobe comes to the cleft, radians, more than pi."""
        return math.pi + math.atan2(2 * (self.head - self.cleft), CREST * self.side)

    def azimuth(self, share: float) -> float:
        """Where a facet stands that share of the way from the point to the cleft, radians.

        Evenly along the side, so that the normals turn evenly around the head, and evenly across
        into the cleft; share 0 is the point.
        """
        if share == 0:
            return 0.0
        if share < SIDE_SHARE:
            v = 1 - share / SIDE_SHARE
            slope = SIDE * self.side / (self.point - self._shoulder) * v ** (SIDE - 1)
            return math.atan2(1.0, slope)
        if share < CLEFT_SHARE:
            over = (share - SIDE_SHARE) / (CLEFT_SHARE - SIDE_SHARE)
            return math.pi / 2 * (1 + over)
        u = (share - CLEFT_SHARE) / (1 - CLEFT_SHARE)
        return math.pi + math.atan(u * math.tan(self.last))

    def support(self, normal: Floats) -> Floats:
        """Distances from the axis (n,) of the tangents with these unit normals (n, 2), mm."""
        x, y = normal.T
        start, crest = self._shoulder, CREST * self.side
        run, drop = self.point - start, self.head - self.cleft
        with np.errstate(divide="ignore", invalid="ignore"):
            v = np.clip(np.abs(run * x / (SIDE * self.side * y)), 0, 1) ** (1 / (SIDE - 1))
            u = np.clip(np.abs(crest * y / (2 * drop * x)), 0, 1)
        side = x * (start + run * v) + y * self.side * (1 - v**SIDE)
        head = x * start + y * crest + np.hypot((start + self.head) * x, (self.side - crest) * y)
        cleft = x * (drop * u**2 - self.head) + y * crest * (1 - u)
        return np.asarray(np.where(x > 0, side, np.where(y >= 0, head, cleft)))
