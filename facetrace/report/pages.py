"""Pages: whatever a document has, as one page; and the documents and pictures of a design's page and of a result's."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from facetrace.optics.lights import description
from facetrace.report import (
    page_of_angles,
    page_of_design,
    page_of_girdle,
    page_of_orient,
    page_of_plan,
    page_of_recut,
)
from facetrace.report.drawing3d import (
    SCRIPTS,
    STYLES,
    drawing_of_design,
    drawing_of_plans,
)
from facetrace.report.html import Figures, esc, listed, page, paragraph, section
from facetrace.report.line_drawing import FLAWS
from facetrace.report.page_pictures import Album, Pictures, how, picture
from facetrace.report.plan import Panel
from facetrace.results.page import design_document, rocked_name
from facetrace.results.stones_again import RoughToDraw, StonesAgain, StoneToDraw
from facetrace.studies.portrait import DesignPortrait
from facetrace.studies.visibility import PORTRAIT_SAMPLES
from facetrace.studies.zoned import zones_in
from facetrace.trace.maps import THROUGH, FaceMaps

CARE = (
    "Grind and polish wet, with ventilation; keep mist and dust of laps, oxides and matrix out of lungs.",
    "Eye protection, and a guard on every wheel and saw; hair and sleeves tied back.",
    "Heat loosens the dop and opens fractures: cool often, and know what a fracture is filled with first.",
    "Follow your local rules and the makers' instructions; learn from someone licensed or trained to teach it. "
    "Before a step that cannot be undone, measure the stone itself.",
)


# ---- documents and pictures --------------------------------------------------------------------


def page_of_portrait(
    portrait: DesignPortrait, file: str, exposure: float = 1.0
) -> tuple[dict[str, Any], str]:
    """(document, page) of a design.

    Parameters
    ----------
    file : the design's.
    exposure : brightness of the pictures: at 1 a white diffuser is just white.
    """
    album = Album(description(portrait.stone.light), exposure)
    _face(portrait, album)
    white, samples = portrait.face.scene.medium.white, portrait.fineness.samples
    for one in portrait.rocked:
        lit = 100 * one.look.figures.measures["light_return"].value
        alt = f"Rocked {one.tilt:g} degrees along the {one.towards}: {lit:.1f} % of all light comes back."
        album.face(rocked_name(one.towards, one.tilt), one.look.maps, white, samples, alt)
    if portrait.zones:
        under = f"{description(portrait.stone.light)} The surface's mirror light is left out."
        for name, words, maps in (
            ("zone without", "without its zones", portrait.zones.without),
            ("zone with", "with its zones", portrait.zones.within),
        ):
            alt = f"{portrait.design.name} {words}, face up."
            album.face(name, maps, white, PORTRAIT_SAMPLES, alt, glare=False, under=under)
    document = design_document(portrait, file, _drawing(portrait), album.facts)
    return document, report_html(document, album.pictures)


def page_of_result(
    again: StonesAgain, maps: Sequence[FaceMaps], samples: int, exposure: float = 1.0
) -> tuple[dict[str, Any], str]:
    """(document, page) of a result.

    Parameters
    ----------
    maps : of each face of *again*, traced with so many *samples* in a pixel.
    exposure : see ``page_of_portrait``.
    """
    album = Album(again.under, exposure)
    for face, seen in zip(again.faces, maps, strict=True):
        white = face.scene.medium.white
        album.face(face.name, seen, white, samples, face.alt, glare=again.glare)
    document = again.document(_drawn(again.drawing), album.facts)
    return document, report_html(document, album.pictures)


def _face(portrait: DesignPortrait, album: Album) -> None:
    """Face up, and the maps of where the light goes."""
    face, samples = portrait.face, portrait.fineness.samples
    lit = 100 * face.figures.measures["light_return"].value
    alt = f"{portrait.design.name} face up under {portrait.stone.light.words}: {lit:.1f} % of all light comes back to the eye."
    album.face("face", face.maps, portrait.face.scene.medium.white, samples, alt)
    with np.errstate(invalid="ignore"):
        left = sum(face.maps.shares[k] for k in THROUGH)
        for kind in (*THROUGH, "absorbed"):
            values = face.maps.shares[kind] / (left if kind in THROUGH else 1.0)
            lead = face.maps.leading.get(kind)
            alt = f"Map of {kind.replace('_', ' ')} over the face" + (f"; it leads on {100 * lead:.0f} % of it." if lead is not None else ".")  # fmt: skip
            album.map(f"map {kind}", np.asarray(values), face.maps, samples, alt)


def _drawing(portrait: DesignPortrait) -> dict[str, Any]:
    """The stone to turn; with zones as they lie in it, at the size that its blank allows."""
    zones = portrait.zones
    if zones is None:
        return drawing_of_design(portrait.design, portrait.stone.solid)
    model = zones.file.model
    inside = zones_in(zones.subject, zones.cut, [z.name for z in model.zone])
    name = f"{portrait.design.name}, in the blank of {model.name}" if zones.subject.blank else ""
    return drawing_of_design(portrait.design, zones.cut.solid, inside, name)


def _drawn(drawing: StoneToDraw | RoughToDraw | None) -> dict[str, Any] | None:
    if drawing is None:
        return None
    if isinstance(drawing, RoughToDraw):
        panels = [Panel(plan.name, plan.cuts) for plan in drawing.plans]
        designs = {plan.name: plan.designs for plan in drawing.plans}
        return drawing_of_plans(drawing.rough, panels, designs)
    return drawing_of_design(
        drawing.design, drawing.solid, drawing.bodies, drawing.name, drawing.kinds
    )


# ---- the page ----------------------------------------------------------------------------------


def report_html(document: dict[str, Any], pictures: Pictures) -> str:
    """The page of a document. *pictures*: those that its member "report" names, as WebP."""
    f = Figures(document)
    title = str(f.at("/report/title"))
    parts = [part for part in (make(f, pictures) for make in SECTIONS) if part]
    parts += [_cautions(f), _made(f)]
    links = "".join(f'<li><a href="#{ident}">{heading}</a></li>' for ident, heading in map(_named, parts))  # fmt: skip
    head = (
        '<a class="skip" href="#main">To the report</a><header>'
        f"<h1>{f.words('/report/title')}</h1>{paragraph(f.words('/report/lead'), 'soft')}"
        f'<nav aria-label="Sections"><ul>{links}</ul></nav></header>'
    )
    body = f'{head}<main id="main">{"".join(parts)}</main>'
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


# ---- sections that pages share -----------------------------------------------------------------


def _compared(f: Figures, pictures: Pictures) -> str:
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


def _turning(f: Figures, pictures: Pictures) -> str:
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


def _cautions(f: Figures) -> str:
    """What belongs to the numbers, and what may hurt."""
    notes = listed(f.words(f"/notes/{k}") for k in range(len(f.at("/notes"))))
    # a re-cut's notes speak of the wheel themselves
    care = (
        ""
        if any(text.startswith("Grind wet") for text in f.at("/notes"))
        else listed(map(esc, CARE))
    )
    return section("cautions", "Before you cut", f'<div class="caution keep">{notes}{care}</div>')


def _made(f: Figures) -> str:
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


# in the order of a conversation around the stone; each is left out where the document has nothing for it
SECTIONS = (
    page_of_design.glance,
    page_of_plan.planned,
    page_of_recut.recut,
    page_of_orient.orientation,
    _compared,
    page_of_design.light,
    page_of_design.zone_shown,
    page_of_design.rocked,
    page_of_design.colour,
    page_of_angles.trade_off,
    page_of_girdle.girdle,
    _turning,
    page_of_design.sizes,
)
