"""The path of one wave through a uniaxial crystal, with the other wave beside it while they are in step."""

import math
from typing import NamedTuple

import numpy as np

from facetrace.kernel.coherent import coherent_event, times
from facetrace.kernel.compiling import device
from facetrace.kernel.events import (
    ABSORBED,
    CROSSES,
    ENTERS,
    LOST,
    MIRRORED,
    MODE_AIR,
    REFLECTS,
    SCATTERS,
    SPLITS,
    note,
)
from facetrace.kernel.facets import MOST_FACETS, exit_facet, met_facet, roughness
from facetrace.kernel.ground import walk
from facetrace.kernel.paths import (
    AIR_DRAW,
    AIR_MIRROR,
    MOST_CROSSINGS,
    depths,
    leave,
    path_number,
    roulette,
)
from facetrace.kernel.sampling import DIM_ENTRY, hashed, net_point
from facetrace.kernel.scene import AXIS, AXIS_NORMAL
from facetrace.kernel.tally import SUM_ABSORBED, SUM_LOST, score_air
from facetrace.kernel.uniaxial import absorption_share, inside_event, outside_event, ray_of_mode

# Beyond so many radians between the o and the e wave the chosen one goes on alone. More would
# carry fainter colours of interference, but also the energy of both along the path of one: at 3
# rad brightness is within 0.01 % of that of separate paths, at 5 rad it is off by 0.06 %, at 15
# by 0.15 %. benchmarks/approximations.py says what 3 leaves out.
MOST_PHASE = 3.0


@device
def arrive_uniaxial(
    scene, wavelength, draws, px, py, pz, facet, dx, dy, dz, weight, within, u, bounce, sums, log
):  # fmt: skip
    """Unpolarised light along d comes to *facet* from outside, and at last goes in.

    Returns (weight, a, c, q_o, q_e, mode, K, p, facet) of the pair inside; weight 0 if nothing
    does. *u*: uniform number for the wave; what is mirrored is scored or goes to the other lobe.
    """
    planes, finish, crystal = scene.planes, scene.finish, scene.crystal
    no, ne = wavelength.no, wavelength.ne
    cx, cy, cz = crystal[AXIS], crystal[AXIS + 1], crystal[AXIS + 2]
    vx, vy, vz = crystal[AXIS_NORMAL], crystal[AXIS_NORMAL + 1], crystal[AXIS_NORMAL + 2]
    key, ray = draws.key, draws.ray
    incoherent = complex(0.0, 0.0)
    for crossing in range(MOST_CROSSINGS):
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        number = MOST_CROSSINGS * bounce + crossing
        rough = roughness(finish, facet)
        if rough > 0.0:
            kx, ky, kz, _, _, _, side, mode, _ = walk(
                dx, dy, dz, 1, 0, nx, ny, nz, rough, cx, cy, cz, vx, vy, vz, no, ne,
                key, ray, MOST_FACETS + number,
            )  # fmt: skip
            if side < 0:
                note(log, ENTERS, facet, px, py, pz, mode, kx, ky, kz, weight)
                return (
                    weight, 1.0 - mode, incoherent, math.nan, math.nan, mode, kx, ky, kz,
                    px, py, pz, facet,
                )  # fmt: skip
            other, t = met_facet(planes, finish, scene.split, facet, px, py, pz, kx, ky, kz)
            if other < 0 or side == 0:
                score_air(sums, scene, wavelength, within, weight * side, kx, ky, kz)
                sums[SUM_LOST] += wavelength.y * weight * (1.0 - side)
                what = MIRRORED if side > 0 else LOST
                note(log, what, facet, px, py, pz, MODE_AIR, kx, ky, kz, weight)
                return 0.0, 0.0, incoherent, 0.0, 0.0, 0, kx, ky, kz, px, py, pz, facet
        else:
            r1, r2, r3, r4, so, se, po, pe, qo, qe, cross = outside_event(
                dx, dy, dz, nx, ny, nz, cx, cy, cz, vx, vy, vz, no * no, ne * ne, 1.0
            )
            along = dx * nx + dy * ny + dz * nz
            kx, ky, kz = dx - 2.0 * along * nx, dy - 2.0 * along * ny, dz - 2.0 * along * nz
            mirrored = 0.5 * (r1 + r2 + r3 + r4)
            other, t = met_facet(planes, finish, scene.split, facet, px, py, pz, kx, ky, kz)
            first = 0.5 * (so + po)
            inside = first + 0.5 * (se + pe)
            if other < 0:
                score_air(sums, scene, wavelength, within, weight * mirrored, kx, ky, kz)
                note(log, MIRRORED, facet, px, py, pz, MODE_AIR, kx, ky, kz, weight * mirrored)
                weight *= inside
            else:
                weight *= mirrored + inside
            choice = hashed(key, ray, AIR_MIRROR + np.uint64(number)) if other >= 0 else 1.0
            if other < 0 or choice * (mirrored + inside) >= mirrored:
                a = first / inside
                if number > 0:
                    u = hashed(key, ray, AIR_DRAW + np.uint64(number))
                mode = 1 if u >= a else 0
                q = (qe if mode else qo) - along
                kx, ky, kz = dx + q * nx, dy + q * ny, dz + q * nz
                note(log, ENTERS, facet, px, py, pz, mode, kx, ky, kz, weight)
                return (
                    weight, a, complex(0.5 * cross / inside, 0.0), qo, qe, mode, kx, ky, kz,
                    px, py, pz, facet,
                )  # fmt: skip
        px, py, pz = px + t * kx, py + t * ky, pz + t * kz
        dx, dy, dz, facet = kx, ky, kz, other
        note(log, CROSSES, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight)
    sums[SUM_LOST] += wavelength.y * weight
    note(log, LOST, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight)
    return 0.0, 0.0, incoherent, 0.0, 0.0, 0, dx, dy, dz, px, py, pz, facet


class Flight(NamedTuple):
    """A path between two of its events: what goes on, from where, and which way.

    weight: energy, 0 once the path has ended; events: so many are behind it; in_air: it comes to *facet* from outside
    along K, else it goes off *facet*, inside, as a pair of waves: a, the o wave's share, c, their coherence
    (``kernel.coherent``, with a + b = 1), q_o, q_e, their normal components there, K and mode of the one that is followed.
    """

    weight: float
    events: int
    in_air: bool
    a: float
    c: complex
    qo: float
    qe: float
    mode: int
    kx: float
    ky: float
    kz: float
    px: float
    py: float
    pz: float
    facet: int


@device
def coming(weight, events, px, py, pz, facet, dx, dy, dz):
    """Unpolarised light in air that comes to *facet* along d."""
    return Flight(
        weight, events, True, 0.5, complex(0.0, 0.0), 0.0, 0.0, 0, dx, dy, dz, px, py, pz, facet
    )


@device
def ended(events):
    """A path that has ended."""
    return coming(0.0, events, 0.0, 0.0, 0.0, -1, 0.0, 0.0, 0.0)


@device
def enter_uniaxial(scene, wavelength, draws, flight, sums, log):
    """What goes in of light that comes to a facet from outside, perhaps at another one."""
    events = flight.events
    u = net_point(draws.tables, draws.key, draws.set_number, DIM_ENTRY, draws.point)
    weight, a, c, qo, qe, mode, kx, ky, kz, px, py, pz, facet = arrive_uniaxial(
        scene, wavelength, draws, flight.px, flight.py, flight.pz, flight.facet,
        flight.kx, flight.ky, flight.kz, flight.weight, events > 0, u, events, sums, log,
    )  # fmt: skip
    if weight <= 0.0:
        return ended(events + 1)
    return Flight(weight, events, False, a, c, qo, qe, mode, kx, ky, kz, px, py, pz, facet)


@device
def cross_uniaxial(scene, wavelength, draws, floor, flight, sums, log):
    """A flight through the crystal and what happens at its end.

    The path is that of one wave, chosen by its energy at each facet. While the two waves are less
    than MOST_PHASE out of step the other one is carried along. At a ground facet the path
    takes one way of all, and the partner ends.
    """
    planes, finish, crystal = scene.planes, scene.finish, scene.crystal
    no, ne = wavelength.no, wavelength.ne
    cx, cy, cz = crystal[AXIS], crystal[AXIS + 1], crystal[AXIS + 2]
    vx, vy, vz = crystal[AXIS_NORMAL], crystal[AXIS_NORMAL + 1], crystal[AXIS_NORMAL + 2]
    no2, ne2 = no * no, ne * ne
    weight, bounce, a, c = flight.weight, flight.events, flight.a, flight.c
    qo, qe, mode = flight.qo, flight.qe, flight.mode
    kx, ky, kz = flight.kx, flight.ky, flight.kz
    px, py, pz, facet = flight.px, flight.py, flight.pz, flight.facet
    nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
    sx, sy, sz = ray_of_mode(kx, ky, kz, mode, cx, cy, cz, no, ne)
    facet, t = exit_facet(
        planes, scene.near, scene.groups, finish, scene.split, facet, px, py, pz, sx, sy, sz
    )
    if facet < 0:
        sums[SUM_LOST] += wavelength.y * weight
        note(log, LOST, facet, px, py, pz, mode, kx, ky, kz, weight)
        return ended(bounce + 1)
    # the wave vectors of the two differ along the normal of the facet they come from
    phase = wavelength.k0 * (qo - qe) * (nx * sx + ny * sy + nz * sz) * t
    depth_o, depth_e = depths(scene, wavelength, px, py, pz, sx, sy, sz, t)
    px += t * sx
    py += t * sy
    pz += t * sz
    if log is not None and 0.0 < a < 1.0 and abs(phase) > MOST_PHASE:
        note(log, SPLITS, facet, px, py, pz, mode, kx, ky, kz, weight)
    kept, a, c = fly(mode, a, c, phase, depth_o, depth_e, sx * cx + sy * cy + sz * cz, no, ne)
    sums[SUM_ABSORBED] += wavelength.y * weight * (1.0 - kept)
    if log is not None and kept < 1.0:
        note(log, ABSORBED, facet, px, py, pz, mode, kx, ky, kz, weight * (1.0 - kept))
    weight *= kept
    rough = roughness(finish, facet)
    if rough > 0.0 and not math.isnan(qo + qe):
        # of a pair, one wave goes into the facet's roughness
        mode = 1 if path_number(draws, bounce) >= a else 0
        q = (qe if mode else qo) - (kx * nx + ky * ny + kz * nz)
        kx, ky, kz = kx + q * nx, ky + q * ny, kz + q * nz
    nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
    if rough > 0.0:
        kx, ky, kz, _, _, _, side, mode, _ = walk(
            kx, ky, kz, -1, mode, nx, ny, nz, rough, cx, cy, cz, vx, vy, vz, no, ne,
            draws.key, draws.ray, bounce,
        )  # fmt: skip
        a, c, qo, qe = 1.0 - mode, complex(0.0, 0.0), math.nan, math.nan
        kept, other, back = weight, -1, SCATTERS
        if side == 0:
            sums[SUM_LOST] += wavelength.y * weight
            note(log, LOST, facet, px, py, pz, mode, kx, ky, kz, weight)
            return ended(bounce + 1)
        if side > 0:
            other, t, kept = leave(
                scene, wavelength, draws, facet, px, py, pz, kx, ky, kz, 1.0, 0.0, weight,
                bounce, sums, log,
            )  # fmt: skip
            if other < 0:
                return ended(bounce + 1)
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
        kept, other, back = weight * inside, -1, REFLECTS
        if not math.isnan(q1):
            dx, dy, dz = tx + q1 * nx, ty + q1 * ny, tz + q1 * nz
            other, t, kept = leave(
                scene, wavelength, draws, facet, px, py, pz, dx, dy, dz, gone, inside, weight,
                bounce, sums, log,
            )  # fmt: skip
        share = 1.0 / inside
        a, c = ro * share, times(c, share)
        mode = 1 if path_number(draws, bounce) >= a else 0
        q = qe if mode else qo
        kx, ky, kz = tx + q * nx, ty + q * ny, tz + q * nz
    if other < 0:
        note(log, back, facet, px, py, pz, mode, kx, ky, kz, kept)
    bounce += 1
    weight = roulette(
        kept, floor, bounce, draws, wavelength, facet, px, py, pz, mode, kx, ky, kz, sums, log
    )
    if weight <= 0.0:
        return ended(bounce if rough > 0.0 else bounce + 1)
    if other >= 0:
        px, py, pz = px + t * dx, py + t * dy, pz + t * dz
        note(log, CROSSES, other, px, py, pz, MODE_AIR, dx, dy, dz, weight)
        return coming(weight, bounce, px, py, pz, other, dx, dy, dz)
    return Flight(weight, bounce, False, a, c, qo, qe, mode, kx, ky, kz, px, py, pz, facet)


@device
def follow_uniaxial(scene, wavelength, draws, floor, flight, sums, log):
    """A path through a uniaxial crystal to its end; returns its events."""
    while flight.weight > 0.0:
        if flight.in_air:
            flight = enter_uniaxial(scene, wavelength, draws, flight, sums, log)
        else:
            flight = cross_uniaxial(scene, wavelength, draws, floor, flight, sums, log)
    return flight.events


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
