"""Errors a user can mend. Anything else that is raised is a defect of facetrace."""

import re

# C0 but tab and line feed, DEL and C1; ends of line and paragraph; what turns the direction of writing for more than a
# character (Unicode Standard Annex 9, 2.1 to 2.5); halves of surrogate pairs
CONTROL_CHARACTERS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)
# letters of a problem: what a file says is quoted, and a file may say much
MOST_LETTERS = 320
# and of a name in it
MOST_NAME = 200


class FacetraceError(Exception):
    """One line: where, what is wrong, what would be right. The command line exits with 2 on it."""

    def __init__(self, message: object) -> None:
        super().__init__(visible(str(message)))


class FileError(FacetraceError):
    """Something in a file: its path, the line where known, the key, and what is wrong."""

    def __init__(self, path: object, line: int | None, key: str, problem: str) -> None:
        place = f"{path}:{line}" if line else f"{path}"
        where = f"{key}: " if key else ""
        super().__init__(f"{place}: {where}{shortened(visible(problem))}")

    def __reduce__(self) -> tuple[type[FacetraceError], tuple[str]]:
        """As the line that it is: so it comes out of a process of its own."""
        return FacetraceError, (str(self),)


def visible(text: str) -> str:
    r"""The text with each control character written out, like \x1b."""
    return CONTROL_CHARACTERS.sub(lambda m: m[0].encode("unicode_escape").decode("ascii"), text)


def shortened(text: str, most: int = MOST_LETTERS) -> str:
    """The text, its middle left out where it is longer than *most*: the remedy stands at the end."""
    if len(text) <= most:
        return text
    head = most * 2 // 3
    return f"{text[:head]} ... {text[head - most :]}"
