"""The user's spectrum against Beer's law done by hand; every mistake in its file has its message."""

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import constants
from shared import ROOT, ROUND

from facetrace.checks.stones import SIGMAS, box, make_scene
from facetrace.common.errors import FacetraceError, FileError
from facetrace.design.model import read_design
from facetrace.optics.colour import observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.optics.pleochroism import dichroscope_pair
from facetrace.optics.spectrum import read_spectrum
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import trace_face_up
from facetrace.trace.scene import View, medium_of, scene_of

RUBY, CORUNDUM = find_material("ruby"), find_material("corundum")
NODES = observer().wavelength_nm
THICKNESS_MM = 1.7


def written(path, columns, statements, head="nm,o,e"):
    """A spectrum file with every digit of its numbers."""
    rows = [",".join(repr(float(x)) for x in row) for row in np.column_stack([NODES, *columns])]
    path.write_text("\n".join([*(f"# {s}" for s in statements), head, *rows]) + "\n")
    return path


def plate_series(alpha, n, mm):
    """Transmission of a plate by adding up 200 passages, in 1/cm and mm (Fresnel, upright)."""
    R = ((n - 1) / (n + 1)) ** 2
    passage = np.exp(-alpha * mm * constants.milli / constants.centi)
    return sum((1 - R) ** 2 * passage * (R * passage) ** (2 * k) for k in range(200))


def coefficient(logarithm, unit):
    per_unit = constants.centi if unit == "1/cm" else constants.milli
    factor = per_unit / constants.centi / (np.log(10) if logarithm == "decadic" else 1)
    statements = ["quantity: absorption coefficient", f"logarithm: {logarithm}", f"unit: {unit}"]
    return [alpha * factor for alpha in RUBY.absorption(NODES)], statements


def absorbance(logarithm, reflection):
    log = np.log10 if logarithm == "decadic" else np.log
    columns = []
    for alpha, n in zip(RUBY.absorption(NODES), RUBY.indices(NODES), strict=True):
        if reflection == "included":
            passed = plate_series(alpha, n, THICKNESS_MM)
        else:
            passed = np.exp(-alpha * THICKNESS_MM / 10)
        columns.append(-log(passed))
    return columns, [
        "quantity: absorbance", f"logarithm: {logarithm}", f"thickness_mm: {THICKNESS_MM}",
        f"reflection: {reflection}",
    ]  # fmt: skip


FORMS = [
    *(coefficient(log, unit) for log in ("natural", "decadic") for unit in ("1/cm", "1/mm")),
    *(absorbance(log, kind) for log in ("natural", "decadic") for kind in ("removed", "included")),
]


def figures(material):
    solid = build_solid(read_design(ROUND).design)
    medium = medium_of(material, observer())
    scene = scene_of(solid, medium, (30.0, 10.0), find_light("hemisphere", 10), View())
    return medium.spectrum, trace_face_up(scene, 5, rays=1 << 13)


@pytest.mark.parametrize("form", FORMS, ids=lambda f: " ".join(f[1]))
def test_every_form_gives_the_same_stone(form, tmp_path):
    """The ruby's own absorption, written in each unit, comes back: Beer's law with numpy's
    logarithms and scipy's units; a plate's reflections as a sum over passages."""
    path = written(tmp_path / "ruby.csv", *form)
    measured = CORUNDUM.with_spectrum(read_spectrum(path, CORUNDUM.indices))
    for got, wanted in zip(measured.absorption(NODES), RUBY.absorption(NODES), strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-9, atol=1e-9)
    (table, result), (own_table, own) = figures(measured), figures(RUBY)
    np.testing.assert_allclose(table, own_table, rtol=1e-9, atol=1e-10)
    for name, figure in own.measures.items():
        assert result.measures[name].value == pytest.approx(figure.value, rel=1e-8, abs=1e-12)
    assert result.colour.lightness.value == pytest.approx(own.colour.lightness.value, rel=1e-8)


def test_the_user_s_own_arithmetic(tmp_path):
    """Decadic absorbance 1 through 10 mm lets 10 % through by definition (IUPAC Gold Book,
    "decadic absorbance"): alpha = ln 10 per cm; a ruby in 5 mm keeps sqrt(0.1)."""
    ones = np.ones(len(NODES))
    statements = ["quantity: absorbance", "logarithm: decadic", "thickness_mm: 10", "reflection: removed"]  # fmt: skip
    spectrum = read_spectrum(
        written(tmp_path / "grey.csv", [ones, ones], statements), CORUNDUM.indices
    )
    np.testing.assert_allclose(spectrum.alpha_o, 2.302585093, rtol=1e-9)
    pair = dichroscope_pair(CORUNDUM.with_spectrum(spectrum), 1.0, 5.0, observer())
    assert pair.ordinary.xyz[1] == pytest.approx(np.sqrt(0.1), rel=1e-9)


def test_a_clear_plate_is_clear(tmp_path):
    """A plate without absorption lets 2n / (n^2 + 1) through (textbook result); noise of 0.004
    below that counts as clear, more is a wrong baseline."""
    n = CORUNDUM.indices(NODES)
    clear = [-np.log10(2 * m / (m * m + 1)) for m in n]
    statements = ["quantity: absorbance", "logarithm: decadic", "thickness_mm: 3", "reflection: included"]  # fmt: skip
    for shift in (0.0, -0.004):
        path = written(tmp_path / "clear.csv", [c + shift for c in clear], statements)
        spectrum = read_spectrum(path, CORUNDUM.indices)
        np.testing.assert_allclose(spectrum.alpha_o, 0, atol=1e-9)
        np.testing.assert_allclose(spectrum.alpha_e, 0, atol=1e-9)
    path = written(tmp_path / "clear.csv", [c - 0.02 for c in clear], statements)
    with pytest.raises(FileError, match=r"less than the two surfaces alone take .*\(0\.06"):
        read_spectrum(path, CORUNDUM.indices)


def test_unpolarised_serves_both_rays(tmp_path):
    for columns, statements in (coefficient("natural", "1/cm"), absorbance("decadic", "included")):
        path = written(tmp_path / "one.csv", columns[:1], statements, head="nm,unpolarised")
        spectrum = read_spectrum(path, CORUNDUM.indices)
        assert not spectrum.polarised
        np.testing.assert_array_equal(spectrum.alpha_o, spectrum.alpha_e)
        np.testing.assert_allclose(spectrum.alpha_o, RUBY.absorption(NODES)[0], rtol=1e-9)


def test_interpolation_is_linear_and_ends_with_the_data(tmp_path):
    columns, statements = coefficient("natural", "1/cm")
    spectrum = read_spectrum(written(tmp_path / "a.csv", columns, statements), CORUNDUM.indices)
    assert spectrum.at(552.0)[0] == pytest.approx(
        0.6 * spectrum.at(550.0)[0] + 0.4 * spectrum.at(555.0)[0]
    )
    with pytest.raises(FacetraceError, match=r"a\.csv: says nothing outside 380-780 nm"):
        spectrum.at([400.0, 790.0])


def test_a_spectrum_replaces_what_was_from_memory(tmp_path):
    columns, statements = coefficient("natural", "1/cm")
    spectrum = read_spectrum(written(tmp_path / "a.csv", columns, statements), RUBY.indices)
    stone = RUBY.with_spectrum(spectrum)
    assert RUBY.provisional
    assert stone.provisional == ()
    assert stone.parts(NODES) == {}
    assert stone.name == "ruby, spectrum a.csv"
    with pytest.raises(FacetraceError, match=r"spinel is isotropic .* give columns nm,unpolarised"):
        find_material("spinel").with_spectrum(spectrum)
    find_material("spinel").with_spectrum(replace(spectrum, polarised=False))


def test_what_a_spreadsheet_does_to_a_file(tmp_path):
    """Byte order mark, CRLF, quotes, lines filled up with commas, empty lines, e before o, data
    beyond the visible with negative noise: all without doubt what is meant."""
    rows = "\r\n".join(f'{nm},"0.5",1.5' for nm in range(370, 800, 10))
    text = (
        "# quantity: Absorption  coefficient,,\r\n# logarithm: natural,,\r\n# a remark,,\r\n"
        '# unit: 1/cm,,\r\n,,\r\n"nm","e","o"\r\n' + rows + "\r\n,,\r\n"
        "900,-0.01,-0.02\r\n"
    )
    path = tmp_path / "sheet.csv"
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    spectrum = read_spectrum(path, CORUNDUM.indices)
    assert (spectrum.wavelength_nm[0], spectrum.wavelength_nm[-1]) == (380, 780)
    assert set(spectrum.alpha_o) == {1.5}
    assert set(spectrum.alpha_e) == {0.5}


# ---- mistakes -----------------------------------------------------------------------------------


def rows(nm=range(380, 790, 10), value="0.5"):
    return "".join(f"{w},{value},{value}\n" for w in nm)


HEAD = "# quantity: absorption coefficient\n# logarithm: natural\n# unit: 1/cm\n"
GOOD = HEAD + "nm,o,e\n" + rows()
PLATE = GOOD.replace("absorption coefficient", "absorbance").replace(
    "unit: 1/cm", "thickness_mm: 2.0\n# reflection: removed"
)

WRONG = {
    "empty": ("", r"s.csv: holds no data; wanted are lines that say '# quantity: ...'"),
    "header only": (HEAD + "nm,o,e\n", r"s.csv: holds no data"),
    "binary": ("a\0b", r"s.csv: is not a text file"),
    "no column names": (HEAD + rows(), r"s.csv:4: '380,0.5,0.5' does not name the columns; .*nm,o,e or nm,unpolarised"),
    "other columns": (GOOD.replace("nm,o,e", "nm,o,x"), r"s.csv:4: 'nm,o,x' does not name the columns"),
    "no quantity": (GOOD.replace("# quantity", "# quantty"), r"s.csv: does not say its quantity: a line '# quantity: absorption coefficient' or '# quantity: absorbance' is wanted; line 1 says 'quantty'"),
    "no logarithm": (GOOD.replace("# logarithm: natural\n", ""), r"does not say its logarithm: a line '# logarithm: natural' or '# logarithm: decadic'"),
    "no unit": (GOOD.replace("# unit: 1/cm\n", ""), r"does not say its unit: a line '# unit: 1/cm' or '# unit: 1/mm'"),
    "no thickness": (PLATE.replace("# thickness_mm: 2.0\n", "# thickness: 2 mm\n"), r"does not say its thickness_mm: .* line 3 says 'thickness'"),
    "no reflection": (PLATE.replace("# reflection: removed\n", ""), r"does not say its reflection: a line '# reflection: removed' or '# reflection: included'"),
    "unknown quantity": (GOOD.replace("absorption coefficient", "transmission"), r"s.csv:1: quantity: 'transmission' is not known; write '# quantity: absorption coefficient'"),
    "unknown unit": (GOOD.replace("1/cm", "1/m"), r"s.csv:3: unit: '1/m' is not known; write '# unit: 1/cm' or"),
    "unit of an absorbance": (PLATE.replace("# reflection", "# unit: 1/cm\n# reflection"), r"s.csv:4: unit: an absorbance has no unit"),
    "thickness of a coefficient": ("# thickness_mm: 2\n" + GOOD, r"s.csv:1: thickness_mm: goes with '# quantity: absorbance'"),
    "reflection in a coefficient": ("# reflection: included\n" + GOOD, r"s.csv:1: reflection: can be taken out of an absorbance only"),
    "thickness in words": (PLATE.replace("2.0", "2 mm"), r"s.csv:3: thickness_mm: '2 mm' is not a number"),
    "no thickness at all": (PLATE.replace("2.0", "0"), r"s.csv:3: thickness_mm: 0 is not between"),
    "said twice": (GOOD + "# logarithm: decadic\n", r"s.csv:46: logarithm: is stated already in line 2"),
    "not a number": (GOOD.replace("400,0.5", "400,half"), r"s.csv:7: o: 'half' is not a number; write one like 0.25"),
    "underscore": (GOOD.replace("400,0.5", "400,1_0"), r"s.csv:7: o: '1_0' is not a number"),
    "empty field": (GOOD.replace("400,0.5,0.5", "400,0.5,"), r"s.csv:7: e: an empty field is not a number"),
    "nan": (GOOD.replace("400,0.5", "400,nan"), r"s.csv:7: o: 'nan' cannot be calculated with"),
    "infinite": (GOOD.replace("400,0.5", "400,inf"), r"s.csv:7: o: 'inf' cannot be calculated with"),
    "semicolons": (GOOD.replace("nm,o,e", "nm;o;e"), r"s.csv:4: has semicolons; separate columns by commas and write decimals with a point"),
    "tabs": (GOOD.replace("nm,o,e", "nm\to\te"), r"s.csv:4: has no comma; separate columns by commas"),
    "decimal commas": (GOOD.replace("400,0.5,0.5", "400,0,5,0,5"), r"s.csv:7: has 5 values, not the 3 of nm,o,e; decimals are written with a point"),
    "column left out": (GOOD.replace("400,0.5,0.5", "400,0.5"), r"s.csv:7: has 2 values, not the 3"),
    "negative": (GOOD.replace("400,0.5,0.5", "400,0.5,-0.01"), r"s.csv:7: e: -0.01 is negative, one of 1 such values; correct the baseline"),
    "falling": (HEAD + "nm,o,e\n" + rows(range(780, 370, -10)), r"s.csv:6: nm: 770 follows 780; wavelengths must rise"),
    "twice": (GOOD.replace("400,", "390,"), r"s.csv:7: nm: 390 stands there twice"),
    "micrometres": (HEAD + "nm,o,e\n" + rows(np.arange(38, 79) / 100), r"s.csv:5: nm: values run from 0.38 to 0.78: these look like micrometres; nm are wanted"),
    "electron volts": (HEAD + "nm,o,e\n" + rows(np.arange(158, 327) / 100), r"look like electron volts; nm are wanted"),
    "wavenumbers": (HEAD + "nm,o,e\n" + rows(range(12800, 26400, 100)), r"look like wavenumbers \(1/cm\); nm are wanted"),
    "angstroms": (HEAD + "nm,o,e\n" + rows(range(3800, 7810, 50)), r"look like angstroms; nm are wanted"),
    "gap": (GOOD.replace("400,0.5,0.5\n", ""), r"s.csv:7: nm: a gap from 390 to 410; steps of at most 10 nm are needed from 380 to 780"),
    "begins late": (HEAD + "nm,o,e\n" + rows(range(400, 790, 10)), r"s.csv:5: nm: begins at 400, the violet end is missing; 380-780 nm are needed, and nothing is made up"),
    "ends early": (HEAD + "nm,o,e\n" + rows(range(380, 710, 10)), r"s.csv:37: nm: ends at 700, the red end is missing"),
    "far too much": (GOOD.replace("400,0.5", "400,20000"), r"s.csv:7: o: 20000 is 1 times as much per cm, natural; no gem absorbs so much: check unit"),
    "percent": (PLATE.replace("400,0.5", "400,82"), r"s.csv:8: o: 82 cannot be measured as an absorbance; is it a transmission in percent"),
    "reflection not there": (PLATE.replace("removed", "included").replace("0.5", "0.01"), r"s.csv:6: o: 0.01 is less than the two surfaces alone take by reflection \(0.16.* at index 1.7.*state '# reflection: removed'"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_mistakes_get_one_clear_line(case, tmp_path):
    text, message = WRONG[case]
    path = tmp_path / "s.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=message) as caught:
        read_spectrum(path, CORUNDUM.indices)
    assert "\n" not in str(caught.value)


def test_files_that_cannot_be_read(tmp_path):
    for path, message in ((tmp_path / "no.csv", "no such file"), (tmp_path, "is a folder")):
        with pytest.raises(FileError, match=message):
            read_spectrum(path, CORUNDUM.indices)
    (tmp_path / "latin.csv").write_bytes(b"# caf\xe9\n" + GOOD.encode())
    with pytest.raises(FileError, match="UTF-8"):
        read_spectrum(tmp_path / "latin.csv", CORUNDUM.indices)
    (tmp_path / "large.csv").write_text(GOOD + "# filler\n" * 300_000)
    with pytest.raises(FileError, match="is larger than"):
        read_spectrum(tmp_path / "large.csv", CORUNDUM.indices)


def test_good_ones_are_good(tmp_path):
    for text in (GOOD, PLATE):
        (tmp_path / "s.csv").write_text(text)
        assert read_spectrum(tmp_path / "s.csv", CORUNDUM.indices).polarised


# ---- built-in chromophores and facts -----------------------------------------------------------


def test_chromophores_of_the_issue_are_there():
    """The six of Dubinsky, Stone-Sundberg & Emmett, Gems & Gemology 56(1), 2020 (abstract)."""
    names = {c.name for c in CORUNDUM.data.chromophore}
    assert names == {"Cr3+", "h-Cr3+", "Fe3+", "h-Fe3+", "Fe2+-Ti4+", "V3+"}


def test_parts_add_up():
    mix = find_material("corundum", {"Cr3+": 50, "V3+": 80, "Fe3+": 900, "h-Fe3+": 1})
    parts = mix.parts(NODES)
    assert list(parts) == [c.name for c, _ in mix.colouring]
    for ray in (0, 1):
        np.testing.assert_allclose(sum(p[ray] for p in parts.values()), mix.absorption(NODES)[ray])
    one, two = (find_material("corundum", {"V3+": ppma}).absorption(NODES)[0] for ppma in (1, 2))
    np.testing.assert_allclose(two, 2 * one)


def test_vanadium_bands():
    """V3+ absorbs about 17,400 and 25,200 1/cm (McClure 1962, from memory): 575 and 397 nm."""
    nm = np.arange(380.0, 781.0)
    alpha, _ = find_material("corundum", {"V3+": 100}).absorption(nm)
    peaks = nm[1:-1][(alpha[1:-1] > alpha[:-2]) & (alpha[1:-1] > alpha[2:])]
    np.testing.assert_allclose(peaks, [397, 575], atol=8)


def test_holes_on_iron_make_yellow_and_more_than_iron_does():
    """Yellow: hue angles around 90; stronger per ion than Fe3+ (from memory)."""
    pair = dichroscope_pair(find_material("yellow sapphire"), 0.0, 5.0, observer())
    assert 80 < pair.ordinary.lch.hue_deg < 115
    hole, iron = (
        find_material("corundum", {name: 1}).absorption(NODES)[0].max()
        for name in ("h-Fe3+", "Fe3+")
    )
    assert hole > 100 * iron


def scaled(solid, factor):
    return Solid.from_planes(solid.normals, solid.offsets * factor)


@pytest.mark.parametrize("material", ["ruby", "blue sapphire"])
def test_a_larger_stone_is_deeper_in_colour(material):
    """Same shape at 4, 6 and 9 mm: darker with size, far beyond the errors (common practice:
    large rough of deep colour is cut shallow; Beer's law)."""
    solid = build_solid(read_design(ROUND).design)
    results = [
        trace_face_up(
            make_scene(scaled(solid, mm / 6.5), material=material, head=10), 3, rays=1 << 14
        )
        for mm in (4, 6, 9)
    ]
    for small, large in pairwise(results):
        for a, b in (
            (small.colour.lightness, large.colour.lightness),
            (small.within.lightness, large.within.lightness),
        ):
            assert a.value - b.value > SIGMAS * np.hypot(a.stderr, b.stderr)
        assert large.measures["absorbed"].value > small.measures["absorbed"].value


def test_a_box_of_a_measured_spectrum_is_a_plate(tmp_path):
    """Straight down through a box under one line of 550 nm: what is absorbed in a plate with all
    reflections, closed form, from the user's alpha (o ray: c along the line of sight)."""
    columns, statements = coefficient("decadic", "1/mm")
    stone = CORUNDUM.with_spectrum(
        read_spectrum(written(tmp_path / "s.csv", columns, statements), CORUNDUM.indices)
    )
    medium = medium_of(stone, observer(), wavelength_nm=550.0)
    scene = scene_of(box(1, 1, 1.5), medium, (0.0, 0.0), find_light("uniform", 0), View())
    result = trace_face_up(scene, 1, rays=1 << 12)
    n, alpha = float(CORUNDUM.indices(550.0)[0]), float(RUBY.absorption(550.0)[0])
    R, A = ((n - 1) / (n + 1)) ** 2, np.exp(-alpha * 0.3)
    passed = (1 - R) ** 2 * A / (1 - (R * A) ** 2)
    mirrored = R + R * A * passed
    got = result.measures["absorbed"]
    assert abs(got.value - (1 - passed - mirrored)) <= SIGMAS * got.stderr + 1e-9


def test_csv_in_the_documents_is_of_the_example():
    text = (ROOT / "designs" / "FILES.md").read_text(encoding="utf-8")
    example = (ROOT / "designs" / "pink-sapphire.csv").read_text(encoding="utf-8")
    assert "invented" in example
    for shown in re.findall(r"```csv\n(.*?)\n```", text, re.S):
        assert "\n" + shown + "\n" in example
