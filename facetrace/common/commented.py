"""TOML text with a short remark beside each key, for files that people go on editing by hand.

Written here: tomli-w writes no remarks, and tomlkit, which does, is made to change files and keep their looks; nothing
here is changed later, and these few lines spare a package.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

# letters of "key = value" up to which the remarks of a table stand in line
WIDEST = 32


@dataclass(frozen=True)
class Entry:
    """A key with its value and what it means. off: as an example only, behind a #."""

    key: str
    value: Any
    remark: str = ""
    off: bool = False


@dataclass(frozen=True)
class Table:
    """A table: its header ("" of the top, else like "[outline]" or "[[step]]"), remarks above it, its keys.

    off: as an example only, behind #.
    """

    header: str
    entries: Sequence[Entry]
    remarks: Sequence[str] = ()
    off: bool = False


def value(of: Any) -> str:
    """A value as TOML has it: bool, str, number, list, tuple or dict."""
    if isinstance(of, bool):
        return "true" if of else "false"
    if isinstance(of, str):
        escaped = of.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return '"' + escaped.replace("\t", "\\t") + '"'
    if isinstance(of, float):
        return repr(of)
    if isinstance(of, (list, tuple)):
        return "[" + ", ".join(value(v) for v in of) + "]"
    if isinstance(of, dict):
        return "{ " + ", ".join(f"{key(k)} = {value(v)}" for k, v in of.items()) + " }"
    return str(of)


def key(of: str) -> str:
    """A key as TOML has it, in quotes where it must be."""
    return of if of.replace("_", "").isalnum() and of.isascii() else value(of)


def plain(number: float) -> float | int:
    """The number as people write it: 35, not 35.0."""
    return int(number) if number == int(number) else number


def commented(head: Sequence[str], tables: Sequence[Table]) -> str:
    """The file's text: remarks at its head, then its tables."""
    parts = ["\n".join(f"# {line}" for line in head), *map(_table, tables)]
    return "\n\n".join(parts).replace("\n\n", "\n", 1) + "\n"


def _table(table: Table) -> str:
    lines = [f"# {line}" for line in table.remarks]
    hidden = "# " if table.off else ""
    lines += [f"{hidden}{table.header}"] if table.header else []
    pairs = [_pair(e, table.off) for e in table.entries]
    width = max((len(p) for p in pairs if len(p) <= WIDEST), default=0)
    for entry, pair in zip(table.entries, pairs, strict=True):
        lines.append(f"{pair:<{width}}  # {entry.remark}" if entry.remark else pair)
    return "\n".join(lines)


def _pair(entry: Entry, off: bool) -> str:
    hidden = "# " if off or entry.off else ""
    return f"{hidden}{key(entry.key)} = {value(entry.value)}"
