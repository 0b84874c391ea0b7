"""The stones of a result, made again from the files that it names: scenes to trace, solids to draw, words of a page.

Raises FacetraceError where files are gone or have changed; to be used within ``reading.complete``.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from facetrace.design.model import Axis, Design, read_design
from facetrace.design.vary import with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light, description, find_light
from facetrace.optics.material import Material, find_material
from facetrace.optics.spectrum import read_spectrum
from facetrace.recut.stone import read_stone
from facetrace.results.reading import Result, lying, unchanged
from facetrace.rough.model import read_rough
from facetrace.rough.rough import Rough, rough_of
from facetrace.rough.zone import read_zones
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.plan_task import HIDDEN
from facetrace.studies.screen import WHITE
from facetrace.studies.viewer import viewer_of
from facetrace.studies.zoned import Cut, candidate_of, cut_of, scenes, subject_of, zones_in
from facetrace.trace.scene import Scene, View, medium_of, scene_of

# a flaw is drawn at least so large, mm
FLAW_MM = 0.15


@dataclass(frozen=True)
class Face:
    """A stone to be seen face up: the name of its picture, what that shows in words, and the scene."""

    name: str
    alt: str
    scene: Scene


@dataclass(frozen=True)
class StoneToDraw:
    """What ``report.drawing3d.drawing_of_design`` takes."""

    design: Design | None
    solid: Solid
    bodies: Sequence[tuple[str, Body]] = ()
    name: str = ""
    kinds: Sequence[str] = ()


@dataclass(frozen=True)
class PlanToDraw:
    """The stones of one plan, where they lie in the rough."""

    name: str
    cuts: tuple[Cut, ...]
    designs: tuple[Design, ...]


@dataclass(frozen=True)
class RoughToDraw:
    """A rough with its plans, the best first."""

    rough: Rough
    plans: list[PlanToDraw]


@dataclass(frozen=True)
class StonesAgain:
    """What a page on a result shows besides the result itself.

    faces: at one scale, with the surface's mirror light if *glare*; under: light of the pictures, in words; light: under which
    the stones are, None without any; sums: of a lot.
    """

    result: Result
    title: str
    lead: str
    drawing: StoneToDraw | RoughToDraw | None = None
    faces: Sequence[Face] = ()
    under: str = ""
    glare: bool = True
    light: Light | None = None
    sums: Mapping[str, float] | None = None

    @property
    def seed(self) -> int:
        """The result's own."""
        return _seed(self.result)

    def document(
        self, drawing: Mapping[str, Any] | None, pictures: Mapping[str, Any]
    ) -> dict[str, Any]:
        """The result with the member "report"; see ``results.page.design_document``."""
        part: dict[str, Any] = {"title": self.title, "lead": self.lead}
        part |= {"sums": self.sums} if self.sums else {}
        part |= {"light": description(self.light)} if self.light else {}
        part |= {"about": self.result.kind, "white": WHITE, "pictures": pictures}
        drawn = {} if drawing is None else {"drawing": drawing}
        return self.result.document | drawn | {"report": part}


def stones_again(result: Result) -> StonesAgain:
    """The stones of any result."""
    makers: Mapping[str, Callable[[Result], StonesAgain]] = {
        "angles": _angles, "orient": _orient, "girdle": _girdle, "recut": _recut, "plan": _plan, "lot": _lot,
    }  # fmt: skip
    return makers[result.kind](result)


# ---- of one design -----------------------------------------------------------------------------


def _girdle(result: Result) -> StonesAgain:
    design = _design(result)
    drawing = StoneToDraw(design, build_solid(design))
    return StonesAgain(result, *_heading(result, "the girdle"), drawing)


def _recut(result: Result) -> StonesAgain:
    """The stone as it is, each flaw as a ball around its place."""
    doc = result.document
    where = result.found(doc["design"]["file"])
    stone = read_stone(where)
    result.check(str(where), stone.carats(stone.solid), doc["recut"]["before"]["carats"])
    flaws = doc["recut"]["flaws"]
    balls = [
        (str(flaw["name"]), _ball(flaw["place_mm"], max(float(flaw["depth_mm"]), FLAW_MM)))
        for flaw in flaws
    ]
    fates = [f"{f['kind']}: {'goes' if f['gone'] else 'stays'}" for f in flaws]
    drawing = StoneToDraw(None, stone.solid, balls, str(doc["design"]["name"]), fates)
    return StonesAgain(result, *_heading(result, "a re-cut"), drawing)


def _ball(place: Sequence[float], radius: float) -> Body:
    """A ball of that radius, mm."""
    centre = np.array(place, dtype=float) / radius
    return Body(ellipsoid=np.column_stack([np.eye(3) / radius, centre]))


def _angles(result: Result) -> StonesAgain:
    """The design as it stands, and as recommended."""
    doc = result.document
    part, scene = doc["angles"], doc["scene"]
    design = _design(result, scene["axis"])
    material, light = _material(result), _light(scene)
    medium = medium_of(material, observer(), absorbing=bool(scene["absorption"]))
    own, chosen = part["as_it_stands"], part["recommendation"]["row"]
    faces = []
    for name, words, number in (("before", "as it stands", own), ("after", "as recommended", chosen)):  # fmt: skip
        row, varied = part["rows"][number], design
        with unchanged(result, doc["design"]["file"]):
            for parameter, value in row["values"].items():
                varied = with_value(varied, parameter, value)
            solid = build_solid(varied)
        if part["carats"] is not None:
            carats = measure(solid, material.density).carats
            solid = solid.scaled((part["carats"] / carats) ** (1 / 3))
        carats = measure(solid, material.density).carats
        result.check(doc["design"]["file"], carats, row["carats"])
        axis = (varied.axis.tilt, varied.axis.azimuth)
        if name == "before" or chosen != own:
            shown = scene_of(solid, medium, axis, light, View())
            faces.append(Face(name, f"{design.name} {words}, face up.", shown))
        drawing = StoneToDraw(varied, solid, name=f"{design.name}, {words}")
    heading = _heading(result, "angles")
    return StonesAgain(result, *heading, drawing, faces, description(light), light=light)


def _orient(result: Result) -> StonesAgain:
    """The stone among its zones as designed, as recommended, and so without them."""
    doc = result.document
    part = doc["orient"]
    zones = read_zones(result.found(part["zones"]["file"]))
    light = _light(part)
    subject = subject_of(_design(result), _material(result), zones, light, observer())
    after = part["recommended"] or part["least_visible"]
    best = "as recommended" if part["recommended"] else "where they show least"
    faces = []
    for name, row, words in (("before", part["as_designed"], "as designed"), ("after", after, best)):  # fmt: skip
        cut = cut_of(subject, candidate_of(row))
        carats = measure(cut.solid, subject.density).carats
        result.check(doc["design"]["file"], carats, row["carats"])
        plain, zoned = scenes(subject, cut)
        faces.append(Face(name, f"The stone with its zones, {words}, face up.", zoned))
    faces.append(Face("after plain", "The same stone without its zones, face up.", plain))
    tilt, azimuth = cut.axis
    turned = subject.design.model_copy(update={"axis": Axis(tilt=tilt, azimuth=azimuth)})
    inside = zones_in(subject, cut, part["zones"]["names"])
    drawing = StoneToDraw(turned, cut.solid, inside)
    under = f"{description(light)} The surface's mirror light is left out."
    heading = _heading(result, "a zone to hide")
    return StonesAgain(result, *heading, drawing, faces, under, glare=False, light=light)


def _heading(result: Result, what: str) -> tuple[str, str]:
    """Title and lead of the page."""
    design = result.document["design"]
    return f"{design['name']}: {what}", f"{design['material']}, from {design['file']}."


def _design(result: Result, axis: Mapping[str, float] | None = None) -> Design:
    name = result.document["design"]["file"]
    design = read_design(result.found(name)).design
    if axis:
        with unchanged(result, name):
            for part in ("tilt", "azimuth"):
                design = with_value(design, f"axis.{part}", float(axis[part]))
    return design


def _seed(result: Result) -> int:
    return int(result.document.get("seed", 1))


def _material(result: Result) -> Material:
    """What the document says that colours the stone."""
    doc = result.document
    name = doc.get("substance") or doc["design"]["material"]
    if not isinstance(name, str):
        raise TypeError(name)
    if name.endswith(".toml"):
        name = str(result.found(name))
    if "spectrum" in doc:
        material = find_material(name)
        path = result.found(doc["spectrum"]["path"])
        return material.with_spectrum(read_spectrum(path, material.indices))
    ppma = {c["name"]: float(c["ppma"]) for c in doc.get("chromophores", ())}
    return find_material(name, ppma)


def _light(part: Mapping[str, Any]) -> Light:
    """The light that a member names."""
    return find_light(part["light"], float(part["head_deg"]), bool(part.get("head_hard", False)))


# ---- of roughs ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Room:
    """A rough with its light, as a plan's document has it."""

    rough: Rough
    light: Light

    @classmethod
    def of(cls, result: Result, part: Mapping[str, Any]) -> "_Room":
        where = result.found(part["rough"]["file"])
        rough = rough_of(read_rough(where))
        result.check(str(where), rough.carats, part["rough"]["carats"])
        return cls(rough, _light(part))

    def scene(self, cut: Cut, design: Design) -> Scene:
        """A stone of it face up, zones and all."""
        return viewer_of(self.rough, design, self.light).scene(cut)


def _plan(result: Result) -> StonesAgain:
    """The stones of a rough's plans, the best first."""
    part = result.document["plan"]
    room, rough = _Room.of(result, part), part["rough"]
    faces, drawn = [], []
    for k, row in enumerate(part["plans"]):
        cut, design, _ = lying(result, part, row, room.rough)
        alt = f"{row['design']} cut from {rough['name']}, face up."
        faces.append(Face(f"plan {k}", alt, room.scene(cut, design)))
        hidden = " with its zones hidden" if row["kind"] == HIDDEN else ""
        name = f"{row['design']}{hidden}, {row['carats']:.2f} ct"
        drawn.append(PlanToDraw(name, (cut,), (design,)))
    if drawn:
        drawn.insert(0, drawn.pop(part["best"]))
    if part["sawn"]:
        stones = [lying(result, part, row, room.rough) for row in part["sawn"]["stones"]]
        cuts, designs, _ = zip(*stones, strict=True)
        name = f"{len(stones)} stones, {part['sawn']['carats']:.2f} ct"
        at = 0 if part["sawn"]["first"] else len(drawn)
        drawn.insert(at, PlanToDraw(name, cuts, designs))
        for k, (cut, design) in enumerate(zip(cuts, designs, strict=True)):
            alt = f"Stone {chr(ord('A') + k)} of {len(stones)} cut from {rough['name']}, face up."
            faces.append(Face(f"sawn {k}", alt, room.scene(cut, design)))
    return StonesAgain(
        result, f"Plans for {rough['name']}", f"{rough['material']}, from {rough['file']}.",
        RoughToDraw(room.rough, drawn), faces, _under(room.light), light=room.light,
    )  # fmt: skip


def _lot(result: Result) -> StonesAgain:
    """The stones of each rough's best plan, and the sums."""
    lot = result.document["lot"]
    unread = result.document.get("unread", ())
    faces, light = [], None
    sums = {"rough_carats": 0.0, "carats": 0.0}
    if any(part["currency"] for part in lot):
        sums |= {"value": 0.0, "bid": 0.0}
    for k, part in enumerate(lot):
        room = _Room.of(result, part)
        light = room.light
        # what the terminal goes by, too: the balance, unless its weight is in doubt
        sums["rough_carats"] += room.rough.carats_to_go_by
        best, rows = _best(part)
        for n, row in enumerate(rows):
            cut, design, _ = lying(result, part, row, room.rough)
            alt = f"{row['design']} cut from {part['rough']['name']}, face up."
            faces.append(Face(f"lot {k} {n}", alt, room.scene(cut, design)))
            sums["carats"] += row["carats"]
        if "value" in best and not part["little"]:
            sums["value"] += best["value"]["expected"]["value"]
            sums["bid"] += max(best["bid"]["limit"]["value"], 0.0)
    names = ", ".join(part["rough"]["name"] for part in lot)
    left = f" {len(unread)} more could not be planned." if unread else ""
    return StonesAgain(
        result, f"A lot of {len(lot)} {'rough' if len(lot) == 1 else 'roughs'}",
        f"{names}.{left}" if lot else left.strip(), None, faces, _under(light) if light else "",
        light=light, sums=sums,
    )  # fmt: skip


def _under(light: Light) -> str:
    return f"{description(light)} Each stone has the zones it holds."


def _best(part: Mapping[str, Any]) -> tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]:
    """(what a rough's plan goes by, its stones); nothing and none where nothing was found."""
    if part["sawn"] and part["sawn"]["first"]:
        return part["sawn"], part["sawn"]["stones"]
    if not part["plans"]:
        return {}, ()
    row = part["plans"][part["best"]]
    return row, (row,)
