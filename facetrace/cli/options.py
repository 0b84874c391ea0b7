"""Options that several commands take, each said once."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.shell import finite
from facetrace.common.errors import FacetraceError


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


class DeviceName(StrEnum):
    """What traces."""

    cpu = "cpu"
    gpu = "gpu"
    auto = "auto"


# under which a command's context keeps the address of a cluster
CLUSTER = "facetrace.cluster"

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
HeadOption = Annotated[
    float | None,
    typer.Option(
        min=0, max=80, callback=finite,
        help="Angular radius of the viewer's dark head around the line of sight, degrees; "
        "0 for none [default: 10, and 0 under the uniform light].",
    ),
]  # fmt: skip
HeadAsTraceOption = Annotated[
    float | None,
    typer.Option(
        min=0, max=80, callback=finite,
        help="Angular radius of the viewer's head, degrees [default: as in trace].",
    ),
]  # fmt: skip
HeadShortOption = Annotated[
    float | None,
    typer.Option(
        min=0, max=80, callback=finite,
        help="Angular radius of the viewer's dark head, degrees [default: 10, and 0 under the uniform light].",
    ),
]  # fmt: skip
HeadEdgeOption = Annotated[Edge, typer.Option(help="Edge of the head's shadow.")]
AxisTiltOption = Annotated[
    float | None,
    typer.Option(
        min=0, max=180, callback=finite,
        help="Angle of the c-axis from the table's normal, degrees [default: the design's].",
    ),
]  # fmt: skip
AxisAzimuthOption = Annotated[
    float | None,
    typer.Option(
        callback=finite, help="Its direction, degrees from the length [default: the design's]."
    ),
]
TurnOption = Annotated[
    float | None,
    typer.Option(
        min=-360, max=360, callback=finite,
        help="Its direction, degrees from the length [default: the design's].",
    ),
]  # fmt: skip
NoAbsorptionOption = Annotated[bool, typer.Option("--no-absorption", help="Leave out all colour.")]
NoGlareOption = Annotated[
    bool,
    typer.Option("--no-glare", help="Leave the surface's mirror light out of the picture."),
]
SeedOption = Annotated[
    int, typer.Option(min=0, max=(1 << 63) - 1, help="Another seed, other random numbers.")
]


def work_there(context: typer.Context, address: str | None) -> str | None:
    """Note that workers elsewhere trace, so that ``trace_there`` asks for no card here."""
    if address is not None:
        context.meta[CLUSTER] = address
    return address


ClusterOption = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS", is_eager=True, callback=work_there,
        help="Have the workers of a Dask cluster do the work; the scheduler's address, like tcp://10.0.0.5:8786 [default: this machine]. "
        "The figures are the same, to the last digit on processors of one kind.",
    ),
]  # fmt: skip


def trace_there(context: typer.Context, device: DeviceName) -> DeviceName:
    """Have all that the command traces traced there."""
    if device is not DeviceName.cpu and not context.resilient_parsing:
        from facetrace.trace.device import tracing_on

        # beside a cluster, whose workers have the cards, this machine needs none
        here = device is DeviceName.gpu and CLUSTER not in context.meta
        try:
            context.with_resource(tracing_on("gpu" if here else "auto"))
        except FacetraceError as problem:
            raise typer.BadParameter(str(problem)) from None
    return device


DeviceOption = Annotated[
    DeviceName,
    typer.Option(
        callback=trace_there,
        help="What traces: the processor (cpu), a graphics card (gpu), or a card where there is one (auto). The figures are the same to 12 digits.",
    ),
]  # fmt: skip
FreshOption = Annotated[bool, typer.Option("--fresh", help="Begin the CSV anew.")]
JsonOption = Annotated[
    str | None, typer.Option(help="Write the result as JSON to a file, or - for stdout.")
]
