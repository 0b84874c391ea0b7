"""Files are written whole or not at all."""

import os
import tempfile
from pathlib import Path

from facetrace.common.errors import FacetraceError


def write_whole(path: Path, content: bytes) -> None:
    """Write *content* beside the target under another name, then put it in place in one step."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent or Path())
    except OSError as error:
        raise FacetraceError(f"{path}: cannot be written ({error.strerror})") from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise FacetraceError(f"{path}: cannot be written ({error.strerror})") from None
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def check_target(path: Path) -> None:
    """Complain about a target that cannot be written, before any work is spent on it."""
    parent = path.parent if str(path.parent) else Path()
    if path.is_dir():
        raise FacetraceError(f"{path}: is a folder; name a file")
    if not parent.is_dir():
        raise FacetraceError(f"{path}: its folder does not exist")
    if not os.access(parent, os.W_OK):
        raise FacetraceError(f"{path}: its folder cannot be written to")
