"""What is wrong in a piece of rough, in its crystal frame: convex parts that a stone must keep off, and its zones."""

import math
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from facetrace.common.errors import FacetraceError, FileError
from facetrace.rough import face, scan
from facetrace.rough.model import (
    MARGINS,
    OUT_MM,
    WISHES,
    DefectModel,
    Kind,
    RoughFile,
    Wish,
    across,
)
from facetrace.rough.scan import Scan
from facetrace.rough.zone import Placement, Zone, ZoneFile, ZoneModel
from facetrace.solid import convex as fit
from facetrace.solid.body import Body

Floats = NDArray[np.float64]
# mm between the rough and the box that open bodies are cut to
ROOM_MM = 1.0
# divisions of an icosahedron for round bodies at least and at most, and how far 162 planes stand out, in radii (a quarter of
# it with each division)
DIVISIONS, DIVISIONS_MOST, OUT_SHARE = 2, 6, 0.018


@dataclass(frozen=True)
class Defect:
    """A convex part of a defect, in the crystal frame, clipped to the rough's hull.

    points (n, 3): its corners, mm; of a crack they are flat, of a round body they stand around it, so
    that nothing of it is missed. whole (m, 3): the same before it was clipped, cut to a box around
    the rough: with far fewer corners what a stone in the hull must keep off. within (m, 3): of a round body as many
    points of the body itself, else the same. Parts of one defect
    share its name. zone: number of the zone in ``Rough.zones``, None for other kinds.
    """

    name: str
    kind: Kind
    wish: Wish
    margin_mm: float
    points: Floats
    whole: Floats
    within: Floats
    zone: int | None = None


@dataclass(frozen=True)
class RoughZones(ZoneFile):
    """The zones of a rough as a zone file, for ``zone.differences`` and the studies.

    ``bodies`` and ``blank`` are in the crystal frame; the model's shapes are still those of the file.
    numbers: which defect of the file each zone is.
    """

    source: RoughFile
    numbers: tuple[int, ...]
    turn: Floats
    scaled: float
    hull: Body

    def error(self, loc: tuple[int | str, ...], problem: object) -> FileError:
        """The problem with the rough file's own line and key in front."""
        if len(loc) > 1 and loc[0] == "zone" and isinstance(loc[1], int):
            loc = ("defect", self.numbers[loc[1]], *loc[2:])
        return self.source.error(loc, problem)

    def bodies(self) -> list[tuple[Body, int]]:
        """Every body of every zone with the zone's number."""
        return [
            (body, k) for k, z in enumerate(self.model.zone) for body in _turned(z, self.turn, self.scaled)
        ]  # fmt: skip

    def blank(self) -> Body:
        """The rough's convex hull."""
        return self.hull


def _hull_of(points: Floats) -> Floats:
    """Of points (n, 3) in one plane the corners of their convex hull, in order."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle)[2]
    return np.asarray(points[ConvexHull((points - middle) @ axes[:2].T).vertices])


def _turned(shape: Zone, turn: Floats, scaled: float) -> list[Body]:
    """Bodies of a zone in the crystal frame."""
    if shape.sector is not None:
        # wedges stand around c, about a point of the file
        x, y, z = map(float, turn @ np.array(shape.sector.centre_mm))
        wedges = shape.sector.model_copy(update={"centre_mm": (x, y, z)}).bodies()
        return [body.seen_from(np.eye(3), np.zeros(3), 1 / scaled) for body in wedges]
    return [body.seen_from(turn.T, np.zeros(3), 1 / scaled) for body in shape.bodies()]


def zones_of(file: RoughFile, turn: Floats, scaled: float, mesh: Scan) -> RoughZones | None:
    """The zones of a file, None where it has none."""
    numbers = tuple(k for k, d in enumerate(file.model.defect) if d.kind == "zone")
    if not numbers:
        return None
    middle = mesh.vertices.mean(axis=0)
    model = ZoneModel.model_construct(
        name=file.model.name,
        notes=file.model.notes,
        placement=Placement(centre_mm=(float(middle[0]), float(middle[1]), float(middle[2]))),
        blank=None,
        zone=[file.model.defect[k] for k in numbers],
    )
    return RoughZones(file.path, file.text, model, file, numbers, turn, scaled, mesh.hull)


def _shape(
    file: RoughFile, number: int, turn: Floats, scaled: float, mesh: Scan
) -> Floats | list[Body]:
    """A defect in the crystal frame: corners (n, 3) in order where it is flat, else its bodies."""
    model = file.model.defect[number]
    flat = model.flat
    if flat is not None:
        return np.asarray(scaled * flat @ turn.T)
    if model.kind == "pit":
        return [_pit(file, number, turn, scaled, mesh)]
    if model.wedge is not None:
        return [b.seen_from(turn.T, np.zeros(3), 1 / scaled) for b in model.wedge.bodies()]
    if model.from_face is None:
        return _turned(model, turn, scaled)
    here, out_mm = model.from_face, face.OUT_MM + file.model.loss.scan_mm
    try:
        if model.kind != "crack":
            round_ = model.kind == "crystal"
            return [face.body_on(here, mesh, turn, scaled, out_mm, round_)]
        points = face.crack_on(here, mesh, turn, scaled, out_mm)
    except FacetraceError as problem:
        raise file.error(("defect", number, "from_face", "at_mm"), problem) from None
    return _hull_of(points) if here.wide_mm is None else [fit.hull(points)]


def defects_of(
    file: RoughFile, turn: Floats, scaled: float, mesh: Scan, zones: RoughZones | None
) -> tuple[Defect, ...]:  # fmt: skip
    """All parts of all defects of a file. Raises FileError for one that is wholly outside."""
    found = []
    corners, hull = mesh.vertices, mesh.hull
    room = fit.box(
        np.ptp(corners, axis=0) + 2 * ROOM_MM, (corners.min(axis=0) + corners.max(axis=0)) / 2
    ).planes
    for k, model in enumerate(file.model.defect):
        shape = _shape(file, k, turn, scaled, mesh)
        if isinstance(shape, list):
            walls = [around(body, room) for body in shape]
            parts = [
                (fit.corners(np.hstack([w, hull.planes])), fit.corners(np.hstack([w, room])))
                for w in walls
            ]
        else:
            parts = [(scan.clipped(shape, hull.planes), shape)]
        # what only touches the hull is outside
        bodies: list[Body | None] = [*shape] if isinstance(shape, list) else [None]
        bodies = [body for pair, body in zip(parts, bodies, strict=True) if len(pair[0]) >= 3]
        parts = [pair for pair in parts if len(pair[0]) >= 3]
        if not parts:
            raise file.error(
                ("defect", k),
                f"'{model.name}' lies wholly outside the rough; coordinates are those of the file's "
                "shape, in mm",
            )
        number = zones.numbers.index(k) if zones is not None and model.kind == "zone" else None
        wish = model.wish or WISHES[model.kind]
        margin = MARGINS[model.kind] if model.margin_mm is None else model.margin_mm
        found += [
            Defect(
                model.name, model.kind, wish, margin, *pair, _within(model, body, pair[1]), number
            )
            for pair, body in zip(parts, bodies, strict=True)
        ]
    return tuple(found)


def _within(model: DefectModel, body: Body | None, corners: Floats) -> Floats:
    """Corners that stand around a round body, drawn in until they are its own."""
    middle = corners.mean(axis=0)
    if model.disc is not None:
        return np.asarray(middle + (corners - middle) * math.cos(math.pi / model.disc.count))
    if body is None or body.ellipsoid is None:
        return corners
    m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
    middle = np.linalg.solve(m, w)
    out = np.linalg.norm(corners @ m.T - w, axis=1).max()
    return np.asarray(middle + (corners - middle) / max(1.0, out))


def _pit(file: RoughFile, number: int, turn: Floats, scaled: float, mesh: Scan) -> Body:
    """An ellipsoid about its mouth: radius_mm wide, depth_mm down from the nearest face of the hull.

    From a face of the piece: down from that face.
    """
    model, hull = file.model.defect[number], mesh.hull
    if model.from_face is not None:
        here = model.from_face
        try:
            at, axes = face.surface_point(here, mesh, turn, scaled)
        except FacetraceError as problem:
            raise file.error(("defect", number, "from_face", "at_mm"), problem) from None
        return _cup(at, axes[2], (here.wide_mm or 0.0) / 2, here.deep_mm)
    # the model's check sees to it
    assert model.at_mm is not None
    assert model.radius_mm is not None
    assert model.depth_mm is not None
    at, radius, depth = (
        scaled * turn @ np.array(model.at_mm), scaled * model.radius_mm, scaled * model.depth_mm
    )  # fmt: skip
    under = hull.planes[3] - at @ hull.planes[:3]
    nearest = int(np.argmin(under))
    if under[nearest] <= radius + depth:
        return _cup(at, hull.planes[:3, nearest], radius, depth)
    # in a hollow: down from the triangle with the nearest corner
    far = np.linalg.norm(mesh.triangles - at, axis=2).min(axis=1)
    beside = int(np.argmin(far))
    if far[beside] > radius + depth:
        raise file.error(
            ("defect", number, "at_mm"),
            f"lies {min(far[beside], under[nearest]):.2g} mm below the surface; a pit opens at the surface",
        )
    a, b, c = mesh.triangles[beside]
    normal = np.cross(b - a, c - a)
    return _cup(at, normal / np.linalg.norm(normal), radius, depth)


def _cup(at: Floats, normal: Floats, radius: float, depth: float) -> Body:
    rows = np.array([*across(normal), normal]) / np.array([radius, radius, depth])[:, None]
    return Body(ellipsoid=np.column_stack([rows, rows @ at]))


def around(body: Body, room: Floats | None = None) -> Floats:
    """Planes (4, m) of a body; those that touch an ellipsoid from without, OUT_MM apart from it at most within *room* (4, k)."""
    if body.ellipsoid is None:
        return body.planes
    m, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
    radius = 1 / float(np.linalg.svd(m)[1].min())
    finer = math.log(max(1.0, OUT_SHARE * radius / OUT_MM), 4) if room is not None else 0.0
    divisions = min(DIVISIONS_MOST, DIVISIONS + math.ceil(finer))
    touch = np.asarray(trimesh.creation.icosphere(subdivisions=divisions).vertices)
    if room is not None:
        # elsewhere few will do; those of the coarser ones come first
        at = np.linalg.solve(m, (touch + w).T)
        inside = (room[:3].T @ at <= room[3][:, None]).all(axis=0)
        inside[: 10 * 4**DIVISIONS + 2] = True
        touch = touch[inside]
    planes = np.vstack([(touch @ m).T, 1 + touch @ w])
    return np.asarray(planes / np.linalg.norm(planes[:3], axis=0))
