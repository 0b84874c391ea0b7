"""facetrace trace: light, window, extinction and colour of a design, face up."""

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from facetrace.cli.options import (
    AxisAzimuthOption,
    AxisTiltOption,
    Edge,
    HeadEdgeOption,
    HeadOption,
    JsonOption,
    LightName,
    LightOption,
    MaterialOption,
    NoAbsorptionOption,
    NoGlareOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    material_file,
    note,
    one_line_errors,
    out,
    progress,
)

if TYPE_CHECKING:
    from facetrace.optics.lights import Light
    from facetrace.optics.material import Material
    from facetrace.solid.measure import SolidMeasures
    from facetrace.solid.polyhedron import Solid
    from facetrace.trace.faceup import FaceUp
    from facetrace.trace.maps import FaceMaps
    from facetrace.trace.scene import Scene, View

EXAMPLES = """
**Examples**

`facetrace trace designs/round-brilliant.toml`

`facetrace trace designs/oval-brilliant.toml --tilt 15 --azimuth 90 --maps oval-maps.png`

`facetrace trace designs/rectangle-step.toml --axis-tilt 90 --light overcast --error 0.0001`

`facetrace trace designs/round-brilliant.toml --spectrum designs/pink-sapphire.csv`

`facetrace trace designs/round-brilliant.toml --index 1.765 --no-absorption --light uniform --json -`
"""

DEFAULT_RAYS = 1 << 18
# chroma below so many of its standard errors is that of grey
GREY_ERRORS = 4


@dataclass(frozen=True)
class _Wishes:
    """What the options asked of the picture."""

    picture: Path | None
    maps: Path | None
    size: int
    samples: int
    exposure: float
    glare: bool


@one_line_errors
def trace(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    rays: Annotated[
        int | None, typer.Option(min=1, max=1 << 28, help="Rays for the figures [default: 262144].")
    ] = None,
    error: Annotated[
        float | None,
        typer.Option(
            min=1e-6, max=0.1, callback=finite,
            help="Instead of a number of rays: trace until the standard errors of light return "
            "and brightness are at most this.",
        ),
    ] = None,
    light: LightOption = LightName.hemisphere,
    head: HeadOption = None,
    head_edge: HeadEdgeOption = Edge.soft,
    tilt: Annotated[
        float, typer.Option(min=-89, max=89, callback=finite, help="Rock the stone, degrees; eye and light stay.")
    ] = 0.0,
    azimuth: Annotated[
        float, typer.Option(callback=finite, help="Towards this direction, degrees from the length (index 0).")
    ] = 0.0,
    eye_tilt: Annotated[
        float, typer.Option(min=-89, max=89, callback=finite, help="Move the eye off the zenith, degrees; stone and light stay.")
    ] = 0.0,
    eye_azimuth: Annotated[float, typer.Option(callback=finite, help="Towards this direction, degrees.")] = 0.0,
    spin: Annotated[
        float, typer.Option(callback=finite, help="Turn the stone about its table's normal before it is rocked, degrees.")
    ] = 0.0,
    axis_tilt: AxisTiltOption = None,
    axis_azimuth: AxisAzimuthOption = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    index: Annotated[
        float | None, typer.Option(min=1.01, max=5, callback=finite, help="Replace the crystal by an isotropic one of this index.")
    ] = None,
    no_absorption: NoAbsorptionOption = False,
    wavelength: Annotated[
        float | None, typer.Option(min=380, max=780, callback=finite, help="Trace one wavelength, nm, instead of the spectrum.")
    ] = None,
    seed: SeedOption = 1,
    picture: Annotated[
        Path | None, typer.Option(help="Where the face-up picture goes [default: beside the design, .png; none with --json -].")
    ] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    maps: Annotated[
        Path | None, typer.Option(help="Also write maps of where the light comes from (PNG).")
    ] = None,
    size: Annotated[int, typer.Option(min=16, max=2000, help="Pixels along a side of the picture.")] = 400,
    samples: Annotated[int, typer.Option(min=1, max=4096, help="Rays in each pixel.")] = 32,
    no_glare: NoGlareOption = False,
    exposure: Annotated[
        float, typer.Option(min=0.01, max=100, callback=finite, help="Brightness of the picture: at 1 a white diffuser is just white.")
    ] = 1.0,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Light returned, window, extinction, brightness and colour, face up, with a picture."""
    from facetrace.cli.loading import load_material, load_stone, with_spectrum
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.optics.material import find_material
    from facetrace.solid.measure import measure
    from facetrace.trace.scene import View

    if rays is not None and error is not None:
        raise FacetraceError("--rays and --error: give one of them")
    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    file, stone = load_stone(design)
    # a machine that reads stdout gets a picture only where it names one
    default = None if json == "-" else design.with_suffix(".png")
    shown = None if no_picture else (picture or default)
    wishes = _Wishes(shown, maps, size, samples, exposure, not no_glare)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(wishes.picture, wishes.maps))
    own = file.design
    substance = find_material(material) if material else load_material(file)
    substance = with_spectrum(substance, spectrum)
    subject = _Subject(
        stone=stone,
        material=substance,
        axis=(
            own.axis.tilt if axis_tilt is None else axis_tilt,
            own.axis.azimuth if axis_azimuth is None else axis_azimuth,
        ),
        light=find_light(light.value, head, head_edge is Edge.hard),
        view=View(tilt, azimuth, eye_tilt, eye_azimuth, spin),
        index=index,
        absorbing=not no_absorption,
        wavelength_nm=wavelength,
    )
    scene, result, seconds = _figures(subject, seed, rays, error)
    face, pictured, files = _pictures(scene, wishes, seed, own.name, subject.under)
    sizes = measure(stone, substance.density)
    notes = subject.notes
    document = (own.name, design, subject, scene, sizes, result, seconds, face, pictured)
    deliver(files, json, _document(*document) if json else "")
    if stone.missing:
        note("no place on the stone for: " + ", ".join(stone.missing))
    if json != "-":
        out.print(_table(own.name, substance, sizes, result, face))
        note(f"{result.rays:,} rays, {seconds:.1f} s, {subject.under}, seed {seed}")
        for label, target in (("picture", wishes.picture), ("maps", wishes.maps)):
            if target:
                note(f"{label}: {target}")
    reached = max(result.measures[k].stderr for k in ("light_return", "brightness"))
    if error is not None and reached > error:
        note(f"the wished error of {error:g} was not reached within {result.rays:,} rays")
    for text in notes:
        note(text)


@dataclass(frozen=True)
class _Subject:
    """What is traced, as the options and the design ask."""

    stone: "Solid"
    material: "Material"
    axis: tuple[float, float]
    light: "Light"
    view: "View"
    index: float | None
    absorbing: bool
    wavelength_nm: float | None

    @property
    def under(self) -> str:
        """Light and view in words."""
        text = self.light.words
        if self.view.spin:
            text += f", stone turned {self.view.spin:g} deg"
        if self.view.tilt:
            text += f", stone tilted {self.view.tilt:g} deg towards {self.view.azimuth:g}"
        if self.view.eye_tilt:
            text += f", eye {self.view.eye_tilt:g} deg towards {self.view.eye_azimuth:g}"
        return text

    @property
    def notes(self) -> list[str]:
        """Cautions that belong to the numbers."""
        from facetrace.results.document import ESTIMATE, colour_notes, light_notes

        notes = [ESTIMATE, *light_notes(self.light)]
        if self.absorbing:
            notes += colour_notes(self.material)
        if self.index:
            notes.append(
                "Isotropic index: no double refraction; the colour is the mean over directions."
            )
        return notes


def _figures(
    subject: _Subject, seed: int, rays: int | None, error: float | None
) -> "tuple[Scene, FaceUp, float]":
    from facetrace.optics.colour import observer
    from facetrace.trace.faceup import trace_face_up
    from facetrace.trace.run import warm_up
    from facetrace.trace.scene import medium_of, scene_of

    with progress("tracing (the first run compiles)") as report:
        medium = medium_of(
            subject.material,
            observer(),
            index=subject.index,
            absorbing=subject.absorbing,
            wavelength_nm=subject.wavelength_nm,
        )
        scene = scene_of(subject.stone, medium, subject.axis, subject.light, subject.view)
        warm_up(scene)
        started = time.perf_counter()
        result = trace_face_up(scene, seed, rays=rays or DEFAULT_RAYS, error=error, report=report)
        return scene, result, time.perf_counter() - started


def _document(
    name: str,
    path: Path,
    subject: _Subject,
    scene: "Scene",
    sizes: "SolidMeasures",
    result: "FaceUp",
    seconds: float,
    face: "FaceMaps | None",
    pictured: dict[str, Any] | None,
) -> str:
    from facetrace.results import document

    parts = document.head() | {
        "design": {"name": name, "file": str(path), "material": subject.material.name},
        "solid": document.solid_part(subject.stone, sizes),
        "scene": document.scene_part(
            subject.light,
            subject.view,
            subject.axis,
            scene.white_radiance,
            index=subject.index,
            absorption=subject.absorbing,
            wavelength_nm=subject.wavelength_nm,
        ),
        **document.trace_part(result, seconds),
    }
    if subject.absorbing:
        parts |= document.material_part(subject.material)
    if face:
        parts |= {"dominant_area": face.dominant, "leading_area": face.leading}
    if pictured:
        parts |= {"picture": pictured}
    return document.text_of(parts | {"notes": subject.notes})


def _pictures(
    scene: "Scene", wishes: _Wishes, seed: int, title: str, under: str
) -> "tuple[FaceMaps | None, dict[str, Any] | None, dict[Path, bytes]]":
    """Maps where anything is drawn, what the document says of the picture, and the files."""
    files: dict[Path, bytes] = {}
    if not (wishes.picture or wishes.maps):
        return None, None, files
    from facetrace.report.picture import WHITE, face_png, maps_png
    from facetrace.trace.maps import face_maps
    from facetrace.trace.run import trace_pixels

    facts = None
    with progress("picture") as report:
        pixels = trace_pixels(scene, wishes.size, wishes.samples, seed, picture=True, report=report)
        face = face_maps(pixels, scene)
        if wishes.picture:
            content, beyond = face_png(
                face, scene.medium.white, wishes.exposure, wishes.glare, title, under
            )
            files[wishes.picture] = content
            facts = {
                "file": str(wishes.picture), "size_px": wishes.size, "mm_per_pixel": face.step_mm,
                "rays_per_pixel": wishes.samples, "exposure": wishes.exposure, "white": WHITE,
                "glare": wishes.glare, "beyond_screen": beyond,
            }  # fmt: skip
        if wishes.maps:
            files[wishes.maps] = maps_png(face, title, under)
    return face, facts, files


ROWS = (
    ("light_return", "light returned"),
    ("window", "window"),
    ("extinction", "extinction"),
    ("absorbed", "absorbed"),
    ("surface", "surface mirror"),
)


def _table(
    name: str, material: "Material", sizes: "SolidMeasures", result: "FaceUp",
    face: "FaceMaps | None",
) -> Table:  # fmt: skip
    table = Table(title=f"{name} ({material.name})", title_justify="left")
    table.add_column("face up", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("+- std. error", justify="right", no_wrap=True)
    table.add_column("leads on", justify="right", no_wrap=True)
    for key, label in ROWS:
        m = result.measures[key]
        area = f"{100 * face.leading[key]:.0f} % of face" if face and key in face.leading else ""
        table.add_row(label, f"{100 * m.value:.3f} %", f"{100 * m.stderr:.3f} %", area)
    table.add_section()
    bright = result.measures["brightness"]
    table.add_row("brightness, white = 1", f"{bright.value:.5f}", f"{bright.stderr:.5f}", "")
    for label, colour in (("colour", result.colour), ("... from within", result.within)):
        if colour.lightness and colour.chroma and colour.hue_deg:
            parts = (colour.lightness, colour.chroma, colour.hue_deg)
            values = [f"{p.value:.1f}" for p in parts]
            errors = [f"{p.stderr:.2f}" for p in parts]
            # so near to grey a hue says nothing
            if colour.chroma.value < GREY_ERRORS * colour.chroma.stderr:
                values[2] = errors[2] = "-"
            table.add_row(f"{label} L* C* h", " ".join(values), " ".join(errors), "")
    table.add_section()
    table.add_row("weight", f"{sizes.carats:.3f} ct", "", "")
    size = f"{sizes.length_mm:.2f} x {sizes.width_mm:.2f} x {sizes.depth_mm:.2f}"
    table.add_row("size, mm", size, "", "")
    return table
