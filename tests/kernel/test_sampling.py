"""The points that paths are drawn from."""

import numpy as np
from scipy.stats import qmc

from facetrace.kernel.sampling import DIMENSIONS, fan_point, hashed, net_point, shift_of
from facetrace.trace.points import by_four_bits, direction_numbers, key_of, scrambled_tables


def points(table, count, key=1, set_number=0):
    tables = table[None]
    return np.array(
        [
            [net_point(tables, np.uint64(key), set_number, d, i) for d in range(DIMENSIONS)]
            for i in range(count)
        ]
    )


def test_direction_numbers_are_those_of_scipy():
    """Joe & Kuo's table, by scipy.stats.qmc.Sobol: the same points, in another order.

    Ours run by binary digits, theirs by Gray code; our digital shift is taken back.
    """
    theirs = qmc.Sobol(DIMENSIONS, scramble=False, bits=32).random(1024)
    bits = np.floor(points(by_four_bits(direction_numbers()), 1024) * 2**32).astype(np.uint64)
    ours = (bits ^ bits[0]) / 2**32
    i = np.arange(1024)
    np.testing.assert_allclose(ours[i ^ (i >> 1)], theirs, atol=1e-9)


def test_scrambling_keeps_the_net():
    """Every dyadic interval of each coordinate holds its share, and 2-d boxes too (Matousek 1998)."""
    for table in scrambled_tables(5, 3):
        x = points(table, 256, key=77)
        for d in range(DIMENSIONS):
            assert (np.bincount((x[:, d] * 256).astype(int), minlength=256) == 1).all()
        boxes = (x[:, 0] * 16).astype(int) * 16 + (x[:, 1] * 16).astype(int)
        assert (np.bincount(boxes, minlength=256) == 1).all()


def test_sets_are_independent_and_uniform():
    """Means of u v over 400 sets of 64 points, 16 tables in turn: mean 1/4 and no correlation of
    neighbours, nor of users of one table, within 4 standard errors (false alarm 6e-5 each).

    Tables differ in how even their sets are, so each one's sets are first scaled alike.
    """
    tables = scrambled_tables(11, 16)
    means = []
    for s in range(400):
        uv = [
            net_point(tables, np.uint64(9), s, 0, i) * net_point(tables, np.uint64(9), s, 3, i)
            for i in range(64)
        ]
        means.append(np.mean(uv))
    means = np.array(means)
    assert abs(means.mean() - 0.25) < 4 * means.std(ddof=1) / 20
    by_table = means.reshape(-1, 16)
    alike = ((by_table - 0.25) / by_table.std(axis=0)).ravel()
    for lag in (1, 2, 16, 32):
        assert abs(np.mean(alike[:-lag] * alike[lag:])) < 4 / np.sqrt(400 - lag)


def test_seeds_share_no_shifts():
    """Neighbouring seeds must not use each other's numbers for other sets."""
    shifts = [
        int(shift_of(key_of(seed), s, d)) for seed in range(20) for s in range(128) for d in (0, 1)
    ]
    assert len(set(shifts)) == len(shifts)


def test_hash_is_uniform():
    """Chi-squared of 1e5 hashed numbers in 100 cells below its 99.99 % point (149)."""
    values = [hashed(np.uint64(1), np.uint64(i), np.uint64(i % 7)) for i in range(100_000)]
    counts = np.histogram(values, 100, (0, 1))[0]
    assert np.sum((counts - 1000.0) ** 2 / 1000) < 161


def test_fan_preserves_area():
    """Mean and second moments of a triangle (0,0), (4,0), (0,2) by its closed form."""
    corner = np.array([[0, 0], [4, 0], [0, 2.0]])
    centre = corner.mean(axis=0)
    fan = np.array([[(i + 1) / 3, *centre, *corner[i], *corner[(i + 1) % 3]] for i in range(3)])
    grid = (np.arange(300) + 0.5) / 300
    xy = np.array([fan_point(u, v, fan) for u in grid for v in grid])
    np.testing.assert_allclose(xy.mean(axis=0), centre, atol=1e-3)
    np.testing.assert_allclose((xy**2).mean(axis=0), [16 / 6, 4 / 6], rtol=2e-3)
