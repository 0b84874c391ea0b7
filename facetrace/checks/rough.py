"""Checks of what plans and re-cuts rest on: faces of the crystal, the largest copy, value, weight."""

import math

import numpy as np

from facetrace.checks.check import Check, Comparison
from facetrace.checks.stones import box as stone_box
from facetrace.placement.bound import bounded
from facetrace.placement.search import largest, prepared
from facetrace.placement.shapes import Facing, Space, stone_of
from facetrace.recut.planes import with_planes
from facetrace.rough import habit, scan
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid

# degrees: published angles rest on another measured axial ratio
ANGLE = 0.1
# share of the edge: the search's climbs end so near the top
CLIMBED = 1e-3
OCTAHEDRON = Solid.from_planes(
    np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=float), np.ones(8)
)  # fmt: skip


def _angles() -> list[Comparison]:
    return [
        Comparison(f"c to {face.symbol}, deg", face.published_angle, habit.polar_angle(face.symbol), ANGLE)
        for face in habit.faces().face
    ]  # fmt: skip


def _solids_in_solids() -> list[Comparison]:
    anywhere = Facing(within_deg=90.0, both=True)
    cube = stone_box(0.5, 0.5, 0.5)
    rows = []
    for what, stone, rough, edge, expected in (
        ("cube in an octahedron, edge", cube, OCTAHEDRON.vertices, 1 / math.sqrt(2), 2 - math.sqrt(2)),
        ("octahedron in a cube, edge", OCTAHEDRON, stone_box(0.5, 0.5, 0.5).vertices, math.sqrt(2), 3 * math.sqrt(2) / 4),
    ):  # fmt: skip
        surface = scan.of_points(rough)
        space = Space(surface.vertices, surface.faces)
        found = largest(stone_of(stone), prepared(space), anywhere)
        got = found[0].scale * edge if found else math.nan
        rows.append(Comparison(what, expected, got, CLIMBED * expected))
        have = found[0].volume if found else 0.0
        most = bounded(stone_of(stone), space, anywhere, have).most_mm3
        most = (most / stone.volume) ** (1 / 3) * edge
        rows.append(Comparison(f"{what}: bound below it", 0.0, max(expected - most, 0.0), 0.0))
    return rows


def _weights() -> list[Comparison]:
    """A cube of 5 mm: one face lower by 0.1 mm; and of density 4.00 in all."""
    cube = stone_box(2.5, 2.5, 2.5)
    face = int(np.argmax(cube.normals[:, 2]))
    plane = np.append(cube.normals[face], cube.offsets[face] - 0.1)
    less = with_planes(cube, {face: plane})
    return [
        Comparison("cube of 5 mm, ct", 2.5, measure(cube, 4.0).carats, 1e-9),
        Comparison("... a face 0.1 mm down, ct", 2.45, measure(less, 4.0).carats, 1e-9),
    ]


CHECKS = (
    Check("angles between faces of corundum", "J. D. Dana, System of Mineralogy (1892): memory; lattice a 4.75, c 12.982", _angles),
    Check("largest solids in solids, facing anywhere", "H. T. Croft, Proc. London Math. Soc. 41, 279 (1980): memory", _solids_in_solids),
    Check("weight of a cube, before and after a cut", "metric carat of 0.2 g, corundum of 4.00 g/cm3", _weights),
)  # fmt: skip
