"""The interface for notebooks and scripts: each command as a function of the same name.

Nothing is printed. What takes time tells a callback (share of the time spent, line of text); what cannot be done
raises a RampwrightError whose text is meant to be read. Searches end by Ctrl-C with the best so far.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from models.column.programs import Program
from models.errors import InvalidInputError, RampwrightError
from optimizer.app.interface_results import Checked, Fitted, Optimized, Predicted
from optimizer.app.interface_trace_results import Integrated
from optimizer.base.errors import ScenarioError
from optimizer.goal.limits import check_heating
from optimizer.goal.outcome import Candidate
from optimizer.goal.predict import predict as predicted_peaks
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.workflow import fit_scenario
from optimizer.methods.workflow import optimize as search
from optimizer.runs.detection import PeakDetection
from optimizer.runs.run_files import picked_from
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_steps import snapped
from optimizer.scenario.reading import load_scenario as read_scenario
from optimizer.scenario.reading import program_of_tables, read_program
from optimizer.search.study_place import place_of_argument

if TYPE_CHECKING:
    from optimizer.app.adapt_command import Adapted
    from optimizer.app.compare_command import Compared
    from optimizer.app.scout_command import Scouted
    from optimizer.app.sweep_command import Swept

Progress = Callable[[float, str], None]
AnyPath = str | PathLike[str]
Certainty = Literal["none", "quick", "exact"]
AnyProgram = Program | Candidate | Predicted | Mapping[str, Any] | AnyPath

_OPTION = re.compile(r"--([a-z][A-Za-z]*(?:-[A-Za-z]+)*)")


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
    with _as_arguments():
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

    with _as_arguments():
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
    stated = scenario.scenario if isinstance(scenario, Fitted) else scenario
    return program_of_tables({"oven": oven, "carrier": carrier}, stated.ambient_pressure)


def check(scenario: Scenario) -> Checked:
    """The inputs of a scenario."""
    return Checked(scenario)


def fit(scenario: Scenario) -> Fitted:
    """The retention parameters and column corrections that the scouting runs give.

    Raises
    ------
    ScenarioError : when there are no scouting runs
    """
    if not isinstance(scenario, Scenario):
        raise InvalidInputError(f"fit takes what load_scenario returns, not {type(scenario).__name__}")
    if not scenario.runs:
        raise ScenarioError(f"{scenario.path}: there are no [[scouting_runs]] yet; scout says which to make")
    return Fitted(scenario, fit_scenario(scenario))


def snap(fitted: Fitted, program: AnyProgram | None = None) -> Program:
    """A program with every set point at the nearest of the instrument's steps; `program` as for `predict`."""
    method, _ = _program(fitted, program)
    return snapped(fitted.scenario, method)


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
    study: AnyPath | None = None,
    study_name: str | None = None,
    progress: Progress | None = None,
) -> Optimized:
    """The shortest programs that keep every pair resolved, within what column and instrument can do.

    Parameters
    ----------
    seconds : time budget of the search [s]; the scenario's when None. A front takes up to half as long again.
    rounds : a budget in descents instead, with which a seed gives the same programs however fast the machine
    what_if : whether single changes are tried when nothing meets the goal (10 to 20 s)
    study : file, or PostgreSQL URL without a password, that keeps the search for later and for other workers
        (docs/workers.md); the environment variable RAMPWRIGHT_STUDY counts only when its value is given here
    study_name : its name there; the scenario's title when None
    progress : told the share of the time spent and a line of text, some times a second

    Raises
    ------
    RampwrightError : when the study cannot be reached or written, or belongs to another scenario
    """
    known = _fitted(fitted)
    with _as_arguments():
        place = place_of_argument(study, study_name)
        problem, outcome = search(
            known.scenario,
            known.fit,
            seconds,
            progress,
            what_if=what_if,
            study=place,
            study_name=study_name,
            rounds=rounds,
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
    from optimizer.app.sweep_command import swept

    method, origin = _program(fitted, program)
    with _as_arguments():
        return swept(fitted.problem, method, origin, [vary] if isinstance(vary, str) else list(vary))


def window(fitted: Fitted, program: AnyProgram | None = None) -> Swept:
    """The window diagram: relative retention, plates needed and run time over isothermal temperatures.

    Parameters
    ----------
    program : whose carrier's first set value holds; as for `predict`
    """
    from optimizer.app.sweep_command import windows

    method, origin = _program(fitted, program)
    with _as_arguments():
        return windows(fitted.problem, method, origin, None)


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
    tune_seconds, tune_rounds : budget of a search on the new system [s], or in descents; none when both are None
    """
    from optimizer.app.adapt_command import carried_over, tuned
    from optimizer.methods.adapt_options import change_of

    method, _ = _program(fitted, program)
    with _as_arguments():
        change = change_of(
            fitted.scenario,
            gas,
            outlet,
            length_m,
            inner_diameter_mm,
            film_thickness_um,
            flow_mL_min,
            inlet_kPa,
        )
        made = carried_over(fitted.scenario, fitted.fit, method, change)
    if tune_seconds is None and tune_rounds is None:
        return made
    return tuned(made, tune_seconds, progress, tune_rounds)


def trim(
    fitted: Fitted, trim_m: float, program: AnyProgram | None = None, *, marker: str | None = None
) -> Adapted:
    """What cutting a piece off the column does, and what to set to bring a compound back to its time.

    Parameters
    ----------
    trim_m : length cut off [m]
    marker : the compound; the target that elutes last when None
    """
    from optimizer.app.adapt_command import trimmed
    from optimizer.methods.adapt_options import Change

    method, _ = _program(fitted, program)
    with _as_arguments():
        return trimmed(fitted.scenario, fitted.fit, method, trim_m, marker, Change())


def compare(
    fitted: Fitted,
    run: AnyPath,
    program: AnyProgram | None = None,
    *,
    min_signal_to_noise: float | None = None,
    min_width_s: float | None = None,
    from_trace: bool = False,
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
    retune_seconds, retune_rounds : budget of a search with this run in the fit [s], or in descents; none when both are
        None
    """
    from optimizer.app import compare_command as job

    method, origin = _program(fitted, program)
    detection = PeakDetection(min_signal_to_noise, min_width_s, from_trace)
    with _as_arguments():
        table = job.run_compared(fitted.scenario, Path(run), detection)
        made = job.compared_run(fitted, Path(run), table, method, origin)
    if retune_seconds is None and retune_rounds is None:
        return made
    return job.retuned(made, retune_seconds, progress, retune_rounds)


def scout(
    scenario: Scenario,
    *,
    found: Optimized | None = None,
    seconds: float | None = None,
    rounds: int | None = None,
    progress: Progress | None = None,
) -> Scouted:
    """Which scouting run to make next, for what it would teach; without any runs yet, the first two.

    Parameters
    ----------
    found : a search whose candidates count, instead of those of a short search
    seconds, rounds : budget of that short search [s], or in descents; at most 5 s when both are None
    """
    from optimizer.app import scout_command as job

    with _as_arguments():
        if not scenario.runs:
            return job.first(scenario)
        if found is None:
            return job.next_run(scenario, None, seconds, progress, rounds)
        programs = [each.prediction.program for each in found.candidates]
        return job.next_run_for(found.problem, programs)


def peaks(
    file: AnyPath,
    *,
    min_signal_to_noise: float | None = None,
    min_width_s: float | None = None,
    from_trace: bool = False,
) -> Integrated:
    """The peaks in a recorded trace: those its file lists, measured in the trace, or those found in it.

    Parameters
    ----------
    file : a chromatography file of ASTM E1947 (netCDF classic), or a CSV time_min,signal
    min_signal_to_noise : smallest of a peak, 2 H/h of the pharmacopoeias [-]; 3 when None
    min_width_s : smallest half-height width of a peak [s]; from the clear peaks of the trace when None
    from_trace : whether peaks are found in the trace even if the file lists some

    Raises
    ------
    ScenarioError : when the file cannot be used, or holds no peaks
    """
    detection = PeakDetection(min_signal_to_noise, min_width_s, from_trace)
    with _as_arguments():
        return Integrated(picked_from(Path(file), detection=detection), Path(file))


def _program(fitted: Fitted, program: AnyProgram | None) -> tuple[Program, str]:
    """The program a person means, and where it comes from, in words."""
    scenario = _fitted(fitted).scenario
    if program is None:
        if scenario.current is None:
            raise ScenarioError(f"{scenario.path}: there is no [current] table; add one, or give a program")
        return scenario.current, "[current]"
    if isinstance(program, Program):
        return program, "program"
    if isinstance(program, Candidate):
        return program.prediction.program, f"candidate {program.rank}"
    if isinstance(program, Predicted):
        return program.program, "program"
    if isinstance(program, Mapping):
        return program_of_tables(program, scenario.ambient_pressure), "program"
    if isinstance(program, str | PathLike):
        with _as_arguments():
            return read_program(Path(program), scenario.ambient_pressure), fspath(program)
    raise InvalidInputError(
        f"program: expected a Program, a candidate, its tables oven and carrier, or the path of a program file, not "
        f"{type(program).__name__}"
    )


def _fitted(fitted: object) -> Fitted:
    if not isinstance(fitted, Fitted):
        raise InvalidInputError(
            f"expected what fit returned, not {type(fitted).__name__}; call fit(scenario) first"
        )
    return fitted


@contextmanager
def _as_arguments() -> Iterator[None]:
    """Messages that speak of options of the command line speak of arguments instead."""
    try:
        yield
    except ScenarioError as error:
        raise ScenarioError([_argument_names(each) for each in error.problems]) from None
    except RampwrightError as error:
        raise type(error)(_argument_names(str(error))) from None


def _argument_names(text: str) -> str:
    return _OPTION.sub(lambda found: found[1].replace("-", "_"), text)
