"""facetrace dichroscope: the two colours of a crystal seen along a direction."""

import math
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from facetrace.cli.shell import check_json, finite, note, one_line_errors, out, write_json

EXAMPLES = """
**Examples**

`facetrace dichroscope ruby --angle 90`

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
    picture: Annotated[Path | None, typer.Option(help="Write the two fields as a picture (PNG).")] = None,
    json: Annotated[
        str | None, typer.Option(help="Write the result as JSON to a file, or - for stdout.")
    ] = None,
) -> None:  # fmt: skip
    """The two colours that a dichroscope shows, in daylight (D65)."""
    from facetrace.common.output import check_target, write_whole
    from facetrace.measures.pleochroism import dichroscope_pair
    from facetrace.optics.colour import observer
    from facetrace.optics.material import find_material
    from facetrace.report import document

    check_json(json)
    if picture:
        check_target(picture)
    substance = find_material(material)
    eye = observer()
    pair = dichroscope_pair(substance, math.radians(angle), thickness, eye)
    title = f"{substance.name}, {angle:g} deg to c, {thickness:g} mm"
    if picture:
        from facetrace.report.picture import pair_png

        write_whole(picture, pair_png(pair.ordinary.xyz, pair.extraordinary.xyz, eye.white, title))
    notes = document.provisional_notes(substance)
    if json:
        parts = document.head() | {
            "material": substance.name,
            "angle_deg": angle,
            "thickness_mm": thickness,
            "dichroscope": {
                name: {
                    "xyz": list(map(float, field.xyz)), "lightness": field.lch.lightness,
                    "chroma": field.lch.chroma, "hue_deg": field.lch.hue_deg,
                }
                for name, field in (("ordinary", pair.ordinary), ("extraordinary", pair.extraordinary))
            },
            "difference_ciede2000": pair.difference,
            "notes": notes,
        }  # fmt: skip
        write_json(json, document.text_of(parts))
    if json != "-":
        table = Table("field", "L*", "C*", "h", title=title, title_justify="left")
        for name, field in (("ordinary", pair.ordinary), ("extraordinary", pair.extraordinary)):
            table.add_row(
                name,
                f"{field.lch.lightness:.1f}",
                f"{field.lch.chroma:.1f}",
                f"{field.lch.hue_deg:.1f} deg",
            )
        out.print(table)
        out.print(f"difference (CIEDE2000): {pair.difference:.2f}")
    for text in notes:
        note(text)
