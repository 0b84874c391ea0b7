"""Designs with one mistake each, and what must be said of it."""

from shared import ROOT

GOOD = """name = "Stone"
gear = 96
material = "ruby"

[girdle]
thickness_mm = 0.2

[[tier]]
name = "girdle"
side = "girdle"
angle = 90
index = { at = [3], fold = 16 }
distance_mm = 3.0

[[tier]]
name = "main"
side = "pavilion"
angle = 42
index = { at = [0], fold = 8 }
to_girdle = true

[[tier]]
name = "bezel"
side = "crown"
angle = 35
index = { at = [0], fold = 8 }
to_girdle = true

[[tier]]
name = "table"
side = "crown"
angle = 0
height_mm = 1.0
"""
SHORT = (ROOT / "designs" / "round-brilliant.toml").read_text(encoding="utf-8")
WRONG = {
    "unknown key": (GOOD.replace("gear = 96", "geer = 96"), r"stone.toml:2: geer: unknown key; did you mean 'gear'\?"),
    "unknown key in a tier": (
        GOOD.replace("height_mm = 1.0", "height = 1.0"),
        r"stone.toml:33: tier\[4\].height: unknown key; did you mean 'height_mm'",
    ),
    "not a number": (GOOD.replace("angle = 42", 'angle = "steep"'), r"stone.toml:18: tier\[2\].angle: .*number"),
    "angle too large": (GOOD.replace("angle = 42", "angle = 142"), r"stone.toml:18: tier\[2\].angle: .*at most 90, but is 142"),
    "nan": (GOOD.replace("angle = 42", "angle = nan"), r"stone.toml:18: tier\[2\].angle: must be a number to calculate with"),
    "index beyond the gear": (GOOD.replace("index = { at = [3], fold = 16 }", "index = [99]"), r"tier\[1\]\.index: 99 is beyond the gear; positions run from 0 to 96"),
    "two depths": (GOOD.replace("height_mm = 1.0", "height_mm = 1.0\ndistance_mm = 1.0"), r"stone.toml:29: tier\[4\]: needs exactly one of .*given: distance_mm, height_mm"),
    "no depth": (GOOD.replace("height_mm = 1.0", ""), r"needs exactly one of .*given: none"),
    "list too long": (GOOD.replace("angle = 42", "angle = [42, 41]"), r"angle lists 2 values for 1 index positions"),
    "same name twice": (GOOD.replace('"bezel"', '"main"'), r"two tiers are named 'main'"),
    "both forms": (GOOD + "\n[crown]\nstyle = 'step'\nangle = 30\ntable_percent = 50\n", r"either tiers or the short form"),
    "half a short form": (SHORT.split("[pavilion]")[0], r"\[pavilion\] is missing"),
    "missing key": (GOOD.replace('name = "Stone"\n', ""), r"stone.toml: name: is missing"),
    "broken TOML": (GOOD.replace("gear = 96", "gear = "), r"stone.toml:2: not valid TOML"),
    "brilliant with steps": (SHORT.replace("angle = 42", "angle = [50, 42]"), r"a brilliant takes one angle"),
    "wider than long": (SHORT.replace("width_mm = 6.5", "width_mm = 7.5").replace('"round"', '"oval"'), r"length_mm must not be less"),
    "steps of a brilliant": (SHORT.replace("angle = 42", "angle = 42\nsteps = 3"), r"pavilion: steps: a brilliant has none"),
    "list and steps": (SHORT.replace('"brilliant"\nangle = 42', '"step"\nangle = [50, 42]\nsteps = 3'), r"a list of angles goes without steps and bulge"),
    "one step with a belly": (SHORT.replace('"brilliant"\nangle = 42', '"step"\nangle = 42\nsteps = 1\nbulge = 0.2'), r"one step has no belly; give steps = 2 or more"),
    "bulge of a brilliant crown": (SHORT.replace("angle = 36", "angle = 36\nbulge = 0.2"), r"crown: bulge: only a crown of style 'step'"),
    "mixed without steps": (SHORT.replace('"brilliant"\nangle = 42', '"mixed"\nangle = [42]'), r"a mixed pavilion lists its steps"),
    "half a shift": (SHORT.replace("angle = 42", "angle = 42\nculet_shift_percent = [3]"), r"stone.toml:\d+: pavilion.culet_shift_percent: .*at least 2 items"),
    "no number in a shift": (SHORT.replace("angle = 42", "angle = 42\nculet_shift_percent = [3, 'x']"), r"pavilion.culet_shift_percent\[2\]: must be a number"),
    "steps on a heart": (SHORT.replace('"round"', '"heart"').replace('"brilliant"\nangle = 42', '"step"\nangle = 42'), r"shape = 'heart' takes style = 'brilliant' for crown and pavilion"),
    "culet beside the wall": (SHORT.replace('"round"', '"heart"').replace("angle = 42", "angle = 42\nculet_shift_percent = [0, 3]"), r"culet of a heart lies on the wall between its lobes"),
    "long heart": (SHORT.replace('"round"', '"heart"').replace("length_mm = 6.5", "length_mm = 9.5"), r"a heart's length_mm is 0.8 to 1.25 times its width_mm"),
    "facet called wall": (GOOD.replace('"bezel"', '"wall"').replace('side = "crown"', 'side = "crown"\nlobe = "left"', 1), r"a tier is named 'wall'"),
    "unknown shape": (SHORT.replace('"round"', '"trillion"'), r"stone.toml:8: outline.shape: .*'round', 'oval'"),
}  # fmt: skip
WRONG_SOLID = {
    "open stone": (GOOD.split("[[tier]]\nname = \"table\"")[0].replace("bezel", "b").split('[[tier]]\nname = "b"')[0], "open"),
    "no such tier": (GOOD.replace("to_girdle = true", 'through = ["main", "girdle", "gurdle"]', 2).replace('through = ["main", "girdle", "gurdle"]', "to_girdle = true", 1), r"tier\[3\].through: no facet 'gurdle' is cut before this tier; cut so far: girdle, main"),
    "girdle does not fit": (SHORT.replace("facets = 16", "facets = 20"), r"20 girdle facets do not fit a gear of 96 teeth; use one of"),
    "mains do not fit": (SHORT.replace("angle = 42", "angle = 42\nmains = 7"), "7 mains .* do not fit"),
    "table too large": (SHORT.replace("table_percent = 56", "table_percent = 99.9"), r"^crown: facet .*would stand at -.* degrees"),
    "culet outside": (SHORT.replace("angle = 42", "angle = 42\nculet_shift_percent = [0, 48]"), r"^pavilion: culet_shift_percent, keel_percent: .* nearer than 5 % of the width to the girdle"),
    "keel too long": (SHORT.replace("angle = 42", "angle = 42\nkeel_percent = 96"), r"^pavilion: .*make it shorter"),
    "keel without a main across": (SHORT.replace("angle = 42", "angle = 42\nmains = 6\nkeel_percent = 20"), r"^pavilion: keel_percent: .*divisible by 4"),
    "belly of a mixed pavilion": (SHORT.replace('"brilliant"\nangle = 42', '"mixed"\nangle = 42'), r"^pavilion: break .* steeper than the step above .*more bulge"),
    "mixed without a break for each flat": (SHORT.replace("facets = 16", "facets = 32").replace('"brilliant"\nangle = 42', '"mixed"\nangle = 42\nbulge = 0.3'), r"^pavilion: a mixed pavilion needs .*facets = 16 for 8 mains"),
    "mains of a marquise": (SHORT.replace('"round"', '"marquise"').replace("angle = 42", "angle = 42\nmains = 6"), r"mains: a marquise .*divisible by 4, not 6"),
    "flats of a pear": (SHORT.replace('"round"', '"pear"').replace("facets = 16", "facets = 18"), r"girdle.facets: a pear needs .*divisible by 4, not 18"),
    "mains of a rectangle": (SHORT.replace('"round"', '"rectangle"').replace("angle = 42", "angle = 42\nmains = 12"), r"mains: a brilliant on a rectangle has 8"),
    "mains of a heart": (SHORT.replace('"round"', '"heart"').replace("angle = 42", "angle = 42\nmains = 7"), r"mains: a heart has .*even and at least 8, not 7"),
    "flats of a heart": (SHORT.replace('"round"', '"heart"').replace("facets = 16", "facets = 17"), r"girdle.facets: a heart needs an even number of girdle facets"),
    "lobes that differ": (GOOD.replace('side = "crown"', 'side = "crown"\nlobe = "left"', 1), r"two lobes of a heart do not meet"),
    "girdle inside out": (GOOD.replace("distance_mm = 3.0", "distance_mm = -3.0"), r"tier\[1\].distance_mm: the girdle facets leave no outline"),
    "cut to nothing": (GOOD.replace("height_mm = 1.0", "height_mm = -3.0"), "no solid|nothing"),
}  # fmt: skip
