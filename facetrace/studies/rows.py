"""Rows of studies: figures put into cells and taken out again, and the table that they are kept in."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import facetrace
from facetrace.common.ledger import Cell, CellReader, Key, Ledger, Row, fingerprint_of
from facetrace.common.output import record
from facetrace.common.progress import ProgressBar, Tell, silent, untold
from facetrace.common.signals import Stopped, stop_repeating
from facetrace.design.model import Design
from facetrace.optics.lights import Light
from facetrace.trace.faceup import Estimate
from facetrace.trace.scene import Medium

# a figure or difference so many standard errors from nothing counts as one
SURE_ERRORS = 2.0
# so many rows are announced before they are begun
MANY = 1000


def number(row: Mapping[str, Cell], name: str) -> float:
    """A cell that holds a number. Raises TypeError for another, as a result that was edited may have."""
    value = row[name]
    if not isinstance(value, int | float):
        raise TypeError(f"{name} holds no number")
    return float(value)


def cells(name: str, estimate: Estimate | None) -> Row:
    """A figure and, under NAME_stderr, its standard error; both empty without one."""
    if estimate is None:
        return {name: None, f"{name}_stderr": None}
    return {name: estimate.value, f"{name}_stderr": estimate.stderr}


def fingerprint(
    study: str,
    design: Design,
    density: float,
    media: Iterable[Medium] | Mapping[str, Medium],
    light: Light,
    **more: Any,
) -> str:
    """Of all that decides a row of a study, and of *more*, for ``Ledger.open``; names of media count, too."""
    names, own = ([list(media)], media.values()) if isinstance(media, Mapping) else ([], media)
    return fingerprint_of({
        "study": study,
        "version": facetrace.__version__,
        "design": design.model_dump(mode="json", exclude={"name", "notes"}),
        "density": density,
        "media": [*names, *([m.physics, m.spectrum.tobytes(), m.white.tobytes()] for m in own)],
        "light": light.row.tobytes(),
        **more,
    })  # fmt: skip


@dataclass(frozen=True)
class Keeping:
    """Where a study keeps its rows, and who is told how far it is; without any of it in memory, and nobody.

    Parameters
    ----------
    csv : the table of all rows; a study that was stopped goes on from it.
    fresh : whether a table that is there already is begun anew.
    progress : shows how much is done.
    tell : takes lines of words about it.
    held : keeps the table locked after the study, so that of two runs all files are of one.
    """

    csv: Path | None = None
    fresh: bool = False
    progress: ProgressBar = silent
    tell: Tell = untold
    held: ExitStack | None = None

    @contextmanager
    def table(
        self, fingerprint: str, columns: Mapping[str, CellReader], key: Sequence[str], about: str,
        needed: Sequence[str] = (),
    ) -> Iterator[Ledger]:  # fmt: skip
        """The ledger of a study (see ``Ledger.open``), locked."""
        ledger = Ledger.open(
            self.csv, fingerprint, columns, key, about=about, fresh=self.fresh, needed=needed
        )
        with ExitStack() as own:
            yield (self.held or own).enter_context(ledger)

    def filled(
        self, ledger: Ledger, keys: Sequence[Key], rows: Iterable[Row], what: str
    ) -> list[Row]:
        """All rows of a study in the order of their *keys*, each into the ledger as it comes; *what* they are called."""
        known = announce(ledger, keys, what, self.tell)
        made: list[Row] = []
        with rows_kept(ledger, keys), self.progress(progress_title(keys, what)) as report:
            for key, row in zip(keys, rows, strict=True):
                if key not in known:
                    ledger.add(row)
                made.append(row)
                report(len(made) / len(keys))
        return made


def progress_title(keys: Sequence[Key], what: str) -> str:
    """What is said while rows are made."""
    return f"{len(keys)} {what} (the first run compiles)"


def announce(
    ledger: Ledger, keys: Sequence[Key], what: str, tell: Tell, complete: Callable[[Row], bool] = lambda _: True
) -> set[Key]:  # fmt: skip
    """Say how many rows are in the ledger, *complete*, and whether many are to be made; returns the keys of the first."""
    known = {key for key in keys if key in ledger.rows and complete(ledger.rows[key])}
    if known:
        tell(f"{len(known)} of {len(keys)} {what} come from {ledger.path}")
    if len(keys) - len(known) > MANY:
        tell(f"{len(keys) - len(known):,} {what} to do, which takes long; Ctrl-C stops")
    return known


@contextmanager
def rows_kept(ledger: Ledger, keys: Sequence[Key]) -> Iterator[None]:
    """A signal that stops the block leaves the rows that are there; a note of its exception says how many."""
    try:
        yield
    except (Stopped, KeyboardInterrupt) as error:
        stop_repeating()
        have = sum(key in ledger.rows for key in keys)
        if ledger.path is not None and have:
            ledger.save()
            error.add_note(f"stopped: {have} of {len(keys)} in {ledger.path}; the same command goes on from there")  # fmt: skip
        raise
    ledger.save()
    if ledger.path is not None:
        record([ledger.path])
