"""One ray: where it starts, its wavelength, and its whole path."""

import math

from facetrace.kernel.compiling import device
from facetrace.kernel.events import MODE_AIR, PASSES, note
from facetrace.kernel.facets import first_facet
from facetrace.kernel.isotropic_path import follow_isotropic
from facetrace.kernel.paths import ray_number
from facetrace.kernel.sampling import (
    DIM_U,
    DIM_V,
    DIM_WAVELENGTH,
    fan_point,
    net_point,
    shell_of,
)
from facetrace.kernel.scene import (
    EYE,
    GRID_COLUMNS,
    GRID_FAR,
    GRID_LEFT,
    GRID_SHARED,
    GRID_STEP,
    GRID_STRATA,
    GRID_TOP,
    RIGHT,
    ROW_AE,
    ROW_AO,
    ROW_CDF,
    ROW_NE,
    ROW_NO,
    ROW_WAVELENGTH,
    ROW_X,
    ROW_Y,
    ROW_Z,
    UNIAXIAL,
    UP,
    Draws,
    Wavelength,
    blend,
)
from facetrace.kernel.tally import COUNT_EVENTS, COUNT_HITS, COUNT_MISSES, SUM_X, SUM_Y, SUM_Z
from facetrace.kernel.uniaxial_path import coming, follow_uniaxial

# the silhouette is cut into STRATA x STRATA parts of equal area, each with a pair of sets
STRATA = 8


@device
def wavelength_of_pixel(u, strata, pixel, columns):
    """Where in the distribution of wavelengths a ray of a pixel stands; uniform as *u* is.

    Four pixels in a square part each stratum among them. A binomial filter (``trace.maps``)
    gives each of the four kinds of pixels a weight of 1/4 wherever it stands, so that what it
    gathers has 4 * *strata* strata, evenly filled.
    """
    kind = 2 * ((pixel // columns) & 1) + ((pixel % columns) & 1)
    low = math.floor(u * strata)
    return (low + 0.25 * (kind + u * strata - low)) / strata


@device
def draw_wavelength(spectrum, u):
    """The ``Wavelength`` for u in [0, 1): the inverse of the tabulated distribution."""
    low = 0
    high = spectrum.shape[1] - 2
    while low < high:
        middle = (low + high) // 2
        if spectrum[ROW_CDF, middle + 1] > u:
            high = middle
        else:
            low = middle + 1
    start = spectrum[ROW_CDF, low]
    share = spectrum[ROW_CDF, low + 1] - start
    part = (u - start) / share
    # the rows X, Y, Z hold the integral over the bin of what a constant would give
    x = blend(spectrum, ROW_X, low, part) / share
    y = blend(spectrum, ROW_Y, low, part) / share
    z = blend(spectrum, ROW_Z, low, part) / share
    no = blend(spectrum, ROW_NO, low, part)
    alpha_o = blend(spectrum, ROW_AO, low, part)
    k0 = 2.0e6 * math.pi / blend(spectrum, ROW_WAVELENGTH, low, part)
    ne = blend(spectrum, ROW_NE, low, part)
    alpha_e = blend(spectrum, ROW_AE, low, part)
    return Wavelength(low, part, k0, no, ne, alpha_o, alpha_e, x, y, z)


@device
def start_of(rays, set_number, index):
    """Where point *index* of a set starts in the picture plane, (right, up) [mm]."""
    grid = rays.grid
    u = net_point(rays.tables, rays.key, set_number, DIM_U, index)
    v = net_point(rays.tables, rays.key, set_number, DIM_V, index)
    if rays.per_pixel:
        columns = int(grid[GRID_COLUMNS])
        x = grid[GRID_LEFT] + grid[GRID_STEP] * (set_number % columns + u)
        y = grid[GRID_TOP] - grid[GRID_STEP] * (set_number // columns + v)
        return x, y
    # two sets share each stratum of the silhouette
    box = set_number >> 1
    u, v = shell_of((box % STRATA + u) / STRATA, (box // STRATA + v) / STRATA)
    return fan_point(u, v, rays.fan)


@device
def launch(scene, rays, set_number, index, sums, log):
    """(wavelength, draws, flight) of a ray that has come to the stone; facet -1: it passes by, with no weight."""
    grid, eye_frame = rays.grid, scene.eye_frame
    w = net_point(rays.tables, rays.key, set_number, DIM_WAVELENGTH, index)
    if rays.per_pixel:
        if grid[GRID_STRATA] > 0.0:
            w = wavelength_of_pixel(w, grid[GRID_STRATA], set_number, int(grid[GRID_COLUMNS]))
        index //= int(grid[GRID_SHARED])
    x, y = start_of(rays, set_number, index)
    facet, t = first_facet(scene.fronts, scene.backs, scene.planes, scene.finish, scene.split, x, y)
    up = grid[GRID_FAR] - t
    px = x * eye_frame[RIGHT] + y * eye_frame[UP] + up * eye_frame[EYE]
    py = x * eye_frame[RIGHT + 1] + y * eye_frame[UP + 1] + up * eye_frame[EYE + 1]
    pz = x * eye_frame[RIGHT + 2] + y * eye_frame[UP + 2] + up * eye_frame[EYE + 2]
    dx, dy, dz = -eye_frame[EYE], -eye_frame[EYE + 1], -eye_frame[EYE + 2]
    wavelength = draw_wavelength(scene.spectrum, w)
    draws = Draws(rays.tables, rays.key, set_number, index, ray_number(set_number, index))
    weight = 1.0
    if facet < 0:
        weight = 0.0
        sums[COUNT_MISSES] += 1.0
        note(log, PASSES, facet, px, py, pz, MODE_AIR, dx, dy, dz, 1.0)
    else:
        sums[SUM_X] += wavelength.x
        sums[SUM_Y] += wavelength.y
        sums[SUM_Z] += wavelength.z
        sums[COUNT_HITS] += 1.0
    return wavelength, draws, coming(weight, 0, px, py, pz, facet, dx, dy, dz)


@device
def trace_ray(scene, rays, set_number, index, sums, log):
    """One ray: where it starts, its wavelength, and its whole path."""
    wavelength, draws, flight = launch(scene, rays, set_number, index, sums, log)
    if flight.facet < 0:
        return
    if scene.physics == UNIAXIAL:
        events = follow_uniaxial(scene, wavelength, draws, rays.floor, flight, sums, log)
    else:
        events = follow_isotropic(
            scene, wavelength, draws, rays.floor, flight.px, flight.py, flight.pz, flight.facet,
            flight.kx, flight.ky, flight.kz, sums, log,
        )  # fmt: skip
    sums[COUNT_EVENTS] += events


@device
def place_of(rays, row):
    """(set, first point) of a row of sums: all its rays are of one set."""
    first = row * rays.row_rays
    return first // rays.points, rays.first_point + first % rays.points


@device
def trace_row(scene, rays, row, sums, log):
    """All rays of a row of sums, in their order."""
    set_number, first = place_of(rays, row)
    for index in range(first, first + rays.row_rays):
        trace_ray(scene, rays, set_number, index, sums, log)
