"""Plans for a rough: for each design the largest stone, where it lies, how it looks, and what it may be worth."""

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from facetrace.common.cluster import chosen_cluster
from facetrace.common.ledger import Ledger, fingerprint_of
from facetrace.common.progress import ProgressBar, Tell, silent, untold
from facetrace.common.workers import Workers, usual_workers
from facetrace.rough.rough import Rough
from facetrace.studies.answer import Answer, answered
from facetrace.studies.placed_stone import COLUMNS, KEY, Found, complete
from facetrace.studies.plan_task import PlanWishes, Task, TrialDesign, tasks_of
from facetrace.studies.plan_there import found_there
from facetrace.studies.price import Prices
from facetrace.studies.rows import announce, progress_title, rows_kept
from facetrace.studies.run import Run, unseen
from facetrace.studies.stone_search import found_for, seconds_for


def plan_ledger(tasks: Sequence[Task], csv: Path | None, fresh: bool = False) -> Ledger:
    """The table of a rough's plans, from which an interrupted plan goes on.

    *fresh* begins it anew. Raises FileError for a file of other work, and for one that is damaged.
    """
    mark = fingerprint_of({"study": "plan", "keys": [list(k) for t in tasks for k in t.keys]})
    about = f"plans for {tasks[0].room.rough.name}"
    return Ledger.open(csv, mark, COLUMNS, KEY, about=about, fresh=fresh)


def plan_rough(
    rough: Rough, designs: Sequence[TrialDesign], wishes: PlanWishes | None = None, prices: Prices | None = None, *,
    what_defects_cost: bool = True, what_directions_cost: bool = True, pieces: int = 1,
    ledger: Ledger | None = None, run: Run | None = None, progress: ProgressBar = silent, tell: Tell = untold,
) -> Answer:  # fmt: skip
    """The heaviest stone of each design in a rough, each certified, and which of them to go by.

    Parameters
    ----------
    designs: at least one, of different names.
    wishes: where the table may face, the light, how long to prove; by default a table within 15 degrees of c.
    prices: ranks by value, with a bid for the rough; without them the heaviest whose zones hide comes first.
    what_defects_cost, what_directions_cost: whether to search the best design again without each defect, and
        with its table in other directions.
    pieces: 2 or 3 for stones of a sawn rough, too.
    ledger: goes on from there, see ``plan_ledger``.
    run: processes, and when to end; by default all cores, without an end.
    progress, tell: show the work, and take lines of words about it.

    Raises FacetraceError where a design cannot be cut, FileError for colours that zones cannot have.
    """
    tasks = tasks_of(rough, designs, wishes or PlanWishes())
    with ExitStack() as held:
        run = run or Run(held.enter_context(Workers(usual_workers())))
        ledger = held.enter_context(plan_ledger(tasks, None)) if ledger is None else ledger
        found = _found(tasks, ledger, run, progress, tell)
        return answered(
            tasks, found, prices, run, progress, what_defects_cost=what_defects_cost,
            what_directions_cost=what_directions_cost, pieces=pieces,
        )  # fmt: skip


def _found(
    tasks: Sequence[Task], ledger: Ledger, run: Run, progress: ProgressBar, tell: Tell
) -> list[Found]:
    keys = [key for task in tasks for key in task.keys]
    run.of = len(tasks)
    cluster = chosen_cluster()
    if cluster is None:
        tell(_estimate(tasks, run))
    announce(ledger, keys, "plans", tell, complete)
    found: list[Found] = []
    with rows_kept(ledger, keys), progress(progress_title(keys, "plans")) as report:
        run.report = report
        for each in (
            found_there(tasks, ledger, run, cluster) if cluster else found_for(tasks, ledger, run)
        ):
            found.append(each)
            report(len(found) / len(keys))
    run.report = unseen
    return found


def _estimate(tasks: Sequence[Task], run: Run) -> str:
    """How long the work may take, before it is begun."""
    seconds = seconds_for(tasks, run)
    words = f"{seconds:.0f} s" if seconds < 100 else f"{seconds / 60:.0f} min"
    return f"{len(tasks)} {'design' if len(tasks) == 1 else 'designs'}: about {words}; Ctrl-C ends with the best so far"
