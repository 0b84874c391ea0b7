"""The door for notebooks: the walk runs; results say what the commands say, and are what notebooks take."""

import json
import math
import os
import re
import subprocess
import sys
from dataclasses import FrozenInstanceError
from xml.etree import ElementTree

import jsonschema
import pytest
from shared import ROOT, ROUND, SCHEMA, document, run

import facetrace as ft
from facetrace.common.errors import FacetraceError, FileError

PNG = b"\x89PNG\r\n"
DESIGNS = ROOT / "designs"
QUICK = {"rays": 1 << 10, "pixels": 16, "samples": 1}


@pytest.fixture(scope="module")
def stone():
    return ft.load(ROUND)


@pytest.fixture(scope="module")
def face(stone):
    return stone.trace(**QUICK)


@pytest.mark.slow
def test_the_walk_runs(tmp_path):
    """As its head says; the plan that it writes is read by the marking sheet, which checks files and carats."""
    walk = subprocess.run([sys.executable, DESIGNS / "notebook.py", tmp_path], cwd=ROOT, capture_output=True, text=True, check=False)  # fmt: skip
    assert walk.returncode == 0, walk.stderr
    lines = walk.stdout.splitlines()
    assert lines[0].startswith(
        "<Design: Round brilliant for ruby, 6.5 mm (ruby), 73 facets, 1.197 ct"
    )
    assert (tmp_path / "face.png").read_bytes().startswith(PNG)
    assert (tmp_path / "stone.stl").stat().st_size > 0
    jsonschema.validate(json.loads((tmp_path / "plan.json").read_text(encoding="utf-8")), SCHEMA)
    marked = run("mark", tmp_path / "plan.json")
    assert marked.exit_code == 0, marked.output


def test_figures_are_those_of_the_command(face):
    told = document("trace", ROUND, "--rays", 1 << 10, "--no-picture")
    for name, figure in face.figures.items():
        assert told["measures"][name]["value"] == figure.value
        assert told["measures"][name]["stderr"] == figure.stderr


def test_json_is_by_the_schema(face, tmp_path):
    text = face.to_json(tmp_path / "face.json")
    assert (tmp_path / "face.json").read_text(encoding="utf-8") == text
    jsonschema.validate(json.loads(text), SCHEMA)


def test_a_line_has_weight_and_errors(face):
    assert re.fullmatch(
        r"<Traced: .*1\.197 ct, light returned \d+\.\d+ \+- \d+\.\d+ %.*>", repr(face)
    )
    assert len(repr(face)) < 250


def test_a_notebook_shows_picture_and_tables(face):
    """The HTML is well formed, and what stands in it is escaped."""
    shown = face._repr_html_()
    ElementTree.fromstring(shown)
    assert "data:image/png;base64," in shown
    assert "light returned" in shown


def test_rows_are_flat(face, stone):
    """Equal keys in all rows, numbers and words alone: what ``pandas.DataFrame`` and ``polars.DataFrame`` take."""
    swept = stone.sweep({"pavilion.angle": (41, 42, 1)}, rays=1 << 10)
    for rows in (face.rows(), swept.rows(), stone.sheet().rows(), ft.colours("ruby").rows()):
        assert rows
        assert len({tuple(row) for row in rows}) == 1
        assert all(
            v is None or isinstance(v, int | float | str) for row in rows for v in row.values()
        )


def test_results_do_not_change(face, stone):
    with pytest.raises(FrozenInstanceError):
        face.study = None
    with pytest.raises(FrozenInstanceError):
        stone.material = None


def test_a_changed_design_says_so(stone):
    larger = stone.with_values({"outline.length_mm": 13.0})
    assert larger.sizes.length_mm == pytest.approx(13.0)
    assert stone.sizes.length_mm == pytest.approx(6.5)
    assert "outline.length_mm 13" in larger.name
    assert "outline" not in stone.name
    with pytest.raises(FacetraceError, match="not a parameter of this design"):
        stone.with_values({"pavilion.angel": 3})


def test_units_of_angles_are_degrees(stone):
    """A stone rocked by 360 degrees stands as before; in radians it would not."""
    assert stone.trace(tilt=360.0, **QUICK).figures["light_return"].value == pytest.approx(
        stone.trace(**QUICK).figures["light_return"].value, abs=1e-6
    )


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        (ROUND, "Design"), (DESIGNS / "roughs" / "crystal-barrel.toml", "Rough"),
        (DESIGNS / "cut" / "ruby-above-a-carat.toml", "CutStone"), (DESIGNS / "prices" / "invented.toml", "Prices"),
        (DESIGNS / "zones" / "blue-corner.toml", "ZoneFile"),
    ],
)  # fmt: skip
def test_load_opens_a_file_as_what_it_is(path, kind):
    assert type(ft.load(path)).__name__ == kind


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("stnoe.toml", None, "no such file"),
        ("a.toml", "x = 1", "a.toml"),
        ("b.toml", "x =", "b.toml: not valid TOML"),
        ("c.toml", "[shape]\n", "c.toml"),
    ],
)
def test_what_is_wrong_is_told_in_a_line(name, text, words, tmp_path):
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(FileError) as told:
        ft.load(tmp_path / name)
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_what_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute"):
        ft.nothing  # noqa: B018
    assert set(ft.__all__) <= set(dir(ft))


def test_the_package_alone_is_light():
    """The commands import it for its version: the door is opened on first use."""
    code = "import sys, facetrace; print(sorted(m for m in sys.modules if m.split('.')[0] in ('numba', 'scipy', 'rich')))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_standard_errors_are_positive(face):
    assert all(
        f.stderr > 0 and math.isfinite(f.stderr) for n, f in face.figures.items() if n != "surface"
    )


def test_a_pipe_is_not_read(tmp_path):
    """It may never end."""
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(FileError, match="is a pipe or a device"):
        ft.load(tmp_path / "pipe.toml")
