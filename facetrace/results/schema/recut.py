"""The member of facetrace recut."""

from typing import Annotated, Literal

from pydantic import Field

from facetrace.results.schema.figures import Estimate
from facetrace.results.schema.member import Member, Triple, absent


class RecutSizes(Member, extra="allow"):
    """Sizes of the cut stone, mm and carats."""

    __pydantic_extra__: dict[str, float]
    carats: float
    length_mm: float
    width_mm: float
    depth_mm: float
    table_percent: float
    crown_height_mm: float
    pavilion_depth_mm: float
    girdle_min_mm: float
    girdle_mean_mm: float


class RecutLimits(Member, extra="allow"):
    """What the stone's file allows."""

    __pydantic_extra__: dict[str, float | None]
    most_angle: float | None
    symmetry_mm: float | None
    girdle_mm: float | None
    light_points: float | None
    most_carats: float | None


class Remedy(Member):
    """A way to remove a flaw, tried alone; costs_carats, parting_mm, girdle_mm: null where it was not built."""

    facets: list[str]
    who: Literal["alone", "siblings", "girdle", "culet"]
    way: Literal["down", "turned"]
    degrees: float
    mm: float = Field(description="at the deepest")
    hinge: str | None
    costs_carats: float | None
    parting_mm: float | None
    girdle_mm: float | None
    refusal: Literal["floor", "symmetry", "angle", "girdle", "nothing", None]
    taken: bool


class FlawFate(Member):
    """A flaw, and whether it goes."""

    name: str
    kind: Literal["pit", "chip", "scratch", "worn edge"]
    depth_mm: float
    importance: float
    place_mm: Triple
    facets: list[str] = Field(description="that it touches")
    gone: bool
    how: str | None
    costs_carats: float | None = Field(
        description="of its remedy alone; null: it stays, or goes with another's"
    )
    reasons: list[str] = Field(description="why it stays")
    remedies: list[Remedy]


class RecutFacet(Member):
    """A facet before and after."""

    name: str
    angle_before: float
    angle_after: float
    mm: float
    swung_deg: float
    vanished: bool


class RecutLight(Member, extra="allow"):
    """Light before and after, and the change, paired."""

    __pydantic_extra__: dict[str, dict[str, Estimate]]
    before: dict[str, Estimate]
    after: dict[str, Estimate]
    change: dict[str, Estimate]


class RecutGirdle(Member):
    """The flats that were wished for the girdle."""

    flats: int
    costs_carats: float
    fits: bool


class CheckedFlaw(Member):
    """How far outside the stone after a flaw lies."""

    name: str
    gone: bool
    mm: float


class RecutChecked(Member):
    """By separate code, from the planes and the stone's file; carats: of the stone after;
    above_floor_carats: above what it must keep, floor and spare counted; mm: how far outside
    the stone after a flaw's body lies, below 0 how deep it reaches in. A re-cut that fails is
    not written.
    """

    ok: Literal[True]
    carats: float
    above_floor_carats: float
    flaws: list[CheckedFlaw]
    words: str


class Recut(Member):
    """Facetrace recut: cuts of a stone that is cut already. Carats are scaled so that the stone
    before weighs what was measured; flaws in the file's order; remedies: all that were looked
    at, each alone (costs_carats, parting_mm, girdle_mm: null where it was not built); light:
    null where nothing is cut, change: after minus before, paired; girdle: the wished flats, not
    counted in after.
    """

    floor_carats: float
    spare_carats: float
    limits: RecutLimits
    scale: float = Field(description="of the design or mesh, to the measured length and width")
    worth_it: bool
    verdict: str
    all_tried: bool = Field(
        description="false: the search stopped before it had tried all sets of cuts"
    )
    flaws: Annotated[list[FlawFate], Field(min_length=1)]
    cuts: list[RecutFacet] = Field(
        description="facet by facet; swung_deg: turn off its index, 0 where the index stays"
    )
    before: RecutSizes
    after: RecutSizes
    parting_mm: float = Field(
        description="how far corners stand off the stone's symmetry, beyond what they did before"
    )
    light: RecutLight | None
    girdle: RecutGirdle | None
    checked: RecutChecked = absent(
        "by separate code, from the planes and the stone's file; carats: of the stone after; above_floor_carats: above what it must keep, floor and spare counted; mm: how far outside the stone after a flaw's body lies, below 0 how deep it reaches in. A re-cut that fails is not written"
    )
    cautions: list[str]
