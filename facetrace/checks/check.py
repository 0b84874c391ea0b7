"""What a check is: figures compared with published or exact ones."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Comparison:
    """One figure: what is expected, what we get, and how far apart they may be."""

    what: str
    expected: float
    got: float
    tolerance: float

    @property
    def strain(self) -> float:
        """Distance in units of the tolerance; passed up to 1. NaN counts as infinite."""
        off = abs(self.got - self.expected)
        if not np.isfinite(off):
            return float("inf")
        return (
            float(off / self.tolerance) if self.tolerance else (0.0 if off == 0 else float("inf"))
        )


@dataclass(frozen=True)
class Check:
    """A check: its name, who says so (author, year; how far that carries), and what it compares."""

    name: str
    source: str
    compare: Callable[[], Sequence[Comparison]]


@dataclass(frozen=True)
class Outcome:
    """A check that was run: the comparison under most strain, of how many."""

    check: Check
    worst: Comparison
    count: int
    seconds: float

    @property
    def passed(self) -> bool:
        """Whether every comparison is within its tolerance."""
        return self.worst.strain <= 1


def between(what: str, low: float, got: float, high: float) -> Comparison:
    """A comparison with a range."""
    return Comparison(what, (low + high) / 2, got, (high - low) / 2)


def run_check(check: Check) -> Outcome:
    """Run one check."""
    start = time.perf_counter()
    comparisons = check.compare()
    worst = max(comparisons, key=lambda c: c.strain)
    return Outcome(check, worst, len(comparisons), time.perf_counter() - start)


def run_checks(
    checks: Sequence[Check], report: Callable[[float], None] = lambda _: None
) -> list[Outcome]:
    """Run checks in turn; *report* is told the share that is done."""
    done = []
    for number, check in enumerate(checks):
        report(number / len(checks))
        done.append(run_check(check))
    return done
