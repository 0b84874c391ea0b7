"""What a plan of one to three stones may be worth by a user's price file, and how much to bid for the rough.

A stone's finished weight is held to be spread as a triangle: from its low to its high carats, the expected ones
being the likeliest. How the value of such stones may turn out: ``studies.chances``.

Factors come with the standard errors of their figures. A stone's figures, and those of a plan's
stones, are traced with the same rays: their errors may go together, so relative errors are added up,
which is never too small. An estimate by the user's numbers, not an appraisal.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.design.model import SHAPES
from facetrace.studies.chances import Spread, Total, no_rows
from facetrace.studies.price import SHARES, Factor, Figure, Prices
from facetrace.trace.faceup import Estimate

Floats = NDArray[np.float64]

# carats: a range narrower than this is one weight; scales show 0.01
ONE_WEIGHT = 1e-9
MOST_STONES = 3
# a bid is tried again with every stone lighter by this share
LIGHTER = 0.03


@dataclass(frozen=True)
class Stone:
    """A planned stone: carats at least, most likely and at most; its outline; what is known of its looks.

    figures: shares 0 to 1 for light returned, window and zone (the part of the face where it
    shows); CIE L* and C*; hue in degrees. Raises FacetraceError for weights out of order.
    """

    low: float
    expected: float
    high: float
    outline: SHAPES
    figures: Mapping[Figure, Estimate]

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.expected <= self.high < math.inf:
            raise FacetraceError(
                f"carats {self.low:g}, {self.expected:g}, {self.high:g}: low, expected and high must rise"
            )

    @property
    def mean(self) -> float:
        """Mean carats of the triangle."""
        return (self.low + self.expected + self.high) / 3

    @property
    def exact(self) -> bool:
        """Whether its weight is as good as known."""
        return self.high - self.low < ONE_WEIGHT

    def _density(self, carats: float) -> float:
        if carats <= self.expected and self.expected > self.low:
            side = (carats - self.low) / (self.expected - self.low)
        else:
            side = (self.high - carats) / (self.high - self.expected)
        return 2 * side / (self.high - self.low)

    def pieces(self, cuts: Sequence[float]) -> list[tuple[float, float, float, float]]:
        """(from, to, density at from, at to), carats: the triangle cut at its top and at *cuts*."""
        inner = [c for c in (self.expected, *cuts) if self.low < c < self.high]
        ends = sorted({self.low, self.high, *inner})
        return [(a, b, self._density(a), self._density(b)) for a, b in pairwise(ends)]

    def chance_from(self, carats: float) -> float:
        """The chance that it weighs at least so much."""
        if self.exact or not self.low < carats <= self.high:
            return float(self.expected >= carats)
        pieces = self.pieces([carats])
        return sum((b - a) * (at_a + at_b) / 2 for a, b, at_a, at_b in pieces if a >= carats)


@dataclass(frozen=True)
class Priced:
    """A stone by a price file.

    factors: (what, factor) of all that applied; looks: its figures in words. step: the one that the
    expected weight is in, None below the first; stays: chance to weigh at least as much. by_weight:
    mean of carats x price per carat; factor: all factors together, with the standard error.
    """

    stone: Stone
    factors: tuple[tuple[str, Estimate], ...]
    looks: Mapping[str, str]
    step: float | None
    per_carat: float
    stays: float
    by_weight: float
    factor: Estimate
    remarks: tuple[str, ...]


def percent(share: float) -> str:
    """A share for people; what is not certain does not read so."""
    if 0 < share < 0.01:
        return f"{100 * share:.1f} %" if share >= 0.001 else "less than 0.1 %"
    if 0.99 < share < 1:
        return f"{100 * share:.1f} %" if share <= 0.999 else "more than 99.9 %"
    return f"{100 * share:.0f} %"


def _in_words(by: Figure, value: float) -> str:
    if by in SHARES:
        return f"{100 * value:.1f} %"
    return f"{value % 360:.0f} degrees" if by == "hue" else f"{value:.0f}"


def factor_of(factor: Factor, figure: Estimate) -> Estimate:
    """The factor for a figure. Its error: the larger change that one standard error makes, up or down."""
    value = factor.of(figure.value)
    aside = (figure.value - figure.stderr, figure.value + figure.stderr)
    return Estimate(value, max(abs(factor.of(x) - value) for x in aside), figure.dof)


def _product(factors: Sequence[Estimate]) -> Estimate:
    """The product; errors add up, as far as each moves it, since they may go together."""
    values = [f.value for f in factors]
    error = sum(
        f.stderr * math.prod(values[:k] + values[k + 1 :]) for k, f in enumerate(factors)
    )  # fmt: skip
    return Estimate(math.prod(values), error, min((f.dof for f in factors), default=math.inf))


def _spread(prices: Prices, stone: Stone, factor: float) -> Spread:
    """How its value may turn out."""
    if stone.exact:
        worth = factor * prices.per_carat(stone.expected) * stone.expected
        return Spread(np.array([[worth, 1.0]]), no_rows(4))
    atoms, pieces = [], []
    for a, b, f, g in stone.pieces([s.from_carats for s in prices.step]):
        k = factor * prices.per_carat(a)
        if k * b > k * a:
            pieces.append([k * a, k * b, f / k, g / k])
        else:
            atoms.append([k * a, (b - a) * (f + g) / 2])
    return Spread(np.array(atoms or no_rows(2)), np.array(pieces or no_rows(4)))


def priced(prices: Prices, stone: Stone) -> Priced:
    """A stone by a price file; a figure or outline that is not known changes nothing, with a remark."""
    factors, looks, remarks = [], {}, []
    if stone.outline in prices.outline:
        factors.append(("outline", Estimate(prices.outline[stone.outline], 0.0)))
        looks["outline"] = str(stone.outline)
    elif prices.outline:
        remarks.append(f"outline {stone.outline}: not in the price file, x1")
    for factor in prices.factor:
        figure = stone.figures.get(factor.by)
        if figure is None:
            remarks.append(f"{factor.by}: not known of this stone, x1")
            continue
        factors.append((str(factor.by), factor_of(factor, figure)))
        looks[str(factor.by)] = _in_words(factor.by, figure.value)
    step = max(
        (s.from_carats for s in prices.step if s.from_carats <= stone.expected), default=None
    )
    return Priced(
        stone, tuple(factors), looks, step, prices.per_carat(stone.expected),
        stone.chance_from(step or 0.0), _spread(prices, stone, 1.0).mean,
        _product([f for _, f in factors]), tuple(remarks),
    )  # fmt: skip


@dataclass(frozen=True)
class Worth:
    """What stones, those of a plan or of a whole parcel, may be worth once cut.

    expected: the mean, lost stones counted in. if_none_lost: the mean of those that come out. low, high: the
    least and the most that the weights allow, none lost. spread, raised: how the value may turn out, none lost,
    as it is and with every factor one standard error up.
    """

    prices: Prices
    stones: tuple[Priced, ...]
    spread: Total
    raised: Total

    def _estimate(self, value: float, raised: float) -> Estimate:
        # of folded steps the difference may be below 0 by rounding
        return Estimate(value, max(raised - value, 0.0), min(p.factor.dof for p in self.stones))

    @cached_property
    def at_risk(self) -> tuple[Total, Total]:
        """*spread* and *raised* with each stone lost with the file's chance."""
        loss = self.prices.risk.loss
        return self.spread.with_loss(loss), self.raised.with_loss(loss)

    @property
    def expected(self) -> Estimate:
        """The mean, lost stones counted in as nothing."""
        value, raised = (s.mean for s in self.at_risk)
        return self._estimate(value, raised)

    @property
    def if_none_lost(self) -> Estimate:
        """The mean if no stone is lost in cutting."""
        return self._estimate(self.spread.mean, self.raised.mean)

    @property
    def low(self) -> Estimate:
        """The least that the weights allow, none lost."""
        return self._estimate(self.spread.ends[0], self.raised.ends[0])

    @property
    def high(self) -> Estimate:
        """The most that the weights allow, none lost."""
        return self._estimate(self.spread.ends[1], self.raised.ends[1])

    def quantile(self, chance: float) -> Estimate:
        """The amount that the value falls short of with that chance at most, lost stones counted in."""
        value, raised = (s.quantile(chance) for s in self.at_risk)
        return self._estimate(value, raised)

    def reaches(self, amount: float) -> float:
        """The chance that the value is at least that amount, lost stones counted in."""
        return self.at_risk[0].reaches(amount)

    def lighter(self, share: float) -> "Worth":
        """The same stones, all weights (low, expected, high) lower by that share, with the same looks."""
        kept = 1 - share
        stones = [
            replace(s, low=kept * s.low, expected=kept * s.expected, high=kept * s.high)
            for s in (p.stone for p in self.stones)
        ]
        return _worth(self.prices, stones)

    @property
    def carats(self) -> float:
        """Mean carats of all stones."""
        return sum(p.stone.mean for p in self.stones)


def worth(prices: Prices, stones: Sequence[Stone]) -> Worth:
    """What the stones of a plan may be worth. Raises FacetraceError for none and for more than three."""
    if not 1 <= len(stones) <= MOST_STONES:
        raise FacetraceError(f"a plan has one to three stones, not {len(stones)}")
    return _worth(prices, stones)


def _worth(prices: Prices, stones: Sequence[Stone]) -> Worth:
    found = tuple(priced(prices, stone) for stone in stones)
    plain_, raised = (
        Total(tuple(_spread(prices, p.stone, p.factor.value + up * p.factor.stderr) for p in found))
        for up in (0, 1)
    )
    return Worth(prices, found, plain_, raised)


@dataclass(frozen=True)
class Bid:
    """The most to pay for a rough or a parcel: sale / (1 + margin) - costs.

    limit: that amount; at 0 or below no price is low enough. sale: less comes in with the accepted
    chance at most. costs: (what, amount). nothing: the chance that all stones bring nothing. earned: with
    this chance the stones bring bid, costs and margin; earned_lighter: the same if every stone is lighter by
    the share LIGHTER, at the same bid. error: limit may be too low by so much, as chances were worked out.
    uncut: roughs of a parcel that are not worth their cutting. remark: why no price will do, or "".
    """

    limit: Estimate
    sale: Estimate
    margin: float
    chance: float
    loss: float
    costs: tuple[tuple[str, float], ...]
    nothing: float
    earned: float
    earned_lighter: float
    error: float
    uncut: int
    remark: str


def bid_limit(prices: Prices, of: Worth, rough_carats: float) -> Bid:
    """The most to pay for a rough of that weight, by the file's costs and risk; *of*: by the same prices.

    With chance 1 - risk.chance at least the stones then bring bid, costs and margin: the sale
    is the quantile of the value at risk.chance. A lost stone brings nothing and has cost its cutting.
    """
    costs, count = prices.costs, len(of.stones)
    each = "cutting" if count == 1 else f"cutting, {count} stones"
    spent = (
        (each, count * costs.cutting),
        (f"by weight of the rough, {rough_carats:.2f} ct", rough_carats * costs.per_carat_rough),
        ("other", costs.other),
    )
    return _bid(of, spent)


def parcel_bid(prices: Prices, roughs: Sequence[tuple[Worth | None, float]]) -> Bid:
    """The most to pay for all roughs together: the margin is then earned on the whole with the wished chance.

    roughs: what each plan is worth (None where nothing fits) and the rough's carats. All are bought; a rough
    that is not expected to bring back its cutting stays uncut and brings nothing. Values of different roughs are
    held to be independent. Other costs fall on each rough, as they do alone.
    """
    costs = prices.costs
    cut = [w for w, _ in roughs if w and w.expected.value > costs.cutting * len(w.stones)]
    stones = [p.stone for w in cut for p in w.stones]
    # a parcel of which nothing is cut brings nothing
    of = _worth(prices, stones or [Stone(0.0, 0.0, 0.0, "round", {})])
    carats = sum(carats for _, carats in roughs)
    spent = (
        (f"cutting, stones: {len(stones)}", len(stones) * costs.cutting),
        (f"by weight of the roughs, {carats:.2f} ct", carats * costs.per_carat_rough),
        (f"other, roughs: {len(roughs)}", len(roughs) * costs.other),
    )
    return _bid(of, spent, len(roughs) - len(cut))


def _bid(of: Worth, spent: tuple[tuple[str, float], ...], uncut: int = 0) -> Bid:
    risk, total = of.prices.risk, of.at_risk[0]
    sale = of.quantile(risk.chance)
    share = 1 / (1 + risk.margin)
    limit = Estimate(
        share * sale.value - sum(amount for _, amount in spent), share * sale.stderr, sale.dof
    )
    remark = ""
    if limit.value <= 0:
        remark = "Costs and margin take all that the sale surely brings: do not buy at any price."
    if sale.value == 0:
        remark = (
            f"With {percent(total.nothing)} the stones bring nothing, accepted are {percent(risk.chance)}: "
            "do not buy at any price."
        )
    return Bid(
        limit, sale, risk.margin, risk.chance, risk.loss, spent, total.nothing, of.reaches(sale.value),
        of.lighter(LIGHTER).reaches(sale.value), share * total.error, uncut, remark,
    )  # fmt: skip
