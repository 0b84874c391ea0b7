"""The heaviest stone of each design in a rough, and what none can exceed.

Frame of the rough: c along +z (``rough.rough``). The placement says how c lies in the stone; a design's own [axis]
and material count for nothing here. Each design gives the heaviest stone that ``placement.search`` finds, with
what ``placement.bound`` proves that none can exceed, and, where the rough has zones to hide, the heaviest of those
found whose zones do not show.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from facetrace.common.ledger import Ledger
from facetrace.placement import search
from facetrace.placement.bound import bounded
from facetrace.placement.search import FULL, QUICK, Effort, Prepared
from facetrace.placement.shapes import Facing, PlacedCopy, Space, Stone
from facetrace.solid.measure import carats_at
from facetrace.studies.placed_stone import (
    NONE_FOUND,
    STOPPED,
    CopyRange,
    Found,
    NothingFound,
    PlacedStone,
    cut_of,
    found_in,
    hidden,
    placed_stone,
    row_of,
)
from facetrace.studies.plan_task import HEAVIEST, HIDDEN, PlanWishes, Task, Variation
from facetrace.studies.run import Run, unseen

# so many stones are looked at until one hides its zones
MOST_LOOKS = 16
# a bound's first cells are shared out: numbers do not depend on how many processes there are
SHARES = 2
LEAST_CELLS = 200
# searches beside the main one: without a defect, in another direction
ASIDE = Effort(1500, 24, (7, 2), (20, 10))
# a search that tells how long one takes, and how many times so long a design takes (measured)
TASTE, TASTES = Effort(100, 6, (0, 0), (0, 0)), 40
# the least that compiles all of it
FIRST = Effort(24, 1, (0, 0), (0, 0))


def seconds_for(tasks: Sequence[Task], run: Run) -> float:
    """About how long all plans take: a climb of the first design's first starts is timed, once its code is compiled."""
    ready, stone = tasks[0].room.ready, tasks[0].trial.variation().stone
    search.largest(stone, ready, Facing(), effort=FIRST, threads=run.workers.count)
    started = time.perf_counter()
    search.largest(stone, ready, Facing(), effort=TASTE, threads=run.workers.count)
    taste = time.perf_counter() - started
    return TASTES * taste * sum(1 + t.trial.combinations * 0.2 for t in tasks)


def found_for(tasks: Sequence[Task], ledger: Ledger, run: Run) -> Iterator[Found]:
    """What is found for each task in order, into the ledger as it comes; what is complete there comes from there.

    It depends on rough, design and wishes alone, unless the work was stopped: then its remark says so, and in the
    ledger it is where the search begins. Raises FacetraceError where a design cannot be cut, FileError for colours
    that zones cannot have.
    """
    for task in tasks:
        known = [found_in(ledger.rows[key], task) for key in task.keys if key in ledger.rows]
        if len(known) == len(task.keys) and all(found.complete for found in known):
            yield from known
        else:
            for found in _searched(task, known, run):
                ledger.add(row_of(found))
                yield found
        run.done += 1


def _searched(task: Task, known: Sequence[Found], run: Run) -> Iterator[Found]:
    room, wishes = task.room, task.wishes
    variations = task.trial.variations()
    starts = [s.place.copy for s in known if isinstance(s, PlacedStone) and not s.variation.changed]
    run.short = False
    hiding = len(task.kinds) > 1
    if wishes.most_cells:
        run.workers.start()
    stones = [v.stone for v in variations]
    which, copies = largest_of(
        room.ready, stones, wishes.facing, run, starts, many=MOST_LOOKS if hiding else 1
    )  # fmt: skip
    if not copies:
        remark = f"{STOPPED}, before a stone was found" if run.short else NONE_FOUND
        for kind in task.kinds:
            yield NothingFound(task, kind, len(variations), remark=remark)
        return
    best = variations[which]
    place = range_of(best.stone, room.ready, wishes.facing, copies[0], room.rough.loss.scan_mm)
    proof = None
    if not run.over():
        proof = proven(room.ready.space, stones, wishes, place.copy.volume, run)
    early = f"{STOPPED}: the best so far" if run.short or proof is None else None
    head = Found(task, HEAVIEST, len(variations), proof[1] if proof else 0, early)
    first = placed_stone(head, best, place)
    if proof:
        # no stone is larger than its rough
        most = min(proof[0], room.rough.volume_mm3)
        first = replace(first, most_carats=carats_at(most, room.rough.density))
    yield first
    if hiding:
        yield _hiding(first, copies[1:], run)


def _hiding(first: PlacedStone, others: Sequence[PlacedCopy], run: Run) -> Found:
    """The heaviest stone found whose zones do not show."""
    if first.hides:
        return replace(first, kind=HIDDEN)
    task = first.task
    room = task.room
    cut_away = search.largest(
        first.variation.stone, room.zones_cut_away, task.wishes.facing, effort=ASIDE,
        threads=run.workers.count, watch=run.watch(0.1),
    )  # fmt: skip
    tried = [(c, room.ready) for c in others] + [(c, room.zones_cut_away) for c in cut_away[:1]]
    tried.sort(key=lambda t: -t[0].volume)
    head = Found(task, HIDDEN, first.variations, first.cells)
    stone = _first_that_hides(tried[:MOST_LOOKS], first.variation, head, task.wishes.facing)
    if stone is not None:
        remark = f"{STOPPED}: the best so far" if run.short else None
        return replace(stone, most_carats=first.most_carats, remark=remark)
    why = f"{STOPPED}: " if run.short else ""
    remark = f"{why}none that was tried hides the zone"
    return NothingFound(task, HIDDEN, first.variations, first.cells, remark)


# ---- one search -------------------------------------------------------------------------------


def largest_of(
    ready: Prepared, stones: Sequence[Stone], facing: Facing, run: Run, starts: Sequence[PlacedCopy] = (),
    *, effort: Effort = FULL, many: int = 1,
) -> tuple[int, list[PlacedCopy]]:  # fmt: skip
    """(number of the stone that comes out largest, its copies, the largest first).

    *starts*: copies of the first stone to climb from as well; many: how many copies are wanted, elsewhere in the rough.
    """
    watch, begun_late = run.watch(0.6), run.over()

    def tried(stone: Stone, how: Effort, begin: Sequence[PlacedCopy]) -> list[PlacedCopy]:
        return search.largest(
            stone, ready, facing, effort=how, starts=begin, threads=run.workers.count, watch=watch, last=many
        )  # fmt: skip

    which, found = 0, tried(stones[0], effort, starts)
    if run.short and not begun_late:
        # something is better than nothing, and takes a fraction of a second
        some = search.largest(
            stones[0], ready, facing, effort=TASTE, starts=starts, threads=run.workers.count
        )
        found = sorted([*found, *some], key=lambda c: -c.volume)
    for k, stone in enumerate(stones[1:], start=1):
        if run.short:
            break
        other = tried(stone, QUICK, found[:1])
        if other and (not found or other[0].volume > found[0].volume):
            which, found = k, other
    if which and not run.short:
        found = sorted([*found, *tried(stones[which], effort, found[:1])], key=lambda c: -c.volume)
    return which, found


def range_of(
    stone: Stone, ready: Prepared, facing: Facing, copy: PlacedCopy, scan_mm: float
) -> CopyRange:
    """A copy with its range. The copy may come out larger: one that fits wider margins fits these, too."""
    nothing = PlacedCopy(0.0, copy.rotation, copy.shift, 0.0)
    low = (
        search.reclimbed(stone, ready, facing, copy, ready.space.loosened(-scan_mm)) or nothing
    )  # fmt: skip
    if low.volume > copy.volume:
        copy = low
    high = search.reclimbed(stone, ready, facing, copy, ready.space.loosened(scan_mm))
    return CopyRange(copy, low, high if high and high.volume > copy.volume else copy)


def heaviest(
    task: Task, variation: Variation, kind: str, ready: Prepared, run: Run, starts: Sequence[PlacedCopy] = (),
    facing: Facing | None = None,
) -> PlacedStone | None:  # fmt: skip
    """The heaviest stone that a search beside the main one finds; where zones are to be hidden, of those that hide them.

    kind: what it is called; facing: where the table may face, by default as wished.
    """
    hiding, scan = bool(task.room.to_hide), task.room.rough.loss.scan_mm
    towards, head = facing or task.wishes.facing, Found(task, kind)

    def found(
        where: Prepared, begin: Sequence[PlacedCopy], many: int
    ) -> list[tuple[PlacedCopy, Prepared]]:
        watch = replace(run.watch(), report=unseen)
        copies = search.largest(
            variation.stone, where, towards, effort=ASIDE, starts=begin, threads=run.workers.count, watch=watch, last=many
        )  # fmt: skip
        return [(copy, where) for copy in copies]

    copies = found(ready, starts, MOST_LOOKS if hiding else 1)
    if not hiding:
        places = [range_of(variation.stone, ready, towards, copy, scan) for copy, _ in copies[:1]]
        return placed_stone(head, variation, places[0]) if places else None
    walls, aside = ready.space.walls, task.room.zones_cut_away
    copies += found(search.walled(aside, walls) if walls.shape[1] else aside, [], 1)[:1]
    return _first_that_hides(sorted(copies, key=lambda c: -c[0].volume), variation, head, towards)


def _first_that_hides(
    tried: Sequence[tuple[PlacedCopy, Prepared]], variation: Variation, head: Found, facing: Facing
) -> PlacedStone | None:
    """The first copy whose zones do not show, also once it is climbed again; None where there is none.

    Each is climbed where it was found: what keeps off the zones would grow into them elsewhere.
    """
    task = head.task
    for copy, where in tried:
        if hidden(task.viewer.zone_share(cut_of(variation.solid, copy)), task):
            scan = task.room.rough.loss.scan_mm
            place = range_of(variation.stone, where, facing, copy, scan)
            stone = placed_stone(head, variation, place)
            if stone.hides:
                return stone
    return None


# ---- what none can exceed ---------------------------------------------------------------------


@dataclass(frozen=True)
class _Proof:
    stone: Stone
    space: Space
    facing: Facing
    have_mm3: float
    within: float
    most_cells: int
    part: tuple[int, int]
    until: float | None


def _proof(job: _Proof) -> tuple[float, int]:
    found = bounded(
        job.stone, job.space, job.facing, job.have_mm3, within=job.within, most_cells=job.most_cells,
        part=job.part, until=job.until,
    )  # fmt: skip
    return found.most_mm3, found.cells


def proven(
    space: Space, stones: Sequence[Stone], wishes: PlanWishes, have_mm3: float, run: Run
) -> tuple[float, int] | None:
    """(volume that no copy of any stone exceeds, cells), None where the work was stopped before."""
    until = run.end(1.0)
    cells_each = (
        max(LEAST_CELLS, wishes.most_cells // len(stones)) // SHARES if wishes.most_cells else 0
    )
    jobs = [
        _Proof(stone, space, wishes.facing, have_mm3, wishes.within, cells_each, (k, SHARES), until)
        for stone in stones
        for k in range(SHARES)
    ]  # fmt: skip
    found = []
    for k, each in enumerate(run.workers.each(_proof, jobs, run.stopped)):
        found.append(each)
        run.report((run.done + 0.6 + 0.3 * (k + 1) / len(jobs)) / run.of)
    run.short = run.short or run.over() or (until is not None and time.time() > until)
    if len(found) < len(jobs):
        return None
    return max(have_mm3, *(most for most, _ in found)), sum(count for _, count in found)
