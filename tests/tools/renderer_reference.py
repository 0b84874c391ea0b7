"""Makes facetrace/checks/renderer.json with Mitsuba 3, a general-purpose renderer.

    python tests/tools/renderer_reference.py      (took 38 minutes on 2 crowded cores; needs a libLLVM)

Each stone is a smooth dielectric seen by an orthographic camera. A floor close below it and far
larger ends all that leaves downwards, so the horizon is exact. The sky is an environment map that
depends on one angle alone, in 32,768 rows: from the zenith (overcast) or from the line of sight
(head); a hard edge is 1e-4 radians wide. The light leaves these stones in single directions, so
blurred edges would be wrong by whole beams. The patterns of the three figures are rendered as
radiances: the sky's (light_return), the floor's alone (window), 1 minus the sky's (extinction);
without polarisation as the colour channels of one render, with it, where the renderer has one
channel, in three renders.

What the outer surface mirrors is taken off in closed form: over the facets that face the eye,
projected area times Fresnel's reflectance times the pattern in the mirrored direction.

A batch of 16 equal cameras gives 16 independent runs; each pixel of each run has its own random
numbers (the renderer's stratified sampler was found to be off by 3e-4 here, so its independent
one is used). The variance of a figure is that of each pixel over the runs, summed over the pixels:
thousands of degrees of freedom, so its law is next to normal. One path more or less, 1 / rays, is
added to every error in squares: a figure of a few paths would be too sure of itself.

Paths end after 1,000 events; after 100 the renderer's roulette, which has no bias, ends one in
twenty at each and lets the others weigh more. That nothing leaks is seen from "furnace" in the file: the three figures
and the mirrored light, less 1, which is what the stone would be off among uniform white walls.
The renderer's floats are single; it starts its rays 9e-5 x (1 + size) inside the facets, so the
stone is made 30 times larger, which leaves 9e-5 of its size.
"""

import json
import math
import multiprocessing
import tempfile
import time
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from shared import DESIGNS

from facetrace.checks.renderer import FIGURES, RendererCase
from facetrace.design.model import read_design
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_of
from facetrace.solid.polyhedron import Solid

OUT = Path(__file__).parents[2] / "facetrace" / "checks" / "renderer.json"

WORKERS = 4
MAX_DEPTH = 1000
# an error that only a rare heavy path makes: such a case is rendered again without roulette
HEAVY = 1e-3
SCALE = 30.0
ROWS = 1 << 15
FLOOR = 1e7
INDICES = (1.5, 1.765, 2.42)
TILTS = (0.0, 10.0, 25.0, 40.0)
# one head for each stone: radius in degrees, hard edge
HEADS = {
    "round-brilliant": (10.0, True),
    "oval-brilliant": (10.0, False),
    "cushion-brilliant": (12.0, True),
    "rectangle-step": (15.0, False),
    "random-34": (15.0, True),
    "random-42": (12.0, False),
}
# apart by more than the pixels of a render: the scalar variants seed pixel i with seed + i
SEED_STEP = 1 << 20


@lru_cache(maxsize=1)
def make_solids() -> dict[str, Solid]:
    """The stones: four shipped designs as they are today, two random ones."""
    shipped = {p.stem: p for p in DESIGNS}
    return {
        name: random_stone(int(name[-2:]))
        if name.startswith("random")
        else build_solid(read_design(shipped[name]).design)
        for name in HEADS
    }


def random_stone(facets) -> Solid:
    """A round-ish stone of so many random facets."""
    rng = np.random.default_rng(facets)
    normals = rng.normal(size=(facets, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return Solid.from_planes(normals, rng.uniform(2.8, 3.1, facets))


def make_cases() -> list[RendererCase]:
    """All cases, without figures."""
    return [
        RendererCase(solid, index, tilt, sky, *head, polarised, {})
        for polarised in (False, True)
        for solid, own in HEADS.items()
        for index in INDICES
        for tilt in TILTS
        for sky, head in (
            ("hemisphere", (0.0, False)),
            ("overcast", (0.0, False)),
            ("hemisphere", own),
        )
    ]


def sky_radiance(case: RendererCase, angle):
    """Relative radiance at angles (radians) from the axis of the sky's pattern.

    Overcast: (1 + 2 cos) / 3 from the zenith (ISO 15469). Head: from the line of sight; dark
    inside, a hard edge or a cubic step in the cosine between 0.7 and 1.3 of its radius.
    """
    if case.sky == "overcast":
        return (1 + 2 * np.abs(np.cos(angle))) / 3
    head = math.radians(case.head_deg)
    if case.head_hard or not head:
        return np.where(angle < head, 0.0, 1.0)
    inner, outer = math.cos(0.7 * head), math.cos(1.3 * head)
    t = np.clip((inner - np.cos(angle)) / (inner - outer), 0, 1)
    return t * t * (3 - 2 * t)


def camera_axes(tilt):
    """(right, up, eye) unit vectors, the eye so many degrees off +z towards +x."""
    t = math.radians(tilt)
    return np.array([
        [math.cos(t), 0, -math.sin(t)], [0, 1, 0], [math.sin(t), 0, math.cos(t)],
    ])  # fmt: skip


def faced(solid: Solid, eye):
    """(normals, areas as the eye sees them, cosines to it) of the facets that face the eye."""
    cosine = solid.normals @ eye
    front = cosine > 1e-12
    return solid.normals[front], (solid.areas * cosine)[front], cosine[front]


def mirrored(case: RendererCase, solid: Solid):
    """What the outer surface mirrors of each figure's pattern, as a share of the silhouette."""
    eye = camera_axes(case.eye_tilt)[2]
    normals, area, cos_i = faced(solid, eye)
    cos_t = np.sqrt(1 - (1 - cos_i**2) / case.index**2)
    rs = (cos_i - case.index * cos_t) / (cos_i + case.index * cos_t)
    rp = (case.index * cos_i - cos_t) / (case.index * cos_i + cos_t)
    amount = area / area.sum() * (rs**2 + rp**2) / 2
    towards = 2 * cos_i[:, None] * normals - eye
    axis = camera_axes(0.0 if case.sky == "overcast" else case.eye_tilt)[2]
    seen = sky_radiance(case, np.arccos(np.clip(towards @ axis, -1, 1)))
    up = towards[:, 2] > 0
    return np.array([
        np.sum(amount * up * seen), np.sum(amount * ~up), np.sum(amount * up * (1 - seen)),
    ])  # fmt: skip


@dataclass(frozen=True)
class Effort:
    """Runs of size x size pixels with so many paths in each, and the event at which roulette starts."""

    size: int = 224
    samples: int = 1
    runs: int = 16
    roulette: int = 100


def scene_parts(mitsuba, case: RendererCase, solid: Solid, effort: Effort, weights):
    """The renderer's scene, with a camera for every run, and the area its film shows in mm^2.

    weights (3, 3): how much of each figure's pattern (rows) each colour channel shows.
    """
    transform = mitsuba.ScalarTransform4f
    right, up, eye = camera_axes(case.eye_tilt)
    corners = solid.vertices @ np.array([right, up]).T
    low, high = corners.min(axis=0), corners.max(axis=0)
    half = 1.0001 * (high - low) / 2
    middle = SCALE * ((low + high) / 2 @ np.array([right, up]))
    reach = SCALE * float(np.linalg.norm(solid.vertices, axis=1).max())
    angle = np.linspace(0, np.pi, ROWS)
    seen = sky_radiance(case, angle)
    rows = np.outer(seen, weights[0]) + np.outer(1 - seen, weights[2])
    image = np.repeat(rows[:, None, :], 4, axis=1).astype(np.float32)
    # the map's poles lie along its y axis
    across, over, axis = camera_axes(0.0 if case.sky == "overcast" else case.eye_tilt)
    frame = np.eye(4)
    frame[:3, :3] = np.column_stack([across, axis, -over])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stone.ply"
        mesh = mesh_of(solid)
        mesh.apply_scale(SCALE)
        path.write_bytes(mesh.export(file_type="ply"))
        stone = mitsuba.load_dict({
            "type": "ply", "filename": str(path), "face_normals": True,
            "bsdf": {"type": "dielectric", "int_ior": case.index, "ext_ior": 1.0},
        })  # fmt: skip
    camera = {
        "type": "orthographic",
        "to_world": transform().look_at(
            (middle + 3 * reach * eye).tolist(), middle.tolist(), [0, 1, 0]
        ) @ transform().scale([SCALE * half[0], SCALE * half[1], 1]),
    }  # fmt: skip
    parts = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": MAX_DEPTH, "rr_depth": effort.roulette,
                       "hide_emitters": True},
        "sensor": {
            "type": "batch",
            **{f"run {k}": camera for k in range(effort.runs)},
            "film": {"type": "hdrfilm", "width": effort.runs * effort.size, "height": effort.size,
                     "rfilter": {"type": "box"},
                     "pixel_format": "rgb" if rgb(mitsuba) else "luminance",
                     "component_format": "float32"},
            "sampler": {"type": "independent", "sample_count": effort.samples},
        },
        "sky": {"type": "envmap", "bitmap": mitsuba.Bitmap(image), "to_world": transform(frame)},
        "floor": {
            "type": "rectangle",
            "to_world": transform().translate([0, 0, -1.5 * reach]).scale([FLOOR, FLOOR, 1]),
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.0}},
        },
        "stone": stone,
    }  # fmt: skip
    if weights[1].any():
        light = {"type": "rgb", "value": weights[1].tolist()}
        parts["floor"]["emitter"] = {"type": "area", "radiance": light}
    if not rows.any():
        del parts["sky"]
    return parts, 4 * half[0] * half[1]


def rgb(mitsuba):
    """Whether the renderer's present variant has three independent channels."""
    return mitsuba.variant().endswith("_rgb")


def unit_reading(mitsuba):
    """What the film reads for a radiance of 1: within 2e-4 of it in the spectral variants, else 1."""
    white = np.ones((4, 4, 3), dtype=np.float32)
    scene = mitsuba.load_dict({
        "type": "scene", "integrator": {"type": "path"},
        "sensor": {"type": "orthographic", "sampler": {"type": "independent", "sample_count": 64},
                   "film": {"type": "hdrfilm", "width": 64, "height": 64, "rfilter": {"type": "box"},
                            "pixel_format": "luminance", "component_format": "float32"}},
        "sky": {"type": "envmap", "bitmap": mitsuba.Bitmap(white)},
    })  # fmt: skip
    return float(np.array(mitsuba.render(scene, seed=1)).mean())


def render_runs(mitsuba, case, solid, weights, number, effort):
    """(values, variances) of the film's channels relative to the silhouette, each of shape (3,)."""
    parts, film_area = scene_parts(mitsuba, case, solid, effort, weights)
    scene = mitsuba.load_dict(parts)
    scale = film_area / faced(solid, camera_axes(case.eye_tilt)[2])[1].sum()
    film = np.array(mitsuba.render(scene, seed=SEED_STEP * number), dtype=np.float64) * scale
    size, runs = effort.size, effort.runs
    images = film.reshape(size, runs, size, -1).swapaxes(0, 1).reshape(runs, size * size, -1)
    variance = images.var(axis=0, ddof=1).sum(axis=0) / runs / size**4
    variance += (scale / (runs * effort.samples * size**2)) ** 2
    return images.mean(axis=(0, 1)), variance


def render_case(mitsuba, case, solid, number, effort):
    """(3,) values and (3,) standard errors of FIGURES by the renderer's present variant.

    number: another for every case, from which the seeds follow.
    """
    values, variances = np.zeros(3), np.zeros(3)
    unit = unit_reading(mitsuba)
    if rgb(mitsuba):
        values, variances = render_runs(mitsuba, case, solid, np.eye(3), 3 * number, effort)
    else:
        for k in range(2 if no_extinction(case) else 3):
            weights = np.repeat(np.eye(3)[:, [k]], 3, axis=1)
            found = render_runs(mitsuba, case, solid, weights, 3 * number + k, effort)
            values[k], variances[k] = found[0][0], found[1][0]
    if no_extinction(case):
        variances[2] = 0.0
    return values / unit - mirrored(case, solid), np.sqrt(variances) / unit


def no_extinction(case):
    """Whether no upper direction is dim."""
    return case.sky == "hemisphere" and case.head_deg == 0


def write(mitsuba, solids, cases, furnace):
    """Write the reference, a case to a line."""
    head = {
        "what": "light_return, window and extinction (value, standard error) of clear isotropic stones",
        "renderer": f"Mitsuba {mitsuba.__version__}, variants llvm_ad_rgb and llvm_ad_mono_polarized",
        "made": f"by tests/tools/renderer_reference.py, which says how: at most {MAX_DEPTH} events, {Effort()}",
        "furnace": furnace,
    }  # fmt: skip
    planes = {
        name: {"normals": solid.normals.tolist(), "offsets": solid.offsets.tolist()}
        for name, solid in solids.items()
    }
    lines = [f" {json.dumps(k)}: {json.dumps(v)}" for k, v in head.items()]
    stones = ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in planes.items())
    rows = []
    for case in cases:
        row = asdict(case)
        figures = row.pop("figures")
        row |= {k: [round(value, 7), round(error, 8)] for k, (value, error) in figures.items()}
        rows.append("  " + json.dumps(row))
    lines += [f' "solids": {{\n{stones}\n }}', ' "cases": [\n' + ",\n".join(rows) + "\n ]"]
    OUT.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")


def render_numbered(number):
    """(number, case with its figures, furnace: sum of all shares less 1); seeds follow from the number."""
    import mitsuba

    case = make_cases()[number]
    mitsuba.set_variant("llvm_ad_mono_polarized" if case.polarised else "llvm_ad_rgb")
    solid = make_solids()[case.solid]
    values, errors = render_case(mitsuba, case, solid, number, Effort())
    if errors.max() > HEAVY:
        values, errors = render_case(mitsuba, case, solid, number, Effort(roulette=MAX_DEPTH))
    figures = zip(values.tolist(), errors.tolist(), strict=True)
    case = replace(case, figures=dict(zip(FIGURES, figures, strict=True)))
    return number, case, values.sum() + mirrored(case, solid).sum() - 1


def main():
    """Render all cases and write the file."""
    import mitsuba

    solids, found, start = make_solids(), {}, time.perf_counter()
    with multiprocessing.get_context("spawn").Pool(WORKERS) as pool:
        for number, case, off in pool.imap_unordered(render_numbered, range(len(make_cases()))):
            found[number] = case, off
            print(f"{time.perf_counter() - start:5.0f} s {number:4d} {case} {off:.1e}", flush=True)
    cases = [found[number][0] for number in sorted(found)]
    furnace = {}
    for name, polarised in (("unpolarised", False), ("polarised", True)):
        off = [off for case, off in found.values() if case.polarised == polarised]
        error = np.std(off, ddof=1) / math.sqrt(len(off))
        furnace[name] = [float(f"{np.mean(off):.1e}"), float(f"{error:.1e}")]
    print("furnace", furnace)
    mitsuba.set_variant("scalar_rgb")
    write(mitsuba, solids, cases, furnace)


if __name__ == "__main__":
    main()
