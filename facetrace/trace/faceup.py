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

The silhouette is cut into 64 strata, each sampled by two independent sets of points with
sums A and B. A figure T is a function of the total of all sums; with D = A - B its variance is
the sum over strata of (T(total + D) - T(total - D))^2 / 4: exact for linear figures (two
samples per stratum; Cochran, "Sampling Techniques", ch. 5), to first order for ratios and
colours.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from facetrace.kernel.tally import (
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
from facetrace.optics.colour import lab_of
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
# light that went in and did not come back from a lit direction
LOST = (SUM_WINDOW, SUM_EXTINCTION, SUM_ABSORBED)
COLOUR = ("lightness", "chroma", "hue_deg")
# outcomes of a path that are no measure: roulette has mean 0, lost is a defect
UNNAMED = {"roulette": SUM_ROULETTE, "lost": SUM_LOST}

FIRST_ERROR_POINTS = 1 << 7
LAST_ERROR_POINTS = 1 << 19


@dataclass(frozen=True)
class Estimate:
    """A figure, its standard error, and how many independent differences that rests on.

    dof: degrees of freedom of *stderr* after Satterthwaite, Biometrics Bull. 2, 110 (1946): 64
    where all strata carry the error alike, few where few do (a small window).
    """

    value: float
    stderr: float
    dof: float = math.inf

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """The range that covers the truth in that share of all runs, by Student's t."""
        reach = float(stdtrit(self.dof, 0.5 + share / 2)) * self.stderr
        return self.value - reach, self.value + reach


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


Figure = Callable[[Floats], Floats]


def estimates(rows: Floats, figure: Figure, period: float | None = None) -> list[Estimate]:
    """Values and standard errors of a vector-valued *figure* of the columns' totals.

    *figure* takes totals (n, columns) to values (n, k). *period* of a cyclic value.
    """
    pairs = rows.reshape(-1, 2, rows.shape[1])
    total = rows.sum(axis=0)
    apart = pairs[:, 0] - pairs[:, 1]
    half = (figure(total + apart) - figure(total - apart)) / 2
    if period:
        half = (2 * half + period / 2) % period / 2 - period / 4
    variance = np.sum(half**2, axis=0)
    # Satterthwaite's estimate is low where each part has one degree of freedom: E half^4 is
    # 3 variance^2; with that taken out a single stratum gives 1 and 64 alike give 64
    fourth = np.maximum(np.sum(half**4, axis=0), 1e-300)
    dof = np.clip(3 * variance**2 / fourth - 2, 1, len(pairs))
    value = figure(total[None])[0]
    return [
        Estimate(float(v), float(e), float(d))
        for v, e, d in zip(value, np.sqrt(variance), dof, strict=True)
    ]


def xyz_of(totals: Floats, scene: Scene, *, glare: bool) -> Floats:
    """XYZ (n, 3) of totals (n, columns), relative to the white diffuser.

    Each is a ratio to the spectral weight that was launched, so that a stone as bright as
    its surroundings has exactly their colour. *glare*: with the surface's mirror light.
    """
    seen = totals[:, SEEN_X : SEEN_X + 3]
    if glare:
        seen = seen + totals[:, GLARE_X : GLARE_X + 3]
    ratio = seen / totals[:, SUM_X : SUM_X + 3]
    return np.asarray(ratio * scene.medium.white / scene.white_radiance)


def _lch(xyz: Floats, white: Floats) -> Floats:
    """L*, C* and h in degrees (n, 3) of XYZ (n, 3)."""
    lab = lab_of(xyz, white)
    hue = np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) % 360
    return np.column_stack([lab[:, 0], np.hypot(lab[:, 1], lab[:, 2]), hue])


def light_return_of(totals: Floats) -> Floats:
    """Share of the light that is returned, (n,), of totals (n, columns)."""
    return np.asarray(totals[:, SUM_LIT] / totals[:, SUM_Y])


def lost_light_of(totals: Floats) -> Floats:
    """Share of the light that goes in and is not returned: window, extinction and absorbed; as ``light_return_of``."""
    return np.asarray(totals[:, list(LOST)].sum(axis=1) / totals[:, SUM_Y])


def lost_light(sums: Sums) -> Estimate:
    """``lost_light_of`` with its error."""
    return estimates(sums.rows, lambda totals: lost_light_of(totals)[:, None])[0]


def share_of(sums: Sums, name: str) -> Estimate:
    """One of SHARES with its error."""
    columns = [SHARES[name]]
    return estimates(sums.rows, lambda totals: totals[:, columns] / totals[:, [SUM_Y]])[0]


def figures_of(totals: Floats, scene: Scene, names: Sequence[str]) -> Floats:
    """Named figures (n, k) of totals (n, columns): SHARES, brightness, lightness, chroma, hue_deg.

    The colour is that of all that the eye sees; its figures need a spectrum, not one line.
    """
    known = {k: totals[:, column] / totals[:, SUM_Y] for k, column in SHARES.items()}
    xyz = xyz_of(totals, scene, glare=True)
    known["brightness"] = xyz[:, 1]
    if any(name in COLOUR for name in names):
        known |= dict(zip(COLOUR, _lch(xyz, scene.medium.white).T, strict=True))
    return np.column_stack([known[name] for name in names])


def face_up(sums: Sums, scene: Scene) -> FaceUp:
    """Figures from sums."""
    rows = sums.rows
    columns = list((SHARES | UNNAMED).values())

    # all at once, which takes half the time
    def figures(totals: Floats) -> Floats:
        with_glare, within = (xyz_of(totals, scene, glare=glare) for glare in (True, False))
        return np.hstack([totals[:, columns] / totals[:, [SUM_Y]], with_glare, within])

    *shares, x, y, z, x_within, y_within, z_within = estimates(rows, figures)
    named = dict(zip(SHARES | UNNAMED, shares, strict=True))
    lightness: Sequence[Estimate | None] = [None] * 4
    hues: Sequence[Estimate | None] = [None] * 2
    if scene.medium.spectrum.shape[1] > 2:

        def lch(totals: Floats) -> Floats:
            both = (xyz_of(totals, scene, glare=glare) for glare in (True, False))
            return np.hstack([_lch(xyz, scene.medium.white) for xyz in both])

        lightness = estimates(rows, lambda totals: lch(totals)[:, [0, 1, 3, 4]])
        hues = estimates(rows, lambda totals: lch(totals)[:, [2, 5]], period=360.0)
    return FaceUp(
        measures={name: named[name] for name in SHARES} | {"brightness": y},
        outcomes={name: estimate.value for name, estimate in named.items()},
        colour=MeanColour((x, y, z), lightness[0], lightness[1], hues[0]),
        within=MeanColour((x_within, y_within, z_within), lightness[2], lightness[3], hues[1]),
        rays=int(rows[:, COUNT_HITS].sum() + rows[:, COUNT_MISSES].sum()),
        events=int(rows[:, COUNT_EVENTS].sum()),
        seed=sums.seed,
    )


def trace_face_up(
    scene: Scene,
    seed: int,
    *,
    rays: int | None = None,
    error: float | None = None,
    sure_of: tuple[str, ...] = ("light_return", "brightness"),
    report: Progress = lambda _: None,
) -> FaceUp:
    """Trace a scene for a number of rays, or until its figures are that sure.

    *rays* is rounded up to 128 sets of a power of two. With *error*, points are added
    until the standard errors of *sure_of* are at most *error* (or 2^26 rays are spent: look at
    the result).
    """
    if error is None:
        return face_up(trace_sums(scene, points_for(rays or 1), seed, report=report), scene)
    sums = trace_sums(scene, FIRST_ERROR_POINTS, seed)
    while True:
        found = _largest_error(sums, scene, sure_of)
        report(min(0.99, (error / max(found, 1e-300)) ** 1.3))
        if found <= error or sums.points >= LAST_ERROR_POINTS:
            report(1.0)
            return face_up(sums, scene)
        sums = trace_sums(scene, _next_points(sums.points, found / error), seed, first=sums)


def _next_points(points: int, excess: float) -> int:
    """Points to go on to when the error is *excess* times what is wanted.

    One of 128, 192, 256, 384, ... (powers of two, where a net is best, and halfway between): the
    last that still falls short if the error falls as points^-3/4, its usual rate here.
    """
    enough = points * excess ** (4 / 3)
    while True:
        points = _step(points)
        if _step(points) > enough or points >= LAST_ERROR_POINTS:
            return points


def _step(points: int) -> int:
    power = 1 << (points.bit_length() - 1)
    return 2 * power if points > power else power + power // 2


def _largest_error(sums: Sums, scene: Scene, names: tuple[str, ...]) -> float:
    found = estimates(sums.rows, lambda totals: figures_of(totals, scene, names))
    return max(estimate.stderr for estimate in found)
