"""Where the program starts: a Ctrl-C while everything else is still being imported ends it without a traceback."""

from __future__ import annotations

import sys

from models.cores import without_idle_threads
from optimizer.base.clock import wall
from optimizer.base.interruption import stop_on_signals, stopped


def main() -> None:
    """The command line, with the command that opens the page."""
    began = wall()  # the interpreter's own start, some 0.05 s, is not counted
    stop_on_signals()
    try:
        without_idle_threads()
        from optimizer.app.cli import app
        from optimizer.app.cli import main as command_line
        from optimizer.page.command import add_to
    except KeyboardInterrupt:
        sys.exit(stopped())
    add_to(app)
    command_line(began)


if __name__ == "__main__":
    main()
