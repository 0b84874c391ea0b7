"""Drawings that turn: a stone, or stones in their rough, as the JSON that ``solid3d.js`` draws.

A page holds ``style()`` in a style element, ``script()`` in a script element, ``embedded(drawing)`` in a
script element of type application/json, and calls ``facetraceSolid(element, drawing)``.

unit, rounded_mm    millimetres; coordinates are rounded to that step, directions to DIRECTION_DIGITS digits
name        of the whole; a text like all names here: it may hold any character
scenes      what one chooses from, at least one: name; stones; bodies (numbers in ``bodies``);
            axes: rows are the directions that "from above" draws to the right, up and towards the eye;
            c_axis: at, direction, of the line to draw
stone       name; gear (null: not known); vertices; facets; edges [corner, corner, facet, facet], without
            those between two pieces of one facet; parts: facets of each convex part, a heart has two;
            wall: normal that points into the first of two parts, and distance from the origin; or null
facet       name (two pieces of one facet share it), tier, side (crown, girdle, pavilion), angle_deg from the
            girdle plane (0 table, 90 girdle), index on the gear, or null: without a gear, or
            without a direction (table, culet); normal; polygon: corners, counter-clockwise from outside
bodies      defects and zones: name, kind, wish (null: none), colour (number of the colour and pattern, bodies of
            one name share it), points: corners of the convex part that is drawn
rough       null, or name, vertices, triangles (counter-clockwise from outside), of (triangles of the whole
            mesh) and moved_mm: how far corners were moved to draw fewer; 0 where all are there;
            sharp_deg, most_edges: edges that turn by more are drawn, the sharpest where there are more

One frame in all: that of the design, or with a rough the crystal's, c along +z.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.design.model import Design
from facetrace.report.plan import SHARP, Panel
from facetrace.report.six_views import LETTERS
from facetrace.rough.defects import around
from facetrace.rough.rough import Rough
from facetrace.rough.scan import Scan
from facetrace.solid import convex as fit
from facetrace.solid.body import Body
from facetrace.solid.build import facets_of, tier_of
from facetrace.solid.lobes import WALL
from facetrace.solid.polyhedron import Solid
from facetrace.studies.zoned import Cut
from facetrace.trace.scene import direction

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# what a page takes into itself to draw, in this order; the last one finds the drawing and the place for it
SCRIPTS = ("solid3d-draw.js", "solid3d.js", "solid3d-here.js")
STYLES = ("solid3d.css",)

MM_DIGITS, DIRECTION_DIGITS = 4, 6
# what a phone turns without a stutter
MOST_TRIANGLES, MOST_EDGES = 20_000, 1_500
# a facet nearer to level than this has no direction
LEVEL_DEG = 1e-4


def drawing_of_design(
    design: Design | None, solid: Solid, zones: Sequence[tuple[str, Body]] = (), name: str = "",
    kinds: Sequence[str] = (),
) -> dict[str, Any]:  # fmt: skip
    """A stone in its own frame, with c as the design says; zones: (name, body) in that frame, or what *kinds* calls them.

    design: for gear, tiers and axis; None for a stone that has none (c is then not drawn). name: in
    place of the design's.
    """
    name = name or (design.name if design else "stone")
    bodies = [
        part
        for (zone, body), kind in zip(zones, kinds or ["zone"] * len(zones), strict=True)
        for piece in solid.parts
        if (part := _clipped(zone, kind, None, body, piece)) is not None
    ]
    axis = direction(design.axis.tilt, design.axis.azimuth) if design else None
    here = np.eye(3), np.zeros(3)
    scene = {
        "name": name,
        "axes": _directions(np.eye(3)),
        "stones": [_stone(name, solid, design, *here)],
        "bodies": list(range(len(bodies))),
        "c_axis": None if axis is None else _axis(_middle(solid.vertices), axis),
    }
    return _drawing(name, [scene], bodies, None)


def drawing_of_plans(
    rough: Rough, panels: Sequence[Panel] = (), designs: Mapping[str, Sequence[Design]] | None = None
) -> dict[str, Any]:  # fmt: skip
    """A rough with its defects, and the stones of each panel where they lie; without panels the rough alone.

    designs: by the panel's name the design of each of its stones, for gear and tiers. "From above" is
    how the first stone of a panel is seen face up.
    """
    bodies = [_body(d.name, d.kind, d.wish, d.points) for d in rough.defects]
    scenes = []
    for panel in panels or [Panel(rough.name, ())]:
        known = (designs or {}).get(panel.name, [None] * len(panel.cuts))
        axes = panel.cuts[0].turn.T if panel.cuts else np.eye(3)
        at = _seat(panel.cuts[0]) if panel.cuts else _middle(rough.mesh.vertices)
        stones = [
            _stone(_called(panel, k), cut.solid, design, cut.turn, cut.shift)
            for k, (cut, design) in enumerate(zip(panel.cuts, known, strict=True))
        ]
        scenes.append({
            "name": panel.name, "axes": _directions(axes), "stones": stones,
            "bodies": list(range(len(bodies))), "c_axis": _axis(at, np.array([0.0, 0.0, 1.0])),
        })  # fmt: skip
    return _drawing(rough.name, scenes, bodies, _rough(rough))


def _drawing(
    name: str, scenes: list[dict[str, Any]], bodies: list[dict[str, Any]], rough: dict[str, Any] | None
) -> dict[str, Any]:  # fmt: skip
    names = list(dict.fromkeys(body["name"] for body in bodies))
    return {
        "unit": "mm",
        "rounded_mm": 10.0**-MM_DIGITS,
        "name": name,
        "scenes": scenes,
        "bodies": [{**body, "colour": names.index(body["name"])} for body in bodies],
        "rough": rough,
    }


# ---- stones -----------------------------------------------------------------------------------


def _called(panel: Panel, number: int) -> str:
    return panel.name if len(panel.cuts) == 1 else f"{panel.name}, stone {LETTERS[number]}"


def _stone(
    name: str, solid: Solid, design: Design | None, turn: Floats, shift: Floats
) -> dict[str, Any]:
    """A solid whose points r stand at ``shift + turn @ r``."""
    tiers = {f.name: f.tier for f in facets_of(design)} if design else {}
    gear = design.gear if design else None
    owners = _owners(solid)
    return {
        "name": name,
        "gear": gear,
        "vertices": _points(solid.vertices @ turn.T + shift),
        "facets": [
            {
                "name": facet,
                "tier": tiers.get(facet) or tier_of(facet),
                **_setting(normal, gear),
                "normal": _directions(turn @ normal),
                "polygon": polygon.tolist(),
            }
            for facet, normal, polygon in zip(
                solid.names, solid.normals, solid.polygons, strict=True
            )
        ],
        "edges": [[*edge, *pair] for edge, pair in owners.items()],
        "parts": _parts(solid),
        "wall": _wall(solid, turn, shift),
    }


def _setting(normal: Floats, gear: int | None) -> dict[str, Any]:
    """Side, angle from the girdle plane and index position of a facet, by its normal in the stone's frame."""
    angle = math.degrees(math.atan2(math.hypot(normal[0], normal[1]), abs(normal[2])))
    side = "girdle" if angle > 90 - LEVEL_DEG else "crown" if normal[2] > 0 else "pavilion"
    index = None
    if gear is not None and angle > LEVEL_DEG:
        teeth = gear * math.atan2(normal[1], normal[0]) / (2 * math.pi)
        index = round(teeth % gear, MM_DIGITS) % gear + 0.0
    return {"side": side, "angle_deg": round(angle, MM_DIGITS), "index": index}


def _owners(solid: Solid) -> dict[tuple[int, int], tuple[int, int]]:
    """For each edge, by its corners, the two facets that meet in it; none within one facet."""
    found: dict[tuple[int, int], list[int]] = {}
    for facet, polygon in enumerate(solid.polygons):
        for a, b in zip(polygon.tolist(), np.roll(polygon, -1).tolist(), strict=True):
            found.setdefault((min(a, b), max(a, b)), []).append(facet)
    return {
        edge: (pair[0], pair[1])
        for edge, pair in found.items()
        if len(pair) == 2 and solid.names[pair[0]] != solid.names[pair[1]]
    }


def _parts(solid: Solid) -> list[list[int]]:
    """Numbers of the facets of each convex part."""
    counts = [sum(n != WALL or len(solid.parts) == 1 for n in p.names) for p in solid.parts]
    ends = np.cumsum([0, *counts]).tolist()
    return [list(range(a, b)) for a, b in itertools.pairwise(ends)]


def _wall(solid: Solid, turn: Floats, shift: Floats) -> dict[str, Any] | None:
    if len(solid.parts) == 1:
        return None
    first = solid.parts[0]
    number = first.names.index(WALL)
    into = turn @ -first.normals[number]
    return {
        "normal": _directions(into),
        "distance": _millimetres(float(into @ shift - first.offsets[number])),
    }


def _seat(cut: Cut) -> Floats:
    """The middle of a cut's stone in the rough."""
    return np.asarray(cut.shift + cut.turn @ _middle(cut.solid.vertices))


# ---- defects, zones, the rough ----------------------------------------------------------------


def _clipped(
    name: str, kind: str, wish: str | None, body: Body, piece: Solid
) -> dict[str, Any] | None:
    """What of a body lies in a convex solid; None where nothing does."""
    points = fit.corners(np.hstack([around(body), piece.planes]))
    return _body(name, kind, wish, points) if len(points) else None


def _body(name: str, kind: str, wish: str | None, points: Floats) -> dict[str, Any]:
    corners = np.unique(points.round(MM_DIGITS), axis=0)
    return {"name": name, "kind": kind, "wish": wish, "points": _points(corners)}


def _rough(rough: Rough) -> dict[str, Any]:
    vertices, triangles, moved = fewer(rough.mesh, MOST_TRIANGLES)
    return {
        "name": rough.name,
        "vertices": _points(vertices),
        "triangles": triangles.tolist(),
        "of": len(rough.mesh.faces),
        "moved_mm": _millimetres(moved),
        "sharp_deg": round(math.degrees(math.acos(SHARP)), 2),
        "most_edges": MOST_EDGES,
    }


def fewer(mesh: Scan, most: int) -> tuple[Floats, Ints, float]:
    """(vertices, faces, largest move in mm) of a mesh with at most so many triangles, for drawing only.

    Corners in one cell of a grid become their mean, in ever larger cells; triangles that lose a
    corner go. A mesh that has no more comes back as it is.
    """
    vertices, faces, moved = mesh.vertices, np.asarray(mesh.faces, dtype=np.int64), 0.0
    # about as many cells meet a surface as it has triangles
    step = mesh.size / math.sqrt(most)
    while len(faces) > most:
        cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / step).astype(np.int64)
        _, which, counts = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
        which = which.ravel()
        sums = [np.bincount(which, weights=mesh.vertices[:, k]) for k in range(3)]
        vertices = np.column_stack(sums) / counts[:, None]
        faces = which[mesh.faces]
        a, b, c = faces.T
        faces = faces[(a != b) & (b != c) & (c != a)]
        moved = float(np.linalg.norm(mesh.vertices - vertices[which], axis=1).max())
        step *= 1.2
    return vertices, faces, moved


# ---- numbers ----------------------------------------------------------------------------------


def _middle(points: Floats) -> Floats:
    return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2)


def _axis(at: Floats, along: Floats) -> dict[str, Any]:
    return {"at": _points(at), "direction": _directions(along)}


def _points(points: Floats) -> Any:
    return (np.round(points, MM_DIGITS) + 0.0).tolist()


def _directions(vectors: Floats) -> Any:
    return (np.round(vectors, DIRECTION_DIGITS) + 0.0).tolist()


def _millimetres(value: float) -> float:
    return round(value, MM_DIGITS) + 0.0
