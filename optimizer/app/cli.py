"""The command line: parse, call, finish. Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from models.engine.cache import on_compile
from models.errors import RampwrightError
from optimizer import __version__
from optimizer.app.chosen_program import chosen_program
from optimizer.app.new_command import new, schema
from optimizer.app.out_option import Force, Out, OutNeeded
from optimizer.app.peaks_command import FromTrace, MinSignalToNoise, MinWidth, peaks_of_file
from optimizer.app.screen import (
    ProgressBar,
    console,
    finish,
    never_fail_to_encode,
    print_json,
    say_compiling,
    show,
)
from optimizer.base.interruption import finishing, stop_on_signals, stopped, was_stopped
from optimizer.runs.detection import PeakDetection

DONE, WRONG_INPUT, NOT_FEASIBLE = 0, 2, 3

app = typer.Typer(
    name="rampwright",
    help="From two or three scouting runs of a gas chromatograph to the shortest program that resolves every pair.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

ScenarioPath = Annotated[Path, typer.Argument(help="A scenario folder, or its scenario.toml.")]
Matching = Annotated[Path | None, typer.Option(help="Table of names for unnamed peaks; proposed when new.")]
Accept = Annotated[bool, typer.Option("--accept", help="Accept the proposed names.")]
ProgramFile = Annotated[
    Path | None,
    typer.Option("--program", help="A program file (tables oven and carrier); [current] when left out."),
]
CandidateRank = Annotated[
    int | None,
    typer.Option("--candidate", help="Or the candidate of this rank in --results; 1 is the best.", min=1),
]
ResultsFolder = Annotated[Path | None, typer.Option("--results", help="Folder that optimize wrote.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")]
Seconds = Annotated[float | None, typer.Option(help="Time budget; the scenario's when left out.", min=0.1)]
Rounds = Annotated[int | None, typer.Option(help="Or descents: a seed gives the same anywhere.", min=1)]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"rampwright {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None: ...


app.command(epilog="Example: rampwright new mymethod")(new)
app.command(epilog="Example: rampwright schema > scenario.schema.json")(schema)
app.command("peaks", epilog="Example: rampwright peaks run.cdf --out found")(peaks_of_file)


@app.command(epilog="Example: rampwright check mymethod")
def check(scenario: ScenarioPath, as_json: AsJson = False) -> None:
    """Read everything, show the inputs, run nothing."""
    from optimizer.results.documents import check_document
    from optimizer.scenario.reading import load_scenario
    from optimizer.show.console.common import show_check

    show(check_document(load_scenario(scenario, runs_needed=False)), as_json, show_check)


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
    from optimizer.app.peak_proposal import proposal_document, proposed, show_proposal
    from optimizer.base.output import prepare_folder
    from optimizer.scenario.reading import load_scenario

    if out is not None:
        prepare_folder(out, "fit", force)
    proposal, names = proposed(scenario, matching, accept)
    if proposal is not None and not accept:
        show(proposal_document(proposal, names, scenario), as_json, show_proposal)
        return
    made = interface.fit(load_scenario(scenario, matching=names))
    finish(made, out, force, as_json)


@app.command(epilog="Example: rampwright predict mymethod --program other.toml")
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
    from optimizer.goal.limits import check_heating
    from optimizer.scenario.reading import load_scenario

    loaded = load_scenario(scenario)
    wanted, origin = chosen_program(loaded, program, candidate, results)
    check_heating(loaded, wanted, origin)
    if out is not None:
        prepare_folder(out, "predict", force)
    made = interface.predict(interface.fit(loaded), wanted)
    finish(made, out, force, as_json)


@app.command(epilog="Example: rampwright optimize mymethod --out results")
def optimize(
    context: typer.Context,
    scenario: ScenarioPath,
    out: OutNeeded,
    seconds: Seconds = None,
    rounds: Rounds = None,
    no_what_if: Annotated[
        bool, typer.Option("--no-what-if", help="Try no single changes when nothing meets the goal.")
    ] = False,
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
    from optimizer.app.interface_results import Fitted, Optimized
    from optimizer.base.output import prepare_folder
    from optimizer.goal.cautions import cautions_of
    from optimizer.methods.workflow import fit_scenario
    from optimizer.methods.workflow import optimize as search
    from optimizer.scenario.reading import load_scenario
    from optimizer.search.study_place import place_of_option
    from optimizer.show.console.candidates import show_candidates
    from optimizer.show.console.common import show_cautions, show_warnings

    place = place_of_option(study, study_name, context.get_parameter_source("study"))
    loaded = load_scenario(scenario)
    prepare_folder(out, "optimize", force)  # better known before the search than after it
    fitted = Fitted(loaded, fit_scenario(loaded))
    with ProgressBar() as progress:
        problem, outcome = search(
            loaded,
            fitted.fit,
            seconds,
            progress,
            what_if=not no_what_if,
            study=place,
            study_name=study_name,
            rounds=rounds,
        )
    if outcome.interrupted and not outcome.candidates:
        raise KeyboardInterrupt  # there is nothing to write, and an earlier result may be there
    with finishing():
        made = Optimized(fitted, problem, outcome)
        made.save(out, force)
    if as_json:
        print_json({"result_mark": made.mark, **made.to_dict()})
    else:
        screen = console()
        show_candidates(screen, loaded, outcome)
        show_warnings(screen, list(fitted.warnings))
        show_cautions(screen, list(cautions_of(loaded, outcome)))
        if outcome.interrupted:
            screen.print("The search was stopped early; these are the best programs it had.")
        if outcome.study is not None:
            screen.print(outcome.study.text, markup=False)
        screen.print(f"Report: {out / 'report.html'} (result mark {made.mark})", markup=False)
    if not outcome.feasible:
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
    from optimizer.app.sweep_command import swept, windows
    from optimizer.base.output import prepare_folder
    from optimizer.goal.goal import problem_of
    from optimizer.methods.workflow import fit_scenario
    from optimizer.scenario.reading import load_scenario

    loaded = load_scenario(scenario)
    method, origin = chosen_program(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "sweep", force)
    problem = problem_of(loaded, fit_scenario(loaded))
    finish((windows if window else swept)(problem, method, origin, vary), out, force, as_json)


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
    from optimizer.app import adapt_command as job
    from optimizer.base.errors import ScenarioError
    from optimizer.base.output import prepare_folder
    from optimizer.methods.adapt_options import change_of
    from optimizer.methods.workflow import fit_scenario
    from optimizer.scenario.reading import load_scenario

    if marker is not None and trim_m is None:
        raise ScenarioError("--marker names the compound whose time a cut moved; give the cut with --trim-m")
    loaded = load_scenario(scenario)
    change = change_of(
        loaded, gas, outlet, length_m, inner_diameter_mm, film_thickness_um, flow_mL_min, inlet_kPa
    )
    method, _ = chosen_program(loaded, program, candidate, results)
    if out is not None:
        prepare_folder(out, "adapt", force)
    fitted = fit_scenario(loaded)
    if trim_m is None:
        made = job.carried_over(loaded, fitted, method, change)
    else:
        made = job.trimmed(loaded, fitted, method, trim_m, marker, change)
    if trim_m is None if tune is None else tune:
        with ProgressBar() as progress:
            made = job.tuned(made, seconds, progress, rounds)
    finish(made, out, force, as_json)
    if made.outcome is not None and not made.outcome.feasible:
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
    from optimizer.app import compare_command as job
    from optimizer.app import interface
    from optimizer.app.peak_proposal import show_proposal
    from optimizer.base.errors import ScenarioError
    from optimizer.base.output import prepare_folder
    from optimizer.scenario.reading import load_scenario

    if not retune and (seconds, rounds) != (None, None):
        raise ScenarioError(
            "--seconds and --rounds are budgets of the search that --retune asks for; give it, too"
        )
    loaded = load_scenario(scenario)
    method, origin = chosen_program(loaded, program, candidate, results)
    peaks = job.run_compared(loaded, run, PeakDetection(min_signal_to_noise, min_width_s, from_trace))
    if out is not None:
        prepare_folder(out, "compare", force)
    fitted = interface.fit(loaded)
    peaks, proposal = job.with_names(fitted, method, run, peaks, matching, accept)
    if proposal is not None:
        show(proposal, as_json, show_proposal)
        return
    made = job.compared_run(fitted, run, peaks, method, origin)
    if retune:
        with ProgressBar() as progress:
            made = job.retuned(made, seconds, progress, rounds)
    finish(made, out, force, as_json)


@app.command(epilog="Example: rampwright scout mymethod --results results")
def scout(
    scenario: ScenarioPath,
    results: Annotated[
        Path | None,
        typer.Option(
            help="A folder that optimize wrote: its candidates count, instead of those of a short search.",
            show_default=False,
        ),
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(help="Time budget of the short search; 5 when left out.", min=0.1)
    ] = None,
    rounds: Rounds = None,
    out: Out = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """The scouting run to make next; without any yet, the first two."""
    from optimizer.app import scout_command as job
    from optimizer.base.output import prepare_folder
    from optimizer.scenario.reading import load_scenario

    loaded = load_scenario(scenario, runs_needed=False)
    if out is not None:
        prepare_folder(out, "scout", force)
    if loaded.runs:
        with ProgressBar() if results is None else nullcontext() as progress:
            made = job.next_run(loaded, results, seconds, progress, rounds)
    else:
        made = job.first(loaded, results)
    finish(made, out, force, as_json)


def main() -> None:
    """Entry point: deliberate errors become one message and exit status 2."""
    stop_on_signals()
    never_fail_to_encode()
    on_compile(say_compiling)
    try:
        app()
    except RampwrightError as error:
        sys.stderr.write(f"rampwright: {error}\n")
        sys.exit(WRONG_INPUT)
    except KeyboardInterrupt:
        sys.exit(stopped())
    except SystemExit as end:  # typer makes one of a Ctrl-C, too
        sys.exit(
            stopped() if was_stopped() and end.code not in (DONE, WRONG_INPUT, NOT_FEASIBLE) else end.code
        )


if __name__ == "__main__":
    main()
