"""Any file of facetrace, opened as what it is."""

from pathlib import Path

from facetrace.checks import catalogue
from facetrace.checks.check import run_checks
from facetrace.common.errors import FacetraceError
from facetrace.common.progress import ProgressBar, silent
from facetrace.common.tomlfile import kind_in_file
from facetrace.notebook.cut_stone import CutStone
from facetrace.notebook.design import Design
from facetrace.notebook.found import Colours, Verified
from facetrace.notebook.rough import Prices, Rough
from facetrace.optics.material import find_material
from facetrace.recut.stone import read_stone
from facetrace.rough.model import read_rough
from facetrace.rough.rough import rough_of
from facetrace.rough.zone import ZoneFile, read_zones
from facetrace.studies.dichroscope import two_colours
from facetrace.studies.opening import open_design, with_spectrum
from facetrace.studies.price import read_prices

NEEDED = "a file of facetrace (TOML) is needed here"

Loaded = Design | Rough | CutStone | Prices | ZoneFile


def load(path: str | Path) -> Loaded:
    """Open a design, a rough, a cut stone, prices or zones (TOML).

    Raises FileError, in one line with place and remedy, for whatever is wrong with the file.

    Parameters
    ----------
    path : of the file; what it holds decides what it is.
    """
    file = Path(path)
    kind = kind_in_file(file, NEEDED)
    match kind.name if kind else None:
        case "rough":
            return Rough(rough_of(read_rough(file)))
        case "stone":
            return CutStone(read_stone(file))
        case "price":
            return Prices(read_prices(file))
        case "zone":
            return read_zones(file)
        case _:
            # also what is of no known kind: the reader of designs says what is wrong with it
            return Design(*open_design(file))


def colours(
    material: str = "ruby", *, angle_deg: float = 90.0, thickness_mm: float = 5.0, ppma: dict[str, float] | None = None,
    spectrum: str | Path | None = None,
) -> Colours:  # fmt: skip
    """The two colours of a crystal along a direction, as in a dichroscope. Raises FacetraceError for an unknown material.

    Parameters
    ----------
    material : a material or variety, or a file ending in .toml.
    angle_deg : between the line of sight and the c-axis [deg].
    thickness_mm : path in the crystal [mm].
    ppma : concentrations of chromophores, parts per million atoms.
    spectrum : your own absorption spectrum (CSV).
    """
    if ppma and spectrum:
        raise FacetraceError("ppma and spectrum: give one of them")
    substance = with_spectrum(find_material(material, ppma), Path(spectrum) if spectrum else None)
    return Colours(two_colours(substance, angle_deg, thickness_mm))


def verify(progress: ProgressBar = silent) -> Verified:
    """Hold this installation against published numbers, exact laws and a second tracer; takes about half a minute.

    Parameters
    ----------
    progress : shows how much is done.
    """
    with progress("checks") as report:
        return Verified(tuple(run_checks(catalogue.CHECKS, report)))
