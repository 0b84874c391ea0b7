"""Options that several commands take, each said once."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class LightName(StrEnum):
    """Lights of optics/lights.toml."""

    hemisphere = "hemisphere"
    overcast = "overcast"
    cosine = "cosine"
    uniform = "uniform"
    spots = "spots"


class Edge(StrEnum):
    """Edge of the viewer's head."""

    soft = "soft"
    hard = "hard"


LightOption = Annotated[LightName, typer.Option(help="Light around the stone.")]
MaterialOption = Annotated[
    str | None,
    typer.Option(help="Another material than the design's: a name, or a file ending in .toml."),
]
SpectrumOption = Annotated[
    Path | None,
    typer.Option(
        help="Your own absorption spectrum (CSV) in place of the material's chromophores."
    ),
]
SeedOption = Annotated[
    int, typer.Option(min=0, max=(1 << 63) - 1, help="Another seed, other random numbers.")
]
FreshOption = Annotated[bool, typer.Option("--fresh", help="Begin the CSV anew.")]
JsonOption = Annotated[
    str | None, typer.Option(help="Write the result as JSON to a file, or - for stdout.")
]
