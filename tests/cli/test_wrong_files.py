"""A wrong file in place of a right one, and a wrong word on the command line: one line that says what it is and what is needed."""

import json
import struct
import subprocess
import sys

import pytest
import trimesh
from PIL import Image
from shared import ROOT, ROUND, refused, run

from facetrace.cli.loading import numbers_of
from facetrace.common.errors import FacetraceError

OURS = {
    "design": ("designs/round-brilliant.toml", "a design file"),
    "tiers": ("designs/round-by-hand.toml", "a design file"),
    "rough": ("designs/roughs/blue-plate.toml", "a rough file"),
    "zone": ("designs/zones/blue-flank.toml", "a zone file"),
    "stone": ("designs/cut/ruby-above-a-carat.toml", "a cut stone's file"),
    "price": ("designs/prices/invented.toml", "a price file"),
}
# what each command reads, with {} for the file
READERS = {
    "design": [["solid", "{}"], ["trace", "{}"], ["angles", "{}"], ["movie", "{}"], ["sheet", "{}"], ["report", "{}"],
               ["orient", "{}", "--zone", "designs/zones/blue-flank.toml"]],
    "zone": [["orient", "designs/round-brilliant.toml", "--zone", "{}"], ["report", "designs/round-brilliant.toml", "--zone", "{}"]],
    "rough": [["plan", "{}", "designs/oval-brilliant.toml"]],
    "stone": [["recut", "{}"]],
    "price": [["plan", "designs/roughs/blue-plate.toml", "designs/oval-brilliant.toml", "--prices", "{}"]],
}  # fmt: skip


@pytest.fixture
def at_root(monkeypatch):
    monkeypatch.chdir(ROOT)


@pytest.mark.parametrize("wanted", READERS)
@pytest.mark.parametrize("given", OURS)
def test_a_file_of_another_kind_says_which_it_is(wanted, given, at_root, tmp_path):
    path, words = OURS[given]
    if wanted == given or (wanted, given) == ("design", "tiers"):
        return
    for command in READERS[wanted]:
        line = refused([w.replace("{}", path) for w in command])
        assert line.startswith(f"error: {path}: is {words}; ")
        assert f"{OURS[wanted][1]} is needed here (" in line


def test_an_unknown_key_in_the_right_kind_is_told_as_ever(tmp_path):
    path = tmp_path / "stone.toml"
    text = ROUND.read_text(encoding="utf-8")
    path.write_text(text.replace("[outline]", "[outlined]"), encoding="utf-8")
    assert "outlined: unknown key; did you mean 'outline'?" in refused(["solid", path])
    path.write_text('name = "a"\ngeer = 96\n', encoding="utf-8")
    assert "geer: unknown key; did you mean 'gear'?" in refused(["solid", path])


def others(folder):
    """Files of other trades, made by general-purpose libraries; their names say nothing."""
    box = trimesh.creation.box()
    for kind, words in (("stl", "a mesh (STL)"), ("stl_ascii", "a mesh (STL)"), ("obj", "a mesh (OBJ)"), ("ply", "a mesh (PLY)")):  # fmt: skip
        made = box.export(file_type=kind)
        yield kind, made.encode() if isinstance(made, str) else made, words
    large = trimesh.creation.icosphere(subdivisions=6).export(file_type="stl")
    assert len(large) > 2_000_000
    yield "large", large, "a mesh (STL)"
    for kind in ("PNG", "JPEG", "WebP", "GIF"):
        Image.new("RGB", (20, 20)).save(folder / "picture", kind)
        yield kind, (folder / "picture").read_bytes(), f"a picture ({kind})"
    Image.new("RGB", (20, 20)).save(folder / "picture", "PDF")
    yield "PDF", (folder / "picture").read_bytes(), "a document (PDF)"
    # local file header of the ZIP format, APPNOTE 4.3.7
    yield "ZIP", struct.pack("<I", 0x04034B50) + bytes(26), "an archive (ZIP)"
    yield "empty", b"", "empty"
    yield "JSON", b'{"a": 1}', "JSON"


def test_meshes_and_pictures_say_what_they_are(tmp_path):
    for name, content, words in others(tmp_path):
        path = tmp_path / f"{name}.toml"
        path.write_bytes(content)
        needed = "a design file is needed here ([outline] or [[tier]])"
        assert refused(["solid", path]) == f"error: {path}: is {words}; {needed}\n"
    path.write_bytes(b"\xff\xfe")
    assert "is not a text file in UTF-8" in refused(["solid", path])


def test_a_result_says_who_wrote_it(tmp_path):
    """Of ``facetrace solid``, whose JSON is in no other kind's place."""
    told = tmp_path / "solid.json"
    assert run("solid", ROUND, "--json", told).exit_code == 0
    assert "is what facetrace solid wrote; a design file is needed here" in refused(["trace", told])
    for command in ("view", "report"):
        line = refused([command, told])
        assert "is what facetrace solid wrote and holds none of angles, " in line
        assert "name the design file itself" in line
    told.write_text(json.dumps({"schema": "facetrace-result/1", "angles": {}}), encoding="utf-8")
    assert "is what facetrace angles wrote" in refused(["solid", told])
    for broken in ("schema", "[", '{"schema": "facetrace-result/1", '):
        told.write_text(broken, encoding="utf-8")
        for command in ("view", "report"):
            assert "is not JSON" in refused([command, told])
    told.write_text("", encoding="utf-8")
    assert "is empty; name what facetrace wrote" in refused(["report", told])


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["trace", "a.toml", "--sizes", "3"], "trace: no option --sizes; did you mean --size? (help: facetrace trace --help)"),
        (["trace", "a.toml", "--zzzq"], "trace: no option --zzzq (help: facetrace trace --help)"),
        (["movie", "a.toml", "--size", "5"], "movie: --size: must be at least 160 (help: facetrace movie --help)"),
        (["trace", "a.toml", "--rays", "x"], "trace: --rays: must be a whole number (help: facetrace trace --help)"),
        (["trace", "a.toml", "--samples"], "--samples needs a value after it (help: facetrace --help)"),
        (["trace"], "trace: design is missing: design file (TOML) (help: facetrace trace --help)"),
        (["trace", "a.toml", "b.toml"], "trace: takes no further words (b.toml) (help: facetrace trace --help)"),
        (["trce"], "no command 'trce'; did you mean 'trace'? (help: facetrace --help)"),
        (["--versoin"], "no option --versoin; did you mean --version? (help: facetrace --help)"),
    ],
)  # fmt: skip
def test_a_wrong_command_line_is_told_in_one_line(words, line):
    assert refused(words) == f"error: {line}\n"


@pytest.mark.parametrize(("words", "status"), [(["--version"], 0), (["trace", "--help"], 0), (["trace", "--sise", "3"], 2)])  # fmt: skip
def test_the_programs_exit_status(words, status):
    """As a shell sees it; a wrong command line leaves stdout empty."""
    done = subprocess.run([sys.executable, "-m", "facetrace.cli.main", *words], capture_output=True, check=False)  # fmt: skip
    assert done.returncode == status
    assert bool(done.stdout) == (status == 0)


def test_a_file_that_may_not_be_read_is_told_as_elsewhere(monkeypatch):
    """The command line's library looks first; a file that another file names is refused by us."""
    monkeypatch.setattr("os.access", lambda *_, **__: False)
    result = run("solid", ROUND)
    assert result.exit_code == 2
    assert f"{ROUND} cannot be read (Permission denied)" in result.output


def test_ctrl_c_ends_with_130(monkeypatch):
    """128 and the number of the signal SIGINT, as shells count (POSIX: more than 128)."""

    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("facetrace.cli.loading.load_stone", stopped)
    done = run("solid", ROUND)
    assert done.exit_code == 130
    assert done.stderr == "stopped; nothing was written\n"


def test_lists_of_numbers_take_both_ways_of_writing():
    """FROM:TO:STEP with both ends in, as ``--vary`` of angles; mixed with commas too."""
    for words, numbers in (
        ("0,5,10", [0, 5, 10]), ("0:10:5", [0, 5, 10]), ("0:10:4", [0, 4, 8]), ("10,0:2:1", [0, 1, 2, 10]),
        ("0.1:0.3:0.1", [0.1, 0.2, 0.3]), ("7", [7]), ("4:4:1", [4]),
    ):  # fmt: skip
        assert list(numbers_of("--tilts", words, 0, 20)) == numbers
    for words in ("", "0:10", "0:10:0", "10:0:1", "0:21:1", "0:1:nan", "0:1:1e-9", "1,,2", "x", "nan"):  # fmt: skip
        with pytest.raises(FacetraceError, match="write them like 0,5,10 or 0:10:5"):
            numbers_of("--tilts", words, 0, 20)
