"""A new file of a stone that is cut already, with a remark beside each key (``facetrace new stone``)."""

import math
from dataclasses import dataclass

from facetrace.common.commented import Entry, Table, commented, plain
from facetrace.recut.stone import KINDS, Limits, StoneModel

HEAD = (
    "A stone that is cut already, for `facetrace recut`: which facets to recut, what goes, what stays.",
    "`facetrace recut --facets` lists the names of its facets. Lines behind a # are examples.",
)
FLAW = (
    "Each flaw has a [[flaw]] of its own. facet: by its name; at: where on it, right and up from its middle, seen from",
    "outside, -1 to 1 (left out: anywhere on it). depth_mm: as deep as it must be cut; width_mm: its width, if it has one.",
)
# steps of weight to which a floor is set, ct
STEP_CARATS = 0.1


@dataclass(frozen=True)
class SeenFlaw:
    """A flaw: its kind, the name of the facet or place, how deep it goes [mm]; at_mm: a place instead of a facet."""

    kind: str
    facet: str
    deep_mm: float
    at_mm: tuple[float, float, float] | None = None


def new_stone(
    shape: str, size_mm: tuple[float, float, float], carats: float, *, floor_carats: float | None = None,
    name: str = "Cut stone", material: str | None = None, flaw: SeenFlaw | None = None,
) -> str:  # fmt: skip
    """Text of a cut stone's file.

    Parameters
    ----------
    shape: name of its design file, or of a scan, from the file's folder; a scan is named with its material.
    size_mm: length, width and depth, as measured [mm].
    carats: weighed [ct].
    floor_carats: what it must keep; left out, the tenth of a carat below [ct].
    name, material: as in the file.
    flaw: one that was seen.
    """
    length, width, depth = map(plain, size_mm)
    spare = StoneModel.model_fields["spare_carats"].default
    drawn = Entry("design", shape, "the design that it was cut by; sizes are scaled to those below")
    scanned = Entry("mesh", shape, "a scan of it, in mm"), Entry("material", material, "what it is")
    top = (
        Entry("name", name, "as tables and pages show it"),
        *(scanned if material else (drawn,)),
        Entry("floor_carats", plain(floor_carats or usual_floor(carats)), "it must not fall below this, ct"),
        Entry("spare_carats", spare, "and so much is kept above it, for polish, ct"),
        Entry("notes", "", "whatever you want to keep with it"),
    )  # fmt: skip
    measured = (
        Entry("length_mm", length, "the longer side, mm"),
        Entry("width_mm", width, "across it, mm"),
        Entry("depth_mm", depth, "table to culet, mm"),
        Entry("carats", plain(carats), "what the balance says, ct"),
    )
    return commented(HEAD, (
        Table("", top), Table("[measured]", measured, ("by caliper and balance",)), Table("[limits]", _limits()),
        _flaw(flaw),
    ))  # fmt: skip


def usual_floor(carats: float) -> float:
    """The tenth of a carat below a weight, with room for polish; of the smallest stones 9 tenths of it [ct]."""
    spare = float(StoneModel.model_fields["spare_carats"].default)
    floor = round(math.floor((carats - spare) / STEP_CARATS + 1e-9) * STEP_CARATS, 6)
    return floor if floor > 0 else round(0.9 * carats, 3)


def _limits() -> tuple[Entry, ...]:
    limits = Limits()
    return (
        Entry("most_angle", plain(limits.most_angle), "degrees that a facet may turn"),
        Entry("symmetry_mm", limits.symmetry_mm, "how far meets may part, mm"),
        Entry("girdle_mm", limits.girdle_mm, "the girdle is left no thinner, mm"),
        Entry(
            "light_points",
            plain(limits.light_points),
            "light returned may fall by so many % of all light",
        ),
        Entry("most_carats", 0.02, "what the whole re-cut may cost, ct", off=True),
    )


def _flaw(flaw: SeenFlaw | None) -> Table:
    shown = flaw or SeenFlaw("pit", "table", 0.02)
    where: tuple[Entry, ...] = (Entry("facet", shown.facet), Entry("at", [0, 0], off=True))
    if shown.at_mm:
        where = (Entry("at_mm", [plain(round(x, 3)) for x in shown.at_mm]),)
    return Table("[[flaw]]", (
        Entry("name", f"{shown.kind} in {shown.facet}"[:40]),
        Entry("kind", shown.kind, ", ".join(KINDS)),
        *where,
        Entry("depth_mm", plain(shown.deep_mm)),
    ), FLAW, off=flaw is None)  # fmt: skip
