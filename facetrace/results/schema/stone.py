"""Members of one stone: its solid, what was traced, its colours; and the checks."""

from typing import Annotated

from pydantic import Field

from facetrace.results.schema.figures import Estimate, FieldColour
from facetrace.results.schema.member import Member, NotNegative, Pair, Positive, Share


class FacePicture(Member):
    """The face-up picture of facetrace trace; white: what luminance 1 is, just white at exposure
    1; glare: with the surface's mirror light; beyond_screen: share of the stone's pixels whose
    colour a screen cannot show.
    """

    file: str
    size_px: int
    mm_per_pixel: Annotated[float, Field(gt=0)]
    rays_per_pixel: int
    exposure: float
    white: str
    glare: bool
    beyond_screen: Share


class DesignFacts(Member):
    """The design: name, file, material."""

    name: str
    file: str
    material: str


class Solid(Member, extra="allow"):
    """Sizes in mm, weight in carats, percentages of the width."""

    __pydantic_extra__: dict[str, float]
    facets: int
    vertices: int
    missing_facets: list[str]
    carats: float
    volume_mm3: float
    length_mm: float
    width_mm: float
    depth_mm: float


class AxisDirection(Member):
    """How c points in the stone, degrees."""

    tilt: float
    azimuth: float


class Scene(Member):
    """Light, viewer, view and crystal that were traced; angles in degrees."""

    light: str
    head_deg: float
    head_hard: bool
    view: dict[str, float]
    axis: AxisDirection
    index: float | None
    absorption: bool
    wavelength_nm: float | None
    white_radiance: float


class Measures(Member, extra="allow"):
    """Shares of all light the eye would get (the first five sum to 1) and brightness, white
    diffuser = 1.
    """

    __pydantic_extra__: dict[str, Estimate]
    light_return: Estimate
    window: Estimate
    extinction: Estimate
    absorbed: Estimate
    surface: Estimate
    brightness: Estimate


class Dichroscope(Member):
    """The two fields."""

    ordinary: FieldColour
    extraordinary: FieldColour


class OwnSpectrum(Member):
    """The user's absorption spectrum, in place of chromophores; unpolarised: one column served for
    both rays.
    """

    file: str
    path: str
    polarised: bool
    range_nm: Pair


class Chromophore(Member):
    """What colours the material; provisional: its numbers are from memory."""

    name: str
    ppma: NotNegative
    provisional: bool


class Check(Member):
    """One check of facetrace verify: expected, got and tolerance are those of the comparison under
    most strain.
    """

    name: str
    source: str
    comparison: str
    comparisons: Positive
    expected: float
    got: float | None
    tolerance: NotNegative
    passed: bool
    seconds: float


class Program(Member):
    """The program that wrote it."""

    name: str
    version: str
