"""What the documents show is what commands print, found by marks, never by a sentence; see tests/tools/shown.py.

Only quick commands are run here. The others' output is checked by `python tests/tools/shown.py --check`.
"""

import re
import shlex
import subprocess
import sys

import pytest
from shared import ROOT
from shown import COMMANDS, DOCUMENTS, blocks, printed, unlike

QUICK = ("trace", "sheet", "recut")
SHOWN = [(path, *block) for path in DOCUMENTS for block in blocks(path)]
ALL = sorted({*DOCUMENTS, *ROOT.glob("*.md"), *ROOT.glob("*/*.md")})


@pytest.mark.parametrize(
    ("words", "shown"), [(w, s) for _, w, s in SHOWN if shlex.split(w)[0] in QUICK]
)
def test_what_is_shown_is_what_is_printed(words, shown, tmp_path):
    assert unlike(shown, printed(words, tmp_path)) == []


def test_what_is_shown_is_of_a_command_of_its_document():
    assert SHOWN
    for path, words, _ in SHOWN:
        commands = "\n".join(COMMANDS.findall(path.read_text(encoding="utf-8")))
        assert f"facetrace {words}" in commands


@pytest.mark.parametrize(
    ("now", "off"),
    [("a 1.000 12", 0), ("a  1.002 12", 0), ("b 1.000 12", 1), ("a 1.100 12", 1), ("a 1.000 15", 1)],
)  # fmt: skip
def test_what_is_unlike_is_told(now, off):
    assert len(unlike("a 1.000 12", now)) == off


def test_ci_runs_exactly_the_readme_test_command():
    commands = COMMANDS.findall((ROOT / "README.md").read_text(encoding="utf-8"))
    last = (ROOT / ".ci" / "run").read_text(encoding="utf-8").strip().splitlines()[-1]
    assert last in commands


def test_links_lead_somewhere():
    for path in ALL:
        for target in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (path.parent / target).exists(), f"{path}: {target}"


@pytest.mark.parametrize("path", ALL, ids=lambda p: str(p.relative_to(ROOT)))
def test_examples_in_python_run(path):
    for code in re.findall(
        r"^```python\n(.*?)\n```", path.read_text(encoding="utf-8"), re.S | re.M
    ):
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)  # fmt: skip
        assert done.returncode == 0, done.stderr
