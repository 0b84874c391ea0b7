"""The two colours of a crystal along one direction."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.optics.colour import LCh, Observer, delta_e_2000, lch_of, xyz_of_transmission
from facetrace.optics.material import Material

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """One field of the dichroscope: XYZ (white: Y = 1) and L*C*h."""

    xyz: Floats
    lch: LCh


@dataclass(frozen=True)
class Pair:
    """Both fields, and their CIEDE2000 difference."""

    ordinary: Field
    extraordinary: Field
    difference: float


def extraordinary_absorption(
    material: Material, angle: float, wavelength_nm: Floats
) -> Floats:  # fmt: skip
    """alpha in 1/cm of the e wave along a wave normal at *angle* [rad] to c.

    kappa(angle) = n^3 (kappa_o cos^2 / n_o^3 + kappa_e sin^2 / n_e^3): first order in the
    absorption (Born & Wolf, "Principles of Optics", ch. 15.6).
    """
    n_o, n_e = material.indices(wavelength_nm)
    alpha_o, alpha_e = material.absorption(wavelength_nm)
    cos2, sin2 = math.cos(angle) ** 2, math.sin(angle) ** 2
    n = 1.0 / np.sqrt(cos2 / n_o**2 + sin2 / n_e**2)
    return np.asarray(n**3 * (alpha_o * cos2 / n_o**3 + alpha_e * sin2 / n_e**3))


def dichroscope_pair(
    material: Material, angle: float, thickness_mm: float, eye: Observer
) -> Pair:  # fmt: skip
    """Colours of the two polarised fields through a plate, without its surfaces' reflection."""
    alpha_o, _ = material.absorption(eye.wavelength_nm)
    alpha_e = extraordinary_absorption(material, angle, eye.wavelength_nm)
    fields = []
    for alpha in (alpha_o, alpha_e):
        xyz = xyz_of_transmission(np.exp(-alpha * thickness_mm / 10), eye)
        fields.append(Field(xyz, lch_of(xyz, eye.white)))
    difference = delta_e_2000(fields[0].lch, fields[1].lch)
    return Pair(fields[0], fields[1], difference)
