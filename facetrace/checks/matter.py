"""Checks of indices, absorption, weight and colour against published numbers."""

import math

import numpy as np

from facetrace.checks.check import Check, Comparison, between
from facetrace.common.output import temporary_folder, write_whole
from facetrace.design.model import Crown, Design, Girdle, Outline, Pavilion
from facetrace.optics.colour import (
    LCh,
    delta_e_2000,
    lch_of,
    observer,
    srgb_of,
    xyz_of_transmission,
)
from facetrace.optics.material import find_material
from facetrace.optics.pleochroism import dichroscope_pair
from facetrace.optics.spectrum import read_spectrum
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure

# wavelengths of Fraunhofer lines in nm (B and G as the gem trade uses them)
D, HELIUM_D, F, C, B, G = 589.30, 587.56, 486.13, 656.27, 686.7, 430.8

# nm, n_o, n_e
SAPPHIRE = (
    (442, 1.78038, 1.77206), (458, 1.77843, 1.77015), (488, 1.7753, 1.76711),
    (515, 1.77304, 1.76486), (532, 1.7717, 1.76355), (590, 1.76804, 1.75996),
    (633, 1.7659, 1.75787), (670, 1.76433, 1.75632), (694, 1.76341, 1.75542),
    (755, 1.76141, 1.75346), (1064, 1.75449, 1.74663),
)  # fmt: skip

# L*, a*, b* twice and their difference
CIEDE2000 = (
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.0200), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.9030),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
)


def _sapphire_table() -> list[Comparison]:
    rows = []
    for nm, n_o, n_e in SAPPHIRE:
        got = find_material("corundum").indices(nm)
        rows += [
            Comparison(f"n_{ray} at {nm} nm", expected, float(n), 1e-4)
            for ray, expected, n in zip("oe", (n_o, n_e), got, strict=True)
        ]
    return rows


def _mineral_table() -> list[Comparison]:
    n_o, n_e = (float(n) for n in find_material("corundum").indices(D))
    return [
        between("n_o", 1.767, n_o, 1.774),
        between("n_e", 1.759, n_e, 1.765),
        between("n_o - n_e", 0.008, n_o - n_e, 0.009),
    ]


def _sodium_line() -> list[Comparison]:
    rows = []
    for name, expected, tolerance in (
        ("calcite", (1.658, 1.486), 1e-3),
        ("quartz", (1.5442, 1.5533), 1e-4),
        ("glass", (1.5167, 1.5167), 1e-4),
    ):
        got = find_material(name).indices(D)
        rows += [
            Comparison(f"{name} n_{ray}", n, float(g), tolerance)
            for ray, n, g in zip("oe", expected, got, strict=True)
        ]
    return rows


def _dispersion() -> list[Comparison]:
    rows = []
    for name, spread in (("corundum", 0.018), ("diamond", 0.044), ("quartz", 0.013)):
        n, _ = find_material(name).indices([B, G])
        rows.append(Comparison(f"{name} B-G", spread, float(n[1] - n[0]), 1e-3))
    return rows


def _abbe() -> list[Comparison]:
    rows = []
    for name, abbe in (("corundum", 72.2), ("glass", 64.2)):
        n, _ = find_material(name).indices([HELIUM_D, F, C])
        rows.append(Comparison(f"{name} Vd", abbe, float((n[0] - 1) / (n[1] - n[2])), 0.2))
    return rows


def _critical(name: str, expected: float, tolerance: float) -> list[Comparison]:
    return [
        Comparison(f"{name}, {ray}", expected, math.degrees(math.asin(1 / float(n))), tolerance)
        for ray, n in zip("oe", find_material(name).indices(D), strict=True)
    ]


def _plate_loss() -> list[Comparison]:
    n = float(find_material("corundum").indices(1060)[0])
    return [Comparison("two surfaces at 1.06 um", 0.14, 1 - 2 * n / (n * n + 1), 0.005)]


def _ruby_bands() -> list[Comparison]:
    nm = np.arange(380.0, 781.0)
    alpha, alpha_e = find_material("ruby", {"Cr3+": 300}).absorption(nm)
    green, violet, valley = (nm > 480) & (nm < 620), nm < 470, (nm > 440) & (nm < 520)
    return [
        between("strongest, nm", 540, float(nm[green][alpha[green].argmax()]), 560),
        between("second, nm", 395, float(nm[violet][alpha[violet].argmax()]), 415),
        between("least between, nm", 465, float(nm[valley][alpha[valley].argmin()]), 495),
        between("o over e in the green", 1.8, float(alpha[green].max() / alpha_e[green].max()), 3),
        Comparison("beyond 680 nm", 0.0, float(alpha[nm > 680].max() / alpha.max()), 0.02),
    ]


def _chromium_density() -> list[Comparison]:
    atoms = find_material("corundum").data.atoms
    assert atoms is not None
    by_mass = 3.987 * 0.0005 / 151.99 * 2 * 6.02214076e23
    return [
        Comparison("Cr per cm3", 1.58e19, by_mass, 0.016e19),
        Comparison("ppma", 134, by_mass / atoms.per_cm3_per_ppma, 1.4),
    ]


def _density() -> list[Comparison]:
    return [between("corundum, g/cm3", 3.99, find_material("corundum").density, 4.01)]


def round_brilliant(
    crown: float, pavilion: float, table: float, girdle_mm: float, width_mm: float = 10.0
) -> Design:
    """A plain round brilliant by its angles (degrees) and table (percent)."""
    return Design(
        name="round brilliant",
        outline=Outline(shape="round", length_mm=width_mm, width_mm=width_mm),
        girdle=Girdle(thickness_mm=girdle_mm, facets=16),
        crown=Crown(style="brilliant", angle=crown, table_percent=table),
        pavilion=Pavilion(style="brilliant", angle=pavilion),
    )


def _tolkowsky() -> list[Comparison]:
    m = measure(build_solid(round_brilliant(34.5, 40.75, 53, 1e-4)), 3.52)
    return [
        Comparison("pavilion depth, %", 43.1, 10 * m.pavilion_depth_mm, 0.1),
        Comparison("crown height, %", 16.2, 10 * m.crown_height_mm, 0.1),
        Comparison("total depth, %", 59.3, m.depth_percent, 0.1),
    ]


def _weight() -> list[Comparison]:
    m = measure(build_solid(round_brilliant(36, 42, 56, 0.18, 6.5)), 4.0)
    rule = m.length_mm * m.width_mm * m.depth_mm * 0.0018 * 4.0
    return [
        Comparison("round 6.5 mm, carats", rule, m.carats, 0.1 * rule),
        Comparison("carats to the gram", 5.0, m.carats / (m.volume_mm3 * 4.0e-3), 1e-9),
    ]


def _white_points() -> list[Comparison]:
    rows = []
    for name, xy in (
        ("D65", (0.31272, 0.32903)),
        ("D50", (0.34567, 0.35851)),
        ("A", (0.44758, 0.40745)),
    ):
        white = observer(name).white
        rows += [
            Comparison(f"{name} {axis}", e, float(w / white.sum()), 5e-4)
            for axis, e, w in zip("xy", xy, white[:2], strict=True)
        ]
    return rows


def _srgb_red() -> list[Comparison]:
    white = np.array([0.95047, 1.0, 1.08883])
    red = np.array([0.4124, 0.2126, 0.0193])
    rgb, _ = srgb_of(red[None], white, 1.0)
    lab = lch_of(red, white)
    return [
        Comparison(name, e, g, tolerance)
        for name, e, g, tolerance in (
            ("L*", 53.23, lab.lightness, 0.1), ("a*", 80.11, lab.a, 0.1), ("b*", 67.22, lab.b, 0.1),
            ("R", 1.0, float(rgb[0, 0]), 0.02), ("G", 0.0, float(rgb[0, 1]), 0.02),
            ("B", 0.0, float(rgb[0, 2]), 0.02),
        )
    ]  # fmt: skip


def _ciede2000() -> list[Comparison]:
    def lch(lab: tuple[float, float, float]) -> LCh:
        lightness, a, b = lab
        return LCh(lightness, math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360, a, b)

    return [
        Comparison(f"{a} to {b}", e, delta_e_2000(lch(a), lch(b)), 1e-4) for a, b, e in CIEDE2000
    ]


def _long_pass() -> list[Comparison]:
    eye = observer()
    xyz = xyz_of_transmission((eye.wavelength_nm >= 600).astype(float), eye)
    x, y, _ = xyz / xyz.sum()
    return [Comparison("x", 0.682, float(x), 0.002), Comparison("y", 0.318, float(y), 0.002)]


def _absorbance() -> list[Comparison]:
    """A plate of 10 mm with the absorbance 1 (o) and 0.5 (e), written to a file and read again."""
    head = "# quantity: absorbance\n# thickness_mm: 10\n# reflection: removed\n# logarithm: "
    rows = "\n".join(f"{nm},1.0,0.5" for nm in range(380, 781, 10))
    found = []
    for logarithm, expected in (("decadic", math.log(10)), ("natural", 1.0)):
        with temporary_folder() as folder:
            path = folder / "plate.csv"
            write_whole(path, f"{head}{logarithm}\nnm,o,e\n{rows}\n".encode())
            spectrum = read_spectrum(path, find_material("corundum").indices)
        alpha_o, alpha_e = spectrum.at(555.0)
        found += [
            Comparison(f"{logarithm}, o", expected, float(alpha_o), 1e-12),
            Comparison(f"{logarithm}, e", expected / 2, float(alpha_e), 1e-12),
        ]
    return found


def _hues(material: str) -> tuple[float, float]:
    pair = dichroscope_pair(find_material(material), math.pi / 2, 5.0, observer())
    return pair.ordinary.lch.hue_deg, pair.extraordinary.lch.hue_deg


def _ruby_hues() -> list[Comparison]:
    o, e = ((h + 180) % 360 - 180 for h in _hues("ruby"))
    return [between("o: purplish red", -30, o, 10), between("e: orangey red", 10, e, 45)]


def _sapphire_hues() -> list[Comparison]:
    o, e = _hues("blue sapphire")
    return [between("o: violetish blue", 250, o, 315), between("e: greenish blue", 180, e, 250)]


def _along_c() -> list[Comparison]:
    return [
        Comparison(name, 0.0, dichroscope_pair(find_material(name), 0.0, 5.0, observer()).difference, 1e-9)
        for name in ("ruby", "blue sapphire")
    ]  # fmt: skip


CHECKS = (
    Check("sapphire indices, 442 to 1064 nm",
          "Valley Design, index table of sapphire (wavelengths to 1 nm)", _sapphire_table),
    Check("corundum in the mineral tables", "MinTS, University of the Western Cape", _mineral_table),
    Check("indices of calcite, quartz, N-BK7",
          "Wolfram Demonstrations; Ghosh (1999); SCHOTT catalogue (2017)", _sodium_line),
    Check("dispersion B-G", "gem trade charts", _dispersion),
    Check("Abbe numbers", "Optic-Well sheet; SCHOTT catalogue (2017)", _abbe),
    Check("critical angle of corundum, deg", "Graham, faceting notes (International Gem Society)",
          lambda: _critical("corundum", 34.62, 0.25)),
    Check("critical angle of diamond, deg", "Tolkowsky, Diamond Design (1919)",
          lambda: _critical("diamond", 24 + 26 / 60, 1 / 60)),
    Check("reflection loss of a sapphire plate", "Ideal Photonics sheet", _plate_loss),
    Check("density", "Graham, faceting notes (International Gem Society)", _density),
    Check("bands of chromium in corundum",
          "laser course, Kansas State University; heat-treatment abstract (551 nm)", _ruby_bands),
    Check("chromium at 0.05 % Cr2O3", "the usual ruby-laser value; from memory", _chromium_density),
    Check("proportions of a brilliant close", "Tolkowsky, Diamond Design (1919)", _tolkowsky),
    Check("weight of a round stone", "jewellery-trade pages, factor 0.0018; 5 carats in a gram", _weight),
    Check("a spectrum file's absorbance, 1/cm", "Beer-Lambert law: ln 10 times A over the thickness", _absorbance),
    Check("white points", "CIE 15 tables", _white_points),
    Check("sRGB red", "IEC 61966-2-1; CIELAB computed by colour-science", _srgb_red),
    Check("CIEDE2000 test pairs",
          "Sharma, Wu & Dalal, Color Res. Appl. 30 (2005); rows from memory", _ciede2000),
    Check("red beyond the screen's gamut", "computed from CIE tables", _long_pass),
    Check("ruby in the dichroscope, hue in deg", "gemmology pages; MinTS (order of hue only)", _ruby_hues),
    Check("blue sapphire in the dichroscope, hue in deg", "gemmology pages (order of hue only)", _sapphire_hues),
    Check("no two colours along the axis", "exact: both waves are ordinary there", _along_c),
)  # fmt: skip
