"""Flights within a stone from anywhere, and whether a faster search finds the facet of the plain one."""

import numba
import numpy as np

from facetrace.kernel.facets import leaving_facet

WHERE = ("inside", "on a facet", "on an edge", "along a facet")
COUNT = 20_000


@numba.njit(error_model="numpy")
def _both(search, planes, table, starts, ways, found, times):
    for k in range(len(starts)):
        p, s = starts[k], ways[k]
        found[k, 0], times[k, 0] = leaving_facet(
            planes, 0, planes.shape[1], p[0], p[1], p[2], s[0], s[1], s[2]
        )
        found[k, 1], times[k, 1] = search(planes, table, p[0], p[1], p[2], s[0], s[1], s[2])


def _found(search, solid, table, starts, ways):
    found, times = np.zeros((len(starts), 2), dtype=np.int64), np.zeros((len(starts), 2))
    _both(search, solid.planes, table, starts, ways, found, times)
    return found, times


def check_search(search, solid, table, where, rng):
    """*search*, with what it needs beside the planes, finds the same facet at the same distance, to the bit."""
    corners = solid.vertices
    ways = rng.normal(size=(COUNT, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    mixed = rng.dirichlet(np.full(4, 0.5), COUNT)
    starts = np.einsum("nk,nkj->nj", mixed, corners[rng.integers(0, len(corners), (COUNT, 4))])
    if where != "inside":
        # to the facet that is met from there, or to its edge with the next
        found, times = _found(search, solid, table, starts, ways)
        starts = starts + times[:, :1] * ways
        normals = solid.planes[:3].T[found[:, 0]]
        ways = rng.normal(size=(COUNT, 3))
        ways -= np.einsum("nj,nj->n", ways, normals)[:, None] * normals
        ways /= np.linalg.norm(ways, axis=1)[:, None]
        if where == "on an edge":
            _, times = _found(search, solid, table, starts, ways)
            starts = starts + times[:, :1] * ways
        depth = 1e-7 if where == "along a facet" else rng.uniform(0.01, 1, (COUNT, 1))
        ways = ways - depth * normals
        ways /= np.linalg.norm(ways, axis=1)[:, None]
    found, times = _found(search, solid, table, starts, ways)
    np.testing.assert_array_equal(found[:, 0], found[:, 1])
    np.testing.assert_array_equal(times[:, 0], times[:, 1])
