"""The design file: what can be said, and what is answered to mistakes."""

import json
import tomllib

import jsonschema
import numpy as np
import pytest
from shared import DESIGNS, ROOT
from wrong_designs import WRONG, WRONG_SOLID

from facetrace.common.errors import FileError
from facetrace.design.expand import expand, positions
from facetrace.design.model import Design, DesignError, Tier, read_design
from facetrace.design.schema import schema_text
from facetrace.design.write import design_toml
from facetrace.solid.build import build_solid, facets_of


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


@pytest.mark.parametrize("case", WRONG)
def test_mistakes_get_one_clear_line(case, tmp_path):
    text, message = WRONG[case]
    with pytest.raises(FileError, match=message) as caught:
        read_design(write(tmp_path, text))
    assert "\n" not in str(caught.value)


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
