"""Entry point of the console script."""

import os
import sys

try:
    from facetrace.common import signals
except KeyboardInterrupt:
    os.write(2, b"stopped; nothing was written\n")
    os._exit(130)


def main() -> None:
    """Run the command that the command line names."""
    try:
        try:
            signals.install()
            # only now: reading these takes longest, and a signal may come meanwhile
            from facetrace.cli import streams
            from facetrace.cli.commands import app

            streams.guard_streams()
            streams.silence_libraries()
            app()
        finally:
            # all is done: from here on a signal may end the process as it likes
            signals.restore()
    except signals.Stopped as stopped:
        # before the command has begun, or after its end
        signals.restore()
        sys.stderr.write("stopped\n")
        sys.stderr.flush()
        raise SystemExit(stopped.code) from None


if __name__ == "__main__":
    main()
