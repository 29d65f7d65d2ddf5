"""Checks of the programs in a scenario file: of themselves, against the column and against the instrument."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from optimizer.scenario.messages import KPA_PER, Written
from optimizer.scenario.method_checks import temperature_range
from optimizer.scenario.schema import (
    CarrierProgramTable,
    ConstantFlowTable,
    ConstantPressureTable,
    FlowProgramTable,
    OvenTable,
    PressureProgramTable,
    ScenarioTable,
)

SMALLEST_DROP_KPA = 1.0  # at an ambient outlet


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


def oven_against_column(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    """Temperatures beyond what the column bears."""
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


def flow_values(key: str, carrier: CarrierProgramTable) -> list[tuple[str, float]]:
    """The column flows [mL/min] a carrier program enters, with their keys."""
    if isinstance(carrier, ConstantFlowTable):
        return [(f"{key}.flow_mL_min", carrier.flow_mL_min)]
    if isinstance(carrier, FlowProgramTable):
        ramps = [(f"{key}.ramps[{n}].to_mL_min", ramp.to_mL_min) for n, ramp in enumerate(carrier.ramps, 1)]
        return [(f"{key}.start_mL_min", carrier.start_mL_min), *ramps]
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


def pressure_problems(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, written: Mapping[str, Written]
) -> Iterator[str]:
    """Gauge pressures at which nothing flows, or that the inlet cannot give."""
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


def hot_holds(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    """Holds above the column's limit for continuous use."""
    continuous = table.column.max_temperature_C
    holds = [("hold_min", oven.start_C, oven.hold_min)]
    holds += [(f"ramps[{n}].hold_min", ramp.to_C, ramp.hold_min) for n, ramp in enumerate(oven.ramps, 1)]
    for what, temperature, hold in holds:
        if temperature > continuous and hold > 0:
            yield (
                f"{key}.{what} = {hold:g}: holds at {temperature:g} °C, above the column's limit for continuous "
                f"use ({continuous:g} °C)"
            )


def steep_ramps(
    key: str, oven: OvenTable, table: ScenarioTable, last_peak: float | None = None
) -> Iterator[str]:
    """Ramps faster than the oven is said to heat.

    Parameters
    ----------
    last_peak : of a run, its largest measured retention time [min]: what the oven does later moves no peak. None for a
        program that nothing was measured with
    """
    if "heating_limits" not in table.instrument.model_fields_set:
        return
    bands = table.instrument.heating_limits
    before, begins = oven.start_C, oven.hold_min
    for number, ramp in enumerate(oven.ramps, 1):
        floor = -273.15
        for index, band in enumerate(bands):
            ceiling = band.up_to_C if index < len(bands) - 1 else float("inf")
            crossed = before < ceiling and ramp.to_C > floor
            if not ramp.cooling and crossed and ramp.rate_C_per_min > band.rate_C_per_min:
                entered = begins + max(floor - before, 0.0) / ramp.rate_C_per_min
                if last_peak is not None and entered >= last_peak:
                    return
                fit = ", and the fit would take that for retention" if last_peak is not None else ""
                yield (
                    f"{key}.ramps[{number}].rate_C_per_min = {ramp.rate_C_per_min:g} is more than "
                    f"instrument.heating_limits[{index + 1}] allows ({band.rate_C_per_min:g} °C/min): the oven "
                    f"may have lagged behind its set point{fit}"
                )
                break
            floor = ceiling
        begins += abs(ramp.to_C - before) / ramp.rate_C_per_min + ramp.hold_min
        before = ramp.to_C


def oven_warnings(key: str, oven: OvenTable, table: ScenarioTable) -> Iterator[str]:
    """What the oven is said not to do though a program asks for it; the first temperature beyond it."""
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    temperatures = [("start_C", oven.start_C)]
    temperatures += [(f"ramps[{number}].to_C", ramp.to_C) for number, ramp in enumerate(oven.ramps, 1)]
    for what, value in temperatures:
        # Beyond the column's own limits is an error that `oven_against_column` names.
        beyond = (
            "below"
            if value < lowest
            else "above"
            if value > highest and high_key.startswith("instrument")
            else ""
        )
        if beyond:
            limit, origin = (lowest, low_key) if beyond == "below" else (highest, high_key)
            yield (
                f"{key}.{what} = {value:g}: lies {beyond} what the oven is said to reach, {limit:g} °C ({origin}); "
                "no program found will"
            )
            break
    most = table.instrument.max_oven_ramps
    if len(oven.ramps) > most:
        yield f"{key} has {len(oven.ramps)} ramps, more than instrument.max_oven_ramps = {most}"


def carrier_warnings(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, written: Mapping[str, Written]
) -> Iterator[str]:
    """Flows, pressures and ramps beyond what the instrument is said to do; the first of each kind."""
    instrument = table.instrument
    low, high = instrument.min_flow_mL_min, instrument.max_flow_mL_min
    detector = instrument.detector_max_flow_mL_min
    flows = flow_values(key, carrier)
    outside = next(((place, flow) for place, flow in flows if not low <= flow <= high), None)
    if outside is not None:
        yield f"{outside[0]} = {outside[1]:g} lies outside {low:g} to {high:g} mL/min"
    elif detector is not None:
        for place, flow in [each for each in flows if each[1] > detector][:1]:
            yield f"{place} = {flow:g} is more than instrument.detector_max_flow_mL_min = {detector:g}"
    least = instrument.min_inlet_pressure_kPa
    for place, gauge in [each for each in pressure_values(key, carrier) if each[1] < least][:1]:
        limit = as_written("instrument.min_inlet_pressure_kPa", least, written)
        yield f"{as_written(place, gauge, written)} is less than {limit}"
    yield from _carrier_ramps(key, carrier, table, written)


def _carrier_ramps(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, written: Mapping[str, Written]
) -> Iterator[str]:
    if not isinstance(carrier, FlowProgramTable | PressureProgramTable):
        return
    instrument = table.instrument
    if isinstance(carrier, FlowProgramTable):
        name, limit_name, limit = (
            "rate_mL_per_min2",
            "max_flow_rate_mL_per_min2",
            instrument.max_flow_rate_mL_per_min2,
        )
        rates = [ramp.rate_mL_per_min2 for ramp in carrier.ramps]
    else:
        name, limit_name, limit = (
            "rate_kPa_per_min",
            "max_pressure_rate_kPa_per_min",
            instrument.max_pressure_rate_kPa_per_min,
        )
        rates = [ramp.rate_kPa_per_min for ramp in carrier.ramps]
    for number, rate in enumerate(rates, 1):
        if rate > limit:
            given = as_written(f"{key}.ramps[{number}].{name}", rate, written)
            yield f"{given} is more than {as_written(f'instrument.{limit_name}', limit, written)}"
            break
    most = instrument.max_carrier_ramps
    if len(rates) > most:
        yield f"{key} has {len(rates)} ramps, more than instrument.max_carrier_ramps = {most}"
