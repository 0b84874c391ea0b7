"""A design opened: its solid and its material, with the file's line in every complaint."""

from pathlib import Path

from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import Design, DesignError, DesignFile, read_design
from facetrace.design.vary import with_value
from facetrace.optics.material import Material, find_material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid


def solid_of(file: DesignFile) -> Solid:
    """The design's solid. Raises FileError where it cannot be cut."""
    try:
        return build_solid(file.design)
    except DesignError as problem:
        raise file.error(problem) from None


def open_design(path: Path) -> tuple[DesignFile, Solid, Material]:
    """A design file, its solid and its material. Raises FileError for whatever is wrong with it."""
    file = read_design(path)
    return file, solid_of(file), load_material(file)


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


def axis_of(
    design: Design, tilt: float | None = None, azimuth: float | None = None
) -> tuple[float, float]:
    """Tilt and azimuth of the c-axis, degrees: these, or where they are None the design's."""
    own = design.axis
    return own.tilt if tilt is None else tilt, own.azimuth if azimuth is None else azimuth


def with_axis(design: Design, tilt: float | None, azimuth: float | None) -> Design:
    """The design with its c-axis turned, degrees; None leaves the design's own."""
    for name, value in (("axis.tilt", tilt), ("axis.azimuth", azimuth)):
        if value is not None:
            design = with_value(design, name, value)
    return design
