"""Pictures of a page: how they and their facts come about, and how they are shown with scale, light and exposure."""

from collections.abc import Mapping
from typing import Any

from facetrace.report.bitmap import KIND, encoded, map_pixels
from facetrace.report.html import Figures, data_url, figure, image, pointer_part
from facetrace.solid.polyhedron import Floats
from facetrace.studies.screen import face_pixels
from facetrace.trace.maps import FaceMaps

Pictures = Mapping[str, bytes]


class Album:
    """Pictures with their facts, as they come."""

    def __init__(self, under: str, exposure: float) -> None:
        self.under, self.exposure = under, exposure
        self.facts: dict[str, dict[str, Any]] = {}
        self.pictures: dict[str, bytes] = {}

    def face(self, name: str, maps: FaceMaps, white: Floats, samples: int, alt: str, *, glare: bool = True, under: str = "") -> None:  # fmt: skip
        """A stone on grey."""
        pixels, beyond = face_pixels(maps, white, self.exposure, glare)
        self._keep(name, pixels, maps.step_mm, samples, alt, under or self.under)
        self.facts[name] |= {"glare": glare, "beyond_screen": beyond}

    def map(self, name: str, values: Floats, maps: FaceMaps, samples: int, alt: str) -> None:
        """A map of shares."""
        self._keep(name, map_pixels(values, maps.coverage), maps.step_mm, samples, alt, self.under)  # fmt: skip
        del self.facts[name]["exposure"]

    def _keep(self, name: str, pixels: Floats, step: float, samples: int, alt: str, under: str) -> None:  # fmt: skip
        self.pictures[name] = encoded(pixels)
        self.facts[name] = {
            "alt": alt, "width_px": pixels.shape[1], "height_px": pixels.shape[0], "mm_per_pixel": step,
            "rays_per_pixel": samples, "exposure": self.exposure, "under": under,
        }  # fmt: skip


def picture(f: Figures, pictures: Pictures, ident: str, caption: str, *, bar: bool = True) -> str:
    """A picture of the document with its scale bar; *caption* is HTML."""
    at = f"/report/pictures/{pointer_part(ident)}"
    if not f.has(at) or ident not in pictures:
        return ""
    facts = f.at(at)
    size = (facts["width_px"], facts["height_px"])
    shown = image(data_url(pictures[ident], KIND), facts["alt"], size)
    if bar:
        share = 100 / (facts["width_px"] * facts["mm_per_pixel"])
        shown = (
            f'<div class="pic" style="max-width:{size[0]}px">{shown}'
            f'<div class="bar" style="width:{share:.3f}%" aria-hidden="true"></div><span class="soft" data-fixed>1 mm</span></div>'
        )
    return figure(shown, caption)


def how(f: Figures, ident: str) -> str:
    """Light, exposure and white of a picture, as HTML."""
    at = f"/report/pictures/{pointer_part(ident)}"
    text = (
        f"{f.words(f'{at}/under')} Exposure {f.number(f'{at}/exposure', 2)}: at <span data-fixed>1</span> a white "
        f"diffuser in the same light is just white on the screen. {f.number(f'{at}/rays_per_pixel', 0)} rays in a pixel."
    )
    if float(f.at(f"{at}/beyond_screen")) >= 0.005:
        text += f" {f.number(f'{at}/beyond_screen', 0, times=100)} % of this stone is more vivid than a screen can show."
    return text
