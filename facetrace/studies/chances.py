"""How an amount may turn out, and the sum of several: means and chances.

Within a step of the price file a stone's value is in proportion to its weight, so the density of the value is made of
straight pieces, and of single values with a chance of their own ("atoms": below the first step, a lost stone, a weight
known exactly). Means and chances are exact integrals over these; of a sum of two stones, whose weights and losses are
held to be independent, too (a cubic on each piece, so two points of Gauss's rule suffice). Of a sum of more, those of
three stones or of a parcel, the mean is exact; for chances each amount is rounded down to a step, and the distributions
of the steps are folded, which makes the sum too small by ``Total.error`` at most.
"""

import math
from collections import deque
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROUNDING = 1e-12
GAUSS = 1 / math.sqrt(3)
# steps of a sum of more than two amounts, for each of them and in all; how many are looked at together
STEPS_EACH, MOST_STEPS, TOGETHER = 1 << 14, 1 << 20, 1 << 12
# a part of an amount that makes no difference, and of a step
SAME_AMOUNT, SAME_STEP = 1e-9, 1e-6
# chances nearer than this are the same where they come from folded steps
FOLDING = 1e-10


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
        atoms = np.vstack([self.atoms * [1, kept], [[0.0, chance]] if chance else no_rows(2)])
        return Spread(atoms, self.pieces * [1, 1, kept, kept])


def no_rows(columns: int) -> Floats:
    """(0, columns): no atoms, or no pieces."""
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
