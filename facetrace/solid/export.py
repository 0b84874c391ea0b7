"""Meshes of a solid in common formats, through trimesh."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import trimesh

from facetrace.common.errors import FacetraceError
from facetrace.solid.polyhedron import Floats, Ints, Solid

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
    return bytes_of(mesh_of(solid), kind)


def bytes_of(mesh: trimesh.Trimesh, kind: str) -> bytes:
    """Any mesh as the content of a file of that kind."""
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


def placed(solid: Solid, turn: Floats, shift: Floats) -> trimesh.Trimesh:
    """The mesh where it lies: points r of the solid stand at ``shift + turn @ r``."""
    mesh = mesh_of(solid)
    return trimesh.Trimesh(mesh.vertices @ turn.T + shift, mesh.faces, process=False)


def joined(meshes: Sequence[trimesh.Trimesh]) -> trimesh.Trimesh:
    """Several bodies as one mesh."""
    first = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    faces = [mesh.faces + k for mesh, k in zip(meshes, first, strict=False)]
    return trimesh.Trimesh(
        np.vstack([mesh.vertices for mesh in meshes]), np.vstack(faces), process=False
    )


def rest_of(vertices: Floats, faces: Ints, stone: trimesh.Trimesh) -> trimesh.Trimesh:
    """What stones strictly inside a body leave of it: the body's surface and theirs, turned inwards."""
    hole = stone.faces[:, ::-1] + len(vertices)
    return trimesh.Trimesh(
        np.vstack([vertices, stone.vertices]), np.vstack([faces, hole]), process=False
    )
