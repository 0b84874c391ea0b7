"""A stone that rocks and spins under a light: frames that share one exposure, white and scale."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from facetrace.common.cluster_task import Shared
from facetrace.common.progress import ProgressBar, silent
from facetrace.optics.lights import Light
from facetrace.solid.polyhedron import Floats
from facetrace.studies.face_up import StoneInLight
from facetrace.studies.screen import Bytes, frame_pixels
from facetrace.studies.sharing import each
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.motion import frame_around, views_of
from facetrace.trace.run import roulette_floor, trace_pixels
from facetrace.trace.scene import Medium, Scene, View

DEFAULT_FRAMES, DEFAULT_SIZE, DEFAULT_TILT = 60, 320, 20.0
# rays in each pixel: lamps are small, so few paths reach them
LAMP_SAMPLES, SAMPLES = 32, 16
# the exposure that a movie chooses: such a share of the stone's points is shown no brighter than that
# share of white; under lamps a stone's body leaves room for its flashes, which may be too bright
BODY, BODY_LEVEL = 0.9, 0.3
ALL, ALL_LEVEL = 0.995, 1.0
# it looks at so many of the frames, each with so many pixels a side
SAMPLE_FRAMES, SAMPLE_SIZE = 8, 96
# about how long a frame takes besides its rays
PYTHON_S = 0.06
# two figures are enough for an exposure, and easy to ask for again
EXPOSURE_FIGURES = 2
LEAST_EXPOSURE, MOST_EXPOSURE = 0.01, 100.0
# paths may end where less than this of the light is left: grain that no eye finds in a moving picture
LEAST_FLOOR = 3e-3


@dataclass(frozen=True)
class Camera:
    """What all frames have in common: the place and size of the picture, and its rays.

    centre_mm: (right, up); glare: with the light mirrored by the outer surface; floor: of Russian roulette.
    """

    centre_mm: Floats
    width_mm: float
    size: int
    samples: int
    seed: int
    floor: float
    glare: bool

    @property
    def step_mm(self) -> float:
        """Of a pixel."""
        return self.width_mm / self.size

    def maps(self, scene: Scene, size: int | None = None) -> FaceMaps:
        """One view; every frame traces the same points of the picture with the same numbers."""
        pixels = trace_pixels(
            scene, size or self.size, self.samples, self.seed,
            width_mm=self.width_mm, centre_mm=self.centre_mm, floor=self.floor, picture=True,
        )  # fmt: skip
        return face_maps(pixels, scene)


@dataclass(frozen=True)
class Movie:
    """Frames (size, size, 3) in sRGB, each with its view and the share of the stone too bright for the screen.

    tilt: that was asked for [deg]; chosen: whether the exposure was; white: XYZ of the illuminant (Y = 1);
    white_radiance: of the white diffuser.
    """

    stone: StoneInLight
    motion: str
    tilt: float
    views: tuple[View, ...]
    frames: tuple[Bytes, ...]
    too_bright: tuple[float, ...]
    camera: Camera
    exposure: float
    chosen: bool
    white: Floats
    white_radiance: float
    seconds: float


def film(
    stone: StoneInLight, *, motion: str = "rock", tilt: float = DEFAULT_TILT, azimuth: float = 0.0,
    frames: int = DEFAULT_FRAMES, size: int = DEFAULT_SIZE, samples: int | None = None, seed: int = 1,
    glare: bool = True, exposure: float | None = None, progress: ProgressBar = silent,
) -> Movie:  # fmt: skip
    """One loop of a moving stone.

    Parameters
    ----------
    stone: what is looked at; its own view does not count.
    motion: "rock", "spin" or "both", see ``trace.motion.views_of``.
    tilt, azimuth: how far the stone leans, and towards where [deg].
    frames: of one loop.
    size: pixels along a side.
    samples: rays in each pixel of a frame; None for more under lamps than else.
    seed: another seed, other random numbers.
    glare: with the light mirrored by the outer surface.
    exposure: at 1 a white diffuser is just white; None chooses one for the whole movie.
    progress: shows how much is done.
    """
    medium = stone.medium()
    views = views_of(motion, frames, tilt, azimuth)
    scenes = [stone.scene(medium, view) for view in views]
    started = time.perf_counter()
    rays = samples or (LAMP_SAMPLES if stone.light.lamps else SAMPLES)
    with progress(f"{len(scenes)} frames (the first run compiles)") as report:
        camera = _camera(scenes, size, rays, seed, glare)
        exposed = exposure or _common_exposure(scenes, camera, stone.light)
        # a view that comes again is traced once
        different = list(dict.fromkeys(views))
        shared = Shared(_Set(stone, camera, exposed))
        done: dict[View, tuple[Bytes, float]] = {}
        for view, shot in zip(
            different,
            each(shot_of, [(shared, v) for v in different], PYTHON_S * len(different)),
            strict=True,
        ):
            done[view] = shot
            report(len(done) / len(different))
    shots = [done[view] for view in views]
    return Movie(
        stone, motion, tilt, tuple(views), tuple(frame for frame, _ in shots), tuple(share for _, share in shots),
        camera, exposed, exposure is None, medium.white, scenes[0].white_radiance,
        time.perf_counter() - started,
    )  # fmt: skip


@dataclass(frozen=True)
class _Set:
    """What all frames share."""

    stone: StoneInLight
    camera: Camera
    exposure: float

    @cached_property
    def medium(self) -> Medium:
        """The crystal for a trace."""
        return self.stone.medium()


def shot_of(job: tuple[Shared[_Set], View]) -> tuple[Bytes, float]:
    """A frame in one view, and the share of the stone that is too bright."""
    of, view = job[0].value, job[1]
    maps = of.camera.maps(of.stone.scene(of.medium, view))
    return frame_pixels(maps, of.medium.white, of.exposure, of.camera.glare)


def exposure_rule(light: Light) -> tuple[float, float]:
    """Share of the stone's points that stay below a share of white in a movie's own exposure."""
    return (BODY, BODY_LEVEL) if light.lamps else (ALL, ALL_LEVEL)


def _camera(scenes: Sequence[Scene], size: int, samples: int, seed: int, glare: bool) -> Camera:
    """One frame around the stone in all *scenes*; the floor of roulette is the lowest of a few."""
    centre, width = frame_around(scenes)
    floor = min(roulette_floor(scene, seed) for scene in _some(scenes))
    return Camera(centre, width, size, samples, seed, max(floor, LEAST_FLOOR), glare)


def _some(scenes: Sequence[Scene]) -> Sequence[Scene]:
    return scenes[:: max(1, len(scenes) // SAMPLE_FRAMES)][:SAMPLE_FRAMES]


def _common_exposure(scenes: Sequence[Scene], camera: Camera, light: Light) -> float:
    """The exposure that ``exposure_rule`` asks for, over a few frames; two figures, so that it can be given."""
    seen = []
    for scene in _some(scenes):
        maps = camera.maps(scene, SAMPLE_SIZE)
        xyz = maps.xyz + maps.glare if camera.glare else maps.xyz
        seen.append(xyz[maps.coverage > 0.5][:, 1])
    share, level = exposure_rule(light)
    top = float(np.quantile(np.concatenate(seen), share))
    exposure = min(max(level / max(top, 1e-9), LEAST_EXPOSURE), MOST_EXPOSURE)
    return float(f"{exposure:.{EXPOSURE_FIGURES}g}")
