"""Members of facetrace plan, lot and mark."""

from typing import Annotated, Literal

from pydantic import Field

from facetrace.results.schema.figures import Value
from facetrace.results.schema.member import (
    Count,
    Member,
    NotNegative,
    Pair,
    Positive,
    Triple,
    absent,
)


class Side(Member):
    """A side of a saw cut: number of the cut, from 0; -1: the side that the cut's normal points
    to, 1: the other.
    """

    cut: Count
    side: Literal[-1, 1]


class DefectDistance(Member):
    """How a defect lies to the stone; mm off or inside it, null: it has no say."""

    name: str
    mm: float | None
    lies: Literal["off", "inside", "inside in part", "under girdle", "anywhere", "hidden", "meets"]


class Certificate(Member):
    """Certificate of a stone, from the rough file's own shapes, by code that the search does not
    use. surface_mm: how far it lies under the scan's surface; saw_mm: off the faces of the saw
    cuts, without the kerf; defects: how each lies, and how far off or inside; null: it has no
    say.
    """

    ok: bool
    problems: list[str]
    surface_mm: float | None
    defects: list[DefectDistance]
    saw_mm: float | None
    table_to_c_deg: float | None
    volume_mm3: float | None
    triangles: int


class Worth(Member, extra="allow"):
    """By the user's price file: expected: the mean, lost stones counted in; if_none_lost: the mean
    of those that come out; low, high: the least and the most that the weights allow, none lost.
    """

    __pydantic_extra__: dict[str, Value]
    expected: Value
    low: Value
    high: Value


class IfLighter(Member):
    """Chance that the margin is earned if every stone weighs less by share (0 to 1)."""

    share: float
    earned: float


class Bid(Member):
    """Margin, chances and shares from 0 to 1; chance: accepted to earn less; loss: that a stone is
    lost in cutting; earned: chance that the margin is earned at that limit; lighter: the same
    if every stone weighs less by that share.
    """

    limit: Value
    margin: float
    chance: float
    remark: str
    loss: float = absent()
    earned: float = absent()
    lighter: IfLighter = absent()


class PlacedStone(Member):
    """A stone in a rough: points r of the design's solid stand at shift_mm + scale * turn @ r in
    the crystal frame (c along +z, mm); kind: heaviest, zone hidden, sawn, or the band of angles
    to c where its table was sought; low_carats, high_carats: as the scan may be off;
    most_carats: none of this design can be heavier; gap: by what share; both null: not proven;
    remark: what stopped the work; sides: of the saw cuts that it lies beyond; figures from 0 to
    1, zone: share of the face where zones show.
    """

    design: str
    outline: str
    kind: Literal["heaviest", "zone hidden", "sawn", "square to c", "tilted", "steep", "along c"]
    changed: str | None
    remark: str | None
    low_carats: NotNegative
    carats: NotNegative
    high_carats: NotNegative
    most_carats: NotNegative | None
    gap: NotNegative | None
    scale: NotNegative
    turn: Annotated[list[Triple], Field(min_length=3, max_length=3)]
    shift_mm: Triple
    length_mm: float
    width_mm: float
    depth_mm: float
    table_to_c_deg: float
    figures: dict[str, Value]
    variations: int
    cells: int
    checked: Certificate
    sides: Annotated[list[Side], Field(min_length=1)] = absent()
    value: Worth = absent()
    bid: Bid = absent()


class RoughFacts(Member):
    """The rough that is planned; weighed_carats: by the balance."""

    name: str
    file: str
    material: str
    carats: float
    weighed_carats: float | None
    scaled: float = Field(
        description="what the scan's lengths were multiplied by so that it weighs what the balance says; 1: as scanned"
    )
    defects: list[str]


class Loss(Member, extra="allow"):
    """Mm lost: the scan's error, the skin, the saw's kerf."""

    __pydantic_extra__: dict[str, NotNegative]
    scan_mm: NotNegative
    skin_mm: NotNegative
    kerf_mm: NotNegative


class DefectCost(Member):
    """Carats that the heaviest stone would weigh more without these defects."""

    defects: list[str]
    more_carats: float


class TableDirection(Member):
    """The best plan's design with its table in one band of angles to c; stone null: none found."""

    name: Literal["square to c", "tilted", "steep", "along c"]
    table_to_c_deg: Pair
    stone: PlacedStone | None


class SawCut(Member):
    """A saw cut: normal . r = offset_mm in the crystal frame, the middle of the kerf; depths_mm and of: see SawnStones."""

    normal: Triple
    offset_mm: float
    crack: str | None
    depths_mm: Pair
    of: Side | None


class SawnStones(Member):
    """Stones of several pieces, heaviest first. cuts in the order of sawing: normal . r =
    offset_mm in the crystal frame, the middle of the kerf; depths_mm: to the ends across it of
    the piece that it divides, on the normal's side first; of: that piece, null: the rough
    itself. carats: of all; first: these are the plan to go by; of each stone value, of all
    together value and bid.
    """

    cuts: Annotated[list[SawCut], Field(min_length=1, max_length=2)]
    stones: Annotated[list[PlacedStone], Field(min_length=2, max_length=3)]
    carats: NotNegative
    first: bool
    value: Worth = absent()
    bid: Bid = absent()


class Plan(Member):
    """What a rough may be cut to. best: number of the plan to go by, from 0; failed: what was
    found but did not pass its check; without: carats that the best would weigh more without
    some defects; directions: what the best plan's design comes to with its table in other bands
    of angles to c, stone null: none found; stopped: the work ended early; little: the best
    keeps so little that nothing follows from it; question: what to look at before all numbers;
    placing: where the best single stone lies; both are words too.
    """

    rough: RoughFacts
    designs: dict[str, str] = Field(description="names of designs in plans, and their files")
    light: str
    head_deg: float
    loss: Loss
    table_to_c_deg: Pair
    within: float
    currency: str | None
    plans: list[PlacedStone]
    best: int | None
    without: list[DefectCost]
    failed: list[str]
    directions: list[TableDirection]
    sawn: SawnStones | None = Field(
        description="stones of several pieces, heaviest first. cuts in the order of sawing: normal . r = offset_mm in the crystal frame, the middle of the kerf; depths_mm: to the ends across it of the piece that it divides, on the normal's side first; of: that piece, null: the rough itself. carats: of all; first: these are the plan to go by; of each stone value, of all together value and bid"
    )
    stopped: bool
    little: bool
    question: str | None
    placing: str | None
    words: list[str]


class UnreadFile(Member):
    """A file of a lot that was not planned, and why."""

    name: str
    problem: str


class Parcel(Member):
    """All roughs of a lot bought together: sum of the single bids of those to be bought; bid: the
    margin is earned on the whole; it may be too low by error; uncut: roughs that count as
    bought but not cut; words: the same in sentences, with what the chance covers.
    """

    sum_of_bids: float
    bid: Bid
    error: NotNegative
    uncut: Count
    words: Annotated[list[str], Field(min_length=1)]


class MarkedPlane(Member):
    """Normal . r = offset_mm; up: the side of the box held up; heights_mm: at the middle of the
    other sides, from the opposite side up, null outside the box; below_mm: under the outermost
    point along the normal of the piece, or of the stone's own side of the saw cut; of a saw cut
    also its number from 1, ends_mm, to the ends across it of the piece that it divides,
    kerf_mm, crack: through which it goes, and of: the cut (from 0) and side (-1: that of its
    normal) of that piece, null for the rough itself.
    """

    name: Literal["table", "girdle", "saw"]
    up: Literal["+x", "-x", "+y", "-y", "+z", "-z"]
    below_mm: float
    heights_mm: dict[str, float | None]
    angles_deg: Triple
    normal: Triple
    offset_mm: float
    ends_mm: Pair = absent()
    kerf_mm: float = absent()
    number: Positive = absent()
    crack: str | None = absent()
    of: Side | None = absent()


class MarkedRough(Member):
    """The rough in its file's frame, with the box around the piece."""

    name: str
    file: str
    carats: float
    weighed_carats: float | None
    size_mm: Triple
    low_mm: Triple
    high_mm: Triple
    skin_mm: float
    agree_mm: float
    notes: list[str]


class MarkedAxis(Member):
    """C: its angles to x, y and z, and out of the paper in each view."""

    angles_deg: Triple
    views_deg: dict[str, float] = Field(
        description="out of the paper where one looks at that side; below 0 away"
    )


class MarkedPoint(Member):
    """A point of the stone: where it is, and how far straight in from each side of the box."""

    at_mm: Triple
    from_mm: dict[str, float] = Field(description="straight in from each side of the box")


class MarkedStone(Member):
    """A planned stone in the rough's frame."""

    design: str
    name: str
    carats: float
    size_mm: Triple
    points: dict[str, MarkedPoint]
    planes: list[MarkedPlane]
    culet_below_mm: float
    normal_deg: Triple
    length_deg: Triple
    normal_to_c_deg: float
    sides: list[Side] = absent("of the saw cuts that bound its piece")


class MarkedDefect(Member):
    """A defect as the sheet numbers it."""

    number: int
    name: str
    kind: str
    wish: str


class Mark(Member):
    """Where planned stones lie in their rough: mm and degrees in the rough file's frame; sides of
    the box around the piece are named +x, -x, +y, -y, +z, -z.
    """

    rough: MarkedRough
    c: MarkedAxis
    stones: Annotated[list[MarkedStone], Field(min_length=1, max_length=3)]
    cuts: Annotated[list[MarkedPlane], Field(max_length=2)] = Field(
        description="saw cuts in their order"
    )
    defects: list[MarkedDefect]
    check_mm: float
    cautions: list[str]
