"""facetrace orient: the table tilt and culet shift that hide a colour zone."""

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from facetrace.cli.options import (
    FreshOption,
    HeadAsTraceOption,
    JsonOption,
    LightName,
    LightOption,
    SeedOption,
)
from facetrace.cli.shell import (
    check_outputs,
    deliver,
    finite,
    kept,
    material_file,
    note,
    one_line_errors,
    out,
    progress,
    swept,
    targets,
)

if TYPE_CHECKING:
    from facetrace.common.ledger import Ledger, Row
    from facetrace.design.model import DesignFile
    from facetrace.optics.material import Material
    from facetrace.rough.zone import ZoneFile
    from facetrace.studies.orient import Candidate, Place, Setting, Subject

EXAMPLES = """
**Examples**

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml`

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-flank.toml --shifts 0,2,4,6 --tilts 0`

`facetrace orient designs/oval-brilliant.toml --zone designs/zones/pale-core.toml --tilts 0,10,20,30 --shifts 0`

`facetrace orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml --threshold 1 --samples 32 --json orient.json`
"""

MOST_CANDIDATES = 20_000
# a scale that rounding alone keeps from 1
SAME_SIZE = 1e-6
# letters of a zone's name in a table of 80 columns
NAME_LETTERS = 14
SHARP = (
    "Zones in real crystals have no sharp edges and no even colour; look at the rough in immersion "
    "from three sides before you trust a boundary."
)


@dataclass(frozen=True)
class _Files:
    """Where the results go."""

    csv: Path | None
    picture: Path | None
    map: Path | None


@dataclass(frozen=True)
class _Found:
    """Everything that is reported.

    rows: of all candidates, the first *tried* of which are the grid; coarse: the shown one of the grid alone;
    places: of the base and of the shown candidate.
    """

    rows: "list[Row]"
    tried: int
    base: "Row"
    coarse: "Row"
    best: "Row | None"
    least: "Row"
    allow: float
    places: "tuple[Place, Place]"

    @property
    def shown(self) -> "Row":
        """The recommended candidate; without one, the least visible."""
        return self.best or self.least

    @property
    def untouched(self) -> bool:
        """Whether no zone reaches into the untilted stone."""
        return not any(self.places[0].shares)

    @property
    def untilted(self) -> str:
        """What the base is called: a blank may change its size."""
        from facetrace.studies.rows import number

        same = abs(number(self.base, "scale") - 1) < SAME_SIZE
        return "as designed" if same else "untilted"


@one_line_errors
def orient(
    design: Annotated[Path, typer.Argument(help="Design file (TOML).")],
    zone: Annotated[Path, typer.Option(help="Zone file (TOML): colour zones, blank, where the stone lies.")],
    tilts: Annotated[str, typer.Option(metavar="DEG,DEG... or FROM:TO:STEP", help="Table tilts to try, degrees; then, towards the one that hides, smaller ones by 1.")] = "0,5,10,15",
    directions: Annotated[int, typer.Option(min=1, max=72, help="Directions of each tilt around the stone.")] = 8,
    shifts: Annotated[str, typer.Option(metavar="%,%... or FROM:TO:STEP", help="Culet shifts to try, % of the width, on top of the design's; then smaller ones by 1.")] = "0,4,8",
    shift_directions: Annotated[int, typer.Option(min=1, max=72, help="Directions of each shift.")] = 4,
    threshold: Annotated[
        float,
        typer.Option(
            min=0.1, max=50, callback=finite,
            help="Colour difference (CIEDE2000) from which a place counts as visible. Side by side a trained "
            "eye sees about 1, an unaided one about 2 to 3.",
        ),
    ] = 2.0,
    allow: Annotated[
        float, typer.Option(min=0, max=100, callback=finite, help="A zone counts as hidden up to this share of the face, %.")
    ] = 1.0,
    light: LightOption = LightName.hemisphere,
    head: HeadAsTraceOption = None,
    material: Annotated[
        str | None, typer.Option(help="Another host than the design's: a name, or a file ending in .toml.")
    ] = None,
    spectrum: Annotated[
        Path | None, typer.Option(help="The host's own absorption spectrum (CSV).")
    ] = None,
    pixel: Annotated[float, typer.Option(min=0.02, max=2, callback=finite, help="Edge of a pixel that is compared, mm.")] = 0.15,
    samples: Annotated[int, typer.Option(min=1, max=4096, help="Rays in each pixel of each of 8 pictures.")] = 8,
    seed: SeedOption = 1,
    csv: Annotated[
        Path | None,
        typer.Option(help="All candidates; an interrupted run goes on from it [default: beside the design, -orient.csv; none with --json -]."),
    ] = None,
    fresh: FreshOption = False,
    picture: Annotated[
        Path | None, typer.Option(help="Before and after [default: beside the design, -orient.png; none with --json -].")
    ] = None,
    map: Annotated[
        Path | None, typer.Option(help="Map over tilts [default: beside the design, -orient-map.png; none with --json -].")
    ] = None,
    no_picture: Annotated[bool, typer.Option("--no-picture", help="Figures only.")] = False,
    size: Annotated[int, typer.Option(min=64, max=1000, help="Pixels along a side of the pictures.")] = 240,
    exposure: Annotated[
        float, typer.Option(min=0.01, max=100, callback=finite, help="Brightness of the pictures: at 1 a white diffuser is just white.")
    ] = 1.0,
    json: JsonOption = None,
) -> None:  # fmt: skip
    """Find the smallest table tilt and culet shift that hide a colour zone face up."""
    from facetrace.cli.loading import load_material, load_stone, with_spectrum
    from facetrace.optics.colour import observer
    from facetrace.optics.lights import find_light
    from facetrace.optics.material import find_material
    from facetrace.rough.zone import read_zones
    from facetrace.studies.orient import Setting, subject_of

    files = _files(design, csv, picture, map, no_picture, json)
    sources = (design, zone, spectrum, material_file(material))
    check_outputs(json, sources, pictures=(files.picture, files.map), table=files.csv)
    file, _ = load_stone(design)
    zones = read_zones(zone)
    substance = find_material(material) if material else load_material(file)
    substance = with_spectrum(substance, spectrum)
    eye = find_light(light.value, head)
    setting = Setting(threshold, pixel, samples, seed)
    subject = subject_of(file.design, substance, zones, eye, observer())
    wanted = _wanted(subject, tilts, directions, shifts, shift_directions)
    title = f"{file.design.name}: {zones.model.name}"
    # the table stays locked until all files are there: of two runs all are of one
    with ExitStack() as held:
        found = _swept(subject, wanted, setting, held, files.csv, fresh, allow / 100)
        pictures = _pictures(subject, setting, found, files, (size, exposure), title, eye.words)
        cautions = _cautions(zones, subject, found)
        notes = _notes(substance, zones, subject, found)
        document = (file, zones, substance, subject, setting, found, cautions + notes)
        deliver(pictures, json, _document(*document) if json else "")
    if json != "-":
        out.print(_summary(found, title, setting, subject, zones))
        out.print(_rings(found))
        out.print(sentence(found, setting, subject))
        for text in (*_to_paste(found, subject), *cautions):
            out.print(text)
        for label, target in (
            ("picture", files.picture),
            ("map", files.map),
            ("all candidates", files.csv),
        ):
            if target:
                note(f"{label}: {target}")
    for text in notes if json != "-" else cautions + notes:
        note(text)


def _files(
    design: Path, csv: Path | None, picture: Path | None, chart: Path | None, bare: bool, json: str | None
) -> _Files:  # fmt: skip
    table, shown = targets(design, "orient", csv, picture, bare, json)
    _, chart = targets(design, "orient-map", None, chart, bare, json)
    return _Files(table, shown, chart)


def _wanted(
    subject: "Subject", tilts: str, directions: int, shifts: str, shift_directions: int
) -> "list[Candidate]":
    from facetrace.cli.loading import numbers_of
    from facetrace.common.errors import FacetraceError
    from facetrace.studies.orient import candidates

    moved = list(numbers_of("--shifts", shifts, 0, 40)) if subject.shiftable else [0.0]
    wanted = candidates(
        list(numbers_of("--tilts", tilts, 0, 90)), directions, moved, shift_directions
    )
    if len(wanted) > MOST_CANDIDATES:
        raise FacetraceError(
            f"{len(wanted)} candidates are more than {MOST_CANDIDATES}; give fewer tilts, shifts or directions"
        )
    return wanted


def _swept(
    subject: "Subject", wanted: "Sequence[Candidate]", setting: "Setting", held: ExitStack, csv: Path | None,
    fresh: bool, allow: float,
) -> _Found:  # fmt: skip
    from facetrace.common.ledger import Ledger, fingerprint_of
    from facetrace.studies.orient import (
        BASE,
        COLUMNS,
        KEY,
        advice,
        candidate_of,
        facts,
        place_of,
        smaller_shifts,
        smaller_tilts,
    )

    about = f"orient, {subject.design.name}"
    mark = fingerprint_of(facts(subject, setting))
    ledger = held.enter_context(
        Ledger.open(csv, mark, COLUMNS, KEY, about=about, fresh=fresh, needed=list(COLUMNS)[:-1])
    )
    rows = _looked(subject, wanted, setting, ledger, "candidates")
    touched = any(place_of(subject, BASE).shares)
    coarse = advice(rows, allow)
    # first less tilt, then less shift at what that gave
    for smaller in (smaller_tilts, smaller_shifts):
        best, _ = advice(rows, allow)
        finer = smaller(candidate_of(best), wanted) if best and touched else []
        finer = [c for c in finer if c not in wanted]
        if finer:
            rows = rows + _looked(subject, finer, setting, ledger, "smaller changes")
    base = ledger.rows[BASE.key]
    best, least = advice(rows, allow)
    if not touched:
        # a zone put in the wrong place is no stone to go ahead with
        best = None
    places = [place_of(subject, candidate_of(row)) for row in (base, best or least)]
    return _Found(
        rows, len(wanted), base, coarse[0] or coarse[1], best, least, allow, (places[0], places[1])
    )


def _looked(
    subject: "Subject", wanted: "Sequence[Candidate]", setting: "Setting", ledger: "Ledger", what: str
) -> "list[Row]":  # fmt: skip
    from facetrace.studies.orient import sweep

    keys = [c.key for c in wanted]
    with kept(ledger, keys):
        return swept(sweep(subject, wanted, setting, ledger.rows), keys, ledger, what)[0]


# ---- words ------------------------------------------------------------------------------------


def _turned(row: "Row", unchanged: str) -> str:
    """The change in words, *unchanged* without one."""
    from facetrace.studies.orient import candidate_of

    c = candidate_of(row)
    parts = []
    if c.tilt:
        parts.append(f"table tilted {c.tilt:g} deg towards {c.azimuth:g}")
    if c.shift:
        parts.append(f"culet shifted {c.shift:g} % towards {c.towards:g}")
    return ", ".join(parts) or unchanged


def sentence(found: _Found, setting: "Setting", subject: "Subject") -> str:
    """The recommendation."""
    from facetrace.studies.orient import BASE, candidate_of
    from facetrace.studies.rows import number

    if found.untouched:
        return "Nothing was judged: no zone reaches into the stone as placed."
    limit = f"beyond CIEDE2000 {setting.threshold:g} on at most {100 * found.allow:g} % of the face"
    if found.best is None:
        return (
            f"No candidate hides the zone ({limit}). Least visible: {_turned(found.least, found.untilted)}, on "
            f"{100 * number(found.least, 'share'):.1f} % of the face. Try larger tilts, or another "
            "place in the rough."
        )
    chosen = candidate_of(found.best)
    if chosen == BASE:
        stone = "as designed" if found.untilted == "as designed" else "in the untilted stone"
        return f"The zone is hidden {stone} ({limit})."
    steps = [text for text, size in (("1 deg", chosen.tilt), ("1 %", chosen.shift)) if size]
    text = (
        f"The smallest change that hides the zone ({limit}), in the directions tried and to "
        f"{' and '.join(steps)}: {_turned(found.best, found.untilted)}."
    )
    if subject.blank:
        own, base = number(found.best, "carats"), number(found.base, "carats")
        text += f" In the blank that keeps {own:.2f} ct; {found.untilted} {base:.2f} ct."
    return text


def _to_paste(found: _Found, subject: "Subject") -> list[str]:
    """How other commands take the recommended stone."""
    from facetrace.studies.orient import candidate_of, culet_of
    from facetrace.studies.rows import number

    if found.best is None:
        return []
    lines, c = [], candidate_of(found.best)
    if c.tilt:
        tilt, azimuth = (number(found.best, name) for name in ("axis_tilt", "axis_azimuth"))
        lines.append("c in that stone, for facetrace trace and facetrace angles:")
        lines.append(f"  --axis-tilt {_short(tilt)} --axis-azimuth {_short(azimuth)}")
    if c.shift:
        lines.append("The culet, for the design file under [pavilion]:")
        lines.append(f"  culet_shift_percent = [{', '.join(map(_short, culet_of(subject.design, c)))}]")  # fmt: skip
    return lines


def _short(value: float) -> str:
    """Four decimals at most, and no -0."""
    return f"{round(value, 4) + 0.0:.7g}"


def _cautions(zones: "ZoneFile", subject: "Subject", found: _Found) -> list[str]:
    """What is likely a slip in the zone file."""
    notes = [
        f'zone "{zone.name}" lies outside the stone as placed: check [placement], signs and millimetres.'
        for zone, share in zip(zones.model.zone, found.places[0].shares, strict=True)
        if not share
    ]
    if subject.blank and not subject.blank.holds(subject.centre[None])[0]:
        notes.append(
            "[placement] centre_mm lies outside the blank: the stone was placed where it fits, nearest to it."
        )
    uncut = [row for row in found.rows if row["share"] is None]
    if uncut:
        notes.append(
            f"{len(uncut)} of {len(found.rows)} candidates were left out; the first "
            f"({_turned(uncut[0], '')}) {uncut[0]['remark']}"
        )
    return notes


def _notes(material: "Material", zones: "ZoneFile", subject: "Subject", found: _Found) -> list[str]:
    from facetrace.results.document import ESTIMATE, colour_notes, light_notes, provisional_note
    from facetrace.rough.zone import substances
    from facetrace.studies.rows import number

    notes = [ESTIMATE, *light_notes(subject.light)]
    grown = (material, *substances(zones, material))
    names = dict.fromkeys(name for substance in grown for name in substance.provisional)
    if names:
        notes.append(provisional_note(list(names)))
    for substance in grown:
        notes += [text for text in colour_notes(substance, sure=True) if text not in notes]
    notes.append(SHARP)
    if not subject.shiftable:
        notes.append("The design is in tiers: no culet shift was tried, only tilts.")
    if number(found.shown, "most_stderr") > 0:
        notes.append(
            "The largest difference is that of one pixel: noise lifts it by one or two of its standard "
            "errors; more --samples lower both."
        )
    return notes


# ---- tables -----------------------------------------------------------------------------------


def _pm(row: "Row", name: str, digits: int, factor: float = 1.0) -> str:
    from facetrace.studies.orient import estimate

    found = estimate(row, name)
    return f"{factor * found.value:.{digits}f} +- {factor * found.stderr:.{digits}f}"


def _summary(
    found: _Found, title: str, setting: "Setting", subject: "Subject", zones: "ZoneFile"
) -> Table:
    from facetrace.results.trace import GREY_ERRORS
    from facetrace.studies.orient import candidate_of, estimate
    from facetrace.studies.rows import number

    table = Table(title=title, title_justify="left")
    table.add_column("face up", no_wrap=True)
    table.add_column("before", justify="right", no_wrap=True)
    table.add_column("recommended" if found.best else "least visible", justify="right", no_wrap=True)  # fmt: skip
    pair = (found.base, found.shown)
    table.add_row(f"zone beyond {setting.threshold:g}, % of face", *(_pm(r, "share", 2, 100) for r in pair))  # fmt: skip
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
    table.add_row("size, mm", *(_lengths(p.size_mm, " x ") for p in found.places))
    if subject.blank:
        table.add_row("placed at, mm in the rough", *(_lengths(p.origin_mm, " ") for p in found.places))  # fmt: skip
    for k, zone in enumerate(zones.model.zone):
        name = zone.name if len(zone.name) <= NAME_LETTERS else zone.name[: NAME_LETTERS - 2] + ".."
        table.add_row(f'"{name}", % of stone', *(_percent(p.shares[k]) for p in found.places))  # fmt: skip
    return table


def _lengths(values: "Sequence[float]", between: str) -> str:
    """Three lengths, mm, in 21 characters."""
    digits = 2 if max(map(abs, values)) < 100 else 1
    return between.join(f"{round(v, digits) + 0.0:.{digits}f}" for v in values)


def _percent(share: float) -> str:
    return "<0.01" if 0 < share < 1e-4 else f"{100 * share:.2f}"


def _to_axis(row: "Row") -> float:
    """Angle between the table's normal and the axis's line, degrees."""
    from facetrace.studies.rows import number

    tilt = number(row, "axis_tilt")
    return min(tilt, 180 - tilt)


def _rings(found: _Found) -> Table:
    """Of each tilt with each size of shift, the candidate that shows least."""
    from facetrace.studies.orient import candidate_of, hidden, made
    from facetrace.studies.rows import number

    def rank(row: "Row") -> tuple[float, float, float]:
        return number(row, "share"), -number(row, "carats"), number(row, "most")

    best: dict[tuple[float, float], Row] = {}
    for row in made(found.rows):
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
            "hidden" if hidden(row, found.allow) else "",
        )  # fmt: skip
    return table


# ---- pictures and JSON ------------------------------------------------------------------------


def _pictures(
    subject: "Subject", setting: "Setting", found: _Found, files: _Files, how: tuple[int, float],
    title: str, under: str,
) -> dict[Path, bytes]:  # fmt: skip
    made: dict[Path, bytes] = {}
    if not (files.picture or files.map):
        return made
    from facetrace.report.orient import comparison_png, tilt_map_png

    size, exposure = how
    if files.picture:
        with progress("pictures"):
            panels = _panels(subject, setting, found, size)
            white = subject.plain.white
            made[files.picture] = comparison_png(panels, white, exposure, title, under)
    if files.map:
        made[files.map] = tilt_map_png(_tilts(subject, found), setting.threshold, title, _at(found))  # fmt: skip
    return made


def _panels(subject: "Subject", setting: "Setting", found: _Found, size: int) -> list[Any]:
    from facetrace.report.orient import Panel
    from facetrace.studies.orient import BASE, candidate_of, portraits
    from facetrace.studies.rows import number

    chosen = candidate_of(found.shown)
    wanted = [(BASE, True), *([(chosen, True)] if chosen != BASE else []), (chosen, False)]
    name = "recommended" if found.best else "least visible"
    faces = portraits(subject, wanted, size, setting.seed)
    panels = []
    for (candidate, zoned), maps in zip(wanted, faces, strict=True):
        row = found.base if candidate == BASE else found.shown
        label = found.untilted if candidate == BASE else name
        if zoned:
            text = f"CIEDE2000 beyond {setting.threshold:g} on {100 * number(row, 'share'):.1f} % of the face"
            panels.append(Panel(maps, label, text))
        else:
            text = "" if candidate == BASE else _turned(row, found.untilted).replace(", ", ",\n")
            panels.append(Panel(maps, f"{label}, without the zone", text))
    return panels


def _at(found: _Found) -> str:
    from facetrace.studies.orient import candidate_of

    c = candidate_of(found.coarse)
    return f"All with the culet shifted {c.shift:g} % towards {c.towards:g}." if c.shift else "Culet as designed."  # fmt: skip


def _tilts(subject: "Subject", found: _Found) -> Any:
    """The tilts of the grid, with the culet as in its best candidate."""
    import numpy as np

    from facetrace.report.orient import Tilts
    from facetrace.studies.orient import candidate_of, hidden, made
    from facetrace.studies.rows import number

    shown, coarse = candidate_of(found.shown), candidate_of(found.coarse)
    rows = [
        r for r in made(found.rows[: found.tried])
        if (candidate_of(r).along, candidate_of(r).across) == (coarse.along, coarse.across)
    ]  # fmt: skip
    return Tilts(
        tilt=np.array([number(r, "tilt") for r in rows]),
        azimuth=np.array([number(r, "azimuth") for r in rows]),
        share=np.array([100 * number(r, "share") for r in rows]),
        most=np.array([number(r, "most") for r in rows]),
        hidden=np.array([hidden(r, found.allow) for r in rows]),
        axis=subject.axis,
        chosen=(shown.tilt, shown.azimuth) if found.best else None,
    )


def _document(
    file: "DesignFile", zones: "ZoneFile", material: "Material", subject: "Subject", setting: "Setting",
    found: _Found, notes: list[str],
) -> str:  # fmt: skip
    from facetrace.results import document
    from facetrace.studies.orient import REPLICATES

    parts = document.head() | {
        "design": {"name": file.design.name, "file": str(file.path), "material": material.name},
        "seed": setting.seed,
        "orient": {
            "zones": {
                "name": zones.model.name,
                "file": str(zones.path),
                "names": [z.name for z in zones.model.zone],
                "blank": zones.model.blank is not None,
                "share_of_stone": list(found.places[0].shares),
            },
            "light": subject.light.name,
            "head_deg": subject.light.head_deg,
            "threshold": setting.threshold,
            "allow": found.allow,
            "sentence": sentence(found, setting, subject),
            "pixel_mm": setting.pixel_mm,
            "samples": setting.samples * REPLICATES,
            "candidates": [_member(row, found.allow) for row in found.rows],
            "as_designed": _member(found.base, found.allow),
            "recommended": _member(found.best, found.allow) if found.best else None,
            "least_visible": _member(found.least, found.allow),
        },
    }
    return document.text_of(parts | document.material_part(material) | {"notes": notes})


def _member(row: "Row", allow: float) -> dict[str, Any]:
    """A candidate for the document."""
    from dataclasses import asdict

    from facetrace.studies.orient import FIGURES, KEY, candidate_of, estimate, hidden

    if row["share"] is None:
        known = {name: row[name] for name in (*KEY, "remark")}
        return {**known, "cost": candidate_of(row).cost, "hidden": False}
    skipped = {name for figure in FIGURES for name in (figure, f"{figure}_stderr")}
    plain = {name: value for name, value in row.items() if name not in skipped}
    figures = {name: asdict(estimate(row, name)) for name in FIGURES}
    return {**plain, **figures, "cost": candidate_of(row).cost, "hidden": hidden(row, allow)}
