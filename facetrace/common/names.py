"""Words and file names that stand in files: what they may hold, and where they may lead.

A file may come from a stranger. Its words are shown on terminals and pages, so they hold no control characters;
the files that it names lie near it. Links in the file system are the user's own and are followed.
"""

import os
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from facetrace.common.errors import CONTROL_CHARACTERS, FacetraceError, visible

Place = tuple[int | str, ...]


def control_character_in(text: str) -> str | None:
    """What is wrong with words that hold a character which is none of writing; None of plain ones."""
    found = CONTROL_CHARACTERS.search(text)
    return f"holds the control character U+{ord(found[0]):04X}; write plain text" if found else None


def control_characters_in(data: Any) -> Iterator[tuple[Place, str]]:
    """Where in the tables and lists of a file words are odd, and what is wrong with them, keys included."""
    # no recursion: a file may be nested as deeply as its parser lets it
    left: list[tuple[Place, Any]] = [((), data)]
    while left:
        place, value = left.pop()
        if isinstance(value, str) and control_character_in(value):
            yield place, str(control_character_in(value))
        elif isinstance(value, Mapping):
            for key in value:
                if control_character_in(key):
                    yield place, f"the key '{visible(key)}' {control_character_in(key)}"
            left += [((*place, key), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            left += [((*place, k), inner) for k, inner in enumerate(value)]


def check_path(path: Path) -> None:
    """Raises FacetraceError for a path that cannot be shown."""
    wrong = control_character_in(str(path))
    if wrong:
        raise FacetraceError(f"{path}: its name is not plain text in UTF-8; rename it")


def path_beside(file: Path, name: str) -> Path:
    """The path of a file that *file* names: in its folder, in the folder above, or below one of these.

    Raises FacetraceError for a name that leads elsewhere, also where it would do so on another system.
    """
    seen = PureWindowsPath(name)
    if seen.anchor or PurePosixPath(name).is_absolute():
        raise FacetraceError(
            f"'{name}' is the name of a place on one machine; name a file from the folder of this one, like scans/a.stl"
        )
    depth = 0
    for part in seen.parts:
        depth += -1 if part == ".." else 1
        if depth < -1:
            raise FacetraceError(
                f"'{name}' leads more than one folder up; files may be named in the folder of this one, in the one "
                "above and below these: copy it there, or put a link to it there"
            )
    return file.parent / name


def lies_in(path: Path, folder: Path) -> bool:
    """Whether a path, its ".." undone and no link followed, is below a folder that is not a whole disk."""
    # not resolve(), which follows links
    whole, around = (Path(os.path.abspath(p)) for p in (path, folder))  # noqa: PTH100
    return around != Path(around.anchor) and whole.is_relative_to(around)
