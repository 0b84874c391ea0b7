"""A lot: the best plan for each rough of a folder, and what to bid for all of them."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Ledger, Row, fingerprint_of
from facetrace.common.progress import ProgressBar, Tell, silent, untold
from facetrace.common.workers import Workers, usual_workers
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.studies.answer import Answer, answered
from facetrace.studies.placed_stone import CARATS, COLUMNS, KEY, PlacedStone, complete, row_of
from facetrace.studies.plan_task import PlanWishes, TrialDesign, tasks_of
from facetrace.studies.price import Prices
from facetrace.studies.run import Report, Run
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


def plan_lot(
    files: Sequence[Path], designs: Sequence[TrialDesign], wishes: PlanWishes | None = None, prices: Prices | None = None, *,
    pieces: int = 1, keep: Callable[[Answer], Any] = lambda answer: answer, ledger: Ledger | None = None,
    run: Run | None = None, progress: ProgressBar = silent, tell: Tell = untold,
) -> LotAnswer:  # fmt: skip
    """The best plan for each rough file, read when its turn comes; see ``plan.plan_rough``.

    Parameters
    ----------
    keep: what is kept of each answer: where that is little, a lot of thousands needs no more memory than one.
    ledger: goes on from there, see ``lot_ledger``.

    A file that cannot be read is named with its problem. Raises FacetraceError where that is so of all of them.
    """
    wishes = wishes or PlanWishes()
    with ExitStack() as held:
        run = run or Run(held.enter_context(Workers(usual_workers())))
        ledger = held.enter_context(lot_ledger("", wishes, None)) if ledger is None else ledger
        roughs: list[LotRough] = []
        rows: list[Row] = []
        with progress(f"{len(files)} roughs (the first run compiles)") as report:
            for k, file in enumerate(files):
                if run.over():
                    roughs.append(LotRough(file.stem, file.stem, problem=f"{file}: was not reached"))  # fmt: skip
                    continue
                try:
                    rough = rough_of(read_rough(file))
                except FacetraceError as problem:
                    # others stop the lot
                    if not str(problem).startswith(str(file)):
                        raise
                    tell(f"left out: {problem}")
                    why = " ".join(str(problem).split())
                    roughs.append(LotRough(file.stem, file.stem, problem=why))
                    continue
                tasks = tasks_of(rough, designs, wishes)
                run.report, run.done, run.of = _part_of(report, k, len(files)), 0, len(tasks)
                run.more = (len(files) - k - 1) * len(tasks)
                found = list(found_for(tasks, ledger, run))
                rows += map(row_of, found)
                answer = answered(
                    tasks, found, prices, run, progress, what_defects_cost=False, what_directions_cost=False, pieces=pieces
                )  # fmt: skip
                roughs.append(_rough(answer, keep))
                report((k + 1) / len(files))
        if not run.late and all(map(complete, rows)):
            # in the order of the files, without what is no longer asked
            ledger.replace_rows(rows)
        ledger.save()
    if all(rough.problem for rough in roughs) and not run.over():
        raise FacetraceError(str(roughs[0].problem))
    return LotAnswer(tuple(roughs), wishes, prices)


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
