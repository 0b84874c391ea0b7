"""The house: no floor imports a higher one, and the kernel knows nothing but numbers."""

import ast
from pathlib import Path

import facetrace

PACKAGE = Path(facetrace.__file__).parent
FLOORS = [
    "common",
    "kernel",
    "design",
    "solid",
    "bench",
    "placement",
    "optics",
    "trace",
    "rough",
    "studies",
    "recut",
    "results",
    "report",
    "checks",
    "notebook",
    "cli",
]
KERNEL_MAY = {"numpy", "numba", "math", "collections", "functools", "types", "typing"}
# where compiled code is kept between runs is the one file of the kernel that knows of files
KEEPS = ("code_cache.py", {"hashlib", "contextlib", "pathlib"})
TRACING = ("facetrace.kernel", "facetrace.trace.run", "facetrace.trace.faceup.trace")


def imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_every_package_has_a_floor():
    found = {p.parent.name for p in PACKAGE.glob("*/__init__.py")}
    assert found == set(FLOORS)


def test_no_floor_imports_a_higher_one():
    for height, floor in enumerate(FLOORS):
        for path in (PACKAGE / floor).rglob("*.py"):
            for name in imports(path):
                parts = name.split(".")
                if parts[0] == "facetrace" and len(parts) > 1 and parts[1] in FLOORS:
                    assert FLOORS.index(parts[1]) <= height, f"{path} imports {name}"


def test_report_and_results_trace_nothing():
    """Pictures, pages and words are made of what a study returned: neither room knows the kernel, nor what runs it."""
    for room in ("report", "results"):
        for path in (PACKAGE / room).rglob("*.py"):
            for name in imports(path):
                assert not name.startswith(TRACING), f"{path} imports {name}"


def test_commands_are_thin():
    """A command reads options, makes one call, writes and prints: 250 lines at most."""
    for path in (PACKAGE / "cli").glob("*.py"):
        count = len(path.read_text(encoding="utf-8").splitlines())
        assert count <= 250, f"{path} has {count} lines"


def test_kernel_imports_only_numbers():
    """numpy, numba and math; of the rest only names for type hints."""
    for path in (PACKAGE / "kernel").rglob("*.py"):
        for name in imports(path):
            top = name.split(".")[0]
            keeps = path.name == KEEPS[0] and top in KEEPS[1]
            assert top in KERNEL_MAY or name.startswith("facetrace.kernel") or keeps, (
                f"{path} imports {name}"
            )


def test_kernel_raises_nothing():
    """A graphics card could not; wrong input is told apart before the kernel is called."""
    for path in (PACKAGE / "kernel").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not isinstance(node, ast.Raise | ast.Assert), f"{path}:{node.lineno}"


def test_no_function_needs_scrolling_twice():
    """At most 110 lines; the uniaxial event and the two path loops are the longest."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                body = node.end_lineno - node.body[0].lineno + 1
                assert body <= 110, f"{path}: {node.name} has {body} lines"
