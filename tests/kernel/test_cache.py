"""Compiled code on disk is never stale: its key changes with any edit of the kernel, or of the placement's own file."""

import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numba
import numpy as np
import pytest
from shared import ROOT

from facetrace.kernel import driver, facet_driver
from facetrace.kernel.code_cache import CodeCacheFile
from facetrace.kernel.compiling import device, fingerprint
from facetrace.placement import climbing, programs

SOURCE = """
from typing import NamedTuple

LIMIT = 3.0

class Pair(NamedTuple):
    one: float
    two: float

def leaf(x):
    return x * 2.0 + LIMIT
"""


def module_of(source):
    module = ModuleType("sample")
    exec(source, vars(module))
    return module


def test_fingerprint_follows_code_constants_and_globals():
    base = fingerprint(module_of(SOURCE))
    assert fingerprint(module_of(SOURCE)) == base
    assert fingerprint(module_of(SOURCE.replace("2.0", "2.5"))) != base
    assert fingerprint(module_of(SOURCE.replace("LIMIT = 3.0", "LIMIT = 3.5"))) != base
    assert fingerprint(module_of(SOURCE.replace("+ LIMIT", "- LIMIT"))) != base
    # members of one type that trade places leave numba's types as they were
    assert fingerprint(module_of(SOURCE.replace("one", "two_").replace("two:", "one:"))) != base


@pytest.mark.parametrize("loop", [driver, facet_driver], ids=["paths", "facets"])
def test_a_driver_s_fingerprint_covers_all_that_it_calls(loop):
    """Every compiled function that is reached from its loops lies in its own file or in the CODE of its fingerprint."""
    covered = {loop.__name__} | {module.__name__ for module in loop.CODE}
    left = [v.py_func for v in vars(loop).values() if hasattr(v, "py_func")]
    seen = set()
    while left:
        function = left.pop()
        seen.add(function)
        assert function.__module__ in covered, function
        for name in function.__code__.co_names:
            called = getattr(function.__globals__.get(name), "py_func", None)
            if called is not None and called not in seen:
                left.append(called)
    assert len(seen) > 10


def test_a_device_function_cannot_allocate():
    """It could not on a GPU, and counting of references would cost speed."""

    @device
    def first_of_copy(row):
        return row.copy()[0]

    @numba.njit
    def caller(row):
        return first_of_copy(row)

    with pytest.raises(numba.core.errors.NumbaError, match="NRT required"):
        caller(np.zeros(3))


def test_fingerprint_is_the_same_in_every_process():
    program = (
        "from facetrace.kernel import uniaxial; from facetrace.kernel.compiling import fingerprint; "
        "print(fingerprint(uniaxial))"
    )
    values = {
        subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True
        ).stdout
        for _ in range(2)
    }
    assert len(values) == 1


def kept_file(folder):
    return CodeCacheFile(str(folder), "walk-1.py3", (1.5, 99))


def test_code_of_two_keys_never_shares_a_file(tmp_path):
    """Two processes that look at the folder before either has written must not give both the same place."""
    one, two = kept_file(tmp_path), kept_file(tmp_path)
    one.save(("a",), "code of a")
    two.save(("b",), "code of b")
    for file in (one, two, kept_file(tmp_path)):
        assert (file.load(("a",)), file.load(("b",))) == ("code of a", "code of b")
    assert kept_file(tmp_path).load(("c",)) is None


def test_code_of_other_sources_or_versions_is_not_taken(tmp_path, monkeypatch):
    kept_file(tmp_path).save("key", "code")
    assert CodeCacheFile(str(tmp_path), "walk-1.py3", (1.6, 99)).load("key") is None
    later = kept_file(tmp_path)
    later._version = "another numba"
    assert later.load("key") is None


@pytest.mark.parametrize("share", [0.0, 0.3, 0.999])
def test_code_cut_short_is_compiled_again(tmp_path, share):
    kept_file(tmp_path).save("key", "code" * 50)
    (path,) = tmp_path.iterdir()
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    assert kept_file(tmp_path).load("key") is None


def test_one_flipped_bit_is_found(tmp_path):
    kept_file(tmp_path).save("key", "code" * 50)
    (path,) = tmp_path.iterdir()
    content = bytearray(path.read_bytes())
    for place in range(0, len(content), 17):
        content[place] ^= 4
        path.write_bytes(content)
        assert kept_file(tmp_path).load("key") is None
        content[place] ^= 4


def test_a_folder_that_cannot_be_written_to_does_no_harm(tmp_path):
    gone = kept_file(tmp_path / "gone")
    gone.save("key", "code")
    assert gone.load("key") is None


SUMS = """
import hashlib
from pathlib import Path
from facetrace.cli.loading import load_stone
from facetrace.studies.opening import load_material
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.trace.run import trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

def bits():
    file, solid = load_stone(Path("designs/round-brilliant.toml"))
    medium = medium_of(load_material(file), observer())
    scene = scene_of(solid, medium, (0.2, 0.1), find_light("hemisphere"), View())
    return hashlib.sha256(trace_sums(scene, 32, 7).rows.tobytes()).hexdigest()
"""


def bits_elsewhere(folder, threads):
    """The sums' digest of another process that keeps compiled code in *folder*."""
    done = subprocess.run(
        [sys.executable, "-c", f"{SUMS}\nprint(bits())"], cwd=ROOT, capture_output=True, text=True, check=True,
        env=os.environ | {"NUMBA_CACHE_DIR": str(folder), "NUMBA_NUM_THREADS": str(threads)},
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout.strip()


@pytest.mark.slow
def test_sums_are_the_same_bits_compiled_or_loaded_on_1_2_and_8_threads(tmp_path, monkeypatch):
    """Compiled elsewhere and kept, loaded, and here. Without a place to keep it: tests/cli/test_fresh.py."""
    found = [bits_elsewhere(tmp_path, threads) for threads in (2, 8, 1)]
    assert list(tmp_path.rglob("*.nbc"))
    monkeypatch.chdir(ROOT)
    space = {}
    exec(SUMS, space)
    found.append(space["bits"]())
    assert len(set(found)) == 1


# ---- placement --------------------------------------------------------------------------------

ENTRIES = {climbing: ("climbed", "nearby", "rated"), programs: ("least_cost",)}


@pytest.mark.parametrize(
    ("module", "name"), [(m, n) for m, names in ENTRIES.items() for n in names], ids=lambda v: v if isinstance(v, str) else ""
)  # fmt: skip
def test_placement_s_entries_call_nothing_compiled_of_another_file(module, name):
    """numba looks for edits in an entry's own file alone; so there must be all that it calls, and all its constants."""
    entry = getattr(module, name)
    assert isinstance(entry._cache._cache_file, CodeCacheFile)
    seen, left = set(), [entry.py_func]
    while left:
        function = left.pop()
        assert function.__module__ == module.__name__
        seen.add(function.__name__)
        for used in function.__code__.co_names:
            value = function.__globals__.get(used)
            if hasattr(value, "py_func") and value.py_func.__name__ not in seen:
                left.append(value.py_func)
            elif isinstance(value, (int, float)):
                assert f"\n{used}" in SOURCES[module] or f", {used}" in SOURCES[module]
    # the walk goes down: the two large entries call many
    assert len(seen) > 3 or name in ("rated", "nearby")


SOURCES = {module: Path(module.__file__).read_text(encoding="utf-8") for module in ENTRIES}

PLACED = """
import hashlib
import numpy as np
import trimesh
from facetrace.placement.bound import bounded
from facetrace.placement.search import Effort, largest, prepared
from facetrace.placement.shapes import Facing, Obstacle, Space, stone_of
from facetrace.solid.polyhedron import Solid

def bits():
    gem = stone_of(Solid.from_planes([[0, 0, 1], [0, 0, -1], [1, 0, 0.6], [-1, 0, 0.6], [0, 1, 0.6], [0, -1, 0.6]], [0.4, 0.6, 1, 1, 1, 1]))
    ball = trimesh.creation.icosphere(subdivisions=2, radius=3)
    crack = Obstacle("crack", np.array([[0.2, y, z] for y in (-2.0, 2.0) for z in (-2.0, 2.0)]), margin_mm=0.1)
    space = Space(np.array(ball.vertices) * [1, 1.1, 0.9], np.array(ball.faces), (crack,), 0.1)
    found = largest(gem, prepared(space), Facing(both=True), effort=Effort(200, 4, (1, 1), (4, 4)))[0]
    most = bounded(gem, space, Facing(both=True), found.volume, most_cells=150)
    numbers = [found.scale, *found.rotation.ravel(), *found.shift, most.most_mm3]
    return hashlib.sha256(np.array(numbers).tobytes()).hexdigest()
"""


@pytest.mark.slow
def test_placements_are_the_same_bits_compiled_loaded_or_compiled_anew(tmp_path):
    """As found here; compiled elsewhere and kept; loaded; where what was kept is damaged; and it is whole again then."""
    space = {}
    exec(PLACED, space)
    found = [space["bits"](), placed_elsewhere(tmp_path)]
    kept = [f for f in tmp_path.rglob("*.nbc") if f.name.startswith(("climbing.", "programs."))]
    assert {f.name.split("-")[0] for f in kept} == {
        "climbing.climbed",
        "climbing.nearby",
        "climbing.rated",
        "programs.least_cost",
    }
    whole = {file: file.read_bytes() for file in kept}
    found.append(placed_elsewhere(tmp_path))
    # loaded, not compiled: no file is newer
    assert {file: file.read_bytes() for file in kept} == whole
    # the largest takes half a minute to compile, and is kept in the same way
    damaged = [f for f in kept if not f.name.startswith("climbing.climbed")]
    for file in damaged:
        content = bytearray(file.read_bytes())
        content[len(content) // 2] ^= 4
        file.write_bytes(content)
    found.append(placed_elsewhere(tmp_path))
    for file in damaged:
        content = bytearray(whole[file])
        content[len(content) // 2] ^= 4
        assert file.read_bytes() != content
    assert len(set(found)) == 1


def placed_elsewhere(folder):
    done = subprocess.run(
        [sys.executable, "-c", f"{PLACED}\nprint(bits())"], cwd=ROOT, capture_output=True, text=True, check=True,
        env=os.environ | {"NUMBA_CACHE_DIR": str(folder)},
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout.strip()
