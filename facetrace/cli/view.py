"""facetrace view: a stone, a rough or a plan in three dimensions."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, progress
from facetrace.common.errors import FacetraceError, FileError

if TYPE_CHECKING:
    from facetrace.report.scene3d import Scene3D
    from facetrace.results.reading import Result

EXAMPLES = """
**Examples**

`facetrace view designs/round-brilliant.toml`

`facetrace view designs/round-brilliant.toml --zone designs/zones/blue-flank.toml --from side`

`facetrace view designs/roughs/crystal-barrel.toml --picture barrel.png`

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --json plan.json`

`facetrace view plan.json --number 1`

`facetrace view plan.json --pieces`
"""

# pixels of a window, and the width of a picture with all views or with one
WINDOW, WIDTH, SINGLE_WIDTH = (1100, 800), 1350, 900
LEAST_PX, MOST_PX = 400, 6000
NEEDED = "view shows designs ([outline] or [[tier]]), roughs ([shape]) and plans (what `facetrace plan --json` wrote)"
NO_OPENGL = "VTK found no OpenGL to draw with (on Debian: apt-get install libegl1); drawn plainly by matplotlib"


class From(StrEnum):
    """Where one looks from."""

    above = "above"
    side = "side"
    end = "end"
    below = "below"
    corner = "corner"


@one_line_errors
def view(
    thing: Annotated[Path, typer.Argument(help="A design (TOML), a rough (TOML), or a plan (what `plan --json` wrote).")],
    zone: Annotated[Path | None, typer.Option(help="Zones in a design's stone (TOML).")] = None,
    plan: Annotated[Path | None, typer.Option(help="With a rough: the plan (JSON) whose stone is shown in it.")] = None,
    number: Annotated[int | None, typer.Option(min=1, help="Which stone of a plan, as its table counts them [default: the plan to go by].")] = None,
    pieces: Annotated[bool, typer.Option("--pieces", help="The plan's stones of several pieces.")] = False,
    picture: Annotated[Path | None, typer.Option(help="Write a picture (PNG) and open no window [default without a screen: beside the file, -view.png].")] = None,
    size: Annotated[str | None, typer.Option(metavar="WIDTH[,HEIGHT]", help="Pixels of the picture or window.")] = None,
    come: Annotated[From | None, typer.Option("--from", help="One view only; of the window the first.")] = None,
) -> None:  # fmt: skip
    """Look at a stone, at a rough, or at a planned stone in its rough: a window, or a picture where there is no screen."""
    from facetrace.report.scene3d_picture import scene_picture
    from facetrace.report.scene3d_vtk import has_screen, show_window

    pixels = _size(size)
    scene, sources = scene_in(thing, zone, plan, number, pieces)
    target = picture or thing.with_name(f"{thing.stem}-view.png")
    remark = ""
    if picture is None and has_screen():
        wide, high = pixels or (WINDOW[0], None)
        first = come.value if come else From.corner.value
        if show_window(scene, (wide, high or round(wide * WINDOW[1] / WINDOW[0])), first):
            return
        remark = "no window could be opened here, so a picture is made"
    elif picture is None:
        remark = "no screen here, so a picture is made (--picture names another place)"
    check_outputs(None, sources, pictures=(target,))
    if remark:
        note(remark)
    with progress("picture"):
        usual = SINGLE_WIDTH if come else WIDTH
        made = scene_picture(scene, come.value if come else None, pixels or (usual, None))
    deliver({target: made.png})
    note(f"picture: {target} ({'drawn by VTK' if made.by_vtk else NO_OPENGL})")


def _size(text: str | None) -> tuple[int, int | None] | None:
    if text is None:
        return None
    try:
        numbers = [int(word) for word in text.replace("x", ",").split(",")]
    except ValueError:
        numbers = []
    if not 1 <= len(numbers) <= 2 or not all(LEAST_PX <= n <= MOST_PX for n in numbers):
        raise FacetraceError(
            f"--size: '{text}' is not a width, or width and height, from {LEAST_PX} to {MOST_PX} pixels; "
            "write it like 1350 or 1200,900"
        )
    return numbers[0], numbers[1] if len(numbers) > 1 else None


# ---- what the file is -------------------------------------------------------------------------


def scene_in(
    thing: Path,
    zone: Path | None,
    plan: Path | None,
    number: int | None = None,
    pieces: bool = False,
) -> "tuple[Scene3D, list[Path]]":
    """What is shown, and the files it was read from. Raises FacetraceError for files that do not go together."""
    kind = kind_of(thing)
    if zone and kind != "design":
        raise FacetraceError(f"--zone: goes with a design, {thing} is a {kind}; its defects are in the rough file")  # fmt: skip
    if plan and kind != "rough":
        raise FacetraceError(f"--plan: goes with a rough, {thing} is a {kind}")
    if plan is None and kind != "plan" and (number or pieces):
        raise FacetraceError("--number and --pieces: go with a plan; name its JSON")
    if number and pieces:
        raise FacetraceError("--number and --pieces: give one of them")
    if kind == "design":
        return _stone(thing, zone), [p for p in (thing, zone) if p]
    if kind == "plan":
        return _plan(thing, None, number, pieces)
    if plan is None:
        return _rough(thing), [thing]
    if kind_of(plan) != "plan":
        raise FacetraceError(f"--plan: {plan} is a {kind_of(plan)}; name what `facetrace plan --json` wrote")  # fmt: skip
    return _plan(plan, thing, number, pieces)


def kind_of(path: Path) -> str:
    """ "design", "rough" or "plan", by what is in the file. Raises FileError for anything else."""
    from facetrace.common.filekind import mesh_or_picture, no_file
    from facetrace.common.tomlfile import kind_in_file
    from facetrace.results.reading import is_result

    if is_result(path):
        _plan_result(path)
        return "plan"
    mesh = no_file(path) is None and str(mesh_or_picture(path)).startswith("a mesh")
    kind = kind_in_file(path, "name the rough file (TOML) that names it" if mesh else NEEDED)
    if kind is None:
        raise FileError(path, None, "", f"is of no known kind; {NEEDED}")
    if kind.name not in ("design", "rough"):
        with_zone = "name a design, and this file with --zone"
        raise FileError(path, None, "", f"is {kind.words}; {with_zone if kind.name == 'zone' else NEEDED}")  # fmt: skip
    return kind.name


def _stone(path: Path, zone: Path | None) -> "Scene3D":
    from facetrace.cli.loading import load_stone
    from facetrace.optics.colour import observer
    from facetrace.optics.lights import find_light
    from facetrace.report.scene3d import stone_scene
    from facetrace.results.document import ESTIMATE
    from facetrace.results.view import stone_words
    from facetrace.rough.zone import read_zones
    from facetrace.studies.opening import load_material
    from facetrace.studies.zoned import BASE, cut_of, subject_of

    file, solid = load_stone(path)
    material = load_material(file)
    read, zones = None, None
    if zone:
        read = read_zones(zone)
        light = find_light("hemisphere", None)
        cut = cut_of(subject_of(file.design, material, read, light, observer()), BASE)
        zones, solid = (read, cut), cut.solid
    words = [*stone_words(file.design, material, solid, read), ESTIMATE]
    return stone_scene(file.design, solid, words, zones)


def _rough(path: Path) -> "Scene3D":
    from facetrace.report.scene3d import rough_scene
    from facetrace.results.document import ESTIMATE
    from facetrace.results.view import rough_words
    from facetrace.rough.model import read_rough
    from facetrace.rough.rough import rough_of

    rough = rough_of(read_rough(path))
    return rough_scene(rough, [*rough_words(rough), "c points up.", ESTIMATE])


def _plan_result(path: Path) -> "Result":
    """A plan's document. Raises FacetraceError for another, or for what is no JSON."""
    from facetrace.results.reading import read_result

    result = read_result(path)
    if result.kind != "plan":
        raise FileError(path, None, "", f"is a result of facetrace {result.kind}; name what `facetrace plan --json` wrote")  # fmt: skip
    return result


def _plan(
    path: Path, rough: Path | None, number: int | None, pieces: bool
) -> "tuple[Scene3D, list[Path]]":
    from facetrace.report.scene3d import plan_scene
    from facetrace.results.reading import complete

    result = _plan_result(path)
    with complete(result):
        return plan_scene(result, rough, number, pieces)
