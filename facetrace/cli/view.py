"""facetrace view: a stone, a rough or a plan in three dimensions."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from facetrace.cli.shell import check_outputs, deliver, note, one_line_errors, progress

if TYPE_CHECKING:
    from facetrace.report.view import Shown
    from facetrace.results.reading import Result
    from facetrace.rough.rough import Rough

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


@dataclass(frozen=True)
class _Choice:
    """Which stones of a plan are wanted, and where its files may be."""

    number: int | None
    pieces: bool
    rough: Path | None = None


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
    from facetrace.report.window import has_screen, opened

    pixels = _size(size)
    shown, sources = shown_of(thing, zone, plan, _Choice(number, pieces))
    target = picture or thing.with_name(f"{thing.stem}-view.png")
    remark = ""
    if picture is None and has_screen():
        wide, high = pixels or (WINDOW[0], None)
        first = come.value if come else From.corner.value
        if opened(shown, (wide, high or round(wide * WINDOW[1] / WINDOW[0])), first):
            return
        remark = "no window could be opened here, so a picture is made"
    elif picture is None:
        remark = "no screen here, so a picture is made (--picture names another place)"
    check_outputs(None, sources, pictures=(target,))
    if remark:
        note(remark)
    _write(
        shown,
        come.value if come else None,
        pixels or (SINGLE_WIDTH if come else WIDTH, None),
        target,
    )


def _write(shown: "Shown", view: str | None, size: tuple[int, int | None], target: Path) -> None:
    from facetrace.report.viewed import sheet

    with progress("picture"):
        made = sheet(shown, view, size)
    deliver({target: made.png})
    note(f"picture: {target} ({'drawn by VTK' if made.by_vtk else NO_OPENGL})")


def _size(text: str | None) -> tuple[int, int | None] | None:
    from facetrace.common.errors import FacetraceError

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


def shown_of(
    thing: Path, zone: Path | None, plan: Path | None, choice: _Choice
) -> "tuple[Shown, list[Path]]":
    """What is shown, and the files it was read from. Raises FacetraceError for files that do not go together."""
    from facetrace.common.errors import FacetraceError

    kind = kind_of(thing)
    if zone and kind != "design":
        raise FacetraceError(f"--zone: goes with a design, {thing} is a {kind}; its defects are in the rough file")  # fmt: skip
    if plan and kind != "rough":
        raise FacetraceError(f"--plan: goes with a rough, {thing} is a {kind}")
    if plan is None and kind != "plan" and (choice.number or choice.pieces):
        raise FacetraceError("--number and --pieces: go with a plan; name its JSON")
    if choice.number and choice.pieces:
        raise FacetraceError("--number and --pieces: give one of them")
    if kind == "design":
        return _stone(thing, zone), [p for p in (thing, zone) if p]
    if kind == "plan":
        return _plan(thing, choice)
    if plan is None:
        return _rough(thing), [thing]
    if kind_of(plan) != "plan":
        raise FacetraceError(f"--plan: {plan} is a {kind_of(plan)}; name what `facetrace plan --json` wrote")  # fmt: skip
    return _plan(plan, _Choice(choice.number, choice.pieces, thing))


def kind_of(path: Path) -> str:
    """ "design", "rough" or "plan", by what is in the file. Raises FileError for anything else."""
    import pydantic

    from facetrace.common.errors import FileError
    from facetrace.common.filekind import kind_in, mesh_or_picture, no_file
    from facetrace.common.tomlfile import parse_model, read_text
    from facetrace.results.reading import is_result

    class AnyKeys(pydantic.BaseModel):
        model_config = pydantic.ConfigDict(extra="allow")

    if is_result(path):
        _plan_result(path)
        return "plan"
    mesh = no_file(path) is None and str(mesh_or_picture(path)).startswith("a mesh")
    text = read_text(path, "name the rough file (TOML) that names it" if mesh else NEEDED)
    kind = kind_in(parse_model(text, path, AnyKeys).model_extra or {})
    if kind is None:
        raise FileError(path, None, "", f"is of no known kind; {NEEDED}")
    if kind.name not in ("design", "rough"):
        with_zone = "name a design, and this file with --zone"
        raise FileError(path, None, "", f"is {kind.words}; {with_zone if kind.name == 'zone' else NEEDED}")  # fmt: skip
    return kind.name


# ---- a stone, a rough -------------------------------------------------------------------------


def _stone(path: Path, zone: Path | None) -> "Shown":
    from facetrace.cli.loading import load_material, load_stone
    from facetrace.report.view import stone_shown
    from facetrace.results.document import ESTIMATE
    from facetrace.solid.measure import measure

    file, solid = load_stone(path)
    material = load_material(file)
    zones, words = None, []
    if zone:
        from facetrace.optics.colour import observer
        from facetrace.optics.lights import find_light
        from facetrace.rough.zone import read_zones
        from facetrace.studies.zoned import BASE, cut_of, subject_of

        read = read_zones(zone)
        light = find_light("hemisphere", None)
        cut = cut_of(subject_of(file.design, material, read, light, observer()), BASE)
        zones, solid = (read, cut), cut.solid
        words.append(f"Zones of {read.model.name}, as the stone lies in its rough untilted.")
    m = measure(solid, material.density)
    size = f"{m.length_mm:.2f} x {m.width_mm:.2f} x {m.depth_mm:.2f} mm"
    axis = file.design.axis
    words = [
        f"{material.name}, {m.carats:.3f} ct, {size}, {m.facets} facets.",
        f"c-axis {axis.tilt:g} deg from the table's normal, towards {axis.azimuth:g} deg.",
        *words, ESTIMATE,
    ]  # fmt: skip
    return stone_shown(file.design, solid, words, zones)


def _rough_words(rough: "Rough") -> list[str]:
    """What it weighs, and what is to be asked of that."""
    weighed = f", weighed {rough.weighed_carats:.2f} ct" if rough.weighed_carats else ""
    says = f"{rough.material.name}, {rough.carats:.2f} ct by its volume at {rough.density:.2f} g/cm3{weighed}."  # fmt: skip
    return [says, *rough.asked]


def _rough(path: Path) -> "Shown":
    from facetrace.report.view import rough_shown
    from facetrace.results.document import ESTIMATE
    from facetrace.rough.rough import read_rough, rough_of

    rough = rough_of(read_rough(path))
    return rough_shown(rough, [*_rough_words(rough), "c points up.", ESTIMATE])


# ---- a plan -----------------------------------------------------------------------------------


def _plan_result(path: Path) -> "Result":
    """A plan's document. Raises FacetraceError for another, or for what is no JSON."""
    from facetrace.common.errors import FileError
    from facetrace.results.reading import read_result

    found = read_result(path)
    if found.kind != "plan":
        raise FileError(path, None, "", f"is a result of facetrace {found.kind}; name what `facetrace plan --json` wrote")  # fmt: skip
    return found


def _plan(path: Path, choice: _Choice) -> "tuple[Shown, list[Path]]":
    from facetrace.results.reading import complete

    result = _plan_result(path)
    with complete(result):
        return _planned(result, result.document["plan"], choice)


def _planned(
    result: "Result", member: dict[str, Any], choice: _Choice
) -> "tuple[Shown, list[Path]]":
    from facetrace.report.six_views import LETTERS
    from facetrace.report.view import rough_shown
    from facetrace.results.document import ESTIMATE
    from facetrace.results.reading import lying, stones_of
    from facetrace.rough.rough import read_rough, rough_of

    rows = stones_of(result, member, choice.number, choice.pieces)
    source = choice.rough or result.found(member["rough"]["file"])
    rough = rough_of(read_rough(source))
    result.check(str(source), rough.carats, float(member["rough"]["carats"]))
    stones, words, sources = [], _rough_words(rough), [result.path, source]
    for k, row in enumerate(rows):
        cut, design, file = lying(result, member, row, rough)
        stones.append((cut, design))
        sources.append(file)
        which = f"{LETTERS[k]}, " if len(rows) > 1 else ""
        own = f"{which}{row['design']}{' with its zones hidden' if row['kind'] == 'zone hidden' else ''}"
        share = 100 * row["carats"] / rough.carats
        words.append(
            f"{own}: {row['carats']:.2f} ct ({row['low_carats']:.2f} - {row['high_carats']:.2f}), "
            f"{share:.1f} % of the rough, table's normal {row['table_to_c_deg']:.1f} deg from c."
        )
    which = f"{len(rows)} stones" if len(rows) > 1 else str(rows[0]["design"])
    return rough_shown(rough, [*words, ESTIMATE], stones, f"{which} in {rough.name}"), sources
