"""Members that pages, movies and the turning drawing are made of."""

from typing import Annotated, Literal

from pydantic import Field

from facetrace.results.schema.figures import Estimate
from facetrace.results.schema.member import (
    Count,
    Member,
    NotNegative,
    Pair,
    Positive,
    Share,
    Triple,
    absent,
)


class DrawnFacet(Member):
    """A facet and its corners, as numbers into vertices."""

    name: str
    tier: str
    side: Literal["crown", "girdle", "pavilion"]
    angle_deg: float = Field(description="from the girdle plane")
    index: float | None = Field(description="null: without a gear or a direction")
    normal: Triple
    polygon: Annotated[list[int], Field(min_length=3)]


class DrawnWall(Member):
    """The wall between the lobes of a heart."""

    normal: Triple
    distance: float


class DrawnStone(Member):
    """Edges: two corners, two facets; parts: facets of each convex part; wall: normal into the
    first of two parts, distance from the origin.
    """

    name: str
    gear: int | None
    vertices: list[Triple]
    facets: list[DrawnFacet]
    edges: list[Annotated[list[int], Field(min_length=4, max_length=4)]]
    parts: list[list[int]]
    wall: DrawnWall | None


class DrawnAxis(Member):
    """A line along c."""

    at: Triple
    direction: Triple


class DrawnScene(Member):
    """Stones and bodies that are drawn together."""

    name: str
    axes: Annotated[list[Triple], Field(min_length=3, max_length=3)]
    stones: list[DrawnStone]
    bodies: list[Count]
    c_axis: DrawnAxis | None


class DrawnBody(Member):
    """A convex part of a defect or zone; colour: number of colour and pattern, one for each name."""

    name: str
    kind: str
    wish: str | None
    points: list[Triple]
    colour: Count


class DrawnRough(Member):
    """Of: triangles of the whole mesh; moved_mm: how far corners were moved to draw fewer; edges
    that turn by more than sharp_deg are drawn, at most most_edges.
    """

    name: str
    vertices: list[Triple]
    triangles: list[Annotated[list[Count], Field(min_length=3, max_length=3)]]
    of: int
    moved_mm: NotNegative
    sharp_deg: float
    most_edges: int


class Drawing(Member):
    """What turns in the report; one frame: the design's, or with a rough the crystal's (c along
    +z); mm, rounded to rounded_mm.
    """

    unit: Literal["mm"]
    rounded_mm: float
    name: str
    scenes: Annotated[list[DrawnScene], Field(min_length=1)] = Field(
        description="axes: what 'from above' draws to the right, up and towards the eye; bodies: numbers from 0; c_axis: a line"
    )
    bodies: list[DrawnBody] = Field(
        description="convex parts of defects and zones; colour: number of colour and pattern, one for each name"
    )
    rough: DrawnRough | None = Field(
        description="of: triangles of the whole mesh; moved_mm: how far corners were moved to draw fewer; edges that turn by more than sharp_deg are drawn, at most most_edges"
    )


class PagePicture(Member):
    """Facts of a picture of the page; under: light and view."""

    alt: str
    width_px: int
    height_px: int
    mm_per_pixel: Annotated[float, Field(gt=0)]
    rays_per_pixel: int
    exposure: float = absent()
    under: str
    glare: bool = absent()
    beyond_screen: Share = absent()


class RockedView(Member):
    """The stone rocked towards its length or width."""

    towards: Literal["length", "width"]
    tilt: float
    picture: str
    measures: dict[str, Estimate]


class SpectrumShown(Member):
    """What the plot shows: nm; o and e in 1/cm, natural logarithm."""

    nm: list[float]
    o: list[float]
    e: list[float]
    says: str


class ZoneShown(Member):
    """The zones' trace face up."""

    blank: bool = Field(description="whether the stone was cut to fit the zone file's blank")
    carats: float
    length_mm: float
    width_mm: float
    name: str
    file: str
    names: list[str]
    share_of_stone: list[float]
    threshold: float
    share: Estimate
    most: Estimate


class Page(Member):
    """What facetrace report adds: pictures by name (mm_per_pixel: the scale; exposure: at 1 a
    white diffuser in the same light is just white; under: light and view; beyond_screen: share
    of the stone's pixels whose colour a screen cannot show; glare: with the surface's mirror
    light), the stone rocked, the spectrum that its plot shows (nm; o and e in 1/cm, natural
    logarithm), the zones' trace face up.
    """

    about: Literal["design", "angles", "orient", "girdle", "recut", "plan", "lot"]
    title: str
    lead: str
    white: str
    light: str = absent("the light in a sentence")
    pictures: dict[str, PagePicture]
    rocked: list[RockedView] = absent()
    sums: dict[str, float] = absent(
        "of a lot's best plans: carats, expected value, bids of roughs worth buying"
    )
    rocked_most_stderr: NotNegative = absent()
    swatches: dict[str, str] = absent()
    spectrum: SpectrumShown = absent()
    zone: ZoneShown = absent()


class MovieFrame(Member):
    """One frame."""

    view: dict[str, float]
    bright: Share = Field(description="share of the stone too bright for the screen")


class MovieWhite(Member):
    """XYZ of the illuminant, and the radiance that a flat white diffuser returns."""

    xyz: Triple
    radiance: float


class MovieScale(Member):
    """Mm of a pixel and of the picture's width; the middle, right and up."""

    pixel_mm: float
    width_mm: float
    middle_mm: Pair


class Movie(Member):
    """Facetrace movie: frames in order, degrees and mm; the exposure, white and scale that all
    share.
    """

    file: str
    motion: Literal["rock", "spin", "both"]
    frames: Annotated[list[MovieFrame], Field(min_length=2)]
    frame_ms: Positive
    quality: int | None = Field(description="of a WebP; null: lossless, or a GIF")
    size_px: int
    samples: int
    exposure: float
    rule: str | None = Field(description="null where the exposure was given")
    white: MovieWhite = Field(
        description="XYZ of the illuminant, and the radiance that a flat white diffuser returns"
    )
    scale: MovieScale
    lamp_share: Share
    seed: int
