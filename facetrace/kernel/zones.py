"""Exact lengths of a straight path inside convex bodies."""

import math

from facetrace.kernel.compiling import device

# a row of the table of bodies: whether it is an ellipsoid, the number of its zone, first and last + 1
# of its columns among the planes, or M and w of |M r - w| <= 1, row by row
BODY_KIND, BODY_ZONE, BODY_FIRST, BODY_END, BODY_MATRIX = range(5)
BODY_ROW = BODY_MATRIX + 12


@device
def chord_in(bodies, planes, b, px, py, pz, sx, sy, sz, t):
    """Length inside body *b* of the way of length *t* from p along the unit vector s."""
    enter, leave = 0.0, t
    if bodies[b, BODY_KIND] == 0.0:
        for f in range(int(bodies[b, BODY_FIRST]), int(bodies[b, BODY_END])):
            speed = planes[0, f] * sx + planes[1, f] * sy + planes[2, f] * sz
            room = planes[3, f] - (planes[0, f] * px + planes[1, f] * py + planes[2, f] * pz)
            if speed > 0.0:
                leave = min(leave, room / speed)
            elif speed < 0.0:
                enter = max(enter, room / speed)
            elif room < 0.0:
                return 0.0
        return max(leave - enter, 0.0)
    a2, ab, b2 = 0.0, 0.0, -1.0
    for row in range(3):
        k = BODY_MATRIX + 4 * row
        m0, m1, m2 = bodies[b, k], bodies[b, k + 1], bodies[b, k + 2]
        along = m0 * sx + m1 * sy + m2 * sz
        start = m0 * px + m1 * py + m2 * pz - bodies[b, k + 3]
        a2 += along * along
        ab += along * start
        b2 += start * start
    square = ab * ab - a2 * b2
    if square <= 0.0:
        return 0.0
    root = math.sqrt(square)
    enter = max(enter, (-ab - root) / a2)
    leave = min(leave, (-ab + root) / a2)
    return max(leave - enter, 0.0)
