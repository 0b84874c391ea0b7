"""One facet of a uniaxial crystal, for many events at once: the tracer's own physics, public.

Wave vectors are reduced (their length is the phase index), normals point out of the
crystal, all in one frame. See ``facetrace.kernel.uniaxial`` for the formulas and sources.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facetrace.common.vectors import across
from facetrace.kernel.facet_driver import inside_loop, outside_loop

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Inside:
    """A wave in the crystal meets its facet from within; arrays over events.

    Energy shares reflected_o, reflected_e, transmitted_s, transmitted_p (n,) sum to 1.
    wave_* (n, 3): reduced wave vectors; ray_* (n, 3): unit directions of the energy. NaN where
    a wave is evanescent (total reflection: wave_out).
    """

    reflected_o: Floats
    reflected_e: Floats
    transmitted_s: Floats
    transmitted_p: Floats
    wave_o: Floats
    wave_e: Floats
    wave_out: Floats
    ray_o: Floats
    ray_e: Floats
    ray_out: Floats


@dataclass(frozen=True)
class Outside:
    """A wave outside meets the crystal; arrays over events.

    reflected (n, 2, 2): [s or p in, s or p out]; transmitted (n, 2, 2): [s or p in, o or e];
    for each polarisation they sum to 1. wave_* and ray_* as in ``Inside``.
    """

    reflected: Floats
    transmitted: Floats
    wave_o: Floats
    wave_e: Floats
    ray_o: Floats
    ray_e: Floats


def axis_normal(axis: Floats) -> Floats:
    """A unit vector at right angles to each axis, (n, 3): the modes' fixed pair on the axis."""
    return unit(across(axis))


def _vectors(value: ArrayLike, count: int) -> Floats:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=np.float64), (count, 3)))


def _check_indices(n_o: ArrayLike, n_e: ArrayLike, outside: ArrayLike) -> None:
    """The formulas hold for a crystal that is optically denser than what surrounds it."""
    o, e, m = (np.asarray(n, dtype=np.float64) for n in (n_o, n_e, outside))
    if not ((m > 0) & (m < o) & (m < e) & np.isfinite(o) & np.isfinite(e)).all():
        raise ValueError("indices: 0 < outside < n_o and n_e is needed")


def _scalars(value: ArrayLike, count: int) -> Floats:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=np.float64) ** 2, (count,)))


def unit(vectors: Floats) -> Floats:
    """Each row at length 1."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def wave_inside(
    direction: ArrayLike, extraordinary: ArrayLike, axis: ArrayLike, n_o: ArrayLike, n_e: ArrayLike
) -> Floats:
    """Reduced wave vectors (n, 3) of o or e waves with that wave normal.

    1 / n^2 = cos^2 / n_o^2 + sin^2 / n_e^2 with the angle between wave normal and c
    (Born & Wolf, "Principles of Optics", ch. 15).
    """
    d = np.atleast_2d(np.asarray(direction, dtype=np.float64))
    d = d / np.linalg.norm(d, axis=1, keepdims=True)
    c = unit(_vectors(axis, len(d)))
    no2, ne2 = _scalars(n_o, len(d)), _scalars(n_e, len(d))
    cos2 = np.sum(d * c, axis=1) ** 2
    n = np.where(extraordinary, 1 / np.sqrt(cos2 / no2 + (1 - cos2) / ne2), np.sqrt(no2))
    return np.asarray(n[:, None] * d)


def inside_events(
    wave: ArrayLike, extraordinary: ArrayLike, normal: ArrayLike, axis: ArrayLike,
    n_o: ArrayLike, n_e: ArrayLike, outside: ArrayLike = 1.0,
) -> Inside:  # fmt: skip
    """Waves within: *wave* (n, 3) as from ``wave_inside``, energy flowing out along *normal*.

    extraordinary (n,) booleans; the rest (n, ...) or one for all; outside: index there,
    below both indices of the crystal (ValueError otherwise). A wave whose energy flows inwards is
    not checked for: its shares mean nothing.
    """
    _check_indices(n_o, n_e, outside)
    k = np.ascontiguousarray(np.atleast_2d(np.asarray(wave, dtype=np.float64)))
    count = len(k)
    c = unit(_vectors(axis, count))
    mode = np.ascontiguousarray(np.broadcast_to(extraordinary, (count,))).astype(np.int64)
    shares, waves, rays = np.zeros((count, 4)), np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
    inside_loop(
        k, mode, unit(_vectors(normal, count)), c, axis_normal(c), _scalars(n_o, count),
        _scalars(n_e, count), _scalars(outside, count), shares, waves, rays,
    )  # fmt: skip
    return Inside(*shares.T, *waves.swapaxes(0, 1), *rays.swapaxes(0, 1))


def outside_events(
    direction: ArrayLike, normal: ArrayLike, axis: ArrayLike,
    n_o: ArrayLike, n_e: ArrayLike, outside: ArrayLike = 1.0,
) -> Outside:  # fmt: skip
    """Waves outside that travel along *direction* (n, 3), against the outward *normal*.

    s is at right angles to the plane of incidence, p in it; at normal incidence s is some
    direction in the facet. ValueError unless *outside* is below both indices of the crystal.
    """
    _check_indices(n_o, n_e, outside)
    d = np.atleast_2d(np.asarray(direction, dtype=np.float64))
    count = len(d)
    c = unit(_vectors(axis, count))
    shares, waves, rays = np.zeros((count, 8)), np.zeros((count, 2, 3)), np.zeros((count, 2, 3))
    outside_loop(
        np.ascontiguousarray(unit(d)), unit(_vectors(normal, count)), c, axis_normal(c),
        _scalars(n_o, count), _scalars(n_e, count), _scalars(outside, count), shares, waves, rays,
    )  # fmt: skip
    return Outside(
        shares[:, :4].reshape(-1, 2, 2), shares[:, 4:].reshape(-1, 2, 2),
        waves[:, 0], waves[:, 1], rays[:, 0], rays[:, 1],
    )  # fmt: skip
