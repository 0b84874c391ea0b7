"""The design file as data.

Frame: the table faces +z, the girdle plane is z = 0 (the middle of the girdle), the
length of the outline lies along x. Index 0 of the gear (the same as its last tooth)
faces +x and numbers run counter-clockwise seen from above the table. Angles are in
degrees from the girdle plane: 0 is the table, 90 the girdle.
"""

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.tomlfile import MisplacedError, Strict, key_name, line_of, read_model

# what is smaller was meant in another unit
LEAST_MM, LEAST_PERCENT = 1.0, 1.0


def _no_share(percent: float) -> float:
    if percent < LEAST_PERCENT:
        raise ValueError(f"{percent:g} % is next to nothing; give percent, like {100 * percent:g}")
    return percent


def _no_inches(mm: float) -> float:
    if mm < LEAST_MM:
        raise ValueError(f"{mm:g} mm is no stone; give millimetres, like {10 * mm:g} for {mm:g} cm")
    return mm


Millimetres = Annotated[float, Field(gt=0, le=500), AfterValidator(_no_inches)]
Angle = Annotated[float, Field(ge=0, le=90)]
SlopeAngle = Annotated[float, Field(gt=0, lt=90)]
Percent = Annotated[float, Field(gt=0, lt=100), AfterValidator(_no_share)]
Index = Annotated[float, Field(ge=0, le=1000)]
Distance = Annotated[float, Field(gt=-500, le=500)]
Name = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[^@\r\n\t]+$")]

Shift = Annotated[float, Field(ge=-200, le=200)]

# facets of a stone; those of large show pieces, a few hundred, fit (common practice, no source)
MOST_FACETS = 1024

SHAPES = Literal["round", "oval", "pear", "marquise", "cushion", "rectangle", "heart"]


class Outline(Strict):
    """The outline of the girdle, sizes as a caliper reads them.

    A square or a square cushion has length_mm equal to width_mm. A pear's point faces +x
    and its axis (the origin) is the centre of its round head. A heart's point faces +x and
    its cleft -x; its axis is the middle of its length.
    """

    shape: SHAPES
    length_mm: Millimetres
    width_mm: Millimetres
    fullness: Annotated[
        float,
        Field(ge=2, le=8, description="cushion: 2 is an ellipse, more is squarer (Lame's curve)"),
    ] = 2.6
    corner_percent: Annotated[
        float, Field(gt=0, le=45, description="rectangle: cut off each corner, % of the width")
    ] = 15.0
    cleft_percent: Annotated[
        float, Field(ge=5, le=20, description="heart: depth of the cleft, % of the length")
    ] = 15.0

    @model_validator(mode="after")
    def _check(self) -> "Outline":
        if self.shape == "round" and self.length_mm != self.width_mm:
            raise ValueError("a round outline has length_mm equal to width_mm")
        if self.shape == "heart":
            if not 0.8 <= round(self.length_mm / self.width_mm, 9) <= 1.25:
                raise ValueError("a heart's length_mm is 0.8 to 1.25 times its width_mm")
            return self
        if self.length_mm < self.width_mm:
            raise ValueError("length_mm must not be less than width_mm (the length lies along x)")
        if self.length_mm > 6 * self.width_mm:
            raise ValueError("length_mm may be at most 6 times width_mm")
        return self


class Girdle(Strict):
    """How thick the girdle is and in how many flats it is cut."""

    thickness_mm: Annotated[float, Field(gt=0, le=50)]
    facets: Annotated[int, Field(ge=3, le=256)] = 16


class Axis(Strict):
    """Where the optic axis (c) points in the stone."""

    tilt: Annotated[float, Field(ge=0, le=180, description="degrees from the table's normal")] = 0.0
    azimuth: Annotated[
        float, Field(ge=-360, le=360, description="degrees from +x, counter-clockwise from above")
    ] = 0.0


Steps = Annotated[
    int | None,
    Field(
        ge=1,
        le=12,
        description="how many steps share one angle (that of the step nearest the table or keel); 3 if left out",
    ),
]


class Crown(Strict):
    """Short form of a crown."""

    style: Literal["brilliant", "step"]
    angle: SlopeAngle | Annotated[list[SlopeAngle], Field(min_length=1, max_length=12)]
    table_percent: Percent
    mains: Annotated[int, Field(ge=3, le=64)] = 8
    star_percent: Percent = 50.0
    steps: Steps = None
    bulge: Annotated[
        float,
        Field(ge=0, le=0.5, description="step: 0 is a straight flank, more is rounder"),
    ] = 0.0

    @model_validator(mode="after")
    def _check(self) -> "Crown":
        _check_style(self)
        return self


class Pavilion(Strict):
    """Short form of a pavilion: brilliant, step, or mixed (steps at the girdle, brilliant below)."""

    style: Literal["brilliant", "step", "mixed"]
    angle: SlopeAngle | Annotated[list[SlopeAngle], Field(min_length=1, max_length=12)]
    mains: Annotated[int, Field(ge=3, le=64)] = 8
    lower_girdle_percent: Percent = 70.0
    steps: Steps = None
    step_percent: Annotated[
        Percent, Field(description="mixed: the steps take that share of the way to the culet")
    ] = 35.0
    bulge: Annotated[
        float,
        Field(
            ge=0,
            le=0.5,
            description="0 is a straight flank, more a rounder belly that keeps weight. Brilliant: "
            "mains aim that share of the radius outside the girdle, and steeper breaks round the "
            "belly. Step: tangents of the angles run from 1 + 2 bulge times that of the angle at "
            "the girdle to that of the angle at the keel",
        ),
    ] = 0.0
    culet_percent: Annotated[float, Field(ge=0, lt=90)] = 0.0
    keel_percent: Annotated[
        float | None,
        Field(
            ge=0,
            lt=100,
            description="length of the keel along x, % of the outline's length; 0 is a point. Left "
            "out: 0, but length less width for steps on a rectangle. In a pear it "
            "runs from the axis towards the point",
        ),
    ] = None
    culet_shift_percent: Annotated[
        list[Shift],
        Field(
            min_length=2,
            max_length=2,
            description="shift of culet or keel along the length and across, % of the width",
        ),
    ] = Field(default=[0.0, 0.0])

    @model_validator(mode="after")
    def _check(self) -> "Pavilion":
        _check_style(self)
        return self


def _check_style(part: "Crown | Pavilion") -> None:
    several = isinstance(part.angle, list)
    if part.style == "brilliant" and several:
        raise ValueError("angle: a brilliant takes one angle, of its main facets across the width")
    if part.style == "brilliant" and part.steps is not None:
        raise ValueError("steps: a brilliant has none; leave steps out, or change the style")
    if isinstance(part, Crown) and part.style == "brilliant" and part.bulge:
        raise ValueError("bulge: only a crown of style 'step' takes it")
    if isinstance(part.angle, list):
        if any(a < b for a, b in itertools.pairwise(part.angle)):
            raise ValueError("angle: the steps of a convex stone get flatter from the girdle on")
        if part.steps is not None or part.bulge:
            raise ValueError("angle: a list of angles goes without steps and bulge; give one angle")
        if part.style == "mixed" and len(part.angle) < 2:
            raise ValueError("angle: a mixed pavilion lists its steps from the girdle, then mains")
    if part.style == "step" and part.steps == 1 and part.bulge:
        raise ValueError("bulge: one step has no belly; give steps = 2 or more")


class IndexSet(Strict):
    """Positions given for a part of the turn and repeated around the gear."""

    at: Annotated[list[Index], Field(min_length=1, max_length=256)]
    fold: Annotated[int, Field(ge=1, le=256, description="repeated so many times a turn")] = 1
    mirror: Annotated[bool, Field(description="also at gear minus each position")] = False

    @model_validator(mode="after")
    def _check(self) -> "IndexSet":
        count = len(self.at) * self.fold * (1 + self.mirror)
        if count > MOST_FACETS:
            raise ValueError(
                f"at and fold: make {count:,} facets; a stone has at most {MOST_FACETS}"
            )
        return self


OneOrMany = Annotated[list[Distance], Field(min_length=1, max_length=256)]


class Tier(Strict):
    """Facets cut one after the other at one setting.

    The depth is one of four: ``distance_mm`` of the plane from the origin (the axis at the
    girdle plane), ``height_mm`` above or below the girdle plane where the plane meets the
    axis, ``through`` the point where the named facets already meet, or ``to_girdle``.

    A heart is two convex lobes that share the wall y = 0, a plane and no facet: a tier with a
    lobe cuts that one alone (left: y > 0, seen from above with the point ahead), others cut both.
    """

    name: Name
    side: Literal["crown", "girdle", "pavilion"]
    lobe: Literal["left", "right"] | None = None
    angle: Angle | Annotated[list[Angle], Field(min_length=1, max_length=256)]
    index: Index | Annotated[list[Index], Field(min_length=1, max_length=256)] | IndexSet = 0.0
    distance_mm: Distance | OneOrMany | None = None
    height_mm: Distance | OneOrMany | None = None
    through: Annotated[list[str], Field(min_length=3, max_length=3)] | None = None
    to_girdle: Literal[True] | None = None

    @model_validator(mode="after")
    def _check(self) -> "Tier":
        ways = [k for k in ("distance_mm", "height_mm", "through", "to_girdle") if getattr(self, k)]
        given = [k for k in ("distance_mm", "height_mm") if getattr(self, k) == 0.0]
        if len(ways) + len(given) != 1:
            raise ValueError(
                "needs exactly one of distance_mm, height_mm, through, to_girdle "
                f"(given: {', '.join(ways + given) or 'none'})"
            )
        count = len(self.positions)
        for key in ("angle", "distance_mm", "height_mm"):
            value = getattr(self, key)
            if isinstance(value, list) and len(value) != count:
                raise ValueError(f"{key} lists {len(value)} values for {count} index positions")
        angles = self.angle if isinstance(self.angle, list) else [self.angle]
        if self.side == "girdle" and any(a != 90 for a in angles):
            raise ValueError("angle: girdle facets stand at 90 degrees")
        if self.side != "girdle" and any(a == 90 for a in angles):
            raise ValueError("angle: a facet at 90 degrees has side = 'girdle'")
        if any(a == 0 for a in angles) and (self.through or self.to_girdle):
            raise ValueError("a facet at angle 0 is placed by height_mm or distance_mm")
        if self.side == "girdle" and (self.height_mm is not None or self.to_girdle):
            raise ValueError("girdle facets are placed by distance_mm or through")
        return self

    @property
    def positions(self) -> list[float]:
        """The positions as written, before repetition."""
        if isinstance(self.index, IndexSet):
            return self.index.at
        return self.index if isinstance(self.index, list) else [self.index]


class Design(Strict):
    """A whole design file: tiers, or the short form with crown and pavilion."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    gear: Annotated[int, Field(ge=3, le=1000, description="teeth of the index gear")] = 96
    material: Annotated[str, Field(min_length=1, max_length=200)] = "ruby"
    chromophores: Annotated[
        dict[str, Annotated[float, Field(ge=0, le=100_000)]] | None,
        Field(description="concentrations in ppma that replace the material's own"),
    ] = None
    notes: str = ""
    axis: Axis = Axis()
    outline: Outline | None = None
    girdle: Girdle | None = None
    crown: Crown | None = None
    pavilion: Pavilion | None = None
    tier: Annotated[list[Tier], Field(max_length=400)] = Field(default_factory=list)

    @model_validator(mode="after")
    def _check(self) -> "Design":
        if self.tier and (self.crown or self.pavilion):
            raise ValueError("give either tiers or the short form [crown] and [pavilion], not both")
        if not self.tier:
            absent = [k for k in ("outline", "girdle", "crown", "pavilion") if not getattr(self, k)]
            if absent:
                raise ValueError(
                    f"needs [[tier]] tables, or the short form; of the latter "
                    f"{', '.join(f'[{k}]' for k in absent)} is missing"
                )
        names = [t.name for t in self.tier]
        twice = {n for n in names if names.count(n) > 1}
        if twice:
            raise ValueError(f"two tiers are named '{sorted(twice)[0]}'; names must differ")
        if "wall" in names and any(t.lobe for t in self.tier):
            raise ValueError("a tier is named 'wall'; that is the plane between the two lobes")
        if self.crown and self.pavilion and self.outline and self.outline.shape == "heart":
            styles = {self.crown.style, self.pavilion.style}
            if styles != {"brilliant"}:
                raise ValueError(
                    "[outline] shape = 'heart' takes style = 'brilliant' for crown and pavilion; a step or "
                    "mixed cut around a cleft is not made"
                )
            if self.pavilion.culet_shift_percent[1]:
                raise ValueError(
                    "[pavilion] culet_shift_percent: the culet of a heart lies on the wall between its "
                    "lobes; the second number, across, must be 0"
                )
        for k, tier in enumerate(self.tier):
            for i in tier.positions:
                if i > self.gear:
                    raise MisplacedError(
                        ("tier", k, "index"), f"{i:g} is beyond the gear; positions run from 0 to {self.gear}"
                    )  # fmt: skip
        return self


@dataclass(frozen=True)
class DesignFile:
    """A design with the file it was read from, so that later complaints can name a line."""

    path: Path
    text: str
    design: Design

    def error(self, problem: "DesignError") -> FileError:
        """The problem with file, line and key in front."""
        return FileError(
            self.path, line_of(self.text, problem.loc), key_name(problem.loc), problem.reason
        )


class DesignError(FacetraceError):
    """Something that is wrong with a design whose file is not at hand: where, and what."""

    def __init__(self, loc: tuple[int | str, ...], reason: str) -> None:
        self.loc = loc
        self.reason = reason
        super().__init__(f"{key_name(loc)}: {reason}" if loc else reason)


def read_design(path: Path) -> DesignFile:
    """Read a design file. Raises FileError with file, line, key, what is wrong and the remedy."""
    design, text = read_model(path, Design)
    return DesignFile(path, text, design)
