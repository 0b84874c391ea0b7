"""A rough's plans for the JSON document."""

from collections.abc import Mapping
from typing import Any

from facetrace.common.ledger import Cell
from facetrace.placement.certificate import Certificate
from facetrace.results.plan_words import called, sentences
from facetrace.studies import certified
from facetrace.studies.answer import Answer
from facetrace.studies.directions import BANDS
from facetrace.studies.money import worth_member
from facetrace.studies.plan import FIGURES, KEY, SHIFT, TURN, estimate, gap_of, table_to_c
from facetrace.studies.rows import number


def stone_member(row: Mapping[str, Cell], certificate: Certificate) -> dict[str, Any]:
    """A row and its certificate for the document."""
    skipped = {n for f in FIGURES for n in (f, f"{f}_stderr")} | {
        KEY[0],
        *TURN,
        *SHIFT,
        "rough",
        "low_place",
        "high_place",
    }
    member: dict[str, Any] = {n: v for n, v in row.items() if n not in skipped}
    turn = [number(row, n) for n in TURN]
    return member | {
        "turn": [turn[:3], turn[3:6], turn[6:]],
        "shift_mm": [number(row, n) for n in SHIFT],
        "figures": {n: {"value": estimate(row, n).value, "stderr": estimate(row, n).stderr} for n in FIGURES},
        "table_to_c_deg": table_to_c(row),
        "gap": gap_of(row),
        "checked": certified.member(certificate),
    }  # fmt: skip


def _sawn_member(answer: Answer) -> dict[str, Any] | None:
    pieces = answer.pieces
    if pieces is None:
        return None
    stones = []
    for k, row in enumerate(pieces.sawn.rows):
        member = stone_member(row, pieces.certificates[k])
        member["sides"] = [{"cut": cut, "side": side} for cut, side in pieces.sawn.sides[k]]
        if pieces.each:
            of = pieces.each[k]
            member["value"] = {
                n: {"value": getattr(of, n).value, "stderr": getattr(of, n).stderr}
                for n in ("expected", "if_none_lost", "low", "high")
            }
        stones.append(member)
    found: dict[str, Any] = {
        "cuts": [
            {
                "normal": [float(a) for a in cut.plane.normal], "offset_mm": cut.plane.offset,
                "crack": cut.plane.crack or None, "depths_mm": list(cut.depths_mm),
                "of": None if cut.of is None else {"cut": cut.of[0], "side": cut.of[1]},
            } for cut in pieces.sawn.cuts
        ],
        "stones": stones, "carats": pieces.sawn.carats, "first": answer.sawn_first,
    }  # fmt: skip
    return found | (worth_member(*pieces.together) if pieces.together else {})


def _direction_members(answer: Answer) -> list[dict[str, Any]]:
    found = []
    for direction in answer.directions:
        member: dict[str, Any] = {
            "name": direction.name,
            "table_to_c_deg": list(BANDS[direction.name]),
            "stone": None,
        }
        if direction.row is not None and direction.certificate is not None:
            member["stone"] = stone_member(direction.row, direction.certificate)
            if direction.worth:
                member["stone"] |= worth_member(*direction.worth)
        found.append(member)
    return found


def plan_member(answer: Answer) -> dict[str, Any]:
    """The member "plan" of the document."""
    rough, loss, setting = answer.room.rough, answer.room.rough.loss, answer.setting
    words = sentences(answer)
    plans = []
    for k, row in enumerate(answer.plans):
        member = stone_member(row, answer.certificates[k])
        plans.append(member | (worth_member(*answer.worths[k]) if answer.worths else {}))
    return {
        "rough": {
            "name": rough.name, "file": str(rough.file.path), "material": rough.material.name,
            "carats": rough.carats, "weighed_carats": rough.weighed_carats, "scaled": rough.scaled,
            "defects": list(dict.fromkeys(d.name for d in rough.defects)),
        },
        "loss": {"scan_mm": loss.scan_mm, "skin_mm": loss.skin_mm, "kerf_mm": loss.kerf_mm},
        "designs": {task.label: task.file for task in answer.tasks},
        "light": setting.light.name,
        "head_deg": setting.light.head_deg,
        "table_to_c_deg": [setting.facing.least_deg, setting.facing.within_deg],
        "within": setting.within,
        "currency": answer.prices.currency if answer.prices else None,
        "plans": plans,
        "best": answer.best if answer.plans else None,
        "failed": answer.failed,
        "without": [{"defects": list(x.names), "more_carats": x.carats} for x in answer.losses],
        "directions": _direction_members(answer),
        "sawn": _sawn_member(answer),
        "stopped": answer.stopped,
        "little": answer.found_little,
        "question": " ".join(rough.asked) or None,
        "placing": next((text for text in words if text.startswith(f"Best: {called(answer.plans[answer.best])}")), None)
        if answer.plans else None,
        "words": words,
    }  # fmt: skip
