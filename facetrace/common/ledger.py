"""A table of results that grows: a CSV from which long work goes on where it stopped.

The file begins with comment lines, the last of which is the fingerprint of all that decides the numbers;
then come the names of the columns and the rows. Floats are written so that they read back as
the same bits: work that was stopped and resumed gives the same file as work that was not.

Within its ``with`` block a ledger's file is locked, so a second run on the same file is told to wait. Where a drive has
no locks, a file that is no longer what was last read or written there is left as it is, and told.
"""

import csv
import hashlib
import io
import itertools
import json
import math
import os
import re
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from facetrace.common.errors import FileError
from facetrace.common.filekind import no_file
from facetrace.common.locks import try_lock
from facetrace.common.output import Staged, file_state
from facetrace.common.signals import signals_deferred

# texts hold no carriage returns; an empty one reads back as None
Cell = str | float | int | None
Row = dict[str, Cell]
Key = tuple[Cell, ...]
# what makes a cell of its text; raises ValueError where it cannot
CellReader = Callable[[str], Cell]

HEADER = "# facetrace"
FINGERPRINT = "# fingerprint: "
# the column that says why a row has no figures
REMARK = "remark"
SAVE_SECONDS = 1.0
# a table of 20,000 rows has less than 35 MB; of a lot with ten designs ten times that
MOST_BYTES = 400_000_000
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


class _Lock:
    """A lock on the file at a path. Raises FileError where another process has it."""

    def __init__(self, path: Path) -> None:
        while True:
            try:
                self._file = os.open(path, os.O_RDWR)
            except OSError as error:
                raise FileError(path, None, "", f"cannot be written ({error.strerror})") from None
            if try_lock(self._file) is False:
                self.close()
                raise FileError(
                    path, None, "", "another run is writing to it; wait until that is done, or name another file"
                )  # fmt: skip
            # the other run may have put a new file in place meanwhile
            if _is_at(path, self._file):
                return
            self.close()

    def close(self) -> None:
        """End the lock."""
        os.close(self._file)


def _is_at(path: Path, file: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(file))
    except FileNotFoundError:
        return False


class Ledger:
    """Rows by key, kept in a file; without a path only in memory. Leaving its ``with`` block saves it.

    Raises FileError where another run holds the file, or put something else in its place.
    """

    def __init__(
        self, path: Path | None, fingerprint: str, columns: Mapping[str, CellReader], key: Sequence[str],
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
        self._fresh = False
        # whether the file was made here, so as to be locked
        self._made = False
        self._changed = False
        self._next_save = 0.0
        # of the file as it was last read or written, and what holds its lock
        self._state: tuple[int, ...] | None = None
        self._held: _Lock | Staged | None = None

    @classmethod
    def open(
        cls, path: Path | None, fingerprint: str, columns: Mapping[str, CellReader], key: Sequence[str],
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
        ledger._fresh = fresh
        ledger._load()
        return ledger

    def key_of(self, row: Row) -> Key:
        """The cells that tell a row from the others."""
        return tuple(row[name] for name in self._key)

    def add(self, row: Row) -> None:
        """Add a row, and save now and then."""
        self._changed = True
        self.rows[self.key_of(row)] = row
        now = time.monotonic()
        if now >= self._next_save:
            self.save()
            took = time.monotonic() - now
            self._next_save = now + max(SAVE_SECONDS, took / SAVE_SHARE)

    def replace_rows(self, rows: Iterable[Row]) -> None:
        """Have these rows in this order and no others, from the next saving on."""
        self._changed = True
        self.rows = {self.key_of(row): row for row in rows}

    def save(self) -> None:
        """Write the file whole, where there is something new.

        Raises FileError where it is no longer the file that was last read or written here.
        """
        if self.path is None or not self._changed:
            return
        with signals_deferred():
            self._check_state(self.path)
            staged = Staged(self.path, self.text().encode())
            try:
                staged.place()
            except BaseException:
                staged.close()
                raise
            # the new file was locked before it took the old one's place: nobody came between
            before, self._held, self._state = self._held, staged, staged.state
            if before:
                before.close()
            self._changed = False

    def text(self) -> str:
        """The file's content."""
        stream = io.StringIO()
        stream.write(f"{HEADER} {self._about}\n{FINGERPRINT}{self._fingerprint}\n")
        table = csv.writer(stream, lineterminator="\n")
        table.writerow(self._columns)
        for row in self.rows.values():
            table.writerow(_written(row[name]) for name in self._columns)
        return stream.getvalue()

    def __enter__(self) -> Self:
        if self.path is None:
            return self
        with signals_deferred():
            if file_state(self.path) is None:
                # so that a second run, begun now, is told now
                self._made = self._changed = True
                self.save()
            else:
                self._held = _Lock(self.path)
        if file_state(self.path) != self._state:
            self.rows = {}
            self._load()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        try:
            self.save()
            if self._made and not self.rows and self.path:
                self._leave_none(self.path)
        finally:
            if self._held:
                self._held.close()
            self._held = None

    def _load(self) -> None:
        if self.path is not None and (state := file_state(self.path)):
            self._read(self.path, self._fresh)
            self._state = state

    def _leave_none(self, path: Path) -> None:
        """Remove a file without rows, which was made only to be locked."""
        if file_state(path) == self._state:
            path.unlink(missing_ok=True)

    def _check_state(self, path: Path) -> None:
        now = file_state(path)
        if now is not None and now != self._state:
            self._changed = False
            raise FileError(
                path, None, "",
                "was changed by another program or run meanwhile and is left as it is now; "
                "name another file, or give the same command again",
            )  # fmt: skip

    def _read(self, path: Path, fresh: bool) -> None:
        problem = no_file(path)
        if problem is None and path.stat().st_size > MOST_BYTES:
            problem = "is too large for a table of facetrace; name another file"
        if problem:
            raise FileError(path, None, "", problem)
        try:
            text = path.read_bytes().decode("utf-8")
        except (OSError, UnicodeDecodeError):
            raise FileError(path, None, "", "cannot be read as text; name another file") from None
        if not text.startswith(HEADER):
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
            raise FileError(path, line, "", f"is damaged ({error}); {_REMEDY}") from None

    def _row(self, path: Path, line: int, cells: list[str]) -> Row:
        if len(cells) != len(self._columns):
            problem = f"has {len(cells)} cells for {len(self._columns)} columns; {_REMEDY}"
            raise FileError(path, line, "", problem)
        row: Row = {}
        for (name, kind), cell in zip(self._columns.items(), cells, strict=True):
            try:
                row[name] = kind(_unmasked(cell) if kind is str else cell) if cell else None
            except ValueError:
                raise FileError(path, line, name, f"'{cell}' is not a number; {_REMEDY}") from None
            value = row[name]
            if isinstance(value, float) and not math.isfinite(value):
                raise FileError(path, line, name, f"'{cell}' is no result; {_REMEDY}")
        empty = [name for name in self._needed if row[name] is None]
        if empty and not row.get(REMARK):
            raise FileError(path, line, empty[0], f"is empty; {_REMEDY}")
        return row


_REMEDY = "mend or delete that line, or give --fresh to begin the file anew"


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
