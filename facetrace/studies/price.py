"""Price files: what a user holds a cut stone to be worth, with every number the user's own.

A stone is worth carats x price per carat x factors. The price per carat jumps at the steps, at
whole carats say, and holds for the whole weight (common practice, no source). facetrace has no
prices: what the file does not say is worth nothing and changes nothing.

The JSON schema of the file, for editors: ``python -m facetrace.studies.price``.
"""

import sys
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import Field, model_validator

from facetrace.common import tomlfile
from facetrace.common.tomlfile import ModelFile, Strict, read_model
from facetrace.design.model import SHAPES

# what a factor may go by. Shares, 0 to 1: light returned, window, zone (the part of the face where
# it shows). CIE L*, C* and hue, degrees: lightness, chroma, hue
Figure = Literal["light returned", "window", "zone", "lightness", "chroma", "hue"]
FIGURES: tuple[Figure, ...] = get_args(Figure)
SHARES: tuple[Figure, ...] = ("light returned", "window", "zone")
CIRCLE = 360.0

Money = Annotated[float, Field(ge=0, le=1e9)]
Times = Annotated[float, Field(ge=0, le=100)]
Share = Annotated[float, Field(ge=0, le=1)]


class Step(Strict):
    """From this weight on, up to the next step, each carat of the whole stone costs so much."""

    from_carats: Annotated[float, Field(ge=0, le=10_000)]
    per_carat: Money


class Factor(Strict):
    """What a figure of the stone multiplies its price by: straight lines between the points given.

    Before the first and after the last point *times* stays as it is there; a hue goes round,
    and from the last point a straight line leads on to the first.
    """

    by: Figure
    at: Annotated[list[float], Field(min_length=2, max_length=50)]
    times: Annotated[list[Times], Field(min_length=2, max_length=50)]

    @model_validator(mode="after")
    def _check(self) -> "Factor":
        if len(self.at) != len(self.times):
            raise ValueError(
                f"at has {len(self.at)} numbers, times {len(self.times)}; one belongs to each other"
            )
        for before, after in pairwise(self.at):
            if after <= before:
                raise ValueError(f"at: {after:g} comes after {before:g}; numbers must rise")
        if self.by in SHARES and not 0 <= self.at[0] <= self.at[-1] <= 1:
            raise ValueError(f"at: {self.by} is a share from 0 to 1; write 30 % as 0.3")
        if self.by == "hue" and self.at[-1] - self.at[0] >= CIRCLE:
            raise ValueError("at: the last hue must lie less than 360 degrees after the first")
        return self

    def of(self, figure: float) -> float:
        """The factor for a share, L*, C* or a hue in degrees (whichever turn)."""
        at, times = self.at, self.times
        if self.by == "hue":
            figure = at[0] + (figure - at[0]) % CIRCLE
            at, times = [*at, at[0] + CIRCLE], [*times, times[0]]
        return float(np.interp(figure, at, times))


class Costs(Strict):
    """What is paid besides the rough: for each stone cut, for each carat of the rough, and for all."""

    cutting: Money
    per_carat_rough: Money = 0.0
    other: Money = 0.0


class Risk(Strict):
    """What the buyer wants to earn, as a share of the outlay, and how sure of it.

    chance: with which it is accepted to earn less. loss: chance that a stone is lost in cutting.
    """

    margin: Annotated[float, Field(ge=0, le=10)]
    chance: Annotated[float, Field(ge=0, le=0.5)]
    loss: Share = 0.0


class Prices(Strict):
    """A whole price file. Below the first step a stone is worth nothing; 0 as a first step has none below.

    That steps rise and no two factors go by the same, ``read_prices`` checks: it knows their lines.
    """

    name: Annotated[str, Field(min_length=1, max_length=120)]
    notes: str = ""
    currency: Annotated[str, Field(min_length=1, max_length=20)]
    step: Annotated[list[Step], Field(min_length=1, max_length=50)]
    factor: Annotated[list[Factor], Field(max_length=len(FIGURES))] = Field(default_factory=list)
    outline: dict[SHAPES, Times] = Field(default_factory=dict)
    costs: Costs
    risk: Risk

    def per_carat(self, carats: float) -> float:
        """The price of a carat in a stone of that weight."""
        return next((s.per_carat for s in self.step[::-1] if s.from_carats <= carats), 0.0)

    def money(self, amount: float) -> str:
        """An amount for people, with the currency."""
        return f"{plain(amount)} {self.currency}"


def plain(amount: float) -> str:
    """An amount of money as people write it: 12,340 or 9.50."""
    return f"{amount:,.0f}" if abs(amount) >= 100 or amount == round(amount) else f"{amount:,.2f}"


@dataclass(frozen=True)
class PriceFile(ModelFile[Prices]):
    """A price file that was read."""


def read_prices(path: Path) -> PriceFile:
    """Read a price file. Raises FileError with file, line, key, what is wrong and the remedy."""
    model, text = read_model(path, Prices)
    file = PriceFile(path, text, model)
    for k, (before, after) in enumerate(pairwise(model.step), start=1):
        if after.from_carats <= before.from_carats:
            raise file.error(
                ("step", k, "from_carats"),
                f"{after.from_carats:g} comes after {before.from_carats:g}; steps must rise",
            )
    names = [f.by for f in model.factor]
    for k, name in enumerate(names):
        if name in names[:k]:
            raise file.error(
                ("factor", k, "by"), f"a second one by {name}; give all its points in one"
            )
    return file


def schema_text() -> str:
    """designs/prices/facetrace-price.schema.json, made from the model."""
    return tomlfile.schema_text(Prices, "facetrace price file")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
