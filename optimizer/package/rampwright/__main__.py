"""Where the program starts: a Ctrl-C while everything else is still being imported ends it without a traceback."""

from __future__ import annotations

import sys

from optimizer.base.interruption import stop_on_signals, stopped


def main() -> None:
    """The command line."""
    stop_on_signals()
    try:
        from optimizer.app.cli import main as command_line
    except KeyboardInterrupt:
        sys.exit(stopped())
    command_line()


if __name__ == "__main__":
    main()
