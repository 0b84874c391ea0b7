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


def notes(found: FaceUpResult) -> list[str]:
    """Cautions that belong to the numbers."""
    stone = found.stone
    return [
        document.ESTIMATE,
        *document.light_notes(stone.light),
        *(document.colour_notes(stone.material) if stone.absorbing else []),
        *([ISOTROPIC] if stone.index else []),
    ]


def rays_line(found: FaceUpResult) -> str:
    """How much was traced, under what."""
    figures = found.figures
    return f"{figures.rays:,} rays, {found.seconds:.1f} s, {light_and_view(found.stone)}, seed {figures.seed}"


def short_of_error(found: FaceUpResult) -> list[str]:
    """A line where the error that was asked for was not reached."""
    if found.error is None or found.reached <= found.error:
        return []
    return [f"the wished error of {found.error:g} was not reached within {found.figures.rays:,} rays"]  # fmt: skip


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
    found: FaceUpResult, picture: Path, exposure: float, glare: bool, beyond_screen: float
) -> dict[str, Any]:
    """The member "picture"; beyond_screen: share of the stone's pixels out of gamut."""
    assert found.maps is not None
    return {
        "file": str(picture), "size_px": found.maps.coverage.shape[0], "mm_per_pixel": found.maps.step_mm,
        "rays_per_pixel": found.samples, "exposure": exposure, "white": WHITE, "glare": glare,
        "beyond_screen": beyond_screen,
    }  # fmt: skip


def trace_document(
    found: FaceUpResult, design: Path, picture: dict[str, Any] | None = None
) -> dict[str, Any]:
    """The whole document; *picture*: the member of that name."""
    stone = found.stone
    parts = document.head() | {
        "design": design_member(stone, design),
        "solid": document.solid_part(stone.solid, found.sizes),
        "scene": scene_member(stone, stone.view, found.white_radiance),
        **document.trace_part(found.figures, found.seconds),
    }
    if stone.absorbing:
        parts |= document.material_part(stone.material)
    if found.maps:
        parts |= {"dominant_area": found.maps.dominant, "leading_area": found.maps.leading}
    if picture:
        parts |= {"picture": picture}
    return parts | {"notes": notes(found)}


def trace_table(found: FaceUpResult) -> Table:
    """Figures with their standard errors, weight and size."""
    table = Table(title=f"{found.stone.name} ({found.stone.material.name})", title_justify="left")
    table.add_column("face up", no_wrap=True)
    for name in ("value", "+- std. error", "leads on"):
        table.add_column(name, justify="right", no_wrap=True)
    leading = found.maps.leading if found.maps else {}
    for key, label in ROWS:
        m = found.figures.measures[key]
        area = f"{100 * leading[key]:.0f} % of face" if key in leading else ""
        table.add_row(label, f"{100 * m.value:.3f} %", f"{100 * m.stderr:.3f} %", area)
    table.add_section()
    bright = found.figures.measures["brightness"]
    table.add_row("brightness, white = 1", f"{bright.value:.5f}", f"{bright.stderr:.5f}", "")
    _add_colour(table, "colour", found.figures.colour)
    _add_colour(table, "... from within", found.figures.within)
    table.add_section()
    sizes = found.sizes
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
