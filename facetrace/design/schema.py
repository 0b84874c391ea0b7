"""The JSON schema of the design file, for editors: ``python -m facetrace.design.schema``."""

import json
import sys

from facetrace.design.model import Design


def schema_text() -> str:
    """designs/facetrace-design.schema.json, made from the model."""
    schema = Design.model_json_schema()
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
    schema["title"] = "facetrace design file"
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(schema_text())
