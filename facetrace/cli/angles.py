"""facetrace angles: many candidates around a design, light against weight."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich import box
from rich.table import Table

from facetrace.cli.options import (
    Edge,
    FreshOption,
    JsonOption,
    LightName,
    LightOption,
    MaterialOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    kept,
    material_file,
    note,
    one_line_errors,
    out,
    swept,
    targets,
)

if TYPE_CHECKING:
    from facetrace.common.ledger import Row
    from facetrace.design.model import Design
    from facetrace.optics.material import Material
    from facetrace.studies.angles import Range, Setting
    from facetrace.studies.wish import Outcome

EXAMPLES = """
**Examples**

`facetrace angles designs/round-brilliant.toml`

`facetrace angles designs/round-brilliant.toml --vary pavilion.angle=40:44:0.25 --prefer light`

`facetrace angles designs/oval-brilliant.toml --carats 1.5 --vary pavilion.angle=40:44:0.5 --vary pavilion.bulge=0:0.3:0.05`

`facetrace angles designs/rectangle-step.toml --prefer weight --keep-light 95 --at-least 1.2`

`facetrace angles designs/round-by-hand.toml --vary "crown main.angle=32:40:1" --csv mains.csv`

Ctrl-C stops a sweep; the same command goes on from its CSV. The numbers are the same either way.
"""

DEFAULT_RAYS = 1 << 15
MOST_LINES = 20


class Prefer(StrEnum):
    """What the recommendation goes by."""

    balance = "balance"
    light = "light"
    weight = "weight"


@one_line_errors
def angles(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=FROM:TO:STEP",
            help="A number of the design and its values, like crown.table_percent=50:60:2; may be repeated. "
            "The angles of steps move together, the number is the last one [default: pavilion.angle 4 degrees to either "
            "side by 0.5 and crown.angle 6 degrees by 1, about 15 s].",
        ),
    ] = None,
    prefer: Annotated[
        Prefer,
        typer.Option(help="light: the most light returned. weight: the heaviest that keeps enough of the best light. "
                     "balance: the largest product of both."),
    ] = Prefer.balance,
    keep_light: Annotated[
        float, typer.Option(min=0, max=100, callback=finite, help="With --prefer weight: percent of the best light that must be kept.")
    ] = 90.0,
    at_least: Annotated[
        float | None, typer.Option(min=0, max=1e6, callback=finite, help="Recommend nothing lighter than this, carats.")
    ] = None,
    carats: Annotated[
        float | None,
        typer.Option(min=1e-4, max=1e6, callback=finite, help="Scale every candidate to weigh this; otherwise the girdle's size stays."),
    ] = None,
    window_share: Annotated[
        float, typer.Option(min=0.1, max=99, callback=finite, help="Percent of the clear stone's light through the pavilion that counts as a window, for the tilt.")
    ] = 10.0,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for the figures of each candidate.")] = DEFAULT_RAYS,
    light: LightOption = LightName.hemisphere,
    head: Annotated[
        float | None,
        typer.Option(min=0, max=80, callback=finite, help="Angular radius of the viewer's dark head, degrees [default: 10, and 0 under the uniform light]."),
    ] = None,
    head_edge: Annotated[Edge, typer.Option(help="Edge of the head's shadow.")] = Edge.soft,
    axis_tilt: Annotated[
        float | None, typer.Option(min=0, max=180, callback=finite, help="Angle of the c-axis from the table's normal, degrees [default: the design's].")
    ] = None,
    axis_azimuth: Annotated[
        float | None, typer.Option(min=-360, max=360, callback=finite, help="Its direction, degrees from the length [default: the design's].")
    ] = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    no_absorption: Annotated[bool, typer.Option("--no-absorption", help="Leave out all colour: the cut alone.")] = False,
    seed: SeedOption = 1,
    csv: Annotated[
        Path | None, typer.Option(help="Where all candidates go, and from where a sweep goes on [default: beside the design, -angles.csv; none with --json -].")
    ] = None,
    fresh: FreshOption = False,
    plot: Annotated[
        Path | None, typer.Option(help="Where the plot of light against weight goes [default: beside the design, -angles.png; none with --json -].")
    ] = None,
    no_plot: Annotated[bool, typer.Option("--no-plot", help="Table and CSV only.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Sweep pavilion and crown angles, or any number of a design: light against weight, and advice."""
    from facetrace.common.errors import FacetraceError
    from facetrace.common.ledger import Ledger
    from facetrace.optics.lights import find_light
    from facetrace.studies.angles import columns, needed, plan, sweep
    from facetrace.studies.wish import outcome

    if carats and at_least:
        raise FacetraceError("--carats and --at-least: give one of them")
    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    table, shown = targets(design, "angles", csv, plot, no_plot, json)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(shown,), table=table)
    lamp = find_light(light.value, head, head_edge is Edge.hard)
    subject = _prepared(
        design, material, spectrum, axis_tilt, axis_azimuth, lamp, not no_absorption,
        rays=rays, seed=seed, window_share=window_share / 100, carats=carats,
    )  # fmt: skip
    own, setting = subject.design, subject.setting
    ranges = _ranges(own, vary)
    keys = plan(own, ranges)
    about = f"angles of {subject.title}: {_under(setting)}"
    with Ledger.open(
        table, _fingerprint(own, setting), columns(own, ranges), [r.name for r in ranges],
        about=about, fresh=fresh, needed=needed(),
    ) as ledger:  # fmt: skip
        with kept(ledger, keys):
            results = sweep(own, ranges, setting, ledger.rows)
            rows, seconds = swept(results, keys, ledger, "candidates")
        found = outcome(
            own, ranges, setting, rows, prefer.value,
            at_least=at_least or 0.0, keep_light=keep_light / 100,
        )  # fmt: skip
        # while the table is locked: of two runs all files are of one
        _written(found, subject, design, shown, json)
    if json == "-":
        return
    out.print(_table(found, subject.title))
    _said(found, seconds, subject.notes)
    for label, target in (("all candidates", table), ("plot", shown)):
        if target:
            note(f"{label}: {target}")


@dataclass(frozen=True)
class _Subject:
    """What is swept, as the options and the design ask; notes: cautions that belong to the numbers."""

    design: "Design"
    material: "Material"
    setting: "Setting"
    absorbing: bool
    notes: list[str]

    @property
    def title(self) -> str:
        """Design and material."""
        return f"{self.design.name} ({self.material.name})"


def _prepared(
    path: Path, material: str | None, spectrum: Path | None, tilt: float | None,
    azimuth: float | None, light: Any, absorbing: bool, **wishes: Any,
) -> _Subject:  # fmt: skip
    from facetrace.cli.loading import load_material, load_stone, with_spectrum
    from facetrace.design.vary import with_value
    from facetrace.optics.colour import observer
    from facetrace.optics.material import find_material
    from facetrace.results.document import ESTIMATE, colour_notes, light_notes
    from facetrace.studies.angles import Setting
    from facetrace.studies.tilt import LINE_NM
    from facetrace.trace.run import points_for
    from facetrace.trace.scene import medium_of

    file, solid = load_stone(path)
    design = file.design
    for name, value in (("axis.tilt", tilt), ("axis.azimuth", azimuth)):
        if value is not None:
            design = with_value(design, name, value)
    substance = find_material(material) if material else load_material(file)
    substance = with_spectrum(substance, spectrum)
    eye = observer()
    setting = Setting(
        density=substance.density,
        medium=medium_of(substance, eye, absorbing=absorbing),
        clear=medium_of(substance, eye, absorbing=False, wavelength_nm=LINE_NM),
        light=light,
        points=points_for(wishes.pop("rays")),
        **wishes,
    )
    notes = [ESTIMATE, *light_notes(light), *(colour_notes(substance) if absorbing else [])]
    if solid.missing:
        notes.append("As it stands, no place on the stone for: " + ", ".join(solid.missing))
    return _Subject(design, substance, setting, absorbing, notes)


def _ranges(design: "Design", words: list[str] | None) -> "tuple[Range, ...]":
    from facetrace.cli.loading import ranges_of
    from facetrace.studies.angles import usual_ranges

    return ranges_of(design, "--vary", words) if words else usual_ranges(design)


def _fingerprint(design: "Design", setting: "Setting") -> str:
    """Of all that decides a row; the ranges only decide which rows there are."""
    import facetrace
    from facetrace.common.ledger import fingerprint_of
    from facetrace.studies.rows import media_facts

    media = (setting.medium, setting.clear)
    return fingerprint_of({
        "study": "angles",
        "version": facetrace.__version__,
        "design": design.model_dump(exclude={"name", "notes"}),
        "density": setting.density,
        "media": media_facts(media),
        "light": setting.light.row.tobytes(),
        "points": setting.points,
        "seed": setting.seed,
        "window_share": setting.window_share,
        "carats": setting.carats,
    })  # fmt: skip


def _under(setting: "Setting") -> str:
    same = f", all of {setting.carats:g} ct" if setting.carats else ""
    return setting.light.words + same


def _written(
    found: "Outcome", subject: _Subject, path: Path, plot: Path | None, json: str | None
) -> None:
    from facetrace.report.sweep import angles_part, sweep_png
    from facetrace.results import document

    setting, design = subject.setting, subject.design
    files, text = {}, ""
    if plot:
        against = "weight" if setting.carats is None else "size"
        title = f"{subject.title}: light against {against}"
        files[plot] = sweep_png(found, title, _under(setting))
    if json:
        lamp = setting.light
        scene = {
            "light": lamp.name, "head_deg": lamp.head_deg, "head_hard": lamp.head_hard,
            "view": {"tilt": 0.0, "azimuth": 0.0, "eye_tilt": 0.0, "eye_azimuth": 0.0},
            "axis": design.axis.model_dump(), "index": None,
            "absorption": subject.absorbing, "wavelength_nm": None,
            "white_radiance": lamp.white(1.0),
        }  # fmt: skip
        parts = document.head() | {
            "design": {"name": design.name, "file": str(path), "material": subject.material.name},
            "scene": scene,
            "seed": setting.seed,
            "angles": angles_part(found),
            "notes": subject.notes,
        }
        coloured = document.material_part(subject.material)
        parts |= coloured if subject.absorbing else {"substance": coloured["substance"]}
        text = document.text_of(parts)
    deliver(files, json, text)


# heading, column, factor, digits, width; where many numbers are varied the last ones make room
COLUMNS = (
    ("light\n%", "light_return", 100.0, 2, 5),
    ("win-\ndow", "window", 100.0, 2, 5),
    ("extinc-\ntion", "extinction", 100.0, 2, 7),
    ("bright-\nness", "brightness", 1.0, 3, 7),
    ("L*", "lightness", 1.0, 1, 4),
    ("C*", "chroma", 1.0, 1, 4),
    ("h", "hue_deg", 1.0, 0, 3),
)
WIDTH = 80


def _table(found: "Outcome", title: str) -> Table:
    """The front, the best for each wish and the design as it stands, by rising weight."""
    from facetrace.report.sweep import tilt_words
    from facetrace.studies.rows import number

    weight = found.setting.weight
    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, padding=0)
    table.add_column("", no_wrap=True)
    rows = _lines(found)
    names = [_heading(r.name) for r in found.ranges]
    values = [[f"{number(row, r.name):g}" for row in rows] for r in found.ranges]
    wide = [
        max(map(len, (*name.split("\n"), *cells)))
        for name, cells in zip(names, values, strict=True)
    ]
    sizes = "weight\nct" if weight == "carats" else "face\nmm^2"
    # marks, size and tilt, each with a blank
    left = (
        WIDTH
        - max(len(_marks(found, row)) for row in rows)
        - 8
        - 6
        - sum(width + 1 for width in wide)
    )
    shown = [
        c for i, c in enumerate(COLUMNS) if i < 2 or sum(d[4] + 1 for d in COLUMNS[: i + 1]) <= left
    ]
    for heading in (*names, sizes, *(c[0] for c in shown), "tilt\ndeg"):
        table.add_column(heading, justify="right", no_wrap=True)
    for i, row in enumerate(rows):
        table.add_row(
            _marks(found, row),
            *(cells[i] for cells in values),
            f"{number(row, weight):.3f}",
            *(f"{factor * number(row, name):.{digits}f}" for _, name, factor, digits, _ in shown),
            tilt_words(row),
            style="bold" if row is found.chosen else None,
        )
    table.add_section()
    errors = [
        f"{factor * max(number(r, f'{name}_stderr') for r in rows):.{digits + 1}f}"
        for _, name, factor, digits, _ in shown
    ]
    tilt = max(float(r["tilt_deg_stderr"] or 0) for r in rows)
    table.add_row("+- most", *[""] * (len(found.ranges) + 1), *errors, f"{tilt:.1f}")
    return table


def _heading(name: str) -> str:
    """A parameter's name in short lines: pavilion / lower / girdle / %."""
    name = name.replace("_percent", "_%")
    for mark in (".", " ", "_"):
        name = name.replace(mark, "\n")
    return name


def _lines(found: "Outcome") -> "list[Row]":
    """At most 20 rows; of a long front some, evenly."""
    import numpy as np

    from facetrace.studies.rows import number

    named = [found.as_it_stands, *found.best.values()]
    room = MOST_LINES - len(named)
    front = found.front
    if len(front) > room:
        front = [front[round(i)] for i in np.linspace(0, len(front) - 1, room)]
    rows = {id(row): row for row in [*front, *named]}
    return sorted(rows.values(), key=lambda r: number(r, found.setting.weight))


def _marks(found: "Outcome", row: "Row") -> str:
    words = ["as is"] if row is found.as_it_stands else []
    # at a fixed weight the wish for weight is one for size
    names = {"weight": "size"} if found.setting.carats else {}
    words += [names.get(wish, wish) for wish, best in found.best.items() if best is row]
    return ("> " if row is found.chosen else "  ") + ", ".join(words)


def _said(found: "Outcome", seconds: float, notes: list[str]) -> None:
    from facetrace.report.sweep import advice, cautions
    from facetrace.studies.angles import cut

    share = 100 * found.setting.window_share
    note(
        f"Tilt, along length or width: least angle at which the clear stone's window exceeds {share:g} % of all light. "
        "Shown: the front (no other has more of both), the best for each wish "
        f"{f'among stones of {found.at_least:g} ct or more ' if found.at_least else ''}and the design as it "
        "is; +- most: the largest standard error of these rows."
    )
    uncut = len(found.rows) - len(cut(found.rows))
    if uncut:
        note(f"{uncut} candidates cannot be cut; the CSV says why.")
    out.print(advice(found))
    for text in cautions(found):
        out.print(text)
    setting = found.setting
    note(
        f"{len(found.rows)} candidates of {setting.rays:,} rays, {seconds:.1f} s, {_under(setting)}, "
        f"seed {setting.seed}; the gain is from other random numbers and 4 times the rays"
    )
    for text in notes:
        note(text)
