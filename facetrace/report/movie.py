"""A movie's frames with what is written under them, as WebP or GIF."""

import io
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from matplotlib import get_data_path
from PIL import Image, ImageDraw, ImageFont

from facetrace.results.movie import MovieFile, angles, caption, title
from facetrace.studies.movie import Movie

SUFFIXES = (".webp", ".gif")
# the steps of time that each format knows, ms
TICK_MS = {".webp": 1, ".gif": 10}

MARGIN_PX = 6
LINE_PX = 13
TITLE_PX, TEXT_PX = 12, 10
# text and paper around the picture
INK, DIM, PAGE = (0, 0, 0), (64, 64, 64), (255, 255, 255)
# colours of a GIF: occurrences count by their root, so that small flashes get a share of them
PALETTE = 256
PALETTE_BITS = 5


@lru_cache(maxsize=4)
def _font(pixels: int) -> ImageFont.FreeTypeFont:
    path = Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(str(path), pixels)


def _wrapped(text: str, font: ImageFont.FreeTypeFont, width: int) -> list[str]:
    """Lines of *text* that are at most *width* pixels wide; a long word is cut."""
    lines = [""]
    for word in text.split():
        while font.getlength(word) > width:
            word = word[:-2] + "…"
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def movie_bytes(movie: Movie, file: MovieFile) -> bytes:
    """The movie as a file of that kind."""
    pages = _captioned(movie)
    return _encoded(pages, file.path.suffix.lower(), file.frame_ms, file.quality)


def _captioned(movie: Movie) -> list[Image.Image]:
    """Frames with a bar of 1 mm and, underneath, the title, the angles of each, and common lines.

    The page is drawn once; only the angles change, in figures of one width, so nothing flickers.
    """
    size = movie.camera.size
    room = size - 2 * MARGIN_PX
    name, small = _font(TITLE_PX), _font(TEXT_PX)
    head = _wrapped(title(movie), name, room)
    body = [part for line in caption(movie) for part in _wrapped(line, small, room)]
    height = size + 2 * MARGIN_PX + LINE_PX * (len(head) + 1 + len(body))
    page = Image.new("RGB", (size, height), PAGE)
    pen = ImageDraw.Draw(page)
    y = size + MARGIN_PX
    for text in head:
        pen.text((MARGIN_PX, y), text, fill=INK, font=name)
        y += LINE_PX
    place = (MARGIN_PX, y + 1)
    for text in body:
        y += LINE_PX
        pen.text((MARGIN_PX, y + 1), text, fill=DIM, font=small)
    pages = []
    for frame, text in zip(movie.frames, angles(movie), strict=True):
        image = page.copy()
        image.paste(Image.fromarray(frame), (0, 0))
        pen = ImageDraw.Draw(image)
        pen.text(place, text, fill=DIM, font=small)
        bar = 1.0 / movie.camera.step_mm
        pen.line((8, size - 8, 8 + bar, size - 8), fill=INK, width=2)
        pen.text((8, size - 22), "1 mm", fill=INK, font=small)
        pages.append(image)
    return pages


def _encoded(
    pages: Sequence[Image.Image], suffix: str, frame_ms: int, quality: int | None
) -> bytes:
    """The movie as a file that loops for ever: ".webp" (lossless without *quality*), ".gif".

    A GIF has one palette for all frames and no dither, whose grain would swim.
    """
    buffer = io.BytesIO()
    if suffix == ".gif":
        palette = _palette(pages)
        pages = [page.quantize(palette=palette, dither=Image.Dither.NONE) for page in pages]
        how: dict[str, object] = {"optimize": False, "disposal": 1}
    else:
        how = {"lossless": quality is None, "quality": 60 if quality is None else quality}
        how["method"] = 4
    pages[0].save(
        buffer, format=suffix[1:].upper(), save_all=True, append_images=pages[1:],
        duration=frame_ms, loop=0, **how,
    )  # fmt: skip
    return buffer.getvalue()


def _palette(pages: Sequence[Image.Image]) -> Image.Image:
    """One palette for all frames: median cut over their colours, each by the root of its count."""
    shift = 8 - PALETTE_BITS
    count = np.zeros(1 << (3 * PALETTE_BITS))
    total = np.zeros((len(count), 3))
    for page in pages:
        rgb = np.asarray(page).reshape(-1, 3)
        cell = rgb >> shift
        number = (cell[:, 0].astype(int) << 2 * PALETTE_BITS) | (
            cell[:, 1].astype(int) << PALETTE_BITS
        )
        number |= cell[:, 2]
        count += np.bincount(number, minlength=len(count))
        for k in range(3):
            total[:, k] += np.bincount(number, weights=rgb[:, k], minlength=len(count))
    met = count > 0
    colours = np.round(total[met] / count[met, None]).astype(np.uint8)
    often = np.maximum(1, np.sqrt(count[met] / len(pages))).astype(int)
    row = np.repeat(colours, often, axis=0)[None]
    return Image.fromarray(row).quantize(PALETTE, method=Image.Quantize.MEDIANCUT)
