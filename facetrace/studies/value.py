"""What a plan of one to three stones may be worth by a user's price file, and how much to bid for the rough.

A stone's finished weight is held to be spread as a triangle: from its low to its high carats, the
expected ones being the likeliest. Within a step of the price file its value is in proportion to
its weight, so the density of the value is made of straight pieces, and of single values with a
chance of their own ("atoms": below the first step, a lost stone, a weight known exactly). Means and
chances are exact integrals over these; of a sum of two stones, whose weights and losses are held
to be independent, too (a cubic on each piece, so two points of Gauss's rule suffice). Of a sum of more,
those of three stones or of a parcel, the mean is exact; for chances each amount is rounded down to a
step, and the distributions of the steps are folded, which makes the sum too small by ``Total.error`` at most.

Factors come with the standard errors of their figures. A stone's figures, and those of a plan's
stones, are traced with the same rays: their errors may go together, so relative errors are added up,
which is never too small. An estimate by the user's numbers, not an appraisal.
"""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.design.model import SHAPES
from facetrace.studies.price import SHARES, Factor, Figure, Prices, plain
from facetrace.trace.faceup import Estimate

Floats = NDArray[np.float64]

# carats: a range narrower than this is one weight; scales show 0.01
ONE_WEIGHT = 1e-9
ROUNDING = 1e-12
MOST_STONES = 3
COUNTS = ("No stone", "One stone", "Two stones", "Three stones")
GAUSS = 1 / math.sqrt(3)
# steps of a sum of more than two amounts, for each of them and in all; how many are looked at together
STEPS_EACH, MOST_STEPS, TOGETHER = 1 << 14, 1 << 20, 1 << 12
# a part of an amount that makes no difference, and of a step
SAME_AMOUNT, SAME_STEP = 1e-9, 1e-6
# chances nearer than this are the same where they come from folded steps
FOLDING = 1e-10
# a bid is tried again with every stone lighter by this share
LIGHTER = 0.03
# of two plans: a value nearer than so many standard errors is no difference
TIE_ERRORS = 2.0
# a ratio nearer to 1 than this is no reason
TOO_SMALL = 0.005
MOST_REASONS = 2


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
class Spread:
    """How an amount may turn out: single values with their chances, and pieces of linear density.

    atoms: (n, 2) value and chance. pieces: (n, 4) from, to, density at from, density at to.
    """

    atoms: Floats
    pieces: Floats

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the greatest that it can be."""
        every = [*self.atoms[:, 0], *self.pieces[:, :2].ravel()]
        return float(min(every)), float(max(every))

    @property
    def mean(self) -> float:
        """Its mean, exact."""
        a, b, f, g = self.pieces.T
        inside = (b - a) / 6 * (f * (2 * a + b) + g * (a + 2 * b))
        return float(self.atoms.prod(axis=1).sum() + inside.sum())

    def upto(self, amount: Floats) -> Floats:
        """The chance that it is at most *amount*, elementwise, exact."""
        x = np.asarray(amount)[..., None]
        a, b, f, g = self.pieces.T
        reach = np.clip((x - a) / (b - a), 0.0, 1.0)
        inside = (b - a) * reach * (f + (g - f) * reach / 2)
        atoms = np.where(self.atoms[:, 0] <= x, self.atoms[:, 1], 0.0)
        return np.asarray(inside.sum(axis=-1) + atoms.sum(axis=-1))

    def with_loss(self, chance: float) -> "Spread":
        """The same, but nothing at all with that chance."""
        kept = 1 - chance
        atoms = np.vstack([self.atoms * [1, kept], [[0.0, chance]] if chance else _no(2)])
        return Spread(atoms, self.pieces * [1, 1, kept, kept])


def _no(columns: int) -> Floats:
    return np.empty((0, columns))


@dataclass(frozen=True)
class Total:
    """The sum of independent spreads, none of which goes below 0: one of a stone, more of a plan or a parcel."""

    parts: tuple[Spread, ...]

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the greatest that it can be."""
        return sum(p.ends[0] for p in self.parts), sum(p.ends[1] for p in self.parts)

    @property
    def mean(self) -> float:
        """Its mean, exact."""
        return sum(p.mean for p in self.parts)

    @property
    def nothing(self) -> float:
        """The chance that it is 0, exact."""
        return math.prod(float(p.upto(np.array(0.0))) for p in self.parts)

    @property
    def error(self) -> float:
        """Quantiles are too low by at most so much: 0 for one part or two, else a step for each part."""
        return len(self.parts) * self._step if len(self.parts) > 2 else 0.0

    def upto(self, amount: float) -> float:
        """The chance that the sum is at most *amount*: exact, or, of more than two parts, that of the rounded sum."""
        if len(self.parts) > 2:
            steps = self._folded
            k = math.floor(amount / self._step + SAME_STEP) if self._step else len(steps) - 1
            return float(steps[min(k, len(steps) - 1)]) if amount >= 0 else 0.0
        one, *rest = self.parts
        if not rest:
            return float(one.upto(np.array(amount)))
        (other,) = rest
        found = float(one.atoms[:, 1] @ other.upto(amount - one.atoms[:, 0]))
        kinks = amount - np.concatenate([other.atoms[:, 0], other.pieces[:, :2].ravel()])
        for a, b, f, g in one.pieces:
            ends = np.unique([a, b, *kinks[(kinks > a) & (kinks < b)]])
            middle, half = (ends[1:] + ends[:-1]) / 2, (ends[1:] - ends[:-1]) / 2
            for x in (middle - GAUSS * half, middle + GAUSS * half):
                density = f + (g - f) * (x - a) / (b - a)
                found += float((half * density) @ other.upto(amount - x))
        return found

    def reaches(self, amount: float) -> float:
        """The chance that the sum is at least *amount*, or less by no more than rounding."""
        if amount <= (1 + SAME_AMOUNT) * self.ends[0]:
            return 1.0
        return 1.0 - self.upto(amount - SAME_AMOUNT * amount - 2 * SAME_STEP * self._step)

    @cached_property
    def _step(self) -> float:
        if len(self.parts) <= 2:
            return 0.0
        return self.ends[1] / min(len(self.parts) * STEPS_EACH, MOST_STEPS)

    @cached_property
    def _folded(self) -> Floats:
        """(k,) chance that the sum is at most so many steps, every part rounded down."""
        if not self._step:
            return np.ones(1)
        folded: deque[Floats] = deque(_in_steps(part, self._step) for part in self.parts)
        while len(folded) > 1:
            folded.append(_folded(folded.popleft(), folded.popleft()))
        return np.asarray(np.minimum(np.cumsum(np.maximum(folded[0], 0.0)), 1.0))

    def quantile(self, chance: float) -> float:
        """The least amount which the sum does not exceed with that chance at least, by bisection; see *error*."""
        low, high = self.ends
        if chance >= 1:
            return high
        enough = chance - (ROUNDING if len(self.parts) <= 2 else FOLDING)
        if chance <= 0 or self.upto(low) >= enough:
            return low
        while high - low > ROUNDING * high:
            middle = (low + high) / 2
            if self.upto(middle) >= enough:
                high = middle
            else:
                low = middle
        return high

    def with_loss(self, chance: float) -> "Total":
        """The same, but each part may be lost with that chance."""
        return Total(tuple(part.with_loss(chance) for part in self.parts))


def _folded(a: Floats, b: Floats) -> Floats:
    """(len(a) + len(b) - 1,) chances of a sum of steps."""
    count = len(a) + len(b) - 1
    size = 1 << (count - 1).bit_length()
    return np.asarray(np.fft.irfft(np.fft.rfft(a, size) * np.fft.rfft(b, size), size)[:count])


def _in_steps(part: Spread, step: float) -> Floats:
    """(k,) chance of each number of steps, the amount rounded down."""
    edges = step * np.arange(1, math.ceil(part.ends[1] / step) + 2)
    few = np.array_split(edges, 1 + len(edges) // TOGETHER)
    upto = np.concatenate([part.upto(amounts) for amounts in few])
    return np.asarray(np.diff(upto, prepend=0.0))


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

    @property
    def why(self) -> list[str]:
        """Its price in lines: the step, and each factor."""
        step = "below the first step: worth nothing"
        if self.step is not None:
            step = (
                f"from {self.step:g} ct: {plain(self.per_carat)} a carat; "
                f"chance to weigh as much: {percent(self.stays)}"
            )
        lines = [
            f"{n} {self.looks[n]}: x{f.value:.3f}" + (f" ± {f.stderr:.1g}" if f.stderr else "")
            for n, f in self.factors
        ]
        return [step, *lines]


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
        return Spread(np.array([[worth, 1.0]]), _no(4))
    atoms, pieces = [], []
    for a, b, f, g in stone.pieces([s.from_carats for s in prices.step]):
        k = factor * prices.per_carat(a)
        if k * b > k * a:
            pieces.append([k * a, k * b, f / k, g / k])
        else:
            atoms.append([k * a, (b - a) * (f + g) / 2])
    return Spread(np.array(atoms or _no(2)), np.array(pieces or _no(4)))


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

    @property
    def parts(self) -> list[tuple[str, float]]:
        """(what, amount) that add up to the limit."""
        earned = self.sale.value - self.sale.value / (1 + self.margin)
        return [
            (f"sale, at least this with {percent(1 - self.chance)}", self.sale.value),
            (f"margin, {percent(self.margin)} of the outlay", -earned),
            *((what, -amount) for what, amount in self.costs),
        ]


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


@dataclass(frozen=True)
class _Reason:
    ratio: float
    text: str


def why(a: Worth, b: Worth) -> str:
    """One or two plain sentences: what makes plan *a* worth more than *b*, by the ratios of their factors.

    The plans are priced by one file. Of several stones a factor is the mean, weighted by their value by weight.
    """
    gain = a.expected.value - b.expected.value
    if gain <= TIE_ERRORS * (a.expected.stderr + b.expected.stderr):
        return "Their values cannot be told apart." if gain > 0 else "It is not worth more."
    reasons = [_by_step(a, b), _by_carats(a, b)]
    names = dict.fromkeys(n for w in (a, b) for p in w.stones for n, _ in p.factors)
    reasons += [_by_factor(a, b, name) for name in names]
    telling = sorted((r for r in reasons if r.ratio > 1 + TOO_SMALL), key=lambda r: -r.ratio)
    return " ".join(r.text for r in telling[:MOST_REASONS]) or "Many small differences add up."


def _ratio(one: float, other: float) -> float:
    if other > 0:
        return one / other
    return math.inf if one > 0 else 1.0


def _count(of: Worth) -> str:
    return COUNTS[len(of.stones)]


def _by_carats(a: Worth, b: Worth) -> _Reason:
    kept = f"on average {a.carats:.2f} ct instead of {b.carats:.2f}."
    same = len(a.stones) == len(b.stones)
    text = (
        f"It is heavier: {kept}"
        if same
        else f"{_count(a)} keep{'s' * (len(a.stones) == 1)} more: {kept}"
    )
    return _Reason(_ratio(a.carats, b.carats), text)


def _by_step(a: Worth, b: Worth) -> _Reason:
    """The price of a mean carat, and the step that tells most."""
    price_a, price_b = (
        _ratio(sum(p.by_weight for p in w.stones), w.carats) if w.carats else 0.0 for w in (a, b)
    )

    def chance(of: Worth, carats: float) -> float:
        return max(p.stone.chance_from(carats) for p in of.stones)

    tellings = []
    for k, step in enumerate(a.prices.step):
        jump = step.per_carat - (a.prices.step[k - 1].per_carat if k else 0.0)
        one, other = chance(a, step.from_carats), chance(b, step.from_carats)
        tellings.append((jump * (one - other), step.from_carats, one, other))
    gain, carats, one, other = max(tellings)
    cost = f"{plain(price_a)} a carat instead of {plain(price_b)}."
    if gain <= 0:
        return _Reason(_ratio(price_a, price_b), f"Its weights fit the steps better: {cost}")
    sure = one == 1 and other == 0
    chances = (
        ""
        if sure
        else f" with {percent(one)}, the other with {percent(other)} (by the scan's error alone)"
    )
    verb = ("It", "Its larger stone", "Its largest stone")[len(a.stones) - 1] + " reaches"
    return _Reason(_ratio(price_a, price_b), f"{verb} {carats:g} ct{chances}: {cost}")


def _by_factor(a: Worth, b: Worth, name: str) -> _Reason:
    def mean(of: Worth) -> tuple[float, str]:
        weights = [p.by_weight for p in of.stones]
        each = [dict(p.factors).get(name, Estimate(1.0, 0.0)).value for p in of.stones]
        *first, last = (p.looks.get(name, "not known") for p in of.stones)
        looks = " and ".join([*filter(None, [", ".join(first)]), last])
        total = sum(weights)
        return sum(
            w * f for w, f in zip(weights, each, strict=True)
        ) / total if total else 1.0, looks

    (one, looks_a), (other, looks_b) = mean(a), mean(b)
    text = (
        f"{name.capitalize()} {looks_a} instead of {looks_b}: x{one:.2f} instead of x{other:.2f}."
    )
    return _Reason(_ratio(one, other), text)
