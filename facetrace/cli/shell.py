"""What all commands share: one-line errors, progress on stderr, JSON out, numbers checked."""

import functools
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from facetrace.common.errors import FacetraceError
from facetrace.common.output import check_target, write_whole

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


def write_json(target: str, text: str) -> None:
    """To stdout for "-", else to a file, whole."""
    if target == "-":
        sys.stdout.write(text)
    else:
        write_whole(Path(target), text.encode())


def note(text: str) -> None:
    """A remark on stderr."""
    err.print(escape(text), style="dim")
