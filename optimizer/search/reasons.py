"""Why a program is what it is, and what to know before trusting it, in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from scipy.integrate import trapezoid

from models.column.programs import Array, Program, batch_of
from models.peaks.detection import SLOW_RESPONSE, peak_height
from models.peaks.overload import SLIGHT
from models.peaks.resolution import HALF_HEIGHT_WIDTH, order_changes
from models.peaks.tails import before_decay
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.base.numbers import beside_needed, percent, probability_beside
from optimizer.goal.cautions import BREAKS, MISSES, extrapolation
from optimizer.goal.drawn_margins import backoff, drawn_margins
from optimizer.goal.goal import Problem, measured_mean
from optimizer.goal.limits import RESOLUTION, Index, Requirement
from optimizer.goal.outcome import LimitMargin, Prediction
from optimizer.goal.predict import hold_up_time_of, predict
from optimizer.goal.reliability import Reliability
from optimizer.goal.split import about_split, inlet_of, more_on_column
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.scenario.data import Scenario
from optimizer.search.descent import fastest_margin
from optimizer.search.found import FEASIBLE
from optimizer.search.rounding import Settable

ROUNDING = 1e-9  # relative, by which an amount may be above the capacity that its split ratio was chosen for
BINDING = 0.02  # relative margin below which a limit is named as limiting
SHOWN_PAIRS = 3
NEXT_SECONDS = (
    10.0  # s; what a run so much faster would cost is reported; a tenth of the run where that is shorter
)
MOVED = 1e-3  # fall of a margin below which it counts as unchanged
GIVEN = 0.02  # the same of a pass probability


class Held(NamedTuple):
    """A limit, or RESOLUTION for that of a pair, as a program keeps it, and by how much it is then missed in words."""

    limit: Requirement
    shown: LimitMargin
    shortfall: str

    @property
    def missed(self) -> bool:
        """Whether the program does not keep it."""
        return self.shown.margin < FEASIBLE


def held_limits(
    problem: Problem, prediction: Prediction, pairs: int | None = SHOWN_PAIRS, nominally: bool = False
) -> Iterator[Held]:
    """Every limit of a program with its margin: the tightest pairs (None for all), then limits, tightest first.

    Tightest is what the draws leave least of, or with `nominally` what the program itself does.
    """
    batch = batch_of([prediction.program])
    assessment = problem.assess(batch, "polish")
    margin, limits = prediction.resolution / prediction.needed - 1, assessment.limits[0]
    in_hand, limits_in_hand = margin, limits
    if problem.by_draws and not nominally:  # what binds has no more reserve than the draws ask for
        needed = backoff(problem, assessment, drawn_margins(problem, batch, assessment))
        in_hand = margin - needed.kappa * needed.pairs[*problem.pairs.index.T]
        limits_in_hand = limits - needed.kappa * needed.limits
    for at in np.argsort(in_hand)[:pairs]:
        a, b = sorted(prediction.counted_pairs[at], key=lambda m: prediction.retention[m])
        name = f"resolution of {prediction.compounds[a]} and {prediction.compounds[b]}"
        text = f"{name}: {prediction.resolution[at]:.2f} (needs {prediction.needed[at]:.2f})"
        names = (prediction.compounds[a], prediction.compounds[b])
        shown = LimitMargin(name, text, float(margin[at]), bool(in_hand[at] < BINDING), names)
        yield Held(RESOLUTION, shown, f"{name}: {-100 * margin[at]:.1f} % short")
    for at in np.argsort(limits, kind="stable"):
        limit = problem.limits[at]
        text = limit.text(prediction)
        if text:
            shown = LimitMargin(limit.name, text, float(limits[at]), bool(limits_in_hand[at] < BINDING))
            yield Held(limit, shown, limit.shortfall(prediction))


def margins_of(
    problem: Problem, prediction: Prediction, pairs: int | None = SHOWN_PAIRS
) -> tuple[LimitMargin, ...]:
    """The same as results have it."""
    return tuple(each.shown for each in held_limits(problem, prediction, pairs))


def broken_equipment(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """Limits of column and instrument that a program does not keep, each with its value."""
    margins = problem.assess(batch_of([prediction.program]), "polish").limits[0]
    return tuple(
        limit.text(prediction)
        for limit, margin in zip(problem.limits, margins, strict=True)
        if margin < FEASIBLE and not limit.is_requirement
    )


def broken_limits(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """Limits of column, instrument and goal that a given program does not keep, the equipment's first."""
    texts = [BREAKS.format(text) for text in broken_equipment(problem, prediction)]
    texts += [
        MISSES.format(each.shown.text)
        for each in held_limits(problem, prediction)
        if each.missed and each.limit is not RESOLUTION and each.limit.is_requirement
    ]
    late = prediction.retention > prediction.program.oven.duration
    names = [name for name, beyond in zip(prediction.compounds, late, strict=True) if beyond]
    if names:
        texts.append(
            f"Elutes after the program's end at {prediction.program.oven.duration / SECONDS_PER_MINUTE:.2f} min, the "
            f"last temperature being kept: {', '.join(names)}."
        )
    return tuple(texts)


def meets_goal(problem: Problem, prediction: Prediction, pass_probability: float | None) -> bool:
    """Whether a given program meets the goal, as probably as asked; nominally without a probability asked or known."""
    if pass_probability is not None and problem.confidence > 0:
        return pass_probability >= problem.confidence and not broken_equipment(problem, prediction)
    short = prediction.critical is not None and prediction.min_resolution < prediction.critical_needed
    return not short and not broken_limits(problem, prediction)


def shortfalls(problem: Problem, prediction: Prediction, share: float) -> tuple[str, ...]:
    """One sentence for each limit not kept: first those of the equipment, then requirements, the furthest off first;
    last the pass probability, where it is below the required one.

    Parameters
    ----------
    share : the pass probability, as reported elsewhere: a program has one
    """
    nominal = missed_nominally(problem, prediction)
    if not problem.by_draws or share >= problem.confidence:
        return nominal
    required, told = percent(problem.confidence), probability_beside(share, problem.confidence)
    return (*nominal, f"{told} probability of meeting every requirement (simulated); required: {required}")


def missed_nominally(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """The same of the nominal program, without regard to the pass probability."""
    missed = [each for each in held_limits(problem, prediction, nominally=True) if each.missed]
    required = [each for each in missed if each.limit.is_requirement]
    sentences = [f"cannot be run: {each.shown.text}" for each in missed if not each.limit.is_requirement]
    sentences += [each.shortfall for each in sorted(required, key=lambda each: each.shown.margin)]
    more = int(np.sum(prediction.resolution / prediction.needed - 1 < FEASIBLE)) - SHOWN_PAIRS
    if more > 0:
        sentences.append(
            f"{more} more {'pair falls' if more == 1 else 'pairs fall'} short of the resolution needed"
        )
    return tuple(sentences)


def in_short(sentences: tuple[str, ...]) -> str:
    """The first of some sentences, and how many there are beside it."""
    if not sentences:
        return ""
    more = len(sentences) - 1
    return sentences[0] + (f"; and {more} more" if more else "")


def next_seconds(problem: Problem, each: Settable) -> str:
    """What a run a little shorter than a candidate would cost: which pair or limit is then missed, and by how much.

    The largest smallest margin that can be had in less time, found by descent from the candidate's own set points.
    """
    now = problem.assess(each.family.batch(each.family.values(each.z[None])), "polish")
    cost = float(now.cost[0])
    for share in (1.0, 0.5, 0.2, 0.1):
        less = share * min(NEXT_SECONDS, 0.1 * cost)
        z = fastest_margin(problem, each.family, each.z, cost - less)
        then = problem.assess(each.family.batch(each.family.values(z[None])), "polish")
        if then.cost[0] <= cost - 0.9 * less:
            break
    else:
        return ""  # the descent found nothing shorter; that is no proof that there is nothing
    if problem.by_draws:
        return _faster_in_draws(problem, each, z, less)
    pairs = problem.resolution_margins(then)[0]
    margins = np.concatenate([pairs, then.limits[0]])
    first = int(np.argmin(margins))
    if margins[first] > -MOVED:
        return ""
    if first < len(pairs):
        needed = problem.pairs.needed[first]
        Rs = (margins[first] + 1) * needed
        text = (
            f"resolution of {_pair_name(problem, problem.pairs.index[first])} {Rs:.2f} (needs {needed:.2f})"
        )
    else:
        values, step = each.family.values(z[None])[0], problem.scenario.instrument.steps.time
        program = each.family.program(values, float(then.run_time[0]), step)
        text = problem.limits[first - len(pairs)].text(predict(problem, program))
    return f"{less:.0f} s faster with {each.family.name}: {text}."


def _faster_in_draws(problem: Problem, each: Settable, z: Array, less: float) -> str:
    """The pass probability of a program `less` [s] shorter, at z (D,), and what fails most often."""
    values, step = each.family.values(z[None]), problem.scenario.instrument.steps.time
    end = float(problem.assess(each.family.batch(values), "polish").run_time[0])
    prediction = predict(problem, each.family.program(values[0], end, step))
    known = with_uncertainty(problem, prediction, exact=True, sources=False)[1]
    if known.share > problem.confidence - GIVEN or not known.failures:
        return ""
    return (
        f"{less:.0f} s faster with {each.family.name}: {percent(known.share)} probability "
        f"(fails most: {known.failures[0].what})."
    )


def _pair_name(problem: Problem, pair: Index) -> str:
    names = problem.scenario.compounds
    return f"{names[pair[0]]} and {names[pair[1]]}"


def compared_with(problem: Problem, prediction: Prediction, now: Prediction) -> tuple[str, ...]:
    """What changes against the method in use: time, smallest resolution, top temperature, carrier gas a run."""
    minute = SECONDS_PER_MINUTE
    share = 100 * (prediction.run_time / now.run_time - 1)
    top, was = (celsius(max(each.program.oven.knots()[1])) for each in (prediction, now))
    gas, gas_was = (gas_per_run(problem, each) for each in (prediction, now))
    unknown = problem.scenario.inlet.split_unknown
    counted = "column flow and septum purge (no split_ratio stated)" if unknown else "carrier gas"
    return (
        f"run time {prediction.run_time / minute:.2f} min against {now.run_time / minute:.2f} min ({share:+.0f} %)",
        f"resolution of the critical pair {_of_needed(prediction)} against {_of_needed(now)}",
        f"highest temperature {top:.0f} °C against {was:.0f} °C",
        f"{counted} {gas:.0f} mL a run against {gas_was:.0f} mL",
    )


def _of_needed(prediction: Prediction) -> str:
    """The critical pair's resolution, with what it needs where that is not the same for all."""
    uniform = np.ptp(prediction.needed) == 0 if len(prediction.needed) else True
    if uniform:
        return f"{prediction.min_resolution:.2f}"
    return beside_needed(prediction.min_resolution, prediction.critical_needed)


def gas_per_run(problem: Problem, prediction: Prediction) -> float:
    """Carrier gas an inlet takes in a run [mL at 25 °C and 101.325 kPa]: column, split and septum purge."""
    total = inlet_of(problem.scenario, prediction).flow_taken(prediction.flow, prediction.trace_times)
    return float(trapezoid(total, prediction.trace_times)) * 1e6


FAR = 20.0  # K between a predicted elution temperature and the scouted ones that is worth a word
CLEAR_OF_HOLD_UP = (
    1.5  # times the hold-up time, within which a peak sits near the solvent; common practice, no source
)
RISKY = 0.5  # share of draws below which a program is said to be likely to fail


def about_flat_ramp(scenario: Scenario, program: Program) -> tuple[str, ...]:
    """A constant carrier where only ramps of it were asked for."""
    mode, asked = program.carrier.mode, scenario.search.carrier_modes
    if mode in asked or program.carrier.ramps:
        return ()
    return (
        f"{mode.capitalize()} is what came of the {program.carrier.controlled} program that carrier_modes asks for: no "
        "ramp that was tried paid.",
    )


def warnings_of(problem: Problem, prediction: Prediction, now: Prediction | None = None) -> tuple[str, ...]:
    """What the reader must know before trusting a program; `now` is the method in use, if already predicted."""
    current = problem.scenario.current
    if now is None and current is not None:
        now = predict(problem, current)
    return (
        *_about_elution(prediction),
        *_about_extrapolation(problem, prediction),
        *_about_hold_up(problem, prediction),
        *about_order(problem, prediction, now),
        *_about_amounts(problem, prediction),
        *_about_detector(problem, prediction),
        *about_split(problem.scenario, prediction),
    )


def _about_elution(prediction: Prediction) -> list[str]:
    missing = [
        name for name, t in zip(prediction.compounds, prediction.retention, strict=True) if not np.isfinite(t)
    ]
    return [f"Not eluted in any reasonable time: {', '.join(missing)}."] if missing else []


def _about_extrapolation(problem: Problem, prediction: Prediction) -> list[str]:
    """Programs outside the scouted temperatures, and compounds that elute far from where they were seen to."""
    runs = problem.scenario.runs
    if not runs:
        return []
    T = prediction.program.oven.knots()[1]
    found = list(extrapolation(problem.scenario, min(T), max(T)))
    far = []
    for m, name in enumerate(prediction.compounds):
        seen = [
            float(np.interp(run.peaks.retention[at], *run.program.oven.knots()))
            for run in runs
            if (at := run.peaks.index(name)) is not None
        ]
        at_elution = float(prediction.elution_temperature[m])
        beyond = at_elution < min(seen, default=np.inf) - FAR or at_elution > max(seen, default=np.inf) + FAR
        if seen and beyond:  # of what never elutes neither is true
            far.append(
                f"{name} ({celsius(at_elution):.0f} °C; scouted {celsius(min(seen)):.0f} to {celsius(max(seen)):.0f})"
            )
    if far:
        found.append(f"Extrapolated, leaving more than {FAR:.0f} °C from where scouted: {_listed(far)}.")
    return found


def _about_hold_up(problem: Problem, prediction: Prediction) -> list[str]:
    """Targets that the column hardly retains: k at elution says nothing of that where a ramp is fast."""
    hold_up = hold_up_time_of(problem.fit.system, prediction.program)
    early = sorted(
        (float(prediction.retention[m]), prediction.compounds[m])
        for m in problem.targets
        if prediction.retention[m] < CLEAR_OF_HOLD_UP * hold_up
    )
    if not early:
        return []
    weak = [f"{name} ({t / SECONDS_PER_MINUTE:.2f} min, {t / hold_up:.2f} times)" for t, name in early]
    return [
        f"Hardly retained, leaving within {CLEAR_OF_HOLD_UP:g} times this program's hold-up time of "
        f"{hold_up / SECONDS_PER_MINUTE:.2f} min, where solvent and matrix crowd: {_listed(weak)}; "
        "earliest_elution_min keeps peaks clear of the solvent."
    ]


def about_order(problem: Problem, prediction: Prediction, now: Prediction | None) -> list[str]:
    """Order changes against the method in use; without one, against the first scouting run."""
    scenario = problem.scenario
    if now is not None:
        known, what = now.retention, "the method in use"
    elif scenario.runs:
        peaks = scenario.runs[0].peaks
        rows = [peaks.index(name) for name in prediction.compounds]
        known = np.array([np.nan if row is None else peaks.retention[row] for row in rows])
        what = "the first scouting run"
    else:
        return []
    names = prediction.compounds
    swapped = [f"{names[b]} before {names[a]}" for a, b in order_changes(known, prediction.retention)]
    return [f"ORDER CHANGE against {what}: {_listed(swapped)}."] if swapped else []


def _about_leaning(problem: Problem, prediction: Prediction) -> list[str]:
    """Peaks that their amount moves by more than a little, and the split ratio that avoids it."""
    R = np.where(prediction.ignored, 0.0, np.abs(prediction.overload))
    much = np.flatnonzero(R > SLIGHT)
    if not much.size:
        return []
    listed = []
    for m in much[np.argsort(-R[much])]:
        late = float(prediction.apex_shift[m])
        listed.append(f"{prediction.compounds[m]} (apex {abs(late):.2g} s {'late' if late > 0 else 'early'})")
    times, inlet = float(R.max()) / SLIGHT, problem.scenario.inlet
    less = f"{1 / times:.2g} of the amounts"
    if inlet.mode == "split" and inlet.split_ratio is not None:
        ratio = math.ceil((1 + inlet.split_ratio) * times - 1)
        less = f"a split ratio of {ratio}:1 in place of {inlet.split_ratio:g}:1, {less},"
    return [
        f"Moved and made to lean by their amounts, as predicted here: {_listed(listed)}; {less} would keep every apex "
        "within 0.2 standard deviations of where a trace has it."
    ]


def _about_amounts(problem: Problem, prediction: Prediction) -> list[str]:
    """Peaks above the column's capacity, where that is not predicted."""
    capacity = problem.scenario.capacity
    if problem.overloads:
        return _about_leaning(problem, prediction)
    if capacity is None:
        return []
    more = more_on_column(problem.scenario, prediction)
    amounts = {name: problem.scenario.detail(name).amount for name in prediction.compounds}
    over = [
        f"{name} ({more * ng:.4g} ng)"
        for name, ng in amounts.items()
        if ng is not None and more * ng > capacity * (1 + ROUNDING)
    ]
    if not over:
        return []
    adsorbent = problem.scenario.column.adsorbent
    lean = "tail, widen and come earlier" if adsorbent else "lean forward, widen and come later"
    return [
        f"More than the column's capacity of {capacity:g} ng: {_listed(over)}; such peaks {lean} than predicted; "
        "column.overload = true predicts it."
    ]


def _about_detector(problem: Problem, prediction: Prediction) -> list[str]:
    """A response too slow for the narrowest peaks, and peaks above the linear range."""
    detector = problem.scenario.detector
    sigma = prediction.width_half / HALF_HEIGHT_WIDTH
    names, found, tail = np.array(prediction.compounds, dtype=object), [], problem.tail
    column = sigma if tail is None else before_decay(sigma, tail.time_constant, tail.own)
    slow = np.isfinite(column) & (detector.response_time > SLOW_RESPONSE * column) & ~prediction.ignored
    if slow.any():
        found.append(
            f"The response time of {detector.response_time:g} s is more than {SLOW_RESPONSE:g} of the standard "
            f"deviation of {_listed(list(names[slow]))}: the system gives such peaks tails."
        )
    if detector.max_height is not None:
        areas = measured_mean(problem.scenario, "area", np.nan) * more_on_column(problem.scenario, prediction)
        height = peak_height(areas, sigma)
        high = np.isfinite(height) & (height > detector.max_height) & ~prediction.ignored
        over = [f"{name} ({h:.2g})" for name, h in zip(names[high], height[high], strict=True)]
        if over:
            found.append(
                f"Above the detector's linear range of {detector.max_height:g} by the areas of the scouting runs: "
                f"{_listed(over)}; inject less or split more."
            )
    return found


def _listed(items: list[str], most: int = 5) -> str:
    """A list in words, cut where it gets long."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return "; ".join(items[:most]) + more


def risk_warnings(confidence: float, reliability: Reliability) -> tuple[str, ...]:
    """What is to be said of a program that meets the goal as it was asked, but on the instrument may well not."""
    share = reliability.share
    if confidence > 0 or share >= RISKY:
        return ()
    return (
        f"Likely to fail: {percent(share)} probability of meeting every requirement. It is the fastest program, not "
        "the safest; with confidence = 0.9 under [goal] the search looks for one with 90 %.",
    )
