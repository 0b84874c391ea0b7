"""A table of results that grows: a CSV from which long work goes on where it stopped.

The file begins with comment lines, the last of which is the fingerprint of all that decides the numbers;
then come the names of the columns and the rows. Floats are written so that they read back as
the same bits: work that was stopped and resumed gives the same file as work that was not.
"""

import csv
import hashlib
import io
import itertools
import json
import math
import re
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from facetrace.common.errors import FileError
from facetrace.common.filekind import NO_FILE, no_file
from facetrace.common.output import write_whole

# texts hold no carriage returns; an empty one reads back as None
Cell = str | float | int | None
Row = dict[str, Cell]
Key = tuple[Cell, ...]
# what makes a cell of its text; raises ValueError where it cannot
Kind = Callable[[str], Cell]

MARK = "# facetrace"
FINGERPRINT = "# fingerprint: "
HEAD_LINES = 10
# the column that says why a row has no figures
REMARK = "remark"
SAVE_SECONDS = 1.0
# a table of 20,000 rows has less than 20 MB
MOST_BYTES = 100_000_000
# saving takes at most this share of the time
SAVE_SHARE = 0.05


def fingerprint_of(facts: Mapping[str, Any]) -> str:
    """16 hexadecimal digits that differ where any of the facts (JSON or bytes) does."""
    text = json.dumps(facts, sort_keys=True, default=_digest, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _digest(value: object) -> str:
    if not isinstance(value, bytes):
        raise TypeError(f"{type(value).__name__} cannot be part of a fingerprint")
    return hashlib.sha256(value).hexdigest()


class Ledger:
    """Rows by key, kept in a file; without a path only in memory. Leaving its ``with`` block saves it."""

    def __init__(
        self, path: Path | None, fingerprint: str, columns: Mapping[str, Kind], key: Sequence[str],
        about: str = "",
    ) -> None:  # fmt: skip
        self.path = path
        self.rows: dict[Key, Row] = {}
        self._fingerprint = fingerprint
        self._columns = dict(columns)
        self._key = tuple(key)
        # a comment is not quoted: nothing in it may begin a cell
        self._about = " ".join(re.sub(r'[,;|"]', " ", about).split())
        self._needed: tuple[str, ...] = ()
        self._ours = False
        self._changed = False
        self._next_save = 0.0

    @classmethod
    def open(
        cls, path: Path | None, fingerprint: str, columns: Mapping[str, Kind], key: Sequence[str],
        *, about: str = "", fresh: bool = False, needed: Sequence[str] = (),
    ) -> Self:  # fmt: skip
        """The ledger in a file, or an empty one where there is none yet.

        *columns*: name -> float, int, str or the like; *key*: the columns that tell rows apart; *about*: a
        line for people. *fresh* leaves out the rows that are there. *needed*: columns that a row must fill
        unless it has a remark. Raises FileError for a file
        of other work, and for one that is damaged.
        """
        ledger = cls(path, fingerprint, columns, key, about)
        ledger._needed = tuple(needed)
        if path is not None and no_file(path) != NO_FILE:
            ledger._read(path, fresh)
        return ledger

    def key_of(self, row: Row) -> Key:
        """The cells that tell a row from the others."""
        return tuple(row[name] for name in self._key)

    def add(self, row: Row) -> None:
        """Add a row, and save now and then."""
        self.rows[self.key_of(row)] = row
        self._changed = True
        now = time.monotonic()
        if now >= self._next_save:
            self.save()
            took = time.monotonic() - now
            self._next_save = now + max(SAVE_SECONDS, took / SAVE_SHARE)

    def save(self) -> None:
        """Write the file whole, where there is something new.

        Raises FileError where another run has put its own table in the file's place.
        """
        if self.path is not None and self._changed:
            if self._ours and self.path.exists() and not self._is_ours(self.path):
                self._changed = False
                raise FileError(
                    self.path, None, "", "now holds the table of another run; name another file"
                )
            write_whole(self.path, self.text().encode())
            self._ours = True
        self._changed = False

    def text(self) -> str:
        """The file's content."""
        stream = io.StringIO()
        stream.write(f"{MARK} {self._about}\n{FINGERPRINT}{self._fingerprint}\n")
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(self._columns)
        for row in self.rows.values():
            table.writerow(_written(row[name]) for name in self._columns)
        return stream.getvalue()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.save()

    def _is_ours(self, path: Path) -> bool:
        with path.open(encoding="utf-8", errors="replace") as stream:
            head = [line for line, _ in zip(stream, range(HEAD_LINES), strict=False)]
        return f"{FINGERPRINT}{self._fingerprint}\n" in head

    def _read(self, path: Path, fresh: bool) -> None:
        problem = no_file(path)
        if problem is None and path.stat().st_size > MOST_BYTES:
            problem = "is too large for a table of facetrace; name another file"
        if problem:
            raise FileError(path, None, "", problem)
        try:
            # a pipe would be waited for
            text = path.read_bytes().decode("utf-8") if path.is_file() else None
        except (OSError, UnicodeDecodeError):
            text = None
        if text is None:
            raise FileError(path, None, "", "cannot be read as text; name another file")
        if not text.startswith(MARK):
            raise FileError(path, 1, "", "is no table of facetrace; name another file")
        if fresh:
            return
        lines = list(io.StringIO(text, newline=""))
        head = [line.strip() for line in itertools.takewhile(lambda k: k.startswith("#"), lines)]
        if f"{FINGERPRINT}{self._fingerprint}" not in head:
            raise FileError(
                path, None, "",
                "holds other work (another design, option or version); name another file, or "
                "give --fresh to begin it anew",
            )  # fmt: skip
        self._ours = True
        table = csv.reader(lines[len(head) :], strict=True)
        try:
            for number, cells in enumerate(table):
                line = len(head) + table.line_num
                if number:
                    row = self._row(path, line, cells)
                    self.rows[self.key_of(row)] = row
                elif cells != list(self._columns):
                    raise FileError(path, line, "", "does not name the columns of this work; --fresh begins it anew")  # fmt: skip
        except csv.Error as error:
            line = len(head) + table.line_num
            raise FileError(path, line, "", f"is damaged ({error}); {_MEND}") from None

    def _row(self, path: Path, line: int, cells: list[str]) -> Row:
        if len(cells) != len(self._columns):
            problem = f"has {len(cells)} cells for {len(self._columns)} columns; {_MEND}"
            raise FileError(path, line, "", problem)
        row: Row = {}
        for (name, kind), cell in zip(self._columns.items(), cells, strict=True):
            try:
                row[name] = kind(_unmasked(cell) if kind is str else cell) if cell else None
            except ValueError:
                raise FileError(path, line, name, f"'{cell}' is not a number; {_MEND}") from None
            value = row[name]
            if isinstance(value, float) and not math.isfinite(value):
                raise FileError(path, line, name, f"'{cell}' is no result; {_MEND}")
        empty = [name for name in self._needed if row[name] is None]
        if empty and not row.get(REMARK):
            raise FileError(path, line, empty[0], f"is empty; {_MEND}")
        return row


_MEND = "mend or delete that line, or give --fresh to begin the file anew"


# what a spreadsheet takes for a formula at the start of a cell, also where it parts cells at other marks than commas;
# an apostrophe before it makes it text (OWASP, CSV Injection)
_FORMULA = re.compile(r"(^|[;\t\r\n|])('*)([=+\-@\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}])")  # fmt: skip
_MASKED = re.compile(_FORMULA.pattern.replace("('*)", "'('*)"))


def _masked(text: str) -> str:
    return _FORMULA.sub(r"\1'\2\3", text)


def _unmasked(text: str) -> str:
    return _MASKED.sub(r"\1\2\3", text)


def _written(cell: Cell) -> str:
    return "" if cell is None else _masked(cell) if isinstance(cell, str) else repr(cell)
