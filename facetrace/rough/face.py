"""Defects as a person finds them on a piece: from this face, here, so long, so deep; and wedges.

``FromFace`` names a side of the piece, a place on it, and lengths. The place is given in the file's frame;
where the surface is there, the mesh says.
"""

import math
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from facetrace.common.errors import FacetraceError
from facetrace.common.tomlfile import AS_LIST, MisplacedError, Strict
from facetrace.rough.scan import Scan
from facetrace.rough.zone import (
    SMALLEST,
    Coordinate,
    Floats,
    Length,
    Point,
    unit,
)  # fmt: skip
from facetrace.solid import convex as fit
from facetrace.solid.body import Body

Side = Literal["+x", "-x", "+y", "-y", "+z", "-z"]
# mm that a shape stands out of the surface, beside the scan's error, so that nothing of it is missed
OUT_MM = 0.05
# places along a crack's trace where the surface is looked for
PLACES = 33
# how flat a crack may lie under its face, degrees
FLATTEST = 5.0
# a wedge thinner than this, mm, is a flat crack
THIN_MM = 1e-3
# keys of a shape from a face: those that each kind must have, and those that it may have
WANTED = {
    "crack": (("long_mm",), ("along_deg", "dip_deg", "wide_mm")),
    "pit": (("wide_mm",), ()),
    "crystal": (("long_mm",), ("along_deg", "wide_mm", "under_mm")),
    "silk": (("long_mm",), ("along_deg", "wide_mm", "under_mm")),
    "cloud": (("long_mm",), ("along_deg", "wide_mm", "under_mm")),
}


class FromFace(Strict):
    """A defect found on a side of the piece: where, how long and wide, how deep.

    face: the outermost side along an axis of the file, or the direction [x, y, z] that one looks
    against. at_mm: the place. On "+x" and "-x" it is the file's [y, z], on "+y" and "-y" [x, z], on
    "+z" and "-z" [x, y]. On another direction it is counted from the file's origin, to the right and up as one
    looks at that face with +z up. along_deg: how the length runs, from the first of these towards the
    second. Lengths are those of the piece itself, as a caliper reads them; deep_mm is straight down.

    A crack leans by dip_deg from the face: 90 goes straight down, less leans towards along_deg + 90. Its
    wide_mm is how far it gapes at the surface; it closes to nothing at its depth. A crystal is an
    ellipsoid, silk and a cloud are blocks, from under_mm to deep_mm below the surface.
    """

    face: Side | Point
    at_mm: Annotated[tuple[Coordinate, Coordinate], AS_LIST]
    along_deg: Annotated[float, Field(ge=-360, le=360)] = 0.0
    long_mm: Length | None = None
    wide_mm: Annotated[float, Field(ge=THIN_MM, le=500)] | None = None
    under_mm: Annotated[float, Field(ge=0, le=500)] = 0.0
    deep_mm: Length
    dip_deg: Annotated[float, Field(ge=FLATTEST, le=180 - FLATTEST)] = 90.0

    @model_validator(mode="after")
    def _check(self) -> "FromFace":
        if not isinstance(self.face, str) and math.hypot(*self.face) < SMALLEST:
            raise MisplacedError(("face",), 'has no direction; write it like "+x" or [1, 0, 0.5]')
        if self.under_mm >= self.deep_mm:
            raise MisplacedError(
                ("under_mm",),
                f"{self.under_mm:g} is not above deep_mm {self.deep_mm:g}; a body lies from "
                "under_mm down to deep_mm",
            )
        return self

    def check_kind(self, kind: str) -> None:
        """Raises MisplacedError for keys that a kind lacks, or that mean nothing of it."""
        needed, may = WANTED[kind]
        missing = [k for k in needed if getattr(self, k) is None]
        if missing:
            raise MisplacedError(("from_face", missing[0]), f"is missing; a {kind} needs it here")
        own = {"face", "at_mm", "deep_mm", *needed, *may}
        odd = sorted(self.model_fields_set - own)
        if odd:
            raise MisplacedError(("from_face", odd[0]), f"means nothing of a {kind}; leave it out")

    @property
    def axes(self) -> Floats:
        """(3, 3) in the file's frame: the two directions of at_mm, then out of the face."""
        direction = self.face
        if isinstance(direction, str):
            sign, axis = (1.0 if direction[0] == "+" else -1.0), "xyz".index(direction[1])
        else:
            out = unit(direction)
            axis = int(np.argmax(np.abs(out)))
            sign = math.copysign(1.0, out[axis])
            if np.count_nonzero(out) > 1:
                right = np.cross([0.0, 0.0, 1.0], out)
                right = right / np.linalg.norm(right)
                return np.array([right, np.cross(out, right), out])
        eye = np.eye(3)
        return np.array([*(eye[k] for k in range(3) if k != axis), sign * eye[axis]])


class Wedge(Strict):
    """A crack or silk that gapes at the surface and closes inside.

    mouth_mm: the two ends of its line on the surface; tip_mm: one or two points where it ends in the
    piece; thick_mm: how wide it is all along the mouth, half to each side.
    """

    mouth_mm: Annotated[tuple[Point, Point], AS_LIST]
    tip_mm: Annotated[list[Point], Field(min_length=1, max_length=2)]
    thick_mm: Annotated[float, Field(ge=THIN_MM, le=100)]

    @model_validator(mode="after")
    def _check(self) -> "Wedge":
        try:
            self.bodies()
        except FacetraceError:
            raise ValueError(
                "mouth_mm, tip_mm: lie on one line; the tip is beside the line of the mouth"
            ) from None
        return self

    def bodies(self) -> list[Body]:
        """One body."""
        a, b = np.array(self.mouth_mm)
        tips = np.array(self.tip_mm)
        # across the sheet that mouth and tip span
        across = np.cross(b - a, tips.mean(axis=0) - (a + b) / 2)
        length = float(np.linalg.norm(across))
        half = across / length * self.thick_mm / 2 if length > SMALLEST else np.zeros(3)
        return [fit.hull(np.vstack([a + half, a - half, b + half, b - half, tips]))]


# ---- on the piece -----------------------------------------------------------------------------


def _meets(mesh: Scan, origin: Floats, axes: Floats, steps: Floats) -> list[Floats]:
    """Where lines along ``axes[2]`` come into the mesh: of each its distances from the plane of *origin*, mm.

    axes (3, 3): two directions across the lines and the one along them, of length 1, the first two
    at right angles to it; the lines pass through ``origin + step * axes[0]``.
    """
    seen = ((mesh.vertices - origin) @ axes.T)[mesh.faces]
    row = seen[:, :, 1]
    seen = seen[(row.min(axis=1) <= 0) & (row.max(axis=1) >= 0)]
    a, b, c = seen[:, 0], seen[:, 1], seen[:, 2]
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    # seen from where the line comes from, triangles that it enters by run clockwise
    front = area < 0 if np.linalg.det(axes) > 0 else area > 0
    a, b, c, area = a[front], b[front], c[front], area[front]
    found = []
    for step in steps:
        p, q, r = (x[:, :2] - [step, 0.0] for x in (a, b, c))
        shares = np.column_stack([
            q[:, 0] * r[:, 1] - q[:, 1] * r[:, 0],
            r[:, 0] * p[:, 1] - r[:, 1] * p[:, 0],
            p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0],
        ]) / area[:, None]  # fmt: skip
        hit = (shares >= -1e-9).all(axis=1)
        levels = np.column_stack([x[hit, 2] for x in (a, b, c)])
        found.append((shares[hit] * levels).sum(axis=1))
    return found


def surface_point(
    place: FromFace, mesh: Scan, turn: Floats, scaled: float
) -> tuple[Floats, Floats]:
    """(the point of the surface that is meant, the axes of its face), in the mesh's frame.

    A point r of the file stands at ``scaled * turn @ r``. Raises FacetraceError where no surface is there.
    """
    axes = place.axes @ turn.T
    first, second = scaled * np.array(place.at_mm)
    origin = first * axes[0] + second * axes[1]
    along = np.array([axes[0], axes[1], -axes[2]])
    (levels,) = _meets(mesh, origin, along, np.zeros(1))
    if not len(levels):
        seen = mesh.vertices @ axes[:2].T / scaled
        (left, low), (right, high) = seen.min(axis=0), seen.max(axis=0)
        raise FacetraceError(
            f"no surface of the piece lies at {place.at_mm[0]:g}, {place.at_mm[1]:g} mm of this face; the piece "
            f"reaches from {left:.2f} to {right:.2f} and from {low:.2f} to {high:.2f} there"
        )
    # the outermost, which one sees
    return origin - levels.min() * axes[2], axes


def crack_on(place: FromFace, mesh: Scan, turn: Floats, scaled: float, out_mm: float) -> Floats:
    """Corners of a crack, flat (n, 3), or of a wedge where it has a width; it stands *out_mm* out of the surface."""
    point, axes = surface_point(place, mesh, turn, scaled)
    angle, dip = math.radians(place.along_deg), math.radians(place.dip_deg)
    along = math.cos(angle) * axes[0] + math.sin(angle) * axes[1]
    aside = -math.sin(angle) * axes[0] + math.cos(angle) * axes[1]
    down = math.cos(dip) * aside - math.sin(dip) * axes[2]
    across = np.cross(along, down)
    long = place.long_mm or 0.0
    steps = np.linspace(-long / 2, long / 2, PLACES)
    levels = np.full(PLACES, np.nan)
    for k, found in enumerate(_meets(mesh, point, np.array([along, across, down]), steps)):
        if len(found):
            levels[k] = found[np.argmin(np.abs(found))]
    there = np.flatnonzero(~np.isnan(levels))
    # beyond an edge it goes on as at the edge; the piece's hull cuts it
    nearest = (
        there[np.abs(there - np.arange(PLACES)[:, None]).argmin(axis=1)] if len(there) else None
    )
    levels = levels[nearest] if nearest is not None else np.zeros(PLACES)
    foot = point + np.outer(steps, along)
    top = foot + np.outer(levels - out_mm / math.sin(dip), down)
    low = foot + np.outer(levels + place.deep_mm / math.sin(dip), down)
    if place.wide_mm is None:
        return np.vstack([top, low])
    half = place.wide_mm / 2 * across
    return np.vstack([top + half, top - half, low])


def body_on(
    place: FromFace, mesh: Scan, turn: Floats, scaled: float, out_mm: float, round_: bool
) -> Body:
    """A body under a face: an ellipsoid, or a block, which reaches *out_mm* out where it begins at the surface."""
    point, axes = surface_point(place, mesh, turn, scaled)
    angle = math.radians(place.along_deg)
    frame = np.array([
        math.cos(angle) * axes[0] + math.sin(angle) * axes[1],
        -math.sin(angle) * axes[0] + math.cos(angle) * axes[1],
        axes[2],
    ])  # fmt: skip
    long = place.long_mm or 0.0
    top = -place.under_mm if place.under_mm or round_ else out_mm
    size = np.array([long, place.wide_mm or long, top + place.deep_mm])
    centre = frame @ point + [0.0, 0.0, (top - place.deep_mm) / 2]
    if round_:
        rows = frame / (size / 2)[:, None]
        return Body(ellipsoid=np.column_stack([rows, centre / (size / 2)]))
    planes = np.hstack([frame.T, -frame.T])
    return Body(np.vstack([planes, np.append(size / 2 + centre, size / 2 - centre)]))
