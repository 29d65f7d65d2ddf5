"""Checks of what a scenario file asks of a method: its inlet, its goal and its search."""

from __future__ import annotations

from collections.abc import Iterator

from optimizer.scenario.conversion import total_flow_limit
from optimizer.scenario.schema import InletTable, ScenarioTable

Bound = tuple[float, str]
PROGRAMMED_MODES = ("flow program", "pressure program")


def temperature_range(table: ScenarioTable) -> tuple[Bound, Bound]:
    """The lowest and the highest temperature [°C] of a program, each with the keys it comes from."""
    column, instrument = table.column, table.instrument
    lowest = [(column.min_temperature_C, "column.min_temperature_C")]
    if instrument.oven_min_C is not None:
        lowest.append((instrument.oven_min_C, "instrument.oven_min_C"))
    if not instrument.cryogenic:
        uncooled = instrument.ambient_C + instrument.above_ambient_C
        lowest.append((uncooled, "instrument.ambient_C + above_ambient_C, without cryogenic = true"))
    highest = [(column.max_temperature_C, "column.max_temperature_C")]
    if column.max_programmed_temperature_C is not None and column.max_time_above_continuous_min > 0:
        highest = [(column.max_programmed_temperature_C, "column.max_programmed_temperature_C")]
    highest.append((instrument.oven_max_C, "instrument.oven_max_C"))
    return max(lowest, key=lambda bound: bound[0]), min(highest, key=lambda bound: bound[0])


def method_problems(table: ScenarioTable) -> Iterator[str]:
    """What cannot be right about inlet, goal and search, one sentence each."""
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    if lowest >= highest:
        yield (
            f"no temperature is left for a program: the lowest is {lowest:g} °C ({low_key}), the highest "
            f"{highest:g} °C ({high_key})"
        )
        return
    yield from _inlet(table)
    yield from _goal(table)
    yield from _search(table)


def method_warnings(table: ScenarioTable) -> Iterator[str]:
    """What is allowed but should be known about inlet and search, one sentence each."""
    inlet, limit = table.inlet, total_flow_limit(table)
    if inlet.mode != "split" and inlet.solvent_boiling_point_C is None:
        yield (
            f'inlet.mode = "{inlet.mode}" without solvent_boiling_point_C: programs may start too hot to focus '
            "the solvent, nothing bounds the start"
        )
    if inlet.mode == "splitless" and inlet.purge_on_min is None:
        yield 'inlet.mode = "splitless" without purge_on_min: nothing bounds the first hold'
    if limit is not None and inlet.split_ratio is None and inlet.mode != "on-column":
        origin = "inlet.max_total_flow_mL_min" if inlet.max_total_flow_mL_min is not None else "with hydrogen"
        yield split_unknown(limit, origin)
    search = table.search
    modes = search.carrier_modes
    programmed = modes is not None and any(mode in modes for mode in PROGRAMMED_MODES)
    if search.max_carrier_ramps > 1 and not programmed:
        yield (
            f"search.max_carrier_ramps = {search.max_carrier_ramps}: has no effect, carrier_modes names neither "
            '"flow program" nor "pressure program"'
        )


def split_unknown(limit: float, origin: str) -> str:
    """That a limit [mL/min] of the total flow cannot be held against all of it."""
    return (
        f"the total flow may be {limit:g} mL/min ({origin}), but without inlet.split_ratio the split flow is unknown: "
        "only column flow and septum purge are counted"
    )


def _inlet(table: ScenarioTable) -> Iterator[str]:
    yield from _idle_keys(table.inlet)
    inlet, (lowest, origin) = table.inlet, temperature_range(table)[0]
    boiling = inlet.solvent_boiling_point_C
    if boiling is not None and inlet.mode != "split" and boiling - inlet.below_solvent_C < lowest:
        yield (
            f"inlet.solvent_boiling_point_C = {boiling:g}: a start {inlet.below_solvent_C:g} °C below it "
            f"(below_solvent_C) is {boiling - inlet.below_solvent_C:g} °C, but the lowest temperature is "
            f"{lowest:g} °C ({origin}); a higher boiling solvent, a colder start or a smaller margin is needed"
        )
    limit, ratio = total_flow_limit(table), inlet.split_ratio or 0.0
    least = table.instrument.min_flow_mL_min * (1 + ratio) + inlet.septum_purge_mL_min
    if limit is not None and least > limit:
        stated = inlet.max_total_flow_mL_min is not None
        given = f"inlet.max_total_flow_mL_min = {limit:g}" + (
            "" if stated else " (unless stated, with hydrogen)"
        )
        yield (
            f"{given}: the smallest column flow of {table.instrument.min_flow_mL_min:g} mL/min already takes "
            f"{least:g} mL/min with split_ratio and septum_purge_mL_min; lower these, or raise the limit"
        )


def _idle_keys(inlet: InletTable) -> Iterator[str]:
    """Keys that the inlet's mode has no use for: more likely the mode is wrong than the key meant for nothing."""
    idle = {
        "split": ("solvent_boiling_point_C", "below_solvent_C", "purge_on_min"),
        "splitless": (),
        "on-column": ("purge_on_min", "split_ratio"),
    }
    for key in idle[inlet.mode]:
        if key in inlet.model_fields_set:
            others = " or ".join(f'"{mode}"' for mode, keys in idle.items() if key not in keys)
            stated = "" if "mode" in inlet.model_fields_set else ", the default"
            yield (
                f'inlet.{key} = {getattr(inlet, key):g}: has no effect with mode = "{inlet.mode}"{stated}; '
                f"leave it out, or is the mode {others}?"
            )


def _goal(table: ScenarioTable) -> Iterator[str]:
    goal, (highest, origin) = table.goal, temperature_range(table)[1]
    latest = goal.latest_elution_min
    if latest is not None and latest <= goal.earliest_elution_min:
        yield (
            f"goal.latest_elution_min = {latest:g}: expected above earliest_elution_min = "
            f"{goal.earliest_elution_min:g}; were the two exchanged?"
        )
    if goal.minimise == "cycle time" and table.instrument.cool_down is None:
        yield (
            'goal.minimise = "cycle time": needs instrument.cool_down = { from_C, to_C, min }, how long the oven '
            "takes to cool"
        )
    if goal.front_points == 1:
        yield "goal.front_points = 1: one point is no front; expected 0 (none) or 2 to 12"
    bake = goal.bake_out
    if bake is None:
        return
    if bake.at_C > highest:
        yield f"goal.bake_out.at_C = {bake.at_C:g}: the highest temperature is {highest:g} °C ({origin})"
        return
    longest = table.column.max_time_above_continuous_min
    if bake.at_C > table.column.max_temperature_C and bake.hold_min > longest:
        yield (
            f"goal.bake_out.hold_min = {bake.hold_min:g}: above column.max_temperature_C = "
            f"{table.column.max_temperature_C:g} the column bears {longest:g} min (max_time_above_continuous_min)"
        )
    bands = table.instrument.heating_limits
    number = next((n for n, band in enumerate(bands, 1) if bake.at_C <= band.up_to_C), len(bands))
    fastest = bands[number - 1].rate_C_per_min
    if bake.rate_C_per_min is not None and bake.rate_C_per_min > fastest:
        yield (
            f"goal.bake_out.rate_C_per_min = {bake.rate_C_per_min:g}: at {bake.at_C:g} °C the oven heats at no more "
            f"than {fastest:g} °C/min (instrument.heating_limits[{number}]); leave it out for the oven's limit"
        )


def _search(table: ScenarioTable) -> Iterator[str]:
    search, instrument = table.search, table.instrument
    stated = search.model_fields_set
    if "max_ramps" in stated and search.max_ramps > instrument.max_oven_ramps:
        yield (
            f"search.max_ramps = {search.max_ramps}: expected at most instrument.max_oven_ramps = "
            f"{instrument.max_oven_ramps}"
        )
    if "max_carrier_ramps" in stated and search.max_carrier_ramps > instrument.max_carrier_ramps:
        yield (
            f"search.max_carrier_ramps = {search.max_carrier_ramps}: expected at most "
            f"instrument.max_carrier_ramps = {instrument.max_carrier_ramps}"
        )
    for number, mode in enumerate(search.carrier_modes or (), 1):
        if mode in PROGRAMMED_MODES and instrument.max_carrier_ramps == 0:
            yield f'search.carrier_modes[{number}] = "{mode}": but instrument.max_carrier_ramps = 0 allows no ramp'
    fixed = search.oven_temperature_C
    if fixed is not None:
        yield from _fixed_oven(fixed, table)


def _fixed_oven(fixed: float, table: ScenarioTable) -> Iterator[str]:
    search, inlet = table.search, table.inlet
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    given = f"search.oven_temperature_C = {fixed:g}"
    if "max_ramps" in search.model_fields_set and search.max_ramps > 0:
        yield f"{given}: the oven then stays at it, but max_ramps = {search.max_ramps}; keep one of them"
    if fixed < lowest:
        yield f"{given}: the lowest temperature is {lowest:g} °C ({low_key})"
    if fixed > highest:
        yield f"{given}: the highest temperature is {highest:g} °C ({high_key})"
    boiling = inlet.solvent_boiling_point_C
    if inlet.mode != "split" and boiling is not None and fixed > boiling - inlet.below_solvent_C:
        yield (
            f"{given}: with this inlet a program starts at {boiling - inlet.below_solvent_C:g} °C at most "
            "(inlet.solvent_boiling_point_C - below_solvent_C)"
        )
