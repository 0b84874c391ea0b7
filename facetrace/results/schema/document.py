"""The document that every command can write with --json: one schema, versioned.

``python -m facetrace.results.schema.document > facetrace/results/facetrace-result.schema.json``
writes the JSON schema after a change of a model.
"""

import json
import sys
from typing import Any, Literal

from pydantic import ConfigDict, Field
from pydantic.json_schema import GenerateJsonSchema

from facetrace.results.schema.figures import Colour
from facetrace.results.schema.member import Member, Positive, Share, absent
from facetrace.results.schema.page import Drawing, Movie, Page
from facetrace.results.schema.plan import Mark, Parcel, Plan, UnreadFile
from facetrace.results.schema.recut import Recut
from facetrace.results.schema.sheet import Sheet
from facetrace.results.schema.stone import (
    Check,
    Chromophore,
    DesignFacts,
    Dichroscope,
    FacePicture,
    Measures,
    OwnSpectrum,
    Program,
    Scene,
    Solid,
)
from facetrace.results.schema.studies import Angles, Girdle, Orient


class Document(Member):
    """What facetrace commands write with --json. A reader should refuse a schema name it does not know."""

    model_config = ConfigDict(title="facetrace result")

    schema_: Literal["facetrace-result/1"] = Field(alias="schema")
    program: Program
    design: DesignFacts = absent()
    solid: Solid = absent()
    scene: Scene = absent()
    measures: Measures = absent()
    outcomes: dict[str, float] = absent("every named end of a path; they sum to 1")
    colour: Colour = absent()
    colour_within: Colour = absent("colour without the surface's mirror light")
    dominant_area: dict[str, Share] = absent("shares of the face, see trace.maps.FaceMaps")
    leading_area: dict[str, Share] = absent("shares of the face, see trace.maps.FaceMaps")
    rays: Positive = absent()
    events: int = absent()
    seconds: float = absent()
    seed: int = absent()
    substance: str = absent("name or file by which the material is found")
    chromophores: list[Chromophore] = absent(
        "what colours the material. Absent where no absorption was traced, and under a spectrum"
    )
    spectrum: OwnSpectrum = absent()
    plan: Plan = absent()
    drawing: Drawing = absent()
    lot: list[Plan] = absent("a plan for each rough")
    unread: list[UnreadFile] = absent()
    parcel: Parcel = absent()
    girdle: Girdle = absent()
    angles: Angles = absent()
    checks: list[Check] = absent("what facetrace verify held against the outside")
    material: str = absent()
    angle_deg: float = absent()
    thickness_mm: float = absent()
    dichroscope: Dichroscope = absent()
    difference_ciede2000: float = absent()
    orient: Orient = absent()
    recut: Recut = absent()
    mark: Mark = absent()
    sheet: Sheet = absent()
    picture: FacePicture = absent()
    report: Page = absent()
    movie: Movie = absent()
    notes: list[str] = Field(description="cautions that belong to the numbers")


class _Untitled(GenerateJsonSchema):
    """Without a title for each field, which only repeats its name."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def schema_text() -> str:
    """The JSON schema, as the file beside this folder holds it."""
    schema = Document.model_json_schema(schema_generator=_Untitled)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema"}
    return json.dumps(head | schema, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
