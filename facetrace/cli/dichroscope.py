"""facetrace dichroscope: the two colours of a crystal seen along a direction, and their spectrum."""

from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import JsonOption, SpectrumOption
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    material_file,
    note,
    one_line_errors,
    out,
)
from facetrace.common.errors import FacetraceError

EXAMPLES = """
**Examples**

`facetrace dichroscope ruby --angle 90`

`facetrace dichroscope corundum --ppma Cr3+=600 --ppma V3+=100 --plot spectrum.png`

`facetrace dichroscope corundum --spectrum designs/pink-sapphire.csv --thickness 3`

`facetrace dichroscope "blue sapphire" --angle 60 --thickness 5 --picture pair.png --json -`
"""


@one_line_errors
def dichroscope(
    material: Annotated[str, typer.Argument(help="Material or variety (ruby), or a file ending in .toml.")],
    angle: Annotated[
        float, typer.Option(min=0, max=90, callback=finite, help="Between the line of sight and the c-axis, degrees.")
    ] = 90.0,
    thickness: Annotated[
        float, typer.Option(min=0.001, max=1000, callback=finite, help="Path in the crystal, mm.")
    ] = 5.0,
    ppma: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=NUMBER",
            help="A chromophore's concentration, like Cr3+=300, parts per million atoms; may be repeated. "
            "Those given replace all of the material's own.",
        ),
    ] = None,
    spectrum: SpectrumOption = None,
    picture: Annotated[Path | None, typer.Option(help="Write the two fields as a picture (PNG).")] = None,
    plot: Annotated[
        Path | None, typer.Option(help="Write the absorption of both rays against wavelength as a plot (PNG).")
    ] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """The two colours that a dichroscope shows, in daylight (D65), and the absorption behind them."""
    from facetrace.cli.loading import concentrations
    from facetrace.optics.material import find_material
    from facetrace.results import dichroscope as words
    from facetrace.results.document import colour_notes
    from facetrace.studies.dichroscope import two_colours
    from facetrace.studies.opening import with_spectrum

    if ppma and spectrum:
        raise FacetraceError("--ppma and --spectrum: give one of them")
    check_outputs(json, (spectrum, material_file(material)), pictures=(picture, plot))
    substance = with_spectrum(find_material(material, concentrations(ppma or ())), spectrum)
    result = two_colours(substance, angle, thickness)
    files = {}
    if picture:
        fields = result.pair.ordinary.xyz, result.pair.extraordinary.xyz
        from facetrace.report.picture import pair_png

        files[picture] = pair_png(*fields, result.white, words.title(result))
    if plot:
        from facetrace.report.plot import absorption_png

        files[plot] = absorption_png(substance, thickness)
    deliver(files, json, lambda: words.dichroscope_document(result))
    if json != "-":
        out.print(words.fields_table(result))
        out.print(words.difference_line(result))
        out.print(words.colouring_table(substance))
    for text in colour_notes(substance):
        note(text)
