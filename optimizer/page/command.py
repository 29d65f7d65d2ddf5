"""The open command: a page in the browser on which a program is changed by hand and seen at once."""

from __future__ import annotations

import importlib.util
import os
import sys
import threading
import webbrowser
from pathlib import Path
from typing import Annotated

import typer

NEEDED = ("starlette", "uvicorn")


def add_to(app: typer.Typer) -> None:
    """Add the command to a command line, once."""
    if not any(each.name == "open" for each in app.registered_commands):
        app.command("open", epilog="Example: rampwright open mymethod --results results")(open_page)


def open_page(
    scenario: Annotated[
        Path, typer.Argument(help="A scenario folder, or its scenario.toml; a new folder to set one up.")
    ],
    results: Annotated[
        list[Path] | None,
        typer.Option(
            help="A folder that optimize wrote, whose candidates to start from.", show_default=False
        ),
    ] = None,
    program: Annotated[
        list[Path] | None, typer.Option(help="A program file to start from.", show_default=False)
    ] = None,
    port: Annotated[
        int, typer.Option(help="Port on this machine; any free one when 0.", min=0, max=65535)
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """Change a program by hand on a page in the browser.

    A page in the browser, served on this machine alone.
    """
    from models.errors import RampwrightError

    missing = [each for each in NEEDED if importlib.util.find_spec(each) is None]
    if missing:
        raise RampwrightError(
            f"the page needs {' and '.join(missing)}: install rampwright with its extra, pip install 'rampwright[page]'"
        )
    from optimizer.page.gate import Gate
    from optimizer.page.server import HOST, application, bound, serve
    from optimizer.page.session import Session

    session = Session(scenario, results or (), program or ())
    listening = bound(port)
    gate = Gate(lambda code: typer.echo(f"For another page, or this one closed and opened again: {code}"))
    number = listening.getsockname()[1]
    address = f"http://{HOST}:{number}/"
    typer.echo(session.title)
    typer.echo(f"The page is at {address} and asks for a code, which works once: {gate.code}")
    typer.echo("Ctrl-C here closes it.")
    try:
        with listening:
            if browser and _has_screen():
                file = gate.redirect_file(address)
                threading.Thread(target=webbrowser.open, args=(file.as_uri(),), daemon=True).start()
            serve(application(session, gate, number), listening)
    except KeyboardInterrupt:
        typer.echo("Closed.")
    finally:
        gate.close()
        session.end()


def _has_screen() -> bool:
    """Whether a browser would have one; else a text browser would take over the terminal."""
    return sys.platform in ("win32", "darwin") or bool(
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )
