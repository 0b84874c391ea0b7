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
    ALONG_FACET,
    abs2,
    axis_pair,
    beside_axis,
    in_frame,
    incoming,
    mode_pair,
    other_e,
    other_o,
    solve_two,
    tangent_frame,
)


@device
def times(z, factor):
    """A complex number times a real one."""
    return complex(z.real * factor, z.imag * factor)


@device
def both(x, y):
    """x y* of two complex numbers."""
    return complex(x.real * y.real + x.imag * y.imag, x.imag * y.real - x.real * y.imag)


@device
def coherent_event(
    kx, ky, kz, extraordinary, a_in, b_in, c_in,
    nx, ny, nz, cx, cy, cz, px, py, pz, no2, ne2, m2,
):  # fmt: skip
    """A pair inside meets a facet: parameters as ``uniaxial.inside_event``, and the pair's matrix.

    Returns (a, b, c, out, q_o, q_e, q1): the reflected pair's matrix, the energy that leaves, and
    the normal components of the wave vectors (q1 NaN under total reflection). a is NaN where
    one of the four waves inside is evanescent, or flies along the facet to rounding: then there
    is no pair.
    """
    q, tangent, xx, xy, xz, yx, yy, yz = tangent_frame(kx, ky, kz, nx, ny, nz)
    ax, ay, an = in_frame(cx, cy, cz, xx, xy, xz, yx, yy, yz, nx, ny, nz)
    diff = ne2 - no2
    rise = diff / ne2
    ratio = no2 / ne2
    on, back_on, ax, an, ay, a, b, back = beside_axis(
        q, extraordinary, tangent, ax, an, ay, no2, diff
    )
    none = complex(0.0, 0.0)
    px, py, pz = in_frame(px, py, pz, xx, xy, xz, yx, yy, yz, nx, ny, nz)
    qoi, qei, root, goi, gei, cyoi, cyei, u2oi, u2ei, wei = wave_pair(
        q, extraordinary, on, tangent, ax, ay, an, a, b, px, py, pz, diff, rise, 1.0
    )
    # false for NaN
    if not (abs(qoi) >= ALONG_FACET and abs(root * ratio) >= ALONG_FACET):
        return math.nan, 0.0, none, 0.0, 0.0, 0.0, math.nan
    _, _, _, go, ge, cyo, cye, u2o, u2e, we = wave_pair(
        back, extraordinary, back_on, tangent, ax, ay, an, a, b, px, py, pz, diff, rise, -1.0
    )
    # waves that come fix their own partners: q' = -q for o, root' = -root for e
    qo, qe = -qoi, -qei - 2.0 * b / a
    if math.isnan(u2o) or math.isnan(u2e):
        return math.nan, 0.0, none, 0.0, 0.0, 0.0, math.nan
    q1sq = m2 - tangent * tangent
    q1c = complex(math.sqrt(q1sq), 0.0) if q1sq > 0.0 else complex(0.0, math.sqrt(-q1sq))
    flux_o, flux_e = abs(qo * u2o), abs(root * ratio * u2e)
    come_o, come_e = abs(qoi * u2oi), abs(root * ratio * u2ei)
    h1, h2 = incoming(q1c, m2, no2, qoi, goi, cyoi, 0.0, 0)
    oo, eo, det = solve_two(q1c, m2, no2, qo, go, cyo, qe, ge, cye, we, h1, h2)
    h1, h2 = incoming(q1c, m2, no2, qei, gei, cyei, wei, 1)
    oe, ee, det = solve_two(q1c, m2, no2, qo, go, cyo, qe, ge, cye, we, h1, h2)
    # amplitudes are numerators / det in units of energy flow: only these products of theirs are needed
    product = come_o * come_e
    scale = 1.0 / (abs2(det) * product)
    a_of, b_of = a_in * come_e * scale, b_in * come_o * scale
    c_of = times(c_in, math.sqrt(product) * scale)
    ro = flux_o * (abs2(oo) * a_of + abs2(oe) * b_of + 2.0 * (both(oo, oe) * c_of).real)
    re = flux_e * (abs2(eo) * a_of + abs2(ee) * b_of + 2.0 * (both(eo, ee) * c_of).real)
    pair = times(both(oo, eo), a_of) + times(both(oe, ee), b_of)
    pair += both(oo, ee) * c_of + both(oe, eo) * c_of.conjugate()
    c_out = times(pair, math.sqrt(flux_o * flux_e))
    if q1sq <= 0.0:
        return ro, re, c_out, 0.0, qo, qe, math.nan
    # what does not come back leaves: the amplitudes conserve energy to rounding
    return ro, re, c_out, max(a_in + b_in - ro - re, 0.0), qo, qe, math.sqrt(q1sq)


@device
def wave_pair(
    q, extraordinary, on, tangent, ax, ay, an, a, b, px, py, pz, diff, rise, side
):  # fmt: skip
    """Both waves of one tangential wave vector and one side, from the q of one of them; *on* the axis or not.

    Returns (q_o, q_e, root_e, g_o, g_e, cy_o, cy_e, u_o^2, u_e^2, w_e), with w_e = (K_e.K_e - no^2) cx;
    NaN where a wave is evanescent. The other wave's g follows from the distance between the index surfaces, so that
    near the axis both are off by the same turn (see ``kernel.uniaxial``).
    """
    g, u2 = mode_pair(q, tangent, ax, an, ay)
    if extraordinary:
        qe, root = q, a * q + b
        qo, step = other_o(q, u2, rise, side)
        go, ge = g - step * ax, g
    else:
        qo = q
        qe, root, step = other_e(q, u2, a, b, diff, side)
        go, ge = g, g + step * ax
    if on:
        cyo, go, u2o = axis_pair(qo, tangent, px, py, pz)
        cye, ge, u2e = axis_pair(qe, tangent, px, py, pz)
        return qo, qe, root, go, ge, cyo, cye, u2o, u2e, 0.0
    across = ay * ay
    u2o = across * (qo * qo + tangent * tangent) + go * go
    u2e = across * (qe * qe + tangent * tangent) + ge * ge
    return qo, qe, root, go, ge, ay, ay, u2o, u2e, rise * u2e * ax
