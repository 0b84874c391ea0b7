"""One path of light, backwards from the eye, and what it adds up to.

By reciprocity the radiance that the eye receives along a path is the radiance of
what the reversed path meets, times the product of the energy fractions at its
facets; both ends are in air, so no squared index appears. At each facet all that
is transmitted is scored, and one reflected mode is followed with a chance in
proportion to its energy; the path's weight keeps the sum of all outcomes at 1.

A stone is one convex lobe (split is None, compiled apart) or two that share a wall: facets 0 to
split - 1 and the others.
The wall is no surface; of light in air that meets the other lobe nothing is scored, all
of it goes on, or none, by its energy. Between the lobes it counts as unpolarised.
"""

import math

import numpy as np

from facetrace.kernel.coherent import coherent_event
from facetrace.kernel.compiling import device
from facetrace.kernel.ground import walk
from facetrace.kernel.isotropic import fresnel_power, reflect_amplitudes, turn
from facetrace.kernel.light import seen_radiance
from facetrace.kernel.sampling import (
    DIM_BOUNCE,
    DIM_ENTRY,
    DIMENSIONS,
    hashed,
    net_point,
)
from facetrace.kernel.uniaxial import (
    absorption_share,
    inside_event,
    outside_event,
    ray_of_mode,
)
from facetrace.kernel.zones import BODY_ZONE, chord_in

# Columns of the sums. Shares are weighted by luminance and add up to Y.
(
    SUM_X, SUM_Y, SUM_Z,                    # spectral weight launched into the stone
    SUM_SURFACE, SUM_LIT, SUM_WINDOW, SUM_EXTINCTION, SUM_ABSORBED,
    SUM_ROULETTE, SUM_LOST,                 # shares of SUM_Y
    SEEN_X, SEEN_Y, SEEN_Z,                 # radiance from within the stone
    GLARE_X, GLARE_Y, GLARE_Z,              # radiance mirrored by the outer surface
    COUNT_HITS, COUNT_MISSES, COUNT_EVENTS,
) = range(19)  # fmt: skip
SUMS = 19

# rows of the spectral table; two more for each zone: what it adds to ROW_AO and ROW_AE
(
    ROW_WAVELENGTH, ROW_NO, ROW_NE, ROW_AO, ROW_AE, ROW_X, ROW_Y, ROW_Z, ROW_CDF,
) = range(9)  # fmt: skip
ROWS = 9

# the view: eye, right and up of the image, zenith (unit vectors in the stone's frame)
EYE, RIGHT, UP, ZENITH = 0, 3, 6, 9

# the crystal: unit optic axis c, unit vector p at right angles to it
AXIS, AXIS_NORMAL = 0, 3

# Beyond so many radians between the o and the e wave the chosen one goes on alone. More would
# carry fainter colours of interference, but also the energy of both along the path of one: at 3
# rad brightness is within 0.01 % of that of separate paths, at 5 rad it is off by 0.06 %, at 15
# by 0.15 %. benchmarks/approximations.py says what 3 leaves out.
MOST_PHASE = 3.0

# t of a facet carries the facet's number in its lowest bits: 2^-40 of its value
_NUMBER_MASK = np.int64(4095)
MOST_FACETS = 4096
_INFINITE = np.int64(0x7FF0000000000000)

# Russian roulette: below the scene's floor a path goes on with a chance in proportion to
# its weight; paths that many bounces old go on with a chance of 1/2.
ROULETTE_BOUNCES = 400
_ROULETTE_DRAW = np.uint64(1 << 20)

# the finish of a wall between two lobes
WALL = -1.0
# between two lobes light is mirrored so many times at most
MOST_CROSSINGS = 64
# random numbers for choices in air, far from those of ground facets
_AIR_DRAW = np.uint64(1 << 50)
_AIR_MIRROR = np.uint64(1 << 51)
_AIR_LEAVE = np.uint64(1 << 52)
# how far (mm) rounding may put a point on the edge of one lobe into the other
_EDGE = 1.0e-9


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
    if enter >= leave or enter < -_EDGE or found < 0 or finish[found] < 0.0:
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


@device
def draw_wavelength(spectrum, u):
    """(bin, position within it) for u in [0, 1): the inverse of the tabulated distribution."""
    low = 0
    high = spectrum.shape[1] - 2
    while low < high:
        middle = (low + high) // 2
        if spectrum[ROW_CDF, middle + 1] > u:
            high = middle
        else:
            low = middle + 1
    start = spectrum[ROW_CDF, low]
    share = spectrum[ROW_CDF, low + 1] - start
    return low, (u - start) / share, share


@device
def blend(spectrum, row, bin_number, t):
    """A row of the spectral table between two of its nodes."""
    return (1.0 - t) * spectrum[row, bin_number] + t * spectrum[row, bin_number + 1]


@device
def score_surface(out, slot, amount, dx, dy, dz, light, view, wx, wy, wz):
    """Light mirrored by the outer surface towards the eye."""
    value = amount * seen_radiance(
        light,
        dx * view[ZENITH] + dy * view[ZENITH + 1] + dz * view[ZENITH + 2],
        dx * view[EYE] + dy * view[EYE + 1] + dz * view[EYE + 2],
        dx, dy, dz,
    )  # fmt: skip
    out[slot, SUM_SURFACE] += wy * amount
    out[slot, GLARE_X] += wx * value
    out[slot, GLARE_Y] += wy * value
    out[slot, GLARE_Z] += wz * value


@device
def score_escape(out, slot, amount, dx, dy, dz, light, view, wx, wy, wz):
    """Light that reaches the eye from direction d (the path leaves the stone along d)."""
    seen = seen_radiance(
        light,
        dx * view[ZENITH] + dy * view[ZENITH + 1] + dz * view[ZENITH + 2],
        dx * view[EYE] + dy * view[EYE + 1] + dz * view[EYE + 2],
        dx, dy, dz,
    )  # fmt: skip
    if dz <= 0.0:
        out[slot, SUM_WINDOW] += wy * amount
    else:
        out[slot, SUM_LIT] += wy * amount * seen
        out[slot, SUM_EXTINCTION] += wy * amount * (1.0 - seen)
    out[slot, SEEN_X] += wx * amount * seen
    out[slot, SEEN_Y] += wy * amount * seen
    out[slot, SEEN_Z] += wz * amount * seen


@device
def ray_number(set_number, index):
    """One number for a ray, for hashed random numbers."""
    return (np.uint64(set_number) << np.uint64(36)) ^ np.uint64(index)


@device
def path_number(tables, key, set_number, index, bounce):
    """Uniform number for the choice at a bounce: a dimension of the net, then the hash."""
    dimension = DIM_BOUNCE + bounce
    if dimension < DIMENSIONS:
        return net_point(tables, key, set_number, dimension, index)
    return hashed(key, ray_number(set_number, index), np.uint64(bounce))


@device
def roulette(weight, floor, bounce, key, set_number, index):
    """Weight with which a path goes on, 0 to end it; its expectation is *weight*."""
    chance = 1.0
    if weight < floor:
        chance = max(weight / floor, 1.0e-6)
    if bounce > ROULETTE_BOUNCES:
        chance *= 0.5
    if chance >= 1.0:
        return weight
    ray = ray_number(set_number, index)
    if hashed(key, ray, _ROULETTE_DRAW + np.uint64(bounce)) < chance:
        return weight / chance
    return 0.0


@device
def depths(
    bodies, body_planes, spectrum, bin_number, part, alpha_o, alpha_e, px, py, pz, sx, sy, sz, t
):
    """Optical depths (o, e) of the way of length t from p along s, zones included."""
    depth_o, depth_e = t * alpha_o, t * alpha_e
    for b in range(bodies.shape[0]):
        chord = chord_in(bodies, body_planes, b, px, py, pz, sx, sy, sz, t)
        if chord > 0.0:
            row = ROWS + 2 * int(bodies[b, BODY_ZONE])
            depth_o += chord * blend(spectrum, row, bin_number, part)
            depth_e += chord * blend(spectrum, row + 1, bin_number, part)
    return depth_o, depth_e


@device
def score_air(out, slot, within, amount, dx, dy, dz, light, view, wx, wy, wz):
    """Light that leaves for good along d; *within*: it has been inside the stone."""
    if within:
        score_escape(out, slot, amount, dx, dy, dz, light, view, wx, wy, wz)
    else:
        score_surface(out, slot, amount, dx, dy, dz, light, view, wx, wy, wz)


@device
def arrive_uniaxial(
    planes, finish, split, crystal, light, view, no, ne, wx, wy, wz, px, py, pz, facet, dx, dy, dz,
    weight, within, u, key, ray, bounce, out, slot,
):  # fmt: skip
    """Unpolarised light along d comes to *facet* from outside, and at last goes in.

    Returns (weight, a, c, q_o, q_e, mode, K, p, facet) of the pair inside; weight 0 if nothing
    does. *u*: uniform number for the wave; what is mirrored is scored or goes to the other lobe.
    """
    cx, cy, cz = crystal[AXIS], crystal[AXIS + 1], crystal[AXIS + 2]
    vx, vy, vz = crystal[AXIS_NORMAL], crystal[AXIS_NORMAL + 1], crystal[AXIS_NORMAL + 2]
    alone = complex(0.0, 0.0)
    for crossing in range(MOST_CROSSINGS):
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        number = MOST_CROSSINGS * bounce + crossing
        if finish[facet] > 0.0:
            kx, ky, kz, _, _, _, side, mode, _ = walk(
                dx, dy, dz, 1, 0, nx, ny, nz, finish[facet], cx, cy, cz, vx, vy, vz, no, ne,
                key, ray, MOST_FACETS + number,
            )  # fmt: skip
            if side < 0:
                return (
                    weight, 1.0 - mode, alone, math.nan, math.nan, mode, kx, ky, kz,
                    px, py, pz, facet,
                )  # fmt: skip
            other, t = met_facet(planes, finish, split, facet, px, py, pz, kx, ky, kz)
            if other < 0 or side == 0:
                score_air(out, slot, within, weight * side, kx, ky, kz, light, view, wx, wy, wz)
                out[slot, SUM_LOST] += wy * weight * (1.0 - side)
                return 0.0, 0.0, alone, 0.0, 0.0, 0, kx, ky, kz, px, py, pz, facet
        else:
            r1, r2, r3, r4, so, se, po, pe, qo, qe, cross = outside_event(
                dx, dy, dz, nx, ny, nz, cx, cy, cz, vx, vy, vz, no * no, ne * ne, 1.0
            )
            along = dx * nx + dy * ny + dz * nz
            kx, ky, kz = dx - 2.0 * along * nx, dy - 2.0 * along * ny, dz - 2.0 * along * nz
            mirrored = 0.5 * (r1 + r2 + r3 + r4)
            other, t = met_facet(planes, finish, split, facet, px, py, pz, kx, ky, kz)
            first = 0.5 * (so + po)
            inside = first + 0.5 * (se + pe)
            if other < 0:
                score_air(out, slot, within, weight * mirrored, kx, ky, kz, light, view, wx, wy, wz)
                weight *= inside
            else:
                weight *= mirrored + inside
            choice = hashed(key, ray, _AIR_MIRROR + np.uint64(number)) if other >= 0 else 1.0
            if other < 0 or choice * (mirrored + inside) >= mirrored:
                a = first / inside
                if number > 0:
                    u = hashed(key, ray, _AIR_DRAW + np.uint64(number))
                mode = 1 if u >= a else 0
                q = (qe if mode else qo) - along
                return (
                    weight, a, complex(0.5 * cross / inside, 0.0), qo, qe, mode,
                    dx + q * nx, dy + q * ny, dz + q * nz, px, py, pz, facet,
                )  # fmt: skip
        px, py, pz = px + t * kx, py + t * ky, pz + t * kz
        dx, dy, dz, facet = kx, ky, kz, other
    out[slot, SUM_LOST] += wy * weight
    return 0.0, 0.0, alone, 0.0, 0.0, 0, dx, dy, dz, px, py, pz, facet


@device
def leave(
    planes, finish, split, facet, px, py, pz, dx, dy, dz, gone, inside, weight, key, ray, bounce,
    light, view, wx, wy, wz, out, slot,
):  # fmt: skip
    """A share *gone* of a path leaves along d, *inside* stays: (facet, distance, weight that goes on).

    Facet -1: what left is scored, and the rest goes on inside. With a facet all goes on in air
    to there; -2: all goes on inside, as light in air would have met the other lobe.
    """
    other, t = met_facet(planes, finish, split, facet, px, py, pz, dx, dy, dz)
    if other < 0:
        score_escape(out, slot, weight * gone, dx, dy, dz, light, view, wx, wy, wz)
        return -1, 0.0, weight * inside
    total = gone + inside
    if hashed(key, ray, _AIR_LEAVE + np.uint64(bounce)) * total >= gone:
        other = -2
    return other, t, weight * total


@device
def follow_uniaxial(
    planes, finish, split, bodies, body_planes, crystal, spectrum, bin_number, part,
    light, view, k0, no, ne, alpha_o, alpha_e, wx, wy, wz,
    px, py, pz, facet, dx, dy, dz, tables, key, set_number, index, floor, out, slot,
):  # fmt: skip
    """A path through a uniaxial crystal, from its entry at *facet* along d; returns its events.

    The path is that of one wave, chosen by its energy at each facet. While the two waves are less
    than MOST_PHASE out of step the other one is carried along: a, the o wave's share of their
    energy, and c, their coherence (``kernel.coherent``, with a + b = 1). At a ground facet the path
    takes one way of all, and the partner ends.
    """
    cx, cy, cz = crystal[AXIS], crystal[AXIS + 1], crystal[AXIS + 2]
    vx, vy, vz = crystal[AXIS_NORMAL], crystal[AXIS_NORMAL + 1], crystal[AXIS_NORMAL + 2]
    no2, ne2 = no * no, ne * ne
    ray = ray_number(set_number, index)
    u = net_point(tables, key, set_number, DIM_ENTRY, index)
    weight, bounce, in_air = 1.0, 0, True
    while True:
        if in_air:
            weight, a, c, qo, qe, mode, kx, ky, kz, px, py, pz, facet = arrive_uniaxial(
                planes, finish, split, crystal, light, view, no, ne, wx, wy, wz, px, py, pz,
                facet, dx, dy, dz, weight, bounce > 0, u, key, ray, bounce, out, slot,
            )  # fmt: skip
            if weight <= 0.0:
                return bounce + 1
            in_air = False
            nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        sx, sy, sz = ray_of_mode(kx, ky, kz, mode, cx, cy, cz, no, ne)
        facet, t = exit_facet(planes, finish, split, facet, px, py, pz, sx, sy, sz)
        if facet < 0:
            out[slot, SUM_LOST] += wy * weight
            return bounce + 1
        # the wave vectors of the two differ along the normal of the facet they come from
        phase = k0 * (qo - qe) * (nx * sx + ny * sy + nz * sz) * t
        depth_o, depth_e = depths(
            bodies, body_planes, spectrum, bin_number, part, alpha_o, alpha_e,
            px, py, pz, sx, sy, sz, t,
        )  # fmt: skip
        px += t * sx
        py += t * sy
        pz += t * sz
        kept, a, c = fly(mode, a, c, phase, depth_o, depth_e, sx * cx + sy * cy + sz * cz, no, ne)
        out[slot, SUM_ABSORBED] += wy * weight * (1.0 - kept)
        weight *= kept
        if finish[facet] > 0.0 and not math.isnan(qo + qe):
            # of a pair, one wave goes into the facet's roughness
            mode = 1 if path_number(tables, key, set_number, index, bounce) >= a else 0
            q = (qe if mode else qo) - (kx * nx + ky * ny + kz * nz)
            kx, ky, kz = kx + q * nx, ky + q * ny, kz + q * nz
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        if finish[facet] > 0.0:
            kx, ky, kz, _, _, _, side, mode, _ = walk(
                kx, ky, kz, -1, mode, nx, ny, nz, finish[facet], cx, cy, cz, vx, vy, vz, no, ne,
                key, ray, bounce,
            )  # fmt: skip
            a, c, qo, qe = 1.0 - mode, complex(0.0, 0.0), math.nan, math.nan
            kept, other = weight, -1
            if side == 0:
                out[slot, SUM_LOST] += wy * weight
                return bounce + 1
            if side > 0:
                other, t, kept = leave(
                    planes, finish, split, facet, px, py, pz, kx, ky, kz, 1.0, 0.0, weight,
                    key, ray, bounce, light, view, wx, wy, wz, out, slot,
                )  # fmt: skip
                if other < 0:
                    return bounce + 1
                dx, dy, dz = kx, ky, kz
        else:
            along = kx * nx + ky * ny + kz * nz
            tx, ty, tz = kx - along * nx, ky - along * ny, kz - along * nz
            ro, re, c, gone, qo, qe, q1 = coherent_event(
                kx, ky, kz, mode, a, 1.0 - a, c, nx, ny, nz, cx, cy, cz, vx, vy, vz, no2, ne2, 1.0
            )
            if math.isnan(ro):
                ro, re, ts, tp, qo, qe, q1 = inside_event(
                    kx, ky, kz, mode, nx, ny, nz, cx, cy, cz, vx, vy, vz, no2, ne2, 1.0
                )
                c = complex(0.0, 0.0)
                gone = ts + tp
            inside = ro + re
            kept, other = weight * inside, -1
            if not math.isnan(q1):
                dx, dy, dz = tx + q1 * nx, ty + q1 * ny, tz + q1 * nz
                other, t, kept = leave(
                    planes, finish, split, facet, px, py, pz, dx, dy, dz, gone, inside, weight,
                    key, ray, bounce, light, view, wx, wy, wz, out, slot,
                )  # fmt: skip
            a, c = ro / inside, c / inside
            mode = 1 if path_number(tables, key, set_number, index, bounce) >= a else 0
            q = qe if mode else qo
            kx, ky, kz = tx + q * nx, ty + q * ny, tz + q * nz
        bounce += 1
        weight = roulette(kept, floor, bounce, key, set_number, index)
        out[slot, SUM_ROULETTE] += wy * (kept - weight)
        if weight <= 0.0:
            return bounce if finish[facet] > 0.0 else bounce + 1
        if other >= 0:
            px, py, pz, facet, in_air = px + t * dx, py + t * dy, pz + t * dz, other, True


@device
def fly(mode, a, c, phase, depth_o, depth_e, along_axis, no, ne):
    """What a flight leaves of the pair, or of the chosen wave alone: (share kept, a, c).

    *depth_o*, *depth_e*: optical depths for fields across and along the optic axis; *along_axis*:
    cosine between the ray and the optic axis; while the two are in step they are close enough to
    share it.
    """
    share_o, share_e = absorption_share(1, along_axis, no, ne)
    lost_o = depth_o
    lost_e = share_o * depth_o + share_e * depth_e
    # NaN where the other wave is evanescent: the chosen one goes on alone then too
    if not abs(phase) <= MOST_PHASE:
        kept = math.exp(-(lost_e if mode else lost_o))
        return kept, (0.0 if mode else 1.0), complex(0.0, 0.0)
    kept_o = a * math.exp(-lost_o)
    kept = kept_o + (1.0 - a) * math.exp(-lost_e)
    scale = math.exp(-0.5 * (lost_o + lost_e)) / kept
    return kept, kept_o / kept, c * complex(scale * math.cos(phase), scale * math.sin(phase))


@device
def unit_s(dx, dy, dz, nx, ny, nz):
    """Unit vector s at right angles to d and N (any one at normal incidence)."""
    sx = ny * dz - nz * dy
    sy = nz * dx - nx * dz
    sz = nx * dy - ny * dx
    length = math.sqrt(sx * sx + sy * sy + sz * sz)
    if length < 1.0e-14:
        if abs(nx) < 0.6:
            sx, sy, sz = 0.0, -nz, ny
        else:
            sx, sy, sz = nz, 0.0, -nx
        length = math.sqrt(sx * sx + sy * sy + sz * sz)
    return sx / length, sy / length, sz / length


@device
def arrive_isotropic(
    planes, finish, split, light, view, n2, wx, wy, wz, px, py, pz, facet, dx, dy, dz,
    weight, within, key, ray, bounce, out, slot,
):  # fmt: skip
    """As ``arrive_uniaxial``: (weight, R_s, R_p, q1, d, p, facet); *weight* is that before the passage."""
    for crossing in range(MOST_CROSSINGS):
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        number = MOST_CROSSINGS * bounce + crossing
        along = dx * nx + dy * ny + dz * nz
        tangent2 = max(1.0 - along * along, 0.0)
        rs2, rp2, q1 = fresnel_power(-along, tangent2, 1.0, n2)
        mirrored = 0.5 * (rs2 + rp2)
        kx, ky, kz = dx - 2.0 * along * nx, dy - 2.0 * along * ny, dz - 2.0 * along * nz
        other, t = met_facet(planes, finish, split, facet, px, py, pz, kx, ky, kz)
        if other < 0:
            score_air(out, slot, within, weight * mirrored, kx, ky, kz, light, view, wx, wy, wz)
            return weight, rs2, rp2, q1, dx, dy, dz, px, py, pz, facet
        if hashed(key, ray, _AIR_MIRROR + np.uint64(number)) >= mirrored:
            return weight / (1.0 - mirrored), rs2, rp2, q1, dx, dy, dz, px, py, pz, facet
        px, py, pz = px + t * kx, py + t * ky, pz + t * kz
        dx, dy, dz, facet = kx, ky, kz, other
    out[slot, SUM_LOST] += wy * weight
    return 0.0, 0.0, 0.0, 0.0, dx, dy, dz, px, py, pz, facet


@device
def stay_isotropic(
    planes, finish, split, bodies, body_planes, spectrum, bin_number, part, light, view, n, alpha,
    wx, wy, wz, px, py, pz, facet, dx, dy, dz, rs2, rp2, q1, scale, bounce,
    polarised, key, set_number, index, floor, out, slot,
):  # fmt: skip
    """What has come in at *facet*, till it ends or goes to the other lobe.

    Returns (events, facet there or -1, p, d, weight).
    """
    n2 = n * n
    ray = ray_number(set_number, index)
    nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
    along = dx * nx + dy * ny + dz * nz
    sx, sy, sz = unit_s(dx, dy, dz, nx, ny, nz)
    # direction inside: K / n with K = d + (-q1 - along) N
    dx = (dx - (q1 + along) * nx) / n
    dy = (dy - (q1 + along) * ny) / n
    dz = (dz - (q1 + along) * nz) / n
    ar, ai, br, bi = math.sqrt(1.0 - rs2), 0.0, 0.0, 0.0
    cr, ci, er, ei = 0.0, 0.0, math.sqrt(1.0 - rp2), 0.0
    while True:
        facet, t = exit_facet(planes, finish, split, facet, px, py, pz, dx, dy, dz)
        power_s = 0.5 * (ar * ar + ai * ai + cr * cr + ci * ci)
        power_p = 0.5 * (br * br + bi * bi + er * er + ei * ei)
        weight = scale * (power_s + power_p)
        if facet < 0:
            out[slot, SUM_LOST] += wy * weight
            return bounce + 1, -1, px, py, pz, dx, dy, dz, 0.0
        depth, _ = depths(
            bodies, body_planes, spectrum, bin_number, part, alpha, alpha, px, py, pz, dx, dy, dz, t
        )
        px += t * dx
        py += t * dy
        pz += t * dz
        through = math.exp(-depth)
        out[slot, SUM_ABSORBED] += wy * weight * (1.0 - through)
        scale *= through
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        along = dx * nx + dy * ny + dz * nz
        ux, uy, uz = unit_s(dx, dy, dz, nx, ny, nz)
        cosine = sx * ux + sy * uy + sz * uz
        # p = d x s
        sine = (dy * sz - dz * sy) * ux + (dz * sx - dx * sz) * uy + (dx * sy - dy * sx) * uz
        ar, ai, br, bi = turn(ar, ai, br, bi, cosine, sine)
        cr, ci, er, ei = turn(cr, ci, er, ei, cosine, sine)
        sx, sy, sz = ux, uy, uz
        if not polarised:
            even = math.sqrt(power_s + power_p)
            ar, ai, br, bi = even, 0.0, 0.0, 0.0
            cr, ci, er, ei = 0.0, 0.0, even, 0.0
        power_s = 0.5 * (ar * ar + ai * ai + cr * cr + ci * ci)
        power_p = 0.5 * (br * br + bi * bi + er * er + ei * ei)
        tangent2 = n2 * max(1.0 - along * along, 0.0)
        rs, rp, q1 = reflect_amplitudes(n * along, tangent2, n2, 1.0)
        other, total = -1, 0.0
        if not math.isnan(q1):
            rs2 = rs.real * rs.real
            rp2 = rp.real * rp.real
            gx = n * (dx - along * nx) + q1 * nx
            gy = n * (dy - along * ny) + q1 * ny
            gz = n * (dz - along * nz) + q1 * nz
            gone = power_s * (1.0 - rs2) + power_p * (1.0 - rp2)
            if split is None:
                score_escape(out, slot, scale * gone, gx, gy, gz, light, view, wx, wy, wz)
            else:
                other, t, total = leave(
                    planes, finish, split, facet, px, py, pz, gx, gy, gz,
                    gone, power_s * rs2 + power_p * rp2, scale,
                    key, ray, bounce, light, view, wx, wy, wz, out, slot,
                )  # fmt: skip
        ar, ai = ar * rs.real - ai * rs.imag, ar * rs.imag + ai * rs.real
        cr, ci = cr * rs.real - ci * rs.imag, cr * rs.imag + ci * rs.real
        br, bi = br * rp.real - bi * rp.imag, br * rp.imag + bi * rp.real
        er, ei = er * rp.real - ei * rp.imag, er * rp.imag + ei * rp.real
        dx -= 2.0 * along * nx
        dy -= 2.0 * along * ny
        dz -= 2.0 * along * nz
        norm = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
        dx *= norm
        dy *= norm
        dz *= norm
        bounce += 1
        power = 0.5 * (
            ar * ar + ai * ai + cr * cr + ci * ci + br * br + bi * bi + er * er + ei * ei
        )
        kept = scale * power if other == -1 else total
        weight = roulette(kept, floor, bounce, key, set_number, index)
        out[slot, SUM_ROULETTE] += wy * (kept - weight)
        if weight <= 0.0:
            return bounce + 1, -1, px, py, pz, dx, dy, dz, 0.0
        if other >= 0:
            return bounce, other, px + t * gx, py + t * gy, pz + t * gz, gx, gy, gz, weight
        if other == -1:
            scale *= weight / kept
        else:
            scale = weight / power


@device
def follow_isotropic(
    planes, finish, split, bodies, body_planes, spectrum, bin_number, part, light, view, n, alpha,
    wx, wy, wz, px, py, pz, facet, dx, dy, dz, polarised, key, set_number, index, floor, out, slot,
):  # fmt: skip
    """A path through an isotropic stone, with its Jones matrix; returns its events.

    The matrix (a c / b d) takes the two polarisations at the eye to (s, p); the energy is
    half the sum of its squared moduli. *polarised* 0 forgets the polarisation at every facet.
    """
    ray = ray_number(set_number, index)
    weight, bounce = 1.0, 0
    while True:
        weight, rs2, rp2, q1, dx, dy, dz, px, py, pz, facet = arrive_isotropic(
            planes, finish, split, light, view, n * n, wx, wy, wz, px, py, pz, facet, dx, dy, dz,
            weight, bounce > 0, key, ray, bounce, out, slot,
        )  # fmt: skip
        if weight <= 0.0:
            return bounce + 1
        bounce, facet, px, py, pz, dx, dy, dz, weight = stay_isotropic(
            planes, finish, split, bodies, body_planes, spectrum, bin_number, part, light, view,
            n, alpha, wx, wy, wz, px, py, pz, facet, dx, dy, dz, rs2, rp2, q1, weight, bounce,
            polarised, key, set_number, index, floor, out, slot,
        )  # fmt: skip
        if split is None:
            return bounce
        if facet < 0:
            return bounce
