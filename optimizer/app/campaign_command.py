"""The commands of a campaign: the run to make next, and the run that was made."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from optimizer.app.options import (
    AsJson,
    CandidateRank,
    Cores,
    FromTrace,
    MinSignalToNoise,
    MinWidth,
    ResultsFolder,
    Rounds,
    ScenarioPath,
    program_of_options,
)

ForceInCampaign = Annotated[
    bool, typer.Option("--force", help="Replace others' files in campaign/; kept as NAME.old.")
]


def add(
    scenario: ScenarioPath,
    run: Annotated[
        Path | None, typer.Option(help="Peak table or trace of the run that was made.", show_default=False)
    ] = None,
    program: Annotated[
        Path | None,
        typer.Option("--program", help="Program file of the run; what next proposed, else [current]."),
    ] = None,
    candidate: CandidateRank = None,
    results: ResultsFolder = None,
    name: Annotated[str | None, typer.Option(help="Of the run; the file's when left out.")] = None,
    day: Annotated[
        str | None, typer.Option(help="Label of its day; a day of its own from the third run on.")
    ] = None,
    hold_up_min: Annotated[
        float | None, typer.Option("--hold-up-min", help="Hold-up time measured in it.", min=0.001)
    ] = None,
    matching: Annotated[Path | None, typer.Option(help="Table of names for unnamed peaks.")] = None,
    min_signal_to_noise: MinSignalToNoise = None,
    min_width_s: MinWidth = None,
    from_trace: FromTrace = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask if every name is over 99 % sure.")] = False,
    accept: Annotated[
        bool, typer.Option("--accept", help="Nor if one is not: accept all as proposed.")
    ] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the run added last out again.")] = False,
    retune: Annotated[bool, typer.Option("--retune", help="Then search for a few seconds.")] = False,
    seconds: Annotated[
        float | None, typer.Option(help="Time budget of that search; 6 when left out.", min=0.1)
    ] = None,
    rounds: Rounds = None,
    force: ForceInCampaign = False,
    as_json: AsJson = False,
) -> None:
    """A run that was made, into the scenario.

    Names its peaks, compares it with its prediction, asks, writes.
    """
    from optimizer.app import interface, interface_campaign
    from optimizer.app.screen import ProgressBar, console, finish, print_json
    from optimizer.base.errors import ScenarioError

    loaded = interface.load_scenario(scenario, runs_needed=False)
    if undo:
        if run is not None:
            raise ScenarioError("--undo takes the run added last out again; leave --run out")
        console().print(interface_campaign.undo_run(loaded, force), markup=False, soft_wrap=True)
        return
    if run is None:
        raise ScenarioError("--run FILE names the peak table or trace of the run that was made")
    if not retune and (seconds, rounds) != (None, None):
        raise ScenarioError(
            "--seconds and --rounds are budgets of the search that --retune asks for; give it, too"
        )
    named = (program, candidate, results) != (None, None, None)
    addition = interface_campaign.add_run(
        loaded,
        run,
        program_of_options(loaded, program, candidate, results) if named else None,
        name=name,
        day=day,
        hold_up_min=hold_up_min,
        matching=matching,
        min_signal_to_noise=min_signal_to_noise,
        min_width_s=min_width_s,
        from_trace=from_trace,
    )
    if not as_json:
        addition.show(console())
    if not accept and not (yes and not addition.doubts):
        if yes or as_json or not sys.stdin.isatty():
            if as_json:
                print_json(addition.to_dict())
            raise ScenarioError(interface_campaign.why_not_written(addition))
        if not typer.confirm(f"Put this run into {loaded.path}?"):
            console().print("Nothing was written.")
            return
    made = addition.write(accept=True, force=force)
    if retune:
        with ProgressBar() if not as_json else nullcontext() as progress:
            made = interface_campaign.retuned(made, seconds, rounds, progress)
    finish(made, None, False, as_json)


def next_run(
    scenario: ScenarioPath,
    seconds: Annotated[float | None, typer.Option(help="Time budget; 60 when left out.", min=0.1)] = None,
    rounds: Rounds = None,
    cores: Cores = None,
    force: ForceInCampaign = False,
    as_json: AsJson = False,
) -> None:
    """Where the campaign stands, and the run to make next.

    Written into campaign/ beside the scenario: next.toml, set_points.txt and the history.
    """
    from optimizer.app import interface, interface_campaign
    from optimizer.app.screen import ProgressBar, console, finish

    loaded = interface.load_scenario(scenario, runs_needed=False)
    with ProgressBar() if not as_json else nullcontext() as progress:
        made = interface_campaign.next_run(
            loaded, seconds=seconds, rounds=rounds, cores=cores, progress=progress
        )
    folder = made.keep(force)
    finish(made, None, False, as_json)
    if not as_json:
        console().print(f"Written into {folder}.", markup=False, soft_wrap=True)
