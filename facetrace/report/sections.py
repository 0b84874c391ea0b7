"""Sections of a report: each takes what the document has, and is empty where that is nothing."""

from collections.abc import Mapping
from typing import Any

from facetrace.report.bitmap import KIND, scale_colours
from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import (
    Figures,
    data_url,
    esc,
    figure,
    image,
    listed,
    paragraph,
    pointer_part,
    section,
    table,
)
from facetrace.report.line_drawing import FLAWS

Pictures = Mapping[str, bytes]

SHARES = (
    ("light_return", "Light returned", "comes in from the bright part of the surroundings, above the girdle"),
    ("window", "Window", "one looks through the pavilion, at what lies below"),
    ("extinction", "Extinction", "comes from dark directions above: dim sky, the viewer's own head"),
    ("absorbed", "Absorbed", "is taken up by the colour of the crystal"),
    ("surface", "Surface mirror", "is mirrored by the outside and was never in the stone"),
)  # fmt: skip
MAPS = (
    ("light_return", "Light returned"), ("window", "Window"), ("extinction", "Extinction"),
    ("absorbed", "Absorbed"),
)  # fmt: skip
CARE = (
    "Grind and polish wet, with ventilation; keep mist and dust of laps, oxides and matrix out of lungs.",
    "Eye protection, and a guard on every wheel and saw; hair and sleeves tied back.",
    "Heat loosens the dop and opens fractures: cool often, and know what a fracture is filled with first.",
    "Follow your local rules and the makers' instructions; learn from someone licensed or trained to teach it. "
    "Before a step that cannot be undone, measure the stone itself.",
)


# ---- pictures ----------------------------------------------------------------------------------


def picture(f: Figures, pictures: Pictures, ident: str, caption: str, *, bar: bool = True) -> str:
    """A picture of the document with its scale bar; *caption* is HTML."""
    at = f"/report/pictures/{pointer_part(ident)}"
    if not f.has(at) or ident not in pictures:
        return ""
    facts = f.at(at)
    size = (facts["width_px"], facts["height_px"])
    shown = image(data_url(pictures[ident], KIND), facts["alt"], size)
    if bar:
        share = 100 / (facts["width_px"] * facts["mm_per_pixel"])
        shown = (
            f'<div class="pic" style="max-width:{size[0]}px">{shown}'
            f'<div class="bar" style="width:{share:.3f}%" aria-hidden="true"></div><span class="soft" data-fixed>1 mm</span></div>'
        )
    return figure(shown, caption)


def how(f: Figures, ident: str) -> str:
    """Light, exposure and white of a picture, as HTML."""
    at = f"/report/pictures/{pointer_part(ident)}"
    text = (
        f"{f.words(f'{at}/under')} Exposure {f.number(f'{at}/exposure', 2)}: at <span data-fixed>1</span> a white "
        f"diffuser in the same light is just white on the screen. {f.number(f'{at}/rays_per_pixel', 0)} rays in a pixel."
    )
    if float(f.at(f"{at}/beyond_screen")) >= 0.005:
        text += f" {f.number(f'{at}/beyond_screen', 0, times=100)} % of this stone is more vivid than a screen can show."
    return text


# ---- the stone ---------------------------------------------------------------------------------


def glance(f: Figures, pictures: Pictures) -> str:
    """Face up: the picture and what matters first."""
    shown = picture(f, pictures, "face", f"Face up. {how(f, 'face')}" if f.has("/report/pictures/face") else "")  # fmt: skip
    if not shown or not f.has("/measures"):
        return ""
    windows = ""
    if f.has("/angles/rows/0/tilt_deg") and f.at("/angles/rows/0/tilt_deg/value") == 0:
        windows = "Without its colour it windows even untilted."
    elif f.has("/angles/rows/0/tilt_deg"):
        windows = f"Without its colour it windows from {f.number('/angles/rows/0/tilt_deg/value', 0)}\N{DEGREE SIGN} of tilt on."
    elif f.has("/angles"):
        windows = f"Even without its colour it does not window up to {f.number('/angles/tilt_limit_deg', 0)}\N{DEGREE SIGN} of tilt."
    lines = [
        f"Weight {f.number('/solid/carats', 3)} ct, {_size(f)} mm.",
        f"{f.estimate('/measures/light_return', times=100)} % of the light comes back to the eye from bright "
        f"surroundings; {f.estimate('/measures/absorbed', times=100)} % is taken up by the colour.",
        f"Where it is not absorbed, light returned leads on {f.number('/leading_area/light_return', 0, times=100)} % of the face, "
        f"window on {f.number('/leading_area/window', 0, times=100)} %, extinction on {f.number('/leading_area/extinction', 0, times=100)} %.",
        f"As bright as {f.estimate('/measures/brightness')} of a white diffuser in the same light.",
        windows,
    ]
    return section(
        "glance",
        "At a glance",
        f'<div class="two">{shown}<div>{listed(filter(None, lines), "lead")}</div></div>',
    )


def _size(f: Figures) -> str:
    names = ("length_mm", "width_mm", "depth_mm")
    return " \N{MULTIPLICATION SIGN} ".join(f.number(f"/solid/{n}", 2) for n in names)


def light(f: Figures, pictures: Pictures) -> str:
    """Where the light goes: the shares in words, and their maps."""
    if not f.has("/measures"):
        return ""
    rows = [
        (name, f"{f.estimate(f'/measures/{key}', times=100)} %", esc(says)) for key, name, says in SHARES
    ]  # fmt: skip
    shares = table(
        "Of all the light that the eye could get from the stone, in percent, with standard errors",
        ("", "share", "of the light"),
        rows,
        "text",
    )
    maps = "".join(
        picture(f, pictures, f"map {key}", _map_words(f, key, name), bar=False) for key, name in MAPS
    )  # fmt: skip
    if maps:
        stops = ", ".join(scale_colours())
        maps = (
            f'<h3>Where on the face</h3><div class="grid">{maps}</div>'
            f'<div class="ramp" style="background:linear-gradient(90deg,{stops})" role="img" aria-label="Scale of the maps, from none to all"></div>'
            '<div class="ends soft"><span>none of it</span><span>all of it</span></div>'
            + paragraph(
                "The first three share out the light that the crystal does not absorb, so that a dark colour does not hide the "
                "cut; the fourth is what it absorbs. All have the same scale.",
                "soft",
            )
        )
    return section("light", "Where the light goes", shares, maps)


def _map_words(f: Figures, key: str, name: str) -> str:
    at = f"/leading_area/{key}"
    if not f.has(at):
        return esc(name)
    return f"{esc(name)}: leads on {f.number(at, 0, times=100)} % of the face"


def rocked(f: Figures, pictures: Pictures) -> str:
    """The stone rocked along its length and its width."""
    if not f.has("/report/rocked"):
        return ""
    parts = []
    for way, words in (("length", "Along the length"), ("width", "Along the width")):
        items = []
        for k, look in enumerate(f.at("/report/rocked")):
            if look["towards"] != way:
                continue
            at = f"/report/rocked/{k}"
            caption = (
                f"{f.number(f'{at}/tilt', 0, plus=True)}\N{DEGREE SIGN}<br>light {f.number(f'{at}/measures/light_return/value', 1, times=100)} %<br>"
                f"window {f.number(f'{at}/measures/window/value', 1, times=100)} %"
            )
            shown = picture(f, pictures, look["picture"], caption, bar=False)
            items.append(f"<li>{shown}</li>")
        parts.append(
            f'<h3>{words}</h3><ul class="strip" tabindex="0" role="list" aria-label="Stone rocked {esc(words.lower())}">{"".join(items)}</ul>'
        )
    error = f.number("/report/rocked_most_stderr", 3, times=100)
    # of all in the strips the one with the most that a screen cannot show speaks for them
    first = max(
        (look["picture"] for look in f.at("/report/rocked")),
        key=lambda ident: float(f.at(f"/report/pictures/{pointer_part(ident)}/beyond_screen")),
    )
    parts.append(
        paragraph(
            f"Eye and light stay, the stone rocks; plus: the table leans towards the end where index <span data-fixed>0</span> is, or, along the width, towards a quarter turn on from it. All at one scale. Shares are percent of all light, with standard errors of at most {error}. {how(f, first)}",
            "soft",
        )
    )
    return section("rocked", "Rocked to either side", *parts)


def colour(f: Figures, pictures: Pictures) -> str:
    """Colour face up, the two colours of the crystal, and its spectrum."""
    parts = [_face_colour(f), _pair(f), _spectrum(f)]
    return section("colour", "Colour", *parts)


def _face_colour(f: Figures) -> str:
    rows = []
    for key, name in (
        ("colour", "All that the eye sees"),
        ("colour_within", "From within, without the surface's mirror light"),
    ):
        if f.has(f"/{key}/lightness"):
            rows.append(
                (name, *(f.estimate(f"/{key}/{part}") for part in ("lightness", "chroma", "hue_deg")))
            )  # fmt: skip
    if not rows:
        return ""
    return table(
        "Mean colour face up in daylight (D65), CIE 1976, with standard errors",
        ("", "lightness L*", "chroma C*", "hue h, degrees"),
        rows,
        "numbers",
    )


def _pair(f: Figures) -> str:
    if not f.has("/dichroscope"):
        return ""
    fields = []
    for key, name in (
        ("ordinary", "Ordinary ray: field at right angles to c"),
        ("extraordinary", "Extraordinary ray: field along c"),
    ):
        at = f"/dichroscope/{key}"
        fields.append(
            figure(
                f'<div class="swatch" style="background:{esc(f.at(f"/report/swatches/{key}"))}" role="img" aria-label="{esc(name)}"></div>',
                f"{esc(name)}. L* {f.number(f'{at}/lightness', 1)}, C* {f.number(f'{at}/chroma', 1)}, h {f.number(f'{at}/hue_deg', 1)}\N{DEGREE SIGN}",
            )
        )
    says = (
        f"The two colours of the crystal, seen {f.number('/angle_deg', 0)}\N{DEGREE SIGN} from the c-axis through "
        f"{f.number('/thickness_mm', 2)} mm (the stone's depth). They differ by CIEDE<span data-fixed>2000</span> "
        f"{f.number('/difference_ciede2000', 1)}. Along c both are the ordinary colour."
    )
    return f'<h3>In the dichroscope</h3><div class="two pair">{"".join(fields)}</div>' + paragraph(says)  # fmt: skip


def _spectrum(f: Figures) -> str:
    at = "/report/spectrum"
    if not f.has(at):
        return ""
    series = [
        Series("ordinary ray: field at right angles to c", "line", 0, [f"{at}/nm"], [f"{at}/o"]),
        Series("extraordinary ray: field along c", "dashes", 2, [f"{at}/nm"], [f"{at}/e"]),
    ]
    drawn = chart(
        f, series, Scale("wavelength in vacuum, nm", tight=True), Scale("absorption, 1/cm (natural logarithm)", low=0.0),
        "Absorption spectrum", "Absorption of the ordinary and the extraordinary ray against wavelength.",
    )  # fmt: skip
    return "<h3>Absorption</h3>" + figure(drawn, f.words(f"{at}/says"))


def sizes(f: Figures, pictures: Pictures) -> str:
    """Sizes and weight of the stone."""
    if not f.has("/solid/carats"):
        return ""
    mm = "mm"
    rows = [
        ("Weight", f"{f.number('/solid/carats', 3)} ct"),
        ("Length, width, depth", f"{_size(f)} {mm}"),
        ("Depth, of the width", f"{f.number('/solid/depth_percent', 1)} %"),
        ("Table, of the width", f"{f.number('/solid/table_percent', 1)} %"),
        ("Crown height", f"{f.number('/solid/crown_height_mm', 2)} {mm}"),
        ("Pavilion depth", f"{f.number('/solid/pavilion_depth_mm', 2)} {mm}"),
        (
            "Girdle: thinnest, mean, thickest",
            f"{f.number('/solid/girdle_min_mm', 2)}, {f.number('/solid/girdle_mean_mm', 2)}, {f.number('/solid/girdle_max_mm', 2)} {mm}",
        ),
        ("Facets", f.number("/solid/facets", 0)),
        ("Volume", f"{f.number('/solid/volume_mm3', 2)} mm<sup data-fixed>3</sup>"),
    ]
    if f.has("/scene/axis"):
        axis = f"{f.number('/scene/axis/tilt', 1)}\N{DEGREE SIGN} from the table's normal"
        if f.at("/scene/axis/tilt"):
            axis += f", towards {f.number('/scene/axis/azimuth', 1)}\N{DEGREE SIGN} from the length"
        rows.append(("Optic axis c", axis))
    missing = f.at("/solid/missing_facets")
    lost = paragraph(f"No place on the stone for: {esc(', '.join(missing))}.", "caution") if missing else ""  # fmt: skip
    return section("sizes", "Sizes and weight", table("Sizes of a perfect cut", (), rows), lost)


def turning(f: Figures, pictures: Pictures) -> str:
    """The stone, or stones in their rough, to be turned."""
    if not f.has("/drawing"):
        return ""
    none = "<noscript><p>Without scripts the drawing cannot be turned.</p></noscript>"
    rough = "" if f.at("/drawing/rough") is None else " in the rough"
    name = paragraph(f"{f.words('/drawing/name')}.", "soft")
    flaws = paragraph(FLAWS, "soft") if rough and f.at("/drawing/bodies") else ""
    return section(
        "turning", f"The stone{rough}, to turn", name, flaws, '<div id="solid3d"></div>', none
    )


# ---- light against weight ----------------------------------------------------------------------


def trade_off(f: Figures, pictures: Pictures) -> str:
    """Candidates of a sweep: light against weight, and the advice."""
    at = "/angles"
    if not f.has(at):
        return ""
    key = "carats" if f.at(f"{at}/carats") is None else "face_mm2"
    rows = f.at(f"{at}/rows")
    made = [k for k, row in enumerate(rows) if "light_return" in row]
    chosen, own = f.at(f"{at}/recommendation/row"), f.at(f"{at}/as_it_stands")

    def series(name: str, form: str, hue: int, which: list[int], **more: Any) -> Series:
        return Series(
            name, form, hue, [f"{at}/rows/{k}/{key}" for k in which], [f"{at}/rows/{k}/light_return/value" for k in which], **more,
        )  # fmt: skip

    errors = [f"{at}/rows/{k}/light_return/stderr" for k in made]
    shown = [
        series("candidates, with standard errors", "dot", 6, made, error=errors),
        series("front: no other has more of both", "ring", 1, f.at(f"{at}/front"), joined=True),
        series("the design as it stands", "square", 5, [own]),
        series(f"recommended: {_values(f, chosen)}", "star", 2, [chosen]),
    ]
    label = "weight, ct" if key == "carats" else "size face up, mm\N{SUPERSCRIPT TWO}"
    drawn = chart(
        f, shown, Scale(label), Scale("light returned, % of all light", times=100),
        "Light against weight", "Each mark is a candidate: to the right heavier, upwards more light returned.",
    )  # fmt: skip
    coarse = ""
    if f.has("/report/about") and f.at("/report/about") == "design":
        coarse = paragraph(
            "Tried coarsely, to see which way it goes; finer: facetrace angles, with its own table.",
            "soft",
        )
    varied = listed(
        f"{f.words(f'{at}/varied/{k}/name')} from {_plain(f, f'{at}/varied/{k}/from')} to {_plain(f, f'{at}/varied/{k}/to')} by {_plain(f, f'{at}/varied/{k}/step')}"
        for k in range(len(f.at(f"{at}/varied")))
    )
    advice = paragraph(f.words(f"{at}/recommendation/advice"), "lead")
    cautions = listed(
        f.words(f"{at}/recommendation/cautions/{k}")
        for k in range(len(f.at(f"{at}/recommendation/cautions")))
    )
    return section(
        "trade", "Light against weight", advice, coarse, cautions, figure(drawn, f"Varied: {varied}"), _rows(f, key)
    )  # fmt: skip


def _plain(f: Figures, pointer: str) -> str:
    value = float(f.at(pointer))
    digits = next((d for d in range(7) if abs(value - round(value, d)) < 1e-9), 6)
    return f.number(pointer, digits)


def _values(f: Figures, row: int) -> str:
    values = f.at(f"/angles/rows/{row}/values")
    return ", ".join(
        f"{esc(name)} {_plain(f, f'/angles/rows/{row}/values/{pointer_part(name)}')}"
        for name in values
    )


def _rows(f: Figures, key: str) -> str:
    """The front, the best for each wish and the design itself."""
    best: dict[str, int] = f.at("/angles/best")
    own = f.at("/angles/as_it_stands")
    numbers = sorted({own, *best.values(), *f.at("/angles/front")}, key=lambda k: float(f.at(f"/angles/rows/{k}/{key}")))  # fmt: skip
    lines = []
    for k in numbers:
        at = f"/angles/rows/{k}"
        marks = [*(["as it stands"] if k == own else []), *(w for w, n in best.items() if n == k)]
        tilt = (
            f.number(f"{at}/tilt_deg/value", 1) if f.has(f"{at}/tilt_deg") else f"more than {f.number('/angles/tilt_limit_deg', 0)}"
        )  # fmt: skip
        lines.append(
            (
                _values(f, k) + (f" <b>{esc(', '.join(marks))}</b>" if marks else ""),
                f.number(f"{at}/{key}", 3),
                f.estimate(f"{at}/light_return", times=100),
                f.estimate(f"{at}/window", times=100),
                f.estimate(f"{at}/extinction", times=100),
                tilt,
            )
        )
    size = "ct" if key == "carats" else "mm\N{SUPERSCRIPT TWO} face up"
    found = table(
        "The front, the best for each wish, and the design as it stands; windows at: the tilt at which the clear stone's window passes the limit",
        ("", size, "light, %", "window, %", "extinction, %", "windows at, degrees"),
        lines,
        "numbers",
    )
    return f"<details><summary>The candidates on the front</summary>{found}</details>"


# ---- the end -----------------------------------------------------------------------------------


def cautions(f: Figures) -> str:
    """What belongs to the numbers, and what may hurt."""
    notes = listed(f.words(f"/notes/{k}") for k in range(len(f.at("/notes"))))
    # a re-cut's notes speak of the wheel themselves
    care = (
        ""
        if any(text.startswith("Grind wet") for text in f.at("/notes"))
        else listed(map(esc, CARE))
    )
    return section("cautions", "Before you cut", f'<div class="caution keep">{notes}{care}</div>')


def made(f: Figures) -> str:
    """How the numbers were made."""
    light = ""
    parts = [f"Made by facetrace {f.words('/program/version')}"]
    if f.has("/design/file"):
        parts.append(f"from {f.words('/design/file')}")
    if f.has("/design/material"):
        parts.append(f"material {f.words('/design/material')}")
    if f.has("/report/light"):
        light = paragraph(f"Light: {f.words('/report/light')}", "soft")
    if f.has("/rays"):
        parts.append(f"{f.number('/rays', 0)} rays for the figures face up")
    if f.has("/seed"):
        parts.append(f"seed {f.number('/seed', 0)}")
    return section(
        "made",
        "How this was made",
        paragraph(", ".join(parts) + "."),
        light,
        paragraph(
            "Every figure on this page is read from the JSON at its end (the script element with the id facetrace-data) and "
            "names its place there in the attribute data-at, so that a machine can check it.",
            "soft",
        ),
    )
