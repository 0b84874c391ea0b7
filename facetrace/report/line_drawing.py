"""Line drawings of a solid as SVG: seen along an axis, to scale, with names, sizes and an index dial.

A drawing is measured in millimetres of paper at its own size; a page may set it smaller, so its scale is that
of its bar. Strokes are ``currentColor``, paper is ``var(--paper)``. Nothing hangs on colour: highlighted facets are
hatched, hidden edges dashed.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.optimize import linprog

from facetrace.report.html import esc, shown
from facetrace.solid.build import tier_of
from facetrace.solid.polyhedron import Floats, Solid

FACING = 1e-9
# magnifications that are drawn, and widths of lines and letters, mm of paper
SCALES = (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25, 30, 40, 50)
THICK, THIN, FINE = 0.5, 0.22, 0.12
# letters of 12 px on a screen; a label whose facet has less than this share of its height is left out
LETTER, FITS = 3.2, 0.7
# width of a letter, as a share of its height
WIDE = 0.56
DIAL, RING = 9.0, 2.2
# light blue of Okabe & Ito, "Color Universal Design", 2008
MARKED = "#56b4e9"
# what a reader may get wrong of flaws in a drawing, and how those behind the stone are drawn
FLAWS = (
    "Flaws may be drawn over the stone. One to be cut away is never in it, but in front of it, behind it or beside it; "
    "others may lie in it."
)
BEHIND = "Broken outline: behind the stone."


@dataclass(frozen=True)
class View:
    """A direction of view: its words, and the stone's axes (3,) that point right and up in it."""

    words: str
    right: tuple[float, float, float]
    up: tuple[float, float, float]

    @cached_property
    def axes(self) -> Floats:
        """(3, 3): right, up, and to the eye."""
        right, up = np.array(self.right), np.array(self.up)
        return np.array([right, up, np.cross(right, up)])

    @property
    def plan(self) -> bool:
        """Whether the eye is on the axis, above or below, where an index dial has a place."""
        return bool(abs(self.axes[2][2]) > 1 - FACING)


ABOVE = View("from above", (1, 0, 0), (0, 1, 0))
BELOW = View(
    "from below, turned over about the length: index 0 stays on the right, numbers run the other way",
    (1, 0, 0), (0, -1, 0),
)  # fmt: skip
SIDE = View("from the long side, table up, index 0 on the right", (1, 0, 0), (0, 0, 1))
END = View("from the end, table up, index 0 towards the eye", (0, 1, 0), (0, 0, 1))


def scale_for(solid: Solid, room_mm: float) -> float:
    """The largest of SCALES at which the solid is no larger than *room_mm* on paper, turned about its axis."""
    around = 2 * float(np.linalg.norm(solid.vertices[:, :2], axis=1).max())
    size = max(around, float(np.ptp(solid.vertices[:, 2])))
    return max([s for s in SCALES if s * size <= room_mm], default=SCALES[0])


def behind(stone: Floats, flaw: Floats, axes: Floats) -> bool:
    """Whether a flaw lies behind a stone: on each line of sight that meets both, all of it farther from the eye.

    Of the convex hulls of corners (n, 3) and (m, 3); rows of *axes* (3, 3): right, up, to the eye. A linear program over
    weights of the corners finds how far a point of the flaw may lie before one of the stone that is seen in its place.
    """
    apart = np.vstack([-stone, flaw]) @ axes.T
    one = np.repeat([[1.0, 0.0], [0.0, 1.0]], [len(stone), len(flaw)], axis=1)
    found = linprog(-apart[:, 2], A_eq=np.vstack([apart[:, :2].T, one]), b_eq=[0, 0, 1, 1])
    return bool(found.status == 0 and -found.fun < 0)


@dataclass(frozen=True)
class Drawing:
    """What is drawn of a solid, and how.

    key: unique in its page; scale: mm of paper per mm; names: facet -> what is written in it, a
    tier's name if left out, one label for each; marked: facets that are hatched; hidden: whether
    hidden edges are drawn; sizes: whether extents are written at the edges; levels: heights z, mm,
    between which a side view is measured; gear: teeth of the index dial around a view from above or
    below, 0 for none; positions: index positions that the dial marks; bar: whether a scale bar is drawn.
    """

    solid: Solid
    view: View
    key: str
    scale: float
    title: str
    names: Mapping[str, str] | None = None
    marked: Collection[str] = ()
    hidden: bool = False
    sizes: bool = True
    levels: Sequence[float] = ()
    gear: int = 0
    positions: Sequence[float] = ()
    bar: bool = True

    @cached_property
    def corners(self) -> Floats:
        """(m, 2): the corners on paper, mm, y down."""
        flat = self.solid.vertices @ self.view.axes[:2].T * self.scale
        return np.asarray(flat * [1.0, -1.0])

    @cached_property
    def facing(self) -> Floats:
        """(n,): cosine between each facet's normal and the eye."""
        return np.asarray(self.solid.normals @ self.view.axes[2])

    @cached_property
    def reach(self) -> float:
        """From the axis to the inside of the dial, mm of paper."""
        return float(np.linalg.norm(self.corners, axis=1).max()) + 1.5

    def svg(self) -> str:
        """The drawing as an SVG element."""
        dial = self.gear if self.view.plan else 0
        parts = [
            self._hatch(), *self._faces(), *self._edges(), *self._labels(),
            *(self._dial(dial) if dial else []), *(self._extents(bool(dial)) if self.sizes else []),
        ]  # fmt: skip
        x, y, width, height = self._box(bool(dial))
        if self.bar:
            parts += _bar(x + 1, y + height - 1.2, self.scale)
        ident = esc(self.key)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" data-fixed="" aria-labelledby="{ident}-t {ident}-d" '
            f'width="{width:.1f}mm" height="{height:.1f}mm" viewBox="{x:.2f} {y:.2f} {width:.2f} {height:.2f}" '
            f'fill="none" stroke="currentColor" stroke-linejoin="round" stroke-linecap="round" color="currentColor">'
            f'<title id="{ident}-t">{esc(self.title)}</title><desc id="{ident}-d">{esc(self.words)}</desc>'
            + "".join(parts)
            + "</svg>"
        )

    @property
    def words(self) -> str:
        """What is seen, for those who cannot see it."""
        size = np.ptp(self.corners, axis=0) / self.scale
        text = f"Seen {self.view.words}; {size[0]:.2f} by {size[1]:.2f} mm."
        if self.gear and self.view.plan:
            way = "counter-clockwise" if self.view.axes[2][2] > 0 else "clockwise"
            text += f" The dial of {self.gear} teeth runs {way}."
        if self.marked:
            text += " Hatched: " + ", ".join(dict.fromkeys(tier_of(n) for n in self.marked)) + "."
        return text

    def _box(self, dial: bool) -> tuple[float, float, float, float]:
        low, high = self.corners.min(axis=0), self.corners.max(axis=0)
        if dial:
            edge = self.reach + DIAL
            low, high = np.minimum(low, -edge), np.maximum(high, edge)
        right, below = (10.0, 7.0) if self.sizes else (1.0, 1.0)
        if self.levels and not self.view.plan:
            right += 12.0
        low = low - 1.0
        high = high + np.array([right, below + (5.5 if self.bar else 0.0)])
        return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])

    def _hatch(self) -> str:
        if not self.marked:
            return ""
        return (
            f'<defs><pattern id="{esc(self.key)}-h" width="1.3" height="1.3" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><rect width="1.3" height="1.3" fill="{MARKED}" fill-opacity="0.35" '
            'stroke="none"/><path d="M0 0V1.3" stroke-width="0.3"/></pattern></defs>'
        )

    def _seen(self) -> list[int]:
        return [i for i, c in enumerate(self.facing) if c > FACING]

    @property
    def _stacked(self) -> bool:
        """Whether one lobe may hide the other: a heart seen from aside."""
        return len(self.solid.parts) > 1 and not self.view.plan

    def _faces(self) -> list[str]:
        """Paper under what is seen and hatching on what is marked.

        Of two lobes seen from aside the far one first, with its edges, so that the near one hides them.
        """
        marked, order, line = set(self.marked), self._seen(), "none"
        if self._stacked:
            line = "currentColor"
            first = len(self.solid.parts[0].names) - 1
            far = [
                float(part.vertices.mean(axis=0) @ self.view.axes[2]) for part in self.solid.parts
            ]
            order.sort(key=lambda i: far[0] if i < first else far[1])
        found = []
        for i in order:
            outline = svg_path(self.corners[self.solid.polygons[i]])
            found.append(
                f'<path d="{outline}" style="fill:var(--paper,#fff)" stroke="{line}" stroke-width="{THIN}"/>'
            )
            if self.solid.names[i] in marked:
                found.append(
                    f'<path d="{outline}" style="fill:url(#{esc(self.key)}-h)" stroke="{line}" stroke-width="{THIN}"/>'
                )
        return found

    def _edges(self) -> list[str]:
        """Edges between two facets that face the eye thin, outlines thick, hidden ones dashed."""
        if self._stacked:
            rim = self.solid.silhouette(*self.view.axes[:2]) * self.scale * [1.0, -1.0]
            return [f'<path class="thick" d="{svg_path(rim)}" stroke-width="{THICK}"/>']
        sides: dict[tuple[int, int], list[int]] = {}
        for i, polygon in enumerate(self.solid.polygons):
            for a, b in zip(polygon, np.roll(polygon, -1), strict=True):
                sides.setdefault((min(int(a), int(b)), max(int(a), int(b))), []).append(i)
        layers: dict[str, list[str]] = {"hidden": [], "thin": [], "thick": []}
        for (a, b), mates in sides.items():
            seen = [self.facing[i] > FACING for i in mates]
            # a wall between lobes that runs through one facet is no edge
            if len({self.solid.names[i] for i in mates}) == 1 and len(mates) > 1:
                continue
            layer = "thin" if all(seen) else "thick" if any(seen) else "hidden"
            layers[layer].append(svg_path(self.corners[[a, b]], closed=False))
        if not self.hidden:
            layers["hidden"] = []
        style = {
            "hidden": f'stroke-width="{FINE}" stroke-dasharray="1 0.8" stroke-opacity="0.8"',
            "thin": f'stroke-width="{THIN}"',
            "thick": f'stroke-width="{THICK}"',
        }
        return [
            f'<path class="{layer}" d="{"".join(lines)}" {style[layer]}/>'
            for layer, lines in layers.items()
            if lines
        ]

    def _labels(self) -> list[str]:
        """One name for each label, in the facet that has most room for it."""
        best: dict[str, tuple[float, float, Floats]] = {}
        for i in self._seen():
            tier = tier_of(self.solid.names[i])
            text = tier if self.names is None else self.names.get(self.solid.names[i], "")
            if not text or self._stacked:
                continue
            polygon = self.corners[self.solid.polygons[i]]
            middle, height = _room(polygon, len(text))
            # facets towards the reader, low and left of the middle, where there is a choice
            rank = round(height, 1) + 1e-3 * float(middle[1]) - 1e-4 * abs(float(middle[0]))
            if text not in best or rank > best[text][0]:
                best[text] = (rank, height, middle)
        found = []
        for text, (_, height, (x, y)) in best.items():
            if height >= FITS * LETTER:
                found.append(_text(x, y, text, LETTER, halo=True))
        return found

    def _dial(self, gear: int) -> list[str]:
        """Teeth and numbers around the stone; 0 and the quarters are bold."""
        found, ticks = [], []
        inner = self.reach
        each = 1 if gear <= 120 else math.ceil(gear / 120)
        label = next(k for k in range(1, gear + 1) if gear % k == 0 and gear // k <= 16)
        for tooth in range(0, gear, each):
            direction = self._towards(tooth, gear)
            length = RING if tooth % label == 0 else RING / 2
            ticks.append(
                svg_path(np.array([direction * inner, direction * (inner + length)]), closed=False)
            )
        for tooth in range(0, gear, label):
            x, y = self._towards(tooth, gear) * (inner + RING + 2.6)
            bold = (4 * tooth) % gear == 0
            found.append(_text(x, y, f"{tooth}", LETTER, bold=bold))
        for place in self.positions:
            x, y = self._towards(place, gear) * (inner - 0.1)
            turn = math.degrees(math.atan2(y, x))
            found.append(
                f'<path d="M0 0L2 -0.8V0.8Z" transform="translate({x:.2f} {y:.2f}) rotate({turn:.1f})" '
                'fill="currentColor" stroke="none"/>'
            )
        ring = f'<circle r="{inner:.2f}" stroke-width="{FINE}"/>'
        return [ring, f'<path d="{"".join(ticks)}" stroke-width="{FINE}"/>', *found]

    def _towards(self, place: float, gear: int) -> Floats:
        turn = 2 * math.pi * place / gear
        flat = self.view.axes[:2] @ np.array([math.cos(turn), math.sin(turn), 0.0])
        return np.asarray(flat * [1.0, -1.0])

    def _extents(self, dial: bool) -> list[str]:
        low, high = self.corners.min(axis=0), self.corners.max(axis=0)
        edge = self.reach + DIAL - 1 if dial else 0.0
        below, aside = max(high[1] + 2.5, edge), max(high[0] + 2.5, edge)
        size = (high - low) / self.scale
        found = [
            *_measure(
                np.array([low[0], below]), np.array([high[0], below]), f"{shown(size[0], 2)}"
            ),
            *_measure(
                np.array([aside, low[1]]), np.array([aside, high[1]]), f"{shown(size[1], 2)}"
            ),
        ]
        if self.levels and not self.view.plan:
            heights = sorted(self.levels, reverse=True)
            for upper, lower in pairwise(heights):
                ends = np.array(
                    [[aside + 11.0, -upper * self.scale], [aside + 11.0, -lower * self.scale]]
                )
                found += _measure(ends[0], ends[1], shown(upper - lower, 2))
                found.append(
                    f'<path d="M{high[0] + 1:.2f} {-lower * self.scale:.2f}H{aside + 12:.2f}" '
                    f'stroke-width="{FINE}" stroke-dasharray="0.3 0.9"/>'
                )
        return found


def svg_path(points: Floats, closed: bool = True) -> str:
    """What an SVG path's d says of a line through points (n, 2)."""
    lines = "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    return f"M{lines}{'Z' if closed else ''}"


def _text(
    x: float, y: float, text: str, height: float, *, bold: bool = False, halo: bool = False,
    turn: float = 0.0, anchor: str = "middle",
) -> str:  # fmt: skip
    weight = ' font-weight="700"' if bold else ""
    around = (
        ' style="paint-order:stroke;stroke:var(--paper,#fff);stroke-width:0.7"'
        if halo
        else ' stroke="none"'
    )
    place = f"translate({x:.2f} {y:.2f})" + (f" rotate({turn:g})" if turn else "")
    return (
        f'<text transform="{place}" font-size="{height:.2f}" text-anchor="{anchor}" dy="0.36em" '
        f'fill="currentColor"{weight}{around}>{esc(text)}</text>'
    )


def _room(polygon: Floats, letters: int) -> tuple[Floats, float]:
    """Where in a polygon (k, 2) a text fits best, and how high its letters may be there."""
    middle = polygon.mean(axis=0)
    ahead = np.roll(polygon, -1, axis=0) - polygon
    length = np.linalg.norm(ahead, axis=1)
    keep = length > 1e-6
    normal = np.column_stack([ahead[keep][:, 1], -ahead[keep][:, 0]]) / length[keep][:, None]
    gap = ((polygon[keep] - middle) * normal).sum(axis=1)
    if gap.min() < 0:
        normal, gap = -normal, -gap
    # a box of half height h / 2 and half width letters * WIDE * h / 2 touches the nearest side
    need = np.abs(normal) @ np.array([max(letters, 1) * WIDE / 2, 0.5])
    return middle, float((np.abs(gap) / need).min())


def _measure(start: Floats, end: Floats, text: str) -> list[str]:
    """A line with an arrow at each end and its length beside it."""
    along = end - start
    length = float(np.linalg.norm(along))
    along = along / length if length else along
    across = np.array([-along[1], along[0]])
    head = min(1.4, length / 3)
    tips = [
        svg_path(np.array([p + sign * along * head + across * 0.4 * head, p, p + sign * along * head - across * 0.4 * head]), closed=False)
        for p, sign in ((start, 1.0), (end, -1.0))
    ]  # fmt: skip
    middle = (start + end) / 2
    level = abs(along[0]) > abs(along[1])
    where = (middle[0], middle[1] + 2.7) if level else (middle[0] + 1.0, middle[1])
    return [
        f'<path d="{svg_path(np.array([start, end]), closed=False)}{"".join(tips)}" stroke-width="{FINE}"/>',
        _text(where[0], where[1], text, LETTER, anchor="middle" if level else "start"),
    ]


def _bar(x: float, y: float, scale: float) -> list[str]:
    """One millimetre (or five) of the stone, whatever the size of the print."""
    mm = 1 if scale >= 4 else 5
    line = f"M{x:.2f} {y - 0.7:.2f}v0.7h{mm * scale:.2f}v-0.7"
    return [
        f'<path d="{line}" stroke-width="{THIN}"/>',
        _text(x + mm * scale + 1, y - 0.5, f"{mm} mm", LETTER, anchor="start"),
    ]
