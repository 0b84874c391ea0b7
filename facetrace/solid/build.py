"""Design -> planes -> solid: every tier's depth resolved, every facet named."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facetrace.design.expand import expand, positions
from facetrace.design.model import Design, DesignError, Tier
from facetrace.solid.lobes import WALL, TwoLobes
from facetrace.solid.polyhedron import Floats, Solid, SolidError

# a point that named facets share lies this near (mm) to being inside the stone cut so far
ON_STONE = 1e-6


@dataclass(frozen=True)
class Facet:
    """One facet to be cut: tier, index position, unit normal, distance from the origin in mm, lobe."""

    tier: str
    index: float
    angle: float
    normal: tuple[float, float, float]
    distance: float
    lobe: str | None = None

    @property
    def name(self) -> str:
        """Tier and index position; the tier alone where it has no direction (table, culet)."""
        alone = self.angle == 0 or (self.tier == WALL and self.lobe)
        return self.tier if alone else f"{self.tier} {self.index:g}"

    def bounds(self, lobe: str | None) -> bool:
        """Whether the facet is cut into that lobe (None: a stone that has one)."""
        return lobe is None or self.lobe in (None, lobe)


def _walls(design: Design) -> list[Facet]:
    """The plane y = 0 as the two lobes of a heart have it; of a stone of one lobe nothing."""
    if not any(tier.lobe for tier in design.tier):
        return []
    return [
        Facet(WALL, design.gear * turn, 90.0, (0.0, side, 0.0), 0.0, lobe)
        for lobe, side, turn in (("left", -1.0, 0.75), ("right", 1.0, 0.25))
    ]


def facet_normal(side: str, angle: float, azimuth: float) -> tuple[float, float, float]:
    """Outward unit normal; angle from the girdle plane and azimuth in radians."""
    up = -1.0 if side == "pavilion" else 1.0
    if side == "girdle":
        return math.cos(azimuth), math.sin(azimuth), 0.0
    s, c = math.sin(angle), math.cos(angle)
    return s * math.cos(azimuth), s * math.sin(azimuth), up * c


def facets_of(design: Design) -> list[Facet]:
    """All facets of a design in cutting order, the walls of a heart first.

    Raises DesignError where a depth has no answer.
    """
    try:
        design = expand(design)
    except ValueError as error:
        place = _place_of(str(error))
        raise DesignError(place, str(error).removeprefix(f"{'.'.join(place)}: ")) from None
    done = _walls(design)
    lobes = ["left", "right"] if done else [None]
    lines = {lobe: _girdle_line(design, lobe) for lobe in lobes}
    for number, tier in enumerate(design.tier):
        # what cuts both lobes is placed by the left one
        lobe = tier.lobe or lobes[0]
        mates = [f for f in done if f.bounds(lobe)]
        cut: list[Facet] = []
        for i, k in positions(tier, design.gear):
            cut.append(_facet(design, tier, number, i, k, mates, lines[lobe]))
        done.extend(cut)
    return done


def _place_of(message: str) -> tuple[str, ...]:
    if "girdle facets" in message:
        return ("girdle", "facets")
    for part in ("crown", "pavilion"):
        if message.startswith(f"{part}:"):
            return (part,)
    return ("crown", "mains") if message.startswith("mains") else ("gear",)


def _pick(value: float | Sequence[float], k: int) -> float:
    return float(value) if isinstance(value, (int, float)) else float(value[k])


def _facet(
    design: Design, tier: Tier, number: int, index: float, k: int,
    done: list[Facet], line: Floats | None,
) -> Facet:  # fmt: skip
    angle = _pick(tier.angle, k)
    azimuth = 2 * math.pi * index / design.gear
    normal = facet_normal(tier.side, math.radians(angle), azimuth)
    if tier.distance_mm is not None:
        distance = _pick(tier.distance_mm, k)
    elif tier.height_mm is not None:
        distance = _pick(tier.height_mm, k) * math.cos(math.radians(angle))
    elif tier.through is not None:
        distance = float(np.dot(normal, _meeting(tier, number, azimuth, done)))
    else:
        distance = _to_line(design, number, normal, line)
    return Facet(tier.name, index, angle, normal, distance, tier.lobe)


def _girdle_line(design: Design, lobe: str | None) -> Floats | None:
    """Corners (n, 2) of a lobe's outline, from the girdle facets placed by distance and the wall."""
    rows = [[*f.normal[:2], 0.0] for f in _walls(design) if f.bounds(lobe)]
    for tier in design.tier:
        mine = lobe is None or tier.lobe in (None, lobe)
        if tier.side == "girdle" and tier.distance_mm is not None and mine:
            for index, k in positions(tier, design.gear):
                phi = 2 * math.pi * index / design.gear
                rows.append([math.cos(phi), math.sin(phi), _pick(tier.distance_mm, k)])
    if len(rows) < 3:
        return None
    planes = np.array(rows)
    pairs = np.array(list(itertools.combinations(range(len(rows)), 2)))
    a, b = planes[pairs[:, 0]], planes[pairs[:, 1]]
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    ok = np.abs(det) > 1e-9
    a, b, det = a[ok], b[ok], det[ok]
    x = (a[:, 2] * b[:, 1] - b[:, 2] * a[:, 1]) / det
    y = (a[:, 0] * b[:, 2] - b[:, 0] * a[:, 2]) / det
    points = np.column_stack([x, y])
    inside = (points @ planes[:, :2].T <= planes[:, 2] + ON_STONE).all(axis=1)
    if not inside.any():
        number = next(i for i, t in enumerate(design.tier) if t.side == "girdle")
        raise DesignError(
            ("tier", number, "distance_mm"),
            "the girdle facets leave no outline; their distances from the axis must be positive",
        )
    return np.asarray(points[inside])


def _to_line(
    design: Design, number: int, normal: tuple[float, float, float], line: Floats | None
) -> float:
    if line is None or design.girdle is None:
        raise DesignError(
            ("tier", number, "to_girdle"),
            "needs a girdle line: give [girdle] thickness_mm and girdle facets by distance_mm "
            "(or an [outline])",
        )
    reach = float(np.max(line @ np.array(normal[:2])))
    return reach + abs(normal[2]) * design.girdle.thickness_mm / 2


def _meeting(tier: Tier, number: int, azimuth: float, done: list[Facet]) -> Floats:
    """The point where three facets, one of each name, meet on the stone, nearest in azimuth."""
    loc = ("tier", number, "through")
    assert tier.through is not None
    groups = []
    for name in tier.through:
        tier_name, _, wanted = (part.strip() for part in name.partition("@"))
        group = [
            i for i, f in enumerate(done)
            if f.tier == tier_name and (not wanted or f"{f.index:g}" == wanted)
        ]  # fmt: skip
        if not group:
            have = ", ".join(dict.fromkeys(f.tier for f in done)) or "none"
            raise DesignError(loc, f"no facet '{name}' is cut before this tier; cut so far: {have}")
        groups.append(group)
    triples = {tuple(sorted(t)) for t in itertools.product(*groups) if len(set(t)) == 3}
    normals = np.array([f.normal for f in done])
    offsets = np.array([f.distance for f in done])
    found = []
    for triple in triples:
        matrix = normals[list(triple)]
        if abs(np.linalg.det(matrix)) < 1e-9:
            continue
        point = np.linalg.solve(matrix, offsets[list(triple)])
        if (normals @ point <= offsets + ON_STONE).all():
            found.append(point)
    if not found:
        raise DesignError(loc, f"the facets {', '.join(tier.through)} do not meet on the stone")

    def turn_from(point: Floats) -> tuple[float, float, float]:
        if math.hypot(point[0], point[1]) < ON_STONE:
            return 0.0, 0.0, float(point[2])
        off = (math.atan2(point[1], point[0]) - azimuth + math.pi) % (2 * math.pi) - math.pi
        return round(abs(off), 9), -math.hypot(point[0], point[1]), float(point[2])

    return np.asarray(min(found, key=turn_from))


def build_solid(design: Design) -> Solid:
    """The solid of a design. Raises DesignError when the facets do not close a stone."""
    try:
        return solid_of(facets_of(design))
    except SolidError as error:
        raise DesignError((), f"{error}; check the depths of the tiers") from None


def solid_of(facets: Sequence[Facet]) -> Solid:
    """The solid that facets bound, of two lobes where any has one. Raises SolidError where none closes."""
    parts = parts_of(facets)
    return TwoLobes.joined(*parts) if len(parts) > 1 else parts[0]


def parts_of(facets: Sequence[Facet]) -> tuple[Solid, ...]:
    """The convex solids of ``solid_of``, which need not meet on their wall. Raises SolidError likewise."""
    if any(f.lobe for f in facets):
        return tuple(_solid([f for f in facets if f.bounds(k)]) for k in ("left", "right"))
    return (_solid(list(facets)),)


def _solid(facets: list[Facet]) -> Solid:
    return Solid.from_planes(
        [f.normal for f in facets], [f.distance for f in facets], [f.name for f in facets]
    )
