"""CIE colour in the few forms used here.

Pictures and colour differences go through colour-science. It takes two seconds to import,
which a person would wait for before the first number; so the CIE tables that it supplies
are kept in a file, and CIELAB, a few lines, is written out. Tests hold both against it.
"""

import importlib
import warnings
from dataclasses import dataclass
from importlib import resources
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError

Floats = NDArray[np.float64]

# linear sRGB may leave [0, 1] by so much, noise or rounding, before it counts as out of gamut
GAMUT_SLACK = 2e-3


def _colour() -> ModuleType:
    # the library changes how numpy prints; that is the user's business
    with warnings.catch_warnings(), np.printoptions():
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


@dataclass(frozen=True)
class Observer:
    """CIE 1931 2-degree observer under an illuminant: weights on wavelengths, Y of white = 1."""

    wavelength_nm: Floats
    xyz: Floats
    white: Floats


def observer(illuminant: str = "D65") -> Observer:
    """Weights x, y, z (n, 3) times the illuminant, scaled so that the integral of y is 1.

    380-780 nm by 5 nm, optics/cie-1931.csv; illuminants D65, D50 and A. Integrals are by the
    trapezoid rule.
    """
    text = (resources.files("facetrace.optics") / "cie-1931.csv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    columns = lines[0].split(",")
    if illuminant not in columns[4:]:
        raise FacetraceError(f"no illuminant '{illuminant}'; known: {', '.join(columns[4:])}")
    table = np.loadtxt(lines[1:], delimiter=",")
    wavelength = table[:, 0]
    weights = table[:, 1:4] * table[:, [columns.index(illuminant)]]
    weights /= np.trapezoid(weights[:, 1], wavelength)
    return Observer(wavelength, weights, np.asarray(np.trapezoid(weights, wavelength, axis=0)))


def xyz_of_transmission(transmission: Floats, eye: Observer) -> Floats:
    """XYZ (Y of white = 1) of light that passed a filter with that transmission (n,)."""
    return np.asarray(np.trapezoid(eye.xyz * transmission[:, None], eye.wavelength_nm, axis=0))


@dataclass(frozen=True)
class LCh:
    """CIELAB as lightness, chroma and hue angle in degrees."""

    lightness: float
    chroma: float
    hue_deg: float
    a: float
    b: float


def lab_of(xyz: Floats, white: Floats) -> Floats:
    """CIE 1976 L*a*b* (..., 3) of XYZ (..., 3) relative to *white*, both with the same scale; ISO/CIE 11664-4."""
    t = np.asarray(xyz, dtype=np.float64) / white
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lch_of(xyz: Floats, white: Floats) -> LCh:
    """CIE 1976 L*C*h of one XYZ relative to *white*: see ``lab_of``."""
    lightness, a, b = (float(v) for v in lab_of(xyz, white))
    return LCh(
        lightness, float(np.hypot(a, b)), float(np.degrees(np.arctan2(b, a)) % 360), a, b
    )  # fmt: skip


def srgb_of(xyz: Floats, white: Floats, exposure: float) -> tuple[Floats, float]:
    """sRGB (..., 3) in [0, 1] and the share of pixels that lay outside its gamut.

    XYZ (..., 3) relative to *white* = (X, 1, Z) are scaled by *exposure*, adapted to D65
    (CAT02) and mapped as CSS Color 4 does: lightness and hue in OKLCh are kept, chroma is
    lowered until the colour fits (here to the last bisection, without its final clip of 0.02).
    """
    colour = _colour()
    adapted, rgb, matrix = _linear(np.asarray(xyz).reshape(-1, 3) * exposure, white, colour)
    outside = ((rgb < -GAMUT_SLACK) | (rgb > 1 + GAMUT_SLACK)).any(axis=1)
    if outside.any():
        rgb[outside] = _into_gamut(adapted[outside], matrix, colour)
    encoded = colour.cctf_encoding(np.clip(rgb, 0, 1), function="sRGB")
    return np.clip(encoded, 0, 1).reshape(np.shape(xyz)), float(outside.mean())


def _linear(xyz: Floats, white: Floats, colour: ModuleType) -> tuple[Floats, Floats, Floats]:
    """XYZ (n, 3) adapted from *white* to D65, its linear sRGB, and the matrix between the two."""
    d65 = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"])
    adapted = (
        xyz * (d65 / white)
        if np.allclose(white, d65, rtol=5e-3)
        else (colour.chromatic_adaptation(xyz, white, d65, transform="CAT02"))
    )
    matrix = colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB
    return adapted, adapted @ matrix.T, matrix


def dimmed(xyz: Floats, white: Floats, exposure: float) -> tuple[Floats, NDArray[np.bool_]]:
    """XYZ (..., 3) with what would be too bright for sRGB at that exposure scaled down to its top.

    Chromaticities stay, so that flashes far brighter than white keep their colour, which
    ``srgb_of`` alone would give up for lightness. Also says which were too bright.
    """
    flat = np.asarray(xyz, dtype=np.float64).reshape(-1, 3)
    _, rgb, _ = _linear(flat * exposure, white, _colour())
    top = rgb.max(axis=1)
    bright = top > 1 + GAMUT_SLACK
    shape = np.shape(xyz)
    return (flat / np.where(bright, top, 1.0)[:, None]).reshape(shape), bright.reshape(shape[:-1])


def _into_gamut(xyz: Floats, matrix: Floats, colour: ModuleType) -> Floats:
    """Linear sRGB with the chroma of OKLCh lowered by bisection until all three fit."""
    lab = colour.XYZ_to_Oklab(xyz)
    lab[:, 0] = np.clip(lab[:, 0], 0.0, 1.0)
    low, high = np.zeros(len(lab)), np.ones(len(lab))
    for _ in range(24):
        middle = (low + high) / 2
        trial = colour.Oklab_to_XYZ(np.column_stack([lab[:, 0], lab[:, 1:] * middle[:, None]]))
        rgb = trial @ matrix.T
        fits = ((rgb >= -GAMUT_SLACK) & (rgb <= 1 + GAMUT_SLACK)).all(axis=1)
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    final = colour.Oklab_to_XYZ(np.column_stack([lab[:, 0], lab[:, 1:] * low[:, None]]))
    return np.asarray(final @ matrix.T)


def pixel_differences(first: Floats, second: Floats, white: Floats) -> Floats:
    """CIEDE2000 (CIE 142-2001) of each pixel of two pictures, XYZ (..., 3); NaN stays NaN."""
    colour = _colour()
    return np.asarray(
        colour.delta_E(lab_of(first, white), lab_of(second, white), method="CIE 2000")
    )


def delta_e_2000(first: LCh, second: LCh) -> float:
    """CIEDE2000 colour difference (CIE 142-2001)."""
    colour = _colour()
    a = np.array([first.lightness, first.a, first.b])
    b = np.array([second.lightness, second.a, second.b])
    return float(colour.delta_E(a, b, method="CIE 2000"))
