"""Isotropic stones against Mitsuba 3, a general-purpose renderer, used in tests only.

The stone is a smooth dielectric in a white dome (radiance 1 above the horizon, nothing below);
the figure is the mean radiance over the silhouette, surface mirror light included. The scalar
variants need no LLVM. Both sides carry their standard error; |z| < 4, the renderer's error from
16 runs, is a false alarm in about 1 of 1,000 cases. Its stratified sampler was found to be off by
3e-4 here (a plain numpy tracer sides with us), so the independent one is used; its spectral film
reads 1.001 for a radiance of 1, so each figure is divided by that of the empty scene.
"""

import math

import numpy as np
import pytest
from conftest import DESIGNS

from facetrace.checks.stones import make_scene, random_solid
from facetrace.design.model import read_design
from facetrace.measures.faceup import trace_face_up
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes
from facetrace.trace.scene import View

mitsuba = pytest.importorskip("mitsuba")

SIZE, SAMPLES, RUNS = 48, 36, 16


def stone(name):
    if name == "random":
        return random_solid(12, 30)
    return build_solid(read_design(next(p for p in DESIGNS if p.stem == name)).design)


def renderer(solid, index, tilt, polarised, tmp_path):
    """(mean, standard error) of the radiance over the silhouette by the renderer."""
    mitsuba.set_variant("scalar_spectral_polarized" if polarised else "scalar_rgb")
    transform = mitsuba.ScalarTransform4f
    path = tmp_path / "stone.ply"
    path.write_bytes(mesh_bytes(solid, "ply"))
    outline = make_scene(solid, view=View(eye_tilt=tilt)).outline
    half = 1.02 * np.abs(outline).max()
    x, y = outline.T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    t = math.radians(tilt)
    parts = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 400, "rr_depth": 400, "hide_emitters": True},
        "sensor": {
            "type": "orthographic",
            "to_world": transform().look_at(
                [50 * math.sin(t), 0, 50 * math.cos(t)], [0, 0, 0], [0, 1, 0]
            ) @ transform().scale([half, half, 1]),
            "film": {"type": "hdrfilm", "width": SIZE, "height": SIZE, "rfilter": {"type": "box"},
                     "pixel_format": "luminance", "component_format": "float32"},
            "sampler": {"type": "independent", "sample_count": SAMPLES},
        },
        "sky": {"type": "constant", "radiance": {"type": "uniform", "value": 1.0} if polarised
                else {"type": "rgb", "value": 1.0}},
        # a black floor hides all below the horizon but 1e-5 of it
        "floor": {"type": "rectangle",
                  "to_world": transform().translate([0, 0, -6]).scale([1e5, 1e5, 1]),
                  "bsdf": {"type": "diffuse", "reflectance": {"type": "uniform", "value": 0.0} if polarised
                           else {"type": "rgb", "value": 0.0}}},
        "stone": {"type": "ply", "filename": str(path), "face_normals": True,
                  "bsdf": {"type": "dielectric", "int_ior": index, "ext_ior": 1.0}},
    }  # fmt: skip
    empty = {k: v for k, v in parts.items() if k not in ("stone", "floor")}
    empty["integrator"] = {"type": "path"}
    unit = np.array(mitsuba.render(mitsuba.load_dict(empty), seed=1)).mean()
    scene = mitsuba.load_dict(parts)
    values = []
    for seed in range(RUNS):
        image = np.array(mitsuba.render(scene, seed=seed))
        values.append(image[..., 0].mean() / unit * 4 * half * half / area)
    return float(np.mean(values)), float(np.std(values, ddof=1) / math.sqrt(RUNS))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "index", "tilt", "polarised"),
    [
        ("round-brilliant", 1.765, 0, False),
        ("round-brilliant", 1.765, 0, True),
        ("rectangle-step", 1.765, 20, True),
        ("oval-brilliant", 1.5, 10, False),
        ("cushion-brilliant", 2.4, 0, True),
        ("random", 1.6, 30, True),
    ],
)
def test_same_solid_same_light(name, index, tilt, polarised, tmp_path):
    solid = stone(name)
    theirs, their_error = renderer(solid, index, tilt, polarised, tmp_path)
    scene = make_scene(solid, index=index, wavelength_nm=550, polarised=polarised,
                       view=View(eye_tilt=tilt))  # fmt: skip
    ours = trace_face_up(scene, 1, rays=1 << 18).measures["brightness"]
    z = (ours.value - theirs) / math.hypot(ours.stderr, their_error)
    assert abs(z) < 4, (ours, theirs, their_error)
    assert their_error < 0.003
