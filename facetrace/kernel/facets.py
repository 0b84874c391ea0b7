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

# the same in single precision
_NEAR_INFINITE = np.uint32(0x7F800000)
_NEAR_NEVER = np.uint32(0xFFFFFFFF)
# more than single precision may be off: of a cosine, of a quotient; of a distance, as a share of the largest
_NEAR_SPEED = np.float32(4.0e-7)
_NEAR_SURE = 1.0 + 2.0e-6
NEAR_ROOM = 2.0e-6
_NEAR_ZERO = np.float32(0.0)
_ZERO, _ONE, _TWO, _THREE = np.uint32(0), np.uint32(1), np.uint32(2), np.uint32(3)

# a group of neighbouring facets: a plane's normal and distance, beyond which they all lie, and their numbers
GROUP_PLANE, GROUP_FIRST, GROUP_END = 3, 4, 5

# the finish of a wall between two lobes
WALL = -1.0
# how far (mm) rounding may put a point on the edge of one lobe into the other
EDGE_MM = 1.0e-9


@device
def roughness(finish, facet):
    """How rough a facet is ground, 0 if it is polished."""
    if finish is None:
        return 0.0
    return finish[facet]


@device
def _least(planes, first, end, best, px, py, pz, sx, sy, sz):
    """The least of *best* and of the times at which a ray from inside leaves facets *first* to *end* - 1, as bits.

    The order of positive floats is that of their bits read as integers, so the
    smallest distance and its facet are one integer minimum, which vectorises.
    """
    for f in range(first, end):
        speed = planes[0, f] * sx + planes[1, f] * sy + planes[2, f] * sz
        room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
        t = room / speed if speed > 1.0e-300 else math.inf
        best = min(best, (np.float64(t).view(np.int64) & ~_NUMBER_MASK) | f)
    return best


@device
def _facet_of(planes, best, px, py, pz, sx, sy, sz):
    """(number, distance) that the bits of ``_least`` tell of; -1 if there is none."""
    if best >= _INFINITE:
        return -1, 0.0
    f = best & _NUMBER_MASK
    speed = planes[0, f] * sx + planes[1, f] * sy + planes[2, f] * sz
    room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
    return f, max(room / speed, 0.0)


@device
def leaving_facet(planes, first, end, px, py, pz, sx, sy, sz):
    """(number, distance) of the facet, *first* to *end* - 1, by which a ray from inside leaves them; -1 if none."""
    best = _least(planes, first, end, _INFINITE, px, py, pz, sx, sy, sz)
    return _facet_of(planes, best, px, py, pz, sx, sy, sz)


@device
def leaving_facet_of_groups(planes, groups, px, py, pz, sx, sy, sz):
    """As ``leaving_facet`` of all facets, of a stone with many.

    groups (6, k): GROUP_... of neighbours. All of their facets lie beyond a plane, so a flight whose ends both lie before it
    does not leave by them.
    """
    best, t = _INFINITE, math.inf
    for g in range(groups.shape[1]):
        start = groups[0, g] * px + groups[1, g] * py + groups[2, g] * pz
        end = start + (groups[0, g] * sx + groups[1, g] * sy + groups[2, g] * sz) * t
        # an end that is not known yet is no number
        if start >= groups[GROUP_PLANE, g] or not end < groups[GROUP_PLANE, g]:
            first, after = int(groups[GROUP_FIRST, g]), int(groups[GROUP_END, g])
            best = _least(planes, first, after, best, px, py, pz, sx, sy, sz)
            t = np.int64(best & ~_NUMBER_MASK).view(np.float64)
    return _facet_of(planes, best, px, py, pz, sx, sy, sz)


@device
def confirmed_facet(planes, near, px, py, pz, sx, sy, sz):
    """As ``leaving_facet`` of all facets: found in single precision, confirmed in double, else searched in double.

    near (a power of two, 4): normals, and distances less NEAR_ROOM of the largest. So every t here is too small, by
    rounding at most, and a facet whose true t is not above the second least of all others is the one. Facets that
    are flown away from have t with the sign bit, which is more than all others as a number without sign.
    """
    number_mask = np.uint32(near.shape[0] - 1)
    mask = np.uint32(~number_mask)
    x, y, z = np.float32(px), np.float32(py), np.float32(pz)
    u, v, w = np.float32(sx), np.float32(sy), np.float32(sz)
    best, second = _NEAR_NEVER, _NEAR_NEVER
    # counted in 32 bits, which a GPU handles four times as fast
    f, end = _ZERO, np.uint32(planes.shape[1])
    while f < end:
        a, b, c, d = near[f, _ZERO], near[f, _ONE], near[f, _TWO], near[f, _THREE]
        speed = _NEAR_SPEED + a * u + b * v + c * w
        room = max(d - a * x - b * y - c * z, _NEAR_ZERO)
        bits = np.float32(room / speed).view(np.uint32)
        one = np.uint32((bits & mask) | f)
        second = np.uint32(min(second, np.uint32(max(best, one))))
        best = np.uint32(min(best, one))
        f = np.uint32(f + _ONE)
    if best < _NEAR_INFINITE:
        number = np.int64(best & number_mask)
        speed = planes[0, number] * sx + planes[1, number] * sy + planes[2, number] * sz
        room = planes[3, number] - (
            planes[0, number] * px + planes[1, number] * py + planes[2, number] * pz
        )
        t = room / speed
        rival = np.uint32(min(second, _NEAR_INFINITE) & mask)
        if speed > 1.0e-300 and t * _NEAR_SURE <= np.float64(rival.view(np.float32)):
            return number, max(t, 0.0)
    return leaving_facet(planes, 0, planes.shape[1], px, py, pz, sx, sy, sz)


@device
def exit_facet(planes, near, groups, finish, split, at, px, py, pz, sx, sy, sz):
    """(number, distance) of the facet at which a flight from facet *at* ends; -1 if there is none.

    A wall is flown through: from the same start, the other lobe is left where the flight ends.
    """
    if split is None:
        if near is not None:
            return confirmed_facet(planes, near, px, py, pz, sx, sy, sz)
        if groups is not None:
            return leaving_facet_of_groups(planes, groups, px, py, pz, sx, sy, sz)
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
def entry_facet(fronts, backs, first, end, x, y):
    """(number, distance) where the view's ray of place (x, y) enters facets *first* to *end* - 1; -1 if it passes by.

    first -1: all facets. It enters by the last of the facets that it meets from outside, if that comes before the first that it meets
    from inside. All rays of a view are parallel and start in one plane, so the distance to a facet is A + B x + C y:
    fronts (4, n) and backs (4, n) hold A, B, C and the facet's number, of the facets that face the rays and of the
    others; see ``facetrace.trace.scene.entry_planes``.
    """
    enter = np.int64(0)
    leave = _INFINITE
    k, count = _ZERO, np.uint32(fronts.shape[1])
    while k < count:
        t = max(fronts[_ZERO, k] + fronts[_ONE, k] * x + fronts[_TWO, k] * y, 0.0)
        if first < 0 or first <= fronts[_THREE, k] < end:
            enter = max(enter, (np.float64(t).view(np.int64) & ~_NUMBER_MASK) | np.int64(k))
        k = np.uint32(k + _ONE)
    k, count = _ZERO, np.uint32(backs.shape[1])
    while k < count:
        t = max(backs[_ZERO, k] + backs[_ONE, k] * x + backs[_TWO, k] * y, 0.0)
        if first < 0 or first <= backs[_THREE, k] < end:
            leave = min(leave, np.float64(t).view(np.int64))
        k = np.uint32(k + _ONE)
    if (enter & ~_NUMBER_MASK) == 0 or (enter & ~_NUMBER_MASK) >= leave:
        return -1, 0.0
    last = enter & _NUMBER_MASK
    t = fronts[0, last] + fronts[1, last] * x + fronts[2, last] * y
    return np.int64(fronts[3, last]), t


@device
def first_facet(fronts, backs, planes, finish, split, x, y):
    """``entry_facet`` of the lobe that a ray of the view meets first."""
    if split is None:
        return entry_facet(fronts, backs, -1, -1, x, y)
    f, t = entry_facet(fronts, backs, 0, split, x, y)
    other, far = entry_facet(fronts, backs, split, planes.shape[1], x, y)
    # who comes in by a wall comes from the other lobe
    if f >= 0 and finish[f] < 0.0:
        f = -1
    if other >= 0 and finish[other] >= 0.0 and (f < 0 or far < t):
        f, t = other, far
    return f, t
