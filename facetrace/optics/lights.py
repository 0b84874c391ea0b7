"""Lights around the stone, as data, and what a white diffuser returns under them."""

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import FacetraceError
from facetrace.kernel.light import LIGHT_HEAD_OUTER, seen_radiance

Floats = NDArray[np.float64]

# the viewer's head: rays turned by less than about 10 degrees come back to it
# (B. Harding, "Faceting Limits", Gems & Gemology, Fall 1975)
HEAD_DEG = 10.0
# half width of its soft edge, as a share of its radius
HEAD_SOFT = 0.3


@dataclass(frozen=True)
class Light:
    """Radiance (constant + slope mu) above the horizon, *below* under it; 1 is the brightest.

    head_deg: angular radius of the dark head around the line of sight, 0 for none;
    head_hard: with a sharp edge instead of a soft one.
    """

    name: str
    constant: float
    slope: float
    below: float
    head_deg: float = 0.0
    head_hard: bool = False

    @property
    def row(self) -> Floats:
        """The five numbers that the kernel takes (facetrace.kernel.light)."""
        if self.head_deg <= 0:
            return np.array([self.constant, self.slope, self.below, 2.0, 2.0])
        soft = 0.0 if self.head_hard else HEAD_SOFT
        inner = math.cos(math.radians(self.head_deg * (1 - soft)))
        outer = math.cos(math.radians(min(self.head_deg * (1 + soft), 180.0)))
        return np.array([self.constant, self.slope, self.below, inner, outer])

    @property
    def words(self) -> str:
        """Its name and the viewer's head, for people."""
        if not self.head_deg:
            return f"{self.name} light"
        return f"{self.name} light, head {self.head_deg:g} deg{' hard' if self.head_hard else ''}"

    def white(self, sight_zenith: float) -> float:
        """Radiance of a perfect white diffuser that lies flat under this light, head included.

        *sight_zenith*: cosine between the line of sight and the zenith. The irradiance
        integral of L cos over the upper half, divided by pi.
        """
        return _white(self, round(sight_zenith, 12))


@lru_cache(maxsize=64)
def _white(light: Light, sight_zenith: float) -> float:
    open_sky = light.constant + 2 / 3 * light.slope
    if light.head_deg <= 0:
        return open_sky
    # what the head hides: in polar coordinates around the line of sight, out to its edge
    row = light.row
    edge = math.acos(max(-1.0, row[LIGHT_HEAD_OUTER]))
    nodes, weights = np.polynomial.legendre.leggauss(64)
    angle = 0.5 * edge * (nodes + 1)
    turn = (np.arange(360) + 0.5) * (2 * math.pi / 360)
    tilt = math.sqrt(max(0.0, 1 - sight_zenith**2))
    hidden = 0.0
    for a, w in zip(angle, weights, strict=True):
        mu = math.cos(a) * sight_zenith + math.sin(a) * tilt * np.cos(turn)
        mu = mu[mu > 0]
        share = 1 - seen_radiance(np.array([1.0, 0.0, 1.0, *row[3:]]), 1.0, math.cos(a))
        level = np.sum((light.constant + light.slope * mu) * mu) * (2 * math.pi / 360)
        hidden += 0.5 * edge * w * math.sin(a) * share * level
    return open_sky - float(hidden) / math.pi


def light_names() -> list[str]:
    """Names of the shipped lights."""
    return list(_table())


def _table() -> dict[str, dict[str, object]]:
    text = (resources.files("facetrace.optics") / "lights.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def find_light(name: str, head_deg: float | None = None, head_hard: bool = False) -> Light:
    """A shipped light by name. Without *head_deg*: 10 degrees, none in the uniform enclosure."""
    table = _table()
    if name not in table:
        raise FacetraceError(f"no light '{name}'; known: {', '.join(table)}")
    row = table[name]
    if head_deg is None:
        head_deg = 0.0 if name == "uniform" else HEAD_DEG
    return Light(
        name, float(str(row["constant"])), float(str(row["slope"])), float(str(row["below"])),
        head_deg, head_hard,
    )  # fmt: skip
