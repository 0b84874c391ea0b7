"""Work of a study in parts: one by one in this process, or on the workers of the cluster that it was put on."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TypeVar

from facetrace.common.cluster import Cluster, Ended, chosen_cluster
from facetrace.common.errors import FacetraceError
from facetrace.trace.device import chosen_device, tracing_on

Job = TypeVar("Job")
Result = TypeVar("Result")
Item = TypeVar("Item")

# parts for each worker, so that none waits long for the last; and what a part has at most
PARTS, MOST_IN_PART = 8, 128
# a card traces many small stones as fast as one large
FOR_CARD = 128


def each(function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
    """The result of each job, in order. Raises FacetraceError where a job cannot be done on the cluster."""
    cluster = chosen_cluster()
    if cluster is None:
        yield from map(function, jobs)
        return
    for result in cluster.each(traced_there, on_device(cluster, function, jobs)):
        if isinstance(result, Ended):
            raise FacetraceError(f"worker {result.worker}: {ENDED}")
        yield result


# what is said of work whose worker ended again and again
ENDED = "ended twice while it was at the same work: too little memory?"


def parts(items: Sequence[Item]) -> list[Sequence[Item]]:
    """The items in parts for ``each``: one by one in this process, several together for a card and for workers elsewhere."""
    cluster = chosen_cluster()
    size = FOR_CARD if chosen_device() == "gpu" else 1
    if cluster:
        size = min(MOST_IN_PART, max(1, len(items) // (PARTS * cluster.count)))
    return [items[k : k + size] for k in range(0, len(items), size)]


def on_device(
    cluster: Cluster, function: Callable[[Job], Result], jobs: Iterable[Job]
) -> Iterator[tuple[str, Callable[[Job], Result], Job]]:
    """Jobs for ``traced_there``."""
    return ((cluster.device, function, job) for job in jobs)


def traced_there(job: tuple[str, Callable[[Job], Result], Job]) -> Result:
    """The result of a job, traced on a device of this machine."""
    device, function, of = job
    with tracing_on(device):  # type: ignore[arg-type]
        return function(of)
