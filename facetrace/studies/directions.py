"""What a direction of the table costs: the heaviest stone of one design square to c, tilted, steep, and along c."""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from facetrace.common.ledger import Cell, Row
from facetrace.placement.search import largest
from facetrace.placement.shapes import Facing, stone_of
from facetrace.studies.plan import (
    ASIDE,
    COLUMNS,
    Run,
    Setting,
    Task,
    copy_of,
    eye_of,
    row_of,
    sized_of,
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
    """(name of the band, row of its heaviest stone) of the best plan's design, where one is found.

    The best plan itself is where the climbs of its band begin, so its band's stone is no lighter.
    """
    room = task.room
    solid = task.outline.solid(str(best["changed"] or ""))
    stone, known = stone_of(solid), copy_of(best, solid)
    eye = eye_of(room.rough, task.outline.design, setting)
    for name, (low, high) in BANDS.items():
        if run.over():
            return
        facing = Facing(setting.facing.direction, high, low, both=True)
        starts = [known] if low <= table_to_c(best) <= high else []
        found = largest(
            stone, room.ready, facing, effort=ASIDE, starts=starts, threads=run.workers.count, watch=run.watch()
        )  # fmt: skip
        if found:
            sized = sized_of(stone, room.ready, facing, found[0], room.rough.loss.scan_mm)
            head: Row = dict.fromkeys(COLUMNS) | {
                "rough": room.rough.name, "design": task.label, "outline": task.outline.shape,
                "changed": best["changed"], "variations": 1, "cells": 0, "kind": name,
            }  # fmt: skip
            yield name, row_of(eye, solid, sized, head)


def facing_of(name: str, setting: Setting) -> Facing:
    """Where the table may face in a band."""
    low, high = BANDS[name]
    return replace(setting.facing, within_deg=high, least_deg=low)
