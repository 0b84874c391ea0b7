"""A piece of rough in the crystal frame, c along +z: its surface, weight, defects and zones, and what to find out of it first."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from facetrace.common.errors import FacetraceError
from facetrace.common.names import path_beside
from facetrace.optics.material import Material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.rough import scan
from facetrace.rough.defects import Defect, RoughZones, defects_of, zones_of
from facetrace.rough.habit import CRYSTALS, habit, likely_sizes, size_question, size_words
from facetrace.rough.model import Loss, RoughFile
from facetrace.rough.scan import Scan
from facetrace.rough.zone import Point, substances, unit
from facetrace.solid.body import Body
from facetrace.solid.measure import carats_at

Floats = NDArray[np.float64]
# share by which weighing and volume may differ without a word; carats in a gram, and how near that a mistaken unit comes
WEIGHT_SHARE = 0.03
PER_GRAM, LIKE_GRAMS = 5.0, 0.15
# a flaw so many times as long as the piece is asked about
TOO_LONG = 1.5
ALONG_Z: Point = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Rough:
    """A piece of rough in the crystal frame: c along +z, millimetres.

    turn (3, 3), scaled: a point r of the file stands at ``scaled * turn @ r``, mm; scaled is 1 unless the
    balance is trusted; doubt_carats: factors on carats, low and high, that its disagreement with the shape adds; notes:
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

    @property
    def scanned(self) -> bool:
        """Its shape is that of a scan, not of a caliper's sizes."""
        return self.file.model.shape.mesh is not None


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
    zones = zones_of(file, turn, scaled, mesh)
    if zones is not None:
        substances(zones, material)
    weight_note = _weight_note(file, carats, density)
    if weight_note:
        questions = (
            f"what is wrong: {weight_note}. All carats below are by the {_source(file)}; if the balance is right, write "
            'trust = "balance" in the rough file',
            *questions,
        )
    # shape and balance disagree by so much: either may be off, up or down
    apart = scaled**3
    if weight_note and model.weighed_carats:
        apart = model.weighed_carats / carats
    share = abs(math.log(apart))
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
        defects=defects_of(file, turn, scaled, mesh, zones),
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
