"""Speed of facetrace on this machine, as ratios to a reference measured in the same run.

    python benchmarks/benchmark.py [--json FILE]

The reference is Mitsuba 3 (llvm_ad_mono_polarized, needs a libLLVM: Debian's libllvm19 works),
a general-purpose renderer: the same solid as an isotropic dielectric under the same light.
Compared is the time to a standard error of 1e-4: of the mean radiance over the silhouette for the
renderer, whose error falls as 1/sqrt(samples) and is scaled so, of the light return for
facetrace, which traces the full double refraction and runs until it has that error. Compilation is left out on both sides
(one warm-up run each) and reported apart.
"""

import argparse
import json
import math
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numba
import numpy as np

from facetrace.design.model import read_design
from facetrace.kernel.light import seen_radiance
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.solid.export import mesh_bytes
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import trace_face_up
from facetrace.trace.scene import View, medium_of, scene_of

ROOT = Path(__file__).parent.parent
DESIGN = ROOT / "designs" / "round-brilliant.toml"
TARGET = 1e-4
INDEX = 1.765


def scene(solid, head, *, index=None, material="corundum"):
    """One wavelength, c along the table's normal, white dome."""
    medium = medium_of(find_material(material), observer(), index=index, wavelength_nm=589.3)
    return scene_of(solid, medium, (0.0, 0.0), find_light("hemisphere", head), View())


def renderer_scene(solid, head, size=256, samples=16):
    """The same stone and light for the renderer."""
    import mitsuba

    mitsuba.set_variant("llvm_ad_mono_polarized")
    light = find_light("hemisphere", head)
    # rows run from pole to pole, both included
    cosines = np.cos(np.linspace(0, np.pi, 2049))
    sky = np.array([seen_radiance(light.row, c, c, 0.0, 0.0, c) for c in cosines], dtype=np.float32)
    sky = np.repeat(np.repeat(sky[:, None, None], 16, axis=1), 3, axis=2)
    half = 1.02 * np.abs(scene(solid, head).outline).max()
    transform = mitsuba.ScalarTransform4f
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stone.ply"
        path.write_bytes(mesh_bytes(solid, "ply"))
        return mitsuba.load_dict({
            "type": "scene",
            "integrator": {"type": "path", "max_depth": 400, "rr_depth": 400, "hide_emitters": True},
            "sensor": {
                "type": "orthographic",
                "to_world": transform().look_at([0, 0, 50], [0, 0, 0], [0, 1, 0])
                @ transform().scale([half, half, 1]),
                "film": {"type": "hdrfilm", "width": size, "height": size, "rfilter": {"type": "box"},
                         "pixel_format": "luminance_alpha", "component_format": "float32"},
                "sampler": {"type": "independent", "sample_count": samples},
            },
            "sky": {"type": "envmap", "bitmap": mitsuba.Bitmap(sky), "scale": 1.0,
                    "to_world": transform().rotate([1, 0, 0], 90)},
            "stone": {"type": "ply", "filename": str(path), "face_normals": True,
                      "bsdf": {"type": "dielectric", "int_ior": INDEX, "ext_ior": 1.0}},
        })  # fmt: skip


def side_by_side(solid, head, rounds=4):
    """Times to the target error and mean radiances of renderer, facetrace and facetrace isotropic.

    The three take turns, so that a change of the clock rate meets all of them.
    """
    import mitsuba

    theirs = renderer_scene(solid, head)
    np.array(mitsuba.render(theirs, seed=10_000))
    media = {"birefringent": scene(solid, head), "isotropic": scene(solid, head, index=INDEX)}
    for ready in media.values():
        trace_face_up(ready, 1, rays=4096)
    spent = dict.fromkeys(["renderer", *media], 0.0)
    values = {name: [] for name in spent}
    for turn in range(rounds):
        start = time.perf_counter()
        for seed in range(16 * turn, 16 * turn + 16):
            luminance, alpha = np.array(mitsuba.render(theirs, seed=seed)).mean(axis=(0, 1))
            values["renderer"].append(luminance / alpha)
        spent["renderer"] += time.perf_counter() - start
        for name, ready in media.items():
            start = time.perf_counter()
            for seed in range(6 * turn, 6 * turn + 6):
                run = trace_face_up(ready, seed, error=TARGET, sure_of=("light_return",))
                values[name].append(run.measures["brightness"].value * ready.white_radiance)
            spent[name] += time.perf_counter() - start
    mean = {name: float(np.mean(v)) for name, v in values.items()}
    error = {name: float(np.std(v, ddof=1) / math.sqrt(len(v))) for name, v in values.items()}
    seconds = {name: spent[name] / len(values[name]) for name in media}
    seconds["renderer"] = spent["renderer"] * (error["renderer"] / TARGET) ** 2
    z = (mean["isotropic"] - mean["renderer"]) / math.hypot(error["isotropic"], error["renderer"])
    return seconds, mean, z


def events_per_second(solid, material="corundum"):
    """Interface events a second on all threads, best of twenty runs: clock rates of shared machines wander."""
    ready = scene(solid, 10.0, material=material)
    trace_face_up(ready, 1, rays=4096)
    best = 0.0
    for seed in range(20):
        start = time.perf_counter()
        result = trace_face_up(ready, seed, rays=1 << 18)
        best = max(best, result.events / (time.perf_counter() - start))
    return best


def ball(facets):
    """A round stone with so many facets, evenly spread (a spiral)."""
    k = np.arange(facets) + 0.5
    z = 1 - 2 * k / facets
    turn = math.pi * (1 + math.sqrt(5)) * k
    r = np.sqrt(1 - z * z)
    return Solid.from_planes(
        np.column_stack([r * np.cos(turn), r * np.sin(turn), z]), np.full(facets, 3.0)
    )


def cold_start():
    """(seconds, peak MB) of the command to its figures, and with its picture, caches warm."""
    found = []
    for extra in (["--no-picture"], ["--picture", "/dev/null"]):
        with tempfile.TemporaryDirectory() as folder:
            if extra[0] == "--picture":
                extra = ["--picture", str(Path(folder) / "p.png")]
            command = [sys.executable, "-m", "facetrace.cli.main", "trace", str(DESIGN), *extra]
            times = []
            for _ in range(3):
                start = time.perf_counter()
                subprocess.run(command, check=True, capture_output=True)
                times.append(time.perf_counter() - start)
        found.append((min(times), resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024))
    return found


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    (cold, cold_mb), (pictured, picture_mb) = cold_start()
    solid = build_solid(read_design(DESIGN).design)
    rows = {
        "machine": f"{platform.processor() or platform.machine()}, {numba.get_num_threads()} threads",
        "command to its figures, s": cold,
        "command with its picture, s": pictured,
        "peak memory, figures, MB": cold_mb,
        "peak memory, with picture, MB": picture_mb,
        "events per second, corundum, millions": events_per_second(solid) / 1e6,
        "events per second, spinel (isotropic), millions": events_per_second(solid, "spinel") / 1e6,
    }
    base = None
    for facets in (50, 100, 200, 500, 1000):
        rate = events_per_second(ball(facets))
        base = base or rate
        rows[f"cost of an event with {facets} facets, 50 = 1"] = base / rate
    for head in (0.0, 10.0):
        seconds, mean, z = side_by_side(solid, head)
        label = f"head {head:g} deg"
        rows[f"{label}: renderer, isotropic, s to 1e-4"] = seconds["renderer"]
        rows[f"{label}: facetrace, birefringent, s to 1e-4"] = seconds["birefringent"]
        rows[f"{label}: facetrace, isotropic, s to 1e-4"] = seconds["isotropic"]
        rows[f"{label}: ratio, birefringent"] = seconds["renderer"] / seconds["birefringent"]
        rows[f"{label}: ratio, isotropic"] = seconds["renderer"] / seconds["isotropic"]
        rows[f"{label}: isotropic radiance, renderer and facetrace"] = (
            f"{mean['renderer']:.5f} {mean['isotropic']:.5f} (z {z:.1f})"
        )
    for name, value in rows.items():
        print(f"{name:55s} {value if isinstance(value, str) else f'{value:.3f}'}")
    if options.json:
        options.json.write_text(json.dumps(rows, indent=2) + "\n")


if __name__ == "__main__":
    main()
