"""A rough and the stones in it from six sides, to scale, as SVG: outlines, defects, c, and where planes meet the skin.

One frame: the rough file's axes, millimetres. A view is named by the side that one looks at: "+x" is seen from +x,
against x. Up is +z, of "+z" and "-z" +y. Nothing hangs on colour: defects bear numbers, the stone's lines are dashed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from facetrace.report.html import esc
from facetrace.report.line_drawing import FINE, LETTER, SCALES, THICK, THIN, behind, svg_path
from facetrace.results.mark import SIDES, axis_name, side_axes
from facetrace.solid.lobes import WALL
from facetrace.studies.zoned import Cut

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# mm of paper: room for a rough, round it for letters, on the right for c, and the width that six drawings at 1:1 may take
ROOM_MM, EDGE_MM, ASIDE_MM, STRIP_MM = 52.0, 7.0, 25.0, 180.0
# an axis nearer to the eye than this, degrees, is a dot or a cross
END_ON_DEG = 10.0
# edges that turn less, as a cosine, are not drawn, nor more than so many: a scan's skin
SHARP, MOST_EDGES = 0.9, 1500
ARROW_MM = 7.0
DASHES = {
    "table": "", "girdle": "2 1", "saw 1": "5 1.2 1 1.2", "saw 2": "5 1.2 1 1.2 1 1.2",
}  # fmt: skip
# names of several pieces, and of the stones that lie in them
LETTERS = "ABC"
# a spot and the circle round a flaw's number: half of their size, mm of paper; width of a bold letter, as a share of its height
SPOT, NUMBER, BOLD = 0.7, 2.1, 0.7
# where a label stands about its spot: right or left, up or down, first what is tried first
ROUND = ((1, -1), (-1, -1), (1, 1), (-1, 1), (1, 0), (-1, 0), (0, -1), (0, 1))


@dataclass(frozen=True)
class Outlined:
    """A defect or zone: corners of its convex parts (n, 3) each, the number that it bears, colours of it and of its outline (CSS)."""

    number: int
    parts: tuple[Floats, ...]
    colour: str
    line: str


@dataclass(frozen=True)
class Plane:
    """normal . r = offset; kind: one of DASHES; keep: drawn only where n . r >= d for each (n, d)."""

    kind: str
    normal: Floats
    offset: float
    keep: tuple[tuple[Floats, float], ...] = ()


@dataclass(frozen=True)
class Scene:
    """All that is drawn: the rough's surface, stones where they lie, defects, planes, c's direction (3,)."""

    vertices: Floats
    faces: Ints
    stones: tuple[Cut, ...]
    defects: tuple[Outlined, ...]
    planes: tuple[Plane, ...]
    c: Floats
    low: Floats = field(repr=False)
    high: Floats = field(repr=False)

    @cached_property
    def normals(self) -> Floats:
        """(m, 3), of length 1."""
        t = self.vertices[self.faces]
        n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1), 1e-300)[:, None])

    @cached_property
    def scale(self) -> float:
        """The largest scale at which every view has room."""
        size = float((self.high - self.low).max())
        return max([s for s in SCALES if s * size <= ROOM_MM], default=1)

    @cached_property
    def sharp(self) -> tuple[Ints, Ints]:
        """(edges (k, 2) where the skin turns, the two faces of each (k, 2)); none where there are too many."""
        f = self.faces
        edges = np.sort(np.vstack([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), axis=1)
        order = np.lexsort(edges.T)
        edges, owner = edges[order], np.tile(np.arange(len(f)), 3)[order]
        pair = np.flatnonzero((edges[1:] == edges[:-1]).all(axis=1))
        turn = np.einsum("ij,ij->i", self.normals[owner[pair]], self.normals[owner[pair + 1]])
        pair = pair[turn < SHARP]
        if len(pair) > MOST_EDGES:
            pair = pair[:0]
        return edges[pair], np.column_stack([owner[pair], owner[pair + 1]])


class Skin(Protocol):
    """A surface of triangles."""

    @property
    def vertices(self) -> Floats:
        """(n, 3)."""

    @property
    def faces(self) -> Ints:
        """(m, 3)."""


def skin_line(scene: Skin, plane: Plane) -> tuple[Floats, Ints, Ints]:
    """(segments (k, 2, 3) where a plane meets the skin; the face of each (k,); edges on which they end (k, 2))."""
    beyond = scene.vertices @ plane.normal - plane.offset
    corners, after = scene.faces, np.roll(scene.faces, -1, axis=1)
    crossing = (beyond[corners] > 0) != (beyond[after] > 0)
    rows = np.flatnonzero(crossing.any(axis=1))
    # of each triangle two sides are crossed
    which = np.argsort(~crossing[rows], axis=1, kind="stable")[:, :2]
    a = np.take_along_axis(corners[rows], which, axis=1)
    b = np.take_along_axis(after[rows], which, axis=1)
    share = (beyond[a] / (beyond[a] - beyond[b]))[:, :, None]
    points = scene.vertices[a] + share * (scene.vertices[b] - scene.vertices[a])
    edges = np.minimum(a, b) * len(scene.vertices) + np.maximum(a, b)
    for normal, offset in plane.keep:
        kept = points.mean(axis=1) @ normal >= offset
        points, rows, edges = points[kept], rows[kept], edges[kept]
    return points, rows, edges


def chained(segments: Floats, edges: Ints) -> list[Floats]:
    """Segments (k, 2, d) that share an end, by the edges (k, 2) where they end, as lines (n, d)."""
    at: dict[int, list[int]] = {}
    for k, pair in enumerate(edges.tolist()):
        for end in pair:
            at.setdefault(end, []).append(k)
    left, found = set(range(len(segments))), []
    # lines with ends first, then rings
    for first in sorted(left, key=lambda k: min(len(at[e]) for e in edges[k].tolist())):
        if first not in left:
            continue
        start = min((0, 1), key=lambda e: len(at[int(edges[first, e])]))
        line, k, end = [segments[first, start]], first, start
        while True:
            left.discard(k)
            end = 1 - end
            line.append(segments[k, end])
            here = int(edges[k, end])
            ahead = [n for n in at[here] if n in left]
            if not ahead:
                break
            k = ahead[0]
            end = edges[k].tolist().index(here)
        found.append(np.array(line))
    return found


@dataclass(frozen=True)
class SideView:
    """One side of a scene on paper, mm, y down, the middle of the box around the rough at 0, 0."""

    scene: Scene
    side: str

    @cached_property
    def axes(self) -> Floats:
        """Right, up, to the eye."""
        return side_axes(self.side)

    @property
    def ident(self) -> str:
        """Of its rough in the page."""
        return f"rough-{SIDES.index(self.side)}"

    def seen(self, points: Floats) -> Floats:
        """(..., 2): points on paper."""
        middle = (self.scene.low + self.scene.high) / 2
        return np.asarray((points - middle) @ self.axes[:2].T * [1, -1] * self.scene.scale)

    @cached_property
    def half(self) -> Floats:
        """(2,): half of the rough's size on paper."""
        return np.asarray(np.abs(self.axes[:2]) @ (self.scene.high - self.scene.low) / 2 * self.scene.scale)  # fmt: skip

    @property
    def c_deg(self) -> float:
        """How far c points out of the paper, degrees; below 0 it points away."""
        return math.degrees(math.asin(float(np.clip(self.scene.c @ self.axes[2], -1, 1))))

    def large(self, words: str) -> str:
        """The whole drawing; *words* describe it."""
        x, y = self.half + EDGE_MM
        order = np.argsort([float(s.shift @ self.axes[2]) for s in self.scene.stones])
        spots = [spot for k in order for spot in self._spots(int(k))]
        names = self._names()
        # what labels keep off: x, y, and half of width and height
        taken = [np.append(at, _half(text)) for at, text in names]
        taken += [np.append(at, [SPOT, SPOT]) for at, _, _ in spots]
        parts = [self._rough(), *self._lines(), *self._flaws(over=False)]
        parts += [self._stone(int(k)) for k in order]
        parts += self._flaws(over=True)
        parts += [_dot(at, filled) for at, _, filled in spots]
        parts += [self._number(defect, k, taken) for k, defect in enumerate(self.scene.defects)]
        labels = [(at, letter) for at, letter, _ in spots] + self._saws
        parts += [_label(at, letter, taken) for at, letter in labels]
        parts += [_text(*at, text, bold=True) for at, text in names]
        parts += [*self._c(x + 12.0, -y + 7.0), *self._bar(-x, y + 3)]
        return _svg(
            f"view-{SIDES.index(self.side)}",
            (-x, -y, 2 * x + ASIDE_MM, 2 * y + 4.5),
            words,
            "".join(parts),
        )

    def small(self) -> str:
        """The rough's outline alone, 1:1."""
        share = 1 / self.scene.scale
        x, y = self.half * share + 1
        body = f'<use href="#{self.ident}" transform="scale({share:.5f})"/>'
        return _svg(
            f"one-{SIDES.index(self.side)}", (-x, -y, 2 * x, 2 * y), f"Side {self.side} at 1 to 1", body
        )  # fmt: skip

    def _rough(self) -> str:
        """Triangles towards the eye: a wide dark line round each, then grey over all, which leaves the outline."""
        front = self.scene.normals @ self.axes[2] > 0
        t = self.seen(self.scene.vertices[self.scene.faces[front]])
        path = "".join(svg_path(p) for p in t)
        edges, owners = self.scene.sharp
        shown = front[owners].all(axis=1)
        lines = "".join(svg_path(p, False) for p in self.seen(self.scene.vertices[edges[shown]]))
        ident = self.ident
        return (
            f'<g id="{ident}"><g stroke-width="{2 * THIN + 0.1:.2f}"><path id="{ident}-f" d="{path}"/></g>'
            f'<use href="#{ident}-f" style="fill:var(--panel);stroke:var(--panel);stroke-width:0.1"/>'
            f'<path d="{lines}" stroke="var(--soft)" stroke-width="{FINE}"/></g>'
        )

    @cached_property
    def _drawn(self) -> list[tuple[Plane, list[Floats]]]:
        """Where planes meet the skin that one sees: what is drawn on the piece with a pen."""
        found = []
        for plane in self.scene.planes:
            segments, faces, edges = skin_line(self.scene, plane)
            near = self.scene.normals[faces] @ self.axes[2] > 0
            found.append((plane, chained(self.seen(segments[near]), edges[near])))
        return found

    def _lines(self) -> list[str]:
        return [
            f'<path d="{"".join(svg_path(line, False) for line in lines)}" '
            f'style="stroke:var({"--c2" if plane.kind.startswith("saw") else "--stone"})" stroke-width="{THICK}" '
            f'stroke-dasharray="{DASHES[plane.kind] or "none"}"/>'
            for plane, lines in self._drawn
        ]

    @property
    def _saws(self) -> list[tuple[Floats, str]]:
        """Where the line of each saw cut ends on the right, and its name."""
        return [
            (max(np.vstack(lines), key=lambda p: float(p[0])), f"S{plane.kind[-1]}")
            for plane, lines in self._drawn
            if lines and plane.kind.startswith("saw")
        ]

    def _spots(self, number: int) -> list[tuple[Floats, str, bool]]:
        """Lowest point and middle of the table of a stone on paper, the farther first; their names; which is filled."""
        ends = _ends(self.scene.stones[number])
        mark = "" if len(self.scene.stones) == 1 else LETTERS[number]
        found = [(self.seen(ends[0]), f"C{mark}", False), (self.seen(ends[1]), f"T{mark}", True)]
        return found if (ends[1] - ends[0]) @ self.axes[2] >= 0 else found[::-1]

    def _stone(self, number: int) -> str:
        cut = self.scene.stones[number]
        eye = cut.turn.T @ self.axes[2]
        faces = [
            self.seen(cut.shift + part.vertices[polygon] @ cut.turn.T)
            for part in cut.solid.parts
            for name, normal, polygon in zip(part.names, part.normals, part.polygons, strict=True)
            if normal @ eye > 1e-9 and (name != WALL or len(cut.solid.parts) == 1)
        ]
        path = "".join(svg_path(p) for p in faces)
        axis = svg_path(self.seen(_ends(cut)), False)
        return (
            f'<path d="{path}" style="fill:var(--paper);fill-opacity:0.55;stroke:var(--stone);stroke-opacity:0.7" stroke-width="{FINE}"/>'
            f'<path d="{axis}" style="stroke:var(--stone)" stroke-width="{THIN}" stroke-dasharray="3 0.8 0.6 0.8"/>'
        )

    @cached_property
    def _parts(self) -> list[tuple[Outlined, Floats, bool]]:
        """Convex parts of flaws: whose, its outline on paper, whether it lies behind a stone."""
        stones = [cut.shift + cut.solid.vertices @ cut.turn.T for cut in self.scene.stones]
        return [
            (defect, _outline(self.seen(points)), any(behind(s, points, self.axes) for s in stones))
            for defect in self.scene.defects
            for points in defect.parts
        ]

    def _flaws(self, over: bool) -> list[str]:
        """Flaws drawn under the stones, or *over* them: of those behind a stone the fill under it, a broken outline over it."""
        found = []
        for defect, outline, hidden in self._parts:
            if over or hidden:
                fill = "none" if over and hidden else defect.colour
                line = defect.line if over else "none"
                dash = ' stroke-dasharray="1 0.8"' if hidden else ""
                found.append(
                    f'<path d="{svg_path(outline)}" style="fill:{fill};fill-opacity:0.22;stroke:{line}" stroke-width="{THIN * 1.4:.2f}"{dash}/>'
                )
        return found

    def _number(self, defect: Outlined, place: int, taken: list[Floats]) -> str:
        """A flaw's number near an end of its outline, off what is *taken*."""
        flat = self.seen(np.vstack(defect.parts))
        turns = 2.4 * place + math.pi / 4 * np.arange(8)
        corners = flat[np.argmax(flat @ [np.cos(turns), np.sin(turns)], axis=0)]
        x, y = _placed(
            list(corners + 0.25 * (flat.mean(axis=0) - corners)), np.full(2, NUMBER), taken
        )
        return (
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{NUMBER}" style="fill:var(--paper);stroke:{defect.line}" stroke-width="{THIN}"/>'
            + _text(x, y, str(defect.number))
        )

    def _names(self) -> list[tuple[tuple[float, float], str]]:
        """Which side lies where."""
        right, up = axis_name(self.axes[0]), axis_name(self.axes[1])
        x, y = (float(a) for a in self.half + 4.5)
        return [
            ((x, 0.0), right),
            ((-x, 0.0), _other(right)),
            ((0.0, -y), up),
            ((0.0, y), _other(up)),
        ]

    def _c(self, x: float, y: float) -> list[str]:
        """c: an arrow as long as it is seen; end on a dot (to the eye) or a cross (away) in a circle."""
        degrees = self.c_deg
        towards = "to you" if degrees > 0 else "away"
        if 90 - abs(degrees) < END_ON_DEG:
            mark = (
                f'<circle cx="{x:.2f}" cy="{y:.2f}" r="0.6" fill="currentColor"/>'
                if degrees > 0
                else f'<path d="M{x - 1.2:.2f} {y - 1.2:.2f}l2.4 2.4m0 -2.4l-2.4 2.4" stroke-width="{THIN}"/>'
            )
            return [
                f'<circle cx="{x:.2f}" cy="{y:.2f}" r="1.9" stroke-width="{THIN}"/>', mark,
                _text(x, y + 4.6, f"c {towards}, {90 - abs(degrees):.0f}\N{DEGREE SIGN} off"),
            ]  # fmt: skip
        flat = self.axes[:2] @ self.scene.c * [1, -1]
        start, end = np.array([x, y]) - ARROW_MM / 2 * flat, np.array([x, y]) + ARROW_MM / 2 * flat
        along = flat / np.linalg.norm(flat)
        across = np.array([-along[1], along[0]])
        head = np.array([end - 1.6 * along + 0.7 * across, end, end - 1.6 * along - 0.7 * across])
        words = "c in the paper" if abs(degrees) < 0.5 else f"c {abs(degrees):.0f}\N{DEGREE SIGN} {towards}"  # fmt: skip
        return [
            f'<path d="{svg_path(np.array([start, end]), False)}{svg_path(head, False)}" stroke-width="{THICK * 0.8:.2f}"/>',
            _text(x, y + 6.0, words),
        ]

    def _bar(self, x: float, y: float) -> list[str]:
        mm = 1 if self.scene.scale >= 8 else 5 if self.scene.scale >= 2 else 10
        line = f"M{x:.2f} {y - 0.7:.2f}v0.7h{mm * self.scene.scale:.2f}v-0.7"
        return [
            f'<path d="{line}" stroke-width="{THIN}"/>',
            _text(x + mm * self.scene.scale + 1, y - 1, f"{mm} mm", anchor="start"),
        ]


def fits_one_to_one(scene: Scene) -> bool:
    """Whether six outlines at 1:1 stand side by side on A4."""
    size = scene.high - scene.low
    return bool(2 * (size[1] + size[0] + size[0]) + 6 * 4 <= STRIP_MM)


def _other(name: str) -> str:
    return ("-" if name[0] == "+" else "+") + name[1]


def _ends(cut: Cut) -> Floats:
    """(2, 3): the axis of a stone, from its lowest point up to its table."""
    z = cut.solid.vertices[:, 2]
    return np.asarray(cut.shift + np.outer([z.min(), z.max()], cut.turn[:, 2]))


def _outline(flat: Floats) -> Floats:
    """The hull of points (n, 2), of what is seen edge on its two ends."""
    try:
        return np.asarray(flat[ConvexHull(flat).vertices])
    except QhullError:
        along = flat @ ([1, 0.01] if np.ptp(flat[:, 0]) >= np.ptp(flat[:, 1]) else [0, 1])
        return np.asarray(flat[[int(np.argmin(along)), int(np.argmax(along))]])


def _placed(wanted: Sequence[Floats], half: Floats, taken: list[Floats]) -> Floats:
    """The first of these middles of a label, of half the size *half*, that is off all that is taken; else the first. It is taken then."""
    free = (at for at in wanted if all((np.abs(at - t[:2]) >= half + t[2:]).any() for t in taken))
    at = next(free, wanted[0])
    taken.append(np.append(at, half))
    return at


def _half(text: str) -> Floats:
    """(2,): half of the size of a text on paper."""
    return np.array([BOLD * len(text), 1.0]) * LETTER / 2


def _dot(at: Floats, filled: bool) -> str:
    fill = "var(--stone)" if filled else "var(--paper)"
    return f'<circle cx="{at[0]:.2f}" cy="{at[1]:.2f}" r="{SPOT}" style="fill:{fill};stroke:var(--stone)" stroke-width="{THIN}"/>'


def _label(at: Floats, letter: str, taken: list[Floats]) -> str:
    """A letter beside its spot, off what is *taken*; a line leads to it where it had to go away."""
    half = _half(letter)
    wanted = [at + way * (half + SPOT + far) for far in (0.1, 2.5, 5.0) for way in np.array(ROUND)]
    x, y = found = _placed(wanted, half, taken)
    line = ""
    if (np.abs(found - at) > half + SPOT + 1).any():
        line = f'<path d="{svg_path(np.array([at, found]), False)}" stroke-width="{FINE}"/>'
    return line + _text(x, y, letter, halo=True)


def _text(
    x: float, y: float, text: str, *, bold: bool = False, anchor: str = "middle", halo: bool = False
) -> str:  # fmt: skip
    weight = ' font-weight="700"' if bold else ""
    around = ' style="paint-order:stroke;stroke:var(--paper);stroke-width:0.7"' if halo else ""
    text = text.replace("-", "\N{MINUS SIGN}")
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" dy="0.36em" font-size="{LETTER}" text-anchor="{anchor}" stroke="none"'
        f'{weight}{around} fill="currentColor">{esc(text)}</text>'
    )


def _svg(ident: str, box: Sequence[float], words: str, body: str) -> str:
    x, y, width, height = box
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" data-fixed="" aria-label="{esc(words)}" id="{ident}" '
        f'width="{width:.2f}mm" height="{height:.2f}mm" viewBox="{x:.2f} {y:.2f} {width:.2f} {height:.2f}" fill="none" '
        f'stroke="currentColor" stroke-linejoin="round" stroke-linecap="round">{body}</svg>'
    )
