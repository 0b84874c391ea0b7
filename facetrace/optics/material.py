"""Materials: data files with a source for each number, read into checked models.

A name is a material's (corundum, calcite, ...) or one of its varieties (ruby). What colours it
is its chromophores, or a measured spectrum in their place.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, model_validator

from facetrace.common.errors import MOST_NAME, FacetraceError, shortened
from facetrace.common.names import path_beside
from facetrace.common.tomlfile import AS_LIST, Strict, parse_model, read_model
from facetrace.optics.spectrum import RANGE_NM, Spectrum

Floats = NDArray[np.float64]
# indices of crystals that let light through, in visible light looked at in such steps, nm
LEAST_INDEX, MOST_INDEX, STEP_NM = 1.0, 10.0, 1.0
NAMES = ("corundum", "calcite", "quartz", "diamond", "spinel", "glass")


class Branch(Strict):
    """One ray's dispersion: n^2 - 1 = constant + sum B l^2 / (l^2 - C)."""

    constant: float
    terms: list[Annotated[tuple[float, float], AS_LIST]]


class Dispersion(Strict):
    """Dispersion formula of one or two rays, wavelength in micrometres."""

    form: Literal["C squared", "C unsquared"]
    range_nm: Annotated[tuple[float, float], AS_LIST]
    ordinary: Branch
    extraordinary: Branch | None = None
    source: str


class Band(Strict):
    """A Gaussian in wavenumber: centre and FWHM in cm^-1, peak cross sections in cm^2."""

    centre: Annotated[float, Field(gt=0, le=1e6)]
    width: Annotated[float, Field(ge=1, le=1e6)]
    o: Annotated[float, Field(ge=0, le=1e-10)]
    e: Annotated[float, Field(ge=0, le=1e-10)]


class Chromophore(Strict):
    """What colours: its polarised bands, where they are from, and whether that is firm."""

    name: str
    note: str = ""
    source: str
    provisional: bool = False
    bands: list[Band]


class Variety(Strict):
    """A material with concentrations in ppma."""

    chromophores: dict[str, Annotated[float, Field(ge=0, le=100_000)]]
    note: str = ""


class Atoms(Strict):
    """Number density that one ppma stands for."""

    per_cm3_per_ppma: Annotated[float, Field(gt=0, le=1e20)]
    source: str


class MaterialFile(Strict):
    """A material's data file."""

    name: str
    density: Annotated[float, Field(gt=0, le=30)]
    density_source: str
    note: str = ""
    dispersion: Dispersion
    atoms: Atoms | None = None
    chromophore: list[Chromophore] = Field(default_factory=list)
    variety: dict[str, Variety] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> "MaterialFile":
        if self.chromophore and self.atoms is None:
            raise ValueError("[[chromophore]] needs [atoms] per_cm3_per_ppma")
        known = {c.name for c in self.chromophore}
        for name, variety in self.variety.items():
            odd = set(variety.chromophores) - known
            if odd:
                raise ValueError(f"variety {name}: no [[chromophore]] is named {sorted(odd)[0]}")
        self._check_indices()
        return self

    def _check_indices(self) -> None:
        """Raise ValueError unless the dispersion gives an index that a crystal may have, in all visible light."""
        nm = np.arange(*RANGE_NM, STEP_NM)
        squared = self.dispersion.form == "C squared"
        for ray in ("ordinary", "extraordinary"):
            branch = getattr(self.dispersion, ray)
            if branch is None:
                continue
            with np.errstate(all="ignore"):
                n = _sellmeier(branch, nm, squared)
            odd = np.flatnonzero(~((n >= LEAST_INDEX) & (n <= MOST_INDEX)))
            if len(odd):
                raise ValueError(
                    f"[dispersion] {ray}: gives no index from {LEAST_INDEX:g} to {MOST_INDEX:g} at {nm[odd[0]]:g} nm; "
                    "check form, constant and terms"
                )


@dataclass(frozen=True)
class Material:
    """A material with its concentrations, ready to be asked for indices and absorption.

    A *spectrum* of the user's stands in place of all chromophores. source: the name or path by
    which ``find_material`` finds its crystal.
    """

    name: str
    data: MaterialFile
    chromophores: Mapping[str, float]
    spectrum: Spectrum | None = None
    source: str = ""

    @property
    def density(self) -> float:
        """g/cm^3."""
        return self.data.density

    @property
    def uniaxial(self) -> bool:
        """Whether it has two rays."""
        return self.data.dispersion.extraordinary is not None

    @property
    def provisional(self) -> tuple[str, ...]:
        """Chromophores in it whose numbers are from memory."""
        return tuple(c.name for c, _ in self.colouring if c.provisional)

    @property
    def colouring(self) -> tuple[tuple[Chromophore, float], ...]:
        """The chromophores in it with their concentrations in ppma."""
        return tuple(
            (c, self.chromophores[c.name]) for c in self.data.chromophore
            if self.chromophores.get(c.name, 0.0) > 0
        )  # fmt: skip

    def with_spectrum(self, spectrum: Spectrum) -> "Material":
        """The same crystal, coloured by a measured spectrum alone."""
        if spectrum.polarised and not self.uniaxial:
            raise FacetraceError(
                f"{spectrum.name}: has two rays, o and e, but {self.name} is isotropic and has "
                "one; give columns nm,unpolarised"
            )
        name = f"{self.name}, spectrum {spectrum.name}"
        return replace(self, name=name, chromophores={}, spectrum=spectrum)

    def indices(self, wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
        """(n_o, n_e) at wavelengths in nm (twice n where the material is isotropic)."""
        dispersion = self.data.dispersion
        squared = dispersion.form == "C squared"
        n_o = _sellmeier(dispersion.ordinary, wavelength_nm, squared)
        if dispersion.extraordinary is None:
            return n_o, n_o
        return n_o, _sellmeier(dispersion.extraordinary, wavelength_nm, squared)

    def absorption(self, wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
        """(alpha_o, alpha_e) in 1/cm, natural logarithm, at wavelengths in nm.

        The sum over chromophores and bands is made on each polarisation first; how the
        e ray mixes the two follows from its direction (kernel.uniaxial.absorption_share).
        """
        if self.spectrum is not None:
            return self.spectrum.at(wavelength_nm)
        alpha_o = np.zeros_like(np.asarray(wavelength_nm, dtype=np.float64))
        alpha_e = np.zeros_like(alpha_o)
        for part_o, part_e in self.parts(wavelength_nm).values():
            alpha_o += part_o
            alpha_e += part_e
        return alpha_o, alpha_e

    def parts(self, wavelength_nm: ArrayLike) -> dict[str, tuple[Floats, Floats]]:
        """Each chromophore's part of ``absorption``, by name; none under a measured spectrum."""
        wavenumber = 1e7 / np.asarray(wavelength_nm, dtype=np.float64)
        found: dict[str, tuple[Floats, Floats]] = {}
        for chromophore, ppma in self.colouring:
            # a file with chromophores has [atoms]: MaterialFile sees to it
            assert self.data.atoms is not None
            density = ppma * self.data.atoms.per_cm3_per_ppma
            alpha_o, alpha_e = np.zeros_like(wavenumber), np.zeros_like(wavenumber)
            for band in chromophore.bands:
                x = (wavenumber - band.centre) / band.width
                shape = density * np.exp(-4 * np.log(2) * x * x)
                alpha_o += band.o * shape
                alpha_e += band.e * shape
            found[chromophore.name] = (alpha_o, alpha_e)
        return found


def _sellmeier(branch: Branch, wavelength_nm: ArrayLike, squared: bool) -> Floats:
    l2 = (np.asarray(wavelength_nm, dtype=np.float64) * 1e-3) ** 2
    n2 = np.full_like(l2, 1.0 + branch.constant)
    for b, c in branch.terms:
        n2 += b * l2 / (l2 - (c if squared else c * c))
    return np.asarray(np.sqrt(n2))


def _shipped(name: str) -> MaterialFile:
    source = resources.files("facetrace.optics") / "materials" / f"{name}.toml"
    return parse_model(source.read_text(encoding="utf-8"), f"{name}.toml", MaterialFile)


def material_names() -> list[str]:
    """Every name that ``find_material`` knows."""
    names: list[str] = []
    for name in NAMES:
        names += [name, *(v for v in _shipped(name).variety if v != name)]
    return names


def find_material(name: str, chromophores: Mapping[str, float] | None = None) -> Material:
    """A shipped material or variety by name, or a file of one's own by path (ending in .toml).

    *chromophores* (ppma) replace the variety's. Raises FacetraceError for unknown names.
    """
    if name.endswith(".toml"):
        data = read_model(Path(name), MaterialFile)[0]
        return _with(Material(data.name, data, {}, source=name), chromophores)
    wanted = name.strip().lower()
    for shipped in NAMES:
        data = _shipped(shipped)
        if wanted in data.variety:
            own = data.variety[wanted].chromophores
            return _with(Material(wanted, data, own, source=wanted), chromophores)
        if wanted == data.name:
            return _with(Material(wanted, data, {}, source=wanted), chromophores)
    raise FacetraceError(
        f"no material '{shortened(name, MOST_NAME)}'; known: {', '.join(material_names())}"
    )


def material_in(file: Path, name: str, chromophores: Mapping[str, float] | None = None) -> Material:
    """The material that a file names; one's own is a path from its folder. Raises FacetraceError."""
    return find_material(
        str(path_beside(file, name)) if name.endswith(".toml") else name, chromophores
    )


def _with(material: Material, chromophores: Mapping[str, float] | None) -> Material:
    if chromophores is None:
        return material
    known = [c.name for c in material.data.chromophore]
    odd = [c for c in chromophores if c not in known]
    if odd:
        have = ", ".join(known) or "none"
        raise FacetraceError(
            f"chromophore '{shortened(odd[0], MOST_NAME)}' is not in the data of {material.name}; known: {have}"
        )
    return replace(material, chromophores=dict(chromophores))
