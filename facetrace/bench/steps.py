"""A design at the wheel: the order of its cuts, what each aims at, what is left after it.

A step is one tier (of a heart: a tier of both lobes). Before it, the stone is the blank and the steps
so far; its aim is a corner that is already there, or a length where none is. How an error of the
angle shows is found by cutting the whole stone again with the tier turned about what it aimed at.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from facetrace.common.errors import FacetraceError
from facetrace.design.expand import expand
from facetrace.design.model import Design, Tier
from facetrace.solid.build import Facet, facet_normal, facets_of, parts_of, solid_of
from facetrace.solid.lobes import WALL
from facetrace.solid.measure import SolidMeasures, carats_at, measure
from facetrace.solid.polyhedron import Floats, Solid, SolidError

First = Literal["pavilion", "crown"]

# no tier's name may hold @
BLANK = "blank@"
VERTICAL = 1e-9
# a plane passes through a corner where it is nearer than this, mm; or nearly, as the eye sees it
ON_CORNER, NEAR_CORNER = 1e-6, 0.01
# corners of more facets than this are said last: a culet that is growing, not a meet to look for
MANY = 4
# facets of a step with equal angle [deg] and depth [mm] are cut at one setting
SAME_SETTING = 1e-6
# common practice, no source: what is left to grind all round, and what a 10x loupe shows clearly
ALLOWANCE_MM, OPEN_MM = 0.3, 0.05
ERROR_DEG = 0.1
# a template is read at so many index positions or fewer
TEMPLATE = 32
MOST_ERROR_DEG, SEARCHES, NEAR_ENOUGH = 5.0, 12, 1e-3


@dataclass(frozen=True)
class Meet:
    """A corner (3,) that stands before a facet is cut through it, mm, and the facets that meet there.

    gap: how far the facet's plane passes from it, mm.
    """

    point: tuple[float, float, float]
    facets: tuple[str, ...]
    gap: float


@dataclass(frozen=True)
class Aim:
    """How deep one facet is cut.

    kind: "meet" (corners of steps before), "own" (corners that earlier settings of the same step
    made), else a length, mm: "axis" (axis to girdle flat), "height" (of a level facet, above or below the
    girdle plane), "girdle" (girdle left under or over the facet), "line" (its end at the girdle, from the
    girdle plane), "left" (what it leaves of the facet *beside*, up its slope), "tip" (its deepest
    point, from the girdle plane). hinge: the point about which an error of the angle turns it.
    """

    kind: Literal["meet", "own", "axis", "height", "girdle", "line", "left", "tip"]
    facet: str
    meets: tuple[Meet, ...]
    mm: float | None
    beside: str | None
    hinge: tuple[float, float, float]


@dataclass(frozen=True)
class Setting:
    """Facets of a step that share one angle [deg] and depth, and what each aims at."""

    angle: float
    facets: tuple[Facet, ...]
    aims: tuple[Aim, ...]

    @property
    def aim(self) -> Aim:
        """That of the first facet, said for all."""
        return self.aims[0]

    @property
    def alike(self) -> bool:
        """Whether all its facets aim at the same kind of thing."""
        return len({(a.kind, len(a.meets)) for a in self.aims}) == 1


@dataclass(frozen=True)
class Checks:
    """What a calliper reads after a step, mm, None for what does not exist yet; carats left.

    depth_mm: of the whole stone so far; culet_mm, crown_mm: lowest and highest point from the
    girdle plane, keel_mm: length of the keel; table_*: of the finished table; flat_*: of what is left of
    the blank's face on the side being cut; facet_*: the tier's largest facet, up its slope and across.
    """

    length_mm: float
    width_mm: float
    depth_mm: float
    girdle_min_mm: float | None
    girdle_mean_mm: float | None
    culet_mm: float | None
    keel_mm: float | None
    crown_mm: float | None
    table_length_mm: float | None
    table_width_mm: float | None
    flat_length_mm: float | None
    flat_width_mm: float | None
    facet_slope_mm: float | None
    facet_across_mm: float | None
    carats: float


@dataclass(frozen=True)
class Fault:
    """What an error of the angle, in degrees, does to the finished stone, the rest as designed.

    open_mm: how far the worst meet opens when the whole tier is off, and at: its facets (None and ()
    where no four facets meet); alone_mm, alone_at: when one of its facets is off and the others are
    right. moved_mm: how far the tier's corners move at most; girdle_mm, table_mm: change of the
    mean girdle and of the table's width (None where it is not defined); depth_mm, carats: change.
    tolerance_deg, alone_deg: the error that opens the worst meet by the wished mm, the smaller of
    too steep and too flat (None: not within MOST_ERROR_DEG).
    """

    degrees: float
    open_mm: float | None
    at: tuple[str, ...]
    alone_mm: float | None
    alone_at: tuple[str, ...]
    moved_mm: float
    girdle_mm: float | None
    table_mm: float | None
    depth_mm: float
    carats: float
    tolerance_deg: float | None
    alone_deg: float | None


@dataclass(frozen=True)
class Step:
    """One tier at the wheel.

    after: the stone when it is done; fault: None where the error leaves no stone.
    """

    name: str
    side: str
    settings: tuple[Setting, ...]
    after: Solid
    checks: Checks
    fault: Fault | None

    @property
    def facets(self) -> tuple[Facet, ...]:
        """All its facets, setting by setting."""
        return tuple(f for s in self.settings for f in s.facets)


@dataclass(frozen=True)
class Preform:
    """The blank to grind before the first facet, mm: a prism over the girdle's outline.

    crown_mm, pavilion_mm: its faces from the girdle plane; radii: (index position, axis to its side).
    """

    solid: Solid
    allowance_mm: float
    length_mm: float
    width_mm: float
    height_mm: float
    crown_mm: float
    pavilion_mm: float
    carats: float
    radii: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Bench:
    """A design made ready for the wheel."""

    solid: Solid
    measures: SolidMeasures
    preform: Preform
    steps: tuple[Step, ...]
    first: First
    open_mm: float
    mirrored: bool

    @cached_property
    def flats(self) -> tuple[Facet, ...]:
        """The girdle's flats that the stone keeps, by index position."""
        kept = set(self.solid.names)
        found = [f for s in self.steps for f in s.facets if s.side == "girdle" and f.name in kept]
        return tuple(sorted(found, key=lambda f: f.index))


def bench(
    design: Design, density: float, *, first: First = "pavilion",
    allowance_mm: float = ALLOWANCE_MM, open_mm: float = OPEN_MM,
    report: Callable[[float], None] | None = None,
) -> Bench:  # fmt: skip
    """The steps of a design whose material has that density, g/cm^3. *report* gets the share done.

    Raises DesignError where the design makes no stone, FacetraceError where the order cannot be cut.
    """
    facets = facets_of(design)
    try:
        solid = solid_of(facets)
    except SolidError as error:
        raise FacetraceError(f"{error}; check the depths of the tiers") from None
    walls = [f for f in facets if f.tier == WALL and f.lobe]
    blank = _blank(solid, walls, allowance_mm, design.gear)
    done = [*walls, *blank]
    preform = _preform(solid, done, allowance_mm, density, design.gear)
    steps: list[Step] = []
    before = preform.solid
    order = _in_order(design, facets, first)
    for name, side, own in order:
        settings = _settings(own)
        done += own
        after = _partial(done, name)
        aimed = tuple(replace(s, aims=_aims(s, before, after, done, settings)) for s in settings)
        begun = {s.side for s in steps} | {side}
        fault = _fault(facets, solid, aimed, density, open_mm)
        checks = _checks(after, own, side, begun, density)
        steps.append(Step(name, side, aimed, after, checks, fault))
        before = after
        if report:
            report(len(steps) / len(order))
    return Bench(
        solid, measure(solid, density), preform, tuple(steps), first, open_mm,
        _mirrored(facets, design.gear),
    )  # fmt: skip


def on_gear(index: float, gear: int, other: int) -> tuple[float, float]:
    """An index position on another gear, and how far it lies from that one's nearest tooth, teeth."""
    place = index * other / gear
    return place % other, abs(place - round(place))


# ---- order -----------------------------------------------------------------------------------


def _stem(tier: Tier) -> str:
    return tier.name.removesuffix(f" {tier.lobe}") if tier.lobe else tier.name


def _in_order(
    design: Design, facets: Sequence[Facet], first: First
) -> list[tuple[str, str, list[Facet]]]:
    """(name, side, facets) of each step: girdle, one side, the other, each side as in the file.

    The order is common practice, no source: the girdle is the line that both sides are cut to. A
    girdle tier that is placed by facets of a side waits for them.
    """
    ranks = {"girdle": 0, first: 1, "crown" if first == "pavilion" else "pavilion": 2}
    tiers = expand(design).tier
    placed: dict[str, int] = {}
    for tier in tiers:
        named = [(n.partition("@")[0].strip()) for n in tier.through or ()]
        rank = ranks[tier.side]
        if tier.side == "girdle":
            rank = max([rank, *(placed[n] for n in named)])
        late = [n for n in named if placed[n] > rank]
        if late:
            raise FacetraceError(
                f"tier '{tier.name}' aims at '{late[0]}', which is cut later when the {first} comes first; "
                f"try --first {'crown' if first == 'pavilion' else 'pavilion'}"
            )
        placed[tier.name] = rank
    groups: list[tuple[str, str, list[Facet]]] = []
    previous: tuple[str, str] | None = None
    for tier in sorted(tiers, key=lambda t: placed[t.name]):
        own = [f for f in facets if f.tier == tier.name]
        if previous == (_stem(tier), tier.side) and (tier.lobe or groups[-1][2][-1].lobe):
            groups[-1][2].extend(own)
        else:
            groups.append((_stem(tier), tier.side, own))
        previous = (_stem(tier), tier.side)
    return groups


def _settings(own: Sequence[Facet]) -> list[Setting]:
    """Facets of one step by equal angle and depth, in the order in which they first come."""
    groups: list[list[Facet]] = []
    for facet in own:
        for group in groups:
            mate = group[0]
            if (
                abs(mate.angle - facet.angle) < SAME_SETTING
                and abs(mate.distance - facet.distance) < SAME_SETTING
            ):
                group.append(facet)
                break
        else:
            groups.append([facet])
    return [Setting(g[0].angle, tuple(g), ()) for g in groups]


def _mirrored(facets: Sequence[Facet], gear: int) -> bool:
    """Whether every position has its mirror image at gear minus it: then the gear's sense is all one."""
    rows = {
        (round(f.angle, 6), round(f.distance, 6), f.normal[2] > 0, round(f.index % gear, 6))
        for f in facets if f.angle and not (f.tier == WALL and f.lobe)
    }  # fmt: skip
    return all((a, d, up, round(-i % gear, 6) % gear) in rows for a, d, up, i in rows)


# ---- blank -----------------------------------------------------------------------------------


def _blank(
    solid: Solid, walls: Sequence[Facet], allowance: float, gear: int
) -> list[Facet]:  # fmt: skip
    """Sides of a prism *allowance* mm outside the stone, and its two faces."""
    found = []
    lobes = [w.lobe for w in walls] or [None]
    for lobe, part in zip(lobes, solid.parts, strict=True):
        rim = part.silhouette(np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
        ahead = np.roll(rim, -1, axis=0) - rim
        sides = np.column_stack([ahead[:, 1], -ahead[:, 0]])
        sides /= np.linalg.norm(sides, axis=1, keepdims=True)
        for (x, y), reach in zip(sides, (sides * rim).sum(axis=1), strict=True):
            if lobe and abs(reach) < ON_CORNER and abs(x) < ON_CORNER:
                continue
            index = math.atan2(y, x) * gear / (2 * math.pi) % gear
            normal = (float(x), float(y), 0.0)
            found.append(Facet(f"{BLANK}side", index, 90.0, normal, float(reach) + allowance, lobe))
    low, high = solid.vertices[:, 2].min(), solid.vertices[:, 2].max()
    found.append(Facet(f"{BLANK}top", 0.0, 0.0, (0.0, 0.0, 1.0), float(high) + allowance))
    found.append(Facet(f"{BLANK}bottom", 0.0, 0.0, (0.0, 0.0, -1.0), float(allowance - low)))
    return found


def _preform(
    solid: Solid, facets: Sequence[Facet], allowance: float, density: float, gear: int
) -> Preform:
    blank = solid_of(facets)
    low, high = blank.vertices.min(axis=0), blank.vertices.max(axis=0)
    size = high - low
    across = int(np.argmin((solid.vertices.max(axis=0) - solid.vertices.min(axis=0))[:2]))
    if len(solid.parts) > 1:
        across = 1
    each = next(k for k in range(1, gear + 1) if gear % k == 0 and gear // k <= TEMPLATE)
    places = [float(i) for i in range(0, gear, each)]
    return Preform(
        blank, allowance, float(size[1 - across]), float(size[across]), float(size[2]),
        float(high[2]), float(-low[2]), carats_at(blank.volume, density),
        tuple((i, _radius(facets, 2 * math.pi * i / gear)) for i in places),
    )  # fmt: skip


def _radius(facets: Sequence[Facet], azimuth: float) -> float:
    """From the axis to the side of the blank, mm."""
    ray = np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
    lobe = "left" if ray[1] >= -VERTICAL else "right"
    sides = [f for f in facets if f.tier == f"{BLANK}side" and f.lobe in (None, lobe)]
    reach = [f.distance / (ray @ f.normal) for f in sides if ray @ f.normal > VERTICAL]
    return float(min(reach))


def _partial(facets: Sequence[Facet], name: str) -> Solid:
    try:
        return solid_of(facets)
    except SolidError as error:
        raise FacetraceError(f"step '{name}' cannot be cut in this order: {error}") from None


# ---- aims ------------------------------------------------------------------------------------


def _meets(facet: Facet, before: Solid, after: Solid, near: float) -> tuple[Meet, ...]:
    """Corners of *before* on the facet's plane that *after* keeps; those of most facets first."""
    normal = np.array(facet.normal)
    azimuth = math.atan2(normal[1], normal[0])
    gaps = np.abs(before.vertices @ normal - facet.distance)
    found = []
    for corner in np.flatnonzero(gaps < near):
        point, names = before.vertices[corner], before.owners[corner]
        if any(n.startswith(BLANK) for n in names) or facet.name in names:
            continue
        if np.linalg.norm(after.vertices - point, axis=1).min() > 2 * near:
            continue
        off = abs((math.atan2(point[1], point[0]) - azimuth + math.pi) % (2 * math.pi) - math.pi)
        if math.hypot(point[0], point[1]) < ON_CORNER:
            off = 0.0
        rank = (len(names) > MANY, -len(names), round(off, 6), round(point[2], 6))
        x, y, z = (float(v) for v in point)
        gap = float(gaps[corner])
        found.append(
            (rank, Meet((x, y, z), _by_rank(names, before), gap if gap > ON_CORNER else 0.0))
        )
    return tuple(m for _, m in sorted(found, key=lambda row: row[0]))


def _by_rank(names: frozenset[str], solid: Solid) -> tuple[str, ...]:
    """Names in the order in which they were cut."""
    return tuple(dict.fromkeys(n for n in solid.names if n in names))


def _aims(
    setting: Setting, before: Solid, after: Solid, done: Sequence[Facet], settings: Sequence[Setting]
) -> tuple[Aim, ...]:  # fmt: skip
    for near in (ON_CORNER, NEAR_CORNER):
        meets = [_meets(f, before, after, near) for f in setting.facets]
        if all(meets):
            return tuple(_met("meet", f, m) for f, m in zip(setting.facets, meets, strict=True))
    if setting.angle == 90:
        return tuple(_length(f, after) for f in setting.facets)
    turn = next(k for k, s in enumerate(settings) if s.facets is setting.facets)
    if turn:
        own = {f for s in settings for f in s.facets}
        earlier = [f for f in done if f not in own]
        earlier += [f for s in settings[:turn] for f in s.facets]
        so_far = solid_of(earlier) if _joins(earlier) else before
        meets = [_meets(f, so_far, after, ON_CORNER) for f in setting.facets]
        if all(meets):
            return tuple(_met("own", f, m) for f, m in zip(setting.facets, meets, strict=True))
    return tuple(_length(f, after) for f in setting.facets)


def _joins(facets: Sequence[Facet]) -> bool:
    try:
        solid_of(facets)
    except SolidError:
        return False
    return True


def _met(kind: Literal["meet", "own"], facet: Facet, meets: tuple[Meet, ...]) -> Aim:
    return Aim(kind, facet.name, meets, None, None, meets[0].point)


def _polygon(solid: Solid, name: str) -> Floats | None:
    """Corners (k, 3) of a facet, of both lobes where a wall divides it; None where it is not there."""
    parts = [p for n, p in zip(solid.names, solid.polygons, strict=True) if n == name]
    return np.asarray(solid.vertices[np.unique(np.concatenate(parts))]) if parts else None


def _foot(facet: Facet, mm: float) -> tuple[float, float, float]:
    """The point of the facet's plane straight out from (0, 0, mm) towards its index position."""
    x, y, z = facet.normal
    flat = math.hypot(x, y)
    if flat < VERTICAL:
        return 0.0, 0.0, facet.distance / z
    reach = (facet.distance - z * mm) / flat
    return reach * x / flat, reach * y / flat, mm


def _length(facet: Facet, after: Solid) -> Aim:
    """The length that says how deep a facet goes where no corner does."""
    points = _polygon(after, facet.name)
    normal = np.array(facet.normal)
    if abs(normal[2]) < VERTICAL:
        return Aim("axis", facet.name, (), facet.distance, None, _foot(facet, 0.0))
    if math.hypot(normal[0], normal[1]) < VERTICAL or points is None:
        z = facet.distance / normal[2]
        return Aim("height", facet.name, (), abs(z), None, _foot(facet, z))
    upright = np.abs(after.normals[:, 2]) < VERTICAL
    ends = []
    for name, polygon, vertical in zip(after.names, after.polygons, upright, strict=True):
        if not vertical or name.startswith(BLANK):
            continue
        wall = after.vertices[polygon]
        for p in points:
            if np.linalg.norm(wall - p, axis=1).min() < ON_CORNER:
                # towards the other side of the stone: up from a pavilion, down from a crown
                ends.append((float(p[2] * np.sign(normal[2])), p, wall))
    if ends:
        least = min(e[0] for e in ends)
        _, point, wall = next(e for e in ends if e[0] < least + ON_CORNER)
        other = _across(wall, point)
        open_side = any(
            name.startswith(BLANK) and abs(n @ other - d) < ON_CORNER
            for name, n, d in zip(after.names, after.normals, after.offsets, strict=True)
        )
        hinge = _foot(facet, float(point[2]))
        if open_side:
            return Aim("line", facet.name, (), float(point[2] * np.sign(normal[2])), None, hinge)
        return Aim("girdle", facet.name, (), abs(float(other[2] - point[2])), None, hinge)
    return _beside(facet, after, points)


def _across(wall: Floats, point: Floats) -> Floats:
    """Where the vertical line through a point of an upright facet's edge leaves the facet again.

    *wall* (k, 3): the facet's corners in order. A facet below may end between two corners of the one above.
    """
    heights = []
    for a, b in zip(wall, np.roll(wall, -1, axis=0), strict=True):
        along = (b - a)[:2]
        length = float(np.hypot(*along))
        if length < ON_CORNER:
            heights += [a[2], b[2]] if np.hypot(*(a - point)[:2]) < ON_CORNER else []
            continue
        share = float(along @ (point - a)[:2]) / length**2
        if -ON_CORNER <= share * length <= length + ON_CORNER:
            heights.append(a[2] + share * (b[2] - a[2]))
    far = max(heights, key=lambda z: abs(z - point[2]))
    return np.array([point[0], point[1], far])


def _beside(facet: Facet, after: Solid, points: Floats) -> Aim:
    """What the facet leaves of the neighbour on its girdle side, or how deep its tip lies."""
    own = next(i for i, n in enumerate(after.names) if n == facet.name)
    best, shared = None, 0.0
    middle = points.mean(axis=0)
    for i in after.adjacency[own]:
        edge = np.intersect1d(after.polygons[own], after.polygons[i])
        ends = after.vertices[edge]
        if len(edge) < 2 or after.names[i].startswith(BLANK) or abs(after.normals[i][2]) < VERTICAL:
            continue
        if facet.tier == after.names[i].rpartition(" ")[0] or abs(ends[:, 2].mean()) > abs(
            middle[2]
        ):
            continue
        length = float(np.linalg.norm(ends[0] - ends[1]))
        if length > shared + ON_CORNER:
            best, shared = i, length
    if best is None:
        tip = points[np.argmax(np.abs(points[:, 2]))]
        return Aim(
            "tip",
            facet.name,
            (),
            abs(float(tip[2])),
            None,
            (float(tip[0]), float(tip[1]), float(tip[2])),
        )
    shared_edge = after.vertices[np.intersect1d(after.polygons[own], after.polygons[best])]
    slope = _slope(after.normals[best], after.vertices[after.polygons[best]])[0]
    return Aim(
        "left",
        facet.name,
        (),
        slope,
        after.names[best],
        _foot(facet, float(shared_edge[:, 2].mean())),
    )


def _slope(normal: Floats, points: Floats) -> tuple[float, float]:
    """Extent of a facet up its slope and across, mm."""
    flat = math.hypot(normal[0], normal[1])
    across = (
        np.array([-normal[1], normal[0], 0.0]) / flat
        if flat > VERTICAL
        else np.array([0.0, 1.0, 0.0])
    )
    up = np.cross(normal, across)
    return float(np.ptp(points @ up)), float(np.ptp(points @ across))


# ---- check measures --------------------------------------------------------------------------


def _checks(
    after: Solid, own: Sequence[Facet], side: str, begun: set[str], density: float
) -> Checks:
    sizes = measure(after, density)
    low, high = after.vertices[:, 2].min(), after.vertices[:, 2].max()
    both = {"crown", "pavilion"} <= begun
    bottom, top = (_polygon(after, f"{BLANK}{face}") for face in ("bottom", "top"))
    keel = after.vertices[after.vertices[:, 2] < low + ON_CORNER]
    keel_mm = float(np.ptp(keel, axis=0)[:2].max())
    level = [f for f in own if abs(f.normal[2]) > 1 - VERTICAL and f.normal[2] > 0]
    table = _polygon(after, level[0].name) if level else None
    left = top if side == "crown" else bottom if side == "pavilion" else None
    largest = _largest(after, own)
    return Checks(
        sizes.length_mm, sizes.width_mm, sizes.depth_mm,
        sizes.girdle_min_mm if both else None, sizes.girdle_mean_mm if both else None,
        float(-low) if bottom is None else None,
        keel_mm if bottom is None and keel_mm > ON_CORNER else None,
        float(high) if top is None else None,
        *_extent(table), *_extent(left), *largest,
        sizes.carats,
    )  # fmt: skip


def _extent(points: Floats | None) -> tuple[float | None, float | None]:
    """Extents along the length (x) and across (y), mm."""
    if points is None:
        return None, None
    size = np.ptp(points, axis=0)
    return float(size[0]), float(size[1])


def _largest(after: Solid, own: Sequence[Facet]) -> tuple[float | None, float | None]:
    names = {f.name for f in own}
    found = [
        (area, _slope(normal, after.vertices[polygon]))
        for name, normal, polygon, area in zip(
            after.names, after.normals, after.polygons, after.areas, strict=True
        )
        if name in names
    ]
    return max(found)[1] if found else (None, None)


# ---- errors of the angle ---------------------------------------------------------------------


@dataclass(frozen=True)
class _Corner:
    """A corner (3,) of the finished stone and its facets, those so near that they were meant included."""

    point: Floats
    facets: frozenset[str]
    part: int


def _corners(solid: Solid, names: frozenset[str]) -> list[_Corner]:
    """Corners where facets called *names* come together with others, lobe by lobe."""
    found = []
    for k, part in enumerate(solid.parts):
        tree = cKDTree(part.vertices)
        seen: set[int] = set()
        for i, point in enumerate(part.vertices):
            if i in seen:
                continue
            near = tree.query_ball_point(point, NEAR_CORNER)
            seen.update(near)
            facets = frozenset(n for j in near for n in part.owners[j])
            if facets & names:
                found.append(_Corner(point, facets, k))
    return found


def _opened(
    corners: Sequence[_Corner], parts: Sequence[Solid]
) -> tuple[float, frozenset[str], float]:
    """How far the worst of *corners* opens in other *parts*, its facets; how far one moves at most, mm.

    A corner became those of its part whose facets are among its own; it opens by the widest distance
    between them.
    """
    worst, at, moved = 0.0, frozenset[str](), 0.0
    for corner in corners:
        part = parts[corner.part]
        points = part.vertices[_within(part, corner.facets)]
        if not len(points):
            continue
        moved = max(moved, float(np.linalg.norm(points - corner.point, axis=1).max()))
        wide = float(np.linalg.norm(points[:, None] - points[None], axis=2).max())
        if len(corner.facets) > 3 and wide > worst + ON_CORNER:
            worst, at = wide, corner.facets
    return worst, at, moved


def _within(part: Solid, names: frozenset[str]) -> list[int]:
    """Corners all of whose facets are among *names*."""
    touched = {c for n in names for c in part.corners.get(n, ())}
    return sorted(c for c in touched if part.owners[c] <= names)


def turned(facet: Facet, hinge: Sequence[float], degrees: float) -> Facet:
    """The facet at its index position, so much steeper, still through *hinge* (3,).

    A level facet leans towards its index position, a girdle flat out of plumb.
    """
    side = "crown" if facet.normal[2] > VERTICAL else "pavilion"
    azimuth = math.atan2(facet.normal[1], facet.normal[0])
    normal = facet_normal(side, math.radians(facet.angle + degrees), azimuth)
    # its name, which tells of the angle where that is 0, stays what it was
    return replace(facet, normal=normal, distance=float(np.dot(normal, hinge)))


def _off(
    facets: Sequence[Facet], settings: Sequence[Setting], degrees: float
) -> list[Facet]:  # fmt: skip
    """All facets, those of the settings turned about what they aim at.

    What aims at a corner of its own step goes through that corner as the error has moved it.
    """
    known = {f.name: f for f in facets}
    for setting in settings:
        moved = {}
        for facet, aim in zip(setting.facets, setting.aims, strict=True):
            hinge: Sequence[float] = aim.hinge
            if aim.kind == "own":
                planes = [known[n] for n in aim.meets[0].facets]
                rows = np.array([p.normal for p in planes])
                hinge = np.linalg.lstsq(rows, np.array([p.distance for p in planes]), rcond=None)[0]
            moved[facet.name] = turned(facet, hinge, degrees)
        known |= moved
    return [known[f.name] if not (f.tier == WALL and f.lobe) else f for f in facets]


def _fault(
    facets: Sequence[Facet], solid: Solid, settings: Sequence[Setting], density: float, open_mm: float
) -> Fault | None:  # fmt: skip
    """What ERROR_DEG does, for the whole tier and for one facet of each setting alone."""
    corners = _corners(solid, frozenset(f.name for s in settings for f in s.facets))

    def cut(some: Sequence[Setting], degrees: float) -> tuple[Solid, ...] | None:
        try:
            return parts_of(_off(facets, some, degrees))
        except SolidError:
            return None

    def opened(some: Sequence[Setting], degrees: float) -> float:
        found = cut(some, degrees)
        return math.inf if found is None else _opened(corners, found)[0]

    wrong = _off(facets, settings, ERROR_DEG)
    try:
        found = solid_of(wrong)
    except SolidError:
        return None
    wide, at, moved = _opened(corners, found.parts)
    sizes, nominal = measure(found, density), measure(solid, density)
    table = (sizes.table_percent * sizes.width_mm - nominal.table_percent * nominal.width_mm) / 100
    upright, level = (any(s.angle == a for s in settings) for a in (90, 0))
    # turned about where it meets its neighbours as they should be
    singles = [replace(s, facets=s.facets[:1], aims=s.aims[:1]) for s in settings]
    alone = [(_opened(corners, f), [s]) for s in singles if (f := cut([s], ERROR_DEG)) is not None]
    (alone_mm, alone_at, _), single = (
        max(alone, key=lambda a: a[0][0]) if alone else ((0.0, at, 0.0), [])
    )
    touching = any(len(c.facets) > 3 for c in corners)
    return Fault(
        ERROR_DEG, wide if touching else None, _by_rank(at, solid),
        alone_mm if touching else None, _by_rank(alone_at, solid), moved,
        None if upright or not nominal.girdle_mean_mm else sizes.girdle_mean_mm - nominal.girdle_mean_mm,
        None if level or not nominal.table_percent else table,
        sizes.depth_mm - nominal.depth_mm, sizes.carats - nominal.carats,
        _tolerance(lambda d: opened(settings, d), open_mm) if touching else None,
        _tolerance(lambda d: opened(single, d), open_mm) if touching else None,
    )  # fmt: skip


def _tolerance(opened: Callable[[float], float], open_mm: float) -> float | None:
    ways = [_degrees_for(opened, sign, open_mm) for sign in (1.0, -1.0)]
    return min((w for w in ways if w is not None), default=None)


def _degrees_for(opened: "Callable[[float], float]", sign: float, open_mm: float) -> float | None:
    """The error at which a meet opens by *open_mm*: false position, with bisection where it stalls."""
    low, high = 0.0, ERROR_DEG
    at_low, at_high = 0.0, opened(sign * high)
    while at_high < open_mm:
        low, at_low = high, at_high
        high = high * (1.2 * open_mm / at_high if at_high > 0.05 * open_mm else 4.0)
        if high > MOST_ERROR_DEG:
            return None
        at_high = opened(sign * high)
    for k in range(SEARCHES):
        share = (
            (open_mm - at_low) / (at_high - at_low) if math.isfinite(at_high) and k % 4 < 3 else 0.5
        )
        middle = low + (high - low) * share
        found = opened(sign * middle)
        if abs(found - open_mm) < NEAR_ENOUGH * open_mm:
            return middle
        if found < open_mm:
            low, at_low = middle, found
        else:
            high, at_high = middle, found
    return low
