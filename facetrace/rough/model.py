"""Rough files as they are written: what a piece of rough is before anything is fitted into it.

One frame in the file: the scan's, millimetres (of a habit the crystal's, of points their own);
``c_axis`` says how c points in it. ``rough.rough_of`` scales everything, where the balance is trusted, and turns it about the origin,
the shortest way, into the crystal frame: c along +z. Two shapes look along c themselves: a habit, and a
defect's ``sector``, whose azimuths and heights are those of the crystal frame and whose
``centre_mm`` is a point of the file.

The JSON schema of the file, for editors: ``python -m facetrace.rough.model``.
"""

import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator
from scipy.spatial import ConvexHull, QhullError

from facetrace.common import tomlfile
from facetrace.common.tomlfile import AS_LIST, MisplacedError, ModelFile, Strict, read_model
from facetrace.rough.face import FromFace, Wedge
from facetrace.rough.habit import CRYSTALS
from facetrace.rough.zone import (
    COLOURS,
    SHAPES,
    SMALLEST,
    Length,
    Point,
    Zone,
    check_hull,
    check_normal,
    check_one,
    unit,
)

Floats = NDArray[np.float64]
Kind = Literal["crack", "silk", "cloud", "crystal", "pit", "zone"]
Wish = Literal["cut away", "inside", "under girdle", "anywhere", "hide"]
Ppma = Annotated[float, Field(ge=0, le=100_000)]

# what one wishes of each kind, and how far off one stays, mm, unless the file says otherwise
WISHES: dict[str, Wish] = {
    "crack": "cut away", "silk": "under girdle", "cloud": "under girdle", "crystal": "inside",
    "pit": "cut away", "zone": "hide",
}  # fmt: skip
MARGINS = {"crack": 0.1, "silk": 0.0, "cloud": 0.0, "crystal": 0.2, "pit": 0.05, "zone": 0.0}
# mm: points of a crack may lie so far off one plane, or within their outline
PLANE_MM = 0.05
# mm that flat-sided bodies may stand out around round ones; corners of a disc at least and at most
OUT_MM = 0.01
DISC_CORNERS, DISC_MOST = 12, 240
PIT = ("at_mm", "radius_mm", "depth_mm")
# shapes of each kind, where they are not those of the zone files alone
SHAPES_OF = {
    "crack": ("polygon_mm", "disc", "wedge", "from_face"), "pit": (*PIT, "from_face"),
    "silk": (*SHAPES, "wedge", "from_face"), "cloud": (*SHAPES, "from_face"), "crystal": (*SHAPES, "from_face"),
}  # fmt: skip
ALL_SHAPES = (*SHAPES, "polygon_mm", "disc", "wedge", *PIT, "from_face")
MOST_ZONES = 16


def across(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors at right angles to a unit normal and to each other."""
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first = first / np.linalg.norm(first)
    return first, np.cross(normal, first)


class Shape(Strict):
    """The piece itself: exactly one of mesh, habit and points_mm."""

    mesh: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        None, description="a scan beside this file: STL, OBJ or PLY in mm"
    )
    habit: Literal["pebble", "block", "plate", "barrel", "bipyramid"] | None = None
    points_mm: Annotated[list[Point], Field(min_length=4, max_length=10_000)] | None = Field(
        None, description="corners; their convex hull is the piece"
    )
    size_mm: Annotated[tuple[Length, Length, Length], AS_LIST] | None = Field(
        None,
        description="of a habit: along x, y and z; crystals have x across the flats, y across the "
        "corners, z along c; where another order is likelier, that is taken and told",
    )
    corners_mm: Annotated[float, Field(ge=0, le=100)] = Field(
        0.0, description="of a plate: how deep rhombohedron faces cut its corners"
    )
    c_axis: Point | None = Field(
        None,
        description="how c points in this file's frame; of crystals it is z, of a pebble or block by default",
    )

    @model_validator(mode="after")
    def _check(self) -> "Shape":
        check_one(self, ("mesh", "habit", "points_mm"), "shape")
        if (self.habit is None) != (self.size_mm is None):
            raise ValueError("size_mm: goes with habit, and a habit needs it, like [8, 9, 6]")
        if self.corners_mm and self.habit != "plate":
            raise ValueError("corners_mm: goes with a plate")
        if self.c_axis is not None:
            if math.hypot(*self.c_axis) < SMALLEST:
                raise ValueError("c_axis: has no direction, like [0, 0, 1]")
            if self.habit in CRYSTALS:
                raise ValueError(f"c_axis: a {self.habit} has c along z; leave it out")
        elif self.habit is None:
            raise ValueError("c_axis: is missing; say how c points in this frame, like [0, 0, 1]")
        if self.points_mm:
            check_hull(self.points_mm)
        return self


class Loss(Strict):
    """What is lost before and while a stone is cut, mm."""

    scan_mm: Annotated[
        float, Field(ge=0, le=5, description="how far the scanned surface may be off")
    ] = 0.05
    skin_mm: Annotated[
        float, Field(ge=0, le=5, description="taken off the skin in grinding and polishing")
    ] = 0.15
    kerf_mm: Annotated[float, Field(ge=0, le=5, description="width of a saw cut")] = 0.4


class Disc(Strict):
    """A round flat crack; it counts as a polygon around the circle, which stands out by OUT_MM at most."""

    centre_mm: Point
    normal: Point
    radius_mm: Length

    @model_validator(mode="after")
    def _check(self) -> "Disc":
        check_normal(self.normal)
        return self

    @property
    def count(self) -> int:
        """How many corners the polygon has."""
        wanted = math.ceil(math.pi * math.sqrt(self.radius_mm / (2 * OUT_MM)))
        return max(DISC_CORNERS, min(DISC_MOST, wanted))

    def corners(self) -> Floats:
        """(count, 3), around the circle."""
        first, second = across(unit(self.normal))
        angles = 2 * math.pi * np.arange(self.count) / self.count
        radius = self.radius_mm / math.cos(math.pi / self.count)
        around = np.outer(np.cos(angles), first) + np.outer(np.sin(angles), second)
        return np.asarray(np.array(self.centre_mm) + radius * around)


class DefectModel(Zone):
    """What is wrong in the piece, and what is wished of it.

    A crack is a polygon_mm, a disc or a wedge; a pit has at_mm, radius_mm and depth_mm; the other kinds have a
    shape of the zone files, silk may be a wedge too. All but zones may be given by from_face. Wishes: "cut away"; "inside", must not reach the stone's surface; "under
    girdle", may stay below the girdle, off what lies under the table; "anywhere"; "hide", of zones.
    """

    kind: Kind
    wish: Wish | None = Field(
        None,
        description="by default cut away for cracks and pits, inside for crystals, under girdle "
        "for silk and clouds, hide for zones",
    )
    margin_mm: Annotated[float, Field(ge=0, le=10)] | None = Field(
        None, description="how far the stone stays off it; by default 0.1 for cracks, 0.2 for "
        "crystals, 0.05 for pits, 0 for others",
    )  # fmt: skip
    polygon_mm: Annotated[list[Point], Field(min_length=3, max_length=200)] | None = None
    disc: Disc | None = None
    wedge: Wedge | None = None
    from_face: FromFace | None = None
    at_mm: Point | None = None
    radius_mm: Length | None = None
    depth_mm: Length | None = None

    @model_validator(mode="after")
    def _check(self) -> "DefectModel":
        wanted = SHAPES_OF.get(self.kind, SHAPES)
        odd = [k for k in ALL_SHAPES if k not in wanted and getattr(self, k) is not None]
        if odd:
            raise ValueError(
                f"{odd[0]}: does not go with a {self.kind}; give {', '.join(wanted[:-1])} or {wanted[-1]}"
            )
        if self.kind == "pit":
            missing = [k for k in PIT if getattr(self, k) is None]
            if self.from_face and len(missing) < len(PIT):
                raise ValueError("from_face: says where the pit is; leave out " + ", ".join(PIT))
            if not self.from_face and missing:
                raise ValueError(
                    f"{missing[0]}: is missing; a pit has {', '.join(PIT)}, or from_face"
                )
        else:
            check_one(self, wanted, "shape")
        if self.from_face:
            self.from_face.check_kind(self.kind)
        if self.kind == "zone":
            check_one(self, COLOURS, "colour")
        else:
            coloured = [k for k in (*COLOURS, "strength") if k in self.model_fields_set]
            if coloured:
                raise ValueError(f"{coloured[0]}: goes with kind zone, this is a {self.kind}")
            if self.wish == "hide":
                raise ValueError("wish: hide is for zones; a zone has kind = \"zone\"")  # fmt: skip
        if self.polygon_mm:
            _outline(self.polygon_mm)
        return self

    @property
    def flat(self) -> Floats | None:
        """Corners (n, 3) of a flat crack of the file in order, None of other shapes."""
        if self.disc is not None:
            return self.disc.corners()
        return _outline(self.polygon_mm) if self.polygon_mm else None


def _outline(points_mm: list[Point]) -> Floats:
    """Points in one plane in their order around. Raises ValueError where they are not, or not convex."""
    points = np.array(points_mm)
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle)[2]
    off = float(np.abs((points - middle) @ axes[2]).max())
    if off > PLANE_MM:
        raise ValueError(
            f"polygon_mm: a point lies {off:.2g} mm off the plane of the others (at most {PLANE_MM:g}); "
            "split the crack into flat ones"
        )
    flat = (points - middle) @ axes[:2].T
    try:
        around = ConvexHull(flat)
    except QhullError:
        raise ValueError("polygon_mm: the points lie on one line; a crack has an area") from None
    # a polygon's equations: the depth of each point under the nearest side
    under = float(-(flat @ around.equations[:, :2].T + around.equations[:, 2]).max(axis=1).min())
    if under > PLANE_MM:
        raise ValueError(
            f"polygon_mm: is not convex, a point lies {under:.2g} mm inside; split it into convex ones"
        )
    return np.asarray(points[around.vertices])


class RoughModel(Strict):
    """A whole rough file."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    notes: str = ""
    material: Annotated[str, Field(min_length=1, max_length=200)] = "ruby"
    chromophores: dict[str, Ppma] | None = Field(
        None, description="ppma, in place of the material's own"
    )
    spectrum: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        None, description="a CSV beside this file, in place of all chromophores"
    )
    density: Annotated[float, Field(ge=0.5, le=30)] | None = Field(
        None, description="g/cm3, in place of the material's"
    )
    weighed_carats: Annotated[float, Field(gt=0, le=100_000)] | None = Field(
        None, description="what the piece weighs; compared with its volume"
    )
    trust: Literal["shape", "balance"] = Field(
        "shape",
        description="balance: weighed_carats is right and the shape's scale is not; all coordinates of the "
        "file are scaled to agree",
    )
    shape: Shape
    loss: Loss = Loss()
    defect: Annotated[list[DefectModel], Field(max_length=64)] = Field(default_factory=list)

    @model_validator(mode="after")
    def _check(self) -> "RoughModel":
        if self.chromophores is not None and self.spectrum is not None:
            raise ValueError("give chromophores or spectrum, not both")
        if self.trust == "balance" and self.weighed_carats is None:
            raise MisplacedError(
                ("trust",), '"balance" needs weighed_carats, what the balance says'
            )
        names = [d.name for d in self.defect]
        twice = [k for k, name in enumerate(names) if name in names[:k]]
        if twice:
            raise MisplacedError(
                ("defect", twice[0], "name"),
                f"a defect before it is named '{names[twice[0]]}' too; names must differ",
            )
        if sum(d.kind == "zone" for d in self.defect) > MOST_ZONES:
            raise ValueError(f"more than {MOST_ZONES} defects are zones")
        return self


@dataclass(frozen=True)
class RoughFile(ModelFile[RoughModel]):
    """A rough file that was read."""


def read_rough(path: Path) -> RoughFile:
    """Read a rough file. Raises FileError with file, line, key, what is wrong and the remedy."""
    model, text = read_model(path, RoughModel)
    return RoughFile(path, text, model)


def schema_text() -> str:
    """designs/roughs/facetrace-rough.schema.json, made from the model."""
    return tomlfile.schema_text(RoughModel, "facetrace rough file")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
