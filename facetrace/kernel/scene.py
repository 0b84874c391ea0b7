"""What travels through the kernel: a scene's arrays, the numbering of its rays, and one ray's own numbers.

Each is a NamedTuple of arrays and scalars, which numba takes apart when it compiles: a GPU driver hands over
the same. A member that is None has a type of its own, so code for it is compiled apart.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.compiling import device

Floats = NDArray[np.float64]

# how the medium is treated
UNIAXIAL, ISOTROPIC, ISOTROPIC_UNPOLARISED = 0, 1, 2

# rows of the spectral table; two more for each zone: what it adds to ROW_AO and ROW_AE
(
    ROW_WAVELENGTH, ROW_NO, ROW_NE, ROW_AO, ROW_AE, ROW_X, ROW_Y, ROW_Z, ROW_CDF,
) = range(9)  # fmt: skip
ROWS = 9

# the view: eye, right and up of the image, zenith (unit vectors in the stone's frame)
EYE, RIGHT, UP, ZENITH = 0, 3, 6, 9

# the crystal: unit optic axis c, unit vector p at right angles to it
AXIS, AXIS_NORMAL = 0, 3

# the picture plane: left and top edge [mm], pixel [mm], columns, distance of the start [mm], rays of
# a pixel that share a place and all choices, strata of its wavelengths (0: the net's own)
(
    GRID_LEFT, GRID_TOP, GRID_STEP, GRID_COLUMNS, GRID_FAR, GRID_SHARED, GRID_STRATA,
) = range(7)  # fmt: skip


class SceneArrays(NamedTuple):
    """Stone, medium, light and view, in the stone's frame [mm].

    planes (4, n): outward normals and distances of the facets; fronts (4, n), backs (4, n): ``facets.entry_facet``;
    near: planes in single precision for ``facets.confirmed_facet``, or None; groups (6, k): of facets, for
    ``facets.leaving_facet_of_groups``, or None; finish (n,): roughness, 0 if
    polished, ``facets.WALL`` if no surface, None where all are polished; split: columns of the first of two lobes,
    None for a stone of one; bodies and body_planes: ``zones``; crystal (6,): AXIS and AXIS_NORMAL;
    spectrum (ROWS + 2 zones, nodes): ROW_...; physics: UNIAXIAL or one of the others; light: ``light``;
    eye_frame (12,): EYE, RIGHT, UP, ZENITH.
    """

    planes: Floats
    fronts: Floats
    backs: Floats
    near: NDArray[np.float32] | None
    groups: Floats | None
    finish: Floats | None
    split: int | None
    bodies: Floats
    body_planes: Floats
    crystal: Floats
    spectrum: Floats
    physics: int
    light: Floats
    eye_frame: Floats


class Rays(NamedTuple):
    """Which rays are traced, and where they start.

    Ray k is point first_point + k % points of set k // points; a row of sums belongs to row_rays of them.
    Sets are strata of the silhouette (*fan*: ``sampling.fan_point``), or pixels of *grid* (GRID_...) if
    per_pixel. tables, key: ``sampling.net_point``. floor: weight below which Russian roulette begins.
    """

    fan: Floats
    grid: Floats
    per_pixel: bool
    tables: NDArray[np.uint32]
    key: np.uint64
    first_point: int
    points: int
    row_rays: int
    floor: float


class Draws(NamedTuple):
    """Where one ray's random numbers come from: a point of a set, and *ray*, one number for both."""

    tables: NDArray[np.uint32]
    key: np.uint64
    set_number: int
    point: int
    ray: np.uint64


class Wavelength(NamedTuple):
    """What one ray's wavelength decides.

    node, part: the place in the spectral table, ``blend``; k0 [1/mm]: 2 pi / wavelength; no, ne; alpha_o,
    alpha_e [1/mm] outside zones; x, y, z: what the ray weighs in the tristimulus values.
    """

    node: int
    part: float
    k0: float
    no: float
    ne: float
    alpha_o: float
    alpha_e: float
    x: float
    y: float
    z: float


@device
def blend(spectrum, row, node, part):
    """A row of the spectral table between two of its nodes."""
    return (1.0 - part) * spectrum[row, node] + part * spectrum[row, node + 1]
