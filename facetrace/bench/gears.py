"""Index positions on a gear, and on another."""

from collections.abc import Sequence

from facetrace.solid.build import Facet
from facetrace.solid.lobes import WALL


def on_gear(index: float, gear: int, other: int) -> tuple[float, float]:
    """An index position on another gear, and how far it lies from that one's nearest tooth, teeth."""
    place = index * other / gear
    return place % other, abs(place - round(place))


def is_mirrored(facets: Sequence[Facet], gear: int) -> bool:
    """Whether every position has its mirror image at gear minus it: then the gear's sense is all one."""
    rows = {
        (round(f.angle, 6), round(f.distance, 6), f.normal[2] > 0, round(f.index % gear, 6))
        for f in facets if f.angle and not (f.tier == WALL and f.lobe)
    }  # fmt: skip
    return all((a, d, up, round(-i % gear, 6) % gear) in rows for a, d, up, i in rows)
