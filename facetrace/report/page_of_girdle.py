"""Section of a page on the girdle: its finishes."""

from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import Figures, figure, listed, section, table
from facetrace.report.page_pictures import Pictures

PERCENT, DEGREE = 100.0, "\N{DEGREE SIGN}"


def girdle(f: Figures, pictures: Pictures) -> str:
    """Finishes of the girdle."""
    at = "/girdle"
    if not f.has(at):
        return ""
    rows = f.at(f"{at}/rows")
    words = listed(f.words(f"{at}/findings/{k}") for k in range(len(f.at(f"{at}/findings"))))
    parts = []
    for stone, name in (("coloured", "As coloured"), ("clear", "Without colour: the cut alone")):
        mine = [k for k, r in enumerate(rows) if r["stone"] == stone]
        if not mine:
            continue
        series = []
        tilts = sorted({rows[k]["eye_tilt"] for k in mine})
        for tilt, hue in zip(tilts, (1, 2, 3, 4), strict=False):
            # a ring and a dot in it can both be seen where they coincide
            for finish, form in (("polished", "ring"), ("flats", "dot")):
                which = [k for k in mine if rows[k]["finish"] == finish and rows[k]["eye_tilt"] == tilt]  # fmt: skip
                if which:
                    name_of = f"{'polished smooth' if finish == 'polished' else 'flats'}, eye {f.number(f'{at}/rows/{which[0]}/eye_tilt', 0)}{DEGREE}"
                    series.append(_back(at, name_of, form, hue, which))
        drawn = chart(
            f, series, Scale("height of the girdle as asked, mm"), Scale("gained by polish, % of the light lost", times=PERCENT, low=0.0, high=0.0),
            f"What polish gains, {name}",
            "Light gained by polish or flats, as a share of what the ground girdle loses, against the girdle's height; below nought it is a loss.",
        )  # fmt: skip
        parts.append(f"<h3>{name}</h3>{figure(drawn, 'Below nought less light comes back than from the ground girdle. Bars: one standard error.')}{_girdle_rows(f, mine, name)}")  # fmt: skip
    return section("girdle", "The girdle ground, polished, in flats", words, *parts)


def _back(at: str, name: str, form: str, hue: int, which: list[int]) -> Series:
    return Series(
        name, form, hue, [f"{at}/rows/{k}/thickness_mm" for k in which],
        [f"{at}/rows/{k}/recovered/value" for k in which], [f"{at}/rows/{k}/recovered/stderr" for k in which],
    )  # fmt: skip


def _girdle_rows(f: Figures, mine: list[int], name: str) -> str:
    lines = []
    for k in mine:
        at = f"/girdle/rows/{k}"
        finish = f.words(f"{at}/finish")
        if f.at(f"{at}/finish") == "flats":
            finish = f"{f.number(f'{at}/facets', 0)} flats"
        back = "" if f.at(f"{at}/finish") == "ground" else f.estimate(f"{at}/recovered", times=PERCENT, plus=True)  # fmt: skip
        lines.append(
            (
                f"{f.number(f'{at}/thickness_mm', 2)} mm, eye {f.number(f'{at}/eye_tilt', 0)}{DEGREE}, {finish}",
                f.estimate(f"{at}/light_return", times=PERCENT),
                back,
                f.number(f"{at}/carats", 3),
            )
        )
    rows = table(
        f"Finishes of the girdle, {name}", ("", "light, %", "gained, % of lost", "ct"), lines, "numbers"
    )  # fmt: skip
    return f"<details><summary>All rows</summary>{rows}</details>"
