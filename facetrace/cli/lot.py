"""facetrace lot: the best plan for each rough of a folder, in one table."""

from collections.abc import Sequence
from contextlib import ExitStack
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
from facetrace.cli.plan import (
    TABLE_OPTION,
    AllowOption,
    Answer,
    ChanceOption,
    MarginOption,
    PlanRaysOption,
    TableOption,
    ThresholdOption,
    WithinOption,
    WorkersOption,
    answered,
    called,
    files_in,
    load_room,
    notes_of,
    plan_member,
    setting_of,
    tasks_of,
    with_risk,
)
from facetrace.cli.shell import check_outputs, deliver, kept, note, one_line_errors, out, swept

if TYPE_CHECKING:
    from facetrace.common.ledger import Row
    from facetrace.studies.plan import Setting, Task
    from facetrace.studies.price import Prices
    from facetrace.studies.value import Bid

EXAMPLES = """
**Examples**

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml --prices designs/prices/invented.toml --csv lot.csv`

Ctrl-C stops; the same command goes on from its CSV. The numbers are the same either way.
"""

ROUGH_LETTERS, DESIGN_LETTERS = 13, 12


@one_line_errors
def lot(
    folder: Annotated[Path, typer.Argument(help="Folder with rough files (TOML), all of which are planned.")],
    designs: Annotated[list[Path], typer.Argument(help="Designs to try (TOML), or folders of them.", metavar="DESIGN...")],
    table_to_c: TableOption = TABLE_OPTION,
    flex: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=FROM:TO:STEP", help="A number of the designs that may flex; may be repeated."),
    ] = None,
    within: WithinOption = 0.5,
    most_cells: Annotated[int, typer.Option(min=0, max=10_000_000, help="Give up the proof after so many cells of each search.")] = 6000,
    prices: Annotated[Path | None, typer.Option(help="Your price file (TOML): value and bid limits.")] = None,
    margin: MarginOption = None,
    chance: ChanceOption = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    rays: PlanRaysOption = 1 << 16,
    threshold: ThresholdOption = 2.0,
    allow: AllowOption = 1.0,
    workers: WorkersOption = None,
    seed: SeedOption = 1,
    csv: Annotated[Path | None, typer.Option(help="All plans; an interrupted run goes on from it [default: beside the folder, -lot.csv; none with --json -].")] = None,
    fresh: FreshOption = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Plan every rough of a folder: carats, value and bid limit of each, and of all."""
    from facetrace.common.errors import FacetraceError
    from facetrace.common.workers import usual_workers
    from facetrace.studies.price import read_prices

    if not folder.is_dir():
        raise FacetraceError(f"{folder}: is no folder; name one that holds rough files (.toml)")
    files = sorted(folder.glob("*.toml"))
    if not files:
        raise FacetraceError(f"{folder}: holds no rough files (.toml)")
    whole = folder.absolute()
    table = csv or (None if json == "-" else whole.with_name(f"{whole.name}-lot.csv"))
    check_outputs(json, (prices, *files, *files_in(designs)), table=table)
    # all files are read before any work is spent: a damaged one is told at once
    rooms = [load_room(file) for file in files]
    price = with_risk(read_prices(prices).model, margin, chance) if prices else None
    setting = setting_of(
        table_to_c, light.value, head, within=within / 100, most_cells=most_cells, rays=rays,
        threshold=threshold, allow=allow / 100, seed=seed,
    )  # fmt: skip
    groups = [tasks_of(room, designs, flex, not k) for k, room in enumerate(rooms)]
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        count = workers or usual_workers()
        rows = _planned(groups, setting, held, table, fresh, count, folder.name)
        answers = [
            answered(room, tasks, setting, own, price, 0)
            for room, tasks, own in zip(rooms, groups, rows, strict=True)
        ]
        notes = notes_of(answers)
        deliver({}, json, _document(answers, setting, price, notes) if json else "")
    if json == "-":
        return
    out.print(_table(answers, price, folder.name))
    for text in _sentences(answers, price):
        out.print(text)
    if table:
        note(f"all plans: {table}")
    for text in notes:
        note(text)


def _planned(
    groups: "Sequence[Sequence[Task]]", setting: "Setting", held: ExitStack, csv: Path | None, fresh: bool,
    workers: int, name: str,
) -> "list[list[Row]]":  # fmt: skip
    """The rows of each rough. A file that changed, or a new one, is planned; the others come from the table."""
    from facetrace.common.ledger import Ledger, fingerprint_of
    from facetrace.studies.plan import COLUMNS, KEY, sweep

    tasks = [task for group in groups for task in group]
    keys = [key for task in tasks for key in task.keys(setting)]
    mark = fingerprint_of({"study": "lot", "setting": setting.facts})
    about = f"plans for the lot {name}"
    ledger = held.enter_context(Ledger.open(csv, mark, COLUMNS, KEY, about=about, fresh=fresh))
    with kept(ledger, keys):
        rows, _ = swept(sweep(tasks, setting, ledger.rows, workers), keys, ledger, "plans")
    # in the order of the files, without what is no longer asked
    ledger.keep(rows)
    ledger.save()
    found = iter(rows)
    return [[next(found) for task in group for _ in task.keys(setting)] for group in groups]


def _short(name: str, letters: int) -> str:
    return name if len(name) <= letters else name[: letters - 2] + ".."


def _table(answers: Sequence[Answer], prices: "Prices | None", name: str) -> Table:
    from facetrace.studies.price import plain
    from facetrace.studies.rows import number

    table = Table(title=f"the lot {name}", title_justify="left")
    table.add_column("rough", no_wrap=True)
    table.add_column("ct", justify="right", no_wrap=True)
    table.add_column("best design", no_wrap=True)
    for head in (
        "ct",
        *(() if prices else ("low - high",)),
        *(("value", "low-high", "bid") if prices else ("yield %",)),
    ):
        table.add_column(head, justify="right", no_wrap=True)
    for answer in answers:
        start = (_short(answer.room.rough.name, ROUGH_LETTERS), f"{answer.room.carats:.2f}")
        if not answer.plans:
            table.add_row(*start, "nothing fits", *["-"] * (4 if prices else 3))
            continue
        row = answer.plans[answer.best]
        carats = number(row, "carats")
        cells = [_short(str(row["design"]), DESIGN_LETTERS), f"{carats:.2f}"]
        if prices:
            of, bid = answer.worths[answer.best]
            low, high = plain(of.low.value), plain(of.high.value)
            cells += [plain(of.expected.value), f"{low}-{high}", plain(max(bid.limit.value, 0.0))]
        else:
            low, high = (f"{number(row, n):.2f}" for n in ("low_carats", "high_carats"))
            cells += [f"{low} - {high}", f"{100 * carats / answer.room.carats:.1f}"]
        table.add_row(*start, *cells)
    table.add_section()
    rough, cut, value, bids = _totals(answers)
    more = (plain(value), "", plain(bids)) if prices else ("", f"{100 * cut / rough:.1f}")
    table.add_row("all", f"{rough:.2f}", "", f"{cut:.2f}", *more)
    return table


def _totals(answers: Sequence[Answer]) -> tuple[float, float, float, float]:
    """(carats of rough, carats of the best plans, their value, bid limits of roughs worth buying)."""
    from facetrace.studies.rows import number

    planned = [a for a in answers if a.plans]
    worths = [a.worths[a.best] for a in planned if a.worths]
    return (
        sum(a.room.carats for a in answers),
        sum(number(a.plans[a.best], "carats") for a in planned),
        sum(of.expected.value for of, _ in worths),
        sum(max(bid.limit.value, 0.0) for _, bid in worths),
    )


def _sentences(answers: Sequence[Answer], prices: "Prices | None") -> list[str]:
    """Where value and weight disagree, and what to look at again."""
    from facetrace.studies.plan import gap_of

    found = []
    for answer in answers:
        name = answer.room.rough.name
        if answer.best:
            heavy, best = answer.plans[0], answer.plans[answer.best]
            found.append(f"{name}: {called(best)} comes before the heavier {called(heavy)}.")
        if answer.room.rough.weight_note:
            found.append(f"{name}: {answer.room.rough.weight_note}")
        wide = [r for r in answer.plans if gap_of(r) > answer.setting.within + 1e-6 and r["kind"] == "heaviest"]  # fmt: skip
        if wide:
            worst = max(map(gap_of, wide))
            found.append(
                f"{name}: up to {100 * worst:.0f} % more is not ruled out; a larger --most-cells goes on."
            )
    if prices:
        from facetrace.studies.money import parcel_words

        risk = prices.risk
        found.append(
            f"Values in {prices.currency}. A bid is the most to pay for a margin of {risk.margin_percent:g} % with a "
            f"chance of {100 - risk.chance_percent:g} % for each rough on its own; 0: do not buy."
        )
        found += parcel_words(prices, *_bids(answers, prices))
    return found


def _bids(answers: Sequence[Answer], prices: "Prices") -> "tuple[list[Bid | None], Bid]":
    """The bid for each rough, None where nothing fits, and that for all together."""
    from facetrace.studies.value import parcel_bid

    best = [a.worths[a.best] if a.plans else None for a in answers]
    roughs = [(w[0] if w else None, a.room.carats) for w, a in zip(best, answers, strict=True)]
    return [w[1] if w else None for w in best], parcel_bid(prices, roughs)


def _document(
    answers: Sequence[Answer], setting: "Setting", prices: "Prices | None", notes: list[str]
) -> str:
    from facetrace.report import document
    from facetrace.studies.money import parcel_member

    parts: dict[str, Any] = document.head() | {
        "seed": setting.seed,
        "lot": [plan_member(answer) for answer in answers],
        **({"parcel": parcel_member(*_bids(answers, prices))} if prices else {}),
        "notes": notes,
    }
    return document.text_of(parts)
