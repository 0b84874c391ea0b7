"""Errors a user can mend. Anything else that is raised is a defect of facetrace."""


class FacetraceError(Exception):
    """One line: where, what is wrong, what would be right. The command line exits with 2 on it."""


class FileError(FacetraceError):
    """Something in a file: its path, the line where known, the key, and what is wrong."""

    def __init__(self, path: object, line: int | None, key: str, problem: str) -> None:
        place = f"{path}:{line}" if line else f"{path}"
        where = f"{key}: " if key else ""
        super().__init__(f"{place}: {where}{problem}")

    def __reduce__(self) -> tuple[type[FacetraceError], tuple[str]]:
        """As the line that it is: so it comes out of a process of its own."""
        return FacetraceError, (str(self),)
