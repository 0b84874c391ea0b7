"""facetrace angles: many candidates around a design, light against weight."""

from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import (
    AxisTiltOption,
    ClusterOption,
    DeviceName,
    DeviceOption,
    Edge,
    FreshOption,
    HeadEdgeOption,
    HeadShortOption,
    JsonOption,
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
    keeping,
    material_file,
    note,
    one_line_errors,
    out,
    targets,
)

EXAMPLES = """
**Examples**

`facetrace angles designs/round-brilliant.toml`

`facetrace angles designs/round-brilliant.toml --vary pavilion.angle=40:44:0.25 --prefer light`

`facetrace angles designs/oval-brilliant.toml --carats 1.5 --vary pavilion.angle=40:44:0.5 --vary pavilion.bulge=0:0.3:0.05`

`facetrace angles designs/rectangle-step.toml --prefer weight --keep-light 95 --at-least 1.2`

`facetrace angles designs/round-by-hand.toml --vary "crown main.angle=32:40:1" --csv mains.csv`

Ctrl-C stops a sweep; the same command goes on from its CSV. The numbers are the same either way.
"""

DEFAULT_RAYS = 1 << 15


class Prefer(StrEnum):
    """What the recommendation goes by."""

    balance = "balance"
    light = "light"
    weight = "weight"


@one_line_errors
def angles(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=FROM:TO:STEP",
            help="A number of the design and its values, like crown.table_percent=50:60:2; may be repeated. "
            "The angles of steps move together, the number is the last one [default: pavilion.angle 4 degrees to either "
            "side by 0.5 and crown.angle 6 degrees by 1, about 15 s].",
        ),
    ] = None,
    prefer: Annotated[
        Prefer,
        typer.Option(help="light: the most light returned. weight: the heaviest that keeps enough of the best light. "
                     "balance: the largest product of both."),
    ] = Prefer.balance,
    keep_light: Annotated[
        float, typer.Option(min=0, max=100, callback=finite, help="With --prefer weight: percent of the best light that must be kept.")
    ] = 90.0,
    at_least: Annotated[
        float | None, typer.Option(min=0, max=1e6, callback=finite, help="Recommend nothing lighter than this, carats.")
    ] = None,
    carats: Annotated[
        float | None,
        typer.Option(min=1e-4, max=1e6, callback=finite, help="Scale every candidate to weigh this; otherwise the girdle's size stays."),
    ] = None,
    window_share: Annotated[
        float, typer.Option(min=0.1, max=99, callback=finite, help="Percent of the clear stone's light through the pavilion that counts as a window, for the tilt.")
    ] = 10.0,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for the figures of each candidate.")] = DEFAULT_RAYS,
    light: LightOption = LightName.hemisphere,
    head: HeadShortOption = None,
    head_edge: HeadEdgeOption = Edge.soft,
    axis_tilt: AxisTiltOption = None,
    axis_azimuth: TurnOption = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    no_absorption: Annotated[bool, typer.Option("--no-absorption", help="Leave out all colour: the cut alone.")] = False,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    csv: Annotated[
        Path | None, typer.Option(help="Where all candidates go, and from where a sweep goes on [default: beside the design, -angles.csv; none with --json -].")
    ] = None,
    fresh: FreshOption = False,
    plot: Annotated[
        Path | None, typer.Option(help="Where the plot of light against weight goes [default: beside the design, -angles.png; none with --json -].")
    ] = None,
    no_plot: Annotated[bool, typer.Option("--no-plot", help="Table and CSV only.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Sweep pavilion and crown angles, or any number of a design: light against weight, and advice."""
    from facetrace.cli.loading import load_stone, ranges_of
    from facetrace.common.cluster import working_on
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.results import angles as words
    from facetrace.studies.angles import study_angles
    from facetrace.studies.opening import material_for, with_axis

    if carats and at_least:
        raise FacetraceError("--carats and --at-least: give one of them")
    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    table, shown = targets(design, "angles", csv, plot, no_plot, json)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(shown,), table=table)
    lamp = find_light(light.value, head, head_edge is Edge.hard)
    file, _ = load_stone(design)
    own = with_axis(file.design, axis_tilt, axis_azimuth)
    substance = material_for(file, material, spectrum)
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        held.enter_context(working_on(cluster, device.value))
        study = study_angles(
            own, substance, lamp, ranges=ranges_of(own, "--vary", vary or ()), wish=prefer.value,
            at_least=at_least or 0.0, keep_light=keep_light / 100, absorbing=not no_absorption, rays=rays, seed=seed,
            window_share=window_share / 100, carats=carats, keeping=keeping(table, fresh, held),
        )  # fmt: skip
        files = {}
        if shown:
            from facetrace.report.sweep import sweep_png

            files[shown] = sweep_png(study)
        deliver(files, json, lambda: words.angles_document(study, str(design)))
    if json == "-":
        return
    out.print(words.table(study))
    for text in words.under_table(study):
        note(text)
    for text in (words.advice(study), *words.cautions(study)):
        out.print(text)
    for text in (words.how_made(study), *words.notes(study)):
        note(text)
    for label, target in (("all candidates", table), ("plot", shown)):
        if target:
            note(f"{label}: {target}")
