"""Section of a page on an orientation: what hides a zone."""

from facetrace.report.html import Figures, paragraph, section, table
from facetrace.report.page_pictures import Pictures

PERCENT, DEGREE = 100.0, "\N{DEGREE SIGN}"


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
    figures = table(
        "The stone as designed and with the smallest change that hides its zones; standard errors beside the figures",
        ("", "as designed", "recommended" if best == "recommended" else "least visible"),
        rows,
        "numbers",
    )
    return section("orient", "Hiding a zone", paragraph(f.words(f"{at}/sentence"), "lead"), figures)
