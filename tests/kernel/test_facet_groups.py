"""A stone of many facets is searched in groups: the same facet at the same distance as of all facets, to the bit."""

import numpy as np
import pytest
from facet_flights import WHERE, check_search
from logged_paths import DESIGNS

from facetrace.design.model import read_design
from facetrace.kernel.facets import leaving_facet_of_groups
from facetrace.solid.girdle import blank_of, lift_for
from facetrace.solid.polyhedron import Solid
from facetrace.trace import scene
from facetrace.trace.scene import facet_groups


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
@pytest.mark.parametrize("where", WHERE)
def test_groups_find_the_facet_of_a_whole_search(make, where, rng):
    solid = make()
    check_search(leaving_facet_of_groups, solid, facet_groups(solid), where, rng)


def test_every_facet_is_in_one_group_and_lies_beyond_its_plane():
    solid = many_flats()
    groups = facet_groups(solid)
    ranges = sorted((int(a), int(b)) for a, b in groups[4:].T)
    assert [a for a, _ in ranges] == [0, *(b for _, b in ranges[:-1])]
    assert ranges[-1][1] == len(solid.names) > scene.MANY_FACETS
    for *normal, distance, first, end in groups.T:
        for polygon in solid.polygons[int(first) : int(end)]:
            assert (solid.vertices[polygon] @ np.array(normal)).min() >= distance
