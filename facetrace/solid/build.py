"""Design -> planes -> solid: every tier's depth resolved, every facet named."""

import itertools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pydantic
from numpy.typing import NDArray

from facetrace.common.tomlfile import in_words
from facetrace.design.expand import expand, positions
from facetrace.design.model import MOST_FACETS, Design, DesignError, Tier
from facetrace.solid.lobes import WALL, TwoLobes
from facetrace.solid.polyhedron import Floats, Ints, Solid, SolidError

# a point that named facets share lies this near (mm) to being inside the stone cut so far
ON_STONE = 1e-6
# girdle facets, whose corners are looked for in pairs, and points that all ``through`` of a design may
# look at, times facets
MOST_FLATS, MOST_WAYS = 1024, 300_000_000
# mm, the longest side of a stone: steep facets make depths that nobody means
LARGEST_MM = 1000.0
# points of which those that are one are told apart first
MANY = 1000
# numbers that are compared at once
CHUNK = 4_000_000


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
    except pydantic.ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise DesignError(
            (),
            f"the short form makes a facet whose {first['loc'][0]} {in_words(first)}; make the stone smaller, "
            "or its angles neither so flat nor so steep",
        ) from None
    except ValueError as error:
        place = _place_of(str(error))
        raise DesignError(place, str(error).removeprefix(f"{'.'.join(place)}: ")) from None
    done = _walls(design)
    lobes = ["left", "right"] if done else [None]
    lines = {lobe: _girdle_line(design, lobe) for lobe in lobes}
    left = MOST_WAYS
    for number, tier in enumerate(design.tier):
        # what cuts both lobes is placed by the left one
        lobe = tier.lobe or lobes[0]
        mates = [f for f in done if f.bounds(lobe)]
        places = positions(tier, design.gear)
        if len(done) + len(places) > MOST_FACETS:
            raise DesignError(
                ("tier", number, "index"),
                f"the design has more than {MOST_FACETS} facets with this tier; cut fewer",
            )
        meets, ways = _meetings(tier, number, mates, left) if tier.through else (None, 0)
        left -= ways
        cut: list[Facet] = []
        for i, k in places:
            cut.append(_facet(design, tier, number, i, k, meets, lines[lobe]))
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
    meets: Floats | None, line: Floats | None,
) -> Facet:  # fmt: skip
    angle = _pick(tier.angle, k)
    azimuth = 2 * math.pi * index / design.gear
    normal = facet_normal(tier.side, math.radians(angle), azimuth)
    if tier.distance_mm is not None:
        distance = _pick(tier.distance_mm, k)
    elif tier.height_mm is not None:
        distance = _pick(tier.height_mm, k) * math.cos(math.radians(angle))
    elif meets is not None:
        distance = float(np.dot(normal, _nearest(meets, azimuth)))
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
    number = next(i for i, t in enumerate(design.tier) if t.side == "girdle")
    if len(rows) > MOST_FLATS:
        problem = f"{len(rows):,} girdle facets make an outline; at most {MOST_FLATS} may"
        raise DesignError(("tier", number, "index"), problem)
    planes = np.array(rows)
    pairs = np.array(list(itertools.combinations(range(len(rows)), 2)))
    a, b = planes[pairs[:, 0]], planes[pairs[:, 1]]
    det = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    ok = np.abs(det) > 1e-9
    a, b, det = a[ok], b[ok], det[ok]
    x = (a[:, 2] * b[:, 1] - b[:, 2] * a[:, 1]) / det
    y = (a[:, 0] * b[:, 2] - b[:, 0] * a[:, 2]) / det
    points = np.column_stack([x, y])
    inside = _within(points, planes[:, :2], planes[:, 2])
    if not inside.any():
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


def _groups(tier: Tier, number: int, done: list[Facet]) -> dict[str, list[int]]:
    """The facets that each name of ``through`` stands for, by their numbers in *done*."""
    groups: dict[str, list[int]] = {}
    for name in tier.through or ():
        tier_name, _, wanted = (part.strip() for part in name.partition("@"))
        groups[name] = [
            i for i, f in enumerate(done)
            if f.tier == tier_name and (not wanted or f"{f.index:g}" == wanted)
        ]  # fmt: skip
        if not groups[name]:
            have = ", ".join(dict.fromkeys(f.tier for f in done)) or "none"
            problem = f"no facet '{name}' is cut before this tier; cut so far: {have}"
            raise DesignError(("tier", number, "through"), problem)
    return groups


def _triples(tier: Tier, number: int, done: list[Facet], most: int) -> Ints:
    """Every three facets (n, 3), one of each name of ``through``; *most*: ways times facets."""
    groups, names = _groups(tier, number, done), list(tier.through or ())
    times = {name: names.count(name) for name in groups}
    count = math.prod(math.comb(len(groups[name]), k) for name, k in times.items())
    if count * len(done) > most:
        raise DesignError(
            ("tier", number, "through"),
            f"the named facets can meet in {count:,} ways, too many to try; name single ones, like "
            f"'{done[-1].tier}@{done[-1].index:g}'",
        )
    each = [itertools.combinations(groups[name], k) for name, k in times.items()]
    rows = [tuple(itertools.chain(*t)) for t in itertools.product(*each)]
    triples = np.sort(np.array(rows, dtype=np.int64).reshape(-1, 3), axis=1)
    apart = (triples[:, 0] != triples[:, 1]) & (triples[:, 1] != triples[:, 2])
    return np.asarray(np.unique(triples[apart], axis=0))


def _meetings(tier: Tier, number: int, done: list[Facet], most: int) -> tuple[Floats, int]:
    """The points (n, 3) where three facets, one of each name, meet on the stone, and how many ways were tried times facets."""
    triples = _triples(tier, number, done, most)
    ways = len(triples) * len(done)
    normals = np.array([f.normal for f in done])
    offsets = np.array([f.distance for f in done])
    with np.errstate(all="ignore"):
        # planes that are parallel meet nowhere
        triples = triples[np.abs(np.linalg.det(normals[triples])) >= 1e-9]
    points = np.linalg.solve(normals[triples], offsets[triples][:, :, None])[:, :, 0]
    found = points[_within(points, normals, offsets)]
    if not len(found):
        raise DesignError(
            ("tier", number, "through"),
            f"the facets {', '.join(tier.through or ())} do not meet on the stone",
        )
    if len(found) > MANY:
        # facets around a point meet there in a million ways, and each facet of the tier looks at them all
        found = found[np.unique(found.round(9), axis=0, return_index=True)[1]]
    return np.asarray(found), ways


def _within(points: Floats, normals: Floats, offsets: Floats) -> NDArray[np.bool_]:
    """Which points (n, k) lie on the stone that planes (m, k) bound, a part of them at a time."""
    rows = max(1, CHUNK // len(offsets))
    parts = [points[k : k + rows] for k in range(0, len(points), rows)]
    inside = [(part @ normals.T <= offsets + ON_STONE).all(axis=1) for part in parts]
    return np.concatenate([np.zeros(0, dtype=bool), *inside])


def _nearest(points: Floats, azimuth: float) -> Floats:
    """The point (3,) that lies nearest in azimuth."""

    def turn_from(point: Floats) -> tuple[float, float, float]:
        if math.hypot(point[0], point[1]) < ON_STONE:
            return 0.0, 0.0, float(point[2])
        off = (math.atan2(point[1], point[0]) - azimuth + math.pi) % (2 * math.pi) - math.pi
        return round(abs(off), 9), -math.hypot(point[0], point[1]), float(point[2])

    return np.asarray(min(points, key=turn_from))


def build_solid(design: Design) -> Solid:
    """The solid of a design. Raises DesignError when the facets do not close a stone."""
    try:
        solid = solid_of(facets_of(design))
    except SolidError as error:
        raise DesignError((), f"{error}; check the depths of the tiers") from None
    size = float(np.ptp(solid.vertices, axis=0).max())
    if size > LARGEST_MM:
        raise DesignError(
            (),
            f"the stone would be {size:,.0f} mm large, at most {LARGEST_MM:,.0f} can be; check angles and depths",
        )
    return solid


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


def tier_of(name: str) -> str:
    """The tier of a facet's name: without the index position at its end."""
    return re.sub(r" \d+(\.\d+)?$", "", name)
