"""What is said of a rough's plans, in sentences."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from facetrace.common.ledger import Cell, Row
from facetrace.results.document import ESTIMATE, colour_notes, light_notes, provisional_note
from facetrace.rough.zone import substances
from facetrace.solid.measure import measure
from facetrace.studies.answer import Answer, Direction
from facetrace.studies.certified import words as checked_words
from facetrace.studies.money import headline
from facetrace.studies.plan import (
    HIDDEN,
    NONE_FOUND,
    copy_of,
    cut_of,
    gap_of,
    placing,
    priced_stone,
    table_to_c,
)
from facetrace.studies.price import plain
from facetrace.studies.rows import number
from facetrace.studies.saw import Cut
from facetrace.studies.value import why, worth

# letters of a design's name in a table of 80 columns
NAME_LETTERS = 19
# a girdle thinner than this chips in setting (common practice, no source)
THIN_MM = 0.1
# a bound by this share above the stone found says little
LITTLE_PROVEN = 0.5
# share of the weight by which another direction of the table is worth a word
DEARER_SHARE = 0.03


def short_name(row: Mapping[str, Cell]) -> str:
    """A plan's name in a table."""
    mark = " (h)" if row["kind"] == HIDDEN else ""
    name = str(row["design"])
    room = NAME_LETTERS - len(mark)
    return (name if len(name) <= room else name[: room - 2] + "..") + mark


def called(row: Mapping[str, Cell]) -> str:
    """A plan's name in a sentence."""
    return f"{row['design']}{' with its zones hidden' if row['kind'] == HIDDEN else ''}"


def sentences(answer: Answer) -> list[str]:
    """What is wrong first; then how the best is placed, how sure that is, what it costs, why it is worth more."""
    rough = answer.room.rough
    found = rough.asked
    found += [f"{text[0].upper()}{text[1:].rstrip('.')}." for text in rough.notes]
    if not answer.plans:
        return [*found, *_nothing(answer), *answer.failed, *_sawn_words(answer)]
    best = answer.plans[answer.best]
    found += [
        _placing(answer, best),
        checked_words(answer.certificates[answer.best]),
        _proof(answer, best),
        _range(answer),
    ]
    if answer.found_little:
        found.append(_little(answer, best))
    found += _costs(answer, best) + _direction_words(answer)
    found += _worth(answer)
    if not answer.worths and answer.best:
        found.append(_shows(answer))
    if answer.halved:
        found += _sawn_words(answer)
    if answer.stopped:
        found.append(
            "The work was stopped early: these are the best stones so far, each checked. The same command goes on from here, "
            "and may find heavier ones."
        )
    return found + answer.failed + _cautions(answer, best)


def _nothing(answer: Answer) -> list[str]:
    found = list(
        dict.fromkeys(f"{r['design']}: {r['remark']}." for r in answer.rows if r["remark"])
    )
    if any(r["remark"] == NONE_FOUND for r in answer.rows):
        found.append(
            "That the search found none does not prove that none fits. Allow other table directions, leave a defect anywhere, "
            "or look whether the lengths are right."
        )
    return found


def _little(answer: Answer, row: Row) -> str:
    share = 100 * number(row, "carats") / answer.room.carats
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


def _placing(answer: Answer, row: Row) -> str:
    up, length, origin = placing(row, answer.room.rough)
    changed = f" (with {row['changed']} written into its design file)" if row["changed"] else ""
    at = _point(origin)
    return (
        f"Best: {called(row)}{changed}. Its table's normal is {table_to_c(row):.1f} deg from c and points, in the "
        f"frame of the rough file, {along(up)}; its length {along(length)}; the middle of its girdle plane "
        f"lies at {at} mm."
    )


def _proof(answer: Answer, row: Row) -> str:
    facing = answer.setting.facing
    where = f"with the table {facing.least_deg:g} to {facing.within_deg:g} deg from c"
    gap = gap_of(row)
    if gap is None:
        return f"Heavier stones of this design {where} are not ruled out: the work ended before the proof."
    percent = math.ceil(1000 * gap - 1e-6) / 10
    more = f"{percent:.0f}" if percent >= 10 else f"{percent:.1f}"
    if row["kind"] == HIDDEN:
        return (
            f"It is the heaviest found that hides the zone, {where}; "
            f"no stone of it at all is heavier by more than {more} %."
        )
    flexed = "and the variations tried " if number(row, "variations") > 1 else ""
    if percent <= 100 * answer.setting.within + 1e-6:
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
    words = (
        f"Low and high: the surface and all defects {loss.scan_mm:g} mm nearer or farther (error of the scan), the stone placed anew "
        f"near by{never}. In all, {loss.skin_mm:g} mm of skin go in grinding and polishing."
    )
    less, more = answer.room.rough.doubt_carats
    if (less, more) != (1.0, 1.0):
        words += " The range counts in as much again, up and down, as scan and balance disagree."
    return words


def _shows(answer: Answer) -> str:
    heavy = answer.plans[0]
    return (
        f"The heaviest of all, {heavy['design']}, keeps {number(heavy, 'carats'):.2f} ct, but "
        f"{', '.join(answer.room.to_hide)} shows on {100 * number(heavy, 'zone'):.1f} % of its face."
    )


# ---- costs ------------------------------------------------------------------------------------


def _costs(answer: Answer, best: Row) -> list[str]:
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
    hidden = [r for r in answer.rows if r["kind"] == HIDDEN and r["design"] == best["design"]]
    for row in hidden:
        names = ", ".join(answer.room.to_hide)
        if row["carats"] is None:
            found.append(f"{row['design']}: {row['remark']} ({names}).")
        else:
            heaviest = next(r for r in answer.rows if r["design"] == row["design"] and r["kind"] != HIDDEN)  # fmt: skip
            cost = number(heaviest, "carats") - number(row, "carats")
            hue = number(row, "hue_deg") - number(heaviest, "hue_deg")
            found.append(
                f"To hide {names} in {row['design']} costs {cost:.2f} ct, and the hue turns by {hue:+.1f} deg."
                if cost >= 0.005
                else f"In {row['design']} {names} does not show, even in the heaviest stone."
            )
    return found


def _dearer(answer: Answer, best: Row, carats: float) -> str:
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


def _direction_words(answer: Answer) -> list[str]:
    """The direction where the same design comes out heaviest, if that is more than the plan, and at which colour."""
    if not answer.directions:
        return []
    best = answer.plans[answer.best]
    have = number(best, "carats")

    def gains(direction: Direction) -> bool:
        return (
            direction.row is not None
            and number(direction.row, "carats") > (1 + DEARER_SHARE) * have
        )

    found = []
    heavier = sorted(filter(gains, answer.directions), key=lambda d: -number(d.row or {}, "carats"))
    for direction in heavier[:1]:
        row = direction.row
        assert row is not None
        looks = ", ".join(f"{n} {number(row, k):.0f} instead of {number(best, k):.0f}" for n, k in (("C*", "chroma"), ("h", "hue_deg")))  # fmt: skip
        value = ""
        if direction.worth and answer.worths:
            now = answer.worths[answer.best][0].expected.value
            of, bid = direction.worth
            value = f"; worth {plain(of.expected.value)} instead of {plain(now)}"
            if bid.limit.value > 0:
                value += f", bid at most {plain(bid.limit.value)}"
        found.append(
            f"With the table {direction.name}, {table_to_c(row):.0f} deg from c, {row['design']} keeps {number(row, 'carats'):.2f} ct "
            f"instead of {have:.2f}, with {looks}{value}."
        )
    return found


# ---- money, pieces, cautions ------------------------------------------------------------------


def _worth(answer: Answer) -> list[str]:
    if not answer.worths or answer.found_little:
        return []
    plans = [(called(answer.plans[answer.best]), *answer.worths[answer.best])]
    if answer.pieces is not None and answer.pieces.together is not None:
        plans.append((_pieces_name(answer), *answer.pieces.together))
    assert answer.prices is not None
    found = [*answer.prices.risk.doubts, *headline(plans)]
    if answer.best and not answer.sawn_first:
        found.append(
            f"By value {called(answer.plans[answer.best])} comes before the heavier "
            f"{called(answer.plans[0])}. {why(answer.worths[answer.best][0], answer.worths[0][0])}"
        )
    return found


def _pieces_name(answer: Answer) -> str:
    assert answer.pieces is not None
    return f"{'two' if len(answer.pieces.sawn.rows) == 2 else 'three'} stones from one rough"


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
    rough, found_in = answer.room.rough, pieces.sawn
    name = _pieces_name(answer)
    found = [
        f"{name[0].upper()}{name[1:]}: {found_in.carats:.2f} ct together ({100 * found_in.carats / answer.room.carats:.1f} %), "
        f"the best of {found_in.tried} cuts tried, by a quick search of each."
    ]
    found += [_cut_words(answer, k, cut) for k, cut in enumerate(found_in.cuts)]
    for k, row in enumerate(found_in.rows):
        up, length, origin = placing(row, rough)
        at = _point(origin)
        value = ""
        if pieces.each and answer.prices:
            value = f", worth {answer.prices.money(pieces.each[k].expected.value)}"
        found.append(
            f"{row['design']}, {number(row, 'carats'):.2f} ct ({number(row, 'low_carats'):.2f} - "
            f"{number(row, 'high_carats'):.2f}){value}: table's normal {along(up)}; length {along(length)}; middle of the girdle "
            f"at {at} mm. {checked_words(pieces.certificates[k])}"
        )
    if pieces.together is not None and answer.worths:
        one, several = answer.worths[answer.best][0], pieces.together[0]
        better, other = (several, one) if answer.sawn_first else (one, several)
        which = "Several stones are" if answer.sawn_first else "The best single stone is"
        if better.expected.value > other.expected.value:
            found.append(f"{which} worth more. {why(better, other)}")
        else:
            found.append("The best single stone and several are worth the same.")
    return found


def _cautions(answer: Answer, best: Row) -> list[str]:
    rough = answer.room.rough
    found = [f"The scan was mended: {text}." for text in rough.repairs]
    off = answer.room.ready.surfaces[1].off_mm
    if off > 0:
        found.append(
            f"The search saw {len(answer.room.ready.surfaces[1].faces):,} of the scan's {len(rough.mesh.faces):,} triangles, which lie within "
            f"{off:.2g} mm of it; the stones were then fitted to the scan itself and checked on all of it."
        )
    solid = answer.task_of(best).outline.solid(str(best["changed"] or ""))
    cut = cut_of(solid, copy_of(best, solid)).solid
    girdle = measure(cut, rough.density).girdle_min_mm
    if girdle < THIN_MM:
        found.append(f"The girdle is {girdle:.2f} mm thin at its thinnest and may chip; make it thicker in the design.")  # fmt: skip
    if any(d.kind == "crack" for d in rough.defects):
        # common practice, no source
        found.append(
            "A crack often runs further than it shows, and glass that fills one softens in heat: look again "
            "once a face is ground."
        )
    unmade = [f"{r['design']}: {r['remark']}." for r in answer.rows if r["carats"] is None and r["design"] != best["design"]]  # fmt: skip
    return found + unmade


def notes_of(answers: Sequence[Answer]) -> list[str]:
    """Cautions that belong to the numbers."""
    notes = [ESTIMATE, *light_notes(answers[0].setting.light)]
    grown = []
    for answer in answers:
        rough = answer.room.rough
        grown += [rough.material, *(substances(rough.zones, rough.material) if rough.zones else [])]
    names = dict.fromkeys(name for substance in grown for name in substance.provisional)
    if names:
        notes.append(provisional_note(list(names)))
    for substance in grown:
        notes += [text for text in colour_notes(substance, sure=True) if text not in notes]
    if any(row["outline"] == "heart" for a in answers for row in a.rows):
        notes.append(
            "A heart is placed by its convex hull: its cleft is kept free of defects as well."
        )
    return notes
