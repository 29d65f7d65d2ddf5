"""Which of the programs found are shown, and why each is what it is."""

from __future__ import annotations

import numpy as np

from models.programs import Program, batch_of
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.found import FEASIBLE, Found, Hunt
from optimizer.goal import LATE, Problem, first_elution
from optimizer.predict import predict, with_uncertainty
from optimizer.program_space import WORDS
from optimizer.results import Candidate, LimitMargin, Prediction, SearchOutcome
from optimizer.rounding import Settable, settable

BINDING = 0.02  # relative margin below which a limit is named as limiting
NEAR_TIE = 1.03  # run time over the family's best within which a second program may be shown
DIFFERENT = 0.12  # on the unit cube: set points further apart than this are clearly different
SIMPLER = 1.005  # a program with more ramps must be faster than a simpler one by this to be shown
SLOW = 3.0  # families slower than this many times the best are not worth a page
SHOWN_PAIRS = 3
RISKY = 0.5  # share of draws below which a program is said to be likely to fail
FAR = 20.0  # K between a predicted elution temperature and the scouted ones that is worth a word
LEAST_K = (
    0.5  # retention factor at elution below which a peak sits near the solvent; common practice, no source
)


def outcome_of(problem: Problem, hunted: Hunt) -> SearchOutcome:
    """Candidates of a search: rounded, checked, different in kind, with reasons."""
    current = problem.scenario.current
    now = None
    if current is not None:
        now, _ = with_uncertainty(problem, predict(problem, current), problem.scenario.search.seed)
    pool = _pool(hunted, problem.scenario.search.candidates)
    rounded = [
        settable(problem, found.family, found.descent.z, problem.scenario.search.seed) for found in pool
    ]
    feasible = any(each.margin >= FEASIBLE for each in rounded)
    scored = [(each, predict(problem, each.program)) for each in rounded]
    scored.sort(
        key=lambda pair: (
            pair[0].margin < FEASIBLE,
            pair[1].run_time if pair[0].margin >= FEASIBLE else -pair[0].margin,
            pair[0].family.ramps,
        )
    )
    chosen = _worth_showing(scored, problem.scenario.search.candidates)
    candidates = tuple(
        _candidate(problem, number, each, prediction) for number, (each, prediction) in enumerate(chosen, 1)
    )
    blocking = () if feasible or not candidates else _blocking(problem, candidates[0])
    families = tuple(
        (ends[0].family.name, ends[0].descent.run_time if ends[0].feasible else float("nan"))
        for ends in hunted.best.values()
        if ends
    )
    return SearchOutcome(
        feasible, candidates, blocking, now, families, hunted.programs, hunted.seconds, hunted.interrupted
    )


def _pool(hunted: Hunt, wanted: int) -> list[Found]:
    """The best of each family, and near-ties with clearly different set points."""
    pool: list[Found] = []
    for ends in hunted.best.values():
        taken: list[Found] = []
        for found in ends:
            if taken and found.feasible != taken[0].feasible:
                continue
            if taken and found.feasible and found.descent.run_time > NEAR_TIE * taken[0].descent.run_time:
                continue
            if all(np.max(np.abs(found.descent.z - other.descent.z)) > DIFFERENT for other in taken):
                taken.append(found)
            if len(taken) == 2:
                break
        pool += taken
    feasible = [found for found in pool if found.feasible]
    if feasible:
        best = min(found.descent.run_time for found in feasible)
        pool = [found for found in feasible if found.descent.run_time <= SLOW * best]
        return sorted(pool, key=lambda found: found.descent.run_time)[: 2 * wanted]
    return sorted(pool, key=lambda found: -found.descent.margin)[:wanted]


def _worth_showing(
    scored: list[tuple[Settable, Prediction]], wanted: int
) -> list[tuple[Settable, Prediction]]:
    """Drop programs that a simpler one matches, and repeats of one another."""
    worthy = [
        (each, prediction)
        for each, prediction in scored
        if not any(
            len(other_prediction.program.oven.ramps) < len(prediction.program.oven.ramps)
            and other.family.controlled == each.family.controlled
            and (other.margin >= FEASIBLE) == (each.margin >= FEASIBLE)
            and other_prediction.run_time <= SIMPLER * prediction.run_time
            for other, other_prediction in scored
        )
    ]
    firsts: dict[str, int] = {}
    for number, (_, prediction) in enumerate(worthy):
        firsts.setdefault(family_name(prediction.program), number)
    # The best of each kind come first; near-ties fill what room is left.
    chosen = sorted(firsts.values())[:wanted]
    for number, (_, prediction) in enumerate(worthy):
        if len(chosen) >= wanted:
            break
        alike = any(_alike(prediction.program, worthy[other][1].program) for other in chosen)
        best = worthy[firsts[family_name(prediction.program)]][1]
        if number not in chosen and not alike and prediction.run_time <= NEAR_TIE * best.run_time:
            chosen.append(number)
    return [worthy[number] for number in sorted(chosen)]


def _alike(a: Program, b: Program) -> bool:
    """Whether two programs have nearly the same corners."""
    if a.carrier.controlled != b.carrier.controlled or len(a.oven.ramps) != len(b.oven.ramps):
        return False
    if abs(np.log(a.carrier.start / b.carrier.start)) > 0.1:
        return False
    pairs = [(a.oven.start, b.oven.start, 8.0), (a.oven.hold, b.oven.hold, 60.0)]
    for one, other in zip(a.oven.ramps, b.oven.ramps, strict=True):
        pairs += [(one.target, other.target, 12.0), (np.log(one.rate), np.log(other.rate), 0.25)]
    return all(abs(x - y) <= scale for x, y, scale in pairs)


def family_name(program: Program) -> str:
    """A program's kind in words, as it turned out after rounding."""
    ramps = len(program.oven.ramps)
    return f"{WORDS[ramps] if ramps < len(WORDS) else f'{ramps} ramps'}, {program.carrier.mode}"


def _candidate(problem: Problem, number: int, each: Settable, prediction: Prediction) -> Candidate:
    prediction, probability = with_uncertainty(problem, prediction, problem.scenario.search.seed)
    return Candidate(
        number,
        family_name(each.program),
        prediction,
        cycle_time(problem, prediction),
        margins_of(problem, prediction),
        each.margin >= FEASIBLE,
        probability,
        (*_about_risk(probability), *warnings_of(problem, prediction)),
    )


def cycle_time(problem: Problem, prediction: Prediction) -> float:
    """Run, cool-down and equilibration [s].

    The oven cools towards the laboratory (25 °C) as Newton's law has it, with the time constant that the
    instrument's stated cool-down fixes; nan when it must cool and none is stated.
    """
    instrument, program = problem.scenario.instrument, prediction.program
    cooling = 0.0
    stated = instrument.cool_down
    start, top = program.oven.start, program.oven.knots()[1][-1]
    room = 298.15
    if stated is None and top > start:
        return float("nan")
    if stated is not None and top > start:
        # Newton's law never reaches the room's temperature; a degree above it counts as cold.
        hot, cold, above, below = (
            max(T - room, 1.0) for T in (stated.from_temperature, stated.to_temperature, top, start)
        )
        cooling = float(stated.duration * np.log(above / below) / np.log(hot / cold)) if hot > cold else 0.0
    return prediction.run_time + cooling + instrument.equilibration


def margins_of(problem: Problem, prediction: Prediction) -> tuple[LimitMargin, ...]:
    """Every limit of a program with its margin, pairs first, tightest first."""
    scenario = problem.scenario
    found = []
    margin = prediction.resolution / prediction.needed - 1
    for at in np.argsort(margin)[:SHOWN_PAIRS]:
        names = sorted(prediction.counted_pairs[at], key=lambda m: prediction.retention[m])
        a, b = (prediction.compounds[m] for m in names)
        found.append(
            LimitMargin(
                f"resolution of {a} and {b}",
                f"resolution of {a} and {b}: {prediction.resolution[at]:.2f} (needs {prediction.needed[at]:.2f})",
                float(margin[at]),
                bool(margin[at] < BINDING),
            )
        )
    limits = problem.assess(batch_of([prediction.program]), "polish").limits[0]
    pressure = gauge_kPa(prediction.inlet_pressure, scenario.ambient_pressure)
    instrument = scenario.instrument
    first = float(
        first_elution(np.nan_to_num(prediction.retention, nan=LATE), prediction.width_half, problem.targets)
    )
    T = prediction.program.oven.knots()[1]
    rates = [ramp.rate * SECONDS_PER_MINUTE for ramp in prediction.program.oven.ramps]
    texts = {
        "earliest elution": f"first peak begins at {first / SECONDS_PER_MINUTE:.2f} min "
        f"(not before {scenario.goal.earliest_elution / 60:.2f} min)",
        "largest inlet pressure": f"inlet pressure up to {pressure.max():.0f} kPa gauge "
        f"(limit {gauge_kPa(instrument.max_inlet_pressure, scenario.ambient_pressure):.0f})",
        "smallest inlet pressure": f"inlet pressure down to {pressure.min():.0f} kPa gauge "
        "(the pneumatics hold no less than the room's)",
        "smallest column flow": f"column flow down to {flow_mL_min(prediction.flow).min():.2f} mL/min "
        f"(limit {flow_mL_min(instrument.min_flow):.2f})",
        "largest column flow": f"column flow up to {flow_mL_min(prediction.flow).max():.2f} mL/min "
        f"(limit {flow_mL_min(instrument.max_flow):.2f})",
        "oven heating rate": f"heating at up to {max(rates, default=0.0):.1f} °C/min",
        "highest column temperature": f"column up to {celsius(max(T)):.0f} °C "
        f"(limit {celsius(scenario.max_temperature):.0f} °C)",
        "lowest column temperature": f"column down to {celsius(min(T)):.0f} °C "
        f"(limit {celsius(scenario.min_temperature):.0f} °C)",
        "longest run": f"run of {prediction.run_time / SECONDS_PER_MINUTE:.0f} min "
        f"(not above {problem.longest_run / SECONDS_PER_MINUTE:.0f} min)",
    }
    for name, value in sorted(zip(problem.limit_names, limits, strict=True), key=lambda pair: pair[1]):
        if name == "earliest elution" and scenario.goal.earliest_elution <= 0:
            continue
        if name == "oven heating rate" and not rates:
            continue
        found.append(LimitMargin(name, texts[name], float(value), bool(value < BINDING)))
    return tuple(found)


def _about_risk(probability: float) -> tuple[str, ...]:
    if probability >= RISKY:
        return ()
    return (
        f"Likely to fail: every pair holds in only {100 * probability:.0f} % of draws of the fit's uncertainty, the "
        "oven off by up to 1 °C and the flow by up to 1 %. It is the fastest program, not the safest; ask for a "
        "higher min_resolution to get one with room.",
    )


def warnings_of(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """What the reader must know before trusting a program."""
    return (
        *_about_elution(prediction),
        *_about_extrapolation(problem, prediction),
        *_about_retention_factors(problem, prediction),
        *_about_order(problem, prediction),
    )


def broken_limits(problem: Problem, prediction: Prediction) -> tuple[str, ...]:
    """Limits of column, instrument and goal that a given program does not keep."""
    texts = [
        f"Breaks a limit: {margin.text}."
        for margin in margins_of(problem, prediction)
        if margin.margin < FEASIBLE and not margin.name.startswith("resolution")
    ]
    late = prediction.retention > prediction.program.oven.duration
    names = [name for name, beyond in zip(prediction.compounds, late, strict=True) if beyond]
    if names:
        texts.append(
            f"Leaves after the program's end at {prediction.program.oven.duration / SECONDS_PER_MINUTE:.2f} min, the "
            f"last temperature being kept: {', '.join(names)}."
        )
    return tuple(texts)


def _about_elution(prediction: Prediction) -> list[str]:
    missing = [
        name for name, t in zip(prediction.compounds, prediction.retention, strict=True) if not np.isfinite(t)
    ]
    return [f"Not eluted in any reasonable time: {', '.join(missing)}."] if missing else []


def _about_extrapolation(problem: Problem, prediction: Prediction) -> list[str]:
    """Programs outside the scouted temperatures, and compounds that leave far from where they were seen to."""
    runs = problem.scenario.runs
    if not runs:
        return []
    found = []
    scouted = [T for run in runs for T in run.program.oven.knots()[1]]
    T = prediction.program.oven.knots()[1]
    low, high = min(scouted), max(scouted)
    if min(T) < low - 1 or max(T) > high + 1:
        found.append(
            f"Leaves the scouted temperatures: runs {celsius(min(T)):.0f} to {celsius(max(T)):.0f} °C, scouted "
            f"{celsius(low):.0f} to {celsius(high):.0f} °C; predictions there are extrapolated."
        )
    far = []
    for m, name in enumerate(prediction.compounds):
        seen = [
            float(np.interp(run.peaks.retention[at], *run.program.oven.knots()))
            for run in runs
            if (at := run.peaks.index(name)) is not None
        ]
        at_elution = float(prediction.elution_temperature[m])
        if seen and not min(seen) - FAR <= at_elution <= max(seen) + FAR:
            far.append(
                f"{name} ({celsius(at_elution):.0f} °C; scouted {celsius(min(seen)):.0f} to {celsius(max(seen)):.0f})"
            )
    if far:
        found.append(f"Extrapolated, leaving more than {FAR:.0f} °C from where scouted: {_listed(far)}.")
    return found


def _about_retention_factors(problem: Problem, prediction: Prediction) -> list[str]:
    weak = [
        f"{name} ({k:.2f})"
        for name, k, m in zip(
            prediction.compounds,
            prediction.retention_factor,
            range(len(prediction.compounds)),
            strict=True,
        )
        if m in problem.targets and k < LEAST_K
    ]
    if not weak:
        return []
    return [
        f"Hardly retained at elution, k below {LEAST_K:g}, where solvent and matrix crowd: {_listed(weak)}; "
        "earliest_elution_min keeps peaks clear of the solvent."
    ]


def _about_order(problem: Problem, prediction: Prediction) -> list[str]:
    swapped = _order_changes(problem, prediction)
    return [f"Elution order differs from the first scouting run: {_listed(swapped)}."] if swapped else []


def _listed(items: list[str], most: int = 5) -> str:
    """A list in words, cut where it gets long."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return "; ".join(items[:most]) + more


def _order_changes(problem: Problem, prediction: Prediction) -> list[str]:
    """Pairs that elute in the other order than in the first scouting run."""
    peaks = problem.scenario.runs[0].peaks if problem.scenario.runs else None
    if peaks is None:
        return []
    index = {name: m for m, name in enumerate(prediction.compounds)}
    known = [
        (name, float(t)) for name, t in zip(peaks.compounds, peaks.retention, strict=True) if name in index
    ]
    changes = []
    for at, (a, ta) in enumerate(known):
        for b, tb in known[at + 1 :]:
            if tb > ta and prediction.retention[index[b]] < prediction.retention[index[a]]:
                changes.append(f"{b} before {a}")
    return changes


def _blocking(problem: Problem, best: Candidate) -> tuple[str, ...]:
    """Sentences on what stands in the way, from the program that comes closest."""
    sentences = []
    for margin in best.margins:
        if margin.margin < FEASIBLE:
            sentences.append(f"{margin.text}: {100 * -margin.margin:.1f} % short")
    return tuple(sentences)
