"""Programs as a person edits them: single moves of five sizes each, and all pairs, on the instrument's steps.

A search is not done where somebody who looks at its program can make it shorter by hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.judge import judged_programs
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp, batch_of
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.goal.limits import heating_limit
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_steps import snapped
from optimizer.search.found import FEASIBLE

CUTS = (0.0, 0.25, 0.5, 0.75, 0.9)  # of a hold, or of the run
LATE_CUTS = (0.5, 0.6, 0.7, 0.8, 0.9)  # of the run, where a last ramp or more flow begins
FACTORS = (0.5, 0.75, 1.25, 1.5, 2.0)  # of rates and holds
LITTLE = (0.95, 1.02, 1.05, 1.1, 1.25)  # of flow or gauge pressure
SHORTEST_HOLD = 1.0  # s; a shorter one is none
AT_ONCE = 512  # programs judged together


@dataclass(frozen=True)
class Edited:
    """What the best edit of a program gives: both run times [s], as typed in, and how it was made."""

    before: float
    after: float
    move: str
    tried: int

    @property
    def gain(self) -> float:
        """By what share the edit is shorter; 0 where none is."""
        return max(0.0, 1 - self.after / self.before)


def best_edit(problem: Problem, program: Program, run_time: float) -> Edited:
    """The shortest of all single edits and pairs of them that meets the goal as it would be shown to do.

    Where draws decide, these are those that no search has seen: by first derivatives, then simulated.

    Parameters
    ----------
    program, run_time : as the search gives them, rounded; the time in s
    """
    scenario = problem.scenario
    single = dict(_edits(scenario, program, run_time))
    pairs = {
        f"{first}; {second}": twice
        for first, once in single.items()
        for second, twice in _edits(scenario, once, run_time)
    }
    edits = {move: _rounded(scenario, each) for move, each in (single | pairs).items()}
    different = {each: move for move, each in reversed(edits.items()) if _allowed(scenario, each)}
    programs = list(different)
    kinds: dict[str, list[Program]] = {}
    for each in programs:
        kinds.setdefault(each.carrier.controlled, []).append(each)
    judge = problem.afresh if problem.by_draws else problem
    before = min(run_time, float(_times(judge, [program], np.inf)[0]))
    shorter: list[tuple[float, int]] = []
    for alike in kinds.values():
        for first in range(0, len(alike), AT_ONCE):
            part = alike[first : first + AT_ONCE]
            times = _times(judge, part, before)
            shorter += [(float(times[at]), programs.index(part[at])) for at in np.flatnonzero(times < before)]
    for time, at in sorted(shorter):
        if meets(problem, programs[at]):
            return Edited(before, time, different[programs[at]], len(programs))
    return Edited(before, before, "none", len(programs))


def meets(problem: Problem, program: Program) -> bool:
    """Whether a program meets the goal as it would be shown to do."""
    if judged_programs(nominal_problem(problem), batch_of([program])).margin[0] < FEASIBLE:
        return False
    if not problem.by_draws:
        return True
    _, reliability = with_uncertainty(problem, predict(problem, program), exact=True, sources=False)
    return reliability.share >= problem.confidence


def _times(problem: Problem, programs: list[Program], worst: float) -> Array:
    """Run times (N,) [s] as they would be typed in; infinite for those that miss the goal or take `worst` or longer."""
    judged = judged_programs(
        problem,
        batch_of(programs),
        could_win=lambda nominal: (nominal.margin >= FEASIBLE) & (nominal.cost < worst),
    )
    good = judged.margin >= FEASIBLE
    ends = [
        _ended(problem.scenario, program.oven, cost) if meets else np.inf
        for program, cost, meets in zip(programs, judged.cost, good, strict=True)
    ]
    return np.array(ends)


def _ended(scenario: Scenario, oven: OvenProgram, end: float) -> float:
    """When a program is over [s] that ends on the instrument's steps, no sooner than `end` [s].

    Within a ramp at a settable temperature above the one reached, or held from one below until it is time.
    """
    step, degree = scenario.instrument.steps.time, scenario.instrument.steps.temperature

    def held(since: float) -> float:
        return since + float(np.ceil(max(end - since, 0.0) / step - 1e-6)) * step

    clock, T = oven.hold, oven.start
    if end <= clock:
        return held(0.0)
    for ramp in oven.ramps:
        reached = T + ramp.rate * (end - clock)
        if reached < ramp.target:
            whole = (reached - 273.15) / degree
            above, below = (
                clock + (float(count) * degree + 273.15 - T) / ramp.rate
                for count in (np.ceil(whole - 1e-6), np.floor(whole + 1e-6))
            )
            return min(above, held(max(below, clock)))
        clock, T = clock + (ramp.target - T) / ramp.rate, ramp.target
        if end <= clock + ramp.hold:
            break
        clock += ramp.hold
    return held(clock)


def _edits(scenario: Scenario, program: Program, run_time: float) -> Iterator[tuple[str, Program]]:
    oven = program.oven
    for move, edited in _oven_edits(scenario, oven, run_time):
        yield move, replace(program, oven=edited)
    for move, edited_carrier in _carrier_edits(scenario, program.carrier, run_time):
        yield move, replace(program, carrier=edited_carrier)


def _oven_edits(scenario: Scenario, oven: OvenProgram, run_time: float) -> Iterator[tuple[str, OvenProgram]]:
    top = scenario.highest_temperature
    holds = [oven.hold, *(ramp.hold for ramp in oven.ramps)]
    corners = [oven.start, *(ramp.target for ramp in oven.ramps)]
    for n, hold in enumerate(holds):
        if hold < SHORTEST_HOLD:
            continue
        for cut in CUTS:
            shorter = _with_hold(oven, n, cut * hold)
            yield f"hold {n + 1} to {cut:g} of it", shorter
            after = corners[n + 1] if n < len(oven.ramps) else top
            if after > corners[n]:
                ramp = Ramp(_fastest(scenario, corners[n], after), after)
                later = tuple(each for each in shorter.ramps[n:] if each.target > after)
                yield (
                    f"hold {n + 1} ended at {cut:g} by a ramp",
                    replace(shorter, ramps=(*shorter.ramps[:n], ramp, *later)),
                )
        if n < len(oven.ramps):
            ramp = oven.ramps[n]
            rise = (ramp.target - corners[n]) / ramp.rate
            for factor in FACTORS:
                left = rise + hold - factor * hold
                if left > 0:
                    rate = (ramp.target - corners[n]) / left
                    exchanged = _with_ramp(_with_hold(oven, n, factor * hold), n, replace(ramp, rate=rate))
                    yield f"hold {n + 1} times {factor:g} against rate", exchanged
    for cut in LATE_CUTS:
        before = _until(oven, cut * run_time)
        if before.highest < top:
            last = Ramp(_fastest(scenario, before.highest, top), top)
            yield f"last fast ramp at {cut:g} of the run", replace(before, ramps=(*before.ramps, last))
    for n, ramp in enumerate(oven.ramps):
        for factor in FACTORS:
            middle = (corners[n] + ramp.target) / 2
            halves = (Ramp(ramp.rate * factor, middle), replace(ramp, rate=ramp.rate / factor))
            split = (*oven.ramps[:n], *halves, *oven.ramps[n + 1 :])
            yield f"ramp {n + 1} split, times {factor:g}", replace(oven, ramps=split)
            yield (
                f"ramp {n + 1} times {factor:g}",
                _with_ramp(oven, n, replace(ramp, rate=ramp.rate * factor)),
            )
            if len(oven.ramps) > 1:
                ramps = [*oven.ramps[:n], *oven.ramps[n + 1 :]]
                at = min(n, len(ramps) - 1)
                ramps[at] = replace(ramps[at], rate=ramps[at].rate * factor)
                yield f"without ramp {n + 1}, the next times {factor:g}", replace(oven, ramps=tuple(ramps))


def _carrier_edits(
    scenario: Scenario, carrier: CarrierProgram, run_time: float
) -> Iterator[tuple[str, CarrierProgram]]:
    zero = scenario.ambient_pressure if carrier.controlled == "pressure" else 0.0
    for factor in LITTLE:
        start = zero + factor * (carrier.start - zero)
        ramps = tuple(replace(ramp, target=zero + factor * (ramp.target - zero)) for ramp in carrier.ramps)
        yield f"{carrier.controlled} times {factor:g}", replace(carrier, start=start, ramps=ramps)
    if f"{carrier.controlled} program" not in scenario.search.carrier_modes:
        return
    instrument = scenario.instrument
    rate, top = (
        (instrument.max_flow_rate, instrument.largest_column_flow)
        if carrier.controlled == "flow"
        else (instrument.max_pressure_rate, instrument.max_inlet_pressure)
    )
    for cut in LATE_CUTS:
        if not carrier.ramps:
            for part in (0.25, 0.5, 1.0):
                target = carrier.start + part * (top - carrier.start)
                yield (
                    f"more at {cut:g} of the run, {part:g}",
                    replace(carrier, hold=cut * run_time, ramps=(Ramp(rate, target),)),
                )
        else:
            last = carrier.ramps[-1]
            more = last.target + cut * (top - last.target)
            yield (
                f"last {carrier.controlled} up by {cut:g}",
                replace(carrier, ramps=(*carrier.ramps[:-1], replace(last, target=more))),
            )


def _with_hold(oven: OvenProgram, n: int, hold: float) -> OvenProgram:
    """With another hold: 0 the first, n that after the nth ramp."""
    if n == 0:
        return replace(oven, hold=hold)
    return _with_ramp(oven, n - 1, replace(oven.ramps[n - 1], hold=hold))


def _with_ramp(oven: OvenProgram, n: int, ramp: Ramp) -> OvenProgram:
    return replace(oven, ramps=(*oven.ramps[:n], ramp, *oven.ramps[n + 1 :]))


def _until(oven: OvenProgram, time: float) -> OvenProgram:
    """What is left when a program is cut at a time [s]: what begins later is dropped."""
    if oven.hold >= time:
        return replace(oven, hold=time, ramps=())
    clock, T, ramps = oven.hold, oven.start, []
    for ramp in oven.ramps:
        if clock >= time:
            break
        reached = min(ramp.target, T + ramp.rate * (time - clock))
        if reached <= T:
            continue
        clock += (reached - T) / ramp.rate
        hold = min(ramp.hold, max(time - clock, 0.0))
        ramps.append(Ramp(ramp.rate, reached, hold))
        clock, T = clock + hold, reached
    return replace(oven, ramps=tuple(ramps))


def _fastest(scenario: Scenario, low: float, high: float) -> float:
    limits = scenario.instrument.heating_limits
    return float(heating_limit(limits, np.array([low]), np.array([high]))[0])


def _rounded(scenario: Scenario, program: Program) -> Program:
    """On the instrument's steps; oven ramps that do not rise are dropped, and none is faster than the oven can."""
    program = snapped(scenario, program)
    oven = replace(program.oven, ramps=())
    for ramp in program.oven.ramps:
        if ramp.target > oven.highest:
            rate = min(ramp.rate, _fastest(scenario, oven.highest, ramp.target))
            oven = replace(oven, ramps=(*oven.ramps, replace(ramp, rate=rate)))
        else:
            n = len(oven.ramps)
            oven = _with_hold(oven, n, (oven.ramps[-1].hold if n else oven.hold) + ramp.hold)
    return replace(program, oven=oven)


def _allowed(scenario: Scenario, program: Program) -> bool:
    """Whether a program has no more ramps than the scenario allows."""
    search = scenario.search
    return (
        len(program.oven.ramps) <= search.max_ramps and len(program.carrier.ramps) <= search.max_carrier_ramps
    )
