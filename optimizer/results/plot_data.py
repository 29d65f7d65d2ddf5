"""What the pictures show, prepared in the reader's units; `plots` draws it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.column.programs import Array
from models.errors import InvalidInputError
from models.fit.fit import Fit
from models.peaks.chromatogram import detector_trace, peak_signals, trace_times
from models.peaks.resolution import pair_resolution
from models.units import HALF_95, PA_PER_KPA, SECONDS_PER_MINUTE, celsius, flow_mL_min
from optimizer.goal.outcome import LEAST_TAILING, Prediction
from optimizer.goal.reliability import PairAtRisk, Reliability
from optimizer.results.detector import bleed_between
from optimizer.scenario.data import Scenario

PAIR_POINTS = 241  # of a pair enlarged
CLOSE_POINTS = 120  # of the trace over the critical pair, which is also shown enlarged
SMALL = 12.0  # % of the highest signal; peaks below this are shown enlarged too
ENLARGED_TO = 55.0  # % of the highest peak's height that such peaks may then reach
CUT_BELOW = 12.0  # %: where the middle one of the peaks by height is lower, the highest are cut off
CUT_TO = 8.0  # times the middle one's height, above which a peak is then cut off
ROOM = 1.06  # of the highest peak that is drawn whole, to the upper end of the axis
MAGNIFICATIONS = tuple(digit * 10.0**power for power in range(5) for digit in (1, 2, 5))


@dataclass(frozen=True)
class PeakLabel:
    """A peak to be labelled: its name, apex (min, % of the highest signal), and whether it is critical."""

    name: str
    time: float
    height: float
    critical: bool


@dataclass(frozen=True)
class ChromatogramData:
    """What a picture of a prediction shows; times in min.

    Attributes
    ----------
    title : the heading
    critical_resolution : float, of the critical pair; nan when no pair counts
    times, response : (Q,) arrays  [min], [% of the highest signal]
    labels : the M peaks that elute, in order; ignored ones may be higher than the scale, and are cut off
    responses : (M, Q) array, each of them by itself  [% of the highest signal]
    oven_times, oven : (B,) arrays  [min], [°C], the corners of the oven program
    elution_times, elution_temperatures, oven_at_elution : (M,) arrays  [min], [°C] of the column, [°C] as set
    half_intervals : (M,) array  [min], halves of the 95 % intervals of these times; nan where unknown
    trace_times, pressure, flow : (Q,) arrays  [min], [kPa gauge], [mL/min]
    ambient : float  [kPa absolute]
    end : float  [min]
    window : (start, end) [min] of the critical pair, None when there is none
    valley : float  [% of the smaller apex], between the critical pair; nan when no pair counts
    at_risk : names of the pair that is missed most often, and in what share of the draws; None where none is
    bleed : (Q,) array  [% of the highest peak], part of `response` and of the labels' heights; None unless stated
    """

    title: str
    critical_resolution: float
    times: Array
    response: Array
    labels: tuple[PeakLabel, ...]
    responses: Array
    oven_times: Array
    oven: Array
    elution_times: Array
    elution_temperatures: Array
    oven_at_elution: Array
    half_intervals: Array
    trace_times: Array
    pressure: Array
    flow: Array
    ambient: float
    end: float
    window: tuple[float, float] | None
    valley: float
    at_risk: PairAtRisk | None = None
    bleed: Array | None = None

    @property
    def critical_responses(self) -> Array:
        """(C, Q) the peaks of the critical pair by themselves  [% of the highest signal]."""
        return self.responses[[label.critical for label in self.labels]]

    @property
    def valley_at(self) -> tuple[float, float] | None:
        """Time [min] and height [% of the highest signal] of the lowest point between the critical pair."""
        pair = [label.time for label in self.labels if label.critical]
        if len(pair) < 2:
            return None
        between = np.flatnonzero((self.times >= min(pair)) & (self.times <= max(pair)))
        if not len(between):
            return None
        lowest = between[int(np.argmin(self.response[between]))]
        return float(self.times[lowest]), float(self.response[lowest])

    @property
    def top(self) -> float:
        """Where the axis of the whole signal ends, % of the highest; peaks above it are cut off and marked."""
        peaks = scale_of([label.height for label in self.labels])
        return ROOM * (peaks if self.bleed is None else max(peaks, float(self.bleed.max())))

    @property
    def cut(self) -> tuple[PeakLabel, ...]:
        """The peaks that are cut off."""
        return tuple(label for label in self.labels if label.height > self.top)

    @property
    def magnification(self) -> float:
        """How many times larger the signal must be drawn to see the smaller critical peak; 1 when it is seen anyway.

        Without a critical pair the peak in the middle of the ranking by height speaks for all.
        """
        share = 100 * ROOM / self.top  # of the axis, instead of the highest peak
        heights = sorted(share * label.height for label in self.labels)
        critical = [share * label.height for label in self.labels if label.critical]
        if not heights:
            return 1.0
        middle = heights[(len(heights) - 1) // 2]
        low, high = (min(critical), max(critical)) if critical else (middle, middle)
        if low >= SMALL:
            return 1.0
        for both in (high, low):  # rather the pair uncut than its smaller peak as large as possible
            found = max(each for each in MAGNIFICATIONS if each == 1 or each * both <= ENLARGED_TO)
            if found * low >= SMALL:
                break
        return found


def scale_of(heights: Sequence[float]) -> float:
    """The height up to which a chromatogram is drawn: the highest peak, or the highest that does not dwarf the others.

    A solvent or a main component a hundred times as high as the rest would leave nothing else to see.
    """
    ranked = sorted(heights)
    if not ranked or ranked[-1] <= 0:
        return 100.0
    middle = ranked[(len(ranked) - 1) // 2]
    if middle >= CUT_BELOW / 100 * ranked[-1]:
        return ranked[-1]
    return max(height for height in ranked if height <= CUT_TO * middle)


def chromatogram_data(
    prediction: Prediction, ambient_pressure: float, title: str, known: Reliability | None = None
) -> ChromatogramData:
    """Prepare the picture of a prediction, and what is known of its certainty; `ambient_pressure` in Pa absolute."""
    t, w, area = prediction.retention, prediction.width_half, prediction.area
    tailing = np.maximum(prediction.tailing, LEAST_TAILING)
    order = [int(m) for m in prediction.order if np.isfinite(t[m]) and np.isfinite(w[m])]
    end = prediction.run_time
    pair = [] if prediction.critical is None else list(prediction.counted_pairs[prediction.critical])
    pair = sorted((m for m in pair if m in order), key=lambda m: t[m])
    window = _window(t[pair], w[pair]) if pair else None
    tail = prediction.tail
    times = trace_times(end, t, w, tailing, time_constant=tail.time_constant if tail else 0.0)
    if window is not None:
        times = np.unique(np.concatenate([times, np.linspace(*window, CLOSE_POINTS)]))
    R = prediction.overload
    signal, own = detector_trace(times, t, w, area, tailing, R, tail), prediction.scaling
    highest = detector_trace(times, t[own], w[own], area[own], tailing[own], R[own], tail and tail[own]).max()
    single = peak_signals(
        times, t[order], w[order], area[order], tailing[order], R[order], tail and tail[order]
    )
    apexes = detector_trace(t[order], t, w, area, tailing, R, tail)
    scale = 100.0 / highest if highest > 0 else 1.0
    oven_times, oven = prediction.program.oven.knots()
    corners = np.array([*oven_times, max(end, oven_times[-1])])
    bleed, beneath = None, np.zeros(len(order))
    if prediction.bleed is not None:
        bleed = bleed_between(prediction, prediction.bleed, times) * scale
        beneath = bleed_between(prediction, prediction.bleed, t[order]) * scale
    return ChromatogramData(
        title=title,
        critical_resolution=float("nan") if prediction.critical is None else prediction.min_resolution,
        times=times / SECONDS_PER_MINUTE,
        response=signal * scale + (0.0 if bleed is None else bleed),
        labels=tuple(
            PeakLabel(
                prediction.compounds[m],
                float(t[m]) / SECONDS_PER_MINUTE,
                min(float(height) * scale, 100.0) + float(under),
                m in pair,
            )
            for m, height, under in zip(order, apexes, beneath, strict=True)
        ),
        responses=single.T * scale,
        oven_times=corners / SECONDS_PER_MINUTE,
        oven=celsius(np.array([*oven, oven[-1]])),
        elution_times=t[order] / SECONDS_PER_MINUTE,
        elution_temperatures=celsius(prediction.elution_temperature[order]),
        # As set, so that ticks lie on the trace; the column itself follows late.
        oven_at_elution=celsius(np.interp(prediction.retention[order], *prediction.program.oven.knots())),
        half_intervals=HALF_95 * prediction.retention_sd[order] / SECONDS_PER_MINUTE,
        trace_times=prediction.trace_times / SECONDS_PER_MINUTE,
        pressure=(prediction.inlet_pressure - ambient_pressure) / PA_PER_KPA,
        flow=flow_mL_min(prediction.flow),
        ambient=ambient_pressure / PA_PER_KPA,
        end=end / SECONDS_PER_MINUTE,
        window=None if window is None else (window[0] / SECONDS_PER_MINUTE, window[1] / SECONDS_PER_MINUTE),
        valley=prediction.valley,
        at_risk=None if known is None else known.pair_at_risk,
        bleed=bleed,
    )


def _window(retention: Array, width_half: Array) -> tuple[float, float]:
    """Start and end of a stretch that shows some peaks with room around them; all in s."""
    start = float((retention - 2.5 * width_half).min())
    return max(start, 0.0), float((retention + 3.0 * width_half).max())


@dataclass(frozen=True)
class PairData:
    """Two compounds enlarged.

    Attributes
    ----------
    names : the two, in order of elution
    times, response : (Q,) arrays  [min], [% of the higher of the two apexes]
    responses : (2, Q) array, each of the two by itself, likewise
    resolution, needed, half_interval : float, and half of its 95 % interval; the last two nan where the pair does not
        count, the last also where it is unknown
    """

    names: tuple[str, str]
    times: Array
    response: Array
    responses: Array
    resolution: float
    needed: float
    half_interval: float


def pair_data(prediction: Prediction, a: str, b: str) -> PairData:
    """Two compounds and what elutes around them.

    Raises
    ------
    InvalidInputError : when there is no such compound, both are the same, or one of them does not elute
    """
    for name in (a, b):
        if name not in prediction.compounds:
            raise InvalidInputError(f'there is no compound "{name}"')
    if a == b:
        raise InvalidInputError(f'a pair has two compounds, and "{a}" is one')
    t, w, area = prediction.retention, prediction.width_half, prediction.area
    tailing = np.maximum(prediction.tailing, LEAST_TAILING)
    pair = sorted((prediction.compounds.index(name) for name in (a, b)), key=lambda m: t[m])
    if not np.all(np.isfinite(t[pair])):
        raise InvalidInputError(f"{a} and {b}: not both elute")
    times = np.linspace(*_window(t[pair], w[pair]), PAIR_POINTS)
    R, tail = prediction.overload, prediction.tail
    scale = 100.0 / detector_trace(t[pair], t, w, area, tailing, R, tail).max()
    counted = np.flatnonzero((np.sort(prediction.counted_pairs, axis=1) == sorted(pair)).all(axis=1))
    index = np.array([pair], dtype=np.intp)
    nan = float("nan")
    needed, half = nan, nan
    if counted.size:
        needed = float(prediction.needed[counted[0]])
        half = HALF_95 * float(prediction.resolution_sd[counted[0]])
    return PairData(
        (prediction.compounds[pair[0]], prediction.compounds[pair[1]]),
        times / SECONDS_PER_MINUTE,
        detector_trace(times, t, w, area, tailing, R, tail) * scale,
        peak_signals(times, t[pair], w[pair], area[pair], tailing[pair], R[pair], tail and tail[pair]).T
        * scale,
        float(pair_resolution(t, w, index, prediction.tailing)[0]),
        needed,
        half,
    )


@dataclass(frozen=True)
class ResidualData:
    """Residuals of a fit: (R, M) in s, with the compounds along the axis and the runs as signs."""

    compounds: tuple[str, ...]
    runs: tuple[str, ...]
    residual: Array
    repeatability: float


def residual_data(scenario: Scenario, fit: Fit) -> ResidualData:
    """Prepare the picture of residuals; the band is the largest stated repeatability [s]."""
    runs = tuple(run.name for run in scenario.runs)
    return ResidualData(
        scenario.compounds, runs, fit.residual, max((run.repeatability for run in scenario.runs), default=0.0)
    )


def thinned_curve(times: Array, values: Array, tolerance: float | Array) -> Array:
    """Which points of a curve to keep so that straight lines between them pass all others within a tolerance.

    The point furthest off a line between two kept ones is kept as well, until none is too far (Ramer 1972, Douglas
    and Peucker 1973, with distances along the values).

    Parameters
    ----------
    times, values : (Q,) arrays, the former rising
    tolerance : in the unit of the values, for all points or (Q,) for each

    Returns
    -------
    (K,) array of indices, rising, the first and the last among them
    """
    allowed = np.broadcast_to(tolerance, times.shape)
    kept = {0, len(times) - 1}
    stretches = [(0, len(times) - 1)]
    while stretches:
        first, last = stretches.pop()
        if last - first < 2:
            continue
        between = slice(first + 1, last)
        line = np.interp(times[between], times[[first, last]], values[[first, last]])
        off = np.abs(values[between] - line) / allowed[between]
        furthest = first + 1 + int(np.argmax(off))
        if off[furthest - first - 1] > 1:
            kept.add(furthest)
            stretches += [(first, furthest), (furthest, last)]
    return np.array(sorted(kept), dtype=np.intp)
