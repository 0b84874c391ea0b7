"""What is probably meant by a word or number that cannot be used."""

import difflib
import re
from collections.abc import Iterable

MOST_LETTERS = 60


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name that is meant: one that goes on where the word ends, or one that is spelt nearly so."""
    names = list(known)
    longer = (n for n in names if n.startswith(word) and re.match(r"[._ -]", n[len(word) :]))
    near = difflib.get_close_matches(word[:MOST_LETTERS], names, n=1)
    return next(longer, None) or (near[0] if near else None)


def comma_in(text: str) -> str | None:
    """What to write in place of a number with a comma; None for other text. 1,200 may be 1200 or 1.2."""
    found = re.fullmatch(r"\s*([-+]?\d+),(\d+)\s*", text)
    if not found:
        return None
    whole, part = found[1], found[2]
    if len(part) == 3 and whole.strip("+-0"):
        return f"{whole},{part} has a comma; write {whole}{part}, or {whole}.{part} for a little over {whole}"
    return f"{whole},{part} has a decimal comma; write {whole}.{part}"
