"""Plans for a rough: for each design the largest stone, where it lies, and how it looks.

Frame of the rough: c along +z (``optics.rough``). The placement says how c lies in the stone; a
design's own [axis] and material count for nothing here. Each design gives two rows: the heaviest
stone, with the proof of ``solid.place``, and, where the rough has zones to hide, the heaviest
of the directions tried whose zones do not show (``studies.orient``).

The range of the weight: the same table direction and turn (where that leaves little, directions 1 degree
off, too), with the skin that is taken off and all margins more and less by the scan's error.
"""

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

import facetrace
from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Cell, Key, Row, fingerprint_of
from facetrace.common.workers import each_done
from facetrace.design.model import Design
from facetrace.design.vary import with_value
from facetrace.measures.faceup import Estimate, trace_face_up
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.optics.rough import Rough
from facetrace.solid import scan
from facetrace.solid.build import build_solid
from facetrace.solid.measure import carats_at
from facetrace.solid.obstacles import (
    Hollows,
    coarser,
    facing_each,
    fitted,
    held_by,
    hollow_bodies,
    in_rough,
    loosened,
)
from facetrace.solid.place import (
    CROWN,
    UNDER_TABLE,
    WHOLE,
    Copy,
    Facing,
    Obstacle,
    Space,
    Stone,
    largest,
    stone_of,
)
from facetrace.solid.polyhedron import Solid
from facetrace.studies import orient, value
from facetrace.studies.angles import Range
from facetrace.studies.rows import cells, number
from facetrace.trace.scene import View, medium_of, scene_of

Floats = NDArray[np.float64]

HEAVIEST, HIDDEN = "heaviest", "zone hidden"
KEY = ("mark", "kind")
TURN = [f"turn_{a}{b}" for a in "xyz" for b in "xyz"]
SHIFT = ["shift_x_mm", "shift_y_mm", "shift_z_mm"]
SHARES = ("light_return", "window", "extinction", "brightness")
COLOUR = ("lightness", "chroma", "hue_deg")
FIGURES = (*SHARES, *COLOUR, "zone")
SIZES = ("low_carats", "carats", "high_carats", "most_carats", "scale")
COLUMNS: dict[str, Callable[[str], Cell]] = (
    {"mark": str, "rough": str, "design": str, "kind": str, "outline": str, "changed": str}
    | dict.fromkeys((*SIZES, *TURN, *SHIFT, "length_mm", "width_mm", "depth_mm"), float)
    | dict.fromkeys([n for f in FIGURES for n in (f, f"{f}_stderr")], float)
    | {"variations": int, "cells": int, "remark": str}
)
# a zone that reaches nowhere into the stone is not traced
NO_ZONE = Estimate(0.0, 0.0)
# rows of alternatives are traced until one hides its zones, at most so many
MOST_LOOKS = 16
MOST_VARIATIONS = 400
# hulls of hollows may hold so much of the stone's room, mm, before they are parted: bodies cost the search much
HOLLOW_MM = 0.35
# searches of what defects cost take so much fewer cells
LOSS_SHARE = 4
# a range that falls below this share of the weight is looked for near by too, degrees of the table
FAR_LESS, NEAR_DEG = 0.9, 1.0


@dataclass(frozen=True)
class Setting:
    """What all plans share.

    facing: where the table may face; within, most_cells: see ``place.largest``; rays of the figures;
    threshold, pixel_mm, samples: see ``orient.Setting``; allow: share of the face up to which a
    zone counts as hidden.
    """

    facing: Facing
    light: Light
    within: float = 0.005
    most_cells: int = 6000
    rays: int = 1 << 16
    threshold: float = 2.0
    allow: float = 0.01
    pixel_mm: float = 0.15
    samples: int = 8
    seed: int = 1

    @property
    def looks(self) -> orient.Setting:
        """How zones are looked at."""
        return orient.Setting(self.threshold, self.pixel_mm, self.samples, self.seed)

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
    hollows: Hollows

    def space(self, *, without: Sequence[str] = (), cut: Sequence[str] = ()) -> Space:
        """Hull, hollows and defects; *without* some defects, others *cut* away whatever was wished."""
        skin = self.rough.loss.skin_mm
        bodies = [
            Obstacle(f"hollow {k + 1}", points, WHOLE, skin)
            for k, points in enumerate(self.hollows.bodies)
        ]
        for defect in self.rough.defects:
            if defect.name not in without:
                wish = "cut away" if defect.name in cut else defect.wish
                bodies += [
                    Obstacle(defect.name, coarser(defect.whole), part, defect.margin_mm, inside)
                    for part, inside in _PARTS[wish]
                ]
        return Space(self.rough.hull, tuple(bodies), skin)

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
        """What the rough weighs, by the scales where it was weighed."""
        return self.rough.weighed_carats or self.rough.carats


_PARTS: dict[str, list[tuple[int, bool]]] = {
    "cut away": [(WHOLE, False)],
    "inside": [(WHOLE, True)],
    # below the girdle, and off what lies under the table
    "under girdle": [(CROWN, False), (UNDER_TABLE, False)],
    "anywhere": [],
    "hide": [],
}


def room_of(rough: Rough) -> Room:
    """A rough with its hollows made convex: what is deeper than the skin that is taken off anyway."""
    tolerance = min(rough.loss.scan_mm, rough.loss.skin_mm)
    walls, _ = scan.hollows(rough.mesh, tolerance)
    return Room(rough, hollow_bodies(walls, max(tolerance, HOLLOW_MM)))


def _inside(rough: Rough, stone: Stone, copy: Copy) -> bool:
    return scan.lies_inside(rough.mesh, *in_rough(stone, copy))


def check_inside(rough: Rough, stone: Stone, copy: Copy) -> None:
    """Raises FacetraceError where a copy does not lie wholly in the rough's mesh."""
    if not _inside(rough, stone, copy):
        raise FacetraceError(
            "a hollow is so large that the stone was placed in it; cut the mesh in two there"
        )


# ---- the search, in processes of its own ------------------------------------------------------


@dataclass(frozen=True)
class Job:
    """One design in one rough: arrays only. aside: the space with zones cut away, where some are to be hidden."""

    stones: tuple[Stone, ...]
    space: Space
    aside: Space | None
    scan_mm: float
    facing: Facing
    within: float
    most_cells: int


@dataclass(frozen=True)
class Sized:
    """A copy with the least and the most that its volume may come to, mm^3."""

    copy: Copy
    low: float
    high: float


@dataclass(frozen=True)
class Searched:
    """The largest of all variations: its number, where it lies, and what none can exceed, mm^3.

    others: copies of that variation elsewhere, heaviest first, where zones are to be hidden.
    """

    which: int
    best: Sized | None
    most_mm3: float
    cells: int
    others: tuple[Sized, ...] = ()


def searched(job: Job) -> Searched:
    """The largest copy of any of a job's stones; smaller variations are dismissed early."""
    which, best, most, done = 0, None, 0.0, 0
    for k, stone in enumerate(job.stones):
        least = best.volume if best else 0.0
        found = largest(
            stone, job.space, job.facing, within=job.within, most_cells=job.most_cells, least_mm3=least
        )  # fmt: skip
        done += found.cells
        most = max(most, found.most_mm3)
        if found.copy is not None and found.copy.volume > least:
            which, best = k, found.copy
    if best is None:
        return Searched(0, None, most, done)
    stone = job.stones[which]
    others: list[Sized] = []
    if job.aside is not None:
        tried = facing_each(stone, job.space, job.facing)[:MOST_LOOKS]
        tried += facing_each(stone, job.aside, job.facing)[:1]
        for copy in sorted(tried, key=lambda c: -c.volume):
            others.append(sized_of(stone, job.space, copy, job.scan_mm))
    return Searched(which, sized_of(stone, job.space, best, job.scan_mm), most, done, tuple(others))


def sized_of(stone: Stone, space: Space, copy: Copy, scan_mm: float) -> Sized:
    """A copy with the range that the scan's error leaves it: at its orientation, or at most NEAR_DEG from it."""
    low, high = (_near(stone, loosened(space, by), copy) for by in (-scan_mm, scan_mm))
    return Sized(copy, min(low, copy.volume), max(high, copy.volume))


def _near(stone: Stone, space: Space, copy: Copy) -> float:
    """Volume of the largest copy near one of another space, 0 where there is none."""
    held = held_by(stone, space, copy)
    found = [fitted(stone, space, copy.rotation, holding=h) for h in dict.fromkeys(((), tuple(held)))]  # fmt: skip
    best = max((f.volume for f in found if f), default=0.0)
    if best < FAR_LESS * copy.volume:
        # what lay just inside no longer does; another place near by may be better
        x, y, z = map(float, copy.rotation[:, 2])
        turned = largest(stone, space, Facing((x, y, z), NEAR_DEG), most_cells=0).copy
        best = max(best, turned.volume if turned else 0.0)
    return best


# ---- how it looks -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Eye:
    """What is needed to look at stones of one rough; subject: with its zones, None without."""

    rough: Rough
    setting: Setting
    subject: orient.Subject | None
    plain: Any

    def figures(self, cut: orient.Cut) -> Row:
        """FIGURES of a stone with their standard errors. Raises FileError for zones that it cannot have."""
        setting = self.setting
        if self.subject is None:
            scene = scene_of(cut.solid, self.plain, cut.axis, setting.light, View())
        else:
            _, scene = orient.scenes(self.subject, cut)
        face = trace_face_up(scene, setting.seed, rays=setting.rays)
        row: Row = {}
        for name in SHARES:
            row |= cells(name, face.measures[name])
        for name in COLOUR:
            row |= cells(name, getattr(face.within, name))
        return row | cells("zone", self.zone(cut))

    def zone(self, cut: orient.Cut) -> Estimate:
        """The share of the face where zones show, with its standard error."""
        if self.subject is None:
            return NO_ZONE
        look = orient.look_at_cut(self.subject, cut, self.setting.looks)
        row = orient.row_of(orient.BASE, look, look, self.setting.looks, 1.0)
        return orient.estimate(row, "share")


def eye_of(rough: Rough, design: Design, setting: Setting) -> Eye:
    """The eye for a rough; *design* only fills a place. Raises FileError."""
    subject = None
    if rough.zones is not None:
        subject = orient.subject_of(design, rough.material, rough.zones, setting.light, observer())
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

    def job(self, setting: Setting, variations: Sequence[tuple[str, Solid]]) -> Job:
        """What is searched. Raises FacetraceError where the design cannot be cut."""
        zones = self.room.to_hide
        return Job(
            tuple(stone_of(solid) for _, solid in variations),
            self.room.space(),
            self.room.space(cut=zones) if zones else None,
            self.room.rough.loss.scan_mm,
            setting.facing,
            setting.within,
            setting.most_cells,
        )


def _zone_colours(rough: Rough) -> list[tuple[Floats, Floats]]:
    from facetrace.optics.zone import differences

    if rough.zones is None:
        return []
    return differences(rough.zones, rough.material, observer().wavelength_nm)


def sweep(
    tasks: Sequence[Task], setting: Setting, done: Mapping[Key, Row], workers: int
) -> Iterator[Row]:
    """The rows of each task in their order; those in *done* come from there.

    A row depends on its rough, design and setting alone. Raises FacetraceError where a design
    cannot be cut, FileError for colours that zones cannot have.
    """
    todo = [t for t in tasks if any(key not in done for key in t.keys(setting))]
    cuts = [t.outline.variations() for t in todo]
    jobs = [t.job(setting, v) for t, v in zip(todo, cuts, strict=True)]
    results = iter(zip(todo, cuts, jobs, each_done(searched, jobs, workers), strict=True))
    for task in tasks:
        keys = task.keys(setting)
        if all(key in done for key in keys):
            yield from (done[key] for key in keys)
            continue
        own, variations, job, result = next(results)
        assert own is task
        yield from _rows(task, setting, variations, job, result)


def _rows(
    task: Task, setting: Setting, variations: Sequence[tuple[str, Solid]], job: Job, result: Searched
) -> Iterator[Row]:  # fmt: skip
    keys = task.keys(setting)
    head: Row = {
        "mark": keys[0][0], "rough": task.room.rough.name, "design": task.label,
        "outline": task.outline.shape, "variations": len(variations), "cells": result.cells,
    }  # fmt: skip
    if result.best is None:
        for _, kind in keys:
            yield dict.fromkeys(COLUMNS) | head | {"kind": kind, "remark": "no stone of it fits"}
        return
    changed, solid = variations[result.which]
    stone = job.stones[result.which]
    eye = eye_of(task.room.rough, task.outline.design, setting)
    head |= {"changed": changed, "most_carats": carats_of(task.room.rough, result.most_mm3)}

    def row(kind: str, sized: Sized) -> Row:
        return row_of(eye, stone, solid, sized, head | {"kind": kind})

    try:
        first = row(HEAVIEST, result.best)
    except FacetraceError as problem:
        # a stone in a hollow is no plan, and no reason to stop the others
        for _, kind in keys:
            yield dict.fromkeys(COLUMNS) | head | {"kind": kind, "most_carats": None, "remark": str(problem)}  # fmt: skip
        return
    yield first
    if len(keys) < 2:
        return
    if hides(first, setting):
        yield first | {"kind": HIDDEN}
        return
    for sized in result.others:
        zone = eye.zone(cut_of(solid, sized.copy))
        if hides(cells("zone", zone), setting) and _inside(task.room.rough, stone, sized.copy):
            yield row(HIDDEN, sized)
            return
    yield dict.fromkeys(COLUMNS) | head | {
        "kind": HIDDEN, "most_carats": None, "remark": "none that was tried hides the zone",
    }  # fmt: skip


def row_of(eye: Eye, stone: Stone, solid: Solid, sized: Sized, head: Row) -> Row:
    """The row of one stone that lies in a rough. Raises FacetraceError where it lies in a hollow."""
    check_inside(eye.rough, stone, sized.copy)
    placed = _placed(eye.rough, solid, sized)
    return dict.fromkeys(COLUMNS) | head | placed | eye.figures(cut_of(solid, sized.copy))


def hides(row: Mapping[str, Cell], setting: Setting) -> bool:
    """Whether no zone shows on a row's face, see ``orient.hidden``."""
    share = {"share": row["zone"], "share_stderr": row["zone_stderr"]}
    return orient.hidden(share, setting.allow)


def carats_of(rough: Rough, mm3: float) -> float:
    """Carats of a volume in a rough."""
    return carats_at(mm3, rough.density)


def _placed(rough: Rough, solid: Solid, sized: Sized) -> Row:
    copy = sized.copy
    x, y, depth = map(float, copy.scale * np.ptp(solid.vertices, axis=0))
    row: Row = {
        "low_carats": carats_of(rough, sized.low), "carats": carats_of(rough, copy.volume),
        "high_carats": carats_of(rough, sized.high), "scale": copy.scale,
        "length_mm": max(x, y), "width_mm": min(x, y), "depth_mm": depth,
    }  # fmt: skip
    row |= dict(zip(TURN, map(float, copy.rotation.ravel()), strict=True))
    return row | dict(zip(SHIFT, map(float, copy.shift), strict=True))


def cut_of(solid: Solid, copy: Copy) -> orient.Cut:
    """A copy as the studies of orientation see it."""
    return orient.Cut(solid.scaled(copy.scale), copy.rotation, copy.shift, copy.scale)


def copy_of(row: Mapping[str, Cell], solid: Solid) -> Copy:
    """The copy that a row tells of."""
    turn = np.array([number(row, n) for n in TURN]).reshape(3, 3)
    scale = number(row, "scale")
    shift = np.array([number(row, n) for n in SHIFT])
    return Copy(scale, turn, shift, solid.volume * scale**3)


def gap_of(row: Mapping[str, Cell]) -> float:
    """By what share the best possible stone may be heavier than a row's."""
    return number(row, "most_carats") / number(row, "carats") - 1


def estimate(row: Mapping[str, Cell], name: str) -> Estimate:
    """A figure of a row."""
    return Estimate(number(row, name), number(row, f"{name}_stderr"))


# ---- what defects cost ------------------------------------------------------------------------


@dataclass(frozen=True)
class Loss:
    """What some defects cost a stone: carats that it would weigh more without them, and the most that may be."""

    names: tuple[str, ...]
    carats: float
    most_carats: float


def losses(
    task: Task, setting: Setting, row: Mapping[str, Cell], workers: int
) -> Iterator[Loss]:  # fmt: skip
    """For each defect that the stone keeps off, then for all of them where there are several."""
    room = task.room
    names: list[tuple[str, ...]] = [(name,) for name in room.kept_off]
    if len(names) > 1:
        names.append(tuple(room.kept_off))
    solid = task.outline.solid(str(row["changed"] or ""))
    stone, have = stone_of(solid), copy_of(row, solid).volume
    # what is heavier is found by climbs, early; the rest of a search is proof
    most_cells = setting.most_cells // LOSS_SHARE
    jobs = [
        _Without(stone, room.space(without=some), setting.facing, setting.within, most_cells, have)
        for some in names
    ]  # fmt: skip
    for some, (best, most) in zip(names, each_done(_freed, jobs, workers), strict=True):
        yield Loss(some, carats_of(room.rough, best - have), carats_of(room.rough, most - have))


@dataclass(frozen=True)
class _Without:
    stone: Stone
    space: Space
    facing: Facing
    within: float
    most_cells: int
    have_mm3: float


def _freed(job: _Without) -> tuple[float, float]:
    """(volume of the largest copy, what none exceeds), no less than what there is already."""
    found = largest(
        job.stone, job.space, job.facing, within=job.within, most_cells=job.most_cells,
        least_mm3=job.have_mm3,
    )  # fmt: skip
    best = found.copy.volume if found.copy else job.have_mm3
    return max(best, job.have_mm3), max(found.most_mm3, job.have_mm3)


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
