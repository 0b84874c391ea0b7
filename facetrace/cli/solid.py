"""facetrace solid: weight and sizes of a design."""

from pathlib import Path
from typing import Annotated

import typer

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out

EXAMPLES = """
**Examples**

`facetrace solid designs/round-brilliant.toml`

`facetrace solid designs/oval-brilliant.toml --tiers > oval-tiers.toml`

`facetrace solid designs/rectangle-step.toml --mesh stone.stl --json -`
"""


@one_line_errors
def solid(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    tiers: Annotated[
        bool, typer.Option("--tiers", help="Print the design written out as tiers, and no more.")
    ] = False,
    facets: Annotated[bool, typer.Option("--facets", help="List every facet.")] = False,
    mesh: Annotated[
        Path | None,
        typer.Option(help="Write a mesh; the ending decides: .stl .obj .ply .glb .gltf"),
    ] = None,
    json: JsonOption = None,
) -> None:
    """Carats, sizes and meets of a design."""
    from facetrace.cli.loading import load_stone
    from facetrace.design.expand import expand
    from facetrace.design.write import design_toml
    from facetrace.results.document import ESTIMATE
    from facetrace.results.solid import facets_table, solid_document, solid_table
    from facetrace.solid import export
    from facetrace.solid.measure import measure
    from facetrace.studies.opening import load_material

    kind = export.kind_of(mesh) if mesh else ""
    check_outputs(json, (design,), others=(mesh,))
    file, stone = load_stone(design)
    material = load_material(file)
    sizes = measure(stone, material.density)
    files = {mesh: export.mesh_bytes(stone, kind)} if mesh else {}
    deliver(files, json, lambda: solid_document(file, material, stone, sizes))
    if stone.missing:
        note("no place on the stone for: " + ", ".join(stone.missing))
    if tiers:
        typer.echo(design_toml(expand(file.design)), nl=False)
    elif json != "-":
        out.print(solid_table(file.design.name, material.name, sizes))
        if facets:
            out.print(facets_table(stone))
        note(f"density {material.density:g} g/cm3. {ESTIMATE}")
