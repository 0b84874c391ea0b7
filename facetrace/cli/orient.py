"""facetrace orient: the table tilt and culet shift that hide a colour zone."""

from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import (
    ClusterOption,
    DeviceName,
    DeviceOption,
    FreshOption,
    HeadAsTraceOption,
    JsonOption,
    LightName,
    LightOption,
    SeedOption,
)
from facetrace.cli.plan_options import AllowOption
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

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml`

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-flank.toml --shifts 0,2,4,6 --tilts 0`

`facetrace orient designs/oval-brilliant.toml --zone designs/zones/pale-core.toml --tilts 0,10,20,30 --shifts 0`

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml --threshold 1 --samples 32 --json orient.json`
"""


@one_line_errors
def orient(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    zone: Annotated[Path, typer.Option(help="Zone file (TOML): colour zones, blank, where the stone lies.")],
    tilts: Annotated[str, typer.Option(metavar="DEG,DEG... or FROM:TO:STEP", help="Table tilts to try, degrees; then, towards the one that hides, smaller ones by 1.")] = "0,5,10,15",
    directions: Annotated[int, typer.Option(min=1, max=72, help="Directions of each tilt around the stone.")] = 8,
    shifts: Annotated[str, typer.Option(metavar="%,%... or FROM:TO:STEP", help="Culet shifts to try, % of the width, on top of the design's; then smaller ones by 1.")] = "0,4,8",
    shift_directions: Annotated[int, typer.Option(min=1, max=72, help="Directions of each shift.")] = 4,
    threshold: Annotated[
        float,
        typer.Option(
            min=0.1, max=50, callback=finite,
            help="Colour difference (CIEDE2000) from which a place counts as visible. Side by side a trained "
            "eye sees about 1, an unaided one about 2 to 3.",
        ),
    ] = 2.0,
    allow: AllowOption = 1.0,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    material: Annotated[
        str | None, typer.Option(help="Another host than the design's: a name, or a file ending in .toml.")
    ] = None,
    spectrum: Annotated[
        Path | None, typer.Option(help="The host's own absorption spectrum (CSV).")
    ] = None,
    pixel: Annotated[float, typer.Option(min=0.02, max=2, callback=finite, help="Edge of a pixel that is compared, mm.")] = 0.15,
    samples: Annotated[int, typer.Option(min=1, max=4096, help="Rays in each pixel of each of 8 pictures.")] = 8,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    csv: Annotated[
        Path | None,
        typer.Option(help="All candidates; an interrupted run goes on from it [default: beside the design, -orient.csv; none with --json -]."),
    ] = None,
    fresh: FreshOption = False,
    picture: Annotated[
        Path | None, typer.Option(help="Before and after [default: beside the design, -orient.png; none with --json -].")
    ] = None,
    map: Annotated[
        Path | None, typer.Option(help="Map over tilts [default: beside the design, -orient-map.png; none with --json -].")
    ] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    size: Annotated[int, typer.Option(min=64, max=1000, help="Pixels along a side of the pictures.")] = 240,
    exposure: Annotated[
        float, typer.Option(min=0.01, max=100, callback=finite, help="Brightness of the pictures: at 1 a white diffuser is just white.")
    ] = 1.0,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Find the smallest table tilt and culet shift that hide a colour zone face up."""
    from facetrace.cli.loading import load_stone, numbers_of
    from facetrace.common.cluster import working_on
    from facetrace.optics.lights import find_light
    from facetrace.results import orient as words
    from facetrace.rough.zone import read_zones
    from facetrace.studies.opening import material_for
    from facetrace.studies.orient import Grid, study_orientation
    from facetrace.studies.visibility import VisibilityTest

    table, shown = targets(design, "orient", csv, picture, no_picture, json)
    _, chart = targets(design, "orient-map", None, map, no_picture, json)
    sources = (design, zone, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(shown, chart), table=table)
    file, _ = load_stone(design)
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        held.enter_context(working_on(cluster, device.value))
        study = study_orientation(
            file.design, material_for(file, material, spectrum), read_zones(zone), find_light(light.value, head),
            Grid(
                numbers_of("--tilts", tilts, 0, 90), directions, numbers_of("--shifts", shifts, 0, 40), shift_directions
            ),
            VisibilityTest(threshold, pixel, samples, seed), allow=allow / 100,
            picture_px=size if shown else None, keeping=keeping(table, fresh, held),
        )  # fmt: skip
        files: dict[Path, bytes] = {}
        if shown or chart:
            from facetrace.report.orient import comparison_png, tilt_map_png

            files |= {shown: comparison_png(study, exposure)} if shown else {}
            files |= {chart: tilt_map_png(study)} if chart else {}
        deliver(files, json, lambda: words.orient_document(study, str(design)))
    cautions, notes = words.cautions(study), words.notes(study)
    if json == "-":
        notes = cautions + notes
    else:
        out.print(words.summary(study))
        out.print(words.rings(study))
        for text in (words.sentence(study), *words.to_paste(study), *cautions):
            out.print(text)
        for label, target in (("picture", shown), ("map", chart), ("all candidates", table)):
            if target:
                note(f"{label}: {target}")
    for text in notes:
        note(text)
