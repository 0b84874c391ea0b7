"""What the user's shop has, kept in a file of the user's own and put into new files."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import Field

from facetrace.cli.asking import NONE, Question, number, plain_words
from facetrace.cli.shell import deliver
from facetrace.common.commented import Entry, Table, commented, plain
from facetrace.common.errors import FacetraceError
from facetrace.common.tomlfile import Strict, read_model

Loss = Annotated[float, Field(ge=0, le=5)]
Gear = Annotated[int, Field(ge=3, le=1000)]


class Shop(Strict):
    """The shop file. Lengths in mm; currency None where it was not said."""

    gear: Gear = 96
    kerf_mm: Loss = 0.4
    skin_mm: Loss = 0.15
    scan_mm: Loss = 0.05
    currency: Annotated[str, Field(min_length=1, max_length=20)] | None = None


@dataclass(frozen=True)
class Key:
    """A key of the shop file, the answer that it is, and what it means."""

    name: str
    answer: str
    words: str
    kind: Any


KEYS = (
    Key("gear", "gear", "teeth of the gear on your index wheel", Gear),
    Key("kerf_mm", "kerf", "width of a saw cut, mm", Loss),
    Key("skin_mm", "skin", "what grinding and polishing take off the skin of a rough, mm", Loss),
    Key("scan_mm", "scan_error", "how far your scan or caliper may be off, mm", Loss),
)
CURRENCY = "currency of your prices"


def shop_file() -> Path | None:
    """Where it is kept; None on a machine that has no place for it. A home is never made."""
    folder = Path(typer.get_app_dir("facetrace"))
    named = os.environ.get("APPDATA" if os.name == "nt" else "XDG_CONFIG_HOME")
    try:
        home = bool(named) or Path.home().is_dir()
    except (OSError, RuntimeError):
        home = False
    return folder / "shop.toml" if folder.is_absolute() and home else None


def read_shop(path: Path | None) -> Shop | None:
    """The shop, None where no file is there or none can be. Raises FileError for a broken one."""
    try:
        there = path is not None and path.exists()
    except OSError:
        there = False
    return read_model(path, Shop)[0] if path and there else None


def keep_shop(shop: Shop, path: Path | None) -> Path:
    """Write the file, and its folder where it is missing. Raises FacetraceError."""
    if path is None:
        raise FacetraceError("this machine has no place for your shop's file (no home)")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FacetraceError(f"{path}: cannot be written ({error.strerror})") from None
    deliver({path: shop_text(shop).encode()})
    return path


def shop_text(shop: Shop) -> str:
    """The file's text."""
    currency = Entry("currency", shop.currency or "coins", CURRENCY, off=shop.currency is None)
    entries = [Entry(k.name, plain(getattr(shop, k.name)), k.words) for k in KEYS]
    head = (
        "Your shop: `facetrace new` puts these numbers into new files. Files that are there stay as they are.",
    )
    return commented(head, (Table("", (*entries, currency)),))


def as_typed(shop: Shop) -> dict[str, str]:
    """The shop as answers, as one would type them."""
    known = {k.answer: f"{getattr(shop, k.name):g}" for k in KEYS}
    return known if shop.currency is None else known | {"currency": shop.currency}


def shop_of(answers: Mapping[str, Any]) -> Shop:
    """The shop from answers; what they leave out is the usual."""
    known = {k.name: answers[k.answer] for k in KEYS if k.answer in answers}
    if "gear" in known:
        known["gear"] = int(known["gear"])
    money = answers.get("currency")
    return Shop(**known, currency=None if money in (None, NONE) else money)


def _question(key: Key) -> Question:
    usual = f"{Shop.model_fields[key.name].default:g}"
    return Question(key.answer, lambda _: key.words.capitalize(), number(key.kind, "mm"), lambda _: usual)  # fmt: skip


def money_question(usual: str | None) -> Question:
    """Asked of the shop with "none" as the usual answer, of prices with none."""
    return Question("currency", lambda _: CURRENCY.capitalize(), _currency, lambda _: usual)


def _currency(text: str, _: Any) -> str:
    if len(text.strip()) > 20:
        raise FacetraceError("must have at most 20 letters")
    return plain_words(text, {})


SHOP_QUESTIONS = {key.answer: _question(key) for key in KEYS}
