"""What the tracer's one approximation costs, and what simpler optics would cost.

    python benchmarks/approximations.py              both tables (15 minutes on 2 cores)
    python benchmarks/approximations.py coherence    o and e added as intensities between facets
    python benchmarks/approximations.py optics       isotropic, label kept, averaged absorption

The first table comes from the textbook tracer's "pair" rule (facetrace/checks/textbook.py): both
waves go along one path, once as intensities and once with the phase between them, so that the
difference is sharp, and an upper bound, since waves that part interfere less. The face is cut
into 256 parts of equal area; colours are those from within the stone, CIEDE2000. All stones and
concentrations are invented.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from facetrace.checks.textbook import follow, rays_for, setting_of
from facetrace.design.model import read_design
from facetrace.kernel.launch import ISOTROPIC_UNPOLARISED
from facetrace.kernel.paths import ROW_AE, ROW_AO, ROW_NE, ROW_NO
from facetrace.measures.faceup import trace_face_up
from facetrace.optics.colour import LCh, delta_e_2000, lch_of, observer
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.solid.build import build_solid
from facetrace.solid.polyhedron import Solid
from facetrace.trace.scene import View, medium_of, scene_of

DESIGNS = Path(__file__).parent.parent / "designs"
PARTS = 16
AZIMUTH = 17.0
TILTS = (0.0, 2.0, 5.0, 10.0, 20.0, 45.0, 90.0)
COHERENCE = (
    ("round-brilliant", 8.0, "ruby"),
    ("oval-brilliant", 8.0, "ruby"),
    ("rectangle-step", 8.0, "ruby"),
    ("round-brilliant", 3.0, "ruby"),
    ("round-brilliant", 6.0, "blue sapphire"),
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


def coherence(case: Case) -> str:
    """One row: change of brightness in percent, and of colour over the face."""
    eye = observer()
    light = find_light("hemisphere")
    setting = setting_of(
        case.solid(), find_material(case.material), (case.tilt, AZIMUTH), light, View(), eye
    )
    rng = np.random.default_rng(1)
    rays = rays_for(setting, case.rays, rng)
    seen = follow(setting, rays, "pair", rng)
    y = rays.weight[:, 1]
    bright = ((seen.seen[:, 0] + seen.glare) * y).mean()
    change = (seen.seen[:, 1] - seen.seen[:, 0]) * y / bright
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
    plain = colours(0, whole)
    found = difference(plain, colours(1, whole))
    # what chance alone leaves of the change: half the difference of the changes in two halves
    apart = colours(1, even) - colours(0, even) - colours(1, odd) + colours(0, odd)
    noise = difference(plain, plain + apart / 2)
    error = change.std() / np.sqrt(len(change))
    return (
        f"{case!s:58s} {100 * change.mean():+8.4f} {100 * error:7.4f} "
        f"{found.max():7.2f} {noise.max():7.2f} {np.sqrt(np.mean(found**2)):7.3f} "
        f"{np.sqrt(np.mean(noise**2)):7.3f}"
    )


def optics(case: Case) -> str:
    """Rows: each simpler treatment against the exact one."""
    eye, light = observer(), find_light("hemisphere")
    axis = (case.tilt, AZIMUTH)
    solid, material = case.solid(), find_material(case.material)
    exact = scene_of(solid, medium_of(material, eye), axis, light, View())
    table = exact.medium.spectrum
    mean = (2 * table[ROW_AO] + table[ROW_AE]) / 3
    level = (2 * table[ROW_NO] + table[ROW_NE]) / 3

    def with_rows(physics: int | None = None, **rows: np.ndarray) -> tuple[float, float, LCh]:
        changed = table.copy()
        for name, value in rows.items():
            changed[{"no": ROW_NO, "ne": ROW_NE, "ao": ROW_AO, "ae": ROW_AE}[name]] = value
        medium = replace(exact.medium, spectrum=changed)
        if physics is not None:
            medium = replace(medium, physics=physics)
        found = trace_face_up(replace(exact, medium=medium), 1, rays=1 << 20)
        b = found.measures["brightness"]
        return b.value, b.stderr, lch_of(np.array([e.value for e in found.within.xyz]), eye.white)

    truth = with_rows()
    rows = [
        # almost no birefringence: waves part by 1e-9, but o and e still take up what is theirs
        ("isotropic geometry, o and e absorption", with_rows(no=level, ne=level * (1 - 1e-9))),
        ("averaged absorption, exact geometry", with_rows(ao=mean, ae=mean)),
        ("averaged absorption, isotropic, unpolarised Fresnel",
         with_rows(ISOTROPIC_UNPOLARISED, no=level, ne=level, ao=mean, ae=mean)),
    ]  # fmt: skip
    lines = [f"{case!s}: brightness {truth[0]:.5f} +- {truth[1]:.5f}"]
    for name, found in rows:
        shift, error = found[0] / truth[0] - 1, np.hypot(found[1], truth[1]) / truth[0]
        lines.append(
            f"    {name:52s} {100 * shift:+7.2f} {100 * error:6.2f} "
            f"{delta_e_2000(found[2], truth[2]):7.2f}"
        )
    setting = setting_of(solid, material, axis, light, View(), eye)
    both = []
    for rule in ("chosen", "label"):
        rng = np.random.default_rng(2)
        rays = rays_for(setting, case.rays, rng)
        seen = follow(setting, rays, rule, rng)
        y = (seen.seen + seen.glare) * rays.weight[:, 1]
        xyz = (seen.seen[:, None] * rays.weight).mean(axis=0) / light.white(1.0)
        both.append((y.mean(), y.std() / np.sqrt(len(y)), lch_of(xyz, eye.white)))
    shift = both[1][0] / both[0][0] - 1
    error = np.hypot(both[0][1], both[1][1]) / both[0][0]
    name = "o stays o and e stays e at every reflection"
    lines.append(
        f"    {name:52s} {100 * shift:+7.2f} {100 * error:6.2f} "
        f"{delta_e_2000(both[0][2], both[1][2]):7.2f}"
    )
    return "\n".join(lines)


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=["coherence", "optics", "both"], default="both")
    parser.add_argument("--rays", type=int, default=600_000, help="for the textbook tracer")
    wish = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        if wish.what != "optics":
            print("o and e with the phase between them, against added intensities")
            print(f"{'':58s} brightness, %    dE00 max  noise     rms   noise")
            cases = [Case(*stone, tilt, wish.rays) for stone in COHERENCE for tilt in TILTS]
            for row in pool.map(coherence, cases):
                print(row, flush=True)
        if wish.what != "coherence":
            print("simpler optics against the exact ones: brightness in %, its error, dE00")
            for row in pool.map(optics, [Case(*case, wish.rays) for case in OPTICS]):
                print(row, flush=True)


if __name__ == "__main__":
    main()
