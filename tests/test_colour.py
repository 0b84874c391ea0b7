"""Colour against colour-science, CIE tables and gemmological facts."""

import itertools
import warnings

import numpy as np
import pytest

from facetrace.measures.pleochroism import dichroscope_pair, extraordinary_absorption
from facetrace.optics.colour import lch_of, observer, srgb_of, xyz_of_transmission
from facetrace.optics.material import find_material


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


def test_white_points():
    """D65 (0.31272, 0.32903), D50 (0.34567, 0.35851), A (0.44758, 0.40745): CIE 15, 4-5 digits."""
    for name, xy in {
        "D65": (0.31272, 0.32903),
        "D50": (0.34567, 0.35851),
        "A": (0.44758, 0.40745),
    }.items():
        white = observer(name).white
        assert white[1] == pytest.approx(1)
        np.testing.assert_allclose(white[:2] / white.sum(), xy, atol=5e-4)


def test_lab_against_the_library(colour, rng):
    white = observer().white
    for xyz in rng.uniform(0, 1, (200, 3)) ** 3 * white:
        ours = lch_of(xyz, white)
        theirs = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white))
        np.testing.assert_allclose([ours.lightness, ours.a, ours.b], theirs, atol=1e-6)


def test_srgb_red():
    """sRGB's red primary is XYZ 0.4124 0.2126 0.0193 (IEC 61966-2-1), L*a*b* 53.2, 80.1, 67.2."""
    white = np.array([0.95047, 1.0, 1.08883])
    red = np.array([0.4124, 0.2126, 0.0193])
    rgb, outside = srgb_of(red[None], white, 1.0)
    np.testing.assert_allclose(rgb[0], [1, 0, 0], atol=0.02)
    lab = lch_of(red, white)
    np.testing.assert_allclose([lab.lightness, lab.a, lab.b], [53.23, 80.11, 67.22], atol=0.1)
    assert outside == 0


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


def test_ruby_and_sapphire_in_the_dichroscope():
    """Ruby: o purplish red, e orangey red. Blue sapphire: o violetish blue, e greenish blue.

    Trade and gemmology pages; order of hue only: red hues run from purple (below 0) to orange,
    blue ones from green (180) to violet (300).
    """
    eye = observer()
    ruby = dichroscope_pair(find_material("ruby"), np.pi / 2, 5.0, eye)
    turned = [(f.lch.hue_deg + 180) % 360 - 180 for f in (ruby.ordinary, ruby.extraordinary)]
    assert -30 < turned[0] < 10 < turned[1] < 45
    blue = dichroscope_pair(find_material("blue sapphire"), np.pi / 2, 5.0, eye)
    assert 180 < blue.extraordinary.lch.hue_deg < 250 < blue.ordinary.lch.hue_deg < 315


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
