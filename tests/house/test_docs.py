"""What README and designs/README.md promise is what the commands do. Run as a script, it rewrites
their output there."""

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
WALK = ROOT / "designs" / "README.md"
# a command of the walk and what it prints
STEP = re.compile(r"```sh\nfacetrace ([^\n]*)\n```\n\n```text\n(.*?)\n?```", re.S)


def table():
    """The table that README's first command prints (its picture goes to a scratch file)."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-m", "facetrace.cli.main", "trace", "designs/round-brilliant.toml",
             "--picture", Path(folder) / "readme.png"],
            cwd=ROOT, capture_output=True, text=True, check=True,
        )  # fmt: skip
    return "\n".join(line.rstrip() for line in done.stdout.rstrip().splitlines())


def shown():
    return re.search(r"```text\n(.*?)\n```", README.read_text(encoding="utf-8"), re.S).group(1)


def printed(words, folder):
    """What a command of the walk prints, run beside a copy of the designs."""
    done = subprocess.run(
        [sys.executable, "-m", "facetrace.cli.main", *shlex.split(words)],
        cwd=folder, capture_output=True, text=True, check=True, env=os.environ | {"COLUMNS": "80"},
    )  # fmt: skip
    return "\n".join(line.rstrip() for line in done.stdout.rstrip().splitlines())


def numbers(text):
    return re.findall(r"\d+\.\d+|\d+", text)


def test_readme_shows_what_the_first_command_prints():
    """Labels to the letter; numbers to 2e-3 or one unit of their last digit (other processors round
    otherwise)."""
    ours, theirs = shown(), table()
    strip = re.compile(r"[\d.\s]+")
    assert strip.sub("", ours) == strip.sub("", theirs)
    for a, b in zip(numbers(ours), numbers(theirs), strict=True):
        last_digit = 10.0 ** -len(b.partition(".")[2])
        assert abs(float(a) - float(b)) <= max(2e-3 * abs(float(b)), 1.01 * last_digit)


@pytest.mark.slow
def test_walks_print_what_they_show(tmp_path):
    """Words to the letter; 19 of 20 numbers to 2 %, 2e-3 or two units of their last digit: other
    processors round otherwise, and a picked row may then be its neighbour."""
    shutil.copytree(
        ROOT / "designs", tmp_path / "designs", ignore=shutil.ignore_patterns("*.png", "*.csv")
    )
    steps = STEP.findall(WALK.read_text(encoding="utf-8"))
    names = ["angles", "girdle", "orient", "lot", "plan", "plan", "recut", "sheet"]
    assert [shlex.split(words)[0] for words, _ in steps] == names
    for words, ours in steps:
        theirs = printed(words, tmp_path)
        strip = re.compile(r"[\d.\s+-]+")
        assert strip.sub("", ours) == strip.sub("", theirs)
        pairs = list(zip(numbers(ours), numbers(theirs), strict=True))
        off = [
            (a, b) for a, b in pairs
            if abs(float(a) - float(b)) > max(0.02 * abs(float(b)), 2.01 * 10.0 ** -len(b.partition(".")[2]))
        ]  # fmt: skip
        assert len(off) <= len(pairs) / 20, off


def test_ci_runs_exactly_the_readme_test_command():
    commands = re.findall(r"```sh\n(.*?)\n```", README.read_text(encoding="utf-8"), re.S)
    last = (ROOT / ".ci" / "run").read_text(encoding="utf-8").strip().splitlines()[-1]
    assert commands[1] == last
    assert commands[0].endswith("facetrace trace designs/round-brilliant.toml")


def test_what_readme_quotes_stands_in_the_walk():
    """Which test_walks_print_what_they_show holds against what the command prints."""
    text, walk = (p.read_text(encoding="utf-8") for p in (README, WALK))
    walk = " ".join(walk.split())
    quotes = re.findall(r"(?:^> .*\n)+", text, re.M)
    assert quotes
    for quote in quotes:
        assert " ".join(quote.replace("\n> ", " ").removeprefix("> ").split()) in walk
    for words in re.findall(r"```shell\n(facetrace plan [^\n]*)\n```", text):
        assert words in walk


def test_readme_links_lead_somewhere():
    for name in (
        "README.md", "DEVELOPERS.md", "tests/README.md", "designs/README.md", "designs/FILES.md",
    ):  # fmt: skip
        text = (ROOT / name).read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            assert ((ROOT / name).parent / target).exists(), f"{name}: {target}"


def test_example_of_one_facet_does_what_it_says():
    text = (ROOT / "tests" / "README.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(.*?)\n```", text, re.S).group(1)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.startswith(re.search(r"It prints `(.*?)` first", text).group(1))


def rewritten(text):
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(
            ROOT / "designs",
            Path(folder) / "designs",
            ignore=shutil.ignore_patterns("*.png", "*.csv"),
        )

        def step(found):
            words = found.group(1)
            return f"```sh\nfacetrace {words}\n```\n\n```text\n{printed(words, folder)}\n```"

        return STEP.sub(step, text)


if __name__ == "__main__":
    text = README.read_text(encoding="utf-8")
    README.write_text(
        re.sub(
            r"```text\n.*?\n```", lambda _: f"```text\n{table()}\n```", text, count=1, flags=re.S
        ),
        encoding="utf-8",
    )
    WALK.write_text(rewritten(WALK.read_text(encoding="utf-8")), encoding="utf-8")
