"""A user's own absorption spectrum: a CSV file that says what its numbers are.

    # quantity: absorbance           or: absorption coefficient
    # logarithm: decadic             or: natural
    # thickness_mm: 2.0              for an absorbance
    # reflection: included           for an absorbance; or: removed
    # unit: 1/cm                     for an absorption coefficient; or: 1/mm
    nm,o,e                           or: nm,unpolarised
    380,0.412,0.398

Other lines that begin with # are comments. o is measured with the electric field at right
angles to the c-axis, e with the field along it. Nothing is guessed: a statement that is
missing is an error, and so is a range of wavelengths that has to be made up.
"""

import difflib
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.tomlfile import read_text

Floats = NDArray[np.float64]
Indices = Callable[[Floats], tuple[Floats, Floats]]

# what colour needs: the range of the CIE table in use, nm
RANGE_NM = (380.0, 780.0)
WIDEST_GAP_NM = 10.0
# larger ones are wrong units: no gem lets light through at 1e4 per cm, and no spectrometer
# tells 1e-10 of its light from none
LARGEST_ALPHA = 1e4
LARGEST_DECADIC_ABSORBANCE = 10.0
# a clear crystal's measured absorbance may lie so much (decadic) below its surfaces' loss: what
# good spectrometers' makers promise for the photometric scale is a few thousandths (from memory)
NOISE = 0.005

POLARISED, UNPOLARISED = ("nm", "o", "e"), ("nm", "unpolarised")
COEFFICIENT, ABSORBANCE = "absorption coefficient", "absorbance"
CHOICES = {
    "quantity": (COEFFICIENT, ABSORBANCE),
    "logarithm": ("natural", "decadic"),
    "unit": ("1/cm", "1/mm"),
    "reflection": ("removed", "included"),
}
KEYS = (*CHOICES, "thickness_mm")
MM_PER_CM = 10.0

_STATEMENT = re.compile(r"#+\s*([A-Za-z][A-Za-z_ ]*?)\s*:\s*(.*)")


@dataclass(frozen=True)
class Spectrum:
    """Absorption of both rays: wavelengths in nm, rising; alpha in 1/cm, natural logarithm.

    polarised: False where one column served for both rays; name, path: those of the file.
    """

    wavelength_nm: Floats
    alpha_o: Floats
    alpha_e: Floats
    polarised: bool
    name: str
    path: str = ""

    def at(self, wavelength_nm: ArrayLike) -> tuple[Floats, Floats]:
        """(alpha_o, alpha_e) by linear interpolation. Raises FacetraceError outside the range."""
        nm = np.asarray(wavelength_nm, dtype=np.float64)
        first, last = self.wavelength_nm[0], self.wavelength_nm[-1]
        if nm.size and (nm.min() < first or nm.max() > last):
            raise FacetraceError(f"{self.name}: says nothing outside {first:g}-{last:g} nm")
        return (
            np.asarray(np.interp(nm, self.wavelength_nm, self.alpha_o)),
            np.asarray(np.interp(nm, self.wavelength_nm, self.alpha_e)),
        )


@dataclass(frozen=True)
class _Sheet:
    """The file taken apart: statements with their lines, columns, rows with their lines."""

    path: Path
    statements: dict[str, tuple[str, int]]
    columns: tuple[str, ...]
    lines: NDArray[np.int64]
    values: Floats

    def error(self, row: int, problem: str, key: str = "") -> FileError:
        return FileError(self.path, int(self.lines[row]), key, problem)

    @property
    def nm(self) -> Floats:
        return self.values[:, 0]


def read_spectrum(path: Path, indices: Indices) -> Spectrum:
    """Read and check a spectrum; kept is what lies in 380-780 nm and one row beyond.

    *indices*: (n_o, n_e) at wavelengths in nm, for the light that a plate's surfaces reflect.
    Raises FileError with file, line, what is wrong and what would be right.
    """
    sheet = _take_apart(
        path, read_text(path, "a CSV file of a spectrum is needed here").removeprefix("\ufeff")
    )
    _check_statements(sheet)
    _check_wavelengths(sheet)
    sheet = _needed(sheet)
    _check_values(sheet)
    alpha = _alpha(sheet, indices)
    # o, e in whatever order the columns have; one column serves for both
    if "unpolarised" in sheet.columns:
        alpha_o = alpha_e = alpha[:, 0]
    else:
        alpha_o, alpha_e = (alpha[:, sheet.columns.index(ray) - 1] for ray in ("o", "e"))
    polarised = "unpolarised" not in sheet.columns
    return Spectrum(sheet.nm, alpha_o, alpha_e, polarised, path.name, str(path))


# ---- taking the file apart --------------------------------------------------------------------


def _take_apart(path: Path, text: str) -> _Sheet:
    if "\0" in text:
        raise FileError(path, None, "", "is not a text file; a CSV file is wanted")
    statements: dict[str, tuple[str, int]] = {}
    columns: tuple[str, ...] = ()
    lines: list[int] = []
    rows: list[list[float]] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.strip().strip('"')
        if line.startswith("#"):
            _add_statement(path, number, line, statements)
        elif not line.strip(", "):
            continue
        elif not columns:
            columns = _column_names(path, number, line)
        else:
            rows.append(_numbers(path, number, line, columns))
            lines.append(number)
    if not rows:
        raise FileError(
            path, None, "", "holds no data; wanted are lines that say '# quantity: ...' and so on, "
            "a row of column names (nm,o,e) and rows of numbers",
        )  # fmt: skip
    return _Sheet(path, statements, columns, np.array(lines), np.array(rows))


def _add_statement(
    path: Path, number: int, line: str, statements: dict[str, tuple[str, int]]
) -> None:
    # spreadsheets fill short lines up with commas
    found = _STATEMENT.fullmatch(line.rstrip(", "))
    if not found:
        return
    key = found.group(1).lower().replace(" ", "_")
    if key in KEYS and key in statements:
        before = statements[key][1]
        raise FileError(path, number, key, f"is stated already in line {before}; keep one of them")
    statements[key] = (" ".join(found.group(2).split()), number)


def _fields(path: Path, number: int, line: str) -> list[str]:
    wanted = "separate columns by commas and write decimals with a point"
    if ";" in line:
        raise FileError(path, number, "", f"has semicolons; {wanted}")
    if "," not in line:
        raise FileError(path, number, "", f"has no comma; {wanted}")
    return [field.strip().strip('"').strip() for field in line.split(",")]


def _column_names(path: Path, number: int, line: str) -> tuple[str, ...]:
    names = tuple(field.lower() for field in _fields(path, number, line))
    if sorted(names) not in (sorted(POLARISED), sorted(UNPOLARISED)) or names[0] != "nm":
        raise FileError(
            path, number, "", f"'{line[:60]}' does not name the columns; the row before the "
            "numbers is nm,o,e or nm,unpolarised",
        )  # fmt: skip
    return names


def _numbers(path: Path, number: int, line: str, columns: Sequence[str]) -> list[float]:
    fields = _fields(path, number, line)
    if len(fields) != len(columns):
        hint = "; decimals are written with a point" if len(fields) > len(columns) else ""
        raise FileError(
            path, number, "", f"has {len(fields)} values, not the {len(columns)} of "
            f"{','.join(columns)}{hint}",
        )  # fmt: skip
    return [_number(path, number, key, field) for key, field in zip(columns, fields, strict=True)]


def _number(path: Path, number: int, key: str, text: str) -> float:
    try:
        # Python would take 1_000 for a number
        value = float(text.replace("_", "?"))
    except ValueError:
        what = f"'{text[:30]}'" if text else "an empty field"
        raise FileError(path, number, key, f"{what} is not a number; write one like 0.25") from None
    if not math.isfinite(value):
        raise FileError(
            path, number, key, f"'{text}' cannot be calculated with; leave out rows without a value"
        )
    return value


# ---- checks -----------------------------------------------------------------------------------


def _choices(key: str) -> str:
    if key == "thickness_mm":
        return "'# thickness_mm: 2.0' (the plate's)"
    return " or ".join(f"'# {key}: {choice}'" for choice in CHOICES[key])


def _check_statements(sheet: _Sheet) -> None:
    """Every statement that its quantity needs, none that contradicts it, each with a known value."""
    for key, choices in CHOICES.items():
        value, line = sheet.statements.get(key, (choices[0], 0))
        if value.lower() not in choices:
            raise FileError(sheet.path, line, key, f"'{value}' is not known; write {_choices(key)}")
    _need(sheet, "quantity")
    _need(sheet, "logarithm")
    if _stated(sheet, "quantity") == ABSORBANCE:
        _need(sheet, "thickness_mm")
        _need(sheet, "reflection")
        _refuse(sheet, "unit", "an absorbance has no unit; leave it out")
        _thickness_mm(sheet)
    else:
        _need(sheet, "unit")
        _refuse(sheet, "thickness_mm", "goes with '# quantity: absorbance'; leave it out")
        if "reflection" in sheet.statements and _stated(sheet, "reflection") == "included":
            line = sheet.statements["reflection"][1]
            raise FileError(
                sheet.path, line, "reflection", "can be taken out of an absorbance only, whose "
                "thickness is known; give '# quantity: absorbance'",
            )  # fmt: skip


def _stated(sheet: _Sheet, key: str) -> str:
    return sheet.statements[key][0].lower()


def _need(sheet: _Sheet, key: str) -> None:
    if key in sheet.statements:
        return
    near = difflib.get_close_matches(key, [k for k in sheet.statements if k not in KEYS], n=1)
    hint = f"; line {sheet.statements[near[0]][1]} says '{near[0]}'" if near else ""
    raise FileError(
        sheet.path, None, "", f"does not say its {key}: a line {_choices(key)} is wanted{hint}"
    )


def _refuse(sheet: _Sheet, key: str, problem: str) -> None:
    if key in sheet.statements:
        raise FileError(sheet.path, sheet.statements[key][1], key, problem)


def _thickness_mm(sheet: _Sheet) -> float:
    text, line = sheet.statements["thickness_mm"]
    value = _number(sheet.path, line, "thickness_mm", text)
    if not 0 < value <= 1000:
        raise FileError(sheet.path, line, "thickness_mm", f"{value:g} is not between 0 and 1000 mm")
    return value


def _looks_like(low: float, high: float) -> str:
    """The unit that numbers of this range have, where it is not nm; the visible is 380-780 nm."""
    if high <= 20:
        return "micrometres" if low < 1 else "electron volts"
    if low >= 2000:
        return "wavenumbers (1/cm)" if high > 10500 else "angstroms"
    return ""


def _check_wavelengths(sheet: _Sheet) -> None:
    nm = sheet.nm
    low, high = float(nm.min()), float(nm.max())
    other = _looks_like(low, high)
    if other:
        raise sheet.error(
            0, f"values run from {low:g} to {high:g}: these look like {other}; nm are wanted", "nm"
        )
    for row in np.flatnonzero(np.diff(nm) <= 0)[:1] + 1:
        what = "stands there twice" if nm[row] == nm[row - 1] else f"follows {nm[row - 1]:g}"
        raise sheet.error(row, f"{nm[row]:g} {what}; wavelengths must rise from row to row", "nm")
    first, last = RANGE_NM
    never = f"{first:g}-{last:g} nm are needed, and nothing is made up beyond the data"
    if low > first:
        raise sheet.error(0, f"begins at {low:g}, the violet end is missing; {never}", "nm")
    if high < last:
        raise sheet.error(-1, f"ends at {high:g}, the red end is missing; {never}", "nm")
    inside = (nm[1:] > first) & (nm[:-1] < last)
    for row in np.flatnonzero((np.diff(nm) > WIDEST_GAP_NM) & inside)[:1] + 1:
        raise sheet.error(
            row, f"a gap from {nm[row - 1]:g} to {nm[row]:g}; steps of at most "
            f"{WIDEST_GAP_NM:g} nm are needed from {first:g} to {last:g}", "nm",
        )  # fmt: skip


def _needed(sheet: _Sheet) -> _Sheet:
    """Rows from the last at or below 380 nm to the first at or above 780 nm."""
    start = int(np.searchsorted(sheet.nm, RANGE_NM[0], side="right")) - 1
    stop = int(np.searchsorted(sheet.nm, RANGE_NM[1], side="left")) + 1
    rows = slice(start, stop)
    return _Sheet(
        sheet.path, sheet.statements, sheet.columns, sheet.lines[rows], sheet.values[rows]
    )


def _check_values(sheet: _Sheet) -> None:
    values = sheet.values[:, 1:]
    if (values < 0).any():
        row, column = np.argwhere(values < 0)[0]
        count = int((values < 0).sum())
        raise sheet.error(
            row, f"{values[row, column]:g} is negative, one of {count} such values; correct the "
            "baseline, and set noise around zero to 0", sheet.columns[column + 1],
        )  # fmt: skip
    if _stated(sheet, "quantity") == ABSORBANCE:
        limit = LARGEST_DECADIC_ABSORBANCE * math.log(10) / _natural(sheet)
        hint = "cannot be measured as an absorbance; is it a transmission in percent?"
    else:
        limit = LARGEST_ALPHA / _factor(sheet)
        hint = f"is {_factor(sheet):.3g} times as much per cm, natural; no gem absorbs so much: check unit and logarithm"
    if (values > limit).any():
        row, column = np.argwhere(values > limit)[0]
        raise sheet.error(row, f"{values[row, column]:g} {hint}", sheet.columns[column + 1])


# ---- to 1/cm, natural -------------------------------------------------------------------------


def _natural(sheet: _Sheet) -> float:
    """What the file's logarithms are multiplied by to be natural ones."""
    return math.log(10) if _stated(sheet, "logarithm") == "decadic" else 1.0


def _factor(sheet: _Sheet) -> float:
    """What an absorption coefficient is multiplied by to be in 1/cm, natural."""
    return _natural(sheet) * (MM_PER_CM if _stated(sheet, "unit") == "1/mm" else 1.0)


def _alpha(sheet: _Sheet, indices: Indices) -> Floats:
    """alpha (rows, rays) in 1/cm, natural: Beer's law."""
    values = sheet.values[:, 1:]
    if _stated(sheet, "quantity") == COEFFICIENT:
        return np.asarray(values * _factor(sheet))
    natural = values * _natural(sheet)
    if _stated(sheet, "reflection") == "included":
        n_o, n_e = indices(sheet.nm)
        # unpolarised light: one index serves, lest two make a pleochroism out of nothing
        rays = [n_e if name == "e" else n_o for name in sheet.columns[1:]]
        natural = _without_reflection(sheet, natural, np.column_stack(rays))
    return np.asarray(natural * MM_PER_CM / _thickness_mm(sheet))


def _without_reflection(sheet: _Sheet, absorbance: Floats, n: Floats) -> Floats:
    """Natural absorbance of the inside alone, from that of a plate in air, upright to the light.

    With R = ((n - 1) / (n + 1))^2 and A what one passage leaves, all reflections to and fro
    add up, as intensities, to T = (1 - R)^2 A / (1 - R^2 A^2) (a geometric series); this is the
    root A of that quadratic in a form without cancellation. Without absorption T is
    2 n / (n^2 + 1). What lies below that by no more than noise counts as clear.
    """
    R = ((n - 1) / (n + 1)) ** 2
    least = np.log((n * n + 1) / (2 * n))
    below = absorbance < least - NOISE * math.log(10)
    if below.any():
        row, column = np.argwhere(below)[0]
        raise sheet.error(
            row, f"{sheet.values[row, column + 1]:g} is less than the two surfaces alone take by "
            f"reflection ({least[row, column] / _natural(sheet):.4f} at index "
            f"{n[row, column]:.3f}); correct the baseline, or state '# reflection: removed'",
            sheet.columns[column + 1],
        )  # fmt: skip
    T = np.exp(-np.maximum(absorbance, least))
    b = (1 - R) ** 2
    inside = 2 * T / (b + np.sqrt(b * b + 4 * (R * T) ** 2))
    return np.asarray(-np.log(np.minimum(inside, 1.0)))
