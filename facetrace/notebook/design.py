"""A design in its material, and all that is asked of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from facetrace.bench.steps import bench_steps
from facetrace.common.output import write_all
from facetrace.common.progress import ProgressBar, silent
from facetrace.design.model import DesignFile
from facetrace.design.vary import with_value
from facetrace.notebook.found import Girdles, Oriented, Sheet, Swept, Traced
from facetrace.optics.lights import find_light
from facetrace.optics.material import Material, find_material
from facetrace.report.pages import page_of_portrait
from facetrace.rough.zone import ZoneFile, read_zones
from facetrace.solid.build import build_solid
from facetrace.solid.export import kind_of, mesh_bytes
from facetrace.solid.measure import SolidMeasures, measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.angles import study_angles
from facetrace.studies.face_up import DEFAULT_RAYS, StoneInLight, trace_stone
from facetrace.studies.girdle import study_girdle
from facetrace.studies.opening import axis_of, with_spectrum
from facetrace.studies.orient import Grid, study_orientation
from facetrace.studies.portrait import Fineness, portray_design
from facetrace.studies.rows import Keeping
from facetrace.studies.sweep import range_of
from facetrace.studies.visibility import VisibilityTest
from facetrace.studies.wish import Wish
from facetrace.trace.log import PathLog, path_events
from facetrace.trace.scene import View

# pixels along a side of a notebook's picture
PIXELS = 240


@dataclass(frozen=True, repr=False)
class Design:
    """A design, its solid and its material; changed copies come from ``with_values`` and ``made_of``.

    Parameters
    ----------
    file : the design as read (``design.model.DesignFile``).
    solid : in the stone's frame [mm].
    material : with what colours it.
    """

    file: DesignFile
    solid: Solid
    material: Material

    @property
    def name(self) -> str:
        """The design's name."""
        return self.file.design.name

    @property
    def sizes(self) -> SolidMeasures:
        """Weight [ct], sizes [mm] and percentages of the width."""
        return measure(self.solid, self.material.density)

    def __repr__(self) -> str:
        of = self.sizes
        return (
            f"<Design: {self.name} ({self.material.name}), {of.facets} facets, {of.carats:.3f} ct, "
            f"{of.length_mm:.2f} x {of.width_mm:.2f} x {of.depth_mm:.2f} mm>"
        )

    def with_values(self, values: Mapping[str, float]) -> "Design":
        """A copy with other numbers, like {"pavilion.angle": 41.5}; its name tells them.

        Raises FacetraceError for what is not a parameter of this design, DesignError where it cannot be cut.
        """
        design = self.file.design
        for name, value in values.items():
            design = with_value(design, name, value)
        changed = ", ".join(f"{name} {value:g}" for name, value in values.items())
        design = design.model_copy(update={"name": f"{design.name}, {changed}"})
        return replace(self, file=replace(self.file, design=design), solid=build_solid(design))

    def made_of(self, material: str, spectrum: str | Path | None = None) -> "Design":
        """A copy of another material: a variety ("ruby"), or a file ending in .toml.

        *spectrum*: your own absorption spectrum (CSV). Raises FileError, FacetraceError for unknown ones.
        """
        found = with_spectrum(find_material(material), Path(spectrum) if spectrum else None)
        return replace(self, material=found)

    def trace(
        self, *, light: str = "hemisphere", head_deg: float | None = None, tilt: float = 0.0, azimuth: float = 0.0,
        eye_tilt: float = 0.0, eye_azimuth: float = 0.0, axis: tuple[float, float] | None = None,
        index: float | None = None, absorbing: bool = True, wavelength_nm: float | None = None,
        rays: int = DEFAULT_RAYS, error: float | None = None, seed: int = 1, pixels: int = PIXELS,
        samples: int = 16, progress: ProgressBar = silent,
    ) -> Traced:  # fmt: skip
        """Light returned, window, extinction, brightness and colour face up.

        Parameters
        ----------
        light : "hemisphere", "overcast", "cosine", "uniform" or "spots".
        head_deg : angular radius of the viewer's head [deg]; by default 10, under "uniform" 0.
        tilt, azimuth : the stone is rocked so far, towards there [deg from the length].
        eye_tilt, eye_azimuth : the eye is moved off the zenith [deg].
        axis : tilt of the c-axis from the table's normal, and its azimuth [deg]; by default the design's.
        index : of an isotropic crystal in place of the material's.
        absorbing : with colour.
        wavelength_nm : one wavelength in place of the spectrum [nm].
        rays : for the figures.
        error : instead: trace until the errors of light returned and brightness are at most this.
        seed : another seed, other random numbers.
        pixels : along a side of the picture; 0 for none.
        samples : rays in each pixel.
        progress : shows how much is done.
        """
        stone = StoneInLight(
            self.name, self.solid, self.material, axis or axis_of(self.file.design), find_light(light, head_deg),
            View(tilt, azimuth, eye_tilt, eye_azimuth), index, absorbing, wavelength_nm,
        )  # fmt: skip
        found = trace_stone(
            stone, rays=rays, error=error, seed=seed, pixels=pixels, samples=samples, progress=progress,
        )  # fmt: skip
        return Traced(self.file.path, found)

    def events(
        self, ray: int = 0, *, light: str = "hemisphere", head_deg: float | None = None, tilt: float = 0.0,
        azimuth: float = 0.0, seed: int = 1,
    ) -> PathLog:  # fmt: skip
        """What happens to one ray, event by event; ``print`` shows a table.

        Parameters
        ----------
        ray : its number, from 0.
        light, head_deg, tilt, azimuth, seed : as in ``trace``.
        """
        stone = StoneInLight(
            self.name, self.solid, self.material, axis_of(self.file.design), find_light(light, head_deg), View(tilt, azimuth)
        )  # fmt: skip
        return path_events(stone.scene(stone.medium()), ray, seed)

    def sweep(
        self, values: Mapping[str, tuple[float, float, float]] | None = None, *, prefer: Wish = "balance",
        at_least: float = 0.0, keep_light: float = 0.9, carats: float | None = None, light: str = "hemisphere",
        head_deg: float | None = None, absorbing: bool = True, rays: int = 1 << 15, seed: int = 1,
        csv: str | Path | None = None, progress: ProgressBar = silent,
    ) -> Swept:  # fmt: skip
        """Angles, or any parameters of the design, against weight and light; one candidate recommended.

        Raises FacetraceError for what is not a parameter of this design.

        Parameters
        ----------
        values : (from, to, step) by parameter, like {"pavilion.angle": (41, 43, 0.5)}; by default pavilion and crown
            angle around their own.
        prefer : "light", "weight" or "balance".
        at_least : recommend nothing lighter [ct].
        keep_light : with "weight": share of the best light that must be kept, 0 to 1.
        carats : every candidate is scaled to weigh this [ct]; by default the girdle's size stays.
        light, head_deg, absorbing, rays, seed, progress : as in ``trace``; rays of each candidate.
        csv : a table that all rows go to, and from which a study that was stopped goes on.
        """
        design = self.file.design
        ranges = [range_of(design, name, *steps) for name, steps in (values or {}).items()]
        study = study_angles(
            design, self.material, find_light(light, head_deg), ranges=ranges, wish=prefer, at_least=at_least,
            keep_light=keep_light, absorbing=absorbing, rays=rays, seed=seed, carats=carats,
            keeping=_keeping(csv, progress),
        )  # fmt: skip
        return Swept(self.file.path, study)

    def girdle(
        self, thickness_mm: Sequence[float] = (0.1, 0.2, 0.3, 0.5), *, eye_tilts: Sequence[float] = (0.0, 15.0, 30.0),
        flats: Sequence[int] = (96,), light: str = "hemisphere", head_deg: float | None = None, absorbing: bool = True,
        rays: int = 1 << 16, seed: int = 1, csv: str | Path | None = None, progress: ProgressBar = silent,
    ) -> Girdles:  # fmt: skip
        """The girdle ground, polished smooth, or in flats. Raises FacetraceError for a heart.

        Parameters
        ----------
        thickness_mm : mean heights of the smooth girdle [mm].
        eye_tilts : of the eye off the zenith [deg].
        flats : numbers of flats to try.
        light, head_deg, absorbing, rays, seed, csv, progress : as in ``sweep``.
        """
        study = study_girdle(
            self.file.design, self.material, find_light(light, head_deg), thicknesses=thickness_mm, tilts=eye_tilts,
            flats=flats, absorbing=absorbing, rays=rays, seed=seed, keeping=_keeping(csv, progress),
        )  # fmt: skip
        return Girdles(self.file.path, study)

    def orient(
        self, zones: "str | Path | ZoneFile", grid: Grid | None = None, test: VisibilityTest | None = None, *,
        allow: float = 0.01, light: str = "hemisphere", head_deg: float | None = None, pixels: int | None = PIXELS,
        csv: str | Path | None = None, progress: ProgressBar = silent,
    ) -> Oriented:  # fmt: skip
        """The smallest table tilt and culet shift that hide colour zones face up.

        Raises FileError for zones that the stone cannot have.

        Parameters
        ----------
        zones : a zone file, or its path.
        grid : tilts [deg] and culet shifts [% of the width] to try (``studies.orient.Grid``).
        test : from which colour difference on a zone shows, and how finely it is looked for.
        allow : share of the face, 0 to 1, up to which a zone counts as hidden.
        pixels : along a side of the pictures; None for none.
        light, head_deg, csv, progress : as in ``sweep``.
        """
        file = zones if isinstance(zones, ZoneFile) else read_zones(Path(zones))
        study = study_orientation(
            self.file.design, self.material, file, find_light(light, head_deg), grid, test, allow=allow,
            picture_px=pixels, keeping=_keeping(csv, progress),
        )  # fmt: skip
        return Oriented(self.file.path, study)

    def sheet(
        self, *, first: Literal["pavilion", "crown"] = "pavilion", meet_gap_mm: float = 0.05, allowance_mm: float = 0.3, gear: int | None = None
    ) -> Sheet:  # fmt: skip
        """What to cut in which order, how deep and how exactly.

        Parameters
        ----------
        first : "pavilion" or "crown", cut after the girdle.
        meet_gap_mm : how far facets may miss each other where they should meet [mm].
        allowance_mm : what the blank keeps to grind all round [mm].
        gear : teeth of another gear on the bench.
        """
        bench = bench_steps(
            self.file.design, self.material.density, first=first, allowance_mm=allowance_mm, open_mm=meet_gap_mm
        )  # fmt: skip
        return Sheet(self.file, bench, self.material.name, gear)

    def report(
        self, path: str | Path, *, zones: str | Path | None = None, light: str = "hemisphere",
        head_deg: float | None = None, fineness: Fineness | None = None,
    ) -> Path:  # fmt: skip
        """Write one page of it all (HTML): pictures, maps, rocked both ways, its colours, light against weight, to turn.

        Parameters
        ----------
        path : where the page goes.
        zones : a zone file to show in it.
        light, head_deg : as in ``trace``.
        fineness : rays, pixels, samples, seed (``studies.portrait.Fineness``).
        """
        portrait = portray_design(
            self.file.design, self.material, find_light(light, head_deg), read_zones(Path(zones)) if zones else None,
            fineness,
        )  # fmt: skip
        _, page = page_of_portrait(portrait, str(self.file.path))
        write_all({Path(path): page.encode()})
        return Path(path)

    def save_mesh(self, path: str | Path) -> Path:
        """Write the solid as a mesh; the name's ending decides: .stl .obj .ply .glb .gltf. Raises FacetraceError for others."""
        target = Path(path)
        write_all({target: mesh_bytes(self.solid, kind_of(target))})
        return target


def _keeping(csv: str | Path | None, progress: ProgressBar) -> Keeping:
    return Keeping(csv=Path(csv) if csv else None, progress=progress)
