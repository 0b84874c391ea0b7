"""What paths add up to: the columns of a row of sums, and how an event is added to it."""

from facetrace.kernel.compiling import device
from facetrace.kernel.light import seen_radiance
from facetrace.kernel.scene import EYE, ZENITH

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


@device
def radiance_along(scene, dx, dy, dz):
    """Radiance of what light sees that leaves the stone along d."""
    eye_frame = scene.eye_frame
    return seen_radiance(
        scene.light,
        dx * eye_frame[ZENITH] + dy * eye_frame[ZENITH + 1] + dz * eye_frame[ZENITH + 2],
        dx * eye_frame[EYE] + dy * eye_frame[EYE + 1] + dz * eye_frame[EYE + 2],
        dx, dy, dz,
    )  # fmt: skip


@device
def score_surface(sums, scene, wavelength, amount, dx, dy, dz):
    """Light mirrored by the outer surface towards the eye."""
    value = amount * radiance_along(scene, dx, dy, dz)
    sums[SUM_SURFACE] += wavelength.y * amount
    sums[GLARE_X] += wavelength.x * value
    sums[GLARE_Y] += wavelength.y * value
    sums[GLARE_Z] += wavelength.z * value


@device
def score_escape(sums, scene, wavelength, amount, dx, dy, dz):
    """Light that reaches the eye from direction d (the path leaves the stone along d)."""
    seen = radiance_along(scene, dx, dy, dz)
    if dz <= 0.0:
        sums[SUM_WINDOW] += wavelength.y * amount
    else:
        sums[SUM_LIT] += wavelength.y * amount * seen
        sums[SUM_EXTINCTION] += wavelength.y * amount * (1.0 - seen)
    sums[SEEN_X] += wavelength.x * amount * seen
    sums[SEEN_Y] += wavelength.y * amount * seen
    sums[SEEN_Z] += wavelength.z * amount * seen


@device
def score_air(sums, scene, wavelength, within, amount, dx, dy, dz):
    """Light that leaves for good along d; *within*: it has been inside the stone."""
    if within:
        score_escape(sums, scene, wavelength, amount, dx, dy, dz)
    else:
        score_surface(sums, scene, wavelength, amount, dx, dy, dz)
