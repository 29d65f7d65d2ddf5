"""A confirmation run against its prediction: deviations, resolutions, what became of the run as a whole.

The retention times of a run shift together far more easily than they shift against each other, and only the latter
changes a resolution; so pairs are judged by the distance of their peaks in base widths, and times by whether one
cause explains them all (`shared_cause`). Peaks under a wrong name are looked for first (`wrong_names`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy.special import ndtri

from models.programs import Array, Program, batch_of
from models.resolution import BASE_WIDTH_PER_HALF, pair_resolution
from optimizer.goal import Problem, measured_mean
from optimizer.peak_tables import PeakTable
from optimizer.predict import predict
from optimizer.results import Prediction, Reliability
from optimizer.shared_cause import IMPROBABLE, Causes, causes_of, expectation
from optimizer.uncertainty import with_uncertainty
from optimizer.wrong_names import Mend, RunPeaks, wrong_names

Verdict = Literal["holds", "drifts", "misnamed", "departs"]
CLOSE = 2.0  # times the needed resolution, up to which a change matters
SHORT = 0.005  # of a resolution: what two decimals do not show is not missed


@dataclass(frozen=True)
class ComparedPair:
    """A counted pair of neighbours, in the order in which it was predicted.

    Attributes
    ----------
    a, b : int, compounds
    needed, predicted, predicted_sd, found : float, resolutions; found is negative where the order is reversed and
        nan where a peak is missing
    found_sd : float, of the found one by the repeatability of times
    apart : float, distance found less predicted in mean base widths; nan where a peak is missing
    """

    a: int
    b: int
    needed: float
    predicted: float
    predicted_sd: float
    found: float
    found_sd: float
    apart: float

    @property
    def sigmas(self) -> float:
        """Found less predicted in standard deviations."""
        return (self.found - self.predicted) / float(np.hypot(self.predicted_sd, self.found_sd))

    @property
    def close(self) -> bool:
        """Whether the pair is near enough to what it needs to matter."""
        return min(self.predicted, self.found) < CLOSE * self.needed

    @property
    def met(self) -> bool:
        """Whether the found resolution is what is needed; a pair that cannot be judged is not missed."""
        return bool(np.isnan(self.found) or self.found >= self.needed - SHORT)


@dataclass(frozen=True)
class Comparison:
    """A confirmation run and its prediction; arrays in the order of the scenario's M compounds.

    Attributes
    ----------
    problem : Problem
    prediction : Prediction with standard deviations
    reliability : Reliability
    name : str, of the run
    origin : str, where the program comes from, in words
    peaks : PeakTable, as given
    repeatability : float  [s]
    named, found : (M,) arrays  [s], times as named in the table, and with the mends made; nan where missing
    found_width : (M,) array  [s], at half height with the mends made; nan where not measured
    time_sd : (M,) array  [s], of found less predicted, set-point tolerances and the run's repeatability included
    extra : names and times [s] of peaks that are no compound of the scenario
    mends : names that are probably wrong
    causes : what became of the run as a whole, the mends made
    pairs : counted neighbours, in order of predicted elution
    """

    problem: Problem
    prediction: Prediction
    reliability: Reliability
    name: str
    origin: str
    peaks: PeakTable
    repeatability: float
    named: Array
    found: Array
    found_width: Array
    time_sd: Array
    extra: tuple[tuple[str, float], ...]
    mends: tuple[Mend, ...]
    causes: Causes
    pairs: tuple[ComparedPair, ...]

    @property
    def deviation(self) -> Array:
        """(M,) found less predicted [s], as named."""
        result: Array = self.named - self.prediction.retention
        return result

    @property
    def rest(self) -> Array:
        """(M,) what the shared cause leaves of the deviation [s], the mends made."""
        shift = 0.0 if self.causes.cause is None else self.causes.cause.shift
        result: Array = self.found - self.prediction.retention - shift
        return result

    @property
    def missing(self) -> tuple[str, ...]:
        """Compounds that should elute but have no peak in the run, the mends made; those with a foreign one apart."""
        absent = np.isnan(self.found) & np.isfinite(self.prediction.retention)
        absent[[mend.compound for mend in self.mends if mend.kind == "foreign"]] = False
        return tuple(name for name, gone in zip(self.prediction.compounds, absent, strict=True) if gone)

    @property
    def width_ratio(self) -> float:
        """Median of found over predicted widths; nan without any."""
        ratio = self.found_width / self.prediction.width_half
        known = ratio[np.isfinite(ratio)]
        return float(np.median(known)) if len(known) else float("nan")

    @property
    def smallest_found(self) -> ComparedPair | None:
        """The pair furthest below or nearest to what it needs, of those found."""
        judged = [pair for pair in self.pairs if np.isfinite(pair.found)]
        return min(judged, key=lambda pair: pair.found / pair.needed, default=None)

    @property
    def short(self) -> tuple[ComparedPair, ...]:
        """Pairs found with less resolution than they need, the worst first."""
        return tuple(
            sorted(
                (pair for pair in self.pairs if not pair.met),
                key=lambda pair: pair.found / pair.needed,
            )
        )

    @property
    def within(self) -> bool:
        """Whether all times and close pairs are where the prediction has them, tolerances of set points included."""
        off = np.abs((self.found - self.prediction.retention) / self.time_sd)
        off = off[np.isfinite(off)]
        pairs = [abs(pair.sigmas) for pair in self.pairs if np.isfinite(pair.found) and pair.close]
        return bool(
            off.max(initial=0.0) < largest_of(len(off)) and max(pairs, default=0.0) < largest_of(len(pairs))
        )

    @cached_property
    def tolerated(self) -> bool:
        """Whether the shared cause is no larger than the tolerances that the scenario states."""
        cause = self.causes.cause
        if cause is None:
            return True
        if cause.kind == "delay":
            return self.within
        allowed = self.problem.scenario.tolerances
        if cause.kind == "oven":
            return abs(cause.size) <= allowed.oven + cause.sd
        batch = batch_of([self.prediction.program])
        pressure = batch.controlled == "pressure"
        slopes = self.problem.robustness.sensitivity(batch).by_shared[0, 0]
        # What a set carrier does to times, in terms of the velocity.
        per_share = abs(float(np.nanmedian(slopes[4] / slopes[0])))
        carrier = per_share * (allowed.pressure if pressure else allowed.flow)
        cut = 2 * allowed.trimmed / self.problem.fit.system.column.length
        return abs(cause.size) <= carrier + allowed.hold_up + cut + cause.sd

    @property
    def verdict(self) -> Verdict:
        """What to call it, in one word."""
        if self.mends:
            return "misnamed"
        if self.causes.cause is not None:
            return "holds" if self.tolerated else "drifts"
        return "departs" if self.causes.independent and not self.within else "holds"


def largest_of(count: int) -> float:
    """Standard deviations that the largest of so many normal deviates exceeds in about one case of a hundred."""
    return float(-ndtri(IMPROBABLE / 2 / max(count, 1)))


def compare(
    problem: Problem, program: Program, peaks: PeakTable, name: str, origin: str, repeatability: float
) -> Comparison:
    """Hold a run against what its program was expected to give.

    Parameters
    ----------
    repeatability : float  [s], standard deviation of a retention time from run to run
    """
    expected = expectation(problem, program, repeatability)
    problem = expected.problem
    prediction, reliability = with_uncertainty(problem, predict(problem, program))
    names = prediction.compounds
    rows = [peaks.index(compound) for compound in names]

    def column(values: Array) -> Array:
        return np.array([np.nan if row is None else values[row] for row in rows])

    others = [row for row, each in enumerate(peaks.compounds) if each not in names]
    named = column(peaks.retention)
    given = RunPeaks(
        named,
        column(peaks.width_half),
        np.log(column(peaks.area)),
        np.log(measured_mean(problem.scenario, "area", np.nan)),
        peaks.retention[others],
        peaks.width_half[others],
    )
    mends, taken = wrong_names(expected, given)
    return Comparison(
        problem=problem,
        prediction=prediction,
        reliability=reliability,
        name=name,
        origin=origin,
        peaks=peaks,
        repeatability=repeatability,
        named=named,
        found=taken.time,
        found_width=taken.width,
        time_sd=np.hypot(prediction.retention_sd, repeatability),
        extra=tuple((peaks.compounds[row], float(peaks.retention[row])) for row in others),
        mends=mends,
        causes=causes_of(expected, taken.time),
        pairs=_pairs(problem, prediction, taken.time, taken.width, repeatability),
    )


def _pairs(
    problem: Problem, prediction: Prediction, found: Array, found_width: Array, repeatability: float
) -> tuple[ComparedPair, ...]:
    """Counted pairs that are neighbours as predicted or as found."""
    predicted = prediction.retention
    width = np.where(np.isfinite(found_width), found_width, prediction.width_half)
    near = {
        (min(a, b), max(a, b))
        for times in (predicted, found)
        for a, b in pairwise(int(m) for m in np.argsort(times) if np.isfinite(times[m]))
    }
    index = prediction.counted_pairs
    resolved = pair_resolution(found, width, index, problem.tailing)
    result = []
    for p, (i, j) in enumerate(index.tolist()):
        if (i, j) not in near or not np.isfinite(predicted[[i, j]]).all():
            continue
        a, b = (i, j) if predicted[i] <= predicted[j] else (j, i)
        base_predicted = BASE_WIDTH_PER_HALF * (prediction.width_half[a] + prediction.width_half[b]) / 2
        distance = found[b] - found[a]
        seen = np.isfinite(distance)
        result.append(
            ComparedPair(
                a=a,
                b=b,
                needed=float(prediction.needed[p]),
                predicted=float(prediction.resolution[p]),
                predicted_sd=float(prediction.resolution_sd[p]),
                found=float(np.copysign(resolved[p], distance)) if seen else float("nan"),
                found_sd=1.18 * np.sqrt(2) * repeatability / float(width[a] + width[b]),
                apart=float((distance - (predicted[b] - predicted[a])) / base_predicted),
            )
        )
    return tuple(sorted(result, key=lambda pair: float(predicted[pair.a])))
