"""Habits of corundum from caliper sizes: pebble, sawn block, plate, barrel and bipyramid as corners of convex bodies.

Crystal frame: c along +z, an a-axis along +x, millimetres, the middle at the origin. Sizes are
those along x, y and z; z, the third, is along c. Of the hexagonal habits x is measured across the
flats and y across the corners, at the waist; a regular hexagon has y = 2 x / sqrt(3).

A face (h k i l) is normal to the reciprocal vector h b1 + k b2 + l b3, so that its angle rho from c
has tan rho = (2 / sqrt(3)) (c / a) sqrt(h^2 + h k + k^2) / l (hexagonal axes: International Tables
for Crystallography, vol. A). Faces and lattice: ``corundum-faces.toml``.
"""

import math
from collections.abc import Callable, Sequence
from functools import cache
from importlib import resources
from itertools import permutations
from typing import Annotated, Literal

import numpy as np
import trimesh
from pydantic import Field
from scipy.spatial import ConvexHull

from facetrace.common.errors import FacetraceError
from facetrace.common.tomlfile import AS_LIST, Strict, parse_model
from facetrace.solid.body import Floats
from facetrace.solid.polyhedron import Solid, SolidError

CellSetting = Literal["structural", "morphological"]
Size = tuple[float, float, float]
Indices = Annotated[tuple[int, int, int], AS_LIST]

# an ellipsoid's corners: divisions of an icosahedron
DIVISIONS = 3
# where the faces v and z of a barrel meet: share of its height above the waist
SHOULDER = 0.5
# crystals, whose three sizes are not alike, and whether c is usually the longest (common practice, no source)
CRYSTALS = {"plate": False, "barrel": True, "bipyramid": True}
# a hexagon's corners over its flats: 2 / sqrt(3) where it is regular; off that by no more than these factors it is nearly regular,
# and possible
REGULAR, EVEN, UNEVEN = 2 / math.sqrt(3), 1.1, 1.5


class Face(Strict):
    """A crystal form: h, k, l in both settings, and its published angle from c, degrees."""

    symbol: str
    structural: Indices
    morphological: Indices
    published_angle: float
    note: str


class FaceFile(Strict):
    """The data file: the unit cell in angstrom, and faces."""

    a: Annotated[float, Field(gt=0)]
    c: Annotated[float, Field(gt=0)]
    lattice_source: str
    angle_source: str
    face: list[Face]


@cache
def faces() -> FaceFile:
    """Corundum's lattice and faces."""
    source = resources.files("facetrace.rough") / "corundum-faces.toml"
    return parse_model(source.read_text(encoding="utf-8"), "corundum-faces.toml", FaceFile)


def face(symbol: str) -> Face:
    """A face by its symbol, one of c a m r n z v."""
    return next(f for f in faces().face if f.symbol == symbol)


def polar_angle(symbol: str, setting: CellSetting = "structural") -> float:
    """Angle of a face's normal from c, degrees, from the lattice; the same in both settings."""
    h, k, l = getattr(face(symbol), setting)  # noqa: E741
    ratio = faces().c / faces().a * (1.0 if setting == "structural" else 0.5)
    return math.degrees(math.atan2(2 / math.sqrt(3) * math.sqrt(h * h + h * k + k * k) * ratio, l))


def _offset(normal: Floats, corners: Floats) -> float:
    return float((corners @ normal).max())


def _normal(rho: float, azimuth: float) -> Floats:
    r, a = math.radians(rho), math.radians(azimuth)
    return np.array([math.sin(r) * math.cos(a), math.sin(r) * math.sin(a), math.cos(r)])


def _basal(height: float) -> list[tuple[Floats, float]]:
    return [(np.array([0.0, 0.0, side]), height / 2) for side in (1.0, -1.0)]


def _pyramid(symbol: str, size: Size, level: float = 0.0, room: float = 0.0) -> list[tuple[Floats, float]]:  # fmt: skip
    """Faces around the waist: at *level* above and below it they are *room* mm nearer to the axis than it."""
    x, y, _ = size
    rho = polar_angle(symbol)
    found = []
    for k in range(6):
        # across the flats x / 2; the other four meet at the corners y / 2
        reach = (x / 2 if k % 3 == 0 else y * math.sqrt(3) / 4) - room
        for up in (1.0, -1.0):
            n = _normal(rho, 60.0 * k) * [1.0, 1.0, up]
            across = math.hypot(n[0], n[1])
            found.append((n, reach * across + level * abs(float(n[2]))))
            if rho > 90 - 1e-9:
                break
    return found


def _corners(planes: Sequence[tuple[Floats, float]]) -> Floats:
    solid = Solid.from_planes([n for n, _ in planes], [d for _, d in planes])
    return solid.vertices


def pebble(size_mm: Size) -> Floats:
    """Corners (n, 3) of a waterworn pebble: an ellipsoid's volume, so that corners stand 0.4 % out."""
    ball = np.asarray(trimesh.creation.icosphere(subdivisions=DIVISIONS).vertices)
    whole = (4 * math.pi / 3 / ConvexHull(ball).volume) ** (1 / 3)
    return np.asarray(whole * ball * np.array(size_mm) / 2)


def block(size_mm: Size) -> Floats:
    """Corners (8, 3) of a sawn block."""
    half = np.array(size_mm) / 2
    return np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half


def plate(size_mm: Size, corners_mm: float = 0.0) -> Floats:
    """Corners (n, 3) of a tabular crystal: c and the prism a.

    *corners_mm*: how deep the rhombohedron r cuts three corners above and the other three below.
    """
    planes = [*_basal(size_mm[2]), *_pyramid("a", size_mm)]
    whole = _corners(planes)
    if corners_mm > 0:
        rho = polar_angle("r")
        for azimuth in (90.0, 210.0, 330.0):
            n = _normal(rho, azimuth)
            planes += [(side * n, _offset(side * n, whole) - corners_mm) for side in (1.0, -1.0)]
    return _corners(planes)


def barrel(size_mm: Size) -> Floats:
    """Corners (n, 3) of a barrel: dipyramids v around the waist, z above and below, and c."""
    level = SHOULDER * size_mm[2] / 2
    room = level / math.tan(math.radians(polar_angle("v")))
    return _corners([
        *_basal(size_mm[2]), *_pyramid("v", size_mm), *_pyramid("z", size_mm, level, room),
    ])  # fmt: skip


def bipyramid(size_mm: Size) -> Floats:
    """Corners (n, 3) of a dipyramid z, its points blunted by c where the height says so."""
    return _corners([*_basal(size_mm[2]), *_pyramid("z", size_mm)])


HABITS: dict[str, Callable[[Size], Floats]] = {
    "pebble": pebble, "block": block, "plate": plate, "barrel": barrel, "bipyramid": bipyramid,
}  # fmt: skip

# what a habit's name alone does not say
NAMED = {"pebble": "ellipsoid"}


def habit(name: str, size_mm: Size, corners_mm: float = 0.0) -> Floats:
    """Corners (n, 3) of a habit by name. Raises FacetraceError for sizes that its faces cannot have."""
    if corners_mm and name != "plate":
        raise FacetraceError(f"corners_mm: goes with a plate, this is a {name}")
    try:
        found = plate(size_mm, corners_mm) if name == "plate" else HABITS[name](size_mm)
    except SolidError:
        raise FacetraceError(
            "the faces leave nothing of the crystal; make corners_mm less"
        ) from None
    _check(name, size_mm, found)
    return found


def likely_sizes(name: str, size_mm: Size, corners_mm: float = 0.0) -> list[Size]:
    """Orders of caliper sizes that a habit can have, the one to go by first; more only where hexagons that are nearly regular allow more.

    The order given comes first where it makes such a hexagon, or where none does; else the one with c the longest (of a
    plate the shortest), then the nearest to a regular hexagon. Raises FacetraceError, for the order given, where none will do.
    """
    orders = dict.fromkeys((x, y, z) for x, y, z in permutations(size_mm))
    found = [s for s in orders if name in CRYSTALS and _may_be(name, s, corners_mm)]
    if not found:
        habit(name, size_mm, corners_mm)
        return [size_mm]
    end = _usual_c(name, size_mm)
    even = [s for s in found if _uneven(s) < math.log(EVEN)]
    likely = sorted(even or found, key=lambda s: (s != size_mm, s[2] != end, _uneven(s)))
    return likely if even else likely[:1]


def _usual_c(name: str, size: Size) -> float:
    return max(size) if CRYSTALS[name] else min(size)


def _uneven(size: Size) -> float:
    return abs(math.log(size[1] / size[0] / REGULAR))


def _may_be(name: str, size: Size, corners_mm: float) -> bool:
    if _uneven(size) > math.log(UNEVEN):
        return False
    try:
        habit(name, size, corners_mm)
    except FacetraceError:
        return False
    return True


def _as_taken(size: Size) -> str:
    x, y, z = size
    return f"{x:g} mm across the flats, {y:g} mm across the corners, {z:g} mm along c"


def size_words(name: str, sizes: Sequence[Size], given: Size) -> tuple[str, ...]:
    """How the sizes were taken (the first of ``likely_sizes``), and that the shape is assumed, in words."""
    assumed = (
        f"the shape is taken as a whole {NAMED.get(name, name)} of these sizes; low, high and every chance leave out "
        "how the piece differs from it. Weigh it too, or have it scanned"
    )
    if name not in CRYSTALS:
        return (assumed,)
    text = f"taken as: {_as_taken(sizes[0])}"
    if sizes[0] != given:
        text += f"; in the order of the file it would be no likely {name}"
    return text, assumed


def size_question(name: str, sizes: Sequence[Size], given: Size) -> str | None:
    """What to look at again where the sizes fit in several orders, unless the one given has c where it usually is."""
    first, *others = sizes
    if not others or (first == given and first[2] == _usual_c(name, first)):
        return None
    return (
        f"which size is which: they also make a {name} of {' or of '.join(map(_as_taken, others))}; here they are taken as {_as_taken(first)}. "
        "Measure again which is which, and write them in this order: flats, corners, c"
    )


def _check(name: str, size_mm: Size, corners: Floats) -> None:
    got = np.ptp(corners, axis=0)
    for axis, wanted, have in zip("xyz", size_mm, got, strict=True):
        if have < wanted * (1 - 1e-6):
            raise FacetraceError(
                f"a {name} with these faces is {have:.4g} mm along {axis} at most, not {wanted:g} "
                "(x across the flats, y across the corners, z along c)"
            )
