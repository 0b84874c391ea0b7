"""One stone looked at for a report: face up, rocked both ways, and as a sweep small enough to wait for."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from facetrace.common.errors import FacetraceError
from facetrace.design.model import Design
from facetrace.design.vary import parameters
from facetrace.optics.lights import Light
from facetrace.solid.polyhedron import Floats, Solid
from facetrace.studies.sweep import USUAL, Range, range_of
from facetrace.studies.visibility import whole_mm
from facetrace.trace.faceup import FaceUp, face_up
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.run import Progress, points_for, trace_pixels, trace_sums
from facetrace.trace.scene import Medium, Scene, View, scene_of

# rocked by so much, degrees, along the length and along the width
ROCKED = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
WAYS = {"length": 0.0, "width": 90.0}
# of the usual sweep: so much to either side, and steps, degrees
SMALL = {"pavilion.angle": (3.0, 1.0), "crown.angle": (4.0, 2.0)}


@dataclass(frozen=True)
class Look:
    """What is seen of a stone in one view."""

    scene: Scene
    figures: FaceUp
    maps: FaceMaps


@dataclass(frozen=True)
class Way:
    """How finely a stone is looked at: rays for the figures, pixels a side and rays in each."""

    rays: int
    size: int
    samples: int
    seed: int


@dataclass(frozen=True)
class Stone:
    """A stone in its light; axis: tilt and azimuth of c, degrees."""

    solid: Solid
    medium: Medium
    axis: tuple[float, float]
    light: Light

    def scene(self, view: View) -> Scene:
        """The stone in a view."""
        return scene_of(self.solid, self.medium, self.axis, self.light, view)


def look_at(scene: Scene, way: Way, width_mm: float, report: Progress) -> Look:
    """Figures and maps of one scene, in a picture of that width."""
    sums = trace_sums(scene, points_for(way.rays), way.seed)
    pixels = trace_pixels(
        scene,
        way.size,
        way.samples,
        way.seed,
        width_mm=width_mm,
        floor=sums.floor,
        picture=True,
        report=report,
    )
    return Look(scene, face_up(sums, scene), face_maps(pixels, scene))


def rocked(stone: Stone, way: Way, report: Progress) -> Iterator[tuple[str, float, Look]]:
    """The stone rocked along its length and its width, all pictures at one scale; the level one once a way."""
    views = [
        (name, tilt, View(tilt=tilt, azimuth=azimuth)) for name, azimuth in WAYS.items() for tilt in ROCKED
    ]  # fmt: skip
    scenes = [stone.scene(view) for _, _, view in views]
    width = whole_mm(*scenes)
    for k, ((name, tilt, _), scene) in enumerate(zip(views, scenes, strict=True)):
        yield name, tilt, look_at(scene, way, width, lambda _: None)
        report((k + 1) / len(views))


def small_ranges(design: Design, solid: Solid) -> tuple[Range, ...]:
    """A sweep of a few dozen candidates: the angles of pavilion and crown, by the degrees of SMALL.

    In a design of tiers those whose facets have the largest area on each side. Raises
    FacetraceError where a side has no angle to vary.
    """
    known = parameters(design)
    found = []
    for usual, _, _ in USUAL:
        half, step = SMALL[usual]
        name = usual if usual in known else _main(design, solid, usual.split(".")[0])
        found.append(range_of(design, name, known[name] - half, known[name] + half, step))
    return tuple(found)


def _main(design: Design, solid: Solid, side: str) -> str:
    """The angle of that side's tier with the largest area."""
    areas: dict[str, float] = defaultdict(float)
    known = parameters(design)
    tiers = {t.name: t for t in design.tier if t.side == side and t.angle != 0.0}
    for part in solid.parts:
        for name, area in zip(part.names, _areas(part), strict=True):
            tier = next((t for t in tiers if name == t or name.startswith(f"{t} ")), None)
            if tier and f"{tier}.angle" in known:
                areas[tier] += float(area)
    if not areas:
        raise FacetraceError(f"no tier of the {side} has one angle that can be varied")
    return f"{max(areas, key=lambda t: areas[t])}.angle"


def _areas(part: Solid) -> Floats:
    return part.areas
