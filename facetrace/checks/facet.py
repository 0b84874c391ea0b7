"""Checks of one facet of a crystal against closed forms, worked numbers and conservation."""

import math

import numpy as np
from numpy.typing import NDArray

from facetrace.checks import textbook
from facetrace.checks.check import Check, Comparison
from facetrace.optics.interface import inside_events, outside_events, unit, wave_inside

Floats = NDArray[np.float64]

# (n_o, n_e) at 589.3 nm
CRYSTALS = {
    "corundum": (1.768076, 1.760002),
    "calcite": (1.658343, 1.486130),
    "quartz": (1.544206, 1.553306),
}
COUNT = 100_000


def _directions(rng: np.random.Generator, count: int) -> Floats:
    return unit(rng.normal(size=(count, 3)))


def outward(
    wave: Floats, mode: NDArray[np.bool_], normal: Floats, axis: Floats, n_o: float, n_e: float
) -> Floats:
    """Normals (n, 3) turned so that the energy of the wave flows out along them."""
    ray = np.where(
        mode[:, None],
        n_o**2 * wave + (n_e**2 - n_o**2) * np.sum(wave * axis, axis=1)[:, None] * axis,
        wave,
    )
    return np.asarray(normal * np.where(np.sum(ray * normal, axis=1) < 0, -1.0, 1.0)[:, None])


def random_inside(
    rng: np.random.Generator, count: int, n_o: float, n_e: float
) -> tuple[Floats, NDArray[np.bool_], Floats, Floats]:
    """Random waves whose energy flows out along random normals: wave, is it e, normal, axis."""
    axis, normal = _directions(rng, count), _directions(rng, count)
    mode = rng.integers(0, 2, count).astype(bool)
    wave = wave_inside(_directions(rng, count), mode, axis, n_o, n_e)
    return wave, mode, outward(wave, mode, normal, axis, n_o, n_e), axis


def _worst(what: str, expected: Floats | float, got: Floats, tolerance: float) -> Comparison:
    """The element that is farthest off."""
    e, g = np.broadcast_arrays(np.asarray(expected, dtype=np.float64), got)
    i = int(np.argmax(np.abs(np.nan_to_num(g - e, nan=np.inf))))
    return Comparison(what, float(e.flat[i]), float(g.flat[i]), tolerance)


def _fan(low: float, high: float, count: int) -> tuple[Floats, Floats]:
    """Angles [rad] and directions down onto the facet z = 0 in the x-z plane."""
    t = np.radians(np.linspace(low, high, count))
    return t, np.column_stack([np.sin(t), 0 * t, -np.cos(t)])


def _fresnel() -> list[Comparison]:
    rng = np.random.default_rng(1)
    t, d = _fan(0, 89, 200)
    rows = []
    for n in (1.5, 1.765, 2.417):
        found = outside_events(d, [0, 0, 1], _directions(rng, 200), n, n)
        inner = np.arcsin(np.sin(t) / n)
        r_s = (np.cos(t) - n * np.cos(inner)) / (np.cos(t) + n * np.cos(inner))
        r_p = (n * np.cos(t) - np.cos(inner)) / (n * np.cos(t) + np.cos(inner))
        rows += [
            _worst(f"R_s, n {n}", r_s**2, found.reflected[:, 0, 0], 1e-12),
            _worst(f"R_p, n {n}", r_p**2, found.reflected[:, 1, 1], 1e-12),
            _worst(f"s to p, n {n}", 0.0, found.reflected[:, 0, 1], 1e-12),
        ]
    return rows


def _diffuse() -> list[Comparison]:
    """Mean over a hemisphere weighted by the cosine, by Gauss-Legendre in the squared sine."""
    nodes, weights = np.polynomial.legendre.leggauss(400)
    # u = 1 - (1 - v)^2 smooths the root at grazing incidence
    v = (nodes + 1) / 2
    sine2, step = 1 - (1 - v) ** 2, (1 - v) * weights
    d = np.column_stack([np.sqrt(sine2), 0 * v, -np.sqrt(1 - sine2)])
    rows = []
    for n, expected in ((1.3333, 0.06645), (1.5, 0.09178), (1.768076, 0.12970), (2.4173, 0.21222)):
        found = outside_events(d, [0, 0, 1], [0, 0, 1], n, n).reflected
        mean = float(np.sum(step * (found[:, 0, 0] + found[:, 1, 1]) / 2))
        rows.append(Comparison(f"n {n}", expected, mean, 1e-5))
    return rows


def _axis_along_normal() -> list[Comparison]:
    t, d = _fan(0.1, 89, 200)
    rows = []
    for name, (n_o, n_e) in CRYSTALS.items():
        found = outside_events(d, [0, 0, 1], [0, 0, 1], n_o, n_e)
        root = np.sqrt(n_e**2 - np.sin(t) ** 2)
        r_p = (n_o * n_e * np.cos(t) - root) / (n_o * n_e * np.cos(t) + root)
        tan_wave = n_e / n_o * np.sin(t) / root
        rows += [
            _worst(f"{name}: R_p", r_p**2, found.reflected[:, 1, 1], 1e-12),
            _worst(f"{name}: tangent of the e wave", tan_wave,
                   found.wave_e[:, 0] / -found.wave_e[:, 2], 1e-9),
        ]  # fmt: skip
    return rows


def _brewster() -> list[Comparison]:
    rows = []
    for name, expected in (("corundum", 60.561), ("calcite", 60.787)):
        t, d = _fan(expected - 0.01, expected + 0.01, 2001)
        found = outside_events(d, [0, 0, 1], [0, 0, 1], *CRYSTALS[name])
        least = math.degrees(t[found.reflected[:, 1, 1].argmin()])
        rows.append(Comparison(f"{name}, deg", expected, least, 1e-3))
    return rows


def _normal_incidence() -> list[Comparison]:
    n_o, n_e = CRYSTALS["calcite"]
    axis = _directions(np.random.default_rng(2), 1000)
    found = outside_events(np.tile([0, 0, -1.0], (1000, 1)), [0, 0, 1], axis, n_o, n_e)
    cos2 = axis[:, 2] ** 2
    n = 1 / np.sqrt(cos2 / n_o**2 + (1 - cos2) / n_e**2)
    expected = ((1 - n_o) / (1 + n_o)) ** 2 + ((1 - n) / (1 + n)) ** 2
    return [_worst("R of both, calcite", expected, found.reflected.sum(axis=(1, 2)), 1e-9)]


def _walk_off() -> list[Comparison]:
    rows = []
    # c at 45 degrees to the facet: e waves inside pass all angles around the worst
    _, d = _fan(-80, 80, 4001)
    for name, expected in (("calcite", 6.270), ("corundum", 0.2623), ("quartz", 0.337)):
        n_o, n_e = CRYSTALS[name]
        found = outside_events(d, [0, 0, 1], [1, 0, 1], n_o, n_e)
        apart = np.cross(unit(found.wave_e), found.ray_e)
        most = math.degrees(math.asin(float(np.linalg.norm(apart, axis=1).max())))
        exact = math.degrees(math.atan(abs(n_o**2 - n_e**2) / (2 * n_o * n_e)))
        rows += [
            Comparison(f"{name}, deg", expected, most, 1e-3),
            Comparison(f"{name}, formula", exact, most, 1e-5),
        ]
    return rows


def _prism() -> list[Comparison]:
    n_o, n_e = CRYSTALS["corundum"]
    edge = [0, 1.0, 0]
    first = np.array([-math.cos(math.radians(30)), 0, math.sin(math.radians(30))])
    second = np.array([math.cos(math.radians(30)), 0, math.sin(math.radians(30))])
    rows = []
    for ray, n, expected in (("o", n_o, 64.267), ("e", n_e, 63.285)):
        at = math.asin(n / 2)
        incoming = math.cos(at) * -first + math.sin(at) * np.array([first[2], 0, -first[0]])
        found = outside_events(incoming, first, edge, n_o, n_e)
        wave = found.wave_e if ray == "e" else found.wave_o
        out = inside_events(wave, [ray == "e"], second, edge, n_o, n_e).ray_out[0]
        deviation = math.degrees(math.acos(float(np.dot(out, incoming))))
        rows += [
            Comparison(f"{ray}, deg", expected, deviation, 1e-3),
            Comparison(f"{ray}, formula", 2 * math.degrees(at) - 60, deviation, 1e-9),
        ]
    return rows


def _critical_angles() -> list[Comparison]:
    """Where total reflection begins, by bisection."""
    n_o, n_e = CRYSTALS["corundum"]
    rows = []
    for e, axis, expected in (
        (False, (0, 0, 1), 34.443),
        (True, (0, 1, 0), 34.624),
        (True, (0, 0, 1), 34.501),
        (True, (1, 0, 0), 34.565),
    ):
        low, high = 30.0, 40.0
        for _ in range(40):
            middle = (low + high) / 2
            t = math.radians(middle)
            wave = wave_inside([math.sin(t), 0, math.cos(t)], e, axis, n_o, n_e)
            total = np.isnan(inside_events(wave, [e], [0, 0, 1], axis, n_o, n_e).wave_out[0, 2])
            low, high = (low, middle) if total else (middle, high)
        rows.append(Comparison(f"{'e' if e else 'o'}, c {axis}, deg", expected, low, 6e-4))
    return rows


REFRACTED = {
    "corundum": (
        (0.604023, 0.219846, 1.644059), (0.339943, 0.121012, 0.932628),
        (0.1331027, 6e-7, 1.6e-7, 0.0338096), (0.5709714, 0.2959254, 0.3295362, 0.6366541),
    ),
    "calcite": (
        (0.604023, 0.219846, 1.462352), (0.326511, 0.050194, 0.943860),
        (0.1057291, 0.0003903, 0.0000999, 0.0172977),
        (0.5679313, 0.3259493, 0.3524086, 0.6301938),
    ),
}  # fmt: skip

REFLECTED = (
    ("corundum", False, 42, (0.3012071, 0.6987929, 0, 0)),
    ("corundum", True, 42, (0.6996000, 0.3004000, 0, 0)),
    ("corundum", False, 25, (0.0457212, 0.0002387, 0.1571668, 0.7968734)),
    ("corundum", True, 25, (0.0690716, 0.0713799, 0.6722559, 0.1872925)),
    ("calcite", False, 42, (0.2557118, 0.7442882, 0, 0)),
    ("calcite", True, 42, (0.7802334, 0.2197666, 0, 0)),
)


def _refracted() -> list[Comparison]:
    a, f = math.radians(40), math.radians(20)
    d = [math.sin(a) * math.cos(f), math.sin(a) * math.sin(f), math.cos(a)]
    rows = []
    for name, (wave, ray, reflected, transmitted) in REFRACTED.items():
        found = outside_events(d, [0, 0, -1], [1, 1, 1], *CRYSTALS[name])
        for what, expected, got in (
            ("e wave", wave, found.wave_e[0]), ("e ray", ray, found.ray_e[0]),
            ("reflected", reflected, found.reflected[0].ravel()),
            ("transmitted", transmitted, found.transmitted[0].ravel()),
        ):  # fmt: skip
            rows.append(_worst(f"{name}, {what}", np.array(expected), got, 2e-6))
    return rows


def _reflected() -> list[Comparison]:
    rows = []
    for name, e, degrees, shares in REFLECTED:
        t = math.radians(degrees)
        n_o, n_e = CRYSTALS[name]
        wave = wave_inside([math.sin(t), 0, math.cos(t)], e, [1, 1, 1], n_o, n_e)
        found = inside_events(wave, [e], [0, 0, 1], [1, 1, 1], n_o, n_e)
        got = np.ravel(
            [found.reflected_o, found.reflected_e, found.transmitted_s, found.transmitted_p]
        )
        what = f"{name}, {'e' if e else 'o'} at {degrees} deg"
        rows.append(_worst(what, np.array(shares, dtype=np.float64), got, 2e-6))
    return rows


def _energy() -> list[Comparison]:
    rows = []
    for name, (n_o, n_e) in CRYSTALS.items():
        wave, mode, normal, axis = random_inside(np.random.default_rng(3), COUNT, n_o, n_e)
        found = inside_events(wave, mode, normal, axis, n_o, n_e)
        total = found.reflected_o + found.reflected_e + found.transmitted_s + found.transmitted_p
        along = np.sum(wave * normal, axis=1)
        entering = outside_events(-unit(wave), normal * np.sign(along)[:, None], axis, n_o, n_e)
        sums = entering.reflected.sum(axis=2) + entering.transmitted.sum(axis=2)
        rows += [
            _worst(f"{name}, from within", 1.0, total, 1e-12),
            _worst(f"{name}, from outside", 1.0, sums, 1e-12),
        ]
    return rows


def _reciprocity() -> list[Comparison]:
    rows = []
    for name, (n_o, n_e) in CRYSTALS.items():
        wave, mode, normal, axis = random_inside(np.random.default_rng(4), COUNT // 5, n_o, n_e)
        there = inside_events(wave, mode, normal, axis, n_o, n_e)
        for e, back, share in (
            (False, there.wave_o, there.reflected_o),
            (True, there.wave_e, there.reflected_e),
        ):
            real = ~np.isnan(back[:, 0]) & (share > 1e-9)
            again = inside_events(
                -back[real], np.full(int(real.sum()), e), normal[real], axis[real], n_o, n_e
            )
            returned = np.where(mode[real], again.reflected_e, again.reflected_o)
            what = f"{name}, to {'e' if e else 'o'} and back"
            rows.append(_worst(what, share[real], returned, 1e-9))
    return rows


def _textbook() -> list[Comparison]:
    rows = []
    for name, (n_o, n_e) in CRYSTALS.items():
        rng = np.random.default_rng(5)
        axis = _directions(rng, 1)[0]
        count = 5000
        wave, mode, _, _ = random_inside(rng, count, n_o, n_e)
        mode = np.asarray(mode)
        wave = wave_inside(unit(wave), mode, axis, n_o, n_e)
        normal = outward(wave, mode, _directions(rng, count), np.tile(axis, (count, 1)), n_o, n_e)
        ours = inside_events(wave, mode, normal, axis, n_o, n_e)
        tangential = wave - np.sum(wave * normal, axis=1)[:, None] * normal
        no, ne = np.full(count, n_o), np.full(count, n_e)
        found = textbook.from_inside(tangential, normal, axis, no, ne)
        column = mode.astype(int)[:, None, None]
        reflected = np.abs(np.take_along_axis(found.reflected, column, axis=2)[:, :, 0]) ** 2
        out = np.abs(np.take_along_axis(found.transmitted, column, axis=2)[:, :, 0]) ** 2
        rows += [
            _worst(f"{name}, R_o", ours.reflected_o, reflected[:, 0], 1e-8),
            _worst(f"{name}, R_e", ours.reflected_e, reflected[:, 1], 1e-8),
            _worst(f"{name}, T_s", ours.transmitted_s, out[:, 0], 1e-8),
            _worst(f"{name}, T_p", ours.transmitted_p, out[:, 1], 1e-8),
        ]
    return rows


def _near_axis() -> list[Comparison]:
    rng = np.random.default_rng(6)
    rows = []
    for name, (n_o, n_e) in CRYSTALS.items():
        axis, normal = _directions(rng, 20_000), _directions(rng, 20_000)
        angle = 10.0 ** rng.uniform(-16, -2, 20_000)
        d = unit(axis + angle[:, None] * _directions(rng, 20_000))
        mode = rng.integers(0, 2, 20_000).astype(bool)
        wave = wave_inside(d, mode, axis, n_o, n_e)
        normal = outward(wave, mode, normal, axis, n_o, n_e)
        found = inside_events(wave, mode, normal, axis, n_o, n_e)
        total = found.reflected_o + found.reflected_e + found.transmitted_s + found.transmitted_p
        rows.append(_worst(name, 1.0, total, 1e-12))
    return rows


CHECKS = (
    Check("one index: Fresnel's formulas", "Born & Wolf, Principles of Optics, ch. 1.5", _fresnel),
    Check("diffuse light on a flat surface", "Walsh (1926), closed form, from memory; values computed", _diffuse),
    Check("c along the normal: R_p and wave angle", "Born & Wolf, ch. 15 (problem form)", _axis_along_normal),
    Check("Brewster angle, c along the normal", "tan^2 = ne^2 (no^2-1)/(ne^2-1), from memory; computed", _brewster),
    Check("normal incidence, any axis", "Lekner, J. Phys.: Condens. Matter 4, 1387 (1992)", _normal_incidence),
    Check("greatest walk-off", "Yeh, Optical Waves in Layered Media, ch. 9", _walk_off),
    Check("60-degree prism, c along its edge", "minimum deviation, 2 asin(n/2) - 60 (any textbook)", _prism),
    Check("critical angles by direction of c", "computed from the index surfaces (Born & Wolf, ch. 15)", _critical_angles),
    Check("refraction, axis (1,1,1)", "worked by an independent 4 x 4 matrix", _refracted),
    Check("reflection inside, axis (1,1,1)", "worked by an independent 4 x 4 matrix", _reflected),
    Check("R + T = 1, 600,000 random events", "Maxwell's equations: exact", _energy),
    Check("there and back: o to e, e to o", "reciprocity: exact", _reciprocity),
    Check("R + T = 1 within 1e-16 to 1e-2 rad of c", "Maxwell's equations: exact", _near_axis),
    Check("15,000 reflections by 4 x 4 boundary match", "Born & Wolf, ch. 15, solved as it stands in numpy", _textbook),
)  # fmt: skip
