"""facetrace recut: is a re-cut of a stone worth its hundredths of a carat."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich import box
from rich.table import Table

from facetrace.cli.options import (
    HeadAsTraceOption,
    JsonOption,
    LightName,
    LightOption,
    SeedOption,
    SpectrumOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    note,
    one_line_errors,
    out,
    progress,
    targets,
)

if TYPE_CHECKING:
    from facetrace.recut.check import Checked
    from facetrace.recut.search import Lights, Plan
    from facetrace.recut.stone import CutStone

EXAMPLES = """
**Examples**

`facetrace recut designs/cut/ruby-above-a-carat.toml`

`facetrace recut designs/cut/ruby-above-a-carat.toml --floor 0.98 --light overcast`

`facetrace recut designs/cut/oval-not-worth-it.toml --no-picture --json recut.json`

`facetrace recut designs/cut/oval-not-worth-it.toml --facets`

The stone's file says its design or scan, what was measured and weighed, and each pit or chip with its depth.
"""

DEFAULT_RAYS = 1 << 17
# figure of the light, its name, factor and unit of the table
LIGHT = (
    ("light_return", "light returned", 100, " %"),
    ("window", "window", 100, " %"),
    ("extinction", "extinction", 100, " %"),
    ("brightness", "brightness", 1, ""),
)
# measure, its name, digits and unit
SIZES = (
    ("length_mm", "length", 2, " mm"),
    ("width_mm", "width", 2, " mm"),
    ("depth_mm", "depth", 2, " mm"),
    ("table_percent", "table", 1, " %"),
    ("crown_height_mm", "crown height", 2, " mm"),
    ("pavilion_depth_mm", "pavilion depth", 2, " mm"),
    ("girdle_min_mm", "girdle, thinnest", 2, " mm"),
)


@one_line_errors
def recut(
    stone: Annotated[Path, typer.Argument(help="File of the stone as cut (TOML): shape, measured sizes, carats, flaws.")],
    floor: Annotated[
        float | None, typer.Option(min=0.001, max=10_000, callback=finite, help="Carats that it must not fall below, in place of the file's.")
    ] = None,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    spectrum: SpectrumOption = None,
    rays: Annotated[int, typer.Option(min=1, max=1 << 26, help="Rays for the light before and after.")] = DEFAULT_RAYS,
    seed: SeedOption = 1,
    picture: Annotated[
        Path | None, typer.Option(help="Plan views before and after [default: beside the file, -recut.png; none with --json -].")
    ] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    facets: Annotated[bool, typer.Option("--facets", help="Only list the stone's facets: names for the file, angles, places.")] = False,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Which facets to recut, by how much, what goes, what stays, and whether it is worth it."""
    from dataclasses import replace

    from facetrace.cli.loading import with_spectrum
    from facetrace.common.errors import FacetraceError
    from facetrace.optics.lights import find_light
    from facetrace.recut.check import require
    from facetrace.recut.search import light_of, plan_of
    from facetrace.recut.stone import read_stone
    from facetrace.report import recut as report

    _, shown = targets(stone, "recut", None, picture, no_picture, json)
    check_outputs(json, (stone, spectrum), pictures=(shown,))
    cut = read_stone(stone)
    if facets:
        out.print(_facets(cut))
        return
    if not cut.spots:
        raise FacetraceError(
            f"{stone}: flaw: is missing; give [[flaw]] tables (--facets lists the facets that they may name)"
        )
    cut = replace(cut, material=with_spectrum(cut.material, spectrum))
    lowest = cut.model.floor_carats if floor is None else floor
    eye = find_light(light.value, head)
    with progress("trying cuts, then light (the first run compiles)") as done:
        plan = plan_of(cut, lowest)
        checked = report.checked_of(cut, plan, lowest)
        require(cut, checked)
        done(0.5)
        seen = light_of(cut, plan, eye, rays, seed) if plan.cuts else None
    title = f"{cut.model.name} ({cut.material.name})"
    files = {shown: report.recut_png(cut, plan, f"{title}: re-cut", eye.words)} if shown else {}
    deliver(files, json, _document(cut, plan, seen, lowest, seed, checked) if json else "")
    if json == "-":
        return
    _print(cut, plan, seen, title, lowest, checked)
    if shown:
        note(f"picture: {shown}")
    for text in report.notes(cut):
        note(text)


def _facets(cut: "CutStone") -> Table:
    """Every facet's name, angle, azimuth and centre."""
    import math

    from facetrace.recut.planes import angle_of
    from facetrace.recut.stone import centre_of

    table = Table(title=cut.model.name, title_justify="left", box=box.SIMPLE_HEAD)
    table.add_column("facet")
    for name in ("angle\ndeg", "azimuth\ndeg", "area\nmm2", "centre x, y, z\nmm"):
        table.add_column(name, justify="right")
    for i, name in enumerate(cut.solid.names):
        normal, angle = cut.solid.normals[i], angle_of(cut.solid.normals[i])
        azimuth = math.degrees(math.atan2(normal[1], normal[0])) % 360
        centre = ", ".join(f"{x + 0.0:.2f}" for x in cut.places(centre_of(cut.solid, i)).round(2))
        table.add_row(
            name, f"{angle:.2f}", f"{azimuth:.1f}" if angle else "", f"{cut.solid.areas[i]:.3f}", centre
        )  # fmt: skip
    return table


def _document(
    cut: "CutStone", plan: "Plan", light: "Lights | None", floor: float, seed: int, checked: "Checked"
) -> str:  # fmt: skip
    from facetrace.report.recut import notes, recut_part
    from facetrace.results import document

    return document.text_of(
        document.head()
        | {
            "design": {
                "name": cut.model.name,
                "file": str(cut.path),
                "material": cut.material.name,
            },
            **document.material_part(cut.material),
            "seed": seed,
            "recut": recut_part(cut, plan, light, floor, checked),
            "notes": notes(cut),
        }
    )


def _print(
    cut: "CutStone", plan: "Plan", light: "Lights | None", title: str, floor: float, checked: "Checked"
) -> None:  # fmt: skip
    from facetrace.recut.check import words
    from facetrace.report import recut as report

    out.print(_flaws(cut, plan, title))
    if plan.cuts:
        out.print(_cuts(plan))
        out.print(_sizes(cut, plan, light))
    out.print(report.verdict(cut, plan, light))
    out.print(report.floor_words(cut, floor))
    out.print(words(checked))
    for text in (report.girdle_words(cut, plan), *report.cautions(cut, plan)):
        if text:
            out.print(text)


def _flaws(cut: "CutStone", plan: "Plan", title: str) -> Table:
    """What goes, how and for how much; what stays and why."""
    from facetrace.report.recut import cost_alone, cost_words, outcome

    table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, width=80)
    table.add_column("flaw", width=17)
    table.add_column("depth\nmm", justify="right", width=5)
    table.add_column("", width=5)
    table.add_column("how, or why not", ratio=1)
    table.add_column("alone\nct", justify="right", width=7)
    for fate in plan.fates:
        flaw = cut.model.flaw[fate.flaw]
        table.add_row(
            flaw.name, f"{flaw.depth_mm:.2f}", "goes" if fate.gone else "stays",
            outcome(cut, plan, fate), cost_words(cost_alone(plan, fate)),
        )  # fmt: skip
    return table


def _cuts(plan: "Plan") -> Table:
    """What the cutter sets: angles to 0.1 degree from where they are, depths in 0.01 mm."""
    from facetrace.report.recut import cut_groups

    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("to recut")
    for name in ("angle now", "angle then", "mm down, most"):
        table.add_column(name, justify="right")
    for words, cut in cut_groups(plan.cuts):
        swung = f", swung {cut.swung_deg:.1f} deg" if cut.swung_deg else ""
        table.add_row(
            words + swung, f"{cut.angle_before:.2f}", f"{cut.angle_after:.2f}", f"{cut.mm:.3f}"
        )  # fmt: skip
    return table


def _sizes(cut: "CutStone", plan: "Plan", light: "Lights | None") -> Table:
    from facetrace.report.recut import sizes_of

    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("")
    for name in ("before", "after", "change"):
        table.add_column(name, justify="right")
    old, new = plan.before.carats, plan.after.carats
    table.add_row("weight", f"{old:.3f} ct", f"{new:.3f} ct", f"{new - old:+.3f} ct")
    sizes = [sizes_of(cut, s.solid) for s in (plan.before, plan.after)]
    for key, name, digits, unit in SIZES:
        old, new = (getattr(s, key) for s in sizes)
        change = round(new - old, digits)
        words = f"{change:+.{digits}f}{unit}" if change else ""
        table.add_row(name, f"{old:.{digits}f}{unit}", f"{new:.{digits}f}{unit}", words)
    if light:
        table.add_section()
        for key, name, factor, unit in LIGHT:
            digits = 2 if factor > 1 else 4
            cells = [
                f"{factor * e.value:{'+' if k else ''}.{digits}f} +- {factor * e.stderr:.{digits}f}{unit}"
                for k, e in enumerate((light.before[key], light.after[key], light.change[key]))
            ]
            table.add_row(name, cells[0], cells[1].lstrip("+"), cells[2])
    return table
