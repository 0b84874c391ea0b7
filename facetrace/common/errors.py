"""Errors a user can mend. Anything else that is raised is a defect of facetrace."""

# letters of a problem: what a file says is quoted, and a file may say much
MOST_LETTERS = 320


class FacetraceError(Exception):
    """One line: where, what is wrong, what would be right. The command line exits with 2 on it."""

    def __init__(self, message: object) -> None:
        super().__init__(plain(str(message)))


class FileError(FacetraceError):
    """Something in a file: its path, the line where known, the key, and what is wrong."""

    def __init__(self, path: object, line: int | None, key: str, problem: str) -> None:
        place = f"{path}:{line}" if line else f"{path}"
        where = f"{key}: " if key else ""
        super().__init__(f"{place}: {where}{shortened(problem)}")

    def __reduce__(self) -> tuple[type[FacetraceError], tuple[str]]:
        """As the line that it is: so it comes out of a process of its own."""
        return FacetraceError, (str(self),)


def plain(text: str) -> str:
    """The text with what a terminal would not show, or would obey, written as an escape."""
    return "".join(c if c.isprintable() or c in "\n\t" else ascii(c)[1:-1] for c in text)


def shortened(text: str, most: int = MOST_LETTERS) -> str:
    """The text, its middle left out where it is longer than *most*: the remedy stands at the end."""
    if len(text) <= most:
        return text
    head = most * 2 // 3
    return f"{text[:head]} ... {text[head - most :]}"
