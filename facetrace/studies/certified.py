"""The certificate of a planned stone in a rough, from the rough file's own shapes.

Shapes are built anew from ``rough.file.model``: the search's clipped corners, and its round bodies made of planes,
count for nothing here (``placement.certificate``).
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull

from facetrace.placement.certificate import (
    TOLERANCE_TURN,
    Certificate,
    Cone,
    Disc,
    Ellipsoid,
    Flaw,
    Planes,
    Polytope,
    certify,
)
from facetrace.rough import face
from facetrace.rough.model import MARGINS, WISHES, DefectModel
from facetrace.rough.rough import Rough
from facetrace.rough.zone import Sector
from facetrace.solid.body import Body
from facetrace.solid.polyhedron import Solid

Floats = NDArray[np.float64]
Shapes = tuple[Polytope | Planes | Ellipsoid | Disc, ...]


def certificate_of(
    rough: Rough, solid: Solid, scale: float, rotation: ArrayLike, shift: ArrayLike, *,
    cone: Cone | None = None, volume_mm3: float | None = None, skin_mm: float | None = None,
    margin_less_mm: float = 0.0, saw: ArrayLike | None = None, saw_mm: float | None = None,
    without: Sequence[str] = (),
) -> Certificate:  # fmt: skip
    """Check a copy of a solid whose point r lies at ``shift + scale * rotation @ r`` in the crystal frame.

    volume_mm3: what is claimed; by default the solid's own times scale^3. skin_mm: by default the file's less
    margin_less_mm, by which all margins are less (negative: more), none below 0. saw (4, w): planes that the stone
    lies under by saw_mm, by default the skin. without: names of defects that count for nothing.
    """
    if skin_mm is None:
        skin_mm = max(0.0, rough.loss.skin_mm - margin_less_mm)
    turn = _into_crystal_frame(rough)
    flaws = [
        Flaw(
            model.name, _shapes(rough, model, turn), model.wish or WISHES[model.kind],
            max(0.0, _margin(model) - margin_less_mm),
        )
        for model in rough.file.model.defect if model.name not in without
    ]  # fmt: skip
    found = certify(
        solid.vertices, scale, rotation, shift, rough.mesh.vertices, rough.mesh.faces,
        volume_mm3=solid.volume * scale**3 if volume_mm3 is None else volume_mm3,
        skin_mm=skin_mm, flaws=flaws, saw=saw, saw_mm=skin_mm if saw_mm is None else saw_mm,
        cone=cone, polygons=solid.polygons,
    )  # fmt: skip
    off = float(np.abs(turn - rough.turn).max())
    if off > TOLERANCE_TURN:
        said = f"The scan was turned otherwise than the file's c axis says, by {off:.2g}."
        return replace(found, problems=(said, *found.problems))
    return found


# ---- the file's shapes in the crystal frame ---------------------------------------------------


def _into_crystal_frame(rough: Rough) -> Floats:
    """The shortest rotation of c's upper end to +z, by Rodrigues' formula."""
    axis = rough.file.model.shape.c_axis
    c = np.array([0.0, 0.0, 1.0] if axis is None else axis)
    c = c / np.linalg.norm(c)
    if c[2] < 0:
        c = -c
    x, y = c[1], -c[0]
    cross = np.array([[0.0, 0.0, y], [0.0, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + cross + cross @ cross / (1 + c[2]))


def _margin(model: DefectModel) -> float:
    return MARGINS[model.kind] if model.margin_mm is None else model.margin_mm


def _shapes(rough: Rough, model: DefectModel, turn: Floats) -> Shapes:
    """A defect's true shape, part by part."""
    scaled = rough.scaled

    def there(points: ArrayLike) -> Floats:
        return np.asarray(scaled * np.asarray(points, dtype=np.float64) @ turn.T)

    if model.kind == "pit":
        return (_pit(rough, model, there),)
    if model.from_face is not None:
        return (_on_face(rough, model, turn),)
    if model.disc is not None:
        normal = turn @ np.array(model.disc.normal)
        return (
            Disc(
                there(model.disc.centre_mm),
                normal / np.linalg.norm(normal),
                scaled * model.disc.radius_mm,
            ),
        )
    if model.flat is not None:
        return (Polytope(there(model.flat)),)
    if model.wedge is not None:
        a, b = np.array(model.wedge.mouth_mm)
        tips = np.array(model.wedge.tip_mm)
        across = np.cross(b - a, tips.mean(axis=0) - (a + b) / 2)
        half = across / np.linalg.norm(across) * model.wedge.thick_mm / 2
        return (Polytope(there(np.vstack([a + half, a - half, b + half, b - half, tips]))),)
    if model.hull is not None:
        return (Polytope(there(model.hull.points_mm)),)
    if model.sector is not None:
        return _sectors(model.sector, turn, scaled)
    return tuple(_of_body(body, turn, scaled) for body in getattr(model, model.shape).bodies())


def _of_body(body: Body, turn: Floats, scaled: float) -> Planes | Ellipsoid:
    """A body of the file; |M r - w| <= 1 in its axes."""
    if body.ellipsoid is None:
        return Planes(np.vstack([turn @ body.planes[:3], scaled * body.planes[3]]))
    matrix, w = body.ellipsoid[:, :3], body.ellipsoid[:, 3]
    _, sizes, axes = np.linalg.svd(matrix)
    centre = np.linalg.solve(matrix, w)
    return Ellipsoid(scaled * turn @ centre, turn @ axes.T, scaled / sizes)


def _sectors(sector: Sector, turn: Floats, scaled: float) -> Shapes:
    """Wedges about c itself: their planes keep their normals, only their centre is a point of the file."""
    centre = np.array(sector.centre_mm)
    found = []
    for body in sector.bodies():
        normals, offsets = body.planes[:3], body.planes[3]
        about = offsets - centre @ normals + (turn @ centre) @ normals
        found.append(Planes(np.vstack([normals, scaled * about])))
    return tuple(found)


def _on_face(rough: Rough, model: DefectModel, turn: Floats) -> Polytope | Planes | Ellipsoid:
    """What was found on a face: ``optics.face`` reads it, in the crystal frame at once."""
    here = model.from_face
    assert here is not None
    out_mm = face.OUT_MM + rough.loss.scan_mm
    if model.kind == "crack":
        return Polytope(face.crack_on(here, rough.mesh, turn, rough.scaled, out_mm))
    body = face.body_on(here, rough.mesh, turn, rough.scaled, out_mm, model.kind == "crystal")
    return _of_body(body, np.eye(3), 1.0)


def _pit(rough: Rough, model: DefectModel, there: Any) -> Ellipsoid:
    """An ellipsoid about its mouth, down from the face of the piece, or from the nearest of the scan's hull."""
    if model.from_face is not None:
        here = model.from_face
        at, axes = face.surface_point(here, rough.mesh, rough.turn, rough.scaled)
        out, radius, depth = axes[2], (here.wide_mm or 0.0) / 2, here.deep_mm
    else:
        at = there(model.at_mm)
        planes = ConvexHull(rough.mesh.vertices).equations
        out = planes[np.argmax(planes[:, :3] @ at + planes[:, 3]), :3]
        radius, depth = (rough.scaled * float(x or 0.0) for x in (model.radius_mm, model.depth_mm))
    axes = np.linalg.svd(out[None])[2]
    return Ellipsoid(np.asarray(at), axes.T, np.array([depth, radius, radius]))
