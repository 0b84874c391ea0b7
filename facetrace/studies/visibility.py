"""How visible the zones of a stone are: two pictures of it compared, with its zones and without.

Both are traced with the same random numbers and the same roulette, so that what the zone does not touch is the same to the
bit. Each picture is the sum of REPLICATES independent ones; leaving out one at a time gives the
standard errors (the delete-one jackknife: Efron & Tibshirani, "An Introduction to the Bootstrap",
ch. 11). Light mirrored by the surface, which hides zones, is left out.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.common.ledger import Cell, Row
from facetrace.optics.colour import delta_e_2000, lch_of, pixel_differences
from facetrace.solid.measure import carats_at
from facetrace.studies.rows import SURE_ERRORS, number
from facetrace.studies.zoned import KEY, Candidate, Cut, Subject, cut_of, scenes
from facetrace.trace.faceup import Estimate, light_return_of, xyz_of
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.run import MARGIN, Pixels, Progress, roulette_floor, trace_pixels
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]

REPLICATES = 8
# pixels along a side: fewer show no zone, more cost time (a large stone gets larger pixels)
FEWEST, MOST = 24, 64
# a pixel's largest difference counts where the stone fills so much of it
FILLED = 0.5
PORTRAIT_SAMPLES = 32
# each with its standard error in a column NAME_stderr
FIGURES = ("share", "most", "lightness", "chroma", "hue_deg", "change", "light", "light_change")
NAMES = (
    *KEY, *(n for f in FIGURES for n in (f, f"{f}_stderr")),
    "carats", "scale", "x_mm", "y_mm", "z_mm", "axis_tilt", "axis_azimuth", "pixel_mm",
)  # fmt: skip
COLUMNS: dict[str, Callable[[str], Cell]] = dict.fromkeys(NAMES, float) | {"remark": str}


@dataclass(frozen=True)
class VisibilityTest:
    """How finely and how surely zones are looked for, and from which difference on they show.

    threshold: CIEDE2000 from which a pixel counts; about 1 is just seen side by side by a trained
    eye, 2 to 3 by others (memory). pixel_mm: edge of a pixel; a minute of arc, about what an eye
    parts, is 0.08 mm at 28 cm, and a pixel shares rays with its neighbours. samples: rays in each
    pixel of each replicate.
    """

    threshold: float = 2.0
    pixel_mm: float = 0.15
    samples: int = 8
    seed: int = 1


def whole_mm(*scenes: Scene) -> float:
    """Width of a picture that shows all of the stone in each scene, mm."""
    return max((1 + MARGIN) * float(np.ptp(scene.outline, axis=0).max()) for scene in scenes)


def grid_of(scene: Scene, pixel_mm: float) -> tuple[int, float]:
    """(pixels along a side, width in mm) of the picture that is compared."""
    whole = whole_mm(scene)
    size = math.ceil(whole / pixel_mm)
    if FEWEST <= size <= MOST:
        return size, size * pixel_mm
    return min(max(size, FEWEST), MOST), whole


@dataclass(frozen=True)
class Look:
    """One candidate's pictures: (REPLICATES, 2, height, width, columns), plain and with the zone."""

    cut: Cut
    plain: Scene
    zoned: Scene
    parts: Floats
    step_mm: float


def look_at(subject: Subject, candidate: Candidate, test: VisibilityTest) -> Look:
    """Trace a candidate with and without its zones."""
    return look_at_cut(subject, cut_of(subject, candidate), test)


def look_at_cut(subject: Subject, cut: Cut, test: VisibilityTest) -> Look:
    """Trace a stone that lies somewhere in the rough, with and without its zones."""
    plain, zoned = scenes(subject, cut)
    size, width = grid_of(plain, test.pixel_mm)
    floor = roulette_floor(plain, test.seed)
    parts = []
    for k in range(REPLICATES):
        seed = int(np.random.SeedSequence([test.seed, k]).generate_state(1)[0])
        parts.append([
            trace_pixels(
                scene, size, test.samples, seed, width_mm=width, floor=floor
            ).sums
            for scene in (plain, zoned)
        ])  # fmt: skip
    return Look(cut, plain, zoned, np.array(parts), width / size)


def apart(look: Look, sums: Floats) -> tuple[Floats, Floats]:
    """(CIEDE2000 per pixel with 0 off the stone, coverage) of sums (2, height, width, columns)."""
    before, after = (
        face_maps(Pixels(part, look.step_mm, 1), scene)
        for part, scene in zip(sums, (look.plain, look.zoned), strict=True)
    )
    gap = pixel_differences(before.xyz, after.xyz, look.plain.medium.white)
    return np.nan_to_num(gap), before.coverage


def face_pictures(
    shown: Sequence[Scene], size: int, samples: int, seed: int, report: Progress = lambda _: None
) -> list[FaceMaps]:
    """Fine pictures of scenes, all at one scale: *size* pixels along a side, *samples* rays in each."""
    width = whole_mm(*shown) if shown else 0.0
    maps: list[FaceMaps] = []
    for scene in shown:
        pixels = trace_pixels(scene, size, samples, seed, width_mm=width, picture=True)
        maps.append(face_maps(pixels, scene))
        report(len(maps) / len(shown))
    return maps


def _within(sums: Floats, scene: Scene) -> Floats:
    """Mean XYZ from within the stone, of a picture's sums."""
    return np.asarray(xyz_of(sums.sum(axis=(0, 1))[None], scene, glare=False)[0])


def _light(sums: Floats) -> float:
    return float(light_return_of(sums.sum(axis=(0, 1))[None])[0])


def _figures(look: Look, sums: Floats, threshold: float, base: Floats) -> Floats:
    """FIGURES of sums (2, height, width, columns); *base*: mean XYZ of the plain base stone."""
    gap, coverage = apart(look, sums)
    white = look.plain.medium.white
    mean = lch_of(_within(sums[1], look.zoned), white)
    change = delta_e_2000(lch_of(_within(sums[0], look.plain), white), lch_of(base, white))
    return np.array([
        float(coverage[gap > threshold].sum() / coverage.sum()),
        float(gap[coverage >= FILLED].max()),
        mean.lightness, mean.chroma, mean.hue_deg,
        change,
        _light(sums[1]), _light(sums[1]) - _light(sums[0]),
    ])  # fmt: skip


def _left_out(parts: Floats) -> Iterator[Floats]:
    total = parts.sum(axis=0)
    for part in parts:
        yield total - part


def row_of(
    candidate: Candidate, look: Look, base: Look, test: VisibilityTest, density: float
) -> Row:
    """All figures of a candidate; a row of the table. *base*: the look at BASE with the same test."""
    value = _figures(
        look, look.parts.sum(axis=0), test.threshold,
        _within(base.parts.sum(axis=0)[0], base.plain),
    )  # fmt: skip
    others = np.array([
        _figures(look, part, test.threshold, _within(of_base[0], base.plain))
        for part, of_base in zip(_left_out(look.parts), _left_out(base.parts), strict=True)
    ])  # fmt: skip
    off = others - value
    hue = FIGURES.index("hue_deg")
    off[:, hue] = (off[:, hue] + 180) % 360 - 180
    spread = off - off.mean(axis=0)
    error = np.sqrt((REPLICATES - 1) / REPLICATES * np.sum(spread**2, axis=0))
    row: Row = dict(zip(KEY, candidate.key, strict=True))
    for name, v, e in zip(FIGURES, value, error, strict=True):
        row[name], row[f"{name}_stderr"] = float(v), float(e)
    cut = look.cut
    row["carats"] = carats_at(cut.solid.volume, density)
    row["scale"] = cut.scale
    row |= dict(zip(("x_mm", "y_mm", "z_mm"), map(float, cut.shift), strict=True))
    row["axis_tilt"], row["axis_azimuth"] = cut.axis
    row["pixel_mm"] = look.step_mm
    row["remark"] = None
    return row


def estimate(row: Mapping[str, Cell], name: str) -> Estimate:
    """A figure with its standard error, which rests on REPLICATES - 1 degrees of freedom."""
    return Estimate(number(row, name), number(row, f"{name}_stderr"), REPLICATES - 1)


def hidden(row: Mapping[str, Cell], allow: float) -> bool:
    """Whether the zone hides: its share of the face is at most *allow*, or known that well and not told from 0."""
    share = estimate(row, "share")
    unsure = share.value <= SURE_ERRORS * share.stderr and share.stderr <= allow
    return share.value <= allow or unsure
