"""Lights around the stone, as data, and what a white diffuser returns under them."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.common.errors import MOST_NAME, FacetraceError, shortened
from facetrace.common.vectors import across
from facetrace.kernel.light import LIGHT_HEAD_INNER, LIGHT_HEAD_OUTER, seen_radiance

Floats = NDArray[np.float64]

# the viewer's head: rays turned by less than about 10 degrees come back to it
# (B. Harding, "Faceting Limits", Gems & Gemology, Fall 1975)
HEAD_DEG = 10.0
# half width of its soft edge, as a share of its radius
HEAD_SOFT = 0.3
# rings and steps around them of the integral over a lamp that the head reaches
LAMP_RINGS, LAMP_STEPS = 48, 180


@dataclass(frozen=True)
class Lamp:
    """A bright disc far away: degrees from the zenith, azimuth, angular radius, radiance."""

    tilt: float
    azimuth: float
    radius: float
    radiance: float

    @property
    def towards(self) -> Floats:
        """Unit vector to its middle, in the world frame."""
        t, a = math.radians(self.tilt), math.radians(self.azimuth)
        return np.array([math.sin(t) * math.cos(a), math.sin(t) * math.sin(a), math.cos(t)])


@dataclass(frozen=True)
class Light:
    """Radiance (constant + slope mu) above the horizon, *below* under it; 1 is the brightest.

    head_deg: angular radius of the dark head around the line of sight, 0 for none;
    head_hard: with a sharp edge instead of a soft one; lamps take the sky's place inside their
    discs, stand whole above the horizon and nowhere overlap (FacetraceError).
    """

    name: str
    constant: float
    slope: float
    below: float
    head_deg: float = 0.0
    head_hard: bool = False
    lamps: tuple[Lamp, ...] = ()

    def __post_init__(self) -> None:
        for i, lamp in enumerate(self.lamps):
            if lamp.tilt < 0 or lamp.radius <= 0 or lamp.tilt + lamp.radius > 90:
                raise FacetraceError(
                    f"light {self.name}: lamp {i} must stand whole above the horizon "
                    "(tilt from 0, radius over 0, together at most 90 degrees)"
                )
            for j, other in enumerate(self.lamps[:i]):
                apart = math.acos(float(np.clip(lamp.towards @ other.towards, -1, 1)))
                if math.degrees(apart) < lamp.radius + other.radius:
                    raise FacetraceError(f"light {self.name}: lamps {j} and {i} overlap")

    @property
    def row(self) -> Floats:
        """The numbers that the kernel takes (facetrace.kernel.light), lamps in the world frame."""
        inner = outer = 2.0
        if self.head_deg > 0:
            soft = 0.0 if self.head_hard else HEAD_SOFT
            inner = math.cos(math.radians(self.head_deg * (1 - soft)))
            outer = math.cos(math.radians(min(self.head_deg * (1 + soft), 180.0)))
        discs = np.array(
            [
                [*lamp.towards, math.cos(math.radians(lamp.radius)), lamp.radiance]
                for lamp in self.lamps
            ]
        )
        return np.array([self.constant, self.slope, self.below, inner, outer, *discs.ravel()])

    @property
    def words(self) -> str:
        """Its name and the viewer's head, for people."""
        if not self.head_deg:
            return f"{self.name} light"
        return f"{self.name} light, head {self.head_deg:g} deg{' hard' if self.head_hard else ''}"

    def white(self, sight_zenith: float, sight_azimuth: float = 0.0) -> float:
        """Radiance of a perfect white diffuser that lies flat under this light, head included.

        *sight_zenith*: cosine between the line of sight and the zenith; *sight_azimuth* of it,
        degrees. The irradiance integral of L cos over the upper half, divided by pi.
        """
        return _white(self, round(sight_zenith, 12), round(sight_azimuth, 9) if self.lamps else 0.0)

    @property
    def lamp_share(self) -> float:
        """Share of the irradiance of a flat table that comes from the lamps, without the head."""
        lamps = sum(
            lamp.radiance * math.sin(math.radians(lamp.radius)) ** 2 * float(lamp.towards[2])
            for lamp in self.lamps
        )
        return lamps / replace(self, head_deg=0.0).white(1.0)


@lru_cache(maxsize=64)
def _white(light: Light, sight_zenith: float, sight_azimuth: float) -> float:
    open_sky = light.constant + 2 / 3 * light.slope
    if light.lamps:
        tilt = math.sqrt(max(0.0, 1 - sight_zenith**2))
        a = math.radians(sight_azimuth)
        sight = np.array([tilt * math.cos(a), tilt * math.sin(a), sight_zenith])
        lamps = sum(_lamp_gain(light, lamp, sight) for lamp in light.lamps)
        return lamps + _white(replace(light, lamps=()), sight_zenith, 0.0)
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
        share = 1 - _past_head(row, math.cos(a))
        level = np.sum((light.constant + light.slope * mu) * mu) * (2 * math.pi / 360)
        hidden += 0.5 * edge * w * math.sin(a) * share * level
    return open_sky - float(hidden) / math.pi


def _past_head(row: Floats, mu_sight: float) -> float:
    """Share of the light from that far off the line of sight that the head lets pass."""
    alone = np.array([1.0, 0.0, 1.0, row[LIGHT_HEAD_INNER], row[LIGHT_HEAD_OUTER]])
    return float(seen_radiance(alone, 1.0, mu_sight, 0.0, 0.0, 0.0))


def _lamp_gain(light: Light, lamp: Lamp, sight: Floats) -> float:
    """What a lamp adds to the white diffuser's radiance: (L - sky) cos over its disc, by pi.

    In closed form (a disc's projected solid angle is pi sin^2 r cos t) unless the head reaches
    over it: then in polar coordinates around its middle, exact but for a hard edge within it.
    """
    middle, radius = lamp.towards, math.radians(lamp.radius)
    row = light.row
    apart = math.acos(float(np.clip(middle @ sight, -1.0, 1.0)))
    cosine, edge = float(middle[2]), math.cos(radius)
    if light.head_deg <= 0 or math.cos(max(0.0, apart - radius)) <= row[LIGHT_HEAD_OUTER]:
        cubes = (1 - edge**3) / 3
        # over the disc: mu, and mu squared, by the solid angle
        first = math.sin(radius) ** 2 * cosine
        second = 2 * cosine**2 * cubes + (1 - cosine**2) * (1 - edge - cubes)
        return (lamp.radiance - light.constant) * first - light.slope * second
    nodes, weights = np.polynomial.legendre.leggauss(LAMP_RINGS)
    way = (np.arange(LAMP_STEPS) + 0.5) * (2 * math.pi / LAMP_STEPS)
    right = across(middle)
    right /= np.linalg.norm(right)
    around = np.outer(np.cos(way), right) + np.outer(np.sin(way), np.cross(middle, right))
    total = 0.0
    for angle, w in zip(0.5 * radius * (nodes + 1), weights, strict=True):
        d = math.cos(angle) * middle + math.sin(angle) * around
        mu = np.maximum(d[:, 2], 0.0)
        seen = np.array([_past_head(row, m) for m in d @ sight])
        level = np.mean((lamp.radiance - light.constant - light.slope * mu) * mu * seen)
        total += 0.5 * radius * w * math.sin(angle) * 2.0 * float(level)
    return total


def light_names() -> list[str]:
    """Names of the shipped lights."""
    return list(_table())


def description(light: Light) -> str:
    """A shipped light in a sentence for people who do not know its name."""
    text = str(_table()[light.name]["says"])
    if light.head_deg:
        text += f"; the viewer's head hides {light.head_deg:g} degrees around the line of sight"
    return f"{text[0].upper()}{text[1:]}."


@lru_cache(maxsize=1)
def _table() -> Mapping[str, Mapping[str, Any]]:
    text = (resources.files("facetrace.optics") / "lights.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def find_light(name: str, head_deg: float | None = None, head_hard: bool = False) -> Light:
    """A shipped light by name. Without *head_deg*: 10 degrees, none in the uniform enclosure."""
    table = _table()
    if name not in table:
        raise FacetraceError(f"no light '{shortened(name, MOST_NAME)}'; known: {', '.join(table)}")
    row = table[name]
    # 1 stays the brightest, so that no share of light can exceed its path's
    lamps = [Lamp(**lamp) for lamp in row.get("lamps", [])]
    brightest = max([1.0, *(lamp.radiance for lamp in lamps)])
    constant, slope, below = (float(row[key]) / brightest for key in ("constant", "slope", "below"))
    if head_deg is None:
        head_deg = 0.0 if name == "uniform" else HEAD_DEG
    discs = tuple(replace(lamp, radiance=lamp.radiance / brightest) for lamp in lamps)
    return Light(name, constant, slope, below, head_deg, head_hard, discs)
