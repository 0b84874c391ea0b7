"""From paths and words to a solid and its material, with the file's line in every complaint."""

import math
from collections.abc import Sequence
from pathlib import Path

from facetrace.cli.shell import note
from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import Design, DesignError, DesignFile, read_design
from facetrace.optics.material import Material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.studies.angles import Range, range_of

# parts per million of all atoms; a tenth of them is no longer the crystal (the design's limit too)
MOST_PPMA = 100_000.0
# numbers of one list, as of --tilts
MOST_NUMBERS = 100


def load_stone(path: Path, tell: bool = True) -> tuple[DesignFile, Solid]:
    """Read a design and build its solid. Raises FileError for whatever is wrong with it.

    *tell*: whether a doubt about it goes to stderr.
    """
    file = read_design(path)
    try:
        solid = build_solid(file.design)
    except DesignError as problem:
        raise file.error(problem) from None
    doubt = doubt_of(file.design) if tell else None
    if doubt:
        note(str(file.error(doubt)))
    return file, solid


def doubt_of(design: Design) -> DesignError | None:
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


def concentrations(words: Sequence[str]) -> dict[str, float] | None:
    """ppma by chromophore from words like Cr3+=300; None where there are none."""
    found: dict[str, float] = {}
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
        if name in found:
            raise FacetraceError(f"--ppma: {name} is given twice; give it once")
        found[name] = ppma
    return found or None


def numbers_of(option: str, text: str, least: float, most: float) -> tuple[float, ...]:
    """Rising numbers from words like 0,5,10 or 0:10:5 (FROM:TO:STEP). Raises FacetraceError with the option's name."""
    found: list[float] = []
    for word in text.split(","):
        try:
            found += steps_of(word) if ":" in word else [float(word)]
        except ValueError:
            found.append(math.nan)
        if not all(least <= n <= most for n in found):
            raise FacetraceError(
                f"{option}: '{word.strip()}' is not a number from {least:g} to {most:g}; write them like 0,5,10 or "
                "0:10:5 (FROM:TO:STEP)"
            )
    if len(found) > MOST_NUMBERS:
        raise FacetraceError(f"{option}: {len(found)} numbers are more than {MOST_NUMBERS}; give fewer")  # fmt: skip
    return tuple(sorted(set(found)))


def steps_of(word: str) -> list[float]:
    """The numbers of FROM:TO:STEP, both ends in. Raises ValueError for what is none."""
    start, stop, step = map(float, word.split(":"))
    if not step > 0 or not start <= stop or not (stop - start) / step <= MOST_NUMBERS:
        raise ValueError(word)
    return [round(start + k * step, 9) for k in range(math.floor((stop - start) / step + 1e-6) + 1)]


def ranges_of(design: Design, option: str, words: Sequence[str]) -> tuple[Range, ...]:
    """Ranges from words like pavilion.angle=40:44:0.5, which *option* took."""
    found: dict[str, Range] = {}
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
        if name in found:
            raise FacetraceError(f"{option}: {name} is given twice; give it once")
        found[name] = range_of(design, name, start, stop, step)
    return tuple(found.values())
