"""Signals that stop the program: what they raise, and how they are kept off what must not be cut in two."""

import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from types import FrameType

# Ctrl-C, a polite kill, the terminal's closing; Windows has no SIGHUP
STOPPING = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
# libraries may catch whatever comes while they are imported, and go on: so it is raised again after so many s
REPEAT_SECONDS = 1.0
_RAISING = (*STOPPING, signal.SIGALRM) if hasattr(signal, "SIGALRM") else STOPPING


class Stopped(BaseException):
    """Raised where a signal stops the program; number: of the signal. No KeyboardInterrupt, which libraries answer."""

    def __init__(self, number: int = signal.SIGINT) -> None:
        super().__init__(number)
        self.number = number

    @property
    def code(self) -> int:
        """What a shell reports of a command that this signal stopped."""
        return 128 + self.number


def install() -> None:
    """Have every stopping signal raise Stopped, but leave ignored those that were (nohup, a shell's &)."""
    for number in STOPPING:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _stop)
    usual = sys.unraisablehook

    def hook(told: "sys.UnraisableHookArgs") -> None:
        # where an object's end was cut in two: it comes again
        if not isinstance(told.exc_value, Stopped):
            usual(told)

    sys.unraisablehook = hook


def stop_repeating() -> None:
    """What was raised has arrived: it does not come again."""
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, 0)


def restore() -> None:
    """Have stopping signals end the process at once again."""
    stop_repeating()
    for number in STOPPING:
        if signal.getsignal(number) is _stop:
            signal.signal(number, signal.SIG_DFL)


def _stop(number: int, _: FrameType | None) -> None:
    def again(*_: object) -> None:
        raise Stopped(number)

    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, again)
        signal.setitimer(signal.ITIMER_REAL, REPEAT_SECONDS, REPEAT_SECONDS)
    raise Stopped(number)


@contextmanager
def _handled(
    numbers: Iterable[int], handler: Callable[[int], object], *, once: bool = False
) -> Iterator[None]:
    """Have *handler* answer these signals within the block, or the first of them. In the main thread alone.

    A signal that is ignored stays so; handlers that Python does not know of (None) are left alone.
    """
    before = {number: signal.getsignal(number) for number in numbers}
    ours = {n: h for n, h in before.items() if h not in (signal.SIG_IGN, None)}

    def put_back() -> None:
        for number, usual in ours.items():
            signal.signal(number, usual)

    def answer(number: int, _: FrameType | None) -> None:
        if once:
            put_back()
        handler(number)

    for number in ours:
        signal.signal(number, answer)
    try:
        yield
    finally:
        put_back()


@contextmanager
def signals_deferred() -> Iterator[None]:
    """Stopping signals wait until the block is done. Of use in the main thread, which they reach."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []
    try:
        with _handled(_RAISING, waiting.append):
            yield
    finally:
        if waiting:
            signal.raise_signal(waiting[0])


@contextmanager
def signals_blocked() -> Iterator[None]:
    """Processes and threads that are begun here never see a stopping signal; for this one it waits."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class StopRequest:
    """Whether a stopping signal came; number: of the first."""

    def __init__(self) -> None:
        self.number: int | None = None

    def __call__(self) -> bool:
        """Whether one came."""
        return self.number is not None

    def note(self, number: int) -> None:
        """A signal of this number came."""
        self.number = number


@contextmanager
def first_signal_noted() -> Iterator[StopRequest]:
    """The first stopping signal is only noted, so that the work can end with what it has; the second stops as usual."""
    found = StopRequest()
    if threading.current_thread() is not threading.main_thread():
        yield found
        return
    with _handled(STOPPING, found.note, once=True):
        yield found
