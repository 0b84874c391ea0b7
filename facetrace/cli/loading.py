"""From paths and words to a solid and its material, with the file's line in every complaint."""

import math
from collections.abc import Sequence
from pathlib import Path

from facetrace.cli.shell import note
from facetrace.common.errors import FacetraceError
from facetrace.design.model import Design, DesignFile, read_design
from facetrace.solid.polyhedron import Solid
from facetrace.studies.opening import probable_slip, solid_of
from facetrace.studies.sweep import Range, range_of

# parts per million of all atoms; a tenth of them is no longer the crystal (the design's limit too)
MOST_PPMA = 100_000.0
# numbers of one list, as of --tilts
MOST_NUMBERS = 100


def load_stone(path: Path, tell: bool = True) -> tuple[DesignFile, Solid]:
    """Read a design and build its solid. Raises FileError for whatever is wrong with it.

    *tell*: whether a probable slip in it goes to stderr.
    """
    file = read_design(path)
    solid = solid_of(file)
    slip = probable_slip(file.design) if tell else None
    if slip:
        note(str(file.error(slip)))
    return file, solid


def concentrations(words: Sequence[str]) -> dict[str, float] | None:
    """ppma by chromophore from words like Cr3+=300; None where there are none."""
    ppma_of: dict[str, float] = {}
    for word in words:
        name, _, number = (part.strip() for part in word.rpartition("="))
        try:
            ppma = float(number)
        except ValueError:
            ppma = math.nan
        if not name or not 0 <= ppma <= MOST_PPMA:
            raise FacetraceError(
                f"--ppma: '{word}' is not a chromophore and a concentration from 0 to "
                f"{MOST_PPMA:g} ppma; write it like Cr3+=300"
            )
        if name in ppma_of:
            raise FacetraceError(f"--ppma: {name} is given twice; give it once")
        ppma_of[name] = ppma
    return ppma_of or None


def numbers_of(option: str, text: str, least: float, most: float) -> tuple[float, ...]:
    """Rising numbers from words like 0,5,10 or 0:10:5 (FROM:TO:STEP). Raises FacetraceError with the option's name."""
    numbers: list[float] = []
    for word in text.split(","):
        try:
            numbers += steps_of(word) if ":" in word else [float(word)]
        except ValueError:
            numbers.append(math.nan)
        if not all(least <= n <= most for n in numbers):
            raise FacetraceError(
                f"{option}: '{word.strip()}' is not a number from {least:g} to {most:g}; write them like 0,5,10 or "
                "0:10:5 (FROM:TO:STEP)"
            )
    if len(numbers) > MOST_NUMBERS:
        raise FacetraceError(f"{option}: {len(numbers)} numbers are more than {MOST_NUMBERS}; give fewer")  # fmt: skip
    return tuple(sorted(set(numbers)))


def steps_of(word: str) -> list[float]:
    """The numbers of FROM:TO:STEP, both ends in. Raises ValueError for what is none."""
    start, stop, step = map(float, word.split(":"))
    if not step > 0 or not start <= stop or not (stop - start) / step <= MOST_NUMBERS:
        raise ValueError(word)
    return [round(start + k * step, 9) for k in range(math.floor((stop - start) / step + 1e-6) + 1)]


def ranges_of(design: Design, option: str, words: Sequence[str]) -> tuple[Range, ...]:
    """Ranges from words like pavilion.angle=40:44:0.5, which *option* took."""
    ranges: dict[str, Range] = {}
    for word in words:
        name, _, numbers = (part.strip() for part in word.rpartition("="))
        try:
            start, stop, step = (float(n) for n in numbers.split(":"))
            if not all(map(math.isfinite, (start, stop, step))):
                raise ValueError
        except ValueError:
            raise FacetraceError(
                f"{option}: '{word}' is not NAME=FROM:TO:STEP; write it like pavilion.angle=40:44:0.5"
            ) from None
        if name in ranges:
            raise FacetraceError(f"{option}: {name} is given twice; give it once")
        ranges[name] = range_of(design, name, start, stop, step)
    return tuple(ranges.values())
