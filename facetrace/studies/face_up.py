"""A stone in a light, seen face up: its figures, its sizes, and on request maps of its face."""

import time
from dataclasses import dataclass

from facetrace.common.errors import FacetraceError
from facetrace.common.progress import ProgressBar, silent
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.measure import SolidMeasures, measure
from facetrace.solid.polyhedron import Floats, Solid
from facetrace.trace.faceup import FaceUp, trace_face_up
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.run import trace_pixels, warm_up
from facetrace.trace.scene import Medium, Scene, View, medium_of, scene_of

DEFAULT_RAYS = 1 << 18
DEFAULT_SAMPLES = 32
FACE_UP = View()
# the figures that are traced until their errors are small enough
SURE_OF = ("light_return", "brightness")


@dataclass(frozen=True)
class StoneInLight:
    """What is looked at, and how.

    Parameters
    ----------
    name: the design's.
    solid: in its own frame [mm].
    material: with what colours it.
    axis: tilt of the c-axis from the table's normal and its azimuth [deg].
    light: around the stone, with the viewer's head.
    view: how stone and eye are turned.
    index: of an isotropic crystal instead of the material's own; None for the material's.
    absorbing: False leaves out all colour.
    wavelength_nm: one wavelength instead of the spectrum [nm].
    """

    name: str
    solid: Solid
    material: Material
    axis: tuple[float, float]
    light: Light
    view: View = FACE_UP
    index: float | None = None
    absorbing: bool = True
    wavelength_nm: float | None = None

    def medium(self) -> Medium:
        """The crystal for a trace."""
        return medium_of(
            self.material, observer(), index=self.index, absorbing=self.absorbing,
            wavelength_nm=self.wavelength_nm,
        )  # fmt: skip

    def scene(self, medium: Medium, view: View | None = None) -> Scene:
        """The stone in its own view, or in another."""
        return scene_of(self.solid, medium, self.axis, self.light, view or self.view)


@dataclass(frozen=True)
class FaceUpResult:
    """What a trace found; maps: None where no pixels were asked for, samples: rays in each pixel.

    white: XYZ of the illuminant (Y = 1); white_radiance: of the white diffuser; error: that was asked for; seconds:
    that the figures took.
    """

    stone: StoneInLight
    sizes: SolidMeasures
    figures: FaceUp
    maps: FaceMaps | None
    samples: int
    white: Floats
    white_radiance: float
    error: float | None
    seconds: float

    @property
    def reached(self) -> float:
        """The largest standard error of the figures that an error is asked for."""
        return max(self.figures.measures[name].stderr for name in SURE_OF)


def trace_stone(
    stone: StoneInLight, *, rays: int = DEFAULT_RAYS, error: float | None = None, seed: int = 1,
    pixels: int = 0, samples: int = DEFAULT_SAMPLES, progress: ProgressBar = silent,
) -> FaceUpResult:  # fmt: skip
    """Light returned, window, extinction, brightness and colour of a stone.

    Parameters
    ----------
    stone: what is looked at, and how.
    rays: for the figures.
    error: instead of a number of rays: trace until the standard errors of light return and brightness are at most this.
    seed: another seed, other random numbers.
    pixels: along a side of the maps; 0 for none.
    samples: rays in each pixel.
    progress: shows how much is done.

    Raises FacetraceError for fewer than one ray.
    """
    if rays < 1:
        raise FacetraceError(f"rays: must be at least 1, but is {rays}")
    with progress("tracing (the first run compiles)") as report:
        scene = stone.scene(stone.medium())
        warm_up(scene)
        started = time.perf_counter()
        figures = trace_face_up(scene, seed, rays=rays, error=error, sure_of=SURE_OF, report=report)
        seconds = time.perf_counter() - started
    maps = None
    if pixels:
        with progress("picture") as report:
            traced = trace_pixels(scene, pixels, samples, seed, picture=True, report=report)
            maps = face_maps(traced, scene)
    return FaceUpResult(
        stone, measure(stone.solid, stone.material.density), figures, maps, samples,
        scene.medium.white, scene.white_radiance, error, seconds,
    )  # fmt: skip
