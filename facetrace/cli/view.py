"""facetrace view: a stone, a rough or a plan in three dimensions."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from facetrace.cli.shell import check_pictures, note, one_line_errors, progress

if TYPE_CHECKING:
    from facetrace.design.model import Design
    from facetrace.optics.rough import Rough
    from facetrace.report.view import Shown
    from facetrace.studies.orient import Cut

EXAMPLES = """
**Examples**

`facetrace view designs/round-brilliant.toml`

`facetrace view designs/round-brilliant.toml --zone designs/zones/blue-flank.toml --from side`

`facetrace view designs/roughs/crystal-barrel.toml --picture barrel.png`

`facetrace plan designs/roughs/blue-plate.toml designs/oval-brilliant.toml --json plan.json`

`facetrace view plan.json --number 1`
"""

# pixels of a window, and the width of a picture
WINDOW, WIDTH = (1100, 800), 1350
LEAST_PX, MOST_PX = 400, 6000
# share by which the carats of a plan may differ from those of its files: rounding
SAME = 1e-6
# a key of a file that tells what it is; the first that is there
DESIGN_KEYS = ("outline", "tier", "crown", "pavilion", "girdle", "gear")
OTHER_KINDS = {
    "zone": "a zone file; name a design, and this file with --zone",
    "measured": "a cut stone's file; view shows designs, roughs and plans",
    "currency": "a price file; view shows designs, roughs and plans",
}
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
    pair: bool
    designs: Path | None
    rough: Path | None = None


@one_line_errors
def view(
    thing: Annotated[Path, typer.Argument(help="A design (TOML), a rough (TOML), or a plan (what `plan --json` wrote).")],
    zone: Annotated[Path | None, typer.Option(help="Zones in a design's stone (TOML).")] = None,
    plan: Annotated[Path | None, typer.Option(help="With a rough: the plan (JSON) whose stone is shown in it.")] = None,
    number: Annotated[int | None, typer.Option(min=1, help="Which stone of a plan, as its table counts them [default: the plan's best].")] = None,
    pair: Annotated[bool, typer.Option("--pair", help="The plan's two stones from one rough.")] = False,
    designs: Annotated[Path | None, typer.Option(help="Folder of a plan's design files [default: looked for here, beside the plan and the rough, and in designs].")] = None,
    picture: Annotated[Path | None, typer.Option(help="Write a picture (PNG) and open no window [default without a screen: beside the file, -view.png].")] = None,
    size: Annotated[str | None, typer.Option(metavar="WIDTH[,HEIGHT]", help="Pixels of the picture or window.")] = None,
    come: Annotated[From | None, typer.Option("--from", help="One view only; of the window the first.")] = None,
) -> None:  # fmt: skip
    """Look at a stone, at a rough, or at a planned stone in its rough: a window, or a picture where there is no screen."""
    from facetrace.report.window import has_screen, opened

    pixels = _size(size)
    shown, sources = shown_of(thing, zone, plan, _Choice(number, pair, designs))
    target = picture or thing.with_name(f"{thing.stem}-view.png")
    if picture is None and has_screen():
        wide, high = pixels or (WINDOW[0], None)
        first = come.value if come else From.corner.value
        if opened(shown, (wide, high or round(wide * WINDOW[1] / WINDOW[0])), first):
            return
        note("no window could be opened here, so a picture is made")
    elif picture is None:
        note("no screen here, so a picture is made (--picture names another place)")
    check_pictures((target,), None, *sources)
    _write(shown, come.value if come else None, pixels or (WIDTH, None), target)


def _write(shown: "Shown", view: str | None, size: tuple[int, int | None], target: Path) -> None:
    from facetrace.common.output import write_whole
    from facetrace.report.viewed import sheet

    with progress("picture"):
        made = sheet(shown, view, size)
        write_whole(target, made.png)
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
    if plan is None and kind != "plan" and (choice.number or choice.pair or choice.designs):
        raise FacetraceError("--number, --pair and --designs: go with a plan; name its JSON")
    if choice.number and choice.pair:
        raise FacetraceError("--number and --pair: give one of them")
    if kind == "design":
        return _stone(thing, zone), [p for p in (thing, zone) if p]
    if kind == "plan":
        return _plan(thing, choice)
    if plan is None:
        return _rough(thing), [thing]
    if kind_of(plan) != "plan":
        raise FacetraceError(f"--plan: {plan} is a {kind_of(plan)}; name what `facetrace plan --json` wrote")  # fmt: skip
    return _plan(plan, _Choice(choice.number, choice.pair, choice.designs, thing))


def kind_of(path: Path) -> str:
    """ "design", "rough" or "plan", by what is in the file. Raises FileError for anything else."""
    import pydantic

    from facetrace.common.errors import FileError
    from facetrace.common.tomlfile import parse_model, read_text

    class AnyKeys(pydantic.BaseModel):
        model_config = pydantic.ConfigDict(extra="allow")

    if path.suffix.lower() in (".stl", ".obj", ".ply"):
        raise FileError(path, None, "", "is a mesh; name the rough file (TOML) that names it")
    text = read_text(path)
    if text.lstrip().startswith(("{", "[\n", "[{")) and path.suffix.lower() != ".toml":
        _document(path)
        return "plan"
    keys = set(parse_model(text, path, AnyKeys).model_extra or {})
    if "shape" in keys:
        return "rough"
    for key, words in OTHER_KINDS.items():
        if key in keys:
            raise FileError(path, None, "", f"is {words}")
    if keys.intersection(DESIGN_KEYS):
        return "design"
    raise FileError(
        path, None, "",
        "is no design ([outline] or [[tier]]), no rough ([shape]) and no plan (what `facetrace plan --json` wrote)",
    )  # fmt: skip


# ---- a stone, a rough -------------------------------------------------------------------------


def _stone(path: Path, zone: Path | None) -> "Shown":
    from facetrace.cli.loading import load_material, load_stone
    from facetrace.report.document import ESTIMATE
    from facetrace.report.view import stone_shown
    from facetrace.solid.measure import measure

    file, solid = load_stone(path)
    material = load_material(file)
    zones, words = None, []
    if zone:
        from facetrace.optics.colour import observer
        from facetrace.optics.lights import find_light
        from facetrace.optics.zone import read_zones
        from facetrace.studies.orient import BASE, cut_of, subject_of

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


def _rough_words(rough: "Rough") -> str:
    weighed = f", weighed {rough.weighed_carats:.2f} ct" if rough.weighed_carats else ""
    return f"{rough.material.name}, {rough.carats:.2f} ct by its volume at {rough.density:.2f} g/cm3{weighed}."  # fmt: skip


def _rough(path: Path) -> "Shown":
    from facetrace.optics.rough import read_rough, rough_of
    from facetrace.report.document import ESTIMATE
    from facetrace.report.view import rough_shown

    rough = rough_of(read_rough(path))
    notes = (
        [rough.weight_note[0].upper() + rough.weight_note[1:] + "."] if rough.weight_note else []
    )
    return rough_shown(rough, [_rough_words(rough), "c points up.", *notes, ESTIMATE])


# ---- a plan -----------------------------------------------------------------------------------


def _document(path: Path) -> dict[str, Any]:
    """A plan's document. Raises FileError for another, or for what is no JSON."""
    from facetrace.common.errors import FileError
    from facetrace.common.tomlfile import read_text
    from facetrace.report.document import SCHEMA

    try:
        found = json.loads(read_text(path))
    except json.JSONDecodeError as error:
        raise FileError(path, error.lineno, "", f"not valid JSON: {error.msg}") from None
    except RecursionError:
        raise FileError(path, None, "", "is nested too deeply") from None
    if not isinstance(found, dict) or found.get("schema") != SCHEMA:
        raise FileError(path, None, "schema", f"is not {SCHEMA}; name what `facetrace plan --json` wrote")  # fmt: skip
    if "plan" not in found:
        raise FileError(path, None, "", "is a result of another command; name what `facetrace plan --json` wrote")  # fmt: skip
    return found


def _plan(path: Path, choice: _Choice) -> "tuple[Shown, list[Path]]":
    from facetrace.common.errors import FileError

    member = _document(path)["plan"]
    try:
        return _planned(path, member, choice)
    except (KeyError, TypeError, IndexError, AttributeError, ValueError) as problem:
        raise FileError(path, None, "plan", f"is damaged ({type(problem).__name__} {problem}); run plan again") from None  # fmt: skip


def _planned(path: Path, member: dict[str, Any], choice: _Choice) -> "tuple[Shown, list[Path]]":
    from facetrace.optics.rough import read_rough, rough_of
    from facetrace.report.document import ESTIMATE
    from facetrace.report.view import rough_shown

    rows = _rows(path, member, choice)
    source = choice.rough or _found(path, "rough file", [Path(member["rough"]["file"]), path.parent / member["rough"]["file"]])  # fmt: skip
    rough = rough_of(read_rough(source))
    _check_same(path, source, float(member["rough"]["carats"]), rough.carats)
    stones, words, sources = [], [_rough_words(rough)], [path, source]
    for row in rows:
        file = _design_file(path, source, str(row["design"]), choice.designs)
        cut, design = _lying(path, file, row, rough)
        stones.append((cut, design))
        sources.append(file)
        own = f"{row['design']}{' with its zones hidden' if row['kind'] == 'zone hidden' else ''}"
        share = 100 * row["carats"] / (rough.weighed_carats or rough.carats)
        words.append(
            f"{own}: {row['carats']:.2f} ct ({row['low_carats']:.2f} - {row['high_carats']:.2f}), "
            f"{share:.1f} % of the rough, table's normal {row['table_to_c_deg']:.1f} deg from c."
        )
    which = "two stones" if choice.pair else str(rows[0]["design"])
    return rough_shown(rough, [*words, ESTIMATE], stones, f"{which} in {rough.name}"), sources


def _rows(path: Path, member: dict[str, Any], choice: _Choice) -> list[dict[str, Any]]:
    from facetrace.common.errors import FacetraceError, FileError

    plans = member["plans"]
    if choice.pair:
        if not member["sawn"]:
            raise FacetraceError(f"--pair: {path} has no two stones; run plan with --pieces 2")
        return list(member["sawn"]["stones"])
    if not plans:
        raise FileError(path, None, "plan", "holds no stone: nothing fitted into the rough")
    wanted = choice.number or member["best"] + 1
    if wanted > len(plans):
        raise FacetraceError(f"--number: {path} holds {len(plans)} {'plan' if len(plans) == 1 else 'plans'}; give 1 to {len(plans)}")  # fmt: skip
    return [plans[wanted - 1]]


def _found(path: Path, what: str, tried: Sequence[Path], remedy: str = "") -> Path:
    from facetrace.common.errors import FileError

    for place in tried:
        if place.is_file():
            return place
    raise FileError(
        path, None, "",
        f"its {what} {tried[0].name} is neither here nor beside it"
        + (f"; {remedy}" if remedy else f" ({tried[0]}); run from the folder where plan ran"),
    )  # fmt: skip


def _design_file(path: Path, rough: Path, name: str, folder: Path | None) -> Path:
    """A plan names designs by their files' names without the ending."""
    own = Path(f"{name}.toml")
    near = [Path(), path.parent, rough.parent, rough.parent.parent]
    places = [folder] if folder else [p for at in near for p in (at, at / "designs")]
    return _found(path, "design", [p / own for p in places], "name its folder with --designs")


def _lying(path: Path, file: Path, row: dict[str, Any], rough: "Rough") -> "tuple[Cut, Design]":
    """A row's stone where it lies. Raises FileError where its design is not what the plan was made from."""
    import numpy as np

    from facetrace.cli.loading import load_stone
    from facetrace.common.errors import FacetraceError
    from facetrace.solid.place import Copy
    from facetrace.studies.plan import Outline, carats_of, cut_of

    design = load_stone(file)[0].design
    try:
        solid = Outline(design).solid(str(row["changed"] or ""))
    except FacetraceError:
        raise _stale(path, file) from None
    scale = float(row["scale"])
    turn, shift = np.array(row["turn"], dtype=float), np.array(row["shift_mm"], dtype=float)
    if turn.shape != (3, 3) or shift.shape != (3,):
        raise ValueError("turn, shift_mm")
    copy = Copy(scale, turn, shift, solid.volume * scale**3)
    _check_same(path, file, float(row["carats"]), carats_of(rough, copy.volume))
    return cut_of(solid, copy), design


def _check_same(path: Path, file: Path, told: float, have: float) -> None:
    if not abs(have / told - 1) <= SAME:
        raise _stale(path, file)


def _stale(path: Path, file: Path) -> Exception:
    from facetrace.common.errors import FileError

    return FileError(path, None, "", f"was made from another state of {file}; run plan again")
