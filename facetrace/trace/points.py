"""Direction numbers of Sobol's sequence and their random scramblings."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.sampling import DIMENSIONS

BITS = 32
# bits of an index that one look at a table takes
TAKEN = 4

# primitive polynomials (degree, inner coefficients) and first direction numbers:
# Joe & Kuo, SIAM J. Sci. Comput. 30, 2635 (2008), their table new-joe-kuo-6
_JOE_KUO = (
    (1, 0, (1,)),
    (2, 1, (1, 3)),
    (3, 1, (1, 3, 1)),
    (3, 2, (1, 1, 1)),
    (4, 1, (1, 1, 3, 3)),
    (4, 4, (1, 3, 5, 13)),
    (5, 2, (1, 1, 5, 5, 17)),
    (5, 4, (1, 1, 5, 5, 5)),
    (5, 7, (1, 1, 7, 11, 19)),
    (5, 11, (1, 1, 5, 1, 1)),
    (5, 13, (1, 1, 1, 3, 11)),
)


@lru_cache(maxsize=1)
def direction_numbers() -> NDArray[np.uint32]:
    """(DIMENSIONS, 32): row d, entry k is the k-th direction number, leading bit first."""
    table = np.zeros((DIMENSIONS, BITS), dtype=np.uint32)
    table[0] = [1 << (BITS - 1 - k) for k in range(BITS)]
    for d, (degree, inner, start) in enumerate(_JOE_KUO[: DIMENSIONS - 1], start=1):
        m = list(start)
        for k in range(degree, BITS):
            value = m[k - degree] ^ (m[k - degree] << degree)
            for j in range(1, degree):
                if (inner >> (degree - 1 - j)) & 1:
                    value ^= m[k - j] << j
            m.append(value)
        table[d] = [m[k] << (BITS - 1 - k) for k in range(BITS)]
    return table


@lru_cache(maxsize=4)
def scrambled_tables(seed: int, sets: int) -> NDArray[np.uint32]:
    """(sets, DIMENSIONS, 8, 16), ``by_four_bits``, of direction numbers, each multiplied by a random matrix.

    The matrix is lower triangular with ones on its diagonal (Matousek 1998): it keeps the
    net's equidistribution and, with the digital shift that the kernel adds, makes every
    point uniform. Depends on (seed, set, dimension) alone. The array is shared: read only.
    """
    places = np.arange(BITS - 1, -1, -1)
    # floats are exact here (sums up to 32) and multiply faster than integers
    bits = ((direction_numbers()[..., None].astype(np.int64) >> places) & 1).astype(np.float64)
    weights = np.int64(1) << places
    below, diagonal = np.tril(np.ones((BITS, BITS)), -1), np.eye(BITS)
    out = np.zeros((sets, DIMENSIONS, BITS), dtype=np.uint32)
    for s in range(sets):
        rng = np.random.Generator(np.random.Philox(key=[seed, s]))
        matrix = rng.integers(0, 2, size=(DIMENSIONS, BITS, BITS), dtype=np.int8) * below + diagonal
        product = bits @ matrix.transpose(0, 2, 1)
        out[s] = (product.astype(np.int64) & 1) @ weights
    taken = by_four_bits(out)
    taken.flags.writeable = False
    return taken


def by_four_bits(table: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """(..., 32) direction numbers -> (..., 8, 16): what each value of each four bits of an index adds to a point."""
    numbers = table.reshape(*table.shape[:-1], BITS // TAKEN, TAKEN)
    out = np.zeros((*numbers.shape[:-1], 1 << TAKEN), dtype=np.uint32)
    for value in range(1 << TAKEN):
        for bit in range(TAKEN):
            if value >> bit & 1:
                out[..., value] ^= numbers[..., bit]
    return out


def key_of(seed: int) -> np.uint64:
    """The kernel's key for a seed; 0 is a seed like any other.

    Well mixed, because the kernel adds multiples of one constant to it: keys of neighbouring
    seeds must not lie such a multiple apart.
    """
    return np.uint64(np.random.SeedSequence(seed).generate_state(1, np.uint64)[0])
