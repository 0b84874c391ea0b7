"""What `facetrace new rough` and `facetrace new prices` ask, the text that they make of it, and how that is checked."""

import re
from itertools import pairwise
from pathlib import Path
from typing import get_args

from facetrace.cli.asking import (
    MATERIAL,
    NONE,
    Answers,
    NewFile,
    Question,
    named_from,
    number,
    number_of,
    number_or_none,
    old_file,
    one_of,
    plain_words,
    point,
    says,
    sizes,
)
from facetrace.cli.shop import SHOP_QUESTIONS, money_question
from facetrace.common.errors import FacetraceError
from facetrace.common.tomlfile import parse_model
from facetrace.recut.stone import Carats
from facetrace.rough.face import Side
from facetrace.rough.habit import CRYSTALS, HABITS, likely_sizes
from facetrace.rough.model import Loss, RoughFile, RoughModel
from facetrace.rough.new import Crack, new_rough, usual_name
from facetrace.rough.rough import rough_of
from facetrace.rough.zone import Coordinate, Length
from facetrace.studies.new_price import new_prices
from facetrace.studies.price import Costs, Prices, Risk, Step

SIDES = (*get_args(Side), NONE)
UNKNOWN, SCAN = "unknown", "scan"

# ---- a rough ------------------------------------------------------------------------------------


def _rough_size(text: str, answers: Answers) -> tuple[float, ...]:
    found = sizes(text, (3,), "9x8x6", Length)
    if answers["shape"] in CRYSTALS:
        likely_sizes(answers["shape"], (found[0], found[1], found[2]))
    return found


def _c_axis(text: str, answers: Answers) -> tuple[float, ...] | None:
    if text.strip().lower() == UNKNOWN and answers["shape"] != SCAN:
        return None
    return point(text, 3, "0,0,1", Coordinate)


def _rough_sizes_words(answers: Answers) -> str:
    crystal = answers["shape"] in CRYSTALS
    order = "across the flats, across the corners, along c" if crystal else "along x, y and z"
    return f"Sizes by caliper, mm, {order}, like 9x8x6"


def _cracked(answers: Answers) -> bool:
    return bool(answers["crack"] != NONE)


def _where(answers: Answers) -> str:
    first, second = (axis for axis in "xyz" if axis != answers["crack"][-1])
    return f"Where on that side is its middle, mm: {first},{second}, like 1,-0.5"


ROUGH_QUESTIONS = (
    Question("shape", says(f"Shape: {', '.join(HABITS)}, or {SCAN} (you have a file of it)"),
             one_of(lambda _: (*HABITS, SCAN)), says("pebble")),
    Question("scan", says("File of the scan (STL, OBJ or PLY, in mm)"), old_file, when=lambda a: a["shape"] == SCAN),
    Question("size", _rough_sizes_words, _rough_size, when=lambda a: a["shape"] != SCAN),
    Question("c_axis", says("How c points: x,y,z, like 0,0,1 (a dichroscope or polariscope tells it)"), _c_axis,
             lambda a: None if a["shape"] == SCAN else UNKNOWN, lambda a: a["shape"] not in CRYSTALS),
    MATERIAL,
    Question("carats", says("Weight of the rough, ct, if it was weighed"), number_or_none(Carats, "ct"), says(NONE)),
    Question("crack", says("A crack? The side on which it is seen: +x, -x, +y, -y, +z, -z"), one_of(lambda _: SIDES),
             says(NONE)),
    Question("crack_size", says("How long and how deep is it, mm, like 4x2.5"),
             lambda t, _: sizes(t, (2,), "4x2.5", Length), when=_cracked),
    Question("crack_at", _where,
             lambda t, _: point(t, 2, "1,-0.5", Coordinate), says("0,0"), _cracked),
    Question("crack_along", says("How its line runs there, degrees from the first of these two towards the second"),
             number(Coordinate), says("0"), _cracked),
    *(SHOP_QUESTIONS[k] for k in ("scan_error", "skin", "kerf")),
    Question("name", says("Name"), plain_words, lambda a: usual_name(a["shape"], a.get("size"))),
)  # fmt: skip


def _rough_text(answers: Answers, path: Path) -> str:
    crack = None
    if _cracked(answers):
        long, deep = answers["crack_size"]
        crack = Crack(answers["crack"], long, deep, answers["crack_at"], answers["crack_along"])
    loss = Loss(scan_mm=answers["scan_error"], skin_mm=answers["skin"], kerf_mm=answers["kerf"])
    return new_rough(
        answers["shape"], answers.get("size"), scan=named_from(path, answers["scan"]) if "scan" in answers else None,
        name=answers["name"], material=answers["material"], carats=answers["carats"], c_axis=answers.get("c_axis"),
        crack=crack, loss=loss,
    )  # fmt: skip


def _check_rough(text: str, path: Path) -> list[str]:
    rough = rough_of(RoughFile(path, text, parse_model(text, path, RoughModel)))
    return [f"{rough.carats:.2f} ct by its volume", *rough.asked]


# ---- prices -------------------------------------------------------------------------------------


def _per_carat(text: str, _: Answers) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for word in re.split(r"[,;\s]+", text.strip()):
        weight, sign, price = word.partition("=")
        if not sign:
            raise FacetraceError(f"'{word}' is not weight=price; write them like 0.5=300 1=650")
        found.append((number_of(Step, "from_carats")(weight, {}), number_of(Step, "per_carat")(price, {})))  # fmt: skip
    for before, after in pairwise(weight for weight, _ in found):
        if after <= before:
            raise FacetraceError(f"{after:g} ct comes after {before:g}; weights must rise")
    return found


PRICE_QUESTIONS = (
    money_question(None),
    Question("per_carat", says("Price of a carat by the weight of the whole stone, like 0.5=300 1=650 (from 0.5 ct on 300)"),
             _per_carat),
    Question("cutting", says("What cutting a stone costs"), number_of(Costs, "cutting")),
    Question("margin", says("What you want to earn on the outlay, %"), number_of(Risk, "margin_percent", "%"), says("25")),
    Question("chance", says("The chance to earn less that you accept, %"), number_of(Risk, "chance_percent", "%"), says("10")),
    Question("loss", says("The chance that a stone is lost in cutting, %"), number_of(Risk, "loss_percent", "%"), says("2")),
    Question("name", says("Name"), plain_words, says("Prices")),
)  # fmt: skip


def _price_text(answers: Answers, _: Path) -> str:
    return new_prices(
        answers["per_carat"], answers["currency"], answers["cutting"], margin_percent=answers["margin"],
        chance_percent=answers["chance"], loss_percent=answers["loss"], name=answers["name"],
    )  # fmt: skip


def _check_prices(text: str, path: Path) -> list[str]:
    return parse_model(text, path, Prices).risk.doubts


ROUGH = NewFile(ROUGH_QUESTIONS, _rough_text, _check_rough, "facetrace plan {} DESIGN", ("scan",))
PRICES = NewFile(
    PRICE_QUESTIONS, _price_text, _check_prices, "facetrace plan ROUGH DESIGN --prices {}"
)
