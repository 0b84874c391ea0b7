"""What the phase between the two waves of the crystal does, and what simpler optics would cost.

    python benchmarks/approximations.py              both tables (15 minutes on 2 cores)
    python benchmarks/approximations.py coherence    the phase between o and e
    python benchmarks/approximations.py optics       isotropic, label kept, averaged absorption

The first table comes from the textbook tracer's "pair" rule (facetrace/checks/textbook.py): both
waves go along one path, as intensities, with phases as far as the kernel carries them, and with all
phases, so that differences are sharp. Sharing a path is an estimate: waves that part interfere less.
The face is cut into 256 parts of equal area; colours are those from within the stone, CIEDE2000.
All stones and concentrations are invented.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from facetrace.checks.textbook import Rule, Setting, follow, rays_for, setting_of
from facetrace.design.model import read_design
from facetrace.kernel.scene import ISOTROPIC_UNPOLARISED, ROW_AE, ROW_AO, ROW_NE, ROW_NO
from facetrace.optics.colour import LCh, delta_e_2000, lch_of, observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.trace.faceup import trace_face_up
from facetrace.trace.scene import Scene, View, medium_of, scene_of

DESIGNS = Path(__file__).parent.parent / "designs"
PARTS = 16
# the three sums of the rule "pair"
INTENSITIES, KERNEL, ALL = range(3)
AZIMUTH = 17.0
TILTS = (0.0, 2.0, 5.0, 10.0, 20.0, 45.0, 90.0)
COHERENCE = (
    ("round-brilliant", 8.0, "ruby"),
    ("oval-brilliant", 8.0, "ruby"),
    ("rectangle-step", 8.0, "ruby"),
    ("round-brilliant", 3.0, "ruby"),
    ("round-brilliant", 8.0, "blue sapphire"),
    ("rectangle-step", 6.0, "blue sapphire"),
)
OPTICS = (
    ("round-brilliant", 6.5, "ruby", 0.0),
    ("round-brilliant", 6.5, "ruby", 90.0),
    ("oval-brilliant", 8.0, "ruby", 0.0),
    ("rectangle-step", 7.0, "blue sapphire", 0.0),
    ("rectangle-step", 7.0, "blue sapphire", 90.0),
)


@dataclass(frozen=True)
class Case:
    """A stone, its width in mm, what it is made of, and the tilt of its c-axis in degrees."""

    design: str
    width_mm: float
    material: str
    tilt: float
    rays: int

    def solid(self) -> Solid:
        """The shipped design at that width."""
        stone = build_solid(read_design(DESIGNS / f"{self.design}.toml").design)
        return Solid.from_planes(
            stone.normals, stone.offsets * self.width_mm / np.ptp(stone.vertices[:, 1])
        )

    def __str__(self) -> str:
        return f"{self.design} {self.width_mm:g} mm, {self.material}, c {self.tilt:g} deg off"


def part_of(place: np.ndarray) -> np.ndarray:
    """Number of the part of the face, 256 parts with the same number of rays (n,)."""
    count = len(place)
    column = place[:, 0].argsort().argsort() * PARTS // count
    out = np.zeros(count, dtype=int)
    for k in range(PARTS):
        rows = np.flatnonzero(column == k)
        out[rows] = k * PARTS + place[rows, 1].argsort().argsort() * PARTS // len(rows)
    return out


@dataclass(frozen=True)
class Phases:
    """What leaving out phases changes: brightness (a share, with its error), and CIEDE2000 over the
    256 parts, largest and root mean square, with what chance alone leaves of each."""

    brightness: float
    brightness_error: float
    most: float
    most_by_chance: float
    rms: float
    rms_by_chance: float


@dataclass(frozen=True)
class Simpler:
    """A simpler treatment against the exact one: brightness (a share, its error) and dE00."""

    name: str
    brightness: float
    error: float
    colour: float


def coherence_of(case: Case) -> tuple[Phases, Phases]:
    """Against all phases: adding intensities at once, and dropping phases where the kernel does."""
    eye = observer()
    light = find_light("hemisphere")
    setting = setting_of(
        case.solid(), find_material(case.material), (case.tilt, AZIMUTH), light, View(), eye
    )
    rng = np.random.default_rng(1)
    rays = rays_for(setting, case.rays, rng)
    seen = follow(setting, rays, "pair", rng)
    y = rays.weight[:, 1]
    bright = ((seen.seen[:, ALL] + seen.glare) * y).mean()
    part = part_of(rays.place)

    def colours(twin: int, rows: slice) -> np.ndarray:
        """XYZ (256, 3) of the parts, relative to the white diffuser."""
        count = np.bincount(part[rows], minlength=PARTS**2)
        sums = [
            np.bincount(part[rows], seen.seen[rows, twin] * w, minlength=PARTS**2)
            for w in rays.weight[rows].T
        ]
        return np.array(sums).T / count[:, None] / light.white(1.0)

    def difference(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return np.array(
            [
                delta_e_2000(lch_of(x, eye.white), lch_of(z, eye.white))
                for x, z in zip(a, b, strict=True)
            ]
        )

    whole, even, odd = slice(None), slice(0, None, 2), slice(1, None, 2)

    def against_all(twin: int) -> Phases:
        change = (seen.seen[:, twin] - seen.seen[:, ALL]) * y / bright
        exact = colours(ALL, whole)
        found = difference(exact, colours(twin, whole))
        # what chance alone leaves: half the difference of the changes in two halves
        apart = colours(twin, even) - colours(ALL, even) - colours(twin, odd) + colours(ALL, odd)
        noise = difference(exact, exact + apart / 2)
        return Phases(
            float(change.mean()), float(change.std() / np.sqrt(len(change))),
            float(found.max()), float(noise.max()),
            float(np.sqrt(np.mean(found**2))), float(np.sqrt(np.mean(noise**2))),
        )  # fmt: skip

    return against_all(INTENSITIES), against_all(KERNEL)


def coherence(case: Case) -> str:
    """One row of the first table."""
    text = f"{case!s:54s}"
    for p in coherence_of(case):
        text += (
            f" {100 * p.brightness:+8.4f} {100 * p.brightness_error:6.4f} "
            f"{p.most:5.2f} {p.most_by_chance:5.2f}"
        )
    return text


Look = tuple[float, float, LCh]


def _traced(scene: Scene, rows: dict[int, np.ndarray], physics: int | None = None) -> Look:
    """Brightness, its error and the colour from within, with other rows in the spectral table."""
    table = scene.medium.spectrum.copy()
    for row, value in rows.items():
        table[row] = value
    medium = replace(scene.medium, spectrum=table)
    if physics is not None:
        medium = replace(medium, physics=physics)
    found = trace_face_up(replace(scene, medium=medium), 1, rays=1 << 20)
    b = found.measures["brightness"]
    xyz = np.array([e.value for e in found.within.xyz])
    return b.value, b.stderr, lch_of(xyz, scene.medium.white)


def _followed(setting: Setting, rule: Rule, count: int) -> Look:
    """The same by the textbook tracer."""
    rng = np.random.default_rng(2)
    rays = rays_for(setting, count, rng)
    seen = follow(setting, rays, rule, rng)
    y = (seen.seen + seen.glare) * rays.weight[:, 1]
    xyz = (seen.seen[:, None] * rays.weight).mean(axis=0) / setting.light.white(1.0)
    return y.mean(), y.std() / np.sqrt(len(y)), lch_of(xyz, setting.observer.white)


def _against(name: str, simple: Look, exact: Look) -> Simpler:
    return Simpler(
        name, simple[0] / exact[0] - 1, float(np.hypot(simple[1], exact[1]) / exact[0]),
        delta_e_2000(simple[2], exact[2]),
    )  # fmt: skip


def optics_of(case: Case) -> list[Simpler]:
    """Each simpler treatment of a case against the exact one."""
    eye, light = observer(), find_light("hemisphere")
    axis = (case.tilt, AZIMUTH)
    solid, material = case.solid(), find_material(case.material)
    scene = scene_of(solid, medium_of(material, eye), axis, light, View())
    table = scene.medium.spectrum
    mean = (2 * table[ROW_AO] + table[ROW_AE]) / 3
    level = (2 * table[ROW_NO] + table[ROW_NE]) / 3
    # almost no birefringence: waves part by 1e-9, but o and e still take up what is theirs
    one = {ROW_NO: level, ROW_NE: level * (1 - 1e-9)}
    even = {ROW_AO: mean, ROW_AE: mean}
    exact = _traced(scene, {})
    setting = setting_of(solid, material, axis, light, View(), eye)
    return [
        _against("isotropic geometry, o and e absorption", _traced(scene, one), exact),
        _against("averaged absorption, exact geometry", _traced(scene, even), exact),
        _against(
            "averaged absorption, isotropic, unpolarised Fresnel",
            _traced(scene, one | even, ISOTROPIC_UNPOLARISED), exact,
        ),
        _against(
            "o stays o and e stays e at every reflection",
            _followed(setting, "label", case.rays), _followed(setting, "chosen", case.rays),
        ),
    ]  # fmt: skip


def optics(case: Case) -> str:
    """Rows of the second table."""
    lines = [f"{case}"]
    lines += [
        f"    {row.name:52s} {100 * row.brightness:+7.2f} {100 * row.error:6.2f} {row.colour:7.2f}"
        for row in optics_of(case)
    ]
    return "\n".join(lines)


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=["coherence", "optics", "both"], default="both")
    parser.add_argument("--rays", type=int, default=600_000, help="for the textbook tracer")
    wish = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        if wish.what != "optics":
            print(
                "phases left out, against all phases between o and e: brightness in %, its error,"
            )
            print("largest dE00 of 256 parts of the face, largest by chance")
            print(f"{'':54s} {'intensities added':>27s} {'as the kernel has it':>27s}")
            cases = [Case(*stone, tilt, wish.rays) for stone in COHERENCE for tilt in TILTS]
            for row in pool.map(coherence, cases):
                print(row, flush=True)
        if wish.what != "coherence":
            print("simpler optics against the exact ones: brightness in %, its error, dE00")
            for row in pool.map(optics, [Case(*case, wish.rays) for case in OPTICS]):
                print(row, flush=True)


if __name__ == "__main__":
    main()
