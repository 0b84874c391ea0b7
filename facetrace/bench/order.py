"""In which order the tiers of a design are cut."""

from collections.abc import Sequence
from typing import Literal

from facetrace.common.errors import FacetraceError
from facetrace.design.expand import expand
from facetrace.design.model import Design, Tier
from facetrace.solid.build import Facet

First = Literal["pavilion", "crown"]


def _stem(tier: Tier) -> str:
    return tier.name.removesuffix(f" {tier.lobe}") if tier.lobe else tier.name


def in_order(
    design: Design, facets: Sequence[Facet], first: First
) -> list[tuple[str, str, list[Facet]]]:
    """(name, side, facets) of each step: girdle, one side, the other, each side as in the file.

    The order is common practice, no source: the girdle is the line that both sides are cut to. A
    girdle tier that is placed by facets of a side waits for them.
    """
    ranks = {"girdle": 0, first: 1, "crown" if first == "pavilion" else "pavilion": 2}
    tiers = expand(design).tier
    placed: dict[str, int] = {}
    for tier in tiers:
        named = [(n.partition("@")[0].strip()) for n in tier.through or ()]
        rank = ranks[tier.side]
        if tier.side == "girdle":
            rank = max([rank, *(placed[n] for n in named)])
        late = [n for n in named if placed[n] > rank]
        if late:
            raise FacetraceError(
                f"tier '{tier.name}' aims at '{late[0]}', which is cut later when the {first} comes first; "
                f"try --first {'crown' if first == 'pavilion' else 'pavilion'}"
            )
        placed[tier.name] = rank
    groups: list[tuple[str, str, list[Facet]]] = []
    previous: tuple[str, str] | None = None
    for tier in sorted(tiers, key=lambda t: placed[t.name]):
        own = [f for f in facets if f.tier == tier.name]
        if previous == (_stem(tier), tier.side) and (tier.lobe or groups[-1][2][-1].lobe):
            groups[-1][2].extend(own)
        else:
            groups.append((_stem(tier), tier.side, own))
        previous = (_stem(tier), tier.side)
    return groups
