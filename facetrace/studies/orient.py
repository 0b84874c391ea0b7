"""Which way a stone faces in a zoned rough: the smallest table tilt and culet shift that hide its zones.

A grid of tilts and shifts is tried first; then, towards the candidate of it that hides at the least cost, smaller
tilts, and at what that gave smaller shifts.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from facetrace.common.cluster_task import Shared
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import CellReader, Key, Ledger, Row
from facetrace.design.model import Design
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.rough.zone import ZoneFile
from facetrace.studies.rows import Keeping, fingerprint, number
from facetrace.studies.sharing import each, parts
from facetrace.studies.visibility import (
    FIGURES,
    PORTRAIT_SAMPLES,
    Look,
    VisibilityTest,
    face_pictures,
    hidden,
    look_at,
    row_of,
)
from facetrace.studies.zoned import (
    BASE,
    KEY,
    Candidate,
    Place,
    Subject,
    candidate_of,
    cut_of,
    place_of,
    scenes,
    subject_of,
)
from facetrace.trace.maps import FaceMaps
from facetrace.trace.scene import direction

NAMES = (
    *KEY, *(n for f in FIGURES for n in (f, f"{f}_stderr")),
    "carats", "scale", "x_mm", "y_mm", "z_mm", "axis_tilt", "axis_azimuth", "pixel_mm",
)  # fmt: skip
COLUMNS: dict[str, CellReader] = dict.fromkeys(NAMES, float) | {"remark": str}
MOST_CANDIDATES = 20_000
# about how long a candidate takes besides its rays
PYTHON_S = 0.06
# of what is tried between two candidates of the grid: degrees, % of the width
FINER = 1.0
# a scale that rounding alone keeps from 1
SAME_SIZE = 1e-6


@dataclass(frozen=True)
class Grid:
    """What is tried first: table tilts, degrees, and culet shifts, % of the width, each in so many directions."""

    tilts: Sequence[float] = (0.0, 5.0, 10.0, 15.0)
    directions: int = 8
    shifts: Sequence[float] = (0.0, 4.0, 8.0)
    shift_directions: int = 4


@dataclass(frozen=True)
class Portrait:
    """A stone of the comparison, face up: its row, whether its zones are in it, and its maps."""

    row: Row
    zoned: bool
    maps: FaceMaps


@dataclass(frozen=True)
class OrientStudy:
    """A whole study of an orientation and what it advises.

    rows: of all candidates, the first *tried* of which are the grid; base: the stone as designed, or untilted in its blank;
    coarse: the shown one of the grid alone; best: the hidden one of least cost, None without one; least: the one
    that shows least; places: of the base and of the shown candidate; portraits: before, after, and after without its zones.
    """

    material: Material
    zones: ZoneFile
    subject: Subject
    test: VisibilityTest
    allow: float
    rows: list[Row]
    tried: int
    base: Row
    coarse: Row
    best: Row | None
    least: Row
    places: tuple[Place, Place]
    portraits: tuple[Portrait, ...] = ()

    @property
    def title(self) -> str:
        """Design and zones."""
        return f"{self.subject.design.name}: {self.zones.model.name}"

    @property
    def shown(self) -> Row:
        """The recommended candidate; without one, the least visible."""
        return self.best or self.least

    @property
    def untouched(self) -> bool:
        """Whether no zone reaches into the untilted stone."""
        return not any(self.places[0].shares)

    @property
    def untilted(self) -> str:
        """What the base is called: a blank may change its size."""
        same = abs(number(self.base, "scale") - 1) < SAME_SIZE
        return "as designed" if same else "untilted"


def study_orientation(
    design: Design, material: Material, zones: ZoneFile, light: Light, grid: Grid | None = None,
    test: VisibilityTest | None = None, *, allow: float = 0.01, picture_px: int | None = None,
    keeping: Keeping | None = None,
) -> OrientStudy:  # fmt: skip
    """Find the smallest table tilt and culet shift that hide the zones face up.

    Raises FileError for a zone that the stone cannot have, FacetraceError where there are too many candidates or the
    design itself cannot be cut.

    Parameters
    ----------
    grid : tilts and shifts to try; shifts only where the design's culet can be shifted.
    test : from which difference on a zone shows, and how finely that is looked for.
    allow : share of the face (0 to 1) up to which a zone counts as hidden.
    picture_px : pixels along a side of the portraits; by default none are traced.
    keeping : the table that rows go to, and who is told how far it is.
    """
    test, keeping = test or VisibilityTest(), keeping or Keeping()
    subject = subject_of(design, material, zones, light, observer())
    wanted = _wanted(subject, grid or Grid())
    touched = any(place_of(subject, BASE).shares)
    with keeping.table(
        _fingerprint(subject, test), COLUMNS, KEY, f"orient, {design.name}", list(COLUMNS)[:-1]
    ) as ledger:  # fmt: skip
        rows = _tried(subject, wanted, test, ledger, keeping, "candidates")
        coarse = advice(rows, allow)
        # first less tilt, then less shift at what that gave
        for smaller in (smaller_tilts, smaller_shifts):
            best, _ = advice(rows, allow)
            finer = smaller(candidate_of(best), wanted) if best and touched else []
            finer = [c for c in finer if c not in wanted]
            if finer:
                rows += _tried(subject, finer, test, ledger, keeping, "smaller changes")
        base = ledger.rows[BASE.key]
        best, least = advice(rows, allow)
        if not touched:
            # a zone put in the wrong place is no stone to go ahead with
            best = None
        before, after = (place_of(subject, candidate_of(row)) for row in (base, best or least))
        study = OrientStudy(
            material, zones, subject, test, allow, rows, len(wanted), base, coarse[0] or coarse[1],
            best, least, (before, after),
        )  # fmt: skip
        if picture_px:
            with keeping.progress("pictures"):
                study = replace(study, portraits=_portraits(study, picture_px))
        return study


def _wanted(subject: Subject, grid: Grid) -> list[Candidate]:
    shifts = grid.shifts if subject.shiftable else [0.0]
    wanted = candidates(grid.tilts, grid.directions, shifts, grid.shift_directions)
    if len(wanted) > MOST_CANDIDATES:
        raise FacetraceError(
            f"{len(wanted)} candidates are more than {MOST_CANDIDATES}; give fewer tilts, shifts or directions"
        )
    return wanted


def _tried(
    subject: Subject, wanted: Sequence[Candidate], test: VisibilityTest, ledger: Ledger, keeping: Keeping, what: str
) -> list[Row]:  # fmt: skip
    work = sweep(subject, wanted, test, ledger.rows)
    return keeping.filled(ledger, [c.key for c in wanted], work, what)


def _portraits(study: OrientStudy, size: int) -> tuple[Portrait, ...]:
    """Before and after with their zones, and after without them, at one scale."""
    rows = [(study.base, True), (study.shown, True), (study.shown, False)]
    if candidate_of(study.shown) == BASE:
        del rows[1]
    shown = [
        scenes(study.subject, cut_of(study.subject, candidate_of(row)))[zoned]
        for row, zoned in rows
    ]
    maps = face_pictures(shown, size, PORTRAIT_SAMPLES, study.test.seed)
    return tuple(Portrait(row, zoned, of) for (row, zoned), of in zip(rows, maps, strict=True))


def _fingerprint(subject: Subject, test: VisibilityTest) -> str:
    """Of all that decides the numbers of a candidate."""
    shapes = [b.planes if b.ellipsoid is None else b.ellipsoid for b, _ in subject.bodies]
    return fingerprint(
        "orient", subject.design, subject.density, (subject.plain, subject.zoned), subject.light,
        axis=subject.axis, view=vars(subject.view), centre=subject.centre.tobytes(), turn=subject.turn,
        bodies=[shape.tobytes() for shape in shapes], zones=[number for _, number in subject.bodies],
        blank=subject.blank.planes.tobytes() if subject.blank else b"", setting=vars(test),
    )  # fmt: skip


def candidates(
    tilts: Sequence[float], directions: int, shifts: Sequence[float], shift_directions: int
) -> list[Candidate]:
    """The base and every tilt with every shift, in rings: directions from the stone's length on."""
    turned = _around(tilts, directions)
    grid = [
        Candidate(tilt, azimuth, *_along_across(shift, towards))
        for tilt, azimuth in turned
        for shift, towards in _around(shifts, shift_directions)
    ]
    return list(dict.fromkeys([BASE, *grid]))


def _around(sizes: Sequence[float], count: int) -> list[tuple[float, float]]:
    """(size, azimuth) for each; 0 has no direction."""
    return [(float(size), 360.0 * k / count) for size in sizes for k in range(count if size else 1)]


def _along_across(size: float, azimuth: float) -> tuple[float, float]:
    x, y, _ = size * direction(90.0, azimuth)
    # 4 % at 90 degrees is (0, 4) and not (2e-16, 4)
    return round(float(x), 9) + 0.0, round(float(y), 9) + 0.0


def sweep(
    subject: Subject, wanted: Sequence[Candidate], test: VisibilityTest, done: Mapping[Key, Row]
) -> Iterator[Row]:
    """The row of each candidate, one by one in their order; those in *done* come from there.

    A row depends on its candidate and the test alone, never on what was done before. Raises
    FacetraceError where the design itself cannot be cut; a candidate that cannot has a remark and no figures.
    """
    shared = Shared(_Compared(subject, test))
    missing = [c for c in wanted if c.key not in done]
    jobs = [(shared, part) for part in parts(missing)]
    made = itertools.chain.from_iterable(each(rows_of, jobs, PYTHON_S * len(missing)))
    for candidate in wanted:
        yield done[candidate.key] if candidate.key in done else next(made)


@dataclass(frozen=True)
class _Compared:
    """What all candidates share: each is compared with the base."""

    subject: Subject
    test: VisibilityTest

    @cached_property
    def base(self) -> Look:
        """The base, looked at once. Raises FacetraceError where the design itself cannot be cut."""
        return look_at(self.subject, BASE, self.test)


def rows_of(job: tuple[Shared[_Compared], Sequence[Candidate]]) -> list[Row]:
    """Rows of some candidates."""
    shared, wanted = job
    return [_row_of(shared.value, candidate) for candidate in wanted]


def _row_of(shared: _Compared, candidate: Candidate) -> Row:
    base = shared.base
    try:
        look = base if candidate == BASE else look_at(shared.subject, candidate, shared.test)
    except FacetraceError as problem:
        key = dict(zip(KEY, candidate.key, strict=True))
        return dict.fromkeys(COLUMNS) | key | {"remark": f"cannot be cut: {problem}"}
    return row_of(candidate, look, base, shared.test, shared.subject.density)


def that_can_be_cut(rows: Sequence[Row]) -> list[Row]:
    """Those that can be cut, and so have figures."""
    return [row for row in rows if row["share"] is not None]


def advice(rows: Sequence[Row], allow: float) -> tuple[Row | None, Row]:
    """(the hidden candidate of least cost, None without one; the candidate that shows least).

    Ties go to the heavier stone, then to the one that shows less. Candidates that cannot be cut are left out.
    """

    def visible(row: Row) -> tuple[float, float]:
        return number(row, "share"), number(row, "most")

    def cheap(row: Row) -> tuple[float, ...]:
        # what the blank's walls round off is no weight
        return candidate_of(row).cost, -round(number(row, "carats"), 4), *visible(row)

    rows = that_can_be_cut(rows)
    hiding = [row for row in rows if hidden(row, allow)]
    least = min(rows, key=lambda row: (*visible(row), *cheap(row)))
    return (min(hiding, key=cheap) if hiding else None), least


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
