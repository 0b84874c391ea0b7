"""facetrace verify: the outside checks, on the user's own machine."""

import math
from typing import TYPE_CHECKING, Any

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out, progress

if TYPE_CHECKING:
    from facetrace.checks.check import Outcome

EXAMPLES = """
**Examples**

`facetrace verify`

`facetrace verify --json verify.json`
"""


# top, right, bottom, left
INDENT = (0, 0, 0, 2)


@one_line_errors
def verify(
    json: JsonOption = None,
) -> None:
    """Hold this installation against published numbers, exact laws and a second tracer.

    Exit code 1 when a check fails. Where a check compares many figures, the one is shown that
    lies farthest from what is expected, in units of what is allowed.
    """
    from facetrace.checks.catalogue import CHECKS
    from facetrace.checks.check import run_check

    check_outputs(json, ())
    done: list[Outcome] = []
    with progress("checks") as report:
        for number, check in enumerate(CHECKS):
            report(number / len(CHECKS))
            done.append(run_check(check))
    failed = [outcome for outcome in done if not outcome.passed]
    if json:
        from facetrace.results import document

        members = {"checks": [_member(outcome) for outcome in done], "notes": []}
        deliver({}, json, document.text_of(document.head() | members))
    if json != "-":
        out.print(_table(done))
        figures = sum(outcome.count for outcome in done)
        seconds = sum(outcome.seconds for outcome in done)
        note(f"{len(done)} checks, {figures} figures, {seconds:.0f} s")
        for outcome in failed:
            note(f"failed: {outcome.check.name}: {outcome.worst.what}")
        out.print("all passed" if not failed else f"{len(failed)} of {len(done)} failed")
    if failed:
        raise typer.Exit(1)


def _member(outcome: "Outcome") -> dict[str, Any]:
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


def _table(done: "list[Outcome]") -> Table:
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
