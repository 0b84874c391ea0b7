"""Work on a cluster: Dask's distributed scheduler hands tasks to worker processes on this machine and others.

A task is one call of a module's own function with one plain object. Each worker has one task of ours at a time, and it is chosen
here: so a worker that comes gets work, and one that ends takes no task with it but its own. Left to Dask, such a task would be
begun again up to a limit of the scheduler's (allowed-failures), and would count against whatever waited beside it.

What runs on a worker is in ``common/cluster_task.py``. Nothing here listens on a port: there is one connection, to the scheduler.
"""

import itertools
import logging
import queue
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import Any, TypeVar

from facetrace.common import cluster_task
from facetrace.common.cluster_task import Outcome
from facetrace.common.errors import FacetraceError
from facetrace.common.signals import signals_blocked

Job = TypeVar("Job")
Result = TypeVar("Result")

NO_PACKAGE = "a cluster needs one more package; in facetrace's folder: pip install -e '.[cluster]'"
NOT_THERE = "has no facetrace, or another version of it than this machine; install the same there, and begin it again"
NO_CERTIFICATES = "TLS needs certificates; name them in Dask's settings, DASK_DISTRIBUTED__COMM__TLS__CA_FILE and others"
# s for the scheduler to answer, and for a first or another worker to come: one that ended is begun anew by its nanny
CONNECT_SECONDS, WORKER_SECONDS = 10.0, 30.0
# s between looks at which workers there are, and for one result to arrive
POLL_SECONDS, RESULT_SECONDS = 0.5, 60.0
# a task whose worker ended so many times is given up
MOST_TRIES = 2


@dataclass(frozen=True)
class Ended:
    """In place of a result: the worker ended while it was at this task, MOST_TRIES times; worker: the last one."""

    worker: str


_chosen: ContextVar["Cluster | None"] = ContextVar("cluster", default=None)


def chosen_cluster() -> "Cluster | None":
    """The cluster that studies work on here, None for this machine."""
    return _chosen.get()


@contextmanager
def working_on(address: str | None, device: str = "cpu") -> "Iterator[Cluster | None]":
    """Have angles, girdles, orientations, movies, plans and lots inside the block worked on by a Dask cluster.

    What is told and written is the same; to the last bit where the workers' processors are of the same kind as this one.

    Parameters
    ----------
    address : of the scheduler, like ``tcp://10.0.0.5:8786``, or ``tls://`` with certificates as Dask is set up; None: this machine alone.
    device : what the workers trace on: "cpu", "gpu" or "auto".

    Raises FacetraceError where the package is missing, the scheduler does not answer or has no workers, or a worker has other versions.
    """
    if address is None:
        yield None
        return
    cluster = Cluster(address, device)
    before = _chosen.set(cluster)
    try:
        yield cluster
    finally:
        _chosen.reset(before)
        cluster.close()


class Cluster:
    """A connection to the scheduler at an address; device: what workers trace on."""

    def __init__(self, address: str, device: str = "cpu") -> None:
        self.address, self.device = address, device
        self.versions = cluster_task.versions_here(device)
        self._client = _client(address)
        try:
            self._check()
        except BaseException:
            self.close()
            raise

    @property
    def count(self) -> int:
        """Workers known now; at least 1."""
        return max(1, len(self.workers()))

    def close(self) -> None:
        """End the connection; what is under way on workers ends soon."""
        # a scheduler that is gone answers nothing
        with suppress(Exception):
            self._client.close(timeout=CONNECT_SECONDS)

    def each(
        self, function: Callable[[Job], Result], jobs: Iterable[Job], stopped: Callable[[], bool] = lambda: False
    ) -> Iterator[Result | Ended]:  # fmt: skip
        """The result of each job, in order, as ``workers.Workers.each``."""
        early: dict[int, Result | Ended] = {}
        awaited = 0
        for number, result in self.as_done(function, jobs, stopped):
            early[number] = result
            while awaited in early:
                yield early.pop(awaited)
                awaited += 1

    def as_done(
        self, function: Callable[[Job], Result], jobs: Iterable[Job], stopped: Callable[[], bool] = lambda: False
    ) -> Iterator[tuple[int, Result | Ended]]:  # fmt: skip
        """(number of a job, its result) as they come. Jobs are taken when a worker is free. Ends early once *stopped*.

        Raises what *function* raises, and FacetraceError where the scheduler is lost, no worker is left, or one has other versions.
        """
        tasks = (_Task(k, cluster_task.packed(function, job)) for k, job in enumerate(jobs))
        work = _Work(self, tasks)
        try:
            while not stopped() and work.go_on():
                yield from work.arrived()
        finally:
            self.cancel([task.future for task in work.under_way.values()])

    # ---- what is asked of Dask ----------------------------------------------------------------

    def workers(self) -> dict[str, bool]:
        """Whether each takes work, by address. Raises FacetraceError where the scheduler is lost."""
        with self._connection():
            found = self._client.sync(
                self._client.scheduler.identity, n_workers=-1, callback_timeout=CONNECT_SECONDS
            )  # fmt: skip
        # one that is short of memory is paused: it would only hold what it is given
        return {name: of["status"] == "running" for name, of in found["workers"].items()}

    def submit(self, payload: bytes, contents: Mapping[str, bytes], worker: str) -> Any:
        """The future of a task on that worker, None where it ended before it got what it needs."""
        with self._connection():
            sent: Any = {}
            if contents:
                # files travel by themselves: Dask means a task to be small
                try:
                    (sent,) = self._client.scatter([dict(contents)], workers=[worker], hash=False)
                except Exception:
                    # of a worker that is gone, each release with errors of its own
                    self._check_status()
                    return None
            return self._client.submit(
                cluster_task.done_there, self.versions, payload, sent, workers=[worker], pure=False
            )  # fmt: skip

    def outcome(self, future: Any, worker: str) -> Outcome | None:
        """What came of a future that is done; None where its worker ended. Raises FacetraceError, and what is a defect."""
        from distributed import CancelledError, KilledWorker

        try:
            found: Outcome = future.result(timeout=RESULT_SECONDS)
        except KilledWorker:
            # begun anew at the same address, and ended again
            return None
        except (TimeoutError, CancelledError):
            self._check_status()
            return None
        except (ImportError, AttributeError, RuntimeError) as error:
            if "facetrace" in f"{error}{error.__cause__}" or "deserialization" in str(error):
                raise FacetraceError(f"worker {worker}: {NOT_THERE}") from None
            raise
        if found.refused:
            raise FacetraceError(f"worker {worker}: {found.refused}")
        if found.error is not None:
            raise found.error
        return found

    def cancel(self, futures: list[Any]) -> None:
        """Have these not done, or end soon."""
        if futures and self._client.status == "running":
            with suppress(Exception):
                self._client.cancel(futures)

    def _check(self) -> None:
        """Raises FacetraceError where there are no workers, or one has other versions."""
        until = time.monotonic() + WORKER_SECONDS
        while not self.workers():
            if time.monotonic() > until:
                raise self.no_workers()
            time.sleep(POLL_SECONDS)
        with self._connection():
            found = self._client.run(cluster_task.differing, self.versions, on_error="return")
        for worker, problem in sorted(found.items()):
            # one that ended meanwhile is no longer asked
            if problem and not isinstance(problem, OSError):
                words = NOT_THERE if isinstance(problem, BaseException) else problem
                raise FacetraceError(f"worker {worker}: {words}")

    def no_workers(self, paused: int = 0) -> FacetraceError:
        """What is said where there are none but those that Dask has *paused*."""
        if paused:
            return FacetraceError(
                f"{self.address}: all workers ({paused}) are short of memory and take no work; begin them anew, fewer on a machine"
            )
        return FacetraceError(
            f"{self.address}: the scheduler has no workers; begin some: dask worker {self.address}"
        )

    def _check_status(self) -> None:
        if self._client.status != "running":
            raise self._lost()

    def _lost(self) -> FacetraceError:
        return FacetraceError(
            f"{self.address}: the scheduler was lost; rows that are in a table stay, and the same command goes on from there, "
            "with --cluster or without"
        )  # fmt: skip

    @contextmanager
    def _connection(self) -> Iterator[None]:
        from distributed import CancelledError

        self._check_status()
        try:
            yield
        # Dask names a lost connection in several ways
        except (OSError, TimeoutError, CancelledError):
            raise self._lost() from None


def _client(address: str) -> Any:
    """A connection. Raises FacetraceError."""
    if find_spec("distributed") is None:
        raise FacetraceError(NO_PACKAGE)
    with signals_blocked():
        import distributed

        # what is wrong goes into our one line, not beside it
        warnings.simplefilter("ignore", distributed.versions.VersionMismatchWarning)
        for name in ("distributed", "distributed.client", "asyncio", "tornado.application"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        if address.startswith("tls:") and not distributed.Security().tls_ca_file:
            raise FacetraceError(f"{address}: {NO_CERTIFICATES}")
        client = distributed.Client.__new__(distributed.Client)
        try:
            client.__init__(address, timeout=CONNECT_SECONDS, set_as_default=False, name="facetrace")  # fmt: skip
        except Exception as error:
            # libraries of connections, names and certificates, each with errors of its own; nothing is left to be closed
            client.status = "closed"
            why = " ".join(str(error).split()) or type(error).__name__
            raise FacetraceError(
                f"{address}: no scheduler can be reached there ({why[:200]}); begin one: dask scheduler"
            ) from None
    try:
        theirs = client.sync(client.scheduler.versions, callback_timeout=CONNECT_SECONDS)["packages"]  # fmt: skip
    except Exception:
        theirs = {}
    problem = cluster_task.dask_differs(theirs)
    if problem:
        client.close(timeout=CONNECT_SECONDS)
        raise FacetraceError(f"scheduler {address}: {problem}")
    return client


# ---- which tasks wait, and which are under way -------------------------------------------------


@dataclass
class _Task:
    """A job on its way: its payload, the contents of files that its worker did not find, and where it is done."""

    number: int
    payload: bytes
    tries: int = 0
    contents: Mapping[str, bytes] = field(default_factory=dict)
    future: Any = None
    worker: str = ""


class _Work:
    """The jobs of one call: which wait, which are under way by worker, and which were given up."""

    def __init__(self, cluster: Cluster, tasks: Iterator[_Task]) -> None:
        self.cluster, self.waiting = cluster, tasks
        self.workers: dict[str, bool] = {}
        self.under_way: dict[str, _Task] = {}
        self.given_up: list[tuple[int, Ended]] = []
        self.done: queue.SimpleQueue[tuple[_Task, Any]] = queue.SimpleQueue()
        self.last_worker = time.monotonic()
        self.next_look = self.last_worker
        # whether no job waits
        self.all_begun = False

    def go_on(self) -> bool:
        """Look which workers there are, and give work to those that have none; False where all is done."""
        if time.monotonic() >= self.next_look:
            self._look()
        for worker, takes in self.workers.items():
            if takes and worker not in self.under_way and not self.all_begun:
                task = next(self.waiting, None)
                if task is None:
                    self.all_begun = True
                else:
                    self._begin(task, worker)
        return bool(self.under_way or self.given_up or not self.all_begun)

    def _look(self) -> None:
        self.workers = self.cluster.workers()
        now = time.monotonic()
        self.next_look = now + POLL_SECONDS
        for task in list(self.under_way.values()):
            if task.worker not in self.workers:
                self._worker_ended(task)
        if self.under_way or any(self.workers.values()):
            self.last_worker = now
        elif now > self.last_worker + WORKER_SECONDS:
            raise self.cluster.no_workers(len(self.workers))

    def _begin(self, task: _Task, worker: str) -> None:
        task.worker = worker
        self.under_way[worker] = task
        task.future = self.cluster.submit(task.payload, task.contents, worker)
        if task.future is None:
            del self.under_way[worker]
            self._again(task)
            return
        task.future.add_done_callback(lambda future: self.done.put((task, future)))

    def _again(self, task: _Task) -> None:
        self.waiting = itertools.chain([task], self.waiting)
        self.all_begun = False

    def _worker_ended(self, task: _Task) -> None:
        """Only its own task counts against a worker's end."""
        del self.under_way[task.worker]
        self.workers.pop(task.worker, None)
        self.cluster.cancel([task.future])
        task.tries += 1
        if task.tries < MOST_TRIES:
            self._again(task)
        else:
            self.given_up.append((task.number, Ended(task.worker)))

    def arrived(self) -> Iterator[tuple[int, Any]]:
        """What came, or was given up; waits a moment for it."""
        with suppress(queue.Empty):
            task, future = self.done.get(timeout=POLL_SECONDS)
            # others were cancelled
            if self.under_way.get(task.worker) is task and task.future is future:
                outcome = self.cluster.outcome(future, task.worker)
                if outcome is None:
                    self._worker_ended(task)
                else:
                    del self.under_way[task.worker]
                    if outcome.missing:
                        task.contents = cluster_task.contents_of(outcome.missing)
                        self._again(task)
                    else:
                        yield task.number, outcome.result
        while self.given_up:
            yield self.given_up.pop()
