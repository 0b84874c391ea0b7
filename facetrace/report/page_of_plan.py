"""Section of a page on the plans of a rough, or of each rough of a lot."""

from collections.abc import Iterable
from dataclasses import dataclass

from facetrace.report.html import Figures, listed, paragraph, rough_carats, section, table
from facetrace.report.page_pictures import Pictures, how, picture
from facetrace.report.six_views import LETTERS

PERCENT = 100.0
DEGREE, DASH = "\N{DEGREE SIGN}", "\N{EN DASH}"
NO_BID = "do not buy"
COLOUR_HEADS = ("light, %", "L*", "C*", "h")
COUNTS = {2: "Two stones from one rough", 3: "Three stones from one rough"}
LOOKS = (
    ("light_return", PERCENT), ("window", PERCENT), ("zone", PERCENT), ("lightness", 1.0), ("chroma", 1.0),
    ("hue_deg", 1.0),
)  # fmt: skip


def planned(f: Figures, pictures: Pictures) -> str:
    """What a rough may be cut to."""
    if f.has("/plan"):
        return section("plan", "What the rough keeps", *_plan(f, pictures, "/plan"))
    if not f.has("/lot"):
        return ""
    parts = [_lot_alarms(f), _lot(f, pictures), _parcel(f), _unread(f)]
    for k in range(len(f.at("/lot"))):
        told = "".join(_plan(f, {}, f"/lot/{k}"))
        parts.append(
            f"<details><summary>{_rough_name(f, k)}: all its plans</summary>{told}</details>"
        )
    return section("plan", "What the roughs keep", *parts)


@dataclass(frozen=True)
class _Best:
    """What a plan's document goes by: the best stone, or those of several pieces. name: HTML; at: its pointer."""

    name: str
    at: str
    several: bool

    @classmethod
    def of(cls, f: Figures, at: str) -> "_Best | None":
        """None where no stone was found."""
        if f.has(f"{at}/sawn") and f.at(f"{at}/sawn/first"):
            return cls(COUNTS[len(f.at(f"{at}/sawn/stones"))], f"{at}/sawn", True)
        if not f.at(f"{at}/plans"):
            return None
        here = f"{at}/plans/{f.at(f'{at}/best')}"
        return cls(_plan_name(f, here, False), here, False)

    def carats(self, f: Figures) -> str:
        """Of all its stones."""
        return f.number(f"{self.at}/carats", 2)


def _lot_alarms(f: Figures) -> str:
    """What to know of single roughs before any number; what is said of several alike is said once."""
    whose: dict[str, list[str]] = {}
    for k in range(len(f.at("/lot"))):
        for text in _alarm_lines(f, f"/lot/{k}"):
            whose.setdefault(text, []).append(f"<b>{_rough_name(f, k)}</b>")
    return _caution(f"{', '.join(names)}: {text}" for text, names in whose.items())


def _lot(f: Figures, pictures: Pictures) -> str:
    """A line for each rough and one for all, and the stones face up."""
    priced = f.has("/report/sums/value")
    lines, faces = [], []
    for k, part in enumerate(f.at("/lot")):
        at = f"/lot/{k}"
        name = _over(_rough_name(f, k), rough_carats(f, f"{at}/rough"))
        best = _Best.of(f, at)
        if best is None:
            lines.append(_lot_row(priced, name, "", "none found", "", ""))
            continue
        bid, value = "little", ""
        if f.has(f"{best.at}/value") and not part["little"]:
            bid, value = _bid(f, best.at), f.number(f"{best.at}/value/expected/value", 0)
        lines.append(_lot_row(priced, name, bid, best.name, best.carats(f), value))
        for n in range(len(part["sawn"]["stones"]) if best.several else 1):
            one = f"{best.at}/stones/{n}" if best.several else best.at
            faces.append(picture(f, pictures, f"lot {k} {n}", f"{_rough_name(f, k)}: {_letter(best, n)}{f.words(f'{one}/design')}, {f.number(f'{one}/carats', 2)} ct"))  # fmt: skip
    sums = "/report/sums"
    bid, value = (f.number(f"{sums}/{n}", 0) if priced else "" for n in ("bid", "value"))
    name = _over("<b>all</b>", f"{f.number(f'{sums}/rough_carats')} ct in all")
    lines.append(_lot_row(priced, name, bid, "", f.number(f"{sums}/carats", 2), value))
    heads = _lot_row(priced, "rough", "bid at most", "best", "ct cut", "expected value")
    told = table("The lot: what each rough comes to at its best", heads, lines, "numbers")
    shown = [name for name in pictures if name.startswith("lot ")]
    under = ""
    if shown:
        under = paragraph(f"All at one scale and one exposure. {how(f, shown[0])}", "soft")
    return f'{told}<div class="grid">{"".join(faces)}</div>{under}'


def _lot_row(priced: bool, name: str, bid: str, best: str, carats: str, value: str) -> tuple[str, ...]:  # fmt: skip
    """The bid comes first: a phone shows no more than two columns without scrolling."""
    return (name, bid, best, carats, value) if priced else (name, best, carats)


def _rough_name(f: Figures, number: int) -> str:
    """What a rough of a lot is called; where another has the same name, with its file."""
    at = f"/lot/{number}/rough"
    names = [part["rough"]["name"] for part in f.at("/lot")]
    file = f" ({f.words(f'{at}/file')})" if names.count(f.at(f"{at}/name")) > 1 else ""
    return f.words(f"{at}/name") + file


def _over(name: str, below: str) -> str:
    return f'{name}<br><span class="soft">{below}</span>'


def _letter(best: _Best, number: int) -> str:
    return f"piece {LETTERS[number]}, " if best.several else ""


def _parcel(f: Figures) -> str:
    """What all roughs of a lot are worth together."""
    at = "/parcel"
    if not f.has(at):
        return ""
    units = [f.words(f"/lot/{k}/currency") for k in range(len(f.at("/lot"))) if f.has(f"/lot/{k}/currency")]  # fmt: skip
    money = f" {units[0]}" if units else ""
    bid = f"{at}/bid"
    rows = [("sum of the single bids", f"{f.number(f'{at}/sum_of_bids', 0)}{money}")]
    buy = float(f.at(f"{bid}/limit/value")) > 0
    rows.append(("bid for all roughs together, at most", f"{_bid(f, at)}{money if buy else ''}"))
    if float(f.at(f"{at}/error")) >= 1:
        rows.append(("which may be too low by", f"{f.number(f'{at}/error', 0)}{money}"))
    if f.at(f"{at}/uncut"):
        rows.append(("roughs bought, but not cut", f.number(f"{at}/uncut", 0)))
    words = listed(f.words(f"{at}/words/{k}") for k in range(len(f.at(f"{at}/words"))))
    return "".join([table("The parcel", (), rows, "numbers"), _doubted(f), words])


def _doubted(f: Figures) -> str:
    """Roughs in the sums of which something is to be found out first."""
    names = [
        _rough_name(f, k) for k, part in enumerate(f.at("/lot"))
        if part["question"] and not part["little"] and _Best.of(f, f"/lot/{k}")
    ]  # fmt: skip
    return paragraph(f"Bids and sums hold roughs of which something is to be found out first: {', '.join(names)}.") if names else ""  # fmt: skip


def _unread(f: Figures) -> str:
    """Files of a lot without a plan."""
    if not f.has("/unread") or not f.at("/unread"):
        return ""
    lines = (f"<b>{f.words(f'/unread/{k}/name')}</b>: {f.words(f'/unread/{k}/problem')}" for k in range(len(f.at("/unread"))))  # fmt: skip
    return f'<div class="caution"><p><b>Not planned</b></p>{listed(lines)}</div>'


def _plan(f: Figures, pictures: Pictures, at: str) -> list[str]:
    rows, best = f.at(f"{at}/plans"), _Best.of(f, at)
    said = (f.at(f"{at}/question"), f.at(f"{at}/placing"), *f.at(f"{at}/failed"))
    words = [f"{at}/words/{k}" for k, text in enumerate(f.at(f"{at}/words")) if text not in said]
    parts = [
        _alarms(f, at),
        _verdict(f, at, best) if best else paragraph("No stone was found.", "lead"),
        paragraph(f"The rough: {rough_carats(f, f'{at}/rough')}."),
    ]
    if any(name.startswith(("plan ", "sawn ")) for name in pictures):
        parts.append(_faces(f, pictures, at))
    if not f.at(f"{at}/little"):
        parts.append(_values(f, at))
    parts += [_weights(f, at) if rows else "", _pieces(f, at), _directions(f, at)]
    parts += [_certificates(f, at), _looks(f, at)] if best else []
    parts.append(f"<h3>In words</h3>{listed(f.words(w) for w in words)}" if words else "")
    if f.has(f"{at}/placing"):
        alone = " for the single stone" if best and best.several else ""
        parts.append(f"<h3>To mark the rough{alone}</h3>{paragraph(f.words(f'{at}/placing'))}")
    return [part for part in parts if part]


def _alarms(f: Figures, at: str) -> str:
    return _caution(_alarm_lines(f, at))


def _caution(lines: Iterable[str]) -> str:
    told = listed(lines)
    return f'<div class="caution">{told}</div>' if told else ""


def _alarm_lines(f: Figures, at: str) -> list[str]:
    """What to know before any number: a weight that is not the scan's, work that was stopped, stones that failed."""
    lines = [f.words(f"{at}/question")] if f.has(f"{at}/question") else []
    if f.at(f"{at}/stopped"):
        lines.append("The work was stopped early: heavier stones may not have been found.")
    if f.at(f"{at}/little"):
        lines.append("The search found little. That is no advice not to buy.")
    return lines + [f.words(f"{at}/failed/{k}") for k in range(len(f.at(f"{at}/failed")))]


def _verdict(f: Figures, at: str, best: _Best) -> str:
    """The best plan in one sentence: carats, value, bid."""
    if best.several:
        text = f"{best.name} keep {best.carats(f)} ct together"
    else:
        text = (
            f"{best.name} keeps {best.carats(f)} ct "
            f"({f.number(f'{best.at}/low_carats', 2)} to {f.number(f'{best.at}/high_carats', 2)})"
        )
    if f.has(f"{best.at}/value") and not f.at(f"{at}/little"):
        money = f"{f.number(f'{best.at}/value/expected/value', 0)} {f.words(f'{at}/currency')}"
        bid = _bid(f, best.at)
        text += f", worth {money} by your prices; {bid if bid == NO_BID else f'bid at most {bid}'}"
    return paragraph(f"{text}.", "lead")


def _size(f: Figures, at: str) -> str:
    sides = " \N{MULTIPLICATION SIGN} ".join(
        f.number(f"{at}/{n}", 1) for n in ("length_mm", "width_mm", "depth_mm")
    )
    return f'<span class="one">{sides}</span>'


def _range(f: Figures, at: str) -> str:
    return f'<span class="one">{f.number(f"{at}/low_carats", 2)} to {f.number(f"{at}/high_carats", 2)}</span>'


def _named(f: Figures, at: str) -> list[tuple[str, str]]:
    """(name, pointer) of each stone of a plan, the best of them bold, and of those of several pieces."""
    best = f.at(f"{at}/best")
    first = f.has(f"{at}/sawn") and f.at(f"{at}/sawn/first")
    stones = [
        (_plan_name(f, f"{at}/plans/{k}", k == best and not first), f"{at}/plans/{k}")
        for k in range(len(f.at(f"{at}/plans")))
    ]
    return stones + _of_pieces(f, at)


def _of_pieces(f: Figures, at: str) -> list[tuple[str, str]]:
    if not f.has(f"{at}/sawn"):
        return []
    here = f"{at}/sawn/stones"
    return [(f"piece {LETTERS[k]}: {f.words(f'{here}/{k}/design')}", f"{here}/{k}") for k in range(len(f.at(here)))]  # fmt: skip


def _weights(f: Figures, at: str) -> str:
    lines = []
    for k in range(len(f.at(f"{at}/plans"))):
        name, here = _named(f, at)[k]
        gap = f.number(f"{here}/gap", 2, times=PERCENT) if f.has(f"{here}/gap") else "not proven"
        lines.append((name, f.number(f"{here}/carats", 2), _range(f, here), f.number(f"{here}/table_to_c_deg", 1), _size(f, here), gap))  # fmt: skip
    heads = ("", "ct", "low to high", f"table to c, {DEGREE}", "size, mm", "could be heavier by, %")
    return table("Weights in ct", heads, lines, "numbers") + paragraph(
        "Low and high: as the scan may be off. Could be heavier: a better placing of the same design, by so much at most, as proven.", "soft"
    )  # fmt: skip


def _certificates(f: Figures, at: str) -> str:
    """How near each stone comes to the surface, to each defect that has a say, and to the saw."""
    named = _named(f, at)
    names = dict.fromkeys(d["name"] for _, here in named for d in f.at(f"{here}/checked/defects") if d["mm"] is not None)  # fmt: skip
    saw = any(f.has(f"{here}/checked/saw_mm") for _, here in named)
    lines, heads = [], ["", "under the surface"]
    spots = {
        d["name"]: f"{here}/checked/defects/{k}/name"
        for _, here in named for k, d in enumerate(f.at(f"{here}/checked/defects"))
    }  # fmt: skip
    heads += [f.words(spots[name]) for name in names] + (["off the saw cut"] if saw else [])
    for name, here in named:
        own = f"{here}/checked"
        cells = [f.number(f"{own}/surface_mm", 2) if f.has(f"{own}/surface_mm") else DASH]
        where = {d["name"]: k for k, d in enumerate(f.at(f"{own}/defects"))}
        for defect in names:
            k = where.get(defect)
            there = f"{own}/defects/{k}"
            cells.append(f"{f.words(f'{there}/lies')} {f.number(f'{there}/mm', 2)}" if k is not None and f.has(f"{there}/mm") else DASH)  # fmt: skip
        if saw:
            cells.append(f.number(f"{own}/saw_mm", 2) if f.has(f"{own}/saw_mm") else DASH)
        lines.append((name, *cells))
    triangles = f.number(f"{named[0][1]}/checked/triangles", 0)
    return table("Room around each stone, mm", heads, lines, "numbers") + paragraph(
        f"The least distances: each stone was checked on all {triangles} triangles of the rough and on the defects as the rough file has them, by "
        "code that the search does not use.", "soft",
    )  # fmt: skip


def _pieces(f: Figures, at: str) -> str:
    """The stones of several pieces, each a row."""
    pieces = _of_pieces(f, at)
    if not pieces:
        return ""
    here = f"{at}/sawn"
    priced = f.has(f"{here}/value")
    lines = []
    for name, stone in pieces:
        money = (_money(f, f"{stone}/value/expected/value"),) if priced else ()
        lines.append((name, f.number(f"{stone}/carats", 2), _range(f, stone), f.number(f"{stone}/table_to_c_deg", 1), _size(f, stone), *_colour(f, stone), *money))  # fmt: skip
    blank = [""] * (3 + len(COLOUR_HEADS))
    all_money = (_money(f, f"{here}/value/expected/value"),) if priced else ()
    lines.append(("<b>together</b>", f.number(f"{here}/carats", 2), *blank, *all_money))
    cuts = len(f.at(f"{here}/cuts"))
    heads = ("", "ct", "low to high", f"table to c, {DEGREE}", "size, mm", *COLOUR_HEADS, *(("expected value",) if priced else ()))  # fmt: skip
    title = f"{COUNTS[len(pieces)]}, by {'one saw cut' if cuts == 1 else 'two saw cuts'}"
    told = table(f"{title}: weight and colour of each", heads, lines, "numbers")
    return f"<h3>{title}</h3>{told}{paragraph('Piece A is what stone A is cut from, and so on: the marking sheet shows where. Carats and sizes are those of the stones.', 'soft')}"  # fmt: skip


def _directions(f: Figures, at: str) -> str:
    """What the best plan's design comes to with its table in other directions."""
    here = f"{at}/directions"
    bands = f.at(here)
    if not bands:
        return ""
    priced = any(d["stone"] and "value" in d["stone"] for d in bands)
    lines = []
    for k, direction in enumerate(bands):
        low, high = (f.number(f"{here}/{k}/table_to_c_deg/{n}", 0) for n in (0, 1))
        name = f'{f.words(f"{here}/{k}/name")} <span class="one">({low} to {high}{DEGREE})</span>'
        stone = f"{here}/{k}/stone"
        if direction["stone"] is None:
            lines.append((name, "none found", *[""] * (1 + len(COLOUR_HEADS) + priced)))
            continue
        money = (_money(f, f"{stone}/value/expected/value"),) if priced else ()
        lines.append((name, f.number(f"{stone}/carats", 2), f.number(f"{stone}/table_to_c_deg", 0), *_colour(f, stone), *money))  # fmt: skip
    heads = ("table", "ct", f"to c, {DEGREE}", *COLOUR_HEADS, *(("expected value",) if priced else ()))  # fmt: skip
    return f"<h3>What a direction of the table costs or brings</h3>{table('The same design with its table in other directions to c', heads, lines, 'numbers')}"  # fmt: skip


def _values(f: Figures, at: str) -> str:
    """Value and bid of each plan and of the pieces."""
    lines = [
        (name, *_worth(f, here)) for name, here in _named(f, at)[: len(f.at(f"{at}/plans"))] if f.has(f"{here}/value")
    ]  # fmt: skip
    sawn = f"{at}/sawn"
    if f.has(f"{sawn}/value"):
        name = COUNTS[len(f.at(f"{sawn}/stones"))]
        name = f"<b>{name}</b> (best)" if f.at(f"{sawn}/first") else name
        lines.append((name, *_worth(f, sawn)))
    if not lines:
        return ""
    told = table("Value by your own prices, and what to bid at most", ("", "bid at most", "expected", "low", "high"), lines, "numbers")  # fmt: skip
    return told + paragraph(f"In {f.words(f'{at}/currency')}. An estimate, not an appraisal.", "soft")  # fmt: skip


def _worth(f: Figures, at: str) -> tuple[str, ...]:
    return (_bid(f, at), *(_money(f, f"{at}/value/{key}/value") for key in ("expected", "low", "high")))  # fmt: skip


def _faces(f: Figures, pictures: Pictures, at: str) -> str:
    """The stones face up, at one scale."""
    shown = [(f"plan {k}", *_named(f, at)[k]) for k in range(len(f.at(f"{at}/plans")))]
    shown += [(f"sawn {k}", *stone) for k, stone in enumerate(_of_pieces(f, at))]
    drawn = "".join(picture(f, pictures, ident, f"{name}, {f.number(f'{here}/carats', 2)} ct") for ident, name, here in shown)  # fmt: skip
    under = paragraph(f"All at one scale and one exposure. {how(f, shown[0][0])}", "soft")
    return f'<h3>Face up</h3><div class="grid">{drawn}</div>{under}'


def _looks(f: Figures, at: str) -> str:
    lines = [
        (name, *(f.estimate(f"{here}/figures/{key}", times=times) for key, times in LOOKS)) for name, here in _named(f, at)
    ]  # fmt: skip
    heads = ("", "light, %", "window, %", "zone, %", "L*", "C*", "h")
    return table("How they look face up", heads, lines, "numbers") + paragraph(
        "Colour is that from within. Zone: share of the face where zones show. Standard errors beside the figures.", "soft"
    )  # fmt: skip


def _colour(f: Figures, at: str) -> tuple[str, ...]:
    """Light and colour of a stone without their errors, as COLOUR_HEADS."""
    own = f"{at}/figures"
    return (
        f.number(f"{own}/light_return/value", 1, times=PERCENT),
        *(f.number(f"{own}/{key}/value", 0) for key in ("lightness", "chroma", "hue_deg")),
    )


def _plan_name(f: Figures, at: str, best: bool) -> str:
    name = f.words(f"{at}/design")
    if f.at(f"{at}/kind") == "zone hidden":
        name += " with its zones hidden"
    return f"<b>{name}</b> (best)" if best else name


def _money(f: Figures, at: str) -> str:
    return f.number(at, 0)


def _bid(f: Figures, at: str) -> str:
    limit = f"{at}/bid/limit/value"
    return f.number(limit, 0) if float(f.at(limit)) > 0 else NO_BID
