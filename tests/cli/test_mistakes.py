"""Ten likely mistakes: each is made, and what the command says is told to the letter."""

import re
import shutil

import pytest
import trimesh
from shared import ROOT
from typer.testing import CliRunner

from facetrace.cli.commands import app
from facetrace.common.errors import FacetraceError
from facetrace.design.model import read_design
from facetrace.rough import scan
from facetrace.studies.opening import probable_slip

# what is said of each, to the letter; designs/FILES.md shows them
SAID = {
    'name of a file mistyped': 'error: stnoe.toml: no such file; did you mean stone.toml?',
    'key misspelt': "error: stone.toml:9: outline.lenght_mm: unknown key; did you mean 'length_mm'?",
    'decimal comma': 'error: stone.toml:23: not valid TOML: 41,2 has a decimal comma; write 41.2',
    'text without quotes': 'error: stone.toml:4: not valid TOML: text without quotes; write material = "ruby"',
    'share where percent are wanted': 'error: stone.toml:19: crown.table_percent: 0.56 % is next to nothing; give percent, like 56',
    'angles of crown and pavilion exchanged': "stone.toml:18: crown.angle: 42 is steeper than the pavilion's 36; are they in each other's place?",
    'index beyond the gear': 'error: tiers.toml:53: tier[6].index: 102 is beyond the gear; positions run from 0 to 96',
    'scan itself in place of a rough file': 'error: scan.stl: is a mesh (STL); a rough file is needed here ([shape], which may name a mesh)',
    'scan in inches': 'error: rough.toml:8: shape.mesh: scan.stl: its largest side is 0.478 mm, which no rough is (2 to 200 mm); if it is in inches (12.1 mm) or centimetres (4.78 mm), scale it to mm',
    'scan with a hole': "error: rough.toml:8: shape.mesh: scan.stl: the mesh is not closed: a hole 8 mm wide with 20 edges is too large to be filled unseen; close it in the scanner's program",
}  # fmt: skip
QUICK = ["--rays", "256", "--size", "64", "--samples", "1"]


def changed(name, old, new):
    """A file beside, with something else in it."""
    path = {"stone.toml": "designs/round-brilliant.toml", "tiers.toml": "designs/round-by-hand.toml",
            "rough.toml": "designs/roughs/cracked-pebble.toml"}[name]  # fmt: skip
    text = (ROOT / path).read_text(encoding="utf-8")
    assert old in text
    with open(name, "w", encoding="utf-8") as stream:  # noqa: PTH123
        stream.write(text.replace(old, new))
    return ["trace", name, *QUICK]


def scanned(change):
    """A rough file that names a scan with something wrong in it."""
    mesh = trimesh.load_mesh(ROOT / "designs" / "roughs" / "cracked-pebble.stl")
    change(mesh)
    mesh.export("scan.stl")
    changed("rough.toml", "cracked-pebble.stl", "scan.stl")
    return ["plan", "rough.toml", "stone.toml"]


def without_top(mesh):
    heights = mesh.triangles_center[:, 2]
    mesh.update_faces(heights < 0.8 * heights.max())


MISTAKES = {
    "name of a file mistyped": lambda: ["trace", "stnoe.toml"],
    "key misspelt": lambda: changed("stone.toml", "length_mm", "lenght_mm"),
    "decimal comma": lambda: changed("stone.toml", "angle = 42", "angle = 41,2"),
    "text without quotes": lambda: changed("stone.toml", '"ruby"', "ruby"),
    "share where percent are wanted": lambda: changed("stone.toml", "table_percent = 56", "table_percent = 0.56"),
    "angles of crown and pavilion exchanged": lambda: changed("stone.toml", "angle = 42", "angle = 36") and changed(
        "stone.toml", 'angle = 36\ntable_percent = 56\n\n[pavilion]\nstyle = "brilliant"\nangle = 42', 'angle = 42\ntable_percent = 56\n\n[pavilion]\nstyle = "brilliant"\nangle = 36'),
    "index beyond the gear": lambda: changed("tiers.toml", "at = [6]", "at = [102]"),
    "scan itself in place of a rough file": lambda: [*scanned(lambda _: None)[:1], "scan.stl", "stone.toml"],
    "scan in inches": lambda: scanned(lambda mesh: mesh.apply_scale(1 / 25.4)),
    "scan with a hole": lambda: scanned(without_top),
}  # fmt: skip


def test_the_readme_says_what_is_said():
    """Every line in the table under the mark, whatever its other words are."""
    text = (ROOT / "designs" / "FILES.md").read_text(encoding="utf-8")
    table = text.partition("<!-- lines of SAID in tests/cli/test_mistakes.py -->\n")[2].partition(
        "\n\n"
    )[0]
    shown = re.findall(r"\| `([^`]+)` \|$", table, re.M)
    assert set(shown) <= set(SAID.values())


@pytest.mark.parametrize("mistake", MISTAKES)
def test_what_is_said_of_a_mistake(mistake, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "designs" / "round-brilliant.toml", "stone.toml")
    words = MISTAKES[mistake]()
    before = sorted(p.name for p in tmp_path.iterdir())
    done = CliRunner().invoke(app, words)
    said = SAID[mistake]
    if said.startswith("error: "):
        assert done.stderr == f"{said}\n"
        assert done.stdout == ""
        assert done.exit_code == 2
        assert sorted(p.name for p in tmp_path.iterdir()) == before
    else:
        assert said in done.stderr.splitlines()
        assert done.exit_code == 0


def test_no_shipped_design_is_doubted():
    for path in sorted((ROOT / "designs").glob("*.toml")):
        assert probable_slip(read_design(path).design) is None


def test_other_units_are_noticed(tmp_path):
    """Pieces of 5 to 20 mm that a scan has in centimetres, inches or metres are never taken for millimetres."""
    ball = trimesh.creation.icosphere(subdivisions=1, radius=0.5)
    for size in (5, 10, 19.9):
        for unit in (10, 25.4, 1000):
            with pytest.raises(FacetraceError, match=r"no rough is .2 to 200 mm.; if it is in"):
                scan.mended(ball.vertices * size / unit, ball.faces)
        scan.mended(ball.vertices * size, ball.faces)
    text = (
        (ROOT / "designs" / "round-brilliant.toml")
        .read_text(encoding="utf-8")
        .replace("6.5\n", "0.65\n")
    )
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    with pytest.raises(
        FacetraceError, match=r"0\.65 mm is no stone; give millimetres, like 6\.5 for 0\.65 cm"
    ):
        read_design(tmp_path / "a.toml")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("angle = -3,5 # c", "-3,5 has a decimal comma; write -3.5"), ("name = my stone  # mine", 'text without quotes; write name = "my stone"'),
        ("x = [1,2", "a line is: key = value"), ("x = 1,2,3", "a line is: key = value"), ("just words", "a line is: key = value"),
    ],
)  # fmt: skip
def test_what_a_line_may_mean(line, says, tmp_path):
    (tmp_path / "a.toml").write_text(line + "\n", encoding="utf-8")
    with pytest.raises(FacetraceError, match=re.escape(says)):
        read_design(tmp_path / "a.toml")


@pytest.mark.parametrize("typed", ["stone", "stnoe", "stone.TOML", "stoe.toml"])
def test_an_ending_left_out_is_told(typed, tmp_path):
    """The name that is told is one that is there."""
    stone = tmp_path / "stone.toml"
    stone.write_bytes((ROOT / "designs" / "round-brilliant.toml").read_bytes())
    line = CliRunner().invoke(app, ["solid", str(tmp_path / typed)]).stderr
    assert line == f"error: {tmp_path / typed}: no such file; did you mean {stone}?\n"


@pytest.mark.parametrize("typed", ["x.**", "x.[", "?", "*"])
def test_a_pattern_that_no_shell_replaced_is_a_name(typed, tmp_path):
    line = CliRunner().invoke(app, ["solid", str(tmp_path / typed)]).stderr
    assert line == f"error: {tmp_path / typed}: no such file\n"


def test_a_path_with_backslashes_in_quotes(tmp_path):
    rough = tmp_path / "rough.toml"
    rough.write_text('name = "r"\n[shape]\nmesh = "..\\scans\\a.stl"\n')
    line = CliRunner().invoke(app, ["plan", str(rough), str(rough)]).stderr
    assert line == (
        f"error: {rough}:3: not valid TOML: \\ begins a sign of its own; write / in paths, like ../scans/a.stl\n"
    )


def test_a_file_that_a_file_names_is_not_written_over(tmp_path):
    """A design's material, a rough's scan: read, so not to be lost."""
    own = tmp_path / "own.toml"
    own.write_bytes((ROOT / "facetrace" / "optics" / "materials" / "calcite.toml").read_bytes())
    text = (ROOT / "designs" / "round-brilliant.toml").read_text(encoding="utf-8")
    assert 'material = "ruby"' in text
    design = tmp_path / "stone.toml"
    design.write_text(text.replace('material = "ruby"', 'material = "own.toml"'), encoding="utf-8")
    before = own.read_bytes()
    done = CliRunner().invoke(app, ["solid", str(design), "--json", str(own)])
    assert (done.exit_code, own.read_bytes()) == (2, before)
    assert (
        "own.toml: is read, and named for an output too; name another file to write\n"
        in done.stderr
    )
