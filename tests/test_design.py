"""The design file: what can be said, and what is answered to mistakes."""

import json
import tomllib

import jsonschema
import numpy as np
import pytest
from conftest import DESIGNS, ROOT

from facetrace.common.errors import FileError
from facetrace.design.expand import expand, positions
from facetrace.design.model import Design, DesignError, Tier, read_design
from facetrace.design.schema import schema_text
from facetrace.design.write import design_toml
from facetrace.solid.build import build_solid, facets_of

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


def write(tmp_path, text):
    path = tmp_path / "stone.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_expansion_is_a_valid_design_of_the_same_solid(path, tmp_path):
    file = read_design(path)
    again = read_design(write(tmp_path, design_toml(expand(file.design)))).design
    assert again.tier
    first, second = build_solid(file.design), build_solid(again)
    assert first.names == second.names
    assert second.volume == pytest.approx(first.volume, rel=1e-12)
    np.testing.assert_allclose(first.offsets, second.offsets, atol=1e-9)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda p: p.stem)
def test_designs_follow_the_published_schema(path):
    schema = json.loads((ROOT / "designs" / "facetrace-design.schema.json").read_text())
    jsonschema.validate(tomllib.loads(path.read_text(encoding="utf-8")), schema)


def test_published_schema_is_that_of_the_code():
    """Made by: python -m facetrace.design.schema"""
    assert (ROOT / "designs" / "facetrace-design.schema.json").read_text() == schema_text()


def test_four_ways_to_say_a_depth_agree():
    """The hand-written round brilliant is, facet by facet, the parametric one to its rounding."""
    by_hand = {
        f.name: f for f in facets_of(read_design(ROOT / "designs" / "round-by-hand.toml").design)
    }
    short = facets_of(read_design(ROOT / "designs" / "round-brilliant.toml").design)
    assert set(by_hand) == {f.name for f in short}
    for facet in short:
        assert by_hand[facet.name].distance == pytest.approx(facet.distance, abs=3e-3)


def test_index_sets():
    """A 96 gear: every 12 teeth, mirrored pairs, wrap-around; step = 360 / 96 = 3.75 deg
    (gemologyproject.com, faceting equipment)."""
    tier = Tier(
        name="t",
        side="crown",
        angle=40,
        index={"at": [3], "fold": 4, "mirror": True},
        distance_mm=1,
    )
    assert [i for i, _ in positions(tier, 96)] == [3, 21, 27, 45, 51, 69, 75, 93]
    tier = Tier(name="t", side="crown", angle=40, index=[96, 24], distance_mm=1)
    assert positions(tier, 96) == [(0, 0), (24, 1)]
    for teeth, step in ((96, 3.75), (64, 5.625), (80, 4.5), (120, 3), (77, 4.68), (72, 5)):
        assert 360 / teeth == pytest.approx(step, abs=0.005)


def test_one_tier_many_angles_and_distances():
    tier = Tier(
        name="t", side="pavilion", angle=[41, 43], index={"at": [0, 12], "fold": 2, "mirror": True},
        distance_mm=[2.0, 2.1],
    )  # fmt: skip
    assert positions(tier, 96) == [(0, 0), (12, 1), (36, 1), (48, 0), (60, 1), (84, 1)]


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


@pytest.mark.parametrize("case", WRONG)
def test_mistakes_get_one_clear_line(case, tmp_path):
    text, message = WRONG[case]
    with pytest.raises(FileError, match=message) as caught:
        read_design(write(tmp_path, text))
    assert "\n" not in str(caught.value)


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


@pytest.mark.parametrize("case", WRONG_SOLID)
def test_stones_that_cannot_be_cut(case, tmp_path):
    text, message = WRONG_SOLID[case]
    with pytest.raises(DesignError, match=message):
        build_solid(read_design(write(tmp_path, text)).design)


def test_missing_file(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        read_design(tmp_path / "none.toml")
    with pytest.raises(FileError, match="is a folder"):
        read_design(tmp_path)
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9"')
    with pytest.raises(FileError, match="UTF-8"):
        read_design(tmp_path / "latin.toml")


def test_design_model_is_closed():
    """No key is accepted that the schema does not name."""
    schema = Design.model_json_schema()
    assert schema["additionalProperties"] is False
    for part in schema["$defs"].values():
        assert part.get("additionalProperties", False) is False
