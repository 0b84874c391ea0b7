"""Members of facetrace angles, girdle and orient."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, model_validator

from facetrace.results.schema.figures import Estimate, Value
from facetrace.results.schema.member import Count, Member, NotNegative, Positive, Share, absent


class Candidate(Member, extra="allow"):
    """Numbers varied, sizes in mm, mm^2 and carats, figures, gains on the design as it stands;
    remark alone where it cannot be cut.
    """

    __pydantic_extra__: dict[str, Estimate]
    values: dict[str, float]
    remark: str | None
    carats: float = absent()
    width_mm: float = absent()
    length_mm: float = absent()
    depth_mm: float = absent()
    face_mm2: float = absent()
    tilt_azimuth: float | None = absent(
        "towards which the eye leaves the table's normal when the window opens first, degrees"
    )
    tilt_deg: Estimate | None = absent("null: no window up to tilt_limit_deg")


class VariedNumber(Member):
    """A number of the design that was varied."""

    name: str
    from_: float = Field(alias="from")
    to: float
    step: float


class Recommendation(Member):
    """Measures and gains (on the design as it stands) are traced afresh, with other random
    numbers.
    """

    prefer: Literal["weight", "light", "balance"]
    at_least_carats: float
    keep_light: float
    row: Count
    advice: str
    cautions: list[str]
    measures: dict[str, Estimate]
    gains: dict[str, Estimate]


class Angles(Member):
    """Candidates of facetrace angles; rows are named by their number, from 0."""

    varied: list[VariedNumber]
    carats: float | None = Field(
        description="what every candidate was scaled to weigh; null: the girdle's size stayed"
    )
    window_share: float = Field(
        description="share of all light (0 to 1) that counts as a window for tilt_deg"
    )
    tilt_limit_deg: float
    rays: Positive = Field(description="rays that each candidate's figures rest on")
    rows: Annotated[list[Candidate], Field(min_length=1)]
    as_it_stands: Count
    front: list[Count] = Field(
        description="by rising weight; no row has more of both light and weight"
    )
    best: dict[str, Count] = Field(description="the row for each wish")
    recommendation: Recommendation = Field(
        description="measures and gains (on the design as it stands) are traced afresh, with other random numbers"
    )


class GirdleRow(Member):
    """One finish of the girdle, seen at one tilt."""

    stone: Literal["coloured", "clear"]
    thickness_mm: float
    eye_tilt: float
    finish: Literal["ground", "polished", "flats"]
    flats: Count = Field(description="wished; 0 for a smooth girdle")
    facets: Count = Field(description="of the girdle in the solid")
    carats: float
    carats_to_smooth: float = Field(description="what flats cost, below 0")
    girdle_mean_mm: float
    girdle_min_mm: float
    light_return: Value
    window: Value
    extinction: Value
    brightness: Value
    lost: Value
    gain: Value = Field(description="light returned minus that with the ground girdle, paired")
    recovered: Value = Field(
        description="gain as a share of the light lost with the ground girdle, paired"
    )
    flats_recovered: Value = Field(description="the same against the smooth polished girdle")


class Girdle(Member):
    """Facetrace girdle: finishes of the girdle on one blank."""

    model: str
    roughness: float
    eye_azimuth: float
    light: str
    head_deg: float
    rays: Positive
    rows: Annotated[list[GirdleRow], Field(min_length=1)]
    findings: list[str]


FIGURES = (
    "share", "most", "lightness", "chroma", "hue_deg", "change", "light", "light_change", "carats", "scale", "x_mm",
    "y_mm", "z_mm", "axis_tilt", "axis_azimuth", "pixel_mm",
)  # fmt: skip


def _with_figures(schema: dict[str, Any]) -> None:
    schema["if"] = {"properties": {"remark": {"type": "null"}}}
    schema["then"] = {"required": list(FIGURES)}


class Orientation(Member):
    """A table tilt (degrees, towards azimuth) with a culet shift (along, across: % of the width);
    cost: degrees plus percent. share: of the face where CIEDE2000 from the same stone without
    zones exceeds the threshold; most: the largest; lightness, chroma, hue_deg: mean colour with
    the zones, from within; change: CIEDE2000 of the plain stone's mean colour from that of the
    plain stone as designed (pleochroism; also the culet's shift and, in a blank, the size);
    light: returned with the zones; light_change: minus without. scale: 1 is the design's size;
    x_mm, y_mm, z_mm: the stone's origin in the rough; axis_tilt, axis_azimuth: c in the stone;
    remark: why it cannot be cut, which leaves no figures.
    """

    model_config = ConfigDict(json_schema_extra=_with_figures)

    tilt: float
    azimuth: float
    along: float
    across: float
    cost: NotNegative
    share: Estimate = absent()
    most: Estimate = absent()
    lightness: Estimate = absent()
    chroma: Estimate = absent()
    hue_deg: Estimate = absent()
    change: Estimate = absent()
    light: Estimate = absent()
    light_change: Estimate = absent()
    carats: NotNegative = absent()
    scale: NotNegative = absent()
    x_mm: float = absent()
    y_mm: float = absent()
    z_mm: float = absent()
    axis_tilt: float = absent()
    axis_azimuth: float = absent()
    pixel_mm: float = absent()
    hidden: bool
    remark: str | None

    @model_validator(mode="after")
    def _check(self) -> "Orientation":
        missing = [name for name in FIGURES if name not in self.model_fields_set]
        if self.remark is None and missing:
            raise ValueError(f"without a remark it needs {', '.join(missing)}")
        return self


class ZoneFacts(Member):
    """The zone file, and what its zones take of the stone."""

    name: str
    file: str
    names: list[str]
    blank: bool
    share_of_stone: list[Share] = Field(
        description="of the untilted stone's volume, zone by zone; 0: outside it"
    )


class Orient(Member):
    """Visibility of colour zones for table tilts and culet shifts; allow: share of the face up to
    which a zone counts as hidden; samples: rays per pixel; candidates: the grid, then smaller
    changes along the direction that hides at least cost, by 1 degree and 1 %; recommended: the
    hidden candidate of least cost, null if none is hidden, or if no zone reaches into the
    untilted stone.
    """

    zones: ZoneFacts
    light: str
    head_deg: float
    sentence: str = Field(description="the recommendation in words")
    threshold: float
    allow: float
    pixel_mm: float
    samples: int
    candidates: list[Orientation]
    as_designed: Orientation
    recommended: Orientation | None
    least_visible: Orientation
