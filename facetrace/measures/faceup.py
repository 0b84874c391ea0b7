"""Face-up measures: where the eye's light comes from, brightness and colour.

Of all the light that the eye would receive from the stone's silhouette,

    light_return + window + extinction + absorbed + surface = 1

(shares weighted by the luminance of the illuminant):

    light_return  enters the stone from above its girdle plane, times the relative
                  radiance of the light in that direction
    extinction    the rest of those directions: dim sky, no sky, or the viewer's head
    window        comes from below the stone's girdle plane, through the pavilion
    absorbed      is taken up by the crystal
    surface       mirrored by the outer surface, never inside

Each is a mean over independent replicates; the standard error is that of this mean.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.paths import (
    COUNT_EVENTS,
    COUNT_HITS,
    COUNT_MISSES,
    GLARE_X,
    SEEN_X,
    SUM_ABSORBED,
    SUM_EXTINCTION,
    SUM_LIT,
    SUM_LOST,
    SUM_ROULETTE,
    SUM_SURFACE,
    SUM_WINDOW,
    SUM_X,
    SUM_Y,
)
from facetrace.optics.colour import LCh, lch_of
from facetrace.trace.run import Progress, Sums, points_for, trace_sums
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]

SHARES = {
    "light_return": SUM_LIT,
    "window": SUM_WINDOW,
    "extinction": SUM_EXTINCTION,
    "absorbed": SUM_ABSORBED,
    "surface": SUM_SURFACE,
}
# outcomes of a path that are no measure: roulette has mean 0, lost is a defect
UNNAMED = {"roulette": SUM_ROULETTE, "lost": SUM_LOST}

FIRST_ERROR_POINTS = 1 << 10
LAST_ERROR_POINTS = 1 << 22


@dataclass(frozen=True)
class Estimate:
    """A mean and its standard error."""

    value: float
    stderr: float


@dataclass(frozen=True)
class MeanColour:
    """Mean XYZ, white diffuser at Y = 1, and CIE L*C*h (None where one wavelength was traced)."""

    xyz: tuple[Estimate, Estimate, Estimate]
    lightness: Estimate | None
    chroma: Estimate | None
    hue_deg: Estimate | None


@dataclass(frozen=True)
class FaceUp:
    """All face-up figures of one trace.

    measures: the five shares and brightness (luminance relative to a perfect white diffuser
    under the same light); outcomes: every named end of a path, summing to 1; colour: the mean
    colour of all that the eye sees; within: without the light mirrored by the surface.
    """

    measures: dict[str, Estimate]
    outcomes: dict[str, float]
    colour: MeanColour
    within: MeanColour
    rays: int
    events: int
    seed: int


def _estimate(values: Floats) -> Estimate:
    return Estimate(float(values.mean()), float(values.std(ddof=1) / math.sqrt(len(values))))


def brightness_rows(sums: Sums, scene: Scene) -> Floats:
    """Brightness of each replicate."""
    return xyz_rows(sums, scene, glare=True)[:, 1]


def xyz_rows(sums: Sums, scene: Scene, *, glare: bool) -> Floats:
    """XYZ of each replicate (n, 3), relative to the white diffuser.

    Each is a ratio to the spectral weight that was launched, so that a stone as bright as
    its surroundings has exactly their colour. *glare*: with the surface's mirror light.
    """
    rows = sums.rows
    seen = rows[:, SEEN_X : SEEN_X + 3]
    if glare:
        seen = seen + rows[:, GLARE_X : GLARE_X + 3]
    ratio = seen / rows[:, SUM_X : SUM_X + 3]
    return np.asarray(ratio * scene.medium.white / scene.white_radiance)


def face_up(sums: Sums, scene: Scene) -> FaceUp:
    """Figures from sums."""
    rows = sums.rows
    weight = rows[:, SUM_Y]
    shares = {name: rows[:, column] / weight for name, column in (SHARES | UNNAMED).items()}
    measures = {name: _estimate(shares[name]) for name in SHARES}
    measures["brightness"] = _estimate(brightness_rows(sums, scene))
    return FaceUp(
        measures=measures,
        outcomes={name: float(values.mean()) for name, values in shares.items()},
        colour=_mean_colour(xyz_rows(sums, scene, glare=True), scene),
        within=_mean_colour(xyz_rows(sums, scene, glare=False), scene),
        rays=int(rows[:, COUNT_HITS].sum() + rows[:, COUNT_MISSES].sum()),
        events=int(rows[:, COUNT_EVENTS].sum()),
        seed=sums.seed,
    )


def _mean_colour(xyz: Floats, scene: Scene) -> MeanColour:
    """Colour of the mean; errors of L*C*h by leaving out one replicate at a time (jackknife)."""
    parts = (_estimate(xyz[:, 0]), _estimate(xyz[:, 1]), _estimate(xyz[:, 2]))
    if scene.medium.spectrum.shape[1] == 2:
        return MeanColour(parts, None, None, None)
    white = scene.medium.white
    total, count = xyz.sum(axis=0), len(xyz)
    best = _lch_row(lch_of(total / count, white))
    left_out = np.array([_lch_row(lch_of((total - row) / (count - 1), white)) for row in xyz])
    off = left_out - best
    off[:, 2] = (off[:, 2] + 180) % 360 - 180
    spread = np.sqrt((count - 1) / count * np.sum((off - off.mean(axis=0)) ** 2, axis=0))
    lightness, chroma, hue = (
        Estimate(float(v), float(s)) for v, s in zip(best, spread, strict=True)
    )
    return MeanColour(parts, lightness, chroma, hue)


def _lch_row(colour: LCh) -> Floats:
    return np.array([colour.lightness, colour.chroma, colour.hue_deg])


def trace_face_up(
    scene: Scene,
    seed: int,
    *,
    rays: int | None = None,
    error: float | None = None,
    report: Progress = lambda _: None,
) -> FaceUp:
    """Trace a scene for a number of rays, or until light return and brightness are that sure.

    *rays* is rounded up to 16 replicates of a power of two. With *error*, points are doubled
    until both standard errors are at most *error* (or 2^26 rays are spent: look at the result).
    """
    if error is None:
        return face_up(trace_sums(scene, points_for(rays or 1), seed, report=report), scene)
    sums = trace_sums(scene, FIRST_ERROR_POINTS, seed)
    while True:
        found = face_up_errors(sums, scene)
        report(min(0.99, (error / max(found, 1e-300)) ** 1.3))
        if found <= error or sums.points >= LAST_ERROR_POINTS:
            report(1.0)
            return face_up(sums, scene)
        sums = trace_sums(scene, 2 * sums.points, seed, first=sums)


def face_up_errors(sums: Sums, scene: Scene) -> float:
    """The larger standard error of light return and brightness."""
    lit = _estimate(sums.rows[:, SUM_LIT] / sums.rows[:, SUM_Y]).stderr
    return max(lit, _estimate(brightness_rows(sums, scene)).stderr)
