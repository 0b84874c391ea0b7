"""Lamps in a light, and a stone that spins under them. Comparisons of means allow SIGMAS standard
errors (a false alarm in 24,000); the rest is exact. Lamps and solids are invented."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad
from shared import ROOT

from facetrace.checks.stones import SIGMAS, box, make_scene, random_solid
from facetrace.common.errors import FacetraceError
from facetrace.design.model import read_design
from facetrace.kernel.light import seen_radiance
from facetrace.kernel.tally import (
    COUNT_HITS,
    GLARE_X,
    SEEN_X,
    SUM_ABSORBED,
    SUM_LIT,
    SUM_SURFACE,
    SUM_Y,
)
from facetrace.optics.colour import observer
from facetrace.optics.lights import Lamp, Light, find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import estimates
from facetrace.trace.run import trace_pixels, trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

# sums of three scenes before there were lamps: SUM_LIT, SUM_SURFACE, SEEN_Y, GLARE_Y
BEFORE = {
    ("round-brilliant", "ruby", "hemisphere", View()): (
        "0x1.7ad31e4efafd3p+9 0x1.59565448ac940p+7 0x1.7ad31e4efafd3p+9 0x1.deca2607fbc94p+8"
    ),
    ("oval-brilliant", "diamond", "overcast", View(12.0, 30.0)): (
        "0x1.fe456ca53a898p+11 0x1.47aa88ff5de03p+10 0x1.0149e95299736p+12 0x1.e6d76e08c02dfp+9"
    ),
    ("heart-brilliant", "ruby", "cosine", View(-5.0, 80.0, 20.0, 100.0)): (
        "0x1.19d27b8f290dfp+8 0x1.34b62952bc04dp+7 0x1.19edfbaeded8cp+8 0x1.54092edfd672dp+8"
    ),
}
FIRST_COLUMNS = [4, 6, 11, 14]


def dark(*lamps, **more):
    return Light("lamps alone", 0.0, 0.0, 0.0, lamps=lamps, **more)


def scene(solid, light, view, index=1.765, axis=(0.0, 0.0), nm=589.3):
    medium = medium_of(find_material("corundum"), observer(), index=index, wavelength_nm=nm)
    return scene_of(solid, medium, axis, light, view)


def middle(where, column):
    """Light for each ray that meets the middle square millimetre of a stone."""
    sums = trace_pixels(where, 8, 16, 1, width_mm=1.0, floor=1e-4).sums.sum(axis=(0, 1))
    assert sums[COUNT_HITS] == 8 * 8 * 16
    return sums[column] / sums[SUM_Y]


@pytest.mark.parametrize("case", BEFORE)
def test_lights_without_lamps_are_what_they_were(case):
    """To the bit on the machine that wrote the numbers; other processors round otherwise."""
    name, material, light, view = case
    solid = build_solid(read_design(ROOT / "designs" / f"{name}.toml").design)
    medium = medium_of(find_material(material), observer())
    sums = trace_sums(scene_of(solid, medium, (25.0, 10.0), find_light(light), view), 64, 7)
    wanted = [float.fromhex(word) for word in BEFORE[case].split()]
    np.testing.assert_allclose(sums.rows.sum(axis=0)[FIRST_COLUMNS], wanted, rtol=1e-9)


@pytest.mark.parametrize("radius", [0.4, 1.5, 8.0])
def test_a_table_mirrors_a_lamp_where_the_mirror_direction_meets_it(radius):
    """Fresnel's equations for unpolarised light at 30 degrees, times the lamp's radiance."""
    t, n = math.radians(30.0), 1.765
    c1, c2 = math.cos(t), math.sqrt(1 - (math.sin(t) / n) ** 2)
    fresnel = (((c1 - n * c2) / (c1 + n * c2)) ** 2 + ((n * c1 - c2) / (n * c1 + c2)) ** 2) / 2
    view = View(eye_tilt=30.0)
    for off, shown in ((0.0, 1), (0.99, 1), (-0.99, 1), (1.01, 0), (-1.01, 0)):
        light = dark(Lamp(30.0 + off * radius, 180.0, radius, 0.7))
        glare = middle(scene(box(50, 50, 3), light, view), GLARE_X + 1)
        assert glare == pytest.approx(0.7 * fresnel * shown, rel=1e-12)


def corundum_o(nm):
    """n_o by Malitson & Dodge, J. Opt. Soc. Am. 62, 1405 (1972), as Handbook of Optics III quotes it."""
    x = (nm / 1000) ** 2
    terms = ((1.4313493, 0.0726631), (0.65054713, 0.1193242), (5.3414021, 18.028251))
    return math.sqrt(1 + sum(b * x / (x - c * c) for b, c in terms))


def test_a_prism_shows_a_small_lamp_in_red_and_in_blue_at_different_tilts():
    """Through a wedge of 20 degrees at normal incidence light is turned by asin(n sin 20) - 20 (Snell);
    the c-axis lies along the edge, so the ordinary ray, half the light, has n_o."""
    apex, radius = math.radians(20.0), 0.02
    normals = [[0, 0, 1], [math.sin(apex), 0, -math.cos(apex)],
               [1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]]  # fmt: skip
    wedge = Solid.from_planes(np.array(normals), np.array([3.0, 3.0, 5.0, 5.0, 5.0, 5.0]))
    # seen from below, straight into its table, so that the lamp behind it stands above the horizon
    view = View(tilt=120.0, eye_tilt=120.0)
    tilts = {}
    for nm in (450.0, 650.0):
        n = corundum_o(nm)
        tilts[nm] = 60.0 - math.degrees(math.asin(n * math.sin(apex)) - apex)
        half = 2 * n / (n + 1) ** 2
        for off, shown in ((0.0, True), (0.9, True), (-0.9, True), (1.1, False), (-1.1, False)):
            light = dark(Lamp(tilts[nm] + off * radius, 180.0, radius, 1.0))
            seen = middle(scene(wedge, light, view, None, (90.0, 90.0), nm), SEEN_X + 1)
            assert (0.6 * half < seen < half) if shown else seen < 1e-3
    # red stands so far from blue that no lamp of this size shows both at once
    assert tilts[650.0] - tilts[450.0] > 10 * radius


def test_a_lamp_over_the_whole_sky_is_the_hemisphere():
    sky, lamp = find_light("hemisphere", 0.0), dark(Lamp(0.0, 0.0, 90.0, 1.0))
    assert lamp.white(1.0) == pytest.approx(sky.white(1.0), abs=1e-15)
    solid = random_solid(3)
    one, two = (trace_sums(scene(solid, light, View(5.0, 40.0)), 32, 2) for light in (sky, lamp))
    np.testing.assert_array_equal(one.rows, two.rows)


def test_a_lamp_fills_the_hole_that_a_hard_head_leaves():
    """What the head hides and a lamp of its size and place give add up to the whole sky, ray by ray."""
    solid, view = random_solid(5), View(10.0, 20.0, 25.0, 70.0)
    sky = find_light("hemisphere", 0.0)
    hole = find_light("hemisphere", 20.0, True)
    lamp = dark(Lamp(25.0, 70.0, 20.0, 1.0))
    seen = []
    for light in (sky, hole, lamp):
        rows = trace_sums(scene(solid, light, view), 64, 4, floor=1e-3).rows
        seen.append(rows[:, [SEEN_X + 1, GLARE_X + 1, SUM_LIT]])
    np.testing.assert_allclose(seen[1] + seen[2], seen[0], rtol=1e-9, atol=1e-9)
    # so do the white diffusers under the three
    cosine = math.cos(math.radians(25.0))
    whites = [light.white(cosine, 70.0) for light in (sky, hole, lamp)]
    assert whites[1] + whites[2] == pytest.approx(whites[0], abs=1e-5)


LAMPS = (Lamp(20.0, 30.0, 6.0, 1.0), Lamp(50.0, 200.0, 15.0, 0.4))


@pytest.mark.parametrize(
    ("head", "sight"), [(0.0, (0.0, 0.0)), (10.0, (0.0, 0.0)), (10.0, (15.0, 40.0))]
)
def test_white_under_lamps_by_quadrature(head, sight):
    """Radiance of a flat perfect diffuser: the integral of L cos over the upper half, by pi (scipy)."""
    light = Light("mixed", 0.01, 0.03, 0.0, head, lamps=LAMPS)
    s = Lamp(*sight, 1.0, 1.0).towards
    bare = replace(light, lamps=())

    def level(radiance, d):
        return radiance(d) * d[2]

    def over_disc(lamp):
        m = lamp.towards
        e1 = Lamp(lamp.tilt + 90, lamp.azimuth, 1, 1).towards
        e2 = np.cross(m, e1)

        def value(phi, a):
            d = math.cos(a) * m + math.sin(a) * (math.cos(phi) * e1 + math.sin(phi) * e2)
            with_lamp = lamp.radiance - light.constant - light.slope * d[2]
            passes = seen_radiance(
                np.array([1.0, 0, 1, *light.row[3:5]]), 1.0, float(d @ s), 0.0, 0.0, 0.0
            )
            return with_lamp * passes * d[2] * math.sin(a)

        edge = math.radians(lamp.radius)
        return dblquad(value, 0, edge, 0, 2 * math.pi, epsabs=1e-10)[0] / math.pi

    wanted = bare.white(float(s[2])) + sum(over_disc(lamp) for lamp in LAMPS)
    assert light.white(float(s[2]), sight[1]) == pytest.approx(wanted, rel=2e-5)


def test_only_the_view_of_lamps_from_the_stone_counts():
    """Stone, eye and lamps turned together about the zenith: all figures stay."""
    solid, by = random_solid(8), 73.0
    lamps = (Lamp(35.0, 10.0, 12.0, 1.0), Lamp(55.0, 150.0, 9.0, 0.8))
    turned = tuple(replace(lamp, azimuth=lamp.azimuth + by) for lamp in lamps)
    first = Light("first", 0.002, 0.0, 0.0, 10.0, lamps=lamps)
    second = replace(first, lamps=turned)
    views = (View(12.0, 40.0, 20.0, 100.0), View(12.0, 40.0 + by, 20.0, 100.0 + by, spin=by))
    found = []
    for light, view in zip((first, second), views, strict=True):
        where = scene(solid, light, view, index=None, axis=(30.0, 50.0))
        rows = trace_sums(where, 512, 9).rows
        columns = [SUM_LIT, SUM_SURFACE, SUM_ABSORBED, SEEN_X + 1, GLARE_X + 1]
        found.append(estimates(rows, lambda t, c=columns: t[:, c] / t[:, [SUM_Y]]))
        assert where.white_radiance == pytest.approx(first.white(math.cos(math.radians(20)), 100))
    for a, b in zip(*found, strict=True):
        assert abs(a.value - b.value) <= SIGMAS * math.hypot(a.stderr, b.stderr) + 1e-12
    # the dome alone could give no more than its radiance
    assert found[0][3].value > 2 * first.constant


def test_the_light_spots():
    """What its comment says; 1 is the brightest; under the default view the head hides no lamp."""
    light = find_light("spots")
    assert light.lamp_share == pytest.approx(0.747, abs=5e-4)
    assert max(lamp.radiance for lamp in light.lamps) == 1
    clear = find_light("spots", 0.0)
    lost = find_light("hemisphere", 0.0).white(1.0) - find_light("hemisphere").white(1.0)
    assert light.white(1.0) == pytest.approx(clear.white(1.0) - light.constant * lost, rel=1e-9)
    # a lamp seen right through the middle of a head is gone
    lamp = light.lamps[0]
    d = lamp.towards
    at = (float(d[2]), 1.0, *(float(v) for v in d))
    assert seen_radiance(light.row, *at) == 0
    assert seen_radiance(clear.row, *at) == lamp.radiance


def test_spin_alone_is_the_stone_turned():
    """A square box turned by 90 degrees is itself; by 45 its silhouette reaches sqrt 2 as far."""
    solid = box(2, 2, 1)
    for spin, reach in ((0.0, 2.0), (90.0, 2.0), (45.0, 2 * math.sqrt(2))):
        where = make_scene(solid, view=View(spin=spin))
        assert np.abs(where.outline).max() == pytest.approx(reach, rel=1e-12)


@pytest.mark.parametrize(
    ("lamps", "message"),
    [
        ((Lamp(85.0, 0.0, 6.0, 1.0),), "whole above the horizon"),
        ((Lamp(20.0, 0.0, 0.0, 1.0),), "whole above the horizon"),
        ((Lamp(20.0, 0.0, 3.0, 1.0), Lamp(25.0, 0.0, 3.0, 1.0)), "overlap"),
    ],
)
def test_lamps_that_cannot_be(lamps, message):
    with pytest.raises(FacetraceError, match=message):
        dark(*lamps)
