"""The short form of a design, expanded to tiers in which all facets meet where they should.

Every facet keeps a whole index position of the gear where the gear allows it; what
varies around an oval or a cushion is the angle.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.design.model import Crown, Design, IndexSet, Pavilion, Tier
from facetrace.design.outline import (
    POINT,
    SAME,
    GirdlePolygon,
    Layout,
    Segment,
    girdle_polygon,
    layout,
)

DIGITS = 9
# steps where none are given, and a bulge so small that they lie in one flank
STEPS, STRAIGHT = 3, 1e-6
# share of the width that a shifted culet keeps from the girdle
LEAST_ROOM = 0.05


@dataclass(frozen=True)
class Plane:
    """A facet before it is a tier's: index position, angle [deg], distance from the origin [mm]."""

    index: float
    angle: float
    distance: float


def _through(index: float, turn: float, slope: float, x: float, y: float, z: float) -> Plane:
    """The facet at *index* whose tangent of angle is *slope*, through (x, y, z); z >= 0 outwards."""
    angle = math.atan(slope)
    along = x * math.cos(turn * index) + y * math.sin(turn * index)
    return Plane(index, math.degrees(angle), math.sin(angle) * along + math.cos(angle) * z)


def _tier(name: str, side: str, planes: list[Plane]) -> Tier:
    """A tier in its shortest honest form: one number where all facets share it."""
    odd = next((p for p in planes if side != "girdle" and not 0 <= p.angle < 90), None)
    if odd:
        raise ValueError(
            f"{side}: facet '{name} {odd.index:g}' would stand at {odd.angle:.1f} degrees; the angle "
            "and the percentages do not go together (try a smaller table, or other percentages)"
        )
    angles = [round(p.angle, DIGITS) for p in planes]
    distances = [round(p.distance, DIGITS) for p in planes]
    index = [round(p.index, DIGITS) for p in planes]
    same_angle = max(angles) - min(angles) < 1e-8
    same_distance = max(distances) - min(distances) < 1e-8
    return Tier.model_validate({
        "name": name,
        "side": side,
        "angle": angles[0] if same_angle else angles,
        "index": index if len(index) > 1 else index[0],
        "distance_mm": distances[0] if same_distance else distances,
    })  # fmt: skip


def _tiers(name: str, side: str, planes: list[Plane], design: Design) -> list[Tier]:
    """One tier; for a heart what its wall divides, the facets of the left lobe, and their mirror images."""
    if not (design.outline and design.outline.shape == "heart"):
        return [_tier(name, side, planes)]
    shared = [p for p in planes if p.index == 0 and side != "girdle"]
    left = [p for p in planes if p not in shared]
    right = [Plane(design.gear - p.index, p.angle, p.distance) for p in left]
    tiers = [_tier(name, side, shared)] if shared else []
    for lobe, facets in (("left", left), ("right", right)):
        if facets:
            tier = _tier(f"{name} {lobe}", side, facets)
            tiers.append(tier.model_copy(update={"lobe": lobe}))
    return tiers


def _ridge_point(
    first: Plane, second: Plane, turn: float, ahead: float, reach: float
) -> tuple[float, float, float]:
    """Point of the line where two facets meet, at distance *reach* along azimuth *ahead* [rad]."""
    rows = []
    for plane in (first, second):
        a = math.radians(plane.angle)
        phi = turn * plane.index
        rows.append([math.sin(a) * math.cos(phi), math.sin(a) * math.sin(phi), math.cos(a)])
    rows.append([math.cos(ahead), math.sin(ahead), 0.0])
    x, y, z = np.linalg.solve(np.array(rows), np.array([first.distance, second.distance, reach]))
    return float(x), float(y), float(z)


def _ridges(
    mains: list[Plane],
    plan: Layout,
    polygon: GirdlePolygon,
    turn: float,
    line: float,
    reaches: list[float],
) -> tuple[list[tuple[float, float, float]], list[Plane]]:
    """One point on the ridge of each pair of mains, and the break facets from there to the girdle.

    reaches: distance of the point along the azimuth of the star between the mains, mm.
    """  # fmt: skip
    points, planes = [], []
    for i, star in enumerate(plan.stars):
        following = mains[(i + 1) % len(mains)]
        x, y, z = _ridge_point(mains[i], following, turn, turn * star, reaches[i])
        points.append((x, y, z))
        for index in plan.breaks[i]:
            phi = turn * index
            room = polygon.support(phi) - (x * math.cos(phi) + y * math.sin(phi))
            planes.append(_through(index, turn, (z - line) / room, x, y, z))
    return points, planes


def _across(plan: Layout, gear: int) -> int:
    """Number of the main that faces most nearly across the width; of a heart's, not towards its point."""
    if len(plan.mains) > len(plan.stars):
        return next(i for i, main in enumerate(plan.mains) if main > gear / 4 - SAME)
    return min(range(len(plan.mains)), key=lambda i: abs(plan.mains[i] - gear / 4))


def _pavilion_brilliant(
    part: Pavilion,
    polygon: GirdlePolygon,
    plan: Layout,
    gear: int,
    floor: Segment,
    line: float,
    depth: float,
    wide: float,
) -> tuple[list[Plane], list[Plane]]:
    """Mains and breaks from the line of *polygon* down by *depth* to the culet or keel *floor*.

    wide: the mains aim at so many times the way from the floor to the outline.
    """  # fmt: skip
    turn = 2 * math.pi / gear
    mains = []
    for i in plan.mains:
        phi = turn * i
        inner = floor.support(phi)
        slope = depth / (wide * (polygon.support(phi) - inner))
        end = floor.right if math.cos(phi) > 0 else floor.left
        mains.append(_through(i, turn, slope, end, floor.y, line + depth))
    share = 1 - part.lower_girdle_percent / 100
    reaches = []
    for star in plan.stars:
        inner = floor.support(turn * star)
        reaches.append(inner + share * (polygon.support(turn * star) - inner))
    return mains, _ridges(mains, plan, polygon, turn, line, reaches)[1]


def _floor(part: Pavilion, polygon: GirdlePolygon, gear: int, mains_across: bool) -> Segment:
    """Culet point or keel of a pavilion, shifted as asked. Raises ValueError outside the outline."""
    low, high = polygon.corners.min(axis=0), polygon.corners.max(axis=0)
    length, width = (high - low) * [1, 2 if polygon.half else 1]
    floor = polygon.ridge if part.style == "step" else POINT
    if part.keel_percent is not None:
        keel = part.keel_percent / 100 * length
        # a pear's axis is the centre of its head, its keel runs towards the point
        behind = 0.0 if high[0] + low[0] > SAME * length else keel / 2
        floor = Segment(-behind, keel - behind)
    if floor.right > floor.left and not mains_across:
        raise ValueError(
            "pavilion: keel_percent: a brilliant with a keel needs a main facet across the width: "
            "a number of mains divisible by 4, and no rectangle"
        )
    along, across = (s / 100 * width for s in part.culet_shift_percent)
    floor = Segment(floor.left + along, floor.right + along, across)
    turn = 2 * math.pi / gear
    room = min(polygon.support(turn * i) - floor.support(turn * i) for i in polygon.index)
    if room < LEAST_ROOM * width:
        raise ValueError(
            "pavilion: culet_shift_percent, keel_percent: the culet or keel would come nearer than "
            f"{100 * LEAST_ROOM:g} % of the width to the girdle; shift it less or make it shorter"
        )
    return floor


def _slopes(part: Crown | Pavilion) -> list[float]:
    """Tangents of the steps' angles across the width, from the girdle inwards; equal ones once.

    With a bulge they fall in equal parts from 1 + 2 bulge times that of the angle to that
    of the angle itself, which is the last step's; so their mean is 1 + bulge times it. In
    a mixed pavilion the mains are the last step.
    """
    if isinstance(part.angle, list):
        return [math.tan(math.radians(a)) for a in part.angle]
    last = math.tan(math.radians(part.angle))
    parts = STEPS if part.steps is None else part.steps
    if part.style == "mixed":
        parts += 1
    if part.bulge < STRAIGHT:
        return [last] if part.style == "step" else [last] * parts
    return [last * (1 + 2 * part.bulge * (1 - k / (parts - 1))) for k in range(parts)]


def _steps(
    slopes: list[float],
    polygon: GirdlePolygon,
    gear: int,
    line: float,
    inset: float,
    floor: Segment,
) -> tuple[list[list[Plane]], float]:
    """Steps from the girdle line inwards over the share *inset* of the way to *floor*.

    At each level the outline is the girdle's, shrunk towards the floor; a facet lies in the
    two lines of its levels. Returns the planes of each step and the height of the last level.
    Where the floor is a keel and no side lies along it, facets along it begin at a corner.
    """
    turn = 2 * math.pi / gear
    index = polygon.shrunk(inset, floor, turn).index
    run = inset / len(slopes)
    room = polygon.support(math.pi / 2)
    level = line
    steps = []
    for k, slope in enumerate(slopes):
        rise = slope * run * room
        planes = []
        for i in index:
            phi = turn * i
            outer, inner = polygon.support(phi), floor.support(phi)
            reach = outer - k * run * (outer - inner)
            planes.append(
                _through(
                    i, turn, rise / (run * (outer - inner)),
                    reach * math.cos(phi), reach * math.sin(phi), level,
                )
            )  # fmt: skip
        steps.append(planes)
        level += rise
    return steps, level


def _pavilion(design: Design, part: Pavilion, polygon: GirdlePolygon, line: float) -> list[Tier]:
    gear = design.gear
    plan = None if part.style == "step" else layout(design, part.mains)
    mains_across = plan is None or min(abs(m - gear / 4) for m in plan.mains) < SAME
    floor = _floor(part, polygon, gear, mains_across)
    if plan is None:
        steps, bottom = _steps(_slopes(part), polygon, gear, line, 1.0, floor)
        planes = {f"pavilion step {k + 1}": step for k, step in enumerate(steps)}
    elif part.style == "brilliant":
        assert isinstance(part.angle, float)
        wide = 1 + part.bulge
        across = polygon.support(2 * math.pi / gear * plan.mains[_across(plan, gear)])
        depth = math.tan(math.radians(part.angle)) * wide * across
        bottom = line + depth
        mains, breaks = _pavilion_brilliant(part, polygon, plan, gear, floor, line, depth, wide)
        planes = {"pavilion main": mains, "pavilion break": breaks}
    else:
        planes, bottom = _pavilion_mixed(part, polygon, plan, gear, floor, line)
    tiers = [t for n, facets in planes.items() for t in _tiers(n, "pavilion", facets, design)]
    if part.culet_percent:
        flat = line + (bottom - line) * (1 - part.culet_percent / 100)
        tiers.append(_tier("culet", "pavilion", [Plane(0.0, 0.0, flat)]))
    return tiers


def _pavilion_mixed(
    part: Pavilion, polygon: GirdlePolygon, plan: Layout, gear: int, floor: Segment, line: float
) -> tuple[dict[str, list[Plane]], float]:
    """Steps over a share of the way to the culet; below, a brilliant on the outline left there."""
    over = sorted(i for pair in plan.breaks for i in pair)
    if len(over) != len(polygon.index) or any(
        abs(a - b) > SAME for a, b in zip(over, sorted(polygon.index), strict=True)
    ):
        raise ValueError(
            "pavilion: a mixed pavilion needs one break over each girdle facet: "
            f"[girdle] facets = {2 * part.mains} for {part.mains} mains"
        )
    share = part.step_percent / 100
    *slopes, last = _slopes(part)
    aim = floor
    if floor.right == floor.left:
        # the steps of a rectangle keep their width all around
        aim = Segment(polygon.ridge.left + floor.left, polygon.ridge.right + floor.left, floor.y)
    steps, level = _steps(slopes, polygon, gear, line, share, aim)
    inner = polygon.shrunk(share, aim, 2 * math.pi / gear)
    across = 2 * math.pi / gear * plan.mains[_across(plan, gear)]
    depth = last * (1 - share) * polygon.support(across)
    mains, breaks = _pavilion_brilliant(part, inner, plan, gear, floor, level, depth, 1.0)
    angle = {p.index: p.angle for p in steps[-1]}
    for facet in breaks:
        outer = next(a for i, a in angle.items() if abs(i - facet.index) < SAME)
        if facet.angle > outer - 1e-6:
            raise ValueError(
                f"pavilion: break {facet.index:g} at {facet.angle:.1f} degrees would be steeper than "
                f"the step above it at {outer:.1f}; give more bulge or a larger lower_girdle_percent"
            )
    names = {f"pavilion step {k + 1}": step for k, step in enumerate(steps)}
    return names | {"pavilion main": mains, "pavilion break": breaks}, level + depth


def _table_corners(
    sides: list[float], stars: tuple[float, ...], turn: float
) -> NDArray[np.float64]:
    """Corners (n, 2) of the table; corner i lies between the sides of stars i - 1 and i."""
    corners = []
    for i in range(len(stars)):
        pair = [[math.cos(turn * s), math.sin(turn * s)] for s in (stars[i - 1], stars[i])]
        corners.append(np.linalg.solve(np.array(pair), np.array([sides[i - 1], sides[i]])))
    return np.array(corners)


def _crown_brilliant(
    design: Design, part: Crown, polygon: GirdlePolygon, line: float
) -> list[Tier]:
    turn = 2 * math.pi / design.gear
    plan = layout(design, part.mains)
    sides = [polygon.support(turn * s) for s in plan.stars]
    # the table of a lobe ends at the wall
    wall = ([0.0], (0.75 * design.gear,)) if polygon.half else ([], ())
    corners = _table_corners(sides + wall[0], plan.stars + wall[1], turn)
    scale = part.table_percent / 100 * np.ptp(polygon.corners[:, 1]) / np.ptp(corners[:, 1])
    sides = [float(scale * s) for s in sides]
    corners *= scale
    assert isinstance(part.angle, float)

    def inward(i: int) -> float:
        phi = turn * plan.mains[i]
        edge = corners[i] @ np.array([math.cos(phi), math.sin(phi)])
        return float(polygon.support(phi) - edge)

    height = math.tan(math.radians(part.angle)) * inward(_across(plan, design.gear))
    mains = []
    for i, index in enumerate(plan.mains):
        phi = turn * index
        reach = polygon.support(phi)
        mains.append(
            _through(
                index, turn, height / inward(i), reach * math.cos(phi), reach * math.sin(phi), line
            )
        )
    top = line + height
    reaches = []
    for i, (side, star) in enumerate(zip(sides, plan.stars, strict=True)):
        phi = turn * star
        outer = polygon.support(phi)
        inner = side
        if len(plan.breaks[i]) == 1 or polygon.half:
            # over a long side the ridge of the mains passes the table's height well outside the table
            pair = mains[i], mains[(i + 1) % len(mains)]
            high, low = (_ridge_point(*pair, turn, phi, r)[2] for r in (side, outer))
            inner += (outer - side) * (high - top) / (high - low)
        reaches.append(inner + part.star_percent / 100 * (outer - inner))
    points, breaks = _ridges(mains, plan, polygon, turn, line, reaches)
    stars = [
        _through(star, turn, (top - point[2]) / (reach - side), *point)
        for star, side, reach, point in zip(plan.stars, sides, reaches, points, strict=True)
    ]
    named = {"crown main": mains, "crown break": breaks, "star": stars}
    named["table"] = [Plane(0.0, 0.0, top)]
    return [t for n, facets in named.items() for t in _tiers(n, "crown", facets, design)]


def _crown_steps(design: Design, part: Crown, polygon: GirdlePolygon, line: float) -> list[Tier]:
    inset = 1 - part.table_percent / 100
    steps, top = _steps(_slopes(part), polygon, design.gear, line, inset, polygon.ridge)
    tiers = [_tier(f"crown step {k + 1}", "crown", planes) for k, planes in enumerate(steps)]
    return [*tiers, _tier("table", "crown", [Plane(0.0, 0.0, top)])]


def expand(design: Design) -> Design:
    """The same design written as tiers. Raises ValueError where the gear cannot hold it.

    A design that already is in tiers comes back unchanged, except that missing girdle
    facets are added from its outline.
    """
    if design.tier:
        if any(t.side == "girdle" for t in design.tier) or not (design.outline and design.girdle):
            return design
        tiers = [*_girdle_tiers(girdle_polygon(design), design), *design.tier]
        return design.model_copy(update={"tier": tiers})
    polygon = girdle_polygon(design)
    assert design.girdle is not None
    assert design.crown is not None
    assert design.pavilion is not None
    line = design.girdle.thickness_mm / 2
    crown = _crown_brilliant if design.crown.style == "brilliant" else _crown_steps
    tiers = [
        *_pavilion(design, design.pavilion, polygon, line),
        *_girdle_tiers(polygon, design),
        *crown(design, design.crown, polygon, line),
    ]
    return design.model_copy(update={"tier": tiers, "crown": None, "pavilion": None})


def _girdle_tiers(polygon: GirdlePolygon, design: Design) -> list[Tier]:
    planes = [
        Plane(i, 90.0, float(d)) for i, d in zip(polygon.index, polygon.distance, strict=True)
    ]
    return _tiers("girdle", "girdle", planes, design)


def positions(tier: Tier, gear: int) -> list[tuple[float, int]]:
    """All facets of a tier: (index position, number of the written value it takes).

    Repetition and mirroring as the file asks; the same position twice counts once.
    """
    if not isinstance(tier.index, IndexSet):
        return [(i % gear, k) for k, i in enumerate(tier.positions)]
    found: dict[float, int] = {}
    for turn in range(tier.index.fold):
        for k, i in enumerate(tier.index.at):
            for place in (i, -i) if tier.index.mirror else (i,):
                index = round((place + turn * gear / tier.index.fold) % gear, 6) % gear
                found.setdefault(index, k)
    return sorted(found.items())
