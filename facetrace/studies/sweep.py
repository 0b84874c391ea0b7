"""Sweeping the parameters of a design: candidate by candidate, each traced.

All candidates are traced with the same random numbers, so that differences are sharper than the
figures themselves (``trace.paired``). Rows are flat, as a CSV keeps them; a figure's
standard error stands beside it under NAME_stderr.
"""

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from facetrace.common.cluster_task import Shared
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Cell, CellReader, Key, Row
from facetrace.design.model import Design
from facetrace.design.vary import Number, parameters, with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import cells
from facetrace.studies.sharing import each, parts
from facetrace.studies.tilt import LINE_NM, MOST_DEG, TiltTolerance, tilt_tolerances
from facetrace.trace.faceup import COLOUR, SHARES, Estimate, MeanColour, face_up
from facetrace.trace.paired import aligned, difference
from facetrace.trace.run import SETS, Sums, points_for, roulette_floor, trace_all, trace_sums
from facetrace.trace.scene import Medium, Scene, View, medium_of, scene_of

MOST_CANDIDATES = 100_000
SIZES = ("carats", "width_mm", "length_mm", "depth_mm", "face_mm2")
FIGURES = (*SHARES, "brightness", *COLOUR)
# figures whose difference to the design as it stands is kept
GAINS = ("light_return", "brightness")
NEVER = f">{MOST_DEG:g}"
# grid values are decimal numbers; more digits than these are rounding
DIGITS = 9
# candidates that a card traces together: many small stones as fast as one large; and about how long one takes besides
FOR_CARD, PYTHON_S = 64, 0.01
# half the widths of the sweep that is made unasked, and its steps, degrees
USUAL = (("pavilion.angle", 4.0, 0.5), ("crown.angle", 6.0, 1.0))


@dataclass(frozen=True)
class Range:
    """Values that a number of the design takes, and how they were asked for."""

    name: str
    start: float
    stop: float
    step: float
    values: tuple[Number, ...]


@dataclass(frozen=True)
class Conditions:
    """What all candidates of a sweep share.

    density in g/cm^3; medium: the stone; clear: it without colour at one wavelength, for the tilt;
    points of each of 128 sets; window_share (0 to 1): a window, to the tilt tolerance; carats: what each
    candidate is scaled to weigh, None to leave the girdle's size.
    """

    density: float
    medium: Medium
    clear: Medium
    light: Light
    points: int
    seed: int
    window_share: float = 0.1
    carats: float | None = None

    @property
    def rays(self) -> int:
        """Rays that each candidate's figures rest on."""
        return self.points * SETS

    @property
    def weight(self) -> str:
        """The column that says what a candidate gives besides light: carats, or face at fixed carats."""
        return "carats" if self.carats is None else "face_mm2"


def conditions_of(
    material: Material, light: Light, *, absorbing: bool = True, rays: int = 1 << 15, seed: int = 1,
    window_share: float = 0.1, carats: float | None = None,
) -> Conditions:  # fmt: skip
    """Conditions of a sweep; *absorbing*: with the material's colour; the others see ``Conditions``."""
    eye = observer()
    return Conditions(
        density=material.density,
        medium=medium_of(material, eye, absorbing=absorbing),
        clear=medium_of(material, eye, absorbing=False, wavelength_nm=LINE_NM),
        light=light,
        points=points_for(rays),
        seed=seed,
        window_share=window_share,
        carats=carats,
    )


@dataclass(frozen=True)
class Traced:
    """A candidate with its trace."""

    solid: Solid
    scene: Scene
    sums: Sums


def range_of(design: Design, name: str, start: float, stop: float, step: float) -> Range:
    """start, start + step ... up to *stop*. Raises FacetraceError for what makes no range."""
    known = parameters(design)
    if name not in known:
        with_value(design, name, start)  # says what is known
    if step <= 0 or stop < start:
        raise FacetraceError(f"{name}: needs FROM <= TO and a step above 0")
    if (stop - start) / step > MOST_CANDIDATES:
        raise FacetraceError(f"{name}: too many values; at most {MOST_CANDIDATES:,} candidates")
    count = math.floor((stop - start) / step + 1e-6) + 1
    values: tuple[Number, ...] = tuple(round(start + i * step, DIGITS) for i in range(count))
    if isinstance(known[name], int):
        if any(v != round(v) for v in values):
            raise FacetraceError(f"{name}: takes whole numbers; FROM and STEP must be whole")
        values = tuple(round(v) for v in values)
    return Range(name, start, stop, step, values)


def usual_ranges(design: Design) -> tuple[Range, ...]:
    """Pavilion and crown angle around the design's own."""
    known = parameters(design)
    if any(name not in known for name, _, _ in USUAL):
        raise FacetraceError(
            "a design in tiers does not say which of its angles belong together; name what to "
            f"vary, like --vary '{next(n for n in known if n.endswith('.angle'))}=FROM:TO:STEP'"
        )
    return tuple(
        range_of(design, name, known[name] - half, known[name] + half, step)
        for name, half, step in USUAL
    )


def candidates(design: Design, ranges: Sequence[Range]) -> list[Key]:
    """Values of every candidate; the first is the design as it stands. Raises FacetraceError if too many."""
    count = math.prod(len(r.values) for r in ranges)
    if count > MOST_CANDIDATES:
        raise FacetraceError(f"{count:,} candidates; at most {MOST_CANDIDATES:,} at once")
    known = parameters(design)
    own = tuple(known[r.name] for r in ranges)
    grid = itertools.product(*(r.values for r in ranges))
    return list(dict.fromkeys([own, *grid]))


def columns(design: Design, ranges: Sequence[Range]) -> dict[str, CellReader]:
    """The columns of a row and what reads them from text."""
    known = parameters(design)
    kinds: dict[str, CellReader] = {r.name: type(known[r.name]) for r in ranges}
    kinds |= dict.fromkeys(SIZES, float)
    for name in FIGURES:
        kinds |= {name: float, f"{name}_stderr": float}
    for name in GAINS:
        kinds |= {f"{name}_gain": float, f"{name}_gain_stderr": float}
    kinds |= {"clear_window": float, "clear_window_stderr": float}
    return kinds | {"tilt_deg": _tilt_cell, "tilt_deg_stderr": float, "tilt_azimuth": float, "remark": str}  # fmt: skip


def needed() -> list[str]:
    """Columns that every candidate that can be cut fills."""
    figures = [*FIGURES, *(f"{name}_gain" for name in GAINS), "clear_window"]
    return [*SIZES, "tilt_deg", *(n for name in figures for n in (name, f"{name}_stderr"))]


def _tilt_cell(text: str) -> Cell:
    return text if text == NEVER else float(text)


def with_values(design: Design, ranges: Sequence[Range], key: Key) -> Design:
    """A candidate's design. Raises FacetraceError where the values are not allowed."""
    for wanted, value in zip(ranges, key, strict=True):
        assert isinstance(value, int | float)
        design = with_value(design, wanted.name, value)
    return design


def shaped(design: Design, conditions: Conditions) -> Solid:
    """The solid, scaled in all sizes where a weight is fixed. Raises DesignError."""
    solid = build_solid(design)
    if conditions.carats is None:
        return solid
    factor = (conditions.carats / measure(solid, conditions.density).carats) ** (1 / 3)
    return solid.scaled(factor)


def traced(design: Design, conditions: Conditions, floor: float | None = None) -> Traced:
    """Build and trace. *floor*: see ``trace.run.trace_sums``. Raises DesignError where it cannot be cut."""
    solid = shaped(design, conditions)
    scene = _scene(solid, _axis(design), conditions)
    floor = roulette_floor(scene, conditions.seed) if floor is None else floor
    return Traced(solid, scene, trace_sums(scene, conditions.points, conditions.seed, floor=floor))


def _scene(solid: Solid, axis: tuple[float, float], conditions: Conditions) -> Scene:
    return aligned(scene_of(solid, conditions.medium, axis, conditions.light, View()))


def _axis(design: Design) -> tuple[float, float]:
    return design.axis.tilt, design.axis.azimuth


def sweep(
    design: Design, ranges: Sequence[Range], conditions: Conditions, done: Mapping[Key, Row]
) -> Iterator[Row]:
    """Rows of ``candidates`` in its order; those already *done* come back as they are.

    Raises DesignError where the design itself cannot be cut; a candidate that cannot has a remark
    and no figures.
    """
    shared = Shared(_Swept(design, tuple(ranges), conditions))
    keys = candidates(design, ranges)
    missing = [key for key in keys if key not in done]
    jobs = [(shared, part) for part in parts(missing, FOR_CARD)]
    made = itertools.chain.from_iterable(each(rows_of, jobs, PYTHON_S * len(missing)))
    for key in keys:
        yield done[key] if key in done else next(made)


@dataclass(frozen=True)
class _Swept:
    """What all candidates share: each is compared with the design as it stands."""

    design: Design
    ranges: tuple[Range, ...]
    conditions: Conditions

    @cached_property
    def base(self) -> Traced:
        """The design as it stands, traced once. Raises DesignError where it cannot be cut."""
        return traced(self.design, self.conditions)


def rows_of(job: tuple[Shared[_Swept], Sequence[Key]]) -> list[Row]:
    """Rows of some candidates, each of which depends on nothing but its key."""
    shared, keys = job[0].value, job[1]
    design, ranges, conditions, base = (
        shared.design, shared.ranges, shared.conditions, shared.base
    )  # fmt: skip
    rows: list[Row] = []
    shapes: list[tuple[int, Design, Solid]] = []
    for key in keys:
        named: Row = dict(zip((r.name for r in ranges), key, strict=True))
        try:
            candidate = with_values(design, ranges, key)
            shapes.append((len(rows), candidate, shaped(candidate, conditions)))
        except FacetraceError as problem:
            named = dict.fromkeys(columns(design, ranges)) | named | {"remark": f"cannot be cut: {problem}"}  # fmt: skip
        rows.append(named)
    scenes = [_scene(solid, _axis(of), conditions) for _, of, solid in shapes]
    sums = trace_all(scenes, conditions.points, conditions.seed, base.sums.floor)
    tilts = tilt_tolerances(
        [(solid, _axis(of)) for _, of, solid in shapes], conditions.clear, conditions.window_share, conditions.seed,
    )  # fmt: skip
    for (number, _, solid), scene, own, tilt in zip(shapes, scenes, sums, tilts, strict=True):
        rows[number] |= _figures(Traced(solid, scene, own), conditions.density, base, tilt)
    return rows


def _figures(candidate: Traced, density: float, base: Traced, tilt: TiltTolerance) -> Row:
    figures = face_up(candidate.sums, candidate.scene)
    gains = difference(candidate.sums, candidate.scene, base.sums, base.scene, GAINS)
    sizes = measure(candidate.solid, density)
    named: dict[str, Estimate | None] = {**figures.measures, **_colours(figures.colour)}
    row: Row = {name: getattr(sizes, name) for name in SIZES[:-1]}
    row["face_mm2"] = candidate.solid.face_mm2
    for name in FIGURES:
        row |= cells(name, named[name])
    for name in GAINS:
        row |= cells(f"{name}_gain", gains[name])
    row |= cells("clear_window", tilt.face_up) | cells("tilt_deg", tilt.tilt)
    if tilt.tilt is None:
        row["tilt_deg"] = NEVER
    return row | {"tilt_azimuth": tilt.azimuth, "remark": _remark(candidate.solid)}


def _colours(colour: MeanColour) -> dict[str, Estimate | None]:
    return {name: getattr(colour, name) for name in COLOUR}


def _remark(solid: Solid) -> str | None:
    """Tiers some of whose facets the others cut away."""
    tiers = Counter(name.rpartition(" ")[0] or name for name in solid.missing)
    lost = ", ".join(f"{tier} ({count})" for tier, count in tiers.items())
    return f"no place for: {lost}" if lost else None


def that_can_be_cut(rows: Sequence[Row]) -> list[Row]:
    """Those that have figures."""
    return [row for row in rows if row["light_return"] is not None]
