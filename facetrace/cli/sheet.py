"""facetrace sheet: a design as a sheet for the bench, step by step."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, finite, note, one_line_errors, out, progress
from facetrace.common.errors import FacetraceError, FileError

EXAMPLES = """
**Examples**

`facetrace sheet designs/round-brilliant.toml`

`facetrace sheet designs/pear-brilliant.toml --first crown --meet-gap 0.03 --out pear.html`

`facetrace sheet designs/rectangle-step.toml --gear 80 --json -`
"""


class Side(StrEnum):
    """Sides of a stone."""

    pavilion = "pavilion"
    crown = "crown"


@one_line_errors
def sheet(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    target: Annotated[
        Path | None,
        typer.Option("--out", help="Where the page goes [default: beside the design, NAME-sheet.html; none with --json -]."),
    ] = None,
    first: Annotated[Side, typer.Option(help="Which side is cut first, after the girdle.")] = Side.pavilion,
    meet_gap: Annotated[
        float, typer.Option(min=0.005, max=1, callback=finite, help="How far facets may miss each other where they should meet, mm: this sets how exact each angle must be.")
    ] = 0.05,
    allowance: Annotated[
        float, typer.Option(min=0.05, max=5, callback=finite, help="What the blank keeps to grind, mm all round.")
    ] = 0.3,
    gear: Annotated[
        int | None, typer.Option(min=3, max=1000, help="Teeth of the gear on the bench, where it is not the design's.")
    ] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """What to cut in which order, how deep and how exactly: one page to print and take to the wheel."""
    from facetrace.bench.steps import bench_steps
    from facetrace.cli.loading import load_stone
    from facetrace.report.sheet import sheet_page
    from facetrace.report.sheet_drawings import sheet_drawings
    from facetrace.results.document import ESTIMATE
    from facetrace.results.sheet import gear_words, sheet_document, sheet_table
    from facetrace.studies.opening import load_material

    stem = design.with_suffix("")
    usual = None if json == "-" else stem.with_name(f"{stem.name}-sheet.html")
    page = target or usual
    check_outputs(json, (design,), others=(page,))
    if page and page.suffix.lower() not in (".html", ".htm"):
        raise FacetraceError(f"{page}: the sheet is written as HTML; let its name end in .html")
    file, _ = load_stone(design)
    own, material = file.design, load_material(file)
    try:
        bench = bench_steps(
            own, material.density, first=first.value, allowance_mm=allowance, open_mm=meet_gap, progress=progress
        )  # fmt: skip
    except FacetraceError as problem:
        raise FileError(design, None, "", str(problem)) from None
    parts = sheet_document(bench, file, material.name, gear)
    files = {page: sheet_page(parts, sheet_drawings(bench, own.gear)).encode()} if page else {}
    deliver(files, json, lambda: parts)
    if json != "-":
        out.print(sheet_table(own.name, bench))
    if misses := gear_words(parts["sheet"]["other_gear"]):
        note(f"warning: {misses}")
    if page:
        note(f"sheet: {page} (open it in a browser; print it from there)")
    note(ESTIMATE)
