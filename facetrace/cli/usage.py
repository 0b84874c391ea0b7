"""What is wrong with a command line, in one line on stderr."""

import sys
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any

import typer
from typer.core import TyperGroup

from facetrace.cli.shell import complain, last_word, wrong
from facetrace.common.errors import FacetraceError
from facetrace.common.meant import comma_in

# what is wrong with a value, by pydantic's name for it; limits stand behind the words
KINDS = {"int": "must be a whole number", "float": "must be a number"}
LIMITS = {
    "greater_than_equal": ("ge", "must be at least"),
    "less_than_equal": ("le", "must be at most"),
}
# of what the library says in words alone
TOO_MANY, UNREADABLE = "Got unexpected extra argument(s) ", " is not readable."


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

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The command that the first word names."""
        name = args[0]
        if name in self.commands or (name.startswith("-") and name != "-"):
            return super().resolve_command(ctx, args)
        near = ", ".join(map(repr, get_close_matches(name, self.commands)))
        return ctx.fail(f"no command {name!r}" + (f"; did you mean {near}?" if near else ""))


def sentence(error: Any) -> str:
    """A usage error of the command line's library in one line: where, what, and where help is."""
    context = getattr(error, "ctx", None)
    command = context.info_name if context and context.parent else ""
    text = " ".join(_what(error, context).split()).rstrip(".")
    words = ("facetrace", command, "--help") if command else ("facetrace", "--help")
    return f"{command + ': ' if command else ''}{text} (help: {' '.join(words)})"


def _what(error: Any, context: Any) -> str:
    kind = type(error).__name__
    if kind == "NoSuchOption":
        known = [name for p in context.command.get_params(context) for name in p.opts if name.startswith("-")]  # fmt: skip
        near = get_close_matches(error.option_name, known, n=1)
        return f"no option {error.option_name}" + (f"; did you mean {near[0]}?" if near else "")
    if kind == "BadOptionUsage" and error.message.endswith("requires an argument."):
        return f"{error.option_name} needs a value after it"
    param = getattr(error, "param", None)
    if param is None:
        return str(error.format_message()).replace(TOO_MANY, "takes no further words ")
    named = param.opts[0] if param.opts[0].startswith("-") else param.name
    if kind == "MissingParameter":
        told = (getattr(param, "help", None) or "").partition(".")[0]
        return f"{named} is missing" + (f": {told[0].lower()}{told[1:]}" if told else "")
    return f"{named}: {_wrong_value(error)}"


def _wrong_value(error: Any) -> str:
    """What is wrong with an option's value."""
    cause = error.__cause__
    if cause is None or not hasattr(cause, "errors"):
        if not error.message.endswith(UNREADABLE):
            return str(error.message)
        path = error.message.removesuffix(UNREADABLE).partition(" ")[2].strip("'\"")
        return f"{path} cannot be read (Permission denied)"
    first = cause.errors()[0]
    kind, why = first["type"], first.get("ctx", {})
    if kind in LIMITS:
        name, words = LIMITS[kind]
        return f"{words} {_plain(why[name])}"
    if kind == "value_error":
        return str(why["error"])
    told = KINDS.get(kind.partition("_")[0]) or str(first["msg"])
    comma = comma_in(str(first.get("input", "")))
    return f"{told}; {comma}" if comma else told


def _plain(number: float) -> str:
    """Without an exponent, and without a point where it is whole."""
    return str(number) if isinstance(number, int) else f"{number:.9f}".rstrip("0").rstrip(".")
