"""Results of the studies of one design."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.table import Table

from facetrace.bench.steps import Bench
from facetrace.checks import result as checked
from facetrace.checks.check import Outcome
from facetrace.common.ledger import Row
from facetrace.common.output import write_all
from facetrace.design.model import DesignFile
from facetrace.notebook.result import Result
from facetrace.report.girdle import girdle_png
from facetrace.report.orient import comparison_png, tilt_map_png
from facetrace.report.picture import face_png, maps_png, pair_png
from facetrace.report.sheet import sheet_page
from facetrace.report.sheet_drawings import sheet_drawings
from facetrace.report.sweep import sweep_png
from facetrace.results import angles, dichroscope, girdle, orient, sheet, trace
from facetrace.studies.angles import AngleStudy
from facetrace.studies.dichroscope import TwoColours
from facetrace.studies.face_up import FaceUpResult
from facetrace.studies.girdle import GirdleStudy
from facetrace.studies.orient import OrientStudy
from facetrace.trace.faceup import Estimate


def percent(figure: Estimate) -> str:
    """A share with its standard error."""
    return f"{100 * figure.value:.2f} +- {100 * figure.stderr:.2f} %"


@dataclass(frozen=True, repr=False)
class Traced(Result):
    """A stone traced face up.

    Parameters
    ----------
    file : of the design.
    study : all that was found, see ``studies.face_up.FaceUpResult``.
    """

    file: Path
    study: FaceUpResult

    @property
    def figures(self) -> dict[str, Estimate]:
        """light_return, window, extinction, absorbed, surface (shares, 0 to 1) and brightness (white diffuser: 1)."""
        return self.study.figures.measures

    def summary(self) -> str:
        """Weight, light and brightness in a line."""
        figures = self.figures
        return (
            f"{self.study.stone.name}: {self.study.sizes.carats:.3f} ct, light returned {percent(figures['light_return'])}, "
            f"window {percent(figures['window'])}, brightness {figures['brightness'].value:.4f} +- {figures['brightness'].stderr:.4f}"
        )

    def document(self) -> dict[str, Any]:
        """As ``facetrace trace --json`` writes it."""
        return trace.trace_document(self.study, self.file)

    def rows(self) -> list[Row]:
        """figure, value, stderr; colours are CIE L*, C* and h in degrees."""
        rows: list[Row] = [{"figure": k, "value": e.value, "stderr": e.stderr} for k, e in self.figures.items()]  # fmt: skip
        for prefix, colour in (("", self.study.figures.colour), ("within_", self.study.figures.within)):  # fmt: skip
            parts = {"lightness": colour.lightness, "chroma": colour.chroma, "hue_deg": colour.hue_deg}  # fmt: skip
            rows += [{"figure": prefix + k, "value": e.value, "stderr": e.stderr} for k, e in parts.items() if e]  # fmt: skip
        return rows

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace trace`` prints it."""
        return [trace.trace_table(self.study), trace.rays_line(self.study), *trace.notes(self.study)]  # fmt: skip

    def picture(self) -> bytes | None:
        """The face-up picture."""
        if self.study.maps is None:
            return None
        under = trace.light_and_view(self.study.stone)
        return face_png(self.study.maps, self.study.white, 1.0, True, self.study.stone.name, under)[
            0
        ]

    def maps(self) -> bytes | None:
        """Maps of where the light comes from (PNG)."""
        if self.study.maps is None:
            return None
        return maps_png(self.study.maps, self.study.stone.name, trace.light_and_view(self.study.stone))  # fmt: skip


@dataclass(frozen=True, repr=False)
class Swept(Result):
    """Candidates of a design: light against weight, and the one that is recommended.

    Parameters
    ----------
    file : of the design.
    study : see ``studies.angles.AngleStudy``.
    """

    file: Path
    study: AngleStudy

    @property
    def chosen(self) -> Row:
        """The row of the candidate that is recommended."""
        return self.study.chosen

    def summary(self) -> str:
        """The recommendation."""
        return angles.advice(self.study)

    def document(self) -> dict[str, Any]:
        """As ``facetrace angles --json`` writes it."""
        return angles.angles_document(self.study, str(self.file))

    def rows(self) -> list[Row]:
        """A row for each candidate, the first being the design as it stands."""
        return list(self.study.rows)

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace angles`` prints it."""
        study = self.study
        return [
            angles.table(study), *angles.under_table(study), angles.advice(study), *angles.cautions(study),
            angles.how_made(study), *angles.notes(study),
        ]  # fmt: skip

    def picture(self) -> bytes:
        """Light against weight."""
        return sweep_png(self.study)


@dataclass(frozen=True, repr=False)
class Girdles(Result):
    """Finishes of a design's girdle compared.

    Parameters
    ----------
    file : of the design.
    study : see ``studies.girdle.GirdleStudy``.
    """

    file: Path
    study: GirdleStudy

    def summary(self) -> str:
        """The last finding."""
        return girdle.sentences(self.study)[-1]

    def document(self) -> dict[str, Any]:
        """As ``facetrace girdle --json`` writes it."""
        return girdle.girdle_document(self.study, str(self.file))

    def rows(self) -> list[Row]:
        """A row for each thickness, tilt and finish."""
        return list(self.study.rows)

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace girdle`` prints it."""
        study = self.study
        return [*(girdle.table(study, stone) for stone in study.grid.media), *girdle.sentences(study), *girdle.notes(study)]  # fmt: skip

    def picture(self) -> bytes:
        """What each finish brings back."""
        return girdle_png(self.study)


@dataclass(frozen=True, repr=False)
class Oriented(Result):
    """Table tilts and culet shifts compared for a stone with colour zones.

    Parameters
    ----------
    file : of the design.
    study : see ``studies.orient.OrientStudy``.
    """

    file: Path
    study: OrientStudy

    @property
    def best(self) -> Row | None:
        """The row of the smallest change that hides the zones; None where nothing does."""
        return self.study.best

    def summary(self) -> str:
        """The recommendation."""
        return orient.sentence(self.study)

    def document(self) -> dict[str, Any]:
        """As ``facetrace orient --json`` writes it."""
        return orient.orient_document(self.study, str(self.file))

    def rows(self) -> list[Row]:
        """A row for each candidate."""
        return list(self.study.rows)

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace orient`` prints it."""
        study = self.study
        return [
            orient.summary(study), orient.rings(study), orient.sentence(study), *orient.to_paste(study),
            *orient.cautions(study), *orient.notes(study),
        ]  # fmt: skip

    def picture(self) -> bytes | None:
        """The stone before and after."""
        return comparison_png(self.study, 1.0) if self.study.portraits else None

    def map(self) -> bytes:
        """The zones over tilts (PNG)."""
        return tilt_map_png(self.study)


@dataclass(frozen=True, repr=False)
class Sheet(Result):
    """A design at the wheel: blank, steps, depths, how exact each angle must be.

    Parameters
    ----------
    file : the design as read.
    bench : see ``bench.steps.Bench``.
    material : what is cut.
    gear : teeth of another gear on the bench, None for the design's own.
    """

    file: DesignFile
    bench: Bench
    material: str
    gear: int | None = None

    def summary(self) -> str:
        """How many steps."""
        return f"{self.file.design.name}: {len(self.bench.steps)} steps, {self.bench.first} first"

    def document(self) -> dict[str, Any]:
        """As ``facetrace sheet --json`` writes it."""
        return sheet.sheet_document(self.bench, self.file, self.material, self.gear)

    def rows(self) -> list[Row]:
        """A row for each step; lengths in mm, angles in degrees."""
        rows: list[Row] = []
        for place, step in enumerate(self.bench.steps, start=1):
            turned = [setting.angle for setting in step.settings]
            rows.append({
                "step": place, "name": step.name, "side": step.side, "facets": len(step.facets),
                "angle_deg": min(turned), "to_angle_deg": max(turned), "keep_within_deg": sheet.tolerance_of(step.fault),
                "depth_mm": step.checks.depth_mm, "carats": step.checks.carats,
            })  # fmt: skip
        return rows

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace sheet`` prints it."""
        return [sheet.sheet_table(self.file.design.name, self.bench), *sheet.notes(self.bench, self.material)]  # fmt: skip

    def save(self, path: str | Path) -> Path:
        """Write the pages for the bench (HTML)."""
        page = sheet_page(self.document(), sheet_drawings(self.bench, self.file.design.gear))
        write_all({Path(path): page.encode()})
        return Path(path)


@dataclass(frozen=True, repr=False)
class Colours(Result):
    """The two colours of a crystal along a direction.

    Parameters
    ----------
    study : see ``studies.dichroscope.TwoColours``.
    """

    study: TwoColours

    def summary(self) -> str:
        """What is seen."""
        return f"{dichroscope.title(self.study)}; {dichroscope.difference_line(self.study)}"

    def document(self) -> dict[str, Any]:
        """As ``facetrace dichroscope --json`` writes it."""
        return dichroscope.dichroscope_document(self.study)

    def rows(self) -> list[Row]:
        """ray, CIE lightness, chroma and hue in degrees."""
        fields = {
            "ordinary": self.study.pair.ordinary,
            "extraordinary": self.study.pair.extraordinary,
        }
        return [
            {
                "ray": ray,
                "lightness": f.lch.lightness,
                "chroma": f.lch.chroma,
                "hue_deg": f.lch.hue_deg,
            }
            for ray, f in fields.items()
        ]

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace dichroscope`` prints it."""
        return [dichroscope.fields_table(self.study), dichroscope.difference_line(self.study)]

    def picture(self) -> bytes:
        """Both fields side by side."""
        pair = self.study.pair
        return pair_png(pair.ordinary.xyz, pair.extraordinary.xyz, self.study.white, dichroscope.title(self.study))  # fmt: skip


@dataclass(frozen=True, repr=False)
class Verified(Result):
    """This installation held against the outside.

    Parameters
    ----------
    outcomes : of all checks.
    """

    outcomes: tuple[Outcome, ...]

    @property
    def passed(self) -> bool:
        """Whether all did."""
        return all(outcome.passed for outcome in self.outcomes)

    def summary(self) -> str:
        """How many passed."""
        return f"{sum(o.passed for o in self.outcomes)} of {len(self.outcomes)} checks passed"

    def document(self) -> dict[str, Any]:
        """As ``facetrace verify --json`` writes it."""
        return checked.verify_document(self.outcomes)

    def rows(self) -> list[Row]:
        """A row for each check, with the comparison under most strain."""
        return [
            {"check": o.check.name, "source": o.check.source, "expected": o.worst.expected, "got": o.worst.got,
             "tolerance": o.worst.tolerance, "passed": int(o.passed)}
            for o in self.outcomes
        ]  # fmt: skip

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace verify`` prints it."""
        return [checked.verify_table(self.outcomes), checked.count_line(self.outcomes)]
