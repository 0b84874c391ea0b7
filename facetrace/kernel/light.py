"""What a ray that has left the stone sees: sky, ground and the viewer's head.

A light is five numbers: radiance (a + b mu) above the horizon and c below it,
mu being the cosine to the zenith, then the cosines at the inner and outer edge of
the viewer's head around the line of sight, dark inside.
"""

from facetrace.kernel.compiling import device

LIGHT_CONSTANT, LIGHT_SLOPE, LIGHT_BELOW, LIGHT_HEAD_INNER, LIGHT_HEAD_OUTER = range(5)


@device
def seen_radiance(light, mu_zenith, mu_sight):
    """Radiance from a direction with the given cosines to the zenith and to the line of sight."""
    if mu_zenith > 0.0:
        value = light[LIGHT_CONSTANT] + light[LIGHT_SLOPE] * mu_zenith
    else:
        value = light[LIGHT_BELOW]
    inner = light[LIGHT_HEAD_INNER]
    outer = light[LIGHT_HEAD_OUTER]
    if mu_sight <= outer:
        return value
    if mu_sight >= inner:
        return 0.0
    t = (inner - mu_sight) / (inner - outer)
    return value * t * t * (3.0 - 2.0 * t)
