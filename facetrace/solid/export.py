"""Meshes of a solid in common formats, through trimesh."""

from pathlib import Path

import numpy as np
import trimesh

from facetrace.common.errors import FacetraceError
from facetrace.solid.polyhedron import Solid

FORMATS = ("stl", "obj", "ply", "glb", "gltf")


def mesh_of(solid: Solid) -> trimesh.Trimesh:
    """Triangle mesh (fans of the facets), millimetres, outward winding."""
    faces = [
        (polygon[0], polygon[i], polygon[i + 1])
        for polygon in solid.polygons
        for i in range(1, len(polygon) - 1)
    ]
    return trimesh.Trimesh(solid.vertices, np.array(faces), process=False)


def mesh_bytes(solid: Solid, kind: str) -> bytes:
    """The mesh as the content of a file of that kind (one of FORMATS)."""
    if kind not in FORMATS:
        raise FacetraceError(f"'{kind}' is no mesh format; use one of {', '.join(FORMATS)}")
    mesh = mesh_of(solid)
    if kind == "gltf":
        # one self-contained file instead of a file and its buffers
        data = trimesh.exchange.gltf.export_gltf(trimesh.Scene(mesh), embed_buffers=True)
        return bytes(data["model.gltf"])
    data = mesh.export(file_type=kind)
    return data.encode() if isinstance(data, str) else bytes(data)


def kind_of(path: Path) -> str:
    """Format by the file's ending. Raises FacetraceError for an unknown one."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in FORMATS:
        endings = ", ".join(f".{f}" for f in FORMATS)
        raise FacetraceError(f"{path}: the mesh format follows the ending; use one of {endings}")
    return kind
