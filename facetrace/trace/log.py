"""What happens to one ray of a scene, event by event, to read."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from facetrace.kernel import events
from facetrace.kernel.driver import trace_rows
from facetrace.kernel.tally import SUMS
from facetrace.trace.run import SETS, over_silhouette, roulette_floor
from facetrace.trace.scene import Scene

Vector = tuple[float, float, float]

HAPPENINGS = {
    events.PASSES: "passes by",
    events.MIRRORED: "is mirrored outside",
    events.ENTERS: "enters",
    events.SPLITS: "splits",
    events.ABSORBED: "is absorbed",
    events.LEAVES: "leaves",
    events.REFLECTS: "reflects",
    events.SCATTERS: "scatters",
    events.CROSSES: "crosses in air",
    events.SPARED: "is spared by roulette",
    events.ENDS: "ends by roulette",
    events.LOST: "is lost",
}
MODES = {
    0: "ordinary",
    1: "extraordinary",
    events.MODE_ISOTROPIC: "isotropic",
    events.MODE_AIR: "air",
}
# a path ends by roulette long before
MOST_EVENTS = 4095


@dataclass(frozen=True)
class Event:
    """One thing that happens to a ray, which is followed from the eye into the stone.

    what: one of HAPPENINGS. *is mirrored outside*, *leaves* and *is absorbed* say which share goes, at that facet
    or on the way to it; *enters*, *reflects*, *scatters* (off a ground facet), *crosses in air* (to the other lobe)
    and *is spared by roulette* what goes on; *splits*: the ordinary and the extraordinary wave got out of step on
    the way to the facet, and one goes on alone; the others are ends.
    facet: its name, None where there is none or it is a wall between lobes; place_mm: in the stone's frame; mode: one of MODES, of the
    wave that wave_normal (unit vector) belongs to; energy: share of what was launched.
    """

    number: int
    what: str
    facet: str | None
    place_mm: Vector
    mode: str
    wave_normal: Vector
    energy: float

    def __str__(self) -> str:
        place = " ".join(f"{v:8.4f}" for v in self.place_mm)
        normal = " ".join(f"{v:8.5f}" for v in self.wave_normal)
        return f"{self.number:4d}  {self.what:21}  {self.facet or '-':24}  {place}  {self.mode:13}  {normal}  {self.energy:.6f}"


@dataclass(frozen=True)
class PathLog:
    """All events of a ray in their order; ``str()`` is a table."""

    events: tuple[Event, ...]

    def __iter__(self) -> Iterator[Event]:
        return iter(self.events)

    def __len__(self) -> int:
        return len(self.events)

    def __str__(self) -> str:
        head = f"{'':4}  {'what':21}  {'facet':24}  {'place, mm':26}  {'mode':13}  {'wave normal':26}  energy"
        return "\n".join([head, *map(str, self.events)])


def path_events(scene: Scene, ray: int, seed: int, *, floor: float | None = None) -> PathLog:
    """Trace one ray over the silhouette and say what happens to it, compiled or in plain Python alike.

    Parameters
    ----------
    scene
        What is traced.
    ray
        Its number, from 0: ray k is point k // SETS of set k % SETS of ``trace_sums`` with that seed, so
        neighbours lie far apart.
    seed
        Of the random numbers.
    floor
        Energy below which Russian roulette begins; by default what ``trace_sums`` takes, measured by 2,048 rays.

    Raises
    ------
    ValueError
        If *ray* is negative.
    """
    if ray < 0:
        raise ValueError("a ray's number is 0 or more")
    point, set_number = divmod(ray, SETS)
    rays = over_silhouette(
        scene, seed, point, 1, 1, roulette_floor(scene, seed) if floor is None else floor
    )
    logs = np.zeros((1, MOST_EVENTS + 1, events.LOG_COLUMNS))
    trace_rows(scene.arrays, rays, set_number, 1, np.zeros((1, SUMS)), logs)
    count = min(int(logs[0, 0, 0]), MOST_EVENTS)
    return PathLog(tuple(_event(scene, k, logs[0, k].tolist()) for k in range(1, count + 1)))


def _event(scene: Scene, number: int, row: list[float]) -> Event:
    facet = int(row[events.LOG_FACET])
    wave = np.array(row[events.LOG_WAVE : events.LOG_WAVE + 3])
    x, y, z = row[events.LOG_PLACE : events.LOG_PLACE + 3]
    nx, ny, nz = (wave / np.linalg.norm(wave)).tolist()
    return Event(
        number=number,
        what=HAPPENINGS[int(row[events.LOG_WHAT])],
        facet=scene.facets[facet] if facet >= 0 else None,
        place_mm=(x, y, z),
        mode=MODES[int(row[events.LOG_MODE])],
        wave_normal=(nx, ny, nz),
        energy=row[events.LOG_ENERGY],
    )
