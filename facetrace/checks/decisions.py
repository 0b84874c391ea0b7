"""Checks of what the studies rest on: ground facets, flats, tilt, colour zones."""

import math

import numpy as np

from facetrace.checks.check import Check, Comparison
from facetrace.checks.stones import (
    N_O,
    SIGMAS,
    box,
    flat_v,
    make_scene,
    near,
    plate_transmission,
    random_solid,
)
from facetrace.design.model import Crown, Design, Girdle, Outline, Pavilion
from facetrace.kernel.facet_driver import ground_loop
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.body import Body
from facetrace.solid.girdle import Blank, blank_of, flats_in
from facetrace.studies.tilt import tilt_tolerance
from facetrace.trace.faceup import trace_face_up
from facetrace.trace.points import key_of
from facetrace.trace.scene import View, medium_of, scene_of

ROUGHNESS = 0.39


def _ground_walls() -> list[Comparison]:
    rows = []
    for material, share, eye in (
        ("corundum", 0.3, 0.0),
        ("corundum", 1.0, 35.0),
        ("calcite", 0.3, 20.0),
    ):
        solid = random_solid(3, 24)
        ground = dict.fromkeys(solid.names[: int(share * len(solid.names))], ROUGHNESS)
        medium = medium_of(find_material(material), observer(), absorbing=False)
        scene = scene_of(
            solid,
            medium,
            (40.0, 10.0),
            find_light("uniform", 0.0),
            View(eye_tilt=eye),
            ground=ground,
        )
        found = trace_face_up(scene, 7, rays=1 << 15).measures["brightness"]
        what = f"brightness, {material}, {100 * share:.0f} % of its facets ground, eye {eye:g} deg"
        rows.append(near(what, found, 1.0))
    return rows


def _reflected(n: float, alpha: float, inside: bool, count: int = 100_000) -> tuple[float, float]:
    """Share of diffuse light that a ground facet returns to its own side, and its standard error."""
    rng = np.random.default_rng(3)
    turn, reach = rng.uniform(0, 2 * math.pi, count), np.sqrt(rng.uniform(size=count))
    up = np.sqrt(1 - reach**2) * (1 if inside else -1)
    waves = np.column_stack([reach * np.cos(turn), reach * np.sin(turn), up]) * (n if inside else 1)
    out, rays, ends = np.zeros((count, 3)), np.zeros((count, 3)), np.zeros((count, 3))
    ground_loop(
        waves, np.full(count, -1 if inside else 1), np.arange(count) % 2, np.array([0.0, 0.0, 1.0]),
        np.array([0.6, 0.0, 0.8]), np.array([0.0, 1.0, 0.0]), alpha, n, n, key_of(3), out, rays, ends,
    )  # fmt: skip
    share = float(np.mean((ends[:, 0] < 0) == inside))
    return share, math.sqrt(share * (1 - share) / count)


def _diffuse() -> list[Comparison]:
    rows = []
    for n, external, internal in ((1.3333, 0.06645, 0.47485), (1.5, 0.09178, 0.59635)):
        for name, truth, within in (("outside", external, False), ("inside", internal, True)):
            share, error = _reflected(n, 1e-3, within)
            rows.append(Comparison(f"n {n:g}, smooth, {name}", truth, share, SIGMAS * error + 1e-5))
        (r, dr), (ri, dri) = _reflected(n, 0.6, False), _reflected(n, 0.6, True)
        allowed = SIGMAS * math.hypot(dri, dr / n**2)
        rows.append(Comparison(f"n {n:g}, rough: 1 - inside", (1 - r) / n**2, 1 - ri, allowed))
    return rows


def _flats() -> list[Comparison]:
    design = Design(
        name="round",
        outline=Outline(shape="round", length_mm=6.5, width_mm=6.5),
        girdle=Girdle(thickness_mm=0.2),
        crown=Crown(style="brilliant", angle=36.0, table_percent=56.0),
        pavilion=Pavilion(style="brilliant", angle=42.0),
    )
    outline = blank_of(design).outline
    prism = Blank(("top", "bottom"), np.array([[0, 0, 1.0], [0, 0, -1.0]]), np.ones(2), outline)
    whole = 2 * math.pi * 3.25**2
    return [
        Comparison(
            f"{n} flats, share kept", n / (2 * math.pi) * math.sin(2 * math.pi / n),
            prism.stone(flats_in(outline, n)).volume / whole, 2e-4,
        )
        for n in (16, 64, 128)
    ]  # fmt: skip


def _tilts() -> list[Comparison]:
    """A roof whose window opens by a tenth of all light at the angle of the law."""
    clear = medium_of(
        find_material("corundum"), observer(), index=N_O, absorbing=False, wavelength_nm=589.3
    )
    rows = []
    for pavilion, expected in ((41.0, 11.65), (42.0, 13.45), (43.0, 15.25)):
        found = tilt_tolerance(flat_v(pavilion), clear, (0.0, 0.0), 0.1, 1, 64).tilt
        got = found.value if found else math.inf
        rows.append(Comparison(f"pavilion {pavilion:g} deg", expected, got, 0.2))
    return rows


def _zone_plate() -> list[Comparison]:
    """A plate of 1 mm, clear but for a slab, a wedge-free polytope and a ball across the whole view."""
    eye = observer()
    alpha = 12.0
    part = (np.full(len(eye.wavelength_nm), alpha), np.full(len(eye.wavelength_nm), alpha))
    medium = medium_of(find_material("corundum"), eye, wavelength_nm=589.3, zones=(part, part))
    up = np.array([[0, 0, 1.0, 0.3], [0, 0, -1.0, -0.1]]).T
    slab = Body(up)
    # so flat and wide that it is a slab of 0.1 mm over the plate: |z + 0.2| <= 0.05
    disc = Body(ellipsoid=np.array([[1e-6, 0, 0, 0], [0, 1e-6, 0, 0], [0, 0, 20.0, -4.0]]))
    rows = []
    for what, bodies, length in (
        ("slab of 0.2 mm", [(slab, 0)], 0.2),
        ("flat ellipsoid of 0.1 mm", [(disc, 1)], 0.1),
        ("both", [(slab, 0), (disc, 1)], 0.3),
        ("outside", [(Body(np.array([[0, 0, 1.0, -0.6]]).T), 0)], 0.0),
    ):
        scene = scene_of(
            box(2, 2, 0.5), medium, (0.0, 0.0), find_light("hemisphere", 0.0), View(), bodies=bodies
        )
        found = trace_face_up(scene, 1, rays=1 << 14).measures["window"]
        rows.append(near(what, found, plate_transmission(N_O, alpha * length / 10), 2e-6))
    return rows


def _no_zone() -> list[Comparison]:
    """A zone of no strength: the same light to the last digits."""
    eye = observer()
    none = np.zeros(len(eye.wavelength_nm))
    solid = random_solid(5)
    plain = make_scene(solid, material="ruby", head=10.0)
    medium = medium_of(find_material("ruby"), eye, zones=((none, none),))
    zoned = scene_of(
        solid, medium, (0.0, 0.0), find_light("hemisphere", 10.0), View(),
        bodies=[(Body(np.array([[1.0, 0, 0, 0.1]]).T), 0)],
    )  # fmt: skip
    a, b = (trace_face_up(s, 1, rays=1 << 13).measures["brightness"].value for s in (plain, zoned))
    return [Comparison("brightness", a, b, 1e-12)]


CHECKS = (
    Check("stone with ground facets among equal walls", "second law of thermodynamics: exact", _ground_walls),
    Check("diffuse reflectance outside and inside, smooth and rough", "Walsh (1926), Duntley, J. Opt. Soc. Am. 32, 61 (1942)", _diffuse),
    Check("what flats take from a round girdle", "n/(2 pi) sin(2 pi/n): closed form", _flats),
    Check("tilt at which a roof windows", "sin t = n sin(P - C): total reflection", _tilts),
    Check("colour zones in a plate", "Beer-Lambert law and the exact series", _zone_plate),
    Check("colour zone of no strength", "nothing changes: exact", _no_zone),
)  # fmt: skip
