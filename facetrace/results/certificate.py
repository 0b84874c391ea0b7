"""The certificate of a planned stone, in words and for the JSON document."""

from typing import Any

import numpy as np

from facetrace.placement.certificate import TOLERANCE_MM, Certificate


def certificate_words(certificate: Certificate) -> str:
    """One sentence of a certificate that holds; what is wrong of one that does not."""
    if not certificate.ok:
        return "Not certified. " + " ".join(certificate.problems)
    parts = [f"{_mm(certificate.surface_mm)} under the surface"]
    for name, kind in certificate.lies.items():
        mm = _mm(certificate.defects_mm.get(name, 0.0))
        if kind == "off":
            parts.append(f"{mm} off the {name}")
        elif kind == "inside":
            parts.append(f"the {name} lies {mm} inside")
        elif kind == "inside in part":
            parts.append(f"the {name} lies {mm} inside or off, part by part")
        elif kind == "under girdle":
            parts.append(f"the {name} stays under the girdle, {mm} off")
    if certificate.saw_mm is not None:
        parts.append(f"{_mm(certificate.saw_mm)} off the saw cut")
    parts.append(f"table {certificate.table_to_c_deg:.1f} deg from c")
    return f"Checked on all {certificate.triangles:,} triangles of the rough: {', '.join(parts)}."


def _mm(value: float) -> str:
    return f"{max(0.0, value):.2f} mm"


def certificate_member(certificate: Certificate) -> dict[str, Any]:
    """For JSON: lengths in mm; null where a defect has no say, or nothing could be measured."""

    def known(value: float | None) -> float | None:
        if value is None or not np.isfinite(value):
            return None
        # what rounding took off a touch
        return 0.0 if -TOLERANCE_MM <= value < 0 else float(value)

    return {
        "ok": certificate.ok,
        "problems": list(certificate.problems),
        "surface_mm": known(certificate.surface_mm),
        "defects": [
            {"name": name, "mm": known(certificate.defects_mm.get(name)), "lies": kind}
            for name, kind in certificate.lies.items()
        ],
        "saw_mm": known(certificate.saw_mm),
        "table_to_c_deg": known(certificate.table_to_c_deg),
        "volume_mm3": known(certificate.volume_mm3),
        "triangles": certificate.triangles,
    }
