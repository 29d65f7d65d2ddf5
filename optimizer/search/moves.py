"""Starts that a chemist would try: known programs as points of the families that hold them, and edits of the best."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.units import SECONDS_PER_MINUTE
from optimizer.goal.goal import Problem
from optimizer.scenario.data import Scenario
from optimizer.search.program_space import Family

SHORTEST_HOLD = 1.0  # s; a shorter one is none
FASTEST = 1000.0 / SECONDS_PER_MINUTE  # K/s, more than any oven does: a family cuts it down to its limits
SIZES = 4  # of each edit
LATE = (0.4, 0.95)  # shares of the run between which a last ramp or more flow begins
FACTOR = 2.5  # largest by which rates and holds are multiplied or divided
MORE = 1.3  # largest by which a constant flow or gauge pressure is
INSIDE = (0.1, 0.9)  # of a ramp: where it is split


def holds(family: Family, program: Program) -> bool:
    """Whether a family has programs like this one, but for its bounds: as many ramps or more, none that cools."""
    oven, carrier = program.oven, program.carrier
    corners = [oven.start, *(ramp.target for ramp in oven.ramps)]
    return (
        carrier.controlled == family.controlled
        and len(oven.ramps) <= family.ramps
        and len(carrier.ramps) <= family.carrier_ramps
        and sorted(corners) == corners
    )


def why_not_searched(scenario: Scenario, program: Program) -> str:
    """Why no family of a scenario holds a program, with the key to change."""
    search, instrument, oven, carrier = scenario.search, scenario.instrument, program.oven, program.carrier
    corners = [oven.start, *(ramp.target for ramp in oven.ramps)]
    ramps, baking = len(oven.ramps), int(scenario.goal.bake_out is not None)
    found = []
    if carrier.mode not in search.carrier_modes:
        modes = ", ".join(f'"{mode}"' for mode in search.carrier_modes)
        found.append(f'a {carrier.mode}, search.carrier_modes has {modes}: add "{carrier.mode}" there')
    elif len(carrier.ramps) > search.max_carrier_ramps:
        count = len(carrier.ramps)
        found.append(
            f"{count} carrier ramps, search.max_carrier_ramps is {search.max_carrier_ramps}: set "
            f"max_carrier_ramps = {count} under [search]"
        )
    if sorted(corners) != corners:
        found.append("a ramp that cools, and those are not searched")
    if ramps > instrument.max_oven_ramps - baking:
        also = ", one of them kept for goal.bake_out" if baking else ""
        found.append(
            f"{_counted(ramps)}, instrument.max_oven_ramps is {instrument.max_oven_ramps}{also}: start from a program "
            "with fewer"
        )
    elif ramps > search.max_ramps and search.oven_temperature is not None:
        found.append(f"{_counted(ramps)}, search.oven_temperature_C keeps the oven at one: take that key out")
    elif ramps > search.max_ramps:
        found.append(
            f"{_counted(ramps)}, search.max_ramps is {search.max_ramps}: set max_ramps = {ramps} under [search]"
        )
    return "; ".join(found)


def _counted(ramps: int) -> str:
    return f"{ramps} oven ramp{'' if ramps == 1 else 's'}"


def holding(families: Sequence[Family], program: Program) -> list[int]:
    """Numbers of the families that hold a program, the one with the fewest ramps first."""
    numbers = [number for number, family in enumerate(families) if holds(family, program)]
    return sorted(numbers, key=lambda number: families[number].ramps + families[number].carrier_ramps)


def placed(family: Family, program: Program) -> Array:
    """The point (D,) of a family that is a program which it holds, within its bounds.

    Where the family has more ramps, the longest rises are split in halves; further ramps of the carrier lead nowhere.
    """
    start, ramps = program.oven.start, list(program.oven.ramps)
    while len(ramps) < family.ramps:
        corners = [start, *(ramp.target for ramp in ramps)]
        if not ramps:
            ramps = [Ramp(FASTEST, start)]
            continue
        longest = int(np.argmax(np.diff(corners)))
        whole = ramps[longest]
        half = Ramp(whole.rate, (corners[longest] + whole.target) / 2)
        ramps[longest : longest + 1] = [half, whole]
    values = [start]
    if family.ramps:
        values += [program.oven.hold, *(x for ramp in ramps for x in (ramp.rate, ramp.target, ramp.hold))]
        values.pop()  # the last hold is no set point
    carrier = program.carrier
    values.append(carrier.start)
    held, reached = carrier.hold, carrier.start
    for i in range(family.carrier_ramps):
        known = i < len(carrier.ramps)
        ramp = carrier.ramps[i] if known else Ramp(float(family.high[family.carrier_at + 2]), reached)
        values += [held if known else 0.0, ramp.rate, ramp.target]
        held, reached = ramp.hold, ramp.target
    low = np.maximum(np.array(values), family.low)  # before logarithms are taken
    return family.ordered(family.points(low))


def until_end(problem: Problem, program: Program) -> Program:
    """A program without what begins after its last peak, such as a bake-out."""
    end = float(problem.assess(batch_of([program]), "screen").run_time[0])
    if not np.isfinite(end):
        return program
    begun = [
        tuple(ramp for n, ramp in enumerate(each.ramps) if each.knots()[0][2 * n + 1] < end)
        for each in (program.oven, program.carrier)
    ]
    oven, carrier = replace(program.oven, ramps=begun[0]), replace(program.carrier, ramps=begun[1])
    return Program(oven, carrier)


def edits(
    problem: Problem, family: Family, z: Array, families: Sequence[Family], rng: np.random.Generator
) -> dict[int, Array]:
    """Edits of a program, a point (D,) of its family, as points (K, D) of the families by number that hold them.

    A hold ended by the next ramp, a last fast ramp, a ramp split or dropped, hold against rate, more flow at the end.
    """
    values = family.values(z)
    end = float(problem.assess(family.batch(values[None]), "screen").run_time[0])
    program = family.program(values, end, problem.scenario.instrument.steps.time)
    found: dict[int, list[Array]] = {}
    for oven in _ovens(program.oven, end, problem.scenario, rng):
        _put(found, families, replace(program, oven=oven))
    for carrier in _carriers(program.carrier, end, problem.scenario, rng):
        _put(found, families, replace(program, carrier=carrier))
    return {number: np.array(points) for number, points in found.items()}


def _put(found: dict[int, list[Array]], families: Sequence[Family], program: Program) -> None:
    for number in holding(families, program)[:1]:
        found.setdefault(number, []).append(placed(families[number], program))


def _ovens(
    oven: OvenProgram, end: float, scenario: Scenario, rng: np.random.Generator
) -> Iterator[OvenProgram]:
    """Edited oven programs, of one that ends at `end` [s]."""
    top = scenario.highest_temperature
    edges = [up_to for up_to, _ in scenario.instrument.heating_limits[:-1]]
    held = [oven.hold, *(ramp.hold for ramp in oven.ramps)]
    corners = [oven.start, *(ramp.target for ramp in oven.ramps)]
    for n, hold in enumerate(held):
        if hold < SHORTEST_HOLD:
            continue
        for share in (0.0, *rng.random(SIZES - 1)):
            yield _with_hold(oven, n, share * hold)  # the next ramp begins sooner
        for factor in _factors(rng) if n else ():
            ramp = oven.ramps[n - 1]
            left = (ramp.target - corners[n - 1]) / ramp.rate + (1 - factor) * hold
            if left > 0:
                slower = replace(ramp, rate=(ramp.target - corners[n - 1]) / left, hold=factor * hold)
                yield replace(oven, ramps=(*oven.ramps[: n - 1], slower, *oven.ramps[n:]))
    for share in rng.uniform(*LATE, SIZES):
        before = _cut(oven, share * end)
        if before.highest < top:
            yield replace(before, ramps=(*before.ramps, Ramp(FASTEST, top)))
    for n, ramp in enumerate(oven.ramps):
        for edge in edges:
            if corners[n] < edge < ramp.target:  # as fast as the oven can until its limit steps
                yield replace(oven, ramps=(*oven.ramps[:n], Ramp(FASTEST, edge), *oven.ramps[n:]))
        for factor in _factors(rng):
            middle = corners[n] + rng.uniform(*INSIDE) * (ramp.target - corners[n])
            halves = (Ramp(ramp.rate * factor, middle), replace(ramp, rate=ramp.rate / factor))
            yield replace(oven, ramps=(*oven.ramps[:n], *halves, *oven.ramps[n + 1 :]))
            if n + 1 < len(oven.ramps):
                after = replace(oven.ramps[n + 1], rate=oven.ramps[n + 1].rate * factor)
                yield replace(oven, ramps=(*oven.ramps[:n], after, *oven.ramps[n + 2 :]))
        if n + 1 == len(oven.ramps):
            yield replace(oven, ramps=oven.ramps[:n])


def _carriers(
    carrier: CarrierProgram, end: float, scenario: Scenario, rng: np.random.Generator
) -> Iterator[CarrierProgram]:
    """Edited carrier programs: more or less from the start, and more towards the end."""
    zero = scenario.ambient_pressure if carrier.controlled == "pressure" else 0.0
    for factor in MORE ** rng.uniform(-1.0, 1.0, SIZES):
        yield replace(
            carrier,
            start=zero + factor * (carrier.start - zero),
            ramps=tuple(replace(each, target=zero + factor * (each.target - zero)) for each in carrier.ramps),
        )
    if carrier.controlled == "velocity":  # is not ramped
        return
    instrument = scenario.instrument
    rate, top = (
        (instrument.max_flow_rate, instrument.largest_column_flow)
        if carrier.controlled == "flow"
        else (instrument.max_pressure_rate, instrument.max_inlet_pressure)
    )
    last = carrier.ramps[-1].target if carrier.ramps else carrier.start
    for share in rng.random(SIZES):
        higher = last + share * (top - last)
        if carrier.ramps:
            ramp = replace(carrier.ramps[-1], target=higher)
            yield replace(carrier, ramps=(*carrier.ramps[:-1], ramp))
        more = Ramp(rate, higher)
        begins = rng.uniform(*LATE) * end
        if not carrier.ramps:
            yield replace(carrier, hold=begins, ramps=(more,))
        elif begins > carrier.knots()[0][-1]:
            ramp = replace(carrier.ramps[-1], hold=begins - carrier.knots()[0][-1])
            yield replace(carrier, ramps=(*carrier.ramps[:-1], ramp, more))


def _factors(rng: np.random.Generator) -> Array:
    """Factors, as often above as below one."""
    return np.asarray(FACTOR ** rng.uniform(-1.0, 1.0, SIZES))


def _with_hold(oven: OvenProgram, n: int, hold: float) -> OvenProgram:
    """With another hold: 0 the first, n that after the nth ramp."""
    if n == 0:
        return replace(oven, hold=hold)
    ramp = replace(oven.ramps[n - 1], hold=hold)
    return replace(oven, ramps=(*oven.ramps[: n - 1], ramp, *oven.ramps[n:]))


def _cut(oven: OvenProgram, end: float) -> OvenProgram:
    """What there is of a program up to a time [s]."""
    clock, T, ramps = min(oven.hold, end), oven.start, []
    for ramp in oven.ramps:
        if clock >= end or ramp.target <= T:
            break
        reached = min(ramp.target, T + ramp.rate * (end - clock))
        clock += (reached - T) / ramp.rate
        hold = min(ramp.hold, max(end - clock, 0.0))
        ramps.append(Ramp(ramp.rate, reached, hold))
        clock, T = clock + hold, reached
    return OvenProgram(oven.start, min(oven.hold, end), tuple(ramps))
