"""Pictures for pages: pixels without words, so that a page can name and scale them."""

import io

import numpy as np
from matplotlib import colormaps
from numpy.typing import NDArray
from PIL import Image

Floats = NDArray[np.float64]

KIND = "image/webp"
# maps go from dark blue over grey to yellow, which all kinds of colour vision tell apart
MAP = "cividis"


def encoded(pixels: Floats) -> bytes:
    """Pixels (height, width, 3 or 4) in [0, 1] as WebP without loss."""
    levels = np.round(255 * np.clip(pixels, 0, 1)).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(levels).save(buffer, "WEBP", lossless=True, quality=60, method=4)
    return buffer.getvalue()


def map_pixels(shares: Floats, cover: Floats) -> Floats:
    """A map (height, width) of shares from 0 to 1 in colours; transparent where the stone is not."""
    shades = colormaps[MAP](np.nan_to_num(np.clip(shares, 0, 1)))
    shades[..., 3] = cover
    return np.asarray(shades)


def scale_colours(count: int = 9) -> list[str]:
    """Colours of the maps' scale from 0 to 1, as CSS has them."""
    rows = np.round(255 * np.asarray(colormaps[MAP](np.linspace(0, 1, count))[:, :3])).astype(int)
    return [f"rgb({r} {g} {b})" for r, g, b in rows]
