"""Reports on what a command wrote: the document as it is, with pictures made again from the files that it names."""

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facetrace.common.errors import FacetraceError
from facetrace.design.model import Design, read_design
from facetrace.design.vary import with_value
from facetrace.measures.maps import face_maps
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light, find_light
from facetrace.optics.material import Material, find_material
from facetrace.optics.rough import read_rough, rough_of
from facetrace.optics.spectrum import read_spectrum
from facetrace.optics.zone import read_zones
from facetrace.report.document import SCHEMA
from facetrace.report.gather import WHITE, Album
from facetrace.solid.build import build_solid
from facetrace.solid.measure import measure
from facetrace.solid.place import Facing
from facetrace.studies import orient, portrait
from facetrace.studies import plan as plans
from facetrace.studies.portrait import Stone
from facetrace.trace.run import Progress, trace_pixels
from facetrace.trace.scene import Medium, Scene, View, medium_of, scene_of

# members that a report can be made of
KINDS = ("angles", "orient", "girdle", "recut", "plan", "lot")
# a weight may differ by so much from that of the file that a document names
SAME = 1e-6
MOST_BYTES = 1 << 28


@dataclass(frozen=True)
class Result:
    """A document that a command wrote, and where it lies; kind: its member of KINDS."""

    path: Path
    document: dict[str, Any]
    kind: str

    def found(self, name: str) -> Path:
        """A file that the document names: from here, or from where the document lies. Raises FacetraceError."""
        for place in (Path(name), self.path.parent / name):
            if place.is_file():
                return place
        raise FacetraceError(
            f"{self.path}: was made from {name}, which is neither here nor beside it; go to the folder where it was made"
        )

    def check(self, name: str, carats: float, expected: float) -> None:
        """Raises FacetraceError where a file makes another weight than the document says."""
        if abs(carats / expected - 1) > SAME:
            raise FacetraceError(
                f"{self.path}: {name} has changed since ({carats:.6g} ct instead of {expected:.6g}); "
                f"run facetrace {self.kind} again"
            )


def read_result(path: Path) -> Result:
    """Read what a command wrote with --json. Raises FacetraceError for anything else."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise FacetraceError(f"{path}: is too large for a result of facetrace")
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FacetraceError(f"{path}: cannot be read ({error.strerror})") from None
    except (ValueError, RecursionError):
        raise FacetraceError(f"{path}: is not JSON as facetrace writes it with --json") from None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise FacetraceError(f"{path}: is not a result of facetrace (its schema is not {SCHEMA})")
    kind = next((k for k in KINDS if k in document), None)
    if kind is None:
        raise FacetraceError(
            f"{path}: holds none of {', '.join(KINDS)}; a report on a design takes the design file itself"
        )
    return Result(path, document, kind)


@contextmanager
def complete(result: Result) -> Iterator[None]:
    """Raises FacetraceError for a document that lacks what is read of it, or has something else there."""
    try:
        yield
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        raise FacetraceError(
            f"{result.path}: is incomplete, or of another version; run facetrace {result.kind} again"
        ) from None


def of_result(
    result: Result, exposure: float, size: int, samples: int, report: Progress
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Document and pictures of a result. Raises FacetraceError where its files are gone or have changed."""
    makers: Mapping[str, Callable[[_Maker], dict[str, Any]]] = {
        "angles": _angles, "orient": _orient, "girdle": _plain, "recut": _plain, "plan": _plan, "lot": _lot,
    }  # fmt: skip
    maker = _Maker(result, Album("", exposure), size, samples, report)
    with complete(result):
        part = makers[result.kind](maker)
    part |= {"about": result.kind, "white": WHITE, "pictures": maker.album.facts}
    report(1.0)
    return result.document | {"report": part}, maker.album.pictures


@dataclass(frozen=True)
class _Maker:
    result: Result
    album: Album
    size: int
    samples: int
    report: Progress

    @property
    def seed(self) -> int:
        return int(self.result.document.get("seed", 1))

    @property
    def document(self) -> dict[str, Any]:
        return self.result.document

    def material(self) -> Material:
        """What the document says that colours the stone."""
        doc = self.document
        name = str(doc["design"]["material"])
        if "spectrum" in doc:
            found = find_material(name)
            return found.with_spectrum(
                read_spectrum(self.result.found(doc["spectrum"]["file"]), found.indices)
            )
        ppma = {c["name"]: float(c["ppma"]) for c in doc.get("chromophores", ())}
        return find_material(name, ppma)

    def light(self, part: Mapping[str, Any]) -> Light:
        """The light that a member names."""
        return find_light(
            part["light"], float(part["head_deg"]), bool(part.get("head_hard", False))
        )

    def faces(self, scenes: Mapping[str, tuple[Scene, str]], white: Medium, under: str, *, glare: bool = True) -> None:  # fmt: skip
        """Pictures of scenes by name, with their alt texts, at one scale."""
        width = portrait.whole_mm([scene for scene, _ in scenes.values()])
        for k, (ident, (scene, alt)) in enumerate(scenes.items()):
            pixels = trace_pixels(scene, self.size, self.samples, self.seed, width_mm=width)
            maps = face_maps(pixels, scene)
            self.album.face(ident, maps, white.white, self.samples, alt, glare=glare, under=under)
            self.report((k + 1) / len(scenes))


def _title(maker: _Maker, what: str) -> dict[str, Any]:
    design = maker.document["design"]
    return {
        "title": f"{design['name']}: {what}",
        "lead": f"{design['material']}, from {design['file']}.",
    }


def _design(maker: _Maker, axis: Mapping[str, float] | None = None) -> Design:
    path = maker.result.found(str(maker.document["design"]["file"]))
    design = read_design(path).design
    for name in ("tilt", "azimuth") if axis else ():
        design = with_value(design, f"axis.{name}", float(axis[name]))  # type: ignore[index]
    return design


def _plain(maker: _Maker) -> dict[str, Any]:
    """A document that needs no pictures."""
    names = {"girdle": "the girdle", "recut": "a re-cut"}
    return _title(maker, names[maker.result.kind])


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
    maker.faces(shown, medium, light.words)
    return _title(maker, "angles")


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
    under = f"{light.words}, surface mirror light left out"
    maker.faces(shown, subject.plain, under, glare=False)
    return _title(maker, "a zone to hide")


def _plan(maker: _Maker) -> dict[str, Any]:
    _placed(maker, maker.document["plan"])
    rough = maker.document["plan"]["rough"]
    return {
        "title": f"Plans for {rough['name']}",
        "lead": f"{rough['material']}, {rough['carats']:.2f} ct of rough, from {rough['file']}.",
    }


def _placed(maker: _Maker, part: Mapping[str, Any]) -> None:
    """Faces of a rough's plans, zones and all."""
    where = maker.result.found(part["rough"]["file"])
    rough = rough_of(read_rough(where))
    maker.result.check(str(where), rough.carats, part["rough"]["carats"])
    light = maker.light(part)
    setting = plans.Setting(Facing((0.0, 0.0, 1.0), 90.0), light, seed=maker.seed)
    shown: dict[str, tuple[Scene, str]] = {}
    for k, row in enumerate(part["plans"]):
        name = part["designs"][row["design"]]
        design = read_design(maker.result.found(name)).design
        solid = plans.Outline(design).solid(str(row["changed"] or ""))
        flat = {n: row[n] for n in ("scale",)} | dict(
            zip(plans.SHIFT, row["shift_mm"], strict=True)
        )
        flat |= dict(zip(plans.TURN, [v for line in row["turn"] for v in line], strict=True))
        cut = plans.cut_of(solid, plans.copy_of(flat, solid))
        maker.result.check(name, plans.carats_of(rough, cut.solid.volume), row["carats"])
        eye = plans.eye_of(rough, design, setting)
        if eye.subject is None:
            scene = scene_of(cut.solid, eye.plain, cut.axis, light, View())
        else:
            _, scene = orient.scenes(eye.subject, cut)
        shown[f"plan {k}"] = (scene, f"{row['design']} cut from {part['rough']['name']}, face up.")
        medium = eye.plain
    if shown:
        maker.faces(shown, medium, f"{light.words}, each with what zones it holds")


def _lot(maker: _Maker) -> dict[str, Any]:
    doc = maker.document
    names = ", ".join(part["rough"]["name"] for part in doc["lot"])
    return {"title": f"A lot of {len(doc['lot'])} roughs", "lead": f"{names}."}
