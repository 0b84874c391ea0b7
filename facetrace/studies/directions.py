"""What a direction of the table costs: the heaviest stone of one design square to c, tilted, steep, and along c."""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from facetrace.common.ledger import Cell, Row
from facetrace.placement.shapes import Facing, stone_of
from facetrace.studies.plan import (
    COLUMNS,
    Run,
    Setting,
    Task,
    copy_of,
    eye_of,
    heaviest,
    table_to_c,
)

# angle of the table's normal to c, degrees: a table square to c has its normal along c
BANDS = {
    "square to c": (0.0, 15.0),
    "tilted": (15.0, 45.0),
    "steep": (45.0, 75.0),
    "along c": (75.0, 90.0),
}


def directions(
    task: Task, setting: Setting, best: Mapping[str, Cell], run: Run
) -> Iterator[tuple[str, Row]]:
    """(name of the band, row of its heaviest stone) of the best plan's design, where one is found; zones are hidden where that is wished.

    The best plan itself is where the climbs of its band begin, so its band's stone is no lighter.
    """
    room = task.room
    solid = task.outline.solid(str(best["changed"] or ""))
    stone, known = stone_of(solid), copy_of(best, solid)
    eye = eye_of(room.rough, task.outline.design, setting)
    for name, (low, high) in BANDS.items():
        if run.over():
            return
        if (low, high) == (setting.facing.least_deg, setting.facing.within_deg):
            # what was asked for is known already
            yield name, {**best, "kind": name}
            continue
        facing = Facing(setting.facing.direction, high, low, both=True)
        starts = [known] if low <= table_to_c(best) <= high else []
        head: Row = dict.fromkeys(COLUMNS) | {
            "rough": room.rough.name, "design": task.label, "outline": task.outline.shape,
            "changed": best["changed"], "variations": 1, "cells": 0, "kind": name,
        }  # fmt: skip
        band = replace(setting, facing=facing)
        row = heaviest(task, band, eye, (stone, solid), room.ready, run, head, starts)
        if row is not None:
            yield name, row
