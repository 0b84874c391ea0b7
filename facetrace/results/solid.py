"""Weight and sizes of a design in words: tables and JSON."""

import math
from typing import Any

from rich.table import Table

from facetrace.design.model import DesignFile
from facetrace.optics.material import Material
from facetrace.results import document
from facetrace.solid.measure import SolidMeasures
from facetrace.solid.polyhedron import Solid


def solid_document(
    file: DesignFile, material: Material, solid: Solid, sizes: SolidMeasures
) -> dict[str, Any]:
    """The whole document."""
    name, path = file.design.name, str(file.path)
    return document.head() | {
        "design": {"name": name, "file": path, "material": material.name},
        "solid": document.solid_part(solid, sizes),
        "notes": [document.ESTIMATE],
    }


def solid_table(name: str, material: str, m: SolidMeasures) -> Table:
    """What the stone weighs and measures."""
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


def facets_table(solid: Solid) -> Table:
    """Every facet with its neighbours."""
    table = Table("facet", "angle", "from axis", "area", "beside", title_justify="left")
    for i, name in enumerate(solid.names):
        angle = math.degrees(math.acos(min(1.0, abs(solid.normals[i][2]))))
        beside = ", ".join(solid.names[k] for k in solid.adjacency[i])
        table.add_row(
            name, f"{angle:.2f} deg", f"{solid.offsets[i]:.3f} mm", f"{solid.areas[i]:.3f} mm2",
            beside,
        )  # fmt: skip
    return table
