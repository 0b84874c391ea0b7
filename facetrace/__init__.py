"""facetrace: carats, light and colour of a cut stone before it is cut.

``import facetrace as ft`` opens what the commands do to notebooks and scripts::

    stone = ft.load("designs/round-brilliant.toml")
    stone.trace()

Lengths are millimetres, angles degrees, weights carats; shares run from 0 to 1.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from facetrace.notebook import (
        CutStone,
        Design,
        Prices,
        Result,
        Rough,
        colours,
        load,
        place_lot,
        tracing_on,
        verify,
        wishes,
        working_on,
    )

__version__ = "0.1.0"
__all__ = [
    "CutStone", "Design", "Prices", "Result", "Rough", "colours", "load", "place_lot",
    "tracing_on", "verify", "wishes", "working_on",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    # the commands import this package too, and most of them need none of it
    if name not in __all__:
        raise AttributeError(f"module 'facetrace' has no attribute {name!r}")
    from facetrace import notebook

    return getattr(notebook, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
