"""One ray: where it starts, its wavelength, and its whole path."""

import math

from facetrace.kernel.compiling import device
from facetrace.kernel.paths import (
    COUNT_EVENTS,
    COUNT_HITS,
    COUNT_MISSES,
    EYE,
    RIGHT,
    ROW_AE,
    ROW_AO,
    ROW_NE,
    ROW_NO,
    ROW_WAVELENGTH,
    ROW_X,
    ROW_Y,
    ROW_Z,
    SUM_X,
    SUM_Y,
    SUM_Z,
    UP,
    blend,
    draw_wavelength,
    first_facet,
    follow_isotropic,
    follow_uniaxial,
)
from facetrace.kernel.sampling import (
    DIM_U,
    DIM_V,
    DIM_WAVELENGTH,
    fan_point,
    net_point,
    shell_of,
)

# physics: how the medium is treated
UNIAXIAL, ISOTROPIC, ISOTROPIC_UNPOLARISED = 0, 1, 2

# the silhouette is cut into STRATA x STRATA parts of equal area, each with a pair of sets
STRATA = 8

# the picture plane: left and top edge [mm], pixel [mm], columns, distance of the start [mm], rays of
# a pixel that share a place and all choices, strata of its wavelengths (0: the net's own)
(
    GRID_LEFT, GRID_TOP, GRID_STEP, GRID_COLUMNS, GRID_FAR, GRID_SHARED, GRID_STRATA,
) = range(7)  # fmt: skip


@device
def parted(u, strata, pixel, columns):
    """Where in the distribution of wavelengths a ray of a pixel stands; uniform as *u* is.

    Four pixels in a square part each stratum among them. A binomial filter (``measures.maps``)
    gives each of the four kinds of pixels a weight of 1/4 wherever it stands, so that what it
    gathers has 4 * *strata* strata, evenly filled.
    """
    kind = 2 * ((pixel // columns) & 1) + ((pixel % columns) & 1)
    low = math.floor(u * strata)
    return (low + 0.25 * (kind + u * strata - low)) / strata


@device
def launch(
    planes, entry, finish, split, bodies, body_planes, crystal, spectrum, light_row, view, fan, grid, per_pixel, tables, key,
    set_number, index, floor, physics, out, slot,
):  # fmt: skip
    """One ray: where it starts, its wavelength, and its whole path."""
    w = net_point(tables, key, set_number, DIM_WAVELENGTH, index)
    columns = int(grid[GRID_COLUMNS])
    if per_pixel:
        if grid[GRID_STRATA] > 0.0:
            w = parted(w, grid[GRID_STRATA], set_number, columns)
        index //= int(grid[GRID_SHARED])
    u = net_point(tables, key, set_number, DIM_U, index)
    v = net_point(tables, key, set_number, DIM_V, index)
    if per_pixel:
        x = grid[GRID_LEFT] + grid[GRID_STEP] * (set_number % columns + u)
        y = grid[GRID_TOP] - grid[GRID_STEP] * (set_number // columns + v)
    else:
        # two sets share each stratum of the silhouette
        box = set_number >> 1
        u, v = shell_of((box % STRATA + u) / STRATA, (box // STRATA + v) / STRATA)
        x, y = fan_point(u, v, fan)
    far = grid[GRID_FAR]
    ox = x * view[RIGHT] + y * view[UP] + far * view[EYE]
    oy = x * view[RIGHT + 1] + y * view[UP + 1] + far * view[EYE + 1]
    oz = x * view[RIGHT + 2] + y * view[UP + 2] + far * view[EYE + 2]
    dx, dy, dz = -view[EYE], -view[EYE + 1], -view[EYE + 2]
    facet, t = first_facet(entry, finish, split, ox, oy, oz)
    if facet < 0:
        out[slot, COUNT_MISSES] += 1.0
        return
    b, s, share = draw_wavelength(spectrum, w)
    # the rows X, Y, Z hold the integral over the bin of what a constant would give
    wx = blend(spectrum, ROW_X, b, s) / share
    wy = blend(spectrum, ROW_Y, b, s) / share
    wz = blend(spectrum, ROW_Z, b, s) / share
    out[slot, SUM_X] += wx
    out[slot, SUM_Y] += wy
    out[slot, SUM_Z] += wz
    out[slot, COUNT_HITS] += 1.0
    px, py, pz = ox + t * dx, oy + t * dy, oz + t * dz
    no = blend(spectrum, ROW_NO, b, s)
    alpha_o = blend(spectrum, ROW_AO, b, s)
    if physics == UNIAXIAL:
        events = follow_uniaxial(
            planes, finish, split, bodies, body_planes, crystal, spectrum, b, s, light_row, view,
            2.0e6 * math.pi / blend(spectrum, ROW_WAVELENGTH, b, s), no, blend(spectrum, ROW_NE, b, s),
            alpha_o, blend(spectrum, ROW_AE, b, s), wx, wy, wz,
            px, py, pz, facet, dx, dy, dz, tables, key, set_number, index, floor, out, slot,
        )  # fmt: skip
    else:
        events = follow_isotropic(
            planes, finish, split, bodies, body_planes, spectrum, b, s, light_row, view, no, alpha_o, wx, wy, wz,
            px, py, pz, facet, dx, dy, dz, physics == ISOTROPIC, key, set_number, index,
            floor, out, slot,
        )  # fmt: skip
    out[slot, COUNT_EVENTS] += events
