"""The one list of checks; ``facetrace verify`` and the tests both run it."""

from facetrace.checks import decisions, facet, matter, rough, stones
from facetrace.checks.check import Check

CHECKS: tuple[Check, ...] = (
    *matter.CHECKS,
    *facet.CHECKS,
    *stones.CHECKS,
    *decisions.CHECKS,
    *rough.CHECKS,
)
