"""A ground facet: light walks over its microscopic facets until it leaves for good.

The surface is a height field of polished microfacets with Smith's statistics and the slopes of
Trowbridge & Reitz, J. Opt. Soc. Am. 65, 531 (1975): density of normals
alpha^2 / (pi (cos^2 (alpha^2 - 1) + 1)^2), alpha its roughness. Light is followed from microfacet to
microfacet as E. Heitz, J. Hanika, E. d'Eon & C. Dachsbacher, "Multiple-scattering microfacet
BSDFs with the Smith model", ACM Trans. Graph. 35(4), 58 (2016) describe, so that nothing is lost
between facets; each meeting is the full event of the crystal. Visible normals are drawn by the
projection of the stretched hemisphere (E. Heitz, J. Comput. Graph. Tech. 7(4), 1 (2018)).

Local frame: z points into the medium that the light is in, side * N with side +1 in air, -1 in
the crystal; crossing the surface turns z and heights over. Of a height only its rank counts:
level, the share of the surface that lies below it.
"""

import math

import numpy as np

from facetrace.kernel.compiling import device
from facetrace.kernel.sampling import hashed
from facetrace.kernel.uniaxial import inside_event, outside_event, ray_of_mode
from facetrace.kernel.vectors import across

# random numbers of a walk: far from those of roulette and of later bounces
_GROUND_DRAW = np.uint64(1 << 40)
_BOUNCE_STEP = np.uint64(1 << 16)
# meetings in one walk; a chance below 1e-12 to need more
MOST_MEETINGS = 200


@device
def next_level(level, z, alpha, u):
    """Level of the next meeting on the way with slope cosine *z*, more than 1 if there is none.

    Smith's masking: the chance to rise from a level to the open unhindered is level^Lambda, with
    Lambda = (sqrt(z^2 + alpha^2 (1 - z^2)) - z) / (2 z).
    """
    root = math.sqrt(z * z + alpha * alpha * max(1.0 - z * z, 0.0))
    if z > 0.0:
        if root - z <= 1.0e-12 * z:
            return 2.0
        return level * math.exp(min(-2.0 * z / (root - z) * math.log(1.0 - u), 50.0))
    return level * math.exp(-2.0 * z / (root - z) * math.log(1.0 - u))


@device
def visible_normal(vx, vy, vz, alpha, u1, u2):
    """Normal of a microfacet that is seen from direction v, above or below the horizon; v.m > 0."""
    sx, sy, sz = alpha * vx, alpha * vy, vz
    scale = 1.0 / math.sqrt(sx * sx + sy * sy + sz * sz)
    sx, sy, sz = sx * scale, sy * scale, sz * scale
    across2 = sx * sx + sy * sy
    if across2 > 1.0e-24:
        across = math.sqrt(across2)
        ax, ay = -sy / across, sx / across
        bx, by, bz = -sz * sx / across, -sz * sy / across, across
    else:
        ax, ay = 1.0, 0.0
        bx, by, bz = 0.0, 1.0, 0.0
    r = math.sqrt(u1)
    p = r * math.cos(2.0 * math.pi * u2)
    q = r * math.sin(2.0 * math.pi * u2)
    half = 0.5 * (1.0 + sz)
    q = (1.0 - half) * math.sqrt(max(1.0 - p * p, 0.0)) + half * q
    w = math.sqrt(max(1.0 - p * p - q * q, 0.0))
    mx = alpha * (p * ax + q * bx + w * sx)
    my = alpha * (p * ay + q * by + w * sy)
    mz = max(q * bz + w * sz, 1.0e-12)
    scale = 1.0 / math.sqrt(mx * mx + my * my + mz * mz)
    return mx * scale, my * scale, mz * scale


@device
def facet_frame(nx, ny, nz):
    """Two unit vectors at right angles to N and to each other."""
    ax, ay, az = across(nx, ny, nz)
    scale = 1.0 / math.sqrt(ax * ax + ay * ay + az * az)
    ax, ay, az = ax * scale, ay * scale, az * scale
    return ax, ay, az, ny * az - nz * ay, nz * ax - nx * az, nx * ay - ny * ax


@device
def walk(
    kx, ky, kz, side, mode, nx, ny, nz, alpha, cx, cy, cz, px, py, pz, no, ne,
    key, ray, bounce,
):  # fmt: skip
    """Light meets a ground facet: (K, ray direction, side, mode, meetings) of what leaves it.

    Parameters: wave vector K (in air the direction), side +1 in air or -1 in the crystal, mode 1 for
    an e wave inside, the facet's outward normal N and roughness alpha, c, p, indices. Side 0:
    lost after MOST_MEETINGS.
    """
    ax, ay, az, bx, by, bz = facet_frame(nx, ny, nz)
    no2, ne2 = no * no, ne * ne
    sx, sy, sz = kx, ky, kz
    if side < 0:
        sx, sy, sz = ray_of_mode(kx, ky, kz, mode, cx, cy, cz, no, ne)
    level = 1.0
    draw = _GROUND_DRAW + _BOUNCE_STEP * np.uint64(bounce)
    for meeting in range(MOST_MEETINGS):
        wx = sx * ax + sy * ay + sz * az
        wy = sx * bx + sy * by + sz * bz
        wz = side * (sx * nx + sy * ny + sz * nz)
        first = draw + np.uint64(4 * meeting)
        level = next_level(level, wz, alpha, hashed(key, ray, first))
        if level >= 1.0 and wz > 0.0:
            return kx, ky, kz, sx, sy, sz, side, mode, meeting
        mx, my, mz = visible_normal(
            -wx, -wy, -wz, alpha,
            hashed(key, ray, first + np.uint64(1)), hashed(key, ray, first + np.uint64(2)),
        )  # fmt: skip
        # normal of the microfacet, out of the crystal
        fx = side * (mx * ax + my * bx) + mz * nx
        fy = side * (mx * ay + my * by) + mz * ny
        fz = side * (mx * az + my * bz) + mz * nz
        u = hashed(key, ray, first + np.uint64(3))
        along = kx * fx + ky * fy + kz * fz
        if side > 0:
            r1, r2, r3, r4, so, se, po, pe, qo, qe, _ = outside_event(
                kx, ky, kz, fx, fy, fz, cx, cy, cz, px, py, pz, no2, ne2, 1.0
            )
            stay = 0.5 * (r1 + r2 + r3 + r4)
            ordinary = 0.5 * (so + po)
            total = stay + ordinary + 0.5 * (se + pe)
            q = -along
        else:
            ro, re, ts, tp, qo, qe, q = inside_event(
                kx, ky, kz, mode, fx, fy, fz, cx, cy, cz, px, py, pz, no2, ne2, 1.0
            )
            stay = ts + tp
            ordinary = ro
            total = stay + ro + re
        # stay: the light is in air afterwards; else in the crystal
        u *= total
        if u < stay:
            level = level if side > 0 else 1.0 - level
            side = 1
        else:
            level = level if side < 0 else 1.0 - level
            side = -1
            mode = 0 if u < stay + ordinary else 1
            q = qe if mode else qo
        kx, ky, kz = kx + (q - along) * fx, ky + (q - along) * fy, kz + (q - along) * fz
        if side > 0:
            scale = 1.0 / math.sqrt(kx * kx + ky * ky + kz * kz)
            kx, ky, kz = kx * scale, ky * scale, kz * scale
            sx, sy, sz = kx, ky, kz
        else:
            sx, sy, sz = ray_of_mode(kx, ky, kz, mode, cx, cy, cz, no, ne)
    return kx, ky, kz, sx, sy, sz, 0, mode, MOST_MEETINGS
