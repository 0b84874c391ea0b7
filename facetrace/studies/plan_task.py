"""What is asked of a rough: the wishes that all plans share, the designs to be tried, and the rough as a search sees it."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

import facetrace
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Key, fingerprint_of
from facetrace.design.model import Design
from facetrace.design.vary import with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light, find_light
from facetrace.placement.search import Prepared, prepared
from facetrace.placement.shapes import (
    CROWN,
    UNDER_TABLE,
    WHOLE,
    Facing,
    Obstacle,
    Space,
    Stone,
    stone_of,
)
from facetrace.rough.rough import Rough
from facetrace.rough.zone import differences
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.studies.sweep import Range
from facetrace.studies.viewer import Viewer, viewer_of
from facetrace.studies.visibility import VisibilityTest

Floats = NDArray[np.float64]

HEAVIEST, HIDDEN = "heaviest", "zone hidden"
MOST_VARIATIONS = 400


def table_between(low_deg: float, high_deg: float) -> Facing:
    """A table whose normal is so far from c, either way, degrees."""
    return Facing(within_deg=high_deg, least_deg=low_deg, both=True)


@dataclass(frozen=True)
class PlanWishes:
    """What all plans share.

    Parameters
    ----------
    facing: where the table may face; c is +z.
    light: around the stone, for the figures.
    within: search until nothing can be heavier by more than this share.
    most_cells: cells of a bound before its proof is given up, see ``placement.bound.bounded``.
    rays: for the figures of each plan.
    threshold, pixel_mm, samples: when a zone counts as visible, see ``studies.visibility``.
    allow: share of the face up to which a zone counts as hidden.
    seed: another one, other random numbers.
    """

    facing: Facing = field(default_factory=lambda: Facing(both=True))
    light: Light = field(default_factory=lambda: find_light("hemisphere"))
    within: float = 0.005
    most_cells: int = 1500
    rays: int = 1 << 16
    threshold: float = 2.0
    allow: float = 0.01
    pixel_mm: float = 0.15
    samples: int = 8
    seed: int = 1

    @property
    def looks(self) -> VisibilityTest:
        """How zones are looked at."""
        return VisibilityTest(self.threshold, self.pixel_mm, self.samples, self.seed)

    @property
    def facts(self) -> dict[str, Any]:
        """All that decides the numbers, for fingerprints."""
        return vars(self) | {
            "facing": vars(self.facing),
            "light": self.light.row.tobytes(),
            "version": facetrace.__version__,
        }


@dataclass(frozen=True)
class Variation:
    """A design with some of its numbers changed: (name, value) of each, and its solid."""

    changed: tuple[tuple[str, float], ...]
    solid: Solid

    @cached_property
    def stone(self) -> Stone:
        """The solid as the search for a place sees it."""
        return stone_of(self.solid)

    @property
    def words(self) -> str | None:
        """What is changed, None where nothing is."""
        return "; ".join(f"{name}={value!r}" for name, value in self.changed) or None


@dataclass(frozen=True)
class TrialDesign:
    """A design to be tried under a name, the ranges in which its numbers may flex, and the file where it was read."""

    design: Design
    name: str
    ranges: tuple[Range, ...] = ()
    file: str = ""

    @property
    def shape(self) -> str:
        """Its outline's shape; designs in tiers have none."""
        return self.design.outline.shape if self.design.outline else "tiers"

    @property
    def combinations(self) -> int:
        """Of all values of its ranges."""
        return math.prod(len(r.values) for r in self.ranges)

    def variation(self, changed: Sequence[tuple[str, float]] = ()) -> Variation:
        """The design with these numbers. Raises FacetraceError where it has no such, or cannot be cut."""
        design = self.design
        for name, value in changed:
            design = with_value(design, name, value)
        return Variation(tuple(changed), build_solid(design))

    def variation_in(self, words: str) -> Variation:
        """The variation that ``Variation.words`` tell of. Raises ValueError for words that do not."""
        pairs = [word.split("=") for word in words.split("; ") if word]
        return self.variation([(name, float(value)) for name, value in pairs])

    def variations(self) -> list[Variation]:
        """The design as it stands and each combination that can be cut.

        Raises FacetraceError where the design itself cannot be cut, and for too many.
        """
        if self.combinations > MOST_VARIATIONS:
            raise FacetraceError(
                f"{self.combinations:,} variations of {self.design.name}; at most {MOST_VARIATIONS} at once"
            )
        found = [self.variation()]
        names = [r.name for r in self.ranges]
        for values in itertools.product(*(r.values for r in self.ranges)) if names else ():
            try:
                found.append(self.variation(list(zip(names, values, strict=True))))
            except FacetraceError:
                continue
        return found


@dataclass(frozen=True)
class Room:
    """A rough as the search sees it."""

    rough: Rough

    def space(self, *, without: Sequence[str] = (), cut: Sequence[str] = ()) -> Space:
        """Its surface and defects; *without* some defects, others *cut* away whatever was wished."""
        rough = self.rough
        bodies: list[Obstacle] = []
        for defect in rough.defects:
            if defect.name not in without:
                wish = "cut away" if defect.name in cut else defect.wish
                bodies += [
                    Obstacle(
                        defect.name, defect.whole, part, defect.margin_mm, inside, defect.within
                    )
                    for part, inside in _PARTS[wish]
                ]
        return Space(rough.mesh.vertices, rough.mesh.faces, tuple(bodies), rough.loss.skin_mm)

    @cached_property
    def ready(self) -> Prepared:
        """Its space, made ready once for all designs."""
        return prepared(self.space())

    @cached_property
    def zones_cut_away(self) -> Prepared:
        """The same with all zones that must not show cut away."""
        return prepared(self.space(cut=self.to_hide))

    @property
    def kept_off(self) -> list[str]:
        """Names of defects that the stone must keep off."""
        return list(dict.fromkeys(d.name for d in self.rough.defects if _PARTS[d.wish]))

    @property
    def to_hide(self) -> list[str]:
        """Names of zones that must not show."""
        return list(dict.fromkeys(d.name for d in self.rough.defects if d.wish == "hide"))

    @property
    def carats(self) -> float:
        """What the rough weighs: by the balance, unless that is in doubt."""
        return self.rough.carats_to_go_by


_PARTS: dict[str, list[tuple[int, bool]]] = {
    "cut away": [(WHOLE, False)],
    "inside": [(WHOLE, True)],
    # below the girdle, and off what lies under the table
    "under girdle": [(CROWN, False), (UNDER_TABLE, False)],
    "anywhere": [],
    "hide": [],
}


@dataclass(frozen=True)
class Task:
    """One design to be placed in one rough as wished."""

    room: Room
    trial: TrialDesign
    wishes: PlanWishes

    @cached_property
    def viewer(self) -> Viewer:
        """Looks at its stones. Raises FileError for colours that zones cannot have."""
        wishes = self.wishes
        return viewer_of(
            self.room.rough, self.trial.design, wishes.light, wishes.looks, wishes.rays
        )

    @cached_property
    def mark(self) -> str:
        """Tells its rows from those of other roughs, designs and wishes."""
        rough, nm = self.room.rough, observer().wavelength_nm
        zones = differences(rough.zones, rough.material, nm) if rough.zones else []
        ranges = self.trial.ranges
        return fingerprint_of({
            "rough": rough.file.model.model_dump(mode="json", exclude={"name", "notes"}),
            "mesh": rough.mesh.vertices.tobytes() + rough.mesh.faces.tobytes(),
            "absorption": [a.tobytes() for a in rough.material.absorption(nm)],
            "zones": [[o.tobytes(), e.tobytes()] for o, e in zones],
            "design": self.trial.design.model_dump(mode="json", exclude={"notes", "axis", "material"}),
            "ranges": [list(r.values) for r in ranges],
            "names": [r.name for r in ranges],
            "setting": self.wishes.facts,
        })  # fmt: skip

    @property
    def kinds(self) -> tuple[str, ...]:
        """What is wished of it: the heaviest stone, and where there are zones the heaviest that hides them."""
        return (HEAVIEST, HIDDEN) if self.room.to_hide else (HEAVIEST,)

    @property
    def keys(self) -> list[Key]:
        """Keys of its rows in a table."""
        return [(self.mark, kind) for kind in self.kinds]


def tasks_of(rough: Rough, designs: Sequence[TrialDesign], wishes: PlanWishes) -> list[Task]:
    """A task for each design; they share the rough's room."""
    room = Room(rough)
    return [Task(room, design, wishes) for design in designs]
