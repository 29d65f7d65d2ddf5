"""The command line: parse, call, finish. Everything heavy is imported by the command that needs it."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated, Any

import typer

from models.engine.cache import on_compile
from optimizer import __version__
from optimizer.app.campaign_command import add, next_run
from optimizer.app.new_command import new, peaks_of_file, schema
from optimizer.app.options import (
    Accept,
    AllColumns,
    AsJson,
    CandidateRank,
    Cores,
    Force,
    FromTrace,
    Matching,
    MinSignalToNoise,
    MinWidth,
    Out,
    OutNeeded,
    ProgramFile,
    ResultsFolder,
    Rounds,
    ScenarioPath,
    Seconds,
    TakesProgram,
    adapt_every_column,
    fit_first,
    program_of_options,
)
from optimizer.app.screen import (
    NOT_FEASIBLE,
    ProgressBar,
    console,
    errors_told,
    finish,
    prepare_streams,
    print_json,
    say_compiling,
    show,
)
from optimizer.base.clock import wall
from optimizer.base.errors import options_meant
from optimizer.base.interruption import finishing, stop_on_signals

app = typer.Typer(
    name="rampwright",
    help="From two or three scouting runs of a gas chromatograph to the shortest program that resolves every pair.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"rampwright {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    context.with_resource(options_meant())


app.command(epilog="Example: rampwright new mymethod")(new)
app.command(epilog="Example: rampwright schema > scenario.schema.json")(schema)
app.command("next", epilog="Example: rampwright next mymethod")(next_run)
app.command(epilog="Example: rampwright add mymethod --run run3.csv")(add)
app.command("peaks", epilog="Example: rampwright peaks run.cdf --out found")(peaks_of_file)


@app.command(epilog="Example: rampwright check mymethod")
def check(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Read everything, show the inputs, run nothing."""
    from optimizer.app import interface

    made = interface.check(interface.load_scenario(scenario, runs_needed=False))
    if as_json:
        print_json(made.to_dict())
    else:
        made.show(console())


@app.command(epilog="Example: rampwright fit mymethod")
def fit(
    scenario: ScenarioPath,
    matching: Matching = None,
    accept: Accept = False,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Retention parameters from the scouting runs, with residuals.

    Proposes names for peaks without.
    """
    from optimizer.app import interface
    from optimizer.app.peak_proposal import show_proposal
    from optimizer.base.errors import UnnamedPeaks
    from optimizer.base.output import prepare_folder

    if out is not None:
        prepare_folder(out, "fit", force)
    try:
        made = interface.fit(scenario, matching=matching, accept=accept)
    except UnnamedPeaks as unnamed:
        show(unnamed.proposal, as_json, show_proposal)
        return
    finish(made, out, force, as_json)


@app.command(cls=TakesProgram, epilog="Example: rampwright predict mymethod --program other.toml")
def predict(
    scenario: ScenarioPath,
    program: ProgramFile = None,
    candidate: CandidateRank = None,
    results: ResultsFolder = None,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """The chromatogram and peak table that a program will give."""
    from optimizer.app import interface
    from optimizer.base.output import prepare_folder

    loaded = interface.load_scenario(scenario)
    wanted = program_of_options(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "predict", force)
    finish(interface.predict(interface.fit(loaded), wanted), out, force, as_json)


@app.command(epilog="Example: rampwright optimize mymethod --out results")
def optimize(
    context: typer.Context,
    scenario: ScenarioPath,
    out: OutNeeded,
    seconds: Seconds = None,
    rounds: Rounds = None,
    cores: Cores = None,
    no_what_if: Annotated[
        bool, typer.Option("--no-what-if", help="Try no single changes when nothing meets the goal.")
    ] = False,
    start_from: Annotated[
        Path | None,
        typer.Option(help="A program file, or a folder that optimize wrote.", show_default=False),
    ] = None,
    study: Annotated[
        str | None,
        typer.Option(
            envvar="RAMPWRIGHT_STUDY",
            help="Keep the search in this file, or on a server: postgresql://user@host/database (docs/workers.md).",
            show_default=False,
        ),
    ] = None,
    study_name: Annotated[
        str | None,
        typer.Option(help="Its name there; the scenario's title when left out.", show_default=False),
    ] = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """The main job: fit, search, candidates, report.

    Ctrl-C ends the search with the best so far.
    """
    from optimizer.app import interface
    from optimizer.base.output import prepare_folder
    from optimizer.search.study_place import place_of_option

    place = place_of_option(study, study_name, context.get_parameter_source("study"))
    loaded = interface.load_scenario(scenario)
    prepare_folder(out, "optimize", force)  # better known before the search than after it
    fitted, seconds = fit_first(loaded, context, seconds, rounds, cores if place is None else 1)
    with ProgressBar() as progress:
        made = interface.optimize(
            fitted,
            seconds=seconds,
            rounds=rounds,
            what_if=not no_what_if,
            study=place,
            study_name=study_name,
            start_from=start_from,
            cores=cores,
            progress=progress,
        )
    if made.outcome.interrupted and not made.candidates:
        raise KeyboardInterrupt  # there is nothing to write, and an earlier result may be there
    with finishing():
        made.save(out, force)
    finish(made, None, force, as_json)
    if not as_json:
        console().print(f"Report: {out / 'report.html'} (result mark {made.mark})", markup=False)
    if not made.feasible:
        raise typer.Exit(NOT_FEASIBLE)


@app.command(epilog="Example: rampwright sweep mymethod --vary start_C=40:120")
def sweep(
    scenario: ScenarioPath,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="A set point and its range, NAME=FROM:TO[:COUNT] as in start_C=40:120; once or twice.",
            show_default=False,
        ),
    ] = None,
    window: Annotated[
        bool, typer.Option("--window", help="The window diagram over isothermal temperatures instead.")
    ] = False,
    program: ProgramFile = None,
    candidate: CandidateRank = None,
    results: ResultsFolder = None,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Resolution and run time while one or two set points vary.

    Or the window diagram over isothermal temperatures.
    """
    from optimizer.app import interface
    from optimizer.base.errors import ScenarioError
    from optimizer.base.output import prepare_folder

    if window and vary:
        raise ScenarioError(
            "--window varies the temperature of isothermal runs by itself; leave --vary out, or --window"
        )
    loaded = interface.load_scenario(scenario)
    method = program_of_options(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "sweep", force)
    fitted = interface.fit(loaded)
    made = interface.window(fitted, method) if window else interface.sweep(fitted, vary or [], method)
    finish(made, out, force, as_json)


@app.command(epilog="Example: rampwright adapt mymethod --gas hydrogen --out adapted")
def adapt(
    scenario: ScenarioPath,
    gas: Annotated[str | None, typer.Option(help="The new carrier gas.", show_default=False)] = None,
    outlet: Annotated[
        str | None, typer.Option(help="The new outlet: ambient or vacuum.", show_default=False)
    ] = None,
    length_m: Annotated[
        float | None, typer.Option("--length-m", help="Of the new column.", show_default=False)
    ] = None,
    inner_diameter_mm: Annotated[
        float | None, typer.Option("--inner-diameter-mm", help="Of the new column.", show_default=False)
    ] = None,
    film_thickness_um: Annotated[
        float | None, typer.Option("--film-thickness-um", help="Of the new column.", show_default=False)
    ] = None,
    flow_mL_min: Annotated[
        float | None,
        typer.Option(
            "--flow-mL-min", help="To be set; the usual fast flow when left out.", show_default=False
        ),
    ] = None,
    inlet_kPa: Annotated[
        float | None, typer.Option("--inlet-kPa", help="To be set instead, gauge.", show_default=False)
    ] = None,
    all_columns: AllColumns = False,
    trim_m: Annotated[
        float | None, typer.Option("--trim-m", help="Length cut off the column in use.", show_default=False)
    ] = None,
    marker: Annotated[
        str | None,
        typer.Option(help="Whose time is restored after a cut; the last target.", show_default=False),
    ] = None,
    program: ProgramFile = None,
    candidate: CandidateRank = None,
    results: ResultsFolder = None,
    tune: Annotated[
        bool | None,
        typer.Option(help="Search on the new system too; done unless --trim-m is given.", show_default=False),
    ] = None,
    seconds: Seconds = None,
    rounds: Rounds = None,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """The method on another gas, outlet or column; or a piece cut off.

    Tuned there by a search, unless a piece is cut off.
    """
    from optimizer.app import interface
    from optimizer.base.errors import ScenarioError
    from optimizer.base.output import prepare_folder

    if marker is not None and trim_m is None:
        raise ScenarioError("--marker names the compound whose time a cut moved; give the cut with --trim-m")
    changes: dict[str, Any] = {
        "gas": gas,
        "outlet": outlet,
        "length_m": length_m,
        "inner_diameter_mm": inner_diameter_mm,
        "film_thickness_um": film_thickness_um,
        "flow_mL_min": flow_mL_min,
        "inlet_kPa": inlet_kPa,
    }
    if all_columns and (trim_m, *changes.values()) != (None,) * (1 + len(changes)):
        raise ScenarioError("--all takes columns and gases from [[columns]]; leave the other changes out")
    if trim_m is not None and any(value is not None for value in changes.values()):
        raise ScenarioError(
            "--trim-m says what was cut off the column in use; leave the other changes out, or give the length that is "
            "left with --length-m"
        )
    loaded = interface.load_scenario(scenario)
    method = program_of_options(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "adapt", force)
    fitted = interface.fit(loaded)
    tuned = trim_m is None if tune is None else tune
    if all_columns:
        raise typer.Exit(adapt_every_column(fitted, method, tuned, seconds, rounds, out, force, as_json))
    with ProgressBar() if tuned else nullcontext() as progress:
        budget = {"tune": True, "tune_seconds": seconds, "tune_rounds": rounds, "progress": progress}
        search: dict[str, Any] = budget if tuned else {}
        if trim_m is None:
            made = interface.adapt(fitted, method, **changes, **search)
        else:
            made = interface.trim(fitted, trim_m, method, marker=marker, **search)
    finish(made, out, force, as_json)
    if made.outcome and not made.outcome.feasible:
        raise typer.Exit(NOT_FEASIBLE)


@app.command(epilog="Example: rampwright compare mymethod --run confirm.csv --candidate 1 --results results")
def compare(
    scenario: ScenarioPath,
    run: Annotated[
        Path, typer.Option(help="Peak table or trace of the confirmation run.", show_default=False)
    ],
    program: ProgramFile = None,
    candidate: CandidateRank = None,
    results: ResultsFolder = None,
    min_signal_to_noise: MinSignalToNoise = None,
    min_width_s: MinWidth = None,
    from_trace: FromTrace = False,
    retune: Annotated[
        bool, typer.Option("--retune", help="Search again for a few seconds with this run in the fit.")
    ] = False,
    seconds: Annotated[
        float | None, typer.Option(help="Time budget of that search; 6 s when left out.", min=0.1)
    ] = None,
    rounds: Rounds = None,
    matching: Matching = None,
    accept: Accept = False,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """A run that was made against its prediction, and a refit with it.

    Is it as predicted, has all of it shifted, has a peak a wrong name?
    """
    from optimizer.app import interface
    from optimizer.app.peak_proposal import show_proposal
    from optimizer.base.errors import ScenarioError, UnnamedPeaks
    from optimizer.base.output import prepare_folder

    if not retune and (seconds, rounds) != (None, None):
        raise ScenarioError(
            "--seconds and --rounds are budgets of the search that --retune asks for; give it, too"
        )
    loaded = interface.load_scenario(scenario)
    method = program_of_options(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "compare", force)
    fitted = interface.fit(loaded)
    try:
        with ProgressBar() if retune else nullcontext() as progress:
            made = interface.compare(
                fitted,
                run,
                method,
                min_signal_to_noise=min_signal_to_noise,
                min_width_s=min_width_s,
                from_trace=from_trace,
                matching=matching,
                accept=accept,
                retune=retune,
                retune_seconds=seconds,
                retune_rounds=rounds,
                progress=progress,
            )
    except UnnamedPeaks as unnamed:
        show(unnamed.proposal, as_json, show_proposal)
        return
    finish(made, out, force, as_json)


@app.command(epilog="Example: rampwright scout mymethod --results results")
def scout(
    scenario: ScenarioPath,
    results: Annotated[
        Path | None,
        typer.Option(help="A folder that optimize wrote, to begin from.", show_default=False),
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(help="Time budget; 60 when left out, 30 with --results.", min=0.1)
    ] = None,
    rounds: Rounds = None,
    cores: Cores = None,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Every run that may come next, by worth; at first, two ramps."""
    from optimizer.app import interface
    from optimizer.base.output import prepare_folder

    loaded = interface.load_scenario(scenario, runs_needed=False)
    if out is not None:
        prepare_folder(out, "scout", force)
    with ProgressBar(None) as progress:  # of what has to be searched
        made = interface.scout(
            loaded, results=results, seconds=seconds, rounds=rounds, cores=cores, progress=progress
        )
    finish(made, out, force, as_json)


def main(began: float | None = None) -> None:
    """Entry point of a command that began at some time [s] by `clock.wall`; now when None."""
    stop_on_signals()
    prepare_streams()
    on_compile(say_compiling)
    with errors_told():
        app(obj=wall() if began is None else began)


if __name__ == "__main__":
    main()
