"""Noise and time of face-up pictures of 600 x 600 pixels, 32 rays in each.

Noise is the difference of two pictures with other random numbers, divided by the root of 2: CIE76 dE*ab of each pixel of the
face, and after the blur of an eye 50 cm from a screen of 96 pixels an inch (S-CIELAB, Zhang & Wandell, J. SID 5, 61 (1997);
its kernels from memory). A difference of 2.3 is just noticed side by side (Mahy, van Eycken & Oosterlinck, Color Res. Appl. 19,
105 (1994); memory). Time is given in units of as many rays traced for figures alone in the same run.

    python benchmarks/picture.py            # a minute
"""

import sys
import time
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

from facetrace.cli.loading import load_stone
from facetrace.optics.colour import lab_of, observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.studies.opening import load_material
from facetrace.trace.maps import face_maps
from facetrace.trace.run import SETS, trace_pixels, trace_sums, warm_up
from facetrace.trace.scene import View, medium_of, scene_of

DESIGNS = Path(__file__).parent.parent / "designs"
SIZE, SAMPLES = 600, 32
JND = 2.3
# opponent colours of XYZ, and for each the weights and spreads (degrees) of its blur; memory
OPPONENT = np.array([[0.279, 0.720, -0.107], [-0.449, 0.290, -0.077], [0.086, -0.590, 0.501]])
BLUR = (
    ((0.921, 0.0283), (0.105, 0.133), (-0.108, 4.336)), ((0.531, 0.0392), (0.330, 0.494)), ((0.488, 0.0536), (0.371, 0.386)),
)  # fmt: skip
PIXELS_PER_DEGREE = 96 / 25.4 * 500 * np.tan(np.radians(1))


def blurred(xyz):
    """XYZ as the eye's channels blur it."""
    opponent = xyz @ OPPONENT.T
    for channel, kernels in enumerate(BLUR):
        total = sum(weight for weight, _ in kernels)
        # the spread of the source is that of exp(-r^2 / s^2)
        opponent[..., channel] = sum(
            weight / total * gaussian_filter(opponent[..., channel], s * PIXELS_PER_DEGREE / np.sqrt(2), truncate=3)
            for weight, s in kernels
        )  # fmt: skip
    return opponent @ np.linalg.inv(OPPONENT).T


def noise(name, material=None, coloured=True):
    """Print one stone's noise; returns seconds of a picture and of as many rays for figures."""
    file, solid = load_stone(DESIGNS / f"{name}.toml")
    substance = find_material(material) if material else load_material(file)
    medium = medium_of(substance, observer(), absorbing=coloured)
    axis = (file.design.axis.tilt, file.design.axis.azimuth)
    scene = scene_of(solid, medium, axis, find_light("hemisphere"), View())
    warm_up(scene)
    pictures = []
    for seed in (1, 2):
        started = time.perf_counter()
        pixels = trace_pixels(scene, SIZE, SAMPLES, seed, picture=True)
        took = time.perf_counter() - started
        maps = face_maps(pixels, scene)
        paper = medium.white * 0.55
        stone = np.nan_to_num(maps.xyz + maps.glare)
        cover = maps.coverage[..., None]
        pictures.append(stone * cover + paper * (1 - cover))
    face = maps.coverage > 0.99
    found = []
    for pair in (pictures, [blurred(p) for p in pictures]):
        a, b = (lab_of(np.maximum(p, 0), medium.white) for p in pair)
        apart = np.linalg.norm(a - b, axis=-1)[face] / np.sqrt(2)
        found += [np.sqrt((apart**2).mean()), np.quantile(apart, 0.95), 100 * (apart < JND).mean()]
    rays = int(maps.coverage.sum()) * SAMPLES
    points = 1 << int(np.log2(rays / SETS))
    started = time.perf_counter()
    trace_sums(scene, points, 1)
    plain = (time.perf_counter() - started) * rays / (points * SETS)
    label = f"{name}, {substance.name}{'' if coloured else ', clear'}"
    sys.stdout.write(
        f"{label:38s} dE rms {found[0]:4.2f}, 95 % {found[1]:4.2f}, below {JND}: {found[2]:5.1f} %; "
        f"to the eye rms {found[3]:4.2f}, 95 % {found[4]:4.2f}, {found[5]:5.1f} %; time {took / plain:4.2f}\n"
    )
    return took


if __name__ == "__main__":
    noise("round-brilliant")
    noise("round-brilliant", coloured=False)
    noise("round-brilliant", "blue sapphire")
    noise("rectangle-step")
    noise("oval-brilliant")
