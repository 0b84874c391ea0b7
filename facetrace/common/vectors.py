"""Vectors in space, as numpy arrays."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def across(unit_vectors: Floats) -> Floats:
    """Some vector at right angles to each of *unit_vectors* (..., 3), at least 0.6 long."""
    helper = np.where(np.abs(unit_vectors[..., :1]) < 0.6, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    return np.asarray(np.cross(unit_vectors, helper))
