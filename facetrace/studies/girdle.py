"""The girdle: ground, polished smooth, or polished in flats, on the same blank.

Crown and pavilion stay as designed; only how far they stand apart, the finish and the flats of the
girdle change. All finishes of one setting share their random numbers and the floor of roulette.
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from facetrace.common.cluster_task import Shared
from facetrace.common.ledger import CellReader, Key, Row
from facetrace.design.model import Design
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.girdle import GIRDLE, blank_of, flats_in, lift_for
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import SURE_ERRORS, Keeping, cells, fingerprint, number
from facetrace.studies.sharing import each
from facetrace.trace.faceup import face_up, lost_light
from facetrace.trace.paired import aligned, difference, recovered
from facetrace.trace.run import SETS, points_for, roulette_floor, trace_all
from facetrace.trace.scene import Medium, View, medium_of, scene_of

GROUND, POLISHED, FLATS = "ground", "polished", "flats"
# the trade's claim: a hundred small facets on a polished girdle bring back that share of the light
# lost (common practice, no source)
CLAIM = (0.03, 0.05)
CLAIM_FLATS = 100
# about a hundred: what a gear of 96 teeth gives
NEAR_CLAIM = (80, 130)

SIZES = ("carats", "carats_to_smooth", "girdle_mean_mm", "girdle_min_mm")
FIGURES = ("light_return", "window", "extinction", "brightness", "lost")
# about how long a group of rows takes besides its rays
PYTHON_S = 0.05
KEY = ("stone", "thickness_mm", "eye_tilt", "finish", "flats")


@dataclass(frozen=True)
class GirdleGrid:
    """Which girdles are compared, and what all rows share.

    media: the stone's medium by what it is called, coloured or clear; density in g/cm^3; axis: tilt
    and azimuth of c, degrees; roughness alpha of the ground girdle (kernel.ground); thicknesses: mean
    heights of the smooth girdle, mm; tilts of the eye off the zenith towards *azimuth*,
    degrees; flats: their numbers; points of each of 128 sets.
    """

    media: Mapping[str, Medium]
    density: float
    axis: tuple[float, float]
    light: Light
    roughness: float
    thicknesses: tuple[float, ...]
    tilts: tuple[float, ...]
    azimuth: float
    flats: tuple[int, ...]
    points: int
    seed: int

    @property
    def rays(self) -> int:
        """Rays that the figures of a row rest on."""
        return self.points * SETS

    @property
    def finishes(self) -> tuple[tuple[str, int], ...]:
        """(finish, number of flats wished; 0 for smooth), ground first."""
        return ((GROUND, 0), (POLISHED, 0), *((FLATS, n) for n in self.flats))


def columns() -> dict[str, CellReader]:
    """The columns of a row and what reads them from text."""
    kinds: dict[str, CellReader] = {
        "stone": str, "thickness_mm": float, "eye_tilt": float, "finish": str, "flats": int,
    }  # fmt: skip
    kinds |= {"facets": int, **dict.fromkeys(SIZES, float)}
    for name in (*FIGURES, "gain", "recovered", "flats_recovered"):
        kinds |= {name: float, f"{name}_stderr": float}
    return kinds


def keys_of(grid: GirdleGrid) -> list[Key]:
    """Keys of all rows, in the order in which they are made."""
    return [
        (stone, thickness, tilt, finish, flats)
        for thickness in grid.thicknesses
        for stone in grid.media
        for tilt in grid.tilts
        for finish, flats in grid.finishes
    ]


def sweep(design: Design, grid: GirdleGrid, done: Mapping[Key, Row]) -> Iterator[Row]:
    """Rows of ``keys_of`` in its order; those already *done* come back as they are.

    carats_to_smooth: what flats cost (below 0); gain: light returned minus that with the ground
    girdle; recovered: gain as a share of the light lost with the ground girdle; flats_recovered: the
    same against the smooth polished girdle. Raises DesignError, FacetraceError (``solid.girdle``).
    """
    groups = [
        _Group(blanks, stone, tilt)
        for blanks in (Shared(_Blanks(design, grid, thickness)) for thickness in grid.thicknesses)
        for stone in grid.media
        for tilt in grid.tilts
    ]
    missing = [g for g in groups if not all(key in done for key in g.keys)]
    made = each(rows_of, missing, PYTHON_S * len(missing))
    for group in groups:
        if all(key in done for key in group.keys):
            yield from (done[key] for key in group.keys)
        else:
            yield from next(made)


@dataclass(frozen=True)
class _Blanks:
    """A design with girdles of one thickness, which its groups share."""

    design: Design
    grid: GirdleGrid
    thickness: float

    @cached_property
    def stones(self) -> list[Solid]:
        """One for each finish."""
        blank = blank_of(self.design)
        lift = lift_for(blank, self.thickness)
        smooth = blank.stone(blank.outline, lift)
        cut = [blank.stone(flats_in(blank.outline, n), lift) for n in self.grid.flats]
        return [smooth, smooth, *cut]


@dataclass(frozen=True)
class _Group:
    """All finishes of one thickness, of a stone by what it is called, under one tilt of the eye."""

    blanks: Shared[_Blanks]
    stone: str
    tilt: float

    @property
    def keys(self) -> list[Key]:
        """Of its rows."""
        of = self.blanks.value
        return [(self.stone, of.thickness, self.tilt, *finish) for finish in of.grid.finishes]


def rows_of(group: _Group) -> list[Row]:
    """One row for each finish of a group, which share their random numbers."""
    blanks = group.blanks.value
    grid = blanks.grid
    rows = _figures(blanks.stones, grid.media[group.stone], group.tilt, grid)
    return [
        dict(zip(KEY, key, strict=True)) | row for key, row in zip(group.keys, rows, strict=True)
    ]


def _figures(stones: list[Solid], medium: Medium, tilt: float, grid: GirdleGrid) -> list[Row]:
    view = View(eye_tilt=tilt, eye_azimuth=grid.azimuth)
    scenes = []
    for solid, (finish, _) in zip(stones, grid.finishes, strict=True):
        rough = {n: grid.roughness for n in solid.names if n.startswith(f"{GIRDLE} ")}
        ground = rough if finish == GROUND else None
        scene = scene_of(solid, medium, grid.axis, grid.light, view, ground=ground)
        scenes.append(aligned(scene))
    floor = roulette_floor(scenes[0], grid.seed)
    sums = trace_all(scenes, grid.points, grid.seed, floor)
    smooth = measure(stones[1], grid.density).carats
    rows = []
    for solid, scene, own in zip(stones, scenes, sums, strict=True):
        sizes = measure(solid, grid.density)
        row: Row = {
            "facets": sum(n.startswith(f"{GIRDLE} ") for n in solid.names),
            "carats": sizes.carats, "carats_to_smooth": sizes.carats - smooth,
            "girdle_mean_mm": sizes.girdle_mean_mm, "girdle_min_mm": sizes.girdle_min_mm,
        }  # fmt: skip
        measures = face_up(own, scene).measures | {"lost": lost_light(own)}
        for name in FIGURES:
            row |= cells(name, measures[name])
        gain = difference(own, scene, sums[0], scenes[0], ("light_return",))["light_return"]
        row |= cells("gain", gain)
        row |= cells("recovered", recovered(own, sums[0]))
        row |= cells("flats_recovered", recovered(own, sums[1]))
        rows.append(row)
    return rows


@dataclass(frozen=True)
class GirdleStudy:
    """All finishes of a design's girdle; seconds: that the rows took."""

    design: Design
    material: Material
    grid: GirdleGrid
    rows: list[Row]
    seconds: float

    @property
    def title(self) -> str:
        """Design and material."""
        return f"{self.design.name} ({self.material.name})"

    @property
    def under(self) -> str:
        """The light, and how the girdle is ground."""
        return _under(self.grid)


def study_girdle(
    design: Design, material: Material, light: Light, *, thicknesses: Sequence[float] = (0.1, 0.2, 0.3, 0.5),
    tilts: Sequence[float] = (0.0, 15.0, 30.0), azimuth: float = 90.0, flats: Sequence[int] = (96,),
    roughness: float = 0.39, absorbing: bool = True, rays: int = 1 << 16, seed: int = 1,
    keeping: Keeping | None = None,
) -> GirdleStudy:  # fmt: skip
    """Compare the girdle ground, polished smooth and in flats. Raises DesignError, FacetraceError (``solid.girdle``).

    Parameters
    ----------
    thicknesses : mean heights of the smooth girdle [mm].
    tilts : of the eye off the zenith [deg], towards *azimuth* [deg from the length].
    flats : numbers of flats on the polished girdle.
    roughness : alpha of the ground girdle (kernel.ground).
    absorbing : the stone as coloured too, besides the cut alone.
    rays : for each figure.
    keeping : the table that rows go to, and who is told how far it is.
    """
    keeping, eye = keeping or Keeping(), observer()
    media = {"clear": medium_of(material, eye, absorbing=False)}
    if absorbing and (material.spectrum or material.colouring):
        media = {"coloured": medium_of(material, eye), **media}
    grid = GirdleGrid(
        media, material.density, (design.axis.tilt, design.axis.azimuth), light, roughness,
        tuple(thicknesses), tuple(tilts), azimuth, tuple(flats), points_for(rays), seed,
    )  # fmt: skip
    # of all that decides a row; thicknesses, tilts and flats only decide which rows there are
    mark = fingerprint(
        "girdle", design, grid.density, media, light, axis=grid.axis,
        roughness=roughness, azimuth=azimuth, points=grid.points, seed=seed,
    )  # fmt: skip
    about = f"girdle of {design.name} ({material.name}): {_under(grid)}"
    with keeping.table(mark, columns(), KEY, about, list(columns())) as ledger:
        started = time.perf_counter()
        rows = keeping.filled(ledger, keys_of(grid), sweep(design, grid, ledger.rows), "rows")
        return GirdleStudy(design, material, grid, rows, time.perf_counter() - started)


def _under(grid: GirdleGrid) -> str:
    return f"{grid.light.words}, ground with roughness {grid.roughness:g}"


@dataclass(frozen=True)
class Verdict:
    """How the trade's claim fares over the rows with about a hundred flats.

    settings: how many there are; holds, beyond, below: how many lie in the claimed range, above it
    or below it by more than SURE_ERRORS; the others are undecided. best, worst: the rows that recover
    most and least.
    """

    settings: int
    holds: int
    beyond: int
    below: int
    best: Row
    worst: Row


def verdict(rows: Sequence[Row], stone: str) -> Verdict | None:
    """Over the rows of one stone, coloured or clear; None without about a hundred flats."""
    low, high = NEAR_CLAIM
    mine = [
        r for r in rows
        if r["stone"] == stone and r["finish"] == FLATS and low <= number(r, "facets") <= high
    ]  # fmt: skip
    if not mine:
        return None
    places = [_against_claim(r) for r in mine]
    return Verdict(
        len(mine), places.count("holds"), places.count("beyond"), places.count("below"),
        max(mine, key=lambda r: number(r, "recovered")),
        min(mine, key=lambda r: number(r, "recovered")),
    )  # fmt: skip


def _against_claim(row: Row) -> str:
    value, reach = number(row, "recovered"), SURE_ERRORS * number(row, "recovered_stderr")
    low, high = CLAIM
    if value + reach < low:
        return "below"
    if value - reach > high:
        return "beyond"
    return "holds" if low <= value - reach and value + reach <= high else "undecided"
