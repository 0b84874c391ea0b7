"""Work over processes, with results in the order of the work: the same for any number of processes."""

import ctypes
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import Connection
from typing import TypeVar

from facetrace.common.errors import FacetraceError
from facetrace.common.signals import held_back

# Linux: the signal that a process gets when its parent ends (prctl)
PARENT_DEATH = 1
# s between looks at whether the parent is there
LOOK = 0.5

Job = TypeVar("Job")
Result = TypeVar("Result")


def usual_workers() -> int:
    """One for each core that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def each_done(
    function: Callable[[Job], Result], jobs: Sequence[Job], workers: int
) -> Iterator[Result]:
    """The result of each job, in order; a single job, or one worker, needs no process, nor is there any where none can be had.

    *function* must be a module's own, jobs and results arrays and plain objects. Closing the
    iterator ends the work, and so does the end of this process, however it comes. Raises FacetraceError where
    another ends a worker.
    """
    count = min(workers, len(jobs))
    if count < 2:
        yield from map(function, jobs)
        return
    # a process that begins anew shares no compiled code or threads with this one
    context = multiprocessing.get_context("spawn")
    ear, mouth = context.Pipe(duplex=False)
    try:
        pool = ProcessPoolExecutor(count, context, _begin, (ear,))
    except (OSError, ImportError, NotImplementedError):
        # processes need semaphores, which some machines do not give (no /dev/shm to write to): it takes longer here
        mouth.close()
        ear.close()
        yield from map(function, jobs)
        return
    try:
        # stopping signals are the main process's to answer, in its workers from their first moment
        with held_back():
            results = [pool.submit(function, job) for job in jobs]
        for result in results:
            yield result.result()
    except BrokenProcessPool:
        raise FacetraceError(
            "a process that searched was ended from outside, or had too little memory; try again, with fewer --workers"
        ) from None
    finally:
        # workers hear that and end, in the midst of their work too
        mouth.close()
        pool.shutdown(cancel_futures=True)
        ear.close()


def _begin(ear: Connection) -> None:
    threading.Thread(target=_end_with, args=(ear,), daemon=True).start()


def _end_with(ear: Connection) -> None:
    """End this process as soon as the other end of the pipe is closed, be it by that process's end."""
    try:
        ear.recv_bytes()
    except (EOFError, OSError):
        os._exit(1)


def end_with_parent(parent: int) -> None:
    """Have this process end soon after its parent, the process of that number, has ended in whatever way."""
    if sys.platform == "linux":
        # a thread would wait for compiled code that lets no other Python run
        ctypes.CDLL(None).prctl(PARENT_DEATH, signal.SIGKILL)
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK)
    os._exit(1)
