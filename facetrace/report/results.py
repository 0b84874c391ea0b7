"""Reports on what a command wrote: the document as it is, with pictures made again from the files that it names."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from facetrace.design.model import Axis, Design, read_design
from facetrace.design.vary import with_value
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light, description, find_light
from facetrace.optics.material import Material, find_material
from facetrace.optics.spectrum import read_spectrum
from facetrace.recut.stone import read_stone
from facetrace.report.drawing3d import drawing_of_design, drawing_of_plans, zones_in
from facetrace.report.gather import Album
from facetrace.report.picture import WHITE
from facetrace.report.plan import Panel
from facetrace.report.six_views import LETTERS
from facetrace.results.reading import Result, complete, lying, unchanged
from facetrace.rough.rough import Rough, read_rough, rough_of
from facetrace.rough.zone import read_zones
from facetrace.solid.body import Body
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure
from facetrace.studies import orient
from facetrace.studies.plan_task import HIDDEN
from facetrace.studies.portrait import Stone
from facetrace.studies.viewer import viewer_of
from facetrace.trace.maps import face_maps
from facetrace.trace.run import Progress, trace_pixels
from facetrace.trace.scene import Scene, View, medium_of

# a flaw is drawn at least so large, mm
FLAW_MM = 0.15


def of_result(
    result: Result, exposure: float, size: int, samples: int, report: Progress
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Document and pictures of a result. Raises FacetraceError where its files are gone or have changed."""
    makers: Mapping[str, Callable[[_Maker], dict[str, Any]]] = {
        "angles": _angles, "orient": _orient, "girdle": _girdle, "recut": _recut, "plan": _plan, "lot": _lot,
    }  # fmt: skip
    maker = _Maker(result, Album("", exposure), size, samples, report)
    with complete(result):
        part = makers[result.kind](maker)
    part |= maker.told | {"about": result.kind, "white": WHITE, "pictures": maker.album.facts}
    report(1.0)
    return result.document | part.pop("members", {}) | {"report": part}, maker.album.pictures


@dataclass(frozen=True)
class _Maker:
    result: Result
    album: Album
    size: int
    samples: int
    report: Progress
    told: dict[str, Any] = field(default_factory=dict)

    @property
    def seed(self) -> int:
        return int(self.result.document.get("seed", 1))

    @property
    def document(self) -> dict[str, Any]:
        return self.result.document

    def material(self) -> Material:
        """What the document says that colours the stone."""
        doc = self.document
        name = doc.get("substance") or doc["design"]["material"]
        if not isinstance(name, str):
            raise TypeError(name)
        if name.endswith(".toml"):
            name = str(self.result.found(name))
        if "spectrum" in doc:
            found = find_material(name)
            path = self.result.found(doc["spectrum"]["path"])
            return found.with_spectrum(read_spectrum(path, found.indices))
        ppma = {c["name"]: float(c["ppma"]) for c in doc.get("chromophores", ())}
        return find_material(name, ppma)

    def light(self, part: Mapping[str, Any]) -> Light:
        """The light that a member names."""
        found = find_light(
            part["light"], float(part["head_deg"]), bool(part.get("head_hard", False))
        )
        self.told["light"] = description(found)
        return found

    def faces(self, scenes: Mapping[str, tuple[Scene, str]], under: str, *, glare: bool = True) -> None:  # fmt: skip
        """Pictures of scenes by name, with their alt texts, at one scale."""
        width = orient.whole_mm(*(scene for scene, _ in scenes.values()))
        for k, (ident, (scene, alt)) in enumerate(scenes.items()):
            pixels = trace_pixels(
                scene, self.size, self.samples, self.seed, width_mm=width, picture=True
            )
            maps = face_maps(pixels, scene)
            self.album.face(
                ident, maps, scene.medium.white, self.samples, alt, glare=glare, under=under
            )
            self.report((k + 1) / len(scenes))


def _title(maker: _Maker, what: str) -> dict[str, Any]:
    design = maker.document["design"]
    return {
        "title": f"{design['name']}: {what}",
        "lead": f"{design['material']}, from {design['file']}.",
    }


def _design(maker: _Maker, axis: Mapping[str, float] | None = None) -> Design:
    name = maker.document["design"]["file"]
    design = read_design(maker.result.found(name)).design
    with unchanged(maker.result, name):
        for part in ("tilt", "azimuth") if axis else ():
            design = with_value(design, f"axis.{part}", float(axis[part]))  # type: ignore[index]
    return design


def _girdle(maker: _Maker) -> dict[str, Any]:
    design = _design(maker)
    return _title(maker, "the girdle") | {
        "members": {"drawing": drawing_of_design(design, build_solid(design))}
    }


def _recut(maker: _Maker) -> dict[str, Any]:
    """The stone as it is, each flaw as a ball around its place."""
    doc = maker.document
    where = maker.result.found(doc["design"]["file"])
    stone = read_stone(where)
    maker.result.check(str(where), stone.carats(stone.solid), doc["recut"]["before"]["carats"])
    balls = [
        (str(flaw["name"]), _ball(flaw["place_mm"], max(float(flaw["depth_mm"]), FLAW_MM)))
        for flaw in doc["recut"]["flaws"]
    ]
    fates = [f"{f['kind']}: {'goes' if f['gone'] else 'stays'}" for f in doc["recut"]["flaws"]]
    drawing = drawing_of_design(None, stone.solid, balls, str(doc["design"]["name"]), fates)
    return _title(maker, "a re-cut") | {"members": {"drawing": drawing}}


def _ball(place: Sequence[float], radius: float) -> Body:
    """A ball of that radius, mm."""
    centre = np.array(place, dtype=float) / radius
    return Body(ellipsoid=np.column_stack([np.eye(3) / radius, centre]))


def _angles(maker: _Maker) -> dict[str, Any]:
    doc = maker.document
    part, scene = doc["angles"], doc["scene"]
    design = _design(maker, scene["axis"])
    material, light = maker.material(), maker.light(scene)
    medium = medium_of(material, observer(), absorbing=bool(scene["absorption"]))
    shown: dict[str, tuple[Scene, str]] = {}
    chosen = part["recommendation"]["row"]
    for ident, number in (("before", part["as_it_stands"]), ("after", chosen)):
        row, varied = part["rows"][number], design
        with unchanged(maker.result, doc["design"]["file"]):
            for name, value in row["values"].items():
                varied = with_value(varied, name, value)
            solid = build_solid(varied)
        if part["carats"] is not None:
            solid = solid.scaled(
                (part["carats"] / measure(solid, material.density).carats) ** (1 / 3)
            )
        maker.result.check(
            doc["design"]["file"], measure(solid, material.density).carats, row["carats"]
        )
        stone = Stone(solid, medium, (varied.axis.tilt, varied.axis.azimuth), light)
        words = "as it stands" if ident == "before" else "as recommended"
        if ident == "before" or chosen != part["as_it_stands"]:
            shown[ident] = (stone.scene(View()), f"{design.name} {words}, face up.")
        last = drawing_of_design(varied, solid, name=f"{design.name}, {words}")
    maker.faces(shown, description(light))
    return _title(maker, "angles") | {"members": {"drawing": last}}


def _orient(maker: _Maker) -> dict[str, Any]:
    doc = maker.document
    part = doc["orient"]
    zones = read_zones(maker.result.found(part["zones"]["file"]))
    light = maker.light(part)
    subject = orient.subject_of(_design(maker), maker.material(), zones, light, observer())
    after = part["recommended"] or part["least_visible"]
    rows = {
        "before": (part["as_designed"], "with its zones, as designed"),
        "after": (after, "with its zones, as recommended" if part["recommended"] else "with its zones, where they show least"),
    }  # fmt: skip
    shown: dict[str, tuple[Scene, str]] = {}
    for ident, (row, words) in rows.items():
        cut = orient.cut_of(subject, orient.candidate_of(row))
        carats = measure(cut.solid, subject.density).carats
        maker.result.check(doc["design"]["file"], carats, row["carats"])
        plain, zoned = orient.scenes(subject, cut)
        shown[ident] = (zoned, f"The stone {words}, face up.")
        if ident == "after":
            shown["after plain"] = (plain, "The same stone without its zones, face up.")
    under = f"{description(light)} The surface's mirror light is left out."
    maker.faces(shown, under, glare=False)
    tilt, azimuth = cut.axis
    turned = subject.design.model_copy(update={"axis": Axis(tilt=tilt, azimuth=azimuth)})
    inside = zones_in(cut, subject.bodies, part["zones"]["names"])
    drawing = drawing_of_design(turned, cut.solid, inside)
    return _title(maker, "a zone to hide") | {"members": {"drawing": drawing}}


def _plan(maker: _Maker) -> dict[str, Any]:
    drawing = _placed(maker, maker.document["plan"])
    rough = maker.document["plan"]["rough"]
    return {
        "members": {"drawing": drawing},
        "title": f"Plans for {rough['name']}",
        "lead": f"{rough['material']}, from {rough['file']}.",
    }


@dataclass(frozen=True)
class _Room:
    """A rough with its light, as a plan's document has it."""

    rough: Rough
    light: Light

    def scene(self, cut: orient.Cut, design: Design) -> Scene:
        """A stone of it face up, zones and all."""
        return viewer_of(self.rough, design, self.light, orient.Setting(), 1).scene(cut)


def _room(maker: _Maker, part: Mapping[str, Any]) -> _Room:
    where = maker.result.found(part["rough"]["file"])
    rough = rough_of(read_rough(where))
    maker.result.check(str(where), rough.carats, part["rough"]["carats"])
    return _Room(rough, maker.light(part))


def _placed(maker: _Maker, part: Mapping[str, Any]) -> dict[str, Any]:
    """Faces of a rough's plans; returns the drawing of the stones in the rough, the best first."""
    room = _room(maker, part)
    shown: dict[str, tuple[Scene, str]] = {}
    panels, designs = [], {}
    for k, row in enumerate(part["plans"]):
        cut, design, _ = lying(maker.result, part, row, room.rough)
        alt = f"{row['design']} cut from {part['rough']['name']}, face up."
        shown[f"plan {k}"] = (room.scene(cut, design), alt)
        hidden = " with its zones hidden" if row["kind"] == HIDDEN else ""
        panels.append(Panel(f"{row['design']}{hidden}, {row['carats']:.2f} ct", (cut,)))
        designs[panels[-1].name] = [design]
    if panels:
        panels.insert(0, panels.pop(part["best"]))
    if part["sawn"]:
        stones = [lying(maker.result, part, row, room.rough) for row in part["sawn"]["stones"]]
        name = f"{len(stones)} stones, {part['sawn']['carats']:.2f} ct"
        panels.insert(
            0 if part["sawn"]["first"] else len(panels),
            Panel(name, tuple(cut for cut, _, _ in stones)),
        )
        designs[name] = [design for _, design, _ in stones]
        for k, (cut, design, _) in enumerate(stones):
            alt = f"Stone {LETTERS[k]} of {len(stones)} cut from {part['rough']['name']}, face up."
            shown[f"sawn {k}"] = (room.scene(cut, design), alt)
    if shown:
        maker.faces(shown, f"{description(room.light)} Each stone has the zones it holds.")
    return drawing_of_plans(room.rough, panels, designs)


def _lot(maker: _Maker) -> dict[str, Any]:
    """The stones of each rough's best plan face up, and the sums."""
    lot = maker.document["lot"]
    unread = maker.document.get("unread", ())
    shown: dict[str, tuple[Scene, str]] = {}
    sums = {"rough_carats": 0.0, "carats": 0.0}
    if any(part["currency"] for part in lot):
        sums |= {"value": 0.0, "bid": 0.0}
    for k, part in enumerate(lot):
        room = _room(maker, part)
        rough = room.rough
        # what the terminal goes by, too: the balance, unless its weight is in doubt
        sums["rough_carats"] += rough.carats_to_go_by
        best, rows = _best(part)
        for n, row in enumerate(rows):
            cut, design, _ = lying(maker.result, part, row, room.rough)
            alt = f"{row['design']} cut from {part['rough']['name']}, face up."
            shown[f"lot {k} {n}"] = (room.scene(cut, design), alt)
            sums["carats"] += row["carats"]
        if "value" in best and not part["little"]:
            sums["value"] += best["value"]["expected"]["value"]
            sums["bid"] += max(best["bid"]["limit"]["value"], 0.0)
    if shown:
        maker.faces(shown, f"{maker.told['light']} Each stone has the zones it holds.")
    names = ", ".join(part["rough"]["name"] for part in lot)
    left = f" {len(unread)} more could not be planned." if unread else ""
    count = f"{len(lot)} {'rough' if len(lot) == 1 else 'roughs'}"
    return {"title": f"A lot of {count}", "lead": f"{names}.{left}" if lot else left.strip(), "sums": sums}  # fmt: skip


def _best(part: Mapping[str, Any]) -> tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]:
    """(what a rough's plan goes by, its stones); nothing and none where nothing was found."""
    if part["sawn"] and part["sawn"]["first"]:
        return part["sawn"], part["sawn"]["stones"]
    if not part["plans"]:
        return {}, ()
    row = part["plans"][part["best"]]
    return row, (row,)
