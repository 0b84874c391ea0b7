"""Maps over the face of the stone, and the share of its area where each outcome dominates."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.paths import COUNT_HITS, COUNT_MISSES, GLARE_X, SEEN_X, SUM_X, SUM_Y
from facetrace.measures.faceup import SHARES
from facetrace.trace.run import Pixels
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]

KINDS = ("light_return", "window", "extinction", "absorbed")


@dataclass(frozen=True)
class FaceMaps:
    """Per pixel (height, width): coverage by the stone, XYZ relative to white, and the shares.

    Shares and XYZ are NaN where no ray met the stone. dominant: share of the stone's area
    where each of the four outcomes inside the stone is the largest.
    """

    coverage: Floats
    xyz: Floats
    shares: dict[str, Floats]
    dominant: dict[str, float]
    step_mm: float


def face_maps(pixels: Pixels, scene: Scene) -> FaceMaps:
    """Maps from the sums of each pixel."""
    sums = pixels.sums
    hits = sums[..., COUNT_HITS]
    coverage = hits / np.maximum(hits + sums[..., COUNT_MISSES], 1)
    weight = np.where(hits > 0, sums[..., SUM_Y], np.nan)
    shares = {name: sums[..., column] / weight for name, column in SHARES.items()}
    # in one pixel the few wavelengths drawn do not sum to white; the expectation does
    launched = np.where(hits > 0, hits, np.nan)[..., None]
    seen = sums[..., SEEN_X : SEEN_X + 3] + sums[..., GLARE_X : GLARE_X + 3]
    total = sums[..., SUM_X : SUM_X + 3].sum(axis=(0, 1)) / hits.sum()
    xyz = seen / launched / total * scene.medium.white / scene.white_radiance
    stack = np.stack([shares[k] for k in KINDS])
    area = hits.sum()
    winner = np.argmax(np.nan_to_num(stack, nan=-1.0), axis=0)
    dominant = {k: float(hits[winner == i].sum() / area) for i, k in enumerate(KINDS)}
    return FaceMaps(coverage, xyz, shares, dominant, pixels.step_mm)
