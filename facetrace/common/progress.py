"""How long work is shown: a context under a title gives what takes the share that is done, 0 to 1."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

# takes a line of words about the work
Tell = Callable[[str], None]
ProgressBar = Callable[[str], AbstractContextManager[Callable[[float], None]]]


@contextmanager
def silent(_: str) -> Iterator[Callable[[float], None]]:
    """Shows nothing."""
    yield lambda _: None


def untold(_: str) -> None:
    """Words that nobody hears."""
