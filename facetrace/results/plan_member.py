"""A rough's plans for the JSON document."""

from typing import Any

from facetrace.results import document
from facetrace.results.certificate import certificate_member
from facetrace.results.money import value_member, worth_member
from facetrace.results.plan_words import notes_of, placing_words, sentences
from facetrace.studies.answer import Answer, Checked, Pieces
from facetrace.studies.directions import BANDS
from facetrace.studies.placed_stone import CARATS, SIZE


def stone_member(checked: Checked) -> dict[str, Any]:
    """A stone where it lies, with its certificate, value and bid."""
    stone, copy = checked.stone, checked.stone.place.copy
    return {
        "design": stone.design, "kind": stone.kind, "outline": stone.task.trial.shape, "changed": stone.variation.words,
        **{name: getattr(stone, name) for name in (*CARATS, "most_carats")}, "scale": copy.scale,
        **dict(zip(SIZE, stone.size_mm, strict=True)),
        "variations": stone.variations, "cells": stone.cells, "remark": stone.remark,
        "turn": copy.rotation.tolist(), "shift_mm": copy.shift.tolist(),
        "figures": {n: {"value": e.value, "stderr": e.stderr} for n, e in stone.figures.items()},
        "table_to_c_deg": stone.table_to_c, "gap": stone.gap, "checked": certificate_member(checked.certificate),
        **worth_member(checked.worth, checked.bid),
    }  # fmt: skip


def _sawn_member(answer: Answer, pieces: Pieces) -> dict[str, Any]:
    stones = []
    for piece, sides in zip(pieces.stones, pieces.sawn.sides, strict=True):
        member = stone_member(Checked(piece.stone, piece.certificate))
        member["sides"] = [{"cut": cut, "side": side} for cut, side in sides]
        stones.append(member | (value_member(piece.worth) if piece.worth else {}))
    return {
        "cuts": [
            {
                "normal": cut.plane.normal.tolist(), "offset_mm": cut.plane.offset, "crack": cut.plane.crack or None,
                "depths_mm": list(cut.depths_mm), "of": None if cut.of is None else {"cut": cut.of[0], "side": cut.of[1]},
            } for cut in pieces.sawn.cuts
        ],
        "stones": stones, "carats": pieces.sawn.carats, "first": answer.sawn_first,
        **worth_member(pieces.worth, pieces.bid),
    }  # fmt: skip


def plan_member(answer: Answer) -> dict[str, Any]:
    """The member "plan" of the document."""
    rough, wishes, chosen = answer.room.rough, answer.wishes, answer.chosen
    loss, asked = rough.loss, rough.asked
    return {
        "rough": {
            "name": rough.name, "file": str(rough.file.path), "material": rough.material.name,
            "carats": rough.carats, "weighed_carats": rough.weighed_carats, "scaled": rough.scaled,
            "defects": list(dict.fromkeys(d.name for d in rough.defects)),
        },
        "loss": {"scan_mm": loss.scan_mm, "skin_mm": loss.skin_mm, "kerf_mm": loss.kerf_mm},
        "designs": {task.trial.name: task.trial.file for task in answer.tasks},
        "light": wishes.light.name,
        "head_deg": wishes.light.head_deg,
        "table_to_c_deg": [wishes.facing.least_deg, wishes.facing.within_deg],
        "within": wishes.within,
        "currency": answer.prices.currency if answer.prices else None,
        "plans": [stone_member(plan) for plan in answer.plans],
        "best": answer.best if chosen else None,
        "failed": list(answer.failed),
        "without": [{"defects": list(x.names), "more_carats": x.carats} for x in answer.losses],
        "directions": [
            {
                "name": direction.name, "table_to_c_deg": list(BANDS[direction.name]),
                "stone": direction.found and stone_member(direction.found),
            } for direction in answer.directions
        ],
        "sawn": answer.pieces and _sawn_member(answer, answer.pieces),
        "stopped": answer.stopped,
        "little": answer.found_little,
        "question": " ".join(asked) or None,
        "placing": chosen and placing_words(chosen.stone),
        "words": [*asked, *sentences(answer)],
    }  # fmt: skip


def plan_document(answer: Answer) -> dict[str, Any]:
    """The JSON document of a plan."""
    return (
        document.head() | {"seed": answer.wishes.seed, "plan": plan_member(answer)}
        | document.material_part(answer.room.rough.material) | {"notes": notes_of(answer)}
    )  # fmt: skip
