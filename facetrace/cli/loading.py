"""From paths and words to a solid and its material, with the file's line in every complaint."""

import math
from collections.abc import Sequence
from pathlib import Path

from facetrace.cli.shell import note
from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import Design, DesignError, DesignFile, read_design
from facetrace.design.vary import with_value
from facetrace.optics.material import Material, find_material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
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
    try:
        solid = build_solid(file.design)
    except DesignError as problem:
        raise file.error(problem) from None
    slip = probable_slip(file.design) if tell else None
    if slip:
        note(str(file.error(slip)))
    return file, solid


def probable_slip(design: Design) -> DesignError | None:
    """What is probably not meant, though it can be cut: of a short form, its two angles in each other's place."""
    if design.crown is None or design.pavilion is None:
        return None
    crown, pavilion = (
        min(a) if isinstance(a, list) else a for a in (design.crown.angle, design.pavilion.angle)
    )
    if crown <= pavilion:
        return None
    words = (
        f"{crown:g} is steeper than the pavilion's {pavilion:g}; are they in each other's place?"
    )
    return DesignError(("crown", "angle"), words)


def load_material(file: DesignFile) -> Material:
    """The material that a design names. Raises FileError where it or a chromophore is unknown."""
    try:
        return material_in(file.path, file.design.material, file.design.chromophores)
    except FileError:
        raise
    except FacetraceError as problem:
        key = "chromophores" if str(problem).startswith("chromophore") else "material"
        raise file.error(DesignError((key,), str(problem))) from None


def with_spectrum(material: Material, path: Path | None) -> Material:
    """The material coloured by the spectrum of a file, or as it is where none is named."""
    if path is None:
        return material
    return material.with_spectrum(read_spectrum(path, material.indices))


def material_for(file: DesignFile, name: str | None, spectrum: Path | None) -> Material:
    """What --material names, otherwise the design's, with the colour of --spectrum where that is given."""
    return with_spectrum(find_material(name) if name else load_material(file), spectrum)


def with_axis(design: Design, tilt: float | None, azimuth: float | None) -> Design:
    """The design with its c-axis turned, degrees; None leaves the design's own."""
    for name, value in (("axis.tilt", tilt), ("axis.azimuth", azimuth)):
        if value is not None:
            design = with_value(design, name, value)
    return design


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
