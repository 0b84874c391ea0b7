"""How long the largest copies of six outlines take to be found and bounded, all table directions within 15 degrees of c.

``python benchmarks/place.py``: the invented pebble, with its crack and without it; each time also in units of
one linear program by HiGHS (the largest copy at one orientation in the pebble's convex hull), measured in the same run.
"""

import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial.transform import Rotation

from facetrace.design.model import read_design
from facetrace.placement.bound import bounded
from facetrace.placement.search import largest, prepared
from facetrace.placement.shapes import WHOLE, Facing, Space, Stone, stone_of
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.solid.build import build_solid
from facetrace.solid.measure import carats_at
from facetrace.studies.plan_task import PlanWishes, Room

DESIGNS = Path(__file__).parent.parent / "designs"
OUTLINES = (
    "round-brilliant", "oval-brilliant", "pear-brilliant", "marquise-brilliant", "cushion-brilliant",
    "rectangle-step",
)  # fmt: skip
PROGRAMS = 100
FACING = Facing(within_deg=15.0, both=True)
# the planner's own
MOST_CELLS, WITHIN = PlanWishes.most_cells, PlanWishes.within


def program(stone: Stone, turn: NDArray[np.float64], space: Space) -> float:
    """The largest scale of a turned stone under the hull's planes: unknowns scale and place of its middle."""
    planes = space.hull
    reach = (stone.parts[WHOLE] @ turn.T @ planes[:3]).max(axis=0)
    rows = np.column_stack([reach, planes[:3].T])
    bounds = [(0, None), *[(None, None)] * 3]
    found = linprog(
        [-1, 0, 0, 0], A_ub=rows, b_ub=planes[3] - space.skin_mm, bounds=bounds, method="highs"
    )
    return float(found.x[0])


def seconds_of_a_program(stone: Stone, space: Space) -> float:
    """One of them, the mean of PROGRAMS orientations."""
    turns = Rotation.random(PROGRAMS, random_state=1).as_matrix()
    start = time.perf_counter()
    for turn in turns:
        program(stone, turn, space)
    return (time.perf_counter() - start) / PROGRAMS


def main() -> None:
    """Print the table."""
    room = Room(rough_of(read_rough(DESIGNS / "roughs" / "cracked-pebble.toml")))
    stones = {
        name: stone_of(build_solid(read_design(DESIGNS / f"{name}.toml").design))
        for name in OUTLINES
    }
    spaces = {"with its crack": room.space(), "without": room.space(without=room.kept_off)}
    # compiles
    first = next(iter(stones.values()))
    found = largest(first, prepared(spaces["without"]), FACING)
    bounded(first, spaces["without"], FACING, found[0].volume, most_cells=20)
    one = seconds_of_a_program(stones["oval-brilliant"], spaces["without"])
    print(f"one program by HiGHS, {spaces['without'].hull.shape[1]} planes: {1e3 * one:.2f} ms")
    for title, space in spaces.items():
        start = time.perf_counter()
        ready = prepared(space)
        print(f"{title:15} made ready in {time.perf_counter() - start:.2f} s")
        total = 0.0
        for name, stone in stones.items():
            start = time.perf_counter()
            copies = largest(stone, ready, FACING)
            searched = time.perf_counter() - start
            have = copies[0].volume if copies else 0.0
            most = bounded(stone, space, FACING, have, within=WITHIN, most_cells=MOST_CELLS)
            took = time.perf_counter() - start
            total += took
            gap = most.most_mm3 / have - 1 if have else np.nan
            print(
                f"{title:15} {name:20} {carats_at(have, room.rough.density):6.3f} ct, within {100 * gap:5.1f} %, "
                f"{most.cells:6} cells, found in {searched:5.2f} s, bounded in {took - searched:5.2f} s, "
                f"{took / one:7.0f} programs"
            )
        print(f"{title:15} all six {total:.1f} s, {total / one:.0f} programs")


if __name__ == "__main__":
    main()
