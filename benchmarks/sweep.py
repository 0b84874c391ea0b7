"""Speed and sureness of a sweep of 400 candidates, against 400 plain traces in the same run.

    python benchmarks/sweep.py [DESIGN ...]

The reference is trace_face_up of the design as it stands, with the same rays; the two take turns,
so that a change of the clock rate meets both. Compilation is left out on both sides. What a
sweep adds to its traces: solids, tilt tolerance, paired differences.
"""

import argparse
import itertools
import platform
import time
from pathlib import Path

import numba
import numpy as np

from facetrace.cli.angles import DEFAULT_RAYS
from facetrace.design.model import read_design
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.studies.rows import number
from facetrace.studies.sweep import conditions_of, range_of, sweep, that_can_be_cut, traced
from facetrace.trace.faceup import trace_face_up

ROOT = Path(__file__).parent.parent
DESIGNS = [ROOT / "designs" / f"{stem}.toml" for stem in ("round-brilliant", "rectangle-step")]
SIDE = 20
PART = 20


def measured(design, conditions):
    """(rows, seconds of the sweep, seconds of as many plain traces)."""
    ranges = (
        range_of(design, "pavilion.angle", 39.0, 39.0 + 0.4 * (SIDE - 1), 0.4),
        range_of(design, "crown.angle", 28.0, 28.0 + 0.6 * (SIDE - 1), 0.6),
    )
    plain = traced(design, conditions).scene
    rows, ours, theirs = [], 0.0, 0.0
    work = sweep(design, ranges, conditions, {})
    while True:
        start = time.perf_counter()
        part = list(itertools.islice(work, PART))
        ours += time.perf_counter() - start
        rows += part
        if not part:
            return rows, ours, theirs
        start = time.perf_counter()
        for _ in part:
            trace_face_up(plain, conditions.seed, rays=conditions.rays)
        theirs += time.perf_counter() - start


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("designs", nargs="*", type=Path, default=DESIGNS)
    options = parser.parse_args()
    print(f"{platform.machine()}, {numba.get_num_threads()} threads, {DEFAULT_RAYS:,} rays each")
    for path in options.designs:
        design = read_design(path).design
        for material in ("ruby", "corundum"):
            rows, ours, theirs = measured(
                design,
                conditions_of(find_material(material), find_light("hemisphere"), rays=DEFAULT_RAYS),
            )
            done = that_can_be_cut(rows)
            for_400 = 400 / len(rows)
            print(f"{path.stem}, {material}: {len(rows)} candidates, {len(done)} of them cut")
            print(f"  400 candidates, s                    {ours * for_400:.1f}")
            print(f"  400 plain traces, s                  {theirs * for_400:.1f}")
            print(f"  ratio                                {ours / theirs:.2f}")
            for name in ("light_return", "light_return_gain", "window", "tilt_deg"):
                errors = [
                    number(r, f"{name}_stderr") for r in done if r[f"{name}_stderr"] is not None
                ]
                errors = np.array(errors) * (1 if name == "tilt_deg" else 100)
                unit = "deg" if name == "tilt_deg" else "%"
                label = f"std. error of {name}, {unit}"
                print(f"  {label:36} {np.median(errors):.3f} (largest {errors.max():.3f})")


if __name__ == "__main__":
    main()
