"""Compile the large functions, or load them, before many processes want them at once.

python tests/tools/compile_first.py paths        the kernel, for stones of one lobe, of two, and of many facets
python tests/tools/compile_first.py others       placement; the kernel with its log
"""

import sys
from dataclasses import replace

import logged_paths
import numpy as np
import trimesh

from facetrace.kernel.driver import trace_rows
from facetrace.kernel.tally import SUMS
from facetrace.placement.bound import bounded
from facetrace.placement.search import Effort, largest, prepared
from facetrace.placement.shapes import Facing, Obstacle, Space, stone_of
from facetrace.solid.polyhedron import Solid
from facetrace.trace.run import over_silhouette

LOBES = ("round", "heart")


def paths():
    """Without a log, as all figures and pictures are traced."""
    scenes = logged_paths.scenes()
    few = [scenes[name] for name in LOBES]
    facets = few[0].planes.shape[1]
    # one group of all facets: for the compiler a stone of many
    many = replace(few[0], groups=np.array([[0.0, 0.0, 1.0, -1e9, 0.0, facets]]).T.copy())
    for scene in (*few, many):
        rays = over_silhouette(scene, 1, 0, 1, 1, 0.1)
        trace_rows(scene.arrays, rays, 0, 1, np.zeros((1, SUMS)), None)


def others():
    """The search for a place, the proof, and what writes logs."""
    table = Solid.from_planes(np.vstack([np.eye(3), -np.eye(3)]), np.ones(6))
    ball = trimesh.creation.icosphere(subdivisions=2, radius=3)
    crack = Obstacle(
        "crack", np.array([[0.2, y, z] for y in (-2.0, 2.0) for z in (-2.0, 2.0)]), margin_mm=0.1
    )
    space = Space(np.array(ball.vertices), np.array(ball.faces), (crack,), 0.1)
    stone = stone_of(table)
    found = largest(
        stone, prepared(space), Facing(both=True), effort=Effort(20, 2, (1, 1), (1, 1))
    )[0]
    bounded(stone, space, Facing(both=True), found.volume, most_cells=4)
    scenes = logged_paths.scenes()
    for name in LOBES:
        logged_paths.logged(scenes[name])


if __name__ == "__main__":
    {"paths": paths, "others": others}[sys.argv[1]]()
