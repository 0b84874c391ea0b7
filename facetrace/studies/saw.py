"""Two or three stones from one rough, sawn by planes.

Planes that are tried: across the rough's longest extents and across c at several depths, and through
each crack. Each half is measured by the starts of a search alone (``placement.search.promise``); the cuts that
promise most are searched in full, and for three stones the halves are sawn again. So the stones of a cut are
as good as any plan's, but another cut may be better. The saw takes its kerf; sawn faces lose their skin like the others.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.placement.search import Prepared, promise, walled
from facetrace.rough.rough import Rough
from facetrace.studies.placed_stone import PlacedStone
from facetrace.studies.plan_task import Task
from facetrace.studies.run import Run
from facetrace.studies.stone_search import heaviest

Floats = NDArray[np.float64]

# depths of the planes, shares of the extent across them
DEPTHS = (0.3, 0.4, 0.5, 0.6, 0.7)
# directions nearer than this are one, as a cosine
SAME = 0.97
# cuts that are searched in full; starts that measure a half
BEST = 2
STARTS = 250
MOST_PIECES = 3


@dataclass(frozen=True)
class Plane:
    """A saw cut: normal . r = offset in the crystal frame, mm, the middle of the kerf; crack: through which, or ""."""

    normal: Floats
    offset: float
    crack: str = ""

    def wall(self, side: float, kerf_mm: float) -> Floats:
        """(4,): what a stone stays under on a side: -1 that of the normal, 1 the other."""
        return np.append(side * self.normal, side * self.offset - kerf_mm / 2)


@dataclass(frozen=True)
class Cut:
    """One saw cut of a piece. depths_mm: from the plane to that piece's two ends across it, at the side of the normal first.

    of: the number of the cut whose piece this one divides, and the side of it; None: the rough itself.
    """

    plane: Plane
    depths_mm: tuple[float, float]
    of: tuple[int, float] | None = None


@dataclass(frozen=True)
class Sawn:
    """Stones and the cuts between them, the heaviest stone first.

    sides: for each stone the (number of the cut, side) that it lies beyond; tried: how many cuts were.
    """

    cuts: tuple[Cut, ...]
    stones: tuple[PlacedStone, ...]
    sides: tuple[tuple[tuple[int, float], ...], ...]
    tried: int

    @property
    def carats(self) -> float:
        """Of all stones."""
        return sum(stone.carats for stone in self.stones)

    def walls(self, stone: int, kerf_mm: float) -> Floats:
        """(4, w): the walls of a stone's piece."""
        found = [self.cuts[k].plane.wall(side, kerf_mm) for k, side in self.sides[stone]]
        return np.array(found).reshape(-1, 4).T


def planes_of(rough: Rough, corners: Floats) -> list[Plane]:
    """The planes that are tried for a piece with such corners (n, 3)."""
    centred = corners - corners.mean(axis=0)
    normals: list[Floats] = []
    axes = np.linalg.eigh(centred.T @ centred)[1].T[::-1]
    for normal in (*axes, np.array([0.0, 0.0, 1.0])):
        if all(abs(normal @ other) < SAME for other in normals):
            normals.append(normal)
    found = []
    for normal in normals:
        low, high = float((corners @ normal).min()), float((corners @ normal).max())
        found += [Plane(normal, low + depth * (high - low)) for depth in DEPTHS]
    for defect in rough.defects:
        if defect.kind == "crack":
            middle = defect.points.mean(axis=0)
            normal = np.linalg.svd(defect.points - middle)[2][2]
            found.append(Plane(normal, float(middle @ normal), defect.name))
    return found


# ---- the search -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Piece:
    """A piece of the rough: the walls that bound it, as (cut, side)."""

    room: Prepared
    sides: tuple[tuple[int, float], ...] = ()

    @property
    def corners(self) -> Floats:
        """(n, 3): corners of the surface under the piece's wall, and where edges of the surface meet it."""
        space = self.room.space
        sides = space.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
        # each edge belongs to two triangles, which run along it in opposite ways
        ends = space.vertices[sides[sides[:, 0] < sides[:, 1]]]
        for wall in space.walls.T:
            beyond = ends @ wall[:3] - wall[3]
            ends, beyond = ends[(beyond <= 0).any(axis=1)], beyond[(beyond <= 0).any(axis=1)]
            out = beyond > 0
            share = (
                beyond[:, :1] / np.where(out.any(axis=1), beyond[:, 0] - beyond[:, 1], 1.0)[:, None]
            )
            met = ends[:, 0] + share * (ends[:, 1] - ends[:, 0])
            ends = np.where(out[..., None], met[:, None], ends)
        return np.asarray(ends.reshape(-1, 3))


@dataclass(frozen=True)
class _Half:
    piece: _Piece
    design: int
    promised: float


def sawn(
    tasks: Sequence[Task], run: Run, pieces: int = 2, better: Callable[[Sawn], float] = lambda found: found.carats
) -> Sawn | None:  # fmt: skip
    """The best of the stones of two up to *pieces* pieces, each of any of the designs as they stand; None where no two fit.

    *better* is what counts among the cuts searched in full: carats unless told otherwise.
    """
    saw = _Saw(tasks, run)
    whole = _Piece(tasks[0].room.ready)
    found: list[Sawn] = []
    for cuts, halves in saw.cut(whole, None, ()):
        pair = saw.stones(cuts, halves)
        found += [pair] if pair else []
        if pieces < MOST_PIECES or run.over():
            continue
        # the half that promises most is sawn again, the other stays
        for k, half in enumerate(halves):
            side = half.piece.sides[-1]
            for more, two in saw.cut(half.piece, side, cuts)[:1]:
                three = saw.stones(more, [halves[1 - k], *two])
                found += [three] if three else []
    return max(found, key=better) if found else None


class _Saw:
    def __init__(self, tasks: Sequence[Task], run: Run) -> None:
        self.tasks, self.run = tasks, run
        self.rough = tasks[0].room.rough
        self.designs = [task.trial.variation() for task in tasks]
        self.tried = 0

    def half(self, room: Prepared, wall: Floats, sides: tuple[tuple[int, float], ...]) -> _Half:
        """What a side of a cut promises: the best of the designs."""
        inner = walled(room, wall[:, None])
        threads, facing = self.run.workers.count, self.tasks[0].wishes.facing
        sizes = [
            promise(design.stone, inner, facing, STARTS, threads) if len(inner.deep) else 0.0
            for design in self.designs
        ]
        best = int(np.argmax(sizes))
        return _Half(_Piece(inner, sides), best, sizes[best])

    def cut(
        self, piece: _Piece, of: tuple[int, float] | None, before: Sequence[Cut]
    ) -> list[tuple[tuple[Cut, ...], list[_Half]]]:
        """The cuts of a piece that promise most, with the two halves of each."""
        found = []
        corners = piece.corners
        planes = planes_of(self.rough, corners)
        number_of = len(before)
        for k, plane in enumerate(planes):
            if self.run.over():
                break
            self.tried += 1
            kerf = self.rough.loss.kerf_mm
            halves = [
                self.half(piece.room, plane.wall(side, kerf), (*piece.sides, (number_of, side)))
                for side in (-1.0, 1.0)
            ]  # fmt: skip
            if all(half.promised > 0 for half in halves):
                reach = corners @ plane.normal
                depths = (float(reach.max()) - plane.offset, plane.offset - float(reach.min()))
                cuts = (*before, Cut(plane, depths, of))
                found.append((sum(h.promised for h in halves), -k, cuts, halves))
            self.run.report(0.6 * (k + 1) / len(planes))
        return [
            (cuts, halves) for _, _, cuts, halves in sorted(found, key=lambda f: f[:2])[::-1][:BEST]
        ]

    def stones(self, cuts: tuple[Cut, ...], halves: Sequence[_Half]) -> Sawn | None:
        """All halves searched in full; None where one keeps no stone."""
        found: list[tuple[PlacedStone, tuple[tuple[int, float], ...]]] = []
        for half in halves:
            task, design = self.tasks[half.design], self.designs[half.design]
            stone = heaviest(task, design, "sawn", half.piece.room, self.run)
            if stone is None:
                return None
            found.append((stone, half.piece.sides))
        found.sort(key=lambda f: -f[0].carats)
        return Sawn(
            cuts, tuple(s for s, _ in found), tuple(sides for _, sides in found), self.tried
        )
