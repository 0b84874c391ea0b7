"""The tables of facetrace recut."""

import math

from rich import box
from rich.table import Table

from facetrace.recut.planes import angle_of
from facetrace.recut.recut import Lights, Recut, sizes_of
from facetrace.recut.search import Plan
from facetrace.recut.stone import CutStone, centre_of
from facetrace.results.recut import cost_alone, cost_words, cut_groups, outcome, title

# figure of the light, its name, factor and unit of the table
LIGHT_ROWS = (
    ("light_return", "light returned", 100, " %"),
    ("window", "window", 100, " %"),
    ("extinction", "extinction", 100, " %"),
    ("brightness", "brightness", 1, ""),
)
# measure, its name, digits and unit
SIZE_ROWS = (
    ("length_mm", "length", 2, " mm"),
    ("width_mm", "width", 2, " mm"),
    ("depth_mm", "depth", 2, " mm"),
    ("table_percent", "table", 1, " %"),
    ("crown_height_mm", "crown height", 2, " mm"),
    ("pavilion_depth_mm", "pavilion depth", 2, " mm"),
    ("girdle_min_mm", "girdle, thinnest", 2, " mm"),
)


def tables(recut: Recut) -> list[Table]:
    """What becomes of each flaw; what is cut, sizes and light, where something is."""
    found = [_flaws(recut.stone, recut.plan)]
    if recut.plan.cuts:
        found += [_cuts(recut.plan), _sizes(recut.stone, recut.plan, recut.light)]
    return found


def facets_table(cut: CutStone) -> Table:
    """Every facet's name, angle, azimuth and centre."""
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


def _flaws(cut: CutStone, plan: Plan) -> Table:
    """What goes, how and for how much; what stays and why."""
    table = Table(title=title(cut), title_justify="left", box=box.SIMPLE_HEAD, width=80)
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


def _cuts(plan: Plan) -> Table:
    """What the cutter sets: angles to 0.1 degree from where they are, depths in 0.01 mm."""
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


def _sizes(cut: CutStone, plan: Plan, light: Lights | None) -> Table:
    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("")
    for name in ("before", "after", "change"):
        table.add_column(name, justify="right")
    old, new = plan.before.carats, plan.after.carats
    table.add_row("weight", f"{old:.3f} ct", f"{new:.3f} ct", f"{new - old:+.3f} ct")
    sizes = [sizes_of(cut, s.solid) for s in (plan.before, plan.after)]
    for key, name, digits, unit in SIZE_ROWS:
        old, new = (getattr(s, key) for s in sizes)
        change = round(new - old, digits)
        words = f"{change:+.{digits}f}{unit}" if change else ""
        table.add_row(name, f"{old:.{digits}f}{unit}", f"{new:.{digits}f}{unit}", words)
    if light:
        table.add_section()
        for key, name, factor, unit in LIGHT_ROWS:
            digits = 2 if factor > 1 else 4
            cells = [
                f"{factor * e.value:{'+' if k else ''}.{digits}f} +- {factor * e.stderr:.{digits}f}{unit}"
                for k, e in enumerate((light.before[key], light.after[key], light.change[key]))
            ]
            table.add_row(name, cells[0], cells[1].lstrip("+"), cells[2])
    return table
