"""Numbers between 0 and 1: scrambled Sobol points, and a hash where they end.

A set of points is the digital net of Sobol (1967) with the direction numbers of
Joe & Kuo, SIAM J. Sci. Comput. 30, 2635 (2008), each dimension multiplied by a
random lower-triangular matrix and shifted (Matousek, J. Complexity 14, 527
(1998)): every point is uniform, sets with other keys are independent, and the
error of a mean falls faster than 1/sqrt(N). The tables are made outside (see
``facetrace.trace.points``); the kernel only combines their rows.
"""

import math

import numpy as np

from facetrace.kernel.compiling import device

# dimensions of one path: what each table row decides
DIM_U, DIM_V, DIM_WAVELENGTH, DIM_ENTRY, DIM_BOUNCE = 0, 1, 2, 3, 4
DIMENSIONS = 12

_MIX1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX2 = np.uint64(0x94D049BB133111EB)
_STEP = np.uint64(0x9E3779B97F4A7C15)
_S30, _S27, _S31, _S11 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(11)
_INV53 = 1.0 / 9007199254740992.0
_INV32 = 1.0 / 4294967296.0
_MASK32 = np.uint64(0xFFFFFFFF)
# of 32 bits, which a GPU handles four times as fast
_ZERO, _ONE, _FOUR, _FOUR_BITS = np.uint32(0), np.uint32(1), np.uint32(4), np.uint32(15)


@device
def mix(x):
    """SplitMix64's finalizer (Steele, Lea & Flood, OOPSLA 2014): a bijection of uint64."""
    z = (x ^ (x >> _S30)) * _MIX1
    z = (z ^ (z >> _S27)) * _MIX2
    return z ^ (z >> _S31)


@device
def hashed(key, ray, draw):
    """Uniform in [0, 1) that depends on (key, ray, draw) alone; all uint64."""
    state = mix(mix(key + _STEP * (ray + np.uint64(1))) + _STEP * (draw + np.uint64(1)))
    return float(state >> _S11) * _INV53


@device
def shift_of(key, set_number, dimension):
    """The digital shift of one dimension of one set."""
    return mix(mix(key + _STEP * np.uint64(set_number + 1)) + _STEP * np.uint64(dimension + 1))


@device
def net_point(tables, key, set_number, dimension, index):
    """Coordinate *dimension* of point *index* of a set, from its table (sets take turns) and shift.

    tables (n, DIMENSIONS, 8, 16), n a power of two: what each value of each four bits of an index adds
    (``facetrace.trace.points``); index: below 2^32.
    """
    which = np.uint32(set_number & (tables.shape[0] - 1))
    row, left, k = np.uint32(dimension), np.uint32(index), _ZERO
    bits = _ZERO
    while left != _ZERO:
        bits ^= tables[which, row, k, left & _FOUR_BITS]
        left >>= _FOUR
        k += _ONE
    shifted = (np.uint64(bits) ^ shift_of(key, set_number, dimension)) & _MASK32
    return (float(shifted) + 0.5) * _INV32


@device
def shell_of(x, y):
    """(u, v): a point of the unit square as (share of the turn, share of the area within its shell).

    Shells are squares around the middle. Both are uniform for a uniform point, and neighbours
    stay neighbours, which a plain polar map would tear apart (after Shirley & Chiu, J. Graphics
    Tools 2(3), 45 (1997), who map to a disc).
    """
    x = 2.0 * x - 1.0
    y = 2.0 * y - 1.0
    reach = max(abs(x), abs(y))
    if reach == 0.0:
        return 0.0, 0.0
    if x >= abs(y):
        around = 0.125 * (1.0 + y / reach)
    elif y >= abs(x):
        around = 0.25 + 0.125 * (1.0 - x / reach)
    elif -x >= abs(y):
        around = 0.5 + 0.125 * (1.0 - y / reach)
    else:
        around = 0.75 + 0.125 * (1.0 + x / reach)
    return min(around, 1.0 - 1e-16), reach * reach


@device
def fan_point(u, v, fan):
    """Area-preserving map onto a convex polygon: u goes around it, sqrt(v) outwards.

    *fan* (n, 7): cumulative area share, then the triangle's centre and two corners.
    """
    low = 0
    high = fan.shape[0] - 1
    while low < high:
        middle = (low + high) // 2
        if fan[middle, 0] > u:
            high = middle
        else:
            low = middle + 1
    start = fan[low - 1, 0] if low > 0 else 0.0
    along = (u - start) / (fan[low, 0] - start)
    out = math.sqrt(v)
    x = fan[low, 1] + out * ((1.0 - along) * fan[low, 3] + along * fan[low, 5] - fan[low, 1])
    y = fan[low, 2] + out * ((1.0 - along) * fan[low, 4] + along * fan[low, 6] - fan[low, 2])
    return x, y
