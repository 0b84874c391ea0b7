"""All that is said of one rough: its plans, each certified, ranked, priced, and what a direction and its defects cost.

Nothing goes on from here that was not certified (``studies.certified``) from the rough's own file, with the numbers as
they are printed, whether a search found them now or a table holds them. What fails is named, without carats.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.common.ledger import Cell, Row
from facetrace.placement.certificate import Certificate, Cone
from facetrace.placement.shapes import Copy
from facetrace.solid.polyhedron import Solid
from facetrace.studies.certified import certificate_of
from facetrace.studies.directions import BANDS, directions
from facetrace.studies.plan import (
    Loss,
    Room,
    Run,
    Setting,
    Task,
    complete,
    hides,
    little,
    losses,
    made,
    priced_stone,
    sized_in,
    told_truly,
)
from facetrace.studies.price import Prices
from facetrace.studies.saw import Sawn, sawn
from facetrace.studies.value import Bid, Worth, bid_limit, worth

Stage = Callable[[str], Any]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Direction:
    """The heaviest stone found with the table in one band of angles to c; row: None where none was."""

    name: str
    row: Row | None
    certificate: Certificate | None
    worth: tuple[Worth, Bid] | None


@dataclass(frozen=True)
class Pieces:
    """Stones of a sawn rough with their certificates and what each alone is worth; together: what all are."""

    sawn: Sawn
    certificates: tuple[Certificate, ...]
    each: tuple[Worth, ...]
    together: tuple[Worth, Bid] | None


@dataclass(frozen=True)
class Answer:
    """All that is reported of one rough: plans heaviest first, and by value where prices are known.

    certificates: one for each plan; failed: what was found but did not pass its check, in sentences; halved: whether
    saw cuts were asked for; stopped: whether the work ended early.
    """

    room: Room
    tasks: Sequence[Task]
    setting: Setting
    rows: list[Row]
    plans: list[Row]
    certificates: list[Certificate]
    failed: list[str]
    prices: Prices | None
    worths: list[tuple[Worth, Bid]]
    losses: list[Loss]
    directions: list[Direction]
    pieces: Pieces | None = None
    halved: bool = False
    stopped: bool = False

    @property
    def best(self) -> int:
        """Number of the plan to go by: the most valuable; without prices the heaviest whose zones hide, or of all."""
        if not self.worths:
            hidden = [k for k, row in enumerate(self.plans) if hides(row, self.setting)]
            return hidden[0] if hidden and self.room.to_hide else 0
        return max(range(len(self.plans)), key=lambda k: self.worths[k][0].expected.value)

    @property
    def sawn_first(self) -> bool:
        """Whether the stones of several pieces are the plan to go by: by value, without prices by weight."""
        if self.pieces is None or not self.plans:
            return self.pieces is not None
        if self.pieces.together is not None:
            mine = self.worths[self.best][0].expected.value
            return self.pieces.together[0].expected.value > mine
        return self.pieces.sawn.carats > float(self.plans[self.best]["carats"] or 0.0)

    @property
    def found_little(self) -> bool:
        """Whether the best keeps so little that nothing follows from it."""
        return bool(self.plans) and little(self.plans[self.best], self.room)

    def task_of(self, row: Mapping[str, Cell]) -> Task:
        """The task that a row belongs to."""
        return next(t for t in self.tasks if t.label == row["design"])


# ---- certificates -----------------------------------------------------------------------------


def checked(
    room: Room, setting: Setting, solid: Solid, row: Mapping[str, Cell], saw: Floats | None = None,
    cone: tuple[float, float] | None = None,
) -> tuple[Certificate, list[str]]:  # fmt: skip
    """(certificate of a row's stone, what is wrong with it, or with those that it may come to if the scan is off).

    saw (4, w): planes of saw cuts that it stays under; cone: the table's angles to c, degrees.
    """
    sized = sized_in(row, solid)
    loss = room.rough.loss
    low, high = cone or (setting.facing.least_deg, setting.facing.within_deg)
    facing = Cone(setting.facing.direction, within_deg=high, least_deg=low, both=True)

    def certificate(copy: Copy, more_mm: float) -> Certificate:
        return certificate_of(
            room.rough, solid, copy.scale, copy.rotation, copy.shift, cone=facing,
            volume_mm3=copy.volume, margin_less_mm=-more_mm, saw=saw,
        )  # fmt: skip

    best = certificate(sized.copy, 0.0)
    wrong = list(best.problems)
    for name, copy, more in (("low", sized.low, loss.scan_mm), ("high", sized.high, -loss.scan_mm)):
        if copy.scale > 0:
            wrong += [f"as {name}: {text}" for text in certificate(copy, more).problems]
    if not sized.low.volume <= sized.copy.volume <= sized.high.volume:
        wrong.append("low, likeliest and high carats do not rise")
    if not told_truly(room.rough, solid, sized, row):
        wrong.append("carats or sizes are not those of the stone that lies there")
    return best, wrong


def answered(
    room: Room, tasks: Sequence[Task], setting: Setting, rows: list[Row], prices: Prices | None, run: Run,
    stage: Stage, *, what_defects_cost: bool = True, what_directions_cost: bool = True, pieces: int = 1,
) -> Answer:  # fmt: skip
    """Plans certified and ranked; what defects and directions cost the best, and several pieces, where asked for.

    stage: a context that shows progress under a title, as ``cli.shell.progress``.
    """
    plans, certificates, failed = [], [], []
    for row in made(rows):
        task = next(t for t in tasks if t.label == row["design"])
        solid = task.outline.solid(str(row["changed"] or ""))
        certificate, wrong = checked(room, setting, solid, row)
        if wrong:
            failed.append(
                f"{row['design']}: a stone was found but did not pass its check: {'; '.join(wrong)}"
            )
        else:
            plans.append(row)
            certificates.append(certificate)
    worths = [_worth(prices, [row], room) for row in plans] if prices else []
    answer = Answer(room, tasks, setting, rows, plans, certificates, failed, prices, worths, [], [])
    run.done, run.of = 0, 1
    if plans and what_defects_cost and room.kept_off:
        answer = replace(answer, losses=_losses(answer, run, stage))
    if plans and what_directions_cost:
        answer = _directions(answer, run, stage)
    if pieces > 1:
        with _shown(run, stage, f"{pieces if pieces == 2 else '2 or 3'} stones from one rough"):
            found = sawn(tasks, setting, run, pieces, lambda s: _value(answer, s))
        answer = replace(answer, halved=True, **_pieces(answer, found))
    return replace(answer, stopped=run.late or not all(map(complete, rows)))


def _worth(prices: Prices, rows: Sequence[Row], room: Room) -> tuple[Worth, Bid]:
    of = worth(prices, [priced_stone(row) for row in rows])
    return of, bid_limit(prices, of, room.carats)


def _value(answer: Answer, found: Sawn) -> float:
    if answer.prices is None:
        return found.carats
    return _worth(answer.prices, found.rows, answer.room)[0].expected.value


@contextmanager
def _shown(run: Run, stage: Stage, title: str) -> Iterator[None]:
    with stage(title) as report:
        run.report = report
        yield
    run.report = lambda _: None


def _losses(answer: Answer, run: Run, stage: Stage) -> list[Loss]:
    best = answer.plans[answer.best]
    found: list[Loss] = []
    names = answer.room.kept_off
    count = len(names) + (len(names) > 1)
    with stage("what each defect costs") as report:
        for loss in losses(answer.task_of(best), answer.setting, best, run):
            found.append(loss)
            report(len(found) / count)
    return found


def _directions(answer: Answer, run: Run, stage: Stage) -> Answer:
    best = answer.plans[answer.best]
    task = answer.task_of(best)
    solid = task.outline.solid(str(best["changed"] or ""))
    found: dict[str, Direction] = {}
    failed = list(answer.failed)
    with stage("what a direction of the table costs") as report:
        for name, row in directions(task, answer.setting, best, run):
            certificate, wrong = checked(answer.room, answer.setting, solid, row, cone=BANDS[name])
            if wrong:
                failed.append(
                    f"{name}: a stone was found but did not pass its check: {'; '.join(wrong)}"
                )
            else:
                priced = _worth(answer.prices, [row], answer.room) if answer.prices else None
                found[name] = Direction(name, row, certificate, priced)
            report(len(found) / len(BANDS))
    none = [name for name in BANDS if name not in found and not run.over()]
    shown = [n for n in BANDS if n in found or n in none]
    rows = [found.get(n) or Direction(n, None, None, None) for n in shown]
    return replace(answer, directions=rows, failed=failed)


def _pieces(answer: Answer, found: Sawn | None) -> dict[str, Any]:
    if found is None:
        return {}
    room, kerf = answer.room, answer.room.rough.loss.kerf_mm
    certificates, failed = [], list(answer.failed)
    for k, row in enumerate(found.rows):
        solid = answer.task_of(row).outline.solid("")
        certificate, wrong = checked(room, answer.setting, solid, row, found.walls(k, kerf))
        certificates.append(certificate)
        if wrong:
            failed.append(
                f"a sawn piece's {row['design']} did not pass its check: {'; '.join(wrong)}"
            )
    if len(failed) > len(answer.failed):
        return {"failed": failed}
    together = None
    each: tuple[Worth, ...] = ()
    if answer.prices:
        together = _worth(answer.prices, found.rows, room)
        each = tuple(_worth(answer.prices, [row], room)[0] for row in found.rows)
    return {"pieces": Pieces(found, tuple(certificates), each, together)}
