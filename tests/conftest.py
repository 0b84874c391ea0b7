"""Shared scenes. Everything here is invented."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.polyhedron import Solid
from facetrace.trace.scene import View, medium_of, scene_of

ROOT = Path(__file__).parent.parent
DESIGNS = sorted((ROOT / "designs").glob("*.toml"))

settings.register_profile("here", deadline=None, derandomize=True)
settings.load_profile("here")


def box(x=1.0, y=1.0, z=1.0):
    """A box with these half sizes in mm."""
    return Solid.from_planes(np.vstack([np.eye(3), -np.eye(3)]), [x, y, z, x, y, z])


def random_solid(seed, facets=40, size=3.0):
    """A round-ish convex solid with random facets."""
    rng = np.random.default_rng(seed)
    return Solid.from_planes(rng.normal(size=(facets, 3)), rng.uniform(0.8, 1.0, facets) * size)


def make_scene(
    solid,
    *,
    material="corundum",
    light="hemisphere",
    head=0.0,
    axis=(0.0, 0.0),
    view=None,
    **medium,
):
    """A scene in one call."""
    return scene_of(
        solid,
        medium_of(find_material(material), observer(), **medium),
        axis,
        find_light(light, head),
        view or View(),
    )


@pytest.fixture(scope="session")
def rng():
    return np.random.default_rng(20261125)
