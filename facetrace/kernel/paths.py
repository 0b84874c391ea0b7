"""What every path of light does, backwards from the eye.

By reciprocity the radiance that the eye receives along a path is the radiance of
what the reversed path meets, times the product of the energy fractions at its
facets; both ends are in air, so no squared index appears. At each facet all that
is transmitted is scored, and one reflected mode is followed with a chance in
proportion to its energy; the path's weight keeps the sum of all outcomes at 1.

Of light in air that meets the other lobe of a stone (``facets``) nothing is scored, all
of it goes on, or none, by its energy. Between the lobes it counts as unpolarised.
"""

import numpy as np

from facetrace.kernel.compiling import device
from facetrace.kernel.events import ENDS, LEAVES, MODE_AIR, SPARED, note
from facetrace.kernel.facets import met_facet
from facetrace.kernel.sampling import DIM_BOUNCE, DIMENSIONS, hashed, net_point
from facetrace.kernel.scene import ROWS, blend
from facetrace.kernel.tally import SUM_ROULETTE, score_escape
from facetrace.kernel.zones import BODY_ZONE, chord_in

# Russian roulette: below the scene's floor a path goes on with a chance in proportion to
# its weight; paths that many bounces old go on with a chance of 1/2.
ROULETTE_BOUNCES = 400
_ROULETTE_DRAW = np.uint64(1 << 20)
# a weight that rounding put below the floor is no event
_ROUNDING = 1.0e-9

# between two lobes light is mirrored so many times at most
MOST_CROSSINGS = 64
# random numbers for choices in air, far from those of ground facets
AIR_DRAW = np.uint64(1 << 50)
AIR_MIRROR = np.uint64(1 << 51)
AIR_LEAVE = np.uint64(1 << 52)


@device
def ray_number(set_number, index):
    """One number for a ray, for hashed random numbers."""
    return (np.uint64(set_number) << np.uint64(36)) ^ np.uint64(index)


@device
def path_number(draws, bounce):
    """Uniform number for the choice at a bounce: a dimension of the net, then the hash."""
    dimension = DIM_BOUNCE + bounce
    if dimension < DIMENSIONS:
        return net_point(draws.tables, draws.key, draws.set_number, dimension, draws.point)
    return hashed(draws.key, draws.ray, np.uint64(bounce))


@device
def roulette_weight(weight, floor, bounce, draws):
    """Weight with which a path goes on, 0 to end it; its expectation is *weight*."""
    chance = 1.0
    if weight < floor:
        chance = max(weight / floor, 1.0e-6)
    if bounce > ROULETTE_BOUNCES:
        chance *= 0.5
    if chance >= 1.0:
        return weight
    if hashed(draws.key, draws.ray, _ROULETTE_DRAW + np.uint64(bounce)) < chance:
        return weight / chance
    return 0.0


@device
def roulette(
    weight, floor, bounce, draws, wavelength, facet, px, py, pz, mode, kx, ky, kz, sums, log
):
    """``roulette_weight`` of a path at p, scored."""
    left = roulette_weight(weight, floor, bounce, draws)
    sums[SUM_ROULETTE] += wavelength.y * (weight - left)
    if log is not None:
        if left <= 0.0:
            note(log, ENDS, facet, px, py, pz, mode, kx, ky, kz, weight)
        elif left > weight + _ROUNDING * weight:
            note(log, SPARED, facet, px, py, pz, mode, kx, ky, kz, left)
    return left


@device
def depths(scene, wavelength, px, py, pz, sx, sy, sz, t):
    """Optical depths (o, e) of the way of length t from p along s, zones included."""
    depth_o, depth_e = t * wavelength.alpha_o, t * wavelength.alpha_e
    bodies, spectrum = scene.bodies, scene.spectrum
    for b in range(bodies.shape[0]):
        chord = chord_in(bodies, scene.body_planes, b, px, py, pz, sx, sy, sz, t)
        if chord > 0.0:
            row = ROWS + 2 * int(bodies[b, BODY_ZONE])
            depth_o += chord * blend(spectrum, row, wavelength.node, wavelength.part)
            depth_e += chord * blend(spectrum, row + 1, wavelength.node, wavelength.part)
    return depth_o, depth_e


@device
def leave(
    scene, wavelength, draws, facet, px, py, pz, dx, dy, dz, gone, inside, weight, bounce, sums, log
):  # fmt: skip
    """A share *gone* of a path leaves along d, *inside* stays: (facet, distance, weight that goes on).

    Facet -1: what left is scored, and the rest goes on inside. With a facet all goes on in air
    to there; -2: all goes on inside, as light in air would have met the other lobe.
    """
    other, t = met_facet(scene.planes, scene.finish, scene.split, facet, px, py, pz, dx, dy, dz)
    if other < 0:
        score_escape(sums, scene, wavelength, weight * gone, dx, dy, dz)
        note(log, LEAVES, facet, px, py, pz, MODE_AIR, dx, dy, dz, weight * gone)
        return -1, 0.0, weight * inside
    total = gone + inside
    if hashed(draws.key, draws.ray, AIR_LEAVE + np.uint64(bounce)) * total >= gone:
        other = -2
    return other, t, weight * total
