"""A short run of ``fuzz.py``, and what it has found, case by case."""

import os
import subprocess
import sys
import tomllib

import fuzz
import fuzz_inputs
import pytest
import trimesh
from shared import ROOT, refused

from facetrace.studies import rows

ROUND = (ROOT / "designs" / "round-brilliant.toml").read_text(encoding="utf-8")
TIER = '[[tier]]\nname = "{}"\nside = "{}"\nangle = {}\nindex = {}\n{}\n'
MANY = "{ at = [0, 1, 2, 3], fold = 64, mirror = true }"
FLATS = "".join(TIER.format(f"girdle {k}", "girdle", 90, MANY.replace("[0", f"[{k / 10}"), "distance_mm = 3") for k in range(4))  # fmt: skip
CUT = "".join(TIER.format(f"p{k}", "pavilion", 40 + k, "{ at = [1], fold = 256 }", "distance_mm = 2") for k in range(3))  # fmt: skip
NAMED = TIER.format("c", "crown", 40, 0, "through = ['p0', 'p1', 'p2']")
FLAKE = 'name = "a"\n' + "".join(TIER.format(f"g{k}", "girdle", 90, k * 24, f"distance_mm = {d}") for k, d in enumerate((5, 1e-12, 5, 1e-12))) + TIER.format("t", "crown", 0, 0, "height_mm = 1") + TIER.format("c", "pavilion", 0, 0, "height_mm = 2")  # fmt: skip
STEEP = 'name = "a"\n[outline]\nshape = "pear"\nlength_mm = 500\nwidth_mm = 500\n[girdle]\nthickness_mm = 0.1\n[crown]\nstyle = "step"\nangle = 77.6\ntable_percent = 1\n[pavilion]\nstyle = "brilliant"\nangle = 0.33\n'
# a picometre through, of two lobes: less than what linear programs leave to rounding
MOTE = 'name = "a"\n[girdle]\nthickness_mm = 0.1\n' + "".join(TIER.format(k, "girdle", 90, "{ at = [0, 3.1], fold = 16, mirror = true }", "distance_mm = 1e-9" + k) for k in ("", '\nlobe = "left"')).replace('name = ""', 'name = "b"').replace('name = "\nlobe = "left""', 'name = "c"')  # fmt: skip
CONE = "".join(TIER.format(f"t{k}", "crown", 20 + k, "{ at = [0.1], fold = 96, mirror = true }", way) for k, way in enumerate(("height_mm = 20", "through = ['t0', 't0', 't0']")))  # fmt: skip

# what was wrong once -> (suffix, content, the line's end)
FOUND = {
    "combinations of girdle facets filled the memory": (".toml", f'name = "a"\ngear = 1000\n{FLATS}{TIER.format("p", "pavilion", 40, 0, "to_girdle = true")}', "girdle facets make an outline; at most 1024 may"),
    "combinations of named facets took hours": (".toml", f'name = "a"\ngear = 1000\n{CUT}{NAMED}', "too many to try; name single ones, like 'p2@997.094'"),
    "facets without end": (".toml", f'name = "a"\n{TIER.format("p", "pavilion", 40, "{ at = [0, 1, 2, 3, 4, 5, 6, 7, 8], fold = 256, mirror = true }", "distance_mm = 2")}', "at and fold: make 4,608 facets; a stone has at most 1024"),
    "a number of 5,000 digits": (".toml", ROUND.replace("gear = 96", f"gear = 1{'0' * 5000}"), "holds a number or date that is too long to be read"),
    "a key of a million parts took minutes": (".toml", ".".join(["a"] * 900_000) + " = 1", "a key has more than 200 parts; keys have few"),
    "brackets within brackets": (".toml", f"a = {'[' * 100_000}", "is nested too deeply"),
    "a number in quotes counted": (".toml", ROUND.replace("gear = 96", 'gear = "96"'), "gear: must be a whole number, like 16, without quotes, but is '96'"),
    "a misspelt key was told as a missing one": (".toml", ROUND.replace("thickness_mm", "thickness"), "girdle.thickness: unknown key; did you mean 'thickness_mm'?"),
    "a depth of a kilometre": (".toml", ROUND.replace("6.5", "500").replace("angle = 42", "angle = 89.99"), "mm large, at most 1,000 can be; check angles and depths"),
    "words of a library about a facet beyond all bounds": (".toml", STEEP, "or its angles neither so flat nor so steep"),
    "a stone without thickness": (".toml", FLAKE, "(empty or flat); check the depths of the tiers"),
    "a stone smaller than rounding": (".toml", MOTE, "; check the depths of the tiers"),
    "an apex of 192 facets took minutes": (".toml", f'name = "a"\n{CONE}', "the planes leave the solid open (unbounded); check the depths of the tiers"),
    "a key that a terminal would obey": (".toml", f'"\\u001b[31m" = 1\n{ROUND}', None),
    "a line of control characters grew fourfold": (".toml", f"name = j{chr(0x13) * 150}", None),
    "a key of 5,000 letters": (".toml", f"{'x' * 5000} = 1\n{ROUND}", None),
}  # fmt: skip


@pytest.mark.parametrize("name", FOUND)
def test_what_fuzzing_found(name, tmp_path):
    suffix, content, words = FOUND[name]
    path = tmp_path / f"in{suffix}"
    path.write_text(content, encoding="utf-8")
    line = refused(["solid", path])
    assert str(path) in line
    assert line[:-1].isprintable()
    assert len(line) < len(str(path)) + fuzz.LONGEST
    assert words is None or line.endswith(f"{words}\n")


@pytest.mark.parametrize("command", [["solid"], ["report"], ["view"], ["dichroscope", "ruby", "--spectrum"]])  # fmt: skip
@pytest.mark.parametrize("suffix", [".toml", ".json"])
def test_what_never_ends_is_not_read(command, suffix, tmp_path):
    """A pipe that nobody writes to waits for ever, /dev/zero fills the memory."""
    pipe, link = tmp_path / f"pipe{suffix}", tmp_path / f"zero{suffix}"
    os.mkfifo(pipe)
    link.symlink_to("/dev/zero")
    for path in (pipe, link):
        assert refused([*command, path]) == f"error: {path}: is a pipe or a device; name a file\n"
    for path, words in ((tmp_path, "is a folder; name a file"), (tmp_path / ("x" * 300), "cannot be read (File name too long)")):  # fmt: skip
        assert words in refused(["solid", path])


def test_a_mesh_reads_no_other_file(tmp_path):
    """What a mesh says of other files (glTF 2.0, 3.6.1.1: uri of a buffer; OBJ: mtllib) counts for nothing."""
    (tmp_path / "rough.toml").write_text(
        'name = "a"\n[shape]\nmesh = "a.gltf"\nc_axis = [0, 0, 1]\n'
    )
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "a.gltf").write_text('{"asset": {"version": "2.0"}, "buffers": [{"uri": "pipe", "byteLength": 9}]}')  # fmt: skip
    assert "a.gltf" in refused(["plan", tmp_path / "rough.toml", "none.toml"])


BODY = "OFF\n4 4 0\n0 0 0\n9 0 0\n0 9 0\n0 0 {}\n3 0 2 1\n3 0 1 3\n3 1 2 3\n3 0 3 {}\n"


@pytest.mark.parametrize(("height", "corner"), [(9, 7), (9, -7), ("nan", 2), ("1e300", 2), ("1e9", 2), (0, 2), (1e-12, 2)])  # fmt: skip
def test_meshes_that_are_none(height, corner, tmp_path):
    """A corner that is not there was a traceback, and so was a flat blank."""
    (tmp_path / "a.off").write_text(BODY.format(height, corner))
    (tmp_path / "rough.toml").write_text(
        'name = "a"\n[shape]\nmesh = "a.off"\nc_axis = [0, 0, 1]\n'
    )
    (tmp_path / "zone.toml").write_text(
        'name = "a"\n[blank]\nmesh = "a.off"\n[[zone]]\nname = "a"\nmaterial = "ruby"\n'
        "half_space = { normal = [1, 0, 0], from_mm = 1 }\n"
    )
    design = ROOT / "designs" / "round-brilliant.toml"
    for words in (["plan", tmp_path / "rough.toml", "none.toml"], ["orient", design, "--zone", tmp_path / "zone.toml", "--csv", tmp_path / "a.csv", "--no-picture"]):  # fmt: skip
        assert "a.off" in refused(words)


ROUGH = 'name = "a"\n[shape]\nmesh = "{}"\nc_axis = [0, 0, 1]\n'
STONE = 'name = "a"\nmesh = "{}"\nmaterial = "ruby"\nfloor_carats = 0.5\n[measured]\nlength_mm = 9\nwidth_mm = 9\ndepth_mm = 4\ncarats = 1.2\n'
# corners of two numbers; a picture that lies elsewhere; a flake whose two sides were taken for one
HOSTILE = {
    "flat.obj": "v 0 0\nv 9 0\nv 0 9\nv 9 9\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 1 4 3\n",
    "picture.ply": "ply\nformat ascii 1.0\ncomment TextureFile /dev/zero\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
    "element face 1\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n9 0 0\n0 9 0\n3 0 1 2\n",
}  # fmt: skip


@pytest.mark.parametrize("name", [*HOSTILE, "flake.stl"])
def test_meshes_are_refused_in_one_line(name, tmp_path):
    if name in HOSTILE:
        (tmp_path / name).write_text(HOSTILE[name])
    else:
        trimesh.creation.box((9, 9, 1e-9)).export(tmp_path / name)
    for text, words in ((ROUGH, ["plan", "{}", "none.toml"]), (STONE, ["recut", "{}", "--facets"])):
        path = tmp_path / "in.toml"
        path.write_text(text.format(name))
        # in a process of its own, where warnings are told and libraries write to stderr themselves
        done = subprocess.run(
            [sys.executable, "-m", "facetrace.cli.main", *(w.format(path) for w in words)], cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 2
        assert done.stderr.startswith(f"error: {path}:")
        assert name in done.stderr
        assert done.stderr.count("\n") == 1


SPINEL = (ROOT / "facetrace" / "optics" / "materials" / "spinel.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("constant", [-9.0, 1e300, 200.0])
def test_a_material_without_an_index_is_refused(constant, tmp_path):
    """It was a NaN in the JSON."""
    data = tomllib.loads(SPINEL)
    data["dispersion"]["ordinary"]["constant"] = constant
    path = tmp_path / "own.toml"
    path.write_text(fuzz_inputs.toml(data), encoding="utf-8")
    assert "[dispersion] ordinary: gives no index from 1 to 10 at 380 nm" in refused(
        ["dichroscope", path]
    )


def test_the_texts_are_toml():
    """What is made of the examples reads back as them: mutations are those that are meant."""
    for kind in ("design", "rough", "zone", "stone", "price"):
        for example in fuzz_inputs.KINDS[kind].examples:
            path = ROOT / example
            if path.is_file():
                data = tomllib.loads(path.read_text(encoding="utf-8"))
                assert tomllib.loads(fuzz_inputs.toml(data)) == data


@pytest.mark.slow
def test_a_short_run(tmp_path):
    """Each kind of file, ways in turn. Fixed seed; the mutator of our own, so that it is the same with and without atheris."""
    words = ["--inputs", "40", "--batch", "10", "--way", "grammar", "--way", "bytes", "--in-turn", "--no-atheris", "--keep", tmp_path]  # fmt: skip
    done = subprocess.run([sys.executable, ROOT / "tests" / "tools" / "fuzz.py", *map(str, words)], capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "40 inputs in" in done.stdout


def test_a_row_that_was_edited_holds_no_number():
    """A report on such a result was a traceback of an assertion; TypeError is told as an incomplete result."""
    with pytest.raises(TypeError, match="tilt holds no number"):
        rows.number({"tilt": "x"}, "tilt")
