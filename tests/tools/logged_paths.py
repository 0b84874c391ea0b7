"""Sums and logs of some rays of some stones, by whichever kernel this process runs.

NUMBA_DISABLE_JIT=1 python tests/tools/logged_paths.py FILE.npz     in plain Python
"""

import sys
from pathlib import Path

import numpy as np

from facetrace.design.model import read_design
from facetrace.kernel.driver import trace_rows
from facetrace.kernel.events import LOG_COLUMNS
from facetrace.kernel.tally import SUMS
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.trace.log import path_events
from facetrace.trace.run import SETS, over_silhouette
from facetrace.trace.scene import View, medium_of, scene_of

DESIGNS = Path(__file__).parents[2] / "designs"
INDEX = 1.765
FLOOR = 0.05
# one ray in each stratum of the silhouette, and its twin
POINT = 3
SEED = 5
EVENTS = 400
READ = range(40, 52)


def solid_of(design):
    """The solid of a shipped design, by its file's stem."""
    return build_solid(read_design(DESIGNS / f"{design}.toml").design)


def _scene(design, *, ground=False, zone=False, index=None, tilt=0.0, light="hemisphere"):
    solid = solid_of(design)
    eye = observer()
    ones = np.ones(len(eye.wavelength_nm))
    zones = [(ones, 2 * ones)] if zone else []
    medium = medium_of(find_material("ruby"), eye, index=index, zones=zones)
    slab = Body(np.array([[0.6, 0.0, 0.8, 0.5], [-0.6, 0.0, -0.8, 0.3]]).T)
    ball = Body(ellipsoid=np.column_stack([0.7 * np.eye(3), [0.3, 0.2, 0.1]]))
    return scene_of(
        solid, medium, (12.0, 5.0), find_light(light, 10.0), View(tilt=tilt, azimuth=20.0),
        ground={n: 0.2 for n in solid.columns if n and n.startswith("girdle")} if ground else None,
        bodies=[(slab, 0), (ball, 0)] if zone else (),
    )  # fmt: skip


def scenes():
    """Name and scene: what the kernel treats in ways of its own."""
    return {
        "round": _scene("round-brilliant"),
        "heart": _scene("heart-brilliant"),
        "zone": _scene("round-brilliant", zone=True, light="spots"),
        "ground": _scene("round-brilliant", ground=True, tilt=50.0),
        "isotropic": _scene("round-brilliant", index=INDEX),
        "isotropic heart": _scene("heart-brilliant", index=INDEX),
    }


def logged(scene, logs=True):
    """Sums (SETS, SUMS) of one ray each, and their logs (SETS, EVENTS + 1, LOG_COLUMNS)."""
    rays = over_silhouette(scene, SEED, POINT, 1, 1, FLOOR)
    out = np.zeros((SETS, SUMS))
    rows = np.zeros((SETS, EVENTS + 1, LOG_COLUMNS)) if logs else None
    trace_rows(scene.arrays, rays, 0, 1, out, rows)
    return out, rows


def read(scene):
    """Some rays' logs as a person reads them."""
    return [str(path_events(scene, ray, SEED, floor=FLOOR)) for ray in READ]


if __name__ == "__main__":
    found = {}
    for name, scene in scenes().items():
        found[f"{name} sums"], found[f"{name} log"] = logged(scene)
        found[f"{name} read"] = read(scene)
    np.savez(sys.argv[1], **found)
