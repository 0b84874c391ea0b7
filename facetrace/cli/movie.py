"""facetrace movie: the stone rocks and spins under a light, as a file that plays anywhere."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facetrace.cli.options import (
    AxisAzimuthOption,
    AxisTiltOption,
    ClusterOption,
    DeviceName,
    DeviceOption,
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
from facetrace.common.errors import FacetraceError

if TYPE_CHECKING:
    from facetrace.results.movie import MovieFile

EXAMPLES = """
**Examples**

`facetrace movie designs/round-brilliant.toml`

`facetrace movie designs/round-brilliant.toml --material diamond --motion spin --tilt 10`

`facetrace movie designs/oval-brilliant.toml --motion both --size 240 --out oval.gif`

`facetrace movie designs/rectangle-step.toml --light overcast --exposure 2 --lossless`
"""

MOST_FRAMES = 400
DEFAULT_QUALITY = 90


class Motion(StrEnum):
    """How the stone moves (trace.motion)."""

    rock = "rock"
    spin = "spin"
    both = "both"


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
    device: DeviceOption = DeviceName.cpu,
    cluster: ClusterOption = None,
    target: Annotated[
        Path | None,
        typer.Option("--out", help="Where the movie goes: .webp or .gif (one palette of 256 colours, not dithered) "
                     "[default: beside the design, -movie.webp]. MP4 is not offered: it needs an encoder."),
    ] = None,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """The stone rocks or spins under a light: fire and flashes, one exposure and scale in all frames."""
    from facetrace.cli.loading import load_stone
    from facetrace.common.cluster import working_on
    from facetrace.optics.lights import find_light
    from facetrace.report.movie import movie_bytes
    from facetrace.results import movie as words
    from facetrace.studies.face_up import StoneInLight
    from facetrace.studies.movie import film
    from facetrace.studies.opening import axis_of, material_for

    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    if target is None and json == "-":
        raise FacetraceError("--json -: name the movie's file too, with --out")
    file, solid = load_stone(design)
    goes_to = _file(target or design.with_name(f"{design.stem}-movie.webp"), fps, quality, lossless)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, others=(goes_to.path,))
    count = _count(frames, seconds, goes_to.frame_ms)
    own = file.design
    stone = StoneInLight(
        name=own.name,
        solid=solid,
        material=material_for(file, material, spectrum),
        axis=axis_of(own, axis_tilt, axis_azimuth),
        light=find_light(light.value, head, head_edge is Edge.hard),
        absorbing=not no_absorption,
    )
    with working_on(cluster, device.value):
        made = film(
            stone, motion=motion.value, tilt=tilt, azimuth=azimuth, frames=count, size=size, samples=samples, seed=seed,
            glare=not no_glare, exposure=exposure, progress=progress,
        )  # fmt: skip
    with progress("writing"):
        content = movie_bytes(made, goes_to)
    deliver({goes_to.path: content}, json, lambda: words.movie_document(made, goes_to, design))
    if json != "-":
        out.print(words.movie_table(made, goes_to, len(content)))
        note(f"{made.seconds:.1f} s, {stone.light.words}, seed {seed}")
        note(f"movie: {goes_to.path}")
    for caution in words.notes(made):
        note(caution)


def _file(path: Path, fps: float, quality: int | None, lossless: bool) -> "MovieFile":
    """The movie's file and its steps of time. Raises FacetraceError for what its format has not."""
    from facetrace.report.movie import SUFFIXES, TICK_MS
    from facetrace.results.movie import MovieFile

    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise FacetraceError(
            f"{path}: movies are written as WebP or GIF; let its name end in .webp or .gif"
        )
    if (quality is not None or lossless) and suffix != ".webp":
        name = "--lossless" if lossless else "--quality"
        raise FacetraceError(f"{name}: a GIF has none; leave it out or write .webp")
    if quality is not None and lossless:
        raise FacetraceError("--quality and --lossless: give one of them")
    if quality is None and suffix == ".webp" and not lossless:
        quality = DEFAULT_QUALITY
    tick = TICK_MS[suffix]
    return MovieFile(path, max(2, round(1000 / fps / tick)) * tick, quality)


def _count(frames: int | None, seconds: float | None, frame_ms: int) -> int:
    """Frames of the loop."""
    from facetrace.studies.movie import DEFAULT_FRAMES

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
