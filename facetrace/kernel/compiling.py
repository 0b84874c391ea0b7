"""How kernel functions are compiled: one place, so that caching is never wrong.

numba keeps compiled entry points on disk, and looks only at the file of the
entry point when it decides whether the copy is stale. Our entry points call
functions of other files. So each entry point is built by a factory that closes
over a fingerprint of all kernel code: numba makes closures part of the cache
key, and an edit anywhere in the kernel gives a new key.
"""

from collections.abc import Callable
from types import CodeType, ModuleType
from typing import Any

import numba

from facetrace.common.compiled import CodeCacheFile

# Leaves: compiled into whatever calls them. They may not allocate or raise. NaN and signs of
# zero are meaningful to the physics, so of fastmath only the fusing of a * b + c is allowed.
# Inlined without exception: a leaf that is called instead is the one compiled alone where the kernel was compiled,
# and a copy optimised with its caller where it was loaded from disk, and these round differently.
LEAF_OPTIONS = {
    "error_model": "numpy", "nogil": True, "forceinline": True, "fastmath": ("contract",),
}  # fmt: skip
ENTRY_OPTIONS = {"error_model": "numpy", "nogil": True, "parallel": True}

device = numba.njit(**{**LEAF_OPTIONS, "fastmath": set(LEAF_OPTIONS["fastmath"])})  # type: ignore[call-overload]


def _code_text(code: CodeType) -> str:
    inner = [_code_text(c) if isinstance(c, CodeType) else repr(c) for c in code.co_consts]
    return f"{code.co_code!r}{inner}{code.co_names}{code.co_varnames}"


def fingerprint(*modules: ModuleType) -> int:
    """64-bit FNV-1a hash of the functions and constants that *modules* define.

    The same in every process (unlike ``hash``), and different after any edit
    of a kernel function, constant or default.
    """
    texts = []
    for module in modules:
        for name in sorted(vars(module)):
            value = vars(module)[name]
            function = getattr(value, "py_func", value)
            if hasattr(function, "__code__"):
                texts.append(name + _code_text(function.__code__))
            elif isinstance(value, (int, float, str, dict)) and not name.startswith("__"):
                texts.append(f"{name}={value!r}")
    state = 0xCBF29CE484222325
    for byte in "".join(texts).encode():
        state = ((state ^ byte) * 0x100000001B3) & 0xFFFFFFFFFFFFFFFF
    return state >> 1  # fits int64


def entry(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a parallel entry point, kept on disk where a place can be written to.

    Without such a place (read-only install and home) it is compiled in memory.
    """
    return _kept(function, ENTRY_OPTIONS)


def alone(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a serial entry point all of whose callees live in its own file, where numba looks for edits."""
    return _kept(function, {"error_model": "numpy", "nogil": True})


def _kept(function: Callable[..., Any], options: dict[str, Any]) -> Callable[..., Any]:
    try:
        compiled = numba.njit(cache=True, **options)(function)
    except RuntimeError:
        compiled = numba.njit(cache=False, **options)(function)
    else:
        # without JIT there is no cache to speak of
        cache = getattr(compiled, "_cache", None)
        if cache is not None:
            cache._cache_file.__class__ = CodeCacheFile
    return compiled  # type: ignore[no-any-return]
