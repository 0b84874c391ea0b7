"""What a report on one stone needs: its document, and the pictures that the document names."""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from facetrace.common.errors import FacetraceError
from facetrace.design.model import DesignFile
from facetrace.optics.colour import observer, srgb_of
from facetrace.optics.lights import Light, description
from facetrace.optics.material import Material
from facetrace.optics.pleochroism import dichroscope_pair
from facetrace.report import bitmap
from facetrace.report.drawing3d import drawing_of_design, zones_in
from facetrace.report.picture import WHITE, face_pixels
from facetrace.report.sweep import angles_part
from facetrace.results import document
from facetrace.rough.zone import ZoneFile
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Floats, Solid
from facetrace.studies import orient, portrait
from facetrace.studies.angles import Setting, plan, sweep
from facetrace.studies.portrait import Look, Stone, Way
from facetrace.studies.tilt import LINE_NM
from facetrace.studies.wish import outcome
from facetrace.trace.maps import THROUGH, FaceMaps
from facetrace.trace.run import Progress, points_for
from facetrace.trace.scene import View, medium_of

# figures of a candidate of the small sweep
SWEEP_RAYS = 1 << 14
SPECTRUM_STEP_NM = 5
ACROSS_C_DEG = 90.0
# a zone counts where it changes the colour by so much (CIEDE2000): seen by an unaided eye (memory)
SEEN = 2.0


@dataclass(frozen=True)
class Ask:
    """What the report is of, and how finely.

    size, samples: pixels a side of the face-up picture and rays in each; small: of the other pictures.
    """

    file: DesignFile
    solid: Solid
    material: Material
    light: Light
    exposure: float
    seed: int
    rays: int
    size: int
    samples: int
    small: int
    zones: ZoneFile | None = None

    @property
    def axis(self) -> tuple[float, float]:
        """Tilt and azimuth of c, degrees."""
        return self.file.design.axis.tilt, self.file.design.axis.azimuth


class Album:
    """Pictures with their facts, as they come."""

    def __init__(self, under: str, exposure: float) -> None:
        self.under, self.exposure = under, exposure
        self.facts: dict[str, dict[str, Any]] = {}
        self.pictures: dict[str, bytes] = {}

    def face(self, ident: str, maps: FaceMaps, white: Floats, samples: int, alt: str, *, glare: bool = True, under: str = "") -> None:  # fmt: skip
        """A stone on grey."""
        pixels, beyond = face_pixels(maps, white, self.exposure, glare)
        self._keep(ident, pixels, maps.step_mm, samples, alt, under or self.under)
        self.facts[ident] |= {"glare": glare, "beyond_screen": beyond}

    def map(self, ident: str, values: Floats, maps: FaceMaps, samples: int, alt: str) -> None:
        """A map of shares."""
        self._keep(ident, bitmap.map_pixels(values, maps.coverage), maps.step_mm, samples, alt, self.under)  # fmt: skip
        del self.facts[ident]["exposure"]

    def _keep(self, ident: str, pixels: Floats, step: float, samples: int, alt: str, under: str) -> None:  # fmt: skip
        self.pictures[ident] = bitmap.encoded(pixels)
        self.facts[ident] = {
            "alt": alt, "width_px": pixels.shape[1], "height_px": pixels.shape[0], "mm_per_pixel": step,
            "rays_per_pixel": samples, "exposure": self.exposure, "under": under,
        }  # fmt: skip


def of_design(ask: Ask, report: Progress) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Document and pictures of a design; *report* is told how much of the work is done."""
    eye = observer()
    medium = medium_of(ask.material, eye)
    stone = Stone(ask.solid, medium, ask.axis, ask.light)
    album = Album(description(ask.light), ask.exposure)
    design = ask.file.design
    placed = _placed(ask)
    face = _face(ask, stone, album, _part(report, 0.0, 0.3))
    sizes = measure(ask.solid, ask.material.density)
    doc = document.head() | {
        "design": {"name": design.name, "file": str(ask.file.path), "material": ask.material.name},
        "solid": document.solid_part(ask.solid, sizes),
        "scene": document.scene_part(ask.light, View(), ask.axis, face.scene.white_radiance),
        **{k: v for k, v in document.trace_part(face.figures, 0.0).items() if k not in ("events", "seconds")},
        **document.material_part(ask.material),
        "drawing": _drawn(ask, placed),
        "leading_area": face.maps.leading,
        "dominant_area": face.maps.dominant,
    }  # fmt: skip
    part: dict[str, Any] = {
        "about": "design",
        "title": design.name,
        "white": WHITE,
        "light": description(ask.light),
    }
    part["lead"] = (
        f"{ask.material.name}, {sizes.carats:.3f} ct, {sizes.length_mm:.2f} x {sizes.width_mm:.2f} x "
        f"{sizes.depth_mm:.2f} mm."
    )
    part |= _rocked(ask, stone, album, _part(report, 0.3, 0.6))
    colours, shown = colours_part(ask.material, sizes.depth_mm)
    doc |= colours
    part |= shown
    doc |= _small_sweep(ask, stone, part, _part(report, 0.6, 0.9))
    if ask.zones and placed:
        part["zone"] = _zone(ask, album, ask.zones, *placed)
    report(1.0)
    notes = [
        document.ESTIMATE, *document.light_notes(ask.light), *document.colour_notes(ask.material), *part.pop("remarks", []),
    ]  # fmt: skip
    part["pictures"] = album.facts
    return doc | {"report": part, "notes": notes}, album.pictures


def _placed(ask: Ask) -> tuple[orient.Subject, orient.Cut] | None:
    """The design among its zones, and its cut at the size that their blank allows."""
    if ask.zones is None:
        return None
    subject = orient.subject_of(ask.file.design, ask.material, ask.zones, ask.light, observer())
    return subject, orient.cut_of(subject, orient.BASE)


def _drawn(ask: Ask, placed: tuple[orient.Subject, orient.Cut] | None) -> dict[str, Any]:
    """The stone to turn; with zones as they lie in it, at the size that its blank allows."""
    design = ask.file.design
    if ask.zones is None or placed is None:
        return drawing_of_design(design, ask.solid)
    subject, cut = placed
    inside = zones_in(cut, subject.bodies, [z.name for z in ask.zones.model.zone])
    name = f"{design.name}, in the blank of {ask.zones.model.name}" if subject.blank else ""
    return drawing_of_design(design, cut.solid, inside, name)


def _part(report: Progress, start: float, end: float) -> Progress:
    return lambda share: report(start + (end - start) * share)


def _face(ask: Ask, stone: Stone, album: Album, report: Progress) -> Look:
    scene = stone.scene(View())
    way = Way(ask.rays, ask.size, ask.samples, ask.seed)
    face = portrait.look_at(scene, way, orient.whole_mm(scene), report)
    name, white = ask.file.design.name, stone.medium.white
    lit = 100 * face.figures.measures["light_return"].value
    alt = f"{name} face up under {ask.light.words}: {lit:.1f} % of all light comes back to the eye."
    album.face("face", face.maps, white, ask.samples, alt)
    with np.errstate(invalid="ignore"):
        left = sum(face.maps.shares[k] for k in THROUGH)
        for kind in (*THROUGH, "absorbed"):
            values = face.maps.shares[kind] / (left if kind in THROUGH else 1.0)
            lead = face.maps.leading.get(kind)
            alt = f"Map of {kind.replace('_', ' ')} over the face" + (f"; it leads on {100 * lead:.0f} % of it." if lead is not None else ".")  # fmt: skip
            album.map(f"map {kind}", np.asarray(values), face.maps, ask.samples, alt)
    return face


def _rocked(ask: Ask, stone: Stone, album: Album, report: Progress) -> dict[str, Any]:
    looks, errors = [], []
    way = Way(max(ask.rays >> 3, 1), ask.small, ask.samples, ask.seed)
    for towards, tilt, look in portrait.rocked(stone, way, report):
        ident = f"rocked {towards} {tilt:g}"
        measures = {k: look.figures.measures[k] for k in (*THROUGH, "brightness")}
        errors += [measures[k].stderr for k in ("light_return", "window")]
        lit = 100 * measures["light_return"].value
        alt = f"Rocked {tilt:g} degrees along the {towards}: {lit:.1f} % of all light comes back."
        album.face(ident, look.maps, stone.medium.white, ask.samples, alt)
        looks.append(
            {"towards": towards, "tilt": tilt, "picture": ident, "measures": {k: asdict(v) for k, v in measures.items()}}
        )  # fmt: skip
    return {"rocked": looks, "rocked_most_stderr": max(errors)}


def colours_part(material: Material, thickness_mm: float) -> tuple[dict[str, Any], dict[str, Any]]:
    """Members of the document, and of its member "report", for the two colours and the spectrum."""
    eye = observer()
    pair = dichroscope_pair(material, math.radians(ACROSS_C_DEG), thickness_mm, eye)
    fields = {"ordinary": pair.ordinary, "extraordinary": pair.extraordinary}
    doc = {
        "angle_deg": ACROSS_C_DEG,
        "thickness_mm": thickness_mm,
        "dichroscope": document.fields_part(pair),
        "difference_ciede2000": pair.difference,
    }
    swatches = {}
    for name, field in fields.items():
        r, g, b = np.round(255 * srgb_of(field.xyz[None], eye.white, 1.0)[0][0]).astype(int)
        swatches[name] = f"rgb({r} {g} {b})"
    nm = np.arange(380, 781, SPECTRUM_STEP_NM, dtype=float)
    o, e = material.absorption(nm)
    if material.spectrum:
        kind = (
            "polarised" if material.spectrum.polarised else "unpolarised, so both rays are the same"
        )
        says = f"From {material.spectrum.name} ({kind})."
    else:
        names = ", ".join(f"{c.name} {ppma:g} ppma" for c, ppma in material.colouring)
        says = f"Coloured by {names}." if names else "Nothing colours it."
    curve = {"nm": nm.tolist(), "o": o.tolist(), "e": e.tolist(), "says": says}
    return doc, {"swatches": swatches, "spectrum": curve}


def _small_sweep(ask: Ask, stone: Stone, part: dict[str, Any], report: Progress) -> dict[str, Any]:
    """The member "angles": a few dozen candidates around the design."""
    design = ask.file.design
    if ask.light.lamps:
        part["remarks"] = [
            "Light against weight is left out: under lamps light returned is no fair wish."
        ]
        return {}
    try:
        ranges = portrait.small_ranges(design, ask.solid)
    except FacetraceError as problem:
        part["remarks"] = [f"Light against weight was not swept: {problem}."]
        return {}
    setting = Setting(
        density=ask.material.density,
        medium=stone.medium,
        clear=medium_of(ask.material, observer(), absorbing=False, wavelength_nm=LINE_NM),
        light=ask.light,
        points=points_for(SWEEP_RAYS),
        seed=ask.seed,
    )
    keys = plan(design, ranges)
    rows = []
    for row in sweep(design, ranges, setting, {}):
        rows.append(row)
        report(len(rows) / len(keys))
    return {"angles": angles_part(outcome(design, ranges, setting, rows, "balance"))}


def _zone(
    ask: Ask, album: Album, zones: ZoneFile, subject: orient.Subject, cut: orient.Cut
) -> dict[str, Any]:
    """The stone without and with its zones, at one scale."""
    base = orient.BASE
    setting = orient.Setting(threshold=SEEN, seed=ask.seed)
    row = next(iter(orient.sweep(subject, [base], setting, {})))
    faces = orient.portraits(subject, [(base, False), (base, True)], ask.small * 2, ask.seed)
    for ident, words, maps in zip(("zone without", "zone with"), ("without its zones", "with its zones"), faces, strict=True):  # fmt: skip
        album.face(
            ident, maps, subject.plain.white, orient.PORTRAIT_SAMPLES, f"{ask.file.design.name} {words}, face up.",
            glare=False,
            under=f"{description(ask.light)} The surface's mirror light is left out.",
        )  # fmt: skip
    own = measure(cut.solid, subject.density)
    return {
        "blank": subject.blank is not None,
        "carats": own.carats,
        "length_mm": own.length_mm,
        "width_mm": own.width_mm,
        "name": zones.model.name,
        "file": str(zones.path),
        "names": [z.name for z in zones.model.zone],
        "share_of_stone": list(orient.place_of(subject, base).shares),
        "threshold": SEEN,
        "share": asdict(orient.estimate(row, "share")),
        "most": asdict(orient.estimate(row, "most")),
    }
