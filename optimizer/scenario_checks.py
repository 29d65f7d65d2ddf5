"""Checks of a scenario file between its keys, before any peak table is read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from models.units import PA_PER_KPA
from optimizer.scenario_messages import KPA_PER, Written
from optimizer.scenario_schema import (
    CarrierProgramTable,
    ConstantPressureTable,
    OvenTable,
    PressureProgramTable,
    ScenarioTable,
)

SMALLEST_PHASE_RATIO = 5.0  # below it the film fills a fifth of the bore: no such open tube is made
SMALLEST_DROP_KPA = 1.0  # at an ambient outlet


def table_problems(table: ScenarioTable, written: Mapping[str, Written]) -> list[str]:
    """What cannot be right in the scenario file on its own, one sentence each without the file's name."""
    problems = [*_column(table), *_instrument(table), *_names(table)]
    for key, oven, carrier in _programs(table):
        problems += oven_problems(f"{key}.oven", oven)
        problems += _oven_against_column(f"{key}.oven", oven, table)
        problems += _pressures(f"{key}.carrier", carrier, table, written)
    return problems


def table_warnings(table: ScenarioTable) -> list[str]:
    """What is allowed but odd in the scenario file on its own."""
    warnings = []
    if len(table.scouting_runs) == 1:
        warnings.append(
            "only one scouting run: how retention depends on temperature then rests on typical values, not on "
            "measurement; make a second run, its heating rate at least three times higher or lower"
        )
    for key, oven, carrier in _programs(table):
        warnings += _hot_holds(f"{key}.oven", oven, table)
        warnings += _steep_ramps(f"{key}.oven", oven, table)
        flow = getattr(carrier, "flow_mL_min", None)
        low, high = table.instrument.min_flow_mL_min, table.instrument.max_flow_mL_min
        if flow is not None and not low <= flow <= high:
            warnings.append(f"{key}.carrier.flow_mL_min = {flow:g} lies outside {low:g} to {high:g} mL/min")
    return warnings


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
    phase_ratio = column.inner_diameter_mm * 1e3 / (4 * column.film_thickness_um)
    if phase_ratio < SMALLEST_PHASE_RATIO:
        yield (
            f"column.film_thickness_um = {column.film_thickness_um:g} in a bore of inner_diameter_mm = "
            f"{column.inner_diameter_mm:g} is a phase ratio of {phase_ratio:.2g}: expected at least "
            f"{SMALLEST_PHASE_RATIO:g}; check both against the column's tag"
        )


def _instrument(table: ScenarioTable) -> Iterator[str]:
    instrument = table.instrument
    if instrument.min_flow_mL_min > instrument.max_flow_mL_min:
        yield (
            f"instrument.min_flow_mL_min = {instrument.min_flow_mL_min:g}: expected at most max_flow_mL_min = "
            f"{instrument.max_flow_mL_min:g}"
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


def _names(table: ScenarioTable) -> Iterator[str]:
    runs = table.scouting_runs
    yield from _repeated("scouting_runs", "name", [run.name for run in runs], "every run needs its own name")
    yield from _repeated(
        "scouting_runs", "peaks", [run.peaks for run in runs], "every run has a peak table of its own"
    )
    compounds = [analyte.compound for analyte in table.analytes]
    yield from _repeated("analytes", "compound", compounds, "write one [[analytes]] for each compound")
    seen: dict[frozenset[str], int] = {}
    for number, pair in enumerate(table.pairs, 1):
        key = f"pairs[{number}]"
        between = f"{key}.between = {pair.between}".replace("'", '"')
        if pair.between[0] == pair.between[1]:
            yield f"{between}: expected two different compounds"
        first = seen.setdefault(frozenset(pair.between), number)
        if first != number:
            yield f"{between}: that pair is already pairs[{first}]"
        if pair.ignore and pair.min_resolution is not None:
            yield f"{key}: has both min_resolution and ignore = true; keep one of them"
        if not pair.ignore and pair.min_resolution is None:
            yield f"{key}: says nothing about the pair; expected min_resolution or ignore = true"


def _repeated(section: str, key: str, values: Sequence[str], advice: str) -> Iterator[str]:
    for number, value in enumerate(values):
        first = values.index(value)
        if first != number:
            yield (
                f'{section}[{number + 1}].{key} = "{value}": already used by {section}[{first + 1}]; {advice}'
            )


def oven_problems(key: str, oven: OvenTable) -> Iterator[str]:
    """Ramps whose direction and `cooling` disagree."""
    before = oven.start_C
    for number, ramp in enumerate(oven.ramps, 1):
        here = f"{key}.ramps[{number}]"
        if ramp.to_C < before and not ramp.cooling:
            yield (
                f"{here}.to_C = {ramp.to_C:g}: lies below the {before:g} °C before it; a ramp that cools must "
                "say cooling = true"
            )
        if ramp.to_C > before and ramp.cooling:
            yield f"{here}.cooling = true: but the ramp heats from {before:g} to {ramp.to_C:g} °C"
        before = ramp.to_C


def _oven_against_column(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    column = table.column
    highest_key, highest = "max_temperature_C", column.max_temperature_C
    if column.max_programmed_temperature_C is not None:
        highest_key, highest = "max_programmed_temperature_C", column.max_programmed_temperature_C
    temperatures = [("start_C", oven.start_C)]
    temperatures += [(f"ramps[{number}].to_C", ramp.to_C) for number, ramp in enumerate(oven.ramps, 1)]
    for what, value in temperatures:
        if value > highest:
            yield (
                f"{key}.{what} = {value:g}: is above column.{highest_key} = {highest:g}; one of the two is "
                "mistyped (°C, not °F), or the run went past the column's limit"
            )
        if value < column.min_temperature_C:
            yield (
                f"{key}.{what} = {value:g}: is below column.min_temperature_C = {column.min_temperature_C:g}; "
                "one of the two is mistyped, or the run went below the column's limit"
            )


def pressure_values(key: str, carrier: CarrierProgramTable) -> list[tuple[str, float]]:
    """The gauge pressures [kPa] a carrier program enters, with their keys."""
    if isinstance(carrier, ConstantPressureTable):
        return [(f"{key}.inlet_kPa", carrier.inlet_kPa)]
    if isinstance(carrier, PressureProgramTable):
        ramps = [(f"{key}.ramps[{n}].to_kPa", ramp.to_kPa) for n, ramp in enumerate(carrier.ramps, 1)]
        return [(f"{key}.start_kPa", carrier.start_kPa), *ramps]
    return []


def as_written(key: str, gauge: float, written: Mapping[str, Written]) -> str:
    """`key = value` as the file has it."""
    spelled = written.get(key)
    return f"{key.rpartition('.')[0]}.{spelled.key} = {spelled.value:g}" if spelled else f"{key} = {gauge:g}"


def below_vacuum(
    key: str, carrier: CarrierProgramTable, ambient_kPa: float, written: Mapping[str, Written]
) -> Iterator[str]:
    """Gauge pressures that are no pressure at all."""
    for place, gauge in pressure_values(key, carrier):
        if gauge + ambient_kPa <= 0:
            given = as_written(place, gauge, written)
            yield f"{given}: lies below vacuum at an ambient pressure of {ambient_kPa:g} kPa"


def _pressures(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, written: Mapping[str, Written]
) -> Iterator[str]:
    ambient, highest = table.carrier.ambient_pressure_kPa, table.instrument.max_inlet_pressure_kPa
    limit = as_written("instrument.max_inlet_pressure_kPa", highest, written)
    yield from below_vacuum(key, carrier, ambient, written)
    for place, gauge in pressure_values(key, carrier):
        given = as_written(place, gauge, written)
        if table.carrier.outlet == "ambient" and gauge < SMALLEST_DROP_KPA and gauge + ambient > 0:
            unit = written[place].unit if place in written else "kPa"
            others = {"kPa": 1.0, **KPA_PER}
            bar = gauge * KPA_PER["bar"] / others[unit]
            slip = (
                f"; {gauge:g} looks like bar" if unit == "kPa" and SMALLEST_DROP_KPA <= bar <= highest else ""
            )
            yield (
                f"{given}: an inlet at an ambient outlet needs at least {SMALLEST_DROP_KPA / others[unit]:.2g} "
                f"{unit} gauge, or no carrier flows{slip}"
            )
        if gauge > highest:
            absolute = gauge - ambient <= highest
            advice = (
                "; pressures are gauge: was it absolute?" if absolute else "; check the unit (kPa, psi, bar)"
            )
            yield f"{given}: is above {limit}{advice}"


def _hot_holds(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    continuous = table.column.max_temperature_C
    holds = [("hold_min", oven.start_C, oven.hold_min)]
    holds += [(f"ramps[{n}].hold_min", ramp.to_C, ramp.hold_min) for n, ramp in enumerate(oven.ramps, 1)]
    for what, temperature, hold in holds:
        if temperature > continuous and hold > 0:
            yield (
                f"{key}.{what} = {hold:g}: holds at {temperature:g} °C, above the column's limit for continuous "
                f"use ({continuous:g} °C)"
            )


def _steep_ramps(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    if "heating_limits" not in table.instrument.model_fields_set:
        return
    bands = table.instrument.heating_limits
    before = oven.start_C
    for number, ramp in enumerate(oven.ramps, 1):
        floor = -273.15
        for index, band in enumerate(bands):
            ceiling = band.up_to_C if index < len(bands) - 1 else float("inf")
            crossed = before < ceiling and ramp.to_C > floor
            if not ramp.cooling and crossed and ramp.rate_C_per_min > band.rate_C_per_min:
                yield (
                    f"{key}.ramps[{number}].rate_C_per_min = {ramp.rate_C_per_min:g} is more than "
                    f"instrument.heating_limits[{index + 1}] allows ({band.rate_C_per_min:g} °C/min): the oven "
                    "may have lagged behind its set point, and the fit would take that for retention"
                )
                break
            floor = ceiling
        before = ramp.to_C


def ambient_pascal(table: ScenarioTable) -> float:
    """Ambient pressure [Pa absolute]."""
    return table.carrier.ambient_pressure_kPa * PA_PER_KPA
