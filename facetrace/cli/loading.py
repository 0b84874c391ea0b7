"""From a path to a solid, with the file's line in every complaint."""

from pathlib import Path

from facetrace.design.model import DesignError, DesignFile, read_design
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid


def load_stone(path: Path) -> tuple[DesignFile, Solid]:
    """Read a design and build its solid. Raises FileError for whatever is wrong with it."""
    file = read_design(path)
    try:
        return file, build_solid(file.design)
    except DesignError as problem:
        raise file.error(problem) from None
