"""Ground facets: energy, reciprocity, the smooth limit, and what one meeting alone would lose.

Light is launched evenly over tangential wave vectors, as a uniform enclosure sends it through a
facet: each medium in proportion to its share of phase space. A scattering surface that is
reciprocal then sends as many from any cell i to any cell j as from the reversed j to the reversed
i; see E. Yablonovitch, J. Opt. Soc. Am. 72, 899 (1982), for the counting of states.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from facetrace.checks.stones import N_E, N_O, random_solid
from facetrace.kernel.facet_driver import ground_loop
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.trace.faceup import face_up, trace_face_up
from facetrace.trace.points import key_of
from facetrace.trace.run import trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

AIR, O_WAVE, E_WAVE = range(3)
NORMAL = np.array([0.0, 0.0, 1.0])
CELLS = 12  # 3 rings x 4 quarters


@dataclass(frozen=True)
class Crystal:
    no: float
    ne: float
    axis: tuple[float, float, float]

    @property
    def c(self):
        return np.array(self.axis) / np.linalg.norm(self.axis)

    @property
    def beside(self):
        side = np.cross(self.c, [1.0, 0, 0] if abs(self.c[0]) < 0.6 else [0, 1.0, 0])
        return side / np.linalg.norm(side)

    def radius(self, kind):
        return {AIR: 1.0, O_WAVE: self.no, E_WAVE: max(self.no, self.ne)}[kind]


CORUNDUM = Crystal(N_O, N_E, (0.5, 0.3, 0.7))
CALCITE = Crystal(1.658, 1.486, (0.6, 0.1, 0.5))


def scattered(crystal, alpha, waves, side, mode, seed):
    n = len(waves)
    out, rays, ends = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros((n, 3))
    ground_loop(
        np.ascontiguousarray(waves), np.full(n, side), np.full(n, mode), NORMAL, crystal.c,
        crystal.beside, alpha, crystal.no, crystal.ne, key_of(seed), out, rays, ends,
    )  # fmt: skip
    return out, rays, ends


def launched(crystal, kind, rng, per_area):
    """Waves that meet the facet, evenly over phase space: *per_area* for unit area and polarisation."""
    radius = crystal.radius(kind)
    count = int((2 if kind == AIR else 1) * math.pi * radius**2 * per_area)
    turn, reach = rng.uniform(0, 2 * math.pi, count), radius * np.sqrt(rng.uniform(size=count))
    k = np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
    if kind != E_WAVE:
        side = -1 if kind == AIR else 1
        return np.column_stack([k, side * np.sqrt(radius**2 - reach**2)])
    # no^2 K.K + (ne^2 - no^2) (K.c)^2 = no^2 ne^2, solved for the component along the normal
    no2, ne2, c = crystal.no**2, crystal.ne**2, crystal.c
    a, along = no2 + (ne2 - no2) * c[2] ** 2, k @ c[:2]
    b = (ne2 - no2) * c[2] * along
    rest = no2 * reach**2 + (ne2 - no2) * along**2 - no2 * ne2
    real = b * b > a * rest
    q = (-b[real] + np.sqrt(b[real] ** 2 - a * rest[real])) / a
    return np.column_stack([k[real], q])


def cell(k, radius):
    ring = np.minimum(3 * (np.hypot(k[:, 0], k[:, 1]) / radius) ** 2, 2.999).astype(int)
    quarter = (np.arctan2(k[:, 1], k[:, 0]) / (2 * math.pi) * 4 % 4).astype(int)
    return 4 * ring + quarter


def exchange(crystal, alpha, per_area, seed=5):
    """(36, 36) counts from cell to reversed cell of air, o, e; and mean meetings of each kind."""
    rng = np.random.default_rng(seed)
    counts, single = np.zeros((3 * CELLS, 3 * CELLS)), []
    for kind in (AIR, O_WAVE, E_WAVE):
        waves = launched(crystal, kind, rng, per_area)
        side, mode = (1 if kind == AIR else -1), int(kind == E_WAVE)
        out, _, ends = scattered(crystal, alpha, waves, side, mode, kind + 1)
        assert (ends[:, 0] != 0).all()
        became = np.where(ends[:, 0] > 0, AIR, O_WAVE + ends[:, 1].astype(int))
        start = CELLS * kind + cell(waves, crystal.radius(kind))
        for other in (AIR, O_WAVE, E_WAVE):
            mine = became == other
            end = CELLS * other + cell(-out[mine], crystal.radius(other))
            np.add.at(counts, (start[mine], end), 1)
        single.append(float(np.mean(ends[:, 2] > 1)))
    return counts, single


@pytest.mark.slow
@pytest.mark.parametrize("crystal", [CORUNDUM, CALCITE], ids=["corundum", "calcite"])
@pytest.mark.parametrize("alpha", [0.15, 0.39, 0.9])
def test_reciprocal(crystal, alpha):
    """As many from i to j as back, in 630 pairs of cells; chi^2, and its chance alone to fail 1e-3."""
    counts, _ = exchange(crystal, alpha, 150_000)
    there, back = counts[np.triu_indices(len(counts), 1)], counts.T[np.triu_indices(len(counts), 1)]
    many = there + back > 20
    z2 = (there - back)[many] ** 2 / (there + back)[many]
    assert many.sum() > 450
    assert z2.sum() < stats.chi2.isf(1e-3, many.sum())


def test_single_scattering_would_lose_4_to_40_percent():
    """Light that meets more than one microfacet is what models of one meeting leave out; at these
    roughnesses it is that much (from the literature on such models, memory)."""
    _, rough = exchange(CORUNDUM, 0.39, 20_000)
    _, rougher = exchange(CORUNDUM, 0.7, 20_000)
    assert 0.04 < rough[AIR] < rough[O_WAVE] < 0.40
    assert rough[O_WAVE] < rougher[O_WAVE] < 0.6


@pytest.mark.parametrize(
    ("n", "external", "internal"), [(1.3333, 0.06645, 0.47485), (1.5, 0.09178, 0.59635)]
)
def test_diffuse_reflectances(n, external, internal):
    """Smooth limit: diffuse reflectances of a dielectric, outside and inside (J. W. T. Walsh 1926;
    S. Q. Duntley, J. Opt. Soc. Am. 32, 61 (1942); values computed from Fresnel's formulas). Rough:
    outside changes, 1 - inside = (1 - outside) / n^2 stays. 4 standard errors: 1 of 16,000."""
    crystal = Crystal(n, n, (0.0, 0.0, 1.0))

    def reflected(alpha):
        counts, _ = exchange(crystal, alpha, 60_000)
        kinds = counts.reshape(3, CELLS, 3, CELLS).sum(axis=(1, 3))
        inside = kinds[1:].sum(axis=0)
        return (
            kinds[AIR, AIR] / kinds[AIR].sum(), 0.5 / math.sqrt(kinds[AIR].sum()),
            inside[1:].sum() / inside.sum(), 0.5 / math.sqrt(inside.sum()),
        )  # fmt: skip

    outside, outside_error, inside, inside_error = reflected(1e-3)
    assert outside == pytest.approx(external, abs=4 * outside_error)
    assert inside == pytest.approx(internal, abs=4 * inside_error)
    outside, outside_error, inside, inside_error = reflected(0.6)
    assert abs(outside - external) > 10 * outside_error
    error = math.hypot(inside_error, outside_error / n**2)
    assert 1 - inside == pytest.approx((1 - outside) / n**2, abs=4 * error)


def test_nearly_smooth_is_mirror_and_refraction():
    """alpha -> 0: the angles of reflection and of Snell's law, to the slopes that are left."""
    crystal = Crystal(1.6, 1.6, (0.2, 0.0, 1.0))
    wave = np.tile([math.sin(0.7), 0.0, -math.cos(0.7)], (2000, 1))
    out, rays, ends = scattered(crystal, 1e-6, wave, 1, 0, 3)
    up = ends[:, 0] > 0
    assert np.abs(out[up] - [math.sin(0.7), 0, math.cos(0.7)]).max() < 1e-3
    inside = math.asin(math.sin(0.7) / 1.6)
    assert np.abs(rays[~up] - [math.sin(inside), 0, -math.cos(inside)]).max() < 1e-3
    assert 0.03 < up.mean() < 0.12


def ground_scene(material, roughness, share, light="uniform", head=0.0, eye=0.0, seed=3):
    solid = random_solid(seed, 24)
    rough = dict.fromkeys(solid.names[: int(share * len(solid.names))], roughness)
    medium = medium_of(find_material(material), observer(), absorbing=False)
    light = find_light(light, head)
    return scene_of(solid, medium, (40.0, 10.0), light, View(eye_tilt=eye), ground=rough)


@pytest.mark.parametrize("material", ["corundum", "calcite", "spinel"])
@pytest.mark.parametrize("share", [0.3, 1.0])
def test_ground_stone_among_equal_walls_looks_like_them(material, share):
    """Second law of thermodynamics: brightness 1, at any roughness, some facets ground or all. 4.1
    standard errors (chance 1e-3 where 15 strata carry the error) and rounding."""
    for roughness, eye in ((0.2, 0.0), (0.9, 35.0)):
        scene = ground_scene(material, roughness, share, eye=eye)
        bright = trace_face_up(scene, 7, rays=1 << 15).measures["brightness"]
        assert bright.stderr < 2e-4
        assert bright.value == pytest.approx(1.0, abs=4.1 * bright.stderr + 1e-9)


def test_roughness_to_nothing_restores_the_polished_stone():
    polished = ground_scene("corundum", 0.0, 0.5, "hemisphere", 10.0)
    smooth = ground_scene("corundum", 1e-5, 0.5, "hemisphere", 10.0)
    rough = ground_scene("corundum", 0.4, 0.5, "hemisphere", 10.0)
    found = [
        face_up(trace_sums(s, 1024, 2), s).measures["light_return"]
        for s in (polished, smooth, rough)
    ]
    error = math.hypot(found[0].stderr, found[1].stderr)
    assert found[1].value == pytest.approx(found[0].value, abs=4.1 * error)
    assert abs(found[2].value - found[0].value) > 10 * error
