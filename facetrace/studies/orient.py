"""Which way a stone faces in a zoned rough: how visible a zone is, for table tilts and culet shifts.

Three frames. The rough's: c along +z (``optics.zone``). The base stone's, where the design's
[axis] says how c points. A candidate's: the base stone's, with the table tilted by *tilt* degrees
towards *azimuth*. The zone stays where it grew; the stone turns, and in a blank it shrinks or
grows to the largest copy that fits.

Visibility compares two pictures of one candidate, with the zone and without, traced with the
same random numbers and the same roulette, so that what the zone does not touch is the same to the
bit. Each picture is the sum of REPLICATES independent ones; leaving out one at a time gives the
standard errors (the delete-one jackknife: Efron & Tibshirani, "An Introduction to the Bootstrap",
ch. 11). Light mirrored by the surface, which hides zones, is left out.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import facetrace
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Cell, Key, Row
from facetrace.design.model import Design
from facetrace.design.vary import parameters, with_value
from facetrace.kernel.tally import SUM_LIT, SUM_Y
from facetrace.optics.colour import Observer, delta_e_2000, lch_of, pixel_differences
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.placement.blank import largest_copy
from facetrace.rough.zone import ZoneFile, differences
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.solid.convex import shared_volume
from facetrace.solid.measure import carats_at
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import SURE_ERRORS, media_facts, number
from facetrace.trace.faceup import Estimate, xyz_of
from facetrace.trace.maps import FaceMaps, face_maps
from facetrace.trace.run import MARGIN, Pixels, roulette_floor, trace_pixels
from facetrace.trace.scene import Medium, Scene, View, direction, medium_of, rocking, scene_of

Floats = NDArray[np.float64]

SHIFT = "pavilion.culet_shift_percent"
REPLICATES = 8
# pixels along a side: fewer show no zone, more cost time (a large stone gets larger pixels)
FEWEST, MOST = 24, 64
# a pixel's largest difference counts where the stone fills so much of it
FILLED = 0.5
PORTRAIT_SAMPLES = 32


@dataclass(frozen=True)
class Candidate:
    """Table tilted by *tilt* degrees towards *azimuth*, culet shifted by *along* and *across*, % of the width."""

    tilt: float = 0.0
    azimuth: float = 0.0
    along: float = 0.0
    across: float = 0.0

    @property
    def shift(self) -> float:
        """How far the culet moves, % of the width."""
        return round(math.hypot(self.along, self.across), 6)

    @property
    def towards(self) -> float:
        """Azimuth of the shift, degrees from the stone's length."""
        return round(math.degrees(math.atan2(self.across, self.along)) % 360, 3)

    @property
    def cost(self) -> float:
        """What a change costs: degrees of tilt plus percent of shift."""
        return round(self.tilt + self.shift, 6)

    @property
    def key(self) -> Key:
        """What tells its row from others."""
        return self.tilt, self.azimuth, self.along, self.across


BASE = Candidate()
KEY = ("tilt", "azimuth", "along", "across")
# each with its standard error in a column NAME_stderr
FIGURES = ("share", "most", "lightness", "chroma", "hue_deg", "change", "light", "light_change")
NAMES = (
    *KEY, *(n for f in FIGURES for n in (f, f"{f}_stderr")),
    "carats", "scale", "x_mm", "y_mm", "z_mm", "axis_tilt", "axis_azimuth", "pixel_mm",
)  # fmt: skip
COLUMNS: dict[str, Callable[[str], Cell]] = dict.fromkeys(NAMES, float) | {"remark": str}
# of what is tried between two candidates of the grid: degrees, % of the width
FINER = 1.0


@dataclass(frozen=True)
class Setting:
    """How finely and how surely candidates are looked at.

    threshold: CIEDE2000 from which a pixel counts; about 1 is just seen side by side by a trained
    eye, 2 to 3 by others (memory). pixel_mm: edge of a pixel; a minute of arc, about what an eye
    parts, is 0.08 mm at 28 cm, and a pixel shares rays with its neighbours. samples: rays in each
    pixel of each replicate.
    """

    threshold: float = 2.0
    pixel_mm: float = 0.15
    samples: int = 8
    seed: int = 1


@dataclass(frozen=True)
class Subject:
    """A design in a zoned rough.

    axis: tilt and azimuth of c in the base stone; bodies: the zones' in the rough's frame, with their
    zones' numbers; plain, zoned: the media without and with them.
    """

    design: Design
    density: float
    axis: tuple[float, float]
    light: Light
    view: View
    centre: Floats
    turn: float
    bodies: tuple[tuple[Body, int], ...]
    blank: Body | None
    plain: Medium
    zoned: Medium

    @property
    def shiftable(self) -> bool:
        """Whether the design's culet can be shifted (short forms with a pavilion)."""
        return f"{SHIFT}[0]" in parameters(self.design)


def subject_of(
    design: Design,
    material: Material,
    zones: ZoneFile,
    light: Light,
    eye: Observer,
    view: View | None = None,
) -> Subject:
    """Design and zone file brought together. Raises FileError for a zone that the stone cannot have."""
    parts = differences(zones, material, eye.wavelength_nm)
    placement = zones.model.placement
    return Subject(
        design=design,
        density=material.density,
        axis=(design.axis.tilt, design.axis.azimuth),
        light=light,
        view=view or View(),
        centre=np.array(placement.centre_mm),
        turn=placement.turn,
        bodies=tuple(zones.bodies()),
        blank=zones.blank(),
        plain=medium_of(material, eye),
        zoned=medium_of(material, eye, zones=parts),
    )


def facts(subject: Subject, setting: Setting) -> dict[str, Any]:
    """All that decides the numbers of a candidate, for the fingerprint of a table of them."""
    blank = subject.blank.planes.tobytes() if subject.blank else b""
    shapes = [b.planes if b.ellipsoid is None else b.ellipsoid for b, _ in subject.bodies]
    media = (subject.plain, subject.zoned)
    return {
        "study": "orient",
        "version": facetrace.__version__,
        "design": subject.design.model_dump(mode="json", exclude={"name", "notes"}),
        "density": subject.density,
        "axis": subject.axis,
        "light": subject.light.row.tobytes(),
        "view": vars(subject.view),
        "centre": subject.centre.tobytes(),
        "turn": subject.turn,
        "bodies": [shape.tobytes() for shape in shapes],
        "zones": [number for _, number in subject.bodies],
        "blank": blank,
        "media": media_facts(media),
        "setting": vars(setting),
    }


# ---- candidates -------------------------------------------------------------------------------


def candidates(
    tilts: Sequence[float], directions: int, shifts: Sequence[float], shift_directions: int
) -> list[Candidate]:
    """The base and every tilt with every shift, in rings: directions from the stone's length on."""
    turned = _around(tilts, directions)
    found = [
        Candidate(tilt, azimuth, *_along_across(shift, towards))
        for tilt, azimuth in turned
        for shift, towards in _around(shifts, shift_directions)
    ]
    return list(dict.fromkeys([BASE, *found]))


def _around(sizes: Sequence[float], count: int) -> list[tuple[float, float]]:
    """(size, azimuth) for each; 0 has no direction."""
    return [(float(size), 360.0 * k / count) for size in sizes for k in range(count if size else 1)]


def _along_across(size: float, azimuth: float) -> tuple[float, float]:
    x, y, _ = size * direction(90.0, azimuth)
    # 4 % at 90 degrees is (0, 4) and not (2e-16, 4)
    return round(float(x), 9) + 0.0, round(float(y), 9) + 0.0


@dataclass(frozen=True)
class Cut:
    """A candidate in the rough: its solid at size, and where it lies.

    turn (3, 3), shift (3,): a point r of the stone lies at ``shift + turn @ r`` in the rough.
    """

    solid: Solid
    turn: Floats
    shift: Floats
    scale: float

    @property
    def axis(self) -> tuple[float, float]:
        """Tilt and azimuth of c in the stone, degrees."""
        c = self.turn[2]
        tilt = math.degrees(math.atan2(math.hypot(c[0], c[1]), c[2]))
        return tilt, math.degrees(math.atan2(c[1], c[0])) if tilt else 0.0


def culet_of(design: Design, candidate: Candidate) -> tuple[float, float]:
    """Where a candidate's culet lies along and across, % of the width: the design's own shift and the candidate's."""
    own = parameters(design)
    along, across = (own.get(f"{SHIFT}[{place}]", 0.0) for place in (0, 1))
    return along + candidate.along, across + candidate.across


def shifted(design: Design, candidate: Candidate) -> Solid:
    """The solid with its culet shifted. Raises FacetraceError where the design does not allow it."""
    if candidate.shift:
        for place, value in enumerate(culet_of(design, candidate)):
            design = with_value(design, f"{SHIFT}[{place}]", value)
    return build_solid(design)


def turn_of(subject: Subject, candidate: Candidate) -> Floats:
    """Rotation (3, 3) from the candidate's frame to the rough's.

    The crystal is turned by *turn* about c, c points as the base stone's axis says, and the table
    tilts the short way.
    """
    a = math.radians(-subject.turn)
    about = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])
    return np.asarray(about @ rocking(*subject.axis).T @ rocking(candidate.tilt, candidate.azimuth))


def cut_of(subject: Subject, candidate: Candidate) -> Cut:
    """A candidate's place, and its size in the blank where there is one."""
    solid = shifted(subject.design, candidate)
    turn = turn_of(subject, candidate)
    if subject.blank is None:
        return Cut(solid, turn, subject.centre, 1.0)
    found = largest_copy(solid.vertices, turn, subject.blank, subject.centre)
    return Cut(solid.scaled(found.scale), turn, found.shift, found.scale)


def scenes(subject: Subject, cut: Cut) -> tuple[Scene, Scene]:
    """The stone without and with its zones."""
    bodies = [(body.seen_from(cut.turn, cut.shift), number) for body, number in subject.bodies]
    view = (cut.axis, subject.light, subject.view)
    plain = scene_of(cut.solid, subject.plain, *view)
    return plain, scene_of(cut.solid, subject.zoned, *view, bodies=bodies)


@dataclass(frozen=True)
class Place:
    """Where a candidate lies: length, width, depth and origin in the rough, mm; each zone's share of its volume."""

    size_mm: tuple[float, float, float]
    origin_mm: tuple[float, float, float]
    shares: tuple[float, ...]


def place_of(subject: Subject, candidate: Candidate) -> Place:
    """A candidate's size and place, and what the zones take of it."""
    cut = cut_of(subject, candidate)
    x, y, depth = map(float, np.ptp(cut.solid.vertices, axis=0))
    shares = [0.0] * (1 + max(which for _, which in subject.bodies))
    for body, which in subject.bodies:
        seen = body.seen_from(cut.turn, cut.shift)
        shared = sum(shared_volume(Body(part.planes), seen) for part in cut.solid.parts)
        shares[which] += shared / cut.solid.volume
    a, b, c = map(float, cut.shift)
    taken = tuple(min(share, 1.0) for share in shares)
    return Place((max(x, y), min(x, y), depth), (a, b, c), taken)


# ---- looking at one ---------------------------------------------------------------------------


def whole_mm(*scenes: Scene) -> float:
    """Width of a picture that shows all of the stone in each scene, mm."""
    return max((1 + MARGIN) * float(np.ptp(scene.outline, axis=0).max()) for scene in scenes)


def grid_of(scene: Scene, pixel_mm: float) -> tuple[int, float]:
    """(pixels along a side, width in mm) of the picture that is compared."""
    whole = whole_mm(scene)
    size = math.ceil(whole / pixel_mm)
    if FEWEST <= size <= MOST:
        return size, size * pixel_mm
    return min(max(size, FEWEST), MOST), whole


@dataclass(frozen=True)
class Look:
    """One candidate's pictures: (REPLICATES, 2, height, width, columns), plain and with the zone."""

    cut: Cut
    plain: Scene
    zoned: Scene
    parts: Floats
    step_mm: float


def look_at(subject: Subject, candidate: Candidate, setting: Setting) -> Look:
    """Trace a candidate with and without its zones."""
    return look_at_cut(subject, cut_of(subject, candidate), setting)


def look_at_cut(subject: Subject, cut: Cut, setting: Setting) -> Look:
    """Trace a stone that lies somewhere in the rough, with and without its zones."""
    plain, zoned = scenes(subject, cut)
    size, width = grid_of(plain, setting.pixel_mm)
    floor = roulette_floor(plain, setting.seed)
    parts = []
    for k in range(REPLICATES):
        seed = int(np.random.SeedSequence([setting.seed, k]).generate_state(1)[0])
        parts.append([
            trace_pixels(
                scene, size, setting.samples, seed, width_mm=width, floor=floor
            ).sums
            for scene in (plain, zoned)
        ])  # fmt: skip
    return Look(cut, plain, zoned, np.array(parts), width / size)


def apart(look: Look, sums: Floats) -> tuple[Floats, Floats]:
    """(CIEDE2000 per pixel with 0 off the stone, coverage) of sums (2, height, width, columns)."""
    before, after = (
        face_maps(Pixels(part, look.step_mm, 1), scene)
        for part, scene in zip(sums, (look.plain, look.zoned), strict=True)
    )
    gap = pixel_differences(before.xyz, after.xyz, look.plain.medium.white)
    return np.nan_to_num(gap), before.coverage


def portraits(
    subject: Subject, wanted: Sequence[tuple[Candidate, bool]], size: int, seed: int
) -> list[FaceMaps]:
    """Fine pictures of candidates, each with its zones or without, all at one scale."""
    shown = []
    for candidate, zoned in wanted:
        plain, with_zones = scenes(subject, cut_of(subject, candidate))
        shown.append(with_zones if zoned else plain)
    width = whole_mm(*shown)
    found = []
    for scene in shown:
        pixels = trace_pixels(scene, size, PORTRAIT_SAMPLES, seed, width_mm=width, picture=True)
        found.append(face_maps(pixels, scene))
    return found


def _within(sums: Floats, scene: Scene) -> Floats:
    """Mean XYZ from within the stone, of a picture's sums."""
    return np.asarray(xyz_of(sums.sum(axis=(0, 1))[None], scene, glare=False)[0])


def _light(sums: Floats) -> float:
    totals = sums.sum(axis=(0, 1))
    return float(totals[SUM_LIT] / totals[SUM_Y])


def _figures(look: Look, sums: Floats, threshold: float, base: Floats) -> Floats:
    """FIGURES of sums (2, height, width, columns); *base*: mean XYZ of the plain base stone."""
    gap, coverage = apart(look, sums)
    white = look.plain.medium.white
    mean = lch_of(_within(sums[1], look.zoned), white)
    change = delta_e_2000(lch_of(_within(sums[0], look.plain), white), lch_of(base, white))
    return np.array([
        float(coverage[gap > threshold].sum() / coverage.sum()),
        float(gap[coverage >= FILLED].max()),
        mean.lightness, mean.chroma, mean.hue_deg,
        change,
        _light(sums[1]), _light(sums[1]) - _light(sums[0]),
    ])  # fmt: skip


def _left_out(parts: Floats) -> Iterator[Floats]:
    total = parts.sum(axis=0)
    for part in parts:
        yield total - part


def row_of(candidate: Candidate, look: Look, base: Look, setting: Setting, density: float) -> Row:
    """All figures of a candidate; a row of the table. *base*: the look at BASE with the same setting."""
    value = _figures(
        look, look.parts.sum(axis=0), setting.threshold,
        _within(base.parts.sum(axis=0)[0], base.plain),
    )  # fmt: skip
    others = np.array([
        _figures(look, part, setting.threshold, _within(of_base[0], base.plain))
        for part, of_base in zip(_left_out(look.parts), _left_out(base.parts), strict=True)
    ])  # fmt: skip
    off = others - value
    hue = FIGURES.index("hue_deg")
    off[:, hue] = (off[:, hue] + 180) % 360 - 180
    spread = off - off.mean(axis=0)
    error = np.sqrt((REPLICATES - 1) / REPLICATES * np.sum(spread**2, axis=0))
    row: Row = dict(zip(KEY, candidate.key, strict=True))
    for name, v, e in zip(FIGURES, value, error, strict=True):
        row[name], row[f"{name}_stderr"] = float(v), float(e)
    cut = look.cut
    row["carats"] = carats_at(cut.solid.volume, density)
    row["scale"] = cut.scale
    row |= dict(zip(("x_mm", "y_mm", "z_mm"), map(float, cut.shift), strict=True))
    row["axis_tilt"], row["axis_azimuth"] = cut.axis
    row["pixel_mm"] = look.step_mm
    row["remark"] = None
    return row


def sweep(
    subject: Subject, wanted: Sequence[Candidate], setting: Setting, done: Mapping[Key, Row]
) -> Iterator[Row]:
    """The row of each candidate, one by one in their order; those in *done* come from there.

    A row depends on its candidate and the setting alone, never on what was done before. Raises
    FacetraceError where the design itself cannot be cut; a candidate that cannot has a remark and no figures.
    """
    base: Look | None = None
    for candidate in wanted:
        if candidate.key in done:
            yield done[candidate.key]
            continue
        base = base or look_at(subject, BASE, setting)
        try:
            look = base if candidate == BASE else look_at(subject, candidate, setting)
        except FacetraceError as problem:
            key = dict(zip(KEY, candidate.key, strict=True))
            yield dict.fromkeys(COLUMNS) | key | {"remark": f"cannot be cut: {problem}"}
            continue
        yield row_of(candidate, look, base, setting, subject.density)


# ---- what to do -------------------------------------------------------------------------------


def estimate(row: Mapping[str, Cell], name: str) -> Estimate:
    """A figure with its standard error, which rests on REPLICATES - 1 degrees of freedom."""
    return Estimate(number(row, name), number(row, f"{name}_stderr"), REPLICATES - 1)


def candidate_of(row: Mapping[str, Cell]) -> Candidate:
    """The candidate of a row."""
    return Candidate(*(number(row, name) for name in KEY))


def made(rows: Sequence[Row]) -> list[Row]:
    """Those that can be cut, and so have figures."""
    return [row for row in rows if row["share"] is not None]


def hidden(row: Mapping[str, Cell], allow: float) -> bool:
    """Whether the zone hides: its share of the face is at most *allow*, or known that well and not told from 0."""
    share = estimate(row, "share")
    unsure = share.value <= SURE_ERRORS * share.stderr and share.stderr <= allow
    return share.value <= allow or unsure


def advice(rows: Sequence[Row], allow: float) -> tuple[Row | None, Row]:
    """(the hidden candidate of least cost, None without one; the candidate that shows least).

    Ties go to the heavier stone, then to the one that shows less. Candidates that cannot be cut are left out.
    """

    def visible(row: Row) -> tuple[float, float]:
        return number(row, "share"), number(row, "most")

    def cheap(row: Row) -> tuple[float, ...]:
        # what the blank's walls round off is no weight
        return candidate_of(row).cost, -round(number(row, "carats"), 4), *visible(row)

    rows = made(rows)
    found = [row for row in rows if hidden(row, allow)]
    least = min(rows, key=lambda row: (*visible(row), *cheap(row)))
    return (min(found, key=cheap) if found else None), least


def smaller_tilts(best: Candidate, grid: Sequence[Candidate]) -> list[Candidate]:
    """*best* with its table tilted less, degree by degree, down to the next smaller tilt of the grid."""
    sizes = _below(best.tilt, [c.tilt for c in grid])
    return [replace(best, tilt=size) for size in sizes]


def smaller_shifts(best: Candidate, grid: Sequence[Candidate]) -> list[Candidate]:
    """*best* with its culet shifted less, percent by percent, down to the next smaller shift of the grid."""
    sizes = _below(best.shift, [c.shift for c in grid])
    return [
        replace(best, **{k: round(getattr(best, k) * size / best.shift, 9) + 0.0 for k in KEY[2:]})
        for size in sizes
    ]


def _below(size: float, tried: Sequence[float]) -> list[float]:
    """size - 1, size - 2 ..., as far as they are larger than the largest smaller one that was tried."""
    last = max((t for t in tried if t < size), default=0.0)
    steps = np.arange(size - FINER, last, -FINER)
    return [round(float(step), 6) for step in steps if step > last + 1e-6]
