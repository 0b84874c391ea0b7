"""Colour against colour-science; facts and published values are in facetrace/checks/matter.py."""

import itertools
import warnings

import numpy as np
import pytest

from facetrace.optics.colour import lch_of, observer, srgb_of, xyz_of_transmission
from facetrace.optics.material import find_material
from facetrace.optics.pleochroism import dichroscope_pair, extraordinary_absorption


@pytest.fixture(scope="module")
def colour():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("colour")


def test_table_is_that_of_colour_science(colour):
    """Every row of cie-1931.csv, observer and illuminants."""
    eye = observer("D65")
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for name in ("D65", "D50", "A"):
        eye = observer(name)
        source = colour.SDS_ILLUMINANTS[name]
        raw = np.array([cmfs[w] * source[w] for w in eye.wavelength_nm])
        raw /= np.trapezoid(raw[:, 1], eye.wavelength_nm)
        np.testing.assert_allclose(eye.xyz, raw, rtol=1e-9)


def test_lab_against_the_library(colour, rng):
    white = observer().white
    for xyz in rng.uniform(0, 1, (200, 3)) ** 3 * white:
        ours = lch_of(xyz, white)
        theirs = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white))
        np.testing.assert_allclose([ours.lightness, ours.a, ours.b], theirs, atol=1e-6)


def test_deep_red_keeps_its_hue_in_the_gamut(colour):
    """A long-pass at 600 nm lies outside sRGB (xy 0.682, 0.318, computed from CIE tables); mapping
    as in CSS Color 4 keeps OKLCh hue and lightness."""
    eye = observer()
    xyz = xyz_of_transmission((eye.wavelength_nm >= 600).astype(float), eye)
    np.testing.assert_allclose(xyz[:2] / xyz.sum(), [0.682, 0.318], atol=0.002)
    rgb, outside = srgb_of(xyz[None], eye.white, 1.0)
    assert outside == 1
    assert (rgb >= 0).all()
    assert (rgb <= 1).all()
    before = colour.XYZ_to_Oklab(xyz)
    after = colour.XYZ_to_Oklab(colour.sRGB_to_XYZ(rgb[0]))
    assert after[0] == pytest.approx(before[0], abs=0.01)
    hue = np.arctan2(after[2], after[1]) - np.arctan2(before[2], before[1])
    assert abs(hue) * np.hypot(after[1], after[2]) < 0.02


def test_no_pleochroism_along_the_axis():
    eye = observer()
    for name in ("ruby", "blue sapphire"):
        pair = dichroscope_pair(find_material(name), 0.0, 5.0, eye)
        assert pair.difference < 1e-10
        o, _ = find_material(name).absorption(eye.wavelength_nm)
        e = extraordinary_absorption(find_material(name), 0.0, eye.wavelength_nm)
        np.testing.assert_allclose(e, o, rtol=1e-12)


def test_colour_deepens_with_size():
    eye = observer()
    steps = [
        dichroscope_pair(find_material("ruby"), 0.5, mm, eye).ordinary.lch.lightness
        for mm in (1, 2, 4, 8, 16)
    ]
    assert all(a > b for a, b in itertools.pairwise(steps))
