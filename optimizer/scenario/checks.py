"""Checks of a scenario file between its keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from models.units import celsius
from optimizer.scenario.compound_checks import compound_problems, compound_warnings, repeated
from optimizer.scenario.given_values import Given
from optimizer.scenario.method_checks import method_problems, method_warnings, temperature_range
from optimizer.scenario.program_checks import (
    carrier_warnings,
    hot_holds,
    oven_against_column,
    oven_problems,
    oven_warnings,
    pressure_problems,
    steep_ramps,
)
from optimizer.scenario.program_tables import CarrierProgramTable, OvenTable
from optimizer.scenario.schema import ScenarioTable

SMALLEST_PHASE_RATIO = 5.0  # below it the film fills a fifth of the bore: no such open tube is made
ROUNDING = 1e-9  # by which two ways to the same number may differ


def table_problems(table: ScenarioTable, given: Given) -> list[str]:
    """What cannot be right in the scenario file on its own, one sentence each without the file's name."""
    problems = [*_column(table, given), *_instrument(table, given)]
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
    return [*warnings, *method_warnings(table, given), *compound_warnings(table, given)]


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
    phase_ratio = column.inner_diameter / (4 * column.film_thickness)
    if phase_ratio < SMALLEST_PHASE_RATIO * (1 - ROUNDING):
        yield (
            f"{given('column.film_thickness_um')} in a bore of {given.short('column.inner_diameter_mm')} is a phase "
            f"ratio of {phase_ratio:.2g}: expected at least {SMALLEST_PHASE_RATIO:g}; check both against the column's "
            "tag"
        )


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


def _runs(table: ScenarioTable) -> Iterator[str]:
    yield from _twice(table.compounds)
    runs = table.scouting_runs
    yield from repeated("scouting_runs", "name", [run.name for run in runs], "every run needs its own name")
    yield from repeated(
        "scouting_runs", "peaks", [run.peaks for run in runs], "every run has a peak table of its own"
    )


def _twice(compounds: Sequence[str]) -> Iterator[str]:
    places: dict[str, int] = {}
    for number, name in enumerate(compounds, 1):
        first = places.setdefault(name, number)
        if first != number:
            yield f'compounds[{number}] = "{name}": is compounds[{first}] already; list each compound once'
