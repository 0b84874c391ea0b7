"""Stone, material, light and view, compiled to the arrays that the kernel takes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.common.vectors import across
from facetrace.kernel.facets import GROUP_PLANE, WALL
from facetrace.kernel.light import LAMP_COSINE, LAMP_ROW, LIGHT_LAMPS
from facetrace.kernel.scene import (
    EYE,
    ISOTROPIC,
    ISOTROPIC_UNPOLARISED,
    RIGHT,
    ROW_AE,
    ROW_AO,
    ROW_CDF,
    ROW_NE,
    ROW_NO,
    ROW_WAVELENGTH,
    ROW_X,
    ROW_Z,
    ROWS,
    UNIAXIAL,
    UP,
    ZENITH,
    SceneArrays,
)
from facetrace.kernel.zones import (
    BODY_END,
    BODY_FIRST,
    BODY_KIND,
    BODY_MATRIX,
    BODY_ROW,
    BODY_ZONE,
)
from facetrace.optics.colour import Observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.body import Body
from facetrace.solid.polyhedron import Solid

Floats = NDArray[np.float64]

PER_MM = 0.1
# share of x, y and z in the density of sampled wavelengths
SAMPLING = np.array([0.25, 0.5, 0.25])
# distance from which rays start, in radii of the outline, and in heights of what stands tallest
FAR = 4.0
FAR_HEIGHTS = 2.0
PARALLEL = 1e-13
# facets from which on they are searched in groups, and of a group
MANY_FACETS, GROUP = 192, 32
# by so much of the stone's size rounding may put a point beside its place
SURE = 1e-9


@dataclass(frozen=True)
class View:
    """Degrees. The stone turns by *spin* about its table's normal (counter-clockwise seen from above),
    then rocks by *tilt* towards *azimuth*; the eye stands *eye_tilt* off the zenith.
    """

    tilt: float = 0.0
    azimuth: float = 0.0
    eye_tilt: float = 0.0
    eye_azimuth: float = 0.0
    spin: float = 0.0


@dataclass(frozen=True)
class Medium:
    """What the stone is made of for one trace.

    spectrum: the kernel's table; physics: its treatment; white: XYZ of the illuminant (Y = 1).
    """

    spectrum: Floats
    physics: int
    white: Floats


@dataclass(frozen=True)
class Scene:
    """Everything that decides the light of one view of one stone (stone's frame, mm).

    The arrays are those of kernel.scene.SceneArrays. facets: name of each column of the planes, None for a wall
    between lobes; outline (n, 2): the silhouette, right and up; far: distance from which rays start.
    """

    facets: tuple[str | None, ...]
    planes: Floats
    fronts: Floats
    backs: Floats
    groups: Floats | None
    finish: Floats
    split: int | None
    bodies: Floats
    body_planes: Floats
    crystal: Floats
    medium: Medium
    light: Floats
    view: Floats
    outline: Floats
    far: float
    white_radiance: float

    @property
    def arrays(self) -> SceneArrays:
        """What the kernel takes."""
        return SceneArrays(
            planes=self.planes,
            fronts=self.fronts,
            backs=self.backs,
            near=None,
            groups=self.groups,
            finish=self.finish,
            split=self.split,
            bodies=self.bodies,
            body_planes=self.body_planes,
            crystal=self.crystal,
            spectrum=self.medium.spectrum,
            physics=self.medium.physics,
            light=self.light,
            eye_frame=self.view,
        )


def direction(tilt_deg: float, azimuth_deg: float) -> Floats:
    """Unit vector that far from +z, towards that azimuth."""
    t, a = math.radians(tilt_deg), math.radians(azimuth_deg)
    return np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])


def rocking(tilt_deg: float, azimuth_deg: float) -> Floats:
    """Rotation matrix that takes +z to ``direction(tilt, azimuth)`` the short way (Rodrigues)."""
    a = math.radians(azimuth_deg)
    t = math.radians(tilt_deg)
    x, y = -math.sin(a), math.cos(a)
    cross = np.array([[0, 0, y], [0, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + math.sin(t) * cross + (1 - math.cos(t)) * cross @ cross)


def turning(spin_deg: float) -> Floats:
    """Rotation matrix about +z, counter-clockwise seen from above."""
    a = math.radians(spin_deg)
    return np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])


def _light_row(light: Light, to_world: Floats) -> Floats:
    """The kernel's row with its lamps in the frame of a stone that *to_world* takes there."""
    row = light.row
    lamps = row[LIGHT_LAMPS:].reshape(-1, LAMP_ROW)
    lamps[:, :LAMP_COSINE] = lamps[:, :LAMP_COSINE] @ to_world
    return row


def entry_planes(planes: Floats, eye_frame: Floats, far: float) -> tuple[Floats, Floats]:
    """(4, n) of the facets that face the rays of a view, and of the others, for ``kernel.facets.entry_facet``.

    A plane along the rays stops what starts outside it (a huge slope).
    """
    normals, offsets = planes[:3].T, planes[3]
    eye, right, up = eye_frame[EYE:RIGHT], eye_frame[RIGHT:UP], eye_frame[UP:ZENITH]
    slope = -normals @ eye
    facing = slope < -PARALLEL

    def rows(which: NDArray[np.bool_], slope: Floats) -> Floats:
        n = normals[which]
        start = offsets[which] - far * (n @ eye)
        return np.array(
            [start / slope, -(n @ right) / slope, -(n @ up) / slope, np.flatnonzero(which)]
        )

    return rows(facing, slope[facing]), rows(~facing, np.maximum(slope[~facing], PARALLEL))


def facet_groups(solid: Solid) -> Floats | None:
    """(6, k) groups of facets of a stone with many (``kernel.facets.leaving_facet_of_groups``); None with few, or with two lobes.

    Facets that are cut one after the other are neighbours mostly. Those that lie all over a stone come first: by the nearest facet
    of these a flight ends at the latest.
    """
    if solid.split is not None or len(solid.names) < MANY_FACETS:
        return None
    size = float(np.abs(solid.vertices).max())
    rows = []
    for first in range(0, len(solid.names), GROUP):
        end = min(first + GROUP, len(solid.names))
        normal = solid.normals[first:end].mean(axis=0)
        normal /= max(float(np.linalg.norm(normal)), PARALLEL)
        corners = np.unique(np.concatenate(solid.polygons[first:end]))
        nearest = float((solid.vertices[corners] @ normal).min())
        rows.append([*normal, nearest - SURE * size, first, end])
    table = np.array(sorted(rows, key=lambda row: row[GROUP_PLANE]))
    return np.ascontiguousarray(table.T)


def medium_of(
    material: Material,
    eye: Observer,
    *,
    index: float | None = None,
    absorbing: bool = True,
    wavelength_nm: float | None = None,
    polarised: bool = True,
    zones: Sequence[tuple[Floats, Floats]] = (),
) -> Medium:
    """The spectral table of a material.

    *index* makes it isotropic with one index and, of its colour, the mean over directions
    (2 alpha_o + alpha_e) / 3; *wavelength_nm* leaves one line, for which X = Y = Z.
    *zones*: what each zone adds to (alpha_o, alpha_e), in 1/cm at the observer's wavelengths.
    """
    if wavelength_nm is not None:
        nodes = np.array([wavelength_nm, wavelength_nm])
        weights = np.ones((2, 3))
        white = np.ones(3)
        share = np.ones(1)
    else:
        nodes = eye.wavelength_nm
        width = np.diff(nodes)
        weights = eye.xyz * width[0]
        white = eye.white
        density = eye.xyz @ SAMPLING
        share = 0.5 * (density[:-1] + density[1:]) * width
        share /= share.sum()
    n_o, n_e = material.indices(nodes)
    alpha_o, alpha_e = material.absorption(nodes)
    uniaxial = material.uniaxial and index is None
    if index is not None:
        n_o = n_e = np.full(len(nodes), index)
    if not uniaxial:
        alpha_o = alpha_e = (2 * alpha_o + alpha_e) / 3
    if not absorbing:
        alpha_o, alpha_e = np.zeros(len(nodes)), np.zeros(len(nodes))
    if min(n_o.min(), n_e.min()) < 1.01:
        raise FacetraceError("the index of the stone must be at least 1.01 (it lies in air)")
    table = np.zeros((ROWS + 2 * len(zones), len(nodes)))
    table[ROW_WAVELENGTH] = nodes
    table[ROW_NO], table[ROW_NE] = n_o, n_e
    table[ROW_AO], table[ROW_AE] = alpha_o * PER_MM, alpha_e * PER_MM
    table[ROW_X : ROW_Z + 1] = weights.T
    table[ROW_CDF] = np.concatenate([[0.0], np.cumsum(share)])
    table[ROW_CDF, -1] = 1.0
    for number, extra in enumerate(zones):
        o, e = (np.interp(nodes, eye.wavelength_nm, part) for part in extra)
        if not uniaxial:
            o = e = (2 * o + e) / 3
        table[ROWS + 2 * number : ROWS + 2 * number + 2] = np.array([o, e]) * PER_MM * absorbing
    physics = UNIAXIAL if uniaxial else ISOTROPIC if polarised else ISOTROPIC_UNPOLARISED
    return Medium(np.ascontiguousarray(table), physics, white)


def _body_table(bodies: Sequence[tuple[Body, int]]) -> tuple[Floats, Floats]:
    """The kernel's tables of bodies and of their planes (kernel.zones)."""
    table = np.zeros((len(bodies), BODY_ROW))
    planes = np.hstack([body.planes for body, _ in bodies] + [np.zeros((4, 1))])
    first = 0
    for row, (body, zone) in zip(table, bodies, strict=True):
        row[BODY_ZONE], row[BODY_FIRST] = zone, first
        first += body.planes.shape[1]
        row[BODY_END] = first
        if body.ellipsoid is not None:
            row[BODY_KIND] = 1.0
            row[BODY_MATRIX:] = body.ellipsoid.ravel()
    return table, np.ascontiguousarray(planes)


def scene_of(
    solid: Solid,
    medium: Medium,
    axis: tuple[float, float],
    light: Light,
    view: View,
    *,
    ground: Mapping[str, float] | None = None,
    bodies: Sequence[tuple[Body, int]] = (),
) -> Scene:
    """Compile a scene. *axis*: tilt and azimuth of c in the stone, degrees.

    *ground*: roughness of facets by name (kernel.ground), the others are polished; *bodies*:
    regions in the stone's frame with the number of their zone in the medium.
    """
    surfaces = {None: WALL} | dict(ground or {})
    finish = np.array([surfaces.get(name, 0.0) for name in solid.columns])
    if (finish > 0).any() and medium.physics != UNIAXIAL:
        # the walk over a ground facet knows crystals; one without birefringence is the same stone
        medium = replace(medium, physics=UNIAXIAL)
    table, body_planes = _body_table(bodies)
    c = direction(*axis)
    beside = across(c)
    beside /= np.linalg.norm(beside)
    return Scene(
        facets=tuple(solid.columns),
        planes=solid.planes,
        groups=facet_groups(solid),
        finish=finish,
        split=solid.split,
        bodies=table,
        body_planes=body_planes,
        crystal=np.concatenate([c, beside]),
        medium=medium,
        **_seen(solid, light, view),
    )


def seen_otherwise(scene: Scene, solid: Solid, light: Light, view: View) -> Scene:
    """The same stone, which *solid* is, in another view or light: as ``scene_of``, in less time."""
    return replace(scene, **_seen(solid, light, view))


def _seen(solid: Solid, light: Light, view: View) -> dict[str, Any]:
    """What of a ``Scene`` depends on the view."""
    to_world = rocking(view.tilt, view.azimuth)
    if view.spin:
        to_world = to_world @ turning(view.spin)
    eye_frame = rocking(view.eye_tilt, view.eye_azimuth)
    to_stone = to_world.T
    right, up, eye = (to_stone @ eye_frame[:, k] for k in range(3))
    outline = solid.silhouette(right, up)
    eye_row = np.concatenate([eye, right, up, to_stone @ np.array([0.0, 0.0, 1.0])])
    far = max(FAR * np.abs(outline).max(), FAR_HEIGHTS * float((solid.vertices @ eye).max()))
    fronts, backs = entry_planes(solid.planes, eye_row, far)
    return {
        "fronts": fronts,
        "backs": backs,
        "light": _light_row(light, to_world),
        "view": eye_row,
        "outline": outline,
        "far": far,
        "white_radiance": light.white(
            float(eye_frame[2, 2]), math.degrees(math.atan2(eye_frame[1, 2], eye_frame[0, 2]))
        ),
    }
