"""facetrace lot: the best plan for each rough of a folder, in one table."""

import time
from collections.abc import Callable, Sequence
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
from facetrace.cli.plan import (
    TABLE_OPTION,
    AllowOption,
    ChanceOption,
    MarginOption,
    MostCellsOption,
    PiecesOption,
    PlanRaysOption,
    SecondsOption,
    TableOption,
    ThresholdOption,
    WithinOption,
    WorkersOption,
    files_in,
    load_room,
    setting_of,
    stopping,
    tasks_of,
    with_risk,
)
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out, progress

if TYPE_CHECKING:
    from facetrace.common.ledger import Ledger, Row
    from facetrace.studies.answer import Answer
    from facetrace.studies.plan import Run, Setting
    from facetrace.studies.price import Prices
    from facetrace.studies.value import Bid, Worth

EXAMPLES = """
**Examples**

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml`

`facetrace lot designs/roughs designs/oval-brilliant.toml designs/round-brilliant.toml --prices designs/prices/invented.toml --csv lot.csv --pieces 2`

A file that cannot be read is a row with its reason. Ctrl-C ends with what there is; the same command goes on from its CSV.
"""

# letters of a name in a table that is too wide
LEAST_LETTERS = 10


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
    most_cells: MostCellsOption = 1500,
    pieces: PiecesOption = 1,
    seconds: SecondsOption = None,
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
    from facetrace.common.workers import Workers, usual_workers
    from facetrace.studies.plan import Run
    from facetrace.studies.price import read_prices

    started = time.time()
    if not folder.is_dir():
        raise FacetraceError(f"{folder}: is no folder; name one that holds rough files (.toml)")
    files = sorted(folder.glob("*.toml"))
    if not files:
        raise FacetraceError(f"{folder}: holds no rough files (.toml)")
    whole = folder.absolute()
    table = csv or (None if json == "-" else whole.with_name(f"{whole.name}-lot.csv"))
    check_outputs(json, (prices, *files, *files_in(designs)), table=table)
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
        lot_ = _Lot(setting, price, run, designs, flex, pieces)
        ledger = held.enter_context(_ledger(setting, table, fresh, folder.name))
        entries = lot_.planned(files, ledger)
        if all(entry.problem for entry in entries) and not run.over():
            raise FacetraceError(str(entries[0].problem))
        deliver({}, json, _document(entries, setting, price, lot_.notes) if json else "")
    if json != "-":
        out.print(_table(entries, price, folder.name))
        for text in _sentences(entries, price):
            out.print(text)
        if table:
            note(f"all plans: {table}")
        for text in lot_.notes:
            note(text)
    if signal.number is not None:
        raise typer.Exit(128 + signal.number)


def _ledger(setting: "Setting", csv: Path | None, fresh: bool, name: str) -> "Any":
    from facetrace.common.ledger import Ledger, fingerprint_of
    from facetrace.studies.plan import COLUMNS, KEY

    mark = fingerprint_of({"study": "lot", "setting": setting.facts})
    return Ledger.open(csv, mark, COLUMNS, KEY, about=f"plans for the lot {name}", fresh=fresh)


@dataclass(frozen=True)
class _Entry:
    """What is said of one rough: numbers and words only, so that a lot of thousands needs no more memory than one.

    file: its name without the ending; problem: why the file could not be read, or None; doubted: whether something is to be found out first; best: name, (low, likeliest, high) carats of the plan to go by,
    None where nothing was found; worth: its value and bid.
    """

    name: str
    file: str
    carats: float = 0.0
    problem: str | None = None
    doubted: bool = False
    best: tuple[str, tuple[float, float, float]] | None = None
    worth: "tuple[Worth, Bid] | None" = None
    member: dict[str, Any] | None = None
    words: tuple[str, ...] = ()


@dataclass
class _Lot:
    setting: "Setting"
    prices: "Prices | None"
    run: "Run"
    designs: Sequence[Path]
    flex: list[str] | None
    pieces: int

    def __post_init__(self) -> None:
        self.notes: list[str] = []

    def planned(self, files: Sequence[Path], ledger: "Ledger") -> list[_Entry]:
        """One entry for each file, read when its turn comes."""
        from facetrace.common.errors import FacetraceError
        from facetrace.studies.plan import complete

        entries: list[_Entry] = []
        kept: list[Row] = []
        with progress(f"{len(files)} roughs (the first run compiles)") as report:
            for k, file in enumerate(files):
                if self.run.over():
                    entries.append(_Entry(file.stem, file.stem, problem=f"{file}: was not reached"))
                    continue
                try:
                    tell = not any(entry.problem is None for entry in entries)
                    room = load_room(file)
                    tasks = tasks_of(room, self.designs, self.flex, tell)
                except FacetraceError as problem:
                    if not _of_rough(problem, file):
                        raise
                    note(f"left out: {problem}")
                    why = " ".join(str(problem).split())
                    entries.append(_Entry(file.stem, file.stem, problem=why))
                    continue
                self.run.report = _part_of(report, k, len(files))
                self.run.more = (len(files) - k - 1) * len(tasks)
                rows = self._rows(tasks, ledger)
                kept += rows
                entries.append(self._entry(room, tasks, rows))
                report((k + 1) / len(files))
        if not self.run.late and all(map(complete, kept)):
            # in the order of the files, without what is no longer asked
            ledger.replace_rows(kept)
        ledger.save()
        return entries

    def _rows(self, tasks: "Sequence[Any]", ledger: "Ledger") -> "list[Row]":
        from facetrace.studies.plan import sweep

        self.run.done, self.run.of = 0, len(tasks)
        rows: list[Row] = []
        for row in sweep(tasks, self.setting, dict(ledger.rows), self.run):
            ledger.add(row)
            rows.append(row)
        return rows

    def _entry(self, room: "Any", tasks: "Sequence[Any]", rows: "list[Row]") -> _Entry:
        from facetrace.results.plan_member import plan_member
        from facetrace.results.plan_words import notes_of
        from facetrace.studies.answer import answered
        from facetrace.studies.rows import number

        answer = answered(
            room, tasks, self.setting, rows, self.prices, self.run, progress, what_defects_cost=False,
            what_directions_cost=False, pieces=self.pieces,
        )  # fmt: skip
        self.notes += [text for text in notes_of([answer]) if text not in self.notes]
        best, worth = None, None
        entry = _Entry(
            room.rough.name, room.rough.file.path.stem, room.carats, doubted=bool(room.rough.questions),
            member=plan_member(answer), words=_words(answer),
        )  # fmt: skip
        if answer.sawn_first and answer.pieces:
            rows = list(answer.pieces.sawn.rows)
            best, worth = f"{len(rows)} stones", answer.pieces.together
        elif answer.plans:
            rows = [answer.plans[answer.best]]
            best = str(rows[0]["design"])
            worth = answer.worths[answer.best] if answer.worths else None
        if best is None:
            return entry
        low, likely, high = (
            sum(number(r, n) for r in rows) for n in ("low_carats", "carats", "high_carats")
        )
        return replace(
            entry, best=(best, (low, likely, high)), worth=None if answer.found_little else worth
        )


def _names(entries: Sequence[_Entry]) -> list[str]:
    """What each rough is called: by its file where two have one name."""
    names = [entry.name for entry in entries]
    return [e.name if names.count(e.name) == 1 else e.file for e in entries]


def _part_of(report: "Callable[[float], None]", k: int, of: int) -> "Callable[[float], None]":
    return lambda share: report((k + share) / of)


def _of_rough(problem: Exception, file: Path) -> bool:
    """Whether a problem is the rough file's own; those of designs stop the lot."""
    return str(problem).startswith(str(file))


def _words(answer: "Answer") -> tuple[str, ...]:
    """Where value and weight disagree, what was found wrong, and what to look at again."""
    from facetrace.results.plan_words import called, proven_words
    from facetrace.studies.plan import gap_of

    found = [f"first find out {text}." for text in answer.room.rough.questions] + answer.failed
    if not answer.plans:
        return tuple(found)
    if answer.best:
        heavy, best = answer.plans[0], answer.plans[answer.best]
        found.append(f"{called(best)} comes before the heavier {called(heavy)}.")
    if answer.found_little:
        found.append("the search found little; that is no advice not to buy.")
    gaps = [gap_of(row) for row in answer.plans if row["kind"] == "heaviest"]
    wide = [gap for gap in gaps if gap is not None and gap > answer.setting.within + 1e-6]
    if wide:
        found.append(f"{proven_words(max(wide))} that no stone is heavier by more than {100 * max(wide):.0f} %.")  # fmt: skip
    if any(gap is None for gap in gaps):
        found.append("heavier stones are not ruled out; the work ended before the proof.")
    return tuple(found)


def _short(name: str, letters: int) -> str:
    return name if len(name) <= letters else name[: letters - 2] + ".."


def _cells(entry: _Entry, prices: "Prices | None") -> list[str]:
    """What stands behind a rough's name and carats; of figures all digits, whatever the width."""
    from facetrace.studies.price import plain

    if entry.problem or entry.best is None:
        return ["see below" if entry.problem else "none found"]
    design, (low, carats, high) = entry.best
    cells = [design, f"{carats:.2f}"]
    if not prices:
        return [*cells, f"{low:.2f} - {high:.2f}", f"{100 * carats / entry.carats:.1f}"]
    if not entry.worth:
        return [*cells, "little"]
    of, bid = entry.worth
    return [
        *cells, plain(of.expected.value), f"{plain(of.low.value)}-{plain(of.high.value)}",
        plain(max(bid.limit.value, 0.0)),
    ]  # fmt: skip


def _total(entries: Sequence[_Entry], prices: "Prices | None") -> list[str]:
    from facetrace.studies.price import plain

    rough, cut = sum(e.carats for e in entries), sum(e.best[1][1] for e in entries if e.best)
    worths = [e.worth for e in entries if e.worth]
    value = sum(of.expected.value for of, _ in worths)
    bids = sum(max(bid.limit.value, 0.0) for _, bid in worths)
    share = f"{100 * cut / rough:.1f}" if rough else "-"
    more = [plain(value), "", plain(bids)] if prices else ["", share]
    return ["all", f"{rough:.2f}", "", f"{cut:.2f}", *more]


def _table(entries: Sequence[_Entry], prices: "Prices | None", name: str) -> Table:
    heads = ["rough", "ct", "best design", "ct", *(("value", "low-high", "bid") if prices else ("low - high", "yield %"))]  # fmt: skip
    rows = [
        [entry_name, f"{entry.carats:.2f}" if entry.carats else "-", *_cells(entry, prices)]
        for entry_name, entry in zip(_names(entries), entries, strict=True)
    ]
    rows = [[*row, *["-"] * (len(heads) - len(row))] for row in rows] + [_total(entries, prices)]
    widths = [max(len(row[k]) for row in [heads, *rows]) for k in range(len(heads))]
    # what is too wide takes it from the names, then from the range, which the JSON has too
    room = out.width - 3 * len(heads) - 1
    for k in (0, 2):
        widths[k] = max(min(widths[k], LEAST_LETTERS), widths[k] - max(0, sum(widths) - room))
    left_out = [heads.index("low-high")] if prices and sum(widths) > room else []
    table = Table(title=f"the lot {name}", title_justify="left")
    for k, head in enumerate(heads):
        if k not in left_out:
            table.add_column(_short(head, widths[k]), justify="left" if k in (0, 2) else "right", no_wrap=True, min_width=widths[k])  # fmt: skip
    for row in rows:
        if row is rows[-1]:
            table.add_section()
        table.add_row(*(_short(cell, widths[k]) if k in (0, 2) else cell for k, cell in enumerate(row) if k not in left_out))  # fmt: skip
    return table


def _sentences(entries: Sequence[_Entry], prices: "Prices | None") -> list[str]:
    names = _names(entries)
    found = [
        f"{n}: not planned: {e.problem}" for n, e in zip(names, entries, strict=True) if e.problem
    ]
    found += [
        f"{name}: {text}"
        for name, entry in zip(names, entries, strict=True)
        for text in entry.words
    ]
    if prices:
        from facetrace.studies.money import parcel_words

        risk = prices.risk
        found.append(
            f"Values in {prices.currency}. A bid is the most to pay for a margin of {risk.margin_percent:g} % with a "
            f"chance of {100 - risk.chance_percent:g} % for each rough on its own; 0: do not buy."
        )
        found += parcel_words(prices, *_bids(entries, prices))
        doubted = sum(e.doubted for e in entries if e.worth)
        if doubted:
            found.append(
                f"Bids and sums hold {doubted} {'rough' if doubted == 1 else 'roughs'} of which something is to be found out first."
            )
    return found


def _bids(entries: Sequence[_Entry], prices: "Prices") -> "tuple[list[Bid | None], Bid]":
    """The bid for each rough that was read, None where nothing fits, and that for all together."""
    from facetrace.studies.value import parcel_bid

    known = [e for e in entries if not e.problem]
    roughs = [(e.worth[0] if e.worth else None, e.carats) for e in known]
    return [e.worth[1] if e.worth else None for e in known], parcel_bid(prices, roughs)


def _document(
    entries: Sequence[_Entry], setting: "Setting", prices: "Prices | None", notes: list[str]
) -> str:
    from facetrace.results import document
    from facetrace.studies.money import parcel_member

    parts: dict[str, Any] = document.head() | {
        "seed": setting.seed,
        "lot": [entry.member for entry in entries if entry.member],
        "unread": [{"name": e.name, "problem": e.problem} for e in entries if e.problem],
        **({"parcel": parcel_member(prices, *_bids(entries, prices))} if prices else {}),
        "notes": notes,
    }
    return document.text_of(parts)
