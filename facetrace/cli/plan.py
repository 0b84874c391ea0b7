"""facetrace plan: what a rough may be cut to, ranked."""

import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facetrace.cli import plan_options as shared
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
from facetrace.cli.plan_options import files_in, prices_of, stopping, trial_designs, wishes_of
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    note,
    one_line_errors,
    out,
    progress,
    targets,
)

if TYPE_CHECKING:
    from facetrace.studies.answer import Answer

EXAMPLES = """
**Examples**

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace plan designs/roughs/crystal-barrel.toml designs --prices designs/prices/invented.toml`

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --flex outline.length_mm=6.5:8:0.5`

`facetrace plan designs/roughs/cracked-pebble.toml designs/oval-brilliant.toml --pieces 2 --stone stone.stl --offcut rest.stl`

`facetrace plan designs/roughs/cracked-pebble.toml designs --seconds 20`

Ctrl-C leaves the best stones so far, checked; the same command goes on from its CSV. A second Ctrl-C stops at once.
"""


@one_line_errors
def plan(
    rough: Annotated[Path, typer.Argument(help="Rough file (TOML): shape, c-axis, losses, defects.")],
    designs: Annotated[list[Path], typer.Argument(help="Designs to try (TOML), or folders of them.", metavar="DESIGN...")],
    table_to_c: shared.TableOption = shared.TABLE_OPTION,
    flex: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=FROM:TO:STEP", help="A number of the designs that may flex, like outline.length_mm=7:9:0.5; may be repeated."),
    ] = None,
    within: shared.WithinOption = 0.5,
    most_cells: shared.MostCellsOption = 1500,
    pieces: shared.PiecesOption = 1,
    prices: Annotated[Path | None, typer.Option(help="Your price file (TOML): rank by value, with a bid limit.")] = None,
    margin: shared.MarginOption = None,
    chance: shared.ChanceOption = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    rays: shared.PlanRaysOption = 1 << 16,
    threshold: shared.ThresholdOption = 2.0,
    allow: shared.AllowOption = 1.0,
    no_losses: Annotated[bool, typer.Option("--no-losses", help="Do not search what each defect costs.")] = False,
    no_directions: Annotated[bool, typer.Option("--no-directions", help="Do not search what other directions of the table cost or bring.")] = False,
    seconds: shared.SecondsOption = None,
    workers: shared.WorkersOption = None,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    csv: Annotated[Path | None, typer.Option(help="All plans; an interrupted run goes on from it [default: beside the rough, -plan.csv; none with --json -].")] = None,
    fresh: FreshOption = False,
    picture: Annotated[Path | None, typer.Option(help="The stone in the rough [default: beside the rough, -plan.png; none with --json -].")] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    stone: Annotated[Path | None, typer.Option(help="Write the best stone (or all of several pieces, where these are the better plan) where it lies, as a mesh in the rough file's frame.")] = None,
    offcut: Annotated[Path | None, typer.Option(help="Write what is cut off: the rough with the stone's room in it, as a mesh.")] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Find the heaviest stone of each design in a rough, how it would look, and what it may be worth."""
    from facetrace.common.cluster import working_on
    from facetrace.common.workers import Workers, usual_workers
    from facetrace.results.plan_member import plan_document
    from facetrace.rough.model import read_rough
    from facetrace.rough.rough import rough_of
    from facetrace.solid.export import kind_of
    from facetrace.studies.plan import plan_ledger, plan_rough
    from facetrace.studies.plan_task import tasks_of
    from facetrace.studies.run import Run

    started = time.time()
    table, shown = targets(rough, "plan", csv, picture, no_picture, json)
    for mesh in (stone, offcut):
        if mesh:
            kind_of(mesh)
    sources = (rough, prices, *files_in(designs))
    check_outputs(json, sources, pictures=(shown,), table=table, others=(stone, offcut))
    piece = rough_of(read_rough(rough))
    tried = trial_designs(designs, flex)
    price = prices_of(prices, margin, chance)
    wishes = wishes_of(
        table_to_c, light.value, head, within=within / 100, most_cells=most_cells, rays=rays,
        threshold=threshold, allow=allow / 100, seed=seed,
    )  # fmt: skip
    tasks = tasks_of(piece, tried, wishes)
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        pool = held.enter_context(Workers(workers or usual_workers()))
        held.enter_context(working_on(cluster, device.value))
        signal = held.enter_context(stopping())
        ledger = held.enter_context(plan_ledger(tasks, table, fresh))
        answer = plan_rough(
            piece, tried, wishes, price, what_defects_cost=not no_losses, what_directions_cost=not no_directions,
            pieces=pieces, ledger=ledger, run=Run(pool, started + seconds if seconds else None, signal),
            progress=progress, tell=note,
        )  # fmt: skip
        files = _files(answer, shown, stone, offcut)
        deliver(files, json, lambda: plan_document(answer))
    if json != "-":
        _print(answer, {"picture": shown, "all plans": table, "stone": stone, "offcut": offcut})
    if signal.number is not None:
        raise typer.Exit(128 + signal.number)


def _print(answer: "Answer", files: "dict[str, Path | None]") -> None:
    from facetrace.results.plan_tables import tables
    from facetrace.results.plan_words import notes_of, sentences

    # what is wrong with the rough comes before all figures
    for part in (*answer.room.rough.asked, *tables(answer), *sentences(answer)):
        out.print(part)
    made = {"picture", "stone", "offcut"} if answer.plans or answer.pieces else set()
    for label, target in files.items():
        if target and (label in made or label == "all plans"):
            note(f"{label}: {target}")
    for text in notes_of(answer):
        note(text)


def _files(
    answer: "Answer", shown: Path | None, stone: Path | None, offcut: Path | None
) -> dict[Path, bytes]:
    """Picture and meshes: of the stones of several pieces where they are the better plan, else of the best."""
    if answer.chosen is None and answer.pieces is None:
        return {}
    from facetrace.report.plan import panels_of, plan_png
    from facetrace.solid.export import bytes_of, kind_of, rest_of

    files: dict[Path, bytes] = {}
    rough = answer.room.rough
    if stone:
        files[stone] = bytes_of(answer.mesh, kind_of(stone))
    if offcut:
        own = rough.mesh.turned(rough.turn.T)
        files[offcut] = bytes_of(rest_of(own.vertices, own.faces, answer.mesh), kind_of(offcut))
    if shown:
        with progress("picture"):
            files[shown] = plan_png(panels_of(answer), rough)
    return files
