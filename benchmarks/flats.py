"""What many girdle flats cost: the time of 1,000 of them in units of 64, both traced in turn, in one run.

python benchmarks/flats.py
"""

import time
from pathlib import Path

import numpy as np

from facetrace.design.model import read_design
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.girdle import blank_of, lift_for
from facetrace.trace.run import points_for, trace_sums, warm_up
from facetrace.trace.scene import View, medium_of, scene_of

DESIGN = Path(__file__).parent.parent / "designs" / "round-brilliant.toml"
RADIUS_MM, GIRDLE_MM = 3.25, 0.2
FLATS = (64, 250, 1000)
RAYS, RUNS, FLOOR = 1 << 18, 5, 0.01


def stone(flats):
    """The scene of a round with so many girdle flats."""
    blank = blank_of(read_design(DESIGN).design)
    turn = 2 * np.pi * (np.arange(flats) + 0.5) / flats
    ring = RADIUS_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    solid = blank.stone(ring, lift_for(blank, GIRDLE_MM))
    ruby = medium_of(find_material("ruby"), observer())
    return scene_of(solid, ruby, (0.0, 0.0), find_light("hemisphere"), View())


def main():
    """Print the table."""
    scenes = {flats: stone(flats) for flats in FLATS}
    best = dict.fromkeys(FLATS, float("inf"))
    for scene in scenes.values():
        warm_up(scene)
    for _ in range(RUNS):
        for flats, scene in scenes.items():
            start = time.perf_counter()
            trace_sums(scene, points_for(RAYS), 1, floor=FLOOR)
            best[flats] = min(best[flats], time.perf_counter() - start)
    print(f"{'girdle flats':>14}{'facets':>10}{'s':>9}{'64 flats = 1':>15}")
    for flats, scene in scenes.items():
        facets = scene.planes.shape[1]
        print(f"{flats:14,}{facets:10,}{best[flats]:9.3f}{best[flats] / best[FLATS[0]]:15.2f}")


if __name__ == "__main__":
    main()
