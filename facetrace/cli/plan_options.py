"""Options that `facetrace plan` and `facetrace lot` share, and what they ask for."""

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from facetrace.cli.shell import finite, last_word

if TYPE_CHECKING:
    from facetrace.common.signals import StopRequest
    from facetrace.studies.plan_task import PlanWishes, TrialDesign
    from facetrace.studies.price import Prices

TABLE_OPTION = "0:15"

TableOption = Annotated[
    str,
    typer.Option(
        metavar="LOW:HIGH",
        help="Where the table may face: its normal's angle to c, degrees, up to 90.",
    ),
]
WithinOption = Annotated[
    float,
    typer.Option(
        min=0.05,
        max=20,
        callback=finite,
        help="Search until nothing can be heavier by more than this, %.",
    ),
]
MarginOption = Annotated[
    float | None,
    typer.Option(
        min=0,
        max=1000,
        callback=finite,
        help="Wished margin, % of the outlay [default: the price file's].",
    ),
]
ChanceOption = Annotated[
    float | None,
    typer.Option(
        min=0,
        max=50,
        callback=finite,
        help="Accepted chance to earn less, % [default: the price file's].",
    ),
]
PlanRaysOption = Annotated[
    int, typer.Option(min=1, max=1 << 26, help="Rays for the figures of each plan.")
]
ThresholdOption = Annotated[
    float,
    typer.Option(
        min=0.1,
        max=50,
        callback=finite,
        help="Colour difference (CIEDE2000) from which a zone counts as visible.",
    ),
]
AllowOption = Annotated[
    float,
    typer.Option(
        min=0,
        max=100,
        callback=finite,
        help="A zone counts as hidden up to this share of the face, %.",
    ),
]
PiecesOption = Annotated[
    int,
    typer.Option(
        min=1, max=3, help="2 or 3: also so many stones at the most, the rough sawn by planes."
    ),
]
MostCellsOption = Annotated[
    int,
    typer.Option(
        min=0,
        max=10_000_000,
        help="Give up the proof after so many cells of each search; what is proven is told.",
    ),
]
SecondsOption = Annotated[
    float | None,
    typer.Option(
        min=1,
        max=1e6,
        callback=finite,
        help="End after about so many seconds, with the best so far [default: no limit].",
    ),
]
WorkersOption = Annotated[
    int | None,
    typer.Option(
        min=1,
        max=256,
        help="Cores of this machine that work [default: all]; the numbers are the same. With --cluster: on what is done here.",
    ),
]


@contextmanager
def stopping() -> "Iterator[StopRequest]":
    """The first stopping signal ends the work with the best so far, and is told."""
    from facetrace.common.signals import first_signal_noted

    with first_signal_noted() as signal:
        yield signal
        if signal():
            last_word("stopped: what follows is the best so far")


def files_in(designs: Sequence[Path]) -> list[Path]:
    """The files that these name, folders opened."""
    return [file for d in designs for file in (d.glob("*.toml") if d.is_dir() else (d,))]


def trial_designs(paths: Sequence[Path], flex: Sequence[str] | None) -> "list[TrialDesign]":
    """The designs of these files and folders, with the ranges of --flex; doubts about them go to stderr.

    Raises FileError and FacetraceError for a folder without any, a name given twice, and designs that cannot be cut or flexed.
    """
    from facetrace.cli.loading import load_stone, ranges_of
    from facetrace.common.errors import FacetraceError
    from facetrace.studies.plan_task import TrialDesign

    files: list[Path] = []
    for path in paths:
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            raise FacetraceError(f"{path}: holds no design files (.toml)")
        files += [p for p in inside if p not in files]
    names = [p.stem for p in files]
    twice = [n for n in names if names.count(n) > 1]
    if twice:
        raise FacetraceError(f"two designs are called {twice[0]}.toml; rename one")
    found = []
    for path in files:
        design = load_stone(path)[0].design
        try:
            ranges = ranges_of(design, "--flex", flex or [])
        except FacetraceError as problem:
            raise FacetraceError(f"{path}: {problem}") from None
        found.append(TrialDesign(design, path.stem, ranges, str(path)))
    return found


def wishes_of(table_to_c: str, light: str, head: float | None, **wishes: Any) -> "PlanWishes":
    """What all plans share, of the options."""
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.studies.plan_task import PlanWishes, table_between

    try:
        low, high = (float(word) for word in table_to_c.split(":"))
    except ValueError:
        low, high = math.nan, math.nan
    if not 0 <= low <= high <= 90:
        raise FacetraceError(
            f"--table-to-c: '{table_to_c}' is not LOW:HIGH from 0 to 90 degrees; write it like 0:15"
        )
    return PlanWishes(table_between(low, high), find_light(light, head), **wishes)


def prices_of(path: Path | None, margin: float | None, chance: float | None) -> "Prices | None":
    """The prices of a file, with the margin and the chance of the options, in percent. Raises FileError."""
    from facetrace.studies.price import read_prices

    if path is None:
        return None
    prices = read_prices(path).model
    given = {"margin_percent": margin, "chance_percent": chance}
    update = {name: v for name, v in given.items() if v is not None}
    return prices.model_copy(update={"risk": prices.risk.model_copy(update=update)})
