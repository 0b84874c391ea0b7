"""facetrace solid: weight and sizes of a design."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from facetrace.cli.options import JsonOption
from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, out

if TYPE_CHECKING:
    from facetrace.solid.measure import SolidMeasures
    from facetrace.solid.polyhedron import Solid

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
    from facetrace.cli.loading import load_material, load_stone
    from facetrace.design.expand import expand
    from facetrace.design.write import design_toml
    from facetrace.results import document
    from facetrace.solid import export
    from facetrace.solid.measure import measure

    kind = export.kind_of(mesh) if mesh else ""
    check_outputs(json, (design,), others=(mesh,))
    file, stone = load_stone(design)
    material = load_material(file)
    measures = measure(stone, material.density)
    parts = document.head() | {
        "design": {"name": file.design.name, "file": str(design), "material": material.name},
        "solid": document.solid_part(stone, measures),
        "notes": [document.ESTIMATE],
    }
    files = {mesh: export.mesh_bytes(stone, kind)} if mesh else {}
    deliver(files, json, document.text_of(parts) if json else "")
    if stone.missing:
        note("no place on the stone for: " + ", ".join(stone.missing))
    if tiers:
        typer.echo(design_toml(expand(file.design)), nl=False)
    elif json != "-":
        out.print(_table(file.design.name, material.name, measures))
        if facets:
            out.print(_facets(stone))
        note(f"density {material.density:g} g/cm3. {document.ESTIMATE}")


def _table(name: str, material: str, m: "SolidMeasures") -> Table:
    table = Table(title=f"{name} ({material})", title_justify="left", show_header=False)
    table.add_column()
    table.add_column(justify="right")
    rows = [
        ("weight", f"{m.carats:.3f} ct"),
        ("volume", f"{m.volume_mm3:.3f} mm3"),
        ("length x width x depth", f"{m.length_mm:.3f} x {m.width_mm:.3f} x {m.depth_mm:.3f} mm"),
        ("total depth", f"{m.depth_percent:.1f} %"),
        ("table", f"{m.table_percent:.1f} %"),
        ("crown height", f"{m.crown_height_mm:.3f} mm"),
        ("pavilion depth", f"{m.pavilion_depth_mm:.3f} mm"),
        (
            "girdle thinnest / mean / thickest",
            f"{m.girdle_min_mm:.3f} / {m.girdle_mean_mm:.3f} / {m.girdle_max_mm:.3f} mm",
        ),
        ("facets, corners", f"{m.facets}, {m.vertices}"),
        ("widest gap at a meet", f"{m.meet_error_mm:.4f} mm"),
    ]
    for row in rows:
        table.add_row(*row)
    return table


def _facets(stone: "Solid") -> Table:
    table = Table("facet", "angle", "from axis", "area", "beside", title_justify="left")
    for i, name in enumerate(stone.names):
        angle = math.degrees(math.acos(min(1.0, abs(stone.normals[i][2]))))
        beside = ", ".join(stone.names[k] for k in stone.adjacency[i])
        table.add_row(
            name, f"{angle:.2f} deg", f"{stone.offsets[i]:.3f} mm", f"{stone.areas[i]:.3f} mm2",
            beside,
        )  # fmt: skip
    return table
