"""What is said of a rough's plans, in sentences."""

import math
from dataclasses import replace
from typing import Any

from facetrace.results.certificate import certificate_words
from facetrace.results.document import ESTIMATE, colour_notes, light_notes, provisional_note
from facetrace.results.money import headline
from facetrace.results.reasons import why
from facetrace.rough.zone import substances
from facetrace.solid.measure import measure
from facetrace.studies.answer import Answer, Checked, Pieces, priced_stone, value_of
from facetrace.studies.placed_stone import NONE_FOUND, Found, PlacedStone
from facetrace.studies.plan_task import HEAVIEST, HIDDEN
from facetrace.studies.price import plain
from facetrace.studies.saw import Cut
from facetrace.studies.value import worth

# letters of a design's name in a table of 80 columns
NAME_LETTERS = 19
# a girdle thinner than this chips in setting (common practice, no source)
THIN_MM = 0.1
# a bound by this share above the stone found says little
LITTLE_PROVEN = 0.5
# share of the weight by which another direction of the table is worth a word
DEARER_SHARE = 0.03


def short_name(stone: PlacedStone) -> str:
    """A plan's name in a table."""
    mark = " (h)" if stone.kind == HIDDEN else ""
    name = stone.design
    room = NAME_LETTERS - len(mark)
    return (name if len(name) <= room else name[: room - 2] + "..") + mark


def called(found: Found) -> str:
    """A plan's name in a sentence."""
    return f"{found.design}{' with its zones hidden' if found.kind == HIDDEN else ''}"


def sentences(answer: Answer) -> list[str]:
    """How the best is placed, how sure that is, what it costs, why it is worth more; the rough's questions come before."""
    found = [f"{text[0].upper()}{text[1:].rstrip('.')}." for text in answer.room.rough.notes]
    best = answer.chosen
    if best is None:
        return [*found, *_nothing(answer), *answer.failed, *_sawn_words(answer)]
    found += [
        placing_words(best.stone),
        certificate_words(best.certificate),
        _proof(best.stone),
        _range(answer),
    ]
    if answer.found_little:
        found.append(_little(best.stone))
    found += _costs(answer, best.stone) + _direction_words(answer, best) + _worth(answer, best)
    if not answer.prices and answer.best:
        found.append(_shows(answer))
    found += _sawn_words(answer)
    if answer.stopped:
        found.append(
            "The work was stopped early: these are the best stones so far, each checked. The same command goes on from here, "
            "and may find heavier ones."
        )
    return [*found, *answer.failed, *_cautions(answer, best.stone)]


def _nothing(answer: Answer) -> list[str]:
    found = list(dict.fromkeys(f"{f.design}: {f.remark}." for f in answer.found if f.remark))
    if any(f.remark == NONE_FOUND for f in answer.found):
        found.append(
            "That the search found none does not prove that none fits. Allow other table directions, leave a defect anywhere, "
            "or look whether the lengths are right."
        )
    return found


def _little(stone: PlacedStone) -> str:
    share = 100 * stone.carats / stone.task.room.carats
    return (
        f"The search found little: {share:.1f} % of the rough. That is no advice not to buy. "
        "Allow other table directions, leave a defect anywhere, or try a smaller margin."
    )


def along(direction: Any) -> str:
    """A direction in the file's frame as people lay it out: angles to the three axes."""
    angles = (math.degrees(math.acos(max(-1.0, min(1.0, float(a))))) for a in direction)
    return ", ".join(f"{a:.1f} deg from {n}" for n, a in zip("xyz", angles, strict=True))


def _point(origin: Any) -> str:
    # no minus before a nought
    return ", ".join(f"{round(float(a), 2) + 0.0:.2f}" for a in origin)


def placing_words(stone: PlacedStone) -> str:
    """Where a stone lies, in the frame of the rough file."""
    up, length, origin = stone.in_file
    words = stone.variation.words
    changed = f" (with {words} written into its design file)" if words else ""
    return (
        f"Best: {called(stone)}{changed}. Its table's normal is {stone.table_to_c:.1f} deg from c and points, in the "
        f"frame of the rough file, {along(up)}; its length {along(length)}; the middle of its girdle plane "
        f"lies at {_point(origin)} mm."
    )


def _proof(stone: PlacedStone) -> str:
    wishes, gap = stone.task.wishes, stone.gap
    facing = wishes.facing
    where = f"with the table {facing.least_deg:g} to {facing.within_deg:g} deg from c"
    if gap is None:
        return f"Heavier stones of this design {where} are not ruled out: the work ended before the proof."
    percent = math.ceil(1000 * gap - 1e-6) / 10
    more = f"{percent:.0f}" if percent >= 10 else f"{percent:.1f}"
    if stone.kind == HIDDEN:
        return (
            f"It is the heaviest found that hides the zone, {where}; "
            f"no stone of it at all is heavier by more than {more} %."
        )
    flexed = "and the variations tried " if stone.variations > 1 else ""
    if percent <= 100 * wishes.within + 1e-6:
        return f"Within {more} % of the best possible for this design {flexed}{where}."
    return (
        f"It is the heaviest found. {proven_words(gap).capitalize()} that none of this design {flexed}{where} is heavier by more than {more} %; "
        "a larger --most-cells proves more."
    )


def proven_words(gap: float) -> str:
    """How a bound is introduced: one far above the stone says little."""
    return "proven is" if gap < LITTLE_PROVEN else "little is proven, only"


def _range(answer: Answer) -> str:
    loss = answer.room.rough.loss
    kept_off = answer.room.kept_off
    margins = [
        loss.skin_mm,
        *(d.margin_mm for d in answer.room.rough.defects if d.name in kept_off),
    ]
    never = (
        f" (a skin or margin under {loss.scan_mm:g} mm goes to 0, no further)"
        if min(margins) < loss.scan_mm
        else ""
    )
    source = "scan" if answer.room.rough.scanned else "caliper"
    words = (
        f"Low and high: the surface and all defects {loss.scan_mm:g} mm nearer or farther (error of the {source}), the stone placed anew "
        f"near by{never}. In all, {loss.skin_mm:g} mm of skin go in grinding and polishing."
    )
    less, more = answer.room.rough.doubt_carats
    if (less, more) != (1.0, 1.0):
        words += (
            f" The range counts in as much again, up and down, as {source} and balance disagree."
        )
    return words


def _shows(answer: Answer) -> str:
    heavy = answer.plans[0].stone
    return (
        f"The heaviest of all, {heavy.design}, keeps {heavy.carats:.2f} ct, but "
        f"{', '.join(answer.room.to_hide)} shows on {100 * heavy.figures['zone'].value:.1f} % of its face."
    )


# ---- costs ------------------------------------------------------------------------------------


def _costs(answer: Answer, best: PlacedStone) -> list[str]:
    found = []
    for loss in answer.losses:
        what = f"the {loss.names[0]}" if len(loss.names) == 1 else "all of these"
        if loss.carats < 0.005:
            found.append(f"Without {what} the search finds no heavier stone of this design.")
        else:
            found.append(
                f"Without {what} this rough would cut {loss.carats:.2f} ct more of this design"
                f"{_dearer(answer, best, loss.carats)}."
            )
    names = ", ".join(answer.room.to_hide)
    mine = {f.kind: f for f in answer.found if f.design == best.design}
    hidden, heaviest = mine.get(HIDDEN), mine[HEAVIEST]
    if isinstance(hidden, PlacedStone) and isinstance(heaviest, PlacedStone):
        cost = heaviest.carats - hidden.carats
        hue = hidden.figures["hue_deg"].value - heaviest.figures["hue_deg"].value
        found.append(
            f"To hide {names} in {hidden.design} costs {cost:.2f} ct, and the hue turns by {hue:+.1f} deg."
            if cost >= 0.005
            else f"In {hidden.design} {names} does not show, even in the heaviest stone."
        )
    elif hidden:
        found.append(f"{hidden.design}: {hidden.remark} ({names}).")
    return found


def _dearer(answer: Answer, best: PlacedStone, carats: float) -> str:
    """What so many carats more would be worth, were the stone to look the same."""
    if answer.prices is None:
        return ""
    stone = priced_stone(best)
    times = 1 + carats / stone.expected
    low, expected, high = (times * ct for ct in (stone.low, stone.expected, stone.high))
    larger = replace(stone, low=low, expected=expected, high=high)
    now, then = (worth(answer.prices, [s]).expected.value for s in (stone, larger))
    if plain(now) == plain(then):
        return ""
    return f", and be worth {plain(then)} {answer.prices.currency} instead of {plain(now)} if it looked the same"


def _direction_words(answer: Answer, best: Checked) -> list[str]:
    """The direction where the same design comes out heaviest, if that is more than the plan, and at which colour."""
    found = [(d.found, d.name) for d in answer.directions if d.found]
    if not found:
        return []
    other, name = max(found, key=lambda f: f[0].stone.carats)
    stone, have = other.stone, best.stone
    if stone.carats <= (1 + DEARER_SHARE) * have.carats:
        return []
    looks = ", ".join(
        f"{n} {stone.figures[k].value:.0f} instead of {have.figures[k].value:.0f}"
        for n, k in (("C*", "chroma"), ("h", "hue_deg"))
    )
    value = ""
    if other.bid:
        value = f"; worth {plain(value_of(other))} instead of {plain(value_of(best))}"
        if other.bid.limit.value > 0:
            value += f", bid at most {plain(other.bid.limit.value)}"
    return [
        f"With the table {name}, {stone.table_to_c:.0f} deg from c, {stone.design} keeps {stone.carats:.2f} ct "
        f"instead of {have.carats:.2f}, with {looks}{value}."
    ]


# ---- money, pieces, cautions ------------------------------------------------------------------


def _worth(answer: Answer, best: Checked) -> list[str]:
    heavy, pieces = answer.plans[0], answer.pieces
    if not (answer.prices and best.worth and best.bid and heavy.worth) or answer.found_little:
        return []
    plans = [(called(best.stone), best.worth, best.bid)]
    if pieces and pieces.worth and pieces.bid:
        plans.append((_pieces_name(pieces), pieces.worth, pieces.bid))
    found = [*answer.prices.risk.doubts, *headline(plans)]
    if answer.best and not answer.sawn_first:
        found.append(
            f"By value {called(best.stone)} comes before the heavier "
            f"{called(heavy.stone)}. {why(best.worth, heavy.worth)}"
        )
    return found


def _pieces_name(pieces: Pieces) -> str:
    return f"{'two' if len(pieces.stones) == 2 else 'three'} stones from one rough"


def _cut_words(answer: Answer, k: int, cut: Cut) -> str:
    rough = answer.room.rough
    first, second = cut.depths_mm
    through = f", through the {cut.plane.crack}" if cut.plane.crack else ""
    what = "the rough" if cut.of is None else f"the {'upper' if cut.of[1] < 0 else 'lower'} piece of cut {cut.of[0] + 1}"  # fmt: skip
    return (
        f"Saw cut {k + 1}: divide {what} across the direction {along(rough.turn.T @ cut.plane.normal)}{through}, {first:.2f} mm from its "
        f"end on that side (the upper piece) and {second:.2f} mm from the other; the kerf takes {rough.loss.kerf_mm:g} mm."
    )


def _sawn_words(answer: Answer) -> list[str]:
    if not answer.halved:
        return []
    pieces = answer.pieces
    if pieces is None:
        if answer.stopped:
            return ["The work ended before stones of several pieces were found."]
        return ["No saw cut that was tried leaves room for two stones of these designs."]
    sawn, name = pieces.sawn, _pieces_name(pieces)
    found = [
        f"{name[0].upper()}{name[1:]}: {sawn.carats:.2f} ct together ({100 * sawn.carats / answer.room.carats:.1f} %), "
        f"the best of {sawn.tried} cuts tried, by a quick search of each."
    ]
    found += [_cut_words(answer, k, cut) for k, cut in enumerate(sawn.cuts)]
    for piece in pieces.stones:
        stone = piece.stone
        up, length, origin = stone.in_file
        value = f", worth {answer.prices.money(value_of(piece))}" if answer.prices else ""
        found.append(
            f"{stone.design}, {stone.carats:.2f} ct ({stone.low_carats:.2f} - {stone.high_carats:.2f}){value}: table's "
            f"normal {along(up)}; length {along(length)}; middle of the girdle at {_point(origin)} mm. "
            f"{certificate_words(piece.certificate)}"
        )
    one, several = answer.chosen and answer.chosen.worth, pieces.worth
    if one and several:
        better, other = (several, one) if answer.sawn_first else (one, several)
        which = "Several stones are" if answer.sawn_first else "The best single stone is"
        if better.expected.value > other.expected.value:
            found.append(f"{which} worth more. {why(better, other)}")
        else:
            found.append("The best single stone and several are worth the same.")
    return found


def _cautions(answer: Answer, best: PlacedStone) -> list[str]:
    rough, surface = answer.room.rough, answer.room.ready.surfaces[1]
    found = [f"The scan was mended: {text}." for text in rough.repairs]
    if surface.off_mm > 0:
        found.append(
            f"The search saw {len(surface.faces):,} of the scan's {len(rough.mesh.faces):,} triangles, which lie within "
            f"{surface.off_mm:.2g} mm of it; the stones were then fitted to the scan itself and checked on all of it."
        )
    girdle = measure(best.cut.solid, rough.density).girdle_min_mm
    if girdle < THIN_MM:
        found.append(f"The girdle is {girdle:.2f} mm thin at its thinnest and may chip; make it thicker in the design.")  # fmt: skip
    if any(d.kind == "crack" for d in rough.defects):
        # common practice, no source
        found.append(
            "A crack often runs further than it shows, and glass that fills one softens in heat: look again "
            "once a face is ground."
        )
    none = [f for f in answer.found if not isinstance(f, PlacedStone) and f.design != best.design]
    return found + [f"{f.design}: {f.remark}." for f in none]


def notes_of(answer: Answer) -> list[str]:
    """Cautions that belong to the numbers."""
    rough, notes = answer.room.rough, [ESTIMATE, *light_notes(answer.wishes.light)]
    grown = [rough.material, *(substances(rough.zones, rough.material) if rough.zones else [])]
    names = dict.fromkeys(name for substance in grown for name in substance.provisional)
    if names:
        notes.append(provisional_note(list(names)))
    for substance in grown:
        notes += [text for text in colour_notes(substance, sure=True) if text not in notes]
    if any(task.trial.shape == "heart" for task in answer.tasks):
        notes.append(
            "A heart is placed by its convex hull: its cleft is kept free of defects as well."
        )
    return notes
