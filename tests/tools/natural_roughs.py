"""Random, natural roughs for the tests of `facetrace plan`: every one is invented, from its number alone.

``write(folder, number)`` makes rough.toml and scan.stl of rough *number*, 0 to COUNT - 1. Nothing here
is the planner's: numpy only. Shapes: star-shaped pebbles (lumps, a dish, a deep hole), mitred and
bent prisms, plates with uneven faces; then pebbles with cracks, crystals and silk.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mesh = tuple[Floats, Ints]

SEED = 20270103
LUMPS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.10)
PEBBLES, PRISMS, PLATES = 16, 6, 6
# what is wrong in the roughs after those
WRONG = (
    "crack", "crack", "crack", "crack", "crossing cracks", "crossing cracks", "crossing cracks",
    "crack in the middle", "crack in the middle", "crystal inside", "crystal inside", "crystal inside",
    "crystal cut away", "crystal cut away", "silk", "silk",
)  # fmt: skip
COUNT = PEBBLES + PRISMS + PLATES + len(WRONG)


@dataclass(frozen=True)
class Made:
    """One rough: name, corners (n, 3) in mm, faces (m, 3) wound outwards, c in the same frame, losses, defects."""

    name: str
    vertices: Floats
    faces: Ints
    c_axis: Floats
    loss: dict[str, float]
    defects: tuple[str, ...]


def _unit(rng: np.random.Generator) -> Floats:
    vector = rng.normal(size=3)
    return np.asarray(vector / np.linalg.norm(vector))


def turn(rng: np.random.Generator) -> Floats:
    """A random rotation (3, 3), uniform."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return np.asarray(q * np.linalg.det(q))


# ---- shapes -----------------------------------------------------------------------------------


def _waves(rng: np.random.Generator, ball: Floats, lump: float) -> Floats:
    """Smooth lumps of low order on directions (n, 3): at most *lump* up or down."""
    size = np.zeros(len(ball))
    for _ in range(7):
        size += rng.normal() * np.cos(rng.uniform(1.5, 5) * (ball @ _unit(rng)) + rng.uniform(0, 6.3))  # fmt: skip
    size -= (size.max() + size.min()) / 2
    return np.asarray(lump * size / np.abs(size).max())


def pebble(
    rng: np.random.Generator, lump: float, divisions: int, pushed: tuple[float, float] | None = None
) -> Mesh:
    """A pebble seen whole from its middle, so that it cannot cross itself; pushed: (depth share, width in rad)."""
    sphere = trimesh.creation.icosphere(subdivisions=divisions)
    ball, faces = np.asarray(sphere.vertices), np.asarray(sphere.faces)
    size = 1 + _waves(rng, ball, lump)
    if pushed:
        away = np.arccos(np.clip(ball @ _unit(rng), -1, 1))
        size = size * (1 - pushed[0] * np.exp(-((away / pushed[1]) ** 2)))
    half = np.sort(rng.uniform(2.6, 5.5, size=3))
    # neither needles nor leaves
    half[0] = max(half[0], 0.55 * half[2])
    return ball * size[:, None] * half, faces.astype(np.int64)


def _ring(rng: np.random.Generator, sides: int, uneven: float) -> Floats:
    """A convex outline (sides, 2) about the origin, radius about 1."""
    angles = 2 * np.pi * (np.arange(sides) + uneven * rng.uniform(-0.3, 0.3, size=sides)) / sides
    return np.column_stack([np.cos(angles), np.sin(angles)])


def prism(rng: np.random.Generator, sides: int, bends_deg: tuple[float, ...]) -> Mesh:
    """Prisms joined by mitres: one straight piece, and one more after each bend."""
    radius = rng.uniform(2.3, 3.2)
    ring = radius * _ring(rng, sides, 0.5 if sides != 6 else 0.0)
    headings = np.radians(np.cumsum([0.0, *bends_deg]))
    lengths = rng.uniform(3.8, 5.0, size=len(headings))
    at = np.vstack([[0, 0], np.cumsum(lengths[:, None] * np.column_stack([np.cos(headings), np.sin(headings)]), axis=0)])  # fmt: skip
    rows = []
    for k, point in enumerate(at):
        before, after = headings[max(k - 1, 0)], headings[min(k, len(headings) - 1)]
        middle, half = (before + after) / 2, (after - before) / 2
        # across the path, stretched by the mitre; and straight up
        across = np.array([-np.sin(middle), np.cos(middle)]) / np.cos(half)
        flat = point + ring[:, :1] * across
        rows.append(np.column_stack([flat, ring[:, 1]]))
    vertices = np.vstack([*rows, np.append(at[0], 0)[None], np.append(at[-1], 0)[None]])
    faces = []
    for k in range(len(at) - 1):
        for i in range(sides):
            a, b = k * sides + i, k * sides + (i + 1) % sides
            faces += [[a, b, b + sides], [a, b + sides, a + sides]]
    first, last = len(vertices) - 2, len(vertices) - 1
    top = (len(at) - 1) * sides
    for i in range(sides):
        j = (i + 1) % sides
        faces += [[first, j, i], [last, top + i, top + j]]
    return vertices, np.array(faces)


def plate(rng: np.random.Generator, lump: float) -> Mesh:
    """A plate whose two faces are uneven, its edge upright."""
    sectors, rings = 32, 6
    angles = 2 * np.pi * np.arange(sectors) / sectors
    power = rng.uniform(2.0, 5.0)
    radius = (np.abs(np.cos(angles)) ** power + np.abs(np.sin(angles)) ** power) ** (-1 / power)
    half = rng.uniform([4.0, 3.2, 1.6], [6.0, 5.0, 2.4])
    shares = np.arange(1, rings + 1) / rings
    disc = (
        np.column_stack([np.cos(angles), np.sin(angles)])[None]
        * radius[None, :, None]
        * shares[:, None, None]
    )
    flat = np.vstack([[[0.0, 0.0]], disc.reshape(-1, 2)])
    n = len(flat)
    sheets = []
    for side in (1, -1):
        seen = np.column_stack([flat * 1.2, np.full(n, 0.3 * side)])
        height = side * half[2] * (1 + 6 * _waves(rng, seen, lump))
        sheets.append(np.column_stack([flat * half[:2], height]))
    top = []
    for i in range(sectors):
        j = (i + 1) % sectors
        top.append([0, 1 + i, 1 + j])
        for k in range(rings - 1):
            a, b = 1 + k * sectors + i, 1 + k * sectors + j
            top += [[a, a + sectors, b + sectors], [a, b + sectors, b]]
    upper = np.array(top)
    rim = 1 + (rings - 1) * sectors + np.arange(sectors)
    after = np.roll(rim, -1)
    edge = np.vstack([np.column_stack([rim + n, after + n, after]), np.column_stack([rim + n, after, rim])])  # fmt: skip
    return np.vstack(sheets), np.vstack([upper, upper[:, ::-1] + n, edge])


# ---- what is wrong in them --------------------------------------------------------------------


def _numbers(values: Floats) -> str:
    return "[" + ", ".join(f"{x:.6f}" for x in values) + "]"


def _crack(rng: np.random.Generator, name: str, at: Floats, normal: Floats, reach: float) -> str:
    """A flat convex crack about *at*: an uneven polygon, *reach* mm from its middle to its corners."""
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first = first / np.linalg.norm(first)
    second = np.cross(normal, first)
    corners = at + reach * _ring(rng, int(rng.integers(4, 8)), 0.6) @ np.array([first, second])
    points = ", ".join(_numbers(p) for p in corners)
    return (
        f'[[defect]]\nname = "{name}"\nkind = "crack"\nwish = "cut away"\npolygon_mm = [{points}]\n'
    )


def _ellipsoid(rng: np.random.Generator, centre: Floats, radii: Floats) -> str:
    angles = rng.uniform([0, 0, 0], [90, 360, 180])
    return (
        f"ellipsoid = {{ centre_mm = {_numbers(centre)}, radii_mm = {_numbers(radii)}, "
        f"tilt = {angles[0]:.3f}, azimuth = {angles[1]:.3f}, turn = {angles[2]:.3f} }}\n"
    )


def _defects(rng: np.random.Generator, what: str, size: float, middle: Floats) -> tuple[str, ...]:
    """Defects of a pebble, size: its least half width, mm."""
    off = middle + _unit(rng) * rng.uniform(0.15, 0.45) * size
    if what == "crack":
        return (_crack(rng, "crack", off, _unit(rng), rng.uniform(0.7, 2.5) * size),)
    if what == "crossing cracks":
        normal = _unit(rng)
        other = np.cross(normal, _unit(rng)) + 0.3 * normal
        other = other / np.linalg.norm(other)
        return (
            _crack(rng, "first crack", off, normal, rng.uniform(0.6, 1.5) * size),
            _crack(rng, "second crack", off, other, rng.uniform(0.6, 1.5) * size),
        )
    if what == "crack in the middle":
        return (_crack(rng, "crack", middle, _unit(rng), rng.uniform(0.12, 0.3) * size),)
    if what == "silk":
        text = '[[defect]]\nname = "silk"\nkind = "silk"\nwish = "under girdle"\n'
        towards = middle + _unit(rng) * rng.uniform(0.4, 0.8) * size
        return (text + _ellipsoid(rng, towards, size * rng.uniform(0.2, 0.5, size=3)),)
    wish = what.removeprefix("crystal ")
    text = f'[[defect]]\nname = "crystal"\nkind = "crystal"\nwish = "{wish}"\n'
    return (text + _ellipsoid(rng, off, rng.uniform(0.2, 0.6, size=3)),)


# ---- the roughs -------------------------------------------------------------------------------


def _shape(rng: np.random.Generator, number: int) -> tuple[str, Mesh]:
    lump = LUMPS[number % len(LUMPS)]
    if number < PEBBLES:
        pushed = {5: (0.45, 0.3), 8: (0.25, 0.7), 11: (0.5, 0.25), 13: (0.3, 0.6), 15: (0.4, 0.35)}.get(number)  # fmt: skip
        what = "" if pushed is None else (" with a hole" if pushed[1] < 0.4 else " with a dish")
        divisions = 4 if number % 3 == 2 else 3
        return f"pebble, lumps of {100 * lump:.0f} %{what}", pebble(rng, lump, divisions, pushed)
    number -= PEBBLES
    if number < PRISMS:
        sides = (6, 4, 6, 5, 6, 8)[number]
        bends = ((35.0,), (60.0,), (15.0, 15.0), (50.0,), (25.0, -30.0), (75.0,))[number]
        return f"prism of {sides} sides, bent", prism(rng, sides, bends)
    number -= PRISMS
    if number < PLATES:
        return "plate with uneven faces", plate(rng, (0.01, 0.02, 0.03)[number % 3])
    return WRONG[number - PLATES], pebble(rng, LUMPS[1 + number % 3], 3)


def made(number: int) -> Made:
    """Rough *number*: always the same; from COUNT on the kinds come again, each rough another one."""
    rng = np.random.default_rng([SEED, number])
    what, (vertices, faces) = _shape(rng, number % COUNT)
    middle = rng.uniform(-1.5, 1.5, size=3)
    size = float(np.ptp(vertices, axis=0).min() / 2)
    vertices = (vertices - (vertices.max(axis=0) + vertices.min(axis=0)) / 2) @ turn(rng).T + middle
    loss = {
        "scan_mm": round(rng.uniform(0.02, 0.06), 3),
        "skin_mm": round(rng.uniform(0.1, 0.2), 3),
        "kerf_mm": round(rng.uniform(0.3, 0.5), 3),
    }
    defects = _defects(rng, what, size, middle) if what in WRONG else ()
    return Made(f"natural {number}: {what}", vertices, faces, _unit(rng), loss, defects)


def write(folder: Path, number: int) -> Path:
    """Write rough.toml and scan.stl of rough *number* into *folder*; the path of rough.toml."""
    return written(folder, made(number))


def written(folder: Path, rough: Made, name: str = "rough", scan: str = "scan") -> Path:
    """Write a rough file and its scan into *folder* under these names; the path of the first."""
    folder.mkdir(parents=True, exist_ok=True)
    corners = rough.vertices[rough.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    rows = np.zeros(len(corners), dtype=[("numbers", "<f4", 12), ("extra", "<u2")])
    rows["numbers"] = np.concatenate([normals[:, None], corners], axis=1).reshape(-1, 12)
    head = b"invented rough, mm".ljust(80) + np.uint32(len(rows)).tobytes()
    (folder / f"{scan}.stl").write_bytes(head + rows.tobytes())
    loss = "\n".join(f"{key} = {value}" for key, value in rough.loss.items())
    path = folder / f"{name}.toml"
    path.write_text(
        f'name = "{rough.name}"\nnotes = "Invented."\nmaterial = "ruby"\n\n[shape]\nmesh = "{scan}.stl"\n'
        f"c_axis = {_numbers(rough.c_axis)}\n\n[loss]\n{loss}\n\n" + "\n".join(rough.defects),
        encoding="utf-8",
    )
    return path
