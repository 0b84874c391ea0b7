"""facetrace trace: light, window, extinction and colour of a design, face up."""

from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import (
    AxisAzimuthOption,
    AxisTiltOption,
    DeviceName,
    DeviceOption,
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
from facetrace.common.errors import FacetraceError

EXAMPLES = """
**Examples**

`facetrace trace designs/round-brilliant.toml`

`facetrace trace designs/oval-brilliant.toml --tilt 15 --azimuth 90 --maps oval-maps.png`

`facetrace trace designs/rectangle-step.toml --axis-tilt 90 --light overcast --error 0.0001`

`facetrace trace designs/round-brilliant.toml --spectrum designs/pink-sapphire.csv`

`facetrace trace designs/round-brilliant.toml --index 1.765 --no-absorption --light uniform --json -`
"""


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
    device: DeviceOption = DeviceName.cpu,
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
    from facetrace.cli.loading import load_stone
    from facetrace.optics.lights import find_light
    from facetrace.results import trace as words
    from facetrace.studies.face_up import DEFAULT_RAYS, StoneInLight, trace_stone
    from facetrace.studies.opening import axis_of, material_for
    from facetrace.trace.scene import View

    if rays is not None and error is not None:
        raise FacetraceError("--rays and --error: give one of them")
    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    file, solid = load_stone(design)
    # a machine that reads stdout gets a picture only where it names one
    usual = None if json == "-" else design.with_suffix(".png")
    shown = None if no_picture else picture or usual
    check_outputs(json, (design, spectrum, material_file(material)), pictures=(shown, maps))
    own = file.design
    stone = StoneInLight(
        name=own.name,
        solid=solid,
        material=material_for(file, material, spectrum),
        axis=axis_of(own, axis_tilt, axis_azimuth),
        light=find_light(light.value, head, head_edge is Edge.hard),
        view=View(tilt, azimuth, eye_tilt, eye_azimuth, spin),
        index=index,
        absorbing=not no_absorption,
        wavelength_nm=wavelength,
    )
    result = trace_stone(
        stone, rays=rays or DEFAULT_RAYS, error=error, seed=seed, pixels=size if shown or maps else 0,
        samples=samples, progress=progress,
    )  # fmt: skip
    files, member, under = {}, None, words.light_and_view(stone)
    if result.maps and shown:
        from facetrace.report.picture import face_png

        files[shown], beyond = face_png(
            result.maps, result.white, exposure, not no_glare, own.name, under
        )
        member = words.picture_member(result, shown, exposure, not no_glare, beyond)
    if result.maps and maps:
        from facetrace.report.picture import maps_png

        files[maps] = maps_png(result.maps, own.name, under)
    deliver(files, json, lambda: words.trace_document(result, design, member))
    if solid.missing:
        note("no place on the stone for: " + ", ".join(solid.missing))
    if json != "-":
        out.print(words.trace_table(result))
        note(words.rays_line(result))
        for label, target in (("picture", shown), ("maps", maps)):
            if target:
                note(f"{label}: {target}")
    for text in (*words.short_of_error(result), *words.notes(result)):
        note(text)
