"""The path of light through an isotropic stone, with its Jones matrix (``isotropic``)."""

import math

import numpy as np

from facetrace.kernel.compiling import device
from facetrace.kernel.events import (
    ABSORBED,
    CROSSES,
    ENTERS,
    LEAVES,
    LOST,
    MIRRORED,
    MODE_AIR,
    MODE_ISOTROPIC,
    REFLECTS,
    note,
)
from facetrace.kernel.facets import exit_facet, met_facet
from facetrace.kernel.isotropic import fresnel_power, in_turned_basis, reflect_amplitudes
from facetrace.kernel.paths import AIR_MIRROR, MOST_CROSSINGS, depths, leave, roulette
from facetrace.kernel.sampling import hashed
from facetrace.kernel.scene import ISOTROPIC
from facetrace.kernel.tally import SUM_ABSORBED, SUM_LOST, score_air, score_escape
from facetrace.kernel.vectors import across


@device
def unit_s(dx, dy, dz, nx, ny, nz):
    """Unit vector s at right angles to d and N (any one at normal incidence)."""
    sx = ny * dz - nz * dy
    sy = nz * dx - nx * dz
    sz = nx * dy - ny * dx
    length = math.sqrt(sx * sx + sy * sy + sz * sz)
    if length < 1.0e-14:
        sx, sy, sz = across(nx, ny, nz)
        length = math.sqrt(sx * sx + sy * sy + sz * sz)
    return sx / length, sy / length, sz / length


@device
def arrive_isotropic(
    scene, wavelength, draws, px, py, pz, facet, dx, dy, dz, weight, within, bounce, sums, log
):  # fmt: skip
    """Light along d comes to *facet* from outside: (weight before it goes in, R_s, R_p, q1, d, p, facet).

    Weight 0 if nothing goes in; what is mirrored is scored or goes to the other lobe.
    """
    planes, finish = scene.planes, scene.finish
    n2 = wavelength.no * wavelength.no
    for crossing in range(MOST_CROSSINGS):
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        number = MOST_CROSSINGS * bounce + crossing
        along = dx * nx + dy * ny + dz * nz
        tangent2 = max(1.0 - along * along, 0.0)
        rs2, rp2, q1 = fresnel_power(-along, tangent2, 1.0, n2)
        mirrored = 0.5 * (rs2 + rp2)
        kx, ky, kz = dx - 2.0 * along * nx, dy - 2.0 * along * ny, dz - 2.0 * along * nz
        other, t = met_facet(planes, finish, scene.split, facet, px, py, pz, kx, ky, kz)
        if other < 0:
            score_air(sums, scene, wavelength, within, weight * mirrored, kx, ky, kz)
            note(log, MIRRORED, facet, px, py, pz, MODE_AIR, kx, ky, kz, weight * mirrored)
            return weight, rs2, rp2, q1, dx, dy, dz, px, py, pz, facet
        if hashed(draws.key, draws.ray, AIR_MIRROR + np.uint64(number)) >= mirrored:
            return weight / (1.0 - mirrored), rs2, rp2, q1, dx, dy, dz, px, py, pz, facet
        px, py, pz = px + t * kx, py + t * ky, pz + t * kz
        dx, dy, dz, facet = kx, ky, kz, other
        note(log, CROSSES, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight)
    sums[SUM_LOST] += wavelength.y * weight
    note(log, LOST, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight)
    return 0.0, 0.0, 0.0, 0.0, dx, dy, dz, px, py, pz, facet


@device
def stay_isotropic(
    scene, wavelength, draws, floor, px, py, pz, facet, dx, dy, dz, rs2, rp2, q1, scale, bounce,
    sums, log,
):  # fmt: skip
    """What has come in at *facet*, till it ends or goes to the other lobe.

    Returns (events, facet there or -1, p, d, weight).
    """
    planes, finish = scene.planes, scene.finish
    n = wavelength.no
    n2 = n * n
    nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
    along = dx * nx + dy * ny + dz * nz
    sx, sy, sz = unit_s(dx, dy, dz, nx, ny, nz)
    # direction inside: K / n with K = d + (-q1 - along) N
    dx = (dx - (q1 + along) * nx) / n
    dy = (dy - (q1 + along) * ny) / n
    dz = (dz - (q1 + along) * nz) / n
    ar, ai, br, bi = math.sqrt(1.0 - rs2), 0.0, 0.0, 0.0
    cr, ci, er, ei = 0.0, 0.0, math.sqrt(1.0 - rp2), 0.0
    if log is not None:
        energy = scale * (1.0 - 0.5 * (rs2 + rp2))
        note(log, ENTERS, facet, px, py, pz, MODE_ISOTROPIC, dx, dy, dz, energy)
    while True:
        facet, t = exit_facet(
            planes, scene.near, scene.groups, finish, scene.split, facet, px, py, pz, dx, dy, dz
        )
        power_s = 0.5 * (ar * ar + ai * ai + cr * cr + ci * ci)
        power_p = 0.5 * (br * br + bi * bi + er * er + ei * ei)
        weight = scale * (power_s + power_p)
        if facet < 0:
            sums[SUM_LOST] += wavelength.y * weight
            note(log, LOST, facet, px, py, pz, MODE_ISOTROPIC, dx, dy, dz, weight)
            return bounce + 1, -1, px, py, pz, dx, dy, dz, 0.0
        depth, _ = depths(scene, wavelength, px, py, pz, dx, dy, dz, t)
        px += t * dx
        py += t * dy
        pz += t * dz
        through = math.exp(-depth)
        sums[SUM_ABSORBED] += wavelength.y * weight * (1.0 - through)
        if log is not None and through < 1.0:
            energy = weight * (1.0 - through)
            note(log, ABSORBED, facet, px, py, pz, MODE_ISOTROPIC, dx, dy, dz, energy)
        scale *= through
        nx, ny, nz = planes[0, facet], planes[1, facet], planes[2, facet]
        along = dx * nx + dy * ny + dz * nz
        ux, uy, uz = unit_s(dx, dy, dz, nx, ny, nz)
        cosine = sx * ux + sy * uy + sz * uz
        # p = d x s
        sine = (dy * sz - dz * sy) * ux + (dz * sx - dx * sz) * uy + (dx * sy - dy * sx) * uz
        ar, ai, br, bi = in_turned_basis(ar, ai, br, bi, cosine, sine)
        cr, ci, er, ei = in_turned_basis(cr, ci, er, ei, cosine, sine)
        sx, sy, sz = ux, uy, uz
        if scene.physics != ISOTROPIC:
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
            if scene.split is None:
                score_escape(sums, scene, wavelength, scale * gone, gx, gy, gz)
                note(log, LEAVES, facet, px, py, pz, MODE_AIR, gx, gy, gz, scale * gone)
            else:
                other, t, total = leave(
                    scene, wavelength, draws, facet, px, py, pz, gx, gy, gz,
                    gone, power_s * rs2 + power_p * rp2, scale, bounce, sums, log,
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
        if other < 0:
            note(log, REFLECTS, facet, px, py, pz, MODE_ISOTROPIC, dx, dy, dz, kept)
        weight = roulette(
            kept, floor, bounce, draws, wavelength, facet, px, py, pz, MODE_ISOTROPIC, dx, dy, dz,
            sums, log,
        )  # fmt: skip
        if weight <= 0.0:
            return bounce + 1, -1, px, py, pz, dx, dy, dz, 0.0
        if other >= 0:
            return bounce, other, px + t * gx, py + t * gy, pz + t * gz, gx, gy, gz, weight
        if other == -1:
            scale *= weight / kept
        else:
            scale = weight / power


@device
def follow_isotropic(scene, wavelength, draws, floor, px, py, pz, facet, dx, dy, dz, sums, log):
    """A path through an isotropic stone, with its Jones matrix; returns its events.

    The matrix (a c / b d) takes the two polarisations at the eye to (s, p); the energy is
    half the sum of its squared moduli. Without ISOTROPIC the polarisation is forgotten at every facet.
    """
    weight, bounce = 1.0, 0
    while True:
        weight, rs2, rp2, q1, dx, dy, dz, px, py, pz, facet = arrive_isotropic(
            scene, wavelength, draws, px, py, pz, facet, dx, dy, dz, weight, bounce > 0, bounce, sums, log
        )  # fmt: skip
        if weight <= 0.0:
            return bounce + 1
        bounce, facet, px, py, pz, dx, dy, dz, weight = stay_isotropic(
            scene, wavelength, draws, floor, px, py, pz, facet, dx, dy, dz, rs2, rp2, q1, weight,
            bounce, sums, log,
        )  # fmt: skip
        if facet < 0:
            return bounce
        note(log, CROSSES, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight)
