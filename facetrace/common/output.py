"""Files are written whole or not at all, whatever ends the process meanwhile.

The new content goes into ``.NAME.xxxxxxxx.part`` beside the file, down to the disk, and is then put in place in one
step. A part is locked while its process lives; parts that are not are what a killed run left, and the next
run that writes the same file removes them.
"""

import errno
import os
import secrets
import stat
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from itertools import combinations
from pathlib import Path
from typing import Self

from facetrace.common.errors import FacetraceError
from facetrace.common.locks import folder_lock, try_lock
from facetrace.common.signals import signals_deferred

# bytes of a target's name in that of its part, which may be no longer than any name (255)
NAME_BYTES = 200
PART = ".part"
STANDARD = (0, 1, 2)
# what the command that runs is going to write; see check_not_a_target
_TARGETS: ContextVar[tuple[Path, ...]] = ContextVar("targets", default=())
# and what it wrote so far
_WRITTEN: ContextVar[tuple[str, ...]] = ContextVar("written", default=())


def forget_files() -> None:
    """Another command begins, which has not said yet what it writes, and wrote nothing."""
    _TARGETS.set(())
    _WRITTEN.set(())


def record(paths: Iterable[Path]) -> None:
    """Remember files that are complete, for what a command says when it is stopped."""
    _WRITTEN.set((*_WRITTEN.get(), *map(str, paths)))


def written() -> tuple[str, ...]:
    """What the command that runs wrote so far."""
    return _WRITTEN.get()


def check_not_a_target(path: Path) -> None:
    """Complain about a file that is read, if a file names it, say, and is to be written too. Raises FacetraceError."""
    if any(_same(path, target) for target in _TARGETS.get()):
        raise FacetraceError(
            f"{path}: is read, and named for an output too; name another file to write"
        )


def write_whole(path: Path, content: bytes) -> None:
    """Write one file, as ``write_all`` does."""
    write_all({path: content})


def write_all(files: Mapping[Path, bytes]) -> None:
    """Write all of these files, or none where one of them cannot be written. Raises FacetraceError then.

    A symbolic link stays, and what it points to is written. A file that was there keeps its permissions.
    """
    with signals_deferred(), ExitStack() as stack:
        staged = [stack.enter_context(Staged(path, content)) for path, content in files.items()]
        if len(staged) > 1:
            # so that of two runs with the same targets all files are of one
            for folder in sorted({part.folder for part in staged}):
                stack.enter_context(folder_lock(folder))
        for part in staged:
            part.place()


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """A folder for files that are wanted for a moment. Raises FacetraceError where none can be made."""
    try:
        folder = tempfile.TemporaryDirectory()
    except OSError as error:
        raise FacetraceError(
            f"no folder for temporary files can be made ({error.strerror}); TMPDIR names another place"
        ) from None
    with folder as name:
        yield Path(name)


class Staged:
    """New content of a file, beside it and locked, until it is put in place or given up.

    ``close`` ends the lock and removes what was not placed. Raises FacetraceError where the disk does not take
    it. To be used within ``signals_deferred``.
    """

    def __init__(self, path: Path, content: bytes) -> None:
        self.path = path
        self._file: int | None = None
        self._placed = False
        try:
            self._real = Path(os.path.realpath(path))
            _remove_dead_parts(self._real)
            self._part, self._file = _opened(self._real)
            self._fill(content)
        except (OSError, ValueError) as error:
            self.close()
            raise _unwritable(path, error) from None
        except BaseException:
            self.close()
            raise

    @property
    def folder(self) -> Path:
        """Where the file really lies."""
        return self._real.parent

    @property
    def state(self) -> tuple[int, ...]:
        """What tells the file from any that is put in its place later, see ``file_state``."""
        return _state(self._real.stat() if self._file is None else os.fstat(self._file))

    def place(self) -> None:
        """Put it in place in one step. Raises FacetraceError."""
        assert self._file is not None
        try:
            if os.name == "nt":
                # there an open file cannot be renamed
                os.close(self._file)
                self._file = None
            self._part.replace(self._real)
        except OSError as error:
            raise _unwritable(self.path, error) from None
        self._placed = True

    def close(self) -> None:
        """End the lock, and remove what was not placed."""
        if self._file is None:
            return
        if not self._placed:
            self._part.unlink(missing_ok=True)
        os.close(self._file)
        self._file = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _fill(self, content: bytes) -> None:
        assert self._file is not None
        old = _stat(self._real)
        if old is not None and hasattr(os, "fchmod"):
            # a drive without such rights takes the file all the same
            with suppress(OSError):
                os.fchmod(self._file, stat.S_IMODE(old.st_mode))
        with open(self._file, "wb", closefd=False) as stream:
            stream.write(content)
        if content:
            # or a power cut could leave the new name with nothing in it
            try:
                os.fsync(self._file)
            except OSError as error:
                if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                    raise


def file_state(path: Path) -> tuple[int, ...] | None:
    """What changes when another file is put in the place, or the file is written to; None where there is none."""
    found = _stat(Path(os.path.realpath(path)))
    return found and _state(found)


def _state(of: os.stat_result) -> tuple[int, ...]:
    return of.st_dev, of.st_ino, of.st_size, of.st_mtime_ns


def _opened(real: Path) -> tuple[Path, int]:
    """A new part of a file, locked."""
    while True:
        part = real.with_name(f"{_stem(real)}{secrets.token_hex(4)}{PART}")
        file = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        # another run's sweep may have come between
        if try_lock(file) is not False and os.fstat(file).st_nlink:
            return part, file
        os.close(file)


def _remove_dead_parts(real: Path) -> None:
    """Remove parts of a file whose process is gone, as far as one may."""
    stem = _stem(real)
    # a folder may be written to and yet not be read
    with suppress(OSError):
        # bare names, for some folders hold thousands: a Path of each would take longer than the list
        for name in os.listdir(real.parent):  # noqa: PTH208
            if name.startswith(stem) and name.endswith(PART):
                _remove_dead(real.with_name(name))


def _remove_dead(part: Path) -> None:
    with suppress(OSError):
        file = os.open(part, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
        try:
            if try_lock(file):
                part.unlink(missing_ok=True)
        finally:
            os.close(file)


def _stem(real: Path) -> str:
    short = os.fsencode(real.name)[:NAME_BYTES].decode(errors="ignore")
    return f".{short}."


def _stat(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None


def _unwritable(path: Path, error: OSError | ValueError) -> FacetraceError:
    reason = error.strerror if isinstance(error, OSError) else str(error)
    return FacetraceError(f"{path}: cannot be written ({reason})")


def check_targets(targets: Iterable[Path | None], sources: Iterable[Path | None]) -> None:
    """Complain about targets that cannot be written, before any work is spent on them. Raises FacetraceError.

    *sources*: the files that are read; they are never overwritten. No two targets may be one file.
    """
    wanted = [path for path in targets if path is not None]
    read = [path for path in sources if path is not None]
    for path in wanted:
        try:
            _check(path, read)
        except (OSError, ValueError) as error:
            raise _unwritable(path, error) from None
    for one, other in combinations(wanted, 2):
        if _same(one, other):
            raise FacetraceError(f"{other}: is named for two outputs; name another file for one")
    _TARGETS.set((*_TARGETS.get(), *wanted))


def _check(path: Path, sources: Sequence[Path]) -> None:
    real = Path(os.path.realpath(path))
    folder, there = _stat(real.parent), _stat(path)
    if there and stat.S_ISDIR(there.st_mode):
        raise FacetraceError(f"{path}: is a folder; name a file")
    if not folder or not stat.S_ISDIR(folder.st_mode):
        raise FacetraceError(f"{path}: its folder does not exist")
    if there:
        _check_old(path, there)
    if not os.access(real.parent, os.W_OK | os.X_OK):
        raise FacetraceError(f"{path}: its folder cannot be written to; name another place")
    if any(_same(path, source) for source in sources):
        raise FacetraceError(f"{path}: is the file that was read; name another one to write")
    with signals_deferred(), Staged(path, b""):
        # a file was made there: the disk takes new ones, and names so long
        pass


def _check_old(path: Path, there: os.stat_result) -> None:
    """Whether the file that is there may be put aside."""
    if not stat.S_ISREG(there.st_mode):
        raise FacetraceError(f"{path}: is no file but a device or a pipe; name a file")
    if not os.access(path, os.W_OK):
        raise FacetraceError(f"{path}: is write-protected; name another file")
    for stream in STANDARD:
        try:
            own = os.fstat(stream)
        except OSError:
            continue
        if os.path.samestat(own, there):
            raise FacetraceError(f"{path}: is where the shell sends what this command prints; name another file")  # fmt: skip


def _same(one: Path, other: Path) -> bool:
    """Whether two names are of one file, or would be. What cannot be looked at is told where it is read."""
    try:
        if os.path.realpath(one) == os.path.realpath(other):
            return True
        first, second = _stat(one), _stat(other)
    except (OSError, ValueError):
        return False
    return bool(first and second and os.path.samestat(first, second))
