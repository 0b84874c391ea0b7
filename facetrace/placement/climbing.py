"""The climb of one copy in a rough that is not convex, compiled. ``placement.search`` calls it.

A copy is the set ``t + s Q r`` of a convex stone's points r. It keeps off triangles: those of the rough's
surface and those of defects, each by a margin. Where copy and triangle are apart, the direction u of
their shortest distance parts them, and any copy that u still parts is valid. So at one turn Q the rows

    s max_k (u . Q v_k) + u . t <= min_j (u . p_j) - margin

are safe, and a linear program in s and t moves from valid copies to valid ones only. To turn, the distances
of corners to triangles, of points to facets and of the nearest pair of each triangle are carried to first
order in s, t and a small turn w: a point a of the copy moves by dt + (ds / s) (a - t) + w x (a - t).
Distances: Gilbert, Johnson & Keerthi, IEEE J. Robotics Autom. 4, 193 (1988); points of triangles by their
regions (Ericson, "Real-Time Collision Detection", ch. 5); programs: dual simplex (Lemke 1954); all from memory.

Frame: any, millimetres; turns (3, 3) take the stone's frame there. Arrays are float64 and contiguous unless said.
"""

import math
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.compiling import leaf, serial_entry

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# not inlined: these are large, and called from few places
inner = numba.njit(error_model="numpy", nogil=True)

TINY = 1e-10
TIE = 1e-9
PIVOTS = 200
BROKEN = 1e-9
# iterations of a distance, and the share of it that is left open
STEPS, OPEN = 40, 1e-9
# a copy grows by so much in one program at most
GROWTH = 1.25
# programs at one turn
PLACES = 6
# radians: a climb ends where its turns are smaller
SMALLEST_TURN = 1e-4
# mm: what margins are widened by, so that rounding never eats them
SAFE = 1e-6
# programs of points only
ROUNDS = 4


class Shape(NamedTuple):
    """A stone seen from its middle: corners (n, 3) of its parts one after the other, planes (4, m) of theirs.

    part, side (p + 1,): where the corners and the planes of each part begin; radius: of the first part, the whole.
    """

    corners: Floats
    planes: Floats
    part: Ints
    side: Ints
    radius: float


class Scene(NamedTuple):
    """What a copy keeps off. Triangles: vertices (v, 3), faces (f, 3), balls (f, 4) around them, margins (f,), owners
    (f,), the part of the stone that each is kept off; the same of vertices in vertex_margins, vertex_owners; off (f,), out (v,): left out now.

    walls (4, w): planes that the whole copy stays under, margin taken off. held (h, 4): points that it must hold and how far under its
    surface, holds (h,): those that count now. facing (5,): where the table's normal may point: a direction, the least and the most angle.
    """

    vertices: Floats
    faces: Ints
    balls: Floats
    margins: Floats
    owners: Ints
    vertex_margins: Floats
    vertex_owners: Ints
    off: NDArray[np.bool_]
    out: NDArray[np.bool_]
    walls: Floats
    held: Floats
    holds: NDArray[np.bool_]
    facing: Floats


class Scratch(NamedTuple):
    """Room for one climb, see ``scratch_for``."""

    turned: Floats
    sides: Floats
    rows4: Floats
    rows7: Floats
    limits: Floats
    hints: Floats
    simplex: Floats
    ends: Ints
    lines: Floats
    work4: Floats
    work7: Floats
    points: Floats


def scratch_for(shape: Shape, scene: Scene) -> Scratch:
    """Room for climbs of a shape in a scene, one at a time."""
    many = len(scene.faces) + len(scene.vertices) + scene.walls.shape[1] + shape.planes.shape[1]
    more = len(scene.faces) * 2 + 40 * len(shape.corners)
    return Scratch(
        np.zeros_like(shape.corners), np.zeros_like(shape.planes), np.zeros((many, 4)), np.zeros((many + more, 7)),
        np.zeros(many + more), np.zeros((len(scene.faces), 3)), np.zeros((4, 3)), np.zeros((4, 2), dtype=np.int64),
        np.zeros((8, 3)), np.zeros((15, 4)), np.zeros((21, 7)), np.zeros((3, 3)),
    )  # fmt: skip


@inner
def _most(rows, limits, count, low, high, z, work):
    """Most z[0] with rows . z <= limits and low <= z <= high, into z; False where nothing is left.

    work (2 n + 3, n): scratch.
    """
    n = len(z)
    inverse, lam, y = work[:n], work[n], work[n + 1]
    for i in range(n):
        wanted = -1.0 if i == 0 else TIE * (1.0 + 0.37 * i) / (high[i] - low[i] + 1e-12)
        sign = 1.0 if wanted < 0.0 else -1.0
        for k in range(n):
            inverse[i, k] = 0.0
        inverse[i, i] = sign
        z[i] = high[i] if sign > 0 else low[i]
        lam[i] = abs(wanted)
    for _ in range(PIVOTS):
        worst, at, side = BROKEN, -1, 0.0
        for i in range(n):
            if low[i] - z[i] > worst:
                worst, at, side = low[i] - z[i], i, -1.0
            elif z[i] - high[i] > worst:
                worst, at, side = z[i] - high[i], i, 1.0
        row = -1
        for r in range(count):
            over = -limits[r]
            for i in range(n):
                over += rows[r, i] * z[i]
            if over > worst:
                worst, row = over, r
        if row < 0 and at < 0:
            return True
        leave, ratio = -1, np.inf
        for i in range(n):
            y[i] = side * inverse[at, i] if row < 0 else 0.0
            if row >= 0:
                for r in range(n):
                    y[i] += rows[row, r] * inverse[r, i]
            if y[i] > TINY:
                share = lam[i] / y[i]
                if share < ratio - 1e-15 or (share <= ratio + 1e-15 and y[i] > y[leave]):
                    leave, ratio = i, share
        if leave < 0:
            return worst <= 1e3 * BROKEN
        pivot = y[leave]
        for k in range(n):
            inverse[k, leave] /= pivot
        for i in range(n):
            if i != leave:
                for k in range(n):
                    inverse[k, i] -= y[i] * inverse[k, leave]
                lam[i] = max(lam[i] - ratio * y[i], 0.0)
        lam[leave] = ratio
        for k in range(n):
            z[k] -= inverse[k, leave] * worst
    return False


# ---- distances --------------------------------------------------------------------------------


@leaf
def _on_triangle(p, a, b, c, q):
    """The point of triangle a b c nearest to p, into q; whether it lies off the corners and edges."""
    ab0, ab1, ab2 = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    ac0, ac1, ac2 = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    ap0, ap1, ap2 = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    d1 = ab0 * ap0 + ab1 * ap1 + ab2 * ap2
    d2 = ac0 * ap0 + ac1 * ap1 + ac2 * ap2
    aa = ab0 * ab0 + ab1 * ab1 + ab2 * ab2
    bb = ac0 * ac0 + ac1 * ac1 + ac2 * ac2
    cc = ab0 * ac0 + ab1 * ac1 + ab2 * ac2
    d3, d4 = d1 - aa, d2 - cc
    d5, d6 = d1 - cc, d2 - bb
    v, w = 0.0, 0.0
    inside = False
    if d1 <= 0.0 and d2 <= 0.0:
        v, w = 0.0, 0.0
    elif d3 >= 0.0 and d4 <= d3:
        v, w = 1.0, 0.0
    elif d6 >= 0.0 and d5 <= d6:
        v, w = 0.0, 1.0
    else:
        vc = d1 * d4 - d3 * d2
        vb = d5 * d2 - d1 * d6
        va = d3 * d6 - d5 * d4
        if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
            v = d1 / (d1 - d3)
        elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
            w = d2 / (d2 - d6)
        elif va <= 0.0 and (d4 - d3) >= 0.0 and (d5 - d6) >= 0.0:
            w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
            v = 1.0 - w
        else:
            total = va + vb + vc
            v, w = vb / total, vc / total
            inside = True
    q[0] = a[0] + ab0 * v + ac0 * w
    q[1] = a[1] + ab1 * v + ac1 * w
    q[2] = a[2] + ab2 * v + ac2 * w
    return v, w, inside


@leaf
def _normal(a, b, c):
    """(b - a) x (c - a)."""
    e0, e1, e2 = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    f0, f1, f2 = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    return e1 * f2 - e2 * f1, e2 * f0 - e0 * f2, e0 * f1 - e1 * f0


@inner
def _kept(simplex, ends, n, v, u):
    """The point of a simplex of n corners nearest to the origin, into v; the corners that it needs are kept.

    Returns their number, 4 where the origin is inside. ends (4, 2) go with the corners. u: scratch.
    """
    if n == 1:
        v[:] = simplex[0]
        return 1
    u[:] = 0.0
    if n == 2:
        c, w, _ = _on_triangle(u, simplex[0], simplex[1], simplex[1], v)
        c = c + w
        if c <= 0.0:
            return 1
        if c >= 1.0:
            simplex[0] = simplex[1]
            ends[0] = ends[1]
            return 1
        return 2
    if n == 4:
        # the face nearest to the origin, unless it is inside all four
        best, near = -1, np.inf
        inside = True
        for k in range(4):
            a, b, c = (k + 1) % 4, (k + 2) % 4, (k + 3) % 4
            m0, m1, m2 = _normal(simplex[a], simplex[b], simplex[c])
            own = 0.0
            for i in range(3):
                own += (m0 if i == 0 else m1 if i == 1 else m2) * (simplex[k, i] - simplex[a, i])
            other = -(m0 * simplex[a, 0] + m1 * simplex[a, 1] + m2 * simplex[a, 2])
            if own * other < 0.0 or own == 0.0:
                inside = False
                _on_triangle(u, simplex[a], simplex[b], simplex[c], v)
                far = v[0] * v[0] + v[1] * v[1] + v[2] * v[2]
                if far < near:
                    best, near = k, far
        if inside:
            return 4
        simplex[best] = simplex[3]
        ends[best] = ends[3]
        u[:] = 0.0
    v1, w1, _ = _on_triangle(u, simplex[0], simplex[1], simplex[2], v)
    u1 = 1.0 - v1 - w1
    count = 0
    for k in range(3):
        weight = u1 if k == 0 else (v1 if k == 1 else w1)
        if weight > 0.0:
            simplex[count] = simplex[k]
            ends[count] = ends[k]
            count += 1
    return count


@inner
def _apart(turned, first, last, s, t, points, enough, u, simplex, ends, v, spare):
    """(gap, n) between corners t + s turned[first:last] and points (m, 3); u: the direction, in and out.

    The gap is min u . p - max u . x of the u that is returned, of length 1: no more than the distance, and not
    sought further beyond *enough*. -1 where they overlap. On entry u is where to begin. n: corners in *simplex*, whose point next
    to the origin is the nearest pair's difference.
    """
    m = len(points)
    v[0], v[1], v[2] = -u[0], -u[1], -u[2]
    n = 0
    best = -1.0
    for _ in range(STEPS):
        top, k0 = -np.inf, first
        for k in range(first, last):
            x = -(v[0] * turned[k, 0] + v[1] * turned[k, 1] + v[2] * turned[k, 2])
            if x > top:
                top, k0 = x, k
        least, j0 = np.inf, 0
        for j in range(m):
            x = -(v[0] * points[j, 0] + v[1] * points[j, 1] + v[2] * points[j, 2])
            if x < least:
                least, j0 = x, j
        length = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
        shift = -(v[0] * t[0] + v[1] * t[1] + v[2] * t[2])
        gap = (least - shift - s * top) / length
        if gap > best:
            best = gap
            u[0], u[1], u[2] = -v[0] / length, -v[1] / length, -v[2] / length
            if best > enough:
                return best, n
        if n > 0 and length - gap <= OPEN * length + 1e-12:
            return best, n
        for i in range(n):
            if ends[i, 0] == k0 and ends[i, 1] == j0:
                return best, n
        for i in range(3):
            simplex[n, i] = t[i] + s * turned[k0, i] - points[j0, i]
        ends[n, 0], ends[n, 1] = k0, j0
        n = _kept(simplex, ends, n + 1, v, spare)
        if n == 4 or v[0] * v[0] + v[1] * v[1] + v[2] * v[2] < 1e-24:
            return -1.0, n
    return best, n


@inner
def _by_face(turned, first, last, planes, s, t, points, u):
    """The gap along that of the stone's planes, or the triangle's own two, that parts best; u: it."""
    best = -np.inf
    for i in range(planes.shape[1]):
        least = np.inf
        for j in range(len(points)):
            x = (
                planes[0, i] * (points[j, 0] - t[0])
                + planes[1, i] * (points[j, 1] - t[1])
                + planes[2, i] * (points[j, 2] - t[2])
            )
            least = min(least, x)
        gap = least - s * planes[3, i]
        if gap > best:
            best = gap
            u[0], u[1], u[2] = planes[0, i], planes[1, i], planes[2, i]
    if len(points) == 3:
        m0, m1, m2 = _normal(points[0], points[1], points[2])
        length = math.sqrt(m0 * m0 + m1 * m1 + m2 * m2)
        if length > 0.0:
            m0, m1, m2 = m0 / length, m1 / length, m2 / length
            here = (
                m0 * (points[0, 0] - t[0]) + m1 * (points[0, 1] - t[1]) + m2 * (points[0, 2] - t[2])
            )
            top, low = -np.inf, np.inf
            for k in range(first, last):
                x = m0 * turned[k, 0] + m1 * turned[k, 1] + m2 * turned[k, 2]
                top, low = max(top, x), min(low, x)
            if here - s * top > best:
                best = here - s * top
                u[0], u[1], u[2] = m0, m1, m2
            if s * low - here > best:
                best = s * low - here
                u[0], u[1], u[2] = -m0, -m1, -m2
    return best


@leaf
def _nearer(planes, s, t, ball, reach):
    """Whether a ball (x, y, z, radius) may come nearer than *reach* to the copy."""
    x, y, z = ball[0] - t[0], ball[1] - t[1], ball[2] - t[2]
    far = reach + ball[3]
    for i in range(planes.shape[1]):
        if planes[0, i] * x + planes[1, i] * y + planes[2, i] * z - s * planes[3, i] > far:
            return False
    return True


# ---- one turn ---------------------------------------------------------------------------------


@inner
def _turn_all(matrix, shape, room):
    for k in range(len(shape.corners)):
        for i in range(3):
            room.turned[k, i] = (
                matrix[i, 0] * shape.corners[k, 0]
                + matrix[i, 1] * shape.corners[k, 1]
                + matrix[i, 2] * shape.corners[k, 2]
            )
    for j in range(shape.planes.shape[1]):
        for i in range(3):
            room.sides[i, j] = (
                matrix[i, 0] * shape.planes[0, j]
                + matrix[i, 1] * shape.planes[1, j]
                + matrix[i, 2] * shape.planes[2, j]
            )
        room.sides[3, j] = shape.planes[3, j]


@leaf
def _top(turned, first, last, u0, u1, u2):
    """How far the unturned size of corners reaches along u."""
    top = -np.inf
    for k in range(first, last):
        top = max(top, u0 * turned[k, 0] + u1 * turned[k, 1] + u2 * turned[k, 2])
    return top


@inner
def _fixed_rows(shape, scene, room, s, t, reach):
    """(rows written, least slack) of what comes nearer than *reach* at one turn: rows of s and dt, in room.rows4."""
    count, slack = 0, np.inf
    turned, u, points = room.turned, room.lines[0], room.points
    for f in range(len(scene.faces)):
        p = scene.owners[f]
        sides = room.sides[:, shape.side[p] : shape.side[p + 1]]
        if scene.off[f] or not _nearer(sides, s, t, scene.balls[f], reach):
            continue
        low, high = shape.part[p], shape.part[p + 1]
        for j in range(3):
            points[j] = scene.vertices[scene.faces[f, j]]
        u[:] = room.hints[f]
        if u[0] == 0.0 and u[1] == 0.0 and u[2] == 0.0:
            u[:] = points[0] - t
        gap, _ = _apart(turned, low, high, s, t, points, reach, u, room.simplex, room.ends, room.lines[1], room.lines[2])  # fmt: skip
        if gap <= 0.0:
            gap = _by_face(turned, low, high, sides, s, t, points, u)
        room.hints[f] = u
        slack = min(slack, gap - scene.margins[f])
        if gap > reach:
            continue
        least = np.inf
        for j in range(3):
            x = (
                u[0] * (points[j, 0] - t[0])
                + u[1] * (points[j, 1] - t[1])
                + u[2] * (points[j, 2] - t[2])
            )
            least = min(least, x)
        room.rows4[count, 0] = _top(turned, low, high, u[0], u[1], u[2])
        room.rows4[count, 1:] = u
        room.limits[count] = least - scene.margins[f] - SAFE
        count += 1
    walls = scene.walls
    for w in range(walls.shape[1]):
        top = _top(turned, shape.part[0], shape.part[1], walls[0, w], walls[1, w], walls[2, w])
        left = walls[3, w] - walls[0, w] * t[0] - walls[1, w] * t[1] - walls[2, w] * t[2]
        slack = min(slack, left - s * top)
        if left - s * top <= reach:
            room.rows4[count, 0] = top
            room.rows4[count, 1:] = walls[:3, w]
            room.limits[count] = left - SAFE
            count += 1
    for i in range(shape.side[1]):
        far = _farthest(scene, room, t, i)
        if far > -np.inf:
            slack = min(slack, s * room.sides[3, i] - far)
            room.rows4[count, 0] = -room.sides[3, i]
            room.rows4[count, 1:] = -room.sides[:3, i]
            room.limits[count] = -far - SAFE
            count += 1
    return count, slack


@leaf
def _farthest(scene, room, t, i):
    """How far the points that must be held reach along facet i, with their margins; -inf without any."""
    far = -np.inf
    for h in range(len(scene.held)):
        if scene.holds[h]:
            x = (
                room.sides[0, i] * (scene.held[h, 0] - t[0])
                + room.sides[1, i] * (scene.held[h, 1] - t[1])
                + room.sides[2, i] * (scene.held[h, 2] - t[2])
            )
            far = max(far, x + scene.held[h, 3])
    return far


@inner
def _settle(shape, scene, room, scale, place, step, margin, least):
    """The largest scale found at the turn in *room*, 0 where none is; place (3,), in and out. step: how far it goes at once, mm."""
    t, z, low, high = room.lines[3], room.work4[11], room.work4[12], room.work4[13]
    t[:] = place
    s, best, far = scale, 0.0, step
    for trial in range(4 * PLACES):
        share = min(1.0, far / step)
        grow = 1.0 + (GROWTH - 1.0) * share
        reach = margin + 1.8 * far + shape.radius * s * (grow - 1.0)
        count, slack = _fixed_rows(shape, scene, room, s, t, reach)
        valid = slack >= 0.0
        if valid and s > best:
            gain = s - best
            best = s
            place[:] = t
            if gain < least * s or trial >= PLACES:
                break
        elif best > 0.0 and trial >= PLACES:
            break
        low[0], high[0] = 0.0, s * grow
        low[1:], high[1:] = -far, far
        if not _most(room.rows4, room.limits, count, low, high, z, room.work4):
            s *= 0.85
            if s < 0.4 * scale:
                break
            continue
        if z[0] <= 0.05 * scale or (valid and z[0] <= s * (1.0 + least)):
            break
        moved = max(abs(z[1]), abs(z[2]), abs(z[3]), shape.radius * abs(z[0] - s))
        s = z[0]
        for i in range(3):
            t[i] += z[1 + i]
        far = min(step, max(2.0 * moved, 0.05 * step))
    return best


# ---- turning ----------------------------------------------------------------------------------


@leaf
def _row(room, count, s, t, a, u, left):
    """Write the row of a point a of the copy that may come nearer by *left* along u."""
    r0, r1, r2 = a[0] - t[0], a[1] - t[1], a[2] - t[2]
    row = room.rows7[count]
    row[0] = (u[0] * r0 + u[1] * r1 + u[2] * r2) / s
    row[1], row[2], row[3] = u[0], u[1], u[2]
    row[4] = r1 * u[2] - r2 * u[1]
    row[5] = r2 * u[0] - r0 * u[2]
    row[6] = r0 * u[1] - r1 * u[0]
    room.limits[count] = left - SAFE


@inner
def _face_rows(shape, scene, room, s, t, f, reach, count):
    """Rows of a triangle: its nearest pair with the copy, and all corners over it."""
    p = scene.owners[f]
    low, high = shape.part[p], shape.part[p + 1]
    points, u, a, q = room.points, room.lines[0], room.lines[4], room.lines[5]
    for j in range(3):
        points[j] = scene.vertices[scene.faces[f, j]]
    u[:] = room.hints[f]
    if u[0] == 0.0 and u[1] == 0.0 and u[2] == 0.0:
        u[:] = points[0] - t
    margin = scene.margins[f]
    gap, n = _apart(room.turned, low, high, s, t, points, reach, u, room.simplex, room.ends, room.lines[1], room.lines[2])  # fmt: skip
    if gap > reach:
        room.hints[f] = u
        return count
    if gap > 0.0 and n > 0:
        room.hints[f] = u
        _touching(room, s, t, n, a)
        _row(room, count, s, t, a, u, gap - margin)
        count += 1
    ball = scene.balls[f]
    for k in range(low, high):
        far = 0.0
        for i in range(3):
            a[i] = t[i] + s * room.turned[k, i]
            far += (a[i] - ball[i]) ** 2
        if far > (reach + ball[3]) ** 2 or count >= len(room.rows7):
            continue
        _, _, inside = _on_triangle(a, points[0], points[1], points[2], q)
        if not inside:
            continue
        far = math.sqrt((q[0] - a[0]) ** 2 + (q[1] - a[1]) ** 2 + (q[2] - a[2]) ** 2)
        if 0.0 < far < reach:
            for i in range(3):
                u[i] = (q[i] - a[i]) / far
            _row(room, count, s, t, a, u, far - margin)
            count += 1
    return count


@leaf
def _touching(room, s, t, n, a):
    """The copy's point of the nearest pair that ``_apart`` ended with, into a."""
    simplex, ends, u, v = room.simplex, room.ends, room.lines[6], room.lines[1]
    one, two = min(1, n - 1), min(2, n - 1)
    u[:] = 0.0
    b, c, _ = _on_triangle(u, simplex[0], simplex[one], simplex[two], v)
    for i in range(3):
        a[i] = t[i] + s * (
            (1.0 - b - c) * room.turned[ends[0, 0], i]
            + b * room.turned[ends[one, 0], i]
            + c * room.turned[ends[two, 0], i]
        )


@inner
def _point_row(shape, scene, room, s, t, j, reach, count):
    """The row of a vertex over a facet of the copy, if it is one's."""
    p = scene.vertex_owners[j]
    first, last = shape.side[p], shape.side[p + 1]
    x = scene.vertices[j]
    sides = room.sides
    r0, r1, r2 = x[0] - t[0], x[1] - t[1], x[2] - t[2]
    best, at = -np.inf, -1
    for i in range(first, last):
        gap = sides[0, i] * r0 + sides[1, i] * r1 + sides[2, i] * r2 - s * sides[3, i]
        if gap > reach:
            return count
        if gap > best:
            best, at = gap, i
    if best <= 0.0:
        return count
    a, u = room.lines[4], room.lines[0]
    for k in range(3):
        u[k] = sides[k, at]
        a[k] = x[k] - best * u[k]
    for i in range(first, last):
        over = (
            sides[0, i] * (a[0] - t[0]) + sides[1, i] * (a[1] - t[1]) + sides[2, i] * (a[2] - t[2])
            - s * sides[3, i]
        )  # fmt: skip
        if over > 1e-9:
            return count
    _row(room, count, s, t, a, u, best - scene.vertex_margins[j])
    return count + 1


@inner
def _turn_rows(shape, scene, room, s, t, matrix, reach):
    """How many rows of ds, dt and the turn stand in room.rows7 now."""
    count, u, a = 0, room.lines[0], room.lines[4]
    most = len(room.rows7) - 2
    for f in range(len(scene.faces)):
        p = scene.owners[f]
        sides = room.sides[:, shape.side[p] : shape.side[p + 1]]
        if count < most and not scene.off[f] and _nearer(sides, s, t, scene.balls[f], reach):
            count = _face_rows(shape, scene, room, s, t, f, reach, count)
    for j in range(len(scene.vertices)):
        if count < most and not scene.out[j]:
            count = _point_row(shape, scene, room, s, t, j, reach, count)
    for w in range(scene.walls.shape[1]):
        for i in range(3):
            u[i] = scene.walls[i, w]
        for k in range(shape.part[0], shape.part[1]):
            left = scene.walls[3, w]
            for i in range(3):
                a[i] = t[i] + s * room.turned[k, i]
                left -= u[i] * a[i]
            if left < reach and count < most:
                _row(room, count, s, t, a, u, left)
                count += 1
    for h in range(len(scene.held)):
        for i in range(shape.side[1] if scene.holds[h] else 0):
            left = s * room.sides[3, i] - scene.held[h, 3]
            for k in range(3):
                u[k] = -room.sides[k, i]
                a[k] = scene.held[h, k]
                left += u[k] * (a[k] - t[k])
            if left < reach and count < most:
                # the facet moves, the point stands: n . (x - t) <= s d - margin
                _row(room, count, s, t, a, u, left)
                room.rows7[count, 0] = -room.sides[3, i]
                count += 1
    # the table's normal z moves by w x z: d . z + w . (z x d)
    d, z = scene.facing, matrix[:, 2]
    height = d[0] * z[0] + d[1] * z[1] + d[2] * z[2]
    for side in range(2):
        sign = -1.0 if side == 0 else 1.0
        row = room.rows7[count]
        row[:] = 0.0
        row[4] = sign * (z[1] * d[2] - z[2] * d[1])
        row[5] = sign * (z[2] * d[0] - z[0] * d[2])
        row[6] = sign * (z[0] * d[1] - z[1] * d[0])
        room.limits[count] = height - math.cos(d[4]) if side == 0 else math.cos(d[3]) - height
        count += 1
    return count


@inner
def _turned_by(matrix, w, facing, found):
    """exp(w) matrix, then turned back the shortest way where the table may not face there."""
    _rotate(matrix, w, found)
    z = np.array([found[0, 2], found[1, 2], found[2, 2]])
    height = facing[0] * z[0] + facing[1] * z[1] + facing[2] * z[2]
    angle = math.acos(min(1.0, max(-1.0, height)))
    # a little inside: the angle is read back from numbers
    low = facing[3] + 1e-9 if facing[3] > 0.0 else 0.0
    want = min(max(angle, low), max(facing[4] - 1e-9, low))
    if want != angle:
        # about facing x z it grows
        axis = np.array([
            facing[1] * z[2] - facing[2] * z[1], facing[2] * z[0] - facing[0] * z[2], facing[0] * z[1] - facing[1] * z[0],
        ])  # fmt: skip
        length = math.sqrt(axis[0] ** 2 + axis[1] ** 2 + axis[2] ** 2)
        if length > 1e-12:
            _rotate(found.copy(), axis * ((want - angle) / length), found)


@inner
def _rotate(matrix, w, found):
    """exp(w) matrix (Rodrigues), made orthonormal again by rows."""
    angle = math.sqrt(w[0] ** 2 + w[1] ** 2 + w[2] ** 2)
    if angle < 1e-300:
        found[:] = matrix
        return
    k0, k1, k2 = w[0] / angle, w[1] / angle, w[2] / angle
    c, s = math.cos(angle), math.sin(angle)
    for j in range(3):
        m0, m1, m2 = matrix[0, j], matrix[1, j], matrix[2, j]
        along = (k0 * m0 + k1 * m1 + k2 * m2) * (1.0 - c)
        found[0, j] = c * m0 + s * (k1 * m2 - k2 * m1) + along * k0
        found[1, j] = c * m1 + s * (k2 * m0 - k0 * m2) + along * k1
        found[2, j] = c * m2 + s * (k0 * m1 - k1 * m0) + along * k2
    for j in range(3):
        for i in range(j):
            dot = found[0, j] * found[0, i] + found[1, j] * found[1, i] + found[2, j] * found[2, i]
            for k in range(3):
                found[k, j] -= dot * found[k, i]
        length = math.sqrt(found[0, j] ** 2 + found[1, j] ** 2 + found[2, j] ** 2)
        for k in range(3):
            found[k, j] /= length


@serial_entry
def nearby(sides, scale, place, balls, reach):
    """Which of balls (n, 4), x, y, z and radius, may come nearer than *reach* to a copy of planes (4, m), turned."""
    found = np.zeros(len(balls), dtype=np.bool_)
    for k in range(len(balls)):
        found[k] = _nearer(sides, scale, place, balls[k], reach)
    return found


@serial_entry
def climbed(shape, scene, room, scale, matrix, place, turn, steps, least):
    """The scale of the copy that a climb of at most so many *steps* ends with, 0 where none is valid near the start.

    matrix (3, 3) and place (3,), the copy's middle, in and out. turn: the first turn's size, radians; *scale*: where
    to begin, which need not be valid; a step that gains less than the share *least* gains nothing. Source: see the head of this file.
    """
    margin = 0.0
    for f in range(len(scene.faces)):
        margin = max(margin, scene.margins[f])
    room.hints[:] = 0.0
    low, high, z = room.work7[17], room.work7[18], room.work7[19]
    there, t = np.zeros((3, 3)), np.zeros(3)
    _turned_by(matrix, t, scene.facing, there)
    matrix[:] = there
    _turn_all(matrix, shape, room)
    s = _settle(
        shape, scene, room, scale, place, min(0.4, 2.0 * turn) * shape.radius * scale, margin, least
    )
    for _ in range(steps):
        if s <= 0.0 or turn < SMALLEST_TURN:
            break
        size = shape.radius * s
        reach = margin + 3.0 * size * turn
        count = _turn_rows(shape, scene, room, s, place, matrix, reach)
        low[0], high[0] = -0.1 * s, s * min(0.2, 2.0 * turn)
        low[1:4], high[1:4] = -size * turn, size * turn
        low[4:], high[4:] = -turn, turn
        if not _most(room.rows7, room.limits, count, low, high, z, room.work7):
            turn /= 3.0
            continue
        hoped = z[0]
        if hoped < least * s:
            turn /= 4.0
            continue
        _turned_by(matrix, z[4:], scene.facing, there)
        for i in range(3):
            t[i] = place[i] + z[1 + i]
        _turn_all(there, shape, room)
        found = _settle(
            shape, scene, room, s, t, max(0.5 * size * turn, 1e-3 * size), margin, least
        )
        if found > s * (1.0 + least):
            if found < s + 0.5 * hoped:
                turn /= 2.0
            s = found
            matrix[:] = there
            place[:] = t
        else:
            turn /= 3.0
            _turn_all(matrix, shape, room)
    return s


# ---- many starts, points only -----------------------------------------------------------------


@inner
def _gauges(columns, sides, offsets, margins, t, gauges, facets):
    """For each point the scale at which a copy at t reaches it, and the facet that does."""
    many = columns.shape[1]
    gauges[:] = -np.inf
    for i in range(len(offsets)):
        each = 1.0 / offsets[i]
        a, b, c = sides[i, 0] * each, sides[i, 1] * each, sides[i, 2] * each
        at = a * t[0] + b * t[1] + c * t[2]
        for p in range(many):
            x = a * columns[0, p] + b * columns[1, p] + c * columns[2, p] - margins[p] * each - at
            more = x > gauges[p]
            gauges[p] = x if more else gauges[p]
            facets[p] = i if more else facets[p]


@serial_entry
def rated(planes, corners, points, margins, walls, radius, matrices, places, scales):
    """For each start the largest scale found with *points* (p, 3) kept off by facets and corners under *walls* (4, w).

    planes (4, m) and corners (n, 3) of the stone seen from its middle; matrices (k, 3, 3); places (k, 3), in and out;
    scales (k,): out, 0 where nothing is found. Points are those of the surface and of defects with their margins (p,).
    """
    many, m, w = len(points), planes.shape[1], walls.shape[1]
    rows, limits = np.zeros((many + w, 4)), np.zeros(many + w)
    work, low, high, z = np.zeros((6, 4)), np.zeros(4), np.zeros(4), np.zeros(4)
    sides, reach = np.zeros((m, 3)), np.zeros(w)
    gauges, facets = np.zeros(many), np.zeros(many, dtype=np.int64)
    # one facet after the other over all points: that the processor does many at a time
    columns = np.ascontiguousarray(points.T)
    for k in range(len(matrices)):
        q, t = matrices[k], places[k]
        for i in range(m):
            for a in range(3):
                sides[i, a] = (
                    q[a, 0] * planes[0, i] + q[a, 1] * planes[1, i] + q[a, 2] * planes[2, i]
                )
        for j in range(w):
            n0 = walls[0, j] * q[0, 0] + walls[1, j] * q[1, 0] + walls[2, j] * q[2, 0]
            n1 = walls[0, j] * q[0, 1] + walls[1, j] * q[1, 1] + walls[2, j] * q[2, 1]
            n2 = walls[0, j] * q[0, 2] + walls[1, j] * q[1, 2] + walls[2, j] * q[2, 2]
            reach[j] = _top(corners, 0, len(corners), n0, n1, n2)
        before = 0.0
        for _ in range(ROUNDS):
            _gauges(columns, sides, planes[3], margins, t, gauges, facets)
            least = gauges.min()
            count = 0
            most = 3.0 * max(least, before) + 0.5 * radius
            for p in range(many):
                if gauges[p] < most:
                    i = facets[p]
                    rows[count, 0] = planes[3, i]
                    x = -margins[p]
                    for a in range(3):
                        rows[count, 1 + a] = sides[i, a]
                        x += sides[i, a] * (points[p, a] - t[a])
                    limits[count] = x
                    count += 1
            for j in range(w):
                rows[count, 0] = reach[j]
                x = walls[3, j]
                for a in range(3):
                    rows[count, 1 + a] = walls[a, j]
                    x -= walls[a, j] * t[a]
                limits[count] = x
                count += 1
            low[0], high[0] = 0.0, 1e3
            low[1:], high[1:] = -radius, radius
            if not _most(rows, limits, count, low, high, z, work):
                break
            if z[0] <= before * (1.0 + 1e-3):
                break
            before = z[0]
            for a in range(3):
                t[a] += z[1 + a]
        scales[k] = before
