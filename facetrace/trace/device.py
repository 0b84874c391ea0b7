"""What traces: the processor's cores, or a graphics card.

Figures are the same to rounding (1e-12 of the light). So it is no part of a scene, but of where work is done: whoever opens the
door says it for all that happens inside (``tracing_on``).
"""

from collections.abc import Hashable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from importlib.util import find_spec
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.kernel.driver import trace_rows
from facetrace.kernel.scene import Rays, SceneArrays
from facetrace.kernel.tally import SUMS

Floats = NDArray[np.float64]
Device = Literal["cpu", "gpu", "auto"]

NO_PACKAGE = (
    "a graphics card needs one more package; in facetrace's folder: pip install -e '.[gpu]'"
)
NO_CARD = "no graphics card is found that CUDA can use (NVIDIA, with its driver); leave --device out to trace on the processor"

_chosen: ContextVar[str] = ContextVar("device", default="cpu")


@contextmanager
def tracing_on(device: Device) -> Iterator[str]:
    """Trace on that device within the block; gives "cpu" or "gpu". "auto": a card where one can be used.

    Raises FacetraceError where a card is asked for and cannot be used.
    """
    missing = None if device == "cpu" else missing_card()
    if missing and device == "gpu":
        raise FacetraceError(missing)
    chosen = "cpu" if device == "cpu" or missing else "gpu"
    before = _chosen.set(chosen)
    try:
        yield chosen
    finally:
        _chosen.reset(before)


def chosen_device() -> str:
    """What traces here: "cpu" or "gpu"."""
    return _chosen.get()


def missing_card() -> str | None:
    """Why no graphics card can be used, in one sentence; None where one can."""
    if find_spec("numba_cuda") is None:
        return NO_PACKAGE
    from numba import cuda

    return None if cuda.is_available() else NO_CARD


def traced_rows(scene: SceneArrays, rays: Rays, first: int, rows: int, task_rows: int) -> Floats:
    """Sums (rows, SUMS) of rows *first*, ... of *rays*; *task_rows*: of one task of a processor's core.

    Raises FacetraceError where a card fails.
    """
    if chosen_device() == "gpu":
        alone: Floats = traced_on_card([scene], [rays], first, rows)[0]
        return alone
    out = np.zeros((rows, SUMS))
    trace_rows(scene, rays, first, task_rows, out, None)
    return out


def alike(scene: SceneArrays) -> tuple[Hashable, ...]:
    """What scenes must have in common to be traced in one launch, besides their medium."""
    from facetrace.kernel import gpu_driver

    return (*gpu_driver.kind_of(scene), scene.bodies.shape, scene.light.shape, scene.physics)


def traced_on_card(
    scenes: Sequence[SceneArrays], rays: Sequence[Rays], first: int, rows: int, together: int = 1
) -> Floats:  # fmt: skip
    """Sums (scenes, rows / together, SUMS) of scenes that differ in nothing that ``gpu_driver.trace_rows`` needs to be the same.

    Raises FacetraceError where a card fails.
    """
    from facetrace.kernel import gpu_driver

    try:
        sums: Floats = gpu_driver.trace_rows(scenes, rays, first, rows, together)
        return sums
    except _card_errors() as error:
        what = str(error).strip().splitlines()
        raise FacetraceError(
            f"the graphics card failed ({what[-1] if what else type(error).__name__}); --device cpu traces on the processor"
        ) from None


def _card_errors() -> tuple[Any, ...]:
    from numba.cuda.cudadrv import driver

    return tuple(
        getattr(driver, name) for name in ("CudaAPIError", "LinkerError", "CudaSupportError") if hasattr(driver, name)
    )  # fmt: skip
