"""The points that paths are drawn from."""

import numpy as np
from scipy.stats import qmc

from facetrace.kernel.sampling import DIMENSIONS, fan_point, hashed, net_point
from facetrace.trace.points import direction_numbers, scrambled_tables


def points(table, count, shift=0):
    return np.array(
        [
            [net_point(table, d, i, np.uint64(shift)) for d in range(DIMENSIONS)]
            for i in range(count)
        ]
    )


def test_direction_numbers_are_those_of_scipy():
    """Joe & Kuo's table, by scipy.stats.qmc.Sobol: the same set of points at every power of two."""
    theirs = qmc.Sobol(DIMENSIONS, scramble=False, bits=32).random(1024)
    ours = points(direction_numbers(), 1024) - 0.5 / 2**32
    for count in (16, 256, 1024):
        for d in range(DIMENSIONS):
            np.testing.assert_allclose(
                np.sort(ours[:count, d]), np.sort(theirs[:count, d]), atol=1e-9
            )
    # the sequences differ only in order: ours by binary digits, theirs by Gray code
    i = np.arange(1024)
    np.testing.assert_allclose(ours[i ^ (i >> 1)], theirs, atol=1e-9)


def test_scrambling_keeps_the_net():
    """Every dyadic interval of each coordinate holds its share, and 2-d boxes too (Matousek 1998)."""
    for table in scrambled_tables(5, 3):
        x = points(table, 256, shift=0x9E3779B9)
        for d in range(DIMENSIONS):
            assert (np.bincount((x[:, d] * 256).astype(int), minlength=256) == 1).all()
        boxes = (x[:, 0] * 16).astype(int) * 16 + (x[:, 1] * 16).astype(int)
        assert (np.bincount(boxes, minlength=256) == 1).all()


def test_sets_are_independent_and_uniform():
    """Means of u v over 400 sets of 64 points: mean 1/4 within 4 standard errors (false alarm 6e-5)."""
    means = []
    for s, table in enumerate(scrambled_tables(11, 400)):
        from facetrace.kernel.sampling import shift_of

        shifts = [np.uint64(shift_of(np.uint64(77), s, d)) for d in (0, 3)]
        u = [net_point(table, 0, i, shifts[0]) for i in range(64)]
        v = [net_point(table, 3, i, shifts[1]) for i in range(64)]
        means.append(np.mean(np.multiply(u, v)))
    means = np.array(means)
    assert abs(means.mean() - 0.25) < 4 * means.std(ddof=1) / 20
    neighbours = np.corrcoef(means[:-1], means[1:])[0, 1]
    assert abs(neighbours) < 4 / np.sqrt(399)


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
