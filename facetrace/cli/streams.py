"""Standard streams that may be closed, full, or a pipe that nobody reads from any more; and what libraries say there."""

import io
import logging
import os
import sys
import warnings
from typing import TextIO

from facetrace.common.errors import FacetraceError

STDOUT, STDERR = 1, 2


class _Stream(io.FileIO):
    """A standard stream. What is wrong with it is told once, as an error of the user's, and never of *quiet* ones."""

    def __init__(self, file: int, *, quiet: bool) -> None:
        super().__init__(file, "wb", closefd=False)
        self._quiet = quiet
        self._gone = False

    def write(self, content: "bytes | bytearray | memoryview") -> int | None:  # type: ignore[override]
        """As a file does; what no longer arrives counts as written."""
        if self._gone:
            return len(content)
        try:
            return super().write(content)
        except BrokenPipeError:
            # facetrace ... | head: enough was read
            self._gone = True
        except OSError as error:
            self._gone = True
            if not self._quiet:
                raise FacetraceError(
                    f"standard output: cannot be written ({error.strerror})"
                ) from None
        return len(content)


def guard_streams() -> None:
    """Make this process's standard streams such that they never end it with a traceback."""
    _open_what_is_closed()
    # Windows' console is no file
    if os.name == "nt":
        return
    sys.stdout = _text(sys.stdout, _Stream(STDOUT, quiet=False))
    sys.stderr = _text(sys.stderr, _Stream(STDERR, quiet=True))


def silence_libraries() -> None:
    """What libraries tell is not the user's business: a home or /dev/shm that they cannot write to, fonts that they list anew."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    # numba's, where /dev/shm may not be written to; the kernel starts its threads once, from one
    warnings.filterwarnings("ignore", "Could not obtain multiprocessing lock")


def _open_what_is_closed() -> None:
    """Open what is closed: else the next file to be opened would become a standard stream."""
    # what is printed to a file that is open for reading fails, and is told
    for file, mode in ((0, os.O_RDONLY), (STDOUT, os.O_RDONLY), (STDERR, os.O_WRONLY)):
        try:
            os.fstat(file)
        except OSError:
            os.open(os.devnull, mode)


def _text(old: TextIO | None, raw: io.RawIOBase) -> io.TextIOWrapper:
    errors = getattr(old, "errors", None) or "backslashreplace"
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=getattr(old, "encoding", None) or "utf-8",
        # a terminal that lacks a letter shows a question mark
        errors="replace" if errors == "strict" else errors,
        line_buffering=raw.isatty(),
    )
