"""facetrace new: what it writes is read at once by the other commands; what it asks, and what it answers to mistakes.

Where the shop's file lies: XDG Base Directory Specification 0.8 (freedesktop.org): $XDG_CONFIG_HOME, else ~/.config.
"""

import contextlib
import os
import pty
import re
import select
import shutil
import stat
import sys
import time
import tomllib

import numpy as np
import pytest
import trimesh
from shared import ROOT, refused, run

from facetrace.cli import shop
from facetrace.cli.shop import Shop
from facetrace.common.tomlfile import parse_model
from facetrace.design.model import Design
from facetrace.design.new import OUTLINES, PROPORTIONS, new_design
from facetrace.recut.stone import StoneModel, read_stone
from facetrace.rough.habit import HABITS
from facetrace.rough.model import Loss, RoughFile, RoughModel
from facetrace.rough.rough import rough_of
from facetrace.solid.build import build_solid
from facetrace.studies.price import Prices

QUICK = ["--rays", "256", "--size", "64", "--samples", "1"]
PLAN = ["--rays", "256", "--most-cells", "0", "--no-losses", "--no-directions", "--workers", "1", "--no-picture"]  # fmt: skip
# sizes that each habit can have (across the flats, across the corners, along c)
SIZES = {"pebble": "9x8x6", "block": "7x7x5", "plate": "9.5x11x6.5", "barrel": "8x9x10", "bipyramid": "8x9x12"}  # fmt: skip
CRACK = ["--crack", "+x", "--crack-size", "3x1.5", "--crack-at", "0.5,-0.5", "--crack-along", "30"]
MONEY = ["--currency", "coins", "--per-carat", "0.3=300 1=650", "--cutting", "40"]
WORN = ["--size", "6.18x6.16x3.94", "--carats", "1.022"]


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    """A folder of its own, and a user without a shop file yet."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path / "work"


def made(*words):
    done = run("new", *words)
    assert done.exit_code == 0, done.output
    return done


def with_examples(text):
    """The file with its examples switched on: the # before each key and table taken away."""
    return re.sub(r"(?m)^# (?=\w+ = |\[\[?\w+\]\]?$)", "", text)


# ---- what is written is read --------------------------------------------------------------------


@pytest.mark.parametrize("outline", OUTLINES)
def test_a_new_design_is_built_and_traced(outline, here):
    made("design", "new.toml", "--outline", outline)
    assert run("solid", "new.toml").exit_code == 0
    done = run("trace", "new.toml", *QUICK)
    assert done.exit_code == 0, done.output
    assert "in each other's place" not in done.stderr


@pytest.mark.parametrize(
    ("outline", "cut"), [(o, c) for o in OUTLINES for c in PROPORTIONS[o].cuts]
)
def test_a_new_design_fits_usual_gears(outline, cut):
    """Gears with 32 to 120 teeth (common practice, no source); a rectangle needs one that 8 divides."""
    for gear in (32, 48, 64, 72, 80, 88, 96, 120):
        build_solid(parse_model(new_design(outline, cut, gear=gear), "x", Design))


def test_a_new_design_is_of_the_size_that_was_said(here):
    made("design", "new.toml", "--outline", "oval", "--size", "9.1 x 7.2 mm", "--table", "58%", "--name", "Ours")  # fmt: skip
    told = tomllib.loads((here / "new.toml").read_text(encoding="utf-8"))
    assert (told["outline"]["length_mm"], told["outline"]["width_mm"]) == (9.1, 7.2)
    assert (told["name"], told["crown"]["table_percent"]) == ("Ours", 58)
    assert {"9.100", "7.200"} <= set(run("solid", "new.toml").stdout.split())


@pytest.mark.usefixtures("briefly")
@pytest.mark.parametrize("crack", [(), CRACK], ids=["whole", "cracked"])
@pytest.mark.parametrize("shape", HABITS)
def test_a_new_rough_is_planned(shape, crack, here):
    made("design")
    made("rough", "--shape", shape, "--size", SIZES[shape], *crack)
    made("prices", *MONEY)
    done = run("plan", "rough.toml", "design.toml", "--prices", "prices.toml", *PLAN)
    assert done.exit_code == 0, done.output
    assert "bid" in done.stdout


@pytest.mark.usefixtures("briefly")
def test_a_scan_is_named_from_the_files_folder(here):
    (here / "scans").mkdir()
    shutil.copy(ROOT / "designs" / "roughs" / "cracked-pebble.stl", here / "scans" / "a b.stl")
    (here / "lot").mkdir()
    made("rough", "lot/a.toml", "--scan", "scans/a b.stl", "--c-axis", "0.3,-0.2,0.93", "--carats", "10.15 ct")  # fmt: skip
    told = tomllib.loads((here / "lot" / "a.toml").read_text(encoding="utf-8"))
    assert told["shape"] == {"mesh": "../scans/a b.stl", "c_axis": [0.3, -0.2, 0.93]}
    assert told["weighed_carats"] == 10.15
    line = refused(["new", "rough", "lot/b.toml", "--scan", "scans/a b.stl"])
    assert "--c-axis is missing" in line


@pytest.mark.parametrize(
    "flaw", [(), ("--flaw", "pit", "--flaw-facet", "table", "--flaw-deep", "0.02")]
)
def test_a_new_stone_is_read(flaw, here):
    made("design")
    made("stone", "--design", "design.toml", *WORN, *flaw)
    done = run("recut", "stone.toml", "--facets")
    assert done.exit_code == 0, done.output
    assert "table" in done.stdout


def test_a_scanned_stone_names_its_material(here):
    made("design")
    assert run("solid", "design.toml", "--mesh", "stone.stl").exit_code == 0
    made("stone", "--design", "stone.stl", "--size", "6.5x6.5x4.15", "--carats", "1.197", "--material", "ruby")  # fmt: skip
    assert run("recut", "stone.toml", "--facets").exit_code == 0


@pytest.mark.parametrize("kind", ["design", "rough", "prices", "stone"])
def test_its_examples_are_true_when_switched_on(kind, here):
    """Every key is explained; every example behind a # is one that the reader takes."""
    made("design")
    words = {"design": ["--force"], "rough": ["--shape", "plate", "--size", SIZES["plate"]], "prices": MONEY,
             "stone": ["--design", "design.toml", *WORN]}[kind]  # fmt: skip
    made(kind, *words)
    text = (here / f"{kind}.toml").read_text(encoding="utf-8")
    on = with_examples(text)
    assert on != text
    model = {"design": Design, "rough": RoughModel, "prices": Prices, "stone": StoneModel}[kind]
    read = parse_model(on, here / "x.toml", model)
    if kind == "rough":
        assert len(rough_of(RoughFile(here / "x.toml", on, read)).defects) == 5
    assert max(map(len, text.splitlines())) <= 120


# ---- mistakes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["design", "a.txt"], "a.txt: is written as TOML; let its name end in .toml"),
        (["design", "no/a.toml"], "no/a.toml: its folder does not exist"),
        (["design", "--outline", "hart"], "--outline: 'hart' is not known; did you mean heart?"),
        (["design", "--outline", "heart", "--cut", "step"], "--cut: 'step' is not known; it is one of: brilliant"),
        (["design", "--outline", "oval", "--size", "6x8"], "--size: length_mm must not be less than width_mm (the length lies along x)"),
        (["design", "--outline", "oval", "--size", "0.8x0.6"], "--size: length_mm: 0.8 mm is no stone; give millimetres, like 8 for 0.8 cm"),
        (["design", "--size", "6,5"], "--size: 6,5 has a decimal comma; write 6.5"),
        (["design", "--crown-angle", "steep"], "--crown-angle: 'steep' is not a number, like 6.5"),
        (["design", "--crown-angle", "nan"], "--crown-angle: must be less than 90, but is nan"),
        (["design", "--table", "0.56"], "--table: 0.56 % is next to nothing; give percent, like 56"),
        (["design", "--gear", "96.5"], "--gear: must be a whole number, like 16, without quotes, but is 96.5"),
        (["design", "--outline", "rectangle", "--gear", "60"], "gear: a rectangle with cut corners needs a gear divisible by 8, not 60 teeth; use 64, 80, 96 or 120"),
        (["design", "--material", "rubby"], "--material: no material 'rubby'; known: corundum, ruby"),
        (["design", "--material", "../../own.toml"], "'../../own.toml' leads more than one folder up"),
        (["design", "--name", "a\x1b[31m"], "--name: holds the control character U+001B; write plain text"),
        (["design", "--carats", "2"], "--carats does not go with design, which takes --outline, --cut"),
        (["rough"], "--size is missing (Sizes by caliper, mm, along x, y and z, like 9x8x6)"),
        (["rough", "--size", "9x8"], "--size: '9x8' is not 3 numbers; write them like 9x8x6"),
        (["rough", "--shape", "barrel", "--size", "30x9x2"], "--size: a barrel with these faces is"),
        (["rough", "--size", "9x8x6", "--crack-size", "4x2"], "--crack-size: means nothing with these answers; leave it out"),
        (["rough", "--size", "9x8x6", "--crack", "-x"], "--crack-size is missing"),
        (["rough", "--size", "9x8x6", "--crack", "+x", "--crack-size", "4x2", "--crack-at", "9,9"], "no surface of the piece lies at 9, 9 mm"),
        (["rough", "--scan", "a.stl"], "--scan: a.stl: no such file"),
        (["prices"], "--currency is missing"),
        (["prices", *MONEY[:2]], "--per-carat is missing"),
        (["prices", "--currency", "coins", "--per-carat", "1=2 0.5=1"], "--per-carat: 0.5 ct comes after 1; weights must rise"),
        (["prices", *MONEY, "--chance", "60"], "--chance: must be at most 50, but is 60"),
        (["stone", "--design", "a.toml", *WORN], "--design: a.toml: no such file"),
        (["shop", "a.toml"], "shop takes no file; its place is the same for all that you make"),
    ],
)  # fmt: skip
def test_wrong_options_are_one_line_and_write_nothing(words, says, here):
    line = refused(["new", *words])
    assert line.startswith(f"error: {says}") or says in line
    assert list(here.parent.rglob("*.toml")) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--carats", "9"], "measured.carats: 9 ct cannot be this stone: shape and sizes make"),
        (["--floor", "1.1"], "--floor: must be less than the 1.022 ct that it weighs"),
        (["--flaw", "chip", "--flaw-deep", "0.02"], "--flaw-facet is missing (On which facet"),
        (["--flaw", "pit", "--flaw-facet", "girdle", "--flaw-deep", "0.02"], "no facet is named 'girdle'; name one: girdle "),
        (["--flaw", "pit", "--flaw-facet", "tabel", "--flaw-deep", "0.02"], "--flaw-facet: no facet is named 'tabel'; did you mean 'table'?"),
    ],
)  # fmt: skip
def test_a_stone_that_cannot_be_is_not_written(words, says, here):
    made("design")
    assert says in refused(["new", "stone", "--design", "design.toml", *WORN, *words])
    assert not (here / "stone.toml").exists()


def test_a_chipped_culet_has_its_place(here):
    """The lowest point of the stone as it was measured; and without a flaw the next step is told."""
    made("design")
    said = made("stone", "--design", "design.toml", *WORN)
    assert "It has no flaw yet" in " ".join(said.stdout.split())
    made(
        "stone",
        "--design",
        "design.toml",
        *WORN,
        "--flaw",
        "chip",
        "--flaw-facet",
        "culet",
        "--flaw-deep",
        "0.03",
        "--force",
    )
    (flaw,) = tomllib.loads((here / "stone.toml").read_text(encoding="utf-8"))["flaw"]
    stone = read_stone(shutil.copy(here / "stone.toml", here / "again.toml"))
    assert "facet" not in flaw
    np.testing.assert_allclose(
        flaw["at_mm"], stone.solid.vertices[stone.solid.vertices[:, 2].argmin()], atol=5e-4
    )


def test_a_culet_of_a_scan_or_cut_flat_has_its_place(here):
    """Of a scan in the scan's own frame, wherever that lies; where the culet is a facet, by its name."""
    made("design")
    assert run("solid", "design.toml", "--mesh", "scan.stl").exit_code == 0
    moved = trimesh.load(here / "scan.stl")
    moved.apply_translation([30, -20, 100])
    moved.export(here / "moved.stl")
    words = (
        "--size",
        "6.5x6.5x4.15",
        "--carats",
        "1.19",
        "--flaw",
        "chip",
        "--flaw-facet",
        "culet",
        "--flaw-deep",
        "0.03",
    )
    made("stone", "scanned.toml", "--design", "moved.stl", *words)
    (flaw,) = tomllib.loads((here / "scanned.toml").read_text(encoding="utf-8"))["flaw"]
    np.testing.assert_allclose(
        flaw["at_mm"], moved.vertices[moved.vertices[:, 2].argmin()], atol=1e-3
    )
    text = (here / "design.toml").read_text(encoding="utf-8")
    flat = re.sub(r"(?m)^#? ?culet_percent = .*$", "culet_percent = 3", text)
    (here / "flat.toml").write_text(flat, encoding="utf-8")
    made("stone", "flat-stone.toml", "--design", "flat.toml", *words)
    (flaw,) = tomllib.loads((here / "flat-stone.toml").read_text(encoding="utf-8"))["flaw"]
    assert flaw["facet"] == "culet"


def test_a_file_of_another_kind_is_refused_at_once(here):
    made("rough", "--size", "9x8x6")
    line = refused(["new", "stone", "--design", "rough.toml", *WORN])
    assert "is a rough file; a design file is needed here" in line


def test_an_oval_has_two_sizes(here):
    assert "'8' is not 2 numbers; write them like 8x6.4" in refused(
        ["new", "design", "--outline", "oval", "--size", "8"]
    )


def test_a_file_that_is_there_stays(here):
    (here / "design.toml").write_text("mine", encoding="utf-8")
    line = refused(["new", "design"])
    assert line == "error: design.toml: is there already; name another file, or --force writes over it\n"  # fmt: skip
    assert (here / "design.toml").read_text(encoding="utf-8") == "mine"
    made("design", "--force")
    assert "outline" in (here / "design.toml").read_text(encoding="utf-8")
    # what is read is never written over
    assert "is read, and named for an output too" in refused(
        ["new", "stone", "design.toml", "--design", "design.toml", *WORN, "--force"]
    )


# ---- the shop -----------------------------------------------------------------------------------


def test_the_shop_is_kept_and_used(here):
    place = here.parent / "config" / "facetrace" / "shop.toml"
    shown = made("shop")
    assert "Your shop" in shown.stdout
    assert not place.exists()
    made("shop", "--gear", "80", "--kerf", "0.3", "--currency", "coins")
    assert tomllib.loads(place.read_text(encoding="utf-8"))["gear"] == 80
    assert "gear = 80 " in made("shop").stdout
    made("design")
    assert tomllib.loads((here / "design.toml").read_text(encoding="utf-8"))["gear"] == 80
    made("design", "other.toml", "--gear", "64")
    assert tomllib.loads((here / "other.toml").read_text(encoding="utf-8"))["gear"] == 64
    made("rough", "--size", "9x8x6")
    told = tomllib.loads((here / "rough.toml").read_text(encoding="utf-8"))
    assert told["loss"] == {"scan_mm": 0.05, "skin_mm": 0.15, "kerf_mm": 0.3}
    made("prices", *MONEY[2:])
    assert tomllib.loads((here / "prices.toml").read_text(encoding="utf-8"))["currency"] == "coins"
    assert "is there already; change it with any editor, or add --force" in refused(["new", "shop", "--gear", "72"])  # fmt: skip
    made("shop", "--gear", "72", "--force")
    told = tomllib.loads(place.read_text(encoding="utf-8"))
    assert (told["gear"], told["currency"]) == (72, "coins")


def test_a_broken_shop_is_one_line(here):
    place = here.parent / "config" / "facetrace" / "shop.toml"
    place.parent.mkdir(parents=True)
    for text, says in (('gear = "x"', f"{place}:1: gear: must be a whole number"), ("gaer = 80", f"{place}:1: gaer: unknown key; did you mean 'gear'?"), ("gear = 80,5", f"{place}:1: not valid TOML")):  # fmt: skip
        place.write_text(text, encoding="utf-8")
        for words in (["shop"], ["design"]):
            assert refused(["new", *words]).startswith(f"error: {says}")
    # a stone needs nothing of it
    shutil.copy(ROOT / "designs" / "round-brilliant.toml", here)
    made("stone", "--design", "round-brilliant.toml", *WORN)


def test_the_usual_is_that_of_the_files():
    """The shop file says again what design and rough files take where they say nothing."""
    loss, usual = Loss(), Shop()
    assert usual.gear == Design.model_fields["gear"].default
    assert (usual.kerf_mm, usual.skin_mm, usual.scan_mm) == (
        loss.kerf_mm,
        loss.skin_mm,
        loss.scan_mm,
    )
    assert parse_model(shop.shop_text(usual), "x", Shop) == usual


def test_a_machine_without_a_home(here, monkeypatch):
    """It works, says so, and makes no home."""
    nowhere = here / "nowhere"
    monkeypatch.delenv("XDG_CONFIG_HOME")
    monkeypatch.setenv("HOME", str(nowhere))
    assert "No file of your shop yet" in made("design").stderr
    assert "this machine has no place for your shop's file (no home)" in refused(["new", "shop", "--gear", "80"])  # fmt: skip
    assert not nowhere.exists()
    nowhere.mkdir()
    made("shop", "--gear", "80")
    assert (nowhere / ".config" / "facetrace" / "shop.toml").exists()


def test_a_name_that_is_no_whole_path_is_no_place(monkeypatch, here):
    """All paths set in these variables must be absolute; relative ones are not used (the specification, Basics)."""
    monkeypatch.setenv("XDG_CONFIG_HOME", "config")
    assert shop.shop_file() is None


# ---- asked on a terminal ------------------------------------------------------------------------


# seconds that a busy machine may take to end
PATIENCE = 300.0


def talk(words, answers, config):
    """What a person at a terminal sees who types these answers, and how the command ends."""
    child, terminal = pty.fork()
    if child == 0:
        os.environ["XDG_CONFIG_HOME"] = str(config)
        os.environ["PYTHONPATH"] = str(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "facetrace.cli.main", "new", *words])
    seen, left, stopping = b"", list(answers), False
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if not select.select([terminal], [], [], 1.0)[0]:
            if stopping:
                # as a person does: what comes between the prompt and its reading is not seen
                with contextlib.suppress(OSError):
                    os.write(terminal, b"\x03")
            continue
        try:
            more = os.read(terminal, 4096)
        except OSError:
            break
        seen += more
        if more and left and seen.rpartition(b"\n")[2].endswith(b": "):
            answer = left.pop(0)
            stopping = answer == "\x03"
            os.write(terminal, answer.encode() + (b"" if stopping else b"\n"))
    os.close(terminal)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert left == []
    return re.sub(r"\x1b\[\d*m|\r", "", seen.decode()), status


def test_what_is_asked(here):
    """The shop once; wrong answers again; Enter for the usual."""
    config = here.parent / "config"
    shop_answers = ["80", "", "", "", ""]
    seen, status = talk(["design"], [*shop_answers, "ovl", "oval", "", "8x6,4", "8x6.4", "", "", "", "", ""], config)  # fmt: skip
    assert status == 0, seen
    assert "error: 'ovl' is not known; did you mean oval?\nOutline:" in seen
    assert "error: 6,4 has a decimal comma; write 6.4\nLength and width, mm" in seen
    told = tomllib.loads((here / "design.toml").read_text(encoding="utf-8"))
    assert (told["gear"], told["outline"]["shape"], told["outline"]["width_mm"]) == (
        80,
        "oval",
        6.4,
    )
    assert stat.S_ISREG((config / "facetrace" / "shop.toml").stat().st_mode)
    # asked again as a whole, what was typed standing in brackets
    seen, status = talk(["stone"], ["design.toml", "8x6.4x4.6", "9", "", "", "", "", "", "1.7", "", "", ""], config)  # fmt: skip
    assert status == 0, seen
    assert "teeth" not in seen.lower()
    assert "9 ct cannot be this stone" in seen
    assert "Length, width and depth by caliper, mm, like 6.18x6.16x3.94 [8x6.4x4.6]: " in seen
    assert tomllib.loads((here / "stone.toml").read_text(encoding="utf-8"))["floor_carats"] == 1.6


def test_what_was_kept_before_a_stop_is_told(here):
    config = here.parent / "config"
    seen, status = talk(["design"], ["80", "", "", "", "", "\x03"], config)
    assert status == 130
    assert seen.splitlines()[-1].endswith(f"stopped; written: {config}/facetrace/shop.toml")
    assert list(here.iterdir()) == []


def test_nothing_is_asked_where_nobody_wants_it(here):
    seen, status = talk(["design", "--no-questions"], [], here.parent / "config")
    assert (status, "[" in seen) == (0, False)
    assert [p.name for p in here.iterdir()] == ["design.toml"]
    assert not (here.parent / "config").exists()


def test_options_are_not_asked_for_and_ctrl_c_writes_nothing(here):
    config = here.parent / "config"
    made("shop", "--gear", "96")
    seen, status = talk(["rough", "--shape", "plate", "--size", "9x10x6", "--material", "ruby"], ["", "none", "Mine"], config)  # fmt: skip
    assert status == 0, seen
    assert "Shape" not in seen
    assert "Sizes" not in seen
    seen, status = talk(["rough", "other.toml"], ["pebble", "\x03"], config)
    assert (status, seen.splitlines()[-1].endswith("stopped; nothing was written")) == (130, True)
    assert [p.name for p in here.iterdir()] == ["rough.toml"]
