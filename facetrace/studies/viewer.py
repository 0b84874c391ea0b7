"""How a stone of a rough looks, face up: light, colour from within, and the share of its face where zones show."""

from dataclasses import dataclass

from facetrace.design.model import Design
from facetrace.optics.colour import observer
from facetrace.optics.lights import Light
from facetrace.rough.rough import Rough
from facetrace.studies import visibility, zoned
from facetrace.trace.faceup import Estimate, trace_face_up
from facetrace.trace.scene import Medium, Scene, View, medium_of, scene_of

LIGHT = ("light_return", "window", "extinction", "brightness")
COLOUR = ("lightness", "chroma", "hue_deg")
FIGURES = (*LIGHT, *COLOUR, "zone")
# a zone that reaches nowhere into the stone is not traced
NO_ZONE = Estimate(0.0, 0.0)
USUAL = visibility.VisibilityTest()


@dataclass(frozen=True)
class Viewer:
    """Looks at stones of one rough; subject: the rough's zones, None where it has none."""

    light: Light
    looks: visibility.VisibilityTest
    rays: int
    subject: zoned.Subject | None
    plain: Medium

    def scene(self, cut: zoned.Cut) -> Scene:
        """A stone face up, with the zones that it holds."""
        if self.subject is None:
            return scene_of(cut.solid, self.plain, cut.axis, self.light, View())
        return zoned.scenes(self.subject, cut)[1]

    def figures(self, cut: zoned.Cut) -> dict[str, Estimate]:
        """FIGURES of a stone. Raises FileError for zones that it cannot have."""
        face = trace_face_up(self.scene(cut), self.looks.seed, rays=self.rays)
        found = {name: face.measures[name] for name in LIGHT}
        found |= {name: getattr(face.within, name) for name in COLOUR}
        found["zone"] = self.zone_share(cut)
        return {name: Estimate(e.value, e.stderr) for name, e in found.items() if e}

    def zone_share(self, cut: zoned.Cut) -> Estimate:
        """The share of the face where zones show."""
        if self.subject is None:
            return NO_ZONE
        look = visibility.look_at_cut(self.subject, cut, self.looks)
        row = visibility.row_of(zoned.BASE, look, look, self.looks, 1.0)
        return visibility.estimate(row, "share")


def viewer_of(
    rough: Rough, design: Design, light: Light,
    looks: visibility.VisibilityTest = USUAL, rays: int = 1 << 16,
) -> Viewer:  # fmt: skip
    """The viewer of a rough's stones; *design* only fills a place. Raises FileError."""
    subject = None
    if rough.zones is not None:
        subject = zoned.subject_of(design, rough.material, rough.zones, light, observer())
    return Viewer(light, looks, rays, subject, medium_of(rough.material, observer()))
