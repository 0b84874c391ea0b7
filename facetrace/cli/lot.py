"""facetrace lot: the best plan for each rough of a folder, in one table."""

import time
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

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
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out, progress

EXAMPLES = """
**Examples**

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml --prices designs/prices/invented.toml --csv lot.csv --pieces 2`

A file that cannot be read is a row with its reason. Ctrl-C ends with what there is; the same command goes on from its CSV.
"""


@one_line_errors
def lot(
    folder: Annotated[Path, typer.Argument(help="Folder with rough files (TOML), all of which are planned.")],
    designs: Annotated[list[Path], typer.Argument(help="Designs to try (TOML), or folders of them.", metavar="DESIGN...")],
    table_to_c: shared.TableOption = shared.TABLE_OPTION,
    flex: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=FROM:TO:STEP", help="A number of the designs that may flex; may be repeated."),
    ] = None,
    within: shared.WithinOption = 0.5,
    most_cells: shared.MostCellsOption = 1500,
    pieces: shared.PiecesOption = 1,
    seconds: shared.SecondsOption = None,
    prices: Annotated[Path | None, typer.Option(help="Your price file (TOML): value and bid limits.")] = None,
    margin: shared.MarginOption = None,
    chance: shared.ChanceOption = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    rays: shared.PlanRaysOption = 1 << 16,
    threshold: shared.ThresholdOption = 2.0,
    allow: shared.AllowOption = 1.0,
    workers: shared.WorkersOption = None,
    seed: SeedOption = 1,
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    csv: Annotated[Path | None, typer.Option(help="All plans; an interrupted run goes on from it [default: beside the folder, -lot.csv; none with --json -].")] = None,
    fresh: FreshOption = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Plan every rough of a folder: carats, value and bid limit of each, and of all."""
    from facetrace.common.cluster import working_on
    from facetrace.common.workers import Workers, usual_workers
    from facetrace.results.lot import lot_document, lot_notes, lot_sentences, lot_table, told_of
    from facetrace.studies.lot import lot_ledger, plan_lot, rough_files
    from facetrace.studies.run import Run

    started = time.time()
    files = rough_files(folder)
    whole = folder.absolute()
    table = csv or (None if json == "-" else whole.with_name(f"{whole.name}-lot.csv"))
    check_outputs(json, (prices, *files, *files_in(designs)), table=table)
    price = prices_of(prices, margin, chance)
    wishes = wishes_of(
        table_to_c, light.value, head, within=within / 100, most_cells=most_cells, rays=rays,
        threshold=threshold, allow=allow / 100, seed=seed,
    )  # fmt: skip
    tried = trial_designs(designs, flex)
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        pool = held.enter_context(Workers(workers or usual_workers()))
        held.enter_context(working_on(cluster, device.value))
        signal = held.enter_context(stopping())
        ledger = held.enter_context(lot_ledger(folder.name, wishes, table, fresh))
        answer = plan_lot(
            files, tried, wishes, price, pieces=pieces, keep=told_of, ledger=ledger,
            run=Run(pool, started + seconds if seconds else None, signal), progress=progress, tell=note,
        )  # fmt: skip
        deliver({}, json, lambda: lot_document(answer))
    if json != "-":
        out.print(lot_table(answer, folder.name, out.width))
        for text in lot_sentences(answer):
            out.print(text)
        if table:
            note(f"all plans: {table}")
        for text in lot_notes(answer):
            note(text)
    if signal.number is not None:
        raise typer.Exit(128 + signal.number)
