"""The options that say where results go, the same in every command."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def _folder(text: str) -> Path:
    if not text:
        raise typer.BadParameter("an empty text names no folder; give its name, or . for the one you are in")
    return Path(text)


_OUT = typer.Option(
    "--out", help="Folder to write results into.", show_default=False, parser=_folder, metavar="<path>"
)
OutNeeded = Annotated[Path, _OUT]
Out = Annotated[Path | None, _OUT]
Force = Annotated[
    bool, typer.Option("--force", help="Replace others' files in --out; they are kept as NAME.old.")
]
