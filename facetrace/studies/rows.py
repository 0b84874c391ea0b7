"""Rows of studies: figures put into cells and taken out again."""

from collections.abc import Iterable, Mapping
from typing import Any

from facetrace.common.ledger import Cell, Row
from facetrace.trace.faceup import Estimate
from facetrace.trace.scene import Medium

# a figure or difference so many standard errors from nothing counts as one
SURE_ERRORS = 2.0


def number(row: Mapping[str, Cell], name: str) -> float:
    """A cell that holds a number. Raises TypeError for another, as a result that was edited may have."""
    value = row[name]
    if not isinstance(value, int | float):
        raise TypeError(f"{name} holds no number")
    return float(value)


def cells(name: str, estimate: Estimate | None) -> Row:
    """A figure and, under NAME_stderr, its standard error; both empty without one."""
    if estimate is None:
        return {name: None, f"{name}_stderr": None}
    return {name: estimate.value, f"{name}_stderr": estimate.stderr}


def media_facts(media: Iterable[Medium]) -> list[Any]:
    """What of media decides the numbers, for the fingerprint of a table."""
    return [[m.physics, m.spectrum.tobytes(), m.white.tobytes()] for m in media]
