"""The bench sheet as a page to print and take to the wheel: a function of its JSON and of its drawings."""

from collections.abc import Iterable, Mapping
from typing import Any

from facetrace.report.html import (
    Figures,
    css_string,
    figure,
    listed,
    page,
    paragraph,
    section,
    table,
)
from facetrace.report.sheet_drawings import FINISHED, step_view
from facetrace.results.sheet import FINE, MISSING, ON_TOOTH, READ_DEG

# more settings than these are set in smaller type; a check that changes by less is not said again, an opening
# below that is none, mm
FEW, SEEN_MM, NONE_MM = 2, 0.005, 0.0005
# one facet alone is stricter where it may be off by less than this share of the whole tier's error
STRICTER = 0.95
# letters of a design's name at the foot of a printed page
FOOT_LETTERS = 70


def sheet_page(document: dict[str, Any], drawings: Mapping[str, str]) -> str:
    """The sheet as one HTML page; drawings: ``sheet_drawings.sheet_drawings`` of the same stone."""
    f = Figures(document)
    body = [
        _head(f), _overview(f), _preform(f, drawings), _finished(drawings), _girdle(f), *_steps(f, drawings), _cautions(f),
    ]  # fmt: skip
    return page(
        f"Bench sheet: {document['design']['name']}",
        "\n".join(b for b in body if b),
        document,
        styles=("sheet.css",),
        rules=_foot(document["design"]["name"]),
    )


def _foot(name: str) -> str:
    """Margin boxes that say on every printed page which stone it belongs to (CSS Paged Media 3)."""
    short = name if len(name) <= FOOT_LETTERS else f"{name[: FOOT_LETTERS - 3]}..."
    return (
        f"@page {{ @bottom-left {{ content: {css_string(short)} }} "
        '@bottom-right { content: "page " counter(page) " of " counter(pages) } }'
    )


def _head(f: Figures) -> str:
    blanks = "".join(
        f'<span class="blank">{word}<i></i></span>'
        for word in ("stone", "cutter", "date", "carats in", "carats out")
    )
    size = f"{f.number('/solid/length_mm')} \N{MULTIPLICATION SIGN} {f.number('/solid/width_mm')} \N{MULTIPLICATION SIGN} {f.number('/solid/depth_mm')} mm"
    lines = [
        f"<header><h1>Bench sheet: {f.words('/design/name')}</h1>",
        paragraph(
            f"{f.words('/design/material')}, {size}, {f.number('/solid/carats')} ct finished. "
            f"Index gear {f.number('/sheet/gear', 0)}. Girdle first, then the {f.words('/sheet/first')}.",
            "lead",
        ),
        f'<p class="blanks">{blanks}</p>',
        paragraph(
            'Water, eyes, dust, guard, heat: read <a href="#cautions">At the wheel</a> first.',
            "caution",
        ),
    ]
    if f.has("/sheet/other_gear"):
        at = "/sheet/other_gear"
        teeth = f"a gear of {f.number(f'{at}/teeth', 0)} teeth"
        if f.at(f"{at}/between"):
            text = (
                f"{f.number(f'{at}/between', 0)} of {f.number(f'{at}/positions', 0)} positions fall between the teeth of {teeth}, "
                f"the worst {f.number(f'{at}/worst_deg')}\N{DEGREE SIGN} of turn from the nearest tooth. Those are in brackets."
            )
            lines.append(paragraph(text, "caution"))
        else:
            lines.append(paragraph(f"All positions fit {teeth}."))
    return "\n".join(lines) + "</header>"


def _preform(f: Figures, drawings: Mapping[str, str]) -> str:
    at = "/sheet/preform"
    square = tick()
    rows = [
        (f"{square}length", f"{f.number(f'{at}/length_mm')} mm"),
        (f"{square}width", f"{f.number(f'{at}/width_mm')} mm"),
        (f"{square}height", f"{f.number(f'{at}/height_mm')} mm"),
        ("girdle plane below the crown face", f"{f.number(f'{at}/crown_mm')} mm"),
        ("girdle plane above the pavilion face", f"{f.number(f'{at}/pavilion_mm')} mm"),
        ("allowance all round", f"{f.number(f'{at}/allowance_mm')} mm"),
        ("weight of this blank", f"{f.number(f'{at}/carats')} ct"),
    ]
    count = len(f.at(f"{at}/radii"))
    radii = [
        f"<li><b>{f.number(f'{at}/radii/{k}/index', 0)}</b> {f.number(f'{at}/radii/{k}/mm')}</li>"
        for k in range(count)
    ]
    return section(
        "preform",
        "Blank to grind first",
        '<div class="two"><div>',
        paragraph(
            "A prism over the outline, with upright walls and two level faces. Mark the girdle plane on its wall."
        ),
        table("Blank, with its allowance", (), rows, "numbers big"),
        "</div><div>",
        figure(drawings["preform"], "Outline of the blank from above."),
        "</div></div>",
        '<div class="keep">',
        "<h3>Template: index position, and mm from the axis to the wall</h3>",
        f'<ol class="radii">{"".join(radii)}</ol></div>',
    )


def tick() -> str:
    """A square to tick."""
    return '<span class="tick" aria-hidden="true"></span>'


def _finished(drawings: Mapping[str, str]) -> str:
    views = [
        figure(drawings[f"finished-{k}"], f"<span data-fixed>{_capital(view.words)}.</span>")
        for k, view in enumerate(FINISHED)
    ]
    return section(
        "finished",
        "The finished stone",
        paragraph("Numbers in the facets are steps. Dashed edges lie behind. Sizes in mm."),
        f'<div class="views">{"".join(views)}</div>',
    )


def _overview(f: Figures) -> str:
    steps = f.at("/sheet/steps")
    rows = []
    for k in range(len(steps)):
        at = f"/sheet/steps/{k}"
        rows.append((
            f"{tick()}{f.number(f'{at}/number', 0)} {f.words(f'{at}/name')}",
            f.number(f"{at}/facets", 0),
            _angles(f, at),
            _keep(f, at),
            f.number(f"{at}/checks/depth_mm"),
            f.number(f"{at}/checks/carats"),
        ))  # fmt: skip
    heads = ("step", "facets", "angle", "keep within", "depth so far, mm", "carats left")
    faults = [step["fault"] for step in steps if step["fault"]]
    keeps = [fault["keep_deg"] for fault in faults]
    foot = []
    if None in keeps:
        most = f"{f.number('/sheet/most_error_deg', 0)}\N{DEGREE SIGN}"
        foot.append(f"\N{EN DASH} {MISSING.format(degrees=most)}.")
    if any(k is not None and k < READ_DEG for k in keeps):
        foot.append(f"* {FINE}.")
    if any(map(_alone, faults)):
        foot.append(
            "\N{DAGGER} holds for one facet alone, the others right; the whole tier may be farther off."
        )
    return section(
        "order",
        "Order at a glance",
        table("Steps in order", heads, rows),
        paragraph("<br>".join(foot), "soft") if foot else "",
    )


def _alone(fault: Mapping[str, Any]) -> bool:
    """Whether one facet that is off alone opens a meet sooner than the whole tier."""
    whole, alone = fault["tolerance_deg"], fault["alone_deg"]
    return alone is not None and (whole is None or alone < STRICTER * whole)


def _keep(f: Figures, at: str) -> str:
    """The tolerance of a step for the overview, with the marks of its footnotes."""
    fault = f.at(f"{at}/fault")
    if not fault:
        return ""
    if fault["keep_deg"] is None:
        return "\N{EN DASH}"
    marks = ("*" if fault["keep_deg"] < READ_DEG else "") + ("\N{DAGGER}" if _alone(fault) else "")
    return f"\N{PLUS-MINUS SIGN}{f.number(f'{at}/fault/keep_deg')}\N{DEGREE SIGN}{marks}"


def _angles(f: Figures, at: str) -> str:
    values = [setting["angle"] for setting in f.at(f"{at}/settings")]
    low, high = values.index(min(values)), values.index(max(values))
    text = f"{f.number(f'{at}/settings/{low}/angle')}\N{DEGREE SIGN}"
    if values[high] - values[low] >= 0.005:
        text += f" to {f.number(f'{at}/settings/{high}/angle')}\N{DEGREE SIGN}"
    return text


def _steps(f: Figures, drawings: Mapping[str, str]) -> Iterable[str]:
    side = "girdle"
    yield '<section id="steps" aria-labelledby="steps-h"><h2 id="steps-h">Step by step</h2>'
    for k, step in enumerate(f.at("/sheet/steps")):
        if step["side"] != side and side != "girdle":
            yield (
                f'<p class="turn keep">{tick()}Turn the stone over: set it on the other dop, true to the girdle and to '
                "index <span data-fixed>0</span>; check one facet lightly before the first full cut.</p>"
            )
        side = step["side"]
        yield _card(f, k, drawings)
    yield "</section>"


def _card(f: Figures, k: int, drawings: Mapping[str, str]) -> str:
    at = f"/sheet/steps/{k}"
    step = f.at(at)
    seen = _capital(step_view(step["side"]).partition(",")[0])
    pictures = figure(
        f"<div>{drawings[f'step-{k}-0']}{drawings[f'step-{k}-1']}</div>",
        f"{seen}, marks on the dial: this step; and from the long side.",
        "pictures",
    )
    many = " many" if len(step["settings"]) > FEW else ""
    if step["side"] == "girdle" and all(s["aim"]["kind"] == "axis" for s in step["settings"]):
        settings = _flats(f, at)
    else:
        rows = "".join(_setting(f, f"{at}/settings/{n}") for n in range(len(step["settings"])))
        settings = f'<ol class="settings">{rows}</ol>'
    return (
        f'<article class="step keep"><h3>{tick()}<span class="no">{f.number(f"{at}/number", 0)}</span> '
        f"{f.words(f'{at}/name')} <small>{f.words(f'{at}/side')}, {f.number(f'{at}/facets', 0)} "
        f"{'facet' if step['facets'] == 1 else 'facets'}</small></h3>"
        f'<div class="card{many}"><div class="todo">{settings}{_check(f, k)}{_fault(f, at)}</div>'
        f"{pictures}</div></article>"
    )


def _flats(f: Figures, at: str) -> str:
    """The girdle: one angle, and how far from the axis each flat stands."""
    angle = f'<span class="angle">{f.number(f"{at}/settings/0/angle")}\N{DEGREE SIGN}</span>'
    rows, count = [], len(f.at(f"{at}/settings"))
    one = count == 1
    for n in range(count):
        here = f"{at}/settings/{n}"
        other = (
            f" <small>on {f.number('/sheet/other_gear/teeth', 0)}: {_others(f, here)}</small>"
            if f.has(f"{here}/other")
            else ""
        )
        # one setting says it in words, with what a calliper reads across
        depth = "" if one else f" <span>{f.number(f'{here}/aim/mm')} mm from the axis</span>"
        rows.append(f'<li><span class="index">{_places(f, here)}</span>{other}{depth}</li>')
    aim = f'<span class="aim">{f.words(f"{at}/settings/0/words")}</span>' if one else ""
    return (
        f'<div class="settings"><div class="flats">{angle}<ol>{"".join(rows)}</ol></div>{aim}</div>'
    )


def _setting(f: Figures, at: str) -> str:
    angle = f'<span class="angle">{f.number(f"{at}/angle")}\N{DEGREE SIGN}</span>'
    places = _places(f, at)
    other = ""
    if f.has(f"{at}/other"):
        other = f'<span class="other">on {f.number("/sheet/other_gear/teeth", 0)}: {_others(f, at)}</span>'
    level = f.at(f"{at}/angle") == 0
    index = "" if level else f'<span class="index">{places}</span>{other}'
    return f'<li>{angle}<span class="at">{index}<span class="aim">{f.words(f"{at}/words")}</span></span></li>'


def _places(f: Figures, at: str) -> str:
    """Index positions, those of each lobe of a heart apart."""
    by_lobe: dict[str | None, list[str]] = {}
    for k, facet in enumerate(f.at(f"{at}/positions")):
        whole = abs(facet["index"] - round(facet["index"])) < ON_TOOTH
        place = f.number(f"{at}/positions/{k}/index", 0 if whole else 2)
        by_lobe.setdefault(facet["lobe"], []).append(f"<b>{place}</b>")
    return "; ".join(
        (f"<small>{lobe}</small> " if lobe else "") + " ".join(p) for lobe, p in by_lobe.items()
    )


def _others(f: Figures, at: str) -> str:
    places = []
    for k, place in enumerate(f.at(f"{at}/other")):
        here = f"{at}/other/{k}"
        if place["off"] > ON_TOOTH:
            places.append(f"({f.number(f'{here}/position')})")
        else:
            places.append(f.number(f"{here}/position", 0))
    return " ".join(places)


CHECKS = (
    ("length", "length_mm"), ("width", "width_mm"), ("total depth", "depth_mm"),
    ("point below girdle", "culet_mm"), ("keel, long", "keel_mm"), ("top above girdle", "crown_mm"),
    ("table, along", "table_length_mm"), ("table, across", "table_width_mm"),
    ("girdle, thinnest", "girdle_min_mm"), ("girdle, mean", "girdle_mean_mm"),
    ("face left, along", "flat_length_mm"), ("face left, across", "flat_width_mm"),
    ("facet, up its slope", "facet_slope_mm"), ("facet, across", "facet_across_mm"),
)  # fmt: skip


def _check(f: Figures, k: int) -> str:
    """What a calliper reads after step k, as far as it has changed."""
    at = f"/sheet/steps/{k}"
    now = f.at(f"{at}/checks")
    before = f.at(f"/sheet/steps/{k - 1}/checks") if k else {}
    skip = {"facet_slope_mm"} if f.at(f"{at}/side") == "girdle" else set[str]()
    if now["table_width_mm"] is not None:
        skip = {"facet_slope_mm", "facet_across_mm"}
    cells = [
        f"<div><dt>{word}</dt><dd>{f.number(f'{at}/checks/{key}')}</dd></div>"
        for word, key in CHECKS
        if now[key] is not None
        and key not in skip
        and (
            before.get(key) is None
            or key.startswith("facet")
            or abs(before[key] - now[key]) >= SEEN_MM
        )
    ]
    cells.append(f"<div><dt>carats left</dt><dd>{f.number(f'{at}/checks/carats')} ct</dd></div>")
    return f'<h4>Check, mm</h4><dl class="checks">{"".join(cells)}</dl>'


def _fault(f: Figures, at: str) -> str:
    here, step = f"{at}/fault", f.at(at)
    if not step["fault"]:
        return ""
    single = step["facets"] == 1
    way = (
        "out of plumb"
        if step["side"] == "girdle"
        else "off level"
        if step["settings"][0]["angle"] == 0
        else "steeper"
    )
    off = f"{f.number(f'{here}/degrees', 1)}\N{DEGREE SIGN} {way}"
    parts = []
    for who, size, where in (
        ("The whole tier", "open_mm", "at_words"),
        ("One facet alone", "alone_mm", "alone_words"),
    ):
        if not f.has(f"{here}/{size}") or (size == "alone_mm" and single):
            continue
        if f.has(f"{here}/{where}") and f.at(f"{here}/{size}") >= NONE_MM:
            parts.append(
                f"{who} {off}: the meet of {f.words(f'{here}/{where}')} opens by {f.number(f'{here}/{size}', 3)} mm."
            )
        else:
            parts.append(f"{who} {off}: no meet opens.")
    moves = []
    if f.at(f"{here}/moved_mm") >= NONE_MM:
        moves.append(f"its corners move by up to {f.number(f'{here}/moved_mm', 3)} mm")
    for word, key, unit in (
        ("girdle", "girdle_mm", "mm"), ("table", "table_mm", "mm"), ("depth", "depth_mm", "mm"), ("weight", "carats", "ct"),
    ):  # fmt: skip
        if f.has(f"{here}/{key}") and abs(f.at(f"{here}/{key}")) >= NONE_MM:
            moves.append(f"{word} {f.number(f'{here}/{key}', 3, plus=True)} {unit}")
    if moves:
        who = "it" if single else "the whole tier"
        parts.append(f"With {who} off: {', '.join(moves)}.")
    more = f"<details><summary>How exact</summary>{' '.join(parts)}</details>" if parts else ""
    opened = [
        f"{who} {f.number(f'{here}/{size}', 3)} mm"
        for who, size in (("one facet alone", "alone_mm"), ("the whole tier", "open_mm"))
        if f.has(f"{here}/{size}")
        and f.at(f"{here}/{size}") >= NONE_MM
        and not (size == "alone_mm" and single)
    ]
    # paper has no room for what is folded on the screen
    brief = (
        f"{off} opens the worst meet: {', '.join(opened)}." if opened else f"{off} opens no meet."
    )
    return (
        f'<div class="fault"><p>{_within(f, here)}</p><p class="only-print">{brief}</p>{more}</div>'
    )


def _within(f: Figures, here: str) -> str:
    """How exact the angle must be, for whom it holds, and what to do where no head shows it."""
    fault = f.at(here)
    gap, keep = f"{f.number('/sheet/open_mm')} mm", fault["keep_deg"]
    if keep is None:
        return f"No error up to {f.number('/sheet/most_error_deg', 0)}\N{DEGREE SIGN} opens a meet by {gap}."
    text = f"Keep within <b>\N{PLUS-MINUS SIGN}{f.number(f'{here}/keep_deg')}\N{DEGREE SIGN}</b>"
    text += f" ({FINE})" if keep < READ_DEG else ""
    text += f", so that no meet opens by more than {gap}."
    if _alone(fault):
        text += " This holds for one facet alone"
        text += (
            f"; the whole tier together may be off by {f.number(f'{here}/tolerance_deg')}\N{DEGREE SIGN}."
            if f.has(f"{here}/tolerance_deg")
            else "; the whole tier together opens none."
        )
    return text


def _girdle(f: Figures) -> str:
    flats = f.at("/sheet/girdle/flats")
    if not flats:
        return ""
    cells = []
    for k, flat in enumerate(flats):
        at = f"/sheet/girdle/flats/{k}"
        whole = abs(flat["index"] - round(flat["index"])) < ON_TOOTH
        lobe = f" <small>{f.words(f'{at}/lobe')}</small>" if flat["lobe"] else ""
        cells.append(
            f"<li><b>{f.number(f'{at}/index', 0 if whole else 2)}</b>{lobe} {f.number(f'{at}/axis_mm')}</li>"
        )
    thick = [f.number(f"/solid/girdle_{n}_mm") for n in ("min", "mean", "max")]
    return section(
        "girdle",
        "Girdle",
        paragraph(
            f"{f.number('/sheet/girdle/count', 0)} flats. Thickness {thick[0]} mm at its thinnest, {thick[1]} mean, "
            f"{thick[2]} at its thickest."
        ),
        '<div class="keep"><h3>Flats: index position, and mm from the axis</h3>',
        f'<ol class="radii">{"".join(cells)}</ol></div>',
    )


def _cautions(f: Figures) -> str:
    cautions = [f.words(f"/sheet/cautions/{k}") for k in range(len(f.at("/sheet/cautions")))]
    remarks = [f.words(f"/notes/{k}") for k in range(len(f.at("/notes")))]
    return section(
        "cautions",
        "At the wheel",
        '<div class="two keep"><div class="caution">',
        listed(cautions),
        "</div><div>",
        listed(remarks),
        "</div></div>",
    )


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
