"""The JSON schema of the design file, for editors: ``python -m facetrace.design.schema``."""

import sys

from facetrace.common import tomlfile
from facetrace.design.model import Design


def schema_text() -> str:
    """designs/facetrace-design.schema.json, made from the model."""
    return tomlfile.schema_text(Design, "facetrace design file")


if __name__ == "__main__":
    sys.stdout.write(schema_text())
