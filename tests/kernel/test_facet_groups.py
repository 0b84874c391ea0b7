"""A stone of many facets is searched in groups: the same facet at the same distance as of all facets, to the bit."""

import numba
import numpy as np
import pytest
from logged_paths import DESIGNS

from facetrace.design.model import read_design
from facetrace.kernel.facets import leaving_facet, leaving_facet_of_groups
from facetrace.solid.girdle import blank_of, lift_for
from facetrace.solid.polyhedron import Solid
from facetrace.trace import scene
from facetrace.trace.scene import facet_groups


@numba.njit(error_model="numpy")
def _both(planes, groups, starts, ways, found, times):
    for k in range(len(starts)):
        p, s = starts[k], ways[k]
        found[k, 0], times[k, 0] = leaving_facet(
            planes, 0, planes.shape[1], p[0], p[1], p[2], s[0], s[1], s[2]
        )
        found[k, 1], times[k, 1] = leaving_facet_of_groups(
            planes, groups, p[0], p[1], p[2], s[0], s[1], s[2]
        )


def many_flats() -> Solid:
    blank = blank_of(read_design(DESIGNS / "round-brilliant.toml").design)
    turn = 2 * np.pi * (np.arange(600) + 0.5) / 600
    ring = 3.25 * np.column_stack([np.cos(turn), np.sin(turn)])
    return blank.stone(ring, lift_for(blank, 0.2))


def any_facets() -> Solid:
    """Facets all over a ball, in no order: each group reaches around the stone."""
    normals = np.random.default_rng(4).normal(size=(400, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return Solid.from_planes(normals, np.full(400, 2.0))


@pytest.mark.parametrize("make", [many_flats, any_facets])
@pytest.mark.parametrize("where", ["inside", "on a facet", "on an edge"])
def test_groups_find_the_facet_of_a_whole_search(make, where, rng):
    solid = make()
    groups = facet_groups(solid)
    count = 20_000
    ways = rng.normal(size=(count, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    mixed = rng.dirichlet(np.full(4, 0.5), count)
    corners = solid.vertices
    starts = np.einsum("nk,nkj->nj", mixed, corners[rng.integers(0, len(corners), (count, 4))])
    found, times = np.zeros((count, 2), dtype=np.int64), np.zeros((count, 2))
    for _ in range(["inside", "on a facet", "on an edge"].index(where)):
        # to the facet that is met from there, and then along it
        _both(solid.planes, groups, starts, ways, found, times)
        starts = starts + times[:, :1] * ways
        normals = solid.normals[found[:, 0]]
        ways = rng.normal(size=(count, 3))
        ways -= np.einsum("nj,nj->n", ways, normals)[:, None] * normals
        ways /= np.linalg.norm(ways, axis=1)[:, None]
    if where != "inside":
        ways = ways - rng.uniform(0.01, 1, (count, 1)) * solid.normals[found[:, 0]]
        ways /= np.linalg.norm(ways, axis=1)[:, None]
    _both(solid.planes, groups, starts, ways, found, times)
    np.testing.assert_array_equal(found[:, 0], found[:, 1])
    np.testing.assert_array_equal(times[:, 0], times[:, 1])


def test_every_facet_is_in_one_group_and_lies_beyond_its_plane():
    solid = many_flats()
    groups = facet_groups(solid)
    ranges = sorted((int(a), int(b)) for a, b in groups[4:].T)
    assert [a for a, _ in ranges] == [0, *(b for _, b in ranges[:-1])]
    assert ranges[-1][1] == len(solid.names) > scene.MANY_FACETS
    for *normal, distance, first, end in groups.T:
        for polygon in solid.polygons[int(first) : int(end)]:
            assert (solid.vertices[polygon] @ np.array(normal)).min() >= distance
