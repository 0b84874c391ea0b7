"""The tables of facetrace plan."""

from collections.abc import Sequence

from rich.table import Table

from facetrace.results.plan_words import short_name
from facetrace.studies.answer import Answer, value_of
from facetrace.studies.directions import BANDS
from facetrace.studies.placed_stone import PlacedStone
from facetrace.studies.price import plain
from facetrace.studies.value import Bid, Worth

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


def _looks(stone: PlacedStone) -> list[str]:
    return [f"{stone.figures[n].value * factor:.{digits}f}" for n, factor, digits in LOOKS]


def tables(answer: Answer) -> list[Table]:
    """Weight, looks, directions, pieces, and value where prices are known."""
    whole = answer.room.carats
    weights = _with_heads(
        f"plans for {answer.room.rough.name}, {whole:.2f} ct", ("", "design"),
        ("ct", "low - high", "yield %", "to c", "size, mm"),
    )  # fmt: skip
    looks = _with_heads("face up, colour from within", ("", "design"), LOOK_HEADS)
    named = [(str(k), plan.stone) for k, plan in enumerate(answer.plans, start=1)]
    pieces = answer.pieces.sawn.stones if answer.pieces else ()
    named += [(f"p{k}", stone) for k, stone in enumerate(pieces, start=1)]
    for mark, stone in named:
        weights.add_row(
            mark, short_name(stone), f"{stone.carats:.2f}", f"{stone.low_carats:.2f} - {stone.high_carats:.2f}",
            f"{100 * stone.carats / whole:.1f}", f"{stone.table_to_c:.1f}", "x".join(f"{mm:.1f}" for mm in stone.size_mm),
        )  # fmt: skip
        looks.add_row(mark, short_name(stone), *_looks(stone))
    looks.add_section()
    errors = (
        f"{factor * max((s.figures[n].stderr for _, s in named), default=0.0):.{digits + 1}f}"
        for n, factor, digits in LOOKS
    )
    looks.add_row("", "std. error, most", *errors)
    found = [weights, looks] if named else []
    found += [_directions(answer)] if answer.directions else []
    return found + ([_values(answer)] if answer.prices and answer.plans and not answer.found_little else [])  # fmt: skip


def _directions(answer: Answer) -> Table:
    """One design with the table square to c, tilted, and along c."""
    assert answer.chosen is not None
    value = ["value"] if answer.prices else []
    table = _with_heads(
        f"what a direction of the table costs, {answer.chosen.stone.design}", ("table",),
        ("to c, deg", "ct", "yield %", "light %", "L*", "C*", "h", *value),
    )  # fmt: skip
    for direction in answer.directions:
        low, high = BANDS[direction.name]
        if direction.found is None:
            table.add_row(direction.name, f"{low:g}-{high:g}", "none found")
            continue
        stone = direction.found.stone
        cells = [f"{stone.figures['light_return'].value * 100:.1f}"]
        cells += [f"{stone.figures[n].value:.0f}" for n in ("lightness", "chroma", "hue_deg")]
        if direction.found.worth:
            cells.append(plain(value_of(direction.found)))
        table.add_row(
            direction.name, f"{low:g}-{high:g}: {stone.table_to_c:.0f}", f"{stone.carats:.2f}",
            f"{100 * stone.carats / answer.room.carats:.1f}", *cells,
        )  # fmt: skip
    return table


def _values(answer: Answer) -> Table:
    assert answer.prices is not None
    table = _with_heads(
        f"value in {answer.prices.currency}, {answer.prices.name}", (), ("",)
    )  # fmt: skip
    for name in ("design", "expected", "low - high", "by ct", "bid"):
        table.add_column(name, justify="left" if name == "design" else "right", no_wrap=True)
    priced: list[tuple[str, str, Worth, Bid]] = []
    for k, plan in enumerate(answer.plans, start=1):
        if plan.worth and plan.bid:
            priced.append((short_name(plan.stone), str(k), plan.worth, plan.bid))
    pieces = answer.pieces
    if pieces and pieces.worth and pieces.bid:
        priced.append((f"{len(pieces.stones)} pieces", "-", pieces.worth, pieces.bid))
    priced.sort(key=lambda p: -p[2].expected.value)
    for rank, (name, by_carats, of, bid) in enumerate(priced, start=1):
        low, high = plain(of.low.value), plain(of.high.value)
        limit = plain(bid.limit.value) if bid.limit.value > 0 else "do not buy"
        expected = f"{plain(of.expected.value)} +- {plain(of.expected.stderr)}"
        table.add_row(str(rank), name, expected, f"{low} - {high}", by_carats, limit)
    return table
