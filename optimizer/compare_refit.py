"""What a confirmation run teaches: the refit with it, the compared program as the refit sees it, and a better one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.fit import Fit
from optimizer.compare import SHORT, Comparison
from optimizer.found import Progress
from optimizer.goal import Problem, problem_of
from optimizer.peak_tables import PeakTable
from optimizer.predict import covering, predict
from optimizer.results import Prediction, Reliability, SearchOutcome
from optimizer.scenario_data import ScoutingRun
from optimizer.shared_cause import Cause
from optimizer.uncertainty import with_uncertainty
from optimizer.workflow import fit_scenario, optimize

WORSE = 0.1  # fall of the share of draws from which re-tuning is advised


@dataclass(frozen=True)
class Refit:
    """The fit with the run added, for the instrument as the run found it.

    Attributes
    ----------
    problem : Problem of that fit, the compared program being its method in use
    prediction : Prediction of the compared program, with standard deviations
    reliability : Reliability
    left_out : names of peaks that the refit does not use
    """

    problem: Problem
    prediction: Prediction
    reliability: Reliability
    left_out: tuple[str, ...]


def refit(compared: Comparison) -> Refit:
    """Fit the scouting runs and this one together.

    Names that are probably wrong are taken as mended. A cause that the whole run shares is no property of a compound:
    its shift is taken out of the times before they are fitted, and the cause itself is put into what is fitted for
    the gas or the oven, so that predictions are for the instrument as it is now. A delay of all peaks moves no two of
    them against each other and is left out.
    """
    scenario, cause = compared.problem.scenario, compared.causes.cause
    shift = 0.0 if cause is None else cause.shift
    table = _table(compared, compared.found - shift)
    program = compared.prediction.program
    run = ScoutingRun(compared.name, program, table, None, compared.repeatability)
    wider = replace(scenario, runs=(*scenario.runs, run), current=program)
    fit = as_found(fit_scenario(wider), cause)
    problem = covering(problem_of(wider, fit), [program])
    prediction, reliability = with_uncertainty(problem, predict(problem, program))
    left_out = tuple(
        name
        for name, named, found in zip(scenario.compounds, compared.named, compared.found, strict=True)
        if np.isfinite(named) and np.isnan(found)
    )
    return Refit(problem, prediction, reliability, left_out)


def as_found(fit: Fit, cause: Cause | None) -> Fit:
    """A fit for an instrument on which a cause is at work."""
    if cause is None or cause.kind == "delay":
        return fit
    if cause.kind == "gas":
        factor = float(np.exp(cause.size))
        system = replace(fit.system, flow_factor=fit.system.flow_factor * factor)
        return replace(fit, system=system, flow_factors=fit.flow_factors * factor)
    # An oven hotter by so much than its set point is to a compound what a lower characteristic temperature is.
    return replace(fit, retention=replace(fit.retention, T0=fit.retention.T0 - cause.size))


def _table(compared: Comparison, time: np.ndarray[tuple[int], np.dtype[np.float64]]) -> PeakTable:
    """The run's peaks with other times, as mended; in order of retention time, as peak tables are."""
    names = compared.prediction.compounds
    order = [int(m) for m in np.argsort(time) if np.isfinite(time[m])]
    unknown = np.full(len(order), np.nan)
    # Areas stay out: what is doubtful of the names was settled with them already.
    return PeakTable(
        tuple(names[m] for m in order), time[order], compared.found_width[order], unknown, unknown.copy()
    )


def retuning_reasons(compared: Comparison, after: Refit) -> tuple[str, ...]:
    """Why the program should be tuned again; none when it is as good as it was."""
    names = compared.prediction.compounds
    reasons = [
        f"{names[pair.a]} and {names[pair.b]} were found with a resolution of {pair.found:.2f}, "
        f"{pair.needed:.2f} is needed"
        for pair in compared.short[:2]
    ]
    prediction = after.prediction
    lack = prediction.resolution / prediction.needed
    if not compared.short and len(lack) and lack.min() < 1 - SHORT:
        p = int(np.argmin(lack))
        a, b = sorted(prediction.counted_pairs[p], key=lambda m: prediction.retention[m])
        reasons.append(
            f"with this run {names[a]} and {names[b]} are expected at a resolution of "
            f"{prediction.resolution[p]:.2f}, {prediction.needed[p]:.2f} is needed"
        )
    before, now = compared.reliability.share, after.reliability.share
    asked = compared.problem.confidence
    if before - now > WORSE or (asked and now < asked <= before):
        reasons.append(
            f"it now meets the goal in {100 * now:.0f} % of draws, against {100 * before:.0f} % without this run"
        )
    return tuple(reasons)


def retune(after: Refit, seconds: float, progress: Progress | None = None) -> SearchOutcome:
    """A short search with what the run taught; the compared program is the method in use."""
    _, outcome = optimize(after.problem.scenario, after.problem.fit, seconds, progress, what_if=False)
    return outcome
