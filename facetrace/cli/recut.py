"""facetrace recut: is a re-cut of a stone worth its hundredths of a carat."""

from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import (
    DeviceName,
    DeviceOption,
    HeadAsTraceOption,
    JsonOption,
    LightName,
    LightOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    note,
    one_line_errors,
    out,
    progress,
    targets,
)

EXAMPLES = """
**Examples**

`facetrace recut designs/cut/ruby-above-a-carat.toml`

`facetrace recut designs/cut/ruby-above-a-carat.toml --floor 0.98 --light overcast`

`facetrace recut designs/cut/oval-not-worth-it.toml --no-picture --json recut.json`

`facetrace recut designs/cut/oval-not-worth-it.toml --facets`

The stone's file says its design or scan, what was measured and weighed, and each pit or chip with its depth.
"""

DEFAULT_RAYS = 1 << 17


@one_line_errors
def recut(
    stone: Annotated[Path, typer.Argument(help="File of the stone as cut (TOML): shape, measured sizes, carats, flaws.")],
    floor: Annotated[
        float | None, typer.Option(min=0.001, max=10_000, callback=finite, help="Carats that it must not fall below, in place of the file's.")
    ] = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    spectrum: SpectrumOption = None,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for the light before and after.")] = DEFAULT_RAYS,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    picture: Annotated[
        Path | None, typer.Option(help="Plan views before and after [default: beside the file, -recut.png; none with --json -].")
    ] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    facets: Annotated[bool, typer.Option("--facets", help="Only list the stone's facets: names for the file, angles, places.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Which facets to recut, by how much, what goes, what stays, and whether it is worth it."""
    from dataclasses import replace

    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.recut.recut import recut_stone
    from facetrace.recut.stone import read_stone
    from facetrace.results.recut import notes, recut_document, sentences
    from facetrace.results.recut_tables import facets_table, tables
    from facetrace.studies.opening import with_spectrum

    _, shown = targets(stone, "recut", None, picture, no_picture, json)
    check_outputs(json, (stone, spectrum), pictures=(shown,))
    cut = read_stone(stone)
    if facets:
        out.print(facets_table(cut))
        return
    if not cut.spots:
        raise FacetraceError(
            f"{stone}: flaw: is missing; give [[flaw]] tables (--facets lists the facets that they may name)"
        )
    cut = replace(cut, material=with_spectrum(cut.material, spectrum))
    found = recut_stone(cut, floor, find_light(light.value, head), rays=rays, seed=seed, progress=progress)  # fmt: skip
    files = {}
    if shown:
        from facetrace.report.recut import recut_png

        files[shown] = recut_png(found)
    deliver(files, json, lambda: recut_document(found))
    if json == "-":
        return
    for part in (*tables(found), *sentences(found)):
        out.print(part)
    if shown:
        note(f"picture: {shown}")
    for text in notes(cut):
        note(text)
