"""Work over processes, with results in the order of the work: the same for any number of processes."""

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def usual_workers() -> int:
    """One for each core that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def each_done(
    function: Callable[[Job], Result], jobs: Sequence[Job], workers: int
) -> Iterator[Result]:
    """The result of each job, in order; a single job, or one worker, needs no process.

    *function* must be a module's own, jobs and results arrays and plain objects. Closing the
    iterator ends the work.
    """
    count = min(workers, len(jobs))
    if count < 2:
        yield from map(function, jobs)
        return
    # a process that begins anew shares no compiled code or threads with this one
    context = multiprocessing.get_context("spawn")
    with context.Pool(count, initializer=_begin) as pool:
        yield from pool.imap(function, jobs)


def _begin() -> None:
    # Ctrl-C is the main process's to answer
    signal.signal(signal.SIGINT, signal.SIG_IGN)
