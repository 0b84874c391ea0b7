"""What all commands share: one-line errors, progress on stderr, JSON out, numbers checked."""

import functools
import math
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from facetrace.common.errors import FacetraceError, visible
from facetrace.common.output import check_targets, forget_files, record, write_all, written
from facetrace.common.signals import Stopped, signals_deferred, stop_repeating

if TYPE_CHECKING:
    from facetrace.studies.rows import Keeping

Function = TypeVar("Function", bound=Callable[..., Any])


class Terminal(Console):
    """A console on which words are words: no markup, and no control character of a name reaches the terminal."""

    def __init__(self, **wishes: Any) -> None:
        super().__init__(highlight=False, markup=False, emoji=False, **wishes)

    def render_str(self, text: str, **wishes: Any) -> Text:
        """Every string that is printed, in a table too, comes by here."""
        return super().render_str(visible(text), **wishes)


out = Terminal()
err = Terminal(stderr=True, soft_wrap=True)


def one_line_errors(function: Function) -> Function:
    """Turn the user's errors into one line on stderr and exit code 2; defects keep their traceback."""

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        forget_files()
        try:
            return function(*args, **kwargs)
        except FacetraceError as error:
            complain(error, _written())
            raise typer.Exit(2) from None
        except (Stopped, KeyboardInterrupt) as error:
            stop_repeating()
            # a study that was stopped says how far it came
            said = getattr(error, "__notes__", ())
            last_word(said[0] if said else f"stopped{_written() or '; nothing was written'}")
            raise typer.Exit(exit_code(error)) from None

    return wrapped  # type: ignore[return-value]


def wrong(line: str) -> None:
    """What is wrong, on stderr."""
    err.print(Text.assemble(("error:", "red"), " ", visible(line)))


def complain(error: FacetraceError, more: str = "") -> None:
    """An error of the user's in one line on stderr."""
    wrong(" ".join(f"{error}{more}".split()))


def _written() -> str:
    return f"; written: {', '.join(written())}" if written() else ""


def last_word(text: str) -> None:
    """A line on stderr past the console, which may have been stopped in the midst of printing."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def exit_code(stopped: BaseException) -> int:
    """What a shell reports of a command that a signal stopped."""
    return stopped.code if isinstance(stopped, Stopped) else 128 + signal.SIGINT


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
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task(title, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def check_outputs(
    json: str | None, sources: Iterable[Path | None], *, pictures: Sequence[Path | None] = (),
    table: Path | None = None, others: Sequence[Path | None] = (),
) -> None:  # fmt: skip
    """Complain about outputs that cannot be written, before any work is spent on them. Raises FacetraceError.

    json: as --json takes it; sources: the files that are read, none of which is written over.
    """
    document = Path(json) if json and json != "-" else None
    check_targets((document, *pictures, table, *others), sources)
    for target in pictures:
        if target and target.suffix.lower() != ".png":
            raise FacetraceError(f"{target}: pictures are written as PNG; let its name end in .png")
    if table and table.suffix.lower() != ".csv":
        raise FacetraceError(f"{table}: tables are written as CSV; let its name end in .csv")


def material_file(material: str | None) -> Path | None:
    """The file that --material names, None where it names a material."""
    return Path(material) if material and material.endswith(".toml") else None


def targets(
    design: Path, study: str, csv: Path | None, plot: Path | None, no_plot: bool, json: str | None
) -> tuple[Path | None, Path | None]:
    """Where a study's CSV and plot go: beside the design, but a machine that reads stdout names them."""
    stem = design.with_suffix("")
    usual = None if json == "-" else stem.with_name(f"{stem.name}-{study}")
    table = csv or (usual and usual.with_name(f"{usual.name}.csv"))
    picture = plot or (usual and usual.with_name(f"{usual.name}.png"))
    return table, None if no_plot else picture


def keeping(csv: Path | None, fresh: bool, held: ExitStack) -> "Keeping":
    """Where a study keeps its rows, told on this terminal; *held* keeps the table locked."""
    from facetrace.studies.rows import Keeping

    return Keeping(csv, fresh, progress, note, held)


def deliver(
    files: Mapping[Path, bytes], json: str | None = None, document: Callable[[], dict[str, Any]] | None = None
) -> None:  # fmt: skip
    """Write all files of a command, or none; its JSON document, where it is asked for, to a file too or, for "-", to stdout.

    JSON is UTF-8 whatever the locale.
    """
    text = ""
    if json and document:
        from facetrace.results.document import text_of

        text = text_of(document())
    # bytes of a file's name that are no UTF-8 stand as the escapes that JSON has for them
    content = text.encode("utf-8", "backslashreplace")
    whole = dict(files)
    if json and json != "-":
        whole[Path(json)] = content
    with signals_deferred():
        write_all(whole)
        record(whole)
    if json == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(content)
        sys.stdout.flush()


def note(text: str) -> None:
    """A remark on stderr."""
    err.print(text, style="dim")
