"""Sections of a report on what a study, a plan or a re-cut found; each is empty where the document has nothing for it."""

from typing import Any

from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import (
    Figures,
    figure,
    listed,
    paragraph,
    section,
    table,
)
from facetrace.report.sections import Pictures, how, picture

PERCENT = 100.0
# carats that are not worth their decimals
SMALL = 1e-4
DEGREE = "\N{DEGREE SIGN}"


# ---- before and after --------------------------------------------------------------------------


def zone_shown(f: Figures, pictures: Pictures) -> str:
    """A design with a zone file: the stone without and with its zones."""
    at = "/report/zone"
    if not f.has(at):
        return ""
    pair = picture(f, pictures, "zone without", "Without the zones") + picture(
        f, pictures, "zone with", "With the zones"
    )
    fitted = ""
    if f.at(f"{at}/blank"):
        size = f"{f.number(f'{at}/length_mm', 2)} \N{MULTIPLICATION SIGN} {f.number(f'{at}/width_mm', 2)} mm, {f.number(f'{at}/carats', 3)} ct"
        fitted = f" The zone file gives a blank: here the design is cut to fit it, {size}."
    inside = [k for k, share in enumerate(f.at(f"{at}/share_of_stone")) if share > 0]
    shares = listed(
        f"{f.words(f'{at}/names/{k}')}: {f.number(f'{at}/share_of_stone/{k}', 2, times=PERCENT)} % of the stone"
        for k in range(len(f.at(f"{at}/names")))
    )
    if inside:
        says = (
            f"The colour changes by more than CIEDE<span data-fixed>2000</span> {f.number(f'{at}/threshold', 0)}, what an unaided eye "
            f"sees, on {f.estimate(f'{at}/share', times=PERCENT)} % of the face; by {f.estimate(f'{at}/most')} at most."
        )
    else:
        says = "No zone reaches into the stone as placed: check signs and millimetres of the zone file."
    return section(
        "zone", "Where a zone shows", paragraph(f"{f.words(f'{at}/name')}.{fitted}"), f'<div class="two">{pair}</div>',
        paragraph(says), shares, paragraph(f"Both at one scale. {how(f, 'zone with')}", "soft"),
    )  # fmt: skip


def compared(f: Figures, pictures: Pictures) -> str:
    """The stone before and after what a study recommends."""
    if not f.has("/report/pictures/before"):
        return ""
    after, plain = "As recommended", ""
    if f.has("/orient"):
        after = "With its zones, as recommended" if f.has("/orient/recommended") else "With its zones, where they show least"  # fmt: skip
        plain = picture(f, pictures, "after plain", "The same stone without its zones")
    before = "With its zones, as designed" if f.has("/orient") else "As it stands"
    shown = picture(f, pictures, "before", before) + picture(f, pictures, "after", after) + plain
    return section(
        "compared", "Before and after", f'<div class="grid wider">{shown}</div>',
        paragraph(f"All at one scale and one exposure. {how(f, 'before')}", "soft"),
    )  # fmt: skip


# ---- orientation -------------------------------------------------------------------------------


def orientation(f: Figures, pictures: Pictures) -> str:
    """What hides a zone."""
    at = "/orient"
    if not f.has(at):
        return ""
    best = "recommended" if f.has(f"{at}/recommended") else "least_visible"
    pair = ("as_designed", best)

    def row(name: str, key: str, times: float = 1.0, digits: int | None = None) -> tuple[str, ...]:
        return (name, *(f.estimate(f"{at}/{who}/{key}", digits, times=times) for who in pair))

    def plain(name: str, key: str, digits: int) -> tuple[str, ...]:
        return (name, *(f.number(f"{at}/{who}/{key}", digits) for who in pair))

    limit = f"CIEDE<span data-fixed>2000</span> {f.number(f'{at}/threshold', 1)}"
    rows = [
        plain(f"Table tilted, {DEGREE}", "tilt", 1),
        plain(f"... towards, {DEGREE} from the length", "azimuth", 0),
        plain("Culet shifted along, % of the width", "along", 1),
        plain("... across", "across", 1),
        row(f"Zones beyond {limit}, % of the face", "share", PERCENT),
        row("Largest difference", "most"),
        row("Lightness L* from within", "lightness"),
        row("Chroma C* from within", "chroma"),
        row("Light returned, %", "light", PERCENT),
        plain("Weight, ct", "carats", 3),
        plain(f"c in the stone: from the table's normal, {DEGREE}", "axis_tilt", 1),
    ]
    found = table(
        "The stone as designed and with the smallest change that hides its zones; standard errors beside the figures",
        ("", "as designed", "recommended" if best == "recommended" else "least visible"),
        rows,
        "numbers",
    )
    return section("orient", "Hiding a zone", paragraph(f.words(f"{at}/sentence"), "lead"), found)


# ---- girdle ------------------------------------------------------------------------------------


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
    found = table(
        f"Finishes of the girdle, {name}", ("", "light, %", "gained, % of lost", "ct"), lines, "numbers"
    )  # fmt: skip
    return f"<details><summary>All rows</summary>{found}</details>"


# ---- plans -------------------------------------------------------------------------------------


def planned(f: Figures, pictures: Pictures) -> str:
    """What a rough may be cut to."""
    if f.has("/plan"):
        return section("plan", "What the rough keeps", *_plan(f, pictures, "/plan"))
    if not f.has("/lot"):
        return ""
    parts = [_lot(f, pictures)]
    for k in range(len(f.at("/lot"))):
        told = "".join(_plan(f, {}, f"/lot/{k}"))
        parts.append(
            f"<details><summary>{f.words(f'/lot/{k}/rough/name')}: all its plans</summary>{told}</details>"
        )
    return section("plan", "What the roughs keep", *parts)


def _lot(f: Figures, pictures: Pictures) -> str:
    """A line for each rough and one for all, and the stones face up."""
    priced = f.has("/report/sums/value")
    lines, faces = [], []
    for k, part in enumerate(f.at("/lot")):
        at = f"/lot/{k}"
        start = (f.words(f"{at}/rough/name"), f.number(f"{at}/rough/carats", 2))
        if not part["plans"]:
            lines.append((*start, "nothing fits", *[""] * (3 if priced else 1)))
            continue
        row, here = part["plans"][part["best"]], f"{at}/plans/{part['best']}"
        name = _plan_name(f, here, row, False)
        money = (
            (f.number(f"{here}/value/expected/value", 0), _bid(f, here)) if "value" in row else ()
        )
        lines.append((*start, name, f.number(f"{here}/carats", 2), *money))
        caption = f"{f.words(f'{at}/rough/name')}: {name}, {f.number(f'{here}/carats', 2)} ct"
        faces.append(picture(f, pictures, f"lot {k}", caption))
    sums = "/report/sums"
    money = (f.number(f"{sums}/value", 0), f.number(f"{sums}/bid", 0)) if priced else ()
    lines.append(
        (
            "<b>all</b>",
            f.number(f"{sums}/rough_carats", 2),
            "",
            f.number(f"{sums}/carats", 2),
            *money,
        )
    )
    heads = (
        "rough",
        "ct",
        "best design",
        "ct cut",
        *(("expected value", "bid at most") if priced else ()),
    )
    told = table("The lot: the best plan of each rough", heads, lines, "numbers")
    under = ""
    if any(faces):
        first = next(k for k, part in enumerate(f.at("/lot")) if part["plans"])
        under = paragraph(f"All at one scale and one exposure. {how(f, f'lot {first}')}", "soft")
    return f'{told}<div class="grid">{"".join(faces)}</div>{under}'


def _plan(f: Figures, pictures: Pictures, at: str) -> list[str]:
    rows = f.at(f"{at}/plans")
    best = f.at(f"{at}/best")
    words = [f.words(f"{at}/words/{k}") for k in range(len(f.at(f"{at}/words")))]
    lines, looks, worth = [], [], []
    for k, row in enumerate(rows):
        here = f"{at}/plans/{k}"
        name = _plan_name(f, here, row, k == best)
        gap = f.number(f"{here}/gap", 1, times=PERCENT)
        lines.append(
            (
                name, f.number(f"{here}/carats", 2),
                f"<span class=\"one\">{f.number(f'{here}/low_carats', 2)} to {f.number(f'{here}/high_carats', 2)}</span>",
                gap, f.number(f"{here}/table_to_c_deg", 1),
                '<span class="one">' + " \N{MULTIPLICATION SIGN} ".join(f.number(f"{here}/{n}", 1) for n in ("length_mm", "width_mm", "depth_mm")) + "</span>",
            )
        )  # fmt: skip
        looks.append(
            (
                name,
                *(f.estimate(f"{here}/figures/{key}", times=times) for key, times in LOOKS),
            )
        )
        if "value" in row:
            worth.append((name, *(_money(f, f"{here}/value/{key}/value") for key in ("expected", "low", "high")), _bid(f, here)))  # fmt: skip
    parts = [_verdict(f, at, best), listed(words[1:])] if rows else [listed(words, "lead")]
    if lines:
        parts.append(
            table(
                "Weights in ct; low and high as the scan may be off; how much heavier a better placing of the same design could be at most, as proven",
                ("", "ct", "low to high", "could be heavier by at most, %", f"table to c, {DEGREE}", "size, mm"), lines, "numbers",
            )
        )  # fmt: skip
    if worth:
        parts.append(
            table("Value by your own prices, and what to bid at most", ("", "expected", "low", "high", "bid at most"), worth, "numbers")
            + paragraph(f"In {f.words(f'{at}/currency')}. An estimate, not an appraisal.", "soft")
        )  # fmt: skip
    faces = "".join(
        picture(f, pictures, f"plan {k}", f"{_plan_name(f, f'{at}/plans/{k}', row, k == best)}, {f.number(f'{at}/plans/{k}/carats', 2)} ct")
        for k, row in enumerate(rows)
    )  # fmt: skip
    if faces:
        under = paragraph(f"All at one scale and one exposure. {how(f, 'plan 0')}", "soft")
        pair = "".join(
            picture(f, pictures, f"sawn {k}", f"One of two stones sawn from it: {f.words(f'{at}/sawn/stones/{k}/design')}, {f.number(f'{at}/sawn/stones/{k}/carats', 2)} ct")
            for k in range(2 if f.has(f"{at}/sawn") else 0)
        )  # fmt: skip
        parts.append(f'<h3>Face up</h3><div class="grid">{faces}{pair}</div>{under}')
        parts.append(
            table("How they look face up; colour from within; zone: share of the face where zones show; standard errors beside the figures",
                  ("", "light, %", "window, %", "zone, %", "L*", "C*", "h"), looks, "numbers")
        )  # fmt: skip
    if rows:
        parts.append(f"<h3>To mark the rough</h3>{paragraph(words[0])}")
    return parts


def _verdict(f: Figures, at: str, best: int) -> str:
    """The best plan in one sentence: carats, value, bid."""
    here = f"{at}/plans/{best}"
    row = f.at(here)
    text = (
        f"{_plan_name(f, here, row, False)} keeps {f.number(f'{here}/carats', 2)} ct of {f.number(f'{at}/rough/carats', 2)} "
        f"({f.number(f'{here}/low_carats', 2)} to {f.number(f'{here}/high_carats', 2)})"
    )
    if "value" in row:
        money = f"{f.number(f'{here}/value/expected/value', 0)} {f.words(f'{at}/currency')}"
        text += f", worth {money} by your prices; bid at most {_bid(f, here)}"
    return paragraph(f"{text}.", "lead")


LOOKS = (
    ("light_return", PERCENT), ("window", PERCENT), ("zone", PERCENT), ("lightness", 1.0), ("chroma", 1.0),
    ("hue_deg", 1.0),
)  # fmt: skip


def _plan_name(f: Figures, at: str, row: dict[str, Any], best: bool) -> str:
    name = f.words(f"{at}/design")
    if row["kind"] == "zone hidden":
        name += " with its zones hidden"
    return f"<b>{name}</b> (best)" if best else name


def _money(f: Figures, at: str) -> str:
    return f.number(at, 0)


def _bid(f: Figures, at: str) -> str:
    limit = f"{at}/bid/limit/value"
    return f.number(limit, 0) if float(f.at(limit)) > 0 else "do not buy"


# ---- a re-cut ----------------------------------------------------------------------------------


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
        table("Flaws: what goes and what stays", ("", "", "how, or why not", "costs alone, ct"), flaws, "text"),
        table("Sizes before and after", ("", "before", "after"), sizes, "numbers"), light,
        f"<details><summary>Facet by facet</summary>{table('Facets to cut', ('', f'angle before, {DEGREE}', f'after, {DEGREE}', 'down, mm'), cuts, 'numbers')}</details>" if cuts else "",
        cautions,
    )  # fmt: skip


RECUT_SIZES = (
    ("Weight, ct", "carats", 3), ("Length, mm", "length_mm", 2), ("Width, mm", "width_mm", 2),
    ("Depth, mm", "depth_mm", 2), ("Table, % of the width", "table_percent", 1), ("Crown height, mm", "crown_height_mm", 2),
    ("Pavilion depth, mm", "pavilion_depth_mm", 2), ("Thinnest girdle, mm", "girdle_min_mm", 2),
)  # fmt: skip
RECUT_LIGHT = (
    ("Light returned, %", "light_return", PERCENT), ("Window, %", "window", PERCENT),
    ("Extinction, %", "extinction", PERCENT), ("Brightness, white diffuser = one", "brightness", 1.0),
)  # fmt: skip
