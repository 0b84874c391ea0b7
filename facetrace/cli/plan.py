"""facetrace plan: what a rough may be cut to, ranked."""

import math
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from facetrace.cli.options import (
    FreshOption,
    HeadAsTraceOption,
    JsonOption,
    LightName,
    LightOption,
    SeedOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    kept,
    last_word,
    note,
    one_line_errors,
    out,
    progress,
    swept,
    targets,
)

if TYPE_CHECKING:
    from facetrace.common.ledger import Row
    from facetrace.common.signals import StopRequest
    from facetrace.report.plan import Panel
    from facetrace.studies.answer import Answer
    from facetrace.studies.plan import Room, Run, Setting, Task
    from facetrace.studies.price import Prices
    from facetrace.studies.zoned import Cut

EXAMPLES = """
**Examples**

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace plan designs/roughs/crystal-barrel.toml designs --prices designs/prices/invented.toml`

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --flex outline.length_mm=6.5:8:0.5`

`facetrace plan designs/roughs/cracked-pebble.toml designs/oval-brilliant.toml --pieces 2 --stone stone.stl --offcut rest.stl`

`facetrace plan designs/roughs/cracked-pebble.toml designs --seconds 20`

Ctrl-C leaves the best stones so far, checked; the same command goes on from its CSV. A second Ctrl-C stops at once.
"""

TABLE_OPTION = "0:15"
# options that `facetrace lot` takes too
TableOption = Annotated[
    str,
    typer.Option(
        metavar="LOW:HIGH",
        help="Where the table may face: its normal's angle to c, degrees, up to 90.",
    ),
]
WithinOption = Annotated[
    float,
    typer.Option(
        min=0.05,
        max=20,
        callback=finite,
        help="Search until nothing can be heavier by more than this, %.",
    ),
]
MarginOption = Annotated[
    float | None,
    typer.Option(
        min=0,
        max=1000,
        callback=finite,
        help="Wished margin, % of the outlay [default: the price file's].",
    ),
]
ChanceOption = Annotated[
    float | None,
    typer.Option(
        min=0,
        max=50,
        callback=finite,
        help="Accepted chance to earn less, % [default: the price file's].",
    ),
]
PlanRaysOption = Annotated[
    int, typer.Option(min=1, max=1 << 26, help="Rays for the figures of each plan.")
]
ThresholdOption = Annotated[
    float,
    typer.Option(
        min=0.1,
        max=50,
        callback=finite,
        help="Colour difference (CIEDE2000) from which a zone counts as visible.",
    ),
]
AllowOption = Annotated[
    float,
    typer.Option(
        min=0,
        max=100,
        callback=finite,
        help="A zone counts as hidden up to this share of the face, %.",
    ),
]
PiecesOption = Annotated[
    int,
    typer.Option(
        min=1, max=3, help="2 or 3: also so many stones at the most, the rough sawn by planes."
    ),
]
MostCellsOption = Annotated[
    int,
    typer.Option(
        min=0,
        max=10_000_000,
        help="Give up the proof after so many cells of each search; what is proven is told.",
    ),
]
SecondsOption = Annotated[
    float | None,
    typer.Option(
        min=1,
        max=1e6,
        callback=finite,
        help="End after about so many seconds, with the best so far [default: no limit].",
    ),
]
WorkersOption = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=256,
        help="Cores that work [default: all]; the numbers are the same.",
    ),
]


@one_line_errors
def plan(
    rough: Annotated[Path, typer.Argument(help="Rough file (TOML): shape, c-axis, losses, defects.")],
    designs: Annotated[list[Path], typer.Argument(help="Designs to try (TOML), or folders of them.", metavar="DESIGN...")],
    table_to_c: TableOption = TABLE_OPTION,
    flex: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=FROM:TO:STEP", help="A number of the designs that may flex, like outline.length_mm=7:9:0.5; may be repeated."),
    ] = None,
    within: WithinOption = 0.5,
    most_cells: MostCellsOption = 1500,
    pieces: PiecesOption = 1,
    prices: Annotated[Path | None, typer.Option(help="Your price file (TOML): rank by value, with a bid limit.")] = None,
    margin: MarginOption = None,
    chance: ChanceOption = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    rays: PlanRaysOption = 1 << 16,
    threshold: ThresholdOption = 2.0,
    allow: AllowOption = 1.0,
    no_losses: Annotated[bool, typer.Option("--no-losses", help="Do not search what each defect costs.")] = False,
    no_directions: Annotated[bool, typer.Option("--no-directions", help="Do not search what other directions of the table cost or bring.")] = False,
    seconds: SecondsOption = None,
    workers: WorkersOption = None,
    seed: SeedOption = 1,
    csv: Annotated[Path | None, typer.Option(help="All plans; an interrupted run goes on from it [default: beside the rough, -plan.csv; none with --json -].")] = None,
    fresh: FreshOption = False,
    picture: Annotated[Path | None, typer.Option(help="The stone in the rough [default: beside the rough, -plan.png; none with --json -].")] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    stone: Annotated[Path | None, typer.Option(help="Write the best stone (or all of several pieces, where these are the better plan) where it lies, as a mesh in the rough file's frame.")] = None,
    offcut: Annotated[Path | None, typer.Option(help="Write what is cut off: the rough with the stone's room in it, as a mesh.")] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Find the heaviest stone of each design in a rough, how it would look, and what it may be worth."""
    from facetrace.common.workers import Workers, usual_workers
    from facetrace.results import document
    from facetrace.results.plan_member import plan_member
    from facetrace.results.plan_words import notes_of
    from facetrace.solid.export import kind_of
    from facetrace.studies.answer import answered
    from facetrace.studies.plan import Run
    from facetrace.studies.price import read_prices

    started = time.time()
    table, shown = targets(rough, "plan", csv, picture, no_picture, json)
    for mesh in (stone, offcut):
        if mesh:
            kind_of(mesh)
    sources = (rough, prices, *files_in(designs))
    check_outputs(json, sources, pictures=(shown,), table=table, others=(stone, offcut))
    room = load_room(rough)
    tasks = tasks_of(room, designs, flex)
    price = with_risk(read_prices(prices).model, margin, chance) if prices else None
    setting = setting_of(
        table_to_c, light.value, head, within=within / 100, most_cells=most_cells, rays=rays,
        threshold=threshold, allow=allow / 100, seed=seed,
    )  # fmt: skip
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        pool = held.enter_context(Workers(workers or usual_workers()))
        signal = held.enter_context(stopping())
        run = Run(pool, started + seconds if seconds else None, signal)
        rows = _searched(room, tasks, setting, held, table, fresh, run)
        answer = answered(
            room, tasks, setting, rows, price, run, progress, what_defects_cost=not no_losses,
            what_directions_cost=not no_directions, pieces=pieces,
        )  # fmt: skip
        notes = notes_of([answer])
        text = ""
        if json:
            text = document.text_of(
                document.head() | {"seed": setting.seed, "plan": plan_member(answer)}
                | document.material_part(room.rough.material) | {"notes": notes}
            )  # fmt: skip
        deliver(_files(answer, shown, stone, offcut), json, text)
    if json != "-":
        _print(
            answer, notes, {"picture": shown, "all plans": table, "stone": stone, "offcut": offcut}
        )
    if signal.number is not None:
        raise typer.Exit(128 + signal.number)


def _print(answer: "Answer", notes: Sequence[str], files: "dict[str, Path | None]") -> None:
    from facetrace.cli.plan_tables import tables
    from facetrace.results.plan_words import sentences

    words = sentences(answer)
    # what is wrong with the rough comes before all figures
    for _ in answer.room.rough.questions:
        out.print(words.pop(0))
    for shown_table in tables(answer):
        out.print(shown_table)
    for text in words:
        out.print(text)
    made = {"picture", "stone", "offcut"} if answer.plans or answer.pieces else set()
    for label, target in files.items():
        if target and (label in made or label == "all plans"):
            note(f"{label}: {target}")
    for text in notes:
        note(text)


@contextmanager
def stopping() -> "Iterator[StopRequest]":
    """The first stopping signal ends the work with the best so far, and is told."""
    from facetrace.common.signals import first_signal_noted

    with first_signal_noted() as signal:
        yield signal
        if signal():
            last_word("stopped: what follows is the best so far")


# ---- what is asked ----------------------------------------------------------------------------


def load_room(path: Path) -> "Room":
    """A rough file as the search sees it. Raises FileError."""
    from facetrace.rough.rough import read_rough, rough_of
    from facetrace.studies.plan import Room

    return Room(rough_of(read_rough(path)))


def design_files(paths: Sequence[Path]) -> list[Path]:
    """Design files, folders opened. Raises FacetraceError for a folder without any, and a name given twice."""
    from facetrace.common.errors import FacetraceError

    found: list[Path] = []
    for path in paths:
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            raise FacetraceError(f"{path}: holds no design files (.toml)")
        found += [p for p in inside if p not in found]
    names = [p.stem for p in found]
    twice = [n for n in names if names.count(n) > 1]
    if twice:
        raise FacetraceError(f"two designs are called {twice[0]}.toml; rename one")
    return found


def tasks_of(
    room: "Room", paths: Sequence[Path], flex: list[str] | None, tell: bool = True
) -> "list[Task]":
    """A task for each design, *tell*: with doubts about them on stderr.

    Raises FileError and FacetraceError for designs that cannot be cut or flexed.
    """
    from facetrace.cli.loading import load_stone, ranges_of
    from facetrace.common.errors import FacetraceError
    from facetrace.studies.plan import Outline, Task

    found = []
    for path in design_files(paths):
        file, _ = load_stone(path, tell)
        try:
            ranges = ranges_of(file.design, "--flex", flex or [])
        except FacetraceError as problem:
            raise FacetraceError(f"{path}: {problem}") from None
        found.append(Task(room, path.stem, Outline(file.design, ranges), str(path)))
    return found


def setting_of(table_to_c: str, light: str, head: float | None, **wishes: Any) -> "Setting":
    """What all plans share, of the options."""
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.placement.shapes import Facing
    from facetrace.studies.plan import Setting

    try:
        low, high = (float(word) for word in table_to_c.split(":"))
    except ValueError:
        low, high = math.nan, math.nan
    if not 0 <= low <= high <= 90:
        raise FacetraceError(
            f"--table-to-c: '{table_to_c}' is not LOW:HIGH from 0 to 90 degrees; write it like 0:15"
        )
    return Setting(Facing((0.0, 0.0, 1.0), high, low, both=True), find_light(light, head), **wishes)


def with_risk(prices: "Prices", margin: float | None, chance: float | None) -> "Prices":
    """Prices with the margin and the chance of the options, in percent."""
    given = {"margin_percent": margin, "chance_percent": chance}
    update = {name: v for name, v in given.items() if v is not None}
    return prices.model_copy(update={"risk": prices.risk.model_copy(update=update)})


def files_in(designs: Sequence[Path]) -> list[Path]:
    """The files that these name, folders opened."""
    return [file for d in designs for file in (d.glob("*.toml") if d.is_dir() else (d,))]


# ---- what is found ----------------------------------------------------------------------------


def _searched(
    room: "Room", tasks: "Sequence[Task]", setting: "Setting", held: ExitStack, csv: Path | None, fresh: bool,
    run: "Run",
) -> "list[Row]":  # fmt: skip
    from facetrace.common.ledger import Ledger, fingerprint_of
    from facetrace.studies.plan import COLUMNS, KEY, complete, sweep

    keys = [key for task in tasks for key in task.keys(setting)]
    mark = fingerprint_of({"study": "plan", "keys": [list(key) for key in keys]})
    about = f"plans for {room.rough.name}"
    ledger = held.enter_context(Ledger.open(csv, mark, COLUMNS, KEY, about=about, fresh=fresh))
    run.of = len(tasks)
    note(_estimate(room, tasks, run))
    with kept(ledger, keys):
        rows, _ = swept(
            sweep(tasks, setting, ledger.rows, run), keys, ledger, "plans", run, complete
        )
    return rows


def _estimate(room: "Room", tasks: "Sequence[Task]", run: "Run") -> str:
    """How long the work may take, before it is begun."""
    from facetrace.studies.plan import seconds_for

    seconds = seconds_for(room, tasks, run)
    words = f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"
    return f"{len(tasks)} {'design' if len(tasks) == 1 else 'designs'}: about {words}; Ctrl-C ends with the best so far"


# ---- files ------------------------------------------------------------------------------------


def _cut(answer: "Answer", row: "Row") -> "Cut":
    from facetrace.studies.plan import copy_of, cut_of

    solid = answer.task_of(row).outline.solid(str(row["changed"] or ""))
    return cut_of(solid, copy_of(row, solid))


def _files(
    answer: "Answer", shown: Path | None, stone: Path | None, offcut: Path | None
) -> dict[Path, bytes]:
    """Picture and meshes: of the stones of several pieces where they are the better plan, else of the best."""
    files: dict[Path, bytes] = {}
    if not answer.plans and answer.pieces is None:
        return files
    from facetrace.solid.export import bytes_of, joined, kind_of, placed, rest_of

    rough = answer.room.rough
    sawn = answer.pieces.sawn.rows if answer.pieces and answer.sawn_first else None
    rows = sawn or (answer.plans[answer.best],)
    back = rough.turn.T
    cuts = [_cut(answer, row) for row in rows]
    mesh = joined([placed(cut.solid, back @ cut.turn, back @ cut.shift) for cut in cuts])
    if stone:
        files[stone] = bytes_of(mesh, kind_of(stone))
    if offcut:
        own = rough.mesh.turned(back)
        files[offcut] = bytes_of(rest_of(own.vertices, own.faces, mesh), kind_of(offcut))
    if shown:
        from facetrace.report.plan import plan_png

        with progress("picture"):
            files[shown] = plan_png(_panels(answer), rough)
    return files


def _panels(answer: "Answer") -> "list[Panel]":
    """The stones to be drawn: the best, the heaviest where that is another, and those of several pieces."""
    from facetrace.report.plan import Panel, saw_planes
    from facetrace.results.plan_words import short_name
    from facetrace.studies.rows import number

    found = []
    for k in dict.fromkeys((answer.best, 0)) if answer.plans else ():
        row = answer.plans[k]
        name = f"{short_name(row)}, {number(row, 'carats'):.2f} ct"
        if answer.best:
            best = "most valuable" if answer.worths else "zone hidden"
            name += f" ({best if k == answer.best else 'heaviest'})"
        found.append(Panel(name, (_cut(answer, row),)))
    if answer.pieces:
        rows = answer.pieces.sawn.rows
        name = f"{len(rows)} stones, {answer.pieces.sawn.carats:.2f} ct"
        saws = saw_planes(answer.pieces.sawn.cuts)
        found.append(Panel(name, tuple(_cut(answer, row) for row in rows), saws))
    return found
