"""How long the largest copies of six outlines take, all table directions within 15 degrees of c.

``python benchmarks/place.py``: the invented cracked pebble, as a convex hull and with its crack; each time also in
units of one linear program of one orientation by HiGHS, measured in the same run.
"""

import time
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from facetrace.design.model import read_design
from facetrace.optics.rough import read_rough, rough_of
from facetrace.solid.build import build_solid
from facetrace.solid.place import Facing, Obstacle, Space, largest, proven, stone_of

DESIGNS = Path(__file__).parent.parent / "designs"
OUTLINES = (
    "round-brilliant", "oval-brilliant", "pear-brilliant", "marquise-brilliant", "cushion-brilliant",
    "rectangle-step",
)  # fmt: skip
PROGRAMS = 100


def main() -> None:
    """Print the table."""
    rough = rough_of(read_rough(DESIGNS / "roughs" / "cracked-pebble.toml"))
    cracks = tuple(
        Obstacle(d.name, d.points, margin_mm=d.margin_mm)
        for d in rough.defects
        if d.kind == "crack"
    )
    facing = Facing(within_deg=15.0)
    stones = {
        name: stone_of(build_solid(read_design(DESIGNS / f"{name}.toml").design))
        for name in OUTLINES
    }
    largest(stones["round-brilliant"], Space(rough.hull), facing, most_cells=200)  # compiles
    turns = Rotation.random(PROGRAMS, random_state=1).as_matrix()
    plain = Space(rough.hull, skin_mm=rough.loss.skin_mm)
    start = time.perf_counter()
    for turn in turns:
        proven(stones["oval-brilliant"], turn, plain, {})
    one = (time.perf_counter() - start) / PROGRAMS
    print(f"one orientation by HiGHS, {plain.planes.shape[1]} planes: {1e3 * one:.2f} ms")
    for title, space in (
        ("hull", plain),
        ("with its crack", Space(rough.hull, cracks, plain.skin_mm)),
    ):
        total = 0.0
        for name, stone in stones.items():
            start = time.perf_counter()
            found = largest(stone, space, facing)
            took = time.perf_counter() - start
            total += took
            size = found.copy.volume * rough.density / 200 if found.copy else np.nan
            print(
                f"{title:15} {name:20} {size:6.3f} ct, within {100 * found.gap:.2f} %, {found.cells:6} cells, "
                f"{took:6.2f} s, {took / one:7.0f} programs"
            )
        print(f"{title:15} all six {total:.1f} s, {total / one:.0f} programs")


if __name__ == "__main__":
    main()
