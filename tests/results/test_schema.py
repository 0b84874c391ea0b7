"""The schema is made from the models, and both say the same of right and wrong documents."""

import json

import jsonschema
import pytest
from pydantic import ValidationError
from shared import ROUND, SCHEMA, document

from facetrace.results.document import text_of
from facetrace.results.schema.document import Document, schema_text

BARE = {
    "schema": "facetrace-result/1",
    "program": {"name": "facetrace", "version": "0"},
    "notes": [],
}
TILT = {"tilt": 0.0, "azimuth": 0.0, "along": 0.0, "across": 0.0, "cost": 0.0, "hidden": False}


def test_the_file_is_made_from_the_models():
    assert json.loads(schema_text()) == SCHEMA


def test_the_schema_is_one():
    """By the meta-schema of JSON Schema, draft 2020-12."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize(
    ("member", "content", "right"),
    [
        ("colour", {"xyz": [{"value": 1.0, "stderr": 0.0}] * 3}, True),
        ("colour", {"xyz": [{"value": 1.0, "stderr": 0.0}] * 2}, False),
        ("colour", {"xyz": [{"value": 1.0, "stderr": -0.1}] * 3}, False),
        ("colour", {"xyz": [{"value": "1", "stderr": 0.0}] * 3}, False),
        ("colour", None, False),
        ("rays", 0, False),
        ("rays", 1, True),
        ("rays", 1.5, False),
        ("dominant_area", {"window": 1.01}, False),
        ("dominant_area", {"window": 1}, True),
        ("substance", 3, False),
        ("unread", [{"name": "a", "problem": "b"}], True),
        ("unread", [{"name": "a"}], False),
        ("unread", [{"name": "a", "problem": "b", "more": 1}], False),
        ("nonsense", 1, False),
    ],
)
def test_models_and_schema_agree(member, content, right):
    """jsonschema by the file, pydantic by the models."""
    told = BARE | {member: content}
    valid = jsonschema.Draft202012Validator(SCHEMA).is_valid(told)
    try:
        Document.model_validate_json(json.dumps(told))
    except ValidationError:
        assert not right
        assert not valid
    else:
        assert right
        assert valid


def test_a_candidate_without_remark_has_figures():
    """``Orientation``: the one rule that spans keys."""
    validator = jsonschema.Draft202012Validator(
        {"$ref": "#/$defs/Orientation", "$defs": SCHEMA["$defs"]}
    )
    assert validator.is_valid(TILT | {"remark": "cannot be cut"})
    assert not validator.is_valid(TILT | {"remark": None})


def test_nothing_is_written_that_is_not_by_the_schema():
    told = document("solid", ROUND)
    assert text_of(told)
    for change in (
        {"solid": told["solid"] | {"carats": float("nan")}},
        {"solid": told["solid"] | {"facets": "57"}},
        {"solid": {"carats": 1.0}},
        {"notes": None},
    ):
        with pytest.raises(ValueError):
            text_of(told | change)
