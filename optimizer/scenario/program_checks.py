"""Checks of the programs in a scenario file: of themselves, against the column and against the instrument."""

from __future__ import annotations

from collections.abc import Iterator

from models.column.carrier_gas import carrier_gas
from models.column.system import flow
from models.units import PA_PER_KPA, celsius, flow_mL_min, gauge_kPa
from optimizer.base.given_values import Given
from optimizer.base.quantities import KPA_PER
from optimizer.scenario.conversion import column_of, outlet_of
from optimizer.scenario.method_checks import temperature_range
from optimizer.scenario.program_tables import (
    CarrierProgramTable,
    ConstantFlowTable,
    ConstantPressureTable,
    FlowProgramTable,
    OvenTable,
    PressureProgramTable,
)
from optimizer.scenario.schema import ScenarioTable

SMALLEST_DROP_KPA = 1.0  # at an ambient outlet
SMALLEST_SEEN = 1e-6  # Pa, by which two ways to the same pressure may differ

Value = tuple[str, float]


def oven_problems(key: str, oven: OvenTable, given: Given) -> Iterator[str]:
    """Ramps whose direction and `cooling` disagree."""
    before, before_key = oven.start, f"{key}.start_C"
    for number, ramp in enumerate(oven.ramps, 1):
        here = f"{key}.ramps[{number}]"
        came_from = given.value(before_key)
        if ramp.target < before and not ramp.cooling:
            yield (
                f"{given(f'{here}.to_C')}: lies below the {came_from} °C before it; a ramp that cools must "
                "say cooling = true"
            )
        if ramp.target > before and ramp.cooling:
            yield (
                f"{here}.cooling = true: but the ramp heats from {came_from} to {given.value(f'{here}.to_C')} °C"
            )
        before, before_key = ramp.target, f"{here}.to_C"


def _temperatures(key: str, oven: OvenTable) -> list[Value]:
    """The temperatures [K] an oven program enters, with their keys."""
    ramps = [(f"{key}.ramps[{number}].to_C", ramp.target) for number, ramp in enumerate(oven.ramps, 1)]
    return [(f"{key}.start_C", oven.start), *ramps]


def oven_against_column(key: str, oven: OvenTable, table: ScenarioTable, given: Given) -> Iterator[str]:
    """Temperatures beyond what the column withstands."""
    column = table.column
    highest_key, highest = "max_temperature_C", column.max_temperature
    if column.max_programmed_temperature is not None:
        highest_key, highest = "max_programmed_temperature_C", column.max_programmed_temperature
    for place, value in _temperatures(key, oven):
        if value > highest:
            yield (
                f"{given(place)}: is above {given(f'column.{highest_key}')}; one of the two is mistyped (°C, not °F), "
                "or the run went past the column's limit"
            )
        if value < column.min_temperature:
            yield (
                f"{given(place)}: is below {given('column.min_temperature_C')}; one of the two is mistyped, or the run "
                "went below the column's limit"
            )


def _pressures(key: str, carrier: CarrierProgramTable) -> list[Value]:
    """The pressures [Pa absolute] a carrier program enters, with their keys."""
    if isinstance(carrier, ConstantPressureTable):
        return [(f"{key}.inlet_kPa", carrier.start)]
    if isinstance(carrier, PressureProgramTable):
        ramps = [(f"{key}.ramps[{n}].to_kPa", ramp.target) for n, ramp in enumerate(carrier.ramps, 1)]
        return [(f"{key}.start_kPa", carrier.start), *ramps]
    return []


def _flows(key: str, carrier: CarrierProgramTable) -> list[Value]:
    """The column flows [m3/s] a carrier program enters, with their keys."""
    if isinstance(carrier, ConstantFlowTable):
        return [(f"{key}.flow_mL_min", carrier.start)]
    if isinstance(carrier, FlowProgramTable):
        ramps = [(f"{key}.ramps[{n}].to_mL_min", ramp.target) for n, ramp in enumerate(carrier.ramps, 1)]
        return [(f"{key}.start_mL_min", carrier.start), *ramps]
    return []


def no_flow(
    key: str, carrier: CarrierProgramTable, ambient_pressure: float, given: Given, outlet: float = 0.0
) -> Iterator[str]:
    """Gauge pressures that are no pressure at all, or too close to the outlet's for gas to flow.

    `ambient_pressure` [Pa absolute] is what they refer to; `outlet` [Pa absolute] is that of the column, 0 if unknown.
    """
    for place, pressure in _pressures(key, carrier):
        if pressure <= 0:
            ambient = ambient_pressure / PA_PER_KPA
            yield f"{given(place)}: lies below vacuum at an ambient pressure of {ambient:g} kPa"
        elif outlet and pressure < outlet + SMALLEST_DROP_KPA * PA_PER_KPA - SMALLEST_SEEN:
            unit, gauge = given.unit(place), float(gauge_kPa(pressure, ambient_pressure))
            looks_like_bar = unit == "kPa" and gauge * KPA_PER["bar"] >= SMALLEST_DROP_KPA
            slip = f"; {gauge:g} looks like bar" if looks_like_bar else ""
            yield (
                f"{given(place)}: an inlet at an ambient outlet needs at least "
                f"{SMALLEST_DROP_KPA / KPA_PER.get(unit, 1.0):.2g} {unit} gauge, or no carrier flows{slip}"
            )


def pressure_problems(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, given: Given
) -> Iterator[str]:
    """Gauge pressures at which nothing flows, or that the inlet cannot give."""
    ambient, highest = table.carrier.ambient_pressure, table.instrument.max_inlet_pressure
    yield from no_flow(key, carrier, ambient, given, outlet_of(table))
    for place, pressure in _pressures(key, carrier):
        if pressure > highest + SMALLEST_SEEN:
            advice = (
                "; pressures are gauge: was it absolute?"
                if pressure - ambient <= highest
                else "; check the unit (kPa, psi, bar)"
            )
            yield f"{given(place)}: is above {given('instrument.max_inlet_pressure_kPa')}{advice}"


def hot_holds(key: str, oven: OvenTable, table: ScenarioTable, given: Given) -> Iterator[str]:
    """Holds above the column's limit for continuous use."""
    for (place, temperature), hold in zip(
        _temperatures(key, oven), (oven.hold, *(ramp.hold for ramp in oven.ramps)), strict=True
    ):
        if temperature > table.column.max_temperature and hold > 0:
            yield (
                f"{given(place.rpartition('.')[0] + '.hold_min')}: holds at {given.value(place)} °C, above the "
                f"column's limit for continuous use ({given.value('column.max_temperature_C')} °C)"
            )


def steep_ramps(
    key: str, oven: OvenTable, table: ScenarioTable, given: Given, last_peak: float | None = None
) -> Iterator[str]:
    """Ramps faster than the oven is said to heat.

    Parameters
    ----------
    last_peak : of a run, its largest measured retention time [s]: what the oven does later moves no peak. None for a
        program that nothing was measured with
    """
    if not given.stated("instrument.heating_limits"):
        return
    bands = table.instrument.heating_limits
    before, begins = oven.start, oven.hold
    for number, ramp in enumerate(oven.ramps, 1):
        floor = 0.0
        for index, band in enumerate(bands):
            ceiling = band.up_to if index < len(bands) - 1 else float("inf")
            crossed = before < ceiling and ramp.target > floor
            if not ramp.cooling and crossed and ramp.rate > band.rate:
                entered = begins + max(floor - before, 0.0) / ramp.rate
                if last_peak is not None and entered >= last_peak:
                    return
                fit = ", and the fit would take that for retention" if last_peak is not None else ""
                limit = f"instrument.heating_limits[{index + 1}]"
                yield (
                    f"{given(f'{key}.ramps[{number}].rate_C_per_min')} is more than {limit} allows "
                    f"({given.value(f'{limit}.rate_C_per_min')} °C/min): the oven may have lagged behind its set "
                    f"point{fit}"
                )
                break
            floor = ceiling
        begins += abs(ramp.target - before) / ramp.rate + ramp.hold
        before = ramp.target


def oven_warnings(key: str, oven: OvenTable, table: ScenarioTable, given: Given) -> Iterator[str]:
    """What the oven is said not to do though a program asks for it; the first temperature beyond it."""
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    for place, value in _temperatures(key, oven):
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
                f"{given(place)}: lies {beyond} what the oven is said to reach, {celsius(limit):g} °C ({origin}); "
                "no program found will"
            )
            break
    if len(oven.ramps) > table.instrument.max_oven_ramps:
        yield f"{key} has {len(oven.ramps)} ramps, more than {given('instrument.max_oven_ramps')}"


def carrier_warnings(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, given: Given
) -> Iterator[str]:
    """Flows, pressures and ramps beyond what the instrument is said to do; the first of each kind."""
    instrument = table.instrument
    low, high, detector = instrument.min_flow, instrument.max_flow, instrument.detector_max_flow
    flows = _flows(key, carrier)
    outside = next((place for place, flow in flows if not low <= flow <= high), None)
    if outside is not None:
        bounds = " to ".join(given.value(f"instrument.{end}_flow_mL_min") for end in ("min", "max"))
        yield f"{given(outside)} lies outside {bounds} mL/min"
    elif detector is not None:
        for place, _ in [each for each in flows if each[1] > detector][:1]:
            yield f"{given(place)} is more than {given('instrument.detector_max_flow_mL_min')}"
    pressures = _pressures(key, carrier)
    for place, _ in [each for each in pressures if each[1] < instrument.min_inlet_pressure - SMALLEST_SEEN][
        :1
    ]:
        yield f"{given(place)} is less than {given('instrument.min_inlet_pressure_kPa')}"
    yield from _carrier_ramps(key, carrier, table, given)


def weak_pressures(
    key: str, carrier: CarrierProgramTable, T: float, table: ScenarioTable, given: Given
) -> Iterator[str]:
    """A pressure in kPa that gives less flow at T [K] than is ever set, and as so many psi or bar a usual one."""
    instrument, ambient = table.instrument, table.carrier.ambient_pressure
    outlet, column = outlet_of(table), column_of(table)

    def flow_at(pressure: float) -> float:
        return float(flow(column, carrier_gas(table.carrier.gas), T, pressure, outlet))

    for place, pressure in _pressures(key, carrier):
        if given.unit(place) != "kPa" or pressure <= outlet or flow_at(pressure) >= instrument.min_flow:
            continue
        for unit, kPa in KPA_PER.items():
            meant = ambient + (pressure - ambient) * kPa
            usual = outlet < meant <= instrument.max_inlet_pressure
            if usual and instrument.min_flow <= flow_at(meant) <= instrument.max_flow:
                yield (
                    f"{given(place)} gives a flow of only {flow_mL_min(flow_at(pressure)):.2g} mL/min; did you mean "
                    f"{unit}, {gauge_kPa(meant, ambient):.4g} kPa and {flow_mL_min(flow_at(meant)):.2g} mL/min?"
                )
                return


def _carrier_ramps(
    key: str, carrier: CarrierProgramTable, table: ScenarioTable, given: Given
) -> Iterator[str]:
    if not isinstance(carrier, FlowProgramTable | PressureProgramTable):
        return
    instrument = table.instrument
    name, limit_name, limit = (
        ("rate_mL_per_min2", "max_flow_rate_mL_per_min2", instrument.max_flow_rate)
        if isinstance(carrier, FlowProgramTable)
        else ("rate_kPa_per_min", "max_pressure_rate_kPa_per_min", instrument.max_pressure_rate)
    )
    for number, rate in enumerate([ramp.rate for ramp in carrier.ramps], 1):
        if rate > limit:
            yield f"{given(f'{key}.ramps[{number}].{name}')} is more than {given(f'instrument.{limit_name}')}"
            break
    if len(carrier.ramps) > instrument.max_carrier_ramps:
        yield f"{key} has {len(carrier.ramps)} ramps, more than {given('instrument.max_carrier_ramps')}"
