"""Commands without a scenario: a folder to start from, the schema, and the peaks of a recorded trace."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from optimizer.app.options import AsJson, Force, FromTrace, MinSignalToNoise, MinWidth, Out


def _names(incomplete: str) -> list[str]:
    """Names of scenarios, for the shell to complete."""
    from optimizer.app.shipped_scenarios import shipped_scenarios

    return [each.name for each in shipped_scenarios() if each.name.startswith(incomplete)]


def new(
    folder: Annotated[Path | None, typer.Argument(help="The folder to make.", show_default=False)] = None,
    source: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="NAME",
            help="Copy this scenario; a blank one to fill in when left out.",
            autocompletion=_names,
            show_default=False,
        ),
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="List the scenarios that can be copied.")] = False,
) -> None:
    """A new scenario folder: blank, or a copy of one that is shipped."""
    from optimizer.app import interface
    from optimizer.app.shipped_scenarios import shipped_scenarios
    from optimizer.base.errors import ScenarioError

    if listed:
        if folder is not None or source is not None:
            raise ScenarioError("--list only lists; leave the folder and --from out")
        shipped = shipped_scenarios()
        width = max(len(each.name) for each in shipped)
        for each in shipped:
            typer.echo(f"{each.name:{width}}  {each.title}")
        return
    if folder is None:
        raise ScenarioError(
            "name the folder to make, as in rampwright new FOLDER, or --list the scenarios to copy"
        )
    made = interface.copy_scenario(folder, source)
    typer.echo(f"{folder}: {', '.join(made)}")
    if source is None:
        typer.echo(
            f"Fill in {folder / 'scenario.toml'}; rampwright check {folder} says what is still missing."
        )
    else:
        typer.echo(f"Next: rampwright check {folder}")


def schema() -> None:
    """The keys of a scenario as a JSON Schema, for editors."""
    from optimizer.app.shipped_scenarios import SCHEMA

    typer.echo(SCHEMA.read_text(encoding="utf-8"), nl=False)


def peaks_of_file(
    file: Annotated[
        Path,
        typer.Argument(
            help="A recorded trace: ASTM E1947 (netCDF classic), or a CSV time_min,signal.",
            show_default=False,
        ),
    ],
    min_signal_to_noise: MinSignalToNoise = None,
    min_width_s: MinWidth = None,
    from_trace: FromTrace = False,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """The peaks in a recorded trace, as a picture and a peak table.

    They are for approval: put names in before the table becomes a scouting run.
    """
    from optimizer.app import interface
    from optimizer.app.screen import ProgressBar, finish
    from optimizer.base.output import prepare_folder

    if out is not None:
        prepare_folder(out, "peaks", force)
    with ProgressBar(first=None) if not as_json else nullcontext() as progress:
        made = interface.peaks(
            file,
            min_signal_to_noise=min_signal_to_noise,
            min_width_s=min_width_s,
            from_trace=from_trace,
            progress=progress,
        )
    finish(made, out, force, as_json)
