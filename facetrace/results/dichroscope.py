"""What a dichroscope shows, in words: tables and JSON."""

from typing import Any

from rich.table import Table

from facetrace.optics.material import Material
from facetrace.results import document
from facetrace.studies.dichroscope import TwoColours


def title(result: TwoColours) -> str:
    """What was looked at, and how."""
    return f"{result.material.name}, {result.angle_deg:g} deg to c, {result.thickness_mm:g} mm"


def dichroscope_document(result: TwoColours) -> dict[str, Any]:
    """The whole document."""
    return document.head() | {
        "material": result.material.name,
        "angle_deg": result.angle_deg,
        "thickness_mm": result.thickness_mm,
        **document.material_part(result.material),
        "dichroscope": document.fields_part(result.pair),
        "difference_ciede2000": result.pair.difference,
        "notes": document.colour_notes(result.material),
    }


def difference_line(result: TwoColours) -> str:
    """How far the two colours are apart."""
    return f"difference (CIEDE2000): {result.pair.difference:.2f}"


def fields_table(result: TwoColours) -> Table:
    """The two fields."""
    table = Table("field", "L*", "C*", "h", title=title(result), title_justify="left")
    for name, field in (
        ("ordinary", result.pair.ordinary),
        ("extraordinary", result.pair.extraordinary),
    ):
        lightness, chroma, hue = field.lch.lightness, field.lch.chroma, field.lch.hue_deg
        table.add_row(name, f"{lightness:.1f}", f"{chroma:.1f}", f"{hue:.1f} deg")
    return table


def colouring_table(material: Material) -> Table:
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
