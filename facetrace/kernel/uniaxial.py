"""Light at one facet of a uniaxial crystal: the exact solution, in and out.

The frame of one event has z along the outward facet normal N, x along the
tangential part of the wave vector and y = N x x:

    K = (L, 0, q),   c = (cx, cy, cn),   D = ne^2 - no^2.

Modes (any textbook: Born & Wolf, "Principles of Optics", ch. 15; Yeh, "Optical
Waves in Layered Media"; Lekner, J. Phys.: Condens. Matter 3, 6121 (1991)):

    u = K x c = (-q cy, g, L cy),          g = q cx - L cn
    ordinary        K.K = no^2             (E, H) = (u, K x u)
    extraordinary   K.eK = no^2 ne^2       (E, H) = (v, -no^2 u),  v = (K.c) K - no^2 c

Three things keep the result right to rounding where the direct formulas lose
digits:

* the energy of an e wave crosses the facet along root = N.eK = a q + b, with
  a = no^2 + D cn^2 and b = D cn cx L; roots are chosen by the sign of ``root``,
  never by that of q, which can differ near grazing;
* the wave that comes in fixes its own partner (o: q' = -q; e: root' = -root), and
  the other mode follows from the distance between the two index surfaces,

      q_e - q_o = D u^2 / (root_e + a q_o + b),     K_e.K_e - no^2 = D u_e^2 / ne^2,

  which has no cancellation however near K is to the optic axis (derived here);
* on the axis itself, where u vanishes, a fixed unit vector p at right angles to c
  takes the place of u, so that all facets agree on the two modes; there the event has
  its c along K exactly, which makes the pair modes, at grazing incidence too.

What comes from outside is nothing, which is two conditions on the sum of the
fields inside, q1 E_y + H_x = 0 and m^2 E_x - q1 H_y = 0 (q1: normal component
outside, m: index outside). Each mode contributes to both; Cramer's rule solves
them. Energy fractions are ratios of the normal component of Re(E x H*).
"""

import math

from facetrace.kernel.compiling import device
from facetrace.kernel.vectors import across

# sin(angle to c)^2 below which both modes are taken from the fixed pair. Just above it u is known
# to a few percent of its direction, but a common turn of both modes costs no energy.
AXIS_SIN2 = 1.0e-28
NORMAL_TANGENT = 1.0e-14
# |flow of energy along N| (unit: that of a wave with K = N) below which a wave flies along the
# facet: its own reflection cancels it there, which leaves nothing for other waves but the order
# of the flow. Their amplitudes are quotients of what rounding leaves, near the axis of nothing.
ALONG_FACET = 1.0e-12


@device
def tangent_frame(kx, ky, kz, nx, ny, nz):
    """Normal and tangential parts of a wave vector, and the frame of the event.

    Returns (q, L, x, y): normal component, tangential length, unit vectors x and y = N x x.
    At normal incidence x is some unit vector in the facet.
    """
    q = kx * nx + ky * ny + kz * nz
    tx = kx - q * nx
    ty = ky - q * ny
    tz = kz - q * nz
    # twice is enough: the second pass removes what rounding left along N
    rest = tx * nx + ty * ny + tz * nz
    tx -= rest * nx
    ty -= rest * ny
    tz -= rest * nz
    length = math.sqrt(tx * tx + ty * ty + tz * tz)
    if length < NORMAL_TANGENT:
        length = 0.0
        tx, ty, tz = across(nx, ny, nz)
        scale = 1.0 / math.sqrt(tx * tx + ty * ty + tz * tz)
    else:
        scale = 1.0 / length
    xx, xy, xz = tx * scale, ty * scale, tz * scale
    return q, length, xx, xy, xz, ny * xz - nz * xy, nz * xx - nx * xz, nx * xy - ny * xx


@device
def in_frame(vx, vy, vz, xx, xy, xz, yx, yy, yz, nx, ny, nz):
    """Components (x, y, n) of a vector in the frame of an event."""
    return (
        vx * xx + vy * xy + vz * xz,
        vx * yx + vy * yy + vz * yz,
        vx * nx + vy * ny + vz * nz,
    )


@device
def mode_pair(q, tangent, cx, cn, cy):
    """(g, u^2) of the wave vector (tangent, 0, q): see the module's head."""
    g = q * cx - tangent * cn
    return g, cy * cy * (q * q + tangent * tangent) + g * g


@device
def axis_pair(q, tangent, px, py, pn):
    """(cy, g, u^2) that stand for the fixed vector p in place of u = K x c."""
    k2 = q * q + tangent * tangent
    cy = (-q * px + tangent * pn) / k2
    return cy, py, cy * cy * k2 + py * py


@device
def crossing(q, extraordinary, tangent, ax, an, no2, diff):
    """(a, b, back): what the head calls so, and the normal component of the partner that the wave of *q* fixes."""
    a = no2 + diff * an * an
    b = diff * an * ax * tangent
    return a, b, -q - 2.0 * b / a if extraordinary else -q


@device
def beside_axis(q, extraordinary, tangent, ax, an, ay, no2, diff):
    """(on, back_on, ax, an, ay, a, b, back): is K, or its partner, on the axis, c of the event, and ``crossing`` with it.

    c turns by 1e-14 rad at most, to lie along that wave: a wave beside c by less has the fixed pair's
    fields only if c is along it, and grazing incidence magnifies what they are off.
    """
    a, b, back = crossing(q, extraordinary, tangent, ax, an, no2, diff)
    bound = AXIS_SIN2 * no2
    _, u2 = mode_pair(q, tangent, ax, an, ay)
    _, back2 = mode_pair(back, tangent, ax, an, ay)
    on, back_on = u2 < bound, back2 < bound
    if on or back_on:
        along = q if on else back
        scale = 1.0 / math.sqrt(along * along + tangent * tangent)
        ax, an, ay = tangent * scale, along * scale, 0.0
        a, b, back = crossing(q, extraordinary, tangent, ax, an, no2, diff)
    return on, back_on, ax, an, ay, a, b, back


@device
def other_e(qo, u2, a, b, diff, side):
    """From an ordinary q to the extraordinary one of the same side.

    Returns (q_e, root_e, step = q_e - q_o), step NaN where the e wave is evanescent.
    *side* is the sign of the energy flow along N.
    """
    start = a * qo + b
    square = start * start + a * diff * u2
    if square < 0.0:
        return math.nan, math.sqrt(-square), math.nan
    root = side * math.sqrt(square)
    if start * side >= 0.0 and start != 0.0:
        step = diff * u2 / (root + start)
    else:
        step = (root - start) / a
    return qo + step, root, step


@device
def other_o(qe, u2, rise, side):
    """From an extraordinary q to the ordinary one: (q_o, step = q_e - q_o), NaN if evanescent.

    *rise* is (ne^2 - no^2) / ne^2.
    """
    gap = rise * u2
    square = qe * qe - gap
    if square < 0.0:
        return math.nan, math.sqrt(-square)
    qo = side * math.sqrt(square)
    if qe * side >= 0.0 and qe != 0.0:
        return qo, gap / (qe + qo)
    return qo, qe - qo


@device
def solve_two(q1, m2, no2, qo, go, cyo, qe, ge, cye, we, h1, h2):
    """The two modes inside under the two conditions (h1, h2), by Cramer's rule.

    Returns (numerator o, numerator e, determinant): energies need no complex division.
    Works for real and for complex arguments. *we* is (K_e.K_e - no^2) cx.
    """
    f1o = go * (q1 - qo)
    f2o = cyo * (no2 * q1 - m2 * qo)
    f1e = no2 * cye * (qe - q1)
    f2e = m2 * (we - qe * ge) + no2 * q1 * ge
    det = f1o * f2e - f1e * f2o
    return h1 * f2e - h2 * f1e, f1o * h2 - f2o * h1, det


@device
def solve_total(kappa, m2, no2, qo, go, cyo, qe, ge, cye, we, gi, cyi, qi, wi, extraordinary):
    """(|numerator o|^2, |numerator e|^2, |determinant|^2) where q1 = i kappa (total reflection).

    The conditions of ``solve_two`` with real and imaginary parts written apart: this is the
    commonest event in a stone.
    """
    a1, b1 = -go * qo, go * kappa
    a2, b2 = -cyo * m2 * qo, cyo * no2 * kappa
    c1, d1 = no2 * cye * qe, -no2 * cye * kappa
    c2, d2 = m2 * (we - qe * ge), no2 * ge * kappa
    if extraordinary:
        h1, k1 = -no2 * cyi * qi, no2 * cyi * kappa
        h2, k2 = m2 * (qi * gi - wi), -no2 * gi * kappa
    else:
        h1, k1 = gi * qi, -gi * kappa
        h2, k2 = cyi * m2 * qi, -cyi * no2 * kappa
    det_re = a1 * c2 - b1 * d2 - c1 * a2 + d1 * b2
    det_im = a1 * d2 + b1 * c2 - c1 * b2 - d1 * a2
    o_re = h1 * c2 - k1 * d2 - h2 * c1 + k2 * d1
    o_im = h1 * d2 + k1 * c2 - h2 * d1 - k2 * c1
    e_re = a1 * h2 - b1 * k2 - a2 * h1 + b2 * k1
    e_im = a1 * k2 + b1 * h2 - a2 * k1 - b2 * h1
    return (
        o_re * o_re + o_im * o_im,
        e_re * e_re + e_im * e_im,
        det_re * det_re + det_im * det_im,
    )


@device
def abs2(z):
    """|z|^2 of a real or complex number."""
    return z.real * z.real + z.imag * z.imag


@device
def inside_event(
    kx, ky, kz, extraordinary, nx, ny, nz, cx, cy, cz, px, py, pz, no2, ne2, m2
):  # fmt: skip
    """A wave inside the crystal meets a facet from within.

    Parameters: wave vector K (K.N with energy flow outwards), 1 if it is an e wave,
    outward unit normal N, unit optic axis c, fixed unit vector p at right angles
    to c, squared indices no^2, ne^2 and m^2 of the (isotropic) outside.

    Returns (R_o, R_e, T_s, T_p, q_o, q_e, q1): the fractions of the energy in the
    reflected o and e waves and in the s and p waves outside (they sum to 1), and the
    normal components of their wave vectors along N. A mode that is evanescent has
    fraction 0 and NaN; under total reflection T_s = T_p = 0 and q1 is NaN. A wave along the facet
    to rounding is reflected whole, as itself.
    """
    q, tangent, xx, xy, xz, yx, yy, yz = tangent_frame(kx, ky, kz, nx, ny, nz)
    ax, ay, an = in_frame(cx, cy, cz, xx, xy, xz, yx, yy, yz, nx, ny, nz)
    diff = ne2 - no2
    per_ne2 = 1.0 / ne2
    rise = diff * per_ne2
    ratio = no2 * per_ne2
    on, back_on, ax, an, ay, a, b, back = beside_axis(
        q, extraordinary, tangent, ax, an, ay, no2, diff
    )
    root_in = a * q + b
    flow = root_in * ratio if extraordinary else q
    if abs(flow) < ALONG_FACET:
        if extraordinary:
            return 0.0, 1.0, 0.0, 0.0, math.nan, back, math.nan
        return 1.0, 0.0, 0.0, 0.0, back, math.nan, math.nan
    if on or back_on:
        qx, qy, qn = in_frame(px, py, pz, xx, xy, xz, yx, yy, yz, nx, ny, nz)

    # the incoming wave
    gi, u2i = mode_pair(q, tangent, ax, an, ay)
    cyi = ay
    wi = 0.0
    if extraordinary:
        wi = rise * u2i * ax
    if on:
        cyi, gi, u2i = axis_pair(q, tangent, qx, qy, qn)
        wi = 0.0
    flux_in = flow * u2i

    # the two reflected waves
    cyo = ay
    cye = ay
    if extraordinary:
        root_e = -root_in
        qe = back
        ge, u2e = mode_pair(qe, tangent, ax, an, ay)
        we = rise * u2e * ax
        qo, step = other_o(qe, u2e, rise, -1.0)
    else:
        qo = back
        go, u2o = mode_pair(qo, tangent, ax, an, ay)
        qe, root_e, step = other_e(qo, u2o, a, b, diff, -1.0)
    evanescent_o = extraordinary and math.isnan(qo)
    evanescent_e = (not extraordinary) and math.isnan(qe)
    if evanescent_o or evanescent_e:
        return _inside_evanescent(
            q, tangent, extraordinary, ax, ay, an, diff, a, b, no2, ne2, m2,
            gi, cyi, wi, flux_in, qo, qe, step, root_e,
        )  # fmt: skip
    if extraordinary:
        go = ge - step * ax
        u2o = cyo * cyo * (qo * qo + tangent * tangent) + go * go
    else:
        ge = go + step * ax
        u2e = cye * cye * (qe * qe + tangent * tangent) + ge * ge
        we = rise * u2e * ax
    if back_on:
        cyo, go, u2o = axis_pair(qo, tangent, qx, qy, qn)
        cye, ge, u2e = axis_pair(qe, tangent, qx, qy, qn)
        we = 0.0

    q1sq = m2 - tangent * tangent
    if q1sq <= 0.0:
        top_o, top_e, det2 = solve_total(
            math.sqrt(-q1sq), m2, no2, qo, go, cyo, qe, ge, cye, we, gi, cyi, q, wi, extraordinary
        )
        scale = 1.0 / (det2 * abs(flux_in))
        ro = top_o * abs(qo * u2o) * scale
        re = top_e * abs(root_e * ratio * u2e) * scale
        return ro, re, 0.0, 0.0, qo, qe, math.nan
    q1 = math.sqrt(q1sq)
    g1, g2 = incoming(q1, m2, no2, q, gi, cyi, wi, extraordinary)
    num_o, num_e, det1 = solve_two(q1, m2, no2, qo, go, cyo, qe, ge, cye, we, g1, g2)
    bo, be = num_o / det1, num_e / det1
    per_flux = 1.0 / abs(flux_in)
    ro = bo * bo * abs(qo * u2o) * per_flux
    re = be * be * abs(root_e * ratio * u2e) * per_flux
    if extraordinary:
        ey_in = -no2 * cyi
        hy_in = -no2 * gi
    else:
        ey_in = gi
        hy_in = -no2 * cyi
    ey = ey_in + bo * go - be * no2 * cye
    hy = hy_in - bo * no2 * cyo - be * no2 * ge
    ts = q1 * ey * ey * per_flux
    tp = q1 * hy * hy * per_flux / m2
    return ro, re, ts, tp, qo, qe, q1


@device
def incoming(q1, m2, no2, q, g, cy, w, extraordinary):
    """What the incoming wave leaves for the reflected ones to cancel: (-f1, -f2)."""
    if extraordinary:
        return -(no2 * cy * (q - q1)), -(m2 * (w - q * g) + no2 * q1 * g)
    return -(g * (q1 - q)), -(cy * (no2 * q1 - m2 * q))


@device
def _inside_evanescent(
    q, tangent, extraordinary, ax, ay, an, diff, a, b, no2, ne2, m2,
    gi, cyi, wi, flux_in, qo, qe, step, root_e,
):  # fmt: skip
    """inside_event where the other reflected mode is evanescent (q has Im q < 0: it decays inwards)."""
    ratio = no2 / ne2
    rise = diff / ne2
    if extraordinary:
        qoc = complex(0.0, -step)
        qec = complex(qe, 0.0)
    else:
        qoc = complex(qo, 0.0)
        qec = complex(-b / a, -root_e / a)
    goc = qoc * ax - tangent * an
    gec = qec * ax - tangent * an
    u2c = ay * ay * (qec * qec + tangent * tangent) + gec * gec
    wec = rise * u2c * ax
    q1sq = m2 - tangent * tangent
    if q1sq > 0.0:
        q1 = math.sqrt(q1sq)
        q1c = complex(q1, 0.0)
    else:
        q1 = math.nan
        q1c = complex(0.0, math.sqrt(-q1sq))
    h1, h2 = incoming(q1c, m2, no2, q, gi, cyi, wi, extraordinary)
    cyc = complex(ay, 0.0)
    top_o, top_e, det = solve_two(q1c, m2, no2, qoc, goc, cyc, qec, gec, cyc, wec, h1, h2)
    ao, ae = top_o / det, top_e / det
    ro = 0.0
    re = 0.0
    if extraordinary:
        u2e = ay * ay * (qe * qe + tangent * tangent) + abs2(gec)
        re = abs2(ae) * abs(root_e * ratio * u2e / flux_in)
        ey_in, hy_in = -no2 * cyi, -no2 * gi
    else:
        u2o = ay * ay * (qo * qo + tangent * tangent) + abs2(goc)
        ro = abs2(ao) * abs(qo * u2o / flux_in)
        ey_in, hy_in = gi, -no2 * cyi
    if q1sq <= 0.0:
        return ro, re, 0.0, 0.0, qo, qe, q1
    ey = ey_in + ao * goc - ae * no2 * cyc
    hy = hy_in - ao * no2 * cyc - ae * no2 * gec
    return ro, re, q1 * abs2(ey) / flux_in, q1 * abs2(hy) / (m2 * flux_in), qo, qe, q1


@device
def outside_event(
    dx, dy, dz, nx, ny, nz, cx, cy, cz, px, py, pz, no2, ne2, m2
):  # fmt: skip
    """A wave outside (index m, unit direction d, d.N < 0) meets a facet of the crystal.

    Returns (R_ss, R_sp, R_ps, R_pp, T_so, T_se, T_po, T_pe, q_o, q_e, C): the fractions of
    an s and of a p wave's energy (first letter) in the reflected s, p and the transmitted
    o, e waves, the normal components of the transmitted wave vectors (negative: the
    energy goes against N), and <o e*> of the transmitted pair, summed over s and p. The
    indices of the crystal must exceed m.
    """
    m = math.sqrt(m2)
    qi, tangent, xx, xy, xz, yx, yy, yz = tangent_frame(m * dx, m * dy, m * dz, nx, ny, nz)
    ax, ay, an = in_frame(cx, cy, cz, xx, xy, xz, yx, yy, yz, nx, ny, nz)
    diff = ne2 - no2
    rise = diff / ne2
    a = no2 + diff * an * an
    b = diff * an * ax * tangent
    q1 = -qi
    qo = -math.sqrt(no2 - tangent * tangent)
    cyo = ay
    cye = ay
    go, u2o = mode_pair(qo, tangent, ax, an, ay)
    qe, root_e, step = other_e(qo, u2o, a, b, diff, -1.0)
    ge = go + step * ax
    u2e = cye * cye * (qe * qe + tangent * tangent) + ge * ge
    we = rise * u2e * ax
    if u2o < AXIS_SIN2 * no2:
        qx, qy, qn = in_frame(px, py, pz, xx, xy, xz, yx, yy, yz, nx, ny, nz)
        cyo, go, u2o = axis_pair(qo, tangent, qx, qy, qn)
        cye, ge, u2e = axis_pair(qe, tangent, qx, qy, qn)
        we = 0.0
    flux_o = abs(qo * u2o)
    flux_e = abs(root_e * no2 / ne2 * u2e)
    so, se, det = solve_two(q1, m2, no2, qo, go, cyo, qe, ge, cye, we, 2.0 * q1, 0.0)
    po, pe, det = solve_two(q1, m2, no2, qo, go, cyo, qe, ge, cye, we, 0.0, -2.0 * q1)
    so, se, po, pe = so / det, se / det, po / det, pe / det
    s_to_s = so * go - se * no2 * cye - 1.0
    s_to_p = -no2 * (so * cyo + se * ge)
    p_to_s = po * go - pe * no2 * cye
    p_to_p = -no2 * (po * cyo + pe * ge) - 1.0
    return (
        s_to_s * s_to_s,
        s_to_p * s_to_p / m2,
        p_to_s * p_to_s * m2,
        p_to_p * p_to_p,
        so * so * flux_o / q1,
        se * se * flux_e / q1,
        po * po * flux_o * m2 / q1,
        pe * pe * flux_e * m2 / q1,
        qo,
        qe,
        (so * se + po * pe * m2) * math.sqrt(flux_o * flux_e) / q1,
    )


@device
def ray_of_mode(kx, ky, kz, extraordinary, cx, cy, cz, no, ne):
    """Unit direction of energy: along K for o, along eK = no^2 K + D (K.c) c for e (walk-off)."""
    per_no = 1.0 / no
    if not extraordinary:
        return kx * per_no, ky * per_no, kz * per_no
    # divided by no^2, which does not change the direction
    along = (ne * ne * per_no * per_no - 1.0) * (kx * cx + ky * cy + kz * cz)
    sx = kx + along * cx
    sy = ky + along * cy
    sz = kz + along * cz
    scale = 1.0 / math.sqrt(sx * sx + sy * sy + sz * sz)
    return sx * scale, sy * scale, sz * scale


@device
def absorption_share(extraordinary, along_axis, no, ne):
    """How much of alpha_o and of alpha_e a ray sees per unit length: (A, B), alpha = A alpha_o + B alpha_e.

    *along_axis* is the cosine between the ray (not the wave normal) and c. First order in the
    absorption: alpha = k0 E*.e''E / |Re(E x H*)| (Born & Wolf, ch. 15.6, for weak absorption),
    which gives A = no cos^2 / n_r, B = ne sin^2 / n_r with n_r^2 = no^2 cos^2 + ne^2 sin^2.
    """
    if not extraordinary:
        return 1.0, 0.0
    cos2 = along_axis * along_axis
    sin2 = 1.0 - cos2
    per_ray_index = 1.0 / math.sqrt(no * no * cos2 + ne * ne * sin2)
    return no * cos2 * per_ray_index, ne * sin2 * per_ray_index
