"""What the documents show is what commands print: `python tests/tools/shown.py` runs them and rewrites what is shown.

A block is found by the comment before it, wherever it stands:

    <!-- printed by: facetrace trace designs/round-brilliant.toml -->
    ```text
    ...
    ```

With words of a command (`shown.py sheet recut`) only its blocks are rewritten; with ``--check`` nothing is, and what is not
as shown is printed, exit code 1.
"""

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from shared import ROOT

DOCUMENTS = [ROOT / name for name in ("README.md", "designs/README.md")]
BLOCK = re.compile(r"(<!-- printed by: facetrace (.*?) -->\n```text\n)(.*?)(\n?```)", re.S)
# a block of commands in a document, in sh
COMMANDS = re.compile(r"^```sh(?:ell)?\n(.*?)\n```", re.S | re.M)
# numbers and the spaces that make room for them
NUMBERS = re.compile(r"[\d.\s+-]+")


def blocks(document: Path) -> list[tuple[str, str]]:
    """The words of each command in a document, and the output that is shown for it."""
    found = BLOCK.findall(document.read_text(encoding="utf-8"))
    return [(words, shown) for _, words, shown, _ in found]


def printed(words: str, folder: Path) -> str:
    """What a command prints, run beside a copy of the designs that is made in *folder* where there is none."""
    if not (folder / "designs").exists():
        shutil.copytree(
            ROOT / "designs", folder / "designs", ignore=shutil.ignore_patterns("*.png", "*.csv")
        )
        shutil.copy(ROOT / "designs" / "pink-sapphire.csv", folder / "designs")
    done = subprocess.run(
        [sys.executable, "-m", "facetrace.cli.main", *shlex.split(words)], cwd=folder, capture_output=True, text=True,
        check=True, env=os.environ | {"COLUMNS": "80", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return "\n".join(line.rstrip() for line in done.stdout.rstrip().splitlines())


def unlike(shown: str, now: str) -> list[str]:
    """What is shown and is not so: words to the letter, 19 of 20 numbers to 2 % or two units of their last digit.

    Other processors round otherwise, and a picked row may then be its neighbour.
    """
    if NUMBERS.sub("", shown) != NUMBERS.sub("", now):
        return ["other words"]
    pairs = list(zip(*(re.findall(r"\d+\.\d+|\d+", text) for text in (shown, now)), strict=True))
    off = [
        f"{a}, but is {b}" for a, b in pairs
        if abs(float(a) - float(b)) > max(0.02 * abs(float(b)), 2.01 * 10.0 ** -len(b.partition(".")[2]))
    ]  # fmt: skip
    return off if len(off) > len(pairs) / 20 else []


def _run(asked: list[str], check: bool) -> Iterator[str]:
    """Rewrite or check what is shown of the asked commands; yields what was wrong."""
    with tempfile.TemporaryDirectory() as folder:
        for document in DOCUMENTS:
            text = document.read_text(encoding="utf-8")
            for words, shown in blocks(document):
                if asked and shlex.split(words)[0] not in asked:
                    continue
                start = time.perf_counter()
                now = printed(words, Path(folder))
                print(f"{time.perf_counter() - start:4.0f} s  facetrace {words}", flush=True)
                yield from (f"{document.name}: facetrace {words}: {problem}" for problem in unlike(shown, now))  # fmt: skip
                text = BLOCK.sub(lambda m, w=words, n=now: f"{m[1]}{n}\n```" if m[2] == w else m[0], text)  # fmt: skip
            if not check:
                document.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    wrong = list(_run([w for w in sys.argv[1:] if w != "--check"], "--check" in sys.argv))
    print("\n".join(wrong) or "all as shown")
    sys.exit(bool(wrong) and "--check" in sys.argv)
