"""From a path to a solid and its material, with the file's line in every complaint."""

from pathlib import Path

from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import DesignError, DesignFile, read_design
from facetrace.optics.material import Material, find_material
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid


def load_stone(path: Path) -> tuple[DesignFile, Solid]:
    """Read a design and build its solid. Raises FileError for whatever is wrong with it."""
    file = read_design(path)
    try:
        return file, build_solid(file.design)
    except DesignError as problem:
        raise file.error(problem) from None


def load_material(file: DesignFile) -> Material:
    """The material that a design names. Raises FileError where it or a chromophore is unknown."""
    try:
        return find_material(file.design.material, file.design.chromophores)
    except FileError:
        raise
    except FacetraceError as problem:
        key = "chromophores" if str(problem).startswith("chromophore") else "material"
        raise file.error(DesignError((key,), str(problem))) from None
