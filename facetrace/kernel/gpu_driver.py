"""The GPU driver: which lane does which row of sums; everything else is in ``launch`` and below.

A lane traces one row after the other, each alone and in the order of its rays, so a row's bits depend on
nothing but the row: not on the launch, nor on what the other lanes do. Paths end after different numbers of events.
So a lane whose path has ended waits until as many wait as fly; then they all launch their next rays at once.
Scenes of one kind go in one launch: a block is of one scene.

Needs the package numba-cuda; NUMBA_ENABLE_CUDASIM=1 with NUMBA_DISABLE_JIT=1 runs it in plain Python.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, disallow-untyped-decorators=False

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numba import config, cuda, float32, float64
from numpy.typing import NDArray

from facetrace.kernel import driver
from facetrace.kernel.compiling import fingerprint, with_own_files
from facetrace.kernel.facets import NEAR_ROOM
from facetrace.kernel.launch import launch, place_of, trace_row
from facetrace.kernel.scene import UNIAXIAL, Floats, Rays, SceneArrays
from facetrace.kernel.tally import COUNT_EVENTS, SUMS
from facetrace.kernel.uniaxial_path import cross_uniaxial, enter_uniaxial

# a block is one warp: lanes that wait for each other
LANES = 32
# of a lane: with fewer some numbers go to memory, with more fewer lanes find room
REGISTERS = 168
# blocks for each multiprocessor: some end early
BLOCKS = 24
# facets up to which they are first looked for in single precision
NEAR_FACETS = 1024
# the distance of a plane that is none: scenes of a launch have as many planes as the one of most
NO_PLANE_MM = 1e30


class Kind(NamedTuple):
    """What a kernel is compiled for; scenes of a launch have it in common.

    lobes: two of them; ground: some facets are; near: room for planes in single precision, 0 for none; uniaxial: birefringent.
    """

    lobes: bool
    ground: bool
    near: int
    uniaxial: bool


class _Scenes(NamedTuple):
    """The arrays of n scenes, (n, ...) each as ``SceneArrays`` and ``Rays`` have it; below what they share."""

    planes: Floats
    fronts: Floats
    backs: Floats
    finish: Floats
    bodies: Floats
    body_planes: Floats
    crystal: Floats
    light: Floats
    eye_frame: Floats
    fan: Floats
    grid: Floats
    floor: Floats
    split: NDArray[np.int64]
    spectrum: Floats
    tables: NDArray[np.uint32]
    key: np.uint64
    physics: int
    per_pixel: bool
    first_point: int
    points: int
    row_rays: int


def kind_of(scene: SceneArrays) -> Kind:
    """What a kernel for the scene is compiled for."""
    facets = scene.planes.shape[1]
    near = (
        1 << max(7, (facets - 1).bit_length())
        if scene.split is None and facets <= NEAR_FACETS
        else 0
    )
    ground = scene.split is not None or (
        scene.finish is not None and bool(np.any(scene.finish > 0))
    )
    return Kind(scene.split is not None, ground, near, scene.physics == UNIAXIAL)


def trace_rows(
    scenes: Sequence[SceneArrays], rays: Sequence[Rays], first_row: int, rows: int, together: int = 1
) -> Floats:  # fmt: skip
    """Sums (scenes, rows / together, SUMS) of rows first_row, ... of each scene, as ``driver.trace_rows`` gives them, to rounding.

    Scenes are of one ``Kind``, with one medium and as many bodies; rays of one numbering. *together*: rows that are added.
    Raises what numba-cuda raises: where there is no card, no driver, or no room on the card.
    """
    whole = _kernel(kind_of(scenes[0]))
    given = _on_card(_packed(scenes, rays))
    out = cuda.device_array((len(scenes), rows, SUMS), np.float64)
    blocks = min(-(-rows // LANES), max(1, -(-BLOCKS * _multiprocessors() // len(scenes))))
    whole[(blocks, len(scenes)), LANES](given, first_row, rows, out)
    if together > 1:
        added = cuda.device_array((len(scenes), rows // together, SUMS), np.float64)
        count = added.size
        _adder()[-(-count // LANES), LANES](out, together, added)
        out = added
    return np.asarray(out.copy_to_host())


def _multiprocessors() -> int:
    if config.ENABLE_CUDASIM:
        return 1
    return int(cuda.get_current_device().MULTIPROCESSOR_COUNT)


def _packed(scenes: Sequence[SceneArrays], rays: Sequence[Rays]) -> _Scenes:
    first, shared = scenes[0], rays[0]

    def each(arrays: Sequence[Any], filled: float = 0.0) -> Floats:
        """One array of those, which may differ in the length of what fills up with *filled*."""
        shape = tuple(map(max, zip(*(a.shape for a in arrays), strict=True)))
        if all(a.shape == shape for a in arrays):
            return np.array(arrays, dtype=np.float64)
        whole = np.full((len(arrays), *shape), filled)
        for row, a in zip(whole, arrays, strict=True):
            row[tuple(map(slice, a.shape))] = a
        return whole

    planes = each([s.planes for s in scenes])
    # a facet that no ray meets: no direction, far off
    counts = np.array([s.planes.shape[1] for s in scenes])
    planes[:, 3][np.arange(planes.shape[2]) >= counts[:, None]] = NO_PLANE_MM
    backs = each([s.backs for s in scenes])
    counts = np.array([s.backs.shape[1] for s in scenes])
    backs[:, 0][np.arange(backs.shape[2]) >= counts[:, None]] = np.inf
    none = np.zeros(0)
    return _Scenes(
        planes=planes,
        fronts=each([s.fronts for s in scenes]),
        backs=backs,
        finish=each([none if s.finish is None else s.finish for s in scenes]),
        bodies=each([s.bodies for s in scenes]),
        body_planes=each([s.body_planes for s in scenes]),
        crystal=each([s.crystal for s in scenes]),
        light=each([s.light for s in scenes]),
        eye_frame=each([s.eye_frame for s in scenes]),
        # no u reaches a share above 1
        fan=each([r.fan for r in rays], 2.0),
        grid=each([r.grid for r in rays]),
        floor=np.array([r.floor for r in rays]),
        split=np.array([0 if s.split is None else s.split for s in scenes], dtype=np.int64),
        spectrum=first.spectrum,
        tables=shared.tables,
        key=shared.key,
        physics=first.physics,
        per_pixel=shared.per_pixel,
        first_point=shared.first_point,
        points=shared.points,
        row_rays=shared.row_rays,
    )


def _on_card(arrays: Any) -> Any:
    """A NamedTuple with its arrays on the card; those of double precision go there together, which takes less time."""
    doubles = [a for a in arrays if isinstance(a, np.ndarray) and a.dtype == np.float64]
    ends = np.cumsum([a.size for a in doubles])
    whole = cuda.to_device(np.concatenate([a.ravel() for a in doubles]))
    parts = iter(
        [whole[e - a.size : e].reshape(a.shape) for a, e in zip(doubles, ends, strict=True)]
    )

    def placed(member: Any) -> Any:
        if not isinstance(member, np.ndarray):
            return member
        return next(parts) if member.dtype == np.float64 else cuda.to_device(member)

    return type(arrays)(*map(placed, arrays))


@cuda.jit(device=True, inline=True)
def _lane():
    return cuda.blockIdx.x * LANES + cuda.threadIdx.x


@cuda.jit(device=True, inline=True)
def _lanes():
    return cuda.gridDim.x * LANES


@cuda.jit(device=True, inline=True)
def _clear(sums):
    for k in range(SUMS):
        sums[k] = 0.0


@cuda.jit(device=True, inline=True)
def _keep(sums, out, row):
    for k in range(SUMS):
        out[row, k] = sums[k]


@cuda.jit(device=True, inline=True)
def _trace_alone(scene, rays, first_row, rows, out, sums):
    for row in range(_lane(), rows, _lanes()):
        _clear(sums)
        trace_row(scene, rays, first_row + row, sums, None)
        _keep(sums, out, row)


@cuda.jit(device=True, inline=True)
def _trace_in_step(scene, rays, first_row, rows, out, sums):
    row = _lane()
    set_number, index = place_of(rays, first_row + row)
    left = rays.row_rays
    # only to say of what types they are
    wavelength, draws, flight = launch(scene, rays, 0, 0, sums, None)
    _clear(sums)
    flies = False
    while True:
        if not flies and left == 0 and row < rows:
            _keep(sums, out, row)
            _clear(sums)
            row += _lanes()
            set_number, index = place_of(rays, first_row + row)
            left = rays.row_rays
        waits = not flies and row < rows
        waiting = cuda.syncthreads_count(np.int32(waits))
        flying = cuda.syncthreads_count(np.int32(flies))
        if waiting + flying == 0:
            return
        if waits and waiting >= flying:
            wavelength, draws, flight = launch(scene, rays, set_number, index, sums, None)
            index += 1
            left -= 1
            if flight.facet >= 0:
                flight = enter_uniaxial(scene, wavelength, draws, flight, sums, None)
                flies = flight.weight > 0.0
                if not flies:
                    sums[COUNT_EVENTS] += flight.events
        if flies:
            if scene.split is not None and flight.in_air:
                flight = enter_uniaxial(scene, wavelength, draws, flight, sums, None)
            else:
                flight = cross_uniaxial(scene, wavelength, draws, rays.floor, flight, sums, None)
            flies = flight.weight > 0.0
            if not flies:
                sums[COUNT_EVENTS] += flight.events


@lru_cache(maxsize=16)
def _kernel(kind: Kind) -> Any:
    """The kernel for a kind of scene. What is False or 0 is None again, and no code is made for it."""
    lobes, ground, near, uniaxial = map(int, kind)
    stamp = fingerprint(*driver.CODE)

    # numba keeps compiled code by what a function closes over: numbers alone, the same in every process
    def trace_all(given, first_row, rows, out):
        if stamp < 0:  # never; see compiling
            return
        which = cuda.blockIdx.y
        if near:
            planes = cuda.shared.array((near, 4), float32)
            count = given.planes.shape[2]
            largest = 0.0
            for f in range(count):
                if given.planes[which, 3, f] < NO_PLANE_MM:
                    largest = max(largest, abs(given.planes[which, 3, f]))
            for f in range(cuda.threadIdx.x, count, LANES):
                for k in range(3):
                    planes[f, k] = given.planes[which, k, f]
                planes[f, 3] = given.planes[which, 3, f] - NEAR_ROOM * largest
            cuda.syncthreads()
        else:
            planes = None
        if ground:  # noqa: SIM108 - one of the two is pruned
            finish = given.finish[which]
        else:
            finish = None
        if lobes:  # noqa: SIM108
            split = given.split[which]
        else:
            split = None
        scene = SceneArrays(
            given.planes[which], given.fronts[which], given.backs[which], planes, None, finish, split,
            given.bodies[which], given.body_planes[which], given.crystal[which], given.spectrum, given.physics,
            given.light[which], given.eye_frame[which],
        )  # fmt: skip
        rays = Rays(
            given.fan[which], given.grid[which], given.per_pixel, given.tables, given.key, given.first_point,
            given.points, given.row_rays, given.floor[which],
        )  # fmt: skip
        sums = cuda.local.array(SUMS, float64)
        if uniaxial:
            _trace_in_step(scene, rays, first_row, rows, out[which], sums)
        else:
            _trace_alone(scene, rays, first_row, rows, out[which], sums)

    # fastmath is of single precision alone: quotients to 2 units in the last place, which the search allows for
    return _kept(trace_all, fastmath=True, max_registers=REGISTERS)


@lru_cache(maxsize=1)
def _adder() -> Any:
    """The kernel that adds rows, in their order."""

    def add_rows(rows, together, added):
        place = cuda.grid(1)
        if place < added.size:
            column, group = place % SUMS, place // SUMS
            scene, group = group // added.shape[1], group % added.shape[1]
            total = 0.0
            for row in range(group * together, (group + 1) * together):
                total += rows[scene, row, column]
            added[scene, group, column] = total

    return _kept(add_rows)


def _kept(function: Any, **options: Any) -> Any:
    """A kernel whose code is kept on disk where a place can be written to, as ``compiling.parallel_entry``'s."""
    if config.ENABLE_CUDASIM:
        return cuda.jit(function)
    from numba.cuda.core import config as card_config

    # few rays are as good as many: no warning that the card has room for more
    card_config.CUDA_LOW_OCCUPANCY_WARNINGS = 0
    try:
        return with_own_files(cuda.jit(cache=True, **options)(function))
    except RuntimeError:
        return cuda.jit(**options)(function)
