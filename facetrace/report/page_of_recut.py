"""Section of a page on a re-cut: a cut stone's flaws, what goes and what it costs."""

from facetrace.report.html import Figures, listed, paragraph, section, table
from facetrace.report.page_pictures import Pictures

PERCENT, DEGREE = 100.0, "\N{DEGREE SIGN}"
# carats that are not worth their decimals
SMALL = 1e-4
RECUT_SIZES = (
    ("Weight, ct", "carats", 3), ("Length, mm", "length_mm", 2), ("Width, mm", "width_mm", 2),
    ("Depth, mm", "depth_mm", 2), ("Table, % of the width", "table_percent", 1), ("Crown height, mm", "crown_height_mm", 2),
    ("Pavilion depth, mm", "pavilion_depth_mm", 2), ("Thinnest girdle, mm", "girdle_min_mm", 2),
)  # fmt: skip
RECUT_LIGHT = (
    ("Light returned, %", "light_return", PERCENT), ("Window, %", "window", PERCENT),
    ("Extinction, %", "extinction", PERCENT), ("Brightness, white diffuser = one", "brightness", 1.0),
)  # fmt: skip


def recut(f: Figures, pictures: Pictures) -> str:
    """A cut stone's flaws, what goes and what it costs."""
    at = "/recut"
    if not f.has(at):
        return ""
    flaws = []
    for k, flaw in enumerate(f.at(f"{at}/flaws")):
        here = f"{at}/flaws/{k}"
        how_it = f.words(f"{here}/how") if flaw["gone"] else "; ".join(f.words(f"{here}/reasons/{n}") for n in range(len(flaw["reasons"])))  # fmt: skip
        spent = flaw["costs_carats"]
        cost = "" if spent is None else f.number(f"{here}/costs_carats", 4)
        if spent is not None and spent < SMALL:
            cost = "<span data-fixed>less than 0.0001</span>"
        flaws.append((f.words(f"{here}/name"), "goes" if flaw["gone"] else "stays", how_it, cost))
    cuts = [
        (f.words(f"{at}/cuts/{k}/name"), *(f.number(f"{at}/cuts/{k}/{n}", 2) for n in ("angle_before", "angle_after")), f.number(f"{at}/cuts/{k}/mm", 3))
        for k in range(len(f.at(f"{at}/cuts")))
    ]  # fmt: skip
    sizes = [
        (name, *(f.number(f"{at}/{who}/{key}", digits) for who in ("before", "after")))
        for name, key, digits in RECUT_SIZES
    ]
    light = ""
    if f.has(f"{at}/light"):
        rows = [
            (name, *(f.estimate(f"{at}/light/{who}/{key}", times=times, plus=who == "change") for who in ("before", "after", "change")))
            for name, key, times in RECUT_LIGHT
        ]  # fmt: skip
        light = table("Light before and after, with standard errors", ("", "before", "after", "change"), rows, "numbers")  # fmt: skip
    cautions = listed(f.words(f"{at}/cautions/{k}") for k in range(len(f.at(f"{at}/cautions"))))
    return section(
        "recut", "The re-cut", paragraph(f.words(f"{at}/verdict"), "lead"),
        paragraph(f.words(f"{at}/checked/words")) if f.has(f"{at}/checked") else "",
        table("Flaws: what goes and what stays", ("", "", "how, or why not", "costs alone, ct"), flaws, "text"),
        table("Sizes before and after", ("", "before", "after"), sizes, "numbers"), light,
        f"<details><summary>Facet by facet</summary>{table('Facets to cut', ('', f'angle before, {DEGREE}', f'after, {DEGREE}', 'down, mm'), cuts, 'numbers')}</details>" if cuts else "",
        cautions,
    )  # fmt: skip
