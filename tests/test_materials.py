"""Indices and absorption against published tables and trade facts."""

import numpy as np
import pytest

from facetrace.common.errors import FacetraceError
from facetrace.optics.material import find_material, material_names

# wavelengths of Fraunhofer lines in nm (B and G as the gem trade uses them)
D, F, C, B, G = 589.30, 486.13, 656.27, 686.7, 430.8

# Valley Design, "Index of Refraction for Sapphire": um, n_o, n_e
SAPPHIRE = [
    (442, 1.78038, 1.77206), (458, 1.77843, 1.77015), (488, 1.7753, 1.76711),
    (515, 1.77304, 1.76486), (532, 1.7717, 1.76355), (590, 1.76804, 1.75996),
    (633, 1.7659, 1.75787), (670, 1.76433, 1.75632), (694, 1.76341, 1.75542),
    (755, 1.76141, 1.75346), (1064, 1.75449, 1.74663),
]  # fmt: skip


@pytest.mark.parametrize(("nm", "n_o", "n_e"), SAPPHIRE)
def test_sapphire_index_table(nm, n_o, n_e):
    """Valley Design table; laser wavelengths rounded to 1 nm, so 1e-4."""
    got = find_material("corundum").indices(nm)
    assert got[0] == pytest.approx(n_o, abs=1e-4)
    assert got[1] == pytest.approx(n_e, abs=1e-4)


def test_other_crystals_at_the_sodium_line():
    """Calcite 1.658 / 1.486 (Wolfram Demonstrations); quartz 1.5442 / 1.5533 (Ghosh 1999);
    diamond 2.417 (Tolkowsky 1919 by its critical angle); N-BK7 1.5167 (SCHOTT catalogue)."""
    values = {
        "calcite": (1.658, 1.486, 1e-3),
        "quartz": (1.5442, 1.5533, 1e-4),
        "diamond": (2.417, 2.417, 1e-3),
        "glass": (1.5167, 1.5167, 1e-4),
    }
    for name, (n_o, n_e, tolerance) in values.items():
        got = find_material(name).indices(D)
        assert got[0] == pytest.approx(n_o, abs=tolerance)
        assert got[1] == pytest.approx(n_e, abs=tolerance)


def test_corundum_lies_in_the_mineral_tables():
    """n_o 1.767-1.774, n_e 1.759-1.765, negative, 0.008-0.009 (MinTS, Univ. of the Western Cape)."""
    n_o, n_e = find_material("corundum").indices(D)
    assert 1.767 <= n_o <= 1.774
    assert 1.759 <= n_e <= 1.765
    assert 0.008 <= n_o - n_e <= 0.009


def test_dispersion():
    """B-G: corundum 0.018, diamond 0.044, quartz 0.013 (gem trade charts); Abbe number of
    sapphire 72.2 (Optic-Well sheet) and N-BK7 64.2 (SCHOTT)."""
    for name, spread in (("corundum", 0.018), ("diamond", 0.044), ("quartz", 0.013)):
        n, _ = find_material(name).indices([B, G])
        assert n[1] - n[0] == pytest.approx(spread, abs=1e-3)
    for name, abbe in (("corundum", 72.2), ("glass", 64.2)):
        n, _ = find_material(name).indices([587.56, F, C])
        assert (n[0] - 1) / (n[1] - n[2]) == pytest.approx(abbe, abs=0.2)


def test_critical_angles():
    """Corundum 34.62 deg (J. R. Graham, International Gem Society; o and e lie 0.18 deg apart);
    diamond 24 deg 26' (Tolkowsky, "Diamond Design", 1919)."""
    n_o, n_e = find_material("corundum").indices(D)
    for n in (n_o, n_e):
        assert np.degrees(np.arcsin(1 / n)) == pytest.approx(34.62, abs=0.25)
    n, _ = find_material("diamond").indices(D)
    assert np.degrees(np.arcsin(1 / n)) == pytest.approx(24 + 26 / 60, abs=1 / 60)


def test_reflection_loss_of_a_sapphire_plate():
    """14 % for two surfaces at 1.06 um (Ideal Photonics sheet): 1 - 2n / (n^2 + 1)."""
    n, _ = find_material("corundum").indices(1060)
    assert 1 - 2 * n / (n * n + 1) == pytest.approx(0.14, abs=0.005)


def test_density():
    """Corundum 3.95-4.10 (encyclopedia entry), 3.99-4.01 (Graham)."""
    assert 3.99 <= find_material("corundum").density <= 4.01


def test_ruby_bands():
    """Strongest near 540-560 nm, second 395-415 nm, transparent beyond 620 nm, a window near 480
    (laser course of Kansas State University; heat-treatment abstract: 551 nm)."""
    nm = np.arange(380.0, 781.0)
    alpha_o, alpha_e = find_material("ruby", {"Cr3+": 300}).absorption(nm)
    green = (nm > 480) & (nm < 620)
    assert 540 <= nm[green][alpha_o[green].argmax()] <= 560
    violet = nm < 470
    assert 395 <= nm[violet][alpha_o[violet].argmax()] <= 415
    assert alpha_o[nm > 680].max() < 0.02 * alpha_o.max()
    valley = (nm > 440) & (nm < 520)
    assert 465 <= nm[valley][alpha_o[valley].argmin()] <= 495
    # "pleochroism comes from the 550 nm band" (published polarised ruby spectra)
    assert alpha_o[green].max() > 1.8 * alpha_e[green].max()


def test_chromium_number_density():
    """0.05 % Cr2O3 by weight is 1.58e19 Cr/cm3 (the classic ruby-laser value, from memory) = 134 ppma."""
    per_ppma = find_material("corundum").data.atoms.per_cm3_per_ppma
    by_mass = 3.987 * 0.0005 / 151.99 * 2 * 6.02214076e23
    assert by_mass == pytest.approx(1.58e19, rel=0.01)
    assert by_mass / per_ppma == pytest.approx(134, rel=0.01)


def test_every_number_has_a_source_and_memory_is_marked():
    for name in material_names():
        data = find_material(name).data
        assert data.density_source
        assert data.dispersion.source
        for chromophore in data.chromophore:
            assert chromophore.source
            assert chromophore.provisional or "memory" not in chromophore.source
    assert find_material("ruby").provisional == ("Cr3+", "h-Cr3+")
    assert find_material("diamond").provisional == ()


def test_unknown_names_say_what_is_known():
    with pytest.raises(FacetraceError, match="no material 'rubby'; known: corundum, ruby"):
        find_material("rubby")
    with pytest.raises(FacetraceError, match=r"chromophore 'Cr' .*known: Cr3\+"):
        find_material("ruby", {"Cr": 1})
