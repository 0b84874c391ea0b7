"""A new design file in the short form, with a remark beside each key (``facetrace new design``)."""

from dataclasses import dataclass, replace
from typing import Literal, get_args

from facetrace.common.commented import Entry, Table, commented, plain
from facetrace.design.model import SHAPES

# brilliant above and below; steps above and below; brilliant above steps
Cut = Literal["brilliant", "step", "mixed"]
OUTLINES: tuple[str, ...] = get_args(SHAPES)
ANY: tuple[Cut, ...] = get_args(Cut)
# a crown of steps: the angle nearest the table; and how round steps run
STEP_CROWN, STEPS, STEP_BULGE = 30.0, 3, 0.2


@dataclass(frozen=True)
class Proportions:
    """What a new design of an outline begins with: invented, in the manner of the shipped examples.

    size_mm: length and width. Angles: degrees, of the mains across the width, of steps nearest the table and the keel.
    girdle_percent: thickness, % of the width. by_gear: mains lie on teeth of the gear, so that
    it decides how many there can be. cuts: those that are made of it, the usual one first. own: keys of the outline.
    """

    size_mm: tuple[float, float]
    crown_angle: float = 35
    pavilion_angle: float = 42
    table_percent: float = 56
    mains: int = 8
    flats: int = 16
    girdle_percent: float = 3.5
    bulge: float = 0
    lower_girdle_percent: float = 70
    keel_percent: float | None = None
    culet_shift_percent: float = 0
    by_gear: bool = False
    cuts: tuple[Cut, ...] = ANY
    own: tuple[Entry, ...] = ()


PROPORTIONS = {
    "round": Proportions((6.5, 6.5), 36, girdle_percent=2.8, by_gear=True),
    "oval": Proportions((8, 6.4), bulge=0.18, lower_girdle_percent=36, by_gear=True),
    "pear": Proportions((8.4, 6), 36, 41, 58, bulge=0.05, lower_girdle_percent=82, keel_percent=24),
    "marquise": Proportions((9.6, 5), 34, 40, 55, bulge=0.08, lower_girdle_percent=80, keel_percent=45),
    "cushion": Proportions((7.6, 6.6), bulge=0.18, lower_girdle_percent=36, by_gear=True,
                           own=(Entry("fullness", 3.2, "2 is an ellipse, more is squarer"),)),
    "rectangle": Proportions((7.5, 5.5), table_percent=58, flats=8, cuts=("step",),
                             own=(Entry("corner_percent", 16, "cut off each corner, % of the width"),)),
    "heart": Proportions((7, 7), 33, 40.5, 60, mains=10, flats=20, bulge=0.04, lower_girdle_percent=72,
                         culet_shift_percent=-16, cuts=("brilliant",),
                         own=(Entry("cleft_percent", 15, "depth of the cleft, % of the length"),)),
}  # fmt: skip
HEAD = (
    "A design file. Change any number; `facetrace solid` and `facetrace trace` tell what becomes of it.",
    "Angles are degrees from the girdle plane. The angles below are a beginning: `facetrace angles` finds better ones.",
)


def new_design(
    outline: str, cut: Cut | None = None, size_mm: tuple[float, float] | None = None, *, name: str | None = None,
    material: str = "ruby", gear: int = 96, crown_angle: float | None = None, pavilion_angle: float | None = None,
    table_percent: float | None = None,
) -> str:  # fmt: skip
    """Text of a design file. What is left out is what the outline usually has.

    Parameters
    ----------
    outline: one of OUTLINES.
    cut: brilliant, step, or mixed (brilliant above steps).
    size_mm: length and width [mm].
    name, material: as in the file.
    gear: teeth of the index wheel.
    crown_angle, pavilion_angle: of the mains, or of the steps nearest table and keel [deg].
    table_percent: width of the table [% of the width].
    """
    usual = on_gear(PROPORTIONS[outline], gear)
    cut = cut or usual.cuts[0]
    length, width = map(plain, size_mm or usual.size_mm)
    top = (
        Entry(
            "name", name or usual_name(outline, cut, (length, width)), "as tables and pages show it"
        ),
        Entry("gear", gear, "teeth of the index wheel"),
        Entry("material", material, "what the stone is"),
        Entry("notes", "", "whatever you want to keep with it"),
    )
    shape = (
        Entry("shape", outline, ", ".join(OUTLINES)),
        Entry("length_mm", length, "the longer side, mm" if outline != "heart" else "from cleft to point, mm"),
        Entry("width_mm", width, "across it, mm"),
        *usual.own,
    )  # fmt: skip
    girdle = (
        Entry("facets", usual.flats, "flats around the girdle"),
        Entry("thickness_mm", round(usual.girdle_percent * width / 100, 2), "at the thin places, mm"),
    )  # fmt: skip
    return commented(HEAD, (
        Table("", top), Table("[outline]", shape), Table("[girdle]", girdle),
        Table("[crown]", _crown(usual, cut, crown_angle, table_percent or usual.table_percent)),
        Table("[pavilion]", _pavilion(usual, cut, pavilion_angle or usual.pavilion_angle)),
        Table("[axis]", (
            Entry("tilt", 0, "of the c-axis from the table's normal, degrees"),
            Entry("azimuth", 0, "its direction, degrees from the length"),
        ), off=True),
    ))  # fmt: skip


def on_gear(usual: Proportions, gear: int) -> Proportions:
    """The same with as many mains as the gear has teeth for: four to a main, for its breaks; as it is where none fit."""
    fitting = [n for n in range(4, 17) if gear % (4 * n) == 0]
    if not usual.by_gear or not fitting:
        return usual
    # few mains leave a long outline's stars no room: rather some more
    mains = min(fitting, key=lambda n: (max(n - usual.mains, 2 * (usual.mains - n)), -n))
    return replace(usual, mains=mains, flats=2 * mains)


def usual_name(outline: str, cut: str, size_mm: tuple[float, float]) -> str:
    """Like "Oval brilliant, 8 x 6.4 mm"."""
    length, width = map(plain, size_mm)
    return f"{outline.capitalize()} {cut}, {length if length == width else f'{length} x {width}'} mm"  # fmt: skip


def usual_crown(outline: str, cut: str) -> float:
    """The crown's angle that a new design begins with [deg]."""
    return STEP_CROWN if cut == "step" else PROPORTIONS[outline].crown_angle


def _crown(usual: Proportions, cut: Cut, angle: float | None, table: float) -> tuple[Entry, ...]:
    width = Entry("table_percent", plain(table), "width of the table, % of the width")
    if cut == "step":
        return (
            Entry("style", "step", "brilliant or step"),
            Entry("angle", plain(angle or STEP_CROWN), "of the step nearest the table; or all: [46, 38, 30]"),
            width,
            Entry("steps", STEPS, "how many"),
            Entry("bulge", STEP_BULGE, "0 is a straight flank, more is rounder, up to 0.5"),
        )  # fmt: skip
    return (
        Entry("style", "brilliant", "brilliant or step"),
        Entry("angle", plain(angle or usual.crown_angle), "of the mains across the width"),
        width,
        Entry("mains", usual.mains, "how many main facets"),
        Entry("star_percent", 50, "how far the stars reach down, %"),
    )


def _pavilion(usual: Proportions, cut: Cut, angle: float) -> tuple[Entry, ...]:
    styles = "brilliant, step, or mixed (steps at the girdle, brilliant below)"
    keel, shift = usual.keel_percent, usual.culet_shift_percent
    ends = (
        Entry("keel_percent", plain(keel or 10), "draws the culet out to a keel, % of the length", keel is None),
        Entry("culet_percent", 5, "a culet facet, % of the width", True),
        Entry("culet_shift_percent", [shift, 0], "culet off the centre: along, across, % of the width", not shift),
    )  # fmt: skip
    if cut == "brilliant":
        return (
            Entry("style", "brilliant", styles),
            Entry("angle", plain(angle), "of the mains across the width"),
            Entry("mains", usual.mains, "how many main facets"),
            Entry("lower_girdle_percent", usual.lower_girdle_percent, "how far the breaks reach down, %"),
            Entry("bulge", usual.bulge, "0 is a straight flank, more a rounder belly that keeps weight, up to 0.5"),
            *ends,
        )  # fmt: skip
    return (
        Entry("style", "step", styles),
        Entry("angle", plain(angle), "of the step nearest the keel; or all: [58, 49, 42]"),
        Entry("steps", STEPS, "how many"),
        Entry("bulge", STEP_BULGE, "0 is a straight flank, more a rounder belly that keeps weight, up to 0.5"),
        *ends,
    )  # fmt: skip
