"""A piece of rough, what may be cut from it, and lots of such pieces."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.table import Table

from facetrace.common.ledger import Row
from facetrace.common.output import write_all
from facetrace.common.progress import ProgressBar, silent
from facetrace.common.workers import Workers
from facetrace.notebook.design import Design
from facetrace.notebook.result import COLUMNS, Result
from facetrace.optics.lights import find_light
from facetrace.report.plan import panels_of, plan_png
from facetrace.results import lot as lot_words
from facetrace.results.plan_member import plan_document
from facetrace.results.plan_tables import tables
from facetrace.results.plan_words import notes_of, sentences
from facetrace.rough.rough import Rough as Piece
from facetrace.solid.export import bytes_of, kind_of
from facetrace.studies.answer import Answer, Checked
from facetrace.studies.lot import LotAnswer, plan_lot, rough_files
from facetrace.studies.plan import plan_rough
from facetrace.studies.plan_task import PlanWishes, TrialDesign, table_between
from facetrace.studies.price import PriceFile
from facetrace.studies.run import Run
from facetrace.studies.sweep import range_of

Steps = Mapping[str, tuple[float, float, float]]


@dataclass(frozen=True)
class Prices:
    """Your price file.

    Parameters
    ----------
    file : as read (``studies.price.PriceFile``).
    """

    file: PriceFile


@dataclass(frozen=True, repr=False)
class Rough:
    """A piece of rough with its flaws.

    Parameters
    ----------
    piece : in the crystal frame, c along +z [mm] (``rough.rough.Rough``).
    """

    piece: Piece

    def __repr__(self) -> str:
        rough = self.piece
        flaws = len(rough.defects)
        return (
            f"<Rough: {rough.name} ({rough.material.name}), {rough.carats_to_go_by:.2f} ct, "
            f"{flaws} flaw{'' if flaws == 1 else 's'}>"
        )

    def place(
        self, designs: Design | Sequence[Design], prices: "Prices | None" = None, *, wishes: PlanWishes | None = None,
        flex: Steps | None = None, what_defects_cost: bool = True, what_directions_cost: bool = True, pieces: int = 1,
        workers: int = 1, progress: ProgressBar = silent,
    ) -> "Plan":  # fmt: skip
        """The heaviest stone of each design, each certified by separate code, and which of them to go by.

        Raises FacetraceError where a design cannot be cut or flexed.

        Parameters
        ----------
        designs : one, or several of different names of their files.
        prices : rank by value, with a bid for the rough.
        wishes : where the table may face, how long to prove, the light (``wishes``).
        flex : (from, to, step) of parameters of the designs that may flex.
        what_defects_cost, what_directions_cost : also search without each defect, and in other directions.
        pieces : 2 or 3: also so many stones of a sawn rough.
        workers : cores that work; the numbers are the same. In a script more than 1 need its own work to stand under
            ``if __name__ == "__main__":``, since processes that search begin by importing it.
        progress : shows how much is done.
        """
        with Workers(workers) as pool:
            answer = plan_rough(
                self.piece, trials(designs, flex), wishes, prices.file.model if prices else None,
                what_defects_cost=what_defects_cost, what_directions_cost=what_directions_cost, pieces=pieces,
                run=Run(pool), progress=progress,
            )  # fmt: skip
        return Plan(answer)


@dataclass(frozen=True, repr=False)
class Plan(Result):
    """What a rough may be cut to; every stone passed the check by separate code.

    Parameters
    ----------
    answer : see ``studies.answer.Answer``.
    """

    answer: Answer

    def summary(self) -> str:
        """The plan to go by."""
        rough = self.answer.room.rough
        stones = self.answer.stones
        if not stones:
            return f"{rough.name}: no stone was found"
        kept = sum(stone.carats for stone in stones)
        of = stones[0].design if len(stones) == 1 else f"{len(stones)} stones"
        bound = [stone.gap for stone in stones if stone.gap is not None]
        proof = f", none of it heavier by more than {100 * max(bound):.1f} %" if bound else ""
        return f"{rough.name}, {rough.carats_to_go_by:.2f} ct: {of}, {kept:.2f} ct{proof}"

    def document(self) -> dict[str, Any]:
        """As ``facetrace plan --json`` writes it."""
        return plan_document(self.answer)

    def rows(self) -> list[Row]:
        """A row for each plan: carats, sizes in mm, angle of the table's normal to c in degrees, figures with errors."""
        return [_row(plan) for plan in self.answer.plans]

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace plan`` prints it; what is to be found out first comes before all figures."""
        answer = self.answer
        return [*answer.room.rough.asked, *tables(answer), *sentences(answer), *notes_of(answer)]

    def picture(self) -> bytes | None:
        """The stones in the rough."""
        if not self.answer.stones:
            return None
        return plan_png(panels_of(self.answer), self.answer.room.rough)

    def save_mesh(self, path: str | Path) -> Path:
        """Write the stones to go by where they lie, in the rough file's frame [mm]. Raises ValueError where there is none."""
        target = Path(path)
        kind = kind_of(target)
        if not self.answer.stones:
            raise ValueError("no stone was found")
        write_all({target: bytes_of(self.answer.mesh, kind)})
        return target


@dataclass(frozen=True, repr=False)
class Lot(Result):
    """The best plan for each rough of a folder, and a bid for all.

    Parameters
    ----------
    name : of the folder.
    answer : see ``studies.lot.LotAnswer``.
    """

    name: str
    answer: LotAnswer

    def summary(self) -> str:
        """How many roughs, and the bid for all."""
        read = len(self.answer.read)
        bid = self.answer.parcel
        words = f", bid for all {bid.limit.value:.0f}" if bid else ""
        return f"{self.name}: {read} of {len(self.answer.roughs)} roughs planned{words}"

    def document(self) -> dict[str, Any]:
        """As ``facetrace lot --json`` writes it."""
        return lot_words.lot_document(self.answer)

    def rows(self) -> list[Row]:
        """A row for each rough: carats of rough and stone, and what it may be worth and bid, in the prices' currency."""
        rows: list[Row] = []
        for rough in self.answer.roughs:
            best = rough.best
            row: Row = {"rough": rough.name, "file": rough.file, "rough_carats": rough.carats, "problem": rough.problem}  # fmt: skip
            row |= {"doubted": int(rough.doubted), "design": best.name if best else None}
            for name in ("low_carats", "carats", "high_carats"):
                row[name] = getattr(best, name) if best else None
            row["expected"] = best.worth.expected.value if best and best.worth else None
            row["bid"] = best.bid.limit.value if best and best.bid else None
            rows.append(row)
        return rows

    def tables(self) -> Sequence[Table | str]:
        """As ``facetrace lot`` prints it."""
        return [
            lot_words.lot_table(self.answer, self.name, COLUMNS), *lot_words.lot_sentences(self.answer),
            *lot_words.lot_notes(self.answer),
        ]  # fmt: skip


def place_lot(
    folder: str | Path, designs: Design | Sequence[Design], prices: Prices | None = None, *, wishes: PlanWishes | None = None,
    flex: Steps | None = None, pieces: int = 1, workers: int = 1, progress: ProgressBar = silent,
) -> Lot:  # fmt: skip
    """Plan every rough file of a folder. Raises FacetraceError where none can be read.

    Parameters
    ----------
    folder : holds rough files (.toml).
    designs, prices, wishes, flex, pieces, workers, progress : as in ``Rough.place``.
    """
    place = Path(folder)
    with Workers(workers) as pool:
        answer = plan_lot(
            rough_files(place), trials(designs, flex), wishes, prices.file.model if prices else None, pieces=pieces,
            keep=lot_words.told_of, run=Run(pool), progress=progress,
        )  # fmt: skip
    return Lot(place.name, answer)


def wishes(
    table_to_c_deg: tuple[float, float] = (0.0, 15.0), *, light: str = "hemisphere", head_deg: float | None = None,
    within: float = 0.005, most_cells: int = 1500, rays: int = 1 << 16, seed: int = 1,
) -> PlanWishes:  # fmt: skip
    """What is wished of a plan.

    Parameters
    ----------
    table_to_c_deg : least and greatest angle of the table's normal to c [deg], 0 to 90.
    light, head_deg, rays, seed : for the figures, as in ``Design.trace``.
    within : search until nothing can be heavier by more than this share.
    most_cells : give up the proof after so many cells.
    """
    low, high = table_to_c_deg
    if not 0 <= low <= high <= 90:
        raise ValueError(f"table_to_c_deg: {table_to_c_deg} does not rise from 0 to 90")
    return PlanWishes(
        table_between(low, high),
        find_light(light, head_deg),
        within=within,
        most_cells=most_cells,
        rays=rays,
        seed=seed,
    )


def trials(designs: Design | Sequence[Design], flex: Steps | None) -> list[TrialDesign]:
    """The designs as a plan tries them. Raises FacetraceError for what is not a parameter of one, or none."""
    found = []
    for design in [designs] if isinstance(designs, Design) else designs:
        model = design.file.design
        ranges = tuple(range_of(model, name, *steps) for name, steps in (flex or {}).items())
        found.append(TrialDesign(model, design.file.path.stem, ranges, str(design.file.path)))
    return found


def _row(plan: Checked) -> Row:
    stone = plan.stone
    row: Row = {
        "design": stone.design, "kind": stone.kind, "low_carats": stone.low_carats, "carats": stone.carats,
        "high_carats": stone.high_carats, "most_carats": stone.most_carats,
        **dict(zip(("length_mm", "width_mm", "depth_mm"), stone.size_mm, strict=True)),
    }  # fmt: skip
    for name, figure in stone.figures.items():
        row |= {name: figure.value, f"{name}_stderr": figure.stderr}
    if plan.worth:
        row |= {
            "expected": plan.worth.expected.value,
            "expected_stderr": plan.worth.expected.stderr,
        }
    if plan.bid:
        row |= {"bid": plan.bid.limit.value}
    return row
