"""A movie of a stone in words: table, lines under its frames, notes and JSON."""

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rich.table import Table

from facetrace.results import document
from facetrace.results.trace import design_member, scene_member
from facetrace.studies.movie import Movie, exposure_rule


@dataclass(frozen=True)
class MovieFile:
    """Where a movie goes; quality: of a WebP from 0 to 100, None for one without loss and for a GIF."""

    path: Path
    frame_ms: int
    quality: int | None

    @property
    def kind(self) -> str:
        """Its format in words."""
        if self.path.suffix.lower() == ".gif":
            return "GIF"
        return "WebP, " + ("lossless" if self.quality is None else f"quality {self.quality}")


def title(movie: Movie) -> str:
    """Name and material."""
    return f"{movie.stone.name} ({movie.stone.material.name})"


def caption(movie: Movie) -> list[str]:
    """Lines that stand under every frame."""
    lines = [
        f"{movie.stone.light.words}, tilt towards {movie.views[0].azimuth:g} deg",
        f"exposure {movie.exposure:g} in all frames (at 1 white paper is just white); what is too "
        "bright for the screen keeps its hue",
    ]
    if movie.stone.light.lamps:
        lines.append("coloured sparks: fire; lone dots: grain")
    if not movie.camera.glare:
        lines.append("surface mirror light left out")
    return lines


def angles(movie: Movie) -> list[str]:
    """The line of each frame alone."""
    return [f"tilt {view.tilt:+.1f}, turned {view.spin:.1f} deg" for view in movie.views]


def notes(movie: Movie) -> list[str]:
    """Cautions that belong to the pictures."""
    stone = movie.stone
    return [document.ESTIMATE, *(document.colour_notes(stone.material) if stone.absorbing else [])]


def movie_document(movie: Movie, file: MovieFile, design: Path) -> dict[str, Any]:
    """The whole document."""
    return document.head() | {
        "design": design_member(movie.stone, design),
        "scene": scene_member(movie.stone, movie.views[0], movie.white_radiance),
        "movie": _member(movie, file),
        "seconds": movie.seconds,
        "seed": movie.camera.seed,
        "notes": notes(movie),
    }


def _member(movie: Movie, file: MovieFile) -> dict[str, Any]:
    camera = movie.camera
    share, level = exposure_rule(movie.stone.light)
    rule = f"{100 * share:g} % of the stone no brighter than {level:g} of white"
    return {
        "file": str(file.path),
        "motion": movie.motion,
        "frames": [
            {"view": asdict(view), "bright": bright}
            for view, bright in zip(movie.views, movie.too_bright, strict=True)
        ],
        "frame_ms": file.frame_ms,
        "quality": file.quality,
        "size_px": camera.size,
        "samples": camera.samples,
        "exposure": movie.exposure,
        "rule": rule if movie.chosen else None,
        "white": {"xyz": [float(v) for v in movie.white], "radiance": movie.white_radiance},
        "scale": {
            "pixel_mm": camera.step_mm,
            "width_mm": camera.width_mm,
            "middle_mm": [float(v) for v in camera.centre_mm],
        },
        "lamp_share": movie.stone.light.lamp_share,
        "seed": camera.seed,
    }


def movie_table(movie: Movie, file: MovieFile, size: int) -> Table:
    """Motion, loop, exposure, scale and flashes; *size*: bytes of the file."""
    table = Table(title=title(movie), title_justify="left", show_header=False)
    table.add_column(no_wrap=True)
    table.add_column()
    views = movie.views
    most = max(view.tilt for view in views)
    reached = round(most, 1) == round(movie.tilt, 1)
    asked = "" if reached else f" ({movie.tilt:g} falls between frames)"
    length = len(views) * file.frame_ms / 1000
    chosen = "chosen for this stone" if movie.chosen else "as asked"
    rows = {
        "motion": f"{movie.motion}, tilt up to {most:.1f} deg{asked} towards {views[0].azimuth:g}",
        "loop": f"{len(views)} frames, {file.frame_ms} ms each, {length:.2f} s",
        "exposure": f"{movie.exposure:g} in all frames, {chosen} (at 1 white paper is just white)",
        "scale": f"{movie.camera.size / movie.camera.width_mm:.1f} pixels a millimetre in all frames",
        "flashes": f"too bright for the screen on {100 * max(movie.too_bright):.1f} % of the stone at most, "
        "where they keep their hue",
        "file": f"{size / 1e6:.1f} MB, {file.kind}",
    }  # fmt: skip
    for name, words in rows.items():
        table.add_row(name, words)
    return table
