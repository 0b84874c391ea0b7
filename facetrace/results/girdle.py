"""What a study of the girdle says: tables, sentences, cautions, JSON."""

from typing import Any

from rich import box
from rich.table import Table

from facetrace.common.ledger import Row
from facetrace.results import document
from facetrace.studies.girdle import (
    CLAIM,
    CLAIM_FLATS,
    FIGURES,
    FLATS,
    GROUND,
    KEY,
    POLISHED,
    SIZES,
    GirdleStudy,
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
# the stone in a sentence, and in the title of a table
STONES = {"coloured": "coloured stone", "clear": "stone without colour"}
TITLES = {"coloured": "as coloured", "clear": "without colour: the cut alone"}
UNDER_TABLE = (
    "Brought back: light returned beyond that with the ground girdle, in percent of the light that the "
    "ground one loses (window, extinction, absorbed); below 0 it returns less. Flats, ct: what they cost, from "
    "the smooth girdle of the same blank. Girdle: mean height of the smooth one between crown and pavilion "
    "as designed, which is not the design's own girdle: a smooth outline stands out beyond its flats."
)


def _figure(row: Row, name: str) -> str:
    return f"{100 * number(row, name):+.2f} +- {100 * number(row, f'{name}_stderr'):.2f} %"


def _place(row: Row) -> str:
    return f"girdle {number(row, 'thickness_mm'):g} mm, eye {number(row, 'eye_tilt'):g} deg"


def _counted(claim: Verdict) -> str:
    """How many settings fall where, the empty classes left out."""
    undecided = claim.settings - claim.holds - claim.beyond - claim.below
    parts = (
        (claim.holds, "bear the claim out"), (claim.beyond, "give more than it says"),
        (claim.below, "give less"), (undecided, "are too uncertain to tell"),
    )  # fmt: skip
    return ", ".join(f"{count} {words}" for count, words in parts if count)


def _span(low: float, high: float) -> str:
    least, most = f"{low:.5f}", f"{high:.5f}"
    return least if least == most else f"{least} to {most}"


def sentences(study: GirdleStudy) -> list[str]:
    """Plain sentences: the trade's claim against these figures, and flats against smooth polish."""
    rows, texts = study.rows, [CLAIM_WORDS]
    for stone in study.grid.media:
        claim = verdict(rows, stone)
        if claim is None:
            continue
        here = (
            f"{STONES[stone]}: against a ground girdle {_figure(claim.worst, 'recovered')} ({_place(claim.worst)}) to "
            f"{_figure(claim.best, 'recovered')} ({_place(claim.best)}); of {claim.settings} settings "
            f"{_counted(claim)}."
        )
        texts.append(here[0].upper() + here[1:])
    flat = [r for r in rows if r["finish"] == FLATS]
    smooth = {r["facets"] for r in rows if r["finish"] == POLISHED}
    if flat and all(r["facets"] in smooth for r in flat):
        texts.append("The sides of this outline are flat already: there is nothing to facet.")
        for stone in study.grid.media:
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


def member(study: GirdleStudy) -> dict[str, Any]:
    """The member "girdle" of the JSON document."""
    grid = study.grid
    return {
        "model": MODEL,
        "roughness": grid.roughness,
        "eye_azimuth": grid.azimuth,
        "light": grid.light.name,
        "head_deg": grid.light.head_deg,
        "rays": grid.rays,
        "rows": [_row_member(row) for row in study.rows],
        "findings": sentences(study),
    }


def _row_member(row: Row) -> dict[str, Any]:
    part: dict[str, Any] = {name: row[name] for name in (*KEY, "facets", *SIZES)}
    for name in (*FIGURES, "gain", "recovered", "flats_recovered"):
        part[name] = {"value": row[name], "stderr": row[f"{name}_stderr"]}
    return part


def girdle_document(study: GirdleStudy, file: str) -> dict[str, Any]:
    """The whole document; *file*: the design's."""
    parts = document.head() | {
        "design": {"name": study.design.name, "file": file, "material": study.material.name},
        "seed": study.grid.seed,
        "girdle": member(study),
        "notes": notes(study),
    }
    if "coloured" in study.grid.media:
        parts |= document.material_part(study.material)
    return parts


def notes(study: GirdleStudy) -> list[str]:
    """Cautions that belong to the numbers."""
    coloured = document.colour_notes(study.material) if "coloured" in study.grid.media else []
    return [document.ESTIMATE, *document.light_notes(study.grid.light), *coloured]


def how_made(study: GirdleStudy) -> str:
    """Rows, rays, time and light."""
    return (
        f"{len(study.rows)} rows of {study.grid.rays:,} rays, {study.seconds:.1f} s, {study.under}"
    )


def table(study: GirdleStudy, stone: str) -> Table:
    """Thickness by tilt by finish: light, and what it brings back of what the ground girdle loses."""
    table = Table(
        title=f"{study.title}, {TITLES[stone]}", title_justify="left", box=box.SIMPLE_HEAD,
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
        for r in study.rows if r["stone"] == stone
    }  # fmt: skip
    for thickness in study.grid.thicknesses:
        for tilt in study.grid.tilts:
            for finish, flats in study.grid.finishes:
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
