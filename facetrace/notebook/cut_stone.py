"""A stone that is cut already, and its re-cut."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.table import Table

from facetrace.common.errors import FacetraceError
from facetrace.common.ledger import Row
from facetrace.common.progress import ProgressBar, silent
from facetrace.notebook.result import Result
from facetrace.optics.lights import find_light
from facetrace.recut.recut import Recut, recut_stone
from facetrace.recut.stone import CutStone as Stone
from facetrace.report.recut import recut_png
from facetrace.results import recut as words
from facetrace.results.recut_tables import tables


@dataclass(frozen=True, repr=False)
class CutStone:
    """A cut stone with its flaws.

    Parameters
    ----------
    stone : at its measured size [mm] (``recut.stone.CutStone``).
    """

    stone: Stone

    def __repr__(self) -> str:
        model, flaws = self.stone.model, len(self.stone.spots)
        return (
            f"<CutStone: {model.name}, {model.measured.carats:.3f} ct, not below {model.floor_carats:.3f} ct, "
            f"{flaws} flaw{'' if flaws == 1 else 's'}>"
        )

    def recut(
        self, floor_carats: float | None = None, *, light: str = "hemisphere", head_deg: float | None = None,
        rays: int = 1 << 17, seed: int = 1, progress: ProgressBar = silent,
    ) -> "Recutting":  # fmt: skip
        """Which facets to recut and by how much, checked by separate code; never below the floor.

        Raises FacetraceError where the file names no flaw, or the re-cut does not pass its check.

        Parameters
        ----------
        floor_carats : that it must not fall below [ct]; by default the file's.
        light, head_deg, rays, seed, progress : as in ``Design.trace``.
        """
        if not self.stone.spots:
            raise FacetraceError(f"{self.stone.path}: flaw: is missing; give [[flaw]] tables")
        found = recut_stone(
            self.stone, floor_carats, find_light(light, head_deg), rays=rays, seed=seed, progress=progress
        )  # fmt: skip
        return Recutting(found)


@dataclass(frozen=True, repr=False)
class Recutting(Result):
    """A re-cut: facets, carats and light before and after.

    Parameters
    ----------
    study : see ``recut.recut.Recut``.
    """

    study: Recut

    def summary(self) -> str:
        """Whether it is worth it."""
        return words.verdict(self.study.stone, self.study.plan, self.study.light)

    def document(self) -> dict[str, Any]:
        """As ``facetrace recut --json`` writes it."""
        return words.recut_document(self.study)

    def rows(self) -> list[Row]:
        """A row for each facet that is cut: angles before and after in degrees, and mm at the deepest."""
        return [
            {"facet": cut.name, "angle_before_deg": cut.angle_before, "angle_after_deg": cut.angle_after, "deepest_mm": cut.mm}
            for cut in self.study.plan.cuts
        ]  # fmt: skip

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace recut`` prints it."""
        return [*tables(self.study), *words.sentences(self.study), *words.notes(self.study.stone)]

    def picture(self) -> bytes:
        """Plan views before and after."""
        return recut_png(self.study)
