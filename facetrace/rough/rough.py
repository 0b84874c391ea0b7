"""Rough files: what a piece of rough is before anything is fitted into it.

One frame in the file: the scan's, millimetres (of a habit the crystal's, of points their own);
``c_axis`` says how c points in it. ``rough_of`` scales everything, where the balance is trusted, and turns it about the origin,
the shortest way, into the crystal frame: c along +z. Two shapes look along c themselves: a habit, and a
defect's ``sector``, whose azimuths and heights are those of the crystal frame and whose
``centre_mm`` is a point of the file.

The JSON schema of the file, for editors: ``python -m facetrace.rough.rough``.
"""

import math
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import trimesh
from numpy.typing import NDArray
from pydantic import Field, model_validator
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.transform import Rotation

from facetrace.common import tomlfile
from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.names import path_beside
from facetrace.common.tomlfile import AS_LIST, MisplacedError, ModelFile, Strict, read_model
from facetrace.optics.material import Material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.rough import face, scan, zone
from facetrace.rough.face import FromFace, Wedge
from facetrace.rough.habit import CRYSTALS, habit, likely_sizes, size_question, size_words
from facetrace.rough.scan import Scan
from facetrace.rough.zone import (
    COLOURS,
    SHAPES,
    Length,
    Placement,
    Point,
    Zone,
    ZoneFile,
    ZoneModel,
    check_hull,
    check_normal,
    check_one,
    substances,
    unit,
)  # fmt: skip
from facetrace.solid import convex as fit
from facetrace.solid.body import Body
from facetrace.solid.measure import carats_at

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
# mm between the rough and the box that open bodies are cut to
ROOM_MM = 1.0
# mm: points of a crack may lie so far off one plane, or within their outline
PLANE_MM = 0.05
# mm that flat-sided bodies may stand out around round ones; corners of a disc at least and at most; divisions of an icosahedron
# for round bodies at least and at most, and how far 162 planes stand out, in radii (a quarter of it with each division)
OUT_MM = 0.01
DISC_CORNERS, DISC_MOST = 12, 240
DIVISIONS, DIVISIONS_MOST, OUT_SHARE = 2, 6, 0.018
# share by which weighing and volume may differ without a word; carats in a gram, and how near that a mistaken unit comes
WEIGHT_SHARE = 0.03
PER_GRAM, LIKE_GRAMS = 5.0, 0.15
# a flaw so many times as long as the piece is asked about
TOO_LONG = 1.5
PIT = ("at_mm", "radius_mm", "depth_mm")
# shapes of each kind, where they are not those of the zone files alone
SHAPES_OF = {
    "crack": ("polygon_mm", "disc", "wedge", "from_face"), "pit": (*PIT, "from_face"),
    "silk": (*SHAPES, "wedge", "from_face"), "cloud": (*SHAPES, "from_face"), "crystal": (*SHAPES, "from_face"),
}  # fmt: skip
ALL_SHAPES = (*SHAPES, "polygon_mm", "disc", "wedge", *PIT, "from_face")
MOST_ZONES = 16
ALONG_Z: Point = (0.0, 0.0, 1.0)


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
            if math.hypot(*self.c_axis) < zone.SMALLEST:
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
        first, second = _across(unit(self.normal))
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


def _hull_of(points: Floats) -> Floats:
    """Of points (n, 3) in one plane the corners of their convex hull, in order."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle)[2]
    return np.asarray(points[ConvexHull((points - middle) @ axes[:2].T).vertices])


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


# ---- the piece in the crystal frame -----------------------------------------------------------


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


@dataclass(frozen=True)
class Rough:
    """A piece of rough in the crystal frame: c along +z, millimetres.

    turn (3, 3), scaled: a point r of the file stands at ``scaled * turn @ r``, mm; scaled is 1 unless the
    balance is trusted; doubt_carats: factors on carats, low and high, that this trust adds; notes:
    sentences on how the file was taken; questions: what to find out before any figure counts; mesh: its
    surface; hull: its convex hull. carats: from the mesh's volume; weighed_carats: from the file, or None;
    weight_note: one sentence where the two differ by more than 3 %, else None.
    """

    file: RoughFile
    name: str
    material: Material
    density: float
    turn: Floats
    mesh: Scan
    hull: Body
    volume_mm3: float
    carats: float
    weighed_carats: float | None
    weight_note: str | None
    loss: Loss
    defects: tuple[Defect, ...]
    zones: RoughZones | None = field(repr=False)
    scaled: float = 1.0
    doubt_carats: tuple[float, float] = (1.0, 1.0)
    notes: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()

    @property
    def carats_to_go_by(self) -> float:
        """What the balance says, unless its weight is in doubt; else what the volume makes."""
        return self.carats if self.weight_note else self.weighed_carats or self.carats

    @property
    def asked(self) -> list[str]:
        """Its questions, in sentences."""
        return [f"First find out {text}." for text in self.questions]

    @property
    def repairs(self) -> tuple[str, ...]:
        """What was mended in the scan."""
        return self.mesh.repairs


def rough_of(file: RoughFile) -> Rough:
    """A rough file's piece in the crystal frame. Raises FileError."""
    model = file.model
    turn = shortest_turn(model.shape.c_axis or ALONG_Z)
    material = _material(file)
    density = model.density or material.density
    as_given, notes, questions = _mesh(file)
    scaled = _scale(file, as_given, density)
    if scaled != 1:
        notes = (*notes, _scale_note(as_given, scaled, density))
    mesh = as_given.turned(scaled * turn)
    hull = mesh.hull
    carats = carats_at(mesh.volume, density)
    zones = _zones(file, turn, scaled, mesh)
    if zones is not None:
        substances(zones, material)
    # scan and balance disagree by so much: either may be off, up or down
    share = abs(3 * math.log(scaled))
    weight_note = _weight_note(file, carats, density)
    if weight_note:
        questions = (
            f"what is wrong: {weight_note}. All carats below are by the {_source(file)}; if the balance is right, write "
            'trust = "balance" in the rough file',
            *questions,
        )
    return Rough(
        file=file,
        name=model.name,
        material=material,
        density=density,
        turn=turn,
        mesh=mesh,
        hull=hull,
        volume_mm3=mesh.volume,
        carats=carats,
        weighed_carats=model.weighed_carats,
        weight_note=weight_note,
        loss=model.loss,
        defects=_defects(file, turn, scaled, mesh, zones),
        zones=zones,
        scaled=scaled,
        doubt_carats=(math.exp(-share), math.exp(share)),
        notes=notes,
        questions=(*questions, *_too_long(file, as_given)),
    )


def shortest_turn(c_axis: Point) -> Floats:
    """Rotation (3, 3) that takes c to +z the shortest way; both ends of c are alike."""
    c = unit(c_axis)
    if c[2] < 0:
        c = -c
    about = np.cross(c, ALONG_Z)
    sine = float(np.linalg.norm(about))
    if sine == 0:
        return np.eye(3)
    angle = math.atan2(sine, float(c[2]))
    return np.asarray(Rotation.from_rotvec(angle / sine * about).as_matrix())


def _mesh(file: RoughFile) -> tuple[Scan, tuple[str, ...], tuple[str, ...]]:
    """The surface as the file gives it, how its sizes were taken, and what to find out of them first."""
    shape = file.model.shape
    key = next(k for k in ("mesh", "habit", "points_mm") if getattr(shape, k) is not None)
    try:
        if shape.mesh is not None:
            return scan.read_scan(path_beside(file.path, shape.mesh)), (), ()
        if shape.habit is None or shape.size_mm is None:
            return scan.of_points(shape.points_mm or []), (), ()
        return _of_habit(file, shape.habit, shape.size_mm)
    except FacetraceError as problem:
        raise file.error(("shape", "size_mm" if key == "habit" else key), problem) from None


def _of_habit(
    file: RoughFile, name: str, given: tuple[float, float, float]
) -> tuple[Scan, tuple[str, ...], tuple[str, ...]]:
    shape = file.model.shape
    if not scan.SMALLEST_MM <= max(given) <= scan.LARGEST_MM:
        raise FacetraceError(
            f"the largest is {max(given):g} mm, which no rough is ({scan.SMALLEST_MM:g} to {scan.LARGEST_MM:g} mm); "
            "write mm (1 cm is 10, 1 inch 25.4)"
        )
    sizes = likely_sizes(name, given, shape.corners_mm)
    if sizes[0] != given and file.model.defect:
        # their places are along x, y and z, which would be others
        raise FacetraceError(
            f"in this order no likely {name}, but in the order {list(sizes[0])} (across the flats, across the corners, along c); write that, "
            "and give the places of all defects along these x, y and z"
        )
    questions = []
    if name not in CRYSTALS and shape.c_axis is None:
        questions.append(
            "where c lies: the file gives no c_axis, so it is taken along z. The direction of the table, colour and value hang on it: find c with a "
            "dichroscope or polariscope, and write it, like c_axis = [0, 0, 1]"
        )
    asked = size_question(name, sizes, given)
    found = scan.of_points(habit(name, sizes[0], shape.corners_mm))
    return found, size_words(name, sizes, given), (*questions, *([asked] if asked else []))


def _too_long(file: RoughFile, mesh: Scan) -> list[str]:
    """Flaws seen from a face that are larger than the piece: perhaps a point is missing."""
    found = []
    for model in file.model.defect:
        lengths = vars(model.from_face) if model.from_face else {}
        most = TOO_LONG * mesh.size
        found += [
            f"how large {model.name} is: {key} is {value:g} in a piece of {mesh.size:.3g} mm; a decimal point may be missing"
            for key, value in lengths.items()
            if key in ("long_mm", "wide_mm", "deep_mm") and value is not None and value > most
        ]
    return found


def _scale(file: RoughFile, mesh: Scan, density: float) -> float:
    """What lengths of the file are multiplied by; 1 unless the balance is trusted."""
    weighed = file.model.weighed_carats
    if file.model.trust != "balance" or weighed is None:
        return 1.0
    found = float((weighed / carats_at(mesh.volume, density)) ** (1 / 3))
    side = found * mesh.size
    if not scan.SMALLEST_MM <= side <= scan.LARGEST_MM:
        raise file.error(
            ("trust",),
            f"{weighed:g} ct makes the largest side {side:.3g} mm, which no rough is ({scan.SMALLEST_MM:g} to "
            f"{scan.LARGEST_MM:g} mm); look at weighed_carats (carats of 0.2 g) and density",
        )
    return found


def _scale_note(mesh: Scan, scaled: float, density: float) -> str:
    before = carats_at(mesh.volume, density)
    return (
        f"the balance is trusted: lengths of the file times {scaled:.4f} (weighed {before * scaled**3:.2f} ct, "
        f"{before:.2f} ct by its volume as given, at {density:.2f} g/cm3); all lengths and places below are of the true piece, not of the file"
    )


def _material(file: RoughFile) -> Material:
    model, key = file.model, "material"
    try:
        found = material_in(file.path, model.material)
        if model.chromophores is not None:
            key = "chromophores"
            return material_in(file.path, model.material, model.chromophores)
        if model.spectrum is not None:
            key = "spectrum"
            return found.with_spectrum(
                read_spectrum(path_beside(file.path, model.spectrum), found.indices)
            )
        return found
    except FacetraceError as problem:
        raise file.error((key,), problem) from None


def _source(file: RoughFile) -> str:
    return "scan" if file.model.shape.mesh is not None else "sizes"


def _weight_note(file: RoughFile, carats: float, density: float) -> str | None:
    """Lengths go as the cube root of weights: what a wrong scale would be."""
    weighed, source = file.model.weighed_carats, _source(file)
    if weighed is None or abs(weighed / carats - 1) <= WEIGHT_SHARE:
        return None
    said = (
        f"weighed {weighed:.2f} ct, but its volume at {density:.2f} g/cm3 makes {carats:.2f} ct "
        f"({100 * (carats / weighed - 1):+.1f} %): "
    )
    if abs(PER_GRAM * weighed / carats - 1) <= LIKE_GRAMS:
        return (
            f"{said}weighed_carats may hold grams ({weighed:g} g are {PER_GRAM * weighed:.2f} ct)"
        )
    hollow = (
        "a hollow that the scan closed over, or "
        if source == "scan"
        else "a shape with less in it, or "
    )
    causes = (
        f"{hollow}a density that is too high"
        if weighed < carats
        else "matrix or another mineral on it, or a density that is too low"
    )
    wrong = "a wrong scale of the scan" if source == "scan" else "sizes that are off"
    return (
        f"{said}{wrong} (lengths times {(weighed / carats) ** (1 / 3):.3f} would agree), {causes}"
    )


# ---- defects ----------------------------------------------------------------------------------


def _across(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors at right angles to a unit normal and to each other."""
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first = first / np.linalg.norm(first)
    return first, np.cross(normal, first)


def _turned(shape: Zone, turn: Floats, scaled: float) -> list[Body]:
    """Bodies of a zone in the crystal frame."""
    if shape.sector is not None:
        # wedges stand around c, about a point of the file
        x, y, z = map(float, turn @ np.array(shape.sector.centre_mm))
        wedges = shape.sector.model_copy(update={"centre_mm": (x, y, z)}).bodies()
        return [body.seen_from(np.eye(3), np.zeros(3), 1 / scaled) for body in wedges]
    return [body.seen_from(turn.T, np.zeros(3), 1 / scaled) for body in shape.bodies()]


def _zones(file: RoughFile, turn: Floats, scaled: float, mesh: Scan) -> RoughZones | None:
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


def _defects(
    file: RoughFile, turn: Floats, scaled: float, mesh: Scan, zones: RoughZones | None
) -> tuple[Defect, ...]:  # fmt: skip
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
    rows = np.array([*_across(normal), normal]) / np.array([radius, radius, depth])[:, None]
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


def schema_text() -> str:
    """designs/roughs/facetrace-rough.schema.json, made from the model."""
    return tomlfile.schema_text(RoughModel, "facetrace rough file")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
