"""Files are written whole or not at all."""

import os
import secrets
from pathlib import Path

from facetrace.common.errors import FacetraceError
from facetrace.common.filekind import NOT_READ, no_file


def write_whole(path: Path, content: bytes) -> None:
    """Write *content* beside the target under another name, then put it in place in one step."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with part.open("xb") as stream:
            stream.write(content)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise FacetraceError(f"{path}: cannot be written ({error.strerror})") from None
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def check_target(path: Path, *sources: Path | None) -> None:
    """Complain about a target that cannot be written, before any work is spent on it.

    *sources*: the files that were read; they are never overwritten.
    """
    problem = no_file(path)
    if problem and problem.startswith(NOT_READ):
        raise FacetraceError(f"{path}: {problem}; name another file to write")
    if path.is_dir():
        raise FacetraceError(f"{path}: is a folder; name a file")
    if not path.parent.is_dir():
        raise FacetraceError(f"{path}: its folder does not exist")
    if not os.access(path.parent, os.W_OK):
        raise FacetraceError(f"{path}: its folder cannot be written to; name another place")
    for source in sources:
        if source and path.exists() and no_file(source) is None and path.samefile(source):
            raise FacetraceError(f"{path}: is the file that was read; name another one to write")
