"""What a worker of a cluster does: one task at a time, opened only where all versions are those of who asks.

A task reads a file where it lies on a shared drive; where it does not, or is another, its contents are sent.
"""

import hashlib
import os
import pickle
import platform
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from importlib import metadata
from pathlib import Path
from typing import Any, Generic, TypeVar

import facetrace
from facetrace.common.errors import FacetraceError

# what decides the bits of a row besides facetrace itself and the kind of processor; of a graphics card
PACKAGES, CARD_PACKAGES = ("numpy", "numba", "scipy", "trimesh"), ("numba-cuda",)
DASK = "distributed"
SOURCES = (".py", ".toml", ".csv")
MISSING = "none"
# of what jobs share, a worker keeps so many: those of the study that it is at
MOST_SHARED = 2
Value = TypeVar("Value")

# the parallel code of numba must not be entered twice in a process, however many threads Dask gives a worker
_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Outcome:
    """What came of a task: its result, or why it was refused, what it raised, or the files that its worker did not find."""

    result: Any = None
    refused: str = ""
    error: Exception | None = None
    missing: "tuple[FileCopy, ...]" = ()


def packed(function: Callable[[Any], Any], job: Any) -> bytes:
    """A job for ``done_there``. Raises FacetraceError where something in it stands in no module, as a lambda."""
    try:
        return pickle.dumps((function, job))
    except (pickle.PicklingError, AttributeError, TypeError) as error:
        raise FacetraceError(f"cannot be sent to a worker: {error}") from None


class Shared(Generic[Value]):
    """What many jobs have in common: pickled once for all of them, and opened once by a worker, with what it keeps of it."""

    def __init__(self, value: Value) -> None:
        self.value = value

    @cached_property
    def _content(self) -> bytes:
        return pickle.dumps(self.value)

    def __reduce__(self) -> tuple[Any, ...]:
        return _opened, (self._content,)


@lru_cache(maxsize=MOST_SHARED)
def _opened(content: bytes) -> Shared[Any]:
    return Shared(pickle.loads(content))


def done_there(theirs: Mapping[str, str], payload: bytes, contents: Mapping[str, bytes]) -> Outcome:
    """Do a job, of who asks with *theirs* as versions; contents: of files, by their digests."""
    global _unwanted, _contents, _threads
    problem = differing(theirs)
    if problem:
        return Outcome(refused=problem)
    # asked before the lock: whoever waits for it may be given up meanwhile
    unwanted, threads = _dask_says()
    with _one_at_a_time:
        if unwanted():
            return Outcome()
        _unwanted, _contents, _threads = unwanted, contents, threads
        import numba

        numba.set_num_threads(min(threads, numba.config.NUMBA_NUM_THREADS))
        try:
            function, job = pickle.loads(payload)
            return Outcome(function(job))
        except _MissingFiles as found:
            return Outcome(missing=found.files)
        except FacetraceError as error:
            return Outcome(error=error)
        finally:
            _unwanted, _contents, _threads = _never, {}, 1


# ---- versions ---------------------------------------------------------------------------------


def versions_here(device: str = "cpu") -> dict[str, str]:
    """All that must be the same on a worker, in words."""
    names = PACKAGES + (CARD_PACKAGES if device != "cpu" else ())
    return {
        "facetrace": f"{facetrace.__version__} ({_sources()})",
        "Python": ".".join(platform.python_version_tuple()[:2]),
        DASK: _version(DASK),
        **{name: _version(name) for name in names},
    }


def differing(theirs: Mapping[str, str]) -> str:
    """What differs here from the versions of who asks, in one sentence; empty where nothing does."""
    ours = versions_here("gpu" if CARD_PACKAGES[0] in theirs else "cpu")
    odd = [f"{n} {ours.get(n, MISSING)} there, {v} here" for n, v in theirs.items() if ours.get(n) != v]  # fmt: skip
    return f"has other versions: {'; '.join(odd)}. {REMEDY}" if odd else ""


REMEDY = "Install the same on both, and begin it again"


def dask_differs(theirs: Mapping[str, str | None]) -> str:
    """The same of a scheduler, which needs Dask alone."""
    there = theirs.get(DASK)
    ours = _version(DASK)
    return f"has other versions: {DASK} {there} there, {ours} here. {REMEDY}" if there and there != ours else ""  # fmt: skip


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return MISSING


@cache
def _sources() -> str:
    """8 hexadecimal digits of all that facetrace reads of its own: a copy that was edited is another version."""
    root = Path(facetrace.__file__).parent
    digest = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.suffix in SOURCES):
        digest.update(f"{path.relative_to(root).as_posix()}\n".encode())
        # line ends follow the system
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()[:8]


# ---- what Dask says of the task that runs here ---------------------------------------------------


def _never() -> bool:
    return False


_unwanted: Callable[[], bool] = _never
_contents: Mapping[str, bytes] = {}
_threads = 1


def unwanted() -> bool:
    """Whether nobody waits any more for the task that runs in this process: it was cancelled, or its asker is gone."""
    return _unwanted()


def threads_here() -> int:
    """Threads that the task which runs in this process may have."""
    return _threads


def _dask_says() -> tuple[Callable[[], bool], int]:
    """(whether the task of this thread is no longer wanted, threads that it may have)."""
    from distributed import get_worker

    worker = get_worker()
    key, tasks = worker.get_current_task(), worker.state.tasks

    def gone() -> bool:
        task = tasks.get(key)
        return task is None or task.state == "cancelled"

    return gone, worker.state.nthreads


# ---- files ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FileCopy:
    """A file as it was when a task was made: its whole path, and a digest of what is in it."""

    path: Path
    digest: str


class _MissingFiles(Exception):  # noqa: N818
    """Files do not lie here as they lie where the task was made."""

    def __init__(self, files: tuple[FileCopy, ...]) -> None:
        self.files = files


def copies_of(paths: Sequence[Path]) -> tuple[FileCopy, ...]:
    """Files as they are now, read one by one. Raises FacetraceError where one cannot be read."""
    return tuple(FileCopy(path.absolute(), _digest(_read(path))) for path in paths)


def contents_of(files: Sequence[FileCopy]) -> dict[str, bytes]:
    """What is in files, by their digests. Raises FacetraceError where they are no longer what they were."""
    found = {}
    for file in files:
        found[file.digest] = _read(file.path)
        if _digest(found[file.digest]) != file.digest:
            raise FacetraceError(f"{file.path} was changed meanwhile; give the same command again")
    return found


@contextmanager
def files_here(files: Sequence[FileCopy]) -> Iterator[Path]:
    """The first of these files as it lies here, the others where they lie from it: on the shared drive, or in a folder made for the block.

    Where it is neither, a task ends with what is missing and is given that. Raises OSError where no folder can be made.
    """
    if all(_is_here(file) for file in files):
        yield files[0].path
        return
    if any(file.digest not in _contents for file in files):
        raise _MissingFiles(tuple(files))
    top = Path(os.path.commonpath([file.path.parent for file in files]))
    with tempfile.TemporaryDirectory(prefix="facetrace-") as folder:
        for file in files:
            place = Path(folder) / file.path.relative_to(top)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(_contents[file.digest])
        yield Path(folder) / files[0].path.relative_to(top)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise FacetraceError(f"{path} cannot be read ({error.strerror})") from None


def _is_here(file: FileCopy) -> bool:
    try:
        return _digest(file.path.read_bytes()) == file.digest
    except OSError:
        return False


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
