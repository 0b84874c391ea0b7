"""facetrace dichroscope: the two colours of a crystal seen along a direction, and their spectrum."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

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

if TYPE_CHECKING:
    from facetrace.optics.material import Material
    from facetrace.optics.pleochroism import Pair

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
    from facetrace.cli.loading import concentrations, with_spectrum
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.colour import observer
    from facetrace.optics.material import find_material
    from facetrace.optics.pleochroism import dichroscope_pair
    from facetrace.results import document

    if ppma and spectrum:
        raise FacetraceError("--ppma and --spectrum: give one of them")
    check_outputs(json, (spectrum, material_file(material)), pictures=(picture, plot))
    substance = with_spectrum(find_material(material, concentrations(ppma or ())), spectrum)
    eye = observer()
    pair = dichroscope_pair(substance, math.radians(angle), thickness, eye)
    title = f"{substance.name}, {angle:g} deg to c, {thickness:g} mm"
    files, text = {}, ""
    if picture:
        from facetrace.report.picture import pair_png

        fields = pair.ordinary.xyz, pair.extraordinary.xyz
        files[picture] = pair_png(*fields, eye.white, title)
    if plot:
        from facetrace.report.plot import absorption_png

        files[plot] = absorption_png(substance, thickness)
    notes = document.colour_notes(substance)
    if json:
        about = {"material": substance.name, "angle_deg": angle, "thickness_mm": thickness}
        parts = document.head() | about | document.material_part(substance) | _pair_part(pair)
        text = document.text_of(parts | {"notes": notes})
    deliver(files, json, text)
    if json != "-":
        out.print(_table(pair, title))
        out.print(f"difference (CIEDE2000): {pair.difference:.2f}")
        out.print(_colouring(substance))
    for text in notes:
        note(text)


def _pair_part(pair: "Pair") -> dict[str, Any]:
    """The members "dichroscope" and "difference_ciede2000"."""
    from facetrace.results.document import fields_part

    return {"dichroscope": fields_part(pair), "difference_ciede2000": pair.difference}


def _table(pair: "Pair", title: str) -> Table:
    table = Table("field", "L*", "C*", "h", title=title, title_justify="left")
    for name, field in (("ordinary", pair.ordinary), ("extraordinary", pair.extraordinary)):
        table.add_row(
            name,
            f"{field.lch.lightness:.1f}",
            f"{field.lch.chroma:.1f}",
            f"{field.lch.hue_deg:.1f} deg",
        )
    return table


def _colouring(material: "Material") -> Table:
    """What colours it: chromophores in ppma, each with the standing of its numbers, or a spectrum."""
    table = Table(title_justify="left")
    table.add_column("coloured by", overflow="fold")
    if material.spectrum:
        nm = material.spectrum.wavelength_nm
        kind = "polarised" if material.spectrum.polarised else "unpolarised"
        table.add_column("spectrum")
        table.add_row(material.spectrum.name, f"{kind}, {nm[0]:g}-{nm[-1]:g} nm")
        return table
    table.add_column("ppma", justify="right")
    table.add_column("its bands")
    for chromophore, ppma in material.colouring:
        standing = "provisional" if chromophore.provisional else "published"
        table.add_row(chromophore.name, f"{ppma:g}", standing)
    if not material.colouring:
        table.add_row("nothing", "", "")
    return table
