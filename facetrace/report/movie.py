"""Frames of a moving stone, all with one exposure, white and scale, as WebP or GIF."""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from matplotlib import get_data_path
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from facetrace.kernel.light import LIGHT_LAMPS
from facetrace.optics.colour import dimmed
from facetrace.report.picture import face_pixels
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.motion import frame_around
from facetrace.trace.run import Progress, roulette_floor, trace_pixels
from facetrace.trace.scene import Scene

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

SUFFIXES = (".webp", ".gif")
# the exposure that a movie chooses: such a share of the stone's points is shown no brighter than that
# share of white; under lamps a stone's body leaves room for its flashes, which may be too bright
BODY, BODY_LEVEL = 0.9, 0.3
ALL, ALL_LEVEL = 0.995, 1.0
# it looks at so many of the frames, each with so many pixels a side
SAMPLE_FRAMES, SAMPLE_SIZE = 8, 96
# two figures are enough for an exposure, and easy to ask for again
EXPOSURE_FIGURES = 2
LEAST_EXPOSURE, MOST_EXPOSURE = 0.01, 100.0
# paths may end where less than this of the light is left: grain that no eye finds in a moving picture
LEAST_FLOOR = 3e-3
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


@dataclass(frozen=True)
class Setup:
    """What all frames have in common: the place and size of the picture, rays, exposure.

    centre_mm: (right, up); glare: with the light mirrored by the outer surface; floor: of Russian roulette.
    """

    centre_mm: Floats
    width_mm: float
    size: int
    samples: int
    seed: int
    floor: float
    glare: bool

    def maps(self, scene: Scene, size: int | None = None) -> FaceMaps:
        """One view; every frame traces the same points of the picture with the same numbers."""
        pixels = trace_pixels(
            scene, size or self.size, self.samples, self.seed,
            width_mm=self.width_mm, centre_mm=self.centre_mm, floor=self.floor, picture=True,
        )  # fmt: skip
        return face_maps(pixels, scene)


def setup_of(
    scenes: Sequence[Scene], size: int, samples: int, seed: int, *, glare: bool = True
) -> Setup:
    """One frame around the stone in all *scenes*; the floor of roulette is the lowest of a few."""
    centre, width = frame_around(scenes)
    floor = min(roulette_floor(scene, seed) for scene in _some(scenes))
    return Setup(centre, width, size, samples, seed, max(floor, LEAST_FLOOR), glare)


def _some(scenes: Sequence[Scene]) -> list[Scene]:
    step = max(1, len(scenes) // SAMPLE_FRAMES)
    return list(scenes[::step][:SAMPLE_FRAMES])


def exposure_rule(lamps: bool) -> tuple[float, float]:
    """Share of the stone's points that stay below a share of white in a movie's own exposure."""
    return (BODY, BODY_LEVEL) if lamps else (ALL, ALL_LEVEL)


def common_exposure(scenes: Sequence[Scene], setup: Setup) -> float:
    """The exposure that ``exposure_rule`` asks for, over a few frames; two figures, so that it can be given."""
    seen = []
    for scene in _some(scenes):
        maps = setup.maps(scene, SAMPLE_SIZE)
        xyz = maps.xyz + maps.glare if setup.glare else maps.xyz
        seen.append(xyz[maps.coverage > 0.5][:, 1])
    share, level = exposure_rule(len(scenes[0].light) > LIGHT_LAMPS)
    top = float(np.quantile(np.concatenate(seen), share))
    exposure = min(max(level / max(top, 1e-9), LEAST_EXPOSURE), MOST_EXPOSURE)
    return float(f"{exposure:.{EXPOSURE_FIGURES}g}")


def still(maps: FaceMaps, white: Floats, exposure: float, glare: bool) -> tuple[Bytes, float]:
    """sRGB (size, size, 3) of a frame, and the share of the stone that is too bright for the screen.

    What is too bright keeps its chromaticity and is as bright as the screen can show that.
    """
    seen = np.nan_to_num(maps.xyz + maps.glare if glare else maps.xyz, nan=0.0)
    shown, bright = dimmed(seen, white, exposure)
    flat = replace(maps, xyz=shown, glare=np.zeros_like(shown))
    pixels, _ = face_pixels(flat, white, exposure, False)
    share = float((bright * maps.coverage).sum() / max(maps.coverage.sum(), 1e-300))
    return np.round(255 * pixels).astype(np.uint8), share


def frames_of(
    scenes: Sequence[Scene], setup: Setup, exposure: float, report: Progress
) -> Iterator[tuple[Bytes, float]]:
    """``still`` of each scene; a view that comes again is traced once."""
    done: dict[bytes, tuple[Bytes, float]] = {}
    for number, scene in enumerate(scenes):
        key = scene.view.tobytes() + scene.light.tobytes()
        if key not in done:
            white = scene.medium.white
            done[key] = still(setup.maps(scene), white, exposure, setup.glare)
        yield done[key]
        report((number + 1) / len(scenes))


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


def captioned(
    frames: Sequence[Bytes], title: str, lines: Sequence[str], angles: Sequence[str], step_mm: float
) -> list[Image.Image]:
    """Frames with a bar of 1 mm and, underneath, the title, the angles of each, and common *lines*.

    The page is drawn once; only the angles change, in figures of one width, so nothing flickers.
    """
    size = frames[0].shape[0]
    room = size - 2 * MARGIN_PX
    name, small = _font(TITLE_PX), _font(TEXT_PX)
    head = _wrapped(title, name, room)
    body = [part for line in lines for part in _wrapped(line, small, room)]
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
    for frame, text in zip(frames, angles, strict=True):
        image = page.copy()
        image.paste(Image.fromarray(frame), (0, 0))
        pen = ImageDraw.Draw(image)
        pen.text(place, text, fill=DIM, font=small)
        bar = 1.0 / step_mm
        pen.line((8, size - 8, 8 + bar, size - 8), fill=INK, width=2)
        pen.text((8, size - 22), "1 mm", fill=INK, font=small)
        pages.append(image)
    return pages


def encoded(pages: Sequence[Image.Image], suffix: str, frame_ms: int, quality: int | None) -> bytes:
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
