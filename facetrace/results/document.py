"""The JSON document that every command can write: one schema, versioned.

schema      "facetrace-result/1"; a reader should refuse a number it does not know
program     name and version
design      name, file, material
solid       SolidMeasures, missing_facets
scene       light, head, view, axis, medium: what was traced
measures    NAME -> {value, stderr, dof}: dof for Student's t
outcomes    every named end of a path; they sum to 1
colour      mean colour: xyz (white diffuser: Y = 1), lightness, chroma, hue_deg, each
            {value, stderr}; colour_within: the same without the surface's mirror light
picture     the face-up picture: scale, rays, exposure, what white is
report      of facetrace report: what it adds to the other members (pictures and their facts, the stone rocked, ...)
dominant_area, leading_area   shares of the face (see measures.maps.FaceMaps)
rays, events, seconds, seed
substance      name or file by which the material is found
chromophores   what colours the material: name, ppma, provisional (numbers from memory)
spectrum    instead of them, the user's: file, polarised, range_nm that is used
angles      of facetrace angles: what was varied, rows (values, sizes, figures, gains on the design as it
            stands, tilt_deg: null beyond tilt_limit_deg; a candidate that cannot be cut has a
            remark alone), numbers from 0 of the rows on the front and best for each wish, and the
            recommendation with its figures and gains traced afresh
girdle      of facetrace girdle: the model of the ground girdle, rows by thickness, tilt and finish, findings
checks      of facetrace verify: name, source, and of its comparisons the one under most strain
orient      of facetrace orient: zones (share_of_stone: of the untilted stone's volume), threshold,
            allow, candidates (each figure {value, stderr, dof}; one that cannot be cut has a remark and no
            figures), as_designed (in a blank: untilted), recommended (null if no candidate hides the
            zones, or none reaches into the stone), least_visible
plan        of facetrace plan: rough, loss, plans heaviest first (where each stone lies: points r of the design's
            solid stand at shift_mm + scale * turn @ r in the crystal frame, c along +z; gap: by what share the best
            possible may be heavier; figures {value, stderr}; value and bid where prices are known), best:
            number from 0 of the plan to go by, null if nothing fits; without: what each defect costs;
            sawn: two stones and the plane between them, or null; words: what is printed
lot         of facetrace lot: such a member for each rough
recut       of facetrace recut: worth_it and verdict; flaws (gone, how, costs_carats, reasons, all remedies), cuts
            facet by facet, sizes and carats before and after, light before, after and change (paired)
sheet       of facetrace sheet: preform (faces from the girdle plane; radii from the axis to its wall by index
            position), girdle (flats: from the axis), other_gear: how the positions fit another gear, or null;
            steps in order: settings (facets of one angle and depth; aim: corners that stand already, or mm
            where none does, see solid.steps.Aim; words: what is printed), checks when the step is done
            (solid.steps.Checks, null for what is not there yet), fault: what 0.1 degrees of error do
            (solid.steps.Fault; keep_deg: the smaller tolerance, null where none is within 5 degrees)
mark        of facetrace mark, in the rough file's frame: rough (box around the piece), c (its angles to x, y, z; out of the
            paper in each view), stones (points: where they are, and from each side of the box; planes: up: the side
            held up, heights_mm at the middle of the other sides from the opposite side up, null outside the
            box; below_mm: under the outermost point along the normal of the piece, of a sawn one its own side), saw: such a plane, or null
drawing     a stone, or stones in their rough, with facets by name, defects and c: what report/solid3d.js draws
            (see report/drawing3d.py); coordinates are rounded to rounded_mm
movie       of facetrace movie: motion, frames (view, degrees; bright: share of the stone too bright for the screen,
            shown in its own chromaticity), frame_ms, exposure and its rule (null where it was given), white: what
            luminance 1 is, scale: mm of a pixel and of the picture's width, middle (right, up), lamp_share: of
            a table's light from the lamps
notes       cautions that belong to the numbers
"""

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import facetrace
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.optics.pleochroism import Pair
from facetrace.solid.measure import SolidMeasures
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import FaceUp
from facetrace.trace.scene import View

SCHEMA = "facetrace-result/1"
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
    """The document as JSON text; refuses NaN and infinities."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
