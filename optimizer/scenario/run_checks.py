"""Checks of scouting runs against the column, and against one another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.column.programs import CarrierProgram, Program, batch_of, values_at
from models.column.system import ColumnSystem, hold_up_time, inlet_pressure
from models.units import PA_PER_KPA, PA_PER_PSI, SECONDS_PER_MINUTE
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import COUNTED_ROLES, Scenario, ScoutingRun
from optimizer.scenario.peak_names import Lookalikes

Array = NDArray[np.float64]

# Tags state bore and length to a few per cent and columns are trimmed: hold-up goes with the square of the bore
# and of the length, so a computed hold-up time is trusted to about a fifth.
COMPUTED_SHARE = 0.8
HOLD_UP_REMARK, HOLD_UP_SLIP, HOLD_UP_AGREES, HOLD_UP_ABSURD = 0.10, 0.25, 0.08, 2.0
# Like runs on one instrument agree to 0.1 %; 2 % and ten standard deviations are another peak or another program.
SAME_RETENTION, SAME_DEVIATIONS = 0.02, 10.0
LONGER_THAN_PROGRAM = 3.0
# Published practice (a trade journal's column on quantitation, from memory): 1.5 is sound up to amounts of 10 to 1;
# the small peak beside a far larger one needs 2 and more.
UNEQUAL_AMOUNTS, UNEQUAL_RESOLUTION = 10.0, 2.0
NAMESAKE = 0.85  # likeness of two names from which one may be a misspelling of the other


def run_problems(scenario: Scenario, files: Sequence[str]) -> list[str]:
    """What cannot be right in the runs, one sentence each.

    Parameters
    ----------
    files : the peak table of each run, as messages name it
    """
    if not scenario.runs:
        # Compounds need not be listed yet; where they are, rules are held against the list.
        return list(_unknown_names(scenario, "not in compounds")) if scenario.compounds else []
    problems: list[str] = []
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    for number, (run, file) in enumerate(zip(scenario.runs, files, strict=True), 1):
        key = f"{scenario.path}: scouting_runs[{number}]"
        # The later checks rest on what the earlier ones refuse, so only the first refusal of a run is reported.
        problems += (
            list(_past_the_end(f"{key}.oven", run, file))
            or list(_hold_up_problem(key, run, system, scenario.ambient_pressure))
            or list(_before_hold_up(run, file, system, scenario.ambient_pressure))
        )
    problems = problems or list(_contradictions(scenario, files, system))
    problems += _compounds(scenario, files)
    return problems


def confirmation_problems(
    scenario: Scenario, program: Program, origin: str, peaks: PeakTable, file: str
) -> list[str]:
    """What cannot be right in the times of a confirmation run, as of a scouting run.

    Parameters
    ----------
    origin : where its program comes from, as messages name it
    """
    # A peak of something else, as of air or solvent, may elute with the hold-up time, or before what was computed.
    peaks = peaks.only(scenario.compounds)
    if not peaks.named:
        return []
    repeatability = float(np.median([run.repeatability for run in scenario.runs]))
    run = ScoutingRun(Path(file).stem, program, peaks, None, repeatability)
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    return list(_past_the_end(origin, run, file)) or list(
        _before_hold_up(run, file, system, scenario.ambient_pressure)
    )


def run_warnings(scenario: Scenario) -> list[str]:
    """What is allowed but should be known about the runs."""
    if not scenario.runs:
        return []
    warnings = []
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    for number, run in enumerate(scenario.runs, 1):
        key = f"scouting_runs[{number}]"
        if run.hold_up is not None:
            computed = _computed_hold_up(run, system)
            if system.column.flow_known and abs(run.hold_up / computed - 1) > HOLD_UP_REMARK:
                warnings.append(
                    f"{key}.hold_up_min = {_minutes(run.hold_up)} but the column's dimensions give "
                    f"{_minutes(computed)} min: check length, bore and the carrier's set point"
                )
        else:
            lowest = float(_hold_up_bounds(run.program, system, float(run.peaks.retention[0]))[0])
            if run.peaks.retention[0] < lowest:
                warnings.append(
                    f"{key}: {run.peaks.compounds[0]!r} elutes at {_minutes(run.peaks.retention[0])} min, before "
                    f"the computed hold-up time of {_minutes(lowest)} min: check length, bore and carrier"
                )
        duration = run.program.oven.duration
        late = int(np.sum(run.peaks.retention > duration)) if duration > 0 else 0
        if late:
            warnings.append(
                f"{key}: {late} of {len(run.peaks.compounds)} peaks elute after the oven program ends "
                f"({_minutes(duration)} min); it is taken to stay at its last temperature"
            )
        needed = _largest_pressure(run.program, system)
        if run.program.carrier.controlled != "pressure" and needed > scenario.instrument.max_inlet_pressure:
            gauge = (needed - scenario.ambient_pressure) / PA_PER_KPA
            warnings.append(
                f"{key}.carrier needs an inlet pressure of {gauge:.0f} kPa gauge at the oven's hottest, more "
                "than instrument.max_inlet_pressure_kPa"
            )
    runs_with = Counter(name for run in scenario.runs for name in run.peaks.compounds)
    alone = [name for name in scenario.compounds if runs_with[name] == 1]
    if alone and len(scenario.runs) > 1:
        warnings.append(
            f"in one run only: {', '.join(map(_with_namesake(scenario.compounds), alone))}; how their retention "
            "depends on temperature rests on typical values"
        )
    return [*warnings, *_unknowns(scenario), *_unequal_amounts(scenario)]


def unseen_warnings(scenario: Scenario, listed: Sequence[str]) -> list[str]:
    """Compounds of the list at the top of the file and those of the peak tables that are not the same."""
    if not scenario.runs or not listed:
        return []
    in_tables, in_list = set(scenario.compounds), set(listed)
    unseen = [name for name in listed if name not in in_tables]
    unlisted = [name for name in scenario.compounds if name not in in_list]
    warnings = []
    if unseen:
        named = ", ".join(map(_with_namesake([*unseen, *scenario.compounds]), unseen))
        warnings.append(f"listed under compounds but in no peak table, so left out: {named}")
    if unlisted:
        warnings.append(f"in the peak tables but not listed under compounds: {', '.join(unlisted)}")
    return warnings


def _unknowns(scenario: Scenario) -> Iterator[str]:
    """Which unknowns count, and which are ignored."""
    least, counted = scenario.goal.unknown_min_area, scenario.counted_unknowns
    if least is None or not scenario.unknowns:
        return
    counting = f"unknowns that must be resolved: {', '.join(counted)}" if counted else "no unknown counts"
    small = [name for name in scenario.unknowns if name in scenario.small_unknowns]
    below = f"below goal.unknown_min_area_percent = {100 * least:g}, so ignored: {', '.join(small)}"
    yield f"{counting}; {below}" if small else counting


def _unequal_amounts(scenario: Scenario) -> Iterator[str]:
    """Neighbours in the first run whose amounts, or areas where these are unknown, are far apart."""
    peaks = scenario.runs[0].peaks
    amounts = [scenario.detail(compound).amount for compound in peaks.compounds]
    for n, (a, b) in enumerate(pairwise(peaks.compounds)):
        needed = scenario.required_resolution(a, b)
        if needed is None or needed >= UNEQUAL_RESOLUTION:
            continue
        first, second = amounts[n], amounts[n + 1]
        what = "amount"
        if first is None or second is None:
            first, second, what = float(peaks.area[n]), float(peaks.area[n + 1]), "area"
        ratio = max(first / second, second / first)
        if ratio > UNEQUAL_AMOUNTS:
            yield (
                f"{a} and {b} differ {ratio:.3g}-fold in {what}; a resolution of {UNEQUAL_RESOLUTION:g} and more is "
                "suggested for such pairs (published practice): give them a min_resolution under [[pairs]]"
            )


def _minutes(seconds: float) -> str:
    return f"{seconds / SECONDS_PER_MINUTE:.4g}"


def _corners(program: Program) -> Array:
    """Times [s] from the start on at which oven or carrier turn."""
    return np.unique([0.0, *program.oven.knots()[0], *program.carrier.knots()[0]])


def _temperatures(program: Program, times: Array) -> Array:
    """Temperatures [K] of the oven at times of any shape [s]."""
    batch = batch_of([program])
    return values_at(times.reshape(1, -1), batch.oven_times, batch.oven_temperatures).reshape(times.shape)


def _pressures(program: Program, system: ColumnSystem, times: Array) -> Array:
    """Inlet pressures [Pa absolute] at times of any shape [s]."""
    batch = batch_of([program])
    values = values_at(times.reshape(1, -1), batch.carrier_times, batch.carrier_values).reshape(times.shape)
    return inlet_pressure(system, program.carrier.controlled, values, _temperatures(program, times))


def _hold_up_bounds(program: Program, system: ColumnSystem, until: float | Array) -> tuple[Array, Array]:
    """Shortest and longest hold-up time [s] at any moment up to `until` [s], shaped as it is."""
    corners, until = _corners(program), np.asarray(until)
    at_corners, at_end = (
        hold_up_time(
            system.column,
            system.gas,
            _temperatures(program, times),
            _pressures(program, system, times),
            system.outlet_pressure,
        )
        for times in (corners, until)
    )
    last = np.searchsorted(corners, until, side="right") - 1
    return (
        np.minimum(np.minimum.accumulate(at_corners)[last], at_end),
        np.maximum(np.maximum.accumulate(at_corners)[last], at_end),
    )


def _computed_hold_up(run: ScoutingRun, system: ColumnSystem) -> float:
    shortest, longest = _hold_up_bounds(run.program, system, run.hold_up or 0.0)
    return float(shortest + longest) / 2


def _largest_pressure(program: Program, system: ColumnSystem) -> float:
    return float(np.max(_pressures(program, system, _corners(program))))


def _with_namesake(compounds: Sequence[str]) -> Callable[[str], str]:
    """A compound's name, with the one it may be a misspelling of."""
    names = Lookalikes(compounds)

    def named(compound: str) -> str:
        other = names.nearest(compound, NAMESAKE)
        return f"{compound} (or is it {other}?)" if other else compound

    return named


def _past_the_end(where: str, run: ScoutingRun, file: str) -> Iterator[str]:
    duration, last = run.program.oven.duration, float(run.peaks.retention[-1])
    if duration > 0 and last > LONGER_THAN_PROGRAM * duration:
        yield (
            f"{file}: {run.peaks.compounds[-1]!r}: retention_min = {_minutes(last)} is far past the end of its "
            f"oven program ({_minutes(duration)} min, {where}); are the retention times in seconds, or is "
            "a last hold missing?"
        )


def _hold_up_problem(key: str, run: ScoutingRun, system: ColumnSystem, ambient: float) -> Iterator[str]:
    if run.hold_up is None:
        return
    computed = _computed_hold_up(run, system)
    ratio = run.hold_up / computed
    given = (
        f"{key}.hold_up_min = {_minutes(run.hold_up)}: the column's dimensions give {_minutes(computed)} min"
    )
    # Slips of unit and outlet can be told only where the computed time can be trusted.
    if system.column.flow_known and abs(ratio - 1) > HOLD_UP_SLIP:
        for slip, other_program, other_system in _readings(run.program, system, ambient):
            other = _computed_hold_up(replace(run, program=other_program), other_system)
            if abs(run.hold_up / other - 1) < HOLD_UP_AGREES:
                yield f"{given}, but {_minutes(other)} min {slip}; or is the column's length or bore another?"
                return
    if not 1 / HOLD_UP_ABSURD < ratio < HOLD_UP_ABSURD:
        yield f"{given}; check the unit (min), the column's length and bore, and the carrier's set point"


def _readings(
    program: Program, system: ColumnSystem, ambient: float
) -> Iterator[tuple[str, Program, ColumnSystem]]:
    """The same entries read as if another unit or outlet had been meant."""
    carrier = program.carrier
    if system.outlet_pressure > 0:
        yield 'with outlet = "vacuum"', program, replace(system, outlet_pressure=0.0)
    else:
        yield 'with outlet = "ambient"', program, replace(system, outlet_pressure=ambient)
    if carrier.controlled != "pressure" or carrier.ramps:
        return
    gauge = carrier.start - ambient
    psi = CarrierProgram("pressure", gauge / PA_PER_KPA * PA_PER_PSI + ambient)
    yield "if the inlet pressure is psi; write inlet_psi", replace(program, carrier=psi), system
    if gauge > system.outlet_pressure:
        absolute = CarrierProgram("pressure", gauge)
        yield (
            "if the inlet pressure is absolute; gauge is expected",
            replace(program, carrier=absolute),
            system,
        )


def _before_hold_up(run: ScoutingRun, file: str, system: ColumnSystem, ambient: float) -> Iterator[str]:
    first = float(run.peaks.retention[0])
    if run.hold_up is not None:
        limit, allowed, origin = run.hold_up, run.hold_up - 3 * run.repeatability, "measured"
    else:
        limit = float(_hold_up_bounds(run.program, system, first)[0])
        share = COMPUTED_SHARE if system.column.flow_known else 1 / HOLD_UP_ABSURD
        allowed, origin = share * limit, "computed from the column's dimensions and the carrier"
    if first >= allowed:
        return
    early = int(np.sum(run.peaks.retention < allowed))
    slip = "the column's length and bore, the carrier and the unit of the retention times"
    if run.hold_up is None:
        for reading, other_program, other_system in _readings(run.program, system, ambient):
            if "psi" in reading and _hold_up_bounds(other_program, other_system, first)[0] <= first:
                slip = "the inlet pressure, which looks like psi"
    others = f", as are {early} of {len(run.peaks.compounds)} peaks" if early > 1 else ""
    yield (
        f"{file}: {run.peaks.compounds[0]!r}: retention_min = {_minutes(first)} is below the hold-up time of run "
        f"{run.name!r}, {_minutes(limit)} min ({origin}){others}; check {slip}"
    )


def _contradictions(scenario: Scenario, files: Sequence[str], system: ColumnSystem) -> Iterator[str]:
    runs = scenario.runs
    for i, first in enumerate(runs):
        for j in range(i + 1, len(runs)):
            second = runs[j]
            shared = [name for name in first.peaks.compounds if second.peaks.index(name) is not None]
            t1, t2 = (
                peaks.retention[[row for name in shared if (row := peaks.index(name)) is not None]]
                for peaks in (first.peaks, second.peaks)
            )
            where = f"{files[i]} and {files[j]}"
            if first.program == second.program:
                yield from _unlike_repeats(where, first, second, shared, t1, t2)
            elif len(shared) > 1 and np.array_equal(t1, t2):
                yield (
                    f"{where}: the retention times of runs {first.name!r} and {second.name!r} are the same "
                    "though their programs differ; was one table saved twice?"
                )
            elif first.program.carrier == second.program.carrier:
                for a, b, ta, tb in ((first, second, t1, t2), (second, first, t2, t1)):
                    yield from _later_though_hotter(where, a, b, shared, ta, tb, system)


def _tolerance(a: ScoutingRun, b: ScoutingRun, retention: Array) -> Array:
    result: Array = SAME_RETENTION * retention + SAME_DEVIATIONS * np.hypot(a.repeatability, b.repeatability)
    return result


def _unlike_repeats(
    where: str, a: ScoutingRun, b: ScoutingRun, shared: Sequence[str], ta: Array, tb: Array
) -> Iterator[str]:
    apart = np.abs(ta - tb) > _tolerance(a, b, np.minimum(ta, tb))
    if apart.any():
        n = int(np.argmax(np.abs(ta - tb)))
        yield (
            f"{where}: runs {a.name!r} and {b.name!r} have the same program, but {shared[n]!r} elutes at "
            f"{_minutes(ta[n])} min in one and {_minutes(tb[n])} min in the other; is one of the programs "
            "mistyped, or a peak misnamed?"
        )


def _later_though_hotter(
    where: str,
    cool: ScoutingRun,
    hot: ScoutingRun,
    shared: Sequence[str],
    t_cool: Array,
    t_hot: Array,
    system: ColumnSystem,
) -> Iterator[str]:
    """Retention falls with temperature; only the hold-up time may rise with it, by what its bounds differ."""
    corners = np.union1d(_corners(cool.program), _corners(hot.program))
    # A hundredth of a kelvin: corners of equal ramps meet only to rounding.
    at_corners, at_end = (
        _temperatures(hot.program, times) - (_temperatures(cool.program, times) - 0.01)
        for times in (corners, t_cool)
    )
    last = np.searchsorted(corners, t_cool, side="right") - 1
    never_cooler = (np.minimum.accumulate(at_corners)[last] >= 0) & (at_end >= 0)
    longest, shortest = (
        _hold_up_bounds(hot.program, system, t_hot)[1],
        _hold_up_bounds(cool.program, system, t_cool)[0],
    )
    latest = t_cool + np.maximum(longest - shortest, 0.0) + _tolerance(cool, hot, t_cool)
    found = np.flatnonzero(never_cooler & (t_hot > latest))
    if found.size:
        n = int(found[0])
        more = f" (and {found.size - 1} more likewise)" if found.size > 1 else ""
        yield (
            f"{where}: {shared[n]!r} elutes at {_minutes(t_hot[n])} min in run {hot.name!r} but at "
            f"{_minutes(t_cool[n])} min in run {cool.name!r}{more}, though {hot.name!r} is never cooler and has the "
            "same carrier; were the peak tables exchanged, or a peak misnamed?"
        )


def _compounds(scenario: Scenario, files: Sequence[str]) -> Iterator[str]:
    known = list(scenario.compounds)
    if len(known) < 2:
        yield f"{files[0]}: holds one compound only ({known[0]!r}); expected at least two, there is nothing to resolve"
    spellings: dict[str, str] = {}
    for name in known:
        other = spellings.setdefault(" ".join(name.casefold().split()), name)
        if other != name:
            in_files = [
                next(
                    f
                    for f, run in zip(files, scenario.runs, strict=True)
                    if run.peaks.index(each) is not None
                )
                for each in (other, name)
            ]
            yield (
                f"{in_files[0]} has {other!r} and {in_files[1]} has {name!r}; one compound needs one spelling, "
                "two need names that differ by more than case or blanks"
            )
    yield from _unknown_names(scenario, "in none of the peak tables")
    if len(known) > 1 and scenario.number_of_counted_pairs == 0:
        counted = " or ".join(f'"{role}"' for role in COUNTED_ROLES)
        yield (
            f"{scenario.path}: analytes, pairs and groups leave no pair that counts; expected a compound of role "
            f"{counted}"
        )


def _unknown_names(scenario: Scenario, where: str) -> Iterator[str]:
    """Names in analytes, pairs and groups that no compound has; `where` says what they are missing from."""
    named = [(f"analytes[{n}].compound", a.compound) for n, a in enumerate(scenario.analytes, 1)]
    named += [(f"pairs[{n}].between", name) for n, p in enumerate(scenario.pairs, 1) for name in (p.a, p.b)]
    named += [
        (f"analytes[{n}].near.compounds", name)
        for n, a in enumerate(scenario.analytes, 1)
        for name in (a.near.compounds if a.near is not None else ())
    ]
    named += [(f"groups[{n}].members", name) for n, g in enumerate(scenario.groups, 1) for name in g.members]
    known = Lookalikes((*scenario.compounds, *scenario.left_out))
    for key, name in named:
        if name not in known:
            near = known.nearest(name)
            hint = (
                f"did you mean {near!r}?"
                if near
                else f"they hold {', '.join(scenario.compounds[:8])}"
                + ("..." * (len(scenario.compounds) > 8))
            )
            yield f'{scenario.path}: {key} = "{name}": is {where}; {hint}'
