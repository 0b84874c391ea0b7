"""The surface of a piece of rough: a mesh file mended or refused, and its hull.

A scan is one closed surface of triangles, wound so that normals point out, millimetres.
"""

import io
import logging
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, cKDTree
from scipy.spatial.distance import pdist

from facetrace.common.errors import FacetraceError
from facetrace.common.filekind import NO_FILE, no_file, no_such
from facetrace.common.output import check_not_a_target
from facetrace.solid import convex as fit
from facetrace.solid.body import Body, Floats

Ints = NDArray[np.int64]

# what the reader of meshes has to say of a file goes into our one line, not beside it
logging.getLogger("trimesh").addHandler(logging.NullHandler())

MOST_FACES = 500_000
# an STL of so many triangles in text has 145 MB, with 17 digits to a number 200 MB
MOST_BYTES = 250_000_000
# formats of meshes that are read: each one self-contained file, by its ending; none is an archive or XML
READS = ("stl", "obj", "ply", "off", "glb")
# a mesh may lack so much of its convex hull's volume: what rounding of its corners takes
CONVEX_SHARE = 1e-3
# mm: corners of an open mesh that are nearer are one; no scanner parts them
SAME_MM = 0.002
# a hole is filled where it has no more edges, and is no wider than this share of the largest side
HOLE_EDGES, HOLE_SHARE = 24, 0.1
# mm, the largest side: what is smaller or larger was measured in another unit
SMALLEST_MM, LARGEST_MM = 2.0, 200.0
# mm from the origin: what is farther loses its digits
FARTHEST_MM = 1e5
UNITS = {"inches": 25.4, "centimetres": 10.0, "metres": 1000.0, "micrometres": 1e-3}
# sides, mm, of pieces that one buys: what another unit would have to give
LIKELY_MM = (2.0, 150.0)
# lines that look for crossings; a fold no deeper, mm, is noise
LINES, FOLD_MM = 256, 0.02
# of the largest side: what rounding adds to a triangle's reach
EXACT = 1e-7


@dataclass(frozen=True)
class Scan:
    """vertices (n, 3) in mm, faces (m, 3) counter-clockwise seen from outside, and what was mended."""

    vertices: Floats
    faces: Ints
    repairs: tuple[str, ...] = ()

    @cached_property
    def triangles(self) -> Floats:
        """(m, 3, 3): corners of each face."""
        return np.asarray(self.vertices[self.faces])

    @cached_property
    def volume(self) -> float:
        """mm^3, by the divergence theorem."""
        t = self.triangles - self.vertices.mean(axis=0)
        return float(np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2])).sum() / 6)

    @property
    def size(self) -> float:
        """Its largest side, mm."""
        return float(np.ptp(self.vertices, axis=0).max())

    @cached_property
    def hull(self) -> Body:
        """Its convex hull."""
        return fit.hull(self.vertices)

    def turned(self, matrix: Floats) -> "Scan":
        """The same surface turned about the origin: points r go to ``matrix @ r``."""
        return Scan(self.vertices @ matrix.T, self.faces, self.repairs)


def of_points(points_mm: ArrayLike) -> Scan:
    """The surface of the convex hull of points (n, 3). Raises FacetraceError where they lie in one plane."""
    fit.hull(points_mm)
    shape = ConvexHull(np.asarray(points_mm, dtype=np.float64))
    a, b, c = (shape.points[shape.simplices[:, k]] for k in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), shape.equations[:, :3]) < 0
    turned = np.where(inward[:, None], shape.simplices[:, ::-1], shape.simplices)
    used, faces = np.unique(turned, return_inverse=True)
    return Scan(shape.points[used], faces.reshape(-1, 3).astype(np.int64))


# ---- files ------------------------------------------------------------------------------------


def load(path: Path) -> trimesh.Trimesh:
    """A mesh as its file has it, in the format that its ending names (one of READS), lengths taken for mm.

    Only this file is read: what it says of others (materials, buffers) counts for nothing.
    Raises FacetraceError where it cannot be read or holds no triangles.
    """
    kind = path.suffix.lower().removeprefix(".")
    problem = no_file(path)
    if problem:
        raise FacetraceError(f"{path}: {no_such(path) if problem == NO_FILE else problem}")
    check_not_a_target(path)
    if kind not in READS:
        endings = ", ".join(f".{k}" for k in READS)
        raise FacetraceError(f"{path}: the mesh format follows the ending; use one of {endings}")
    if path.stat().st_size > MOST_BYTES:
        raise FacetraceError(
            f"{path} is larger than {MOST_BYTES // 1_000_000} MB; save it with at most {MOST_FACES:,} triangles"
        )
    try:
        content = path.read_bytes()
    except OSError as error:
        raise FacetraceError(f"{path} cannot be read ({error.strerror})") from None
    try:
        with np.errstate(all="ignore"):
            # no resolver, no materials: a mesh may not have further files opened, or pictures read
            mesh = trimesh.load_mesh(
                io.BytesIO(content),
                file_type=kind,
                resolver=None,
                skip_materials=True,
                process=False,
            )
    except Exception:
        # readers of many formats, each with errors of its own
        raise FacetraceError(
            f"{path} cannot be read as a mesh in the format {kind.upper()}; export it again"
        ) from None
    if not isinstance(mesh, trimesh.Trimesh) or len(mesh.faces) < 4:
        raise FacetraceError(
            f"{path} holds no mesh of a body{_cut_short(kind, content)}; export its closed surface as triangles"
        )
    faces = np.asarray(mesh.faces)
    if faces.shape[1:] != (3,) or mesh.vertices.shape[1:] != (3,):
        raise FacetraceError(f"{path}: a corner has three numbers, and a triangle three corners")
    if faces.min() < 0 or faces.max() >= len(mesh.vertices):
        raise FacetraceError(
            f"{path}: a triangle names a corner that is not there; export it again"
        )
    if not np.abs(mesh.vertices).max() <= FARTHEST_MM:
        raise FacetraceError(
            f"{path}: a corner is not a number, or more than {FARTHEST_MM:g} mm away; lengths are mm"
        )
    # only now: it would drop what is not a number, and leave a hole
    mesh.process()
    return mesh


def _cut_short(kind: str, content: bytes) -> str:
    """What is wrong with the length of a binary STL file: 80 bytes, the number of triangles, 50 bytes for each."""
    if kind != "stl" or len(content) < 84 or b"facet" in content[:1000]:
        return ""
    wanted = 84 + 50 * int.from_bytes(content[80:84], "little")
    if len(content) == wanted:
        return ""
    how = "cut short" if len(content) < wanted else "too long"
    return f": it is {how}, its head asks for {wanted:,} bytes and it has {len(content):,}"


def from_mesh(path: Path) -> Body:
    """The body of a convex mesh file, its lengths taken for mm.

    Raises FacetraceError where it cannot be read, is not closed, or is not convex.
    """
    mesh = load(path)
    if not mesh.is_watertight:
        raise FacetraceError(f"{path}: the mesh is not closed; mend it first")
    try:
        body = fit.hull(mesh.vertices)
    except FacetraceError as problem:
        raise FacetraceError(f"{path}: {problem}") from None
    missing = 1 - abs(mesh.volume) / ConvexHull(mesh.vertices).volume
    if missing > CONVEX_SHARE:
        raise FacetraceError(
            f"{path}: the mesh is not convex ({100 * missing:.1f} % of its convex hull is outside "
            "it); a stone in a hollow cannot be searched: cut the mesh back to a convex blank"
        )
    return body


def read_scan(path: Path) -> Scan:
    """A mesh file as one closed surface, mended where that is safe.

    Raises FacetraceError with the reason in one line where it is open, several bodies, crosses
    itself, holds nothing, has too many triangles, or has a size that hints at another unit.
    """
    mesh = load(path)
    try:
        return mended(mesh.vertices, mesh.faces)
    except FacetraceError as problem:
        raise FacetraceError(f"{path}: {problem}") from None


def mended(vertices: ArrayLike, faces: ArrayLike) -> Scan:
    """Triangles as one closed surface, see ``read_scan``."""
    v = np.array(vertices, dtype=np.float64)
    f = np.array(faces, dtype=np.int64)
    if len(f) > MOST_FACES:
        raise FacetraceError(
            f"{len(f):,} triangles are more than the {MOST_FACES:,} that are supported; thin them out in the scanner's program"
        )
    if not np.isfinite(v).all():
        raise FacetraceError("a corner is not a number; export the scan again")
    _check_size(v[np.unique(f)])
    repairs: list[str] = []
    v, f = _merged(v, f, 0.0)
    f = _proper(f, repairs)
    if _edge_counts(f).min(initial=2) < 2:
        before = len(v)
        v, f = _merged(v, f, SAME_MM)
        if len(v) < before:
            repairs.append(
                f"{before - len(v)} corners within {SAME_MM:g} mm of others merged with them"
            )
        f = _proper(f, repairs)
    _check_branches(f)
    v, f = _filled(v, f, repairs)
    f = _wound(f, repairs)
    _check_single(v, f)
    scan = Scan(v, f)
    if scan.volume < 0:
        scan = Scan(v, f[:, ::-1].copy())
        repairs.append("the whole surface was inside out; turned")
    if scan.volume < 1e-4 * scan.size**3:
        raise FacetraceError("the surface encloses next to nothing; a closed body is wanted")
    _check_crossings(scan)
    return Scan(scan.vertices, scan.faces, tuple(repairs))


def _check_size(v: Floats) -> None:
    size = float(np.ptp(v, axis=0).max())
    if SMALLEST_MM <= size <= LARGEST_MM:
        return
    low, high = LIKELY_MM
    hints = [f"{u} ({size * k:.3g} mm)" for u, k in UNITS.items() if low <= size * k <= high]
    guess = f"; if it is in {' or '.join(hints)}, scale it to mm" if hints else ""
    raise FacetraceError(
        f"its largest side is {size:.3g} mm, which no rough is ({SMALLEST_MM:g} to {LARGEST_MM:g} mm){guess}"
    )


def _merged(v: Floats, f: Ints, within: float) -> tuple[Floats, Ints]:
    """Corners that are equal, or *within* mm of one another, made one; unused ones dropped."""
    used, numbers = np.unique(f, return_inverse=True)
    points, f = v[used], numbers.reshape(-1, 3)
    if within:
        pairs = cKDTree(points).query_pairs(within, output_type="ndarray")
        links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(points),) * 2)
        _, groups = connected_components(links, directed=False)
    else:
        order = np.lexsort(points.T)
        new = (points[order[1:]] != points[order[:-1]]).any(axis=1)
        groups = np.empty(len(points), dtype=np.int64)
        groups[order] = np.append(0, np.cumsum(new))
    _, first, groups = np.unique(groups.ravel(), return_index=True, return_inverse=True)
    return points[first], np.asarray(groups[f], dtype=np.int64)


def _proper(f: Ints, repairs: list[str]) -> Ints:
    """Without triangles that have a corner twice, and without the same triangle twice."""
    ordered = np.sort(f, axis=1)
    whole = (ordered[:, 0] != ordered[:, 1]) & (ordered[:, 1] != ordered[:, 2])
    if not whole.all():
        repairs.append(f"{np.count_nonzero(~whole)} triangles without area dropped")
    f, ordered = f[whole], ordered[whole]
    _, first = np.unique(_keys(ordered), return_index=True)
    if len(first) < len(f):
        repairs.append(f"{len(f) - len(first)} triangles given twice dropped")
    return f[np.sort(first)]


def _directed(f: Ints) -> Ints:
    """(3 m, 2): the edges of each triangle, in its own direction."""
    return np.vstack([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])


def _keys(rows: Ints) -> Ints:
    """One number for each row (n, k) of small whole numbers: equal where the rows are. Quicker than rows to sort."""
    size = int(rows.max(initial=0)) + 1
    found = np.zeros(len(rows), dtype=np.int64)
    for column in rows.T:
        found = found * size + column
    return found


def _edge_counts(f: Ints) -> Ints:
    return np.asarray(np.unique(_keys(np.sort(_directed(f), axis=1)), return_counts=True)[1])


def _check_branches(f: Ints) -> None:
    branches = int(np.count_nonzero(_edge_counts(f) > 2))
    if branches:
        raise FacetraceError(
            f"more than two triangles meet at {branches} edges; it is no surface of one body: mend it"
        )


def _filled(v: Floats, f: Ints, repairs: list[str]) -> tuple[Floats, Ints]:
    """Small holes closed by fans. Raises FacetraceError for large ones."""
    edges = _directed(f)
    keys = _keys(np.sort(edges, axis=1))
    _, which, counts = np.unique(keys, return_inverse=True, return_counts=True)
    rim = edges[counts[which.ravel()] == 1]
    if not len(rim):
        return v, f
    links = coo_matrix((np.ones(len(rim)), (rim[:, 0], rim[:, 1])), (len(v),) * 2)
    _, groups = connected_components(links, directed=False)
    largest = float(np.ptp(v, axis=0).max())
    fans: list[Ints] = []
    middles: list[Floats] = []
    rim = rim[np.argsort(groups[rim[:, 0]], kind="stable")]
    for loop in np.split(rim, np.flatnonzero(np.diff(groups[rim[:, 0]])) + 1):
        points = v[np.unique(loop)]
        # of a long rim some points will do, it is too large anyway
        width = float(pdist(points[: 10 * HOLE_EDGES]).max())
        simple = len(loop) == len(points)
        if not simple or len(loop) > HOLE_EDGES or width > HOLE_SHARE * largest:
            raise FacetraceError(
                f"the mesh is not closed: a hole {width:.3g} mm wide with {len(loop)} edges is too "
                "large to be filled unseen; close it in the scanner's program"
            )
        # a hole of three edges as well: the other triangle of its corners may be there
        fans.append(np.column_stack([loop[:, ::-1], np.full(len(loop), len(v) + len(middles))]))
        middles.append(points.mean(axis=0))
    count = len(middles)
    repairs.append(f"{count} small {'hole' if count == 1 else 'holes'} filled")
    return np.vstack([v, middles]), np.vstack([f, *fans])


def _wound(f: Ints, repairs: list[str]) -> Ints:
    """Neighbours turned the same way round, the larger part of each body as it was."""
    edges = _directed(f)
    owner = np.tile(np.arange(len(f)), 3)
    order = np.argsort(_keys(np.sort(edges, axis=1)), kind="stable")
    one, two = order[0::2], order[1::2]
    # neighbours agree where they run along their edge in opposite directions
    clash = (edges[one, 0] == edges[two, 0]).astype(np.int64)
    links = coo_matrix((np.ones(len(one)), (owner[one], owner[two])), (len(f),) * 2).tocsr()
    count, groups = connected_components(links, directed=False)
    # each triangle twice, as it is and turned over: what agrees hangs together
    here, there = owner[one], owner[two] + clash * len(f)
    over = (here + len(f), owner[two] + (1 - clash) * len(f))
    pairs = np.concatenate([[here, there], over], axis=1)
    both = coo_matrix((np.ones(len(pairs[0])), tuple(pairs)), (2 * len(f),) * 2)
    _, side = connected_components(both, directed=False)
    if (side[: len(f)] == side[len(f) :]).any():
        raise FacetraceError(
            "the surface has one side only (it is twisted into itself); scan it again"
        )
    _, first = np.unique(groups, return_index=True)
    flipped = side[: len(f)] != side[first[groups]]
    most = np.bincount(groups, flipped, count) > 0.5 * np.bincount(groups, minlength=count)
    flipped ^= most[groups]
    if flipped.any():
        repairs.append(f"{np.count_nonzero(flipped)} triangles were wound the wrong way; turned")
    return np.asarray(np.where(flipped[:, None], f[:, ::-1], f))


def _check_single(v: Floats, f: Ints) -> None:
    """Two bodies that share a corner only are two as well."""
    order = np.argsort(_keys(np.sort(_directed(f), axis=1)), kind="stable")
    owner = np.tile(np.arange(len(f)), 3)
    one, two = owner[order[0::2]], owner[order[1::2]]
    links = coo_matrix((np.ones(len(one)), (one, two)), (len(f),) * 2)
    count, groups = connected_components(links, directed=False)
    if count > 1:
        order = np.argsort(groups, kind="stable")
        corners = v[f[order]].reshape(-1, 3)
        first = 3 * np.searchsorted(groups[order], np.arange(count))
        spans = np.maximum.reduceat(corners, first) - np.minimum.reduceat(corners, first)
        sizes = sorted(spans.max(axis=1).tolist(), reverse=True)
        some = ", ".join(f"{s:.3g}" for s in sizes[:4]) + (", ..." if count > 4 else "")
        raise FacetraceError(
            f"the mesh is {count} bodies ({some} mm large); keep one, a hollow inside is no part of it"
        )


def _check_crossings(scan: Scan) -> None:
    """Lines through the middles of triangles must go in and out in turn.

    Random lines find crossings that are not small; folds of up to FOLD_MM are let pass.
    """
    rng = np.random.default_rng(1)
    t = scan.triangles
    middles = t.mean(axis=1)
    # balls around the triangles: a line that misses the ball misses the triangle
    reach = np.square(t - middles[:, None]).sum(axis=2).max(axis=1) + EXACT * scan.size**2
    centred = middles - middles.mean(axis=0)
    x, y, z = np.ascontiguousarray(centred.T)
    reach -= x * x + y * y + z * z
    chosen = np.unique(np.linspace(0, len(t) - 1, LINES).astype(int))
    for k in chosen:
        along = rng.normal(size=3)
        along /= np.linalg.norm(along)
        start = centred[k]
        # written out: much quicker than products of a long and a short matrix
        ahead = x * along[0] + y * along[1] + z * along[2] - start @ along
        past = x * (2 * start[0]) + y * (2 * start[1]) + z * (2 * start[2]) - start @ start
        depths = _windings(t[reach + past + ahead * ahead >= 0], middles[k], along)
        if depths is not None and not ((depths == 0) | (depths == 1)).all():
            raise FacetraceError("the surface crosses itself; mend it in the scanner's program")


def _windings(t: Floats, start: Floats, along: Floats) -> Ints | None:
    """How often each piece of a line, of more than FOLD_MM, is inside; None where it meets an edge."""
    a, b, c = (t[:, k] - start for k in range(3))
    # signed volumes: all of one sign where the line passes within the triangle
    w = np.stack([np.cross(b, c) @ along, np.cross(c, a) @ along, np.cross(a, b) @ along])
    total = w.sum(axis=0)
    scale = np.abs(w).max(axis=0)
    meets = ((w > -1e-9 * scale).all(axis=0) | (w < 1e-9 * scale).all(axis=0)) & (scale > 0)
    w, total = w[:, meets], total[meets]
    if (np.abs(w) < 1e-9 * scale[meets]).any():
        return None
    place = np.einsum("km,kmi->mi", w, np.stack([a, b, c])[:, meets]) / total[:, None] @ along
    order = np.argsort(place)
    # a triangle whose normal points against the line is where it goes in
    inside = np.cumsum(np.where(total[order] < 0, 1, -1))[:-1]
    return np.asarray(inside[np.diff(place[order]) > FOLD_MM])


# ---- cut ----------------------------------------------------------------------------------------


def clipped(polygon: Floats, planes: Floats) -> Floats:
    """What planes (4, m) leave of a convex polygon (n, 3): its corners in order, (0, 3) where nothing."""
    points = polygon
    for n, d in zip(planes[:3].T, planes[3], strict=True):
        over = points @ n - d
        if (over <= 0).all():
            continue
        if (over > 0).all():
            return np.zeros((0, 3))
        kept: list[Floats] = []
        for k in range(len(points)):
            p, q, here, there = points[k - 1], points[k], over[k - 1], over[k]
            if (here > 0) != (there > 0):
                kept.append(p + here / (here - there) * (q - p))
            if there <= 0:
                kept.append(q)
        points = np.array(kept)
    return points
