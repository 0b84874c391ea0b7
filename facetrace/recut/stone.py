"""Files of stones as cut: a design or a scan, what was measured and weighed, flaws, and limits.

The solid is the design's (or the mesh's), scaled evenly to the measured length and width; carats
are scaled so that it weighs what the balance said. Frame and facet names are the design's.

The JSON schema of the file, for editors: ``python -m facetrace.recut.stone``.
"""

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import trimesh
from numpy.typing import NDArray
from pydantic import Field, model_validator

from facetrace.common import tomlfile
from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.filekind import no_file
from facetrace.common.meant import nearest
from facetrace.common.names import path_beside
from facetrace.common.tomlfile import AS_LIST, ModelFile, Strict, read_model
from facetrace.common.vectors import across
from facetrace.design.model import Axis, Design
from facetrace.optics.material import Material, material_in
from facetrace.recut.facets import Faceted, faceted
from facetrace.recut.planes import corners, outside, uphill
from facetrace.solid.export import mesh_of
from facetrace.solid.girdle import blank_of, flats_in
from facetrace.solid.lobes import TwoLobes
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.opening import open_design

Floats = NDArray[np.float64]

# sizes and weight may disagree with the shape by so much before a note says so
SIZE_SHARE, WEIGHT_SHARE = 0.02, 0.03
# a weight further off is no measurement of this stone
ABSURD_SHARE = 0.5
# a flaw this near to other facets touches them too, mm
TOUCH_MM = 0.02
# a flaw given by its place lies this near to the surface, mm
NEAR_MM = 0.5
# what lies under a whole facet ends so little short of its edges
UNDER = 0.999
# points around the rim of a flaw that has a width
RIM = 8
LISTED = 8

Millimetres = Annotated[float, Field(gt=0, le=200)]
Carats = Annotated[float, Field(gt=0, le=10_000)]
Coordinate = Annotated[float, Field(ge=-200, le=200)]
Share = Annotated[float, Field(ge=-1, le=1)]
KINDS = ("pit", "chip", "scratch", "worn edge")


class Measured(Strict):
    """What calliper and balance said; length is the longer side of the outline."""

    length_mm: Millimetres
    width_mm: Millimetres
    depth_mm: Millimetres
    carats: Carats

    @model_validator(mode="after")
    def _check(self) -> "Measured":
        if self.width_mm > self.length_mm:
            raise ValueError(
                f"width_mm: {self.width_mm:g} is more than length_mm; the length is the longer side"
            )
        return self


class Flaw(Strict):
    """A flaw at the surface: where, how deep, how wide.

    facet: by name, as ``facetrace solid --facets`` lists it; at: (right, up), shares of the way from the
    facet's centre to its edge, seen from outside (a level facet: along x and y); without it the flaw may lie
    anywhere on the facet. at_mm: a place near the surface instead: of a design in the stone's frame and size
    (z = 0 at the girdle), of a mesh in the mesh's.
    """

    name: Annotated[str, Field(min_length=1, max_length=40)]
    kind: Literal["pit", "chip", "scratch", "worn edge"] = "pit"
    facet: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    at: Annotated[tuple[Share, Share], AS_LIST] | None = None
    at_mm: Annotated[tuple[Coordinate, Coordinate, Coordinate], AS_LIST] | None = None
    depth_mm: Annotated[float, Field(gt=0, le=5)]
    width_mm: Annotated[float, Field(ge=0, le=20)] = 0.0
    importance: Annotated[float, Field(gt=0, le=1000)] = 1.0

    @model_validator(mode="after")
    def _check(self) -> "Flaw":
        if (self.facet is None) == (self.at_mm is None):
            raise ValueError("needs one of facet and at_mm, to say where it is")
        if self.at is not None and self.at_mm is not None:
            raise ValueError("at: goes with facet; at_mm says the place already")
        if self.at is not None and math.hypot(*self.at) > 1 + 1e-9:
            raise ValueError(
                "at: lies beyond the facet's edge; its two shares lie in a circle of 1"
            )
        return self


class Limits(Strict):
    """Beyond these a cut is not proposed.

    most_angle: degrees that a facet may turn; symmetry_mm: how far corners may come to stand from
    where the stone's symmetry expects them, beyond what they do now; girdle_mm: the girdle is left no
    thinner (or as thin as it is); light_points: light returned may fall by so many % of all light;
    most_carats: what the whole re-cut may cost, without it down to the floor.
    """

    most_angle: Annotated[float, Field(ge=0, le=15)] = 1.0
    symmetry_mm: Annotated[float, Field(ge=0, le=5)] = 0.05
    girdle_mm: Annotated[float, Field(ge=0, le=5)] = 0.05
    light_points: Annotated[float, Field(ge=0, le=100)] = 1.0
    most_carats: Carats | None = None


class GirdleWish(Strict):
    """The ground girdle cut into so many flats."""

    facet: Annotated[int, Field(ge=3, le=250)]


class StoneModel(Strict):
    """A whole file of a stone as cut."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    notes: str = ""
    design: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    mesh: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    material: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    axis: Axis | None = None
    floor_carats: Carats
    spare_carats: Annotated[
        float, Field(ge=0, le=100, description="kept above the floor, for polish")
    ] = 0.005
    measured: Measured
    limits: Limits = Limits()
    girdle: GirdleWish | None = None
    flaw: Annotated[list[Flaw], Field(max_length=24)] = Field(default_factory=list)

    @model_validator(mode="after")
    def _check(self) -> "StoneModel":
        if (self.design is None) == (self.mesh is None):
            raise ValueError("needs exactly one of design and mesh")
        if self.mesh is not None and self.material is None:
            raise ValueError("material: is missing; a mesh does not say what it is made of")
        for key in ("material", "axis"):
            if self.design is not None and getattr(self, key) is not None:
                raise ValueError(f"{key}: goes with mesh; the design says its own")
        if self.mesh is not None and self.girdle is not None:
            raise ValueError("[girdle] facet: needs a design, whose smooth girdle is known")
        names = [f.name for f in self.flaw]
        twice = [n for n in names if names.count(n) > 1]
        if twice:
            raise ValueError(f"two flaws are named '{twice[0]}'; names must differ")
        return self


@dataclass(frozen=True)
class Spot:
    """A flaw on the solid: the facets it touches by number, its place (3,), what must go (k, 3), mm."""

    facets: tuple[int, ...]
    place: Floats
    bottoms: Floats


@dataclass(frozen=True)
class CutStone:
    """A stone as cut, measured and weighed.

    scale: of the design or mesh; scan: of a mesh, its frame; density: g/cm^3 that makes the solid weigh what the balance said;
    flats: (made, carats they cost) of the wished girdle, from a smooth one; notes: what disagrees.
    """

    path: Path
    model: StoneModel
    solid: Solid
    material: Material
    axis: tuple[float, float]
    scale: float
    scan: Faceted | None
    density: float
    spots: tuple[Spot, ...]
    flats: tuple[int, float] | None
    notes: tuple[str, ...]

    def lowest(self, floor_carats: float) -> float:
        """Carats that a re-cut must leave: the floor and the spare, or what it may cost at most."""
        most = self.model.limits.most_carats
        kept = 0.0 if most is None else self.model.measured.carats - most
        return max(floor_carats + self.model.spare_carats, kept)

    def places(self, points: Floats) -> Floats:
        """Points (n, 3) of the solid as the file's at_mm would say them."""
        return points if self.scan is None else self.scan.points_out(points / self.scale)

    def carats(self, solid: Solid) -> float:
        """What a solid weighs if this one weighs what was measured."""
        return self.model.measured.carats * solid.volume / self.solid.volume


_File = ModelFile[StoneModel]


def read_stone(path: Path) -> CutStone:
    """Read a stone as cut. Raises FileError with file, line, key, what is wrong and the remedy."""
    model, text = read_model(path, StoneModel)
    return stone_of(_File(path, text, model))


def stone_of(file: _File) -> CutStone:
    """The stone that a file describes, with its design or scan read. Raises FileError."""
    model = file.model
    design, drawn, material = _shape(file)
    scan = drawn if isinstance(drawn, Faceted) else None
    drawn = drawn.solid if isinstance(drawn, Faceted) else drawn
    if isinstance(drawn, TwoLobes):
        raise file.error(("design",), "is a heart, two lobes; a re-cut is worked out for convex stones only")  # fmt: skip
    shape, sizes = measure(drawn, material.density), model.measured
    scale = math.sqrt(sizes.length_mm * sizes.width_mm / (shape.length_mm * shape.width_mm))
    solid = drawn.scaled(scale)
    carats = shape.carats * scale**3
    if abs(sizes.carats / carats - 1) > ABSURD_SHARE:
        raise file.error(
            ("measured", "carats"),
            f"{sizes.carats:g} ct cannot be this stone: shape and sizes make {carats:.3f} ct; check the "
            "sizes, the weight and the material",
        )
    axis = design.axis if design else model.axis or Axis()
    return CutStone(
        file.path, model, solid, material, (axis.tilt, axis.azimuth), scale, scan,
        material.density * sizes.carats / carats,
        tuple(_spot(file, k, solid, scan, scale) for k in range(len(model.flaw))),
        _flats(file, design, scale, material.density * sizes.carats / carats),
        (*_disagreements(model, solid, carats),),
    )  # fmt: skip


def _shape(file: _File) -> tuple[Design | None, Solid | Faceted, Material]:
    """The design (None for a mesh), its solid as drawn, and what it is made of."""
    model = file.model
    if model.mesh is not None:
        try:
            scan = faceted(path_beside(file.path, model.mesh))
        except FacetraceError as problem:
            raise file.error(("mesh",), problem) from None
        try:
            return None, scan, material_in(file.path, str(model.material))
        except FileError:
            raise
        except FacetraceError as problem:
            raise file.error(("material",), problem) from None
    try:
        path = path_beside(file.path, str(model.design))
    except FacetraceError as problem:
        raise file.error(("design",), problem) from None
    missing = no_file(path)
    if missing:
        raise file.error(("design",), f"{path}: {missing}")
    opened, solid, material = open_design(path)
    return opened.design, solid, material


def _disagreements(model: StoneModel, solid: Solid, carats: float) -> list[str]:
    """What the balance and the calliper say against shape and density."""
    shape, said = measure(solid, 1.0), model.measured
    notes = []
    pairs = [
        (name, getattr(said, f"{name}_mm"), getattr(shape, f"{name}_mm"))
        for name in ("length", "width", "depth")
    ]
    off = [
        f"{name} {measured:.2f} mm measured, {drawn:.2f} by its shape"
        for name, measured, drawn in pairs
        if abs(measured / drawn - 1) > SIZE_SHARE
    ]
    if off:
        notes.append(
            f"The stone's shape is not quite that of the file: {', '.join(off)}. Angles and depths "
            "below are as exact as the shape."
        )
    share = said.carats / carats - 1
    if abs(share) > WEIGHT_SHARE:
        notes.append(
            f"Weighed {said.carats:.3f} ct, but shape and density make {carats:.3f} ct "
            f"({100 * share:+.1f} %): check both."
        )
    return notes


def _flats(
    file: _File, design: Design | None, scale: float, density: float
) -> tuple[int, float] | None:
    if file.model.girdle is None or design is None:
        return None
    try:
        blank = blank_of(design)
    except FacetraceError as problem:
        raise file.error(("girdle", "facet"), problem) from None
    cut = flats_in(blank.outline, file.model.girdle.facet)
    smooth = measure(blank.stone(blank.outline).scaled(scale), density).carats
    return len(cut), smooth - measure(blank.stone(cut).scaled(scale), density).carats


# ---- flaws on the solid -----------------------------------------------------------------------


def _spot(file: _File, number: int, solid: Solid, scan: Faceted | None, scale: float) -> Spot:
    """Where a flaw is and what must go. Raises FileError."""
    flaw = file.model.flaw[number]
    if flaw.facet is None:
        wished = np.array(flaw.at_mm)
        if scan:
            wished = scan.points_in(wished) * scale
        spot = _spot_at(solid, _nearest(file, number, solid, wished), None, flaw)
    else:
        facet = _facet(file, number, flaw.facet, solid)
        if flaw.at is None:
            spot = _whole(solid, facet, flaw.depth_mm)
        else:
            spot = _spot_at(solid, place_on(solid, facet, flaw.at), facet, flaw)
    if outside(solid, spot.bottoms):
        raise file.error(
            ("flaw", number, "depth_mm"), f"{flaw.depth_mm:g} mm is deeper than the stone there"
        )
    return spot


def _whole(solid: Solid, facet: int, depth: float) -> Spot:
    """A flaw anywhere on a facet: what lies under all of it, as far as that is in the stone, must go."""
    centre = centre_of(solid, facet)
    middle = centre - depth * solid.normals[facet]
    arms = corners(solid, facet) - centre
    room = solid.offsets - solid.normals @ middle
    slope = arms @ solid.normals.T
    with np.errstate(divide="ignore"):
        share = np.where(slope > 1e-12, room / np.maximum(slope, 1e-12), np.inf).min(axis=1)
    reach = UNDER * np.clip(share, 0.0, 1.0)
    return Spot((facet,), centre, np.vstack([middle, middle + reach[:, None] * arms]))


def _facet(file: _File, number: int, name: str, solid: Solid) -> int:
    if name in solid.names:
        return solid.names.index(name)
    loc = ("flaw", number, "facet")
    if name in solid.missing:
        raise file.error(loc, f"'{name}' has no place on the stone")
    raise file.error(loc, no_facet(name, solid.names))


def no_facet(name: str, names: Sequence[str]) -> str:
    """That no facet has that name, and which ones may be meant."""
    begun = [n for n in names if n.startswith(f"{name} ")]
    near = nearest(name, names)
    if len(begun) > 1:
        hint = f"name one: {', '.join(begun[:LISTED])}" + (" ..." if len(begun) > LISTED else "")
    elif near:
        hint = f"did you mean '{near}'?"
    else:
        hint = f"known: {', '.join(names[:LISTED])} and {max(0, len(names) - LISTED)} more"
    return f"no facet is named '{name}'; {hint}"


def centre_of(solid: Solid, facet: int) -> Floats:
    """The centre of area (3,) of a facet, mm."""
    points = corners(solid, facet)
    arms = points - points[0]
    areas = np.cross(arms[1:-1], arms[2:]) @ solid.normals[facet]
    middles = (points[0] + points[1:-1] + points[2:]) / 3
    return np.asarray((areas[:, None] * middles).sum(axis=0) / areas.sum())


def place_on(solid: Solid, facet: int, at: tuple[float, float]) -> Floats:
    """The point (3,) at that share of the way from the facet's centre to its edge, (right, up)."""
    normal, centre = solid.normals[facet], centre_of(solid, facet)
    up = uphill(normal)
    right = np.array([1.0, 0.0, 0.0])
    if up is None:
        up = np.array([0.0, 1.0, 0.0])
    else:
        right = np.cross(up, normal)
    share = math.hypot(*at)
    if share == 0:
        return centre
    towards = (at[0] * right + at[1] * up) / share
    slope = solid.normals @ towards
    ahead = slope > 1e-12
    room = (solid.offsets - solid.normals @ centre)[ahead] / slope[ahead]
    return np.asarray(centre + min(share, 1.0) * float(room.min()) * towards)


def _nearest(file: _File, number: int, solid: Solid, wished: Floats) -> Floats:
    """The point (3,) of the surface that is nearest to *wished*. Raises FileError where none is near."""
    triangles = mesh_of(solid).triangles
    nearest = trimesh.triangles.closest_point(triangles, np.tile(wished, (len(triangles), 1)))
    gaps = np.linalg.norm(nearest - wished, axis=1)
    if gaps.min() > NEAR_MM:
        raise file.error(
            ("flaw", number, "at_mm"),
            f"lies {gaps.min():.2f} mm from the surface; give a place within {NEAR_MM:g} mm of it "
            "(recut --facets lists where facets lie)",
        )
    return np.asarray(nearest[int(np.argmin(gaps))], dtype=np.float64)


def _spot_at(solid: Solid, place: Floats, facet: int | None, flaw: Flaw) -> Spot:
    """A flaw at a place; on an edge or corner its depth runs between the facets that meet there."""
    gaps = np.round(solid.offsets - solid.normals @ place, 9)
    touched = [int(i) for i in np.argsort(gaps, kind="stable") if gaps[i] < TOUCH_MM]
    if facet is not None:
        touched = [facet, *(i for i in touched if i != facet)]
    normal = solid.normals[touched].sum(axis=0)
    normal /= np.linalg.norm(normal)
    return Spot(tuple(touched), place, _bottoms(place, normal, flaw.depth_mm, flaw.width_mm))


def _bottoms(place: Floats, normal: Floats, depth: float, width: float) -> Floats:
    """The deepest points (k, 3): under the place, and under the rim of what is wide."""
    middle = place - depth * normal
    if width == 0:
        return np.asarray(middle[None])
    first = across(normal)
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    angles = 2 * math.pi * np.arange(RIM) / RIM
    rim = np.cos(angles)[:, None] * first + np.sin(angles)[:, None] * second
    return np.vstack([middle, middle + width / 2 * rim])


def schema_text() -> str:
    """designs/cut/facetrace-stone.schema.json, made from the model."""
    return tomlfile.schema_text(StoneModel, "facetrace file of a stone as cut")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
