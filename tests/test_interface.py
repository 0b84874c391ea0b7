"""One facet of a uniaxial crystal against closed forms and an independent 4x4 solver."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from facetrace.kernel.uniaxial import absorption_share
from facetrace.optics.interface import inside_events, outside_events, unit, wave_inside

# (n_o, n_e) at 589.3 nm from the dispersion data of facetrace.optics.materials
CRYSTALS = {
    "corundum": (1.768076, 1.760002),
    "calcite": (1.658343, 1.486130),
    "quartz": (1.544206, 1.553306),
}


def directions(rng, count):
    return unit(rng.normal(size=(count, 3)))


def random_inside(rng, count, n_o, n_e):
    """Random waves whose energy flows out along random normals."""
    axis, normal = directions(rng, count), directions(rng, count)
    mode = rng.integers(0, 2, count).astype(bool)
    wave = wave_inside(directions(rng, count), mode, axis, n_o, n_e)
    return wave, mode, outward(wave, mode, normal, axis, n_o, n_e), axis


def outward(wave, mode, normal, axis, n_o, n_e):
    ray = np.where(
        mode[:, None],
        n_o**2 * wave + (n_e**2 - n_o**2) * np.sum(wave * axis, axis=1)[:, None] * axis,
        wave,
    )
    return normal * np.where(np.sum(ray * normal, axis=1) < 0, -1.0, 1.0)[:, None]


def total(found):
    return found.reflected_o + found.reflected_e + found.transmitted_s + found.transmitted_p


# ---- closed forms ---------------------------------------------------------------------------


@pytest.mark.parametrize("index", [1.5, 1.765, 2.417])
def test_isotropic_limit_is_fresnel(rng, index):
    """n_o = n_e: Snell and Fresnel (Born & Wolf, ch. 1.5), whatever the axis."""
    angle = np.radians(rng.uniform(0, 89, 200))
    d = np.column_stack([np.sin(angle), 0 * angle, -np.cos(angle)])
    found = outside_events(d, [0, 0, 1], directions(rng, 200), index, index)
    inner = np.arcsin(np.sin(angle) / index)
    r_s = (np.cos(angle) - index * np.cos(inner)) / (np.cos(angle) + index * np.cos(inner))
    r_p = (index * np.cos(angle) - np.cos(inner)) / (index * np.cos(angle) + np.cos(inner))
    np.testing.assert_allclose(found.reflected[:, 0, 0], r_s**2, atol=1e-12)
    np.testing.assert_allclose(found.reflected[:, 1, 1], r_p**2, atol=1e-12)
    np.testing.assert_allclose(found.reflected[:, 0, 1], 0, atol=1e-12)
    np.testing.assert_allclose(found.ray_e, found.ray_o, atol=1e-12)


def test_axis_along_normal_closed_form():
    """c along the facet normal: textbook r_p and wave angle, and the Brewster angle they give.

    tan(wave) = (n_e/n_o) sin t / sqrt(n_e^2 - sin^2 t); tan^2(Brewster) =
    n_e^2 (n_o^2 - 1) / (n_e^2 - 1) (Born & Wolf, ch. 15, problem form).
    """
    t = np.radians(np.linspace(0.1, 89, 50))
    d = np.column_stack([np.sin(t), 0 * t, -np.cos(t)])
    for n_o, n_e in CRYSTALS.values():
        found = outside_events(d, [0, 0, 1], [0, 0, 1], n_o, n_e)
        root = np.sqrt(n_e**2 - np.sin(t) ** 2)
        r_p = (n_o * n_e * np.cos(t) - root) / (n_o * n_e * np.cos(t) + root)
        np.testing.assert_allclose(found.reflected[:, 1, 1], r_p**2, atol=1e-12)
        tan_wave = found.wave_e[:, 0] / -found.wave_e[:, 2]
        np.testing.assert_allclose(tan_wave, n_e / n_o * np.sin(t) / root, rtol=1e-9)
        brewster = np.arctan(np.sqrt(n_e**2 * (n_o**2 - 1) / (n_e**2 - 1)))
        there = outside_events(
            [np.sin(brewster), 0, -np.cos(brewster)], [0, 0, 1], [0, 0, 1], n_o, n_e
        )
        assert there.reflected[0, 1, 1] < 1e-24


def test_brewster_angles_of_corundum_and_calcite():
    """60.561 and 60.787 deg; R_p(45 deg) 0.0238467, 0.0203951 (computed from the formula above)."""
    t = np.radians(45)
    for crystal, r_p in (("corundum", 0.0238467), ("calcite", 0.0203951)):
        found = outside_events([np.sin(t), 0, -np.cos(t)], [0, 0, 1], [0, 0, 1], *CRYSTALS[crystal])
        assert found.reflected[0, 1, 1] == pytest.approx(r_p, abs=1e-6)


def test_normal_incidence_mixes_o_and_e(rng):
    """r = r_o cos^2 + r_e sin^2, e index n(theta) (Lekner, J. Phys. Cond. Matter 4, 1387 (1992))."""
    n_o, n_e = CRYSTALS["calcite"]
    axis = directions(rng, 100)
    found = outside_events(np.tile([0, 0, -1.0], (100, 1)), [0, 0, 1], axis, n_o, n_e)
    n = np.linalg.norm(found.wave_e, axis=1)
    cos2 = axis[:, 2] ** 2
    np.testing.assert_allclose(n, 1 / np.sqrt(cos2 / n_o**2 + (1 - cos2) / n_e**2), rtol=1e-12)
    reflected = found.reflected.sum(axis=(1, 2))
    expected = ((1 - n_o) / (1 + n_o)) ** 2 + ((1 - n) / (1 + n)) ** 2
    np.testing.assert_allclose(reflected, expected, atol=1e-9)


def test_walk_off():
    """tan(rho_max) = |n_o^2 - n_e^2| / (2 n_o n_e): calcite 6.27, corundum 0.262 deg (Yeh, ch. 9)."""
    angle = np.radians(np.linspace(1, 89, 2000))
    d = np.column_stack([np.sin(angle), 0 * angle, np.cos(angle)])
    for crystal, most in (("calcite", 6.270), ("corundum", 0.2623), ("quartz", 0.337)):
        n_o, n_e = CRYSTALS[crystal]
        wave = wave_inside(d, True, [0, 0, 1], n_o, n_e)
        ray = unit(n_o**2 * wave + (n_e**2 - n_o**2) * wave[:, 2:] * [0, 0, 1])
        rho = np.degrees(np.arccos(np.clip(np.sum(ray * unit(wave), axis=1), -1, 1)))
        assert rho.max() == pytest.approx(
            np.degrees(np.arctan(abs(n_o**2 - n_e**2) / (2 * n_o * n_e))), abs=1e-4
        )
        assert rho.max() == pytest.approx(most, abs=1e-3)


def test_prism_minimum_deviation():
    """60-degree prism, c along its edge: deviation 2 asin(n/2) - 60 deg for each ray (any textbook).

    Corundum D: 64.267 (o), 63.285 deg (e), computed.
    """
    n_o, n_e = CRYSTALS["corundum"]
    edge = [0, 1.0, 0]
    first = np.array([-np.cos(np.radians(30)), 0, np.sin(np.radians(30))])
    second = np.array([np.cos(np.radians(30)), 0, np.sin(np.radians(30))])
    for extraordinary, n, expected in ((False, n_o, 64.267), (True, n_e, 63.285)):
        at = np.arcsin(n / 2)
        incoming = np.cos(at) * -first + np.sin(at) * np.array([first[2], 0, -first[0]])
        found = outside_events(incoming, first, edge, n_o, n_e)
        wave = found.wave_e if extraordinary else found.wave_o
        out = inside_events(wave, [extraordinary], second, edge, n_o, n_e).ray_out[0]
        deviation = np.degrees(np.arccos(np.dot(out, incoming)))
        assert deviation == pytest.approx(2 * np.degrees(at) - 60, abs=1e-9)
        assert deviation == pytest.approx(expected, abs=1e-3)


def test_critical_angles_of_corundum():
    """Wave normals to air: o 34.443; e 34.624, 34.501, 34.565 deg by orientation, computed.

    Trade value 34.62 deg (J. R. Graham, faceting notes, International Gem Society).
    """
    n_o, n_e = CRYSTALS["corundum"]
    cases = [(False, [0, 0, 1], 34.443), (True, [0, 1, 0], 34.624)]
    cases += [(True, [0, 0, 1], 34.501), (True, [1, 0, 0], 34.565)]
    for extraordinary, axis, critical in cases:
        for off, reflects in ((-0.002, False), (0.002, True)):
            t = np.radians(critical + off)
            wave = wave_inside([np.sin(t), 0, np.cos(t)], extraordinary, axis, n_o, n_e)
            found = inside_events(wave, [extraordinary], [0, 0, 1], axis, n_o, n_e)
            assert bool(np.isnan(found.wave_out[0, 2])) is reflects
        assert abs(critical - 34.62) < 0.25


# ---- worked numbers -------------------------------------------------------------------------


def test_worked_refraction_any_axis():
    """c = (1,1,1)/sqrt 3, 40 deg, azimuth 20 deg: vectors and energies computed by a 4x4 matrix."""
    a, f = np.radians(40), np.radians(20)
    d = [np.sin(a) * np.cos(f), np.sin(a) * np.sin(f), np.cos(a)]
    rows = {
        "corundum": (
            [0.604023, 0.219846, 1.644059], [0.339943, 0.121012, 0.932628],
            [[0.1331027, 6e-7], [1.6e-7, 0.0338096]],
            [[0.5709714, 0.2959254], [0.3295362, 0.6366541]],
        ),
        "calcite": (
            [0.604023, 0.219846, 1.462352], [0.326511, 0.050194, 0.943860],
            [[0.1057291, 0.0003903], [0.0000999, 0.0172977]],
            [[0.5679313, 0.3259493], [0.3524086, 0.6301938]],
        ),
    }  # fmt: skip
    for crystal, (wave, ray, reflected, transmitted) in rows.items():
        found = outside_events(d, [0, 0, -1], [1, 1, 1], *CRYSTALS[crystal])
        np.testing.assert_allclose(found.wave_e[0], wave, atol=2e-6)
        np.testing.assert_allclose(found.ray_e[0], ray, atol=2e-6)
        np.testing.assert_allclose(found.reflected[0], reflected, atol=2e-6)
        np.testing.assert_allclose(found.transmitted[0], transmitted, atol=2e-6)


@pytest.mark.parametrize(
    ("crystal", "extraordinary", "degrees", "shares"),
    [
        ("corundum", False, 42, [0.3012071, 0.6987929, 0, 0]),
        ("corundum", True, 42, [0.6996000, 0.3004000, 0, 0]),
        ("corundum", False, 25, [0.0457212, 0.0002387, 0.1571668, 0.7968734]),
        ("corundum", True, 25, [0.0690716, 0.0713799, 0.6722559, 0.1872925]),
        ("calcite", False, 42, [0.2557118, 0.7442882, 0, 0]),
        ("calcite", True, 42, [0.7802334, 0.2197666, 0, 0]),
    ],
)
def test_worked_reflection_inside(crystal, extraordinary, degrees, shares):
    """The same axis from within, 4x4 matrix solution: total reflection moves 70 % from o to e."""
    t = np.radians(degrees)
    n_o, n_e = CRYSTALS[crystal]
    wave = wave_inside([np.sin(t), 0, np.cos(t)], extraordinary, [1, 1, 1], n_o, n_e)
    found = inside_events(wave, [extraordinary], [0, 0, 1], [1, 1, 1], n_o, n_e)
    got = [found.reflected_o, found.reflected_e, found.transmitted_s, found.transmitted_p]
    np.testing.assert_allclose(np.ravel(got), shares, atol=2e-6)


# ---- an independent solver ------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("crystal", CRYSTALS)
def test_air_to_crystal_against_4x4_library(crystal):
    """1,000 random set-ups against pyElli (Berreman's 4x4 method), which is used in tests only.

    The library orders its modes by rounding noise now and then and returns another answer:
    up to 1 % of the rows may differ.
    """
    elli = pytest.importorskip("elli")
    n_o, n_e = CRYSTALS[crystal]
    rng = np.random.default_rng(7)
    axis = directions(rng, 1000)
    angle = rng.uniform(0.5, 88, 1000)
    t = np.radians(angle)
    d = np.column_stack([np.sin(t), 0 * t, np.cos(t)])
    ours = outside_events(d, [0, 0, -1], axis, n_o, n_e).reflected
    theirs = np.empty_like(ours)
    constant = elli.ConstantRefractiveIndex
    air = elli.IsotropicMaterial(constant(1.0))
    for i in range(1000):
        back = elli.UniaxialMaterial(constant(n_o), constant(n_e))
        back.set_rotation(_rotation_to(axis[i]))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            (pp, ps), (sp, ss) = elli.Structure(air, [], back).evaluate(500, angle[i]).R_matrix[0]
        theirs[i] = [[ss, ps], [sp, pp]]
    off = np.abs(theirs - ours).max(axis=(1, 2))
    assert (off < 1e-8).sum() >= 990, np.sort(off)[-12:]


def _rotation_to(c):
    z = np.array([0.0, 0.0, 1.0])
    v, k = np.cross(z, c), float(z @ c)
    cross = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.eye(3) + cross + cross @ cross / (1 + k)


# ---- conservation, reciprocity, invariance --------------------------------------------------


@pytest.mark.parametrize("crystal", CRYSTALS)
def test_energy_of_a_million_random_events(crystal):
    """R + T = 1 to 1e-12 (Maxwell), inside incidence with evanescent modes and total reflection."""
    rng = np.random.default_rng(3)
    n_o, n_e = CRYSTALS[crystal]
    wave, mode, normal, axis = random_inside(rng, 1_000_000, n_o, n_e)
    found = inside_events(wave, mode, normal, axis, n_o, n_e)
    assert np.abs(total(found) - 1).max() < 1e-12
    assert np.isnan(found.wave_out[:, 0]).any()
    assert np.isnan(found.wave_e[:, 0]).any() or np.isnan(found.wave_o[:, 0]).any()
    entering = outside_events(-unit(wave), normal * np.sign(np.sum(wave * normal, axis=1))[:, None],
                              axis, n_o, n_e)  # fmt: skip
    sums = entering.reflected.sum(axis=2) + entering.transmitted.sum(axis=2)
    assert np.abs(sums - 1).max() < 1e-12


@pytest.mark.parametrize("crystal", CRYSTALS)
def test_reciprocity_of_reflection(rng, crystal):
    """The share i -> j equals that of the reversed waves j -> i (Maxwell, flux-normalised)."""
    n_o, n_e = CRYSTALS[crystal]
    wave, mode, normal, axis = random_inside(rng, 20_000, n_o, n_e)
    there = inside_events(wave, mode, normal, axis, n_o, n_e)
    for other, back_wave, share in (
        (False, there.wave_o, there.reflected_o),
        (True, there.wave_e, there.reflected_e),
    ):
        real = ~np.isnan(back_wave[:, 0]) & (share > 1e-9)
        back = inside_events(
            -back_wave[real], np.full(real.sum(), other), normal[real], axis[real], n_o, n_e
        )
        again = np.where(mode[real], back.reflected_e, back.reflected_o)
        np.testing.assert_allclose(again, share[real], atol=1e-9)


def test_reciprocity_of_transmission(rng):
    """Air -> mode equals mode -> air, s and p apart."""
    n_o, n_e = CRYSTALS["calcite"]
    d, axis = directions(rng, 5000), directions(rng, 5000)
    normal = -d + 0.9 * directions(rng, 5000)
    normal = unit(normal) * -np.sign(np.sum(unit(normal) * d, axis=1))[:, None]
    entering = outside_events(d, normal, axis, n_o, n_e)
    for k, wave in enumerate((entering.wave_o, entering.wave_e)):
        leaving = inside_events(-wave, np.full(5000, bool(k)), normal, axis, n_o, n_e)
        np.testing.assert_allclose(leaving.ray_out, -d, atol=1e-9)
        np.testing.assert_allclose(leaving.transmitted_s, entering.transmitted[:, 0, k], atol=1e-9)
        np.testing.assert_allclose(leaving.transmitted_p, entering.transmitted[:, 1, k], atol=1e-9)


def test_frame_invariance(rng):
    """Crystal, facet and wave turned together: the same shares."""
    n_o, n_e = CRYSTALS["calcite"]
    wave, mode, normal, axis = random_inside(rng, 2000, n_o, n_e)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    a = inside_events(wave, mode, normal, axis, n_o, n_e)
    b = inside_events(wave @ turn.T, mode, normal @ turn.T, axis @ turn.T, n_o, n_e)
    np.testing.assert_allclose(a.reflected_o, b.reflected_o, atol=1e-9)
    np.testing.assert_allclose(a.transmitted_p, b.transmitted_p, atol=1e-9)


# ---- hard places ----------------------------------------------------------------------------

unit_vectors = st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: 0.1 < np.linalg.norm(v) < 1.7)
tiny = st.floats(-16, -2).map(lambda x: 10.0**x)
crystals = st.sampled_from(sorted(CRYSTALS))


@given(crystals, unit_vectors, unit_vectors, unit_vectors, tiny, st.booleans())
def test_near_the_axis(crystal, axis, off, normal, angle, extraordinary):
    """1e-16 ... 1e-2 rad from c: energy is kept to 1e-12 (well away from grazing)."""
    n_o, n_e = CRYSTALS[crystal]
    c = unit(np.array([axis]))
    d = unit(c + angle * np.array([off]))
    n = unit(np.array([normal]))
    n = n * (1 if np.sum(n * d) > 0 else -1)
    if np.sum(n * d) < 0.02:
        return
    wave = wave_inside(d, extraordinary, c, n_o, n_e)
    found = inside_events(wave, [extraordinary], n, c, n_o, n_e)
    assert abs(total(found)[0] - 1) < 1e-12


@given(crystals, unit_vectors, unit_vectors, tiny, st.booleans(), st.booleans())
def test_near_the_critical_angle(crystal, axis, beside, off, below, extraordinary):
    n_o, n_e = CRYSTALS[crystal]
    c, n = unit(np.array([axis])), np.array([[0.0, 0.0, 1.0]])
    x = np.array([[beside[0], beside[1], 0.0]])
    if np.linalg.norm(x) < 0.1:
        return
    sine = 1 / n_o + (off if below else -off)
    d = sine * unit(x) + np.sqrt(1 - sine**2) * n
    wave = wave_inside(d, extraordinary, c, n_o, n_e)
    mode = np.array([extraordinary])
    found = inside_events(wave, mode, outward(wave, mode, n, c, n_o, n_e), c, n_o, n_e)
    assert abs(total(found)[0] - 1) < 1e-12


@given(crystals, unit_vectors, unit_vectors, tiny, st.booleans())
def test_grazing(crystal, axis, beside, lift, extraordinary):
    n_o, n_e = CRYSTALS[crystal]
    c, n = unit(np.array([axis])), np.array([[0.0, 0.0, 1.0]])
    x = np.array([[beside[0], beside[1], 0.0]])
    if np.linalg.norm(x) < 0.1:
        return
    wave = wave_inside(unit(x) + lift * n, extraordinary, c, n_o, n_e)
    mode = np.array([extraordinary])
    found = inside_events(wave, mode, outward(wave, mode, n, c, n_o, n_e), c, n_o, n_e)
    assert abs(total(found)[0] - 1) < 1e-11


@pytest.mark.parametrize("axis", [[0, 0, 1], [1, 0, 0], [0, 1, 0], [1, 0, 1], [0.3, 0, -0.8]])
def test_no_mixing_in_symmetric_positions(axis):
    """c in the plane of incidence, along y or along N: o and e do not turn into each other."""
    for n_o, n_e in CRYSTALS.values():
        for degrees in (0, 10, 34, 50, 80):
            t = np.radians(degrees)
            for extraordinary in (False, True):
                wave = wave_inside([np.sin(t), 0, np.cos(t)], extraordinary, axis, n_o, n_e)
                mode = np.array([extraordinary])
                c = unit(np.array([axis], dtype=float))
                n = outward(wave, mode, np.array([[0.0, 0.0, 1.0]]), c, n_o, n_e)
                found = inside_events(wave, mode, n, axis, n_o, n_e)
                mixed = found.reflected_o if extraordinary else found.reflected_e
                if degrees or axis[2] == 0 or axis[0] == 0:
                    assert mixed[0] < 1e-24
                assert total(found)[0] == pytest.approx(1, abs=1e-12)


# ---- absorption -----------------------------------------------------------------------------


def test_absorption_of_the_e_ray_two_ways():
    """By the ray, and by the wave normal: kappa = n^3 (ko cos^2/no^3 + ke sin^2/ne^3), times cos rho.

    Both are first order in the absorption (Born & Wolf, ch. 15.6). Along c it is alpha_o, at
    right angles alpha_e.
    """
    for n_o, n_e in CRYSTALS.values():
        for theta in np.radians([0, 1, 20, 45, 70, 90]):
            wave = wave_inside([np.sin(theta), 0, np.cos(theta)], True, [0, 0, 1], n_o, n_e)[0]
            ray = n_o**2 * wave + (n_e**2 - n_o**2) * wave[2] * np.array([0, 0, 1])
            ray /= np.linalg.norm(ray)
            n = np.linalg.norm(wave)
            a, b = absorption_share(1, ray[2], n_o, n_e)
            cos_rho = float(ray @ wave) / n
            assert a == pytest.approx(n**3 * np.cos(theta) ** 2 / n_o**3 * cos_rho, abs=1e-10)
            assert b == pytest.approx(n**3 * np.sin(theta) ** 2 / n_e**3 * cos_rho, abs=1e-10)
    assert absorption_share(1, 1.0, 1.77, 1.76) == (1.0, 0.0)
    assert absorption_share(0, 0.4, 1.77, 1.76) == (1.0, 0.0)
