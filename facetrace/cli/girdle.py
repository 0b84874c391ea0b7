"""facetrace girdle: ground, polished smooth or polished in flats."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich import box
from rich.table import Table

from facetrace.cli.options import (
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
    from facetrace.optics.material import Material
    from facetrace.studies.girdle import Setting

EXAMPLES = """
**Examples**

`facetrace girdle designs/round-brilliant.toml`

`facetrace girdle designs/oval-brilliant.toml --flats 32,64,96 --thickness 0.2,0.4 --tilts 0,20`

`facetrace girdle designs/pear-brilliant.toml --roughness 0.25 --no-absorption`

Ctrl-C stops it; the same command goes on from its CSV. The numbers are the same either way.
"""

DEFAULT_RAYS = 1 << 16
# words of the table for each stone
STONES = {"coloured": "as coloured", "clear": "without colour: the cut alone"}


@one_line_errors
def girdle(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    flats: Annotated[
        str, typer.Option(metavar="N,N... or FROM:TO:STEP", help="Numbers of flats on the polished girdle.")
    ] = "96",
    thickness: Annotated[
        str, typer.Option(metavar="MM,MM... or FROM:TO:STEP", help="Mean heights of the smooth girdle, mm: thin to thick.")
    ] = "0.1,0.2,0.3,0.5",
    tilts: Annotated[
        str, typer.Option(metavar="DEG,DEG... or FROM:TO:STEP", help="Angles of the eye off the zenith, degrees; stone and light stay.")
    ] = "0,15,30",
    azimuth: Annotated[
        float, typer.Option(min=-360, max=360, callback=finite, help="Where the eye moves to, degrees from the length (index 0).")
    ] = 90.0,
    roughness: Annotated[
        float,
        typer.Option(min=0.01, max=2, callback=finite, help="Roughness alpha of the ground girdle: 0.39 was measured on ground glass [from memory: Walter et al. 2007]."),
    ] = 0.39,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for each figure.")] = DEFAULT_RAYS,
    light: LightOption = LightName.hemisphere,
    head: Annotated[
        float | None,
        typer.Option(min=0, max=80, callback=finite, help="Angular radius of the viewer's dark head, degrees [default: 10, and 0 under the uniform light]."),
    ] = None,
    material: MaterialOption = None,
    spectrum: SpectrumOption = None,
    no_absorption: Annotated[bool, typer.Option("--no-absorption", help="The stone without colour only.")] = False,
    seed: SeedOption = 1,
    csv: Annotated[
        Path | None, typer.Option(help="Where all rows go, and from where it goes on [default: beside the design, -girdle.csv; none with --json -].")
    ] = None,
    fresh: FreshOption = False,
    plot: Annotated[
        Path | None, typer.Option(help="Where the plot goes [default: beside the design, -girdle.png; none with --json -].")
    ] = None,
    no_plot: Annotated[bool, typer.Option("--no-plot", help="Table and CSV only.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """The girdle ground, polished smooth or in flats: light it gives back, and what flats cost."""
    from facetrace.cli.loading import load_material, load_stone, numbers_of, with_spectrum
    from facetrace.common.errors import FacetraceError
    from facetrace.common.ledger import Ledger
    from facetrace.optics.lights import find_light
    from facetrace.optics.material import find_material
    from facetrace.studies.girdle import KEY, columns, plan, sweep

    if spectrum and no_absorption:
        raise FacetraceError("--spectrum and --no-absorption: give one of them")
    table, shown = targets(design, "girdle", csv, plot, no_plot, json)
    sources = (design, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(shown,), table=table)
    file, _ = load_stone(design)
    substance = find_material(material) if material else load_material(file)
    substance = with_spectrum(substance, spectrum)
    setting = _setting(
        substance, (file.design.axis.tilt, file.design.axis.azimuth),
        coloured=not no_absorption and _has_colour(substance),
        light=find_light(light.value, head), roughness=roughness,
        thicknesses=numbers_of("--thickness", thickness, 0.02, 5),
        tilts=numbers_of("--tilts", tilts, 0, 80), azimuth=azimuth,
        flats=tuple(_whole(n) for n in numbers_of("--flats", flats, 3, 250)), rays=rays, seed=seed,
    )  # fmt: skip
    title = f"{file.design.name} ({substance.name})"
    keys = plan(setting)
    with Ledger.open(
        table, _fingerprint(file.design, setting), columns(), KEY,
        about=f"girdle of {title}: {_under(setting)}", fresh=fresh, needed=list(columns()),
    ) as ledger:  # fmt: skip
        with kept(ledger, keys):
            rows, seconds = swept(sweep(file.design, setting, ledger.rows), keys, ledger, "rows")
        # while the table is locked: of two runs all files are of one
        _written(rows, setting, substance, title, file.design.name, design, shown, json)
    if json == "-":
        return
    for stone in setting.media:
        out.print(_table(rows, setting, stone, title))
    _said(rows, setting, substance, seconds)
    for label, target in (("all rows", table), ("plot", shown)):
        if target:
            note(f"{label}: {target}")


def _whole(number: float) -> int:
    from facetrace.common.errors import FacetraceError

    if number != round(number):
        raise FacetraceError(f"--flats: {number:g} is no whole number of flats")
    return round(number)


def _has_colour(material: "Material") -> bool:
    return bool(material.spectrum or material.colouring)


def _setting(
    material: "Material", axis: tuple[float, float], *, coloured: bool, rays: int, **wishes: object
) -> "Setting":  # fmt: skip
    from facetrace.optics.colour import observer
    from facetrace.studies.girdle import Setting
    from facetrace.trace.run import points_for
    from facetrace.trace.scene import medium_of

    eye = observer()
    media = {"coloured": medium_of(material, eye)} if coloured else {}
    media["clear"] = medium_of(material, eye, absorbing=False)
    return Setting(
        media=media, density=material.density, axis=axis, points=points_for(rays), **wishes  # type: ignore[arg-type]
    )  # fmt: skip


def _fingerprint(design: object, setting: "Setting") -> str:
    """Of all that decides a row; thicknesses, tilts and flats only decide which rows there are."""
    import facetrace
    from facetrace.common.ledger import fingerprint_of
    from facetrace.design.model import Design
    from facetrace.studies.rows import media_facts

    assert isinstance(design, Design)
    return fingerprint_of({
        "study": "girdle",
        "version": facetrace.__version__,
        "design": design.model_dump(exclude={"name", "notes"}),
        "density": setting.density,
        "media": [list(setting.media), *media_facts(setting.media.values())],
        "axis": setting.axis,
        "light": setting.light.row.tobytes(),
        "roughness": setting.roughness,
        "azimuth": setting.azimuth,
        "points": setting.points,
        "seed": setting.seed,
    })  # fmt: skip


def _under(setting: "Setting") -> str:
    return f"{setting.light.words}, ground with roughness {setting.roughness:g}"


def _written(
    rows: "list[Row]", setting: "Setting", material: "Material", title: str, name: str,
    path: Path, plot: Path | None, json: str | None,
) -> None:  # fmt: skip
    from facetrace.report.girdle import girdle_part, girdle_png
    from facetrace.results import document

    files, text = {}, ""
    if plot:
        files[plot] = girdle_png(rows, setting, f"{title}: the girdle", _under(setting))
    if json:
        parts = document.head() | {
            "design": {"name": name, "file": str(path), "material": material.name},
            "seed": setting.seed,
            "girdle": girdle_part(rows, setting),
            "notes": _notes(setting, material),
        }
        if "coloured" in setting.media:
            parts |= document.material_part(material)
        text = document.text_of(parts)
    deliver(files, json, text)


def _notes(setting: "Setting", material: "Material") -> list[str]:
    from facetrace.results.document import ESTIMATE, colour_notes, light_notes

    coloured = colour_notes(material) if "coloured" in setting.media else []
    return [ESTIMATE, *light_notes(setting.light), *coloured]


def _table(rows: "list[Row]", setting: "Setting", stone: str, title: str) -> Table:
    """Thickness by tilt by finish: light, and what it brings back of what the ground girdle loses."""
    from facetrace.studies.girdle import FLATS, GROUND
    from facetrace.studies.rows import number

    table = Table(
        title=f"{title}, {STONES[stone]}", title_justify="left", box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )  # fmt: skip
    for head in (
        "girdle\nmm",
        "eye\ndeg",
        "finish",
        "light\n%",
        "lost\n%",
        "brought back\n% of lost",
        "flats\nct",
        "weight\nct",
    ):
        table.add_column(head, justify="left" if head == "finish" else "right", no_wrap=True)
    mine = {
        (r["thickness_mm"], r["eye_tilt"], r["finish"], r["flats"]): r
        for r in rows if r["stone"] == stone
    }  # fmt: skip
    for thickness in setting.thicknesses:
        for tilt in setting.tilts:
            for finish, flats in setting.finishes:
                r = mine[thickness, tilt, finish, flats]
                first = finish == GROUND
                back = f"{100 * number(r, 'recovered'):+.2f} +- {100 * number(r, 'recovered_stderr'):.2f}"
                cost = f"{number(r, 'carats_to_smooth') + 0.0:.5f}"
                table.add_row(
                    f"{thickness:g}" if first else "",
                    f"{tilt:g}" if first else "",
                    f"{number(r, 'facets'):.0f} flats" if finish == FLATS else finish,
                    f"{100 * number(r, 'light_return'):.2f}",
                    f"{100 * number(r, 'lost'):.2f}",
                    "" if first else back,
                    cost if finish == FLATS else "",
                    f"{number(r, 'carats'):.3f}",
                )
        table.add_section()
    return table


def _said(
    rows: "list[Row]", setting: "Setting", material: "Material", seconds: float
) -> None:  # fmt: skip
    from facetrace.report.girdle import findings

    note(
        "Brought back: light returned beyond that with the ground girdle, in percent of the light that the "
        "ground one loses (window, extinction, absorbed); below 0 it returns less. Flats, ct: what they cost, from "
        "the smooth girdle of the same blank. Girdle: mean height of the smooth one between crown and pavilion "
        "as designed, which is not the design's own girdle: a smooth outline stands out beyond its flats."
    )
    for text in findings(rows, setting):
        out.print(text)
    note(f"{len(rows)} rows of {128 * setting.points:,} rays, {seconds:.1f} s, {_under(setting)}")
    for text in _notes(setting, material):
        note(text)
