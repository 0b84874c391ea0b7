"""facetrace girdle: ground, polished smooth or polished in flats."""

from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import (
    ClusterOption,
    DeviceName,
    DeviceOption,
    FreshOption,
    HeadShortOption,
    JsonOption,
    LightName,
    LightOption,
    MaterialOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    keeping,
    material_file,
    note,
    one_line_errors,
    out,
    targets,
)

EXAMPLES = """
**Examples**

`facetrace girdle designs/round-brilliant.toml`

`facetrace girdle designs/oval-brilliant.toml --flats 32,64,96 --thickness 0.2,0.4 --tilts 0,20`

`facetrace girdle designs/pear-brilliant.toml --roughness 0.25 --no-absorption`

Ctrl-C stops it; the same command goes on from its CSV. The numbers are the same either way.
"""

DEFAULT_RAYS = 1 << 16


@one_line_errors
def girdle(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    flats: Annotated[
        str, typer.Option(metavar="N,N... or FROM:TO:STEP", help="Numbers of flats on the polished girdle.")
    ] = "96",
    thickness: Annotated[
        str, typer.Option(metavar="MM,MM... or FROM:TO:STEP", help="Mean heights of the smooth girdle, mm: thin to thick.")
    ] = "0.1,0.2,0.3,0.5",
    tilts: Annotated[
        str, typer.Option(metavar="DEG,DEG... or FROM:TO:STEP", help="Angles of the eye off the zenith, degrees; stone and light stay.")
    ] = "0,15,30",
    azimuth: Annotated[
        float, typer.Option(min=-360, max=360, callback=finite, help="Where the eye moves to, degrees from the length (index 0).")
    ] = 90.0,
    roughness: Annotated[
        float,
        typer.Option(min=0.01, max=2, callback=finite, help="Roughness alpha of the ground girdle: 0.39 was measured on ground glass [from memory: Walter et al. 2007]."),
    ] = 0.39,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for each figure.")] = DEFAULT_RAYS,
    light: LightOption = LightName.hemisphere,
    head: HeadShortOption = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    no_absorption: Annotated[bool, typer.Option("--no-absorption", help="The stone without colour only.")] = False,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    csv: Annotated[
        Path | None, typer.Option(help="Where all rows go, and from where it goes on [default: beside the design, -girdle.csv; none with --json -].")
    ] = None,
    fresh: FreshOption = False,
    plot: Annotated[
        Path | None, typer.Option(help="Where the plot goes [default: beside the design, -girdle.png; none with --json -].")
    ] = None,
    no_plot: Annotated[bool, typer.Option("--no-plot", help="Table and CSV only.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """The girdle ground, polished smooth or in flats: light it gives back, and what flats cost."""
    from facetrace.cli.loading import load_stone, numbers_of
    from facetrace.common.cluster import working_on
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.results import girdle as words
    from facetrace.studies.girdle import study_girdle
    from facetrace.studies.opening import material_for

    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    table, shown = targets(design, "girdle", csv, plot, no_plot, json)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(shown,), table=table)
    file, _ = load_stone(design)
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        held.enter_context(working_on(cluster, device.value))
        study = study_girdle(
            file.design, material_for(file, material, spectrum), find_light(light.value, head),
            thicknesses=numbers_of("--thickness", thickness, 0.02, 5),
            tilts=numbers_of("--tilts", tilts, 0, 80), azimuth=azimuth,
            flats=[_whole(n) for n in numbers_of("--flats", flats, 3, 250)], roughness=roughness,
            absorbing=not no_absorption, rays=rays, seed=seed, keeping=keeping(table, fresh, held),
        )  # fmt: skip
        files = {}
        if shown:
            from facetrace.report.girdle import girdle_png

            files[shown] = girdle_png(study)
        deliver(files, json, lambda: words.girdle_document(study, str(design)))
    if json == "-":
        return
    for stone in study.grid.media:
        out.print(words.table(study, stone))
    note(words.UNDER_TABLE)
    for text in words.sentences(study):
        out.print(text)
    for text in (words.how_made(study), *words.notes(study)):
        note(text)
    for label, target in (("all rows", table), ("plot", shown)):
        if target:
            note(f"{label}: {target}")


def _whole(number: float) -> int:
    from facetrace.common.errors import FacetraceError

    if number != round(number):
        raise FacetraceError(f"--flats: {number:g} is no whole number of flats")
    return round(number)
