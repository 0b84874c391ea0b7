"""Locks that end with the process that holds them: no file is left behind that would block later runs."""

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# what a lock that another process holds is answered with
HELD = (errno.EWOULDBLOCK, errno.EACCES)
# s that two runs wait for each other while they put files in place
WAIT_SECONDS, POLL_SECONDS = 2.0, 0.005


def try_lock(file: int) -> bool | None:
    """Lock an open file for this process alone; False where another has it, None where locks are not to be had.

    The lock ends when the file is closed, in whatever way. Some network drives have no locks, nor has Windows here.
    """
    if sys.platform == "win32":
        return None
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return False if error.errno in HELD else None
    return True


@contextmanager
def folder_lock(folder: Path) -> Iterator[None]:
    """Wait for other runs that put files into the same folder just now: a matter of milliseconds.

    Where that takes longer, or the folder cannot be locked, it goes on without.
    """
    try:
        file = os.open(folder, os.O_RDONLY)
    except OSError:
        yield
        return
    try:
        until = time.monotonic() + WAIT_SECONDS
        while try_lock(file) is False and time.monotonic() < until:
            time.sleep(POLL_SECONDS)
        yield
    finally:
        os.close(file)
