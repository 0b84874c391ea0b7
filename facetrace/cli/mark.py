"""facetrace mark: a planned stone in its rough, as a sheet for the saw and the dop."""

from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, progress

EXAMPLES = """
**Examples**

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --json plan.json`

`facetrace mark plan.json`

`facetrace mark plan.json --number 2 --out second.html`

`facetrace mark plan.json --pieces --out pieces.html`
"""


@one_line_errors
def mark(
    plan: Annotated[Path, typer.Argument(help="A plan: what `facetrace plan --json` wrote.", metavar="PLAN")],
    target: Annotated[
        Path | None,
        typer.Option("--out", help="Where the page goes [default: beside the plan, NAME-mark.html; none with --json -]."),
    ] = None,
    number: Annotated[int | None, typer.Option(min=1, help="Which stone of the plan, as its table counts them [default: the plan to go by].")] = None,
    pieces: Annotated[bool, typer.Option("--pieces", help="The plan's stones of several pieces, and the saw cuts.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Where a planned stone lies in its rough: six views to scale and distances, one page to print for the saw and the dop."""
    from facetrace.common.errors import FacetraceError, FileError
    from facetrace.report.marking import mark_page
    from facetrace.results import document
    from facetrace.results.mark import mark_document, marked_of
    from facetrace.results.reading import complete, read_result

    usual = None if json == "-" else plan.with_name(f"{plan.stem}-mark.html")
    page = target or usual
    if page and page.suffix.lower() not in (".html", ".htm"):
        raise FacetraceError(f"{page}: the sheet is written as HTML; let its name end in .html")
    if number and pieces:
        raise FacetraceError("--number and --pieces: give one of them")
    result = read_result(plan)
    if result.kind != "plan":
        raise FileError(plan, None, "", f"is a result of facetrace {result.kind}; name what `facetrace plan --json` wrote")  # fmt: skip
    with progress("marking sheet"), complete(result):
        marked = marked_of(result, number, pieces)
        check_outputs(json, marked.sources, others=(page,))
        parts = mark_document(marked)
        files = {page: mark_page(parts, marked).encode()} if page else {}
    deliver(files, json, lambda: parts)
    if page:
        note(f"marking sheet: {page} (open it in a browser; print it at full size)")
    note(document.ESTIMATE)
