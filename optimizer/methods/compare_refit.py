"""The refit with a confirmation run: the compared program as it sees it, its notes, and a better program."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Program
from models.fit.diagnosis import doubt, suspicion
from models.fit.fit import Fit, Suspect
from models.fit.odds import meant
from optimizer.base.clock import Progress
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.goal.predict import predict
from optimizer.goal.reliability import Reliability
from optimizer.goal.shared_cause import Cause
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.compare import Comparison
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import Scenario, ScoutingRun

MISFIT = 3.0  # root mean square of a run's residuals in sd, from which the refit is not reliable
LEAST_PEAKS = 2  # of a run worth a refit
UNSUSPECTED = 2.0  # sd of a deviation, within which a peak of the run is not called wrong


@dataclass(frozen=True)
class Entered:
    """The compared program after a cut, the new length [m] being entered in its place."""

    length: float
    prediction: Prediction
    reliability: Reliability


@dataclass(frozen=True)
class Refit:
    """The fit with the run added, for the instrument as the run found it.

    Attributes
    ----------
    problem : Problem of that fit, the compared program being its method in use
    prediction : Prediction of the compared program, with standard deviations
    reliability : Reliability
    left_out : names of peaks that the refit does not use
    entered : Entered or None, where the run does not look as after a cut
    """

    problem: Problem
    prediction: Prediction
    reliability: Reliability
    left_out: tuple[str, ...]
    entered: Entered | None

    @property
    def misfit(self) -> float:
        """Root mean square of the residuals, in standard deviations, of the run that fits worst."""
        return float(np.sqrt(np.nanmean(self.problem.fit.standardised**2, axis=1)).max())

    @property
    def reliable(self) -> bool:
        """Whether this run and the scouting runs agree well enough to tune a program by all of them."""
        return self.misfit < MISFIT


def day_of(run: str) -> str:
    """The label of the day of a confirmation run, which no scouting run need have been made on."""
    return f"day of {run}"


def refit_with(compared: Comparison) -> Refit | None:
    """The refit; None where the run was made with another program or leaves too few peaks."""
    enough = np.isfinite(compared.found).sum() >= LEAST_PEAKS
    return refit(compared) if enough and not compared.another_program else None


def refit(compared: Comparison) -> Refit:
    """Fit the scouting runs and this one together.

    Names that are probably wrong are corrected. A cause that the whole run shares is no property of a compound:
    its shift is taken out of the times before they are fitted, and the cause itself is put into what is fitted for
    the gas or the oven, so that predictions are for the instrument as it is now. A delay or stretch of all peaks costs
    no resolution and is left out.
    """
    scenario, cause = compared.problem.scenario, compared.causes.cause
    shift = 0.0 if cause is None else cause.shift
    table = _table(compared, compared.found - shift)
    program = compared.prediction.program
    run = ScoutingRun(compared.name, program, table, None, compared.repeatability, day_of(compared.name))
    wider = replace(scenario, runs=(*scenario.runs, run), current=program)
    before = fit_scenario(wider)
    fit = as_found(before, cause)
    problem = problem_of(wider, fit)
    prediction, reliability = with_uncertainty(problem, predict(problem, program), exact=True)
    left_out = tuple(
        name
        for name, named, found in zip(scenario.compounds, compared.named, compared.found, strict=True)
        if np.isfinite(named) and np.isnan(found)
    )
    entered = None if cause is None or cause.cut is None else _entered(wider, before, program, cause.cut)
    return Refit(problem, prediction, reliability, left_out, entered)


def _entered(scenario: Scenario, fit: Fit, program: Program, cut: float) -> Entered:
    """The program on the column that `cut` [m] is missing from, as it is once the instrument knows."""
    column = scenario.column.shortened(cut)
    shorter = replace(fit, system=replace(fit.system, column=column))
    problem = problem_of(replace(scenario, column=column), shorter)
    prediction, reliability = with_uncertainty(problem, predict(problem, program), exact=True)
    return Entered(column.inlet_length, prediction, reliability)


def as_found(fit: Fit, cause: Cause | None) -> Fit:
    """A fit for an instrument on which a cause is at work."""
    if cause is None or cause.kind in ("delay", "stretch"):
        return fit
    if cause.kind == "gas":
        factor = float(np.exp(cause.size))
        system = replace(fit.system, flow_factor=fit.system.flow_factor * factor)
        return replace(fit, system=system, flow_factors=fit.flow_factors * factor)
    # To a compound, an oven hotter than its set point is the same as a lower characteristic temperature.
    retention = replace(fit.retention, T0=fit.retention.T0 - cause.size)
    return replace(fit, retention=retention, scouted=fit.scouted - cause.size)


def _table(compared: Comparison, time: np.ndarray[tuple[int], np.dtype[np.float64]]) -> PeakTable:
    """The run's peaks with other times, as corrected; in order of retention time, as peak tables are."""
    names = compared.prediction.compounds
    order = [int(m) for m in np.argsort(time) if np.isfinite(time[m])]
    unknown = np.full(len(order), np.nan)
    # Areas stay out: wrong names have been corrected already.
    return PeakTable(
        tuple(names[m] for m in order), time[order], compared.found_width[order], unknown, unknown.copy()
    )


def retune(
    after: Refit, seconds: float | None, progress: Progress | None = None, rounds: int | None = None
) -> SearchOutcome:
    """A short search with what the run taught; the compared program is the method in use."""
    problem = after.problem
    _, outcome = optimize(problem.scenario, problem.fit, seconds, progress, what_if=False, rounds=rounds)
    return outcome


def refit_notes(compared: Comparison, after: Refit) -> list[str]:
    """Warnings of the fit with the run added, without suspicions of peaks that are where they were predicted."""
    runs, names = [run.name for run in after.problem.scenario.runs], compared.prediction.compounds
    own = len(runs) - 1
    words = {suspicion(each, runs, names): (each, suspicion) for each in after.problem.fit.suspects}
    words |= {doubt(each, runs, names): (each, doubt) for each in after.problem.fit.doubts}
    off = np.abs((compared.found - compared.prediction.retention) / compared.time_sd)
    notes = []
    for line in after.problem.fit.warnings:
        suspect, told = words.get(line, (None, None))
        if suspect is None or told is None or suspect.run != own:
            notes.append(line)
        elif not off[suspect.compound] < UNSUSPECTED:
            notes.append(told(_in_the_table(compared, suspect), runs, names))
    return notes


def _in_the_table(compared: Comparison, suspect: Suspect) -> Suspect:
    """A suspicion in times of the table, with an intended one only where a single slip leads to it."""
    m = suspect.compound
    shift = 0.0 if compared.causes.cause is None else float(compared.causes.cause.shift[m])
    time, expected = float(compared.found[m]), suspect.expected + shift
    intended = meant(time, expected, suspect.expected_error) if suspect.partner is None else None
    return replace(suspect, time=time, expected=expected, intended=intended)
