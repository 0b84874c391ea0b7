"""facetrace verify: the outside checks, on the user's own machine."""

import typer

from facetrace.cli.options import DeviceName, DeviceOption, JsonOption
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out, progress

EXAMPLES = """
**Examples**

`facetrace verify`

`facetrace verify --json verify.json`

`facetrace verify --device gpu`
"""


@one_line_errors
def verify(
    device: DeviceOption = DeviceName.cpu,
    json: JsonOption = None,
) -> None:
    """Hold this installation against published numbers, exact laws and a second tracer.

    Exit code 1 when a check fails. Where a check compares many figures, the one is shown that
    lies farthest from what is expected, in units of what is allowed.
    """
    from facetrace.checks import catalogue
    from facetrace.checks.check import run_checks
    from facetrace.checks.result import count_line, verify_document, verify_table

    check_outputs(json, ())
    with progress("checks") as report:
        done = run_checks(catalogue.CHECKS, report)
    failed = [outcome for outcome in done if not outcome.passed]
    deliver({}, json, lambda: verify_document(done))
    if json != "-":
        out.print(verify_table(done))
        note(count_line(done))
        for outcome in failed:
            note(f"failed: {outcome.check.name}: {outcome.worst.what}")
        out.print("all passed" if not failed else f"{len(failed)} of {len(done)} failed")
    if failed:
        raise typer.Exit(1)
