"""Checks of a scenario file between its keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from graphlib import CycleError, TopologicalSorter
from itertools import combinations, pairwise
from typing import Any

from models.units import celsius
from optimizer.base.given_values import Given
from optimizer.base.tables import Table, keys_of, quantity_in
from optimizer.scenario.data import AnalyteDetail, PairRule
from optimizer.scenario.method_checks import (
    column_warnings,
    film_in_bore,
    method_problems,
    method_warnings,
    stationary_problems,
    temperature_range,
)
from optimizer.scenario.program_checks import (
    carrier_warnings,
    hot_holds,
    oven_against_column,
    oven_problems,
    oven_warnings,
    pressure_problems,
    steep_ramps,
    weak_pressures,
)
from optimizer.scenario.program_tables import (
    CarrierProgramTable,
    OvenTable,
)
from optimizer.scenario.schema import ScenarioTable

ROUNDING = 1e-9  # by which two ways to the same number may differ


def table_problems(table: ScenarioTable, given: Given) -> list[str]:
    """What cannot be right in the scenario file on its own, one sentence each without the file's name."""
    problems = [*_column(table, given), *_instrument(table, given), *_detector(table, given)]
    problems += _owned_columns(table, given)
    # What a method may ask of column and instrument can only be judged when these are right themselves.
    problems = problems or [*method_problems(table, given)]
    problems += [*_runs(table), *compound_problems(table, given)]
    for key, oven, carrier in _programs(table):
        problems += oven_problems(f"{key}.oven", oven, given)
        problems += oven_against_column(f"{key}.oven", oven, table, given)
        problems += pressure_problems(f"{key}.carrier", carrier, table, given)
    return problems


def table_warnings(table: ScenarioTable, given: Given, last_peaks: Sequence[float]) -> list[str]:
    """What is allowed but odd in the scenario file.

    Parameters
    ----------
    last_peaks : the largest retention time of each scouting run [s]
    """
    warnings = []
    if len(table.scouting_runs) == 1:
        warnings.append(
            "only one scouting run: how retention depends on temperature then rests on typical values, not on "
            "measurement; make a second run, its heating rate at least three times higher or lower"
        )
    oven_min, (lowest, origin) = table.instrument.oven_min, temperature_range(table)[0]
    if oven_min is not None and oven_min < lowest and origin.startswith("instrument.ambient_C"):
        warnings.append(
            f"{given('instrument.oven_min_C')}: no program goes below {celsius(lowest):g} °C all the same ({origin})"
        )
    for number, (key, oven, carrier) in enumerate(_programs(table)):
        last_peak = last_peaks[number] if number < len(last_peaks) else None  # the runs come first
        warnings += hot_holds(f"{key}.oven", oven, table, given)
        warnings += steep_ramps(f"{key}.oven", oven, table, given, last_peak)
        warnings += oven_warnings(f"{key}.oven", oven, table, given)
        warnings += carrier_warnings(f"{key}.carrier", carrier, table, given)
        warnings += weak_pressures(f"{key}.carrier", carrier, oven.start, table, given)
    return [
        *warnings,
        *column_warnings(table, given),
        *method_warnings(table, given),
        *compound_warnings(table, given),
        *unusual_values(table, given),
    ]


def unusual_values(table: Any, given: Given, within: str = "") -> Iterator[str]:
    """Values that are possible but unusual, and usual in a unit that is written by mistake: one question each."""
    kind: type = type(table)
    for declared, (name, info) in zip(fields(kind), keys_of(kind).items(), strict=True):
        place, value = f"{within}{name}", getattr(table, declared.name)
        if isinstance(value, Table):
            yield from unusual_values(value, given, f"{place}.")
        elif isinstance(value, tuple):
            for number, each in enumerate(value, 1):
                if isinstance(each, Table):
                    yield from unusual_values(each, given, f"{place}[{number}].")
        else:
            quantity, stated = quantity_in(info), given.number(place)
            asked = "" if quantity is None or stated is None else quantity.question(stated)
            if asked:
                yield f"{given(place)} is unusual; {asked}"


def _programs(table: ScenarioTable) -> Iterator[tuple[str, OvenTable, CarrierProgramTable]]:
    for number, run in enumerate(table.scouting_runs, 1):
        yield f"scouting_runs[{number}]", run.oven, run.carrier
    if table.current is not None:
        yield "current", table.current.oven, table.current.carrier


def _column(table: ScenarioTable, given: Given) -> Iterator[str]:
    column, continuous = table.column, given.short("column.max_temperature_C")
    if column.min_temperature >= column.max_temperature:
        yield f"{given('column.min_temperature_C')}: expected below {continuous}"
    programmed = column.max_programmed_temperature
    if programmed is not None and programmed < column.max_temperature:
        yield (
            f"{given('column.max_programmed_temperature_C')}: expected at least {continuous}, the limit for continuous "
            "use; were the two exchanged?"
        )
    if column.max_time_above_continuous > 0 and programmed in (None, column.max_temperature):
        yield (
            f"{given('column.max_time_above_continuous_min')}: needs max_programmed_temperature_C above {continuous}, "
            "or there is nothing to stay above it for"
        )
    yield from stationary_problems(table, given)


def _owned_columns(table: ScenarioTable, given: Given) -> Iterator[str]:
    names = [each.name for each in table.columns]
    for number, column in enumerate(table.columns, 1):
        key = f"columns[{number}]"
        yield from film_in_bore(key, column.inner_diameter, column.film_thickness, given)
        if column.name in names[: number - 1]:
            yield f"{given(f'{key}.name')}: columns[{names.index(column.name) + 1}] has that name; each needs its own"
        coldest = table.column.min_temperature if column.min_temperature is None else column.min_temperature
        if coldest >= column.max_temperature:
            yield f"{given(f'{key}.max_temperature_C')}: expected above the lowest, {celsius(coldest):g} °C"


def _instrument(table: ScenarioTable, given: Given) -> Iterator[str]:
    instrument = table.instrument
    lowest, highest = instrument.min_inlet_pressure, instrument.max_inlet_pressure
    if lowest <= 0:
        yield (
            f"{given('instrument.min_inlet_pressure_kPa')}: lies below vacuum at an ambient pressure of "
            f"{given.value('carrier.ambient_pressure_kPa')} kPa"
        )
    if lowest >= highest:
        yield (
            f"{given('instrument.min_inlet_pressure_kPa')}: expected below "
            f"{given('instrument.max_inlet_pressure_kPa')}"
        )
    if instrument.min_flow > instrument.max_flow:
        yield (
            f"{given('instrument.min_flow_mL_min')}: expected at most {given.short('instrument.max_flow_mL_min')}"
        )
    detector = instrument.detector_max_flow
    if detector is not None and detector < instrument.min_flow:
        yield (
            f"{given('instrument.detector_max_flow_mL_min')}: expected at least "
            f"{given.short('instrument.min_flow_mL_min')}; it is the largest column flow the detector takes"
        )
    if instrument.oven_min is not None and instrument.oven_min >= instrument.oven_max:
        yield (
            f"{given('instrument.oven_min_C')}: expected below {given.short('instrument.oven_max_C')}; were the two "
            "exchanged?"
        )
    for number, (lower, upper) in enumerate(pairwise(instrument.heating_limits), 1):
        if upper.up_to <= lower.up_to:
            before = given.value(f"instrument.heating_limits[{number}].up_to_C")
            yield (
                f"{given(f'instrument.heating_limits[{number + 1}].up_to_C')}: expected above {before}, that of the "
                "band before it"
            )
    cool_down = instrument.cool_down
    if cool_down is not None and cool_down.from_temperature <= cool_down.to_temperature:
        yield (
            f"{given('instrument.cool_down.from_C')}: expected above {given.short('instrument.cool_down.to_C')}; were "
            "the two exchanged?"
        )


def _detector(table: ScenarioTable, given: Given) -> Iterator[str]:
    detector = table.detector
    if detector.min_points is not None and detector.readings is None:
        yield f"{given('detector.min_points')}: needs readings_per_s, the rate that the detector is set to"
    least, most = detector.min_total_flow, detector.max_total_flow
    if least is not None and most is not None and least > most:
        yield (
            f"{given('detector.min_total_flow_mL_min')}: expected at most "
            f"{given.short('detector.max_total_flow_mL_min')}; were the two exchanged?"
        )
    if most is not None and detector.make_up >= most:
        yield (
            f"{given('detector.make_up_mL_min')}: expected below {given.short('detector.max_total_flow_mL_min')}, "
            "which holds the column flow as well"
        )


def _runs(table: ScenarioTable) -> Iterator[str]:
    yield from _twice("compounds", table.compounds)
    yield from _twice("leave_out", table.leave_out)
    runs = table.scouting_runs
    by_runs = len({run.amount_factor for run in runs}) > 1
    by_capacity = table.column.capacity is not None and any(
        each.amount is not None for each in table.analytes
    )
    column = table.column
    if column.overload and (
        column.segments or column.packed is not None or column.layer_thickness is not None
    ):
        yield (
            "column.overload = true: expected one open tube with a film, without segments, packing or layer; what "
            "amounts do in others is not known here"
        )
    if table.column.overload and not by_runs and not by_capacity:
        yield (
            "column.overload = true: expected column.capacity_ng and an amount_ng under [[analytes]], or two scouting "
            "runs of one program with different amount_factor, to tell what amounts do"
        )
    yield from repeated("scouting_runs", "name", [run.name for run in runs], "every run needs its own name")
    yield from repeated(
        "scouting_runs", "peaks", [run.peaks for run in runs], "every run has a peak table of its own"
    )


def _twice(key: str, compounds: Sequence[str]) -> Iterator[str]:
    places: dict[str, int] = {}
    for number, name in enumerate(compounds, 1):
        first = places.setdefault(name, number)
        if first != number:
            yield f'{key}[{number}] = "{name}": is {key}[{first}] already; list each compound once'


# What a pair may ask for, as a message writes it, and why two of them cannot stand together.
PAIR_CONFLICTS = {
    ("min_resolution", "ignore = true"): "",
    (
        "min_resolution",
        'separable_by = "detector"',
    ): "the detector tells the two apart without any resolution; ",
    ("ignore = true", 'separable_by = "detector"'): "either of them leaves the pair uncounted; ",
    ("ignore = true", "in_order = true"): "a pair whose order matters is not ignored; ",
    ('separable_by = "detector"', "in_order = true"): "the detector tells the two apart in any order; ",
}


def compound_problems(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What cannot be right about analytes, pairs and groups, one sentence each."""
    compounds = [analyte.compound for analyte in table.analytes]
    yield from repeated("analytes", "compound", compounds, "write one [[analytes]] for each compound")
    for number, analyte in enumerate(table.analytes, 1):
        yield from _near(f"analytes[{number}].near", analyte)
        yield from _heat(f"analytes[{number}]", analyte, table, given)
    of_pairs = list(_pairs(table.pairs, given))
    yield from of_pairs or _order(table.pairs)
    yield from _groups(table, given)


def compound_warnings(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What is allowed but should be known about analytes, one sentence each."""
    highest, _ = temperature_range(table)[1]
    for number, run in enumerate(table.scouting_runs, 1):
        if run.amount_factor != 1 and not table.column.overload:
            yield (
                f"{given(f'scouting_runs[{number}].amount_factor')}: says nothing without column.overload = true"
            )
    capacity = table.column.capacity
    for number, analyte in enumerate(table.analytes, 1):
        key = f"analytes[{number}]"
        if analyte.compound in table.leave_out:
            continue
        if capacity is not None and analyte.amount is not None and analyte.amount > capacity:
            unknown = "" if table.column.overload else ", which is predicted with column.overload = true"
            yield (
                f"{given(f'{key}.amount_ng')}: {analyte.compound!r} is above {given('column.capacity_ng')}; an "
                f"overloaded peak is broader, leans and moves{unknown}"
            )
        limit, above = analyte.max_elution_temperature, analyte.max_time_above
        limits = [("max_elution_temperature_C", limit)] if limit is not None else []
        limits += [("max_time_above.temperature_C", above.temperature)] if above is not None else []
        for name, value in limits:
            if value >= highest:
                yield (
                    f"{given(f'{key}.{name}')}: limits nothing, no program goes above {celsius(highest):g} °C"
                )


def repeated(section: str, key: str, values: Sequence[str], advice: str) -> Iterator[str]:
    """Values that a list of tables has more than once."""
    places: dict[str, int] = {}
    for number, value in enumerate(values, 1):
        first = places.setdefault(value, number)
        if first != number:
            yield f'{section}[{number}].{key} = "{value}": already used by {section}[{first}]; {advice}'


def _near(key: str, analyte: AnalyteDetail) -> Iterator[str]:
    near = analyte.near
    if near is None:
        return
    if analyte.role != "internal standard":
        yield (
            f'{key}: belongs to an internal standard, but the role of {analyte.compound!r} is "{analyte.role}"; '
            'write role = "internal standard", or near under the standard itself'
        )
    seen: set[str] = set()
    for number, name in enumerate(near.compounds, 1):
        if name == analyte.compound:
            yield f'{key}.compounds[{number}] = "{name}": is the internal standard itself; name its analytes'
        elif name in seen:
            yield f'{key}.compounds[{number}] = "{name}": is named twice'
        seen.add(name)


def _heat(key: str, analyte: AnalyteDetail, table: ScenarioTable, given: Given) -> Iterator[str]:
    lowest, origin = temperature_range(table)[0]
    highest_elution, fraction = analyte.max_elution_temperature, analyte.min_intact_fraction
    if highest_elution is not None and highest_elution < lowest:
        yield (
            f"{given(f'{key}.max_elution_temperature_C')}: no program is that cold, the lowest temperature is "
            f"{celsius(lowest):g} °C ({origin})"
        )
    if fraction is not None and analyte.decomposition is None:
        yield (
            f"{given(f'{key}.min_intact_fraction')}: needs decomposition = {{ activation_energy_kJ_per_mol, "
            "half_life_min, at_C }; where these are unknown, max_elution_temperature_C or max_time_above"
        )
    elif fraction == 1:
        yield f"{key}.min_intact_fraction = 1: some is always lost; expected a share below 1, such as 0.99"


def _pairs(pairs: Sequence[PairRule], given: Given) -> Iterator[str]:
    seen: dict[frozenset[str], int] = {}
    for number, pair in enumerate(pairs, 1):
        key = f"pairs[{number}]"
        between = given(f"{key}.between")
        if pair.between[0] == pair.between[1]:
            yield f"{between}: expected two different compounds"
        first = seen.setdefault(frozenset(pair.between), number)
        if first != number:
            other = pairs[first - 1]
            opposite = pair.in_order and other.in_order and pair.between != other.between
            what = "asks for the opposite order of" if opposite else "that pair is already"
            yield f"{between}: {what} pairs[{first}]" + ("; keep one of them" if opposite else "")
        yield from _asked(key, pair)


def _asked(key: str, pair: PairRule) -> Iterator[str]:
    """A rule that asks for nothing, or for two things at once; only the first clash is reported."""
    asked = {
        "min_resolution": pair.min_resolution is not None,
        "ignore = true": pair.ignore,
        'separable_by = "detector"': pair.separable_by is not None,
        "in_order = true": pair.in_order,
    }
    if not any(asked.values()):
        choices = list(asked)
        yield f"{key}: says nothing about the pair; expected {', '.join(choices[:-1])} or {choices[-1]}"
    for a, b in combinations(asked, 2):
        if asked[a] and asked[b] and (a, b) in PAIR_CONFLICTS:
            yield f"{key}: has both {a} and {b}; {PAIR_CONFLICTS[a, b]}keep one of them"
            return


def _order(pairs: Sequence[PairRule]) -> Iterator[str]:
    before: dict[str, set[str]] = {}
    for pair in pairs:
        if pair.in_order:
            before.setdefault(pair.between[1], set()).add(pair.between[0])
    try:
        TopologicalSorter(before).prepare()
    except CycleError as error:
        circle = " before ".join(map(repr, error.args[1]))
        yield f"pairs: in_order = true asks for {circle}, which no run can give; turn one of these pairs round"


def _groups(table: ScenarioTable, given: Given) -> Iterator[str]:
    groups = table.groups
    yield from repeated("groups", "name", [group.name for group in groups], "every group needs its own name")
    home: dict[str, tuple[int, int]] = {}
    for number, group in enumerate(groups, 1):
        for place, member in enumerate(group.members, 1):
            named = f'groups[{number}].members[{place}] = "{member}"'
            first, first_place = home.setdefault(member, (number, place))
            if first != number:
                yield f"{named}: is already in groups[{first}]; a compound belongs to at most one group"
            elif first_place != place:
                yield f"{named}: is named twice"
        if group.min_resolution is not None and len(groups) == 1:
            yield (
                f"{given(f'groups[{number}].min_resolution')}: holds against the members of other groups, and there "
                "is no other group; a pair has its resolution under [[pairs]]"
            )
