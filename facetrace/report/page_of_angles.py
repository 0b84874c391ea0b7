"""Section of a page on a sweep: light against weight, and the advice."""

from typing import Any

from facetrace.report.charts import Scale, Series, chart
from facetrace.report.html import (
    Figures,
    esc,
    figure,
    listed,
    paragraph,
    pointer_part,
    section,
    table,
)
from facetrace.report.page_pictures import Pictures


def trade_off(f: Figures, pictures: Pictures) -> str:
    """Candidates of a sweep: light against weight, and the advice."""
    at = "/angles"
    if not f.has(at):
        return ""
    key = "carats" if f.at(f"{at}/carats") is None else "face_mm2"
    rows = f.at(f"{at}/rows")
    made = [k for k, row in enumerate(rows) if "light_return" in row]
    chosen, own = f.at(f"{at}/recommendation/row"), f.at(f"{at}/as_it_stands")

    def series(name: str, form: str, hue: int, which: list[int], **more: Any) -> Series:
        return Series(
            name, form, hue, [f"{at}/rows/{k}/{key}" for k in which], [f"{at}/rows/{k}/light_return/value" for k in which], **more,
        )  # fmt: skip

    errors = [f"{at}/rows/{k}/light_return/stderr" for k in made]
    shown = [
        series("candidates, with standard errors", "dot", 6, made, error=errors),
        series("front: no other has more of both", "ring", 1, f.at(f"{at}/front"), joined=True),
        series("the design as it stands", "square", 5, [own]),
        series(f"recommended: {_values(f, chosen)}", "star", 2, [chosen]),
    ]
    label = "weight, ct" if key == "carats" else "size face up, mm\N{SUPERSCRIPT TWO}"
    drawn = chart(
        f, shown, Scale(label), Scale("light returned, % of all light", times=100),
        "Light against weight", "Each mark is a candidate: to the right heavier, upwards more light returned.",
    )  # fmt: skip
    coarse = ""
    if f.has("/report/about") and f.at("/report/about") == "design":
        coarse = paragraph(
            "Tried coarsely, to see which way it goes; finer: facetrace angles, with its own table.",
            "soft",
        )
    varied = listed(
        f"{f.words(f'{at}/varied/{k}/name')} from {_plain(f, f'{at}/varied/{k}/from')} to {_plain(f, f'{at}/varied/{k}/to')} by {_plain(f, f'{at}/varied/{k}/step')}"
        for k in range(len(f.at(f"{at}/varied")))
    )
    advice = paragraph(f.words(f"{at}/recommendation/advice"), "lead")
    cautions = listed(
        f.words(f"{at}/recommendation/cautions/{k}")
        for k in range(len(f.at(f"{at}/recommendation/cautions")))
    )
    return section(
        "trade", "Light against weight", advice, coarse, cautions, figure(drawn, f"Varied: {varied}"), _rows(f, key)
    )  # fmt: skip


def _plain(f: Figures, pointer: str) -> str:
    value = float(f.at(pointer))
    digits = next((d for d in range(7) if abs(value - round(value, d)) < 1e-9), 6)
    return f.number(pointer, digits)


def _values(f: Figures, row: int) -> str:
    values = f.at(f"/angles/rows/{row}/values")
    return ", ".join(
        f"{esc(name)} {_plain(f, f'/angles/rows/{row}/values/{pointer_part(name)}')}"
        for name in values
    )


def _rows(f: Figures, key: str) -> str:
    """The front, the best for each wish and the design itself."""
    best: dict[str, int] = f.at("/angles/best")
    own = f.at("/angles/as_it_stands")
    numbers = sorted({own, *best.values(), *f.at("/angles/front")}, key=lambda k: float(f.at(f"/angles/rows/{k}/{key}")))  # fmt: skip
    lines = []
    for k in numbers:
        at = f"/angles/rows/{k}"
        marks = [*(["as it stands"] if k == own else []), *(w for w, n in best.items() if n == k)]
        tilt = (
            f.number(f"{at}/tilt_deg/value", 1) if f.has(f"{at}/tilt_deg") else f"more than {f.number('/angles/tilt_limit_deg', 0)}"
        )  # fmt: skip
        lines.append(
            (
                _values(f, k) + (f" <b>{esc(', '.join(marks))}</b>" if marks else ""),
                f.number(f"{at}/{key}", 3),
                f.estimate(f"{at}/light_return", times=100),
                f.estimate(f"{at}/window", times=100),
                f.estimate(f"{at}/extinction", times=100),
                tilt,
            )
        )
    size = "ct" if key == "carats" else "mm\N{SUPERSCRIPT TWO} face up"
    rows = table(
        "The front, the best for each wish, and the design as it stands; windows at: the tilt at which the clear stone's window passes the limit",
        ("", size, "light, %", "window, %", "extinction, %", "windows at, degrees"),
        lines,
        "numbers",
    )
    return f"<details><summary>The candidates on the front</summary>{rows}</details>"
