"""The JSON of a page on one design: what all commands' documents have, and the member "report"."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from facetrace.optics.colour import observer, srgb_of
from facetrace.optics.lights import description
from facetrace.optics.material import Material
from facetrace.results import document
from facetrace.results.angles import member as angles_member
from facetrace.studies.portrait import ACROSS_C_DEG, SEEN, AmongZones, DesignPortrait
from facetrace.studies.screen import WHITE
from facetrace.studies.visibility import estimate
from facetrace.trace.maps import THROUGH
from facetrace.trace.scene import View

SPECTRUM_STEP_NM = 5


def design_document(
    portrait: DesignPortrait, file: str, drawing: Mapping[str, Any], pictures: Mapping[str, Any]
) -> dict[str, Any]:  # fmt: skip
    """The whole document.

    Parameters
    ----------
    file : the design's.
    drawing : the member of that name, see ``report.drawing3d``.
    pictures : facts of each picture of the page, by its name.
    """
    face, sizes, material, light = (
        portrait.face,
        portrait.sizes,
        portrait.stone.material,
        portrait.stone.light,
    )
    traced = document.trace_part(face.figures, 0.0)
    del traced["events"], traced["seconds"]
    part: dict[str, Any] = {
        "about": "design",
        "title": portrait.design.name,
        "white": WHITE,
        "light": description(light),
        "lead": f"{material.name}, {sizes.carats:.3f} ct, {sizes.length_mm:.2f} x {sizes.width_mm:.2f} x {sizes.depth_mm:.2f} mm.",
        **_rocked(portrait),
        "swatches": _swatches(portrait),
        "spectrum": _spectrum(material),
    }
    if portrait.zones:
        part["zone"] = _zone(portrait.zones)
    notes = [document.ESTIMATE, *document.light_notes(light), *document.colour_notes(material), *portrait.remarks]  # fmt: skip
    return document.head() | {
        "design": {"name": portrait.design.name, "file": file, "material": material.name},
        "solid": document.solid_part(portrait.stone.solid, sizes),
        "scene": document.scene_part(light, View(), portrait.stone.axis, face.scene.white_radiance),
        **traced,
        **document.material_part(material),
        "drawing": drawing,
        "leading_area": face.maps.leading,
        "dominant_area": face.maps.dominant,
        "angle_deg": ACROSS_C_DEG,
        "thickness_mm": sizes.depth_mm,
        "dichroscope": document.fields_part(portrait.pair),
        "difference_ciede2000": portrait.pair.difference,
        **({"angles": angles_member(portrait.angles)} if portrait.angles else {}),
        "report": part | {"pictures": pictures},
        "notes": notes,
    }  # fmt: skip


def rocked_name(towards: str, tilt: float) -> str:
    """Name of the picture of a rocked stone."""
    return f"rocked {towards} {tilt:g}"


def _rocked(portrait: DesignPortrait) -> dict[str, Any]:
    looks: list[dict[str, Any]] = []
    for one in portrait.rocked:
        measures = {k: asdict(one.look.figures.measures[k]) for k in (*THROUGH, "brightness")}
        looks.append({
            "towards": one.towards, "tilt": one.tilt, "picture": rocked_name(one.towards, one.tilt), "measures": measures,
        })  # fmt: skip
    errors = [look["measures"][k]["stderr"] for look in looks for k in ("light_return", "window")]
    return {"rocked": looks, "rocked_most_stderr": max(errors)}


def _swatches(portrait: DesignPortrait) -> dict[str, str]:
    """Colours of the two fields of a dichroscope, as CSS has them."""
    white = observer().white
    swatches = {}
    for name in ("ordinary", "extraordinary"):
        xyz = getattr(portrait.pair, name).xyz
        r, g, b = np.round(255 * srgb_of(xyz[None], white, 1.0)[0][0]).astype(int)
        swatches[name] = f"rgb({r} {g} {b})"
    return swatches


def _spectrum(material: Material) -> dict[str, Any]:
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
    return {"nm": nm.tolist(), "o": o.tolist(), "e": e.tolist(), "says": says}


def _zone(zones: AmongZones) -> dict[str, Any]:
    own, model = zones.sizes, zones.file.model
    return {
        "blank": zones.subject.blank is not None,
        "carats": own.carats,
        "length_mm": own.length_mm,
        "width_mm": own.width_mm,
        "name": model.name,
        "file": str(zones.file.path),
        "names": [z.name for z in model.zone],
        "share_of_stone": list(zones.shares),
        "threshold": SEEN,
        "share": asdict(estimate(zones.row, "share")),
        "most": asdict(estimate(zones.row, "most")),
    }
