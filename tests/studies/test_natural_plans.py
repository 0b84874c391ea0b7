"""`facetrace plan` in natural roughs: judged from its files, and held to a search that shares nothing with it.

natural-roughs.json: what `python tests/tools/independent_placement.py --write` found and checked. A plan may
be up to 2 % lighter than that, its bound never.

Half of the roughs are planned, with each of the five designs, each range of the table to c, each kind of shape and of
what is wrong; `FACETRACE_EVERY_ROUGH=1 python -m pytest tests/studies/test_natural_plans.py` plans all 44.
"""

import json
import os
import re
from dataclasses import replace

import pytest
from independent_placement import FIGURES
from natural_roughs import COUNT, made, write
from plan_judge import complaints
from shared import ROOT, run

from facetrace.placement.search import FULL, largest

# fewer than the usual rounds must do
FEWER = replace(FULL, rounds=(5, 2))
KNOWN = json.loads(FIGURES.read_text(encoding="utf-8"))
SHARE = 0.98
EVERY = bool(os.environ.get("FACETRACE_EVERY_ROUGH"))
PLANNED = [n for n in range(COUNT) if EVERY or n % 4 in (0, 3)]


def test_each_kind_is_planned():
    """By what the roughs are called (lumps and sides apart), and what was asked of them."""
    names = [re.sub(r"\d+", "#", made(n).name) for n in range(COUNT)]
    assert {names[n] for n in PLANNED} == set(names)
    for asked in ("design", "table_to_c"):
        assert {str(KNOWN[str(n)][asked]) for n in PLANNED} == {
            str(k[asked]) for k in KNOWN.values()
        }


@pytest.mark.slow
@pytest.mark.parametrize("number", PLANNED)
def test_a_plan_in_a_natural_rough(tmp_path, number, monkeypatch):
    # how long it may take is told after a taste of the search, half a second for each
    monkeypatch.setattr("facetrace.studies.plan._estimate", lambda *_: "")
    monkeypatch.setattr(
        "facetrace.placement.search.largest",
        lambda *words, **more: largest(
            *words, **more | ({"effort": FEWER} if more.get("effort") == FULL else {})
        ),
    )
    known = KNOWN[str(number)]
    rough = write(tmp_path, number)
    design = ROOT / "designs" / f"{known['design']}.toml"
    low, high = known["table_to_c"]
    answer, stone = tmp_path / "out.json", tmp_path / "stone.stl"
    result = run("plan", rough, design, "--table-to-c", f"{low}:{high}", "--no-losses", "--no-directions", "--no-picture", "--rays", 256, "--most-cells", 300, "--workers", 1, "--json", answer, "--stone", stone)  # fmt: skip
    assert result.exit_code == 0, result.output
    row = json.loads(answer.read_text(encoding="utf-8"))["plan"]["plans"][0]
    assert complaints(rough, answer, stone, low, high) == []
    assert row["carats"] >= SHARE * known["carats"]
    # the bound is above every stone that there is
    assert row["most_carats"] >= known["carats"] * (1 - 1e-6)
