"""Absorption against wavelength as PNG."""

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from facetrace.optics.material import Material
from facetrace.optics.spectrum import MM_PER_CM, RANGE_NM
from facetrace.report.picture import DPI, plain, png

Floats = NDArray[np.float64]

# Okabe & Ito's palette for all kinds of colour vision (2008); black is for the sums
COLOURS = ("#E69F00", "#0072B2", "#009E73", "#CC79A7", "#D55E00", "#56B4E9")
PASSED = (90, 70, 50, 30, 20, 10, 5, 2, 1, 0.1)
# the least top of the axis, 1/cm: a colourless crystal has a plot too
LEAST_TOP = 0.1
# share of the axis that the names of the spectral colours take, and where each ends, nm
# (common division, no source)
STRIP = 0.05
SPECTRAL = (
    ("violet", 450), ("blue", 495), ("green", 570), ("yellow", 590), ("orange", 620), ("red", 780),
)  # fmt: skip


def absorption_png(material: Material, thickness_mm: float) -> bytes:
    """alpha_o and alpha_e in 1/cm (natural logarithm), and each chromophore's part.

    The rays differ by their strokes, chromophores by their colours. The axis on the right says
    what *thickness_mm* of the crystal let through.
    """
    nm = np.linspace(*RANGE_NM, 801)
    alpha_o, alpha_e = material.absorption(nm)
    top = 1.08 * max(float(alpha_o.max()), float(alpha_e.max()), LEAST_TOP)
    figure = Figure(figsize=(7.6, 4.6), dpi=DPI)
    axes = figure.add_axes((0.09, 0.2, 0.8, 0.69))
    for (name, (part_o, part_e)), colour in zip(
        material.parts(nm).items(), _repeated(COLOURS, len(material.colouring)), strict=True
    ):
        axes.plot(nm, part_o, color=colour, lw=1.1, label=plain(_words(material, name)))
        axes.plot(nm, part_e, color=colour, lw=1.1, ls=(0, (4, 2)))
    _sums(axes, material, nm, alpha_o, alpha_e)
    axes.set_xlim(*RANGE_NM)
    axes.set_ylim(-STRIP * top, top)
    axes.set_xlabel("wavelength in vacuum, nm", fontsize=9)
    axes.set_ylabel("absorption, 1/cm (natural logarithm)", fontsize=9)
    axes.tick_params(labelsize=8)
    axes.grid(alpha=0.25, lw=0.6)
    _strip(axes, top)
    _passed_axis(axes, thickness_mm, top)
    axes.legend(fontsize=8, framealpha=0.9, loc="upper right")
    title = f"{material.name}: absorption"
    figure.text(0.012, 0.93, plain(title), fontsize=10)
    remark = _remark(material)
    figure.text(0.012, 0.03, plain(remark), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": remark})


def _repeated(colours: tuple[str, ...], count: int) -> list[str]:
    return [colours[i % len(colours)] for i in range(count)]


def _words(material: Material, name: str) -> str:
    for chromophore, ppma in material.colouring:
        if chromophore.name == name:
            mark = ", provisional" if chromophore.provisional else ""
            return f"{name}, {ppma:g} ppma{mark}"
    return name


def _sums(axes: Any, material: Material, nm: Floats, alpha_o: Floats, alpha_e: Floats) -> None:
    if not material.uniaxial:
        axes.plot(nm, alpha_o, color="black", lw=2, label="the crystal's one ray")
    elif material.spectrum and not material.spectrum.polarised:
        axes.plot(nm, alpha_o, color="black", lw=2, label="both rays (unpolarised)")
    else:
        axes.plot(nm, alpha_o, color="black", lw=2, label="o: field at right angles to c")
        axes.plot(nm, alpha_e, color="black", lw=2, ls=(0, (4, 2)), label="e: field along c")


def _strip(axes: Any, top: float) -> None:
    """Names of the spectral colours under the zero line."""
    axes.axhline(0, color="0.6", lw=0.6)
    start = RANGE_NM[0]
    for name, end in SPECTRAL:
        axes.text(
            (start + end) / 2, -STRIP * top / 2, name, fontsize=6.5, ha="center", va="center",
            color="0.25",
        )  # fmt: skip
        axes.plot([end, end], [-STRIP * top, 0], color="0.6", lw=0.6)
        start = end


def _passed_axis(axes: Any, thickness_mm: float, top: float) -> None:
    """Ticks on the right where so many percent come through (without the surfaces' reflection)."""
    right = axes.twinx()
    right.set_ylim(-STRIP * top, top)
    ticks: list[float] = [0.0]
    labels = ["100"]
    for percent in PASSED:
        alpha = -np.log(percent / 100) * MM_PER_CM / thickness_mm
        if alpha < top and alpha - ticks[-1] > 0.045 * top:
            ticks.append(alpha)
            labels.append(f"{percent:g}")
    right.set_yticks(ticks, labels, fontsize=8)
    right.set_ylabel(f"let through by {thickness_mm:g} mm, %", fontsize=9)


def _remark(material: Material) -> str:
    if material.spectrum:
        nm = material.spectrum.wavelength_nm
        text = f"From {material.spectrum.name}, {len(nm)} points."
        if material.uniaxial and not material.spectrum.polarised:
            text += " Unpolarised: both rays get it, pleochroism is lost."
        return text
    if not material.colouring:
        return "Nothing colours it."
    text = "Thin: each chromophore's part, o drawn through, e dashed."
    if material.provisional:
        text += " Provisional: strengths of bands from memory, +-40 % at best."
    return text
