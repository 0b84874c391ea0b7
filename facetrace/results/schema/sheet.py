"""The member of facetrace sheet."""

from typing import Annotated, Literal

from pydantic import Field

from facetrace.results.schema.member import Member, NotNegative, Triple, absent


class IndexPosition(Member):
    """A facet: name, index position, lobe of a heart."""

    name: str
    index: float
    lobe: Literal["left", "right", None]


class Meet(Member):
    """A corner where facets meet; gap_mm: by how much the new facet misses it."""

    point_mm: Triple
    facets: list[str]
    gap_mm: NotNegative


class Aim(Member):
    """What to cut to."""

    kind: Literal["meet", "own", "axis", "height", "girdle", "line", "left", "tip"]
    facet: str
    mm: float | None
    beside: str | None
    face_mm: float | None
    meets: list[Meet]


class OtherPosition(Member):
    """A position on another gear, and how far off its tooth."""

    position: float
    off: float


class MachineSetting(Member):
    """Facets of one angle and depth; aim of the first of them: meet (corners of steps before), own
    (corners just cut), or a length: axis, height, girdle, line, left, tip; face_mm: wall left
    from the blank's far face; other: positions on another gear and how far off its teeth.
    """

    angle: float
    positions: list[IndexPosition]
    aim: Aim
    other: list[OtherPosition] = absent()
    words: str


class OtherGear(Member):
    """A gear that stands on the bench instead; worst_off in teeth."""

    teeth: int
    positions: int
    between: int
    worst_off: Annotated[float, Field(ge=0, le=0.5)]
    worst_deg: NotNegative


class Radius(Member):
    """From the axis to the blank's wall at an index position."""

    index: float
    mm: float


class Preform(Member):
    """Crown_mm, pavilion_mm: its faces from the girdle plane; radii: from the axis to its wall."""

    allowance_mm: float
    length_mm: float
    width_mm: float
    height_mm: float
    crown_mm: float
    pavilion_mm: float
    carats: float
    radii: list[Radius]


class GirdleFlat(Member):
    """A flat of the girdle, axis_mm from the axis."""

    index: float
    lobe: Literal["left", "right", None]
    axis_mm: float


class GirdleFlats(Member):
    """The girdle's flats."""

    count: int
    flats: list[GirdleFlat]


class StepChecks(Member, extra="allow"):
    """Sizes when the step is done; culet, crown: lowest and highest point from the girdle plane;
    flat: what is left of the blank's face; null: not there yet.
    """

    __pydantic_extra__: dict[str, float | None]
    length_mm: float | None
    width_mm: float | None
    depth_mm: float | None
    girdle_min_mm: float | None
    girdle_mean_mm: float | None
    culet_mm: float | None
    keel_mm: float | None
    crown_mm: float | None
    table_length_mm: float | None
    table_width_mm: float | None
    flat_length_mm: float | None
    flat_width_mm: float | None
    facet_slope_mm: float | None
    facet_across_mm: float | None
    carats: float | None


class Fault(Member):
    """What so many degrees too steep do; see Step.fault."""

    degrees: float
    open_mm: float | None
    alone_mm: float | None
    at: list[str]
    alone_at: list[str]
    at_words: str | None
    alone_words: str | None
    moved_mm: float
    girdle_mm: float | None
    table_mm: float | None
    depth_mm: float
    carats: float
    tolerance_deg: float | None
    alone_deg: float | None
    keep_deg: float | None


class Step(Member):
    """One step at the wheel."""

    number: int
    name: str
    side: Literal["girdle", "pavilion", "crown"]
    facets: int
    settings: list[MachineSetting]
    checks: StepChecks = Field(
        description="sizes when the step is done; culet, crown: lowest and highest point from the girdle plane; flat: what is left of the blank's face; null: not there yet"
    )
    fault: Fault | None = Field(
        description="the whole tier, or one facet alone, too steep by degrees, turned about what it aims at: how far the worst meet opens, between which facets; moved_mm: how far a corner moves at most; the rest: changes; tolerance_deg, alone_deg: errors that open a meet by open_mm; null: none is within 5 degrees, or no four facets meet"
    )


class Sheet(Member):
    """A design at the wheel: blank, girdle, and its steps in order; mm, degrees, carats; frame of
    the stone: girdle plane z = 0, index 0 towards +x.
    """

    first: Literal["pavilion", "crown"]
    open_mm: NotNegative = Field(description="so far a meet may open")
    most_error_deg: float = Field(description="larger errors of an angle are not looked at")
    gear: int
    mirrored: bool = Field(description="whether gear minus a position is always one too")
    other_gear: OtherGear | None = Field(
        description="a gear that stands on the bench instead; worst_off in teeth"
    )
    preform: Preform = Field(
        description="crown_mm, pavilion_mm: its faces from the girdle plane; radii: from the axis to its wall"
    )
    girdle: GirdleFlats
    steps: list[Step]
    cautions: list[str]
