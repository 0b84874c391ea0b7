"""A stone that is not convex: two convex lobes that share a wall, as a heart on its cleft."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from facetrace.solid.polyhedron import SAME_CORNER, Floats, Solid, SolidError

# the name of the plane that is no facet
WALL = "wall"


@dataclass(frozen=True)
class TwoLobes(Solid):
    """Two convex solids glued together along their facets called WALL, which are then no facets.

    All that a ``Solid`` says of facets, corners and edges holds of the glued body, but that it is
    not convex: planes bound it lobe by lobe, and the silhouette is that of its convex hull. A
    facet that the wall divides (the table) has two entries with one name.
    """

    lobes: tuple[Solid, ...] = ()

    @staticmethod
    def joined(first: Solid, second: Solid) -> "TwoLobes":
        """Glue two solids. Raises SolidError where their walls are not one and the same polygon."""
        walls = []
        for lobe in (first, second):
            if WALL not in lobe.names:
                raise SolidError("the lobes of a heart do not reach the wall between them")
            walls.append(lobe.names.index(WALL))
        a, b = (lobe.polygons[w] for lobe, w in zip((first, second), walls, strict=True))
        tree = cKDTree(first.vertices[a])
        gap, partner = tree.query(second.vertices[b])
        size = float(np.ptp(first.vertices, axis=0).max())
        if len(a) != len(b) or len(set(partner)) != len(a) or gap.max() > 10 * SAME_CORNER * size:
            raise SolidError(
                "the two lobes of a heart do not meet: on the wall between them their facets differ"
            )
        number = np.full(len(second.vertices), -1)
        number[b] = a[partner]
        own = number < 0
        number[own] = len(first.vertices) + np.arange(own.sum())
        parts = [
            ([n for n in lobe.names if n != WALL], np.delete(lobe.normals, w, 0), np.delete(lobe.offsets, w))
            for lobe, w in zip((first, second), walls, strict=True)
        ]  # fmt: skip
        polygons = [p for i, p in enumerate(first.polygons) if i != walls[0]]
        polygons += [number[p] for i, p in enumerate(second.polygons) if i != walls[1]]
        names = (*parts[0][0], *parts[1][0])
        return TwoLobes(
            names, np.vstack([p[1] for p in parts]), np.concatenate([p[2] for p in parts]),
            np.vstack([first.vertices, second.vertices[own]]), tuple(polygons),
            tuple(n for n in dict.fromkeys(first.missing + second.missing) if n not in names),
            (first, second),
        )  # fmt: skip

    @staticmethod
    def cut(
        normals: ArrayLike, offsets: ArrayLike, wall: ArrayLike, names: Sequence[str] | None = None
    ) -> "TwoLobes":
        """A convex solid divided by a wall through the origin with normal *wall* (3,)."""
        n, d, w = np.array(normals), np.array(offsets), np.array(wall, dtype=np.float64)
        known = tuple(names) if names else tuple(f"facet {i + 1}" for i in range(len(d)))
        first, second = (
            Solid.from_planes(np.vstack([n, [side * w]]), [*d, 0.0], [*known, WALL])
            for side in (-1.0, 1.0)
        )
        return TwoLobes.joined(first, second)

    @cached_property
    def planes(self) -> Floats:
        """(4, n) rows nx, ny, nz, offset of the first lobe, its wall included, then of the second."""
        return np.ascontiguousarray(np.hstack([lobe.planes for lobe in self.lobes]))

    @property
    def columns(self) -> tuple[str | None, ...]:
        """Names of the facets of ``planes``; None for the walls."""
        return tuple(None if n == WALL else n for lobe in self.lobes for n in lobe.names)

    @property
    def split(self) -> int | None:
        """How many columns of ``planes`` bound the first lobe."""
        return len(self.lobes[0].names)

    @property
    def parts(self) -> tuple[Solid, ...]:
        """Both lobes."""
        return self.lobes

    def scaled(self, factor: float) -> "TwoLobes":
        """The same shape with all lengths times *factor*."""
        return replace(
            self, offsets=self.offsets * factor, vertices=self.vertices * factor,
            lobes=tuple(lobe.scaled(factor) for lobe in self.lobes),
        )  # fmt: skip
