"""Sections of a page on a design: at a glance, light, rocked, colour, sizes, zones."""

from facetrace.report.bitmap import scale_colours
from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import (
    Figures,
    esc,
    figure,
    listed,
    paragraph,
    pointer_part,
    section,
    table,
)
from facetrace.report.page_pictures import Pictures, how, picture

PERCENT = 100.0
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
