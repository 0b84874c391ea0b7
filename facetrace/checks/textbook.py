"""A second tracer in plain numpy that reads like the textbook: slow, and shares no formula with the kernel.

Waves in the crystal are found from K (the tangential part of the reduced wave vector N), with n
the facet's outward normal and D = n_e^2 - n_o^2 (Born & Wolf, "Principles of Optics", ch. 15;
Yeh, "Optical Waves in Layered Media", ch. 9):

    ordinary        N = K + q n,  q = +- sqrt(n_o^2 - K.K),             E = N x c
    extraordinary   A q^2 + 2 B q + C = 0,                              E = n_o^2 c - (N.c) N
                    A = n_o^2 + D (n.c)^2,  B = D (n.c)(K.c),
                    C = n_o^2 K.K + D (K.c)^2 - n_o^2 n_e^2

with H = N x E. At a facet the tangential parts of E and H are continuous: four equations for the
amplitudes of two reflected and two transmitted waves, solved as they stand. Amplitudes are scaled
so that their squares are the energy that crosses the facet, Re(n . E x H*).

Three rules say what is carried between facets:

    "chosen"   one wave, chosen by its energy, as the kernel does
    "label"    the same, but a wave that is reflected stays ordinary or extraordinary as it was
    "pair"     both waves along one path (that of the chosen one) by their 2 x 2 coherency matrix
               (Born & Wolf, ch. 10.9), three times: without its off-diagonal elements, which turn
               with the phase between the waves; with them up to the phase where the kernel
               drops them; and with all of them
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from facetrace.kernel.uniaxial_path import MOST_PHASE
from facetrace.optics.colour import Observer
from facetrace.optics.lights import Light
from facetrace.optics.material import Material
from facetrace.solid.polyhedron import Solid
from facetrace.trace.scene import View, direction, rocking

Floats = NDArray[np.float64]
# complex arrays, whose element type numpy infers differently from release to release
Complexes = NDArray[Any]
Rule = Literal["chosen", "label", "pair"]

# closer to c than this sine the pair of fields is any two at right angles to c
ON_AXIS = 1e-9
# a path below this weight goes on with a chance in proportion to it
ROULETTE = 0.02
MOST_BOUNCES = 2000
CHUNK = 16_384


@dataclass(frozen=True)
class Setting:
    """Stone, crystal, light and view, as the textbook has them (stone's frame, mm).

    axis: unit vector c; eye, right, up, zenith: unit vectors.
    """

    solid: Solid
    material: Material
    axis: Floats
    light: Light
    eye: Floats
    right: Floats
    up: Floats
    zenith: Floats
    observer: Observer


def setting_of(
    solid: Solid, material: Material, axis: tuple[float, float], light: Light, view: View,
    observer: Observer,
) -> Setting:  # fmt: skip
    """A setting from the same wishes as ``facetrace.trace.scene.scene_of``."""
    to_world = rocking(view.tilt, view.azimuth)
    frame = to_world.T @ rocking(view.eye_tilt, view.eye_azimuth)
    return Setting(
        solid, material, direction(*axis), light,
        eye=frame[:, 2], right=frame[:, 0], up=frame[:, 1],
        zenith=to_world.T @ np.array([0.0, 0.0, 1.0]), observer=observer,
    )  # fmt: skip


@dataclass(frozen=True)
class Rays:
    """Rays that meet the stone: place in the picture (n, 2) mm, wavelength (n,) nm, and weight.

    weight (n, 3): X, Y, Z of a white diffuser that a ray stands for, before the sum over rays.
    """

    place: Floats
    wavelength_nm: Floats
    weight: Floats


@dataclass(frozen=True)
class Seen:
    """What came of each ray (n,), or (n, 3) where three sums were carried (rule "pair").

    Shares of the ray's energy: surface, light_return, window, extinction, absorbed; seen: radiance
    from within, and glare: mirrored by the outer surface, both relative to the light's brightest.
    """

    surface: Floats
    light_return: Floats
    window: Floats
    extinction: Floats
    absorbed: Floats
    seen: Floats
    glare: Floats


def rays_for(setting: Setting, count: int, rng: np.random.Generator) -> Rays:
    """About *count* random rays (those of a square around the stone that meet it)."""
    outline = setting.solid.silhouette(setting.right, setting.up)
    low, high = outline.min(axis=0), outline.max(axis=0)
    place = low + (high - low) * rng.random((count, 2))
    edge = np.roll(outline, -1, axis=0) - outline
    off = place[:, None, :] - outline
    place = place[(edge[:, 0] * off[..., 1] - edge[:, 1] * off[..., 0] > 0).all(axis=1)]
    eye = setting.observer
    density = eye.xyz @ [0.25, 0.5, 0.25]
    steps = np.diff(eye.wavelength_nm) * (density[1:] + density[:-1]) / 2
    cdf = np.concatenate([[0], np.cumsum(steps)]) / steps.sum()
    # inverse of the distribution, flat within each step of the table
    u = rng.random(len(place))
    step = np.searchsorted(cdf, u, side="right") - 1
    t = (u - cdf[step]) / np.diff(cdf)[step]
    nm = eye.wavelength_nm[step] + t * np.diff(eye.wavelength_nm)[step]
    chance = (np.diff(cdf) / np.diff(eye.wavelength_nm))[step]
    xyz = np.column_stack([np.interp(nm, eye.wavelength_nm, column) for column in eye.xyz.T])
    return Rays(place, nm, xyz / chance[:, None])


def dot(a: Complexes, b: Complexes) -> Complexes:
    """Scalar products of rows, real or complex (nothing is conjugated)."""
    return np.asarray(np.sum(a * b, axis=-1))


def waves(
    tangential: Floats, normal: Floats, axis: Floats, no: Floats, ne: Floats, side: int
) -> tuple[Complexes, Complexes]:
    """Reduced wave vectors (n, 3) of the o and the e wave whose energy goes along side * normal.

    Complex where evanescent: then they decay on that side.
    """
    diff = ne**2 - no**2
    along, across = normal @ axis, tangential @ axis
    k2 = dot(tangential, tangential)
    a = no**2 + diff * along**2
    b = diff * along * across
    c = no**2 * k2 + diff * across**2 - no**2 * ne**2
    # numpy's root of a negative number has a positive imaginary part, so both signs decay rightly
    q_o = side * np.sqrt((no**2 - k2).astype(np.complex128))
    q_e = (-b + side * np.sqrt((b**2 - a * c).astype(np.complex128))) / a
    return tangential + q_o[:, None] * normal, tangential + q_e[:, None] * normal


def _any_across(vectors: Floats) -> Floats:
    """Some vector at right angles to each (..., 3): a copy of its own, as a second tracer shares no formula."""
    helper = np.where(np.abs(vectors[..., :1]) < 0.6, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    return np.asarray(np.cross(vectors, helper))


def fields(wave: Complexes, axis: Floats, no: Floats, extraordinary: bool) -> tuple[Complexes, ...]:
    """E and H (n, 3) of waves in the crystal, of any amplitude."""
    across = np.cross(wave, axis)
    on_axis = np.abs(np.sum(across**2, axis=1)) < ON_AXIS**2
    if on_axis.any():
        across[on_axis] = _any_across(axis)
    if not extraordinary:
        e = across
    else:
        e = no[:, None] ** 2 * axis - (wave @ axis)[:, None] * wave
        e[on_axis] = np.cross(across[on_axis], axis)
    return e, np.cross(wave, e)


def isotropic_fields(wave: Complexes, s: Floats, *, p_wave: bool) -> tuple[Complexes, ...]:
    """E and H (n, 3) outside: E along s, or H along s."""
    return (np.cross(s, wave), s.astype(np.complex128)) if p_wave else (
        s.astype(np.complex128), np.cross(wave, s)
    )  # fmt: skip


def flux(e: Complexes, h: Complexes, normal: Floats) -> Floats:
    """Energy across the facet, |Re(n . E x H*)|."""
    return np.asarray(np.abs(dot(normal, np.cross(e, h.conj()).real)))


@dataclass(frozen=True)
class Facet:
    """Amplitudes at a facet, energy-normalised: reflected (n, 2, 2) and transmitted (n, 2, 2).

    Rows: the wave that leaves (reflected o, e or s, p; transmitted s, p or o, e); columns: the
    wave that comes. wave: reduced wave vectors (n, 3) of the o and the e wave inside that leave;
    alive (n, 2): whether they carry energy; out: wave vector outside that leaves.
    """

    reflected: Complexes
    transmitted: Complexes
    wave: tuple[Complexes, Complexes]
    alive: NDArray[np.bool_]
    out: Complexes


def _frame(tangential: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors in the facet, the second at right angles to the plane of incidence."""
    length = np.linalg.norm(tangential, axis=1, keepdims=True)
    first = np.where(length > 1e-12, tangential, _any_across(normal))
    first = first / np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(normal, first)


def _match(
    come: list[tuple[Complexes, ...]], leave: list[tuple[Complexes, ...]], signs: list[float],
    first: Floats, second: Floats, normal: Floats,
) -> Complexes:  # fmt: skip
    """Energy amplitudes (n, 4, 2) of the four waves that leave, for each of the two that come."""

    def column(e: Complexes, h: Complexes) -> Complexes:
        return np.stack([dot(e, first), dot(e, second), dot(h, first), dot(h, second)], axis=1)

    left = np.stack(
        [sign * column(e, h) for sign, (e, h) in zip(signs, leave, strict=True)], axis=2
    )
    right = np.stack([column(e, h) for e, h in come], axis=2)
    amplitude = np.linalg.solve(left, right)
    gained = np.stack([flux(e, h, normal) for e, h in leave], axis=1)
    spent = np.stack([flux(e, h, normal) for e, h in come], axis=1)
    return np.asarray(amplitude * np.sqrt(gained)[:, :, None] / np.sqrt(spent)[:, None, :])


def from_outside(d: Floats, normal: Floats, axis: Floats, no: Floats, ne: Floats) -> Facet:
    """s and p waves in air along d (n, 3) meet a facet."""
    tangential = d - dot(d, normal)[:, None] * normal
    first, second = _frame(tangential, normal)
    mirrored = tangential - dot(d, normal)[:, None] * normal
    o, e = waves(tangential, normal, axis, no, ne, -1)
    come = [isotropic_fields(d + 0j, second, p_wave=p) for p in (False, True)]
    leave = [isotropic_fields(mirrored + 0j, second, p_wave=p) for p in (False, True)]
    leave += [fields(o, axis, no, False), fields(e, axis, no, True)]
    found = _match(come, leave, [-1.0, -1.0, 1.0, 1.0], first, second, normal)
    return Facet(
        found[:, :2], found[:, 2:], (o, e), np.ones((len(d), 2), dtype=bool), mirrored + 0j
    )


def from_inside(tangential: Floats, normal: Floats, axis: Floats, no: Floats, ne: Floats) -> Facet:
    """o and e waves with that tangential part meet a facet from within.

    A column is NaN where that wave cannot come (it would be evanescent).
    """
    first, second = _frame(tangential, normal)
    o_in, e_in = waves(tangential, normal, axis, no, ne, 1)
    o, e = waves(tangential, normal, axis, no, ne, -1)
    q1 = np.sqrt((1.0 - dot(tangential, tangential)).astype(np.complex128))
    out = tangential + q1[:, None] * normal
    come = [fields(o_in, axis, no, False), fields(e_in, axis, no, True)]
    leave = [fields(o, axis, no, False), fields(e, axis, no, True)]
    leave += [isotropic_fields(out, second, p_wave=p) for p in (False, True)]
    with np.errstate(divide="ignore", invalid="ignore"):
        found = _match(come, leave, [-1.0, -1.0, 1.0, 1.0], first, second, normal)
    real = np.stack([np.abs(w.imag).max(axis=1) == 0 for w in (o, e)], axis=1)
    closed = np.abs(out.imag).max(axis=1) > 0
    reflected = np.where(real[:, :, None], found[:, :2], 0)
    transmitted = np.where(closed[:, None, None], 0, found[:, 2:])
    # the waves that come have the same tangential part, so they are evanescent together with these
    can = np.stack([np.abs(w.imag).max(axis=1) == 0 for w in (o_in, e_in)], axis=1)
    reflected = np.where(can[:, None, :], reflected, np.nan)
    transmitted = np.where(can[:, None, :], transmitted, np.nan)
    return Facet(reflected, transmitted, (o, e), real, out)


def ray_of(
    wave: Floats, extraordinary: NDArray[np.bool_], axis: Floats, no: Floats, ne: Floats
) -> Floats:
    """Unit directions of the energy: N for o, n_o^2 N + D (N.c) c for e."""
    bent = no[:, None] ** 2 * wave + ((ne**2 - no**2) * (wave @ axis))[:, None] * axis
    along = np.where(extraordinary[:, None], bent, wave)
    return np.asarray(along / np.linalg.norm(along, axis=1, keepdims=True))


def e_absorption(
    wave: Floats, axis: Floats, no: Floats, ne: Floats, ao: Floats, ae: Floats
) -> Floats:
    """alpha of an e wave along its ray: k0 E*.e''E / |E x H*| with e'' along and across c.

    Weak absorption (Born & Wolf, ch. 15.6); e'' = n alpha / k0 for each polarisation.
    """
    e = no[:, None] ** 2 * axis - (wave @ axis)[:, None] * wave
    on_axis = np.linalg.norm(np.cross(wave, axis), axis=1) < ON_AXIS
    poynting = np.linalg.norm(np.cross(e, np.cross(wave, e)), axis=1)
    along = (e @ axis) ** 2
    across = dot(e, e) - along
    with np.errstate(divide="ignore", invalid="ignore"):
        alpha = (no * ao * across + ne * ae * along) / poynting
    return np.asarray(np.where(on_axis, ao, alpha))


def radiance(light: Light, mu_zenith: Floats, mu_sight: Floats) -> Floats:
    """Relative radiance from directions with these cosines to zenith and line of sight."""
    value = np.where(mu_zenith > 0, light.constant + light.slope * mu_zenith, light.below)
    _, _, _, inner, outer = light.row
    if inner > 1:
        return value
    t = np.clip((inner - mu_sight) / max(inner - outer, 1e-300), 0, 1)
    return np.asarray(value * t**2 * (3 - 2 * t))


Progress = Callable[[float], None]


def follow(
    setting: Setting, rays: Rays, rule: Rule, rng: np.random.Generator,
    report: Progress = lambda _: None,
) -> Seen:  # fmt: skip
    """Follow each ray backwards from the eye to all its ends."""
    parts = []
    for start in range(0, len(rays.wavelength_nm), CHUNK):
        run = slice(start, start + CHUNK)
        parts.append(
            _Path(setting, rays.place[run], rays.wavelength_nm[run], rule, rng).to_the_end()
        )
        report(min(1.0, (start + CHUNK) / len(rays.wavelength_nm)))
    return Seen(*(np.concatenate(column) for column in zip(*parts, strict=True)))


class _Path:
    """A bundle of paths on their way; arrays over the rays that are still followed."""

    def __init__(
        self, setting: Setting, place: Floats, nm: Floats, rule: Rule, rng: np.random.Generator
    ) -> None:
        self.setting, self.rule, self.rng = setting, rule, rng
        self.twins = 3 if rule == "pair" else 1
        count = len(nm)
        self.sums = {
            name: np.zeros((count, self.twins))
            for name in ("light_return", "window", "extinction", "absorbed", "seen")
        }
        self.rows = np.arange(count)
        self.no, self.ne = setting.material.indices(nm)
        self.ao, self.ae = (0.1 * a for a in setting.material.absorption(nm))
        self.k0 = 2 * np.pi / (nm * 1e-6)
        self._enter(place)

    def _enter(self, place: Floats) -> None:
        s = self.setting
        normals, offsets = s.solid.normals, s.solid.offsets
        far = 10 * np.abs(s.solid.vertices).max()
        start = place[:, :1] * s.right + place[:, 1:] * s.up + far * s.eye
        slope = normals @ -s.eye
        facing = np.flatnonzero(slope < 0)
        t = (offsets[facing] - start @ normals[facing].T) / slope[facing]
        hit = t.argmax(axis=1)
        self.place = start - t[np.arange(len(start)), hit][:, None] * s.eye
        normal = normals[facing][hit]
        d = np.broadcast_to(-s.eye, self.place.shape).copy()
        facet = from_outside(d, normal, s.axis, self.no, self.ne)
        mirrored = facet.out.real
        self.surface = 0.5 * np.sum(np.abs(facet.reflected) ** 2, axis=(1, 2))
        self.glare = self.surface * radiance(s.light, mirrored @ s.zenith, mirrored @ s.eye)
        # unpolarised: half of T T+
        rho = 0.5 * facet.transmitted @ facet.transmitted.conj().swapaxes(1, 2)
        self._split(np.repeat(rho[:, None], self.twins, axis=1), facet)

    def _split(self, rho: Complexes, facet: Facet) -> None:
        """Choose the wave whose path is followed; carry what the rule says."""
        if self.twins == 3:
            rho[:, 0, 0, 1] = rho[:, 0, 1, 0] = 0
        energy = np.einsum("ntii->nti", rho).real
        share = energy[:, 0, 1] / np.maximum(energy[:, 0].sum(axis=1), 1e-300)
        self.mode = self.rng.random(len(share)) < share
        self.pair = tuple(w.real for w in facet.wave)
        self.wave = np.where(self.mode[:, None], self.pair[1], self.pair[0])
        if self.rule != "pair":
            rho = self._one_wave(energy.sum(axis=2))
        else:
            # where only one of the two carries energy, there is no pair
            single = ~facet.alive.all(axis=1)
            rho[single] = self._one_wave(energy.sum(axis=2))[single]
        self.rho = rho

    def _one_wave(self, weight: Floats) -> Complexes:
        rho = np.zeros((len(weight), self.twins, 2, 2), dtype=np.complex128)
        mode = self.mode.astype(int)
        rho[np.arange(len(weight)), :, mode, mode] = weight
        return rho

    @property
    def weight(self) -> Floats:
        """Energy of each path (n, twins)."""
        return np.asarray(np.einsum("ntii->nt", self.rho).real)

    def _keep(self, chosen: NDArray[np.bool_]) -> None:
        for name in ("rows", "no", "ne", "ao", "ae", "k0", "place", "mode", "wave", "rho"):
            setattr(self, name, getattr(self, name)[chosen])
        self.pair = tuple(w[chosen] for w in self.pair)

    def to_the_end(self) -> tuple[Floats, ...]:
        """Follow until nothing is left; the columns of ``Seen``."""
        for bounce in range(MOST_BOUNCES):
            if not len(self.rows):
                break
            self._fly()
            self._bounce(bounce)
        else:
            raise RuntimeError(f"a path has more than {MOST_BOUNCES} bounces")
        s = self.sums
        names = ("light_return", "window", "extinction", "absorbed", "seen")
        columns = [s[name] for name in names]
        if self.twins == 1:
            columns = [c[:, 0] for c in columns]
        return (self.surface, *columns, self.glare)

    def _fly(self) -> None:
        """To the next facet, with absorption and the phase between the two waves."""
        s = self.setting
        ray = ray_of(self.wave, self.mode, s.axis, self.no, self.ne)
        slope = ray @ s.solid.normals.T
        room = s.solid.offsets - self.place @ s.solid.normals.T
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(slope > 1e-12, room / slope, np.inf)
        hit = t.argmin(axis=1)
        length = np.maximum(t[np.arange(len(hit)), hit], 0)
        step = length[:, None] * ray
        self.place = self.place + step
        self.normal = s.solid.normals[hit]
        alpha_e = e_absorption(self.pair[1], s.axis, self.no, self.ne, self.ao, self.ae)
        half = 0.5 * length[:, None] * np.stack([self.ao, alpha_e], axis=1)
        phase = self.k0 * dot(self.pair[0] - self.pair[1], step)
        rotation = np.exp(-half + 1j * np.stack([phase, 0 * phase], axis=1))
        before = self.weight
        self.rho = self.rho * (rotation[:, :, None] * rotation[:, None, :].conj())[:, None]
        if self.twins == 3:
            out_of_step = np.abs(phase) > MOST_PHASE
            self.rho[out_of_step, 1, 0, 1] = self.rho[out_of_step, 1, 1, 0] = 0
        self.sums["absorbed"][self.rows] += before - self.weight

    def _bounce(self, bounce: int) -> None:
        """Score what leaves, choose what goes on."""
        s = self.setting
        tangential = self.wave - dot(self.wave, self.normal)[:, None] * self.normal
        facet = from_inside(tangential, self.normal, s.axis, self.no, self.ne)
        lone = np.isnan(facet.reflected).any(axis=(1, 2))
        if lone.any():
            self.rho[lone] = self._one_wave(self.weight)[lone]
        reflected = np.nan_to_num(facet.reflected)[:, None]
        transmitted = np.nan_to_num(facet.transmitted)[:, None]
        leaving = transmitted @ self.rho @ transmitted.conj().swapaxes(2, 3)
        out = facet.out.real
        amount = np.einsum("ntii->nt", leaving).real
        seen = radiance(s.light, out @ s.zenith, out @ s.eye)[:, None]
        below = out[:, 2:] <= 0
        for name, value in (
            ("seen", amount * seen),
            ("window", np.where(below, amount, 0)),
            ("light_return", np.where(below, 0, amount * seen)),
            ("extinction", np.where(below, 0, amount * (1 - seen))),
        ):
            self.sums[name][self.rows] += value
        rho = reflected @ self.rho @ reflected.conj().swapaxes(2, 3)
        before = self.mode
        self._split(rho, facet)
        if self.rule == "label":
            # energy of both goes on in the old label, where that can be reflected at all
            able = np.take_along_axis(facet.alive, before[:, None].astype(int), axis=1)[:, 0]
            self.mode = np.where(able, before, self.mode)
            self.wave = np.where(self.mode[:, None], self.pair[1], self.pair[0])
            self.rho = self._one_wave(self.weight)
        weight = self.weight.mean(axis=1)
        chance = np.minimum(weight / ROULETTE, 1.0) * (0.5 if bounce > 400 else 1.0)
        stay = self.rng.random(len(weight)) < chance
        self.rho /= np.where(stay, chance, 1.0)[:, None, None, None]
        self._keep(stay)
