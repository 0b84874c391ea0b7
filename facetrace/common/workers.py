"""Work over processes, with results in the order of the work: the same for any number of processes."""

import ctypes
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing.process import BaseProcess
from typing import TypeVar

from facetrace.common.errors import FacetraceError
from facetrace.common.signals import signals_blocked

# Linux: the signal that a process gets when its parent ends (prctl)
PARENT_DEATH = 1
# s between looks at whether the parent is there
POLL_SECONDS = 0.5

Job = TypeVar("Job")
Result = TypeVar("Result")


def usual_workers() -> int:
    """One for each core that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Workers:
    """Processes that are begun when they are first needed, and end with the block: ``with Workers(2) as workers``.

    count: of the processes, and of the threads that the work in this process may have; processes: whether there may be
    any. They end with this one, however it ends.
    """

    def __init__(self, count: int, *, processes: bool = True) -> None:
        self.count = count
        self._most = count if processes else 1
        self._pool: ProcessPoolExecutor | None = None
        self._others: set[BaseProcess] = set()

    def __enter__(self) -> "Workers":
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            # in the midst of their work too
            for process in {*multiprocessing.active_children()} - self._others:
                process.kill()
            self._pool.shutdown(cancel_futures=True)
        self._pool = None

    def _started(self) -> ProcessPoolExecutor | None:
        if self._pool is None:
            self._others = {*multiprocessing.active_children()}
            # a process that begins anew shares no compiled code or threads with this one
            context = multiprocessing.get_context("spawn")
            # processes need semaphores, which some machines do not give (no /dev/shm to write to): it takes longer here
            with suppress(OSError, ImportError, NotImplementedError):
                self._pool = ProcessPoolExecutor(
                    self.count, context, end_with_parent, (os.getpid(),)
                )
        return self._pool

    def start(self) -> None:
        """Begin the processes now, so that they are ready when work comes; one worker needs none."""
        pool = self._started() if self._most > 1 else None
        if pool is not None:
            with signals_blocked():
                for _ in range(self.count):
                    pool.submit(abs, 0)

    def each(
        self, function: Callable[[Job], Result], jobs: Sequence[Job],
        stopped: Callable[[], bool] = lambda: False,
    ) -> Iterator[Result]:  # fmt: skip
        """The result of each job, in order; a single job, or one worker, needs no process. Ends early once *stopped*.

        *function* must be a module's own, jobs and results arrays and plain objects. Raises FacetraceError where
        another ends a worker.
        """
        pool = self._started() if min(self._most, len(jobs)) > 1 else None
        if pool is None:
            for job in jobs:
                if stopped():
                    return
                yield function(job)
            return
        try:
            # stopping signals are the main process's to answer, in its workers from their first moment
            with signals_blocked():
                results = [pool.submit(function, job) for job in jobs]
            for result in results:
                while not result.done():
                    wait([result], POLL_SECONDS)
                    if stopped() and not result.done():
                        return
                yield result.result()
        except BrokenProcessPool:
            raise FacetraceError(
                "a process that searched was ended from outside, or had too little memory; try again, with fewer --workers"
            ) from None


def end_with_parent(parent: int) -> None:
    """Have this process end soon after its parent, the process of that number, has ended in whatever way."""
    if sys.platform == "linux":
        # a thread would wait for compiled code that lets no other Python run
        ctypes.CDLL(None).prctl(PARENT_DEATH, signal.SIGKILL)
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(POLL_SECONDS)
    os._exit(1)
