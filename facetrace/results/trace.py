"""A stone traced face up, in words: table, notes and JSON."""

from pathlib import Path
from typing import Any

from rich.table import Table

from facetrace.results import document
from facetrace.studies.face_up import FaceUpResult, StoneInLight
from facetrace.studies.screen import WHITE
from facetrace.trace.faceup import MeanColour
from facetrace.trace.scene import View

# chroma below so many of its standard errors is that of grey
GREY_ERRORS = 4
ROWS = (
    ("light_return", "light returned"),
    ("window", "window"),
    ("extinction", "extinction"),
    ("absorbed", "absorbed"),
    ("surface", "surface mirror"),
)
ISOTROPIC = "Isotropic index: no double refraction; the colour is the mean over directions."


def light_and_view(stone: StoneInLight) -> str:
    """Light and view in words."""
    view = stone.view
    text = stone.light.words
    if view.spin:
        text += f", stone turned {view.spin:g} deg"
    if view.tilt:
        text += f", stone tilted {view.tilt:g} deg towards {view.azimuth:g}"
    if view.eye_tilt:
        text += f", eye {view.eye_tilt:g} deg towards {view.eye_azimuth:g}"
    return text


def notes(result: FaceUpResult) -> list[str]:
    """Cautions that belong to the numbers."""
    stone = result.stone
    return [
        document.ESTIMATE,
        *document.light_notes(stone.light),
        *(document.colour_notes(stone.material) if stone.absorbing else []),
        *([ISOTROPIC] if stone.index else []),
    ]


def rays_line(result: FaceUpResult) -> str:
    """How much was traced, under what."""
    figures = result.figures
    return f"{figures.rays:,} rays, {result.seconds:.1f} s, {light_and_view(result.stone)}, seed {figures.seed}"


def short_of_error(result: FaceUpResult) -> list[str]:
    """A line where the error that was asked for was not reached."""
    if result.error is None or result.reached <= result.error:
        return []
    return [f"the wished error of {result.error:g} was not reached within {result.figures.rays:,} rays"]  # fmt: skip


def design_member(stone: StoneInLight, design: Path) -> dict[str, Any]:
    """The member "design"."""
    return {"name": stone.name, "file": str(design), "material": stone.material.name}


def scene_member(stone: StoneInLight, view: View, white_radiance: float) -> dict[str, Any]:
    """The member "scene"."""
    return document.scene_part(
        stone.light, view, stone.axis, white_radiance,
        index=stone.index, absorption=stone.absorbing, wavelength_nm=stone.wavelength_nm,
    )  # fmt: skip


def picture_member(
    result: FaceUpResult, picture: Path, exposure: float, glare: bool, beyond_screen: float
) -> dict[str, Any]:
    """The member "picture"; beyond_screen: share of the stone's pixels out of gamut."""
    assert result.maps is not None
    return {
        "file": str(picture), "size_px": result.maps.coverage.shape[0], "mm_per_pixel": result.maps.step_mm,
        "rays_per_pixel": result.samples, "exposure": exposure, "white": WHITE, "glare": glare,
        "beyond_screen": beyond_screen,
    }  # fmt: skip


def trace_document(
    result: FaceUpResult, design: Path, picture: dict[str, Any] | None = None
) -> dict[str, Any]:
    """The whole document; *picture*: the member of that name."""
    stone = result.stone
    parts = document.head() | {
        "design": design_member(stone, design),
        "solid": document.solid_part(stone.solid, result.sizes),
        "scene": scene_member(stone, stone.view, result.white_radiance),
        **document.trace_part(result.figures, result.seconds),
    }
    if stone.absorbing:
        parts |= document.material_part(stone.material)
    if result.maps:
        parts |= {"dominant_area": result.maps.dominant, "leading_area": result.maps.leading}
    if picture:
        parts |= {"picture": picture}
    return parts | {"notes": notes(result)}


def trace_table(result: FaceUpResult) -> Table:
    """Figures with their standard errors, weight and size."""
    table = Table(title=f"{result.stone.name} ({result.stone.material.name})", title_justify="left")
    table.add_column("face up", no_wrap=True)
    for name in ("value", "+- std. error", "leads on"):
        table.add_column(name, justify="right", no_wrap=True)
    leading = result.maps.leading if result.maps else {}
    for key, label in ROWS:
        m = result.figures.measures[key]
        area = f"{100 * leading[key]:.0f} % of face" if key in leading else ""
        table.add_row(label, f"{100 * m.value:.3f} %", f"{100 * m.stderr:.3f} %", area)
    table.add_section()
    bright = result.figures.measures["brightness"]
    table.add_row("brightness, white = 1", f"{bright.value:.5f}", f"{bright.stderr:.5f}", "")
    _add_colour(table, "colour", result.figures.colour)
    _add_colour(table, "... from within", result.figures.within)
    table.add_section()
    sizes = result.sizes
    table.add_row("weight", f"{sizes.carats:.3f} ct", "", "")
    size = f"{sizes.length_mm:.2f} x {sizes.width_mm:.2f} x {sizes.depth_mm:.2f}"
    table.add_row("size, mm", size, "", "")
    return table


def _add_colour(table: Table, label: str, colour: MeanColour) -> None:
    if colour.lightness and colour.chroma and colour.hue_deg:
        parts = (colour.lightness, colour.chroma, colour.hue_deg)
        values = [f"{p.value:.1f}" for p in parts]
        errors = [f"{p.stderr:.2f}" for p in parts]
        # so near to grey a hue says nothing
        if colour.chroma.value < GREY_ERRORS * colour.chroma.stderr:
            values[2] = errors[2] = "-"
        table.add_row(f"{label} L* C* h", " ".join(values), " ".join(errors), "")
