"""Work of a study in parts: one by one in this process, on the workers of the cluster that it was put on, or by processes that feed a card.

A card traces a small stone in less time than Python takes to build it. So much work for a card is shared out to several processes.
"""

import platform
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from typing import TypeVar

from facetrace.common.cluster import Cluster, Ended, chosen_cluster
from facetrace.common.errors import FacetraceError
from facetrace.common.workers import Workers, usual_workers
from facetrace.trace.device import chosen_device, tracing_on

Job = TypeVar("Job")
Result = TypeVar("Result")
Item = TypeVar("Item")

# parts for each worker, so that none waits long for the last; and what a part has at most
PARTS, MOST_IN_PART = 8, 128
# processes that feed a card at most, and about how long they take to begin
MOST_FEEDERS, START_S = 8, 4.0


def each(
    function: Callable[[Job], Result], jobs: Sequence[Job], python_s: float
) -> Iterator[Result]:
    """The result of each job, in order; *python_s*: about how long all of them take besides the card's own work.

    Raises FacetraceError where a job cannot be done on the cluster.
    """
    cluster = chosen_cluster()
    if cluster is None:
        if chosen_device() == "gpu" and python_s > START_S and len(jobs) > 1:
            with Workers(feeders()) as workers:
                yield from workers.each(traced_there, [("gpu", function, job) for job in jobs])
            return
        yield from map(function, jobs)
        return
    for result in cluster.each(traced_there, on_device(cluster, function, jobs)):
        if isinstance(result, Ended):
            raise FacetraceError(f"worker {result.worker}: {ENDED}")
        yield result


# what is said of work whose worker ended again and again
ENDED = "ended twice while it was at the same work: too little memory?"


def feeders() -> int:
    """Processes that feed a card."""
    return min(usual_workers(), MOST_FEEDERS)


def parts(items: Sequence[Item], for_card: int = 1) -> list[Sequence[Item]]:
    """The items in parts for ``each``: one by one in this process, *for_card* for a card, several for workers elsewhere."""
    cluster = chosen_cluster()
    size = for_card if chosen_device() == "gpu" else 1
    if cluster:
        size = min(MOST_IN_PART, max(1, len(items) // (PARTS * cluster.count)))
    return [items[k : k + size] for k in range(0, len(items), size)]


def on_device(
    cluster: Cluster, function: Callable[[Job], Result], jobs: Iterable[Job]
) -> Iterator[tuple[str, Callable[[Job], Result], Job]]:
    """Jobs for ``traced_there``."""
    return ((cluster.device, function, job) for job in jobs)


def traced_there(job: tuple[str, Callable[[Job], Result], Job]) -> Result:
    """The result of a job, traced on a device of this machine. Raises FacetraceError where it has none such."""
    device, function, of = job
    with ExitStack() as held:
        try:
            held.enter_context(tracing_on(device))  # type: ignore[arg-type]
        except FacetraceError as problem:
            raise FacetraceError(f"{platform.node()}: {problem}") from None
        return function(of)
