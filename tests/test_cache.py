"""Compiled code on disk is never stale: its key changes with any edit of the kernel."""

import subprocess
import sys
from types import ModuleType

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
