"""The JSON document that every command can write; its form is ``results.schema.document``."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import facetrace
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.optics.pleochroism import Pair
from facetrace.results.schema.member import SCHEMA
from facetrace.solid.measure import SolidMeasures
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import FaceUp
from facetrace.trace.scene import View

ESTIMATE = "An estimate from a model, not an appraisal or a laboratory report."
LAMPS = (
    "Under lamps the shares of light are relative to a lamp's radiance, the brightest there is: "
    "light returned is small by nature. Compare brightness, or shares under a light without lamps."
)


def provisional_note(names: Sequence[str]) -> str:
    """That numbers from memory decide a colour."""
    return (
        f"Colour rests on provisional absorption data ({', '.join(names)}): "
        "strengths from memory, +-40 % at best."
    )


def colour_notes(material: Material, *, sure: bool = False) -> list[str]:
    """What to say, once, when numbers from memory or half a measurement decide a colour.

    *sure* leaves the first out, where it has been said of several materials together.
    """
    notes: list[str] = []
    if material.provisional and not sure:
        notes.append(provisional_note(material.provisional))
    if material.spectrum and not material.spectrum.polarised and material.uniaxial:
        notes.append(
            f"{material.spectrum.name} is unpolarised: both rays get the same absorption, so "
            "pleochroism is lost. The real stone's colour changes with the direction of view and "
            "of the c-axis, and may differ from what is shown; columns o and e would tell."
        )
    return notes


def light_notes(light: Light) -> list[str]:
    """What to say of figures under a light."""
    return [LAMPS] if light.lamps else []


def material_part(material: Material) -> dict[str, Any]:
    """The members that say what the crystal is and what colours it: "substance", "spectrum" or "chromophores"."""
    if material.spectrum:
        nm = material.spectrum.wavelength_nm
        return {
            "substance": material.source,
            "spectrum": {
                "file": material.spectrum.name,
                "path": material.spectrum.path,
                "polarised": material.spectrum.polarised,
                "range_nm": [float(nm[0]), float(nm[-1])],
            },
        }
    return {
        "substance": material.source,
        "chromophores": [
            {"name": c.name, "ppma": ppma, "provisional": c.provisional}
            for c, ppma in material.colouring
        ],
    }


def fields_part(pair: Pair) -> dict[str, Any]:
    """The member "dichroscope": the two fields."""
    fields = (("ordinary", pair.ordinary), ("extraordinary", pair.extraordinary))
    return {
        name: {
            "xyz": list(map(float, field.xyz)),
            "lightness": field.lch.lightness,
            "chroma": field.lch.chroma,
            "hue_deg": field.lch.hue_deg,
        }
        for name, field in fields
    }


def head() -> dict[str, Any]:
    """The members that begin every document."""
    return {"schema": SCHEMA, "program": {"name": "facetrace", "version": facetrace.__version__}}


def solid_part(solid: Solid, measures: SolidMeasures) -> dict[str, Any]:
    """The member "solid"."""
    return {**asdict(measures), "missing_facets": list(solid.missing)}


def scene_part(
    light: Light, view: View, axis: tuple[float, float], white: float, *, index: float | None = None,
    absorption: bool = True, wavelength_nm: float | None = None,
) -> dict[str, Any]:  # fmt: skip
    """The member "scene"; axis: tilt and azimuth of c in the stone; white: radiance of the white diffuser."""
    return {
        "light": light.name, "head_deg": light.head_deg, "head_hard": light.head_hard, "view": asdict(view),
        "axis": {"tilt": axis[0], "azimuth": axis[1]}, "index": index, "absorption": absorption,
        "wavelength_nm": wavelength_nm, "white_radiance": white,
    }  # fmt: skip


def trace_part(result: FaceUp, seconds: float) -> dict[str, Any]:
    """The members that a trace adds."""
    part: dict[str, Any] = {
        "measures": {k: asdict(v) for k, v in result.measures.items()},
        "outcomes": result.outcomes,
        "rays": result.rays,
        "events": result.events,
        "seconds": seconds,
        "seed": result.seed,
    }
    for name, colour in (("colour", result.colour), ("colour_within", result.within)):
        part[name] = {"xyz": [asdict(e) for e in colour.xyz]}
        if colour.lightness and colour.chroma and colour.hue_deg:
            part[name] |= {
                "lightness": asdict(colour.lightness),
                "chroma": asdict(colour.chroma),
                "hue_deg": asdict(colour.hue_deg),
            }
    return part


def text_of(document: dict[str, Any]) -> str:
    """The document as JSON text. Raises ValueError for one that is not by the schema, NaN and infinities included."""
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    # some eighty models: only where a document is made
    from facetrace.results.schema.document import Document

    Document.model_validate_json(text)
    return text
