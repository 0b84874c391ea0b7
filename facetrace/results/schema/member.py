"""What every member of the document is built on."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

SCHEMA = "facetrace-result/1"

NotNegative = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
Count = Annotated[int, Field(ge=0)]
Positive = Annotated[int, Field(ge=1)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Triple = Annotated[list[float], Field(min_length=3, max_length=3)]


class Member(BaseModel):
    """Frozen; unknown keys and numbers in quotes are refused, so are NaN and infinities."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )


def absent(description: str | None = None) -> Any:
    """A field that may be left out, but not be null."""
    return Field(
        default=None, description=description, json_schema_extra=lambda schema: schema.pop("default", None)
    )  # fmt: skip
