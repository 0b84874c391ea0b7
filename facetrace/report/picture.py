"""Face-up picture and maps as PNG."""

import io

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from facetrace.optics.colour import srgb_of
from facetrace.studies.screen import face_pixels
from facetrace.trace.maps import KINDS, THROUGH, FaceMaps

Floats = NDArray[np.float64]

MAP_TITLES = {
    "light_return": "light returned",
    "window": "window",
    "extinction": "extinction",
    "absorbed": "absorbed",
}
DPI = 100
CAPTION_PX = 58


def plain(text: str) -> str:
    """Text that matplotlib must not take for formulas: names may hold dollar signs."""
    return text.replace("$", r"\$")


def png(figure: Figure, facts: dict[str, str]) -> bytes:
    """The figure as a PNG file that carries *facts* as text."""
    buffer = io.BytesIO()
    FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": "facetrace", **facts})
    return buffer.getvalue()


def face_png(
    maps: FaceMaps, white: Floats, exposure: float, glare: bool, title: str, under: str
) -> tuple[bytes, float]:
    """The face-up picture with its name, scale, light and exposure underneath; and as ``face_pixels`` the share out of gamut."""
    pixels, outside = face_pixels(maps, white, exposure, glare)
    height, width = pixels.shape[:2]
    figure = Figure(figsize=(width / DPI, (height + CAPTION_PX) / DPI), dpi=DPI)
    share = CAPTION_PX / (height + CAPTION_PX)
    axes = figure.add_axes((0.0, share, 1.0, 1 - share))
    axes.imshow(pixels, interpolation="nearest", aspect="auto")
    axes.set_axis_off()
    _scale_bar(axes, maps.step_mm, width, height)
    note = f"exposure {exposure:g} (at 1 a white diffuser is just white)"
    if not glare:
        note += ", surface mirror light left out"
    if outside >= 0.01:
        note += f", {100 * outside:.0f} % beyond the screen's colours"
    if maps.lamps:
        note += ", flashes keep their hue"
    figure.text(0.02, share * 0.74, plain(title), fontsize=9, va="center")
    figure.text(0.02, share * 0.44, under, fontsize=7, va="center", color="0.25")
    figure.text(0.02, share * 0.18, note, fontsize=7, va="center", color="0.25")
    note = f"{under}; {note}"
    return png(figure, {"Title": title, "Description": note}), outside


def _scale_bar(axes: object, step_mm: float, width: int, height: int) -> None:
    bar = 1.0 / step_mm
    y = height - 8
    axes.plot([8, 8 + bar], [y, y], color="black", lw=1.5)  # type: ignore[attr-defined]
    axes.text(8, y - 5, "1 mm", fontsize=7, va="bottom")  # type: ignore[attr-defined]
    axes.set_xlim(-0.5, width - 0.5)  # type: ignore[attr-defined]
    axes.set_ylim(height - 0.5, -0.5)  # type: ignore[attr-defined]


def maps_png(maps: FaceMaps, title: str, under: str) -> bytes:
    """Four maps, all from 0 to 1.

    The first three share out the light that is neither absorbed nor mirrored, so that a dark
    colour does not hide the cut; the fourth is what the crystal absorbs.
    """
    figure = Figure(figsize=(11.5, 3.6), dpi=DPI)
    with np.errstate(invalid="ignore"):
        left = sum(maps.shares[k] for k in THROUGH)
        shown = {k: maps.shares[k] / left for k in THROUGH} | {"absorbed": maps.shares["absorbed"]}
    image = None
    for i, kind in enumerate(KINDS):
        axes = figure.add_axes((0.01 + 0.233 * i, 0.10, 0.225, 0.72))
        image = axes.imshow(shown[kind], cmap="cividis", vmin=0, vmax=1)
        axes.set_axis_off()
        text = MAP_TITLES[kind]
        if kind in maps.leading:
            text += f": leads on {100 * maps.leading[kind]:.0f} % of the face"
        axes.set_title(text, fontsize=8)
    assert image is not None
    bar = figure.add_axes((0.945, 0.15, 0.012, 0.62))
    figure.colorbar(image, cax=bar)
    bar.tick_params(labelsize=7)
    bar.set_title("share", fontsize=7)
    figure.text(0.012, 0.93, plain(title), fontsize=10)
    note = f"{under}. The first three share out the light that is not absorbed."
    figure.text(0.012, 0.03, note, fontsize=7, color="0.25")
    return png(figure, {"Title": title, "Description": note})


def pair_png(first: Floats, second: Floats, white: Floats, title: str) -> bytes:
    """The two fields of a dichroscope side by side; XYZ relative to white, exposure 1."""
    figure = Figure(figsize=(3.6, 2.2), dpi=DPI)
    for i, (name, xyz) in enumerate((("ordinary", first), ("extraordinary", second))):
        rgb, _ = srgb_of(xyz[None], white, 1.0)
        axes = figure.add_axes((0.02 + 0.49 * i, 0.2, 0.47, 0.66))
        axes.set_facecolor(tuple(rgb[0]))
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_xlabel(name, fontsize=8)
    figure.text(0.02, 0.92, plain(title), fontsize=8)
    return png(figure, {"Title": title})
