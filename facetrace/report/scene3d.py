"""What is shown in three dimensions: bodies, lines and words, for the window and for pictures alike.

Frame: the stone's own (+z out of the table, +x along its length), in millimetres; of a rough without a
stone the crystal's (c along +z). Of a plan's two stones the frame is that of the first.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, QhullError

from facetrace.design.expand import expand
from facetrace.design.model import Design
from facetrace.report.plan import SHARP
from facetrace.report.six_views import LETTERS
from facetrace.results.document import ESTIMATE
from facetrace.results.reading import Result, lying, stones_of
from facetrace.results.view import planned_stone_words, rough_words
from facetrace.rough.defects import Defect
from facetrace.rough.model import read_rough
from facetrace.rough.rough import Rough, rough_of
from facetrace.rough.zone import ZoneFile
from facetrace.solid import convex as fit
from facetrace.solid.body import Body
from facetrace.solid.build import facets_of
from facetrace.solid.polyhedron import Solid
from facetrace.studies.zoned import Cut
from facetrace.trace.scene import direction

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Role = Literal["rough", "stone", "defect"]

# facets that meet at less than this, as a cosine, have an edge between them
FLAT = 1 - 1e-9
# of the largest size: how far marks stand off the bodies, and how long arrows are
ROOM, ARROW = 0.07, 0.16
# names stand between what is shown and the border of a picture
BORDER = 1.25
# divisions of an icosahedron for round zones
DIVISIONS = 3


def _frame(right: ArrayLike, up: ArrayLike) -> Floats:
    r, u = (np.asarray(a, dtype=float) / np.linalg.norm(a) for a in (right, up))
    return np.column_stack([r, u, np.cross(r, u)])


def _corner() -> Floats:
    eye = np.array([0.5, -0.75, 0.5])
    right = np.cross([0.0, 0.0, 1.0], eye)
    return _frame(right, np.cross(eye, right))


# for each view its axes that point right, up and to the eye, as columns
VIEWS: dict[str, Floats] = {
    "above": _frame([1, 0, 0], [0, 1, 0]),
    "below": _frame([1, 0, 0], [0, -1, 0]),
    "corner": _corner(),
    "side": _frame([1, 0, 0], [0, 0, 1]),
    "end": _frame([0, 1, 0], [0, 0, 1]),
}


@dataclass(frozen=True)
class Part:
    """A body: points (n, 3), polygons of their numbers (outwards counter-clockwise), a label for each polygon.

    number: of a defect's colour and hatch; lobe: of each polygon, which convex body it bounds; sharp:
    the cosine under which two polygons have an edge between them.
    """

    name: str
    role: Role
    points: Floats
    polygons: tuple[Ints, ...]
    labels: tuple[str, ...]
    number: int = 0
    lobe: tuple[int, ...] = ()
    sharp: float = FLAT

    @cached_property
    def normals(self) -> Floats:
        """(n, 3): unit normals of the polygons, outward; of a polygon without area 0."""
        found = []
        for polygon in self.polygons:
            p = self.points[polygon] - self.points[polygon[0]]
            found.append(np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0))
        n = np.array(found)
        return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1), 1e-300)[:, None])

    @cached_property
    def edges(self) -> tuple[Ints, Ints]:
        """(corners (m, 2), polygons (m, 2)) of edges where the surface turns; an open one has its polygon twice."""
        beside: dict[tuple[int, int], list[int]] = {}
        for k, polygon in enumerate(self.polygons):
            for a, b in zip(polygon.tolist(), np.roll(polygon, -1).tolist(), strict=True):
                beside.setdefault((min(a, b), max(a, b)), []).append(k)
        kept = {
            edge: (of[0], of[-1])
            for edge, of in beside.items()
            if len(of) == 1 or self.normals[of[0]] @ self.normals[of[-1]] < self.sharp
        }
        return (
            np.array(list(kept), dtype=np.int64).reshape(-1, 2),
            np.array(list(kept.values()), dtype=np.int64).reshape(-1, 2),
        )


@dataclass(frozen=True)
class Mark:
    """A line with a name at its end (3,); an axis is dash-dotted, a direction an arrow."""

    name: str
    start: Floats
    end: Floats
    axis: bool = False


@dataclass(frozen=True)
class Scene3D:
    """All that is shown: title, what is written below, bodies from the outermost to the innermost, lines.

    inside: whether there is something in the stones to be seen; legend: words and number of each defect.
    """

    title: str
    words: tuple[str, ...]
    parts: tuple[Part, ...]
    marks: tuple[Mark, ...]
    inside: bool = False
    legend: tuple[tuple[str, int], ...] = field(default=())

    @cached_property
    def middle(self) -> Floats:
        """(3,): what the eye looks at, the middle of the box around the bodies."""
        points = np.vstack([p.points for p in self.parts])
        return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2)

    @cached_property
    def points(self) -> Floats:
        """Points (n, 3) of all bodies and the ends of all marks."""
        ends = [np.array([m.start, m.end]) for m in self.marks]
        return np.vstack([*(p.points for p in self.parts), *ends])

    def reach(self, frames: Iterable[Floats]) -> float:
        """Half the side in mm of a square around the middle that shows all in each of the frames."""
        points = self.points - self.middle
        return BORDER * max(float(np.abs(points @ f[:, :2]).max()) for f in frames)


# ---- for a process of its own -----------------------------------------------------------------


def scene_data(scene: Scene3D) -> dict[str, Any]:
    """All of it as JSON has it; ``scene_from`` makes the same of that, to the bit."""
    return {
        "title": scene.title, "words": scene.words, "inside": scene.inside, "legend": scene.legend,
        "parts": [
            _fields(part) | {"points": part.points.tolist(), "polygons": [p.tolist() for p in part.polygons]}
            for part in scene.parts
        ],
        "marks": [_fields(m) | {"start": m.start.tolist(), "end": m.end.tolist()} for m in scene.marks],
    }  # fmt: skip


def _fields(thing: Part | Mark) -> dict[str, Any]:
    """Its fields, without what it has worked out since."""
    return {f.name: getattr(thing, f.name) for f in fields(thing)}


def scene_from(data: Mapping[str, Any]) -> Scene3D:
    """What ``scene_data`` made."""
    parts = tuple(
        Part(**part | {
            "points": np.array(part["points"]), "labels": tuple(part["labels"]), "lobe": tuple(part["lobe"]),
            "polygons": tuple(np.array(p, dtype=np.int64) for p in part["polygons"]),
        })
        for part in data["parts"]
    )  # fmt: skip
    marks = tuple(
        Mark(**m | {"start": np.array(m["start"]), "end": np.array(m["end"])})
        for m in data["marks"]
    )
    legend = tuple((words, number) for words, number in data["legend"])
    return Scene3D(data["title"], tuple(data["words"]), parts, marks, data["inside"], legend)


# ---- bodies -----------------------------------------------------------------------------------


def facet_labels(design: Design) -> dict[str, str]:
    """What is said of each facet by its name: tier, side, angle from the girdle plane, index of the gear."""
    side = {tier.name: tier.side for tier in expand(design).tier}
    found = {}
    for facet in facets_of(design):
        words = f"{facet.tier}: {side.get(facet.tier, 'facet')}, {facet.angle:.2f} deg"
        alone = facet.name == facet.tier
        found[facet.name] = words if alone else f"{words}, index {facet.index:g} of {design.gear}"
    return found


def stone_part(solid: Solid, labels: Mapping[str, str], name: str = "stone") -> Part:
    """A stone in its own frame."""
    lobes = [0] * len(solid.polygons)
    if len(solid.parts) > 1:
        # each facet of the glued body is one of its first or of its second lobe
        first = len(solid.parts[0].polygons) - 1
        lobes = [int(k >= first) for k in range(len(lobes))]
    return Part(
        name, "stone", solid.vertices, solid.polygons,
        tuple(labels.get(n, n) for n in solid.names), lobe=tuple(lobes),
    )  # fmt: skip


def convex_part(name: str, points: Floats, number: int, label: str) -> Part | None:
    """A defect of corners (n, 3): a convex body, or where they lie in a plane a flat one; None of a mere line."""
    try:
        shape = ConvexHull(points)
    except QhullError:
        return _flat_part(name, points, number, label)
    tri = shape.simplices
    a, b, c = (shape.points[tri[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), shape.equations[:, :3]) < 0
    tri = np.where(inward[:, None], tri[:, ::-1], tri).astype(np.int64)
    used, faces = np.unique(tri, return_inverse=True)
    polygons = tuple(faces.reshape(-1, 3).astype(np.int64))
    return Part(name, "defect", shape.points[used], polygons, (label,) * len(polygons), number, (), SHARP)  # fmt: skip


def _flat_part(name: str, points: Floats, number: int, label: str) -> Part | None:
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle)[2]
    try:
        ring = ConvexHull((points - middle) @ axes[:2].T).vertices.astype(np.int64)
    except QhullError:
        return None
    around = points[ring]
    return Part(name, "defect", around, (np.arange(len(ring)),), (label,), number)


def _rough_part(rough: Rough, seen: "_Frame") -> Part:
    mesh = rough.mesh
    label = f"{rough.name}: the rough's skin"
    return Part(
        rough.name, "rough", seen(mesh.vertices), tuple(mesh.faces), (label,) * len(mesh.faces), sharp=SHARP,
    )  # fmt: skip


@dataclass(frozen=True)
class _Frame:
    """From the crystal frame to what is shown: of a stone that lies there, its own."""

    turn: Floats = field(default_factory=lambda: np.eye(3))
    shift: Floats = field(default_factory=lambda: np.zeros(3))

    def __call__(self, points: Floats) -> Floats:
        return np.asarray((points - self.shift) @ self.turn)


def _defect_parts(defects: Sequence[Defect], seen: _Frame) -> tuple[list[Part], list[tuple[str, int]]]:  # fmt: skip
    """Parts, and the words of each defect with its number."""
    numbers = {name: k for k, name in enumerate(dict.fromkeys(d.name for d in defects))}
    parts = []
    for defect in defects:
        words = _defect_words(defect)
        found = convex_part(defect.name, seen(defect.points), numbers[defect.name], f"{words}, wish: {defect.wish}")  # fmt: skip
        parts += [found] if found else []
    legend = {_defect_words(d): numbers[d.name] for d in defects}
    return parts, list(legend.items())


def _defect_words(defect: Defect) -> str:
    return defect.name if defect.name == defect.kind else f"{defect.kind}: {defect.name}"


def zone_points(body: Body, walls: Floats) -> Floats:
    """Corners (n, 3) of what lies of a zone's body within walls (4, m); (0, 3) where nothing does."""
    planes = body.planes
    if body.ellipsoid is not None:
        m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
        ball = np.asarray(trimesh.creation.icosphere(subdivisions=DIVISIONS).vertices)
        planes = fit.hull((ball + w) @ np.linalg.inv(m).T).planes
    return fit.corners(np.hstack([planes, walls]))


# ---- lines ------------------------------------------------------------------------------------


def _c_axis(points: Floats, c: Floats) -> Mark:
    """c as a line through the middle of the bodies, and out of them on both sides."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2
    half = float(np.abs((points - middle) @ c).max()) + ROOM * float((high - low).max())
    return Mark("c-axis", middle - half * c, middle + half * c, True)


def _directions(points: Floats) -> list[Mark]:
    """Arrows beside a stone: to the table, to the culet, to index 0."""
    low, high = points.min(axis=0), points.max(axis=0)
    size = float((high - low).max())
    beside = np.array([low[0], low[1], 0.0]) - ROOM * size * np.array([1, 1, 0])
    up, out = np.array([0, 0, ARROW * size]), np.array([1.0, 0, 0])
    tip = np.array([high[0], 0.0, 0.0])
    return [
        Mark("table", beside + 0.1 * up, beside + 1.1 * up),
        Mark("culet", beside - 0.1 * up, beside - 1.1 * up),
        Mark("index 0", tip + 0.5 * ROOM * size * out, tip + (0.5 * ROOM + ARROW) * size * out),
    ]


# ---- what is asked for ------------------------------------------------------------------------


def stone_scene(
    design: Design, solid: Solid, words: Sequence[str], zones: tuple[ZoneFile, Cut] | None = None
) -> Scene3D:
    """A design's stone; *zones*: a zone file, and how the stone lies in its rough (its solid is shown)."""
    inner: list[Part] = []
    legend: list[tuple[str, int]] = []
    if zones is not None:
        file, cut = zones
        solid = cut.solid
        for body, k in file.bodies():
            name = file.model.zone[k].name
            for lobe in solid.parts:
                corners = zone_points(body.seen_from(cut.turn, cut.shift), lobe.planes)
                part = convex_part(name, corners, k, f"zone: {name}") if len(corners) > 3 else None
                inner += [part] if part else []
        legend = [(f"zone: {z.name}", k) for k, z in enumerate(file.model.zone)]
    marks = [_c_axis(solid.vertices, direction(design.axis.tilt, design.axis.azimuth)), *_directions(solid.vertices)]  # fmt: skip
    stone = stone_part(solid, facet_labels(design), design.name)
    return Scene3D(design.name, tuple(words), (stone, *inner), tuple(marks), bool(inner), tuple(legend))  # fmt: skip


def rough_scene(
    rough: Rough, words: Sequence[str], stones: Sequence[tuple[Cut, Design]] = (), title: str = ""
) -> Scene3D:
    """A rough with its defects, and the stones that lie in it, each with its design; frame of the first stone."""
    seen = _Frame(stones[0][0].turn, stones[0][0].shift) if stones else _Frame()
    body = _rough_part(rough, seen)
    defects, legend = _defect_parts(rough.defects, seen)
    parts = [body]
    for cut, design in stones:
        own = stone_part(cut.solid, facet_labels(design), design.name)
        parts.append(replace(own, points=seen(cut.shift + own.points @ cut.turn.T)))
    marks = [_c_axis(body.points, seen.turn[2])]
    if stones:
        marks += _directions(body.points)
    return Scene3D(title or rough.name, tuple(words), (*parts, *defects), tuple(marks), bool(defects), tuple(legend))  # fmt: skip


def plan_scene(
    result: Result, rough_file: Path | None, number: int | None, pieces: bool
) -> tuple[Scene3D, list[Path]]:
    """Stones of a plan in their rough, and the files they were read from.

    Parameters
    ----------
    result: of a plan.
    rough_file: another place than the one that the plan names.
    number: which stone, as the plan's table counts them; None for the one to go by.
    pieces: the stones of several pieces instead.
    """
    member = result.document["plan"]
    rows = stones_of(result, member, number, pieces)
    source = rough_file or result.found(member["rough"]["file"])
    rough = rough_of(read_rough(source))
    result.check(str(source), rough.carats, float(member["rough"]["carats"]))
    stones, words, sources = [], rough_words(rough), [result.path, source]
    for k, row in enumerate(rows):
        cut, design, file = lying(result, member, row, rough)
        stones.append((cut, design))
        sources.append(file)
        words.append(planned_stone_words(row, rough, LETTERS[k] if len(rows) > 1 else ""))
    which = f"{len(rows)} stones" if len(rows) > 1 else str(rows[0]["design"])
    return rough_scene(rough, [*words, ESTIMATE], stones, f"{which} in {rough.name}"), sources
