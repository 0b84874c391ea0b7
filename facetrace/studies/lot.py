"""A lot: the best plan for each rough of a folder, and what to bid for all of them."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from facetrace.common.cluster import Cluster, Ended, chosen_cluster
from facetrace.common.cluster_task import Shared
from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.ledger import Cell, Ledger, Row, fingerprint_of
from facetrace.common.progress import ProgressBar, Tell, silent, untold
from facetrace.common.workers import Workers, usual_workers
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.studies.answer import Answer, answered
from facetrace.studies.placed_stone import CARATS, COLUMNS, KEY, PlacedStone, complete, row_of
from facetrace.studies.plan_task import PlanWishes, Room, Task, TrialDesign, tasks_of
from facetrace.studies.plan_there import (
    Designs,
    RoughJob,
    files_of,
    share_of,
    words_of_reading,
)
from facetrace.studies.price import Prices
from facetrace.studies.run import Report, Run
from facetrace.studies.sharing import on_device, traced_there
from facetrace.studies.stone_search import found_for
from facetrace.studies.value import Bid, Worth, parcel_bid


@dataclass(frozen=True)
class BestPlan:
    """The plan to go by for a rough: its design, or how many stones; its carats; value and bid, None without prices, or where little was found."""

    name: str
    low_carats: float
    carats: float
    high_carats: float
    worth: Worth | None
    bid: Bid | None


@dataclass(frozen=True)
class LotRough:
    """A rough of a lot.

    file: its name without the ending; problem: why there is no plan, or None; doubted: whether something is to be
    found out first; best: None where nothing was found; kept: what was wished of its answer.
    """

    name: str
    file: str
    carats: float = 0.0
    problem: str | None = None
    doubted: bool = False
    best: BestPlan | None = None
    kept: Any = None


@dataclass(frozen=True)
class LotAnswer:
    """All roughs of a lot, in the order of their files."""

    roughs: tuple[LotRough, ...]
    wishes: PlanWishes
    prices: Prices | None

    @property
    def read(self) -> list[LotRough]:
        """Those that could be planned."""
        return [rough for rough in self.roughs if not rough.problem]

    @property
    def bids(self) -> list[Bid | None]:
        """The bid for each of these on its own, None where nothing or little fits."""
        return [rough.best.bid if rough.best else None for rough in self.read]

    @cached_property
    def parcel(self) -> Bid | None:
        """The bid for all of these together, None without prices."""
        if self.prices is None:
            return None
        worths = [(r.best.worth if r.best else None, r.carats) for r in self.read]
        return parcel_bid(self.prices, worths)


def rough_files(folder: Path) -> list[Path]:
    """The rough files of a folder. Raises FacetraceError where it is none, or holds none."""
    if not folder.is_dir():
        raise FacetraceError(f"{folder}: is no folder; name one that holds rough files (.toml)")
    files = sorted(folder.glob("*.toml"))
    if not files:
        raise FacetraceError(f"{folder}: holds no rough files (.toml)")
    return files


def lot_ledger(name: str, wishes: PlanWishes, csv: Path | None, fresh: bool = False) -> Ledger:
    """The table of a lot's plans, from which an interrupted lot goes on. Raises FileError as ``plan.plan_ledger``."""
    mark = fingerprint_of({"study": "lot", "setting": wishes.facts})
    return Ledger.open(csv, mark, COLUMNS, KEY, about=f"plans for the lot {name}", fresh=fresh)


def whole(answer: Answer) -> Answer:
    """All of an answer."""
    return answer


def plan_lot(
    files: Sequence[Path], designs: Sequence[TrialDesign], wishes: PlanWishes | None = None, prices: Prices | None = None, *,
    pieces: int = 1, keep: Callable[[Answer], Any] = whole, ledger: Ledger | None = None,
    run: Run | None = None, progress: ProgressBar = silent, tell: Tell = untold,
) -> LotAnswer:  # fmt: skip
    """The best plan for each rough file, read when its turn comes; see ``plan.plan_rough``.

    Parameters
    ----------
    keep: what is kept of each answer: where that is little, a lot of thousands needs no more memory than one. On a cluster a
        module's own function, which the workers call.
    ledger: goes on from there, see ``lot_ledger``.

    A file that cannot be read is named with its problem. Raises FacetraceError where that is so of all of them.
    """
    wishes = wishes or PlanWishes()
    with ExitStack() as held:
        run = run or Run(held.enter_context(Workers(usual_workers())))
        ledger = held.enter_context(lot_ledger("", wishes, None)) if ledger is None else ledger
        lot = _Lot(Designs(tuple(designs), wishes), prices, pieces, keep)
        cluster = chosen_cluster()
        with progress(f"{len(files)} roughs (the first run compiles)") as report:
            run.report = report
            planned = _there(lot, files, ledger, run, cluster) if cluster else _here(lot, files, ledger, run, progress)  # fmt: skip
            made: dict[int, _Planned] = {}
            for number, each in planned:
                made[number] = each
                if each.rough.problem:
                    tell(f"left out: {each.rough.problem}")
                report(len(made) / len(files))
        rows = [row for k in sorted(made) for row in made[k].rows]
        run.late = run.late or len(made) < len(files)
        if not run.late and all(map(complete, rows)):
            # in the order of the files, without what is no longer asked
            ledger.replace_rows(rows)
        ledger.save()
    roughs = [made[k].rough if k in made else _left_out(file, f"{file}: was not reached") for k, file in enumerate(files)]  # fmt: skip
    if all(rough.problem for rough in roughs) and not run.over():
        raise FacetraceError(str(roughs[0].problem))
    return LotAnswer(tuple(roughs), wishes, prices)


@dataclass(frozen=True)
class _Lot:
    """What all roughs of a lot share."""

    designs: Designs
    prices: Prices | None
    pieces: int
    keep: Callable[[Answer], Any]


@dataclass(frozen=True)
class _Planned:
    """A rough of a lot with its rows of the table."""

    rough: LotRough
    rows: tuple[Row, ...] = ()


def _here(
    lot: _Lot, files: Sequence[Path], ledger: Ledger, run: Run, progress: ProgressBar
) -> Iterator[tuple[int, _Planned]]:
    """(number, plan) of each rough in order, as far as there is time."""
    report = run.report
    for k, file in enumerate(files):
        if run.over():
            return
        try:
            rough = rough_of(read_rough(file))
        except FacetraceError as problem:
            # others stop the lot
            if not str(problem).startswith(str(file)):
                raise
            yield k, _Planned(_left_out(file, str(problem)))
            continue
        tasks = tasks_of(rough, lot.designs.trials, lot.designs.wishes)
        run.report, run.done, run.of = _part_of(report, k, len(files)), 0, len(tasks)
        run.more = (len(files) - k - 1) * len(tasks)
        yield k, _planned(lot, tasks, ledger, run, progress)


def _there(
    lot: _Lot, files: Sequence[Path], ledger: Ledger, run: Run, cluster: Cluster
) -> Iterator[tuple[int, _Planned]]:  # fmt: skip
    """The same from the workers of a cluster, a rough for each, as they come."""
    known: dict[Cell, list[Row]] = {}
    for row in ledger.rows.values():
        known.setdefault(row["rough"], []).append(row)
    shared, designs = Shared(lot), Shared(lot.designs)
    sent: list[int] = []
    unreadable: list[tuple[int, _Planned]] = []

    def jobs() -> Iterator[_Job]:
        for k, file in enumerate(files):
            if run.over():
                return
            try:
                read = read_rough(file)
                copies = files_of(read)
            except FacetraceError as problem:
                words = words_of_reading(file) or str(problem)
                unreadable.append((k, _Planned(_left_out(file, words))))
                continue
            sent.append(k)
            rows = tuple(known.get(read.model.name, ()))
            yield _Job(file, shared, RoughJob(copies, designs, rows, share_of(run, cluster, len(files) - k)))  # fmt: skip

    there = cluster.as_done(traced_there, on_device(cluster, planned_there, jobs()), run.stopped)
    for number, result in there:
        k = sent[number]
        file = files[k]
        if isinstance(result, Ended):
            words = f"{file}: its worker ended twice while it was planned: too little memory?"
            yield k, _Planned(_left_out(file, words))
        elif result.rough.problem:
            # in the words of this machine, by the names that were given here
            yield k, _Planned(_left_out(file, words_of_reading(file) or result.rough.problem))
        else:
            for row in result.rows:
                ledger.add(row)
            yield k, result
        while unreadable:
            yield unreadable.pop()
    yield from unreadable


@dataclass(frozen=True)
class _Job:
    """A rough of a lot for a worker; file: as it was named."""

    file: Path
    lot: Shared[_Lot]
    rough: RoughJob


def planned_there(job: _Job) -> _Planned:
    """The plan of a rough in this process."""
    with ExitStack() as held:
        try:
            tasks, ledger, run = held.enter_context(job.rough.opened())
        except FileError as problem:
            return _Planned(_left_out(job.file, str(problem)))
        return _planned(job.lot.value, tasks, ledger, run, silent, job.file)


def _planned(
    lot: _Lot, tasks: Sequence[Task], ledger: Ledger, run: Run, progress: ProgressBar, named: Path | None = None
) -> _Planned:  # fmt: skip
    """The plan of one rough; named: how its file was, where it lies elsewhere now."""
    found = list(found_for(tasks, ledger, run))
    answer = answered(
        tasks, found, lot.prices, run, progress, what_defects_cost=False, what_directions_cost=False, pieces=lot.pieces
    )  # fmt: skip
    rows = tuple(map(row_of, found))
    if named is not None:
        rough = answer.room.rough
        room = Room(replace(rough, file=replace(rough.file, path=named)))
        answer = replace(answer, tasks=tuple(replace(task, room=room) for task in answer.tasks))
    return _Planned(_rough(answer, lot.keep), rows)


def _left_out(file: Path, problem: str) -> LotRough:
    return LotRough(file.stem, file.stem, problem=" ".join(problem.split()))


def _part_of(report: Report, k: int, of: int) -> Report:
    return lambda share: report((k + share) / of)


def _rough(answer: Answer, keep: Callable[[Answer], Any]) -> LotRough:
    rough, best = answer.room.rough, None
    if answer.sawn_first and answer.pieces:
        together, stones = answer.pieces, answer.pieces.sawn.stones
        best = _best(f"{len(stones)} stones", stones, together.worth, together.bid)
    elif answer.chosen:
        chosen = answer.chosen
        best = _best(chosen.stone.design, (chosen.stone,), chosen.worth, chosen.bid)
    if best and answer.found_little:
        best = replace(best, worth=None, bid=None)
    return LotRough(
        rough.name, rough.file.path.stem, answer.room.carats, doubted=bool(rough.questions), best=best, kept=keep(answer)
    )  # fmt: skip


def _best(
    name: str, stones: Sequence[PlacedStone], worth: Worth | None, bid: Bid | None
) -> BestPlan:
    low, carats, high = (sum(getattr(s, n) for s in stones) for n in CARATS)
    return BestPlan(name, low, carats, high, worth, bid)
