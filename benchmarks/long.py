"""Long work in one process: memory, files, compiled code and speed over 1,000 sweeps.

    python benchmarks/long.py [--sweeps 1000] [--every 100] [--often 5] [--seldom 50] [--json FILE]

A sweep is ``facetrace angles`` on a design that differs from all before it: table, JSON, and now and then its plot.
Between them come all other kinds of work, each with inputs of its own, so that whatever is kept for an input grows with
them. After each block, garbage collected: resident memory, open files, threads, child processes, files left in the
temporary folder, and the number of compiled versions of the kernel's entry points. Times are the processor's, as multiples
of a reference, one fixed trace, that is measured between the sweeps of the same block.
"""

import argparse
import gc
import json
import os
import resource
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

from flats import stone
from typer.testing import CliRunner

ROOT = Path(__file__).parent.parent
DESIGNS = ROOT / "designs"
# rays of the sweeps and of what comes between; figures do not matter here
FEW = ("--rays", "512")
SMALL = ("--size", "64", "--samples", "1")
LIGHTS = ("hemisphere", "overcast", "cosine", "uniform", "spots")
# other work after each so many sweeps
OFTEN, SELDOM = 5, 50
REFERENCE_RAYS = 1 << 14


def run(*words):
    """A command in this process, as the command line has it."""
    from facetrace.cli.commands import app

    done = CliRunner().invoke(app, [str(w) for w in words])
    if done.exit_code:
        sys.exit(f"{words}: {done.output}{done.exception!r}")


def design_of(folder, k):
    """A round brilliant that no sweep had before: tables from 50 to 60 % in mixed order, so that sizes follow no trend."""
    text = (DESIGNS / "round-brilliant.toml").read_text(encoding="utf-8")
    path = folder / f"stone{k}.toml"
    path.write_text(text.replace("table_percent = 56", f"table_percent = {50 + k * 617 % 1000 * 0.01:.3f}"), encoding="utf-8")  # fmt: skip
    return path


def sweep(folder, k):
    """Number k: two angles, its table, JSON, each tenth with its plot."""
    design = design_of(folder, k)
    plot = ("--plot", folder / "a.png") if k % 10 == 0 else ("--no-plot",)
    run(
        "angles", design, "--vary", "pavilion.angle=41:42:1", *FEW, "--light", LIGHTS[k % len(LIGHTS)],
        "--csv", folder / f"a{k}.csv", "--json", folder / "a.json", *plot,
    )  # fmt: skip


def between(folder, k, often, seldom):
    """What is not a sweep, in turn; after *seldom* sweeps what takes long."""
    design, turn = folder / f"stone{k}.toml", (k // often) % 6
    zone = DESIGNS / "zones" / "blue-corner.toml"
    if turn == 0:
        run("trace", design, *FEW, *SMALL, "--axis-tilt", k % 90, "--picture", folder / "t.png", "--json", folder / "t.json")  # fmt: skip
    elif turn == 1:
        run("solid", design, "--mesh", folder / "s.glb", "--facets", "--json", folder / "s.json")
    elif turn == 2:
        run("sheet", design, "--out", folder / "s.html")
    elif turn == 3:
        run("dichroscope", "ruby", "--angle", k % 90, "--ppma", f"Cr3+={100 + k}")
    elif turn == 4:
        run("trace", design, *FEW, *SMALL, "--spectrum", DESIGNS / "pink-sapphire.csv", "--picture", folder / "t.png")  # fmt: skip
    else:
        run("girdle", design, "--thickness", "0.2", "--flats", "16", *FEW, "--csv", folder / f"g{k}.csv", "--no-plot")  # fmt: skip
    if k % seldom == 0:
        run("report", folder / "a.json", *SMALL, "--out", folder / "r.html")
        # two designs, so that two processes search
        run(
            "plan", DESIGNS / "roughs" / "crystal-barrel.toml", design, DESIGNS / "oval-brilliant.toml", "--rays", "256", "--most-cells", "2",
            "--workers", "2", "--no-losses", "--no-directions", "--csv", folder / f"p{k}.csv", "--picture", folder / "p.png", "--json", folder / "p.json",
        )  # fmt: skip
        run("view", DESIGNS / "roughs" / "cracked-pebble.toml", "--picture", folder / "v.png", "--size", "600")  # fmt: skip
    if k % (4 * seldom) == 0:
        run("report", design, "--zone", zone, *FEW, *SMALL, "--out", folder / "r.html")


class Reference:
    """One fixed trace, compiled and with its scene made before."""

    def __init__(self):
        from facetrace.design.model import read_design
        from facetrace.optics.colour import observer
        from facetrace.optics.lights import find_light
        from facetrace.optics.material import find_material
        from facetrace.solid.build import build_solid
        from facetrace.trace.faceup import trace_face_up
        from facetrace.trace.run import warm_up
        from facetrace.trace.scene import View, medium_of, scene_of

        solid = build_solid(read_design(DESIGNS / "round-brilliant.toml").design)
        medium = medium_of(find_material("ruby"), observer())
        scene = scene_of(solid, medium, (0.0, 0.0), find_light("hemisphere", None), View())
        self.trace = lambda: trace_face_up(scene, 1, rays=REFERENCE_RAYS)
        self.trace()
        # of many facets, as smooth girdles have, the kernel is compiled apart
        warm_up(stone(250))

    def seconds(self):
        """The smallest of three."""
        return min(timed(self.trace) for _ in range(3))


def timed(work, *of):
    """Seconds of processor time that something takes."""
    started = time.process_time()
    work(*of)
    return time.process_time() - started


def compiled():
    """How many versions of the kernel's functions there are."""

    from numba.core.dispatcher import Dispatcher

    return sum(len(d.signatures) for d in gc.get_objects() if isinstance(d, Dispatcher) and d.py_func.__module__.startswith("facetrace"))  # fmt: skip


def state(temporary):
    """What must not grow."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii").split()
    return {
        "resident_mb": round(pages * resource.getpagesize() / 1e6, 1),
        "open_files": len(os.listdir("/proc/self/fd")),  # noqa: PTH208
        "threads": threading.active_count(),
        "children": len(children),
        "temporary": sum(1 for _ in temporary.rglob("*")),
        "compiled": compiled(),
    }


def measured(sweeps, every, often, seldom, folder, temporary):
    """State and time after each block."""
    reference = Reference()
    found = []
    for first in range(0, sweeps, every):
        ours, theirs = [], []
        for k in range(first + 1, first + every + 1):
            ours.append(timed(sweep, folder, k))
            if k % often == 0:
                between(folder, k, often, seldom)
                theirs.append(reference.seconds())
            (folder / f"stone{k}.toml").unlink()
        ratio = statistics.median(ours) / statistics.median(theirs)
        found.append(
            {"sweeps": first + every, **state(temporary), "time": round(ratio, 3)}
            | {"sweep_ms": round(1e3 * statistics.median(ours), 1)}
        )
        print("  ".join(f"{name} {value}" for name, value in found[-1].items()), flush=True)
    return found


def main():
    """As a command; exit code 1 where a command failed."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--sweeps", type=int, default=1000)
    parser.add_argument("--every", type=int, default=100)
    parser.add_argument("--often", type=int, default=OFTEN)
    parser.add_argument("--seldom", type=int, default=SELDOM)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        folder, temporary = Path(work) / "work", Path(work) / "tmp"
        folder.mkdir()
        temporary.mkdir()
        # every later temporary file of this process and its children
        tempfile.tempdir = os.environ["TMPDIR"] = str(temporary)
        found = measured(asked.sweeps, asked.every, asked.often, asked.seldom, folder, temporary)
        if asked.json:
            asked.json.write_text(json.dumps(found), encoding="utf-8")


if __name__ == "__main__":
    main()
