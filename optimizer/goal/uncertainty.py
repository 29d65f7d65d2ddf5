"""How sure a prediction is: standard deviations of times, widths and resolutions, and what fails first.

Figures come from the draws of `robustness`. Where a program is to be shown, the draws can be simulated outright
instead of by first derivatives: that is what `exact_peaks` does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from models.column.programs import ProgramBatch, batch_of
from models.column.retention import shifted
from models.fit.model_error import model_error
from models.peaks.migration import migrate, migration_tables
from optimizer.goal.drawn_margins import DrawnMargins, drawn_margins, margins_of_peaks, resolution_spread
from optimizer.goal.goal import Assessment, Problem
from optimizer.goal.limits import LATE
from optimizer.goal.outcome import Prediction
from optimizer.goal.reliability import Failure, Gain, PairAtRisk, Reliability, Source
from optimizer.goal.robustness import SOURCES, DrawnPeaks, Draws, drawn

EXACT_DRAWS = 600
NAMED = 0.002  # share of draws below which a failure is not worth a word
SIGNIFICANCE = 0.05  # of a difference between two shares of the same draws; common practice, no source
SOURCE_TEXTS = {
    "retention": "retention, flow and oven lag as fitted",
    "widths": "peak widths as fitted",
    "model": "what the model leaves out",
    "oven": "oven temperature",
    "carrier": "carrier setting",
    "hold-up": "drift of the hold-up time",
    "trim": "trimming of the column",
}


def with_uncertainty(
    problem: Problem,
    prediction: Prediction,
    exact: bool = False,
    sources: bool = True,
    known: Reliability | None = None,
) -> tuple[Prediction, Reliability]:
    """The prediction with standard deviations, and the share of draws in which it meets the goal.

    Parameters
    ----------
    exact : whether it is judged by draws that no search has seen (`Problem.afresh`), those near their limit simulated
        outright (a quarter of a second): what first derivatives got wrong in them corrects the share
    sources : whether it is asked what each source of uncertainty costs, which takes as many more judgements
    known : what an exact judgement of the same program found, in place of another simulation
    """
    if exact:
        problem = problem.afresh
    batch = batch_of([prediction.program])
    assessment = problem.assess(batch, "polish")
    margins = drawn_margins(problem, batch, assessment)
    peaks = margins.peaks
    eluted = np.isfinite(prediction.retention)
    prediction = replace(
        prediction,
        retention_sd=np.where(eluted, peaks.retention[0].std(axis=1), np.nan),
        width_sd=np.where(eluted, peaks.width[0].std(axis=1), np.nan),
        resolution_sd=resolution_spread(problem, assessment.retention, peaks),
    )
    holds = margins.passes[0]
    by_derivatives, correction = float(holds.mean()), 0.0
    share = by_derivatives
    if exact and known is not None and known.by_derivatives is not None:
        # A number of draws, so that every share comes out as it did.
        off, share = known.share - known.by_derivatives, known.share
        correction = round(off * known.draws) / known.draws
    elif exact:
        # First derivatives may get wrong those draws that hardly hold or hardly fail; the others need no simulation.
        nearest = np.argsort(np.abs(margins.worst[0]), kind="stable")[:EXACT_DRAWS]
        draws = _some(problem.robustness.draws(batch.controlled), nearest)
        held = simulated_margins(problem, batch, assessment, draws).passes
        correction = float(held.sum() - holds[nearest].sum()) / len(holds)
        share = _corrected(share, correction)
    return prediction, Reliability(
        share=share,
        draws=len(holds),
        by_derivatives=by_derivatives if exact else None,
        failures=_failures(problem, prediction, margins, 1 - share),
        sources=_sources(problem, batch, assessment, margins, correction) if sources else (),
        pair_at_risk=_pair_at_risk(problem, prediction, margins, 1 - share),
    )


def _corrected(share: float, correction: float) -> float:
    """A share of draws and what is to be added to it."""
    return min(max(share + correction, 0.0), 1.0)


def simulated_margins(
    problem: Problem, batch: ProgramBatch, assessment: Assessment, draws: Draws | None = None
) -> DrawnMargins:
    """A batch of one program held against the goal in some draws, by default all, each a simulation of 0.1 ms."""
    draws = problem.robustness.draws(batch.controlled) if draws is None else draws
    peaks = exact_peaks(problem, batch, assessment, draws)
    return margins_of_peaks(problem, batch, assessment, peaks, draws.shared[:, 3])


def exact_peaks(problem: Problem, batch: ProgramBatch, assessment: Assessment, draws: Draws) -> DrawnPeaks:
    """Peaks of a batch of one program in every draw, each draw a simulation of its own; widths as in `drawn`."""
    system, retention = problem.fit.system, problem.fit.retention
    controlled, zero = batch.controlled, problem.robustness.carrier_zero(batch.controlled)
    given = problem.tables[controlled]
    diffusion, load, tailing = given.diffusion, given.load, given.tailing
    found = []
    for own, shared in zip(draws.retention, draws.shared, strict=True):
        flow, plates, injected, oven, carrier, lag, _, eddy = shared
        truth = replace(
            system,
            flow_factor=system.flow_factor * float(np.exp(flow)),
            oven_lag=system.oven_lag + lag,
        )
        if load is not None or system.time_constant:  # what a band is widened by moves its apex
            truth = replace(
                truth,
                plate_height_factor=system.plate_height_factor * float(np.exp(plates)),
                injection_width=float(np.sqrt(system.injection_width**2 + injected)),
                eddy_factor=system.eddy_factor * float(np.exp(eddy)),
            )
        tables = migration_tables(truth, shifted(retention, *own), controlled, diffusion, load, tailing)
        off = replace(
            batch,
            oven_temperatures=batch.oven_temperatures + oven,
            carrier_values=batch.carrier_values + carrier * (batch.carrier_values - zero),
        )
        peaks = migrate(tables, off, "screen")
        found.append(
            np.stack([peaks.retention_time, peaks.elution_temperature, peaks.retention_factor])[:, 0]
        )
    t, T, k = np.stack(found, axis=2)[:, None]
    eluted = np.isfinite(t)
    slopes = problem.robustness.sensitivity(batch)
    linear = drawn(problem.fit, slopes, draws, assessment.retention, assessment.width_half)
    as_predicted = np.where(assessment.retention < LATE, assessment.retention, np.nan)
    left_out = model_error(problem.fit, slopes, as_predicted)[0]
    return DrawnPeaks(
        np.where(eluted, t + left_out[:, None] * draws.time.T, LATE),
        np.where(eluted, linear.width, 1.0),
        lambda: (T, k),
        linear.front,
    )


def _some(draws: Draws, which: NDArray[np.intp]) -> Draws:
    """Some of the draws."""
    return Draws(*(getattr(draws, each.name)[which] for each in fields(Draws)))


def _pair_at_risk(
    problem: Problem, prediction: Prediction, margins: DrawnMargins, most: float
) -> PairAtRisk | None:
    """The pair that is missed in most draws; see `_failures`."""
    missed = (margins.pair_margins < 0).mean(axis=1)
    if not missed.size or missed.max() < NAMED:
        return None
    at = int(np.argmax(missed))
    pair = problem.pairs.index[margins.pairs[at]]
    a, b = (problem.scenario.compounds[m] for m in sorted(pair, key=lambda m: prediction.retention[m]))
    return PairAtRisk((a, b), min(float(missed[at]), most))


def _failures(
    problem: Problem, prediction: Prediction, margins: DrawnMargins, most: float
) -> tuple[Failure, ...]:
    """Pairs and requirements that are missed, and in what share of draws, the most frequent first.

    These shares are by first derivatives; none is in more draws than the whole goal, of which `most` are missed.
    """
    found = []
    for share, at in zip((margins.pair_margins < 0).mean(axis=1), margins.pairs, strict=True):
        a, b = sorted(problem.pairs.index[at], key=lambda m: prediction.retention[m])
        names = problem.scenario.compounds
        found.append(Failure(f"resolution of {names[a]} and {names[b]}", float(share)))
    failing = (margins.requirement_margins[0] < 0).mean(axis=1)
    found += [
        Failure(each.name, float(share)) for each, share in zip(problem.requirements, failing, strict=True)
    ]
    found = [Failure(each.what, min(each.share, most)) for each in found]
    return tuple(sorted((each for each in found if each.share >= NAMED), key=lambda each: -each.share))


def _sources(
    problem: Problem, batch: ProgramBatch, assessment: Assessment, margins: DrawnMargins, correction: float
) -> tuple[Source, ...]:
    """What each source of uncertainty takes: the pass probability without it, the main risk first.

    What first derivatives get wrong with all sources they are taken to get wrong without one as well.
    """
    robustness, found = problem.robustness, {}
    slopes = robustness.sensitivity(batch)  # the same whatever is left out
    for source in SOURCES:
        draws = robustness.draws(batch.controlled, frozenset({source}))
        peaks = drawn(problem.fit, slopes, draws, assessment.retention, assessment.width_half)
        without = margins_of_peaks(problem, batch, assessment, peaks, draws.shared[:, 3])
        if not np.array_equal(without.worst, margins.worst):
            found[SOURCE_TEXTS[source]] = without.passes[0]
    return sources_of(margins.passes[0], found, correction)


def sources_of(
    holds: NDArray[np.bool_], without: Mapping[str, NDArray[np.bool_]], correction: float = 0.0
) -> tuple[Source, ...]:
    """Sources of uncertainty, the main risk first, and what their draws can tell of them.

    A difference between two shares is real where the draws that only one of them fails in speak for it
    (`clearly_more`). The main risk is the one in front if its own gain is real, and with it all that gain something and
    cannot be told from it; none is where not even that gain is real.

    Parameters
    ----------
    holds : (D,) array, whether all of it holds with every source on
    without : (D,) arrays by the source's name, the same without it, the other sources draw for draw what they were
    correction : added to each share
    """
    share = _corrected(float(holds.mean()), correction)
    ordered = sorted(without.items(), key=lambda each: -int(each[1].sum()))
    found: list[Source] = []
    for text, kept in ordered:
        share_without = _corrected(float(kept.mean()), correction)
        gain: Gain = "none"
        if share_without > share:
            gain = "clear" if clearly_more(kept, holds) else "unclear"
        leads = bool(found) and found[0].main_risk
        main_risk = gain != "none" and leads and not clearly_more(ordered[0][1], kept)
        found.append(Source(text, share_without, gain, main_risk or (not found and gain == "clear")))
    return tuple(found)


def clearly_more(some: NDArray[np.bool_], others: NDArray[np.bool_]) -> bool:
    """Whether the one (D,) holds more often than the other in the same draws, beyond chance.

    McNemar, Psychometrika 12 (1947) 153, with exact two-sided probabilities: draws in which both hold or both fail say
    nothing of the difference; of the others, half would speak for either if there were none.
    """
    gained, lost = int(np.sum(some & ~others)), int(np.sum(others & ~some))
    return gained > lost and bool(binomtest(gained, gained + lost).pvalue < SIGNIFICANCE)
