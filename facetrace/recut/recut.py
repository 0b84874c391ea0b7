"""A re-cut of a stone: what to cut, checked by separate code, and the light before and after."""

from dataclasses import dataclass

from facetrace.common.progress import ProgressBar, silent
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light, find_light
from facetrace.recut.check import Checked, check, require
from facetrace.recut.search import Plan, plan_of
from facetrace.recut.stone import CutStone
from facetrace.solid.measure import SolidMeasures, measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import SURE_ERRORS
from facetrace.trace.faceup import Estimate, face_up
from facetrace.trace.paired import aligned, difference
from facetrace.trace.run import points_for, roulette_floor, trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

FIGURES = ("light_return", "window", "extinction", "absorbed", "brightness")
SIZES = (
    "length_mm", "width_mm", "depth_mm", "table_percent", "crown_height_mm", "pavilion_depth_mm",
    "girdle_min_mm", "girdle_mean_mm",
)  # fmt: skip


@dataclass(frozen=True)
class Lights:
    """Figures before and after, and their paired differences, by name."""

    before: dict[str, Estimate]
    after: dict[str, Estimate]
    change: dict[str, Estimate]


@dataclass(frozen=True)
class Recut:
    """All that is said of a re-cut: floor_carats: what it must not fall below; light: None where nothing is cut."""

    stone: CutStone
    plan: Plan
    checked: Checked
    floor_carats: float
    source: Light
    seed: int
    light: Lights | None


def recut_stone(
    stone: CutStone, floor_carats: float | None = None, source: Light | None = None, *,
    rays: int = 1 << 17, seed: int = 1, progress: ProgressBar = silent,
) -> Recut:  # fmt: skip
    """The best re-cut of a stone, and the light before and after.

    Parameters
    ----------
    floor_carats: that it must not fall below, by default the file's.
    source: the light around it, by default the hemisphere.
    rays: for the light before and after.

    Raises FacetraceError where the re-cut does not pass its check by separate code.
    """
    floor = stone.model.floor_carats if floor_carats is None else floor_carats
    source = source or find_light("hemisphere")
    with progress("trying cuts, then light (the first run compiles)") as done:
        plan = plan_of(stone, floor)
        checked = checked_of(stone, plan, floor)
        require(stone, checked)
        done(0.5)
        light = light_of(stone, plan, source, rays, seed) if plan.cuts else None
    return Recut(stone, plan, checked, floor, source, seed, light)


def sizes_of(stone: CutStone, solid: Solid) -> SolidMeasures:
    """Measures of a solid that weighs as much as the balance makes it."""
    return measure(solid, stone.density)


def state_of(stone: CutStone, solid: Solid) -> dict[str, float]:
    """Carats, and SIZES in mm and %, as they are printed."""
    sizes = sizes_of(stone, solid)
    return {"carats": stone.carats(solid)} | {n: getattr(sizes, n) for n in SIZES}


def checked_of(stone: CutStone, plan: Plan, floor: float) -> Checked:
    """What separate code says of a plan and of the sizes that are printed. Raises FacetraceError."""
    before, after = (state_of(stone, s.solid) for s in (plan.before, plan.after))
    return check(stone, plan, floor, before, after)


def light_of(stone: CutStone, plan: Plan, light: Light, rays: int, seed: int) -> Lights:
    """Face-up figures before and after with the same random numbers."""
    medium = medium_of(stone.material, observer())
    scenes = [
        aligned(scene_of(s.solid, medium, stone.axis, light, View()))
        for s in (plan.before, plan.after)
    ]
    floor = roulette_floor(scenes[0], seed)
    sums = [trace_sums(s, points_for(rays), seed, floor=floor) for s in scenes]
    before, after = (face_up(s, c).measures for s, c in zip(sums, scenes, strict=True))
    change = difference(sums[1], scenes[1], sums[0], scenes[0], FIGURES)
    return Lights({n: before[n] for n in FIGURES}, {n: after[n] for n in FIGURES}, change)


def worth_it(stone: CutStone, plan: Plan, light: Lights | None) -> bool:
    """Something goes, and light returned does not surely fall by more than the limit."""
    return any(f.gone for f in plan.fates) and not darker(stone, light)


def darker(stone: CutStone, light: Lights | None) -> bool:
    """Whether light returned surely falls by more than the limit."""
    if light is None:
        return False
    change = light.change["light_return"]
    reach = SURE_ERRORS * change.stderr
    return change.value + reach < -stone.model.limits.light_points / 100
