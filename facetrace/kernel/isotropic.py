"""Light at one facet of an isotropic stone, with its polarisation.

Both polarisations of an isotropic medium stay in phase, so here they may not be
added as intensities between facets: the 2x2 Jones matrix from the two
polarisations at the eye to the two of the present segment is carried along.

Basis of a segment with direction d at a facet with normal N: s = (N x d)/|N x d|,
p = d x s. After the reflection d' = d - 2 (d.N) N, p' = d' x s. Fresnel's
amplitudes for E along s and for H along s (Born & Wolf, ch. 1.5):

    r_s = (n q - q1) / (n q + q1),   r_p = (m^2 n q - n^2 q1) / (m^2 n q + n^2 q1)

with n q = N.K inside and q1 outside; under total reflection q1 = i|q1|.
"""

import math

from facetrace.kernel.compiling import device


@device
def fresnel_power(q, tangent2, n2, m2):
    """(R_s, R_p, q1): reflected fractions from the side with index n; q1 NaN under total reflection."""
    q1sq = m2 - tangent2
    if q1sq <= 0.0:
        return 1.0, 1.0, math.nan
    q1 = math.sqrt(q1sq)
    rs = (q - q1) / (q + q1)
    rp = (m2 * q - n2 * q1) / (m2 * q + n2 * q1)
    return rs * rs, rp * rp, q1


@device
def reflect_amplitudes(q, tangent2, n2, m2):
    """(r_s, r_p, q1) as complex amplitudes; q1 NaN under total reflection."""
    q1sq = m2 - tangent2
    if q1sq <= 0.0:
        q1 = complex(0.0, math.sqrt(-q1sq))
        return (q - q1) / (q + q1), (m2 * q - n2 * q1) / (m2 * q + n2 * q1), math.nan
    r1 = math.sqrt(q1sq)
    return (
        complex((q - r1) / (q + r1), 0.0),
        complex((m2 * q - n2 * r1) / (m2 * q + n2 * r1), 0.0),
        r1,
    )


@device
def in_turned_basis(a_re, a_im, b_re, b_im, cosine, sine):
    """Components (a, b) of one field along a basis turned by the given angle."""
    return (
        cosine * a_re + sine * b_re,
        cosine * a_im + sine * b_im,
        cosine * b_re - sine * a_re,
        cosine * b_im - sine * a_im,
    )
