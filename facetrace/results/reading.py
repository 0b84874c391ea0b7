"""What a command wrote with --json, read back: the files that it names must be there, and still the same."""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from facetrace.common.errors import MOST_NAME, FacetraceError, FileError, shortened, visible
from facetrace.common.filekind import mesh_or_picture, no_file, result_words
from facetrace.common.names import check_path, control_characters_in, lies_in
from facetrace.design.model import Design, read_design
from facetrace.placement.shapes import PlacedCopy
from facetrace.results.schema.member import SCHEMA
from facetrace.rough.rough import Rough
from facetrace.solid.measure import carats_at
from facetrace.studies.placed_stone import cut_of
from facetrace.studies.plan_task import TrialDesign
from facetrace.studies.zoned import Cut

# members that a report can be made of
KINDS = ("angles", "orient", "girdle", "recut", "plan", "lot")
# a weight may differ by so much from that of the file that a document names
SAME = 1e-6
# a result of 20,000 rows has 40 MB and a million values; more would take all memory
MOST_BYTES, MOST_VALUES = 128_000_000, 2_000_000


def is_result(path: Path) -> bool:
    """Whether a file is called JSON or looks like it, whatever it is called."""
    try:
        if no_file(path):
            return path.suffix.lower() == ".json"
        with path.open("rb") as stream:
            head = stream.read(64).lstrip()
            return path.suffix.lower() == ".json" or head.startswith((b"{", b"[\n", b"[{"))
    except OSError:
        return False


@dataclass(frozen=True)
class Result:
    """A document that a command wrote, and where it lies; kind: its member of KINDS."""

    path: Path
    document: dict[str, Any]
    kind: str

    def found(self, name: object) -> Path:
        """A file that the document names: from here, from where the document lies, or right beside it.

        Raises FacetraceError where there is none, or only one that lies elsewhere; TypeError for what is no name.
        """
        if not isinstance(name, str):
            raise TypeError(name)
        own = self.path.parent
        places = (Path(name), own / name, own / Path(name).name)
        there = [place for place in places if no_file(place) is None]
        for place in filter(self._near, there):
            return place
        if there:
            raise FacetraceError(
                f"{self.path}: was made from {shortened(name, MOST_NAME)}, which lies far from here and from it; copy it beside {self.path.name}, "
                "or put a link to it there"
            )
        raise FacetraceError(
            f"{self.path}: was made from {shortened(name, MOST_NAME)}, which is neither here nor beside it; go to the folder where it was made"
        )

    def _near(self, place: Path) -> bool:
        """Whether a file is below the folder where one is, the document's, or the one above these. Links are followed."""
        here, own = Path().absolute(), self.path.absolute().parent
        return any(lies_in(place, folder) for folder in (here, here.parent, own, own.parent))

    def check(self, name: str, carats: float, expected: float) -> None:
        """Raises FacetraceError where a file makes another weight than the document says."""
        if not abs(carats / expected - 1) <= SAME:
            raise self.stale(name)

    def stale(self, name: str) -> FacetraceError:
        """The complaint about a file that is not what it was."""
        return FacetraceError(
            f"{self.path}: was made from another state of {shortened(name, MOST_NAME)}; run facetrace {self.kind} again"
        )


def _no_number(name: str) -> float:
    """NaN and Infinity are no JSON (RFC 8259), and nothing that facetrace wrote."""
    raise ValueError(name)


def read_result(path: Path) -> Result:
    """Read what a command wrote with --json. Raises FacetraceError for anything else."""
    check_path(path)
    problem = no_file(path)
    if problem:
        raise FacetraceError(f"{path}: {problem}")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FacetraceError(f"{path}: is too large for a result of facetrace")
        text = path.read_text(encoding="utf-8")
        if sum(map(text.count, "{[,")) > MOST_VALUES:
            raise FacetraceError(f"{path}: holds too much for a result of facetrace")
        document = json.loads(text, parse_constant=_no_number)
    except OSError as error:
        raise FacetraceError(f"{path}: cannot be read ({error.strerror})") from None
    except (ValueError, RecursionError):
        is_ = mesh_or_picture(path) or ("not JSON" if path.stat().st_size else "empty")
        raise FacetraceError(f"{path}: is {is_}; name what facetrace wrote with --json") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise FacetraceError(f"{path}: is not a result of facetrace (its schema is not {SCHEMA})")
    for place, wrong in control_characters_in(document):
        raise FacetraceError(f"{path}: {visible('/'.join(map(str, place)))}: {wrong}")
    kind = next((k for k in KINDS if k in document), None)
    if kind is None:
        raise FacetraceError(
            f"{path}: is {result_words(document)} and holds none of {', '.join(KINDS)}; name the design file itself"
        )
    return Result(path, document, kind)


@contextmanager
def complete(result: Result) -> Iterator[None]:
    """Raises FacetraceError for a document that lacks what is read of it, or has something else there."""
    try:
        # numbers as large or as small as no stone's end here, not in figures that are none
        with np.errstate(divide="raise", over="raise", invalid="raise"):
            yield
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, ArithmeticError):
        raise FacetraceError(
            f"{result.path}: is incomplete, or of another version; run facetrace {result.kind} again"
        ) from None


@contextmanager
def unchanged(result: Result, name: str) -> Iterator[None]:
    """Raises FacetraceError, as for another state of the file *name*, where the document's numbers are none of it."""
    try:
        yield
    except FacetraceError:
        raise result.stale(name) from None


def lying(
    result: Result, part: Mapping[str, Any], row: Mapping[str, Any], rough: Rough
) -> tuple[Cut, Design, Path]:
    """A stone of a plan (or of one of several pieces) where it lies, with its design and the design's file.

    *part*: the plan's member. Raises FacetraceError where the design is gone or makes another stone now.
    """
    name = part["designs"][row["design"]]
    path = result.found(name)
    design = read_design(path).design
    with unchanged(result, name):
        solid = TrialDesign(design, "").variation_in(str(row["changed"] or "")).solid
    scale = float(row["scale"])
    turn, shift = np.array(row["turn"], dtype=float), np.array(row["shift_mm"], dtype=float)
    if turn.shape != (3, 3) or shift.shape != (3,):
        raise ValueError("turn, shift_mm")
    copy = PlacedCopy(scale, turn, shift, solid.volume * scale**3)
    result.check(name, carats_at(copy.volume, rough.density), float(row["carats"]))
    return cut_of(solid, copy), design, path


def stones_of(
    result: Result, part: Mapping[str, Any], number: int | None, pieces: bool
) -> list[dict[str, Any]]:
    """The stone of a plan with that number (from 1), or those of several pieces; with neither those to go by.

    *part*: the plan's member. Raises FacetraceError where there is none.
    """
    if pieces or (number is None and part["sawn"] and part["sawn"]["first"]):
        if not part["sawn"]:
            raise FacetraceError(f"--pieces: {result.path} holds no stones of several pieces; run plan with --pieces 2, or 3")  # fmt: skip
        return list(part["sawn"]["stones"])
    plans = part["plans"]
    if not plans:
        alone = (
            "single stone: its stones of several pieces go by --pieces"
            if part["sawn"]
            else "stone: none was found"
        )
        raise FileError(result.path, None, "plan", f"holds no {alone}")
    wanted = number or part["best"] + 1
    if wanted > len(plans):
        raise FacetraceError(
            f"--number: {result.path} holds {len(plans)} {'plan' if len(plans) == 1 else 'plans'}; give 1 to {len(plans)}"
        )
    return [plans[wanted - 1]]
