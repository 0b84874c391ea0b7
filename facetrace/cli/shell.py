"""What all commands share: one-line errors, progress on stderr, JSON out, numbers checked."""

import functools
import math
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from facetrace.common.errors import FacetraceError
from facetrace.common.output import check_target, write_whole

if TYPE_CHECKING:
    from facetrace.common.ledger import Key, Ledger, Row

# so many rows of a study are announced before they are begun
MANY = 1000

Function = TypeVar("Function", bound=Callable[..., Any])

out = Console(highlight=False)
err = Console(stderr=True, highlight=False, soft_wrap=True)


def one_line_errors(function: Function) -> Function:
    """Turn the user's errors into one line on stderr and exit code 2; defects keep their traceback."""

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return function(*args, **kwargs)
        except FacetraceError as error:
            line = " ".join(str(error).split())
            err.print(f"[red]error:[/red] {escape(line)}")
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            err.print("stopped; nothing was written")
            raise typer.Exit(130) from None

    return wrapped  # type: ignore[return-value]


def finite(value: float | None) -> float | None:
    """Option callback: refuses nan and inf."""
    if value is not None and not math.isfinite(value):
        raise typer.BadParameter(f"{value} is not a number to calculate with")
    return value


@contextmanager
def progress(title: str) -> Iterator[Callable[[float], None]]:
    """A bar on stderr while the work lasts, on a terminal only; yields its setter (0 to 1)."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task(title, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def check_json(target: str | None, *sources: Path | None) -> None:
    """Complain early about a JSON target that cannot be written."""
    if target and target != "-":
        check_target(Path(target), *sources)


def check_pictures(targets: Sequence[Path | None], json: str | None, *sources: Path | None) -> None:
    """Complain early about pictures that cannot be written, or would overwrite one another."""
    taken = [Path(json).absolute()] if json and json != "-" else []
    for target in targets:
        if target is None:
            continue
        check_target(target, *sources)
        if target.suffix.lower() != ".png":
            raise FacetraceError(f"{target}: pictures are written as PNG; let its name end in .png")
        if target.absolute() in taken:
            raise FacetraceError(f"{target}: is named for two outputs; name another file for one")
        taken.append(target.absolute())


def check_table(target: Path | None, json: str | None, *sources: Path | None) -> None:
    """Complain early about a CSV that cannot be written, or is the JSON target too."""
    if target is None:
        return
    check_target(target, *sources)
    if target.suffix.lower() != ".csv":
        raise FacetraceError(f"{target}: tables are written as CSV; let its name end in .csv")
    if json and json != "-" and Path(json).absolute() == target.absolute():
        raise FacetraceError(f"{target}: is named for two outputs; name another file for one")


def targets(
    design: Path, study: str, csv: Path | None, plot: Path | None, no_plot: bool, json: str | None
) -> tuple[Path | None, Path | None]:
    """Where a study's CSV and plot go: beside the design, but a machine that reads stdout names them."""
    stem = design.with_suffix("")
    usual = None if json == "-" else stem.with_name(f"{stem.name}-{study}")
    table = csv or (usual and usual.with_name(f"{usual.name}.csv"))
    picture = plot or (usual and usual.with_name(f"{usual.name}.png"))
    return table, None if no_plot else picture


@contextmanager
def kept(ledger: "Ledger", keys: "Sequence[Key]") -> Iterator[None]:
    """Ctrl-C keeps the rows of a study that are there, and says so."""
    try:
        yield
    except KeyboardInterrupt:
        if ledger.path is None:
            raise
        ledger.save()
        have = sum(key in ledger.rows for key in keys)
        note(
            f"stopped: {have} of {len(keys)} in {ledger.path}; the same command goes on from there"
        )
        raise typer.Exit(130) from None


def swept(
    results: "Iterable[Row]", keys: "Sequence[Key]", ledger: "Ledger", what: str
) -> "tuple[list[Row], float]":
    """All rows of a study, each into the ledger as it comes, and the seconds they took."""
    rows: list[Row] = []
    started = time.perf_counter()
    have = sum(key in ledger.rows for key in keys)
    if have:
        note(f"{have} of {len(keys)} {what} come from {ledger.path}")
    if len(keys) - have > MANY:
        note(f"{len(keys) - have:,} {what} to do, which takes long; Ctrl-C stops")
    with progress(f"{len(keys)} {what} (the first run compiles)") as report:
        for key, row in zip(keys, results, strict=True):
            if key not in ledger.rows:
                ledger.add(row)
            rows.append(row)
            report(len(rows) / len(keys))
    return rows, time.perf_counter() - started


def write_json(target: str, text: str) -> None:
    """To stdout for "-", else to a file, whole; UTF-8 whatever the locale, as JSON must be."""
    # bytes of a file's name that are no UTF-8 stand as the escapes that JSON has for them
    content = text.encode("utf-8", "backslashreplace")
    if target == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
    else:
        write_whole(Path(target), content)


def note(text: str) -> None:
    """A remark on stderr."""
    err.print(escape(text), style="dim")
