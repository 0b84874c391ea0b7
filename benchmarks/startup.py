"""How long the command takes to say its help, in units of an empty Python of the same run.

    python benchmarks/startup.py

Both take turns, so that a change of the clock rate meets both; of each the smallest of RUNS times
counts, wall and processor's. A first start, which is not counted, writes the compiled modules.
"""

import os
import subprocess
import sys
import time

RUNS = 15
WORDS = [["--help"], ["trace", "--help"], ["plan", "--help"], ["--version"]]


def seconds(command):
    """(wall, processor) seconds of one start."""
    before, began = os.times(), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - began, os.times()
    spent = after.children_user + after.children_system
    return wall, spent - before.children_user - before.children_system


def main():
    """Print the table."""
    empty = [sys.executable, "-c", "pass"]
    commands = [empty, *([sys.executable, "-m", "facetrace.cli.main", *words] for words in WORDS)]
    for command in commands:
        seconds(command)
    best = [[float("inf"), float("inf")] for _ in commands]
    for _ in range(RUNS):
        for kept, command in zip(best, commands, strict=True):
            kept[:] = map(min, kept, seconds(command))
    print(f"{'':<28}{'wall, s':>8}{'cpu, s':>8}{'empty = 1':>11}")
    for (wall, spent), words in zip(best, [["(an empty Python)"], *WORDS], strict=True):
        name = " ".join(words if words[0][0] == "(" else ["facetrace", *words])
        print(f"{name:<28}{wall:8.3f}{spent:8.3f}{spent / best[0][1]:11.1f}")


if __name__ == "__main__":
    main()
