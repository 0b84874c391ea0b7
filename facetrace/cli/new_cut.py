"""What `facetrace new design` and `facetrace new stone` ask, the text that they make of it, and how that is checked."""

import shlex
from pathlib import Path
from typing import Any

from facetrace.cli.asking import (
    MATERIAL,
    NONE,
    Answers,
    NewFile,
    Question,
    fits,
    material,
    named_from,
    number,
    number_of,
    old_file,
    one_of,
    plain_words,
    says,
    sizes,
)
from facetrace.cli.shop import SHOP_QUESTIONS
from facetrace.common.errors import FacetraceError
from facetrace.common.tomlfile import ModelFile, parse_model
from facetrace.design.model import (
    Design,
    DesignError,
    Outline,
    Percent,
    SlopeAngle,
    read_design,
)
from facetrace.design.new import OUTLINES, PROPORTIONS, new_design, usual_crown, usual_name
from facetrace.optics.material import material_in
from facetrace.recut.new import SeenFlaw, new_stone, usual_floor
from facetrace.recut.stone import KINDS as FLAWS
from facetrace.recut.stone import (
    Carats,
    CutStone,
    Flaw,
    Measured,
    Millimetres,
    StoneModel,
    no_facet,
    stone_of,
)
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure

# outlines that no one orders as long as wide
LONG = ("oval", "pear", "marquise")

# ---- a design -----------------------------------------------------------------------------------


def _design_size(text: str, answers: Answers) -> tuple[float, float]:
    count = (2,) if answers["outline"] in LONG else (1, 2)
    found = sizes(text, count, "8x6.4", float)
    length, width = found[0], found[-1]
    fits(Outline, shape=answers["outline"], length_mm=length, width_mm=width)
    return length, width


def _usual_size(answers: Answers) -> str:
    length, width = PROPORTIONS[answers["outline"]].size_mm
    return f"{length:g}" if answers["outline"] == "round" else f"{length:g}x{width:g}"


DESIGN_QUESTIONS = (
    Question("outline", says(f"Outline: {', '.join(OUTLINES)}"), one_of(lambda _: OUTLINES), says("round")),
    Question("cut", says("Cut: brilliant, step, or mixed (brilliant above steps)"),
             one_of(lambda a: PROPORTIONS[a["outline"]].cuts), lambda a: PROPORTIONS[a["outline"]].cuts[0],
             lambda a: len(PROPORTIONS[a["outline"]].cuts) > 1),
    Question("size", lambda a: "Diameter, mm" if a["outline"] == "round" else "Length and width, mm, like 8x6.4",
             _design_size, _usual_size),
    MATERIAL,
    Question("crown_angle", says("Angle of the crown, degrees from the girdle"), number(SlopeAngle),
             lambda a: f"{usual_crown(a['outline'], _cut(a)):g}"),
    Question("pavilion_angle", says("Angle of the pavilion, degrees from the girdle"), number(SlopeAngle),
             lambda a: f"{PROPORTIONS[a['outline']].pavilion_angle:g}"),
    Question("table", says("Table, % of the width"), number(Percent, "%"),
             lambda a: f"{PROPORTIONS[a['outline']].table_percent:g}"),
    SHOP_QUESTIONS["gear"],
    Question("name", says("Name"), plain_words, lambda a: usual_name(a["outline"], _cut(a), a["size"])),
)  # fmt: skip


def _cut(answers: Answers) -> Any:
    return answers.get("cut") or PROPORTIONS[answers["outline"]].cuts[0]


def _design_text(answers: Answers, _: Path) -> str:
    return new_design(
        answers["outline"], _cut(answers), answers["size"], name=answers["name"], material=answers["material"],
        gear=int(answers["gear"]), crown_angle=answers["crown_angle"], pavilion_angle=answers["pavilion_angle"],
        table_percent=answers["table"],
    )  # fmt: skip


def _check_design(text: str, path: Path) -> list[str]:
    design = parse_model(text, path, Design)
    try:
        shape = measure(build_solid(design), material_in(path, design.material).density)
    except DesignError as problem:
        raise FacetraceError(problem) from None
    return [f"{shape.carats:.2f} ct, {shape.length_mm:.2f} x {shape.width_mm:.2f} x {shape.depth_mm:.2f} mm"]  # fmt: skip


# ---- a stone that is cut already ----------------------------------------------------------------


def _stone_size(text: str, _: Answers) -> tuple[float, ...]:
    found = sizes(text, (3,), "6.18x6.16x3.94", Millimetres)
    fits(Measured, length_mm=found[0], width_mm=found[1], depth_mm=found[2], carats=1.0)
    return found


def _floor(text: str, answers: Answers) -> float:
    floor = number(Carats, "ct")(text, answers)
    if floor >= answers["carats"]:
        raise FacetraceError(f"must be less than the {answers['carats']:g} ct that it weighs")
    return floor


def _scanned(answers: Answers) -> bool:
    return bool(answers["design"].suffix.lower() != ".toml")


# a chip is seldom in the middle of the table
ON_A_FACE = ("pit", "scratch")
CULET = "culet"
NO_FLAW = (
    "It has no flaw yet: write what you see into it (facetrace recut {} --facets lists the facets)."
)


def _flawed(answers: Answers) -> bool:
    return bool(answers["flaw"] != NONE)


def _shape_file(text: str, answers: Answers) -> Path:
    path = old_file(text, answers)
    if path.suffix.lower() == ".toml":
        read_design(path)
    return path


def _flaw_facet(text: str, answers: Answers) -> str:
    name = plain_words(text, answers)
    if name != CULET and not _scanned(answers):
        names = build_solid(read_design(answers["design"]).design).names
        if name not in names:
            raise FacetraceError(no_facet(name, names))
    return name


STONE_QUESTIONS = (
    Question("design", says("File of the design that it was cut by, or of a scan (STL, OBJ or PLY)"), _shape_file),
    Question("material", says("Material"), material, says("ruby"), _scanned),
    Question("size", says("Length, width and depth by caliper, mm, like 6.18x6.16x3.94"), _stone_size),
    Question("carats", says("Weight, ct"), number(Carats, "ct")),
    Question("floor", says("It must not fall below, ct"), _floor,
             lambda a: f"{usual_floor(a['carats']):g}"),
    Question("flaw", says(f"A flaw? {', '.join(FLAWS)}"), one_of(lambda _: (*FLAWS, NONE)), says(NONE)),
    Question("flaw_facet", says("On which facet, like table, girdle 3, pavilion main 12, or culet"), _flaw_facet,
             lambda a: "table" if a["flaw"] in ON_A_FACE else None, _flawed),
    Question("flaw_deep", says("How deep must be cut to be rid of it, mm"),
             number_of(Flaw, "depth_mm", "mm"), when=_flawed),
    Question("name", says("Name"), plain_words, says("Cut stone")),
)  # fmt: skip


def _stone_text(answers: Answers, path: Path) -> str:
    def text(flaw: SeenFlaw | None) -> str:
        return new_stone(
            named_from(path, answers["design"]), answers["size"], answers["carats"], floor_carats=answers["floor"],
            name=answers["name"], material=answers.get("material"), flaw=flaw,
        )  # fmt: skip

    if not _flawed(answers):
        return text(None)
    at_mm = None
    if answers["flaw_facet"] == CULET:
        at_mm = _point_of_culet(_read(text(None), path))
    return text(SeenFlaw(answers["flaw"], answers["flaw_facet"], answers["flaw_deep"], at_mm))


def _point_of_culet(stone: CutStone) -> tuple[float, float, float] | None:
    """The lowest point as the file says places; None where the culet is a facet, which its name says."""
    if CULET in stone.solid.names:
        return None
    corners = stone.solid.vertices
    ((x, y, z),) = stone.places(corners[[corners[:, 2].argmin()]]).tolist()
    return x, y, z


def _read(text: str, path: Path) -> CutStone:
    return stone_of(ModelFile(path, text, parse_model(text, path, StoneModel)))


def _check_stone(text: str, path: Path) -> list[str]:
    stone = _read(text, path)
    return (
        list(stone.notes) if stone.spots else [*stone.notes, NO_FLAW.format(shlex.quote(str(path)))]
    )


DESIGN = NewFile(DESIGN_QUESTIONS, _design_text, _check_design, "facetrace trace {}")
STONE = NewFile(STONE_QUESTIONS, _stone_text, _check_stone, "facetrace recut {}", ("design",))
