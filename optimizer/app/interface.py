"""The interface for notebooks and scripts: each command as a function of the same name.

Nothing is printed. What takes time tells a callback (share of the time spent, line of text); what cannot be done
raises a RampwrightError whose text is meant to be read. Searches end by Ctrl-C with the best so far.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from models.column.programs import Program
from models.errors import InvalidInputError
from optimizer.app.chosen_program import AnyPath, AnyProgram, Chosen, chosen, starts_of
from optimizer.base.clock import Progress
from optimizer.base.errors import ScenarioError, as_arguments
from optimizer.base.interruption import stopped_by
from optimizer.runs.detection import PeakDetection
from optimizer.scenario.data import Scenario
from optimizer.scenario.reading import load_scenario as read_scenario
from optimizer.scenario.reading import program_of_tables

if TYPE_CHECKING:
    from threading import Event

    from optimizer.app.interface_adapt import Adapted, OwnedColumns
    from optimizer.app.interface_compare import Compared
    from optimizer.app.interface_results import Fitted, Integrated, Optimized, Predicted
    from optimizer.app.interface_scout import Scouted
    from optimizer.app.interface_sweep import Swept
    from optimizer.app.result import Checked
    from optimizer.search.study_place import StudyPlace

Certainty = Literal["none", "quick", "exact"]


def load_scenario(path: AnyPath, *, runs_needed: bool = True, matching: AnyPath | None = None) -> Scenario:
    """Read a scenario folder, or its scenario.toml, with the peak tables it names.

    Parameters
    ----------
    runs_needed : whether a scenario without scouting runs is an error; `scout` does without
    matching : the table that names the peaks of unnamed runs; the scenario's own when None

    Raises
    ------
    ScenarioError : with one line for each thing that is wrong, naming file, key, value and the likely slip
    """
    with as_arguments():
        return read_scenario(Path(path), runs_needed, None if matching is None else Path(matching))


def copy_scenario(folder: AnyPath, name: str | None = None) -> tuple[str, ...]:
    """Make a new folder with a copy of a scenario that comes with rampwright, or a blank one to fill in.

    Returns the names of its files.

    Raises
    ------
    ScenarioError : when there is no scenario of that name
    OutputError : when the folder exists already or cannot be made
    """
    from optimizer.app.shipped_scenarios import make_scenario

    with as_arguments():
        return make_scenario(Path(folder), name)


def program(scenario: Scenario | Fitted, *, oven: Mapping[str, Any], carrier: Mapping[str, Any]) -> Program:
    """A program from the tables of a program file, in trade units (docs/scenario.md, Programs).

    Parameters
    ----------
    scenario : whose ambient pressure the gauge pressures refer to
    oven : start_C [°C], hold_min [min], ramps: a list of rate_C_per_min [°C/min], to_C [°C], hold_min [min]
    carrier : mode, and what belongs to it, such as flow_mL_min [mL/min] or inlet_kPa [kPa gauge]

    Raises
    ------
    ScenarioError : naming key, value and what was expected
    """
    stated = scenario if isinstance(scenario, Scenario) else scenario.scenario
    return program_of_tables(
        {"oven": oven, "carrier": carrier}, stated.ambient_pressure, outlet=stated.outlet_pressure
    )


def check(scenario: Scenario) -> Checked:
    """The inputs of a scenario."""
    from optimizer.app.result import Checked

    return Checked(scenario)


def fit(scenario: Scenario | AnyPath, *, matching: AnyPath | None = None, accept: bool = False) -> Fitted:
    """The retention parameters and column corrections that the scouting runs give.

    Parameters
    ----------
    scenario : what `load_scenario` returns, or the folder, for runs whose peaks have no names yet
    matching : where a table with the names proposed for them is written
    accept : whether these names are used as they are

    Raises
    ------
    UnnamedPeaks : with a proposal, when peaks have no names
    ScenarioError : when there are no scouting runs
    """
    from optimizer.app.interface_results import Fitted
    from optimizer.methods.workflow import fit_scenario

    if isinstance(scenario, str | PathLike):
        from optimizer.app.peak_proposal import names_for

        with as_arguments():
            names = names_for(Path(scenario), None if matching is None else Path(matching), accept)
        scenario = load_scenario(scenario, matching=names)
    elif matching is not None or accept:
        raise InvalidInputError("matching and accept name unnamed peaks: give the scenario's folder to fit")
    if not isinstance(scenario, Scenario):
        raise InvalidInputError(f"fit takes what load_scenario returns, not {type(scenario).__name__}")
    if not scenario.runs:
        raise ScenarioError(f"{scenario.path}: no [[scouting_runs]] yet; next_run says which to make")
    return Fitted(scenario, fit_scenario(scenario))


def snap(fitted: Fitted, program: AnyProgram | None = None) -> Program:
    """A program with every set point at the nearest of the instrument's steps; `program` as for `predict`."""
    from optimizer.scenario.instrument_steps import snapped

    return snapped(fitted.scenario, _program(fitted, program).program)


def predict(fitted: Fitted, program: AnyProgram | None = None, certainty: Certainty = "exact") -> Predicted:
    """The chromatogram that a program is expected to give, and how sure that is.

    Parameters
    ----------
    certainty : "none" for the chromatogram alone; "quick" for intervals and the pass probability by first derivatives;
        "exact" also simulates the draws that decide and says what each source of uncertainty costs (some 20 times
        longer)
    program : a Program, a candidate, the tables oven and carrier in trade units, or the path of a program file; the
        scenario's [current] when None

    Raises
    ------
    ScenarioError : when the program cannot be used, heats faster than the oven can, or there is none
    """
    from optimizer.app.interface_results import Predicted
    from optimizer.goal.limits import check_heating
    from optimizer.goal.predict import predict as predicted_peaks
    from optimizer.goal.uncertainty import with_uncertainty

    if certainty not in get_args(Certainty):
        known = ", ".join(f'"{each}"' for each in get_args(Certainty))
        raise InvalidInputError(f"certainty = {certainty!r}: expected one of {known}")
    method, origin = _program(fitted, program)
    check_heating(fitted.scenario, method, origin)
    prediction = predicted_peaks(fitted.problem, method)
    if certainty == "none":
        return Predicted(fitted.problem, prediction)
    exact = certainty == "exact"
    prediction, reliability = with_uncertainty(fitted.problem, prediction, exact, sources=exact)
    return Predicted(fitted.problem, prediction, reliability)


def optimize(
    fitted: Fitted,
    *,
    seconds: float | None = None,
    rounds: int | None = None,
    what_if: bool = True,
    study: AnyPath | StudyPlace | None = None,
    study_name: str | None = None,
    start_from: AnyProgram | None = None,
    cores: int | None = None,
    stop: Event | None = None,
    progress: Progress | None = None,
    best: Callable[[Program], None] | None = None,
) -> Optimized:
    """The shortest programs that keep every pair resolved, within what column and instrument can do.

    Parameters
    ----------
    seconds : time budget [s] of search, rounding and front or changes tried; the scenario's when None
    rounds : a budget in descents and populations instead, with which a seed gives the same programs on any machine
    what_if : whether single changes are tried when nothing meets the goal, in the second half of the budget, and
        what one oven ramp more, or another injection, would save
    study : file, or PostgreSQL URL without a password, that keeps the search for later and for other workers
        (docs/workers.md); the environment variable RAMPWRIGHT_STUDY counts only when its value is given here
    study_name : its name there; the scenario's title when None
    start_from : a program, as for `predict`, or the folder of an earlier result: what is found is no worse
    cores : how many the search may use; all there are when None
    stop : when another thread sets it, the search ends with the best so far
    progress : told the share of the time spent and a line of text, some times a second
    best : told each program that meets the goal and is shorter than those before, not yet on the instrument's steps

    Raises
    ------
    RampwrightError : when the study cannot be reached or written, or belongs to another scenario
    """
    from optimizer.app.interface_results import Optimized
    from optimizer.campaign.at_hand import with_another_run
    from optimizer.methods.workflow import optimize as search
    from optimizer.search.study_place import place_of_argument

    known = _fitted(fitted)
    with as_arguments(), stopped_by(stop):
        problem, outcome = search(
            known.scenario,
            known.fit,
            seconds,
            progress,
            what_if=what_if,
            study=place_of_argument(study, study_name),
            study_name=study_name,
            rounds=rounds,
            start_from=starts_of(known.scenario, start_from),
            cores=cores,
            best=best,
            aside=with_another_run,
        )
    return Optimized(known, problem, outcome)


def sweep(fitted: Fitted, vary: str | Sequence[str], program: AnyProgram | None = None) -> Swept:
    """One or two set points of a program varied: smallest resolution, run time and critical pair.

    Parameters
    ----------
    vary : "NAME=FROM:TO" or "NAME=FROM:TO:COUNT" in the unit of the name, as "start_C=40:120"; or two of them. An
        unknown name raises an error that lists those there are.
    program : as for `predict`
    """
    from optimizer.app.interface_sweep import swept

    method, origin = _program(fitted, program)
    with as_arguments():
        return swept(fitted.problem, method, origin, [vary] if isinstance(vary, str) else list(vary))


def window(fitted: Fitted, program: AnyProgram | None = None) -> Swept:
    """The window diagram: relative retention, plates needed and run time over isothermal temperatures.

    Parameters
    ----------
    program : whose carrier's first set value holds; as for `predict`
    """
    from optimizer.app.interface_sweep import windows

    method, origin = _program(fitted, program)
    with as_arguments():
        return windows(fitted.problem, method, origin)


def adapt(
    fitted: Fitted,
    program: AnyProgram | None = None,
    *,
    gas: str | None = None,
    outlet: str | None = None,
    length_m: float | None = None,
    inner_diameter_mm: float | None = None,
    film_thickness_um: float | None = None,
    flow_mL_min: float | None = None,
    inlet_kPa: float | None = None,
    tune: bool = False,
    tune_seconds: float | None = None,
    tune_rounds: int | None = None,
    progress: Progress | None = None,
) -> Adapted:
    """A method carried to another carrier gas, outlet or column of the same phase.

    Parameters
    ----------
    gas, outlet : "hydrogen" ...; "ambient" or "vacuum"
    length_m, inner_diameter_mm, film_thickness_um : of the new column [m], [mm], [µm]
    flow_mL_min, inlet_kPa : first set value of the new method [mL/min], [kPa gauge]
    tune : whether a search on the new system follows, in the scenario's time
    tune_seconds, tune_rounds : budget of that search [s], or in descents; either asks for it
    """
    from optimizer.app.interface_adapt import carried_over, tuned
    from optimizer.methods.adapt_options import change_of

    method = _program(fitted, program).program
    with as_arguments():
        column = length_m, inner_diameter_mm, film_thickness_um
        change = change_of(fitted.scenario, gas, outlet, *column, flow_mL_min, inlet_kPa)
        made = carried_over(fitted.scenario, fitted.fit, method, change)
    return tuned(made, tune, tune_seconds, tune_rounds, progress)


def adapt_all(
    fitted: Fitted,
    program: AnyProgram | None = None,
    *,
    searched: int = 3,
    seconds: float | None = None,
    rounds: int | None = None,
    progress: Progress | None = None,
) -> OwnedColumns:
    """A method on each of `[[columns]]`; a search follows on the best, of `seconds` in all or so many `rounds`."""
    from optimizer.app.interface_adapt import OwnedColumns
    from optimizer.methods.columns.choice import choose_column

    known, method = (fitted.scenario, fitted.fit), _program(fitted, program).program
    return OwnedColumns(choose_column(*known, method, seconds, rounds, progress, searched))


def trim(
    fitted: Fitted,
    trim_m: float,
    program: AnyProgram | None = None,
    *,
    marker: str | None = None,
    tune: bool = False,
    tune_seconds: float | None = None,
    tune_rounds: int | None = None,
    progress: Progress | None = None,
) -> Adapted:
    """What cutting a piece off the column does, and what to set to bring a compound back to its time.

    Parameters
    ----------
    trim_m : length cut off [m]
    marker : the compound; the target that elutes last when None
    tune, tune_seconds, tune_rounds : as for `adapt`
    """
    from optimizer.app.interface_adapt import trimmed, tuned

    method = _program(fitted, program).program
    with as_arguments():
        made = trimmed(fitted.scenario, fitted.fit, method, trim_m, marker)
    return tuned(made, tune, tune_seconds, tune_rounds, progress)


def compare(
    fitted: Fitted,
    run: AnyPath,
    program: AnyProgram | None = None,
    *,
    min_signal_to_noise: float | None = None,
    min_width_s: float | None = None,
    from_trace: bool = False,
    matching: AnyPath | None = None,
    accept: bool = False,
    retune: bool = False,
    retune_seconds: float | None = None,
    retune_rounds: int | None = None,
    progress: Progress | None = None,
) -> Compared:
    """A confirmation run against its prediction: as predicted, shifted, or with a wrong name? And the refit with it.

    Parameters
    ----------
    run : its peak table (CSV) or recorded trace, as of a scouting run
    program : it was made with; as for `predict`
    min_signal_to_noise, min_width_s, from_trace : what counts as a peak in a trace, as for `peaks`
    matching : a table with the names of unnamed peaks; made, with names proposed, where there is no such file
    accept : whether names are proposed and used as they are
    retune : whether a search with this run in the fit follows, of 6 s
    retune_seconds, retune_rounds : budget of that search [s], or in descents; either asks for it

    Raises
    ------
    UnnamedPeaks : with a proposal, when peaks have no names; a ScenarioError, as for what cannot be used
    """
    from optimizer.app import interface_compare as job

    method, origin = _program(fitted, program)
    detection = PeakDetection(min_signal_to_noise, min_width_s, from_trace)
    with as_arguments():
        table = job.run_compared(fitted.scenario, Path(run), detection)
        names = None if matching is None else Path(matching)
        table = job.with_names(fitted, method, Path(run), table, names, accept)
        made = job.compared_run(fitted, Path(run), table, method, origin)
    if retune or (retune_seconds, retune_rounds) != (None, None):
        return job.retuned(made, retune_seconds, progress, retune_rounds)
    return made


def scout(
    scenario: Scenario,
    *,
    found: Optimized | None = None,
    results: AnyPath | None = None,
    seconds: float | None = None,
    rounds: int | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
) -> Scouted:
    """Which run to make next, and what each that was weighed is worth; before there are two, the first ones.

    Parameters
    ----------
    found : a search whose candidates are begun from
    results : or the folder that `optimize` wrote, or its candidates.json
    seconds, rounds, cores : as for `next_run`; 30 s with `found` or `results`
    """
    from optimizer.app import interface_scout as job

    with as_arguments():
        return job.scout(scenario, found, results, seconds, rounds, cores, progress)


def peaks(
    file: AnyPath,
    *,
    min_signal_to_noise: float | None = None,
    min_width_s: float | None = None,
    from_trace: bool = False,
    progress: Progress | None = None,
) -> Integrated:
    """The peaks in a recorded trace: those its file lists, measured in the trace, or those found in it.

    Parameters
    ----------
    file : a chromatography file of ASTM E1947 (netCDF classic), or a CSV time_min,signal
    min_signal_to_noise : smallest of a peak, 2 H/h of the pharmacopoeias [-]; 3 when None
    min_width_s : smallest half-height width of a peak [s]; from the clear peaks of the trace when None
    from_trace : whether peaks are found in the trace even if the file lists some
    progress : called with the share of the work done and a line of text

    Raises
    ------
    ScenarioError : when the file cannot be used, or holds no peaks
    """
    from optimizer.app.interface_results import Integrated
    from optimizer.runs.run_files import picked_from

    detection = PeakDetection(min_signal_to_noise, min_width_s, from_trace)
    with as_arguments():
        return Integrated(picked_from(Path(file), "", detection, progress), Path(file))


def _program(fitted: Fitted, program: AnyProgram | None) -> Chosen:
    return chosen(_fitted(fitted).scenario, program)


def _fitted(fitted: object) -> Fitted:
    from optimizer.app.interface_results import Fitted

    if not isinstance(fitted, Fitted):
        raise InvalidInputError(f"expected what fit returned, not {type(fitted).__name__}; call fit first")
    return fitted
