"""Angles, or any parameters of a design, swept: light against weight, and one candidate recommended."""

import time
from collections.abc import Sequence
from dataclasses import dataclass

from facetrace.common.ledger import Row
from facetrace.design.model import Design
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.build import build_solid
from facetrace.studies.rows import Keeping, fingerprint
from facetrace.studies.sweep import (
    Conditions,
    Range,
    candidates,
    columns,
    conditions_of,
    needed,
    sweep,
    usual_ranges,
)
from facetrace.studies.wish import WISHES, Comparing, Confirmed, Wish, choose, confirm, front


@dataclass(frozen=True)
class AngleStudy:
    """A whole sweep and what it advises.

    rows: of candidates, the first being the design as it stands; front: those that no other beats in light and weight;
    best: for each wish; confirmed: the one for *wish*, traced afresh; missing: facets that have no place on the
    design as it stands; seconds: that the rows took.
    """

    design: Design
    material: Material
    absorbing: bool
    conditions: Conditions
    ranges: tuple[Range, ...]
    rows: list[Row]
    front: list[Row]
    best: dict[Wish, Row]
    wish: Wish
    confirmed: Confirmed
    at_least: float
    keep_light: float
    missing: tuple[str, ...]
    seconds: float

    @property
    def title(self) -> str:
        """Design and material."""
        return f"{self.design.name} ({self.material.name})"

    @property
    def under(self) -> str:
        """Light, and the weight of all where that is one."""
        return _under(self.conditions)

    @property
    def chosen(self) -> Row:
        """The candidate recommended."""
        return self.best[self.wish]

    @property
    def as_it_stands(self) -> Row:
        """The design's own row."""
        return self.rows[0]


def study_angles(
    design: Design, material: Material, light: Light, *, ranges: Sequence[Range] = (), wish: Wish = "balance",
    at_least: float = 0.0, keep_light: float = 0.9, absorbing: bool = True, rays: int = 1 << 15, seed: int = 1,
    window_share: float = 0.1, carats: float | None = None, keeping: Keeping | None = None,
) -> AngleStudy:  # fmt: skip
    """Trace every candidate, and choose one.

    Raises FacetraceError for what cannot be varied, DesignError where the design cannot be cut.

    Parameters
    ----------
    ranges : values of the parameters (see ``sweep.range_of``); by default pavilion and crown angle around their own.
    wish : what the recommendation goes by, see ``wish.choose``; at_least [ct] and keep_light (0 to 1) too.
    absorbing : with the material's colour, or the cut alone.
    rays : for the figures of each candidate.
    window_share : of the clear stone's light (0 to 1), from which on the tilt counts as a window.
    carats : what every candidate is scaled to weigh; by default the girdle's size stays.
    keeping : the table that rows go to, and who is told how far it is.
    """
    keeping = keeping or Keeping()
    conditions = conditions_of(
        material, light, absorbing=absorbing, rays=rays, seed=seed, window_share=window_share, carats=carats
    )  # fmt: skip
    ranges = tuple(ranges) or usual_ranges(design)
    keys = candidates(design, ranges)
    # of all that decides a row; the ranges only decide which rows there are
    mark = fingerprint(
        "angles", design, conditions.density, (conditions.medium, conditions.clear), light,
        points=conditions.points, seed=seed, window_share=window_share, carats=carats,
    )  # fmt: skip
    about = f"angles of {design.name} ({material.name}): {_under(conditions)}"
    with keeping.table(
        mark, columns(design, ranges), [r.name for r in ranges], about, needed()
    ) as ledger:  # fmt: skip
        started = time.perf_counter()
        work = sweep(design, ranges, conditions, ledger.rows)
        rows = keeping.filled(ledger, keys, work, "candidates")
        seconds = time.perf_counter() - started
        apart = Comparing(design, ranges, conditions)
        weight = conditions.weight
        best = {
            each: choose(rows, each, weight, apart, at_least=at_least, keep_light=keep_light)
            for each in WISHES
        }
        return AngleStudy(
            design, material, absorbing, conditions, ranges, rows, front(rows, weight), best, wish,
            confirm(design, ranges, conditions, best[wish]), at_least, keep_light,
            tuple(build_solid(design).missing), seconds,
        )  # fmt: skip


def _under(conditions: Conditions) -> str:
    same = f", all of {conditions.carats:g} ct" if conditions.carats else ""
    return conditions.light.words + same
