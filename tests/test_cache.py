"""Compiled code on disk is never stale: its key changes with any edit of the kernel."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from types import ModuleType

import pytest
from conftest import ROOT

from facetrace.common.compiled import KeptFile
from facetrace.kernel.compiling import fingerprint

SOURCE = """
LIMIT = 3.0

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
    return KeptFile(str(folder), "walk-1.py3", (1.5, 99))


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
    assert KeptFile(str(tmp_path), "walk-1.py3", (1.6, 99)).load("key") is None
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
from facetrace.cli.loading import load_material, load_stone
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
    """Compiled here and kept, compiled at the same moment elsewhere, loaded, compiled without a place to keep it.

    Damaged code is compiled anew.
    """
    shared, nowhere = tmp_path / "shared", tmp_path / "file"
    shared.mkdir()
    nowhere.write_text("no folder")
    with ThreadPoolExecutor() as pool:
        found = list(pool.map(bits_elsewhere, [shared, nowhere / "x"], [2, 1]))
    kept = list(shared.rglob("*.nbc"))
    assert kept
    found += [bits_elsewhere(shared, 8), bits_elsewhere(shared, 1)]
    for file in kept:
        content = file.read_bytes()
        file.write_bytes(content[: len(content) // 2])
    found.append(bits_elsewhere(shared, 2))
    monkeypatch.chdir(ROOT)
    space = {}
    exec(SUMS, space)
    found.append(space["bits"]())
    assert len(set(found)) == 1
