"""What a ray that has left the stone sees: sky, lamps, ground and the viewer's head.

A light is five numbers: radiance (a + b mu) above the horizon and c below it,
mu being the cosine to the zenith, then the cosines at the inner and outer edge of
the viewer's head around the line of sight, dark inside. Five more follow for each lamp, a disc
far away above the horizon: its direction in the stone's frame, the cosine of its angular radius,
and its radiance, which takes the place of the sky's.
"""

from facetrace.kernel.compiling import device

LIGHT_CONSTANT, LIGHT_SLOPE, LIGHT_BELOW, LIGHT_HEAD_INNER, LIGHT_HEAD_OUTER = range(5)
# where the lamps begin, and what each has after its direction
LIGHT_LAMPS = 5
LAMP_COSINE, LAMP_RADIANCE = 3, 4
LAMP_ROW = 5


@device
def seen_radiance(light, mu_zenith, mu_sight, dx, dy, dz):
    """Radiance from direction d, which has these cosines to the zenith and to the line of sight."""
    if mu_zenith > 0.0:
        value = light[LIGHT_CONSTANT] + light[LIGHT_SLOPE] * mu_zenith
        for k in range(LIGHT_LAMPS, light.shape[0], LAMP_ROW):
            if dx * light[k] + dy * light[k + 1] + dz * light[k + 2] >= light[k + LAMP_COSINE]:
                value = light[k + LAMP_RADIANCE]
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
