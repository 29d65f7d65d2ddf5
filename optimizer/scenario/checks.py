"""Checks of a scenario file between its keys."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from optimizer.scenario.compound_checks import compound_problems, compound_warnings, repeated
from optimizer.scenario.messages import Written
from optimizer.scenario.method_checks import method_problems, method_warnings, temperature_range
from optimizer.scenario.program_checks import (
    as_written,
    carrier_warnings,
    hot_holds,
    oven_against_column,
    oven_problems,
    oven_warnings,
    pressure_problems,
    steep_ramps,
)
from optimizer.scenario.schema import CarrierProgramTable, OvenTable, ScenarioTable

SMALLEST_PHASE_RATIO = 5.0  # below it the film fills a fifth of the bore: no such open tube is made


def table_problems(table: ScenarioTable, written: Mapping[str, Written]) -> list[str]:
    """What cannot be right in the scenario file on its own, one sentence each without the file's name."""
    problems = [*_column(table), *_instrument(table, written)]
    # What a method may ask of column and instrument can only be judged when these are right themselves.
    problems = problems or [*method_problems(table)]
    problems += [*_runs(table), *compound_problems(table)]
    for key, oven, carrier in _programs(table):
        problems += oven_problems(f"{key}.oven", oven)
        problems += oven_against_column(f"{key}.oven", oven, table)
        problems += pressure_problems(f"{key}.carrier", carrier, table, written)
    return problems


def table_warnings(
    table: ScenarioTable, written: Mapping[str, Written], last_peaks: Sequence[float]
) -> list[str]:
    """What is allowed but odd in the scenario file.

    Parameters
    ----------
    last_peaks : the largest retention time of each scouting run [min]
    """
    warnings = []
    if len(table.scouting_runs) == 1:
        warnings.append(
            "only one scouting run: how retention depends on temperature then rests on typical values, not on "
            "measurement; make a second run, its heating rate at least three times higher or lower"
        )
    oven_min, (lowest, origin) = table.instrument.oven_min_C, temperature_range(table)[0]
    if oven_min is not None and oven_min < lowest and origin.startswith("instrument.ambient_C"):
        warnings.append(
            f"instrument.oven_min_C = {oven_min:g}: no program goes below {lowest:g} °C all the same ({origin})"
        )
    for number, (key, oven, carrier) in enumerate(_programs(table)):
        last_peak = last_peaks[number] if number < len(last_peaks) else None  # the runs come first
        warnings += hot_holds(f"{key}.oven", oven, table)
        warnings += steep_ramps(f"{key}.oven", oven, table, last_peak)
        warnings += oven_warnings(f"{key}.oven", oven, table)
        warnings += carrier_warnings(f"{key}.carrier", carrier, table, written)
    return [*warnings, *method_warnings(table), *compound_warnings(table)]


def _programs(table: ScenarioTable) -> Iterator[tuple[str, OvenTable, CarrierProgramTable]]:
    for number, run in enumerate(table.scouting_runs, 1):
        yield f"scouting_runs[{number}]", run.oven, run.carrier
    if table.current is not None:
        yield "current", table.current.oven, table.current.carrier


def _column(table: ScenarioTable) -> Iterator[str]:
    column = table.column
    if column.min_temperature_C >= column.max_temperature_C:
        yield (
            f"column.min_temperature_C = {column.min_temperature_C:g}: expected below max_temperature_C = "
            f"{column.max_temperature_C:g}"
        )
    programmed = column.max_programmed_temperature_C
    if programmed is not None and programmed < column.max_temperature_C:
        yield (
            f"column.max_programmed_temperature_C = {programmed:g}: expected at least max_temperature_C = "
            f"{column.max_temperature_C:g}, the limit for continuous use; were the two exchanged?"
        )
    longest = column.max_time_above_continuous_min
    if longest > 0 and (programmed is None or programmed == column.max_temperature_C):
        yield (
            f"column.max_time_above_continuous_min = {longest:g}: needs max_programmed_temperature_C above "
            f"max_temperature_C = {column.max_temperature_C:g}, or there is nothing to stay above it for"
        )
    phase_ratio = column.inner_diameter_mm * 1e3 / (4 * column.film_thickness_um)
    if phase_ratio < SMALLEST_PHASE_RATIO:
        yield (
            f"column.film_thickness_um = {column.film_thickness_um:g} in a bore of inner_diameter_mm = "
            f"{column.inner_diameter_mm:g} is a phase ratio of {phase_ratio:.2g}: expected at least "
            f"{SMALLEST_PHASE_RATIO:g}; check both against the column's tag"
        )


def _instrument(table: ScenarioTable, written: Mapping[str, Written]) -> Iterator[str]:
    instrument = table.instrument
    lowest, highest = instrument.min_inlet_pressure_kPa, instrument.max_inlet_pressure_kPa
    given = as_written("instrument.min_inlet_pressure_kPa", lowest, written)
    if lowest + table.carrier.ambient_pressure_kPa <= 0:
        ambient = table.carrier.ambient_pressure_kPa
        yield f"{given}: lies below vacuum at an ambient pressure of {ambient:g} kPa"
    if lowest >= highest:
        limit = as_written("instrument.max_inlet_pressure_kPa", highest, written)
        yield f"{given}: expected below {limit}"
    if instrument.min_flow_mL_min > instrument.max_flow_mL_min:
        yield (
            f"instrument.min_flow_mL_min = {instrument.min_flow_mL_min:g}: expected at most max_flow_mL_min = "
            f"{instrument.max_flow_mL_min:g}"
        )
    detector = instrument.detector_max_flow_mL_min
    if detector is not None and detector < instrument.min_flow_mL_min:
        yield (
            f"instrument.detector_max_flow_mL_min = {detector:g}: expected at least min_flow_mL_min = "
            f"{instrument.min_flow_mL_min:g}; it is the largest column flow the detector takes"
        )
    if instrument.oven_min_C is not None and instrument.oven_min_C >= instrument.oven_max_C:
        yield (
            f"instrument.oven_min_C = {instrument.oven_min_C:g}: expected below oven_max_C = "
            f"{instrument.oven_max_C:g}; were the two exchanged?"
        )
    bands = instrument.heating_limits
    for number, (lower, upper) in enumerate(pairwise(bands), 2):
        if upper.up_to_C <= lower.up_to_C:
            yield (
                f"instrument.heating_limits[{number}].up_to_C = {upper.up_to_C:g}: expected above "
                f"{lower.up_to_C:g}, that of the band before it"
            )
    cool_down = instrument.cool_down
    if cool_down is not None and cool_down.from_C <= cool_down.to_C:
        yield (
            f"instrument.cool_down.from_C = {cool_down.from_C:g}: expected above to_C = {cool_down.to_C:g}; "
            "were the two exchanged?"
        )


def _runs(table: ScenarioTable) -> Iterator[str]:
    yield from _twice(table.compounds)
    runs = table.scouting_runs
    yield from repeated("scouting_runs", "name", [run.name for run in runs], "every run needs its own name")
    yield from repeated(
        "scouting_runs", "peaks", [run.peaks for run in runs], "every run has a peak table of its own"
    )


def _twice(compounds: list[str]) -> Iterator[str]:
    places: dict[str, int] = {}
    for number, name in enumerate(compounds, 1):
        first = places.setdefault(name, number)
        if first != number:
            yield f'compounds[{number}] = "{name}": is compounds[{first}] already; list each compound once'
