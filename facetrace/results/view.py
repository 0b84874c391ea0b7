"""What is written under a stone, a rough or a plan that is shown in three dimensions."""

from collections.abc import Mapping
from typing import Any

from facetrace.design.model import Design
from facetrace.optics.material import Material
from facetrace.rough.rough import Rough
from facetrace.rough.zone import ZoneFile
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid


def stone_words(
    design: Design, material: Material, solid: Solid, zones: ZoneFile | None
) -> list[str]:
    """What a stone weighs, its size and its c-axis."""
    m = measure(solid, material.density)
    size = f"{m.length_mm:.2f} x {m.width_mm:.2f} x {m.depth_mm:.2f} mm"
    axis = design.axis
    words = [
        f"{material.name}, {m.carats:.3f} ct, {size}, {m.facets} facets.",
        f"c-axis {axis.tilt:g} deg from the table's normal, towards {axis.azimuth:g} deg.",
    ]
    if zones:
        words.append(f"Zones of {zones.model.name}, as the stone lies in its rough untilted.")
    return words


def rough_words(rough: Rough) -> list[str]:
    """What a rough weighs, and what is to be asked of that."""
    weighed = f", weighed {rough.weighed_carats:.2f} ct" if rough.weighed_carats else ""
    says = f"{rough.material.name}, {rough.carats:.2f} ct by its volume at {rough.density:.2f} g/cm3{weighed}."  # fmt: skip
    return [says, *rough.asked]


def planned_stone_words(row: Mapping[str, Any], rough: Rough, letter: str) -> str:
    """A stone of a plan, from its row of the JSON; *letter*: of one among several, else empty."""
    which = f"{letter}, " if letter else ""
    own = (
        f"{which}{row['design']}{' with its zones hidden' if row['kind'] == 'zone hidden' else ''}"
    )
    share = 100 * row["carats"] / rough.carats
    return (
        f"{own}: {row['carats']:.2f} ct ({row['low_carats']:.2f} - {row['high_carats']:.2f}), "
        f"{share:.1f} % of the rough, table's normal {row['table_to_c_deg']:.1f} deg from c."
    )
