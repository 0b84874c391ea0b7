"""One stone looked at from all sides: face up, rocked both ways, its colours, its zones, and a small sweep of its angles."""

import math
from collections import defaultdict
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass

from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Row
from facetrace.design.model import Design
from facetrace.design.vary import parameters
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.optics.pleochroism import Pair, dichroscope_pair
from facetrace.rough.zone import ZoneFile
from facetrace.solid.build import build_solid
from facetrace.solid.measure import SolidMeasures, measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies import orient
from facetrace.studies.angles import AngleStudy, study_angles
from facetrace.studies.face_up import StoneInLight
from facetrace.studies.rows import Keeping
from facetrace.studies.sweep import USUAL, Range, range_of
from facetrace.studies.visibility import (
    PORTRAIT_SAMPLES,
    VisibilityTest,
    face_pictures,
    whole_mm,
)
from facetrace.studies.zoned import BASE, Cut, Subject, cut_of, place_of, scenes, subject_of
from facetrace.trace.faceup import FaceUp, face_up
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.run import Progress, points_for, trace_pixels, trace_sums
from facetrace.trace.scene import Scene, View

# rocked by so much, degrees, along the length and along the width
ROCKED = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
WAYS = {"length": 0.0, "width": 90.0}
# of the usual sweep: so much to either side, and steps, degrees
SMALL = {"pavilion.angle": (3.0, 1.0), "crown.angle": (4.0, 2.0)}
# rays for the figures of a candidate of it
SWEEP_RAYS = 1 << 14
ACROSS_C_DEG = 90.0
# a zone counts where it changes the colour by so much (CIEDE2000): seen by an unaided eye (memory)
SEEN = 2.0
LAMPS = "Light against weight is left out: under lamps light returned is not a useful target."


@dataclass(frozen=True)
class Fineness:
    """How finely a stone is looked at: rays for the figures face up, pixels along a side of that picture and of the others, rays in each."""

    rays: int = 1 << 18
    size: int = 600
    small: int = 150
    samples: int = 32
    seed: int = 1


@dataclass(frozen=True)
class Look:
    """What is seen of a stone in one view."""

    scene: Scene
    figures: FaceUp
    maps: FaceMaps


@dataclass(frozen=True)
class Rocked:
    """A look at the stone rocked along its length or its width by *tilt* degrees."""

    towards: str
    tilt: float
    look: Look


@dataclass(frozen=True)
class AmongZones:
    """The stone among its zones, in their blank where they have one.

    row: how visible they are (``visibility.FIGURES``); shares: each zone's of the stone's volume; without, within: the stone
    face up without its zones and with them, at one scale.
    """

    file: ZoneFile
    subject: Subject
    cut: Cut
    row: Row
    shares: tuple[float, ...]
    without: FaceMaps
    within: FaceMaps

    @property
    def sizes(self) -> SolidMeasures:
        """Weight and sizes at the size that the blank allows."""
        return measure(self.cut.solid, self.subject.density)


@dataclass(frozen=True)
class DesignPortrait:
    """All that is seen of a design in a material under a light.

    pair: in the dichroscope, across c through *sizes.depth_mm*; angles: a small sweep, or None and, in *remarks*, why;
    zones: None without a zone file.
    """

    design: Design
    stone: StoneInLight
    fineness: Fineness
    sizes: SolidMeasures
    face: Look
    rocked: tuple[Rocked, ...]
    pair: Pair
    angles: AngleStudy | None
    remarks: tuple[str, ...]
    zones: AmongZones | None


def portray_design(
    design: Design, material: Material, light: Light, zones: ZoneFile | None = None,
    fineness: Fineness | None = None, report: Progress = lambda _: None,
) -> DesignPortrait:  # fmt: skip
    """Look at a design from all sides. Raises DesignError where it cannot be cut, FileError for zones that it cannot have.

    Parameters
    ----------
    zones : to show in it; a blank of theirs is then what the stone is cut to fit.
    report : is told how much of the work is done, 0 to 1.
    """
    fine, solid, eye = fineness or Fineness(), build_solid(design), observer()
    axis = (design.axis.tilt, design.axis.azimuth)
    stone = StoneInLight(design.name, solid, material, axis, light)
    sizes = measure(solid, material.density)
    medium = stone.medium()
    subject = subject_of(design, material, zones, light, eye) if zones else None
    cut = cut_of(subject, BASE) if subject else None
    level = stone.scene(medium)
    face = _look_at(level, fine.rays, fine.size, fine, whole_mm(level), _part(report, 0.0, 0.3))
    views = [(name, tilt, stone.scene(medium, View(tilt=tilt, azimuth=azimuth))) for name, azimuth in WAYS.items() for tilt in ROCKED]  # fmt: skip
    rocked = tuple(_rocked(views, fine, _part(report, 0.3, 0.6)))
    pair = dichroscope_pair(material, math.radians(ACROSS_C_DEG), sizes.depth_mm, eye)
    angles, remarks = _small_sweep(design, solid, material, light, fine, _part(report, 0.6, 0.9))
    among = _among_zones(zones, subject, cut, fine) if zones and subject and cut else None
    report(1.0)
    return DesignPortrait(
        design, stone, fine, sizes, face, rocked, pair, angles, remarks, among
    )  # fmt: skip


def _part(report: Progress, start: float, end: float) -> Progress:
    return lambda share: report(start + (end - start) * share)


def _look_at(
    scene: Scene, rays: int, size: int, fine: Fineness, width_mm: float, report: Progress
) -> Look:
    """Figures and maps of one scene, in a picture of that width."""
    sums = trace_sums(scene, points_for(rays), fine.seed)
    pixels = trace_pixels(
        scene, size, fine.samples, fine.seed, width_mm=width_mm, floor=sums.floor, picture=True, report=report
    )  # fmt: skip
    return Look(scene, face_up(sums, scene), face_maps(pixels, scene))


def _rocked(
    views: list[tuple[str, float, Scene]], fine: Fineness, report: Progress
) -> Iterator[Rocked]:
    """The stone rocked both ways, all pictures at one scale; the level one once a way."""
    width = whole_mm(*(scene for _, _, scene in views))
    for k, (name, tilt, scene) in enumerate(views):
        rays = max(fine.rays >> 3, 1)
        yield Rocked(name, tilt, _look_at(scene, rays, fine.small, fine, width, lambda _: None))
        report((k + 1) / len(views))


def _small_sweep(
    design: Design, solid: Solid, material: Material, light: Light, fine: Fineness, report: Progress
) -> tuple[AngleStudy | None, tuple[str, ...]]:  # fmt: skip
    """A few dozen candidates around the design; without any, why."""
    if light.lamps:
        return None, (LAMPS,)
    try:
        ranges = small_ranges(design, solid)
    except FacetraceError as problem:
        return None, (f"Light against weight was not swept: {problem}.",)
    keeping = Keeping(progress=lambda _: nullcontext(report))
    return study_angles(
        design, material, light, ranges=ranges, rays=SWEEP_RAYS, seed=fine.seed, keeping=keeping
    ), ()  # fmt: skip


def _among_zones(zones: ZoneFile, subject: Subject, cut: Cut, fine: Fineness) -> AmongZones:
    test = VisibilityTest(threshold=SEEN, seed=fine.seed)
    row = next(iter(orient.sweep(subject, [BASE], test, {})))
    shares = place_of(subject, BASE).shares
    without, within = face_pictures(
        scenes(subject, cut), 2 * fine.small, PORTRAIT_SAMPLES, fine.seed
    )
    return AmongZones(zones, subject, cut, row, shares, without, within)


def small_ranges(design: Design, solid: Solid) -> tuple[Range, ...]:
    """A sweep of a few dozen candidates: the angles of pavilion and crown, by the degrees of SMALL.

    In a design of tiers those whose facets have the largest area on each side. Raises
    FacetraceError where a side has no angle to vary.
    """
    known = parameters(design)
    ranges = []
    for usual, _, _ in USUAL:
        half, step = SMALL[usual]
        name = usual if usual in known else _largest_tier(design, solid, usual.split(".")[0])
        ranges.append(range_of(design, name, known[name] - half, known[name] + half, step))
    return tuple(ranges)


def _largest_tier(design: Design, solid: Solid, side: str) -> str:
    """The angle of that side's tier with the largest area."""
    areas: dict[str, float] = defaultdict(float)
    known = parameters(design)
    tiers = {t.name: t for t in design.tier if t.side == side and t.angle != 0.0}
    for part in solid.parts:
        for name, area in zip(part.names, part.areas, strict=True):
            tier = next((t for t in tiers if name == t or name.startswith(f"{t} ")), None)
            if tier and f"{tier}.angle" in known:
                areas[tier] += float(area)
    if not areas:
        raise FacetraceError(f"no tier of the {side} has one angle that can be varied")
    return f"{max(areas, key=lambda t: areas[t])}.angle"
