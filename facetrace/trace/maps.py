"""Maps over the face of the stone, and the share of its area where each outcome dominates."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

from facetrace.kernel.light import LIGHT_LAMPS
from facetrace.kernel.tally import COUNT_HITS, COUNT_MISSES, GLARE_X, SEEN_X, SUM_X, SUM_Y
from facetrace.trace.faceup import SHARES
from facetrace.trace.run import Pixels
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]

THROUGH = ("light_return", "window", "extinction")
KINDS = (*THROUGH, "absorbed")
# what a map needs of a pixel's sums
COLUMNS = [
    COUNT_HITS, COUNT_MISSES, SUM_Y, *SHARES.values(), *range(SEEN_X, SEEN_X + 3), *range(GLARE_X, GLARE_X + 3),
]  # fmt: skip


@dataclass(frozen=True)
class FaceMaps:
    """Per pixel (height, width): coverage by the stone, XYZ relative to white, and the shares.

    xyz: from within the stone; glare: mirrored by its surface. Shares and XYZ are NaN where
    no ray met the stone. dominant: share of the stone's area where each of the four outcomes
    inside the stone is the largest; leading: the same among light return, window and
    extinction alone, which tells the cut apart from the colour. lamps: whether the light has any, much
    brighter than white.
    """

    coverage: Floats
    xyz: Floats
    glare: Floats
    shares: dict[str, Floats]
    dominant: dict[str, float]
    leading: dict[str, float]
    step_mm: float
    lamps: bool = False


def face_maps(pixels: Pixels, scene: Scene) -> FaceMaps:
    """Maps from the sums of each pixel and, by a binomial filter, of its neighbours."""
    # in one pixel the few wavelengths drawn do not sum to white; the expectation does
    counts = pixels.sums[..., COUNT_HITS]
    total = pixels.sums[..., SUM_X : SUM_X + 3].sum(axis=(0, 1)) / counts.sum()
    sums = {column: _smoothed(pixels.sums[..., column]) for column in COLUMNS}
    hits = sums[COUNT_HITS]
    coverage = hits / np.maximum(hits + sums[COUNT_MISSES], 1)
    weight = np.where(hits > 0, sums[SUM_Y], np.nan)
    shares = {name: sums[column] / weight for name, column in SHARES.items()}
    launched = np.where(hits > 0, hits, np.nan)[..., None]
    scale = scene.medium.white / scene.white_radiance / total / launched

    def xyz(first: int) -> Floats:
        return np.asarray(np.stack([sums[first + k] for k in range(3)], axis=-1) * scale)

    return FaceMaps(
        coverage=coverage,
        xyz=xyz(SEEN_X),
        glare=xyz(GLARE_X),
        shares=shares,
        dominant=_area_won(shares, KINDS, hits),
        leading=_area_won(shares, THROUGH, hits),
        step_mm=pixels.step_mm,
        lamps=len(scene.light) > LIGHT_LAMPS,
    )


def _smoothed(sums: Floats) -> Floats:
    """(height, width): rays of a pixel count for its neighbours too, 1 2 1 across, 1 2 1 down (sum 16)."""
    # in one piece of memory first, which takes half the time
    sums = np.ascontiguousarray(sums)
    for axis in (0, 1):
        sums = correlate1d(sums, [0.25, 0.5, 0.25], axis=axis, mode="nearest")
    return sums


def _area_won(shares: dict[str, Floats], kinds: tuple[str, ...], hits: Floats) -> dict[str, float]:
    stack = np.stack([np.nan_to_num(shares[k], nan=-1.0) for k in kinds])
    winner = np.argmax(stack, axis=0)
    return {k: float(hits[winner == i].sum() / hits.sum()) for i, k in enumerate(kinds)}
