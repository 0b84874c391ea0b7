"""facetrace new: a design, rough, price or cut-stone file from a few questions, or from options."""

import re
import shlex
import sys
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facetrace.cli.shell import check_outputs, complain, deliver, note, one_line_errors, out
from facetrace.common.errors import FacetraceError

if TYPE_CHECKING:
    from facetrace.cli.asking import NewFile
    from facetrace.cli.shop import Shop

EXAMPLES = """
**Examples**

`facetrace new design oval.toml --outline oval --size 8x6.4`

`facetrace new rough stone.toml --shape pebble --size 9x8x6 --carats 4.4 --crack +x --crack-size 4x2.5`

`facetrace new prices prices.toml --currency coins --per-carat "0.5=300 1=650" --cutting 40`

`facetrace new stone worn.toml --design oval.toml --size 8.02x6.41x4.6 --carats 1.72`

`facetrace new shop`

Without options it asks. Enter takes what stands in brackets; Ctrl-C ends it, and nothing is written.
"""


class NewKind(StrEnum):
    """What can be made."""

    design = "design"
    rough = "rough"
    prices = "prices"
    stone = "stone"
    shop = "shop"


DESIGN, ROUGH, PRICES, STONE, SHOP = "A design", "A rough", "Prices", "A cut stone", "Your shop"
SHOP_OPTIONS = ("gear", "kerf", "skin", "scan_error", "currency")
# answers by option; the rest of the command's words are how it works
HOW = ("kind", "file", "force", "no_questions")


def _answer(panel: str, words: str) -> typer.models.OptionInfo:
    return typer.Option(help=words, rich_help_panel=panel)  # type: ignore[no-any-return]


@one_line_errors
def new(
    ctx: typer.Context,
    kind: Annotated[NewKind, typer.Argument(help="What to make; shop: what your shop has, kept for all new files.")],
    file: Annotated[Path | None, typer.Argument(help="File to write [default: KIND.toml here].")] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    no_questions: Annotated[bool, typer.Option("--no-questions", help="Ask nothing; take the usual for what is not said.")] = False,
    name: Annotated[str | None, typer.Option(help="Its name, as tables and pages show it.")] = None,
    size: Annotated[str | None, typer.Option(help="Sizes in mm: 8x6.4 of a design, 9x8x6 of a rough, 6.2x6.2x3.9 of a cut stone.")] = None,
    material: Annotated[str | None, typer.Option(help="What it is [default: ruby].")] = None,
    carats: Annotated[str | None, typer.Option(help="Weight of a rough or a cut stone, ct.")] = None,
    outline: Annotated[str | None, _answer(DESIGN, "round, oval, pear, marquise, cushion, rectangle or heart.")] = None,
    cut: Annotated[str | None, _answer(DESIGN, "brilliant, step, or mixed (brilliant above steps).")] = None,
    crown_angle: Annotated[str | None, _answer(DESIGN, "Angle of the crown, degrees.")] = None,
    pavilion_angle: Annotated[str | None, _answer(DESIGN, "Angle of the pavilion, degrees.")] = None,
    table: Annotated[str | None, _answer(DESIGN, "Table, % of the width.")] = None,
    shape: Annotated[str | None, _answer(ROUGH, "pebble, block, plate, barrel, bipyramid or scan.")] = None,
    scan: Annotated[str | None, _answer(ROUGH, "File of its scan, in mm.")] = None,
    c_axis: Annotated[str | None, _answer(ROUGH, "How c points, like 0,0,1.")] = None,
    crack: Annotated[str | None, _answer(ROUGH, "A crack: the side on which it is seen, like +x.")] = None,
    crack_size: Annotated[str | None, _answer(ROUGH, "How long and deep it is, mm, like 4x2.5.")] = None,
    crack_at: Annotated[str | None, _answer(ROUGH, "Where on that side, mm, like 1,-0.5.")] = None,
    crack_along: Annotated[str | None, _answer(ROUGH, "How it runs there, degrees.")] = None,
    per_carat: Annotated[str | None, _answer(PRICES, 'Price of a carat by weight, like "0.5=300 1=650".')] = None,
    cutting: Annotated[str | None, _answer(PRICES, "What cutting a stone costs.")] = None,
    margin: Annotated[str | None, _answer(PRICES, "What you want to earn on the outlay, %.")] = None,
    chance: Annotated[str | None, _answer(PRICES, "The chance to earn less that you accept, %.")] = None,
    loss: Annotated[str | None, _answer(PRICES, "The chance that a stone is lost in cutting, %.")] = None,
    design: Annotated[str | None, _answer(STONE, "File of the design that it was cut by, or of a scan.")] = None,
    floor: Annotated[str | None, _answer(STONE, "Carats that it must keep.")] = None,
    flaw: Annotated[str | None, _answer(STONE, "pit, chip, scratch or worn edge.")] = None,
    flaw_facet: Annotated[str | None, _answer(STONE, "On which facet.")] = None,
    flaw_deep: Annotated[str | None, _answer(STONE, "How deep must be cut to be rid of it, mm.")] = None,
    gear: Annotated[str | None, _answer(SHOP, "Teeth of the index wheel's gear.")] = None,
    kerf: Annotated[str | None, _answer(SHOP, "Width of a saw cut, mm.")] = None,
    skin: Annotated[str | None, _answer(SHOP, "What grinding and polishing take off the skin, mm.")] = None,
    scan_error: Annotated[str | None, _answer(SHOP, "How far a scan or caliper may be off, mm.")] = None,
    currency: Annotated[str | None, _answer(SHOP, "Currency of your prices.")] = None,
) -> None:  # fmt: skip
    """A design, rough, price or cut-stone file from a few questions."""
    given = {key: text for key, text in ctx.params.items() if key not in HOW and text is not None}
    ask = not no_questions and sys.stdin is not None and sys.stdin.isatty()
    if kind is NewKind.shop:
        _shop(given, ask, file, force)
    else:
        _file(str(kind), file or Path(f"{kind}.toml"), given, ask, force)


# ---- a file -------------------------------------------------------------------------------------


def _file(kind: str, path: Path, given: Mapping[str, str], ask: bool, force: bool) -> None:
    from facetrace.cli.asking import answered
    from facetrace.cli.shop import as_typed

    wanted = _kind(kind)
    keys = [q.key for q in wanted.questions]
    _check_given(kind, given, keys)
    _check_free(path, force)
    shop = _shop_for(kind, keys, ask)
    unsaid = not shop and any(k in keys and k not in given for k in SHOP_OPTIONS)
    known = {k: v for k, v in as_typed(shop).items() if k in keys} if shop else {}
    given = _implied({**known, **given})
    if ask:
        note("Enter takes what stands in brackets; Ctrl-C ends it, and nothing is written.")
    answers, typed = answered(wanted.questions, given, ask)
    while True:
        try:
            text, notes = _made(wanted, answers, path)
            break
        except FacetraceError as problem:
            if not ask:
                raise
            complain(problem)
        answers, typed = answered(wanted.questions, {}, ask, typed)
    _check_free(path, force)
    deliver({path: text.encode()})
    for line in (f"{path}: {answers['name']}", *notes):
        out.print(line)
    if unsaid:
        note("No file of your shop yet, so the usual was taken; facetrace new shop makes one.")
    out.print(
        f"Change in it what you like; then: {wanted.after.format(shlex.quote(str(path)))}",
        soft_wrap=True,
    )


def _made(wanted: "NewFile", answers: Mapping[str, object], path: Path) -> tuple[str, list[str]]:
    """The file's text, and what its reader says of it. Raises FacetraceError, without the line: no file is there yet."""
    check_outputs(None, [Path(str(answers[k])) for k in wanted.sources if k in answers], others=(path,))  # fmt: skip
    text = wanted.text(answers, path)
    try:
        return text, list(wanted.check(text, path))
    except FacetraceError as problem:
        place = rf"^{re.escape(str(path))}(:\d+)?: "
        raise FacetraceError(re.sub(place, "", str(problem))) from None


def _kind(kind: str) -> "NewFile":
    from facetrace.cli import new_cut, new_rough

    return {"design": new_cut.DESIGN, "stone": new_cut.STONE, "rough": new_rough.ROUGH, "prices": new_rough.PRICES}[kind]  # fmt: skip


def _implied(given: Mapping[str, str]) -> dict[str, str]:
    """Who names a scan need not say that there is one."""
    return ({"shape": "scan"} if "scan" in given else {}) | dict(given)


def _check_given(kind: str, given: Mapping[str, str], keys: list[str]) -> None:
    odd = [key for key in given if key not in keys]
    if odd:
        options = ", ".join(f"--{key.replace('_', '-')}" for key in keys)
        raise FacetraceError(f"--{odd[0].replace('_', '-')} does not go with {kind}, which takes {options}")  # fmt: skip


def _check_free(path: Path, force: bool) -> None:
    if path.suffix.lower() != ".toml":
        raise FacetraceError(f"{path}: is written as TOML; let its name end in .toml")
    check_outputs(None, (), others=(path,))
    if path.exists() and not force:
        raise FacetraceError(f"{path}: is there already; name another file, or --force writes over it")  # fmt: skip


# ---- the shop -----------------------------------------------------------------------------------


def _shop_for(kind: str, keys: list[str], ask: bool) -> "Shop | None":
    """What the shop has: from its file, else asked once and kept; None where nobody can be asked."""
    from facetrace.cli.shop import read_shop, shop_file

    wanted = any(key in keys for key in SHOP_OPTIONS)
    path = shop_file()
    shop = read_shop(path) if wanted else None
    if shop or not wanted:
        return shop
    if not ask:
        return None
    note("First your shop, asked only once. Enter takes what stands in brackets.")
    shop = _asked_shop({}, ask)
    _keep(shop, path, must=False)
    return shop


def _asked_shop(given: Mapping[str, str], ask: bool, old: "Shop | None" = None) -> "Shop":
    from facetrace.cli.asking import NONE, answered
    from facetrace.cli.shop import SHOP_QUESTIONS, as_typed, money_question, shop_of

    questions = (*SHOP_QUESTIONS.values(), money_question(NONE))
    return shop_of(answered(questions, given, ask, as_typed(old) if old else None)[0])


def _keep(shop: "Shop", path: Path | None, must: bool) -> None:
    from facetrace.cli.shop import keep_shop

    try:
        note(f"Kept in {keep_shop(shop, path)}; change it with any editor.")
    except FacetraceError as problem:
        if must:
            raise
        note(f"{problem}. It counts for this file only.")


def _shop(given: Mapping[str, str], ask: bool, file: Path | None, force: bool) -> None:
    """Show the shop's file; where it is not there, or is to be made anew, ask for it and keep it."""
    from facetrace.cli.shop import read_shop, shop_file, shop_text

    if file is not None:
        raise FacetraceError("shop takes no file; its place is the same for all that you make")
    _check_given("shop", given, list(SHOP_OPTIONS))
    path = shop_file()
    shop = read_shop(path)
    if shop and not force:
        if given:
            raise FacetraceError(f"{path}: is there already; change it with any editor, or add --force")  # fmt: skip
        note(str(path))
    else:
        shop = _asked_shop(given, ask, shop)
        if ask or given:
            _keep(shop, path, must=True)
        else:
            note("No file of your shop yet; this is the usual. Options say yours, like --gear 80.")
    out.print(shop_text(shop), end="", soft_wrap=True)
