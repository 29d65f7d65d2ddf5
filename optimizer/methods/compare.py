"""A confirmation run against its prediction: deviations, resolutions, and whether the whole run has shifted.

The retention times of a run shift together far more easily than they shift against each other, and only the latter
changes a resolution; so pairs are judged by the distance of their peaks in base widths, and times by whether one
cause explains them all (`shared_cause`). Peaks under a wrong name are looked for first (`wrong_names`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated, Literal, NamedTuple

import numpy as np
from scipy.special import ndtri

from models.column.programs import Array, Program, batch_of
from models.peaks.resolution import BASE_WIDTH_PER_HALF, pair_resolution
from optimizer.base.numbers import MINUTES, NEEDED, TWO_DECIMALS, Rounded
from optimizer.base.quantities import MINUTE
from optimizer.base.tables import key
from optimizer.goal.covariance import IMPROBABLE
from optimizer.goal.goal import Problem, measured_mean
from optimizer.goal.limits import Runs
from optimizer.goal.outcome import Prediction
from optimizer.goal.predict import predict
from optimizer.goal.reliability import Reliability
from optimizer.goal.shared_cause import Causes, causes_of, expectation
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.wrong_names import Correction, RunPeaks, wrong_names
from optimizer.runs.peak_tables import PeakTable
from optimizer.search.found import FEASIBLE

Verdict = Literal["holds", "unresolved", "unconfirmed", "drifts", "misnamed", "departs"]
CLOSE = 2.0  # times the needed resolution, up to which a change matters
SHORT = 0.005  # of a resolution: less does not show in two decimals
NOISE = 1.645  # sd of one reading: 5 % of runs read lower than the truth by more
ANOTHER = 10.0  # sd: median deviation from which the run was made with another program


@dataclass(frozen=True)
class ComparedPair:
    """A counted pair of neighbours, compounds `a` and `b` in predicted order of elution."""

    a: int
    b: int
    between: Annotated[tuple[str, str], key()]
    """the two names"""
    needed: Annotated[float, NEEDED, key()]
    """resolution it needs"""
    predicted: Annotated[float, TWO_DECIMALS, key()]
    """as predicted"""
    predicted_sd: Annotated[float, TWO_DECIMALS, key()]
    """its standard deviation"""
    found: Annotated[float, TWO_DECIMALS, key()]
    """as found; negative: the order is reversed; nan: a peak is missing"""
    distance_change: Annotated[float, TWO_DECIMALS, key("distance_change_base_widths")]
    """found - predicted, in mean base widths"""
    found_sd: Annotated[float, TWO_DECIMALS, key()]
    """standard deviation of one reading, by the repeatability of times"""

    @property
    def deviation_sd(self) -> Annotated[float, TWO_DECIMALS, key("found_less_predicted_sd")]:
        """Found - predicted in standard deviations."""
        return (self.found - self.predicted) / float(np.hypot(self.predicted_sd, self.found_sd))

    @property
    def close(self) -> bool:
        """Whether the pair is near enough to what it needs to matter."""
        return min(self.predicted, self.found) < CLOSE * self.needed

    @property
    def met(self) -> Annotated[bool | None, key()]:
        """Whether the found resolution is the needed one; None without a peak."""
        return None if np.isnan(self.found) else self.found >= self.needed - SHORT

    @property
    def within_noise(self) -> Annotated[bool | None, key()]:
        """Whether a resolution that is too low may be so by the scatter of one reading: such a run decides nothing."""
        return None if self.met is None else not self.met and self.needed - self.found < NOISE * self.found_sd


@dataclass(frozen=True)
class FoundRequirement:
    """A requirement beside resolution, as far as times decide it."""

    name: Annotated[str, key("wish")]
    """that of its limit"""
    met: Annotated[bool | None, key()]
    """None where a peak is missing without which it cannot be decided"""
    missed: Annotated[str | None, key()]
    """what was found, what is required, and the difference; None unless it is missed"""


class ExtraPeak(NamedTuple):
    """A peak that is no compound of the scenario."""

    name: Annotated[str, key()]
    time: Annotated[float, MINUTES, key("found_min")]


@dataclass(frozen=True)
class Comparison:
    """A confirmation run and its prediction; arrays in the order of the scenario's M compounds.

    Attributes
    ----------
    problem : Problem
    prediction : Prediction with standard deviations
    peaks : PeakTable, as given
    named, found : (M,) arrays  [s], times as named in the table, and corrected; nan where missing
    found_width : (M,) array  [s], at half height, corrected; nan where not measured
    time_sd : (M,) array  [s], of found - predicted, set-point tolerances and the run's repeatability included
    corrections : of names that are probably wrong
    doubts : of names that are probably right, something wrong being worth a word
    """

    problem: Problem
    prediction: Prediction
    reliability: Annotated[Reliability, key()]
    """of the compared program before this run, see *Reliability*"""
    name: Annotated[str, key("run")]
    """name of the peak table"""
    origin: Annotated[str, key("program_from")]
    """where the program comes from"""
    peaks: PeakTable
    repeatability: Annotated[float, Rounded(MINUTE), key("repeatability_min")]
    """of its times"""
    named: Array
    found: Array
    found_width: Array
    time_sd: Array
    extra: Annotated[tuple[ExtraPeak, ...], key()]
    """peaks that are no compound of the scenario: `name`, `found_min`"""
    corrections: tuple[Correction, ...]
    doubts: tuple[Correction, ...]
    causes: Annotated[Causes, key("deviations")]
    """of the whole run, see below"""
    pairs: Annotated[tuple[ComparedPair, ...], key()]
    """counted neighbours, in order of predicted elution, see below"""
    requirements: Annotated[tuple[FoundRequirement, ...], key("wishes")]
    """requirements beside resolution that times decide, see below"""

    @property
    def deviation(self) -> Array:
        """(M,) found - predicted [s], as named."""
        return self.named - self.prediction.retention

    @property
    def rest(self) -> Array:
        """(M,) deviation that remains without the shared cause [s], corrected."""
        shift = 0.0 if self.causes.cause is None else self.causes.cause.shift
        return self.found - self.prediction.retention - shift

    @property
    def missing(self) -> Annotated[tuple[str, ...], key()]:
        """Compounds that should elute but have no peak; those named after a foreign peak left out."""
        absent = np.isnan(self.found) & np.isfinite(self.prediction.retention)
        absent[[each.compound for each in self.corrections if each.kind == "foreign"]] = False
        return tuple(name for name, gone in zip(self.prediction.compounds, absent, strict=True) if gone)

    @property
    def wrongly_named(self) -> frozenset[int]:
        """Compounds whose peak is probably another's, or mistyped."""
        named = [each.compound for each in self.corrections]
        named += [
            each.partner for each in self.corrections if each.kind == "swapped" and each.partner is not None
        ]
        return frozenset(named)

    @property
    def lost(self) -> tuple[int, ...]:
        """Targets and internal standards without a peak, corrected: of them the run confirms nothing."""
        return tuple(int(m) for m in self.problem.targets if np.isnan(self.found[m]))

    def nearest(self, m: int) -> int | None:
        """The found peak that is predicted nearest to a compound's; None where there is none."""
        away = np.abs(self.prediction.retention - self.prediction.retention[m])
        away[np.isnan(self.found)] = np.nan
        return int(np.nanargmin(away)) if np.isfinite(away).any() else None

    def expected_at(self, m: int) -> float:
        """Where a missing peak is expected [s], being off as its neighbour is."""
        predicted, k = self.prediction.retention, self.nearest(m)
        return float(predicted[m] if k is None else predicted[m] + self.found[k] - predicted[k])

    def hiding(self, m: int) -> int | None:
        """The found peak that a missing one may lie under: its neighbour, if close to where it is expected."""
        k = self.nearest(m)
        if k is None:
            return None
        at = self.found.copy()
        at[m] = self.expected_at(m)
        width = np.where(np.isfinite(self.found_width), self.found_width, self.prediction.width_half)
        apart = pair_resolution(at, width, np.array([[m, k]]), self.prediction.tailing)[0]
        needed = self.problem.partners[1][m, k] or self.problem.scenario.goal.min_resolution
        return k if apart < CLOSE * needed else None

    @property
    def width_sigmas(self) -> Array:
        """(M,) ln of found over predicted widths in standard deviations of the latter."""
        predicted = self.prediction
        return np.log(self.found_width / predicted.width_half) / (predicted.width_sd / predicted.width_half)

    @property
    def width_ratio(self) -> Annotated[float, Rounded(), key()]:
        """Median of found over predicted widths; nan without any."""
        ratio = self.found_width / self.prediction.width_half
        known = ratio[np.isfinite(ratio)]
        return float(np.median(known)) if len(known) else float("nan")

    @property
    def critical_found(self) -> ComparedPair | None:
        """The pair furthest below or nearest to what it needs, of those found."""
        judged = [pair for pair in self.pairs if np.isfinite(pair.found)]
        return min(judged, key=lambda pair: pair.found / pair.needed, default=None)

    @property
    def short(self) -> tuple[ComparedPair, ...]:
        """Pairs found with less resolution than they need, by more than the run's noise, the worst first."""
        return self._worst_first(pair for pair in self.pairs if pair.met is False and not pair.within_noise)

    @property
    def undecided(self) -> tuple[ComparedPair, ...]:
        """Pairs found with less resolution than they need, but within the run's noise, the worst first."""
        return self._worst_first(pair for pair in self.pairs if pair.within_noise)

    @property
    def weaker(self) -> tuple[ComparedPair, ...]:
        """Pairs found with less resolution than predicted, beyond chance or so that they are short; the worst first."""
        close = [pair for pair in self.pairs if np.isfinite(pair.found) and pair.close]
        least = -largest_of(len(close))
        enough = [pair for pair in self.short if pair.predicted >= pair.needed - SHORT]
        return self._worst_first(pair for pair in close if pair.deviation_sd < least or pair in enough)

    @staticmethod
    def _worst_first(pairs: Iterable[ComparedPair]) -> tuple[ComparedPair, ...]:
        return tuple(sorted(pairs, key=lambda pair: pair.found / pair.needed))

    @property
    def goal_met(self) -> Annotated[bool | None, key()]:
        """Whether every pair has the resolution it needs and every other requirement is met; None where a peak
        that would decide is missing, or a pair is too low within the run's noise."""
        decided = [None if pair.within_noise else pair.met for pair in self.pairs]
        decided += [each.met for each in self.requirements]
        if False in decided:
            return False
        return None if self.lost or None in decided or not decided else True

    @property
    def another_program(self) -> bool:
        """Whether the run looks as if it had been made with another program."""
        off = np.abs(self.deviation / self.time_sd)
        off = off[np.isfinite(off)]
        return self.verdict == "departs" and bool(np.median(off) > ANOTHER)

    @property
    def within(self) -> bool:
        """Whether all times and close pairs are where the prediction has them, tolerances of set points included."""
        off = np.abs((self.found - self.prediction.retention) / self.time_sd)
        off = off[np.isfinite(off)]
        pairs = [abs(pair.deviation_sd) for pair in self.pairs if np.isfinite(pair.found) and pair.close]
        return bool(
            off.max(initial=0.0) < largest_of(len(off)) and max(pairs, default=0.0) < largest_of(len(pairs))
        )

    @property
    def tolerated(self) -> bool:
        """Whether the deviations are within the tolerances of set points, all of them together."""
        return not self.causes.beyond

    @property
    def verdict(self) -> Annotated[Verdict, key()]:
        """One of `holds`; `unresolved`: the times hold, a resolution does not; `unconfirmed`: a target or internal
        standard has no peak; `drifts`: one cause, more than the scenario's tolerances together allow, moves all peaks;
        `misnamed`: a peak is not what it was named, or its time is mistyped; `departs`: deviations beyond what was to
        be expected, and no single cause for them. Of several that apply, `misnamed` comes first, then `drifts`,
        `departs`, `unconfirmed`, `unresolved`."""
        if self.corrections:
            return "misnamed"
        if not self.tolerated:
            return "drifts"
        if self.causes.independent and not self.within:
            return "departs"
        if self.lost:
            return "unconfirmed"
        return "unresolved" if self.weaker else "holds"


def largest_of(count: int) -> float:
    """Standard deviations that the largest of so many normal deviates exceeds in about one case of a hundred."""
    return float(-ndtri(IMPROBABLE / 2 / max(count, 1)))


def compare(
    problem: Problem, program: Program, peaks: PeakTable, name: str, origin: str, repeatability: float
) -> Comparison:
    """Compare a run with the prediction of its program.

    Parameters
    ----------
    repeatability : float  [s], standard deviation of a retention time from run to run
    """
    expected = expectation(problem, program, repeatability)
    problem = expected.problem
    prediction, reliability = with_uncertainty(problem, predict(problem, program), exact=True)
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
    corrections, doubts, corrected = wrong_names(expected, given)
    return Comparison(
        problem=problem,
        prediction=prediction,
        reliability=reliability,
        name=name,
        origin=origin,
        peaks=peaks,
        repeatability=repeatability,
        named=named,
        found=corrected.time,
        found_width=corrected.width,
        time_sd=np.hypot(prediction.retention_sd, repeatability),
        extra=tuple(ExtraPeak(peaks.compounds[row], float(peaks.retention[row])) for row in others),
        corrections=corrections,
        doubts=doubts,
        causes=causes_of(expected, corrected.time),
        pairs=_pairs(problem, prediction, corrected.time, corrected.width, repeatability),
        requirements=found_requirements(problem, prediction, corrected.time, corrected.width),
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
    resolved = pair_resolution(found, width, index, prediction.tailing)
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
                between=(prediction.compounds[a], prediction.compounds[b]),
                needed=float(prediction.needed[p]),
                predicted=float(prediction.resolution[p]),
                predicted_sd=float(prediction.resolution_sd[p]),
                found=float(np.copysign(resolved[p], distance)) if seen else float("nan"),
                distance_change=float((distance - (predicted[b] - predicted[a])) / base_predicted),
                found_sd=float(1.18 * np.sqrt(2) * repeatability / (width[a] + width[b])),
            )
        )
    return tuple(sorted(result, key=lambda pair: float(predicted[pair.a])))


def found_requirements(
    problem: Problem, prediction: Prediction, time: Array, width: Array
) -> tuple[FoundRequirement, ...]:
    """Every requirement beside resolution that the times of a run decide.

    Of temperatures, intact fractions and retention factors, which a run does not show, only the prediction speaks.

    Parameters
    ----------
    prediction : of the run's program
    time, width : (M,) arrays  [s], found, the latter at half height; nan where missing
    """
    seen = replace(problem, targets=problem.targets[np.isfinite(time[problem.targets])])
    width = np.where(np.isfinite(width), width, prediction.width_half)
    runs = _as_runs(prediction, time, width)
    as_found = replace(prediction, retention=time, width_half=width)
    found = []
    for each in seen.requirements:
        if each.by_times:
            value = float(each.margin(runs)[0])
            met = None if np.isnan(value) else value >= FEASIBLE
            found.append(FoundRequirement(each.name, met, each.shortfall(as_found) if met is False else None))
    return tuple(found)


def _as_runs(prediction: Prediction, time: Array, width: Array) -> Runs:
    """A run for the limits that times decide; of all else nothing is known."""
    batch = batch_of([prediction.program])
    unknown, nothing = np.full((1, len(time)), np.nan), np.zeros((1, 0))
    end = np.array([np.nanmax(time, initial=0.0)])
    return Runs(batch, batch, time[None], width[None], unknown, unknown, end, nothing, nothing)
