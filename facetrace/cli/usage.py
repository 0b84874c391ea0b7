"""What is wrong with a command line, in one line on stderr."""

import difflib
import re
import sys
from collections.abc import Sequence
from typing import Any

import typer
from typer.core import TyperGroup

from facetrace.cli.shell import complain, last_word, wrong
from facetrace.common.errors import FacetraceError

# words of the libraries that read the command line, and ours
WORDS = (
    (r"Value error, ", ""),
    (r"Input should be a valid integer.*", "must be a whole number"),
    (r"Input should be a valid number.*", "must be a number"),
    (r"Input should be ", "must be "),
    (r"Got unexpected extra arguments?(\(s\))? ", "takes no further words "),
    (r"greater than or equal to ", "at least "),
    (r"less than or equal to ", "at most "),
    (r"^Option '(.*)' requires an argument", r"\1 needs a value after it"),
    (
        r"([Ff]ile|[Dd]irectory|[Pp]ath) '(.*)' is not readable",
        r"\2 cannot be read (Permission denied)",
    ),
    (r"^No such command", "no command"),
    (r"Did you mean", "did you mean"),
)


class Commands(TyperGroup):
    """All commands of facetrace; a mistake on the command line is told in one line and ends with 2."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """As a console script does, it ends the process unless *standalone_mode* is off."""
        try:
            status = super().main(
                args, prog_name, complete_var, False, windows_expand_args, **extra
            )
        except typer.Abort:
            if not standalone_mode:
                raise
            last_word("stopped; nothing was written")
            sys.exit(1)
        except FacetraceError as error:
            # help and version, where they cannot be printed
            if not standalone_mode:
                raise
            complain(error)
            sys.exit(2)
        except Exception as error:
            if not standalone_mode or not hasattr(error, "format_message"):
                raise
            # help instead of a command has been printed already
            if type(error).__name__ != "NoArgsIsHelpError":
                wrong(sentence(error))
            sys.exit(getattr(error, "exit_code", 2))
        if not standalone_mode:
            return status
        sys.exit(status if isinstance(status, int) else 0)


def sentence(error: Any) -> str:
    """A usage error of the command line's library in one line: where, what, and where help is."""
    context = getattr(error, "ctx", None)
    command = context.info_name if context and context.parent else ""
    text = _what(error, context)
    for theirs, ours in WORDS:
        text = re.sub(theirs, ours, text)
    text = " ".join(text.split()).rstrip(".").replace(". did", "; did")
    words = ("facetrace", command, "--help") if command else ("facetrace", "--help")
    return f"{command + ': ' if command else ''}{text} (help: {' '.join(words)})"


def _what(error: Any, context: Any) -> str:
    option = getattr(error, "option_name", None)
    if option and type(error).__name__ == "NoSuchOption":
        known = [name for p in context.command.get_params(context) for name in p.opts if name.startswith("-")]  # fmt: skip
        near = difflib.get_close_matches(option, known, n=1)
        return f"no option {option}" + (f"; did you mean {near[0]}?" if near else "")
    param = getattr(error, "param", None)
    if param is None:
        return str(error.format_message())
    named = param.opts[0] if param.opts[0].startswith("-") else param.name
    if type(error).__name__ == "MissingParameter":
        return f"{named} is missing"
    return f"{named}: {error.message}"
