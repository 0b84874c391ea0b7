"""Fresh machines: what is declared, packed and installed; how the command starts; a place with nothing in it."""

import ast
import json
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
from lowest import lowest, requirements
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from shared import ROOT, document

from facetrace.cli.version import MATTER

PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
BASE = [Requirement(text) for text in PROJECT["dependencies"]]
TEST = [Requirement(text) for text in PROJECT["optional-dependencies"]["test"]]
LOCK = ROOT / ".lock" / "development.txt"
# what an import is called where its package is called otherwise
PACKAGE_OF = {
    "PIL": "pillow", "colour": "colour-science", "vtkmodules": "vtk", "elli": "pyelli",
}  # fmt: skip
# no test imports them: tools, and what an editable install's import hook needs
UNIMPORTED = {"editables", "hatchling", "mypy", "pytest-xdist", "ruff"}
# tests/tools/fuzz.py does without it where it is missing
OPTIONAL = {"atheris"}
# of an extra, for who asks for it
WHERE_ASKED = {"distributed"}
HEAVY = {
    "PIL", "colour", "llvmlite", "matplotlib", "numba", "numpy", "pyvista", "scipy", "trimesh",
    "vtkmodules",
}  # fmt: skip
# neither a home nor a screen; nobody, root included, can make a folder there
NOWHERE = "/proc/nowhere"


def names(wanted):
    return {canonicalize_name(requirement.name) for requirement in wanted}


def third_party(*folders):
    """Packages that the code in folders imports, by an import statement or by importlib's."""
    own = {path.stem for path in (ROOT / "tests").rglob("*.py")}
    own |= {path.stem for path in (ROOT / "benchmarks").glob("*.py")} | {"facetrace"}
    found = set()
    for path in (path for folder in folders for path in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found.add(node.module)
            elif isinstance(node, ast.Call) and "import" in ast.unparse(node.func):
                found |= {a.value for a in node.args[:1] if isinstance(a, ast.Constant)}
    tops = {name.split(".")[0] for name in found} - own - sys.stdlib_module_names
    return {canonicalize_name(PACKAGE_OF.get(top, top)) for top in tops}


# ---- what is declared ------------------------------------------------------------------------


@pytest.mark.parametrize("requirement", requirements(), ids=str)
def test_every_requirement_has_both_bounds(requirement):
    """And what is installed here, if anything, lies between them."""
    operators = {part.operator for part in requirement.specifier}
    assert operators == {">=", "<"}, f"{requirement}: one >= and one <"
    try:
        here = metadata.version(requirement.name)
    except metadata.PackageNotFoundError:
        return
    assert requirement.specifier.contains(here, prereleases=True), f"{requirement.name} {here}"


def test_what_is_imported_is_declared_and_nothing_else():
    assert third_party("facetrace") - WHERE_ASKED == names(BASE)
    everywhere = third_party("facetrace", "tests", "benchmarks") - OPTIONAL
    assert everywhere == names([*BASE, *TEST]) - UNIMPORTED


def test_python_versions_agree():
    """The lowest Python is the one for which ruff checks; the classifiers lie within the bounds."""
    wanted = Requirement(f"python{PROJECT['requires-python']}")
    low = lowest(wanted)
    assert PYPROJECT["tool"]["ruff"]["target-version"] == "py" + low.replace(".", "")
    ran = [text.rpartition(" ")[2] for text in PROJECT["classifiers"] if "Python ::" in text]
    assert ran[0] == low
    assert all(wanted.specifier.contains(version) for version in ran)


def test_the_lock_holds_every_package_within_its_bounds():
    """Each with hashes; nothing of the machine on which it was made."""
    text = LOCK.read_text(encoding="utf-8")
    assert not re.search(r"https?:|file:|--(extra-)?index|/work|/home|/root|\.whl", text)
    locked = {}
    for block in re.split(r"\n(?=\S)", text):
        found = re.match(r"([\w.-]+)==(\S+)", block)
        if found:
            assert "--hash=sha256:" in block, block
            locked.setdefault(canonicalize_name(found[1]), []).append(found[2])
    for requirement in requirements():
        for version in locked[canonicalize_name(requirement.name)]:
            assert requirement.specifier.contains(version), f"{requirement}: locked at {version}"


def test_each_package_has_its_reason():
    """Tables of DEVELOPERS.md list the packages of pyproject.toml, each once."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = [canonicalize_name(n) for n in re.findall(r"^\| `([\w.-]+)` \| \S", text, re.M)]
    wanted = names([*BASE, *TEST])
    assert sorted(name for name in listed if name in wanted) == sorted(wanted)


# ---- how the command starts --------------------------------------------------------------------


def test_help_and_version_import_nothing_heavy():
    """One process asks for every help. pydantic counts only where typer does not import it itself."""
    program = (
        "import sys, contextlib, io\n"
        "from facetrace.cli.commands import app\n"
        "from typer.testing import CliRunner\n"
        "commands = [c.name for c in app.registered_commands]\n"
        "for words in [['--version'], ['--help'], *([c, '--help'] for c in commands)]:\n"
        "    assert CliRunner().invoke(app, words).exit_code == 0, words\n"
        "print(len(commands), *{name.split('.')[0] for name in sys.modules})"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    count, *modules = done.stdout.split()
    assert int(count) >= 14
    brought = {Requirement(text).name for text in metadata.requires("typer") or []}
    assert set(modules) & (HEAVY | ({"pydantic"} - brought)) == set()


def test_version_names_what_matters():
    """The first line is the program's; every package of the base is named, and so are the two that
    numba and pyvista rest on."""
    words = [sys.executable, "-m", "facetrace.cli.main", "--version"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    first, *lines = done.stdout.splitlines()
    assert re.fullmatch(r"facetrace \d+\.\d+\.\d+", first)
    told = dict(re.findall(r"([\w-]+) (\d[\w.]*)", "\n".join(lines)))
    for group in MATTER.values():
        for name in group:
            assert told[name] == metadata.version(name)
    assert {n for group in MATTER.values() for n in group} == names(BASE) | {"llvmlite"}
    assert told["CPython" if sys.implementation.name == "cpython" else "PyPy"] in sys.version
    assert all(len(line) <= 100 for line in lines)


# ---- letters that a terminal lacks, and names that are no text -----------------------------------


def spoken(*words, folder, **environment):
    command = [sys.executable, "-m", "facetrace.cli.main", *words]
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    return subprocess.run(
        command,
        cwd=folder,
        capture_output=True,
        env=os.environ | {"PYTHONPATH": path} | environment,
    )


@pytest.fixture
def odd_design(tmp_path):
    """A design whose name holds letters beyond ASCII, in a folder with a space."""
    folder = tmp_path / "Rübe für Ÿ ✂"
    folder.mkdir()
    text = (ROOT / "designs" / "round-brilliant.toml").read_text(encoding="utf-8")
    named = re.sub(r'^name = ".*"', 'name = "Rübe ✂"', text, count=1, flags=re.M)
    assert named != text
    (folder / "Rübe.toml").write_text(named, encoding="utf-8")
    return folder


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_any_terminal_can_be_written_to(odd_design, encoding):
    """The table is drawn with what there is; JSON is UTF-8 always (RFC 8259, 8.1)."""
    table = spoken("solid", "Rübe.toml", folder=odd_design, PYTHONIOENCODING=encoding)
    assert table.returncode == 0, table.stderr
    text = table.stdout.decode(encoding)
    assert ("│" in text) == (encoding == "utf-8")
    assert {"ascii": "R?be ?", "latin-1": "Rübe ?", "utf-8": "Rübe ✂"}[encoding] in text
    done = spoken("solid", "Rübe.toml", "--json", "-", folder=odd_design, PYTHONIOENCODING=encoding)
    assert json.loads(done.stdout.decode("utf-8"))["design"]["name"] == "Rübe ✂"


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere names of files are text")
def test_a_name_that_is_no_utf8(odd_design):
    """It could be shown on no page and in no JSON: refused in one line, with the byte written out."""
    name = os.fsdecode(b"caf\xe9.toml")
    (odd_design / "Rübe.toml").rename(odd_design / name)
    for command in ("solid", "trace", "sheet", "report"):
        done = spoken(command, name, folder=odd_design)
        assert done.returncode == 2
        assert (
            done.stderr
            == b"error: caf\\udce9.toml: its name is not plain text in UTF-8; rename it\n"
        )


# ---- what is packed ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    """Folder with a wheel and a source archive, built from here without any network."""
    folder = tmp_path_factory.mktemp("packed")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", folder],
        cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def files_of(*folders):
    paths = (path for folder in folders for path in (ROOT / folder).rglob("*") if path.is_file())
    passing = re.compile(r"__pycache__|\.nb[ic]$|\.py[co]$")
    return {str(p.relative_to(ROOT)) for p in paths if not passing.search(str(p))}


def test_the_wheel_is_the_package(packed):
    (path,) = packed.glob("*.whl")
    with zipfile.ZipFile(path) as wheel:
        held = set(wheel.namelist())
        (told,) = (name for name in held if name.endswith("/METADATA"))
        text = wheel.read(told).decode()
    inside = {name for name in held if ".dist-info/" not in name}
    assert inside == files_of("facetrace")
    assert {name.rpartition("/")[2] for name in held - inside} >= {"LICENSE", "entry_points.txt"}
    for line in ("Name: facetrace", "License-Expression: MIT", "Requires-Python: <3.15,>=3.11"):
        assert line in text.splitlines()


def test_the_source_archive_holds_what_the_tests_read(packed):
    (path,) = packed.glob("*.tar.gz")
    with tarfile.open(path) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    wanted = files_of("facetrace", "tests", "benchmarks", ".ci", ".lock")
    wanted |= {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    wanted |= {name for name in files_of("designs") if name.endswith((".toml", ".json", ".md"))}
    assert wanted <= held
    assert all(not name.endswith((".nbi", ".nbc", ".pyc")) for name in held)


@pytest.mark.slow
def test_a_wheel_in_a_bare_place(packed, odd_design, tmp_path):
    """No home, no screen, C locale, a path with spaces, compiled code that cannot be kept: figures, a
    picture, and no word of a library on stderr."""
    (path,) = packed.glob("*.whl")
    place = tmp_path / "Räume voll Ÿ"
    with zipfile.ZipFile(path) as wheel:
        wheel.extractall(place)
    for folder in [p for p in place.rglob("*") if p.is_dir()] + [place / "facetrace"]:
        # where a file of this name lies, neither Python nor numba can keep anything
        (folder / "__pycache__").touch()
    bare = {
        "PATH": os.defpath, "PYTHONPATH": str(place), "HOME": NOWHERE, "LC_ALL": "C",
        "PYTHONSAFEPATH": "1",
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "facetrace.cli.main", "trace", "Rübe.toml", "--rays", "4096",
         "--size", "64", "--json", "figures.json"],
        cwd=odd_design, capture_output=True, env=bare,
    )  # fmt: skip
    told = done.stderr.decode().splitlines()
    assert done.returncode == 0, told
    starts = ["4,096 rays, ", "picture: Rübe.png", "An estimate from", "Colour rests on"]
    assert len(told) == len(starts), told
    assert all(line.startswith(start) for line, start in zip(told, starts, strict=True)), told
    assert "Rübe ✂" in done.stdout.decode()
    assert (odd_design / "Rübe.png").read_bytes().startswith(b"\x89PNG")
    figures = json.loads((odd_design / "figures.json").read_text(encoding="utf-8"))
    # the same bits as those of code that was kept
    here = document("trace", odd_design / "Rübe.toml", "--rays", 4096, "--no-picture")
    assert figures["measures"] == here["measures"]
    assert not list(place.rglob("*.nbi"))
    assert not Path(NOWHERE).exists()
