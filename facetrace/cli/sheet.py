"""facetrace sheet: a design as a sheet for the bench, step by step."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, finite, note, one_line_errors, out, progress

if TYPE_CHECKING:
    from facetrace.bench.steps import Bench

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
    from facetrace.bench.steps import bench
    from facetrace.cli.loading import load_material, load_stone
    from facetrace.common.errors import FacetraceError, FileError
    from facetrace.report.sheet import gear_words, notes, sheet_page, sheet_part
    from facetrace.results import document

    stem = design.with_suffix("")
    usual = None if json == "-" else stem.with_name(f"{stem.name}-sheet.html")
    page = target or usual
    check_outputs(json, (design,), others=(page,))
    if page and page.suffix.lower() not in (".html", ".htm"):
        raise FacetraceError(f"{page}: the sheet is written as HTML; let its name end in .html")
    file, stone = load_stone(design)
    material = load_material(file)
    own = file.design
    try:
        with progress("cutting it on paper") as tell:
            found = bench(
                own, material.density, first=first.value, allowance_mm=allowance, open_mm=meet_gap, report=tell
            )  # fmt: skip
    except FacetraceError as problem:
        raise FileError(design, None, "", str(problem)) from None
    parts = document.head() | {
        "design": {"name": own.name, "file": str(design), "material": material.name},
        "solid": document.solid_part(stone, found.measures),
        "sheet": sheet_part(found, own.gear, gear if gear != own.gear else None),
        "notes": notes(found, material.name),
    }
    files = {page: sheet_page(parts, found).encode()} if page else {}
    deliver(files, json, document.text_of(parts) if json else "")
    if json != "-":
        out.print(_table(own.name, found))
    if misses := gear_words(parts["sheet"]["other_gear"]):
        note(f"warning: {misses}")
    if page:
        note(f"sheet: {page} (open it in a browser; print it from there)")
    note(document.ESTIMATE)


def _table(name: str, found: "Bench") -> Table:
    from facetrace.bench.steps import MOST_ERROR_DEG
    from facetrace.report.sheet import FINE, MISSING, READ_DEG, tolerance_of

    keeps = [tolerance_of(s.fault) for s in found.steps]
    below = [f"-  {MISSING.format(degrees=f'{MOST_ERROR_DEG:g} degrees')}"] * any(
        s.fault and k is None for s, k in zip(found.steps, keeps, strict=True)
    )
    below += [f"*  {FINE}"] * any(k is not None and k < READ_DEG for k in keeps)
    shown = Table(title=f"{name}: {found.first} first", title_justify="left",
                  caption="\n".join(below), caption_justify="left")  # fmt: skip
    shown.add_column("step")
    for head in ("facets", "angle, deg", "keep within", "depth mm", "carats"):
        shown.add_column(head, justify="right")
    for k, (step, keep) in enumerate(zip(found.steps, keeps, strict=True)):
        angles = [s.angle for s in step.settings]
        low, high = min(angles), max(angles)
        shown.add_row(
            f"{k + 1} {step.name}",
            f"{len(step.facets)}",
            f"{low:.2f}" if high - low < 0.005 else f"{low:.2f} - {high:.2f}",
            ("-" if step.fault else "")
            if keep is None
            else f"+-{keep:.2f}{'*' if keep < READ_DEG else ' '}",
            f"{step.checks.depth_mm:.2f}",
            f"{step.checks.carats:.3f}",
        )
    return shown
