"""A design at the wheel, step by step.

A step is one tier (of a heart: a tier of both lobes). Before it, the stone is the blank and the steps
so far.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from facetrace.bench.aims import MachineSetting, aims_of, settings_of
from facetrace.bench.checks import Checks, checks_of
from facetrace.bench.faults import OPEN_MM, Fault, fault_of
from facetrace.bench.gears import is_mirrored
from facetrace.bench.order import First, in_order
from facetrace.bench.preform import ALLOWANCE_MM, Preform, blank_of, preform_of
from facetrace.common.errors import FacetraceError
from facetrace.common.progress import ProgressBar, silent
from facetrace.design.model import Design
from facetrace.solid.build import Facet, facets_of, solid_of
from facetrace.solid.lobes import WALL
from facetrace.solid.measure import SolidMeasures, measure
from facetrace.solid.polyhedron import Solid, SolidError


@dataclass(frozen=True)
class Step:
    """One tier at the wheel.

    after: the stone when it is done; fault: None where the error leaves no stone.
    """

    name: str
    side: str
    settings: tuple[MachineSetting, ...]
    after: Solid
    checks: Checks
    fault: Fault | None

    @property
    def facets(self) -> tuple[Facet, ...]:
        """All its facets, setting by setting."""
        return tuple(f for s in self.settings for f in s.facets)


@dataclass(frozen=True)
class Bench:
    """A design made ready for the wheel."""

    solid: Solid
    measures: SolidMeasures
    preform: Preform
    steps: tuple[Step, ...]
    first: First
    open_mm: float
    mirrored: bool

    @cached_property
    def flats(self) -> tuple[Facet, ...]:
        """The girdle's flats that the stone keeps, by index position."""
        kept = set(self.solid.names)
        flats = [f for s in self.steps for f in s.facets if s.side == "girdle" and f.name in kept]
        return tuple(sorted(flats, key=lambda f: f.index))


def bench_steps(
    design: Design, density: float, *, first: First = "pavilion", allowance_mm: float = ALLOWANCE_MM,
    open_mm: float = OPEN_MM, progress: ProgressBar = silent,
) -> Bench:  # fmt: skip
    """What to cut in which order, how deep and how exactly.

    Parameters
    ----------
    design: of the stone.
    density: of its material [g/cm3].
    first: the side that is cut first, after the girdle.
    allowance_mm: what the blank keeps to grind all round [mm].
    open_mm: how far facets may miss each other where they should meet [mm].
    progress: shows how much is done.

    Raises DesignError where the design makes no stone, FacetraceError where the order cannot be cut.
    """
    facets = facets_of(design)
    try:
        solid = solid_of(facets)
    except SolidError as error:
        raise FacetraceError(f"{error}; check the depths of the tiers") from None
    walls = [f for f in facets if f.tier == WALL and f.lobe]
    blank = blank_of(solid, walls, allowance_mm, design.gear)
    done = [*walls, *blank]
    preform = preform_of(solid, done, allowance_mm, density, design.gear)
    steps: list[Step] = []
    before = preform.solid
    order = in_order(design, facets, first)
    with progress("cutting it on paper") as report:
        for name, side, own in order:
            settings = settings_of(own)
            done += own
            after = _partial(done, name)
            aimed = tuple(
                replace(s, aims=aims_of(s, before, after, done, settings)) for s in settings
            )
            begun = {s.side for s in steps} | {side}
            fault = fault_of(facets, solid, aimed, density, open_mm)
            checks = checks_of(after, own, side, begun, density)
            steps.append(Step(name, side, aimed, after, checks, fault))
            before = after
            report(len(steps) / len(order))
    return Bench(
        solid, measure(solid, density), preform, tuple(steps), first, open_mm,
        is_mirrored(facets, design.gear),
    )  # fmt: skip


def _partial(facets: Sequence[Facet], name: str) -> Solid:
    try:
        return solid_of(facets)
    except SolidError as error:
        raise FacetraceError(f"step '{name}' cannot be cut in this order: {error}") from None
