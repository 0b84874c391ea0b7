"""The bench sheet in words: what each facet is cut to, cautions, table and JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.table import Table

from facetrace.bench.aims import Aim, MachineSetting
from facetrace.bench.faults import MOST_ERROR_DEG, Fault
from facetrace.bench.gears import on_gear
from facetrace.bench.steps import Bench, Step
from facetrace.design.model import DesignFile
from facetrace.results import document
from facetrace.solid.build import tier_of
from facetrace.solid.lobes import TwoLobes

# a position is on a tooth where it is nearer to it than that, teeth
ON_TOOTH = 1e-6
# of one tier, more facets than these are counted instead of listed
LISTED = 3
# a plane that passes farther than that from the corner it is aimed at is said to, mm
GAP_MM = 0.001
# common practice, no source: what most heads can be read to, degrees
READ_DEG = 0.1

CAUTIONS = (
    "Water: grind and polish wet, always; keep water away from plugs and switches.",
    "Eyes: wear eye protection from the first cut to the last wipe; chips and laps fly.",
    "Dust: do not breathe dry dust or mist, of stone, matrix, laps or polishing oxides; wipe up wet, ventilate, "
    "and wear a mask fit for fine dust where mist stands in the air.",
    "Guard: keep splash guard and belt cover on; stop the lap before reaching across it; no loose sleeves, hair or gloves near it.",
    "Heat: cool often; heat loosens the dop and can open fractures. Warm and cool the stone slowly when it is dopped.",
    "Glue, wax, solvents and flames: fresh air, and never flame and solvent together.",
    "Know the stone's treatments before heat, acid or solvent touch it.",
)
DEFER = (
    "Local rules, the makers' instructions for machine, laps and chemicals, and the cutter's own licensed practice "
    "come before anything on this sheet."
)
MACHINE = (
    "Angles and positions are those of the finished stone. What the machine adds, an offset of its index, play "
    "of its head, a step from one dop to the other, is for the cutter to find on a first facet and take out."
)
CLEFT = (
    "Heart: the facets beside the cleft are planes of one lobe that run into the other. A flat lap cannot reach them; "
    "use the edge of a lap or a wheel, and cut the cleft before its neighbours are polished."
)
MISSING = "no limit up to {degrees}"
FINE = "finer than most heads can be read: cut to the meet under the loupe"
PRACTICE = "The order girdle, {first}, {second}, the allowance, the opening that shows and how fine a head can be read are common practice, without a source."


def facets_words(names: Sequence[str]) -> str:
    """girdle (index 3 and 93) and pavilion main (index 0): by tier; many of one tier are counted."""
    tiers: dict[str, list[str]] = {}
    for name in names:
        tier = tier_of(name)
        tiers.setdefault(tier, []).append(name.removeprefix(tier).strip())
    parts = []
    for tier, places in tiers.items():
        if len(places) > LISTED:
            parts.append(f"{len(places)} {tier} facets")
        else:
            parts.append(f"{tier} (index {_and(places)})" if places[0] else tier)
    return _and(parts)


def _and(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]


def aim_words(setting: MachineSetting, bench: Bench, step: Step) -> str:
    """How deep the facets of a setting go: one thing to meet or to measure, then what the others do."""
    aim, mm, rest = setting.aim, setting.aim.mm or 0.0, len(setting.facets) - 1
    below = step.side == "pavilion"
    end = "over its highest point" if below else "under its lowest point"
    if aim.kind in ("meet", "own"):
        text = f"cut to the meet of {facets_words(aim.meets[0].facets)}"
        gap = max(m.gap for a in setting.aims for m in a.meets[:1])
        text += f", which it misses by {gap:.3f} mm" if gap > GAP_MM else ""
    else:
        text = {
            "axis": f"cut until it stands {mm:.2f} mm from the axis",
            "height": f"cut level until the stone is {step.checks.depth_mm:.2f} mm deep in all",
            "girdle": f"cut until {mm:.2f} mm of girdle is left {end}",
            "line": f"cut until {face_mm(aim, bench, step.side) or 0.0:.2f} mm of wall is left {end}, measured from the "
            f"{'crown' if below else 'pavilion'} face",
            "left": f"cut until {mm:.2f} mm of {facets_words([aim.beside or ''])} is left, measured up its slope",
            "tip": f"cut until its {'lowest' if below else 'highest'} point lies {mm:.2f} mm {'below' if below else 'above'} "
            "the girdle plane",
        }[aim.kind]
    if not rest:
        return f"{_capital(text)}."
    other = "The other" if rest == 1 else f"The other {rest}"
    if not setting.alike:
        same = "to the same depth"
    elif aim.kind in ("meet", "own"):
        same = "to its own meet" if rest == 1 else "each to its own meet"
    else:
        same = "to the same" + _across(setting)
    return f"At index {setting.facets[0].index:g}: {text}. {other} {same}."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _across(setting: MachineSetting) -> str:
    """What a calliper reads across, where every flat has its opposite in the setting."""
    facets = setting.facets
    if setting.aim.kind == "axis" and all(
        any(
            f.lobe == g.lobe
            and sum(a * b for a, b in zip(f.normal, g.normal, strict=True)) < -1 + 1e-9
            for g in facets
        )
        for f in facets
    ):
        return f": {2 * facets[0].distance:.2f} mm across to the flat opposite"
    return ""


def face_mm(aim: Aim, bench: Bench, side: str) -> float | None:
    """From the blank's far face to where a facet ends at the girdle, mm: the wall that is left."""
    if aim.kind != "line" or aim.mm is None:
        return None
    far = bench.preform.crown_mm if side == "pavilion" else bench.preform.pavilion_mm
    return far + aim.mm


def gear_words(part: dict[str, Any] | None) -> str:
    """How many positions another gear misses, and by how much; nothing where it misses none."""
    if not part or not part["between"]:
        return ""
    return (
        f"{part['between']} of {part['positions']} positions fall between the teeth of a gear of {part['teeth']}, "
        f"the worst {part['worst_deg']:.2f} degrees from the nearest tooth"
    )


def tolerance_of(fault: Fault | None) -> float | None:
    """The smaller of the whole tier's tolerance and of one facet's among the others, degrees."""
    if fault is None:
        return None
    return min((t for t in (fault.tolerance_deg, fault.alone_deg) if t is not None), default=None)


def notes(bench: Bench, material: str) -> list[str]:
    """What belongs to the numbers of a sheet."""
    second = "crown" if bench.first == "pavilion" else "pavilion"
    cautions = [MACHINE]
    if isinstance(bench.solid, TwoLobes):
        cautions.append(CLEFT)
    if not bench.mirrored:
        cautions.append(
            "Positions count counter-clockwise seen from above the table. They are not the same the other way round: "
            "where the gear runs the other way against the stone, set gear minus position."
        )
    if bench.solid.missing:
        cautions.append("No place on the stone for: " + ", ".join(bench.solid.missing) + ".")
    cautions.append(f"Carats are of {material} at its density, without inclusions.")
    return [*cautions, PRACTICE.format(first=bench.first, second=second), DEFER, document.ESTIMATE]


def _member(bench: Bench, gear: int, other: int | None) -> dict[str, Any]:
    """The member "sheet" of the JSON document; *other*: another gear that stands on the bench."""
    pre = bench.preform
    names = (
        "allowance_mm",
        "length_mm",
        "width_mm",
        "height_mm",
        "crown_mm",
        "pavilion_mm",
        "carats",
    )
    steps = [_step_part(step, k + 1, bench, gear, other) for k, step in enumerate(bench.steps)]
    part: dict[str, Any] = {
        "first": bench.first,
        "open_mm": bench.open_mm,
        "most_error_deg": MOST_ERROR_DEG,
        "gear": gear,
        "other_gear": None,
        "mirrored": bench.mirrored,
        "preform": {n: getattr(pre, n) for n in names}
        | {"radii": [{"index": i, "mm": mm} for i, mm in pre.radii]},
        "girdle": {
            "count": len(bench.flats),
            "flats": [
                {"index": f.index, "lobe": f.lobe, "axis_mm": f.distance} for f in bench.flats
            ],
        },
        "steps": steps,
        "cautions": list(CAUTIONS),
    }
    if other:
        offs = [p["off"] for s in steps for t in s["settings"] for p in t["other"]]
        part["other_gear"] = {
            "teeth": other,
            "positions": len(offs),
            "between": sum(o > ON_TOOTH for o in offs),
            "worst_off": max(offs),
            "worst_deg": 360 * max(offs) / other,
        }
    return part


def _step_part(
    step: Step, number: int, bench: Bench, gear: int, other: int | None
) -> dict[str, Any]:
    fault = None
    if step.fault:
        fault = asdict(step.fault) | {
            "at": list(step.fault.at),
            "alone_at": list(step.fault.alone_at),
            "at_words": facets_words(step.fault.at) if step.fault.at else None,
            "alone_words": facets_words(step.fault.alone_at) if step.fault.alone_at else None,
            "keep_deg": tolerance_of(step.fault),
        }
    return {
        "number": number,
        "name": step.name,
        "side": step.side,
        "facets": len(step.facets),
        "settings": [_setting_part(s, bench, step, gear, other) for s in step.settings],
        "checks": asdict(step.checks),
        "fault": fault,
    }


def _setting_part(
    setting: MachineSetting, bench: Bench, step: Step, gear: int, other: int | None
) -> dict[str, Any]:
    aim = setting.aim
    part: dict[str, Any] = {
        "angle": setting.angle,
        "positions": [{"name": f.name, "index": f.index, "lobe": f.lobe} for f in setting.facets],
        "aim": {
            "kind": aim.kind,
            "facet": aim.facet,
            "mm": aim.mm,
            "beside": aim.beside,
            "face_mm": face_mm(aim, bench, step.side),
            "meets": [
                {"point_mm": list(m.point), "facets": list(m.facets), "gap_mm": m.gap} for m in aim.meets
            ],
        },
        "words": aim_words(setting, bench, step),
    }  # fmt: skip
    if other:
        places = [on_gear(f.index, gear, other) for f in setting.facets]
        part["other"] = [{"position": p, "off": off} for p, off in places]
    return part


def sheet_document(
    bench: Bench, file: DesignFile, material: str, other_gear: int | None
) -> dict[str, Any]:
    """The whole document; *other_gear*: teeth of a gear on the bench that is not the design's."""
    own = file.design
    return document.head() | {
        "design": {"name": own.name, "file": str(file.path), "material": material},
        "solid": document.solid_part(bench.solid, bench.measures),
        "sheet": _member(bench, own.gear, other_gear if other_gear != own.gear else None),
        "notes": notes(bench, material),
    }


# ---- table -----------------------------------------------------------------------------------


def sheet_table(name: str, bench: Bench) -> Table:
    """Steps in order, and how exact each angle must be."""
    keeps = [tolerance_of(s.fault) for s in bench.steps]
    below = [f"-  {MISSING.format(degrees=f'{MOST_ERROR_DEG:g} degrees')}"] * any(
        s.fault and k is None for s, k in zip(bench.steps, keeps, strict=True)
    )
    below += [f"*  {FINE}"] * any(k is not None and k < READ_DEG for k in keeps)
    table = Table(title=f"{name}: {bench.first} first", title_justify="left",
                  caption="\n".join(below), caption_justify="left")  # fmt: skip
    table.add_column("step")
    for head in ("facets", "angle, deg", "keep within", "depth mm", "carats"):
        table.add_column(head, justify="right")
    for k, (step, keep) in enumerate(zip(bench.steps, keeps, strict=True)):
        angles = [s.angle for s in step.settings]
        low, high = min(angles), max(angles)
        table.add_row(
            f"{k + 1} {step.name}",
            f"{len(step.facets)}",
            f"{low:.2f}" if high - low < 0.005 else f"{low:.2f} - {high:.2f}",
            ("-" if step.fault else "")
            if keep is None
            else f"+-{keep:.2f}{'*' if keep < READ_DEG else ' '}",
            f"{step.checks.depth_mm:.2f}",
            f"{step.checks.carats:.3f}",
        )
    return table
