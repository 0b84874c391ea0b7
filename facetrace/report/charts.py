"""Charts as vector drawings whose marks carry the JSON pointers of what they stand for.

An ``svg`` says how values become places: ``data-x`` and ``data-y`` hold slope and start, place = slope value + start.
A mark is moved to its place by ``transform`` and names its values by ``data-x-at`` and ``data-y-at``; a line names two
lists by ``data-xs-at`` and ``data-ys-at``. The tests do the sums again from the page alone.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.ticker import MaxNLocator

from facetrace.report.html import Figures, esc

# the drawing's own units; it scales to the page
WIDTH, HEIGHT = 480.0, 330.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 12.0, 12.0, 52.0
# marks differ in form as well as in colour
FORMS = {
    "dot": '<circle r="3"/>',
    "ring": '<circle r="5" fill="none" stroke-width="2"/>',
    "square": '<rect x="-6" y="-6" width="12" height="12" stroke="currentColor"/>',
    "star": '<path d="M0-10 2.6-3.4 9.5-3.1 4.1 1.2 5.9 8 0 4.2-5.9 8-4.1 1.2-9.5-3.1-2.6-3.4Z" stroke="currentColor"/>',
}
SLACK = 0.06


@dataclass(frozen=True)
class Series:
    """Values by their pointers. form: a key of FORMS, or line or dashes for two lists.

    x, y: pointers of numbers, or one pointer each of a list; error: of standard errors of y; colour: 1 to 6
    of the page's, 0 for ink.
    """

    name: str
    form: str
    colour: int
    x: Sequence[str]
    y: Sequence[str]
    error: Sequence[str] = ()
    joined: bool = False


@dataclass(frozen=True)
class Scale:
    """What an axis shows: its label, and what values are multiplied by; low and high: at least shown."""

    label: str
    times: float = 1.0
    low: float = math.inf
    high: float = -math.inf
    tight: bool = False


@dataclass(frozen=True)
class _Axis:
    scale: Scale
    low: float
    high: float
    start: float
    end: float

    @property
    def slope(self) -> float:
        return (self.end - self.start) / (self.high - self.low)

    def at(self, value: float) -> float:
        """Place of a value (as the document has it)."""
        return self.start + (value * self.scale.times - self.low) * self.slope

    @property
    def sums(self) -> str:
        return f"{self.slope * self.scale.times:.9g} {self.start - self.low * self.slope:.9g}"


def _axis(values: Sequence[float], scale: Scale, start: float, end: float) -> _Axis:
    shown = [v * scale.times for v in values]
    low, high = min([*shown, scale.low]), max([*shown, scale.high])
    room = 0.0 if scale.tight else SLACK * (high - low)
    if high - low < 1e-9 * max(1.0, abs(high)):
        room = max(0.5, 0.05 * abs(high))
    return _Axis(scale, low - room, high + room, start, end)


def _values(figures: Figures, pointers: Sequence[str]) -> list[float]:
    values: list[float] = []
    for pointer in pointers:
        value = figures.at(pointer)
        values += [float(v) for v in value] if isinstance(value, list) else [float(value)]
    return values


def chart(
    figures: Figures, series: Sequence[Series], x: Scale, y: Scale, title: str, says: str, under: str = "",
) -> str:  # fmt: skip
    """The chart as SVG. *title*: its name; *says*: what it shows, for those who do not see it; *under*: SVG beneath the marks."""
    xs = _axis([v for s in series for v in _values(figures, s.x)], x, LEFT, WIDTH - RIGHT)
    reach = [v for s in series for v in _reach(figures, s)]
    ys = _axis(reach, y, HEIGHT - BOTTOM, TOP)
    marks = "".join(_drawn(figures, s, xs, ys) for s in series)
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" height="{HEIGHT:g}" role="img" data-x="{xs.sums}" data-y="{ys.sums}">'
        f"<title>{esc(title)}</title><desc>{esc(says)}</desc>{_grid(xs, ys)}{under}{marks}</svg>{_legend(series)}"
    )


def _reach(figures: Figures, series: Series) -> list[float]:
    values = _values(figures, series.y)
    errors = _values(figures, series.error) or [0.0] * len(values)
    return [v + s * e for v, e in zip(values, errors, strict=True) for s in (-1, 1)]


def _paint(series: Series) -> str:
    return "currentColor" if series.colour == 0 else f"var(--c{series.colour})"


def _drawn(figures: Figures, series: Series, xs: _Axis, ys: _Axis) -> str:
    paint = _paint(series)
    if series.form in ("line", "dashes"):
        points = zip(_values(figures, series.x), _values(figures, series.y), strict=True)
        places = " ".join(f"{xs.at(u):.2f},{ys.at(v):.2f}" for u, v in points)
        dash = ' stroke-dasharray="7 4"' if series.form == "dashes" else ""
        return (
            f'<polyline fill="none" stroke="{paint}" stroke-width="2"{dash} points="{places}" '
            f'data-xs-at="{esc(series.x[0])}" data-ys-at="{esc(series.y[0])}"/>'
        )
    marks = []
    if series.joined:
        pairs = zip(_values(figures, series.x), _values(figures, series.y), strict=True)
        places = " ".join(f"{xs.at(u):.2f},{ys.at(v):.2f}" for u, v in sorted(pairs))
        marks.append(
            f'<polyline fill="none" stroke="{paint}" stroke-width="1.5" points="{places}"/>'
        )
    errors = list(series.error) or [""] * len(series.x)
    for at_x, at_y, at_error in zip(series.x, series.y, errors, strict=True):
        u, v = float(figures.at(at_x)), float(figures.at(at_y))
        bar = ""
        if at_error:
            half = abs(float(figures.at(at_error)) * ys.slope * ys.scale.times)
            bar = f'<path d="M0-{half:.2f}V{half:.2f}" stroke="{paint}" fill="none"/>'
        marks.append(
            f'<g transform="translate({xs.at(u):.2f} {ys.at(v):.2f})" fill="{paint}" stroke="{paint}" stroke-width="1" '
            f'data-x-at="{esc(at_x)}" data-y-at="{esc(at_y)}">{bar}{FORMS[series.form]}</g>'
        )
    return "".join(marks)


def _grid(xs: _Axis, ys: _Axis) -> str:
    lines = []
    for tick in _ticks(xs):
        place = xs.start + (tick - xs.low) * xs.slope
        lines.append(
            f'<path class="rule" d="M{place:.2f} {TOP:g}V{HEIGHT - BOTTOM:g}"/>'
            f'<text x="{place:.2f}" y="{HEIGHT - BOTTOM + 18:g}" text-anchor="middle" data-fixed>{_tick(tick)}</text>'
        )
    for tick in _ticks(ys):
        place = ys.start + (tick - ys.low) * ys.slope
        lines.append(
            f'<path class="rule" d="M{LEFT:g} {place:.2f}H{WIDTH - RIGHT:g}"/>'
            f'<text x="{LEFT - 8:g}" y="{place + 4:.2f}" text-anchor="end" data-fixed>{_tick(tick)}</text>'
        )
    middle = (TOP + HEIGHT - BOTTOM) / 2
    return "".join(lines) + (
        f'<text x="{(LEFT + WIDTH - RIGHT) / 2:g}" y="{HEIGHT - 10:g}" text-anchor="middle" data-fixed>{esc(xs.scale.label)}</text>'
        f'<text transform="translate(16 {middle:g}) rotate(-90)" text-anchor="middle" data-fixed>{esc(ys.scale.label)}</text>'
    )


def _ticks(axis: _Axis) -> list[float]:
    ticks = MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]).tick_values(axis.low, axis.high)
    return [float(t) for t in ticks if axis.low - 1e-12 <= t <= axis.high + 1e-12]


def _tick(value: float) -> str:
    return f"{round(value, 9) + 0.0:g}".replace("-", "\N{MINUS SIGN}")


def _legend(series: Sequence[Series]) -> str:
    """Names under the chart, each with its mark."""
    items = []
    for s in series:
        if s.form in ("line", "dashes"):
            dash = ' stroke-dasharray="7 4"' if s.form == "dashes" else ""
            mark = f'<path d="M0 10H28" stroke="{_paint(s)}" stroke-width="2"{dash}/>'
        else:
            mark = f'<g transform="translate(14 10)" fill="{_paint(s)}" stroke="{_paint(s)}">{FORMS[s.form]}</g>'
        items.append(
            f'<li><svg width="28" height="20" viewBox="0 0 28 20" aria-hidden="true">{mark}</svg> <span>{s.name}</span></li>'
        )
    return f'<ul class="legend">{"".join(items)}</ul>'
