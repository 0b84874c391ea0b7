"""The bench sheet: a design step by step, as a document and as a page to print and take to the wheel."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from facetrace.bench.steps import MOST_ERROR_DEG, Aim, Bench, Fault, Setting, Step, on_gear
from facetrace.report.drawing import (
    ABOVE,
    BELOW,
    END,
    SIDE,
    Drawing,
    scale_for,
    tier_of,
)
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
from facetrace.results.document import ESTIMATE
from facetrace.solid.build import Facet
from facetrace.solid.lobes import TwoLobes

# a position is on a tooth where it is nearer to it than that, teeth
ON_TOOTH = 1e-6
# room of the large drawings and of those beside a step, mm of paper
ROOM_MM, STEP_ROOM_MM = 60.0, 40.0
# of one tier, more facets than these are counted instead of listed
LISTED = 3
# a plane that passes farther than that from the corner it is aimed at is said to, mm
GAP_MM = 0.001
# more settings than these are set in smaller type; a check that changes by less is not said again, an opening
# below that is none, mm
FEW, SEEN_MM, NONE_MM = 2, 0.005, 0.0005
# common practice, no source: what most heads can be read to, degrees
READ_DEG = 0.1
# one facet alone is stricter where it may be off by less than this share of the whole tier's error
STRICTER = 0.95
# letters of a design's name at the foot of a printed page
FOOT_LETTERS = 70

CAUTIONS = (
    "Water: grind and polish wet, always; keep water away from plugs and switches.",
    "Eyes: wear eye protection from the first cut to the last wipe; chips and laps fly.",
    "Dust: do not breathe dry dust or mist, of stone, matrix, laps or polishing oxides; wipe up wet, ventilate, "
    "and wear a mask fit for fine dust where mist stands in the air.",
    "Guard: keep splash guard and belt cover on; stop the lap before reaching across it; no loose sleeves, hair or gloves near it.",
    "Heat: cool often; heat loosens the dop and can open fractures. Warm and cool the stone slowly when it is dopped.",
    "Glue, wax, solvents and flames: fresh air, and never flame and solvent together.",
    "Know the stone's treatments before heat, acid or solvent touch it.",
)
DEFER = (
    "Local rules, the makers' instructions for machine, laps and chemicals, and the cutter's own licensed practice "
    "come before anything on this sheet."
)
MACHINE = (
    "Angles and positions are those of the finished stone. What the machine adds, an offset of its index, play "
    "of its head, a step from one dop to the other, is for the cutter to find on a first facet and take out."
)
CLEFT = (
    "Heart: the facets beside the cleft are planes of one lobe that run into the other. A flat lap cannot reach them; "
    "use the edge of a lap or a wheel, and cut the cleft before its neighbours are polished."
)
MISSING = "no limit up to {degrees}"
FINE = "finer than most heads can be read: cut to the meet under the loupe"
PRACTICE = "The order girdle, {first}, {second}, the allowance, the opening that shows and how fine a head can be read are common practice, without a source."

# ---- words -----------------------------------------------------------------------------------


def facets_words(names: Sequence[str]) -> str:
    """girdle (index 3 and 93) and pavilion main (index 0): by tier; many of one tier are counted."""
    tiers: dict[str, list[str]] = {}
    for name in names:
        tier = tier_of(name)
        tiers.setdefault(tier, []).append(name.removeprefix(tier).strip())
    parts = []
    for tier, places in tiers.items():
        if len(places) > LISTED:
            parts.append(f"{len(places)} {tier} facets")
        else:
            parts.append(f"{tier} (index {_and(places)})" if places[0] else tier)
    return _and(parts)


def _and(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def aim_words(setting: Setting, bench: Bench, step: Step) -> str:
    """How deep the facets of a setting go: one thing to meet or to measure, then what the others do."""
    aim, mm, rest = setting.aim, setting.aim.mm or 0.0, len(setting.facets) - 1
    below = step.side == "pavilion"
    end = "over its highest point" if below else "under its lowest point"
    if aim.kind in ("meet", "own"):
        text = f"cut to the meet of {facets_words(aim.meets[0].facets)}"
        gap = max(m.gap for a in setting.aims for m in a.meets[:1])
        text += f", which it misses by {gap:.3f} mm" if gap > GAP_MM else ""
    else:
        text = {
            "axis": f"cut until it stands {mm:.2f} mm from the axis",
            "height": f"cut level until the stone is {step.checks.depth_mm:.2f} mm deep in all",
            "girdle": f"cut until {mm:.2f} mm of girdle is left {end}",
            "line": f"cut until {face_mm(aim, bench, step.side) or 0.0:.2f} mm of wall is left {end}, measured from the "
            f"{'crown' if below else 'pavilion'} face",
            "left": f"cut until {mm:.2f} mm of {facets_words([aim.beside or ''])} is left, measured up its slope",
            "tip": f"cut until its {'lowest' if below else 'highest'} point lies {mm:.2f} mm {'below' if below else 'above'} "
            "the girdle plane",
        }[aim.kind]
    if not rest:
        return f"{_capital(text)}."
    other = "The other" if rest == 1 else f"The other {rest}"
    if not setting.alike:
        same = "to the same depth"
    elif aim.kind in ("meet", "own"):
        same = "to its own meet" if rest == 1 else "each to its own meet"
    else:
        same = "to the same" + _across(setting)
    return f"At index {setting.facets[0].index:g}: {text}. {other} {same}."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _across(setting: Setting) -> str:
    """What a calliper reads across, where every flat has its opposite in the setting."""
    facets = setting.facets
    if setting.aim.kind == "axis" and all(
        any(
            f.lobe == g.lobe
            and sum(a * b for a, b in zip(f.normal, g.normal, strict=True)) < -1 + 1e-9
            for g in facets
        )
        for f in facets
    ):
        return f": {2 * facets[0].distance:.2f} mm across to the flat opposite"
    return ""


def face_mm(aim: Aim, bench: Bench, side: str) -> float | None:
    """From the blank's far face to where a facet ends at the girdle, mm: the wall that is left."""
    if aim.kind != "line" or aim.mm is None:
        return None
    far = bench.preform.crown_mm if side == "pavilion" else bench.preform.pavilion_mm
    return far + aim.mm


def gear_words(part: dict[str, Any] | None) -> str:
    """How many positions another gear misses, and by how much; nothing where it misses none."""
    if not part or not part["between"]:
        return ""
    return (
        f"{part['between']} of {part['positions']} positions fall between the teeth of a gear of {part['teeth']}, "
        f"the worst {part['worst_deg']:.2f} degrees from the nearest tooth"
    )


def tolerance_of(fault: Fault | None) -> float | None:
    """The smaller of the whole tier's tolerance and of one facet's among the others, degrees."""
    if fault is None:
        return None
    return min((t for t in (fault.tolerance_deg, fault.alone_deg) if t is not None), default=None)


def notes(bench: Bench, material: str) -> list[str]:
    """What belongs to the numbers of a sheet."""
    second = "crown" if bench.first == "pavilion" else "pavilion"
    found = [MACHINE]
    if isinstance(bench.solid, TwoLobes):
        found.append(CLEFT)
    if not bench.mirrored:
        found.append(
            "Positions count counter-clockwise seen from above the table. They are not the same the other way round: "
            "where the gear runs the other way against the stone, set gear minus position."
        )
    if bench.solid.missing:
        found.append("No place on the stone for: " + ", ".join(bench.solid.missing) + ".")
    found.append(f"Carats are of {material} at its density, without inclusions.")
    return [*found, PRACTICE.format(first=bench.first, second=second), DEFER, ESTIMATE]


# ---- JSON ------------------------------------------------------------------------------------


def sheet_part(bench: Bench, gear: int, other: int | None) -> dict[str, Any]:
    """The member "sheet" of the JSON document; *other*: another gear that stands on the bench."""
    pre = bench.preform
    names = (
        "allowance_mm",
        "length_mm",
        "width_mm",
        "height_mm",
        "crown_mm",
        "pavilion_mm",
        "carats",
    )
    steps = [_step_part(step, k + 1, bench, gear, other) for k, step in enumerate(bench.steps)]
    part: dict[str, Any] = {
        "first": bench.first,
        "open_mm": bench.open_mm,
        "most_error_deg": MOST_ERROR_DEG,
        "gear": gear,
        "other_gear": None,
        "mirrored": bench.mirrored,
        "preform": {n: getattr(pre, n) for n in names}
        | {"radii": [{"index": i, "mm": mm} for i, mm in pre.radii]},
        "girdle": {
            "count": len(bench.flats),
            "flats": [
                {"index": f.index, "lobe": f.lobe, "axis_mm": f.distance} for f in bench.flats
            ],
        },
        "steps": steps,
        "cautions": list(CAUTIONS),
    }
    if other:
        offs = [p["off"] for s in steps for t in s["settings"] for p in t["other"]]
        part["other_gear"] = {
            "teeth": other,
            "positions": len(offs),
            "between": sum(o > ON_TOOTH for o in offs),
            "worst_off": max(offs),
            "worst_deg": 360 * max(offs) / other,
        }
    return part


def _step_part(
    step: Step, number: int, bench: Bench, gear: int, other: int | None
) -> dict[str, Any]:
    fault = None
    if step.fault:
        fault = asdict(step.fault) | {
            "at": list(step.fault.at),
            "alone_at": list(step.fault.alone_at),
            "at_words": facets_words(step.fault.at) if step.fault.at else None,
            "alone_words": facets_words(step.fault.alone_at) if step.fault.alone_at else None,
            "keep_deg": tolerance_of(step.fault),
        }
    return {
        "number": number,
        "name": step.name,
        "side": step.side,
        "facets": len(step.facets),
        "settings": [_setting_part(s, bench, step, gear, other) for s in step.settings],
        "checks": asdict(step.checks),
        "fault": fault,
    }


def _setting_part(
    setting: Setting, bench: Bench, step: Step, gear: int, other: int | None
) -> dict[str, Any]:
    aim = setting.aim
    part: dict[str, Any] = {
        "angle": setting.angle,
        "positions": [{"name": f.name, "index": f.index, "lobe": f.lobe} for f in setting.facets],
        "aim": {
            "kind": aim.kind,
            "facet": aim.facet,
            "mm": aim.mm,
            "beside": aim.beside,
            "face_mm": face_mm(aim, bench, step.side),
            "meets": [
                {"point_mm": list(m.point), "facets": list(m.facets), "gap_mm": m.gap} for m in aim.meets
            ],
        },
        "words": aim_words(setting, bench, step),
    }  # fmt: skip
    if other:
        places = [on_gear(f.index, gear, other) for f in setting.facets]
        part["other"] = [{"position": p, "off": off} for p, off in places]
    return part


# ---- page ------------------------------------------------------------------------------------


def sheet_page(document: dict[str, Any], bench: Bench) -> str:
    """The sheet as one HTML page; its figures are those of *document*, its drawings those of *bench*."""
    f = Figures(document)
    labels = {x.name: str(k + 1) for k, s in enumerate(bench.steps) for x in s.facets}
    title = f"Bench sheet: {document['design']['name']}"
    body = [
        _head(f), _overview(f, bench), _preform(f, bench), _finished(f, bench, labels), _girdle(f),
        *_steps(f, bench, labels), _cautions(f),
    ]  # fmt: skip
    return page(
        title,
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


def _preform(f: Figures, bench: Bench) -> str:
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
    pre = bench.preform.solid
    gear = int(f.at("/sheet/gear"))
    picture = Drawing(
        pre, ABOVE, "preform", scale_for(pre, ROOM_MM), "Outline of the blank", names={}, gear=gear
    ).svg()
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
        figure(picture, "Outline of the blank from above."),
        "</div></div>",
        '<div class="keep">',
        "<h3>Template: index position, and mm from the axis to the wall</h3>",
        f'<ol class="radii">{"".join(radii)}</ol></div>',
    )


def tick() -> str:
    """A square to tick."""
    return '<span class="tick" aria-hidden="true"></span>'


def _finished(f: Figures, bench: Bench, labels: dict[str, str]) -> str:
    solid, m = bench.solid, bench.measures
    top, low = float(solid.vertices[:, 2].max()), float(solid.vertices[:, 2].min())
    levels = (top, top - m.crown_height_mm, low + m.pavilion_depth_mm, low)
    scale, gear = scale_for(solid, ROOM_MM), int(f.at("/sheet/gear"))
    views = [
        figure(
            Drawing(
                solid, view, f"finished-{k}", scale, f"Finished stone {view.words}", names=labels, gear=gear,
                levels=levels, hidden=not view.plan,
            ).svg(),
            f"<span data-fixed>{_capital(view.words)}.</span>",
        )
        for k, view in enumerate((ABOVE, BELOW, SIDE, END))
    ]  # fmt: skip
    return section(
        "finished",
        "The finished stone",
        paragraph("Numbers in the facets are steps. Dashed edges lie behind. Sizes in mm."),
        f'<div class="views">{"".join(views)}</div>',
    )


def _overview(f: Figures, bench: Bench) -> str:
    rows = []
    for k, step in enumerate(bench.steps):
        at = f"/sheet/steps/{k}"
        rows.append((
            f"{tick()}{f.number(f'{at}/number', 0)} {f.words(f'{at}/name')}",
            f.number(f"{at}/facets", 0),
            _angles(f, at, len(step.settings)),
            _keep(f, at, step),
            f.number(f"{at}/checks/depth_mm"),
            f.number(f"{at}/checks/carats"),
        ))  # fmt: skip
    heads = ("step", "facets", "angle", "keep within", "depth so far, mm", "carats left")
    keeps = [tolerance_of(s.fault) for s in bench.steps if s.fault]
    foot = []
    if None in keeps:
        most = f"{f.number('/sheet/most_error_deg', 0)}\N{DEGREE SIGN}"
        foot.append(f"\N{EN DASH} {MISSING.format(degrees=most)}.")
    if any(k is not None and k < READ_DEG for k in keeps):
        foot.append(f"* {FINE}.")
    if any(s.fault and _alone(s.fault) for s in bench.steps):
        foot.append(
            "\N{DAGGER} holds for one facet alone, the others right; the whole tier may be farther off."
        )
    return section(
        "order",
        "Order at a glance",
        table("Steps in order", heads, rows),
        paragraph("<br>".join(foot), "soft") if foot else "",
    )


def _alone(fault: Fault) -> bool:
    """Whether one facet that is off alone opens a meet sooner than the whole tier."""
    whole, alone = fault.tolerance_deg, fault.alone_deg
    return alone is not None and (whole is None or alone < STRICTER * whole)


def _keep(f: Figures, at: str, step: Step) -> str:
    """The tolerance of a step for the overview, with the marks of its footnotes."""
    if not step.fault:
        return ""
    keep = tolerance_of(step.fault)
    if keep is None:
        return "\N{EN DASH}"
    marks = ("*" if keep < READ_DEG else "") + ("\N{DAGGER}" if _alone(step.fault) else "")
    return f"\N{PLUS-MINUS SIGN}{f.number(f'{at}/fault/keep_deg')}\N{DEGREE SIGN}{marks}"


def _angles(f: Figures, at: str, count: int) -> str:
    values = [f.at(f"{at}/settings/{k}/angle") for k in range(count)]
    low, high = values.index(min(values)), values.index(max(values))
    text = f"{f.number(f'{at}/settings/{low}/angle')}\N{DEGREE SIGN}"
    if values[high] - values[low] >= 0.005:
        text += f" to {f.number(f'{at}/settings/{high}/angle')}\N{DEGREE SIGN}"
    return text


def _steps(f: Figures, bench: Bench, labels: dict[str, str]) -> Iterable[str]:
    side = "girdle"
    scale = scale_for(bench.preform.solid, STEP_ROOM_MM)
    yield '<section id="steps" aria-labelledby="steps-h"><h2 id="steps-h">Step by step</h2>'
    for k, step in enumerate(bench.steps):
        if step.side != side and side != "girdle":
            yield (
                f'<p class="turn keep">{tick()}Turn the stone over: set it on the other dop, true to the girdle and to '
                "index <span data-fixed>0</span>; check one facet lightly before the first full cut.</p>"
            )
        side = step.side
        yield _card(f, k, bench, labels, scale)
    yield "</section>"


def _card(f: Figures, k: int, bench: Bench, labels: dict[str, str], scale: float) -> str:
    at, step = f"/sheet/steps/{k}", bench.steps[k]
    gear = int(f.at("/sheet/gear"))
    view = BELOW if step.side == "pavilion" else ABOVE
    own = [x.name for x in step.facets]
    drawings = [
        Drawing(
            step.after, v, f"step-{k}-{n}", scale, f"After step {k + 1} {v.words}", names=labels, marked=own,
            gear=gear, positions=[x.index for x in step.facets] if v.plan else (), sizes=False, bar=False,
        ).svg()
        for n, v in enumerate((view, SIDE))
    ]  # fmt: skip
    seen = _capital(view.words.partition(",")[0])
    pictures = figure(
        f"<div>{''.join(drawings)}</div>",
        f"{seen}, marks on the dial: this step; and from the long side.",
        "pictures",
    )
    many = " many" if len(step.settings) > FEW else ""
    if step.side == "girdle" and all(s.aim.kind == "axis" for s in step.settings):
        settings = _flats(f, at, step)
    else:
        rows = "".join(_setting(f, f"{at}/settings/{n}", s) for n, s in enumerate(step.settings))
        settings = f'<ol class="settings">{rows}</ol>'
    return (
        f'<article class="step keep"><h3>{tick()}<span class="no">{f.number(f"{at}/number", 0)}</span> '
        f"{f.words(f'{at}/name')} <small>{f.words(f'{at}/side')}, {f.number(f'{at}/facets', 0)} "
        f"{'facet' if len(step.facets) == 1 else 'facets'}</small></h3>"
        f'<div class="card{many}"><div class="todo">{settings}{_check(f, k)}{_fault(f, at, step)}</div>'
        f"{pictures}</div></article>"
    )


def _flats(f: Figures, at: str, step: Step) -> str:
    """The girdle: one angle, and how far from the axis each flat stands."""
    angle = f'<span class="angle">{f.number(f"{at}/settings/0/angle")}\N{DEGREE SIGN}</span>'
    rows, one = [], len(step.settings) == 1
    for n, setting in enumerate(step.settings):
        here = f"{at}/settings/{n}"
        other = (
            f" <small>on {f.number('/sheet/other_gear/teeth', 0)}: {_others(f, here)}</small>"
            if f.has(f"{here}/other")
            else ""
        )
        # one setting says it in words, with what a calliper reads across
        depth = "" if one else f" <span>{f.number(f'{here}/aim/mm')} mm from the axis</span>"
        rows.append(
            f'<li><span class="index">{_places(f, here, setting.facets)}</span>{other}{depth}</li>'
        )
    aim = f'<span class="aim">{f.words(f"{at}/settings/0/words")}</span>' if one else ""
    return (
        f'<div class="settings"><div class="flats">{angle}<ol>{"".join(rows)}</ol></div>{aim}</div>'
    )


def _setting(f: Figures, at: str, setting: Setting) -> str:
    angle = f'<span class="angle">{f.number(f"{at}/angle")}\N{DEGREE SIGN}</span>'
    places = _places(f, at, setting.facets)
    other = ""
    if f.has(f"{at}/other"):
        other = f'<span class="other">on {f.number("/sheet/other_gear/teeth", 0)}: {_others(f, at)}</span>'
    level = setting.angle == 0
    index = "" if level else f'<span class="index">{places}</span>{other}'
    return f'<li>{angle}<span class="at">{index}<span class="aim">{f.words(f"{at}/words")}</span></span></li>'


def _places(f: Figures, at: str, facets: Sequence[Facet]) -> str:
    """Index positions, those of each lobe of a heart apart."""
    found: dict[str | None, list[str]] = {}
    for k, facet in enumerate(facets):
        whole = abs(facet.index - round(facet.index)) < ON_TOOTH
        place = f.number(f"{at}/positions/{k}/index", 0 if whole else 2)
        found.setdefault(facet.lobe, []).append(f"<b>{place}</b>")
    return "; ".join(
        (f"<small>{lobe}</small> " if lobe else "") + " ".join(p) for lobe, p in found.items()
    )


def _others(f: Figures, at: str) -> str:
    found = []
    for k, place in enumerate(f.at(f"{at}/other")):
        here = f"{at}/other/{k}"
        if place["off"] > ON_TOOTH:
            found.append(f"({f.number(f'{here}/position')})")
        else:
            found.append(f.number(f"{here}/position", 0))
    return " ".join(found)


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


def _fault(f: Figures, at: str, step: Step) -> str:
    here = f"{at}/fault"
    if not step.fault:
        return ""
    way = (
        "out of plumb"
        if step.side == "girdle"
        else "off level"
        if step.facets[0].angle == 0
        else "steeper"
    )
    off = f"{f.number(f'{here}/degrees', 1)}\N{DEGREE SIGN} {way}"
    parts = []
    for who, size, where in (
        ("The whole tier", "open_mm", "at_words"),
        ("One facet alone", "alone_mm", "alone_words"),
    ):
        if not f.has(f"{here}/{size}") or (size == "alone_mm" and len(step.facets) == 1):
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
        who = "it" if len(step.facets) == 1 else "the whole tier"
        parts.append(f"With {who} off: {', '.join(moves)}.")
    more = f"<details><summary>How exact</summary>{' '.join(parts)}</details>" if parts else ""
    opened = [
        f"{who} {f.number(f'{here}/{size}', 3)} mm"
        for who, size in (("one facet alone", "alone_mm"), ("the whole tier", "open_mm"))
        if f.has(f"{here}/{size}")
        and f.at(f"{here}/{size}") >= NONE_MM
        and not (size == "alone_mm" and len(step.facets) == 1)
    ]
    # paper has no room for what is folded on the screen
    brief = (
        f"{off} opens the worst meet: {', '.join(opened)}." if opened else f"{off} opens no meet."
    )
    return f'<div class="fault"><p>{_within(f, here, step.fault)}</p><p class="only-print">{brief}</p>{more}</div>'


def _within(f: Figures, here: str, fault: Fault) -> str:
    """How exact the angle must be, for whom it holds, and what to do where no head shows it."""
    gap, keep = f"{f.number('/sheet/open_mm')} mm", tolerance_of(fault)
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
