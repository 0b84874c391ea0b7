"""What a study of an orientation says: tables, sentences, cautions, JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.table import Table

from facetrace.common.ledger import Row
from facetrace.results import document
from facetrace.results.trace import GREY_ERRORS
from facetrace.rough.zone import substances
from facetrace.studies.orient import OrientStudy, that_can_be_cut
from facetrace.studies.rows import number
from facetrace.studies.visibility import FIGURES, REPLICATES, estimate, hidden
from facetrace.studies.zoned import BASE, KEY, candidate_of, culet_of

# letters of a zone's name in a table of 80 columns
NAME_LETTERS = 14
SHARP = (
    "Zones in real crystals have no sharp edges and no even colour; look at the rough in immersion "
    "from three sides before you trust a boundary."
)


# ---- words ------------------------------------------------------------------------------------


def change_words(row: Row, unchanged: str) -> str:
    """The change in words, *unchanged* without one."""
    c = candidate_of(row)
    parts = []
    if c.tilt:
        parts.append(f"table tilted {c.tilt:g} deg towards {c.azimuth:g}")
    if c.shift:
        parts.append(f"culet shifted {c.shift:g} % towards {c.towards:g}")
    return ", ".join(parts) or unchanged


def sentence(study: OrientStudy) -> str:
    """The recommendation."""
    if study.untouched:
        return "Nothing was judged: no zone reaches into the stone as placed."
    limit = (
        f"beyond CIEDE2000 {study.test.threshold:g} on at most {100 * study.allow:g} % of the face"
    )
    if study.best is None:
        return (
            f"No candidate hides the zone ({limit}). Least visible: {change_words(study.least, study.untilted)}, on "
            f"{100 * number(study.least, 'share'):.1f} % of the face. Try larger tilts, or another "
            "place in the rough."
        )
    chosen = candidate_of(study.best)
    if chosen == BASE:
        stone = "as designed" if study.untilted == "as designed" else "in the untilted stone"
        return f"The zone is hidden {stone} ({limit})."
    steps = [text for text, size in (("1 deg", chosen.tilt), ("1 %", chosen.shift)) if size]
    text = (
        f"The smallest change that hides the zone ({limit}), in the directions tried and to "
        f"{' and '.join(steps)}: {change_words(study.best, study.untilted)}."
    )
    if study.subject.blank:
        own, base = number(study.best, "carats"), number(study.base, "carats")
        text += f" In the blank that keeps {own:.2f} ct; {study.untilted} {base:.2f} ct."
    return text


def to_paste(study: OrientStudy) -> list[str]:
    """How other commands take the recommended stone."""
    if study.best is None:
        return []
    lines, c = [], candidate_of(study.best)
    if c.tilt:
        tilt, azimuth = (number(study.best, name) for name in ("axis_tilt", "axis_azimuth"))
        lines.append("c in that stone, for facetrace trace and facetrace angles:")
        lines.append(f"  --axis-tilt {_short(tilt)} --axis-azimuth {_short(azimuth)}")
    if c.shift:
        lines.append("The culet, for the design file under [pavilion]:")
        lines.append(f"  culet_shift_percent = [{', '.join(map(_short, culet_of(study.subject.design, c)))}]")  # fmt: skip
    return lines


def _short(value: float) -> str:
    """Four decimals at most, and no -0."""
    return f"{round(value, 4) + 0.0:.7g}"


def cautions(study: OrientStudy) -> list[str]:
    """What is likely a slip in the zone file."""
    texts = [
        f'zone "{zone.name}" lies outside the stone as placed: check [placement], signs and millimetres.'
        for zone, share in zip(study.zones.model.zone, study.places[0].shares, strict=True)
        if not share
    ]
    if study.subject.blank and not study.subject.blank.holds(study.subject.centre[None])[0]:
        texts.append(
            "[placement] centre_mm lies outside the blank: the stone was placed where it fits, nearest to it."
        )
    uncut = [row for row in study.rows if row["share"] is None]
    if uncut:
        texts.append(
            f"{len(uncut)} of {len(study.rows)} candidates were left out; the first "
            f"({change_words(uncut[0], '')}) {uncut[0]['remark']}"
        )
    return texts


def notes(study: OrientStudy) -> list[str]:
    """Cautions that belong to the numbers."""
    texts = [document.ESTIMATE, *document.light_notes(study.subject.light)]
    grown = (study.material, *substances(study.zones, study.material))
    names = dict.fromkeys(name for substance in grown for name in substance.provisional)
    if names:
        texts.append(document.provisional_note(list(names)))
    for substance in grown:
        texts += [text for text in document.colour_notes(substance, sure=True) if text not in texts]
    texts.append(SHARP)
    if not study.subject.shiftable:
        texts.append("The design is in tiers: no culet shift was tried, only tilts.")
    if number(study.shown, "most_stderr") > 0:
        texts.append(
            "The largest difference is that of one pixel: noise lifts it by one or two of its standard "
            "errors; more --samples lower both."
        )
    return texts


# ---- tables -----------------------------------------------------------------------------------


def _pm(row: Row, name: str, digits: int, factor: float = 1.0) -> str:
    figure = estimate(row, name)
    return f"{factor * figure.value:.{digits}f} +- {factor * figure.stderr:.{digits}f}"


def summary(study: OrientStudy) -> Table:
    """The stone before and after, face up."""
    table = Table(title=study.title, title_justify="left")
    table.add_column("face up", no_wrap=True)
    table.add_column("before", justify="right", no_wrap=True)
    table.add_column("recommended" if study.best else "least visible", justify="right", no_wrap=True)  # fmt: skip
    pair = (study.base, study.shown)
    table.add_row(f"zone beyond {study.test.threshold:g}, % of face", *(_pm(r, "share", 2, 100) for r in pair))  # fmt: skip
    table.add_row("largest CIEDE2000 difference", *(_pm(r, "most", 1) for r in pair))
    table.add_section()
    table.add_row("lightness L* from within", *(_pm(r, "lightness", 2) for r in pair))
    table.add_row("chroma C* from within", *(_pm(r, "chroma", 2) for r in pair))
    hues = []
    for row in pair:
        chroma = estimate(row, "chroma")
        grey = chroma.value < GREY_ERRORS * chroma.stderr
        hues.append("-" if grey else _pm(row, "hue_deg", 2))
    table.add_row("hue h from within, deg", *hues)
    table.add_row("plain stone's colour moves", *(_pm(r, "change", 2) for r in pair))
    table.add_section()
    table.add_row("light returned, %", *(_pm(r, "light", 2, 100) for r in pair))
    table.add_row("... change by the zone", *(_pm(r, "light_change", 2, 100) for r in pair))
    table.add_row("table's normal to c, deg", *(f"{_to_axis(r):.1f}" for r in pair))
    table.add_row("culet shift, % of width", *(f"{candidate_of(r).shift:g}" for r in pair))
    table.add_section()
    table.add_row("weight, ct", *(f"{number(r, 'carats'):.3f}" for r in pair))
    table.add_row("size, mm", *(_lengths(p.size_mm, " x ") for p in study.places))
    if study.subject.blank:
        table.add_row("placed at, mm in the rough", *(_lengths(p.origin_mm, " ") for p in study.places))  # fmt: skip
    for k, zone in enumerate(study.zones.model.zone):
        name = zone.name if len(zone.name) <= NAME_LETTERS else zone.name[: NAME_LETTERS - 2] + ".."
        table.add_row(f'"{name}", % of stone', *(_percent(p.shares[k]) for p in study.places))  # fmt: skip
    return table


def _lengths(values: Sequence[float], between: str) -> str:
    """Three lengths, mm, in 21 characters."""
    digits = 2 if max(map(abs, values)) < 100 else 1
    return between.join(f"{round(v, digits) + 0.0:.{digits}f}" for v in values)


def _percent(share: float) -> str:
    return "<0.01" if 0 < share < 1e-4 else f"{100 * share:.2f}"


def _to_axis(row: Row) -> float:
    """Angle between the table's normal and the axis's line, degrees."""
    tilt = number(row, "axis_tilt")
    return min(tilt, 180 - tilt)


def rings(study: OrientStudy) -> Table:
    """Of each tilt with each size of shift, the candidate that shows least."""

    def rank(row: Row) -> tuple[float, float, float]:
        return number(row, "share"), -number(row, "carats"), number(row, "most")

    best: dict[tuple[float, float], Row] = {}
    for row in that_can_be_cut(study.rows):
        place = candidate_of(row).tilt, candidate_of(row).shift
        if place not in best or rank(row) < rank(best[place]):
            best[place] = row
    table = Table(title="least visible at each tilt and shift", title_justify="left")
    for name in ("table tilt", "culet shift, %", "% of face", "largest", "light, %", "ct", ""):
        table.add_column(name, justify="right", no_wrap=True)
    for _, row in sorted(best.items()):
        c = candidate_of(row)
        table.add_row(
            f"{c.tilt:g} to {c.azimuth:g}" if c.tilt else "0",
            f"{c.shift:g} to {c.towards:g}" if c.shift else "0",
            f"{100 * number(row, 'share'):.1f}", f"{number(row, 'most'):.1f}",
            f"{100 * number(row, 'light'):.2f}", f"{number(row, 'carats'):.2f}",
            "hidden" if hidden(row, study.allow) else "",
        )  # fmt: skip
    return table


# ---- JSON -------------------------------------------------------------------------------------


def orient_document(study: OrientStudy, file: str) -> dict[str, Any]:
    """The whole document; *file*: the design's."""
    subject, test, zones = study.subject, study.test, study.zones
    parts = document.head() | {
        "design": {"name": subject.design.name, "file": file, "material": study.material.name},
        "seed": test.seed,
        "orient": {
            "zones": {
                "name": zones.model.name,
                "file": str(zones.path),
                "names": [z.name for z in zones.model.zone],
                "blank": zones.model.blank is not None,
                "share_of_stone": list(study.places[0].shares),
            },
            "light": subject.light.name,
            "head_deg": subject.light.head_deg,
            "threshold": test.threshold,
            "allow": study.allow,
            "sentence": sentence(study),
            "pixel_mm": test.pixel_mm,
            "samples": test.samples * REPLICATES,
            "candidates": [_candidate_member(row, study.allow) for row in study.rows],
            "as_designed": _candidate_member(study.base, study.allow),
            "recommended": _candidate_member(study.best, study.allow) if study.best else None,
            "least_visible": _candidate_member(study.least, study.allow),
        },
    }
    return (
        parts | document.material_part(study.material) | {"notes": cautions(study) + notes(study)}
    )


def _candidate_member(row: Row, allow: float) -> dict[str, Any]:
    """A candidate for the document."""
    if row["share"] is None:
        known = {name: row[name] for name in (*KEY, "remark")}
        return {**known, "cost": candidate_of(row).cost, "hidden": False}
    skipped = {name for figure in FIGURES for name in (figure, f"{figure}_stderr")}
    plain = {name: value for name, value in row.items() if name not in skipped}
    figures = {name: asdict(estimate(row, name)) for name in FIGURES}
    return {**plain, **figures, "cost": candidate_of(row).cost, "hidden": hidden(row, allow)}
