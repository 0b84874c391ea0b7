"""A stone as a screen shows it: sRGB of its maps on grey paper."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from facetrace.optics.colour import dimmed, srgb_of
from facetrace.trace.maps import FaceMaps

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

# what luminance 1 of a picture is, at exposure 1
WHITE = "a perfect white diffuser that lies flat in the same light"
# luminance of the paper behind the stone, relative to the white diffuser
PAPER = 0.55


def face_pixels(
    maps: FaceMaps, white: Floats, exposure: float, glare: bool
) -> tuple[Floats, float]:
    """sRGB (height, width, 3) of the stone on grey paper, and the share of its pixels out of gamut.

    *exposure* multiplies luminance: at 1 the white diffuser is just white. *glare*: with the
    light mirrored by the outer surface. Flashes of lamps that are too bright for the screen
    keep their chromaticity.
    """
    cover = maps.coverage[..., None]
    stone = _seen(maps, glare)
    if maps.lamps:
        stone, _ = dimmed(stone, white, exposure)
    stone_rgb, outside = srgb_of(stone, white, exposure)
    paper_rgb, _ = srgb_of(white * PAPER, white, 1.0)
    share = outside * stone[..., 0].size / max(1, int((maps.coverage > 0).sum()))
    return stone_rgb * cover + paper_rgb * (1 - cover), share


def frame_pixels(
    maps: FaceMaps, white: Floats, exposure: float, glare: bool
) -> tuple[Bytes, float]:
    """sRGB (size, size, 3) of a movie's frame, and the share of the stone that is too bright for the screen.

    What is too bright keeps its chromaticity and is as bright as the screen can show that.
    """
    shown, bright = dimmed(_seen(maps, glare), white, exposure)
    flat = replace(maps, xyz=shown, glare=np.zeros_like(shown))
    pixels, _ = face_pixels(flat, white, exposure, False)
    share = float((bright * maps.coverage).sum() / max(maps.coverage.sum(), 1e-300))
    return np.round(255 * pixels).astype(np.uint8), share


def _seen(maps: FaceMaps, glare: bool) -> Floats:
    return np.nan_to_num(maps.xyz + maps.glare if glare else maps.xyz, nan=0.0)
