"""How long work is to be done: processes, a time to end by, a signal to stop, and progress."""

import time
from collections.abc import Callable
from dataclasses import dataclass

from facetrace.common.workers import Workers
from facetrace.placement.search import Watch

Report = Callable[[float], None]


def unseen(_: float) -> None:
    """Progress that nobody sees."""


@dataclass
class Run:
    """How the work is to be done: threads and processes, a time (``time.time``) to end by, whether it was stopped, progress.

    done, of: the design that is worked on, and how many there are; more: designs of other roughs that need their
    time, too; late: whether the work was ended; short: whether some work on the design had to end before it was done.
    """

    workers: Workers
    until: float | None = None
    stopped: Callable[[], bool] = lambda: False
    report: Report = unseen
    done: int = 0
    of: int = 1
    more: int = 0
    late: bool = False
    short: bool = False

    def over(self) -> bool:
        """Whether to end with what there is."""
        self.late = (
            self.late or self.stopped() or (self.until is not None and time.time() > self.until)
        )
        return self.late

    def end(self, share: float) -> float | None:
        """The time by which that *share* of the work on a design is to end: those that are left have equal parts."""
        now = time.time()
        return (
            None
            if self.until is None
            else now + share * (self.until - now) / max(1, self.of - self.done + self.more)
        )

    def watch(self, share: float = 0.0) -> Watch:
        """For one search, which takes that *share* of the work on its design; 0: which may take all the time that is left."""
        end = self.end(share) if share else None

        def over() -> bool:
            ended = self.over() or (end is not None and time.time() > end)
            self.short = self.short or ended
            return ended

        return Watch(lambda done: self.report((self.done + share * done) / self.of), over)
