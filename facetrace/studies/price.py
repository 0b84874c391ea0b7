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
from typing import Annotated, Any, Literal, get_args

import numpy as np
from pydantic import Field, model_validator

from facetrace.common import tomlfile
from facetrace.common.tomlfile import MisplacedError, ModelFile, Strict, read_model
from facetrace.design.model import SHAPES

# what a factor may go by. Shares, in files in percent: light returned, window, zone (the part of the face
# where it shows). CIE L*, C* and hue, degrees: lightness, chroma, hue
Figure = Literal["light returned", "window", "zone", "lightness", "chroma", "hue"]
FIGURES: tuple[Figure, ...] = get_args(Figure)
SHARES: tuple[Figure, ...] = ("light returned", "window", "zone")
CIRCLE = 360.0

Money = Annotated[float, Field(ge=0, le=1e9)]
Times = Annotated[float, Field(ge=0, le=100)]
Points = Annotated[list[float], Field(min_length=2, max_length=50)]
# what the keys of [risk] were called that held shares, and how large these could be
OLD_SHARES = {"margin": 10.0, "chance": 0.5, "loss": 1.0}
# a margin from here on is asked about, and percent below this that are not 0, %
LARGE_MARGIN, NEXT_TO_NOTHING = 500.0, 1.0


class Step(Strict):
    """From this weight on, up to the next step, each carat of the whole stone costs so much."""

    from_carats: Annotated[float, Field(ge=0, le=10_000)]
    per_carat: Money


class Factor(Strict):
    """What a figure of the stone multiplies its price by: straight lines between the points given.

    at_percent: points of light returned, window and zone, %. at: points of lightness, chroma and hue. Before the
    first and after the last point *times* stays as it is there; a hue goes round, and from the last point a
    straight line leads on to the first.
    """

    by: Figure
    at: Points | None = None
    at_percent: Points | None = None
    times: Annotated[list[Times], Field(min_length=2, max_length=50)]

    @model_validator(mode="after")
    def _check(self) -> "Factor":
        self._check_key()
        points = self._written
        if len(points) != len(self.times):
            raise ValueError(
                f"{self.key} has {len(points)} numbers, times {len(self.times)}; one belongs to each other"
            )
        for before, after in pairwise(points):
            if after <= before:
                raise ValueError(f"{self.key}: {after:g} comes after {before:g}; numbers must rise")
        if self.by in SHARES and not 0 <= points[0] <= points[-1] <= 100:
            raise ValueError(f"at_percent: {self.by} goes from 0 to 100 %")
        if self.by in SHARES and points[-1] < NEXT_TO_NOTHING:
            raise ValueError(
                f"at_percent: {points[-1]:g} % is next to nothing; give percent, like {100 * points[-1]:g}"
            )
        if self.by == "hue" and points[-1] - points[0] >= CIRCLE:
            raise ValueError("at: the last hue must lie less than 360 degrees after the first")
        return self

    def _check_key(self) -> None:
        """Points of shares are percent, and their key says so."""
        wrong = "at" if self.by in SHARES else "at_percent"
        written = getattr(self, wrong)
        if written is not None:
            # files used to hold shares
            times = 100 if self.by in SHARES and max(written) <= 1 else 1
            points = ", ".join(f"{times * x:g}" for x in written)
            goes = "goes by percent" if self.by in SHARES else "does not go by percent"
            raise MisplacedError((wrong,), f"{self.by} {goes}; write {self.key} = [{points}]")
        if getattr(self, self.key) is None:
            raise MisplacedError((self.key,), "is missing; it must be given")

    @property
    def key(self) -> str:
        """The key that holds its points."""
        return "at_percent" if self.by in SHARES else "at"

    @property
    def _written(self) -> list[float]:
        return (self.at_percent if self.by in SHARES else self.at) or []

    def of(self, figure: float) -> float:
        """The factor for a share (0 to 1), L*, C* or a hue in degrees (whichever turn)."""
        at, times = self._written, self.times
        if self.by in SHARES:
            figure *= 100
        if self.by == "hue":
            figure = at[0] + (figure - at[0]) % CIRCLE
            at, times = [*at, at[0] + CIRCLE], [*times, times[0]]
        return float(np.interp(figure, at, times))


class Costs(Strict):
    """What is paid besides the rough: for each stone cut, for each carat of the rough, and for each rough."""

    cutting: Money
    per_carat_rough: Money = 0.0
    other: Money = 0.0


class Risk(Strict):
    """What the buyer wants to earn, in percent of the outlay, and how sure of it.

    chance_percent: with which it is accepted to earn less. loss_percent: chance that a stone is lost in cutting.
    """

    margin_percent: Annotated[float, Field(ge=0, le=1000)]
    chance_percent: Annotated[float, Field(ge=0, le=50)]
    loss_percent: Annotated[float, Field(ge=0, le=100)] = 0.0

    @model_validator(mode="before")
    @classmethod
    def _check_keys(cls, data: Any) -> Any:
        """One line for a file whose keys held shares."""
        for old, most in OLD_SHARES.items():
            if isinstance(data, dict) and old in data:
                value = data[old]
                number = isinstance(value, (int, float)) and not isinstance(value, bool)
                share = number and 0 <= value <= most
                written = f"{100 * value if share else value:g}" if number else "10"
                raise MisplacedError(
                    (old,), f"is now {old}_percent, in percent; write {old}_percent = {written}"
                )
        return data

    @property
    def margin(self) -> float:
        """The margin as a share of the outlay."""
        return self.margin_percent / 100

    @property
    def chance(self) -> float:
        """The accepted chance to earn less, 0 to 0.5."""
        return self.chance_percent / 100

    @property
    def loss(self) -> float:
        """The chance that a stone is lost in cutting, 0 to 1."""
        return self.loss_percent / 100

    @property
    def doubts(self) -> list[str]:
        """What can be meant, but probably is not: a sentence each."""
        found = []
        if self.margin_percent >= LARGE_MARGIN:
            found.append(
                f"A margin of {self.margin_percent:g} % is asked: {1 + self.margin:g} times the outlay comes back. "
                "Is it meant?"
            )
        for what in ("margin", "chance", "loss"):
            value = getattr(self, f"{what}_percent")
            if 0 < value < NEXT_TO_NOTHING:
                found.append(
                    f"A {what} of {value:g} % is next to nothing; percent are written, like {100 * value:g}. "
                    "Is it meant?"
                )
        return found


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
