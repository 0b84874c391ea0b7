"""The short form of a design, expanded to tiers in which all facets meet where they should.

Every facet keeps a whole index position of the gear where the gear allows it; what
varies around an oval or a cushion is the angle.
"""

import math
from dataclasses import dataclass

import numpy as np

from facetrace.design.model import Crown, Design, IndexSet, Pavilion, Tier
from facetrace.design.outline import GirdlePolygon, girdle_polygon

DIGITS = 9


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


def _main_positions(gear: int, mains: int) -> list[float]:
    if gear % (4 * mains):
        fits = [n for n in range(3, 33) if gear % (4 * n) == 0]
        raise ValueError(
            f"mains: {mains} mains with their break facets do not fit a gear of {gear} teeth; "
            + (f"use one of {', '.join(map(str, fits))}" if fits else "use a gear of 96 teeth")
        )
    return [gear / mains * i for i in range(mains)]


def _breaks(
    mains: list[Plane], polygon: GirdlePolygon, turn: float, line: float, reach: float
) -> list[Plane]:
    """Break facets: two for each pair of mains, from the girdle line to one point of their ridge.

    *reach* is the point's distance from the axis as a share of the outline's.
    """
    planes = []
    step = (mains[1].index - mains[0].index) / 4
    for i, main in enumerate(mains):
        following = mains[(i + 1) % len(mains)]
        ahead = turn * (main.index + 2 * step)
        x, y, z = _ridge_point(main, following, turn, ahead, reach * polygon.support(ahead))
        for index in (main.index + step, main.index + 3 * step):
            phi = turn * index
            room = polygon.support(phi) - (x * math.cos(phi) + y * math.sin(phi))
            planes.append(_through(index, turn, (z - line) / room, x, y, z))
    return planes


def _pavilion_brilliant(
    part: Pavilion, polygon: GirdlePolygon, gear: int, line: float
) -> list[Tier]:
    turn = 2 * math.pi / gear
    positions = _main_positions(gear, part.mains)
    across = min(positions, key=lambda i: abs(i - gear / 4))
    assert isinstance(part.angle, float)
    wide = 1 + part.bulge
    depth = math.tan(math.radians(part.angle)) * wide * polygon.support(turn * across)
    mains = [
        _through(i, turn, depth / (wide * polygon.support(turn * i)), 0.0, 0.0, line + depth)
        for i in positions
    ]
    breaks = _breaks(mains, polygon, turn, line, 1 - part.lower_girdle_percent / 100)
    tiers = [
        _tier("pavilion main", "pavilion", mains),
        _tier("pavilion break", "pavilion", breaks),
    ]
    if part.culet_percent:
        flat = line + depth * (1 - part.culet_percent / 100)
        tiers.append(_tier("culet", "pavilion", [Plane(0.0, 0.0, flat)]))
    return tiers


def _table_lines(
    polygon: GirdlePolygon, stars: list[float], turn: float, half_table: float, across: float
) -> tuple[list[float], list[float]]:
    """Distances of the table's sides (stars) and of its corners along the mains, in mm."""
    mains = len(stars)
    sides = np.array([polygon.support(turn * s) for s in stars]) * math.cos(math.pi / mains)
    normal = np.array([[math.cos(turn * s), math.sin(turn * s)] for s in stars])
    step = stars[1] - stars[0]
    corners = []
    for i in range(mains):
        # the main between star i - 1 and star i
        pair = np.array([normal[i - 1], normal[i]])
        x, y = np.linalg.solve(pair, np.array([sides[i - 1], sides[i]]))
        phi = turn * (stars[i] - step / 2)
        corners.append(x * math.cos(phi) + y * math.sin(phi))
    nearest = min(range(mains), key=lambda i: abs(stars[i] - step / 2 - across))
    scale = half_table / corners[nearest]
    return [float(s) * scale for s in sides], [float(c) * scale for c in corners]


def _crown_brilliant(part: Crown, polygon: GirdlePolygon, gear: int, line: float) -> list[Tier]:
    turn = 2 * math.pi / gear
    positions = _main_positions(gear, part.mains)
    step = gear / part.mains
    stars = [i + step / 2 for i in positions]
    across = min(positions, key=lambda i: abs(i - gear / 4))
    half_table = part.table_percent / 100 * polygon.support(turn * across)
    sides, corners = _table_lines(polygon, stars, turn, half_table, across)
    assert isinstance(part.angle, float)
    k = positions.index(across)
    height = math.tan(math.radians(part.angle)) * (polygon.support(turn * across) - corners[k])
    mains = []
    for index, corner in zip(positions, corners, strict=True):
        reach = polygon.support(turn * index)
        slope = height / (reach - corner)
        phi = turn * index
        mains.append(
            _through(index, turn, slope, reach * math.cos(phi), reach * math.sin(phi), line)
        )
    top = line + height
    star_planes, break_planes = [], []
    for i, star in enumerate(stars):
        phi = turn * star
        reach = sides[i] + part.star_percent / 100 * (polygon.support(phi) - sides[i])
        following = mains[(i + 1) % len(mains)]
        x, y, z = _ridge_point(mains[i], following, turn, phi, reach)
        star_planes.append(_through(star, turn, (top - z) / (reach - sides[i]), x, y, z))
        for index in (star - step / 4, star + step / 4):
            psi = turn * index
            room = polygon.support(psi) - (x * math.cos(psi) + y * math.sin(psi))
            break_planes.append(_through(index, turn, (z - line) / room, x, y, z))
    return [
        _tier("crown main", "crown", mains),
        _tier("crown break", "crown", break_planes),
        _tier("star", "crown", star_planes),
        _tier("table", "crown", [Plane(0.0, 0.0, top)]),
    ]


def _steps(
    angle: float | list[float], polygon: GirdlePolygon, gear: int, line: float, inset: float
) -> tuple[list[list[Plane]], float]:
    """Steps from the girdle line inwards over the share *inset* of the way to the keel.

    At each level the outline is the girdle's, shrunk towards the keel; a facet lies in the
    two lines of its levels. Returns the planes of each step and the height of the last level.
    """
    turn = 2 * math.pi / gear
    angles = angle if isinstance(angle, list) else [angle]
    across = turn * gear / 4
    run = inset / len(angles)
    room = polygon.support(across) - polygon.keel_support(across)
    level = line
    steps = []
    for k, a in enumerate(angles):
        rise = math.tan(math.radians(a)) * run * room
        planes = []
        for index in polygon.index:
            phi = turn * index
            outer, inner = polygon.support(phi), polygon.keel_support(phi)
            reach = outer - k * run * (outer - inner)
            planes.append(
                _through(
                    index, turn, rise / (run * (outer - inner)),
                    reach * math.cos(phi), reach * math.sin(phi), level,
                )
            )  # fmt: skip
        steps.append(planes)
        level += rise
    return steps, level


def _pavilion_steps(part: Pavilion, polygon: GirdlePolygon, gear: int, line: float) -> list[Tier]:
    steps, bottom = _steps(part.angle, polygon, gear, line, 1.0)
    tiers = [_tier(f"pavilion step {k + 1}", "pavilion", planes) for k, planes in enumerate(steps)]
    if part.culet_percent:
        flat = line + (bottom - line) * (1 - part.culet_percent / 100)
        tiers.append(_tier("culet", "pavilion", [Plane(0.0, 0.0, flat)]))
    return tiers


def _crown_steps(part: Crown, polygon: GirdlePolygon, gear: int, line: float) -> list[Tier]:
    across = math.pi / 2
    inset = (1 - part.table_percent / 100) * polygon.support(across)
    inset /= polygon.support(across) - polygon.keel_support(across)
    steps, top = _steps(part.angle, polygon, gear, line, inset)
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
        tiers = [_girdle_tier(girdle_polygon(design)), *design.tier]
        return design.model_copy(update={"tier": tiers})
    polygon = girdle_polygon(design)
    assert design.girdle is not None
    assert design.crown is not None
    assert design.pavilion is not None
    line = design.girdle.thickness_mm / 2
    crown = _crown_brilliant if design.crown.style == "brilliant" else _crown_steps
    pavilion = _pavilion_brilliant if design.pavilion.style == "brilliant" else _pavilion_steps
    tiers = [
        *pavilion(design.pavilion, polygon, design.gear, line),
        _girdle_tier(polygon),
        *crown(design.crown, polygon, design.gear, line),
    ]
    return design.model_copy(update={"tier": tiers, "crown": None, "pavilion": None})


def _girdle_tier(polygon: GirdlePolygon) -> Tier:
    planes = [
        Plane(i, 90.0, float(d)) for i, d in zip(polygon.index, polygon.distance, strict=True)
    ]
    return _tier("girdle", "girdle", planes)


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
