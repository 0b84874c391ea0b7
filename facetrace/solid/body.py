"""Convex bodies in and around a stone: polytopes, bounded or not, and ellipsoids."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _none() -> Floats:
    return np.zeros((4, 0))


@dataclass(frozen=True)
class Body:
    """Either a polytope, all r with planes[:3].T @ r <= planes[3], or an ellipsoid |M r - w| <= 1.

    planes (4, m): unit outward normals and distances from the origin, mm; it may be open (a half-space,
    a slab). ellipsoid (3, 4): M and w side by side, in 1/mm and 1, None for a polytope.
    """

    planes: Floats = field(default_factory=_none)
    ellipsoid: Floats | None = None

    def seen_from(self, matrix: Floats, origin: Floats, scale: float = 1.0) -> "Body":
        """The same body in a frame whose points r stand at ``origin + scale * matrix @ r`` in this one.

        *matrix* (3, 3) is a rotation, *origin* (3,) in mm, *scale* positive.
        """
        if self.ellipsoid is not None:
            m, w = self.ellipsoid[:, :3], self.ellipsoid[:, 3]
            moved = np.column_stack([scale * m @ matrix, w - m @ origin])
            return Body(ellipsoid=moved)
        normals, offsets = self.planes[:3].T, self.planes[3]
        return Body(np.vstack([(normals @ matrix).T, (offsets - normals @ origin) / scale]))

    def holds(self, points: Floats, slack: float = 0.0) -> NDArray[np.bool_]:
        """Which of *points* (n, 3) lie inside or at most *slack* mm outside (ellipsoid: of its scale)."""
        if self.ellipsoid is not None:
            reach = points @ self.ellipsoid[:, :3].T - self.ellipsoid[:, 3]
            return np.asarray(np.linalg.norm(reach, axis=1) <= 1.0 + slack)
        return np.asarray((points @ self.planes[:3] <= self.planes[3] + slack).all(axis=1))
