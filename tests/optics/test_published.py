"""Published studies of the round brilliant in diamond: orderings, not numbers.

    1998   Hemphill, Reinitz, Johnson & Shigley, Gems & Gemology 34(3), 158: weighted light return
    2001   Reinitz, Johnson, Hemphill et al., Gems & Gemology 37(3): fire under a spot light
    2007   Sasian, Quick, Sheffield, Caudill & Yantzer, Opt. Eng. 46(9), 093604: the ridge

The papers were not at hand. Each check says where its claim comes from: [read] in a trade summary
or an abstract, [memory], or [common practice, no source]. No published value of the weighted light
return is known to us, so none is compared.

Reference stone [memory]: crown 34, pavilion 40.5, table 56 %, star 50 %, lower girdle 75 %, girdle
3 %, 64 girdle facets; no culet here. One line, 589.3 nm; the 1998 study took several [memory].

Weighted light return. Let a white dome of radiance 1 light the stone and weigh each ray that
leaves by cos^2 of its angle to the vertical [memory]. What leaves into the solid angle dw around
e is dw times the integral of the radiance over the silhouette S(e), so by reciprocity

    WLR = integral over upper e of  cos^2(e) S(e) light_return(e) dw  /  (pi x girdle area)

where light_return (facetrace.trace.faceup) leaves out what the surface mirrors, as the study
does [read]. The weight belongs to energy, not to radiance: the silhouette brings one more cosine.
``test_reciprocity`` takes the other way round, forward from the dome, with another tracer.

Errors. Directions are a randomly shifted lattice, its density as cos^3. Eight shifts, the same
for every stone, each with its own seeds: a difference between stones is a mean of eight paired
differences, and its error holds directions and rays alike. SIGMAS of these errors are passed by
chance in 1 of 1,000 cases (Student's t, 7 degrees of freedom, one side; 1 of 500 for two sides).
"""

import itertools
import math
from functools import lru_cache

import numpy as np
import pytest
from scipy.stats import qmc, t

from facetrace.design.model import Design
from facetrace.kernel.tally import SUMS
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.trace.faceup import face_up, trace_face_up
from facetrace.trace.run import SETS, Sums, trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

pytestmark = pytest.mark.slow

LINE_NM = 589.3
RADIUS = 5.0
GIRDLE_AREA = math.pi * RADIUS**2
SHIFTS = 8
SIGMAS = t.isf(1e-3, SHIFTS - 1)
# roulette's floor, which saves 2,048 rays of pilot run for each direction's 2,048
FLOOR = 0.02
# side of the square from which the forward tracer's rays start, mm
SQUARE = 2.4 * RADIUS
WEDGE = math.pi / 8
GOLDEN = (math.sqrt(5) - 1) / 2
TOLKOWSKY = (34.5, 40.75, 53.0)  # M. Tolkowsky, "Diamond Design", 1919 [read]


@lru_cache(maxsize=1024)
def brilliant(crown=34.0, pavilion=40.5, table=56.0, *, star=50.0, lower=75.0, girdle=3.0):
    """The round brilliant of those angles [deg] and percentages, 10 mm wide."""
    return build_solid(Design.model_validate({
        "name": "round brilliant", "gear": 192, "material": "diamond",
        "outline": {"shape": "round", "length_mm": 2 * RADIUS, "width_mm": 2 * RADIUS},
        "girdle": {"thickness_mm": girdle / 100 * 2 * RADIUS, "facets": 64},
        "crown": {
            "style": "brilliant", "angle": crown, "table_percent": table, "star_percent": star,
        },
        "pavilion": {"style": "brilliant", "angle": pavilion, "lower_girdle_percent": lower},
    }))  # fmt: skip


@lru_cache
def lit(light="hemisphere", head=0.0, wavelength_nm=LINE_NM, polarised=True):
    """Diamond and light, read once: (medium, light)."""
    medium = medium_of(
        find_material("diamond"), observer(), wavelength_nm=wavelength_nm, polarised=polarised
    )
    return medium, find_light(light, head)


def scene(solid, view=None, **how):
    medium, light = lit(**how)
    return scene_of(solid, medium, (0.0, 0.0), light, view or View())


def area_of(polygon):
    x, y = polygon.T
    return 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def lattice(count, power, shift):
    """(cosine, azimuth) of *count* directions in a 16th of the dome, density as cosine^power in solid angle."""
    k = np.arange(count)
    cosine = ((k + shift[0]) / count) ** (1 / (power + 1))
    return np.column_stack([cosine, WEDGE * ((k * GOLDEN + shift[1]) % 1)])


def shifts():
    return np.random.default_rng(1998).random((SHIFTS, 2))


def one_return(solid, directions, seed, **how):
    """Weighted light return from one set of directions."""
    total = 0.0
    for k, (cosine, azimuth) in enumerate(directions):
        view = View(eye_tilt=math.degrees(math.acos(cosine)), eye_azimuth=math.degrees(azimuth))
        seen = scene(solid, view, **how)
        nothing = Sums(np.zeros((SETS, SUMS)), 0, seed + k, FLOOR)
        sums = trace_sums(seen, 16, seed + k, first=nothing)
        light_return = face_up(sums, seen).measures["light_return"].value
        total += light_return * area_of(seen.outline) / cosine
    # the mean of x / cosine^3 over that density stands for 4 times the integral of x d(cosine)
    return 2 * total / (4 * len(directions) * GIRDLE_AREA)


def scan(crown, pavilion, table=56.0, count=24):
    """One estimate for maps and scans, always the same directions and seeds.

    A difference between two stones has a standard error of about 0.003 with 8 directions (from
    the paired ones), 0.002 with 12, 0.001 with 24: scans find the place, paired tests decide.
    """
    return one_return(brilliant(crown, pavilion, table), lattice(count, 3, (0.5, 0.5)), 1)


def weighted_return(*stone, **how):
    """Weighted light return of ``brilliant(*stone)`` for each of the shifts (8,)."""
    solid = brilliant(*stone)
    return np.array([
        one_return(solid, lattice(8, 3, shift), 1000 * k, **how) for k, shift in enumerate(shifts())
    ])  # fmt: skip


returned = lru_cache(maxsize=64)(weighted_return)


def margin(first, second):
    """Mean of paired differences, and how many of its errors it is."""
    apart = np.asarray(first) - np.asarray(second)
    error = apart.std(ddof=1) / math.sqrt(len(apart))
    return apart.mean(), apart.mean() / error


def assert_more(first, second):
    difference, errors = margin(first, second)
    assert errors > SIGMAS, (difference, errors)


# ---- a forward tracer: rays of a spot light, every wavelength along the same facets --------------


def fresnel(cos_in, cos_out, n_in, n_out):
    """Reflected share of unpolarised light (Born & Wolf, "Principles of Optics", 1.5.2)."""
    s = (n_in * cos_in - n_out * cos_out) / (n_in * cos_in + n_out * cos_out)
    p = (n_out * cos_in - n_in * cos_out) / (n_out * cos_in + n_in * cos_out)
    return 0.5 * (s**2 + p**2)


def enter(solid, light, points, index):
    """Rays along *light* (n, 3), spread by *points* (n, 2) over squares of 1.2 diameters across it:
    places of those that hit (m, 3), their directions inside for each index (m, k, 3), their energy
    after the first index's loss (m,), and which they are (n,) bool."""
    x = np.cross(light, [0.0, 1.0, 0.0])
    x /= np.linalg.norm(x, axis=1)[:, None]
    across = (points - 0.5) * SQUARE
    place = across[:, :1] * x + across[:, 1:] * np.cross(light, x) - 20 * RADIUS * light
    slope = light @ solid.normals.T
    room = solid.offsets - place @ solid.normals.T
    distance = np.where(slope < 0, room / np.where(slope < 0, slope, 1), -np.inf)
    first = distance.argmax(axis=1)
    place = place + distance.max(axis=1)[:, None] * light
    hit = (place @ solid.normals.T <= solid.offsets + 1e-9).all(axis=1)
    place, normal, light = place[hit], solid.normals[first[hit]], light[hit]
    cosine = -np.sum(normal * light, axis=1)
    inside = [np.sqrt(1 - (1 - cosine**2) / n**2) for n in index]
    direction = [
        light / n + (cosine / n - q)[:, None] * normal for n, q in zip(index, inside, strict=True)
    ]
    energy = (1 - fresnel(cosine, inside[0], 1.0, index[0])) * SQUARE**2 / len(points)
    return place, np.stack(direction, axis=1), energy, hit


def spot(solid, light, points, index, weight=1.0):
    """What leaves upwards of a parallel beam, in mm^2 of the beam: (plain, weighted, fire).

    light: (n, 3), or (3,) for all; points: (n, 2) in the unit square; weight: (n,) of the sums.

    The first of the indices leads; the last two, where given, bound the spectrum. Every ray is
    followed along its reflections and leaves a part at each facet; below 1e-4 it is dropped.
    weighted: by cos^2 of the exit angle; fire: weighted once more by the angle [rad] between the
    two ends of the spectrum that take the same facets, none where one end stays inside.
    """
    light = np.broadcast_to(light, (len(points), 3))
    place, direction, energy, hit = enter(solid, light, points, index)
    weight = np.broadcast_to(weight, len(points))[hit]
    least = 1e-4 * SQUARE**2 / len(points)
    sums = np.zeros(3)
    while len(energy):
        slope = direction[:, 0] @ solid.normals.T
        room = np.maximum(solid.offsets - place @ solid.normals.T, 0)
        distance = np.where(slope > 1e-12, room / np.where(slope > 1e-12, slope, 1), np.inf)
        hit = distance.argmin(axis=1)
        place = place + distance.min(axis=1)[:, None] * direction[:, 0]
        normal = solid.normals[hit][:, None]
        cosine = np.sum(direction * normal, axis=2)
        sine2 = (1 - cosine**2) * index**2
        beyond = np.sqrt(np.maximum(1 - sine2, 0))
        kept = fresnel(cosine[:, 0], beyond[:, 0], index[0], 1.0)
        kept = np.where(sine2[:, 0] < 1, kept, 1.0)
        out = index[:, None] * (direction - cosine[..., None] * normal) + beyond[..., None] * normal
        chord = np.linalg.norm(out[:, -1] - out[:, -2], axis=1) if len(index) > 1 else 0.0
        fan = 2 * np.arcsin(np.minimum(chord / 2, 1)) * (sine2 < 1).all(axis=1)
        up = np.maximum(out[:, 0, 2], 0)
        left = weight * energy * (1 - kept)
        sums += [np.sum(left * (up > 0)), np.sum(left * up**2), np.sum(left * up**2 * fan)]
        energy = energy * kept
        direction = direction - 2 * cosine[..., None] * normal
        on = energy > least
        place, direction, energy, weight = place[on], direction[on], energy[on], weight[on]
    return sums


@lru_cache
def index_of(*wavelengths):
    return find_material("diamond").indices(np.array(wavelengths))[0]


def nets(power, axes=2):
    """Eight independent scrambled nets (Owen) of 2^power points (n, axes)."""
    return [
        qmc.Sobol(axes, rng=np.random.default_rng([2001, k])).random_base2(power)
        for k in range(SHIFTS)
    ]


DOWN = np.array([0.0, 0.0, -1.0])


def fire(*args, power=9, **kwargs):
    """Fire under a spot light at the zenith for each of eight nets (8,), in mrad of the girdle's light.

    Energy that leaves upwards, times the angle between 420 and 680 nm, times cos^2. The study's
    own formula was not at hand (it knew a threshold, the size of the lamp and of the observer's
    sphere [memory]), so only orderings are claimed.
    """
    solid, index = brilliant(*args, **kwargs), index_of(550.0, 420.0, 680.0)
    return np.array([1000 * spot(solid, DOWN, p, index)[2] / GIRDLE_AREA for p in nets(power)])


def test_forward_tracer_agrees_face_up():
    """Spot light from the zenith, all that leaves upwards = light return of a dome seen from the
    zenith (reciprocity). Both unpolarised; numpy here, the kernel there. 1 of 500 by chance."""
    solid = brilliant()
    seen = scene(solid, wavelength_nm=550.0, polarised=False)
    back = trace_face_up(seen, 1, rays=1 << 15).measures["light_return"]
    there = [spot(solid, DOWN, p, index_of(550.0))[0] / area_of(seen.outline) for p in nets(10)]
    error = math.hypot(np.std(there, ddof=1) / math.sqrt(SHIFTS), back.stderr)
    assert abs(np.mean(there) - back.value) < SIGMAS * error + 1e-4
    assert error < 0.003


def test_reciprocity():
    """Weighted light return of the reference stone, backwards from the eyes and forwards from the
    dome with the weight at the exit: the definition above is the study's. 1 of 500 by chance."""
    solid, index = brilliant(), index_of(LINE_NM)
    forward = []
    for points in nets(13, 4):
        # density cos^(1/2) in solid angle
        cosine, azimuth = points[:, 2] ** (2 / 3), WEDGE * points[:, 3]
        sine = np.sqrt(1 - cosine**2)
        light = -np.column_stack([sine * np.cos(azimuth), sine * np.sin(azimuth), cosine])
        weighted = spot(solid, light, points[:, :2], index, cosine**-0.5)[1]
        forward.append(2 * weighted / 1.5 / GIRDLE_AREA)
    back = weighted_return(polarised=False)
    error = math.hypot(np.std(forward, ddof=1), np.std(back, ddof=1)) / math.sqrt(SHIFTS)
    assert abs(np.mean(forward) - np.mean(back)) < SIGMAS * error, (forward, back)
    assert error < 0.002


# ---- 1998: weighted light return -----------------------------------------------------------------


def best_of(crown, pavilions, tables=(56.0,), count=12):
    """(value, pavilion, table) of the best stone of that crown on a small grid."""
    return max((scan(crown, p, x, count), p, x) for p in pavilions for x in tables)


def test_crown_23_beats_34_each_at_its_best_pavilion():
    """Crown 23 beats 34, and is the maximum among crowns from 10 up [read].

    Reproduced where the pavilion is the best between 38 and 42, the study's own good range: 23
    leads 10, 17, 28 and 34. With wider limits a crown of 10 and a pavilion beyond 43 do better
    (0.352 against 0.347). See also the next test.
    """
    crowns = (10.0, 17.0, 23.0, 28.0, 34.0)
    best = {c: best_of(c, (39.0, 40.5, 41.25, 42.0)) for c in crowns}
    assert max(best, key=best.get) == 23.0, best
    for crown, (_, pavilion, _) in best.items():
        if crown != 23.0:
            assert_more(returned(23.0, best[23.0][1]), returned(crown, pavilion))


def test_crown_23_in_daylight():
    """The same for the whole spectrum (D65, luminance): the one line is no accident."""
    day = [weighted_return(crown, 42.0, wavelength_nm=None) for crown in (23.0, 34.0)]
    assert_more(*day)


def test_along_the_reference_pavilion_the_peak_is_at_25():
    """A difference: with the pavilion held at 40.5 our peak is at crown 25, not 23 [read] (there is
    a peak, and lower light return on both sides of it down to 10).

    Its place hangs on what the summaries do not tell: pavilion 39.5, 40.5, 41.5, 42 gives 26, 25,
    24, 23; a girdle of 0.1, 3, 6 % gives 27, 25, 23; a weight of cos^4 makes it flat from 23 to
    25. One line or daylight, polarised or not, star and lower girdle, crown facets alone or girdle
    and pavilion too: it stays at 25.
    """
    peak = returned(25.0, 40.5)
    for crown in (10.0, 20.0, 23.0, 28.0, 34.0):
        assert_more(peak, returned(crown, 40.5))


def test_steep_crowns_are_never_high():
    """Crowns above 34.5 never give a high value, and it falls on beyond [read]."""
    high = scan(23.0, 42.0, count=12)
    best = [best_of(c, (39.5, 41.0, 42.5), (53.0, 60.0)) for c in (35.0, 38.0, 41.0, 45.0, 50.0)]
    values = [b[0] for b in best]
    assert values[0] < 0.98 * high, (values, high)
    assert all(after < 0.99 * before for before, after in itertools.pairwise(values))
    assert_more(returned(23.0, 42.0), returned(35.0, *best[0][1:]))


def test_best_pavilions_lie_between_38_and_42():
    """The best combinations have pavilions of 38 to 42, crowns below 29, tables below 57 [read].

    Reproduced for crowns of 23 and 26. At crown 34 the maximum is broad (within 1 % from 40.5 to 43).
    A difference: below crown 20 ours goes on rising to pavilions beyond 43.
    """
    pavilions = (37.0, 38.5, 40.0, 41.0, 42.0, 43.5)
    for crown in (23.0, 26.0):
        found = [scan(crown, p, 53.0, 12) for p in pavilions]
        assert 38 <= pavilions[int(np.argmax(found))] <= 42, found
    top = returned(25.0, 41.0, 53.0)
    assert_more(top, returned(25.0, 38.0, 53.0))
    assert_more(top, returned(25.0, 43.5, 53.0))
    assert_more(top, returned(25.0, 41.0, 60.0))
    middle = returned(34.0, 42.0)
    assert_more(middle, returned(34.0, 38.0))
    assert_more(middle, returned(34.0, 46.0))


def test_the_middle_of_the_trade_is_still_bright():
    """Crown 34.5, table 53 to 58, pavilion 39.7 to 41.6: still bright [read]. "Still" is ours: within
    3 % of the best pavilion of that crown; a pavilion of 37 or a table of 66 is not."""
    best = best_of(34.5, (40.65, 41.6, 42.5), (53.0, 55.5))[0]
    for table in (53.0, 55.5, 58.0):
        for pavilion in (39.7, 40.65, 41.6):
            assert scan(34.5, pavilion, table, 12) > 0.97 * best
    assert scan(34.5, 37.0, 56.0, 12) < 0.97 * best
    assert scan(34.5, 40.65, 66.0, 12) < 0.97 * best


def test_hardly_any_crown_is_highest():
    """Highest of all with no crown at all [read]; a crown of 4 degrees is the least we take here."""
    flat = returned(4.0, 40.5)
    assert_more(flat, returned(23.0, 42.0))
    assert_more(flat, returned(25.0, 40.5))
    assert_more(returned(23.0, 40.5), returned(10.0, 40.5))


def test_tolkowskys_cut_is_moderately_high():
    """Tolkowsky's proportions are "moderately high" [read]: above three quarters of stones drawn
    evenly from crown 20-45, pavilion 38-43, table 50-70 (about the study's range [memory]), and
    below the best. A stone at the median would pass by chance in 1 of 3,000 (31 of 40, binomial)."""
    rng = np.random.default_rng(1919)
    drawn = rng.uniform([20, 38, 50], [45, 43, 70], (40, 3))
    values = np.array([scan(*stone, 8) for stone in drawn])
    own = scan(*TOLKOWSKY, 8)
    assert 0.75 < np.mean(values < own) < 1.0, (own, np.sort(values))
    assert_more(returned(23.0, 42.0), returned(*TOLKOWSKY))


def test_tolkowsky_and_american_ideal_are_alike():
    """A difference: the study puts Tolkowsky's cut above the "American Ideal" [read].

    Stones of that class from memory (crown 33.7-35.8, pavilion 40.2-41.2, table 53-57 %): ours
    lie within 1 % of Tolkowsky's cut, some below and some above. Neither star (40-60 %) nor lower
    girdle (50-85 %) parts them; only the girdle does, and the wrong way for a knife edge: 0.1, 1.5,
    3 % give 0.327, 0.331, 0.334. What the study called by that name, and where its classes end,
    is not in the summaries, so the ordering stands unconfirmed here.
    """
    own = returned(*TOLKOWSKY)
    apart = []
    for stone in [(33.7, 40.2, 57.0), (34.5, 40.2, 57.0), (34.5, 40.75, 57.0), (35.8, 41.2, 53.0)]:
        difference, _ = margin(returned(*stone), own)
        apart.append(difference / own.mean())
    assert min(apart) < 0 < max(apart), apart
    assert max(map(abs, apart)) < 0.01, apart


# ---- 2001: fire ----------------------------------------------------------------------------------


def test_fire_and_light_return_want_different_stones():
    """Fire and white light return are maximised by different proportions [read, abstract].

    Over one grid the best stones differ, and each loses significantly in the other's discipline,
    so neither can be the maximum of both. The same came out for energy whose spectrum fans out
    beyond 1 or 3 degrees, without the cosines, and with cos^4: the white stone has 0.63 of the
    most fire or less.
    """
    grid = [(c, p) for c in (23.0, 25.0, 29.0, 34.0, 37.0, 40.0) for p in (38.0, 39.5, 41.0, 42.0)]
    best_fire = max(grid, key=lambda stone: fire(*stone, power=7).mean())
    best_white = max(grid, key=lambda stone: scan(*stone, count=12))
    assert best_fire != best_white
    assert_more(fire(*best_fire), fire(*best_white))
    assert_more(returned(*best_white), returned(*best_fire))


def test_star_and_lower_girdle_change_fire():
    """Star and lower-girdle lengths matter for fire [read, abstract]. Both sides: 1 of 500 by
    chance for each stone. A star of 60 instead of 50 % makes no difference that we can see."""
    reference = fire()
    for other in (
        {"star": 30.0},
        {"star": 40.0},
        {"lower": 50.0},
        {"lower": 60.0},
        {"lower": 85.0},
    ):
        difference, errors = margin(fire(**other), reference)
        assert abs(errors) > SIGMAS, (other, difference, errors)
        assert abs(difference) > 0.01 * reference.mean(), (other, difference)


# ---- 2007: the ridge -----------------------------------------------------------------------------

CROWNS = np.arange(30.0, 38.0)
PAVILIONS = np.arange(39.5, 43.01, 0.25)


def straight_down(crown, pavilion, light, head):
    seen = scene(brilliant(crown, pavilion, TOLKOWSKY[2]), light=light, head=head)
    return trace_face_up(seen, 1, rays=4096).measures["light_return"].value


def ridge(light, head):
    """(slope, its error, pavilion at Tolkowsky's crown) of the line of best pavilions.

    The best pavilion of a crown is the mean of those within 5 % of the most light, weighted by the
    excess. The slope's error comes from the scatter around the line.
    """
    light_return = np.array([[straight_down(c, p, light, head) for p in PAVILIONS] for c in CROWNS])
    excess = np.maximum(light_return - 0.95 * light_return.max(axis=1, keepdims=True), 0)
    best = excess @ PAVILIONS / excess.sum(axis=1)
    off = CROWNS - TOLKOWSKY[0]
    slope, here = np.polyfit(off, best, 1)
    scatter = np.sum((best - here - slope * off) ** 2) / (len(off) - 2)
    return slope, math.sqrt(scatter / np.sum((off - off.mean()) ** 2)), here


def test_ridge_of_good_crown_and_pavilion_pairs():
    """The best stones lie along a line through Tolkowsky's cut: a lower pavilion is made up for by a
    higher crown [read, abstract].

    Tried face up, table 53 %, crowns 30 to 37: dome fading with the cosine, head 0, 8, 10, 20,
    30 degrees; even dome, head 0, 10, 20, 30; and the weighted light return. The cosine dome
    gives a straight ridge: pavilion 41.1 - 0.19 (crown - 34.5) with the head of 10 degrees that
    is this program's own, 40.5 - 0.25 (crown - 34.5) without. Tolkowsky's 40.75 lies between. (Cutters
    say one degree of crown for a fifth of pavilion [common practice, no source].) The even dome
    without head and the weighted light return have no ridge worth the name: the metric decides
    the optimum (Dodson, Optica Acta 25, 681, 1978), see the next test. A head of 20 or more
    moves the ridge to 42-43. 1 of 1,000 by chance (Student's t, 6 degrees of freedom).
    """
    with_head, without = ridge("cosine", 10.0), ridge("cosine", 0.0)
    for slope, error, here in (with_head, without):
        assert slope / error < -t.isf(1e-3, len(CROWNS) - 2)
        assert abs(here - TOLKOWSKY[1]) < 0.5
    assert without[2] < TOLKOWSKY[1] < with_head[2]


def test_an_even_dome_has_no_ridge():
    """Across the ridge at crown 34, pavilion 40 to 42: a third of the light and more under the cosine
    dome with a head, less than 5 % under the even dome without (ours; nothing published)."""
    across = [40.0, 40.5, 41.0, 41.5, 42.0]
    steep = np.array([straight_down(34.0, p, "cosine", 10.0) for p in across])
    even = np.array([straight_down(34.0, p, "hemisphere", 0.0) for p in across])
    assert np.ptp(steep) > 0.3 * steep.max()
    assert np.ptp(even) < 0.05 * even.max()
