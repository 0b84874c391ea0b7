"""What a re-cut comes to: sentences, and the JSON document."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any

from facetrace.recut.check import Checked
from facetrace.recut.planes import NEW_FACET
from facetrace.recut.recut import Lights, Recut, darker, state_of, worth_it
from facetrace.recut.remedies import ANGLE, CULET, DOWN, FLOOR, GIRDLE, SYMMETRY, THIN, Remedy
from facetrace.recut.search import Cut, Fate, Plan, Stop
from facetrace.recut.stone import CutStone
from facetrace.results import document
from facetrace.results.document import ESTIMATE, colour_notes
from facetrace.solid.measure import measure
from facetrace.solid.polyhedron import Solid
from facetrace.studies.rows import SURE_ERRORS

SAFETY = (
    "Grind wet, with ventilation and eye protection, and cool often: heat loosens the dop and can open "
    "fractures."
)
TREATED = (
    "Know the treatments first: lead glass in fractures bears neither heat nor acid, and colour from diffusion is "
    "shallow, so a re-cut may grind it off (both from memory). Tell the buyer."
)
WEIGHED = "Carats after are scaled so that the stone before weighs what the balance said."
# in turn: reasons that a person weighs first
ORDER = (FLOOR, SYMMETRY, THIN, ANGLE)
SAME = 5e-4
# less to spare is none, as it is printed
SPARE_MM = 0.005
LEAST_CARATS = 0.001
# prices step where the weight passes a multiple of it (common practice, no source)
STEP_CARATS = 0.5


def facets_in_words(names: Sequence[str]) -> str:
    """pavilion main 12 for one, 8 pavilion main facets for some of one tier."""
    if len(names) == 1:
        return names[0]
    tiers = {name.rpartition(" ")[0] or name for name in names}
    return f"{len(names)} {tiers.pop() if len(tiers) == 1 else ''} facets".replace("  ", " ")


def action(solid: Solid, remedy: Remedy) -> str:
    """What is done to which facets."""
    if remedy.who == CULET:
        return f"a new culet, {remedy.mm:.2f} mm off the point"
    names = [solid.names[i] for i in remedy.facets]
    who = "whole girdle" if remedy.who == GIRDLE else facets_in_words(names)
    if remedy.way == DOWN:
        return f"{who} {remedy.mm:.2f} mm down"
    kept = "ends" if len(names) > 1 else "end"
    about = remedy.hinge if remedy.hinge.startswith("far") else remedy.hinge.replace("end", kept)
    return f"{who} turned {remedy.degrees:.1f} deg about {'its' if len(names) == 1 else 'their'} {about}"


def _why(stone: CutStone, plan: Plan, stop: Stop) -> str:
    what, limits = action(stone.solid, stop.remedy), stone.model.limits
    own = stop.remedy.state
    if stop.reason == FLOOR and stop.state:
        cost = plan.after.carats - stop.state.carats
        digits = 3 if round(stop.state.carats, 3) != round(plan.lowest, 3) else 4
        left = f"{stop.state.carats:.{digits}f}, below {plan.lowest:.{digits}f} ct"
        return f"{what} would cost {cost:.{digits}f} ct and leave {left}"
    if stop.reason == SYMMETRY and own:
        part = max(own.asymmetry_mm, stop.state.asymmetry_mm if stop.state else 0.0)
        return f"{what} would part meets by {part:.2f} mm (limit {limits.symmetry_mm:g})"
    if stop.reason == THIN and own:
        thin = min(own.girdle_mm, stop.state.girdle_mm if stop.state else own.girdle_mm)
        return f"{what} would thin the girdle to {thin:.2f} mm (limit {limits.girdle_mm:g})"
    if stop.reason == ANGLE:
        return f"{what} turns further than {limits.most_angle:g} deg"
    return f"{what} does not go with the other cuts, or leaves no stone"


def reasons(stone: CutStone, plan: Plan, fate: Fate) -> list[str]:
    """Why a flaw stays, the weight first; angle only where nothing else was in reach."""
    if fate.gone:
        return []
    rank = {reason: place for place, reason in enumerate(ORDER)}
    stops = sorted(fate.stopped, key=lambda s: rank.get(s.reason, len(ORDER)))
    near = [s for s in stops if s.reason in (FLOOR, SYMMETRY, THIN)] or stops
    found = [_why(stone, plan, s) for s in near]
    return found or [f"no facet can be cut below it within {stone.model.limits.most_angle:g} deg"]


def outcome(stone: CutStone, plan: Plan, fate: Fate) -> str:
    """How a flaw goes, or why it stays."""
    if not fate.gone:
        return "; ".join(reasons(stone, plan, fate))
    if fate.remedy is None:
        return "goes with another's cut"
    return action(stone.solid, fate.remedy)


def cost_alone(plan: Plan, fate: Fate) -> float | None:
    """Carats that the remedy of a flaw takes if nothing else is cut; None without one."""
    if fate.remedy is None or fate.remedy.state is None:
        return None
    return plan.before.carats - fate.remedy.state.carats


def cost_words(cost: float | None) -> str:
    """A remedy's carats for a table."""
    if cost is None:
        return ""
    return f"-{cost:.3f}" if cost >= LEAST_CARATS / 2 else f"< {LEAST_CARATS:g}"


def cut_groups(cuts: Sequence[Cut]) -> list[tuple[str, Cut]]:
    """Facets that are cut alike, in words, and one of them."""

    def alike(cut: Cut) -> tuple[Any, ...]:
        tier = cut.name.rpartition(" ")[0] or cut.name
        figures = (cut.angle_before, cut.angle_after, cut.mm, cut.swung_deg)
        return tier, *(round(f, 4) for f in figures), cut.vanished

    found = []
    for _, group in groupby(sorted(cuts, key=alike), key=alike):
        mates = list(group)
        found.append((facets_in_words([c.name for c in mates]), mates[0]))
    return found


def verdict(stone: CutStone, plan: Plan, light: Lights | None) -> str:
    """Worth it or not, in one or two sentences."""
    count, gone = len(plan.fates), sum(f.gone for f in plan.fates)
    if plan.before.carats < plan.lowest:
        return (
            f"Not worth it: the stone weighs {plan.before.carats:.3f} ct and must keep {plan.lowest:.3f}; "
            "there is nothing to take off."
        )
    if not gone:
        none = "its flaw cannot" if count == 1 else f"none of its {count} flaws can"
        return f"Not worth it: {none} go within the limits while {plan.lowest:.3f} ct stay. Leave it as it is."
    spent = plan.before.carats - plan.after.carats
    what = "the flaw goes" if count == 1 else f"{gone} of {count} flaws go"
    taken = f"{what} for {spent:.3f} ct, {plan.after.carats:.3f} ct stay"
    if light is None:
        return f"Worth it: {taken}."
    change = light.change["light_return"]
    points = f"{100 * change.value:+.2f} +- {100 * change.stderr:.2f} points of all light"
    if darker(stone, light):
        return (
            f"Not worth it: {taken}, but light returned would change by {points}, beyond the limit of "
            f"-{stone.model.limits.light_points:g}."
        )
    sure = abs(change.value) > SURE_ERRORS * change.stderr
    return f"Worth it: {taken}, and light returned {'changes by ' + points if sure else 'stays as it is'}."


def cautions(stone: CutStone, plan: Plan) -> list[str]:
    """What the cutter must know of the stone that is left."""
    found = []
    vanished = [c.name for c in plan.cuts if c.vanished]
    lost = [
        n for n in plan.after.solid.missing if n not in vanished and n not in stone.solid.missing
    ]
    if vanished or lost:
        found.append(f"Ground away entirely: {', '.join([*vanished, *lost])}.")
    if not any(name.startswith("girdle") for name in stone.solid.names):
        found.append("The girdle is a knife edge already: it chips.")
    more = len(plan.after.solid.vertices) - len(plan.before.solid.vertices)
    if more > 0:
        found.append(
            f"Meets open: the stone has {more} corners more than before. Touching in the neighbours closes them "
            "and takes a little more weight."
        )
    before, after = (measure(s.solid, 1.0) for s in (plan.before, plan.after))
    shrunk = [
        f"{name} {old:.2f} to {new:.2f} mm"
        for name, old, new in (
            ("length", before.length_mm, after.length_mm), ("width", before.width_mm, after.width_mm),
        )
        if old - new > SAME
    ]  # fmt: skip
    if shrunk:
        found.append(f"The outline shrinks: {', '.join(shrunk)}; the setting must follow.")
    step = STEP_CARATS * math.floor(plan.before.carats / STEP_CARATS)
    if plan.after.carats < step:
        found.append(
            f"It falls below {step:g} ct, where prices often step (common practice, no source)."
        )
    if plan.cuts and not plan.symmetric:
        found.append(
            "The stone has no symmetry that a cut could spoil; only weight and angles were judged."
        )
    if not plan.searched:
        found.append("There were too many sets of cuts to try them all: a better one may exist.")
    return found


def floor_words(stone: CutStone, floor: float) -> str:
    """What the stone must keep."""
    spare, most = stone.model.spare_carats, stone.model.limits.most_carats
    lowest = stone.lowest(floor)
    if most is not None and lowest > floor + spare:
        return f"It must keep {lowest:.3f} ct: the re-cut may cost {most:.3f}."
    return f"It must keep {floor + spare:.3f} ct: {floor:.3f}, and {spare:.3f} to spare for polish."


def girdle_words(stone: CutStone, plan: Plan) -> str | None:
    """What the wished flats on the girdle cost."""
    if stone.flats is None:
        return None
    count, cost = stone.flats
    left = plan.after.carats - cost
    tail = "which fits above the floor" if plan.flats_fit else "which is below the floor: leave it"
    return f"The girdle in {count} flats costs {cost:.5f} ct more (from a smooth one), {left:.3f} ct stay, {tail}."


def notes(stone: CutStone) -> list[str]:
    """Cautions that belong to the numbers."""
    return [*stone.notes, WEIGHED, ESTIMATE, *colour_notes(stone.material), SAFETY, TREATED]


def checked_words(checked: Checked) -> str:
    """One sentence of a re-cut that holds."""
    above = checked.above_floor_carats
    side = "above" if above >= 0 else "below"
    parts = [
        f"Checked by separate code: {checked.carats:.3f} ct, {abs(above):.3f} ct {side} what it must keep"
    ]
    gone = [f for f in checked.flaws if f.said]
    if gone:
        spare = min(f.mm for f in gone)
        more = f", with {spare:.2f} mm to spare at least" if spare >= SPARE_MM else ""
        parts.append(f"every flaw that goes is cut away{more}")
    parts += [
        f"'{f.name}', said to stay, goes by the way" for f in checked.flaws if f.gone and not f.said
    ]
    return "; ".join(parts) + "."


def checked_member(checked: Checked) -> dict[str, Any]:
    """The member "checked"."""
    return {
        "ok": checked.ok,
        "carats": checked.carats,
        "above_floor_carats": checked.above_floor_carats,
        "flaws": [{"name": f.name, "gone": f.gone, "mm": f.mm} for f in checked.flaws],
    }


def sentences(recut: Recut) -> list[str]:
    """The verdict, what must stay, what separate code says, and cautions."""
    stone, plan = recut.stone, recut.plan
    found = [verdict(stone, plan, recut.light), floor_words(stone, recut.floor_carats), checked_words(recut.checked)]  # fmt: skip
    girdle = girdle_words(stone, plan)
    return [*found, *([girdle] if girdle else []), *cautions(stone, plan)]


def title(stone: CutStone) -> str:
    """Its name and material."""
    return f"{stone.model.name} ({stone.material.name})"


# ---- JSON ------------------------------------------------------------------------------------


def recut_document(recut: Recut) -> dict[str, Any]:
    """The JSON document of a re-cut."""
    stone = recut.stone
    design = {"name": stone.model.name, "file": str(stone.path), "material": stone.material.name}
    return (
        document.head() | {"design": design} | document.material_part(stone.material)
        | {"seed": recut.seed, "recut": recut_part(recut), "notes": notes(stone)}
    )  # fmt: skip


def recut_part(recut: Recut) -> dict[str, Any]:
    """The member "recut" of the document."""
    stone, plan, light = recut.stone, recut.plan, recut.light
    model = stone.model
    wish = None
    if stone.flats is not None:
        wish = {"flats": stone.flats[0], "costs_carats": stone.flats[1], "fits": plan.flats_fit}
    return {
        "floor_carats": recut.floor_carats,
        "spare_carats": model.spare_carats,
        "limits": model.limits.model_dump(),
        "scale": stone.scale,
        "worth_it": worth_it(stone, plan, light),
        "verdict": verdict(stone, plan, light),
        "all_tried": plan.searched,
        "flaws": [_flaw_part(stone, plan, fate) for fate in plan.fates],
        "cuts": [asdict(cut) for cut in plan.cuts],
        "before": state_of(stone, plan.before.solid),
        "after": state_of(stone, plan.after.solid),
        "parting_mm": plan.after.asymmetry_mm,
        "light": light
        and {k: {n: asdict(e) for n, e in v.items()} for k, v in vars(light).items()},
        "girdle": wish,
        "checked": checked_member(recut.checked) | {"words": checked_words(recut.checked)},
        "cautions": cautions(stone, plan),
    }


def _flaw_part(stone: CutStone, plan: Plan, fate: Fate) -> dict[str, Any]:
    flaw, spot = stone.model.flaw[fate.flaw], stone.spots[fate.flaw]
    return {
        "name": flaw.name, "kind": flaw.kind, "depth_mm": flaw.depth_mm, "importance": flaw.importance,
        "place_mm": [float(x) for x in spot.place],
        "facets": [stone.solid.names[i] for i in spot.facets],
        "gone": fate.gone,
        "how": outcome(stone, plan, fate) if fate.gone else None,
        "costs_carats": cost_alone(plan, fate),
        "reasons": reasons(stone, plan, fate),
        "remedies": [_remedy_part(stone, plan, r, r is fate.remedy) for r in fate.remedies],
    }  # fmt: skip


def _remedy_part(stone: CutStone, plan: Plan, remedy: Remedy, taken: bool) -> dict[str, Any]:
    state = remedy.state
    names = (*stone.solid.names, NEW_FACET)
    return {
        "facets": [names[i] for i in remedy.facets],
        "who": remedy.who, "way": remedy.way, "degrees": remedy.degrees, "mm": remedy.mm,
        "hinge": remedy.hinge or None,
        "costs_carats": plan.before.carats - state.carats if state else None,
        "parting_mm": state.asymmetry_mm if state else None,
        "girdle_mm": state.girdle_mm if state else None,
        "refusal": remedy.refusal, "taken": taken,
    }  # fmt: skip
