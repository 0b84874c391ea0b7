"""What a study of the girdle says: sentences, JSON, and a plot."""

from typing import Any

from matplotlib.figure import Figure

from facetrace.common.ledger import Row
from facetrace.report.picture import DPI, plain, png
from facetrace.report.plot import COLOURS
from facetrace.studies.girdle import (
    CLAIM,
    CLAIM_FLATS,
    FIGURES,
    FLATS,
    KEY,
    POLISHED,
    SIZES,
    Setting,
    Verdict,
    verdict,
)
from facetrace.studies.rows import SURE_ERRORS, number

MODEL = (
    "Smith's height field of Trowbridge-Reitz microfacets, followed from facet to facet (Heitz, Hanika, "
    "d'Eon & Dachsbacher, ACM Trans. Graph. 35(4), 58 (2016)); nothing is absorbed"
)
CLAIM_WORDS = (
    f"The trade says that about {CLAIM_FLATS} small facets on a polished girdle bring back "
    f"{100 * CLAIM[0]:g}-{100 * CLAIM[1]:g} % of the lost light (common practice, no source)."
)
STONES = {"coloured": "coloured stone", "clear": "stone without colour"}
MARKS = ("o", "s", "^", "D", "v", "P")


def _figure(row: Row, name: str) -> str:
    return f"{100 * number(row, name):+.2f} +- {100 * number(row, f'{name}_stderr'):.2f} %"


def _place(row: Row) -> str:
    return f"girdle {number(row, 'thickness_mm'):g} mm, eye {number(row, 'eye_tilt'):g} deg"


def _counted(found: Verdict) -> str:
    """How many settings fall where, the empty classes left out."""
    undecided = found.settings - found.holds - found.beyond - found.below
    parts = (
        (found.holds, "bear the claim out"), (found.beyond, "give more than it says"),
        (found.below, "give less"), (undecided, "are too uncertain to tell"),
    )  # fmt: skip
    return ", ".join(f"{count} {words}" for count, words in parts if count)


def _span(low: float, high: float) -> str:
    least, most = f"{low:.5f}", f"{high:.5f}"
    return least if least == most else f"{least} to {most}"


def findings(rows: list[Row], setting: Setting) -> list[str]:
    """Plain sentences: the trade's claim against these figures, and flats against smooth polish."""
    texts = [CLAIM_WORDS]
    for stone in setting.media:
        found = verdict(rows, stone)
        if found is None:
            continue
        here = (
            f"{STONES[stone]}: against a ground girdle {_figure(found.worst, 'recovered')} ({_place(found.worst)}) to "
            f"{_figure(found.best, 'recovered')} ({_place(found.best)}); of {found.settings} settings "
            f"{_counted(found)}."
        )
        texts.append(here[0].upper() + here[1:])
    flat = [r for r in rows if r["finish"] == FLATS]
    smooth = {r["facets"] for r in rows if r["finish"] == POLISHED}
    if flat and all(r["facets"] in smooth for r in flat):
        texts.append("The sides of this outline are flat already: there is nothing to facet.")
        for stone in setting.media:
            mine = [r for r in rows if r["finish"] == POLISHED and r["stone"] == stone]
            low, high = (pick(mine, key=lambda r: number(r, "recovered")) for pick in (min, max))
            texts.append(
                f"{STONES[stone].capitalize()}: polish against a ground girdle {_figure(low, 'recovered')} ({_place(low)}) to "
                f"{_figure(high, 'recovered')} ({_place(high)}) of the lost light."
            )
    elif flat:
        sure = [
            r for r in flat
            if abs(number(r, "flats_recovered")) > SURE_ERRORS * number(r, "flats_recovered_stderr")
        ]  # fmt: skip
        most = max(flat, key=lambda r: abs(number(r, "flats_recovered")))
        costs = [-number(r, "carats_to_smooth") for r in flat]
        texts.append(
            f"Flats against the same girdle polished smooth: the largest change is {_figure(most, 'flats_recovered')} of "
            f"the lost light ({STONES[str(most['stone'])]}, {number(most, 'facets'):g} flats, {_place(most)}), more than "
            f"{SURE_ERRORS:g} errors from nothing in {len(sure)} of {len(flat)} rows; they cost "
            f"{_span(min(costs), max(costs))} ct."
        )
    elif len(texts) == 1:
        texts.append("None of the rows has about a hundred flats: --flats 96 would test it.")
    return texts


def girdle_part(rows: list[Row], setting: Setting) -> dict[str, Any]:
    """The member "girdle" of the JSON document."""
    return {
        "model": MODEL,
        "roughness": setting.roughness,
        "eye_azimuth": setting.azimuth,
        "light": setting.light.name,
        "head_deg": setting.light.head_deg,
        "rays": 128 * setting.points,
        "rows": [_row_part(row) for row in rows],
        "findings": findings(rows, setting),
    }


def _row_part(row: Row) -> dict[str, Any]:
    part: dict[str, Any] = {name: row[name] for name in (*KEY, "facets", *SIZES)}
    for name in (*FIGURES, "gain", "recovered", "flats_recovered"):
        part[name] = {"value": row[name], "stderr": row[f"{name}_stderr"]}
    return part


def girdle_png(rows: list[Row], setting: Setting, title: str, under: str) -> bytes:
    """Share of the lost light brought back against thickness, a panel for each stone.

    Full marks and lines: flats; open marks, dashed: polished smooth. Bars are two standard errors.
    """
    count = len(setting.media)
    width, height = 4.6 * count + 0.6, 5.4
    figure = Figure(figsize=(width, height), dpi=DPI)
    for i, stone in enumerate(setting.media):
        axes = figure.add_axes(((0.75 + 4.6 * i) / width, 0.3, 3.7 / width, 0.57))
        _panel(axes, rows, setting, stone)
        axes.set_title(STONES[stone], fontsize=9)
        axes.set_xlabel("mean height of the smooth girdle, mm", fontsize=9)
        axes.set_ylabel("brought back, % of the light lost", fontsize=9)
        axes.tick_params(labelsize=8)
        axes.grid(alpha=0.25, lw=0.6)
        if i == 0:
            handles, labels = axes.get_legend_handles_labels()
            figure.legend(
                handles, labels, fontsize=7, ncol=2 * count, loc="lower left",
                bbox_to_anchor=(0.01, 0.06), frameon=False,
            )  # fmt: skip
    figure.text(0.012, 0.94, plain(title), fontsize=10)
    note = f"{under}. Against a ground girdle on the same blank; bars: 2 standard errors."
    figure.text(0.012, 0.03, plain(note), fontsize=7.5, color="0.25")
    return png(figure, {"Title": title, "Description": note})


def _panel(axes: Any, rows: list[Row], setting: Setting, stone: str) -> None:
    axes.axhspan(100 * CLAIM[0], 100 * CLAIM[1], color="0.85", lw=0, label="the trade's claim")
    axes.axhline(0, color="0.5", lw=0.8)
    kinds = [(POLISHED, 0), *((FLATS, n) for n in setting.flats)]
    for k, tilt in enumerate(setting.tilts):
        for j, (finish, flats) in enumerate(kinds):
            mine = [
                r for r in rows
                if (r["stone"], r["eye_tilt"], r["finish"], r["flats"]) == (stone, tilt, finish, flats)
            ]  # fmt: skip
            smooth = finish == POLISHED
            axes.errorbar(
                [number(r, "thickness_mm") for r in mine],
                [100 * number(r, "recovered") for r in mine],
                [200 * number(r, "recovered_stderr") for r in mine],
                color=COLOURS[k % len(COLOURS)], marker=MARKS[j % len(MARKS)], ms=5, lw=1,
                ls="--" if smooth else "-", mfc="white" if smooth else None, capsize=2,
                label=f"eye {tilt:g} deg, " + ("polished smooth" if smooth else f"{flats} flats"),
            )  # fmt: skip
