"""Why a candidate is what it is: its limits with their margins, what less time would cost, what changes."""

from __future__ import annotations

import numpy as np
from scipy.integrate import trapezoid

from models.column.programs import Array, batch_of
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.base.numbers import beside_needed
from optimizer.goal.goal import LONGEST_RUN, Problem
from optimizer.goal.limits import LATE, Index, first_elution
from optimizer.goal.outcome import LimitMargin, Prediction
from optimizer.goal.predict import covering
from optimizer.goal.standing import backoff, standing
from optimizer.search.descent import fastest_margin
from optimizer.search.found import FEASIBLE
from optimizer.search.rounding import Settable

BINDING = 0.02  # relative margin below which a limit is named as limiting
SHOWN_PAIRS = 3
NEXT_SECONDS = (
    10.0  # s less, of which it is said what they would cost; a tenth of the run where that is shorter
)
INTACT = "intact fraction of "
MOVED = 1e-3  # a margin that falls by less has not given
GIVEN = 0.02  # nor has a share of draws


def margins_of(problem: Problem, prediction: Prediction) -> tuple[LimitMargin, ...]:
    """Every limit of a program with its margin: the tightest pairs, then limits, tightest first."""
    found = []
    problem = covering(problem, [prediction.program])
    batch = batch_of([prediction.program])
    assessment = problem.assess(batch, "polish")
    margin, limits = prediction.resolution / prediction.needed - 1, assessment.limits[0]
    in_hand, limits_in_hand = margin, limits
    if problem.by_draws:  # what binds is what has no more in hand than the draws ask for
        asked = backoff(problem, assessment, standing(problem, batch, assessment))
        in_hand = margin - asked.kappa * asked.pairs[*problem.pairs.index.T]
        limits_in_hand = limits - asked.kappa * asked.limits
    for at in np.argsort(in_hand)[:SHOWN_PAIRS]:
        names = sorted(prediction.counted_pairs[at], key=lambda m: prediction.retention[m])
        a, b = (prediction.compounds[m] for m in names)
        found.append(
            LimitMargin(
                f"resolution of {a} and {b}",
                f"resolution of {a} and {b}: {prediction.resolution[at]:.2f} (needs {prediction.needed[at]:.2f})",
                float(margin[at]),
                bool(in_hand[at] < BINDING),
            )
        )
    for at in np.argsort(limits, kind="stable"):
        name = problem.limit_names[at]
        if name == "oven heating rate" and not prediction.program.oven.ramps:
            continue
        if name == "carrier rate" and not prediction.program.carrier.ramps:
            continue
        text = limit_in_words(problem, prediction, name)
        found.append(LimitMargin(name, text, float(limits[at]), bool(limits_in_hand[at] < BINDING)))
    return tuple(found)


def limit_in_words(problem: Problem, prediction: Prediction, name: str) -> str:
    """A limit with the value it has and the value it may have."""
    scenario, instrument, goal = problem.scenario, problem.scenario.instrument, problem.scenario.goal
    pressure = gauge_kPa(prediction.inlet_pressure, scenario.ambient_pressure)
    flows, T = flow_mL_min(prediction.flow), prediction.program.oven.knots()[1]
    retention = np.nan_to_num(prediction.retention, nan=LATE)
    minute = SECONDS_PER_MINUTE
    if name == "earliest elution":
        first = float(first_elution(retention, prediction.width_half, problem.targets))
        return f"first peak begins at {first / minute:.2f} min (not before {goal.earliest_elution / minute:.2f} min)"
    if name == "latest elution" and goal.latest_elution is not None:
        last = retention[problem.targets].max()
        return f"last peak at {last / minute:.2f} min (not after {goal.latest_elution / minute:.2f} min)"
    if name == "retention factor at elution":
        k = np.nan_to_num(prediction.retention_factor[problem.targets]).min()
        return f"retention factor at elution down to {k:.2f} (not below {goal.min_retention_factor:g})"
    if name == "largest inlet pressure":
        most = gauge_kPa(instrument.max_inlet_pressure, scenario.ambient_pressure)
        return f"inlet pressure up to {pressure.max():.0f} kPa gauge (limit {most:.0f})"
    if name == "smallest inlet pressure":
        least = max(gauge_kPa(instrument.min_inlet_pressure, scenario.ambient_pressure), 0.0)
        return f"inlet pressure down to {pressure.min():.0f} kPa gauge (limit {least:.0f})"
    if name == "smallest column flow":
        return f"column flow down to {flows.min():.2f} mL/min (limit {flow_mL_min(instrument.min_flow):.2f})"
    if name == "largest column flow":
        most = flow_mL_min(instrument.largest_column_flow)
        return f"column flow up to {flows.max():.2f} mL/min (limit {most:.2f})"
    if name == "carrier rate":
        return _carrier_rate_in_words(problem, prediction)
    if name == "total flow" and scenario.inlet.max_total_flow is not None:
        total = flow_mL_min(scenario.inlet.total_flow(prediction.flow.max()))
        return f"total flow up to {total:.0f} mL/min (limit {flow_mL_min(scenario.inlet.max_total_flow):.0f})"
    if name == "oven heating rate":
        rates = [ramp.rate * minute for ramp in prediction.program.oven.ramps]
        return f"heating at up to {max(rates, default=0.0):.1f} °C/min"
    if name == "highest column temperature":
        limit = celsius(scenario.highest_temperature)
        return f"column up to {celsius(max(T)):.0f} °C (limit {limit:.0f} °C)"
    if name == "lowest column temperature":
        return (
            f"column down to {celsius(min(T)):.0f} °C (limit {celsius(scenario.lowest_temperature):.0f} °C)"
        )
    if name == "start below the solvent" and scenario.inlet.highest_start is not None:
        return f"start at {celsius(T[0]):.0f} °C (not above {celsius(scenario.inlet.highest_start):.0f} °C)"
    if name == "first hold and purge":
        return (
            f"first hold of {prediction.program.oven.hold / minute:.2f} min (not below the purge-on time, "
            f"{scenario.inlet.shortest_first_hold / minute:.2f} min)"
        )
    if name == "time above the continuous column limit":
        return (
            f"stay above {celsius(scenario.max_temperature):.0f} °C (limit "
            f"{scenario.max_time_above_continuous / minute:.1f} min)"
        )
    if name == "longest run":
        most = problem.longest_run / minute
        why = ", twice the longest run known" if problem.longest_run > LONGEST_RUN else ""
        return f"run of {prediction.run_time / minute:.0f} min (the search stops at {most:.0f} min{why})"
    return _of_a_compound(problem, prediction, name)


def _carrier_rate_in_words(problem: Problem, prediction: Prediction) -> str:
    carrier, instrument = prediction.program.carrier, problem.scenario.instrument
    fastest = max((ramp.rate for ramp in carrier.ramps), default=0.0) * SECONDS_PER_MINUTE
    if carrier.controlled == "flow":
        limit = flow_mL_min(instrument.max_flow_rate * SECONDS_PER_MINUTE)
        return f"flow ramped at up to {flow_mL_min(fastest):.2f} mL/min per min (limit {limit:.2f})"
    limit = instrument.max_pressure_rate * SECONDS_PER_MINUTE / 1e3
    return f"pressure ramped at up to {fastest / 1e3:.1f} kPa/min (limit {limit:.1f})"


def _of_a_compound(problem: Problem, prediction: Prediction, name: str) -> str:
    """Limits of single analytes and of orders."""
    for m, compound in enumerate(prediction.compounds):
        detail = problem.scenario.detail(compound)
        if name == f"elution temperature of {compound}" and detail.max_elution_temperature is not None:
            T = celsius(float(prediction.elution_temperature[m]))
            return f"{compound} leaves at {T:.0f} °C (not above {celsius(detail.max_elution_temperature):.0f} °C)"
        if name == f"intact fraction of {compound}" and detail.min_intact_fraction is not None:
            intact = prediction.intact_fraction[m]
            return f"{compound} {100 * intact:.2f} % intact (needs {100 * detail.min_intact_fraction:.2f} %)"
        if name == f"time of {compound} above a temperature" and detail.max_time_above is not None:
            above = prediction.time_above[m] / SECONDS_PER_MINUTE
            limit = detail.max_time_above
            return (
                f"{compound} spends {above:.2f} min above {celsius(limit.temperature):.0f} °C (limit "
                f"{limit.duration / SECONDS_PER_MINUTE:.2f} min)"
            )
        if name == f"{compound} near its compounds" and detail.near is not None:
            within = detail.near.within / SECONDS_PER_MINUTE
            at = [prediction.compounds.index(other) for other in detail.near.compounds]
            apart = (
                float(np.abs(prediction.retention[at] - prediction.retention[m]).max()) / SECONDS_PER_MINUTE
            )
            return f"{compound} up to {apart:.2f} min from {', '.join(detail.near.compounds)} (limit {within:.2f} min)"
    for first, second in problem.scenario.in_order:
        if name == f"{first} before {second}":
            leaves = [
                float(prediction.retention[prediction.compounds.index(each)]) for each in (first, second)
            ]
            behind = (leaves[0] - leaves[1]) / SECONDS_PER_MINUTE
            wanted = " (is to leave before it)" if behind > 0 else ""
            return (
                f"{first} leaves {abs(behind):.2f} min {'after' if behind > 0 else 'before'} {second}{wanted}"
            )
    return name


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


def next_seconds(problem: Problem, each: Settable) -> str:
    """What a run a little shorter than a candidate would cost: which pair or limit gives, and by how much.

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
        return _less_by_draws(problem, each, z, less)
    names = [_pair_name(problem, pair) for pair in problem.pairs.index]
    margins = np.concatenate([problem.resolution_margins(then)[0], then.limits[0]])
    gives = int(np.argmin(margins))
    if margins[gives] > -MOVED:
        return ""
    if gives < len(names):
        Rs = (margins[gives] + 1) * problem.pairs.needed[gives]
        return f"{less:.0f} s less would take the resolution of {names[gives]} down to {Rs:.2f}."
    name = problem.limit_names[gives - len(names)]
    if name.startswith(INTACT):
        # The margin is that of the logarithm of what is lost: the reader wants what is left.
        allowed = problem.scenario.detail(name.removeprefix(INTACT)).min_intact_fraction or 1.0
        left = float(allowed ** np.exp(-margins[gives]))
        return f"{less:.0f} s less would leave {100 * left:.2f} % of {name.removeprefix(INTACT)} intact."
    return f"{less:.0f} s less would break this limit first: {name} ({-100 * margins[gives]:.1f} % over)."


def _less_by_draws(problem: Problem, each: Settable, z: Array, less: float) -> str:
    """In how many draws a program `less` [s] shorter, at z (D,), would hold, and what gives most often."""
    batch = each.family.batch(each.family.values(z[None]))
    stands = standing(problem, batch, problem.assess(batch, "polish"))
    share = float(stands.share[0])
    if share > problem.confidence - GIVEN:
        return ""
    names = [f"the resolution of {_pair_name(problem, problem.pairs.index[at])}" for at in stands.pairs]
    names += list(problem.limits.wishes.names)
    failing = (np.concatenate([stands.pair_margins, stands.wish_margins[0]]) < 0).mean(axis=1)
    return (
        f"{less:.0f} s less would hold in {100 * share:.0f} % of draws: what gives most often is "
        f"{names[int(np.argmax(failing))]}."
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
    total = problem.scenario.inlet.total_flow(prediction.flow)
    return float(trapezoid(total, prediction.trace_times)) * 1e6
