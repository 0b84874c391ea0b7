"""facetrace movie: the stone rocks and spins under a light, as a file that plays anywhere."""

import time
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from facetrace.cli.options import (
    AxisAzimuthOption,
    AxisTiltOption,
    Edge,
    HeadEdgeOption,
    HeadOption,
    JsonOption,
    LightName,
    LightOption,
    MaterialOption,
    NoAbsorptionOption,
    NoGlareOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    material_file,
    note,
    one_line_errors,
    out,
    progress,
)

if TYPE_CHECKING:
    from facetrace.optics.lights import Light
    from facetrace.report.movie import Setup
    from facetrace.trace.scene import Scene, View

EXAMPLES = """
**Examples**

`facetrace movie designs/round-brilliant.toml`

`facetrace movie designs/round-brilliant.toml --material diamond --motion spin --tilt 10`

`facetrace movie designs/oval-brilliant.toml --motion both --size 240 --out oval.gif`

`facetrace movie designs/rectangle-step.toml --light overcast --exposure 2 --lossless`
"""

MOST_FRAMES = 400
DEFAULT_FRAMES = 60
# rays in each pixel: lamps are small, so few paths reach them
LAMP_SAMPLES, SAMPLES = 32, 16
DEFAULT_QUALITY = 90


class Motion(StrEnum):
    """How the stone moves (trace.motion)."""

    rock = "rock"
    spin = "spin"
    both = "both"


@dataclass(frozen=True)
class _Film:
    """What was asked of the movie."""

    path: Path
    motion: str
    tilt: float
    frame_ms: int
    quality: int | None
    exposure: float | None


@one_line_errors
def movie(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    motion: Annotated[
        Motion,
        typer.Option(
            help="rock: to and fro, as far as --tilt; spin: one turn about the table's normal, "
            "which leans by --tilt; both: one turn while the stone rocks twice."
        ),
    ] = Motion.rock,
    light: LightOption = LightName.spots,
    head: HeadOption = None,
    head_edge: HeadEdgeOption = Edge.soft,
    tilt: Annotated[
        float, typer.Option(min=0, max=80, callback=finite, help="How far the stone leans, degrees; eye and light stay.")
    ] = 20.0,
    azimuth: Annotated[
        float, typer.Option(callback=finite, help="Towards this direction, degrees from the length (index 0).")
    ] = 0.0,
    frames: Annotated[
        int | None, typer.Option(min=2, max=MOST_FRAMES, help="Frames of one loop [default: 60].")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(min=0.1, max=60, callback=finite, help="Length of one loop, instead of --frames.")
    ] = None,
    fps: Annotated[
        float, typer.Option(min=1, max=50, callback=finite, help="Frames a second; a GIF knows only hundredths of a second a frame.")
    ] = 20.0,
    axis_tilt: AxisTiltOption = None,
    axis_azimuth: AxisAzimuthOption = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    no_absorption: NoAbsorptionOption = False,
    size: Annotated[int, typer.Option(min=160, max=800, help="Pixels along a side of the picture.")] = 320,
    samples: Annotated[
        int | None, typer.Option(min=1, max=1024, help="Rays in each pixel of a frame [default: 32 under lamps, else 16].")
    ] = None,
    no_glare: NoGlareOption = False,
    exposure: Annotated[
        float | None,
        typer.Option(
            min=0.01, max=100, callback=finite,
            help="At 1 a white diffuser is just white [default: one for the whole movie; under lamps it shows nine "
            "tenths of the stone no brighter than 0.3 of white, else all but 0.5 % no brighter than white].",
        ),
    ] = None,
    quality: Annotated[
        int | None, typer.Option(min=0, max=100, help="Of a WebP: lower makes a smaller file [default: 90].")
    ] = None,
    lossless: Annotated[
        bool, typer.Option("--lossless", help="A WebP whose pixels are exact, several times as large.")
    ] = False,
    seed: SeedOption = 1,
    target: Annotated[
        Path | None,
        typer.Option("--out", help="Where the movie goes: .webp or .gif (one palette of 256 colours, not dithered) "
                     "[default: beside the design, -movie.webp]. MP4 is not offered: it needs an encoder."),
    ] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """The stone rocks or spins under a light: fire and flashes, one exposure and scale in all frames."""
    from facetrace.cli.loading import load_material, load_stone, with_spectrum
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.colour import observer
    from facetrace.optics.lights import find_light
    from facetrace.optics.material import find_material
    from facetrace.report.movie import encoded
    from facetrace.results.document import ESTIMATE, colour_notes
    from facetrace.trace.motion import views_of
    from facetrace.trace.scene import medium_of, scene_of

    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    if target is None and json == "-":
        raise FacetraceError("--json -: name the movie's file too, with --out")
    file, stone = load_stone(design)
    film = _film(design, target, (motion.value, tilt), fps, (quality, lossless), exposure)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, others=(film.path,))
    count = _count(frames, seconds, film.frame_ms)
    own = file.design
    substance = find_material(material) if material else load_material(file)
    substance = with_spectrum(substance, spectrum)
    axis = (
        own.axis.tilt if axis_tilt is None else axis_tilt,
        own.axis.azimuth if axis_azimuth is None else axis_azimuth,
    )
    lit = find_light(light.value, head, head_edge is Edge.hard)
    medium = medium_of(substance, observer(), absorbing=not no_absorption)
    views = views_of(motion.value, count, tilt, azimuth)
    scenes = [scene_of(stone, medium, axis, lit, view) for view in views]
    started = time.perf_counter()
    title = f"{own.name} ({substance.name})"
    rays = samples or (LAMP_SAMPLES if lit.lamps else SAMPLES)
    pages, bright, setup, exposed = _shoot(
        scenes, views, film, (size, rays, seed, not no_glare), title, lit
    )
    with progress("writing"):
        content = encoded(pages, film.path.suffix.lower(), film.frame_ms, film.quality)
    spent = time.perf_counter() - started
    notes = [ESTIMATE] + ([] if no_absorption else colour_notes(substance))
    text = ""
    if json:
        from facetrace.results import document

        parts = document.head() | {
            "design": {"name": own.name, "file": str(design), "material": substance.name},
            "scene": document.scene_part(
                lit, views[0], axis, scenes[0].white_radiance, absorption=not no_absorption
            ),
            "movie": _part(film, views, bright, setup, exposed, scenes[0], lit),
            "seconds": spent,
            "seed": seed,
        }  # fmt: skip
        text = document.text_of(parts | {"notes": notes})
    deliver({film.path: content}, json, text)
    if json != "-":
        out.print(_table(title, film, views, bright, setup, exposed, len(content)))
        note(f"{spent:.1f} s, {lit.words}, seed {seed}")
        note(f"movie: {film.path}")
    for text in notes:
        note(text)


def _film(
    design: Path, target: Path | None, moved: tuple[str, float], fps: float,
    kept: tuple[int | None, bool], exposure: float | None,
) -> _Film:  # fmt: skip
    """The movie's file and times.

    moved: motion and tilt as asked; kept: quality as asked, or lossless.
    """
    from facetrace.common.errors import FacetraceError
    from facetrace.report.movie import SUFFIXES, TICK_MS

    path = target or design.with_name(f"{design.stem}-movie.webp")
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise FacetraceError(
            f"{path}: movies are written as WebP or GIF; let its name end in .webp or .gif"
        )
    quality, lossless = kept
    if (quality is not None or lossless) and suffix != ".webp":
        name = "--lossless" if lossless else "--quality"
        raise FacetraceError(f"{name}: a GIF has none; leave it out or write .webp")
    if quality is not None and lossless:
        raise FacetraceError("--quality and --lossless: give one of them")
    if quality is None and suffix == ".webp" and not lossless:
        quality = DEFAULT_QUALITY
    tick = TICK_MS[suffix]
    return _Film(path, *moved, max(2, round(1000 / fps / tick)) * tick, quality, exposure)


def _count(frames: int | None, seconds: float | None, frame_ms: int) -> int:
    """Frames of the loop."""
    from facetrace.common.errors import FacetraceError

    if frames is not None and seconds is not None:
        raise FacetraceError("--frames and --seconds: give one of them")
    if seconds is None:
        return frames or DEFAULT_FRAMES
    count = max(2, round(1000 * seconds / frame_ms))
    if count > MOST_FRAMES:
        raise FacetraceError(
            f"--seconds {seconds:g}: that is {count} frames, more than {MOST_FRAMES}; "
            "ask for fewer seconds or fewer --fps"
        )
    return count


def _shoot(
    scenes: "list[Scene]", views: "list[View]", film: _Film, how: tuple[int, int, int, bool],
    title: str, light: "Light",
) -> "tuple[list[Any], list[float], Setup, float]":  # fmt: skip
    """Captioned frames, the share of each that is too bright, the setup, and the exposure."""
    from facetrace.report.movie import captioned, common_exposure, frames_of, setup_of

    size, samples, seed, glare = how
    stills, bright = [], []
    with progress(f"{len(scenes)} frames (the first run compiles)") as report:
        setup = setup_of(scenes, size, samples, seed, glare=glare)
        exposed = film.exposure or common_exposure(scenes, setup)
        for picture, share in frames_of(scenes, setup, exposed, report):
            stills.append(picture)
            bright.append(share)
    lines = [
        f"{light.words}, tilt towards {views[0].azimuth:g} deg",
        f"exposure {exposed:g} in all frames (at 1 white paper is just white); what is too "
        "bright for the screen keeps its hue",
    ]
    if light.lamps:
        lines.append("coloured sparks: fire; lone dots: grain")
    if not glare:
        lines.append("surface mirror light left out")
    angles = [f"tilt {v.tilt:+.1f}, turned {v.spin:.1f} deg" for v in views]
    return captioned(stills, title, lines, angles, setup.width_mm / size), bright, setup, exposed


def _rule(light: "Light") -> str:
    from facetrace.report.movie import exposure_rule

    share, level = exposure_rule(bool(light.lamps))
    return f"{100 * share:g} % of the stone no brighter than {level:g} of white"


def _part(
    film: _Film, views: "list[View]", bright: list[float], setup: "Setup", exposure: float,
    scene: "Scene", light: "Light",
) -> dict[str, Any]:  # fmt: skip
    """The member "movie" of the JSON document."""
    return {
        "file": str(film.path),
        "motion": film.motion,
        "frames": [
            {"view": asdict(view), "bright": share}
            for view, share in zip(views, bright, strict=True)
        ],
        "frame_ms": film.frame_ms,
        "quality": film.quality,
        "size_px": setup.size,
        "samples": setup.samples,
        "exposure": exposure,
        "rule": None if film.exposure else _rule(light),
        "white": {"xyz": [float(v) for v in scene.medium.white], "radiance": scene.white_radiance},
        "scale": {
            "pixel_mm": setup.width_mm / setup.size,
            "width_mm": setup.width_mm,
            "middle_mm": [float(v) for v in setup.centre_mm],
        },
        "lamp_share": light.lamp_share,
        "seed": setup.seed,
    }


def _table(
    title: str, film: _Film, views: "list[View]", bright: list[float], setup: "Setup",
    exposure: float, size: int,
) -> Table:  # fmt: skip
    table = Table(title=title, title_justify="left", show_header=False)
    table.add_column(no_wrap=True)
    table.add_column()
    most = max(view.tilt for view in views)
    asked = (
        "" if round(most, 1) == round(film.tilt, 1) else f" ({film.tilt:g} falls between frames)"
    )
    table.add_row(
        "motion", f"{film.motion}, tilt up to {most:.1f} deg{asked} towards {views[0].azimuth:g}"
    )
    length = len(views) * film.frame_ms / 1000
    table.add_row("loop", f"{len(views)} frames, {film.frame_ms} ms each, {length:.2f} s")
    rule = "as asked" if film.exposure else "chosen for this stone"
    table.add_row(
        "exposure", f"{exposure:g} in all frames, {rule} (at 1 white paper is just white)"
    )
    table.add_row("scale", f"{setup.size / setup.width_mm:.1f} pixels a millimetre in all frames")
    table.add_row(
        "flashes",
        f"too bright for the screen on {100 * max(bright):.1f} % of the stone at most, where they keep their hue",
    )
    kind = (
        "GIF"
        if film.path.suffix.lower() == ".gif"
        else "WebP, " + ("lossless" if film.quality is None else f"quality {film.quality}")
    )
    table.add_row("file", f"{size / 1e6:.1f} MB, {kind}")
    return table
