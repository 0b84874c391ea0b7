"""All that the commands print and write on the shipped examples, to compare two states of the code.

    python tests/tools/every_output.py before           runs all, about 5 minutes on 2 cores
    python tests/tools/every_output.py after trace orient    only outputs whose names begin so
    python tests/tools/every_output.py --compare before after

The last says which files differ, elapsed seconds apart, and ends with 1 where any does. With FACETRACE_ROOT another
checkout is run.
"""

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(os.environ.get("FACETRACE_ROOT", Path(__file__).parents[2]))
NAMES = [
    "report",
    "sheet",
    "movie",
    "view",
    "solid",
    "trace",
    "angles",
    "girdle",
    "orient",
    "plan",
    "mark",
    "lot",
    "recut",
    "new",
    "verify",
    "dichroscope",
]
QUICK = "--rays 4096 --most-cells 300 --workers 2"
PRICES = "--prices designs/prices/invented.toml"
# the command of each output by its name; those that read a result come after what wrote it
COMMANDS = {
    "version": "--version",
    "trace-options": "trace designs/oval-brilliant.toml --rays 8192 --tilt 15 --azimuth 90 --eye-tilt 5 --light overcast --axis-tilt 90 --spectrum designs/pink-sapphire.csv --json - --no-picture",
    "trace-error": "trace designs/round-brilliant.toml --error 0.001 --light spots --no-picture",
    "trace-clear": "trace designs/round-brilliant.toml --index 1.765 --no-absorption --light uniform --rays 16384 --json -",
    "sheet-gear": "sheet designs/rectangle-step.toml --gear 80 --first crown --json -",
    "angles": "angles designs/round-brilliant.toml --vary pavilion.angle=41:43:1 --vary crown.angle=34:36:1 --rays 4096 --csv a.csv --plot a.png --json a.json",
    "angles-carats": "angles designs/oval-brilliant.toml --vary crown.table_percent=54:56:1 --carats 1.5 --prefer light --rays 4096 --csv b.csv --plot b.png --json b.json",
    "angles-report": "report a.json --out a-report.html",
    "girdle": "girdle designs/round-brilliant.toml --thickness 0.15,0.4 --rays 8192 --tilts 0,20 --csv g.csv --plot g.png --json g.json",
    "girdle-report": "report g.json --out g-report.html",
    "orient": "orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml --tilts 0:4:2 --directions 4 --shifts 0,8 --pixel 0.2 --samples 16 --csv o.csv --picture o.png --map o-map.png --json o.json",
    "orient-report": "report o.json --out o-report.html",
    "report-round": "report designs/round-brilliant.toml --zone designs/zones/blue-corner.toml --size 64 --samples 4 --rays 4096 --out r.html --json r.json",
    "report-heart": "report designs/heart-brilliant.toml --size 64 --samples 2 --rays 4096 --out h.html --json h.json",
    "movie": "movie designs/round-brilliant.toml --frames 3 --size 160 --samples 2 --out m.webp --json m.json",
    "movie-gif": "movie designs/oval-brilliant.toml --motion both --frames 3 --size 160 --samples 2 --out m.gif",
    "view-round": "view designs/round-brilliant.toml --zone designs/zones/blue-flank.toml --picture v-round.png --size 420",
    "view-cryst": "view designs/roughs/crystal-barrel.toml --picture v-cryst.png --size 420",
    "plan-plate": f"plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml designs/round-brilliant.toml --table-to-c 0:30 {QUICK} {PRICES} --csv p.csv --picture p.png --json p.json --stone p.stl --offcut q.stl",
    "plan-pieces": f"plan designs/roughs/crystal-barrel.toml designs/round-brilliant.toml --pieces 2 --no-losses --no-directions {QUICK} --csv pp.csv --picture pp.png --json pp.json",
    "plan-flex": f"plan designs/roughs/cracked-pebble.toml designs/oval-brilliant.toml --flex outline.length_mm=6.5:7:0.5 --no-directions {QUICK} --csv pf.csv --json pf.json --no-picture",
    "plan-report": "report p.json --out p-report.html",
    "plan-mark": "mark p.json --number 1 --out p-mark.html --json p-mark.json",
    "plan-mark-pieces": "mark pp.json --pieces --out pp-mark.html --json pp-mark.json",
    "plan-view": "view p.json --picture p-view.png --size 420",
    "plan-pieces-report": "report pp.json --out pp-report.html",
    "lot": f"lot designs/roughs designs/oval-brilliant.toml {PRICES} {QUICK} --csv l.csv --json l.json",
    "lot-report": "report l.json --out l-report.html",
    "recut": "recut designs/cut/ruby-above-a-carat.toml --rays 4096 --picture c.png --json c.json",
    "recut-no": "recut designs/cut/oval-not-worth-it.toml --no-picture --rays 4096 --json c2.json",
    "recut-facets": "recut designs/cut/oval-not-worth-it.toml --facets",
    "recut-report": "report c.json --out c-report.html",
    "verify": "verify --json verify.json",
    "dichroscope": "dichroscope ruby --angle 90 --plot d.png --picture d2.png --json d.json",
    "dichroscope-ppma": "dichroscope corundum --ppma Cr3+=600 --ppma V3+=100 --thickness 5",
    "err-name": "trace designs/stnoe.toml",
    "err-option": "trace designs/round-brilliant.toml --rayz 5",
    "err-range": "trace designs/round-brilliant.toml --rays 0",
    "err-number": "plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --rays many",
    "err-command": "trase designs/round-brilliant.toml",
    "err-kind": "plan designs/round-brilliant.toml designs/oval-brilliant.toml",
    "err-vary": "angles designs/round-brilliant.toml --vary pavilion.angel=1:2:3",
}  # fmt: skip
SECONDS = (
    (rb'"seconds": [\d.e-]+', b'"seconds": S'), (rb"\d+(\.\d+)? s\b", b"S s"),
)  # fmt: skip


def commands() -> Iterator[tuple[str, str]]:
    """Name and words of each."""
    yield "help", "--help"
    yield from ((f"help-{name}", f"{name} --help") for name in NAMES)
    for path in sorted((ROOT / "designs").glob("*.toml")):
        name, design = path.stem, f"designs/{path.name}"
        yield f"solid-{name}", f"solid {design} --facets --mesh {name}.stl --json {name}-solid.json"
        yield f"tiers-{name}", f"solid {design} --tiers"
        yield f"sheet-{name}", f"sheet {design} --out {name}.html --json {name}-sheet.json"
        yield f"trace-{name}", f"trace {design} --rays 16384 --size 96 --samples 4 --picture {name}.png --maps {name}-maps.png --json {name}-trace.json"  # fmt: skip
    yield from COMMANDS.items()


def run_all(folder: Path, wanted: list[str]) -> None:
    """Run the commands beside a copy of the examples: files lie in *folder*/files, what is printed in *folder*/txt."""
    files, printed = folder.resolve() / "files", folder.resolve() / "txt"
    printed.mkdir(parents=True, exist_ok=True)
    if not (files / "designs").exists():
        files.mkdir()
        shutil.copytree(
            ROOT / "designs", files / "designs", ignore=shutil.ignore_patterns("*.png", "*.csv")
        )
        shutil.copy(ROOT / "designs" / "pink-sapphire.csv", files / "designs")
    environ = os.environ | {"COLUMNS": "100", "PYTHONPATH": str(ROOT)}
    for name, line in commands():
        if wanted and not name.startswith(tuple(wanted)):
            continue
        words = shlex.split(line)
        if "--csv" in words:
            # begun anew each time
            (files / words[words.index("--csv") + 1]).unlink(missing_ok=True)
        done = subprocess.run([sys.executable, "-m", "facetrace.cli.main", *words], cwd=files, env=environ, capture_output=True, check=False)  # fmt: skip
        text = b"$ %s\n%s--- stderr\n%s--- exit %d\n" % (
            line.encode(), done.stdout, done.stderr, done.returncode,
        )  # fmt: skip
        (printed / f"{name}.txt").write_bytes(text)
        print(name, done.returncode, flush=True)


def without_seconds(path: Path) -> bytes:
    """A file's content; of text elapsed times stand as S."""
    content = path.read_bytes()
    if path.suffix in (".txt", ".json", ".html", ".csv"):
        for pattern, stands in SECONDS:
            content = re.sub(pattern, stands, content)
    return content


def compare(before: Path, after: Path) -> int:
    """How many files differ, each named."""
    theirs, ours = (
        {p.relative_to(f) for p in f.rglob("*") if p.is_file()} for f in (before, after)
    )
    off = [f"only in {before}: {p}" for p in theirs - ours] + [f"only in {after}: {p}" for p in ours - theirs]  # fmt: skip
    off += [f"differs: {p}" for p in theirs & ours if without_seconds(before / p) != without_seconds(after / p)]  # fmt: skip
    print("\n".join([*sorted(off), f"{len(theirs & ours)} files in both, {len(off)} differ"]))
    return len(off)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--compare"]:
        sys.exit(bool(compare(Path(sys.argv[2]), Path(sys.argv[3]))))
    run_all(Path(sys.argv[1]), sys.argv[2:])
