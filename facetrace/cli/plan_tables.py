"""The tables of facetrace plan."""

from collections.abc import Mapping, Sequence

from rich.table import Table

from facetrace.common.ledger import Cell
from facetrace.results.plan_words import short_name
from facetrace.studies.answer import Answer
from facetrace.studies.directions import BANDS
from facetrace.studies.plan import table_to_c
from facetrace.studies.price import plain
from facetrace.studies.rows import number

# columns of how a stone looks: figure, factor, digits
LOOKS = (
    ("light_return", 100, 1), ("window", 100, 1), ("zone", 100, 1), ("lightness", 1, 0),
    ("chroma", 1, 0), ("hue_deg", 1, 0),
)  # fmt: skip
LOOK_HEADS = ("light %", "window %", "zone %", "L*", "C*", "h")


def _with_heads(title: str, left: Sequence[str], right: Sequence[str]) -> Table:
    table = Table(title=title, title_justify="left")
    for name in left:
        table.add_column(name, no_wrap=True)
    for name in right:
        table.add_column(name, justify="right", no_wrap=True)
    return table


def _looks(row: Mapping[str, Cell]) -> list[str]:
    return [f"{number(row, n) * factor:.{digits}f}" for n, factor, digits in LOOKS]


def tables(answer: Answer) -> list[Table]:
    """Weight, looks, directions, pieces, and value where prices are known."""
    weights = _with_heads(
        f"plans for {answer.room.rough.name}, {answer.room.carats:.2f} ct", ("", "design"),
        ("ct", "low - high", "yield %", "to c", "size, mm"),
    )  # fmt: skip
    looks = _with_heads("face up, colour from within", ("", "design"), LOOK_HEADS)
    named = [(str(k), row) for k, row in enumerate(answer.plans, start=1)]
    pieces = answer.pieces.sawn.rows if answer.pieces else ()
    named += [(f"p{k}", row) for k, row in enumerate(pieces, start=1)]
    for mark, row in named:
        carats = number(row, "carats")
        size = "x".join(f"{number(row, n):.1f}" for n in ("length_mm", "width_mm", "depth_mm"))
        weights.add_row(
            mark, short_name(row), f"{carats:.2f}", f"{number(row, 'low_carats'):.2f} - {number(row, 'high_carats'):.2f}",
            f"{100 * carats / answer.room.carats:.1f}", f"{table_to_c(row):.1f}", size,
        )  # fmt: skip
        looks.add_row(mark, short_name(row), *_looks(row))
    looks.add_section()
    errors = (
        f"{factor * max((number(r, f'{n}_stderr') for _, r in named), default=0.0):.{digits + 1}f}"
        for n, factor, digits in LOOKS
    )
    looks.add_row("", "std. error, most", *errors)
    found = [weights, looks] if named else []
    found += [_directions(answer)] if answer.directions else []
    return found + ([_values(answer)] if answer.worths and not answer.found_little else [])


def _directions(answer: Answer) -> Table:
    """One design with the table square to c, tilted, and along c."""
    best = answer.plans[answer.best]
    heads = [
        "to c, deg",
        "ct",
        "yield %",
        "light %",
        "L*",
        "C*",
        "h",
        *(["value"] if answer.prices else []),
    ]
    table = _with_heads(f"what a direction of the table costs, {best['design']}", ("table",), heads)
    for direction in answer.directions:
        low, high = BANDS[direction.name]
        row = direction.row
        if row is None:
            table.add_row(direction.name, f"{low:g}-{high:g}", "none found")
            continue
        carats = number(row, "carats")
        cells = [f"{number(row, 'light_return') * 100:.1f}"]
        cells += [f"{number(row, n):.0f}" for n in ("lightness", "chroma", "hue_deg")]
        if direction.worth:
            cells.append(plain(direction.worth[0].expected.value))
        table.add_row(
            direction.name, f"{low:g}-{high:g}: {table_to_c(row):.0f}", f"{carats:.2f}",
            f"{100 * carats / answer.room.carats:.1f}", *cells,
        )  # fmt: skip
    return table


def _values(answer: Answer) -> Table:
    assert answer.prices is not None
    table = _with_heads(
        f"value in {answer.prices.currency}, {answer.prices.name}", (), ("",)
    )  # fmt: skip
    for name in ("design", "expected", "low - high", "by ct", "bid"):
        table.add_column(name, justify="left" if name == "design" else "right", no_wrap=True)
    priced = [
        (short_name(row), str(k + 1), *answer.worths[k]) for k, row in enumerate(answer.plans)
    ]
    if answer.pieces and answer.pieces.together:
        priced.append((f"{len(answer.pieces.sawn.rows)} pieces", "-", *answer.pieces.together))
    priced.sort(key=lambda p: -p[2].expected.value)
    for rank, (name, by_carats, of, bid) in enumerate(priced, start=1):
        low, high = plain(of.low.value), plain(of.high.value)
        limit = plain(bid.limit.value) if bid.limit.value > 0 else "do not buy"
        expected = f"{plain(of.expected.value)} +- {plain(of.expected.stderr)}"
        table.add_row(str(rank), name, expected, f"{low} - {high}", by_carats, limit)
    return table
