"""The outside checks of ``facetrace verify``, one test each, and the command itself."""

import json

import jsonschema
import pytest
from shared import SCHEMA, run

from facetrace.checks import catalogue
from facetrace.checks.catalogue import CHECKS
from facetrace.checks.check import Check, Comparison, between, run_check


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.name)
def test_outside(check):
    """Sources stand in the list itself (facetrace/checks)."""
    outcome = run_check(check)
    assert outcome.passed, outcome.worst
    assert check.source


def test_strain():
    assert Comparison("", 1.0, 1.1, 0.2).strain == pytest.approx(0.5)
    assert Comparison("", 1.0, float("nan"), 0.2).strain == float("inf")
    assert Comparison("", 1.0, 1.0, 0.0).strain == 0
    assert between("", 1, 3, 3).strain == 1
    assert between("", 1, 3.01, 3).strain > 1


def test_verify_says_what_passed_and_what_failed(monkeypatch, tmp_path):
    good = Check("five is five", "arithmetic", lambda: [Comparison("five", 5.0, 5.0, 1e-9)])
    bad = Check("two is three", "nobody", lambda: [Comparison("two", 3.0, 2.0, 0.5)])
    lost = Check("no number", "nobody", lambda: [Comparison("0/0", 3.0, float("nan"), 0.5)])
    monkeypatch.setattr(catalogue, "CHECKS", (good,))
    result = run("verify")
    assert result.exit_code == 0
    assert "all passed" in result.output
    monkeypatch.setattr(catalogue, "CHECKS", (good, bad, lost))
    target = tmp_path / "verify.json"
    result = run("verify", "--json", target)
    assert result.exit_code == 1
    assert "2 of 3 failed" in result.output
    found = json.loads(target.read_text(encoding="utf-8"))
    jsonschema.validate(found, SCHEMA)
    assert [c["passed"] for c in found["checks"]] == [True, False, False]
    assert found["checks"][1]["source"] == "nobody"
    assert found["checks"][2]["got"] is None
