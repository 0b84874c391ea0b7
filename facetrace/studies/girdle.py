"""The girdle: ground, polished smooth, or polished in flats, on the same blank.

Crown and pavilion stay as designed; only how far they stand apart, the finish and the flats of the
girdle change. All finishes of one setting share their random numbers and the floor of roulette.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from facetrace.common.ledger import Key, Kind, Row
from facetrace.design.model import Design
from facetrace.kernel.tally import (
    SUM_ABSORBED,
    SUM_EXTINCTION,
    SUM_LIT,
    SUM_WINDOW,
    SUM_Y,
    SUMS,
)
from facetrace.optics.lights import Light
from facetrace.solid.girdle import GIRDLE, Blank, blank_of, flats_in, lift_for
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import SURE_ERRORS, cells, number
from facetrace.trace.faceup import Estimate, Floats, estimates, face_up
from facetrace.trace.paired import aligned, difference
from facetrace.trace.run import Sums, roulette_floor, trace_sums
from facetrace.trace.scene import Medium, View, scene_of

GROUND, POLISHED, FLATS = "ground", "polished", "flats"
# light that went in and did not come back from a lit direction
LOST = (SUM_WINDOW, SUM_EXTINCTION, SUM_ABSORBED)
# the trade's claim: a hundred small facets on a polished girdle bring back that share of the light
# lost (common practice, no source)
CLAIM = (0.03, 0.05)
CLAIM_FLATS = 100
# about a hundred: what a gear of 96 teeth gives
NEAR_CLAIM = (80, 130)

SIZES = ("carats", "carats_to_smooth", "girdle_mean_mm", "girdle_min_mm")
FIGURES = ("light_return", "window", "extinction", "brightness", "lost")
KEY = ("stone", "thickness_mm", "eye_tilt", "finish", "flats")


@dataclass(frozen=True)
class Setting:
    """What all rows share.

    media: the stone's medium by what it is called, coloured or clear; density in g/cm^3; axis: tilt
    and azimuth of c, degrees; roughness alpha of the ground girdle (kernel.ground); thicknesses: mean
    heights of the smooth girdle, mm; tilts of the eye off the zenith towards *azimuth*,
    degrees; flats: their numbers; points of each of 128 sets.
    """

    media: Mapping[str, Medium]
    density: float
    axis: tuple[float, float]
    light: Light
    roughness: float
    thicknesses: tuple[float, ...]
    tilts: tuple[float, ...]
    azimuth: float
    flats: tuple[int, ...]
    points: int
    seed: int

    @property
    def finishes(self) -> tuple[tuple[str, int], ...]:
        """(finish, number of flats wished; 0 for smooth), ground first."""
        return ((GROUND, 0), (POLISHED, 0), *((FLATS, n) for n in self.flats))


def columns() -> dict[str, Kind]:
    """The columns of a row and what reads them from text."""
    kinds: dict[str, Kind] = {
        "stone": str, "thickness_mm": float, "eye_tilt": float, "finish": str, "flats": int,
    }  # fmt: skip
    kinds |= {"facets": int, **dict.fromkeys(SIZES, float)}
    for name in (*FIGURES, "gain", "recovered", "flats_recovered"):
        kinds |= {name: float, f"{name}_stderr": float}
    return kinds


def plan(setting: Setting) -> list[Key]:
    """Keys of all rows, in the order in which they are made."""
    return [
        (stone, thickness, tilt, finish, flats)
        for thickness in setting.thicknesses
        for stone in setting.media
        for tilt in setting.tilts
        for finish, flats in setting.finishes
    ]


def sweep(design: Design, setting: Setting, done: Mapping[Key, Row]) -> Iterator[Row]:
    """Rows of ``plan`` in its order; those already *done* come back as they are.

    carats_to_smooth: what flats cost (below 0); gain: light returned minus that with the ground
    girdle; recovered: gain as a share of the light lost with the ground girdle; flats_recovered: the
    same against the smooth polished girdle. Raises DesignError, FacetraceError (``solid.girdle``).
    """
    blank: Blank | None = None
    for thickness in setting.thicknesses:
        stones: list[Solid] = []
        for stone, medium in setting.media.items():
            for tilt in setting.tilts:
                keys = [(stone, thickness, tilt, *finish) for finish in setting.finishes]
                if all(key in done for key in keys):
                    yield from (done[key] for key in keys)
                    continue
                blank = blank or blank_of(design)
                stones = stones or _stones(blank, thickness, setting)
                rows = _group(stones, medium, tilt, setting)
                for key, row in zip(keys, rows, strict=True):
                    named: Row = dict(zip(KEY, key, strict=True))
                    yield named | row


def _stones(blank: Blank, thickness: float, setting: Setting) -> list[Solid]:
    lift = lift_for(blank, thickness)
    smooth = blank.stone(blank.outline, lift)
    cut = [blank.stone(flats_in(blank.outline, n), lift) for n in setting.flats]
    return [smooth, smooth, *cut]


def _group(stones: list[Solid], medium: Medium, tilt: float, setting: Setting) -> list[Row]:
    """One row for each finish, under one light and view."""
    view = View(eye_tilt=tilt, eye_azimuth=setting.azimuth)
    scenes = []
    for solid, (finish, _) in zip(stones, setting.finishes, strict=True):
        rough = {n: setting.roughness for n in solid.names if n.startswith(f"{GIRDLE} ")}
        ground = rough if finish == GROUND else None
        scene = scene_of(solid, medium, setting.axis, setting.light, view, ground=ground)
        scenes.append(aligned(scene))
    floor = roulette_floor(scenes[0], setting.seed)
    sums = [trace_sums(s, setting.points, setting.seed, floor=floor) for s in scenes]
    smooth = measure(stones[1], setting.density).carats
    rows = []
    for solid, scene, own in zip(stones, scenes, sums, strict=True):
        sizes = measure(solid, setting.density)
        row: Row = {
            "facets": sum(n.startswith(f"{GIRDLE} ") for n in solid.names),
            "carats": sizes.carats, "carats_to_smooth": sizes.carats - smooth,
            "girdle_mean_mm": sizes.girdle_mean_mm, "girdle_min_mm": sizes.girdle_min_mm,
        }  # fmt: skip
        found = face_up(own, scene).measures | {"lost": lost_light(own)}
        for name in FIGURES:
            row |= cells(name, found[name])
        gain = difference(own, scene, sums[0], scenes[0], ("light_return",))["light_return"]
        row |= cells("gain", gain)
        row |= cells("recovered", recovered(own, sums[0]))
        row |= cells("flats_recovered", recovered(own, sums[1]))
        rows.append(row)
    return rows


def lost_light(sums: Sums) -> Estimate:
    """Share of the light that goes in and is not returned: window, extinction and absorbed."""
    lost = list(LOST)
    return estimates(sums.rows, lambda t: t[:, lost].sum(axis=1)[:, None] / t[:, [SUM_Y]])[0]


def recovered(sums: Sums, before: Sums) -> Estimate:
    """Light returned more than *before*, as a share of the light lost before; a paired figure."""
    lost = [SUMS + column for column in LOST]

    def share(totals: Floats) -> Floats:
        after = totals[:, SUM_LIT] / totals[:, SUM_Y]
        was = totals[:, SUMS + SUM_LIT] / totals[:, SUMS + SUM_Y]
        gone = totals[:, lost].sum(axis=1) / totals[:, SUMS + SUM_Y]
        return np.asarray(((after - was) / gone)[:, None])

    return estimates(np.hstack([sums.rows, before.rows]), share)[0]


@dataclass(frozen=True)
class Verdict:
    """How the trade's claim fares over the rows with about a hundred flats.

    settings: how many there are; holds, beyond, below: how many lie in the claimed range, above it
    or below it by more than SURE_ERRORS; the others are undecided. best, worst: the rows that recover
    most and least.
    """

    settings: int
    holds: int
    beyond: int
    below: int
    best: Row
    worst: Row


def verdict(rows: Sequence[Row], stone: str) -> Verdict | None:
    """Over the rows of one stone, coloured or clear; None without about a hundred flats."""
    low, high = NEAR_CLAIM
    mine = [
        r for r in rows
        if r["stone"] == stone and r["finish"] == FLATS and low <= number(r, "facets") <= high
    ]  # fmt: skip
    if not mine:
        return None
    places = [_against_claim(r) for r in mine]
    return Verdict(
        len(mine), places.count("holds"), places.count("beyond"), places.count("below"),
        max(mine, key=lambda r: number(r, "recovered")),
        min(mine, key=lambda r: number(r, "recovered")),
    )  # fmt: skip


def _against_claim(row: Row) -> str:
    value, reach = number(row, "recovered"), SURE_ERRORS * number(row, "recovered_stderr")
    low, high = CLAIM
    if value + reach < low:
        return "below"
    if value - reach > high:
        return "beyond"
    return "holds" if low <= value - reach and value + reach <= high else "undecided"
