"""Whole stones: conservation, reciprocity, sameness of bits; closed forms are in facetrace/checks/stones.py.

Statistical checks have fixed seeds. 4.1 standard errors are passed by chance in 1 of 1,000 cases
if only 15 of the 64 pairs of sets carry the error (Student's t), less often if more do.
"""

import math
from dataclasses import replace

import numba
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import qmc
from shared import DESIGNS, ROUND

from facetrace.checks.stones import SIGMAS, box, make_scene, random_solid
from facetrace.design.model import read_design
from facetrace.kernel.scene import ROW_AE, ROW_AO
from facetrace.optics.lights import Light, find_light
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import SolidError
from facetrace.trace.faceup import SHARES, face_up, trace_face_up, xyz_of
from facetrace.trace.maps import face_maps
from facetrace.trace.run import trace_pixels, trace_sums
from facetrace.trace.scene import View, direction, scene_of

N_O = 1.768076


def check(estimate, truth, sigmas=SIGMAS, floor=1e-9):
    assert abs(estimate.value - truth) <= sigmas * estimate.stderr + floor, (estimate, truth)


# ---- conservation ---------------------------------------------------------------------------


@pytest.mark.slow
@given(
    st.integers(0, 10_000), st.integers(6, 60), st.sampled_from(["corundum", "calcite", "quartz"]),
    st.floats(0, 180), st.floats(0, 360), st.floats(0, 60), st.floats(0, 360),
)  # fmt: skip
@settings(max_examples=40)
def test_uniform_enclosure_is_uniform(seed, facets, material, tilt, azimuth, eye, way):
    """A lossless stone among equal walls looks like them (second law): brightness 1 with a standard
    error of at most 1e-5, for random solids, axes, views and crystals. False alarm of all 40: 4 %
    at most if 15 strata carry the error, far less if more do; the examples are always the same."""
    try:
        solid = random_solid(seed, facets)
    except SolidError:  # a few random planes may leave it open
        assume(False)
    scene = make_scene(solid, material=material, light="uniform",
                       axis=(tilt, azimuth), view=View(eye_tilt=eye, eye_azimuth=way))  # fmt: skip
    result = trace_face_up(scene, seed, error=1e-5, sure_of=("brightness",))
    assert result.measures["brightness"].stderr <= 1e-5
    check(result.measures["brightness"], 1.0)
    assert result.outcomes["lost"] == 0


def test_uniform_enclosure_keeps_its_colour():
    scene = make_scene(random_solid(5), light="uniform")
    colour = trace_face_up(scene, 1, rays=1 << 16).colour
    assert colour.chroma.value < 0.01
    assert colour.lightness.value == pytest.approx(100, abs=0.01)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_outcomes_sum_to_one(path):
    """Every launched weight ends in a named outcome; roulette and losses included, to rounding."""
    solid = build_solid(read_design(path).design)
    for material in ("ruby", "diamond"):
        result = trace_face_up(make_scene(solid, material=material, head=10), 3, rays=1 << 15)
        assert sum(result.outcomes.values()) == pytest.approx(1, abs=1e-12)
        assert result.outcomes["lost"] == 0
        assert abs(result.outcomes["roulette"]) < 2e-3
        shares = sum(result.measures[k].value for k in SHARES)
        assert shares == pytest.approx(1 - result.outcomes["roulette"], abs=1e-12)


def test_a_trapping_stone_ends():
    """A diamond cube holds light for long; roulette ends it without bias."""
    result = trace_face_up(make_scene(box(), material="diamond", light="uniform"), 1, rays=1 << 14)
    check(result.measures["brightness"], 1.0)


# ---- closed forms ---------------------------------------------------------------------------


def test_cube_shows_its_sides_by_total_reflection():
    """A cube of n > sqrt 2 seen through one face tilted less than its critical geometry lets
    nothing out sideways: light that enters the top leaves by top or bottom only."""
    t = 20.0
    scene = make_scene(box(50, 50, 0.5), index=1.765, wavelength_nm=589.3, view=View(eye_tilt=t))
    result = trace_face_up(scene, 1, rays=1 << 14)
    inner = math.asin(math.sin(math.radians(t)) / 1.765)
    c1, c2 = math.cos(math.radians(t)), math.cos(inner)
    r_s = ((c1 - 1.765 * c2) / (c1 + 1.765 * c2)) ** 2
    r_p = ((1.765 * c1 - c2) / (1.765 * c1 + c2)) ** 2
    plate = 0.5 * sum((1 - r) / (1 + r) for r in (r_s, r_p))
    # the rim of the 100 mm plate and its side faces are 1 % of the silhouette
    assert result.measures["window"].value == pytest.approx(plate, abs=0.012)


# ---- reciprocity and invariance -------------------------------------------------------------


@pytest.mark.slow
def test_eye_and_light_change_places():
    """Reciprocity of a whole stone (Helmholtz): with weights f_A = max(0, d.A), f_B = max(0, d.B),

        integral over eyes e of f_A(e) silhouette(e) <radiance of a light f_B seen from e>

    is the same with A and B exchanged. Calcite, random stone; 1,024 directions of a scrambled
    net each way, its error from 8 independent nets; without the o/e conversion at total
    reflection, or with phase indices in place of energy flow, it fails by many errors.
    """
    solid = random_solid(4, 30)
    medium = make_scene(solid, material="calcite").medium
    first, second = direction(0, 0), direction(65, 60)
    a = exchange(solid, medium, first, second)
    b = exchange(solid, medium, second, first)
    assert abs(a[0] - b[0]) < SIGMAS * math.hypot(a[1], b[1]), (a, b)
    assert math.hypot(a[1], b[1]) < 0.004 * a[0]


def exchange(solid, medium, eyes, lamp):
    """(mean, standard error) of silhouette x radiance over eyes spread as the cosine around *eyes*."""
    light = Light("cosine", 0.0, 1.0, 0.0)
    helper = np.array([0.0, 1.0, 0.0])
    x = np.cross(helper, eyes) / np.linalg.norm(np.cross(helper, eyes))
    y = np.cross(eyes, x)
    means = []
    for net in range(8):
        u = qmc.Sobol(2, seed=net).random(128)
        r, f = np.sqrt(u[:, 0]), 2 * np.pi * u[:, 1]
        d = (r * np.cos(f))[:, None] * x + (r * np.sin(f))[:, None] * y
        d += np.sqrt(1 - u[:, :1]) * eyes
        values = []
        for k, e in enumerate(d):
            tilt = math.degrees(math.acos(np.clip(e[2], -1, 1)))
            view = View(eye_tilt=tilt, eye_azimuth=math.degrees(math.atan2(e[1], e[0])))
            scene = scene_of(solid, medium, (50, 10), light, view)
            row = scene.view.copy()
            row[9:12] = lamp
            scene = replace(scene, view=row, white_radiance=1.0)
            sums = trace_sums(scene, 32, 1000 * net + k)
            outline = scene.outline
            following = np.roll(outline, -1, axis=0)
            area = 0.5 * np.sum(outline[:, 0] * following[:, 1] - outline[:, 1] * following[:, 0])
            values.append(area * xyz_of(sums.rows.sum(axis=0)[None], scene, glare=True)[0, 1])
        means.append(np.mean(values))
    return float(np.mean(means)), float(np.std(means, ddof=1) / math.sqrt(8))


# ---- sameness -------------------------------------------------------------------------------


@pytest.mark.skipif(numba.config.NUMBA_NUM_THREADS < 2, reason="needs two threads")
def test_same_bits_for_any_number_of_threads():
    scene = make_scene(build_solid(read_design(DESIGNS[0]).design), material="ruby", head=10)
    before = numba.get_num_threads()
    try:
        rows = []
        for threads in sorted({1, 2, numba.config.NUMBA_NUM_THREADS}):
            numba.set_num_threads(threads)
            rows.append((trace_sums(scene, 256, 9).rows, trace_pixels(scene, 20, 8, 9).sums))
    finally:
        numba.set_num_threads(before)
    for sums, pixels in rows[1:]:
        np.testing.assert_array_equal(sums, rows[0][0])
        np.testing.assert_array_equal(pixels, rows[0][1])


def test_seeds():
    """The same seed gives the same bits, 0 is a seed, others differ."""
    scene = make_scene(random_solid(1))
    first = trace_sums(scene, 64, 0).rows
    np.testing.assert_array_equal(first, trace_sums(scene, 64, 0).rows)
    assert (first != trace_sums(scene, 64, 1).rows).any()


def test_doubling_points_is_one_run():
    """Half the points and then the other half are all the points, to rounding of the sums."""
    scene = make_scene(random_solid(1), material="ruby")
    whole = trace_sums(scene, 256, 3)
    parts = trace_sums(scene, 256, 3, first=trace_sums(scene, 128, 3))
    # what roulette gives and takes is a small difference of sums of 256 rays
    np.testing.assert_allclose(parts.rows, whole.rows, rtol=1e-12, atol=1e-14)


def test_pictures_and_figures_agree():
    """The mean of the picture's pixels is the mean of the silhouette."""
    scene = make_scene(random_solid(2), material="ruby", head=10)
    figures = face_up(trace_sums(scene, 1 << 10, 1), scene)
    face = face_maps(trace_pixels(scene, 100, 32, 1), scene)
    weight = np.nan_to_num(face.coverage)
    for name in ("light_return", "window", "extinction", "absorbed", "surface"):
        mean = np.nansum(face.shares[name] * weight) / weight.sum()
        assert mean == pytest.approx(figures.measures[name].value, abs=2e-3)
    luminance = np.nansum((face.xyz + face.glare)[..., 1] * weight) / weight.sum()
    assert luminance == pytest.approx(figures.measures["brightness"].value, abs=2e-3)
    assert sum(face.dominant.values()) == pytest.approx(1)


# ---- lights ---------------------------------------------------------------------------------


def test_white_diffuser():
    """Irradiance over pi: dome 1, cosine 2/3, CIE overcast 7/9 of the zenith (Moon & Spencer 1942);
    a hard head of radius h at the zenith takes sin^2 h from a dome (solid-angle projection law)."""
    for name, value in (("uniform", 1), ("hemisphere", 1), ("cosine", 2 / 3), ("overcast", 7 / 9)):
        assert find_light(name, 0).white(1.0) == pytest.approx(value, abs=1e-12)
    hidden = 1 - find_light("hemisphere", 20, head_hard=True).white(1.0)
    assert hidden == pytest.approx(math.sin(math.radians(20)) ** 2, abs=1e-9)
    aside = 1 - find_light("hemisphere", 20, head_hard=True).white(math.cos(math.radians(40)))
    assert aside == pytest.approx(
        math.sin(math.radians(20)) ** 2 * math.cos(math.radians(40)), abs=1e-6
    )


# ---- what the optics do to a stone ----------------------------------------------------------


def test_head_darkens_and_light_order():
    solid = build_solid(read_design(ROUND).design)
    none = trace_face_up(make_scene(solid, head=0), 1, rays=1 << 15).measures
    some = trace_face_up(make_scene(solid, head=15), 1, rays=1 << 15).measures
    assert none["extinction"].value < 1e-12
    assert some["extinction"].value > 0.02
    lost = none["light_return"].value - some["light_return"].value
    assert lost == pytest.approx(some["extinction"].value, abs=5e-4)


def test_table_across_the_axis_still_shows_pleochroism():
    """Facets turn the light away from c: with the table at right angles to c the colour is not
    that of the o ray alone (R. W. Hughes, Gems & Gemology, Fall 2014)."""
    solid = build_solid(read_design(ROUND).design)
    real_scene = make_scene(solid, material="ruby", head=10)
    flat = real_scene.medium.spectrum.copy()
    flat[ROW_AE] = flat[ROW_AO]
    flat_scene = replace(real_scene, medium=replace(real_scene.medium, spectrum=flat))
    real = trace_face_up(real_scene, 1, rays=1 << 16).measures["brightness"]
    only_o = trace_face_up(flat_scene, 1, rays=1 << 16).measures["brightness"]
    assert real.value - only_o.value > 20 * math.hypot(real.stderr, only_o.stderr)


def test_a_column_is_seen_whole():
    """Rays start above the tallest stone: a clear column of 40 radii among equal walls looks like them."""
    scene = make_scene(box(1, 1, 40), light="uniform", absorbing=False, view=View(eye_tilt=5.0))
    found = trace_face_up(scene, 1, rays=1 << 12)
    assert found.measures["brightness"].value == pytest.approx(1.0, abs=1e-3)
    assert found.rays == pytest.approx(1 << 12, rel=1e-9)
