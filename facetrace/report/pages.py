"""The report: whatever a document has, as one page."""

from typing import Any

from facetrace.report import findings, sections
from facetrace.report.drawing3d import SCRIPTS, STYLES
from facetrace.report.html import Figures, esc, page, paragraph
from facetrace.report.sections import Pictures

# sections in the order of a conversation around the stone; each is left out where the document has nothing for it
ORDER = (
    sections.glance,
    findings.planned,
    findings.recut,
    findings.orientation,
    findings.compared,
    sections.light,
    findings.zone_shown,
    sections.rocked,
    sections.colour,
    sections.trade_off,
    findings.girdle,
    sections.turning,
    sections.sizes,
)


def report_html(document: dict[str, Any], pictures: Pictures) -> str:
    """The page of a document. *pictures*: those that its member "report" names, as WebP."""
    f = Figures(document)
    title = str(f.at("/report/title"))
    found = [part for part in (make(f, pictures) for make in ORDER) if part]
    found += [sections.cautions(f), sections.made(f)]
    links = "".join(f'<li><a href="#{ident}">{heading}</a></li>' for ident, heading in map(_named, found))  # fmt: skip
    head = (
        '<a class="skip" href="#main">To the report</a><header>'
        f"<h1>{f.words('/report/title')}</h1>{paragraph(f.words('/report/lead'), 'soft')}"
        f'<nav aria-label="Sections"><ul>{links}</ul></nav></header>'
    )
    body = f'{head}<main id="main">{"".join(found)}</main>'
    drawn = "drawing" in document
    return page(
        f"{title}: report", body, document,
        styles=STYLES if drawn else (), scripts=(*(SCRIPTS if drawn else ()), "page.js"),
    )  # fmt: skip


def _named(part: str) -> tuple[str, str]:
    """Identifier and heading of a section."""
    ident = part.split('id="', 1)[1].split('"', 1)[0]
    heading = part.split("<h2", 1)[1].split(">", 1)[1].split("</h2>", 1)[0]
    return esc(ident), heading
