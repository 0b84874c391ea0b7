"""A tender of many roughs on a cluster: time and memory for each, and what saturates first.

``python benchmarks/tender.py --roughs 200``: invented scans of natural shape (pebbles, broken prisms, plates; some with cracks,
crystals, silk or a blue zone), then ``facetrace lot FOLDER DESIGN --cluster ADDRESS`` with a scheduler and workers of this machine,
all begun here. Memory and processor are looked at every second; times of roughs come from the scheduler's log of tasks.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "tools")]

from clusters import LocalCluster  # noqa: E402
from natural_roughs import Made, made, written  # noqa: E402

# so many roughs have one with a zone of another colour
ZONED = 10
ZONE = """[[defect]]
name = "blue flank"
kind = "zone"
wish = "hide"
material = "blue sapphire"
half_space = { normal = [1, 0, 0.2], from_mm = %.3f }
"""
MB = 1e6


def rough_of(number: int, triangles: int) -> Made:
    """Rough *number* with at least so many triangles, as a scanner gives them."""
    rough = made(number)
    corners, faces = rough.vertices, rough.faces
    while len(faces) < triangles:
        corners, faces = trimesh.remesh.subdivide(corners, faces)
    defects = rough.defects
    if number % ZONED == 0:
        defects = (*defects, ZONE % np.quantile(corners @ [1, 0, 0.2], 0.8))
    return replace(rough, vertices=corners, faces=faces, defects=defects)


class Watched:
    """The most memory [MB] of processes, and their seconds of processor (Linux, proc(5))."""

    def __init__(self, **processes: int) -> None:
        self.processes = {name: Path("/proc") / str(pid) for name, pid in processes.items()}
        self.most = dict.fromkeys(processes, 0.0)
        self.busy = dict.fromkeys(processes, 0.0)

    def look(self) -> None:
        """Once more; what has ended stays as it was."""
        for name, process in self.processes.items():
            with suppress(OSError, StopIteration):
                status = (process / "status").read_text().splitlines()
                kb = next(line.split()[1] for line in status if line.startswith("VmHWM"))
                ticks = (process / "stat").read_text().rpartition(")")[2].split()
                self.most[name] = int(kb) * 1024 / MB
                self.busy[name] = (int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK")


def through_loop() -> int:
    """Bytes that went through the machine's own network device."""
    return int(Path("/sys/class/net/lo/statistics/tx_bytes").read_text())


def planned(
    folder: Path, words: list[str], count: int
) -> tuple[float, Watched, list[float], float]:
    """(seconds, what was watched, seconds of each rough, bytes through the loop device) of one lot."""
    from distributed import Client

    with (
        tempfile.TemporaryDirectory() as place,
        LocalCluster(Path(place), count) as cluster,
        Client(cluster.address, set_as_default=False) as looker,
    ):
        looker.wait_for_workers(count)
        # the scheduler keeps a log of tasks from now on
        looker.get_task_stream()
        before, begun = through_loop(), time.time()
        command = subprocess.Popen(
            [sys.executable, "-m", "facetrace.cli.main", "lot", str(folder), *words, "--cluster", cluster.address],
            cwd=ROOT, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        workers = {f"worker {k}": process.pid for k, process in enumerate(cluster.workers, 1)}
        watched = Watched(client=command.pid, scheduler=cluster.scheduler.pid, **workers)
        while command.poll() is None:
            watched.look()
            time.sleep(1)
        seconds = time.time() - begun
        sent = through_loop() - before
        log: Any = looker.get_task_stream(start=begun)
    spans = [
        span["stop"] - span["start"] for task in log if "done_there" in str(task["key"])
        for span in task["startstops"] if span["action"] == "compute"
    ]  # fmt: skip
    return seconds, watched, spans, sent


def main() -> None:
    """Make the roughs, plan them, and print what it took."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--roughs", type=int, default=200)
    options.add_argument("--triangles", type=int, default=20_000)
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("words", nargs="*", default=["designs/oval-brilliant.toml"], help="designs and options of facetrace lot, behind --")  # fmt: skip
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tender"
        for number in range(asked.roughs):
            written(folder, rough_of(number, asked.triangles), f"r{number:05d}", f"r{number:05d}")
        size = sum(p.stat().st_size for p in folder.iterdir()) / asked.roughs / MB
        print(f"{asked.roughs} invented roughs, {size:.2f} MB each; {' '.join(asked.words)}", flush=True)  # fmt: skip
        seconds, watched, spans, sent = planned(folder, asked.words, asked.workers)
        table = folder.with_name("tender-lot.csv").stat().st_size / MB
    tell(seconds, watched, spans, sent / asked.roughs, table, asked.roughs, asked.workers)


def tell(
    seconds: float, watched: Watched, spans: list[float], sent: float, table: float, count: int, workers: int
) -> None:  # fmt: skip
    """Print the figures, and what they make for more roughs."""
    print(f"{seconds:.0f} s in all, {count / seconds * 3600:.0f} roughs an hour on {workers} workers of one thread")  # fmt: skip
    if spans:
        low, half, high = np.quantile(spans, [0.1, 0.5, 0.9])
        print(f"a rough: mean {np.mean(spans):.1f} s, 10 % below {low:.1f}, half below {half:.1f}, 90 % below {high:.1f}, most {max(spans):.1f} s ({len(spans)} tasks)")  # fmt: skip
        print(f"workers were at work {100 * sum(spans) / seconds / workers:.0f} % of the time")
    for name, most in watched.most.items():
        print(f"{name}: at most {most:.0f} MB, {watched.busy[name]:.1f} s of processor, {1e3 * watched.busy[name] / count:.0f} ms a rough")  # fmt: skip
    print(f"{sent / 1e3:.0f} kB through the network a rough; {1e3 * table / count:.1f} kB of table a rough")  # fmt: skip
    # on a machine that others use too, the seconds of processor say more than those of the clock
    core = sum(busy for name, busy in watched.busy.items() if name.startswith("worker")) / count
    print(f"{core:.1f} core-seconds a rough")
    for many in (2_000, 20_000):
        print(f"{many:,} roughs: {many * core / 3600:.1f} core-hours; {many * core / 36_000:.1f} cores for 10 hours")  # fmt: skip
    for name in ("client", "scheduler"):
        print(f"the {name} is busy at about {core * count / max(watched.busy[name], 1e-9):.0f} workers")  # fmt: skip


if __name__ == "__main__":
    main()
