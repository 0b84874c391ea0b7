"""How long plans of large scans take, and how much memory a lot of them needs.

``python benchmarks/scans.py``: invented lumpy pebbles of 20,480 and 327,680 triangles, one design each, and lots of 2 and of 8
scans of 327,680. Times are in seconds and in units of one linear program by HiGHS with 1,000 rows, measured in the same run.
Commands run once before, so that nothing compiles in what is timed.
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import trimesh
from scipy.optimize import linprog

DESIGN = Path(__file__).parent.parent / "designs" / "oval-brilliant.toml"
PROGRAMS = 50
LUMP, WAVES = 0.05, 12


def pebble(divisions: int, seed: int = 3) -> trimesh.Trimesh:
    """A lumpy pebble of 20 * 4^divisions triangles, 12 x 10 x 8.4 mm before the lumps."""
    rng = np.random.default_rng(seed)
    ball = trimesh.creation.icosphere(subdivisions=divisions)
    corners, size = np.asarray(ball.vertices), np.ones(len(ball.vertices))
    for _ in range(WAVES):
        along = rng.normal(size=3)
        turns, height, start = rng.uniform(2, 7), rng.normal(), rng.uniform(0, 6)
        size += (
            LUMP / 2 * height * np.sin(turns * (corners @ along) / np.linalg.norm(along) + start)
        )
    return trimesh.Trimesh(corners * size[:, None] * [6, 5, 4.2], ball.faces, process=False)


def written(folder: Path, name: str, mesh: trimesh.Trimesh) -> Path:
    """A rough file and its scan."""
    folder.mkdir(exist_ok=True)
    mesh.export(folder / f"{name}.stl")
    rough = folder / f"{name}.toml"
    rough.write_text(f'name = "{name}"\n[shape]\nmesh = "{name}.stl"\nc_axis = [0.2, 0.3, 0.9]\n', encoding="utf-8")  # fmt: skip
    return rough


def one_program() -> float:
    """Seconds for one linear program of 1,000 rows by HiGHS."""
    rng = np.random.default_rng(1)
    rows = rng.normal(size=(1000, 4))
    rows[:, 0] = np.abs(rows[:, 0]) + 0.1
    start = time.perf_counter()
    for _ in range(PROGRAMS):
        linprog([-1.0, 0, 0, 0], A_ub=rows, b_ub=np.ones(1000), bounds=[(0, None)] + [(None, None)] * 3, method="highs")  # fmt: skip
    return (time.perf_counter() - start) / PROGRAMS


def run(*words: object) -> tuple[float, float]:
    """(seconds, peak memory in MB of the command's largest process so far) of a command."""
    command = [sys.executable, "-m", "facetrace.cli.main", *map(str, words)]
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return time.perf_counter() - start, peak


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        small = written(folder / "one", "lumpy", pebble(5))
        run("plan", small, DESIGN, "--no-picture", "--fresh")
        unit = one_program()
        print(f"one program of 1,000 rows by HiGHS: {1e3 * unit:.2f} ms")
        large = written(folder / "one", "large", pebble(7))
        for rough, count in ((small, 20_480), (large, 327_680)):
            seconds, peak = run("plan", rough, DESIGN, "--no-picture", "--fresh")
            print(f"plan, {count:7,} triangles: {seconds:6.1f} s, {seconds / unit:8.0f} programs, peak so far {peak:5.0f} MB")  # fmt: skip
        for count in (2, 8):
            lot = folder / f"lot{count}"
            for k in range(count):
                written(lot, f"r{k}", pebble(7, seed=k))
            seconds, peak = run("lot", lot, DESIGN, "--rays", 256, "--most-cells", 20, "--fresh")
            print(f"lot of {count} scans of 327,680: {seconds:6.1f} s, {seconds / unit:8.0f} programs, peak so far {peak:5.0f} MB")  # fmt: skip


if __name__ == "__main__":
    main()
