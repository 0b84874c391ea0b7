"""The GPU driver: which lane does which row of sums; everything else is in ``launch`` and below.

A lane traces one row after the other, each alone and in the order of its rays, so a row's bits depend on
nothing but the row: not on the launch, nor on what the other lanes do. Paths end after different numbers of events.
So a lane whose path has ended waits until as many wait as fly; then they all launch their next rays at once.

Needs the package numba-cuda; NUMBA_ENABLE_CUDASIM=1 with NUMBA_DISABLE_JIT=1 runs it in plain Python.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, disallow-untyped-decorators=False

from functools import lru_cache
from typing import Any

import numpy as np
from numba import config, cuda, float32, float64

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
_NOTHING = np.zeros((0, 4), dtype=np.float32)


def trace_rows(scene: SceneArrays, rays: Rays, first_row: int, rows: int) -> Floats:
    """Sums (rows, SUMS) of rows first_row, ... of *rays*, as ``driver.trace_rows`` gives them, to rounding.

    Raises what numba-cuda raises: where there is no card, no driver, or no room on the card.
    """
    whole = _kernel(*_kind(scene))
    given = (_on_card(_complete(scene)), _on_card(rays))
    out = cuda.device_array((rows, SUMS), np.float64)
    blocks = min(-(-rows // LANES), BLOCKS * _multiprocessors())
    whole[blocks, LANES](*given, first_row, rows, out)
    return np.asarray(out.copy_to_host())


def _multiprocessors() -> int:
    if config.ENABLE_CUDASIM:
        return 1
    return int(cuda.get_current_device().MULTIPROCESSOR_COUNT)


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


def _kind(scene: SceneArrays) -> tuple[bool, bool, int, bool]:
    """What a kernel is compiled for: lobes, ground facets, room for planes in single precision, birefringence."""
    facets = scene.planes.shape[1]
    near = (
        1 << max(7, (facets - 1).bit_length())
        if scene.split is None and facets <= NEAR_FACETS
        else 0
    )
    ground = scene.split is not None or (
        scene.finish is not None and bool(np.any(scene.finish > 0))
    )
    return scene.split is not None, ground, near, scene.physics == UNIAXIAL


def _complete(scene: SceneArrays) -> SceneArrays:
    """The scene with something in place of each None, which no launch can carry."""
    split = 0 if scene.split is None else scene.split
    return scene._replace(near=_NOTHING, split=split)


@lru_cache(maxsize=16)
def _kernel(lobes: bool, ground: bool, near: int, uniaxial: bool) -> Any:
    """The kernel for a kind of scene. What is False or 0 is None again, and no code is made for it."""

    def trace_all(given, rays, first_row, rows, out):
        if near:
            planes = cuda.shared.array((near, 4), float32)
            count = given.planes.shape[1]
            largest = 0.0
            for f in range(count):
                largest = max(largest, abs(given.planes[3, f]))
            for f in range(cuda.threadIdx.x, count, LANES):
                for k in range(3):
                    planes[f, k] = given.planes[k, f]
                planes[f, 3] = given.planes[3, f] - NEAR_ROOM * largest
            cuda.syncthreads()
        else:
            planes = None
        if ground:  # noqa: SIM108 - one of the two is pruned
            finish = given.finish
        else:
            finish = None
        if lobes:  # noqa: SIM108
            split = given.split
        else:
            split = None
        scene = SceneArrays(
            given.planes, given.fronts, given.backs, planes, finish, split, given.bodies, given.body_planes,
            given.crystal, given.spectrum, given.physics, given.light, given.eye_frame,
        )  # fmt: skip
        sums = cuda.local.array(SUMS, float64)
        if uniaxial:
            trace_in_step(scene, rays, first_row, rows, out, sums)
        else:
            for row in range(cuda.grid(1), rows, cuda.gridsize(1)):
                clear(sums)
                trace_row(scene, rays, first_row + row, sums, None)
                keep(sums, out, row)

    @cuda.jit(device=True, inline=True)
    def clear(sums):
        for k in range(SUMS):
            sums[k] = 0.0

    @cuda.jit(device=True, inline=True)
    def keep(sums, out, row):
        for k in range(SUMS):
            out[row, k] = sums[k]

    @cuda.jit(device=True, inline=True)
    def trace_in_step(scene, rays, first_row, rows, out, sums):
        row = cuda.grid(1)
        set_number, index = place_of(rays, first_row + row)
        left = rays.row_rays
        # only to say of what types they are
        wavelength, draws, flight = launch(scene, rays, 0, 0, sums, None)
        clear(sums)
        flies = False
        while True:
            if not flies and left == 0 and row < rows:
                keep(sums, out, row)
                clear(sums)
                row += cuda.gridsize(1)
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
                if lobes and flight.in_air:
                    flight = enter_uniaxial(scene, wavelength, draws, flight, sums, None)
                else:
                    flight = cross_uniaxial(
                        scene, wavelength, draws, rays.floor, flight, sums, None
                    )
                flies = flight.weight > 0.0
                if not flies:
                    sums[COUNT_EVENTS] += flight.events

    # fastmath is of single precision alone: quotients to 2 units in the last place, which the search allows for
    limits = {} if config.ENABLE_CUDASIM else {"max_registers": REGISTERS}
    return cuda.jit(fastmath=True, **limits)(trace_all)
