"""What the checks found, in words: table, lines and JSON."""

import math
from collections.abc import Sequence
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from facetrace.checks.check import Outcome
from facetrace.results import document

# top, right, bottom, left
INDENT = (0, 0, 0, 2)


def verify_document(done: Sequence[Outcome]) -> dict[str, Any]:
    """The whole document."""
    return document.head() | {"checks": [_member(outcome) for outcome in done], "notes": []}


def _member(outcome: Outcome) -> dict[str, Any]:
    worst = outcome.worst
    return {
        "name": outcome.check.name,
        "source": outcome.check.source,
        "comparison": worst.what,
        "comparisons": outcome.count,
        "expected": worst.expected,
        "got": worst.got if math.isfinite(worst.got) else None,
        "tolerance": worst.tolerance,
        "passed": outcome.passed,
        "seconds": outcome.seconds,
    }


def count_line(done: Sequence[Outcome]) -> str:
    """How much was checked."""
    figures = sum(outcome.count for outcome in done)
    seconds = sum(outcome.seconds for outcome in done)
    return f"{len(done)} checks, {figures} figures, {seconds:.0f} s"


def verify_table(done: Sequence[Outcome]) -> Table:
    """A row for each check, with the comparison under most strain."""
    table = Table(
        title="facetrace held against the outside", title_justify="left", box=SIMPLE_HEAD,
        pad_edge=False, collapse_padding=True,
    )  # fmt: skip
    table.add_column("check, figure shown, [dim]source[/dim]", ratio=1)
    for name in ("expected", "got", "tolerance", "verdict"):
        table.add_column(name, justify="right", no_wrap=True)
    for outcome in done:
        worst = outcome.worst
        table.add_row(
            Group(
                Text(outcome.check.name),
                Padding(Text(worst.what), INDENT),
                Padding(Text(outcome.check.source, style="dim"), INDENT),
            ),
            f"{worst.expected:.6g}",
            f"{worst.got:.6g}",
            f"{worst.tolerance:.1e}",
            "passed" if outcome.passed else "[bold red]FAILED[/bold red]",
        )
    return table
