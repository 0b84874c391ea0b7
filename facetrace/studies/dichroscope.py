"""The two colours of a crystal along a direction, as a dichroscope shows them in daylight (D65)."""

import math
from dataclasses import dataclass

from facetrace.optics.colour import observer
from facetrace.optics.material import Material
from facetrace.optics.pleochroism import Pair, dichroscope_pair
from facetrace.solid.polyhedron import Floats


@dataclass(frozen=True)
class TwoColours:
    """Both fields of a dichroscope through *thickness_mm* of a material, *angle_deg* off c; white: XYZ of daylight."""

    material: Material
    angle_deg: float
    thickness_mm: float
    pair: Pair
    white: Floats


def two_colours(
    material: Material, angle_deg: float = 90.0, thickness_mm: float = 5.0
) -> TwoColours:
    """Colours of the ordinary and the extraordinary ray.

    Parameters
    ----------
    material: with what colours it.
    angle_deg: between the line of sight and the c-axis [deg].
    thickness_mm: path in the crystal [mm].
    """
    eye = observer()
    pair = dichroscope_pair(material, math.radians(angle_deg), thickness_mm, eye)
    return TwoColours(material, angle_deg, thickness_mm, pair, eye.white)
