"""Which facet a ray meets: from within, in air between two lobes, and from outside.

A stone is one convex lobe (split is None, compiled apart) or two that share a wall: facets 0 to
split - 1 and the others. The wall is no surface.
"""

import math

import numpy as np

from facetrace.kernel.compiling import device

# t of a facet carries the facet's number in its lowest bits: 2^-40 of its value
_NUMBER_MASK = np.int64(4095)
MOST_FACETS = 4096
_INFINITE = np.int64(0x7FF0000000000000)

# the finish of a wall between two lobes
WALL = -1.0
# how far (mm) rounding may put a point on the edge of one lobe into the other
EDGE_MM = 1.0e-9


@device
def leaving_facet(planes, first, end, px, py, pz, sx, sy, sz):
    """(number, distance) of the facet, *first* to *end* - 1, by which a ray from inside leaves them; -1 if none.

    The order of positive floats is that of their bits read as integers, so the
    smallest distance and its facet are one integer minimum, which vectorises.
    """
    best = _INFINITE
    for f in range(first, end):
        speed = planes[0, f] * sx + planes[1, f] * sy + planes[2, f] * sz
        room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
        t = room / speed if speed > 1.0e-300 else math.inf
        best = min(best, (np.float64(t).view(np.int64) & ~_NUMBER_MASK) | f)
    if best >= _INFINITE:
        return -1, 0.0
    f = best & _NUMBER_MASK
    speed = planes[0, f] * sx + planes[1, f] * sy + planes[2, f] * sz
    room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
    return f, max(room / speed, 0.0)


@device
def exit_facet(planes, finish, split, at, px, py, pz, sx, sy, sz):
    """(number, distance) of the facet at which a flight from facet *at* ends; -1 if there is none.

    A wall is flown through: from the same start, the other lobe is left where the flight ends.
    """
    if split is None:
        return leaving_facet(planes, 0, planes.shape[1], px, py, pz, sx, sy, sz)
    first, end = (0, split) if at < split else (split, planes.shape[1])
    f, t = leaving_facet(planes, first, end, px, py, pz, sx, sy, sz)
    if f >= 0 and finish[f] < 0.0:
        first, end = (split, planes.shape[1]) if at < split else (0, split)
        f, t = leaving_facet(planes, first, end, px, py, pz, sx, sy, sz)
    return f, t


@device
def met_facet(planes, finish, split, at, px, py, pz, dx, dy, dz):
    """(number, distance) where light that goes off facet *at* meets the other lobe; -1 if it does not."""
    if split is None:
        return -1, 0.0
    first, end = (split, planes.shape[1]) if at < split else (0, split)
    found, enter, leave = -1, -math.inf, math.inf
    for f in range(first, end):
        speed = planes[0, f] * dx + planes[1, f] * dy + planes[2, f] * dz
        room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
        t = room / speed
        if speed < 0.0 and t > enter:
            found, enter = f, t
        if speed > 0.0:
            leave = min(leave, t)
        if speed == 0.0 and room < 0.0:
            return -1, 0.0
    if enter >= leave or enter < -EDGE_MM or found < 0 or finish[found] < 0.0:
        return -1, 0.0
    return found, max(enter, 0.0)


@device
def entry_facet(entry, first, end, ox, oy, oz):
    """(number, distance) where a ray of the view, from far outside, enters; -1 if it passes by.

    It enters by the last of the facets that it meets from outside, if that comes before the
    first that it meets from inside. All rays of a view are parallel, so *entry* (8, n) holds
    the planes already divided by their slopes to the ray: distance = row 3 - rows 0-2 . o for
    the first kind (rows 4-7: the second); see ``facetrace.trace.scene.entry_planes``.
    """
    enter = np.int64(0)
    leave = _INFINITE
    for f in range(first, end):
        t_in = entry[3, f] - (entry[0, f] * ox + entry[1, f] * oy + entry[2, f] * oz)
        t_out = entry[7, f] - (entry[4, f] * ox + entry[5, f] * oy + entry[6, f] * oz)
        enter = max(enter, (np.float64(max(t_in, 0.0)).view(np.int64) & ~_NUMBER_MASK) | f)
        leave = min(leave, np.float64(max(t_out, 0.0)).view(np.int64))
    if (enter & ~_NUMBER_MASK) == 0 or (enter & ~_NUMBER_MASK) >= leave:
        return -1, 0.0
    f = enter & _NUMBER_MASK
    return f, entry[3, f] - (entry[0, f] * ox + entry[1, f] * oy + entry[2, f] * oz)


@device
def first_facet(entry, finish, split, ox, oy, oz):
    """``entry_facet`` of the lobe that a ray of the view meets first."""
    if split is None:
        return entry_facet(entry, 0, entry.shape[1], ox, oy, oz)
    f, t = entry_facet(entry, 0, split, ox, oy, oz)
    other, far = entry_facet(entry, split, entry.shape[1], ox, oy, oz)
    # who comes in by a wall comes from the other lobe
    if f >= 0 and finish[f] < 0.0:
        f = -1
    if other >= 0 and finish[other] >= 0.0 and (f < 0 or far < t):
        f, t = other, far
    return f, t
