"""facetrace plan: what a rough may be cut to, ranked."""

import math
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

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
    note,
    one_line_errors,
    out,
    progress,
    swept,
    targets,
)

if TYPE_CHECKING:
    from facetrace.common.ledger import Row
    from facetrace.report.plan import Panel
    from facetrace.studies.orient import Cut
    from facetrace.studies.plan import Loss, Room, Setting, Task
    from facetrace.studies.price import Prices
    from facetrace.studies.saw import Sawn
    from facetrace.studies.value import Bid, Worth

EXAMPLES = """
**Examples**

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace plan designs/roughs/crystal-barrel.toml designs --prices designs/prices/invented.toml`

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --flex outline.length_mm=6.5:8:0.5`

`facetrace plan designs/roughs/cracked-pebble.toml designs/oval-brilliant.toml --pieces 2 --stone stone.stl --offcut rest.stl`

Ctrl-C stops; the same command goes on from its CSV. The numbers are the same either way.
"""

# letters of a design's name in a table of 80 columns
NAME_LETTERS = 19
# a girdle thinner than this chips in setting (common practice, no source)
THIN_MM = 0.1
# of the weight: what is known so well needs no second number
SURE_SHARE = 0.015
# columns of how a stone looks: figure, factor, digits
LOOKS = (
    ("light_return", 100, 1), ("window", 100, 1), ("zone", 100, 1), ("lightness", 1, 0),
    ("chroma", 1, 0), ("hue_deg", 1, 0),
)  # fmt: skip
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
WorkersOption = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=256,
        help="Processes that search [default: one for each core]; the numbers are the same.",
    ),
]


@dataclass(frozen=True)
class Answer:
    """All that is reported of one rough: plans heaviest first, and by value where prices are known."""

    room: "Room"
    tasks: "Sequence[Task]"
    setting: "Setting"
    rows: "list[Row]"
    plans: "list[Row]"
    losses: "list[Loss]"
    prices: "Prices | None"
    worths: "list[tuple[Worth, Bid]]"
    sawn: "Sawn | None" = None
    halved: bool = False

    @property
    def best(self) -> int:
        """Number of the plan to go by: the most valuable; without prices the heaviest whose zones hide, or of all."""
        from facetrace.studies.plan import hides

        if not self.worths:
            hidden = [k for k, row in enumerate(self.plans) if hides(row, self.setting)]
            return hidden[0] if hidden and self.room.to_hide else 0
        return max(range(len(self.plans)), key=lambda k: self.worths[k][0].expected.value)

    def task_of(self, row: "Row") -> "Task":
        """The task that a row belongs to."""
        return next(t for t in self.tasks if t.label == row["design"])


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
    most_cells: Annotated[int, typer.Option(min=0, max=10_000_000, help="Give up the proof after so many cells of each search; what was reached is told.")] = 6000,
    pieces: Annotated[int, typer.Option(min=1, max=2, help="2: also two stones, the rough sawn by a plane.")] = 1,
    prices: Annotated[Path | None, typer.Option(help="Your price file (TOML): rank by value, with a bid limit.")] = None,
    margin: MarginOption = None,
    chance: ChanceOption = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    rays: PlanRaysOption = 1 << 16,
    threshold: ThresholdOption = 2.0,
    allow: AllowOption = 1.0,
    no_losses: Annotated[bool, typer.Option("--no-losses", help="Do not search what each defect costs.")] = False,
    workers: WorkersOption = None,
    seed: SeedOption = 1,
    csv: Annotated[Path | None, typer.Option(help="All plans; an interrupted run goes on from it [default: beside the rough, -plan.csv; none with --json -].")] = None,
    fresh: FreshOption = False,
    picture: Annotated[Path | None, typer.Option(help="The stone in the rough [default: beside the rough, -plan.png; none with --json -].")] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    stone: Annotated[Path | None, typer.Option(help="Write the best stone (with --pieces 2 both) where it lies, as a mesh in the rough file's frame.")] = None,
    offcut: Annotated[Path | None, typer.Option(help="Write what is cut off: the rough with the stone's room in it, as a mesh.")] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Find the heaviest stone of each design in a rough, how it would look, and what it may be worth."""
    from facetrace.common.workers import usual_workers
    from facetrace.solid.export import kind_of
    from facetrace.studies.price import read_prices

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
    count = workers or usual_workers()
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        rows = _searched(room, tasks, setting, held, table, fresh, count)
        answer = answered(room, tasks, setting, rows, price, 0 if no_losses else count)
        if pieces == 2:
            answer = _sawn(answer, count)
        notes = notes_of([answer])
        text = _document(answer, notes) if json else ""
        deliver(_files(answer, shown, stone, offcut), json, text)
    if json == "-":
        return
    for shown_table in tables(answer) if answer.plans else ():
        out.print(shown_table)
    for text in sentences(answer):
        out.print(text)
    for label, target in (("picture", shown), ("all plans", table), ("stone", stone), ("offcut", offcut)):  # fmt: skip
        if target:
            note(f"{label}: {target}")
    for text in notes:
        note(text)


# ---- what is asked ----------------------------------------------------------------------------


def load_room(path: Path) -> "Room":
    """A rough file as the search sees it. Raises FileError."""
    from facetrace.optics.rough import read_rough, rough_of
    from facetrace.studies.plan import room_of

    return room_of(rough_of(read_rough(path)))


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
    from facetrace.solid.place import Facing
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
    risk = prices.risk.model_copy(update=update)
    for text in risk.doubts:
        note(text)
    return prices.model_copy(update={"risk": risk})


def files_in(designs: Sequence[Path]) -> list[Path]:
    """The files that these name, folders opened."""
    return [file for d in designs for file in (d.glob("*.toml") if d.is_dir() else (d,))]


# ---- what is found ----------------------------------------------------------------------------


def _searched(
    room: "Room", tasks: "Sequence[Task]", setting: "Setting", held: ExitStack, csv: Path | None, fresh: bool,
    workers: int,
) -> "list[Row]":  # fmt: skip
    from facetrace.common.ledger import Ledger, fingerprint_of
    from facetrace.studies.plan import COLUMNS, KEY, sweep

    keys = [key for task in tasks for key in task.keys(setting)]
    mark = fingerprint_of({"study": "plan", "keys": [list(key) for key in keys]})
    about = f"plans for {room.rough.name}"
    ledger = held.enter_context(Ledger.open(csv, mark, COLUMNS, KEY, about=about, fresh=fresh))
    with kept(ledger, keys):
        return swept(sweep(tasks, setting, ledger.rows, workers), keys, ledger, "plans")[0]


def answered(
    room: "Room", tasks: "Sequence[Task]", setting: "Setting", rows: "list[Row]", prices: "Prices | None",
    workers: int,
) -> Answer:  # fmt: skip
    """Plans ranked, and what defects cost the best (0 workers: not asked)."""
    from facetrace.studies.plan import losses, made, priced_stone
    from facetrace.studies.value import bid_limit, worth

    plans = made(rows)
    worths = []
    if prices:
        for row in plans:
            of = worth(prices, [priced_stone(row)])
            worths.append((of, bid_limit(prices, of, room.carats)))
    answer = Answer(room, tasks, setting, rows, plans, [], prices, worths)
    if not plans or not workers or not room.kept_off:
        return answer
    best = plans[answer.best]
    found: list[Loss] = []
    count = len(room.kept_off) + (len(room.kept_off) > 1)
    with progress("what each defect costs") as report:
        for loss in losses(answer.task_of(best), setting, best, workers):
            found.append(loss)
            report(len(found) / count)
    return Answer(room, tasks, setting, rows, plans, found, prices, worths)


def _sawn(answer: Answer, workers: int) -> Answer:

    from facetrace.studies.saw import sawn

    def value(pair: "Sawn") -> float:
        return pair_worth(answer, pair)[0].expected.value if answer.prices else pair.carats

    with progress("two stones from one rough") as report:
        found = sawn(answer.tasks, answer.setting, workers, report, value)
    return replace(answer, sawn=found, halved=True)


def pair_worth(answer: Answer, pair: "Sawn") -> "tuple[Worth, Bid]":
    """What two stones may be worth, and the bid for them."""
    from facetrace.studies.plan import priced_stone
    from facetrace.studies.value import bid_limit, worth

    assert answer.prices is not None
    of = worth(answer.prices, [priced_stone(row) for row in pair.rows])
    return of, bid_limit(answer.prices, of, answer.room.carats)


# ---- words and tables -------------------------------------------------------------------------


def _name(row: "Row") -> str:
    from facetrace.studies.plan import HIDDEN

    mark = " (h)" if row["kind"] == HIDDEN else ""
    name = str(row["design"])
    room = NAME_LETTERS - len(mark)
    return (name if len(name) <= room else name[: room - 2] + "..") + mark


def called(row: "Row") -> str:
    """A plan's name in a sentence."""
    from facetrace.studies.plan import HIDDEN

    return f"{row['design']}{' with its zones hidden' if row['kind'] == HIDDEN else ''}"


def tables(answer: Answer) -> list[Table]:
    """Weight, looks, and value where prices are known."""
    from facetrace.studies.plan import table_to_c
    from facetrace.studies.rows import number

    weights = Table(title=f"plans for {answer.room.rough.name}, {answer.room.carats:.2f} ct", title_justify="left")  # fmt: skip
    looks = Table(title="face up, colour from within", title_justify="left")
    for name in ("", "design"):
        for table in (weights, looks):
            table.add_column(name, no_wrap=True)
    for name in ("ct", "low - high", "yield %", "to c", "size, mm"):
        weights.add_column(name, justify="right", no_wrap=True)
    for name in ("light %", "window %", "zone %", "L*", "C*", "h"):
        looks.add_column(name, justify="right", no_wrap=True)
    for k, row in enumerate(answer.plans, start=1):
        low, most = number(row, "low_carats"), number(row, "high_carats")
        carats = number(row, "carats")
        size = "x".join(f"{number(row, n):.1f}" for n in ("length_mm", "width_mm", "depth_mm"))
        weights.add_row(
            str(k), _name(row), f"{carats:.2f}", f"{low:.2f} - {most:.2f}",
            f"{100 * carats / answer.room.carats:.1f}", f"{table_to_c(row):.1f}", size,
        )  # fmt: skip
        looks.add_row(
            str(k), _name(row),
            *(f"{number(row, n) * factor:.{digits}f}" for n, factor, digits in LOOKS),
        )  # fmt: skip
    looks.add_section()
    errors = (
        f"{factor * max((number(r, f'{n}_stderr') for r in answer.plans), default=0.0):.{digits + 1}f}"
        for n, factor, digits in LOOKS
    )
    looks.add_row("", "std. error, most", *errors)
    return [weights, looks, *([_values(answer)] if answer.worths else [])]


def _values(answer: Answer) -> Table:
    from facetrace.studies.price import plain

    assert answer.prices is not None
    table = Table(title=f"value in {answer.prices.currency}, {answer.prices.name}", title_justify="left")  # fmt: skip
    for name in ("", "design", "expected", "low - high", "by ct", "bid"):
        table.add_column(name, justify="left" if name == "design" else "right", no_wrap=True)
    order = sorted(range(len(answer.plans)), key=lambda k: -answer.worths[k][0].expected.value)
    for rank, k in enumerate(order, start=1):
        of, bid = answer.worths[k]
        low, high = plain(of.low.value), plain(of.high.value)
        limit = plain(bid.limit.value) if bid.limit.value > 0 else "do not buy"
        expected = f"{plain(of.expected.value)} +- {plain(of.expected.stderr)}"
        table.add_row(str(rank), _name(answer.plans[k]), expected, f"{low} - {high}", str(k + 1), limit)  # fmt: skip
    return table


def sentences(answer: Answer) -> list[str]:
    """How the best is placed, how sure that is, what defects cost, why it is worth more."""
    if not answer.plans:
        why_not = dict.fromkeys(f"{row['design']}: {row['remark']}." for row in answer.rows)
        return [*why_not, "Allow other table directions, or leave a defect anywhere."]
    best = answer.plans[answer.best]
    found = [_placing(answer, best), _proof(answer, best), *_range(answer)]
    found += _costs(answer, best)
    if answer.worths:
        found += _worth(answer)
    elif answer.best:
        found.append(_shows(answer))
    if answer.halved:
        found += _sawn_words(answer)
    return found + _cautions(answer, best)


def _along(direction: Any) -> str:
    """A direction in the file's frame as people lay it out: angles to the three axes."""
    angles = (math.degrees(math.acos(max(-1.0, min(1.0, float(a))))) for a in direction)
    return ", ".join(f"{a:.1f} deg from {n}" for n, a in zip("xyz", angles, strict=True))


def _placing(answer: Answer, row: "Row") -> str:
    from facetrace.studies.plan import placing, table_to_c

    up, along, origin = placing(row, answer.room.rough)
    changed = f" ({row['changed']})" if row["changed"] else ""
    at = ", ".join(f"{a:.2f}" for a in origin)
    return (
        f"Best: {called(row)}{changed}. Its table's normal is {table_to_c(row):.1f} deg from c and points, in the "
        f"frame of the rough file, {_along(up)}; its length {_along(along)}; the middle of its girdle plane "
        f"lies at {at} mm."
    )


def _proof(answer: Answer, row: "Row") -> str:
    from facetrace.studies.plan import HIDDEN, gap_of
    from facetrace.studies.rows import number

    facing = answer.setting.facing
    where = f"with the table {facing.least_deg:g} to {facing.within_deg:g} deg from c"
    if row["kind"] == HIDDEN:
        return (
            f"It is the heaviest that hides the zone among the directions tried, {where}; "
            f"no stone of it at all is heavier by more than {100 * gap_of(row):.1f} %."
        )
    gap = 100 * gap_of(row)
    flexed = "and the variations tried " if number(row, "variations") > 1 else ""
    if gap > 100 * answer.setting.within + 1e-6:
        return (
            f"The search stopped before its proof: up to {gap:.{0 if gap >= 10 else 1}f} % more is not ruled out for this design "
            f"{where}. A larger --most-cells goes on."
        )
    return f"Within {math.ceil(10 * gap - 1e-6) / 10:.1f} % of the best possible for this design {flexed}{where}."


def _range(answer: Answer) -> list[str]:
    loss = answer.room.rough.loss
    return [
        f"Low and high: the surface {loss.scan_mm:g} mm further in or out (error of the scan), at the same "
        f"orientation. In all, {loss.skin_mm:g} mm of skin go in grinding and polishing."
    ]


def _shows(answer: Answer) -> str:
    from facetrace.studies.rows import number

    heavy = answer.plans[0]
    return (
        f"The heaviest of all, {heavy['design']}, keeps {number(heavy, 'carats'):.2f} ct, but "
        f"{', '.join(answer.room.to_hide)} shows on {100 * number(heavy, 'zone'):.1f} % of its face."
    )


def _costs(answer: Answer, best: "Row") -> list[str]:
    from facetrace.studies.plan import HIDDEN
    from facetrace.studies.rows import number

    found = []
    for loss in answer.losses:
        what = f"the {loss.names[0]}" if len(loss.names) == 1 else "all of these"
        rest = loss.most_carats - loss.carats
        sure = rest <= SURE_SHARE * number(best, "carats")
        limit = "" if sure else f"; at most {loss.most_carats:.2f} ct, by the proof so far"
        if loss.carats < 0.005:
            found.append(f"Without {what} it would cut no more{limit}.")
        else:
            found.append(
                f"Without {what} this rough would cut {loss.carats:.2f} ct more of this design"
                f"{limit}{_dearer(answer, best, loss.carats)}."
            )
    hides = [r for r in answer.rows if r["kind"] == HIDDEN and r["design"] == best["design"]]
    for row in hides:
        names = ", ".join(answer.room.to_hide)
        if row["carats"] is None:
            found.append(f"{row['design']}: {row['remark']} ({names}).")
        else:
            heaviest = next(
                r for r in answer.rows if r["design"] == row["design"] and r["kind"] != HIDDEN
            )
            cost = number(heaviest, "carats") - number(row, "carats")
            found.append(
                f"To hide {names} in {row['design']} costs {cost:.2f} ct."
                if cost >= 0.005
                else f"In {row['design']} {names} does not show, even in the heaviest stone."
            )
    return found


def _dearer(answer: Answer, best: "Row", carats: float) -> str:
    """What so many carats more would be worth, were the stone to look the same."""
    if answer.prices is None:
        return ""
    from facetrace.studies.plan import priced_stone
    from facetrace.studies.price import plain
    from facetrace.studies.value import worth

    stone = priced_stone(best)
    times = 1 + carats / stone.expected
    low, expected, high = (times * ct for ct in (stone.low, stone.expected, stone.high))
    larger = replace(stone, low=low, expected=expected, high=high)
    now, then = (worth(answer.prices, [s]).expected.value for s in (stone, larger))
    return f", and be worth {plain(then)} {answer.prices.currency} instead of {plain(now)} if it looked the same"


def _worth(answer: Answer) -> list[str]:
    from facetrace.studies.money import bid_words, expected_words
    from facetrace.studies.value import why

    assert answer.prices is not None
    of, bid = answer.worths[answer.best]
    found = [expected_words(of), *bid_words(of, bid)]
    if answer.best:
        found.append(
            f"By value {called(answer.plans[answer.best])} comes before the heavier "
            f"{called(answer.plans[0])}. {why(of, answer.worths[0][0])}"
        )
    return found


def _sawn_words(answer: Answer) -> list[str]:
    from facetrace.studies.plan import gap_of, placing
    from facetrace.studies.rows import number
    from facetrace.studies.value import why

    pair = answer.sawn
    if pair is None:
        return ["No saw cut that was tried leaves room for two stones of these designs."]
    rough = answer.room.rough
    first, second = pair.depths_mm
    through = f", through the {pair.plane.crack}" if pair.plane.crack else ""
    found = [
        f"Two stones: {pair.carats:.2f} ct together ({100 * pair.carats / answer.room.carats:.1f} %). Saw across "
        f"the direction {_along(rough.turn.T @ pair.plane.normal)}{through}, {first:.2f} mm from the end of the rough "
        f"on that side and {second:.2f} mm from the other; the kerf takes {rough.loss.kerf_mm:g} mm. "
        f"The best of {pair.tried} cuts tried, by a coarse search of each."
    ]
    for row in pair.rows:
        up, along, origin = placing(row, rough)
        at = ", ".join(f"{a:.2f}" for a in origin)
        found.append(
            f"{row['design']}, {number(row, 'carats'):.2f} ct ({number(row, 'low_carats'):.2f} - "
            f"{number(row, 'high_carats'):.2f}), within {math.ceil(1000 * gap_of(row) - 1e-6) / 10:.1f} % of the best "
            f"in its half: table's normal {_along(up)}; length {_along(along)}; middle of the girdle at {at} mm."
        )
    if answer.prices:
        of, bid = pair_worth(answer, pair)
        one = answer.worths[answer.best][0]
        limit = answer.prices.money(bid.limit.value) if bid.limit.value > 0 else "nothing"
        found.append(
            f"The two are worth {answer.prices.money(of.expected.value)}; bid at most {limit}."
        )
        if of.expected.value > one.expected.value:
            found.append(f"That is more than the best single stone. {why(of, one)}")
        else:
            found.append(f"The best single stone is worth more. {why(one, of)}")
    return found


def _cautions(answer: Answer, best: "Row") -> list[str]:
    from facetrace.solid.measure import measure
    from facetrace.studies.plan import copy_of, cut_of

    room, rough = answer.room, answer.room.rough
    found = [rough.weight_note] if rough.weight_note else []
    found += [f"The scan was mended: {text}." for text in rough.repairs]
    solid = answer.task_of(best).outline.solid(str(best["changed"] or ""))
    cut = cut_of(solid, copy_of(best, solid)).solid
    girdle = measure(cut, rough.density).girdle_min_mm
    if girdle < THIN_MM:
        found.append(f"The girdle is {girdle:.2f} mm thin at its thinnest and may chip; make it thicker in the design.")  # fmt: skip
    if room.hollows.bodies:
        found.append(f"Beside hollows up to {room.hollows.excess_mm:.2f} mm more than needed is kept off.")  # fmt: skip
    if any(d.kind == "crack" for d in rough.defects):
        # common practice, no source
        found.append(
            "A crack often runs further than it shows, and glass that fills one softens in heat: look again "
            "once a face is ground."
        )
    unmade = [f"{r['design']}: {r['remark']}" for r in answer.rows if r["carats"] is None and r["design"] != best["design"]]  # fmt: skip
    return found + unmade


def notes_of(answers: Sequence[Answer]) -> list[str]:
    """Cautions that belong to the numbers."""
    from facetrace.optics.zone import substances
    from facetrace.report.document import ESTIMATE, colour_notes, light_notes, provisional_note

    notes = [ESTIMATE, *light_notes(answers[0].setting.light)]
    grown = []
    for answer in answers:
        rough = answer.room.rough
        grown += [rough.material, *(substances(rough.zones, rough.material) if rough.zones else [])]
    names = dict.fromkeys(name for substance in grown for name in substance.provisional)
    if names:
        notes.append(provisional_note(list(names)))
    for substance in grown:
        notes += [text for text in colour_notes(substance, sure=True) if text not in notes]
    if any(row["outline"] == "heart" for a in answers for row in a.rows):
        notes.append(
            "A heart is placed by its convex hull: its cleft is kept free of defects as well."
        )
    return notes


# ---- files ------------------------------------------------------------------------------------


def _cut(answer: Answer, row: "Row") -> "Cut":
    from facetrace.studies.plan import copy_of, cut_of

    solid = answer.task_of(row).outline.solid(str(row["changed"] or ""))
    return cut_of(solid, copy_of(row, solid))


def _files(
    answer: Answer, shown: Path | None, stone: Path | None, offcut: Path | None
) -> dict[Path, bytes]:
    """Picture and meshes: of two stones where there are two, else of the best."""
    files: dict[Path, bytes] = {}
    if not answer.plans:
        return files
    from facetrace.solid.export import bytes_of, joined, kind_of, placed, rest_of

    rough = answer.room.rough
    rows = answer.sawn.rows if answer.sawn else (answer.plans[answer.best],)
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


def _panels(answer: Answer) -> "list[Panel]":
    """The stones to be drawn: the best, the heaviest where that is another, and two from one rough."""
    from facetrace.report.plan import Panel
    from facetrace.studies.rows import number

    found = []
    for k in dict.fromkeys((answer.best, 0)):
        row = answer.plans[k]
        name = f"{_name(row)}, {number(row, 'carats'):.2f} ct"
        if answer.best:
            best = "most valuable" if answer.worths else "zone hidden"
            name += f" ({best if k == answer.best else 'heaviest'})"
        found.append(Panel(name, (_cut(answer, row),)))
    if answer.sawn:
        name = f"two stones, {answer.sawn.carats:.2f} ct"
        found.append(Panel(name, tuple(_cut(answer, row) for row in answer.sawn.rows)))
    return found


def _document(answer: Answer, notes: list[str]) -> str:
    from facetrace.report import document

    return document.text_of(
        document.head() | {"seed": answer.setting.seed, "plan": plan_member(answer)}
        | document.material_part(answer.room.rough.material) | {"notes": notes}
    )  # fmt: skip


def _pair(of: Any) -> dict[str, float]:
    return {"value": of.value, "stderr": of.stderr}


def _stone_member(row: "Row") -> dict[str, Any]:
    """A row for the document."""
    from facetrace.studies.plan import FIGURES, KEY, SHIFT, TURN, estimate, gap_of, table_to_c
    from facetrace.studies.rows import number

    skipped = {n for f in FIGURES for n in (f, f"{f}_stderr")} | {KEY[0], *TURN, *SHIFT, "rough"}
    member: dict[str, Any] = {n: v for n, v in row.items() if n not in skipped}
    turn = [number(row, n) for n in TURN]
    return member | {
        "turn": [turn[:3], turn[3:6], turn[6:]],
        "shift_mm": [number(row, n) for n in SHIFT],
        "figures": {n: _pair(estimate(row, n)) for n in FIGURES},
        "table_to_c_deg": table_to_c(row),
        "gap": gap_of(row),
    }


def _worth_member(of: "Worth", bid: "Bid") -> dict[str, Any]:
    from facetrace.studies.money import worth_member

    return worth_member(of, bid)


def _sawn_member(answer: Answer) -> dict[str, Any] | None:
    pair = answer.sawn
    if pair is None:
        return None
    worth = _worth_member(*pair_worth(answer, pair)) if answer.prices else {}
    return {
        "normal": [float(a) for a in pair.plane.normal],
        "offset_mm": pair.plane.offset,
        "crack": pair.plane.crack or None,
        "depths_mm": list(pair.depths_mm),
        "stones": [_stone_member(row) for row in pair.rows],
    } | worth


def plan_member(answer: Answer) -> dict[str, Any]:
    """The member "plan" of the document."""

    def row_member(k: int, row: "Row") -> dict[str, Any]:
        return _stone_member(row) | (_worth_member(*answer.worths[k]) if answer.worths else {})

    rough, loss = answer.room.rough, answer.room.rough.loss
    return {
        "rough": {
            "name": rough.name, "file": str(rough.file.path), "material": rough.material.name,
            "carats": rough.carats, "weighed_carats": rough.weighed_carats,
            "defects": list(dict.fromkeys(d.name for d in rough.defects)),
        },
        "loss": {"scan_mm": loss.scan_mm, "skin_mm": loss.skin_mm, "kerf_mm": loss.kerf_mm},
        "designs": {task.label: task.file for task in answer.tasks},
        "light": answer.setting.light.name,
        "head_deg": answer.setting.light.head_deg,
        "table_to_c_deg": [answer.setting.facing.least_deg, answer.setting.facing.within_deg],
        "within": answer.setting.within,
        "currency": answer.prices.currency if answer.prices else None,
        "plans": [row_member(k, row) for k, row in enumerate(answer.plans)],
        "best": answer.best if answer.plans else None,
        "without": [
            {"defects": list(x.names), "more_carats": x.carats, "at_most_carats": x.most_carats}
            for x in answer.losses
        ],
        "sawn": _sawn_member(answer),
        "words": sentences(answer),
    }  # fmt: skip
