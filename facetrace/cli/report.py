"""facetrace report: one page to look at, hand on and print."""

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from facetrace.cli.options import (
    AxisTiltOption,
    DeviceName,
    DeviceOption,
    HeadAsTraceOption,
    LightName,
    LightOption,
    MaterialOption,
    SeedOption,
    SpectrumOption,
    TurnOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    material_file,
    note,
    one_line_errors,
    progress,
)

if TYPE_CHECKING:
    from facetrace.trace.run import Progress

EXAMPLES = """
**Examples**

`facetrace report designs/round-brilliant.toml`

`facetrace report designs/oval-brilliant.toml --zone designs/zones/blue-corner.toml --light overcast`

`facetrace report designs/rectangle-step.toml --axis-tilt 90 --out step.html`

`facetrace plan designs/roughs/blue-plate.toml designs/round-brilliant.toml --json plan.json`, then `facetrace report plan.json`
"""


@one_line_errors
def report(
    thing: Annotated[Path, typer.Argument(help="Design file (TOML), or what a command wrote with --json.")],
    out: Annotated[
        Path | None, typer.Option(help="Where the page goes [default: beside what was read, NAME-report.html].")
    ] = None,
    zone: Annotated[Path | None, typer.Option(help="Zone file (TOML) to show in the design.")] = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    axis_tilt: AxisTiltOption = None,
    axis_azimuth: TurnOption = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    exposure: Annotated[
        float, typer.Option(min=0.01, max=100, callback=finite, help="Brightness of the pictures: at 1 a white diffuser is just white.")
    ] = 1.0,
    size: Annotated[int, typer.Option(min=64, max=1200, help="Pixels along a side of the face-up picture.")] = 600,
    samples: Annotated[int, typer.Option(min=1, max=4096, help="Rays in each pixel.")] = 32,
    rays: Annotated[int, typer.Option(min=1, max=1 << 28, help="Rays for the figures face up.")] = 1 << 18,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    json: Annotated[str | None, typer.Option(help="Also write the page's data as JSON to a file, or - for stdout.")] = None,
) -> None:  # fmt: skip
    """One page that opens offline: pictures, maps, colour, light against weight, sizes, the stone in 3D."""
    from facetrace.results.reading import is_result

    started = time.perf_counter()
    target = out or thing.with_name(f"{thing.stem}-report.html")
    sources = (thing, zone, spectrum, material_file(material))
    check_outputs(json, sources, others=(target,))
    with progress("report (the first run compiles)") as tell:
        if is_result(thing):
            given = {
                "zone": zone, "light": light is not LightName.hemisphere, "head": head is not None,
                "axis-tilt": axis_tilt is not None, "axis-azimuth": axis_azimuth is not None, "material": material,
                "spectrum": spectrum,
            }  # fmt: skip
            document, page = _of_result(thing, given, exposure, size, samples, tell)
        else:
            document, page = _of_design(
                thing, zone, (light.value, head), (axis_tilt, axis_azimuth), material, spectrum, exposure,
                {"rays": rays, "size": size, "small": max(size // 4, 64), "samples": samples, "seed": seed}, tell,
            )  # fmt: skip
    content = page.encode()
    deliver({target: content}, json, lambda: document)
    note(f"report: {target} ({len(content) / 1e6:.1f} MB, {time.perf_counter() - started:.0f} s)")
    for text in document["notes"]:
        note(text)


def _of_result(
    path: Path, given: dict[str, Any], exposure: float, size: int, samples: int, tell: "Progress"
) -> tuple[dict[str, Any], str]:
    from facetrace.common.errors import FacetraceError
    from facetrace.report.pages import page_of_result
    from facetrace.results.reading import complete, read_result
    from facetrace.results.stones_again import stones_again
    from facetrace.studies.visibility import face_pictures

    extra = next((name for name, value in given.items() if value), None)
    if extra:
        raise FacetraceError(
            f"--{extra}: goes with a design; {path} says itself under which light and of what its stones are"
        )
    result = read_result(path)
    with complete(result):
        again = stones_again(result)
        shown = [face.scene for face in again.faces]
        maps = face_pictures(shown, max(2 * size // 3, 64), samples, again.seed, tell)
        tell(1.0)
        return page_of_result(again, maps, samples, exposure)


def _of_design(
    path: Path, zone: Path | None, light: tuple[str, float | None], axis: tuple[float | None, float | None],
    material: str | None, spectrum: Path | None, exposure: float, fineness: dict[str, int], tell: "Progress",
) -> tuple[dict[str, Any], str]:  # fmt: skip
    from facetrace.cli.loading import load_stone
    from facetrace.optics.lights import find_light
    from facetrace.report.pages import page_of_portrait
    from facetrace.rough.zone import read_zones
    from facetrace.studies.opening import material_for, with_axis
    from facetrace.studies.portrait import Fineness, portray_design

    file, _ = load_stone(path)
    substance = material_for(file, material, spectrum)
    # all that is asked of the design, the sweep too, is asked of it with this axis
    design = with_axis(file.design, *axis)
    lamp = find_light(*light)
    zones = read_zones(zone) if zone else None
    portrait = portray_design(design, substance, lamp, zones, Fineness(**fineness), tell)
    return page_of_portrait(portrait, str(file.path), exposure)
