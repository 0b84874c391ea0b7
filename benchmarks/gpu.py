"""A graphics card against all cores of the same machine, in one run: rays, a sweep, a picture, a movie, a report.

    python benchmarks/gpu.py            needs an NVIDIA card and:  pip install -e ".[gpu]"
    python benchmarks/gpu.py --rays     only the tracing itself
    python benchmarks/gpu.py --device cpu

Each line is timed once its code is compiled; what compiling or loading it takes is said apart. Rates are events a second:
a light path's meetings with facets. The cores trace a part of the rays, since they take longer; the rest is in proportion.
"""

import argparse
import contextlib
import io
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np

import facetrace as ft
from facetrace.design.model import read_design
from facetrace.kernel.tally import COUNT_EVENTS, SUM_Y
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.solid.girdle import GIRDLE
from facetrace.studies.rows import number
from facetrace.studies.sweep import conditions_of, range_of, sweep, that_can_be_cut
from facetrace.trace.run import points_for, roulette_floor, trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

DESIGNS = Path(__file__).parent.parent / "designs"
RAYS = {"gpu": 1 << 26, "cpu": 1 << 21}
SIDE = 20


@dataclass(frozen=True)
class Timed:
    """First and best seconds of some calls, and what the last gave."""

    first: float
    best: float
    value: object


def timed(work, calls=3):
    """Call *work* several times."""
    seconds, value = [], None
    for _ in range(calls):
        start = time.perf_counter()
        value = work()
        seconds.append(time.perf_counter() - start)
    return Timed(seconds[0], min(seconds[1:] or seconds), value)


def scenes():
    """Named scenes of each kind that a kernel is compiled for."""
    eye, light = observer(), find_light("hemisphere")
    ruby = medium_of(find_material("ruby"), eye)

    def scene(design, medium=ruby, **more):
        own = read_design(DESIGNS / f"{design}.toml").design
        solid = build_solid(own)
        if more.pop("ground", False):
            more["ground"] = {n: 0.39 for n in solid.names if n.startswith(f"{GIRDLE} ")}
        return scene_of(solid, medium, (own.axis.tilt, own.axis.azimuth), light, View(), **more)

    return {
        "round ruby": scene("round-brilliant"),
        "round, one index": scene(
            "round-brilliant", medium_of(find_material("ruby"), eye, index=1.765)
        ),
        "ground girdle": scene("round-brilliant", ground=True),
        "heart": scene("heart-brilliant"),
    }


def rays(devices):
    """Events a second of each kind of stone on each device, and how far their totals are apart."""
    print(f"\n{'':28}" + "".join(f"{d:>14}" for d in devices) + "   events a second; first call, s")
    for name, scene in scenes().items():
        rates, totals, firsts = [], [], []
        for device in devices:
            with ft.tracing_on(device):
                floor, points = roulette_floor(scene, 1), points_for(RAYS[device])
                done = timed(lambda s=scene, n=points, f=floor: trace_sums(s, n, 1, floor=f), 2)
                rates.append(done.value.rows[:, COUNT_EVENTS].sum() / done.best)
                small = trace_sums(scene, points_for(1 << 18), 1, floor=0.01).rows
                totals.append(small.sum(axis=0) / small[:, SUM_Y].sum())
                firsts.append(done.first)
        line = f"{name:28}" + "".join(f"{r:14.3g}" for r in rates)
        line += "   " + ", ".join(f"{s:.1f}" for s in firsts)
        if len(devices) > 1:
            apart = np.abs(totals[0] - totals[1]).max()
            line += f"; {rates[-1] / rates[0]:.0f} times; totals {apart:.0e} apart"
        print(line, flush=True)


def sweep_of(rays_each):
    """Rows of 400 candidates around the round ruby."""
    design = read_design(DESIGNS / "round-brilliant.toml").design
    conditions = conditions_of(find_material("ruby"), find_light("hemisphere"), rays=rays_each)
    ranges = (
        range_of(design, "pavilion.angle", 39.0, 39.0 + 0.2 * (SIDE - 1), 0.2),
        range_of(design, "crown.angle", 30.0, 30.0 + 0.4 * (SIDE - 1), 0.4),
    )
    return list(sweep(design, ranges, conditions, {}))


def command(words, folder):
    """Run a command in this process, as a shell would, with its files in a folder."""
    from facetrace.cli.commands import app

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        app([word.format(folder=folder) for word in words], standalone_mode=False)


ROUND = str(DESIGNS / "round-brilliant.toml")
COMMANDS = {
    "picture of 600 x 600": [
        "trace",
        ROUND,
        "--size",
        "600",
        "--rays",
        "1024",
        "--picture",
        "{folder}/a.png",
    ],
    "movie as it comes": ["movie", ROUND, "--out", "{folder}/a.webp"],
    "report as it comes": ["report", ROUND, "--out", "{folder}/a.html"],
}


def jobs(devices, rays_each):
    """Seconds of what commands do on each device, in this process and started anew."""
    print(
        f"\n{'seconds':28}"
        + "".join(f"{d:>14}" for d in devices)
        + "   first call; started anew, all"
    )
    found = []
    for device in devices:
        with ft.tracing_on(device):
            found.append(timed(lambda: sweep_of(rays_each), 2))
    line = f"{'400 candidates of angles':28}" + "".join(f"{t.best:14.2f}" for t in found)
    errors = [100 * number(r, "light_return_stderr") for r in that_can_be_cut(found[-1].value)]
    print(f"{line}   {', '.join(f'{t.first:.1f}' for t in found)}")
    print(
        f"    standard errors of light return {min(errors):.4f} to {max(errors):.4f} %, {rays_each:,} rays each",
        flush=True,
    )
    for name, words in COMMANDS.items():
        best, notes = [], []
        for device in devices:
            with tempfile.TemporaryDirectory() as folder:
                own = [*words, "--device", device]
                done = timed(lambda w=own, f=folder: command(w, f), 3 if device == "gpu" else 2)
                start = time.perf_counter()
                subprocess.run(
                    [sys.executable, "-m", "facetrace.cli.main", *(w.format(folder=folder) for w in own)], check=True,
                    capture_output=True,
                )  # fmt: skip
                best.append(done.best)
                notes.append(f"{done.first:.1f}; {time.perf_counter() - start:.1f}")
        print(
            f"{name:28}" + "".join(f"{s:14.2f}" for s in best) + "   " + ", ".join(notes),
            flush=True,
        )


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rays", action="store_true", help="only the tracing itself")
    parser.add_argument("--device", choices=("cpu", "gpu", "both"), default="both")
    parser.add_argument(
        "--rays-each", type=int, default=1 << 17, help="rays of a candidate of the sweep"
    )
    options = parser.parse_args()
    devices = ("cpu", "gpu") if options.device == "both" else (options.device,)
    card = ""
    if "gpu" in devices:
        from numba import cuda

        with ft.tracing_on("gpu"):
            name = cuda.get_current_device().name
            card = f", {name.decode() if isinstance(name, bytes) else name}"
    print(f"{platform.machine()}, {numba.get_num_threads()} threads{card}")
    rays(devices)
    if not options.rays:
        jobs(devices, options.rays_each)


if __name__ == "__main__":
    main()
