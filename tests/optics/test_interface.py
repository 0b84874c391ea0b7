"""One facet of a uniaxial crystal against an independent 4x4 solver, and in all hard places.

Closed forms and worked numbers are in facetrace/checks/facet.py.
"""

import warnings

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from facetrace.checks import textbook
from facetrace.checks.facet import CRYSTALS, outward, random_inside
from facetrace.kernel.uniaxial import absorption_share
from facetrace.optics.interface import inside_events, outside_events, unit, wave_inside


def directions(rng, count):
    return unit(rng.normal(size=(count, 3)))


def total(found):
    return found.reflected_o + found.reflected_e + found.transmitted_s + found.transmitted_p


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


@pytest.mark.slow
@pytest.mark.parametrize("crystal", CRYSTALS)
def test_slab_against_4x4_library(crystal):
    """Incidence from within, by 300 slabs between air and air, against pyElli's transfer matrices.

    Amplitudes inside are those of the textbook tracer, summed over all passages with their phases:
    T = t2 P+ (1 - r1 P- r2 P+)^-1 t1. The kernel's energies inside are held against the same
    amplitudes in the check "15,000 reflections by 4 x 4 boundary match". The library's own
    slips (see above) may spoil up to 2 %.
    """
    elli = pytest.importorskip("elli")
    n_o, n_e = CRYSTALS[crystal]
    no, ne = np.array([n_o]), np.array([n_e])
    rng = np.random.default_rng(8)
    constant = elli.ConstantRefractiveIndex
    air = elli.IsotropicMaterial(constant(1.0))
    up, down = np.array([[0, 0, 1.0]]), np.array([[0, 0, -1.0]])
    off = []
    for _ in range(300):
        axis, degrees = directions(rng, 1)[0], rng.uniform(0.5, 85)
        nm, thickness = 500.0, rng.uniform(200, 3000)
        t = np.radians(degrees)
        d = np.array([[np.sin(t), 0, np.cos(t)]])
        tangential = np.array([[np.sin(t), 0, 0]])
        entry = textbook.from_outside(d, down, axis, no, ne)
        front = textbook.from_inside(tangential, down, axis, no, ne)
        back = textbook.from_inside(tangential, up, axis, no, ne)
        k0 = 2 * np.pi / nm
        forward = np.diag([np.exp(1j * k0 * w[0, 2] * thickness) for w in entry.wave])
        return_ = np.diag([np.exp(-1j * k0 * w[0, 2] * thickness) for w in back.wave])
        r1, r2 = front.reflected[0], back.reflected[0]
        inside = np.linalg.solve(np.eye(2) - r1 @ return_ @ r2 @ forward, entry.transmitted[0])
        ours = np.abs(back.transmitted[0] @ forward @ inside) ** 2
        slab = elli.UniaxialMaterial(constant(n_o), constant(n_e))
        slab.set_rotation(_rotation_to(axis))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            layer = elli.Structure(air, [elli.Layer(slab, thickness)], air)
            (pp, ps), (sp, ss) = layer.evaluate(nm, degrees).T_matrix[0]
        theirs = np.array([[ss, sp], [ps, pp]])
        off.append(np.abs(ours - theirs).max())
    assert (np.array(off) < 1e-8).sum() >= 294, np.sort(off)[-12:]


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
tiny = st.floats(-12, -3).map(lambda x: 10.0**x)
signs = st.sampled_from([-1.0, 1.0])
crystals = st.sampled_from(sorted(CRYSTALS))
UP = np.array([[0.0, 0.0, 1.0]])


@st.composite
def special_axes(draw):
    """c along the normal z, in the facet, in the plane of incidence x-z, or each of these by a hair."""
    a = draw(st.floats(0, 2 * np.pi))
    place = draw(st.sampled_from(["normal", "facet", "plane", "x", "y"]))
    c = {
        "normal": [0, 0, 1], "facet": [np.cos(a), np.sin(a), 0], "plane": [np.sin(a), 0, np.cos(a)],
        "x": [1, 0, 0], "y": [0, 1, 0],
    }[place]  # fmt: skip
    hair = draw(st.sampled_from([0.0, 1e-15, 1e-12, 1e-9, 1e-6]))
    return unit(np.array([c], dtype=float) + hair * np.array([draw(unit_vectors)]))


def balance(crystal, direction, extraordinary, axis, normal=UP, where=slice(None)):
    """How far R + T is from 1 for one wave whose energy goes out along +-normal."""
    n_o, n_e = CRYSTALS[crystal]
    mode = np.array([extraordinary])
    wave = wave_inside(direction, extraordinary, axis, n_o, n_e)
    n = outward(wave, mode, normal, axis, n_o, n_e)
    found = inside_events(wave, mode, n, axis, n_o, n_e)
    for name in ("reflected_o", "reflected_e", "transmitted_s", "transmitted_p"):
        share = getattr(found, name)[0]
        assert -1e-15 <= share <= 1 + 1e-12, (name, share)
    return abs(total(found)[0] - 1)


@given(crystals, unit_vectors, unit_vectors, unit_vectors, tiny, st.booleans())
def test_near_the_axis(crystal, axis, off, normal, angle, extraordinary):
    """1e-12 ... 1e-3 rad from c: energy is kept to 1e-12, at any incidence."""
    c = unit(np.array([axis]))
    d = unit(c + angle * np.array([off]))
    n = unit(np.array([normal]))
    assert balance(crystal, d, extraordinary, c, n) < 1e-12


@given(
    crystals, unit_vectors, unit_vectors, st.floats(0, 6.3), st.floats(-17, -3), st.floats(-17, -9), st.booleans()
)  # fmt: skip
@example("calcite", (1.0, 0.0, 0.0), (1.0, 0.0, 0.0078125), 1.326, -11.998, -14.7, False)
def test_along_the_facet_and_the_axis(crystal, axis, off, turn, near, lift, extraordinary):
    """1e-17 ... 1e-3 rad from c and 1e-17 ... 1e-9 rad from the facet at once.

    Found by hypothesis: o of calcite within 8e-15 rad of c and 2e-15 rad of the facet, off by 0.79.
    """
    c = unit(np.array([axis]))
    d = unit(c + 10**near * np.array([off]))
    across = unit(np.cross(d, [[0.31, -0.52, 0.79]]))
    normal = np.cos(turn) * across + np.sin(turn) * np.cross(d, across)
    assert balance(crystal, d, extraordinary, c, unit(normal + 10**lift * d)) < 1e-12


@pytest.mark.parametrize(
    ("axis", "off", "normal", "angle"),
    [
        ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0078125), (0.0, 1.0, 0.25), 1.0045073642544584e-12),
        ((0.0, 1.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), 1e-3),
    ],
)
def test_the_cases_that_were_off(axis, off, normal, angle):
    """The two that hypothesis found, to the digit: by 0.79, and not a number."""
    c = unit(np.array([axis]))
    d = unit(c + angle * np.array([off]))
    assert balance("calcite", d, False, c, unit(np.array([normal]))) < 1e-12


@pytest.mark.parametrize("crystal", CRYSTALS)
def test_along_the_facet_all_of_it_comes_back(crystal, rng):
    """Shares of other waves vanish with the flow along the normal (the wave and its own reflection cancel):
    what is taken for 0 below 1e-12 is below 1e-3 at 1e-6 and falls with it."""
    n_o, n_e = CRYSTALS[crystal]
    d, axis = directions(rng, 2000), directions(rng, 2000)
    across = unit(np.cross(d, directions(rng, 2000)))
    for mode in (False, True):
        modes = np.full(2000, mode)
        wave = wave_inside(d, modes, axis, n_o, n_e)
        along = np.sum(wave * axis, axis=1)[:, None]
        ray = unit(n_o**2 * wave + mode * (n_e**2 - n_o**2) * along * axis)
        level = unit(across - np.sum(across * ray, axis=1)[:, None] * ray)
        others = []
        for lift in (1e-6, 1e-8, 1e-10, 1e-13):
            found = inside_events(wave, modes, unit(level + lift * ray), axis, n_o, n_e)
            own = found.reflected_e if mode else found.reflected_o
            others.append(np.abs(1 - own).max())
        assert others[0] < 1e-3
        assert others[1] < max(1.1e-2 * others[0], 1e-14)
        assert others[2] < max(1.1e-2 * others[1], 1e-14)
        assert others[3] == 0.0


@given(crystals, unit_vectors, st.floats(0, 1.57), st.booleans())
def test_on_the_axis(crystal, axis, angle, extraordinary):
    """K along c exactly, where the two modes are any two."""
    c = unit(np.array([axis]))
    beside = np.cross(c, [[0.3, -0.5, 0.81]])
    normal = np.cos(angle) * c + np.sin(angle) * unit(beside)
    assert balance(crystal, c, extraordinary, c, normal) < 1e-12


@given(crystals, unit_vectors, st.floats(0, 2 * np.pi), tiny, signs, st.booleans())
def test_near_the_critical_angle(crystal, axis, turn, off, sign, extraordinary):
    """|K| = 1 -+ 1e-12 ... 1e-3 along the facet, o and e (e found by iteration on its index)."""
    n_o, n_e = CRYSTALS[crystal]
    c, x = unit(np.array([axis])), np.array([[np.cos(turn), np.sin(turn), 0.0]])
    n = n_o
    for _ in range(60):
        sine = (1 + sign * off) / n
        d = sine * x + np.sqrt(1 - sine**2) * UP
        n = np.linalg.norm(wave_inside(d, extraordinary, c, n_o, n_e))
    tangent = np.linalg.norm((n * d)[0, :2])
    assert abs(tangent - 1 - sign * off) < 1e-15
    assert balance(crystal, d, extraordinary, c) < 1e-12


@given(crystals, unit_vectors, st.floats(0, 2 * np.pi), tiny, st.booleans())
def test_grazing(crystal, axis, turn, lift, extraordinary):
    """1e-12 ... 1e-3 rad from the facet."""
    c, x = unit(np.array([axis])), np.array([[np.cos(turn), np.sin(turn), 0.0]])
    assert balance(crystal, x + lift * UP, extraordinary, c) < 1e-12


@given(crystals, special_axes(), st.floats(0, 1.5706), st.booleans())
def test_special_axes(crystal, axis, angle, extraordinary):
    """Axis along the normal, in the facet, in the plane of incidence: exactly, and by a hair."""
    d = np.array([[np.sin(angle), 0.0, np.cos(angle)]])
    assert balance(crystal, d, extraordinary, axis) < 1e-12


@given(crystals, unit_vectors, st.floats(0, 2 * np.pi), st.floats(0.02, 0.98))
def test_evanescent_modes(crystal, axis, turn, between):
    """A wave whose partner is evanescent ("inhibited reflection", Simon & Echarri 1989): |K| along
    the facet between the two indices of that direction; all energy stays in the other modes."""
    n_o, n_e = CRYSTALS[crystal]
    c, x = unit(np.array([axis])), np.array([[np.cos(turn), np.sin(turn), 0.0]])
    # of the waves along the facet, the o wave has n_o and the e wave its largest tangent
    diff = n_e**2 - n_o**2
    a, b = n_o**2 + diff * c[0, 2] ** 2, diff * (x @ c.T)[0, 0] ** 2
    most_e = np.sqrt(n_o**2 * n_e**2 / (n_o**2 + b - diff * c[0, 2] ** 2 * b / a))
    low, high = sorted((n_o, most_e))
    if high - low < 1e-6:
        return
    tangent = low + between * (high - low)
    extraordinary = most_e > n_o
    o, e = textbook.waves(tangent * x, UP, c[0], np.array([n_o]), np.array([n_e]), 1)
    wave = (e if extraordinary else o).real
    found = inside_events(wave, [extraordinary], UP, c, n_o, n_e)
    gone = found.wave_o if extraordinary else found.wave_e
    assert np.isnan(gone[0, 2])
    assert (found.reflected_o if extraordinary else found.reflected_e)[0] == 0
    assert abs(total(found)[0] - 1) < 1e-12


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


def test_denser_surroundings_are_refused():
    for bad in (1.8, 0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="outside < n_o"):
            outside_events([0, 0, -1], [0, 0, 1], [0, 0, 1], 1.77, 1.76, bad)
        with pytest.raises(ValueError, match="outside < n_o"):
            inside_events([0, 0, 1.77], [False], [0, 0, 1], [0, 0, 1], 1.77, 1.76, bad)
