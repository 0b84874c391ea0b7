"""How kernel functions are compiled: one place, so that caching is never wrong.

numba keeps compiled entry points on disk, and looks only at the file of the
entry point when it decides whether the copy is stale. Our entry points call
functions of other files. So each entry point is built by a factory that closes
over a fingerprint of all kernel code: numba makes closures part of the cache
key, and an edit anywhere in the kernel gives a new key.

NUMBA_DISABLE_JIT=1 leaves plain Python: the same functions, to step through and to read.
"""

from collections.abc import Callable
from types import CodeType, ModuleType
from typing import Any

import numba
import numpy as np

from facetrace.kernel.code_cache import CodeCacheFile

# Leaves: compiled into whatever calls them. NaN and signs of
# zero are meaningful to the physics, so of fastmath only the fusing of a * b + c is allowed.
# Inlined without exception: a leaf that is called instead is the one compiled alone where the kernel was compiled,
# and a copy optimised with its caller where it was loaded from disk, and these round differently.
LEAF_OPTIONS = {
    "error_model": "numpy", "nogil": True, "forceinline": True, "fastmath": ("contract",),
}  # fmt: skip
SERIAL_OPTIONS = {"error_model": "numpy", "nogil": True}
PARALLEL_OPTIONS = SERIAL_OPTIONS | {"parallel": True}
# Without numba's counting of references, which costs a third of the speed where arrays come in a tuple.
# numba then refuses a leaf that allocates, as a GPU would.
DEVICE_OPTIONS = LEAF_OPTIONS | {"_nrt": False}


def leaf(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function into those that call it."""
    return _compiled(function, LEAF_OPTIONS)


def device(function: Callable[..., Any]) -> Callable[..., Any]:
    """As ``leaf``, for one that neither allocates nor raises."""
    return _compiled(function, DEVICE_OPTIONS)


def _compiled(
    function: Callable[..., Any], options: dict[str, Any], **more: bool
) -> Callable[..., Any]:
    if numba.config.DISABLE_JIT:
        # compiled code says nothing of overflows and divisions by zero either
        return np.errstate(all="ignore")(function)
    if "fastmath" in options:
        options = options | {"fastmath": set(options["fastmath"])}
    return numba.njit(**options, **more)(function)  # type: ignore[no-any-return]


def _code_text(code: CodeType) -> str:
    inner = [_code_text(c) if isinstance(c, CodeType) else repr(c) for c in code.co_consts]
    return f"{code.co_code!r}{inner}{code.co_names}{code.co_varnames}"


def fingerprint(*modules: ModuleType) -> int:
    """64-bit FNV-1a hash of the functions, constants and named tuples that *modules* define.

    The same in every process (unlike ``hash``), and different after any edit
    of a kernel function, constant or default, or of a tuple's members.
    """
    texts = []
    for module in modules:
        for name in sorted(vars(module)):
            value = vars(module)[name]
            function = getattr(value, "py_func", value)
            if hasattr(function, "__code__"):
                texts.append(name + _code_text(function.__code__))
            elif hasattr(value, "_fields"):
                texts.append(f"{name}={value._fields!r}")
            elif isinstance(value, (int, float, str, dict)) and not name.startswith("__"):
                texts.append(f"{name}={value!r}")
    state = 0xCBF29CE484222325
    for byte in "".join(texts).encode():
        state = ((state ^ byte) * 0x100000001B3) & 0xFFFFFFFFFFFFFFFF
    return state >> 1  # fits int64


def parallel_entry(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a parallel entry point, kept on disk where a place can be written to.

    Without such a place (read-only install and home) it is compiled in memory.
    """
    return _kept(function, PARALLEL_OPTIONS)


def serial_entry(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a serial entry point all of whose callees live in its own file, where numba looks for edits."""
    return _kept(function, SERIAL_OPTIONS)


def _kept(function: Callable[..., Any], options: dict[str, Any]) -> Callable[..., Any]:
    try:
        return with_own_files(_compiled(function, options, cache=True))
    except RuntimeError:
        return _compiled(function, options)


def with_own_files(compiled: Callable[..., Any]) -> Callable[..., Any]:
    """A function that numba keeps on disk, kept in files of ``code_cache``; in plain Python there is nothing to keep."""
    cache = getattr(compiled, "_cache", None)
    if cache is not None:
        cache._cache_file.__class__ = CodeCacheFile
    return compiled
