"""Entry point of the console script."""

import os

# Ctrl-C may come while these are read, which takes longest
try:
    from facetrace.cli import shell, streams
    from facetrace.cli.commands import app
    from facetrace.common import signals
except KeyboardInterrupt:
    os.write(2, b"stopped; nothing was written\n")
    os._exit(130)


def main() -> None:
    """Run the command that the command line names."""
    try:
        signals.answer()
        streams.steady()
        app()
    except signals.Stopped as error:
        # before the command has begun, or after its end
        signals.caught()
        shell.last_word("stopped")
        raise SystemExit(shell.exit_code(error)) from None
    finally:
        # all is done: from here on a signal may end the process as it likes
        signals.forget()


if __name__ == "__main__":
    main()
