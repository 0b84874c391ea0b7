"""The largest copy of a stone inside a convex blank, at one orientation."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog

from facetrace.common.errors import FacetraceError
from facetrace.solid.body import Body, Floats

# the second program gives away so much of the size, lest rounding leave it no room
SLACK = 1e-9


@dataclass(frozen=True)
class Fit:
    """A copy inside a blank: the point r of the stone lies at ``shift + scale * rotation @ r``.

    scale: 1 is as designed; shift (3,): the stone's origin in the blank's frame, mm; weights (m,):
    one per plane of the blank, at least 0, zero off the planes that hold the stone. They prove
    the scale: see ``bound``.
    """

    scale: float
    shift: Floats
    weights: Floats


def reach(vertices: Floats, rotation: Floats, blank: Body) -> Floats:
    """How far the turned stone reaches along each normal of the blank, (m,), mm."""
    return np.asarray((vertices @ rotation.T @ blank.planes[:3]).max(axis=0))


def bound(weights: Floats, reaches: Floats, blank: Body) -> float:
    """No copy in the blank can be larger than this, for any *weights* >= 0 that balance.

    A copy of scale s at t has s reach_j + n_j . t <= d_j for each plane j. Where
    sum w_j n_j = 0 the sum over w_j leaves s <= sum w_j d_j / sum w_j reach_j (duality of
    linear programs; Chvatal, "Linear Programming", ch. 5).
    """
    return float(weights @ blank.planes[3] / (weights @ reaches))


def largest_copy(vertices: Floats, rotation: Floats, blank: Body, wished: Floats) -> Fit:
    """The largest copy of a convex stone that stays inside *blank* at one orientation.

    vertices (n, 3) of the stone, mm; rotation (3, 3) from its frame to the blank's; *wished* (3,):
    among places that are equally good, the one nearest to it (sum of the three offsets) is
    taken. Raises FacetraceError where the blank is open or an ellipsoid.
    """
    if blank.ellipsoid is not None:
        raise FacetraceError("the blank is an ellipsoid; it must be bounded by planes")
    normals, offsets = blank.planes[:3].T, blank.planes[3]
    reaches = reach(vertices, rotation, blank)
    first = linprog(
        [-1.0, 0.0, 0.0, 0.0],
        A_ub=np.column_stack([reaches, normals]),
        b_ub=offsets,
        bounds=[(0, None), *[(None, None)] * 3],
        method="highs",
    )
    if not first.success:
        raise FacetraceError("the blank is open: it does not hold the stone on all sides")
    scale = float(first.x[0]) * (1 - SLACK)
    # unknowns: the place, and its distance from the wished one along x, y and z
    eye = np.eye(3)
    second = linprog(
        [0.0, 0.0, 0.0, 1.0, 1.0, 1.0],
        A_ub=np.block([[normals, np.zeros((len(offsets), 3))], [eye, -eye], [-eye, -eye]]),
        b_ub=np.concatenate([offsets - scale * reaches, wished, -wished]),
        bounds=[(None, None)] * 3 + [(0, None)] * 3,
        method="highs",
    )
    shift = second.x[:3] if second.success else first.x[1:]
    return Fit(scale, np.asarray(shift) + 0.0, np.maximum(-first.ineqlin.marginals, 0.0))
