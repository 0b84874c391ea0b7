"""What `facetrace --version` says, from the installed packages' metadata: nothing heavy is imported."""

import platform
from importlib import metadata

import facetrace
from facetrace.common.workers import usual_workers

# by what they do for the user; a test holds the names against pyproject.toml
MATTER = {
    "numbers": ("numpy", "scipy", "numba", "llvmlite"),
    "solids": ("trimesh",),
    "pictures": ("matplotlib", "pillow", "colour-science", "pyvista", "vtk"),
    "files, words": ("pydantic", "typer", "rich"),
}


def version_text() -> str:
    """Lines for a bug report; the first is `facetrace X.Y.Z`."""
    rows = {group: ", ".join(map(_named, names)) for group, names in MATTER.items()}
    python = f"{platform.python_implementation()} {platform.python_version()}"
    rows["machine"] = f"{python}, {platform.system()} {platform.machine()}, {usual_workers()} cores"
    lines = [f"{group:<13}{text}" for group, text in rows.items()]
    return "\n".join([f"facetrace {facetrace.__version__}", *lines])


def _named(package: str) -> str:
    try:
        return f"{package} {metadata.version(package)}"
    except metadata.PackageNotFoundError:
        return f"{package} missing"
