"""Sweeps: numbers of a design, the physics of angles, paired errors, wishes, and the command."""

import json
import math

import jsonschema
import numba
import numpy as np
import pytest
from PIL import Image
from shared import DESIGNS, ROOT, SCHEMA, run

from facetrace.checks.stones import flat_v, make_scene
from facetrace.common.errors import FacetraceError
from facetrace.design.model import Design, read_design
from facetrace.design.vary import parameters, with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.studies import angles
from facetrace.studies import sweep as sweeping
from facetrace.studies.sweep import Conditions, conditions_of, range_of, sweep, that_can_be_cut
from facetrace.studies.tilt import distinct_azimuths, tilt_tolerance
from facetrace.studies.wish import choose, front
from facetrace.trace.faceup import Estimate, face_up
from facetrace.trace.paired import aligned, difference
from facetrace.trace.run import trace_sums
from facetrace.trace.scene import View, medium_of, scene_of

ROUND = next(p for p in DESIGNS if p.stem == "round-brilliant")
STEP = next(p for p in DESIGNS if p.stem == "rectangle-step")
N_O = 1.768076
CRITICAL = math.degrees(math.asin(1 / N_O))
# a roof upside down: flat table over two flanks, ends far away
ROOF = {
    "name": "roof",
    "tier": [
        {"name": "flank", "side": "pavilion", "angle": 41, "index": [0, 48], "height_mm": 8},
        {"name": "end", "side": "girdle", "angle": 90, "index": [24, 72], "distance_mm": 200},
        {"name": "table", "side": "crown", "angle": 0, "height_mm": 0},
    ],
}


def design_of(path):
    return read_design(path).design


def conditions(material="corundum", points=128, **wishes):
    return conditions_of(
        find_material(material), find_light("hemisphere"), rays=128 * points, **wishes
    )


# ---- the numbers of a design ----------------------------------------------------------------


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_every_number_can_be_set_to_what_it_is(path):
    design = design_of(path)
    known = parameters(design)
    assert len(known) > 15
    for name, value in known.items():
        assert with_value(design, name, value) == design, name


def test_numbers_go_by_the_keys_of_the_file():
    known = parameters(design_of(ROUND))
    for name, value in (("pavilion.angle", 42), ("crown.table_percent", 56), ("girdle.facets", 16)):
        assert known[name] == value
    assert not any(name.startswith(("gear", "chromophores")) for name in known)
    by_hand = design_of(next(p for p in DESIGNS if p.stem == "round-by-hand"))
    assert with_value(by_hand, "crown main.angle", 37).tier[3].angle == 37


def test_steps_move_together_and_a_round_stays_round():
    assert with_value(design_of(STEP), "pavilion.angle", 40.3).pavilion.angle == [56.3, 47.3, 40.3]
    assert with_value(design_of(STEP), "pavilion.angle[0]", 60).pavilion.angle == [60, 49, 42]
    outline = with_value(design_of(ROUND), "outline.width_mm", 7).outline
    assert outline.length_mm == outline.width_mm == 7


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("pavilion.angel", 42, "did you mean 'pavilion.angle'"),
        ("zircon", 42, "known: axis.tilt"),
        ("pavilion.angle", 95, "pavilion.angle = 95: must be less than 90"),
        ("pavilion.mains", 8.5, "takes whole numbers"),
    ],
)
def test_wrong_numbers_are_refused_in_one_line(name, value, words):
    with pytest.raises(FacetraceError) as caught:
        with_value(design_of(ROUND), name, value)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_weight_can_be_held():
    """1 ct = 0.2 g (metric carat, 1907); at a fixed weight all sizes scale alike."""
    ranges = (range_of(design_of(ROUND), "pavilion.angle", 40, 44, 2),)
    rows = list(sweep(design_of(ROUND), ranges, conditions(points=16, carats=1.5), {}))
    assert [row["carats"] for row in rows] == pytest.approx([1.5] * 3, rel=1e-9)
    # deeper stones of one weight are smaller across
    by_angle = sorted(rows, key=lambda row: row["pavilion.angle"])
    assert by_angle[0]["face_mm2"] > by_angle[1]["face_mm2"] > by_angle[2]["face_mm2"]


# ---- the physics ----------------------------------------------------------------------------


def test_tilt_law():
    """sin t = n sin(P - C): 11.65, 13.45, 15.25 degrees for P = 41, 42, 43 (total reflection, closed
    form). The last bracket of the search is 0.31 degrees wide; a window of 10 % opens a little later."""
    clear = medium_of(
        find_material("corundum"), observer(), absorbing=False, wavelength_nm=589.3, index=N_O
    )
    for pavilion, expected in ((41, 11.65), (42, 13.45), (43, 15.25)):
        law = math.degrees(math.asin(N_O * math.sin(math.radians(pavilion - CRITICAL))))
        assert law == pytest.approx(expected, abs=0.01)
        found = tilt_tolerance(flat_v(pavilion), clear, (0.0, 0.0), 0.1, 1)
        assert found.azimuth == 0
        assert found.tilt.value == pytest.approx(law, abs=0.16)
    # so flat that it windows untilted, and tiny windows that never are so large
    assert tilt_tolerance(flat_v(33), clear, (0.0, 0.0), 0.1, 1).tilt.value == 0
    assert tilt_tolerance(flat_v(43), clear, (0.0, 0.0), 0.98, 1).tilt is None


def test_tilt_error_is_what_it_says():
    """Over 24 seeds the tilts spread by no more than their mean error says (it errs to the large
    side: the slope is that of a wider bracket), and not by less than a quarter of it.

    Chance: a spread of 24 is out by 1.5 times in under 1 of 1,000 cases.
    """
    solid = build_solid(design_of(ROUND))
    clear = conditions().clear
    found = [tilt_tolerance(solid, clear, (0.0, 0.0), 0.1, seed).tilt for seed in range(24)]
    ratio = np.std([t.value for t in found], ddof=1) / np.mean([t.stderr for t in found])
    assert 0.25 < ratio < 1.5


def test_only_azimuths_that_differ_are_searched():
    stones = {p.stem: build_solid(design_of(p)) for p in DESIGNS}
    assert distinct_azimuths(stones["round-brilliant"], (0.0, 0.0)) == (0.0,)
    assert distinct_azimuths(stones["round-brilliant"], (90.0, 0.0)) == (0.0, 90.0)
    assert distinct_azimuths(stones["oval-brilliant"], (0.0, 0.0)) == (0.0, 90.0)
    assert len(distinct_azimuths(stones["oval-brilliant"], (20.0, 30.0))) == 4


def test_shallow_pavilions_window_at_the_critical_angle():
    """Light straight down meets a flank at the pavilion angle: below C = asin(1/n) = 34.44 degrees it
    leaves there, at least the share T(0) T(P) of it (Fresnel, any textbook), above C none does.

    5 standard errors: chance 1 in 10,000 for 15 degrees of freedom, the fewest seen here being 17.
    """
    material = find_material("corundum")
    medium = medium_of(material, observer(), absorbing=False, wavelength_nm=589.3, index=N_O)
    design = Design.model_validate(ROOF)
    wanted = Conditions(material.density, medium, medium, find_light("hemisphere"), 128, 1)
    window = {}
    for start, stop, step in ((31.5, 34.0, 0.5), (34.2, 34.6, 0.05)):
        rows = sweep(design, (range_of(design, "flank.angle", start, stop, step),), wanted, {})
        window |= {row["flank.angle"]: row for row in rows}
    for p, row in window.items():
        assert row["window"] >= passed_twice(p) - 5 * row["window_stderr"], p
    # all of the fall within a tenth of a degree belongs to that light; beyond C it is over
    fall = window[34.35]["window"] - window[34.45]["window"]
    assert fall == pytest.approx(passed_twice(34.35), rel=0.3)
    assert abs(window[34.6]["window"] - window[34.45]["window"]) < 0.02
    assert window[31.5]["window"] > 0.75


def passed_twice(pavilion):
    """Straight through a flat table and out of a flank at that angle, without polarisation."""
    inside = math.radians(pavilion)
    into = 4 * N_O / (N_O + 1) ** 2
    if N_O * math.sin(inside) >= 1:
        return 0.0
    outside = math.asin(N_O * math.sin(inside))
    r_s = math.sin(inside - outside) / math.sin(inside + outside)
    r_p = math.tan(inside - outside) / math.tan(inside + outside)
    return into * (1 - (r_s**2 + r_p**2) / 2)


@pytest.mark.slow
@pytest.mark.parametrize(("material", "most"), [("corundum", 43.0), ("ruby", 43.5)])
def test_best_pavilion_of_a_round_corundum(material, most):
    """Pavilion mains of corundum 40-43 degrees (common practice; "42 for almost all materials",
    International Gem Society, "Choosing angles for faceting"), crown 30-40.

    Of 36-47 by 0.5 with crowns 32-40 the round brilliant returns most light under a white dome with the
    viewer's head at 43. Deep red hides long paths and moves its best up by a quarter of a
    degree (43.25 at crown 36): allowed up to 43.5, and said so. Steps are 10 errors and more.
    """
    design = design_of(ROUND)
    ranges = (
        range_of(design, "pavilion.angle", 36, 47, 0.5),
        range_of(design, "crown.angle", 32, 40, 4),
    )
    rows = that_can_be_cut(list(sweep(design, ranges, conditions(material), {})))
    best = max(rows, key=lambda row: row["light_return"])
    assert 40 <= best["pavilion.angle"] <= most
    assert 30 <= best["crown.angle"] <= 40
    # far out on either side much light is lost
    for pavilion in (36, 47):
        out = max(r["light_return"] for r in rows if r["pavilion.angle"] == pavilion)
        assert out < 0.9 * best["light_return"]


# ---- paired differences ---------------------------------------------------------------------


def pair(name, value, material="ruby"):
    design = design_of(ROUND)
    return [
        aligned(make_scene(build_solid(d), material=material, head=10))
        for d in (design, with_value(design, name, value))
    ]


def test_common_random_numbers_sharpen_differences():
    """Nearly alike stones share most of their error; the same stone shares all of it."""
    for name, value, most in (
        ("pavilion.angle", 42.1, 0.6), ("girdle.thickness_mm", 0.25, 0.6), ("crown.angle", 36.5, 0.5),
    ):  # fmt: skip
        a, b = pair(name, value)
        one, other = trace_sums(a, 128, 1), trace_sums(b, 128, 1)
        apart = difference(one, a, other, b, ("light_return",))["light_return"]
        alone = [face_up(s, c).measures["light_return"].stderr for s, c in ((one, a), (other, b))]
        assert apart.stderr < most * math.hypot(*alone), name
        same = difference(one, a, one, a, ("light_return", "brightness", "lightness", "hue_deg"))
        assert all(d.value == 0 and d.stderr == 0 for d in same.values())


def test_hues_differ_the_short_way():
    """359 and 1 degrees are 2 degrees apart: two greys' hues, turned against each other, stay in
    [-180, 180) and reverse with the order."""
    a, b = pair("pavilion.angle", 44)
    one, other = trace_sums(a, 16, 1), trace_sums(b, 16, 1)
    names = ("light_return", "hue_deg")
    there, back = difference(one, a, other, b, names), difference(other, b, one, a, names)
    for name in names:
        assert there[name].value == pytest.approx(-back[name].value, abs=1e-9)
        assert there[name].stderr == pytest.approx(back[name].stderr, rel=1e-6)
    assert -180 <= there["hue_deg"].value < 180


@pytest.mark.slow
def test_paired_intervals_cover_what_they_say():
    """The 95 % interval of a difference holds the truth in 92-98 % of 400 runs, and the runs spread by
    the reported error within 12 %.

    Chance: at a true 95 % the share found has a standard deviation of 1.09 %, 3 % is 2.8 of them
    (0.6 % a figure); that of the spread is 3.6 %, 12 % is 3.3 of them.
    """
    a, b = pair("pavilion.angle", 42.1)
    names = ("light_return", "brightness")
    long = difference(trace_sums(a, 1 << 14, 99_991), a, trace_sums(b, 1 << 14, 99_991), b, names)
    runs = [
        difference(trace_sums(a, 64, seed), a, trace_sums(b, 64, seed), b, names)
        for seed in range(400)
    ]
    for name in names:
        truth = long[name].value
        inside = [low <= truth <= high for low, high in (r[name].interval() for r in runs)]
        assert 0.92 <= np.mean(inside) <= 0.98, name
        spread = np.std([r[name].value for r in runs], ddof=1)
        reported = math.sqrt(np.mean([r[name].stderr ** 2 for r in runs]))
        assert spread / reported == pytest.approx(1, abs=0.12)


# ---- wishes ---------------------------------------------------------------------------------


def candidate(carats, light, stderr=0.001):
    return {"carats": carats, "light_return": light, "light_return_stderr": stderr}


def exactly(a, b):
    return Estimate(a["light_return"] - b["light_return"], 0.0005)


A, B, C, D, E = (
    candidate(1.0, 0.800), candidate(1.1, 0.7995), candidate(1.3, 0.73), candidate(1.2, 0.60),
    candidate(1.5, 0.40),
)  # fmt: skip
ALL = [D, A, E, C, B, candidate(None, None)]


def test_front_holds_what_no_other_beats():
    assert front(ALL, "carats") == [A, B, C, E]


def test_each_wish_gets_its_own():
    """By hand: B is as bright as A within 2 errors of the difference (0.0005 against 0.001) and heavier;
    C keeps 91 % of the best light; light times weight is 0.80, 0.88, 0.95, 0.72, 0.60."""
    assert choose(ALL, "light", "carats", exactly) is B
    assert choose(ALL, "weight", "carats", exactly) is C
    assert choose(ALL, "weight", "carats", exactly, keep_light=0.95) is B
    assert choose(ALL, "weight", "carats", exactly, keep_light=0.5) is E
    assert choose(ALL, "balance", "carats", exactly) is C
    assert choose(ALL, "light", "carats", exactly, at_least=1.15) is C
    with pytest.raises(FacetraceError, match=r"the heaviest has 1\.500 ct"):
        choose(ALL, "light", "carats", exactly, at_least=2)


# ---- the command ----------------------------------------------------------------------------

QUICK = ("--rays", 2048, "--vary", "pavilion.angle=41:43:1", "--vary", "crown.angle=34:38:2")


@pytest.fixture
def stone(tmp_path):
    copy = tmp_path / "stone.toml"
    copy.write_text(ROUND.read_text(encoding="utf-8"), encoding="utf-8")
    return copy


def test_table_csv_plot_and_advice(stone):
    result = run("angles", stone, *QUICK, "--prefer", "light")
    assert result.exit_code == 0, result.output
    for words in (
        "> light",
        "as is",
        "tilt",
        "For the most light: pavilion.angle",
        "not an appraisal",
    ):
        assert words in result.output
    assert all(len(line) <= 80 for line in result.stdout.splitlines())
    lines = stone.with_name("stone-angles.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# facetrace angles of Round brilliant")
    # nine of the grid; the design's own angles are among them
    assert len(lines) == 3 + 9
    plot = Image.open(stone.with_name("stone-angles.png"))
    assert "light against weight" in plot.text["Title"]


def test_document(stone):
    result = run("angles", stone, *QUICK, "--vary", "pavilion.mains=7:8:1", "--json", "-")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    jsonschema.validate(found, SCHEMA)
    part = found["angles"]
    assert len(part["rows"]) == 18
    assert part["rows"][0]["values"] == {
        "pavilion.angle": 42,
        "crown.angle": 36,
        "pavilion.mains": 8,
    }
    assert part["rows"][0]["light_return_gain"] == {"value": 0, "stderr": 0}
    # seven mains do not fit the gear: rows that say so, not a stop
    uncut = [row for row in part["rows"] if "carats" not in row]
    assert len(uncut) == 9
    assert all("do not fit a gear of 96" in row["remark"] for row in uncut)
    best = part["rows"][part["recommendation"]["row"]]
    gain = part["recommendation"]["gains"]["light_return"]
    off = best["light_return_gain"]["value"] - gain["value"]
    assert abs(off) < 5 * math.hypot(best["light_return_gain"]["stderr"], gain["stderr"])
    assert sorted(p.name for p in stone.parent.iterdir()) == ["stone.toml"]


def stopped_after(count, monkeypatch):
    """Ctrl-C after so many candidates."""

    def stopped(*arguments):
        for i, row in enumerate(sweep(*arguments)):
            if i == count:
                raise KeyboardInterrupt
            yield row

    monkeypatch.setattr(angles, "sweep", stopped)


def test_stopped_and_resumed_is_the_same_sweep(stone, monkeypatch):
    whole, part = stone.with_name("whole.csv"), stone.with_name("part.csv")
    first = run("angles", stone, *QUICK, "--csv", whole)
    with monkeypatch.context() as patch:
        stopped_after(5, patch)
        result = run("angles", stone, *QUICK, "--csv", part)
    assert result.exit_code == 130
    assert f"stopped: 5 of 9 in {part}" in result.output.replace("\n", "")
    calls = []
    real = sweeping.tilt_tolerances
    monkeypatch.setattr(
        sweeping, "tilt_tolerances", lambda stones, *a: calls.extend(stones) or real(stones, *a)
    )
    again = run("angles", stone, *QUICK, "--csv", part)
    assert again.exit_code == 0
    assert len(calls) == 4
    assert part.read_bytes() == whole.read_bytes()
    assert again.stdout == first.stdout
    other = run("angles", stone, *QUICK, "--csv", part, "--seed", 2)
    assert other.exit_code == 2
    assert "--fresh" in other.output
    assert part.read_bytes() == whole.read_bytes()


@pytest.mark.skipif(numba.config.NUMBA_NUM_THREADS < 2, reason="needs two threads")
def test_same_bits_for_any_number_of_threads(stone):
    before = numba.get_num_threads()
    found = []
    try:
        for threads in sorted({1, 2, numba.config.NUMBA_NUM_THREADS}):
            numba.set_num_threads(threads)
            run("angles", stone, *QUICK, "--csv", stone.with_name("t.csv"), "--fresh")
            found.append(stone.with_name("t.csv").read_bytes())
    finally:
        numba.set_num_threads(before)
    assert len(set(found)) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--vary", "pavilion.angle=41:43"), "is not NAME=FROM:TO:STEP"),
        (("--vary", "pavilion.angle=41:nan:1"), "is not NAME=FROM:TO:STEP"),
        (("--vary", "pavilion.angel=41:43:1"), "did you mean 'pavilion.angle'"),
        (("--vary", "pavilion.angle=43:41:1"), "FROM <= TO"),
        (("--vary", "pavilion.mains=6:12:0.5"), "takes whole numbers"),
        (("--vary", "pavilion.angle=40:44:1e-6"), "at most 100,000"),
        ((*QUICK, *QUICK), "is given twice"),
        (("--carats", 2, "--at-least", 1), "give one of them"),
        ((*QUICK, "--at-least", 9), "no candidate weighs so much"),
        (("--csv", "table.txt"), "let its name end in .csv"),
        (("--csv", "a.csv", "--json", "a.csv"), "is named for two outputs"),
    ],
)
def test_complaints_are_one_line(stone, monkeypatch, arguments, words):
    monkeypatch.chdir(stone.parent)
    result = run("angles", "stone.toml", *arguments)
    assert result.exit_code == 2
    said = [line for line in result.stderr.splitlines() if line.startswith("error:")]
    assert len(said) == 1
    assert words in said[0]
    assert not list(stone.parent.glob("*.png"))


def test_a_design_in_tiers_must_be_told_what_to_vary():
    result = run("angles", ROOT / "designs" / "round-by-hand.toml", "--json", "-")
    assert result.exit_code == 2
    assert "--vary 'pavilion main.angle=FROM:TO:STEP'" in result.output


def test_rocked_and_seen_from_the_side_are_the_same_window():
    """The window does not depend on the light: eye moved or stone rocked, it is the same."""
    solid, clear = build_solid(design_of(ROUND)), conditions().clear
    found = []
    for view in (View(eye_tilt=18.0), View(tilt=-18.0)):
        scene = scene_of(solid, clear, (0.0, 0.0), find_light("overcast"), view)
        found.append(face_up(trace_sums(scene, 64, 1), scene).measures["window"])
    off = math.hypot(*(e.stderr for e in found))
    assert abs(found[0].value - found[1].value) < 5 * off


def test_cautions_name_the_edge_and_the_idle_number(tmp_path):
    """Half a degree beyond the recommended pavilion, under a steeper crown, the round windows
    untilted (see designs/README.md); a round outline has no cut corners."""
    base = ["angles", str(ROOT / "designs" / "round-brilliant.toml"), "--rays", "4096", "--no-plot"]
    vary = ["pavilion.angle=43:43.5:0.5", "crown.angle=39:40:1", "outline.corner_percent=10:15:5"]
    words = [w for v in vary for w in ("--vary", v)]
    done = run(*base, *words, "--csv", tmp_path / "e.csv")
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "It stands near an edge: at pavilion.angle 43.5, crown.angle 40" in text
    assert "outline.corner_percent changes nothing on this design." in text
