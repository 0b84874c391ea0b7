"""A second CPU driver: the events at one facet, for many at once, so that they can be checked from outside."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import prange

from facetrace.kernel import compiling, ground, sampling, uniaxial, vectors
from facetrace.kernel.compiling import fingerprint, parallel_entry
from facetrace.kernel.ground import walk
from facetrace.kernel.uniaxial import inside_event, outside_event, ray_of_mode

# all that the compiled loops are made of
CODE = (compiling, vectors, uniaxial, sampling, ground)


def _make(stamp: int) -> tuple[Callable[..., Any], ...]:
    def inside_loop(wave, mode, normal, axis, beside, no2, ne2, m2, shares, waves, rays):
        """shares (n, 4): R_o, R_e, T_s, T_p; waves and rays (n, 3, 3): o, e, outside; NaN: evanescent."""
        if stamp < 0:
            return
        for i in prange(wave.shape[0]):
            ro, re, ts, tp, qo, qe, q1 = inside_event(
                wave[i, 0], wave[i, 1], wave[i, 2], mode[i],
                normal[i, 0], normal[i, 1], normal[i, 2],
                axis[i, 0], axis[i, 1], axis[i, 2], beside[i, 0], beside[i, 1], beside[i, 2],
                no2[i], ne2[i], m2[i],
            )  # fmt: skip
            shares[i, 0], shares[i, 1], shares[i, 2], shares[i, 3] = ro, re, ts, tp
            q = wave[i, 0] * normal[i, 0] + wave[i, 1] * normal[i, 1] + wave[i, 2] * normal[i, 2]
            for j in range(3):
                tangent = wave[i, j] - q * normal[i, j]
                waves[i, 0, j] = tangent + qo * normal[i, j]
                waves[i, 1, j] = tangent + qe * normal[i, j]
                waves[i, 2, j] = tangent + q1 * normal[i, j]
                rays[i, 2, j] = waves[i, 2, j] / math.sqrt(m2[i])
            for k in range(2):
                rays[i, k, 0], rays[i, k, 1], rays[i, k, 2] = ray_of_mode(
                    waves[i, k, 0], waves[i, k, 1], waves[i, k, 2], k,
                    axis[i, 0], axis[i, 1], axis[i, 2], math.sqrt(no2[i]), math.sqrt(ne2[i]),
                )  # fmt: skip

    def outside_loop(direction, normal, axis, beside, no2, ne2, m2, shares, waves, rays):
        """shares (n, 8): R_ss, R_sp, R_ps, R_pp, T_so, T_se, T_po, T_pe; waves, rays (n, 2, 3): o, e."""
        if stamp < 0:
            return
        for i in prange(direction.shape[0]):
            found = outside_event(
                direction[i, 0], direction[i, 1], direction[i, 2],
                normal[i, 0], normal[i, 1], normal[i, 2],
                axis[i, 0], axis[i, 1], axis[i, 2], beside[i, 0], beside[i, 1], beside[i, 2],
                no2[i], ne2[i], m2[i],
            )  # fmt: skip
            for j in range(8):
                shares[i, j] = found[j]
            m = math.sqrt(m2[i])
            q = m * (
                direction[i, 0] * normal[i, 0]
                + direction[i, 1] * normal[i, 1]
                + direction[i, 2] * normal[i, 2]
            )
            for j in range(3):
                tangent = m * direction[i, j] - q * normal[i, j]
                waves[i, 0, j] = tangent + found[8] * normal[i, j]
                waves[i, 1, j] = tangent + found[9] * normal[i, j]
            for k in range(2):
                rays[i, k, 0], rays[i, k, 1], rays[i, k, 2] = ray_of_mode(
                    waves[i, k, 0], waves[i, k, 1], waves[i, k, 2], k,
                    axis[i, 0], axis[i, 1], axis[i, 2], math.sqrt(no2[i]), math.sqrt(ne2[i]),
                )  # fmt: skip

    def ground_loop(wave, side, mode, normal, axis, beside, alpha, no, ne, key, waves, rays, ends):
        """waves, rays (n, 3) of what leaves the ground facet; ends (n, 3): its side, mode, meetings."""
        if stamp < 0:
            return
        for i in prange(wave.shape[0]):
            found = walk(
                wave[i, 0], wave[i, 1], wave[i, 2], side[i], mode[i],
                normal[0], normal[1], normal[2], alpha,
                axis[0], axis[1], axis[2], beside[0], beside[1], beside[2],
                no, ne, key, np.uint64(i), 0,
            )  # fmt: skip
            waves[i, 0], waves[i, 1], waves[i, 2] = found[0], found[1], found[2]
            rays[i, 0], rays[i, 1], rays[i, 2] = found[3], found[4], found[5]
            ends[i, 0], ends[i, 1], ends[i, 2] = found[6], found[7], found[8]

    return parallel_entry(inside_loop), parallel_entry(outside_loop), parallel_entry(ground_loop)


inside_loop, outside_loop, ground_loop = _make(fingerprint(*CODE))
