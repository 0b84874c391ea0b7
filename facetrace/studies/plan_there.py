"""Plans on the workers of a cluster: what a worker is given of a rough, and how it sees it.

A rough is read from the shared folder where its files lie there as they lie here, else from copies that are sent.
"""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from facetrace.common.cluster import Cluster, Ended
from facetrace.common.cluster_task import (
    FileCopy,
    Shared,
    copies_of,
    files_here,
    threads_here,
    unwanted,
)
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Ledger, Row
from facetrace.common.names import path_beside
from facetrace.common.workers import Workers
from facetrace.rough.model import RoughFile, read_rough
from facetrace.rough.rough import rough_of
from facetrace.studies.placed_stone import (
    COLUMNS,
    KEY,
    STOPPED,
    Found,
    NothingFound,
    found_in,
    row_of,
)
from facetrace.studies.plan_task import PlanWishes, Task, TrialDesign, tasks_of
from facetrace.studies.run import Run
from facetrace.studies.sharing import ENDED, on_device, traced_there
from facetrace.studies.stone_search import found_for


@dataclass(frozen=True)
class Designs:
    """What is tried in each rough."""

    trials: tuple[TrialDesign, ...]
    wishes: PlanWishes


@dataclass(frozen=True)
class RoughJob:
    """A rough with designs to be tried.

    files: the rough file and all that it names; known: rows of a table, from which the work goes on; seconds: that it may
    take, None for no limit.
    """

    files: tuple[FileCopy, ...]
    designs: Shared[Designs]
    known: tuple[Row, ...]
    seconds: float | None

    @contextmanager
    def opened(self) -> Iterator[tuple[list[Task], Ledger, Run]]:
        """Its tasks in this process. Raises FacetraceError where the rough cannot be read."""
        until = None if self.seconds is None else time.time() + self.seconds
        of = self.designs.value
        with files_here(self.files) as file, Workers(threads_here(), processes=False) as workers:
            tasks = tasks_of(rough_of(read_rough(file)), of.trials, of.wishes)
            ledger = Ledger(None, "", COLUMNS, KEY)
            for row in self.known:
                ledger.add(row)
            yield tasks, ledger, Run(workers, until, unwanted, of=len(tasks))


def files_of(file: RoughFile) -> tuple[FileCopy, ...]:
    """The rough file and what it names, as they are now. Raises FacetraceError where one cannot be read."""
    model = file.model
    named = [model.shape.mesh, model.spectrum, *(d.spectrum for d in model.defect)]
    # materials of the house are no files
    own = [
        n
        for n in (model.material, *(d.material for d in model.defect))
        if n and n.endswith(".toml")
    ]
    beside = [path_beside(file.path, name) for name in (*named, *own) if name]
    return copies_of([file.path, *dict.fromkeys(beside)])


def share_of(run: Run, cluster: Cluster, jobs: int) -> float | None:
    """Seconds that one of so many jobs may take, for all of them to end in time; None without an end."""
    if run.until is None:
        return None
    return max(0.0, run.until - time.time()) * min(1.0, cluster.count / max(1, jobs))


def found_there(
    tasks: Sequence[Task], ledger: Ledger, run: Run, cluster: Cluster
) -> Iterator[Found]:
    """As ``stone_search.found_for``, each task on a worker; work that was stopped there has found nothing.

    Raises FacetraceError where the worker of a task ended twice.
    """
    known = {k: [found_in(ledger.rows[key], t) for key in t.keys if key in ledger.rows] for k, t in enumerate(tasks)}  # fmt: skip
    asked = [k for k, t in enumerate(tasks) if len(known[k]) < len(t.keys) or not all(f.complete for f in known[k])]  # fmt: skip
    files = files_of(tasks[0].room.rough.file) if asked else ()

    def jobs() -> Iterator[RoughJob]:
        for number, k in enumerate(asked):
            designs = Shared(Designs((tasks[k].trial,), tasks[k].wishes))
            yield RoughJob(files, designs, tuple(map(row_of, known[k])), share_of(run, cluster, len(asked) - number))  # fmt: skip

    before = list(ledger.rows)
    there = cluster.as_done(traced_there, on_device(cluster, searched_there, jobs()), run.stopped)
    for count, (number, result) in enumerate(there, start=1):
        if isinstance(result, Ended):
            raise FacetraceError(f"worker {result.worker}: {ENDED}")
        k = asked[number]
        known[k] = [replace(found, task=tasks[k]) for found in result]
        for found in known[k]:
            ledger.add(row_of(found))
        run.report(count / len(asked))
    # as they were and in the order of the tasks, not as they came
    made = [row_of(found) for k in asked for found in known[k]]
    ledger.replace_rows([*(ledger.rows[key] for key in before), *made])
    for k, task in enumerate(tasks):
        kinds = {found.kind for found in known[k]}
        none = [NothingFound(task, kind, remark=f"{STOPPED}, before a stone was found") for kind in task.kinds if kind not in kinds]  # fmt: skip
        yield from known[k] + none


def searched_there(job: RoughJob) -> list[Found]:
    """What is found for the designs of a job. Whoever asked knows their task, which is not sent back."""
    with job.opened() as (tasks, ledger, run):
        return [replace(found, task=None) for found in found_for(tasks, ledger, run)]  # type: ignore[arg-type]


def words_of_reading(file: Path) -> str | None:
    """Why a rough file cannot be read, None where it can."""
    try:
        rough_of(read_rough(file))
    except FacetraceError as problem:
        return " ".join(str(problem).split())
    return None
