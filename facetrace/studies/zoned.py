"""A stone in a zoned rough: where it lies, how large it is, and where its zones are.

Three frames. The rough's: c along +z (``rough.zone``). The base stone's, where the design's
[axis] says how c points. A candidate's: the base stone's, with the table tilted by *tilt* degrees
towards *azimuth*. The zone stays where it grew; the stone turns, and in a blank it shrinks or
grows to the largest copy that fits.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.common.ledger import Cell, Key
from facetrace.design.model import Design
from facetrace.design.vary import parameters, with_value
from facetrace.optics.colour import Observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.placement.blank import largest_copy
from facetrace.rough.zone import ZoneFile, differences
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.solid.convex import shared_volume
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import number
from facetrace.trace.scene import Medium, Scene, View, medium_of, rocking, scene_of

Floats = NDArray[np.float64]

SHIFT = "pavilion.culet_shift_percent"


@dataclass(frozen=True)
class Candidate:
    """Table tilted by *tilt* degrees towards *azimuth*, culet shifted by *along* and *across*, % of the width."""

    tilt: float = 0.0
    azimuth: float = 0.0
    along: float = 0.0
    across: float = 0.0

    @property
    def shift(self) -> float:
        """How far the culet moves, % of the width."""
        return round(math.hypot(self.along, self.across), 6)

    @property
    def towards(self) -> float:
        """Azimuth of the shift, degrees from the stone's length."""
        return round(math.degrees(math.atan2(self.across, self.along)) % 360, 3)

    @property
    def cost(self) -> float:
        """What a change costs: degrees of tilt plus percent of shift."""
        return round(self.tilt + self.shift, 6)

    @property
    def key(self) -> Key:
        """What tells its row from others."""
        return self.tilt, self.azimuth, self.along, self.across


BASE = Candidate()
KEY = ("tilt", "azimuth", "along", "across")


def candidate_of(row: Mapping[str, Cell]) -> Candidate:
    """The candidate of a row."""
    return Candidate(*(number(row, name) for name in KEY))


@dataclass(frozen=True)
class Subject:
    """A design in a zoned rough.

    axis: tilt and azimuth of c in the base stone; bodies: the zones' in the rough's frame, with their
    zones' numbers; plain, zoned: the media without and with them.
    """

    design: Design
    density: float
    axis: tuple[float, float]
    light: Light
    view: View
    centre: Floats
    turn: float
    bodies: tuple[tuple[Body, int], ...]
    blank: Body | None
    plain: Medium
    zoned: Medium

    @property
    def shiftable(self) -> bool:
        """Whether the design's culet can be shifted (short forms with a pavilion)."""
        return f"{SHIFT}[0]" in parameters(self.design)


def subject_of(
    design: Design,
    material: Material,
    zones: ZoneFile,
    light: Light,
    eye: Observer,
    view: View | None = None,
) -> Subject:
    """Design and zone file brought together. Raises FileError for a zone that the stone cannot have."""
    parts = differences(zones, material, eye.wavelength_nm)
    placement = zones.model.placement
    return Subject(
        design=design,
        density=material.density,
        axis=(design.axis.tilt, design.axis.azimuth),
        light=light,
        view=view or View(),
        centre=np.array(placement.centre_mm),
        turn=placement.turn,
        bodies=tuple(zones.bodies()),
        blank=zones.blank(),
        plain=medium_of(material, eye),
        zoned=medium_of(material, eye, zones=parts),
    )


@dataclass(frozen=True)
class Cut:
    """A candidate in the rough: its solid at size, and where it lies.

    turn (3, 3), shift (3,): a point r of the stone lies at ``shift + turn @ r`` in the rough.
    """

    solid: Solid
    turn: Floats
    shift: Floats
    scale: float

    @property
    def axis(self) -> tuple[float, float]:
        """Tilt and azimuth of c in the stone, degrees."""
        c = self.turn[2]
        tilt = math.degrees(math.atan2(math.hypot(c[0], c[1]), c[2]))
        return tilt, math.degrees(math.atan2(c[1], c[0])) if tilt else 0.0


def culet_of(design: Design, candidate: Candidate) -> tuple[float, float]:
    """Where a candidate's culet lies along and across, % of the width: the design's own shift and the candidate's."""
    own = parameters(design)
    along, across = (own.get(f"{SHIFT}[{place}]", 0.0) for place in (0, 1))
    return along + candidate.along, across + candidate.across


def shifted(design: Design, candidate: Candidate) -> Solid:
    """The solid with its culet shifted. Raises FacetraceError where the design does not allow it."""
    if candidate.shift:
        for place, value in enumerate(culet_of(design, candidate)):
            design = with_value(design, f"{SHIFT}[{place}]", value)
    return build_solid(design)


def turn_of(subject: Subject, candidate: Candidate) -> Floats:
    """Rotation (3, 3) from the candidate's frame to the rough's.

    The crystal is turned by *turn* about c, c points as the base stone's axis says, and the table
    tilts the short way.
    """
    a = math.radians(-subject.turn)
    about = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])
    return np.asarray(about @ rocking(*subject.axis).T @ rocking(candidate.tilt, candidate.azimuth))


def cut_of(subject: Subject, candidate: Candidate) -> Cut:
    """A candidate's place, and its size in the blank where there is one."""
    solid = shifted(subject.design, candidate)
    turn = turn_of(subject, candidate)
    if subject.blank is None:
        return Cut(solid, turn, subject.centre, 1.0)
    copy = largest_copy(solid.vertices, turn, subject.blank, subject.centre)
    return Cut(solid.scaled(copy.scale), turn, copy.shift, copy.scale)


def scenes(subject: Subject, cut: Cut) -> tuple[Scene, Scene]:
    """The stone without and with its zones."""
    bodies = [(body.seen_from(cut.turn, cut.shift), number) for body, number in subject.bodies]
    view = (cut.axis, subject.light, subject.view)
    plain = scene_of(cut.solid, subject.plain, *view)
    return plain, scene_of(cut.solid, subject.zoned, *view, bodies=bodies)


@dataclass(frozen=True)
class Place:
    """Where a candidate lies: length, width, depth and origin in the rough, mm; each zone's share of its volume."""

    size_mm: tuple[float, float, float]
    origin_mm: tuple[float, float, float]
    shares: tuple[float, ...]


def place_of(subject: Subject, candidate: Candidate) -> Place:
    """A candidate's size and place, and what the zones take of it."""
    cut = cut_of(subject, candidate)
    x, y, depth = map(float, np.ptp(cut.solid.vertices, axis=0))
    shares = [0.0] * (1 + max(which for _, which in subject.bodies))
    for body, which in subject.bodies:
        seen = body.seen_from(cut.turn, cut.shift)
        shared = sum(shared_volume(Body(part.planes), seen) for part in cut.solid.parts)
        shares[which] += shared / cut.solid.volume
    a, b, c = map(float, cut.shift)
    taken = tuple(min(share, 1.0) for share in shares)
    return Place((max(x, y), min(x, y), depth), (a, b, c), taken)


def zones_in(subject: Subject, cut: Cut, names: Sequence[str]) -> list[tuple[str, Body]]:
    """Bodies of the zones with their names, in the frame of a stone cut from the rough."""
    return [(names[k], body.seen_from(cut.turn, cut.shift)) for body, k in subject.bodies]
