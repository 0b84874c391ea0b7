"""Plans for a rough: for each design the largest stone, where it lies, and how it looks.

Frame of the rough: c along +z (``optics.rough``). The placement says how c lies in the stone; a
design's own [axis] and material count for nothing here. Each design gives two rows: the heaviest
stone that ``placement.search`` finds, with what ``placement.bound`` proves that none can exceed, and, where
the rough has zones to hide, the heaviest of those found whose zones do not show (``studies.visibility``).

The range of the weight is that of the scan's error: the same stone climbed again with its skin and all margins
wider by the error, and narrower (none below 0). A stone that fits the wider ones fits the others, so low <= carats <= high.
"""

import itertools
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

import facetrace
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Cell, Key, Row, fingerprint_of
from facetrace.common.workers import Workers
from facetrace.design.model import Design
from facetrace.design.vary import with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.placement.bound import bounded
from facetrace.placement.search import (
    FULL,
    QUICK,
    Effort,
    Prepared,
    Watch,
    largest,
    prepared,
    reclimbed,
    walled,
)
from facetrace.placement.shapes import (
    CROWN,
    UNDER_TABLE,
    WHOLE,
    Copy,
    Facing,
    Obstacle,
    Space,
    Stone,
    stone_of,
)
from facetrace.rough.rough import Rough
from facetrace.solid.build import build_solid
from facetrace.solid.measure import carats_at
from facetrace.solid.polyhedron import Solid
from facetrace.studies import value, visibility, zoned
from facetrace.studies.rows import cells, number
from facetrace.studies.sweep import Range
from facetrace.trace.faceup import Estimate, trace_face_up
from facetrace.trace.scene import View, medium_of, scene_of

Floats = NDArray[np.float64]

HEAVIEST, HIDDEN = "heaviest", "zone hidden"
KEY = ("mark", "kind")
TURN = [f"turn_{a}{b}" for a in "xyz" for b in "xyz"]
SHIFT = ["shift_x_mm", "shift_y_mm", "shift_z_mm"]
LOOKS = ("light_return", "window", "extinction", "brightness")
COLOUR = ("lightness", "chroma", "hue_deg")
FIGURES = (*LOOKS, *COLOUR, "zone")
SIZES = ("low_carats", "carats", "high_carats", "most_carats", "scale")
COLUMNS: dict[str, Callable[[str], Cell]] = (
    {"mark": str, "rough": str, "design": str, "kind": str, "outline": str, "changed": str}
    | dict.fromkeys((*SIZES, *TURN, *SHIFT, "length_mm", "width_mm", "depth_mm"), float)
    | dict.fromkeys([n for f in FIGURES for n in (f, f"{f}_stderr")], float)
    | {"low_place": str, "high_place": str, "variations": int, "cells": int, "remark": str}
)
# a zone that reaches nowhere into the stone is not traced
NO_ZONE = Estimate(0.0, 0.0)
# so many stones are looked at until one hides its zones
MOST_LOOKS = 16
MOST_VARIATIONS = 400
# a bound's first cells are shared out: numbers do not depend on how many processes there are
SHARES = 2
LEAST_CELLS = 200
# searches beside the main one: without a defect, in another direction
ASIDE = Effort(1500, 24, (7, 2), (20, 10))
# a search that tells how long one takes, and how many times so long a row takes (measured)
TASTE, TASTES = Effort(100, 6, (0, 0), (0, 0)), 40
# the least that compiles all of it
FIRST = Effort(24, 1, (0, 0), (0, 0))
# of the rough's weight: a stone that keeps less is little
LITTLE = 0.05
# remarks of rows whose work was stopped, and of designs that nothing was found of
STOPPED, NONE_FOUND = "stopped early", "the search found no stone of it"


@dataclass(frozen=True)
class Setting:
    """What all plans share.

    facing: where the table may face; within, most_cells: see ``bound.bounded``; rays of the figures;
    threshold, pixel_mm, samples: see ``visibility.VisibilityTest``; allow: share of the face up to which a
    zone counts as hidden.
    """

    facing: Facing
    light: Light
    within: float = 0.005
    most_cells: int = 1500
    rays: int = 1 << 16
    threshold: float = 2.0
    allow: float = 0.01
    pixel_mm: float = 0.15
    samples: int = 8
    seed: int = 1

    @property
    def looks(self) -> visibility.VisibilityTest:
        """How zones are looked at."""
        return visibility.VisibilityTest(self.threshold, self.pixel_mm, self.samples, self.seed)

    @property
    def facts(self) -> dict[str, Any]:
        """All that decides the numbers, for fingerprints."""
        return vars(self) | {
            "facing": vars(self.facing),
            "light": self.light.row.tobytes(),
            "version": facetrace.__version__,
        }


@dataclass(frozen=True)
class Outline:
    """A design to be tried, and the ranges in which its numbers may flex."""

    design: Design
    ranges: tuple[Range, ...] = ()

    @property
    def shape(self) -> str:
        """Its outline's shape; designs in tiers have none."""
        return self.design.outline.shape if self.design.outline else "tiers"

    def variations(self) -> list[tuple[str, Solid]]:
        """(what is changed, solid) of the design as it stands and of each combination that can be cut.

        Raises FacetraceError where the design itself cannot be cut, and for too many.
        """
        count = math.prod(len(r.values) for r in self.ranges)
        if count > MOST_VARIATIONS:
            raise FacetraceError(
                f"{count:,} variations of {self.design.name}; at most {MOST_VARIATIONS} at once"
            )
        found = [("", build_solid(self.design))]
        if not self.ranges:
            return found
        for values in itertools.product(*(r.values for r in self.ranges)):
            changed = {r.name: v for r, v in zip(self.ranges, values, strict=True)}
            try:
                found.append((_words(changed), build_solid(_changed(self.design, changed))))
            except FacetraceError:
                continue
        return found

    def solid(self, changed: str) -> Solid:
        """The solid of a variation, by what is changed."""
        pairs = (word.split("=") for word in changed.split("; ") if word)
        return build_solid(_changed(self.design, {name: float(v) for name, v in pairs}))


def _words(changed: Mapping[str, float]) -> str:
    return "; ".join(f"{name}={value!r}" for name, value in changed.items())


def _changed(design: Design, changed: Mapping[str, float]) -> Design:
    for name, wanted in changed.items():
        design = with_value(design, name, wanted)
    return design


# ---- what is kept off -------------------------------------------------------------------------


@dataclass(frozen=True)
class Room:
    """A rough as the search sees it."""

    rough: Rough

    def space(self, *, without: Sequence[str] = (), cut: Sequence[str] = ()) -> Space:
        """Its surface and defects; *without* some defects, others *cut* away whatever was wished."""
        rough = self.rough
        bodies: list[Obstacle] = []
        for defect in rough.defects:
            if defect.name not in without:
                wish = "cut away" if defect.name in cut else defect.wish
                bodies += [
                    Obstacle(
                        defect.name, defect.whole, part, defect.margin_mm, inside, defect.within
                    )
                    for part, inside in _PARTS[wish]
                ]
        return Space(rough.mesh.vertices, rough.mesh.faces, tuple(bodies), rough.loss.skin_mm)

    @cached_property
    def ready(self) -> Prepared:
        """Its space, made ready once for all designs."""
        return prepared(self.space())

    @cached_property
    def aside(self) -> Prepared:
        """The same with all zones that must not show cut away."""
        return prepared(self.space(cut=self.to_hide))

    @property
    def kept_off(self) -> list[str]:
        """Names of defects that the stone must keep off."""
        return list(dict.fromkeys(d.name for d in self.rough.defects if _PARTS[d.wish]))

    @property
    def to_hide(self) -> list[str]:
        """Names of zones that must not show."""
        return list(dict.fromkeys(d.name for d in self.rough.defects if d.wish == "hide"))

    @property
    def carats(self) -> float:
        """What the rough weighs: by the balance, unless that is in doubt."""
        return self.rough.carats_to_go_by


_PARTS: dict[str, list[tuple[int, bool]]] = {
    "cut away": [(WHOLE, False)],
    "inside": [(WHOLE, True)],
    # below the girdle, and off what lies under the table
    "under girdle": [(CROWN, False), (UNDER_TABLE, False)],
    "anywhere": [],
    "hide": [],
}


# ---- the search -------------------------------------------------------------------------------


@dataclass
class Run:
    """How the work is to be done: threads and processes, a time (``time.time``) to end by, whether it was stopped, progress."""

    workers: Workers
    until: float | None = None
    stopped: Callable[[], bool] = lambda: False
    report: Callable[[float], None] = lambda _: None
    # the row that is worked on, and how many there are
    done: int = 0
    of: int = 1
    # rows of other roughs that need their time, too
    more: int = 0
    late: bool = field(default=False)
    # whether some work on the row had to end before it was done
    short: bool = field(default=False)

    def over(self) -> bool:
        """Whether to end with what there is."""
        self.late = (
            self.late or self.stopped() or (self.until is not None and time.time() > self.until)
        )
        return self.late

    def end(self, share: float) -> float | None:
        """The time by which that *share* of the work on a row is to end: the rows that are left have equal parts."""
        now = time.time()
        return (
            None
            if self.until is None
            else now + share * (self.until - now) / max(1, self.of - self.done + self.more)
        )

    def watch(self, share: float = 0.0) -> Watch:
        """For one search, which takes that *share* of the work on its row; 0: which may take all the time that is left."""
        end = self.end(share) if share else None

        def over() -> bool:
            ended = self.over() or (end is not None and time.time() > end)
            self.short = self.short or ended
            return ended

        return Watch(lambda done: self.report((self.done + share * done) / self.of), over)


@dataclass(frozen=True)
class Sized:
    """A copy with those that it comes to if the scan is off, inward and outward."""

    copy: Copy
    low: Copy
    high: Copy


def searched(
    ready: Prepared, stones: Sequence[Stone], setting: Setting, run: Run, starts: Sequence[Copy] = (),
    *, effort: Effort = FULL, many: int = 1,
) -> tuple[int, list[Copy]]:  # fmt: skip
    """(number of the stone that comes out largest, its copies, the largest first).

    *starts*: copies of the first stone to climb from as well; many: how many copies are wanted, elsewhere in the rough.
    """
    watch, begun_late = run.watch(0.6), run.over()

    def tried(stone: Stone, how: Effort, begin: Sequence[Copy]) -> list[Copy]:
        return largest(
            stone, ready, setting.facing, effort=how, starts=begin, threads=run.workers.count,
            watch=watch, last=many,
        )  # fmt: skip

    which, found = 0, tried(stones[0], effort, starts)
    if run.short and not begun_late:
        # something is better than nothing, and takes a fraction of a second
        some = largest(
            stones[0], ready, setting.facing, effort=TASTE, starts=starts, threads=run.workers.count
        )
        found = sorted([*found, *some], key=lambda c: -c.volume)
    for k, stone in enumerate(stones[1:], start=1):
        if run.short:
            break
        other = tried(stone, QUICK, found[:1])
        if other and (not found or other[0].volume > found[0].volume):
            which, found = k, other
    if which and not run.short:
        found = sorted([*found, *tried(stones[which], effort, found[:1])], key=lambda c: -c.volume)
    return which, found


def sized_of(stone: Stone, ready: Prepared, facing: Facing, copy: Copy, scan_mm: float) -> Sized:
    """A copy with its range. The copy may come out larger: one that fits wider margins fits these, too."""
    nothing = Copy(0.0, copy.rotation, copy.shift, 0.0)
    low = reclimbed(stone, ready, facing, copy, ready.space.loosened(-scan_mm)) or nothing
    if low.volume > copy.volume:
        copy = low
    high = reclimbed(stone, ready, facing, copy, ready.space.loosened(scan_mm))
    return Sized(copy, low, high if high and high.volume > copy.volume else copy)


def seconds_for(room: Room, tasks: "Sequence[Task]", run: Run) -> float:
    """About how long all plans take: a climb of the first design's first starts is timed, once its code is compiled."""
    ready = room.ready
    stone = stone_of(tasks[0].outline.solid(""))
    largest(stone, ready, Facing(), effort=FIRST, threads=run.workers.count)
    started = time.perf_counter()
    largest(stone, ready, Facing(), effort=TASTE, threads=run.workers.count)
    taste = time.perf_counter() - started
    searches = sum(1 + math.prod(len(r.values) for r in t.outline.ranges) * 0.2 for t in tasks)
    return TASTES * taste * searches


# ---- what none can exceed ---------------------------------------------------------------------


@dataclass(frozen=True)
class _Proof:
    stone: Stone
    space: Space
    facing: Facing
    have_mm3: float
    within: float
    most_cells: int
    part: tuple[int, int]
    until: float | None


def _proof(job: _Proof) -> tuple[float, int]:
    found = bounded(
        job.stone, job.space, job.facing, job.have_mm3, within=job.within, most_cells=job.most_cells,
        part=job.part, until=job.until,
    )  # fmt: skip
    return found.most_mm3, found.cells


def proven(
    space: Space, stones: Sequence[Stone], setting: Setting, have_mm3: float, run: Run
) -> tuple[float, int] | None:
    """(volume that no copy of any stone exceeds, cells), None where the work was stopped before."""
    until = run.end(1.0)
    cells_each = (
        max(LEAST_CELLS, setting.most_cells // len(stones)) // SHARES if setting.most_cells else 0
    )
    jobs = [
        _Proof(stone, space, setting.facing, have_mm3, setting.within, cells_each, (k, SHARES), until)
        for stone in stones
        for k in range(SHARES)
    ]  # fmt: skip
    found = []
    for k, each in enumerate(run.workers.each(_proof, jobs, run.stopped)):
        found.append(each)
        run.report((run.done + 0.6 + 0.3 * (k + 1) / len(jobs)) / run.of)
    run.short = run.short or run.over() or (until is not None and time.time() > until)
    if len(found) < len(jobs):
        return None
    return max(have_mm3, *(most for most, _ in found)), sum(count for _, count in found)


# ---- how it looks -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Eye:
    """What is needed to look at stones of one rough; subject: with its zones, None without."""

    rough: Rough
    setting: Setting
    subject: zoned.Subject | None
    plain: Any

    def figures(self, cut: zoned.Cut) -> Row:
        """FIGURES of a stone with their standard errors. Raises FileError for zones that it cannot have."""
        setting = self.setting
        if self.subject is None:
            scene = scene_of(cut.solid, self.plain, cut.axis, setting.light, View())
        else:
            _, scene = zoned.scenes(self.subject, cut)
        face = trace_face_up(scene, setting.seed, rays=setting.rays)
        row: Row = {}
        for name in LOOKS:
            row |= cells(name, face.measures[name])
        for name in COLOUR:
            row |= cells(name, getattr(face.within, name))
        return row | cells("zone", self.zone(cut))

    def zone(self, cut: zoned.Cut) -> Estimate:
        """The share of the face where zones show, with its standard error."""
        if self.subject is None:
            return NO_ZONE
        look = visibility.look_at_cut(self.subject, cut, self.setting.looks)
        row = visibility.row_of(zoned.BASE, look, look, self.setting.looks, 1.0)
        return visibility.estimate(row, "share")


def eye_of(rough: Rough, design: Design, setting: Setting) -> Eye:
    """The eye for a rough; *design* only fills a place. Raises FileError."""
    subject = None
    if rough.zones is not None:
        subject = zoned.subject_of(design, rough.material, rough.zones, setting.light, observer())
    return Eye(rough, setting, subject, medium_of(rough.material, observer()))


# ---- rows -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Task:
    """One design in one rough: two rows of the table. file: where the design was read."""

    room: Room
    label: str
    outline: Outline
    file: str = ""

    def mark(self, setting: Setting) -> str:
        """Tells its rows from those of other roughs, designs and settings."""
        rough = self.room.rough
        return fingerprint_of({
            "rough": rough.file.model.model_dump(mode="json", exclude={"name", "notes"}),
            "mesh": rough.mesh.vertices.tobytes() + rough.mesh.faces.tobytes(),
            "absorption": [a.tobytes() for a in rough.material.absorption(observer().wavelength_nm)],
            "zones": [
                [o.tobytes(), e.tobytes()] for o, e in _zone_colours(rough)
            ],
            "design": self.outline.design.model_dump(mode="json", exclude={"notes", "axis", "material"}),
            "ranges": [list(r.values) for r in self.outline.ranges],
            "names": [r.name for r in self.outline.ranges],
            "setting": setting.facts,
        })  # fmt: skip

    def keys(self, setting: Setting) -> list[Key]:
        """Keys of its rows."""
        kinds = (HEAVIEST, HIDDEN) if self.room.to_hide else (HEAVIEST,)
        return [(self.mark(setting), kind) for kind in kinds]


def _zone_colours(rough: Rough) -> list[tuple[Floats, Floats]]:
    from facetrace.rough.zone import differences

    if rough.zones is None:
        return []
    return differences(rough.zones, rough.material, observer().wavelength_nm)


def complete(row: Mapping[str, Cell]) -> bool:
    """Whether a row's work was not stopped early."""
    return not str(row["remark"] or "").startswith(STOPPED)


def sweep(
    tasks: Sequence[Task], setting: Setting, done: Mapping[Key, Row], run: Run
) -> Iterator[Row]:
    """The rows of each task in their order; those in *done* come from there.

    A row depends on its rough, design and setting alone, unless the work was stopped: then its remark says so, and
    in *done* it is where the search begins. Raises FacetraceError where a design cannot be cut, FileError for
    colours that zones cannot have.
    """
    for task in tasks:
        keys = task.keys(setting)
        known = [done[key] for key in keys if key in done]
        if len(known) == len(keys) and all(map(complete, known)):
            yield from known
        else:
            yield from _rows(task, setting, known, run)
        run.done += 1


def _rows(task: Task, setting: Setting, known: Sequence[Row], run: Run) -> Iterator[Row]:
    room = task.room
    variations = task.outline.variations()
    stones = [stone_of(solid) for _, solid in variations]
    keys = task.keys(setting)
    head: Row = dict.fromkeys(COLUMNS) | {
        "mark": keys[0][0], "rough": room.rough.name, "design": task.label,
        "outline": task.outline.shape, "variations": len(variations), "cells": 0,
    }  # fmt: skip
    starts = [
        copy_of(row, variations[0][1]) for row in known if row["carats"] and not row["changed"]
    ]
    run.short = False
    hiding = len(keys) > 1
    if setting.most_cells:
        run.workers.start()
    which, copies = searched(
        room.ready, stones, setting, run, starts, many=MOST_LOOKS if hiding else 1
    )
    if not copies:
        remark = f"{STOPPED}, before a stone was found" if run.short else NONE_FOUND
        for _, kind in keys:
            yield head | {"kind": kind, "remark": remark}
        return
    changed, solid = variations[which]
    stone = stones[which]
    best = sized_of(stone, room.ready, setting.facing, copies[0], room.rough.loss.scan_mm)
    eye = eye_of(room.rough, task.outline.design, setting)
    proof = None
    if not run.over():
        proof = proven(room.ready.space, stones, setting, best.copy.volume, run)
    # an empty text is read back as none
    head |= {"changed": changed or None}
    if proof:
        # no stone is larger than its rough
        most = min(proof[0], room.rough.volume_mm3)
        head |= {"most_carats": carats_of(room.rough, most), "cells": proof[1]}
    if run.short or proof is None:
        head["remark"] = f"{STOPPED}: the best so far"
    first = row_of(eye, solid, best, head | {"kind": HEAVIEST})
    yield first
    if hiding:
        yield _hiding(task, setting, eye, (stone, solid), copies[1:], first, run)


def _hiding(
    task: Task, setting: Setting, eye: "Eye", of: tuple[Stone, Solid], others: Sequence[Copy], first: Row, run: Run
) -> Row:  # fmt: skip
    """The heaviest stone found whose zones do not show."""
    if hides(first, setting):
        return first | {"kind": HIDDEN}
    room = task.room
    cut_away = largest(
        of[0], room.aside, setting.facing, effort=ASIDE, threads=run.workers.count, watch=run.watch(0.1)
    )  # fmt: skip
    tried = [(c, room.ready) for c in others] + [(c, room.aside) for c in cut_away[:1]]
    tried.sort(key=lambda t: -t[0].volume)
    row = _first_that_hides(tried[:MOST_LOOKS], of, setting, eye, first | {"kind": HIDDEN, "remark": None})  # fmt: skip
    if row is not None:
        return row | {"remark": f"{STOPPED}: the best so far" if run.short else None}
    empty = dict.fromkeys(COLUMNS) | {
        n: first[n] for n in ("mark", "rough", "design", "outline", "variations", "cells")
    }
    why = f"{STOPPED}: " if run.short else ""
    return empty | {"kind": HIDDEN, "remark": f"{why}none that was tried hides the zone"}


def heaviest(
    task: Task, setting: Setting, eye: "Eye", of: tuple[Stone, Solid], ready: Prepared, run: Run, head: Row,
    starts: Sequence[Copy] = (),
) -> Row | None:  # fmt: skip
    """The row of the heaviest stone that a search beside the main one finds; where zones are to be hidden, of those that hide them."""
    stone, solid = of
    hiding, scan = bool(task.room.to_hide), task.room.rough.loss.scan_mm

    def found(where: Prepared, begin: Sequence[Copy], many: int) -> list[tuple[Copy, Prepared]]:
        watch = replace(run.watch(), report=lambda _: None)
        copies = largest(
            stone, where, setting.facing, effort=ASIDE, starts=begin, threads=run.workers.count, watch=watch, last=many
        )  # fmt: skip
        return [(copy, where) for copy in copies]

    copies = found(ready, starts, MOST_LOOKS if hiding else 1)
    if not hiding:
        sized = [sized_of(stone, ready, setting.facing, copy, scan) for copy, _ in copies[:1]]
        return row_of(eye, solid, sized[0], head) if sized else None
    walls = ready.space.walls
    aside = walled(task.room.aside, walls) if walls.shape[1] else task.room.aside
    copies += found(aside, [], 1)[:1]
    return _first_that_hides(sorted(copies, key=lambda c: -c[0].volume), of, setting, eye, head)


def _first_that_hides(
    tried: Sequence[tuple[Copy, Prepared]], of: tuple[Stone, Solid], setting: Setting, eye: "Eye", head: Row
) -> Row | None:  # fmt: skip
    """The row of the first copy whose zones do not show, also once it is climbed again; None where there is none.

    Each is climbed where it was found: what keeps off the zones would grow into them elsewhere.
    """
    stone, solid = of
    for copy, where in tried:
        if hides(cells("zone", eye.zone(cut_of(solid, copy))), setting):
            sized = sized_of(stone, where, setting.facing, copy, eye.rough.loss.scan_mm)
            row = row_of(eye, solid, sized, head)
            if hides(row, setting):
                return row
    return None


def row_of(eye: "Eye", solid: Solid, sized: Sized, head: Row) -> Row:
    """The row of one stone that lies in a rough."""
    return (
        dict.fromkeys(COLUMNS)
        | head
        | _placed(eye.rough, solid, sized)
        | eye.figures(cut_of(solid, sized.copy))
    )


def hides(row: Mapping[str, Cell], setting: Setting) -> bool:
    """Whether no zone shows on a row's face, see ``visibility.hidden``."""
    share = {"share": row["zone"], "share_stderr": row["zone_stderr"]}
    return visibility.hidden(share, setting.allow)


def carats_of(rough: Rough, mm3: float) -> float:
    """Carats of a volume in a rough."""
    return carats_at(mm3, rough.density)


def _placed(rough: Rough, solid: Solid, sized: Sized) -> Row:
    copy = sized.copy
    x, y, depth = map(float, copy.scale * np.ptp(solid.vertices, axis=0))
    less, more = rough.doubt_carats
    row: Row = {
        "low_carats": carats_of(rough, sized.low.volume) * less, "carats": carats_of(rough, copy.volume),
        "high_carats": carats_of(rough, sized.high.volume) * more, "scale": copy.scale,
        "length_mm": max(x, y), "width_mm": min(x, y), "depth_mm": depth,
        "low_place": _as_cell(sized.low), "high_place": _as_cell(sized.high),
    }  # fmt: skip
    row |= dict(zip(TURN, map(float, copy.rotation.ravel()), strict=True))
    return row | dict(zip(SHIFT, map(float, copy.shift), strict=True))


def _as_cell(copy: Copy) -> str:
    """A copy's scale, turn and shift as 13 numbers in a cell."""
    return " ".join(repr(float(x)) for x in (copy.scale, *copy.rotation.ravel(), *copy.shift))


def _of_cell(cell: Cell, solid: Solid) -> Copy:
    numbers = np.array([float(x) for x in str(cell).split()])
    if numbers.shape != (13,):
        raise ValueError(cell)
    scale = float(numbers[0])
    return Copy(scale, numbers[1:10].reshape(3, 3), numbers[10:], solid.volume * scale**3)


def sized_in(row: Mapping[str, Cell], solid: Solid) -> Sized:
    """The copies that a row tells of. Raises ValueError where its cells hold none."""
    return Sized(
        copy_of(row, solid), *(_of_cell(row[n], solid) for n in ("low_place", "high_place"))
    )


def told_truly(rough: Rough, solid: Solid, sized: Sized, row: Mapping[str, Cell]) -> bool:
    """Whether a row's carats and sizes are those of its copies."""
    names = ("low_carats", "carats", "high_carats", "length_mm", "width_mm", "depth_mm")
    made_anew = _placed(rough, solid, sized)
    return all(math.isclose(number(row, n), number(made_anew, n), rel_tol=1e-9) for n in names)


def cut_of(solid: Solid, copy: Copy) -> zoned.Cut:
    """A copy as the studies of orientation see it."""
    return zoned.Cut(solid.scaled(copy.scale), copy.rotation, copy.shift, copy.scale)


def copy_of(row: Mapping[str, Cell], solid: Solid) -> Copy:
    """The copy that a row tells of."""
    turn = np.array([number(row, n) for n in TURN]).reshape(3, 3)
    scale = number(row, "scale")
    shift = np.array([number(row, n) for n in SHIFT])
    return Copy(scale, turn, shift, solid.volume * scale**3)


def gap_of(row: Mapping[str, Cell]) -> float | None:
    """By what share the best possible stone may be heavier than a row's; None where nothing is proven."""
    if row["most_carats"] is None:
        return None
    return max(0.0, number(row, "most_carats") / number(row, "carats") - 1)


def little(row: Mapping[str, Cell], room: Room) -> bool:
    """Whether a stone keeps so little that the search may have missed more."""
    return number(row, "carats") < LITTLE * room.carats


def estimate(row: Mapping[str, Cell], name: str) -> Estimate:
    """A figure of a row."""
    return Estimate(number(row, name), number(row, f"{name}_stderr"))


# ---- what defects cost ------------------------------------------------------------------------


@dataclass(frozen=True)
class Loss:
    """What some defects cost a stone: carats that the search finds more without them."""

    names: tuple[str, ...]
    carats: float


def losses(task: Task, setting: Setting, row: Mapping[str, Cell], run: Run) -> Iterator[Loss]:
    """For each defect that the stone keeps off, then for all of them where there are several."""
    room = task.room
    names: list[tuple[str, ...]] = [(name,) for name in room.kept_off]
    if len(names) > 1:
        names.append(tuple(room.kept_off))
    solid = task.outline.solid(str(row["changed"] or ""))
    stone, copy = stone_of(solid), copy_of(row, solid)
    best = copy.volume
    for some in names:
        if run.over():
            return
        free = prepared(room.space(without=some))
        found = largest(
            stone,
            free,
            setting.facing,
            effort=ASIDE,
            starts=[copy],
            threads=run.workers.count,
            watch=run.watch(),
        )
        if run.over():
            return
        more = max([c.volume for c in found], default=0.0) - best
        yield Loss(some, carats_of(room.rough, max(0.0, more)))


# ---- what it may be worth ---------------------------------------------------------------------


def priced_stone(row: Mapping[str, Cell]) -> value.Stone:
    """A row as the price files see it; colour is that from within."""
    names = {
        "light returned": "light_return", "window": "window", "zone": "zone",
        "lightness": "lightness", "chroma": "chroma", "hue": "hue_deg",
    }  # fmt: skip
    figures: dict[Any, Estimate] = {name: estimate(row, own) for name, own in names.items()}
    low, expected, high = (number(row, n) for n in ("low_carats", "carats", "high_carats"))
    return value.Stone(low, expected, high, str(row["outline"]), figures)  # type: ignore[arg-type]


def made(rows: Sequence[Row]) -> list[Row]:
    """The plans that there are, heaviest first; a stone that hides its zones anyway counts once."""
    found: list[Row] = []
    for row in rows:
        same = [r for r in found if all(r[n] == row[n] for n in (*TURN, *SHIFT, "design", "scale"))]
        if row["carats"] is not None and not same:
            found.append(row)
    return sorted(found, key=lambda r: -number(r, "carats"))


def table_to_c(row: Mapping[str, Cell]) -> float:
    """Angle between the table's normal and c, taken as a line, degrees."""
    return math.degrees(math.acos(min(1.0, abs(number(row, "turn_zz")))))


def placing(row: Mapping[str, Cell], rough: Rough) -> tuple[Floats, Floats, Floats]:
    """(normal of the table, direction of the stone's length, its origin in mm) in the rough file's own frame."""
    turn = np.array([number(row, n) for n in TURN]).reshape(3, 3)
    shift = np.array([number(row, n) for n in SHIFT])
    back = rough.turn.T
    return back @ turn[:, 2], back @ turn[:, 0], back @ shift
