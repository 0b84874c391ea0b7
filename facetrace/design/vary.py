"""The numbers of a design by name, and the same design with one of them changed.

A name is the dotted key of the design file: ``pavilion.angle``, ``crown.table_percent``. A tier
goes by its own name, ``pavilion main.angle``; items of a list by their number from 0,
``pavilion main.angle[0]``.
"""

from collections.abc import Iterator
from typing import Any

import pydantic

from facetrace.common.errors import FacetraceError
from facetrace.common.meant import nearest
from facetrace.common.tomlfile import in_words
from facetrace.design.model import Design

Number = float | int
Place = tuple[int | str, ...]

# what is not cut: the machine's gear, and what grew in the crystal
FIXED = ("gear", "chromophores")
# a list under this key, the angles of steps, may move as a whole
ANGLES = "angle"
LISTED = 20


def parameters(design: Design) -> dict[str, Number]:
    """Every number of a design that may be varied, by name, in the order of the file's model.

    A list of angles counts as one number too, its last: that of the step nearest to keel or table.
    """
    data = design.model_dump()
    return {name: _number(_at(data, place)) for name, place in _places(data).items()}


def with_value(design: Design, name: str, value: float) -> Design:
    """The design with the number called *name* at *value*, checked anew.

    The angles of steps move together by one amount, a round outline keeps length and width equal.
    Raises FacetraceError for an unknown name, and where the design does not allow the value.
    """
    data = design.model_dump()
    place = known_place(design, name)
    old = _at(data, place)
    if isinstance(old, list):
        shift = value - _number(old)
        # the last one by its own name, so that it is exactly what was asked for
        new: Any = [*(float(a) + shift for a in old[:-1]), value]
    elif isinstance(old, int):
        if value != round(value):
            raise FacetraceError(f"{name} = {value:g}: takes whole numbers")
        new = round(value)
    else:
        new = float(value)
    _at(data, place[:-1])[place[-1]] = new
    if design.outline and design.outline.shape == "round" and place[0] == "outline":
        _both_sizes(data["outline"], place[-1])
    try:
        return Design.model_validate(data)
    except pydantic.ValidationError as error:
        reason = in_words(error.errors(include_url=False, include_input=False)[0])
        raise FacetraceError(f"{name} = {value:g}: {reason}") from None


def known_place(design: Design, name: str) -> Place:
    """Where in the design's data that number stands. Raises FacetraceError with what is known."""
    places = _places(design.model_dump())
    if name in places:
        return places[name]
    near = nearest(name, places)
    names = list(places)
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    hint = f"did you mean '{near}'?" if near else f"known: {', '.join(names[:LISTED])}{more}"
    raise FacetraceError(f"'{name}' is not a parameter of this design; {hint}")


def _both_sizes(outline: dict[str, Any], key: int | str) -> None:
    sizes = ("length_mm", "width_mm")
    if key in sizes:
        for size in sizes:
            outline[size] = outline[key]


def _places(data: dict[str, Any]) -> dict[str, Place]:
    return {
        name: place
        for key, value in data.items()
        if key not in FIXED
        for name, place in _walk(value, key, (key,))
    }


def _walk(value: Any, name: str, place: Place) -> Iterator[tuple[str, Place]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _walk(inner, f"{name}.{key}", (*place, key))
    elif isinstance(value, list | tuple):
        if place[-1] == ANGLES and all(_is_number(v) for v in value):
            yield name, place
        for i, inner in enumerate(value):
            own = inner.get("name") if isinstance(inner, dict) else None
            yield from _walk(inner, str(own) if own else f"{name}[{i}]", (*place, i))
    elif _is_number(value):
        yield name, place


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any) -> Number:
    found = value[-1] if isinstance(value, list) else value
    assert isinstance(found, int | float)
    return found


def _at(data: Any, place: Place) -> Any:
    for key in place:
        data = data[key]
    return data
