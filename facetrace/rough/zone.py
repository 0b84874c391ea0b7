"""Zone files: parts of a crystal with an absorption of their own, as convex bodies.

Frame of the rough: the c-axis along +z, an a-axis along +x, millimetres. A growth sector is
the part of the crystal that one face of the hexagonal prism laid down; a zone has sharp edges here,
and its index is the host's.

The JSON schema of the file, for editors: ``python -m facetrace.rough.zone``.
"""

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator
from scipy.spatial.transform import Rotation

from facetrace.common import tomlfile
from facetrace.common.errors import FacetraceError
from facetrace.common.names import path_beside
from facetrace.common.tomlfile import AS_LIST, ModelFile, Strict, read_model
from facetrace.optics.material import Material, material_in
from facetrace.optics.spectrum import read_spectrum
from facetrace.rough import scan
from facetrace.solid import convex as fit
from facetrace.solid.body import Body

Floats = NDArray[np.float64]

Coordinate = Annotated[float, Field(ge=-500, le=500)]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], AS_LIST]
# mm, and of a normal: what is smaller is a slip of the pen, and drowns in rounding
SMALLEST = 1e-6
Length = Annotated[float, Field(ge=SMALLEST, le=500)]
Azimuth = Annotated[float, Field(ge=-360, le=360)]
Name = Annotated[str, Field(min_length=1, max_length=40)]
ORIGIN: Point = (0.0, 0.0, 0.0)

SHAPES = ("slab", "half_space", "ellipsoid", "sector", "hull")
COLOURS = ("material", "chromophores", "spectrum")
# 1/cm: an absorption may be computed so far below nought by rounding
ROUNDING = 1e-9


def unit(normal: Point) -> Floats:
    """A direction of length 1, (3,)."""
    vector = np.array(normal)
    return np.asarray(vector / np.linalg.norm(vector))


def check_normal(normal: Point) -> None:
    """Raise ValueError for a normal without a direction."""
    if math.hypot(*normal) < SMALLEST:
        raise ValueError(
            f"normal: has no direction; its length is at least {SMALLEST:g}, like [0, 0, 1]"
        )


def _check_order(low: float | None, high: float | None, names: str) -> None:
    if low is not None and high is not None and high - low < SMALLEST:
        raise ValueError(
            f"{names}: {low:g} to {high:g} leaves nothing; the second must be larger than the first"
        )


def check_one(model: Strict, keys: Sequence[str], what: str) -> None:
    """Raise ValueError unless exactly one of *keys* is given."""
    given = [k for k in keys if getattr(model, k) is not None]
    if len(given) != 1:
        raise ValueError(
            f"needs exactly one {what}: {', '.join(keys[:-1])} or {keys[-1]} "
            f"(given: {', '.join(given) or 'none'})"
        )


class HalfSpace(Strict):
    """All that lies beyond *from_mm* along the normal."""

    normal: Point
    from_mm: Coordinate

    @model_validator(mode="after")
    def _check(self) -> "HalfSpace":
        check_normal(self.normal)
        return self

    def bodies(self) -> list[Body]:
        """One open body."""
        return [Body(np.append(-unit(self.normal), -self.from_mm)[:, None])]


class Slab(Strict):
    """What lies between two parallel planes, at two distances from the origin along the normal."""

    normal: Point
    from_mm: Coordinate
    to_mm: Coordinate

    @model_validator(mode="after")
    def _check(self) -> "Slab":
        check_normal(self.normal)
        _check_order(self.from_mm, self.to_mm, "from_mm, to_mm")
        return self

    def bodies(self) -> list[Body]:
        """One open body."""
        n = unit(self.normal)
        return [Body(np.vstack([np.column_stack([n, -n]), [self.to_mm, -self.from_mm]]))]


class Ellipsoid(Strict):
    """Three radii; the third lies *tilt* degrees off the file's z (of a zone file that is c) towards *azimuth*, the body turned about it."""

    centre_mm: Point = ORIGIN
    radii_mm: Annotated[tuple[Length, Length, Length], AS_LIST]
    tilt: Annotated[float, Field(ge=0, le=180)] = 0.0
    azimuth: Azimuth = 0.0
    turn: Azimuth = 0.0

    def bodies(self) -> list[Body]:
        """One body."""
        angles = [self.azimuth, self.tilt, self.turn - self.azimuth]
        axes = Rotation.from_euler("ZYZ", angles, degrees=True).as_matrix()
        rows = axes.T / np.array(self.radii_mm)[:, None]
        return [Body(ellipsoid=np.column_stack([rows, rows @ np.array(self.centre_mm)]))]


class Sector(Strict):
    """What prism faces laid down: a wedge around *azimuth*, at *inner_mm* to *outer_mm* from the centre.

    Distances are those of the face. Several azimuths make as many wedges of one zone; six of
    them, 60 degrees apart, a hexagonal prism or its shell. *from_mm*, *to_mm*: along c.
    """

    azimuth: Azimuth | None = None
    azimuths: Annotated[list[Azimuth], Field(min_length=1, max_length=12)] | None = None
    half_angle: Annotated[float, Field(gt=0, lt=90)] = 30.0
    inner_mm: Annotated[float, Field(ge=0, le=500)] = 0.0
    outer_mm: Length
    from_mm: Coordinate | None = None
    to_mm: Coordinate | None = None
    centre_mm: Point = ORIGIN

    @model_validator(mode="after")
    def _check(self) -> "Sector":
        if (self.azimuth is None) == (self.azimuths is None):
            raise ValueError("needs one of azimuth and azimuths")
        _check_order(self.inner_mm, self.outer_mm, "inner_mm, outer_mm")
        _check_order(self.from_mm, self.to_mm, "from_mm, to_mm")
        around = sorted(a % 360 for a in self._towards())
        gaps = np.diff([*around, around[0] + 360])
        if len(around) > 1 and gaps.min() < 2 * self.half_angle - 1e-9:
            raise ValueError(
                f"azimuths: two are {gaps.min():g} degrees apart, wedges are {2 * self.half_angle:g} "
                "wide; they must not overlap"
            )
        return self

    def _towards(self) -> list[float]:
        return self.azimuths or [self.azimuth or 0.0]

    def bodies(self) -> list[Body]:
        """One body for each azimuth."""
        return [self._wedge(azimuth) for azimuth in self._towards()]

    def _wedge(self, azimuth: float) -> Body:
        def ray(degrees: float) -> list[float]:
            a = math.radians(azimuth + degrees)
            return [math.cos(a), math.sin(a), 0.0]

        planes = [
            (ray(0.0), self.outer_mm),
            (ray(180.0), -self.inner_mm),
            (ray(self.half_angle + 90), 0.0),
            (ray(-self.half_angle - 90), 0.0),
        ]
        if self.from_mm is not None:
            planes.append(([0.0, 0.0, -1.0], -self.from_mm))
        if self.to_mm is not None:
            planes.append(([0.0, 0.0, 1.0], self.to_mm))
        normals = np.array([n for n, _ in planes])
        offsets = np.array([d for _, d in planes]) + normals @ np.array(self.centre_mm)
        return Body(np.vstack([normals.T, offsets]))


class Hull(Strict):
    """The convex hull of points."""

    points_mm: Annotated[list[Point], Field(min_length=4, max_length=1000)]

    @model_validator(mode="after")
    def _check(self) -> "Hull":
        check_hull(self.points_mm)
        return self

    def bodies(self) -> list[Body]:
        """One body."""
        return [fit.hull(self.points_mm)]


def check_hull(points: list[Point]) -> None:
    """pydantic tells of ValueErrors only."""
    try:
        fit.hull(points)
    except FacetraceError as problem:
        raise ValueError(f"points_mm: {problem}") from None


class Zone(Strict):
    """One zone: what colours it, in all (not on top of the host), and its shape.

    strength 0 is the host's absorption, 1 the zone's own; in between, and beyond, in proportion.
    """

    name: Name
    material: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    chromophores: dict[str, Annotated[float, Field(ge=0, le=100_000)]] | None = None
    spectrum: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    strength: Annotated[float, Field(ge=0, le=100)] = 1.0
    slab: Slab | None = None
    half_space: HalfSpace | None = None
    ellipsoid: Ellipsoid | None = None
    sector: Sector | None = None
    hull: Hull | None = None

    @model_validator(mode="after")
    def _check(self) -> "Zone":
        check_one(self, SHAPES, "shape")
        check_one(self, COLOURS, "colour")
        return self

    @property
    def shape(self) -> str:
        """The name of its shape."""
        return next(k for k in SHAPES if getattr(self, k) is not None)

    def bodies(self) -> list[Body]:
        """Its bodies, in the rough's frame; they do not overlap."""
        bodies: list[Body] = getattr(self, self.shape).bodies()
        return bodies


class Placement(Strict):
    """Where the stone lies: its origin in the rough, and the crystal's turn about c."""

    centre_mm: Point = ORIGIN
    turn: Azimuth = 0.0


class Blank(Strict):
    """The convex piece that the stone must stay in, in the rough's frame."""

    box_mm: Annotated[tuple[Length, Length, Length], AS_LIST] | None = None
    centre_mm: Point = ORIGIN
    points_mm: Annotated[list[Point], Field(min_length=4, max_length=10_000)] | None = None
    mesh: Annotated[str, Field(min_length=1, max_length=400)] | None = None

    @model_validator(mode="after")
    def _check(self) -> "Blank":
        given = [k for k in ("box_mm", "points_mm", "mesh") if getattr(self, k) is not None]
        if len(given) != 1:
            raise ValueError(
                f"needs exactly one of box_mm, points_mm, mesh (given: {', '.join(given) or 'none'})"
            )
        if self.points_mm:
            check_hull(self.points_mm)
        if self.box_mm is None and self.centre_mm != ORIGIN:
            raise ValueError("centre_mm: goes with box_mm; points and meshes say where they are")
        return self


class ZoneModel(Strict):
    """A whole zone file."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    notes: str = ""
    placement: Placement = Placement()
    blank: Blank | None = None
    zone: Annotated[list[Zone], Field(min_length=1, max_length=16)]

    @model_validator(mode="after")
    def _check(self) -> "ZoneModel":
        names = [z.name for z in self.zone]
        twice = [n for n in names if names.count(n) > 1]
        if twice:
            raise ValueError(f"two zones are named '{twice[0]}'; names must differ")
        return self


@dataclass(frozen=True)
class ZoneFile(ModelFile[ZoneModel]):
    """A zone file that was read."""

    def bodies(self) -> list[tuple[Body, int]]:
        """Every body of every zone with the zone's number, in the rough's frame."""
        return [(body, k) for k, zone in enumerate(self.model.zone) for body in zone.bodies()]

    def blank(self) -> Body | None:
        """The blank in the rough's frame, None where the file gives none. Raises FileError."""
        wanted = self.model.blank
        if wanted is None:
            return None
        if wanted.box_mm:
            return fit.box(wanted.box_mm, wanted.centre_mm)
        if wanted.points_mm:
            return fit.hull(wanted.points_mm)
        try:
            return scan.from_mesh(path_beside(self.path, str(wanted.mesh)))
        except FacetraceError as problem:
            raise self.error(("blank", "mesh"), problem) from None


def read_zones(path: Path) -> ZoneFile:
    """Read a zone file. Raises FileError with file, line, key, what is wrong and the remedy."""
    model, text = read_model(path, ZoneModel)
    return ZoneFile(path, text, model)


def _substance(file: ZoneFile, number: int, host: Material) -> Material:
    """The zone's crystal, coloured as the file says."""
    zone = file.model.zone[number]
    key = next(k for k in COLOURS if getattr(zone, k) is not None)
    try:
        if zone.spectrum is not None:
            return host.with_spectrum(
                read_spectrum(path_beside(file.path, zone.spectrum), host.indices)
            )
        if zone.chromophores is not None:
            return _with_chromophores(host, zone.chromophores)
        material = material_in(file.path, str(zone.material))
        if material.data.name != host.data.name:
            raise FacetraceError(
                f"'{zone.material}' is {material.data.name}, the stone is {host.data.name}; a zone is a "
                "part of the same crystal"
            )
        return material
    except FacetraceError as problem:
        raise file.error(("zone", number, key), problem) from None


def _with_chromophores(host: Material, ppma: dict[str, float]) -> Material:
    known = [c.name for c in host.data.chromophore]
    odd = [name for name in ppma if name not in known]
    if odd:
        have = ", ".join(known) or "none"
        raise FacetraceError(f"'{odd[0]}' is not in the data of {host.data.name}; known: {have}")
    return replace(host, chromophores=dict(ppma), spectrum=None)


def substances(file: ZoneFile, host: Material) -> list[Material]:
    """What each zone is made of. Raises FileError."""
    return [_substance(file, k, host) for k in range(len(file.model.zone))]


def differences(
    file: ZoneFile, host: Material, wavelength_nm: Floats
) -> list[tuple[Floats, Floats]]:
    """(alpha_o, alpha_e) of each zone minus the host's, 1/cm, times the zone's strength.

    Where zones overlap the differences add up. Raises FileError where a zone, alone or with those
    that it may overlap, would take away more than the host has.
    """
    own = host.absorption(wavelength_nm)
    apart: list[tuple[Floats, Floats]] = []
    for zone, substance in zip(file.model.zone, substances(file, host), strict=True):
        theirs = substance.absorption(wavelength_nm)
        o, e = (zone.strength * (a - b) for a, b in zip(theirs, own, strict=True))
        apart.append((o, e))
    bodies = [zone.bodies() for zone in file.model.zone]
    for number in range(len(apart)):
        partners = [
            k for k in range(len(apart))
            if k != number and _overlap(bodies[k], bodies[number])
        ]  # fmt: skip
        for ray in (0, 1):
            least = np.minimum(apart[number][ray], 0.0)
            for k in partners:
                least = least + np.minimum(apart[k][ray], 0.0)
            _check_positive(file, number, own[ray] + least, wavelength_nm, bool(partners))
    return apart


def _overlap(some: Sequence[Body], others: Sequence[Body]) -> bool:
    return any(fit.may_overlap(a, b) for a in some for b in others)


def _check_positive(
    file: ZoneFile, number: int, left: Floats, wavelength_nm: Floats, shared: bool
) -> None:
    worst = int(np.argmin(left))
    if left[worst] >= -ROUNDING:
        return
    where = ", with the zones that overlap it," if shared else ""
    raise file.error(
        ("zone", number, "strength"),
        f"zone '{file.model.zone[number].name}'{where} would leave an absorption of "
        f"{left[worst]:.3g} per cm at {wavelength_nm[worst]:g} nm, less than none; lower strength",
    )


def schema_text() -> str:
    """designs/zones/facetrace-zone.schema.json, made from the model."""
    return tomlfile.schema_text(ZoneModel, "facetrace zone file")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
