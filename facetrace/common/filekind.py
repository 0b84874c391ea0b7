"""What a file is, by what is in it: the kinds that facetrace reads, and those often given in their place."""

import json
import re
import stat
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facetrace.common.meant import nearest

HEAD_BYTES = 4096
NO_FILE, NOT_READ = "no such file", "cannot be read"
# bytes of a result that are read to say which command wrote it
MOST_RESULT = 10_000_000
RESULT = re.compile(r'^\s*\{\s*"schema"\s*:\s*"facetrace-result/')
# members of a result that name the command which wrote it; all may hold "design" or "solid"
COMMANDS = (
    "report", "angles", "girdle", "orient", "plan", "lot", "recut", "sheet", "mark", "movie", "dichroscope",
    "checks", "measures", "solid",
)  # fmt: skip
OTHER_NAMES = {"checks": "verify", "measures": "trace"}
MAGIC = {
    b"\x89PNG": "a picture (PNG)",
    b"\xff\xd8\xff": "a picture (JPEG)",
    b"GIF8": "a picture (GIF)",
    b"%PDF": "a document (PDF)",
    b"PK\x03\x04": "an archive (ZIP)",
    b"ply\n": "a mesh (PLY)",
    b"ply\r": "a mesh (PLY)",
}
# binary STL: 80 bytes of anything, the number of triangles, 50 bytes for each
STL_HEAD, STL_TRIANGLE = 84, 50
STL_TEXT = re.compile(rb"solid\b[^\n]*\s+(facet\s+normal|endsolid)\b")
OBJ_TEXT = re.compile(rb"^v(\s+[-+0-9.eE]+){3}", re.MULTILINE)


@dataclass(frozen=True)
class Kind:
    """A kind of TOML file. keys: any of them tells it (and what each holds); hint: what is seen in it."""

    name: str
    words: str
    hint: str
    keys: Mapping[str, type]

    @property
    def needed(self) -> str:
        """What to say where another kind is given."""
        return f"{self.words} is needed here ({self.hint})"


# keys that no other kind has; a price file has an [outline] of its own
KINDS = (
    Kind("design", "a design file", "[outline] or [[tier]]",
         {"outline.shape": object, "outline.length_mm": object, "tier": list, "crown": dict, "pavilion": dict}),
    Kind("rough", "a rough file", "[shape], which may name a mesh", {"shape": dict}),
    Kind("zone", "a zone file", "[[zone]]", {"zone": list}),
    Kind("stone", "a cut stone's file", "[measured]", {"measured": dict}),
    Kind("price", "a price file", "currency and [[step]]", {"currency": str, "step": list}),
    Kind("material", "a material file", "[dispersion]", {"dispersion": dict}),
)  # fmt: skip


def no_file(path: Path) -> str | None:
    """What keeps a path from being read as a file, None where nothing does: pipes and devices may never end."""
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return NO_FILE
    except OSError as error:
        return f"{NOT_READ} ({error.strerror})"
    except ValueError:
        return "cannot be the name of a file"
    if stat.S_ISDIR(mode):
        return "is a folder; name a file"
    return None if stat.S_ISREG(mode) else "is a pipe or a device; name a file"


def no_such(path: Path) -> str:
    """ "no such file", and which one may be meant: one with nearly that name, or with the ending that was left out."""
    try:
        beside = sorted(p for p in path.parent.iterdir() if p.is_file())
    except (OSError, ValueError):
        return NO_FILE
    ending = path.suffix.lower() or ".toml"
    # endings are alike anyway
    names = {p.stem: p for p in beside if p.suffix.lower() == ending}
    near = nearest(path.stem if path.suffix else path.name, names)
    return f"{NO_FILE}; did you mean {names[near]}?" if near else NO_FILE


def kind_in(data: Mapping[str, Any]) -> Kind | None:
    """The kind of a TOML file by its top keys, None where nothing tells it."""
    return next((k for k in KINDS if is_of(k, data)), None)


def is_of(kind: Kind, data: Mapping[str, Any]) -> bool:
    """Whether something in a TOML file tells that it is of a kind."""
    return any(_holds(data, key.split("."), of) for key, of in kind.keys.items())


def _holds(data: Any, names: Sequence[str], of: type) -> bool:
    for name in names:
        if not isinstance(data, Mapping) or name not in data:
            return False
        data = data[name]
    return isinstance(data, of)


def kind_wanted(fields: Collection[str]) -> Kind | None:
    """The kind that a model with these fields reads."""
    return next((k for k in KINDS if all(key.split(".")[0] in fields for key in k.keys)), None)


def foreign(path: Path) -> str | None:
    """What a file is that clearly is no TOML or CSV: as ``mesh_or_picture``, or JSON, or "what facetrace angles wrote"."""
    return mesh_or_picture(path) or _written(path)


def mesh_or_picture(path: Path) -> str | None:
    """ "a mesh (STL)", "a picture (PNG)", or None. Raises OSError where the file cannot be read."""
    size, head = path.stat().st_size, _head(path)
    for magic, words in MAGIC.items():
        if head.startswith(magic):
            return words
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a picture (WebP)"
    if STL_TEXT.match(head.lstrip()) or _binary_stl(head, size):
        return "a mesh (STL)"
    if b"=" not in head and OBJ_TEXT.search(head):
        return "a mesh (OBJ)"
    return None


def _head(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(HEAD_BYTES)


def _binary_stl(head: bytes, size: int) -> bool:
    if len(head) < STL_HEAD:
        return False
    count = int.from_bytes(head[STL_HEAD - 4 : STL_HEAD], "little")
    return size == STL_HEAD + STL_TRIANGLE * count


def _written(path: Path) -> str | None:
    text = _head(path).decode("utf-8", errors="replace")
    if RESULT.match(text):
        if path.stat().st_size > MOST_RESULT:
            return "a result of facetrace"
        try:
            return result_words(json.loads(path.read_text(encoding="utf-8")))
        except (ValueError, RecursionError):
            return "a result of facetrace, cut short"
    return "JSON" if re.match(r'\s*(\{\s*("|\}|$)|\[\s*[{\[]\s*")', text) else None


def result_words(document: Mapping[str, Any]) -> str:
    """ "what facetrace solid wrote": by the members of a result's document."""
    member = next((name for name in COMMANDS if name in document), None)
    return f"what facetrace {OTHER_NAMES.get(member, member)} wrote" if member else "a result of facetrace"  # fmt: skip
