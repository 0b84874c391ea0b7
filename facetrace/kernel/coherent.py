"""The o and the e wave of the crystal at a facet at once, with the phase between them.

Near the optic axis the two waves of one path stay in phase for millimetres, so what they do at
the next facet depends on their sum. A pair is carried by its coherency matrix in units of energy
flow (Born & Wolf, "Principles of Optics", ch. 10.9),

    a = <o o*>,  b = <e e*>,  c = <o e*>  (complex),

of two waves with one tangential wave vector, that of the wave whose path is followed: Maxwell's
equations then make the amplitudes below conserve energy exactly.
"""

import math

from facetrace.kernel.compiling import device
from facetrace.kernel.uniaxial import (
    AXIS_SIN2,
    abs2,
    axis_pair,
    incoming,
    mode_pair,
    other_e,
    other_o,
    solve_two,
    tangent_frame,
)


@device
def coherent_event(
    kx, ky, kz, extraordinary, a_in, b_in, c_in,
    nx, ny, nz, cx, cy, cz, px, py, pz, no2, ne2, m2,
):  # fmt: skip
    """A pair inside meets a facet: parameters as ``uniaxial.inside_event``, and the pair's matrix.

    Returns (a, b, c, out, q_o, q_e, q1): the reflected pair's matrix, the energy that leaves, and
    the normal components of the wave vectors (q1 NaN under total reflection). a is NaN where
    one of the four waves inside is evanescent: then there is no pair.
    """
    q, tangent, xx, xy, xz = tangent_frame(kx, ky, kz, nx, ny, nz)
    yx = ny * xz - nz * xy
    yy = nz * xx - nx * xz
    yz = nx * xy - ny * xx
    ax = cx * xx + cy * xy + cz * xz
    ay = cx * yx + cy * yy + cz * yz
    an = cx * nx + cy * ny + cz * nz
    diff = ne2 - no2
    rise = diff / ne2
    ratio = no2 / ne2
    a = no2 + diff * an * an
    b = diff * an * ax * tangent
    none = complex(0.0, 0.0)
    _, u2 = mode_pair(q, tangent, ax, an, ay)
    if extraordinary:
        qei, root = q, a * q + b
        qoi, _ = other_o(q, u2, rise, 1.0)
    else:
        qoi = q
        qei, root, _ = other_e(q, u2, a, b, diff, 1.0)
    # the waves that come and those that are reflected are evanescent together
    if math.isnan(qoi) or math.isnan(qei):
        return math.nan, 0.0, none, 0.0, 0.0, 0.0, math.nan
    qo, qe = -qoi, -qei - 2.0 * b / a
    qx = px * xx + py * xy + pz * xz
    qy = px * yx + py * yy + pz * yz
    qn = px * nx + py * ny + pz * nz
    cyo, go, u2o = mode_fields(qo, tangent, ax, ay, an, qx, qy, qn, no2)
    cye, ge, u2e = mode_fields(qe, tangent, ax, ay, an, qx, qy, qn, no2)
    we = rise * u2e * ax
    q1sq = m2 - tangent * tangent
    q1c = complex(math.sqrt(q1sq), 0.0) if q1sq > 0.0 else complex(0.0, math.sqrt(-q1sq))
    flux_o, flux_e = abs(qo * u2o), abs(root * ratio * u2e)
    oo, eo, oe, ee = none, none, none, none
    if a_in > 0.0:
        cyi, gi, u2i = mode_fields(qoi, tangent, ax, ay, an, qx, qy, qn, no2)
        h1, h2 = incoming(q1c, m2, no2, qoi, gi, cyi, 0.0, 0)
        oo, eo, det = solve_two(q1c, m2, no2, qo, go, cyo, qe, ge, cye, we, h1, h2)
        per_flux = 1.0 / (det * math.sqrt(abs(qoi * u2i)))
        oo, eo = oo * per_flux * math.sqrt(flux_o), eo * per_flux * math.sqrt(flux_e)
    if b_in > 0.0:
        cyi, gi, u2i = mode_fields(qei, tangent, ax, ay, an, qx, qy, qn, no2)
        h1, h2 = incoming(q1c, m2, no2, qei, gi, cyi, rise * u2i * ax, 1)
        oe, ee, det = solve_two(q1c, m2, no2, qo, go, cyo, qe, ge, cye, we, h1, h2)
        per_flux = 1.0 / (det * math.sqrt(abs(root * ratio * u2i)))
        oe, ee = oe * per_flux * math.sqrt(flux_o), ee * per_flux * math.sqrt(flux_e)
    ro = abs2(oo) * a_in + abs2(oe) * b_in + 2.0 * (oo * oe.conjugate() * c_in).real
    re = abs2(eo) * a_in + abs2(ee) * b_in + 2.0 * (eo * ee.conjugate() * c_in).real
    c_out = (
        oo * eo.conjugate() * a_in
        + oe * ee.conjugate() * b_in
        + oo * ee.conjugate() * c_in
        + oe * eo.conjugate() * c_in.conjugate()
    )
    if q1sq <= 0.0:
        return ro, re, c_out, 0.0, qo, qe, math.nan
    # what does not come back leaves: the amplitudes conserve energy to rounding
    return ro, re, c_out, max(a_in + b_in - ro - re, 0.0), qo, qe, math.sqrt(q1sq)


@device
def mode_fields(q, tangent, ax, ay, an, qx, qy, qn, no2):
    """(cy, g, u^2) of a wave vector, by the fixed vector p within ``AXIS_SIN2`` of the axis."""
    g, u2 = mode_pair(q, tangent, ax, an, ay)
    if u2 < AXIS_SIN2 * no2:
        return axis_pair(q, tangent, qx, qy, qn)
    return ay, g, u2
