"""Whole isotropic stones against a stored reference made with a general-purpose renderer.

renderer.json is made by tests/tools/renderer_reference.py, which says how: for every case the shares
light_return, window and extinction (see ``trace.faceup``) with their standard errors. A stone
stands in it as its planes, so nothing depends on the shipped designs.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import Estimate, trace_face_up
from facetrace.trace.scene import Scene, View, medium_of, scene_of

FIGURES = ("light_return", "window", "extinction")
# the index is the case's own; a wavelength must be named and plays no part
WAVELENGTH_NM = 550.0


@dataclass(frozen=True)
class RendererCase:
    """One stone in one light, seen from one side.

    solid: its name in ``reference_solids``; index: of refraction, in air; eye_tilt: degrees that
    the eye stands off the zenith towards +x; sky: a light of ``optics.lights``; head_deg, head_hard: the
    dark head around the line of sight (0 for none); figures: (value, standard error) by name.
    """

    solid: str
    index: float
    eye_tilt: float
    sky: str
    head_deg: float
    head_hard: bool
    polarised: bool
    figures: Mapping[str, tuple[float, float]]


@lru_cache(maxsize=1)
def _file() -> dict[str, Any]:
    text = (resources.files("facetrace.checks") / "renderer.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


@lru_cache(maxsize=1)
def reference_solids() -> dict[str, Solid]:
    """The stones of the reference by name, mm."""
    return {
        name: Solid.from_planes(planes["normals"], planes["offsets"])
        for name, planes in _file()["solids"].items()
    }


@lru_cache(maxsize=1)
def reference_cases() -> tuple[RendererCase, ...]:
    """All stored cases."""
    return tuple(
        RendererCase(**{k: v for k, v in case.items() if k not in FIGURES},
                     figures={name: (case[name][0], case[name][1]) for name in FIGURES})
        for case in _file()["cases"]
    )  # fmt: skip


def case_scene(case: RendererCase) -> Scene:
    """The scene of a case."""
    medium = medium_of(
        find_material("glass"), observer(), index=case.index, wavelength_nm=WAVELENGTH_NM,
        polarised=case.polarised, absorbing=False,
    )  # fmt: skip
    return scene_of(
        reference_solids()[case.solid], medium, (0.0, 0.0),
        find_light(case.sky, case.head_deg, case.head_hard), View(eye_tilt=case.eye_tilt),
    )  # fmt: skip


def trace_case(case: RendererCase, rays: int, seed: int) -> dict[str, Estimate]:
    """The three figures of a case by facetrace."""
    measures = trace_face_up(case_scene(case), seed, rays=rays).measures
    return {name: measures[name] for name in FIGURES}


def z_scores(cases: Sequence[RendererCase], rays: int, seed: int) -> NDArray[np.float64]:
    """(cases, 3) differences in units of their joint standard error, columns as FIGURES.

    Case i is traced with seed + i. A figure that is 0 without error on both sides gives nan, one
    that differs without any error inf.
    """
    return np.array(
        [
            [_z(ours[name], *case.figures[name]) for name in FIGURES]
            for i, case in enumerate(cases)
            for ours in [trace_case(case, rays, seed + i)]
        ]
    )


def _z(ours: Estimate, value: float, stderr: float) -> float:
    apart = ours.value - value
    error = math.hypot(ours.stderr, stderr)
    if error == 0:
        return math.nan if apart == 0 else math.copysign(math.inf, apart)
    return apart / error
