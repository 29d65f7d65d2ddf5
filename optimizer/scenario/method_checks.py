"""Checks of what is in a column, and of what a file asks of a method: its inlet, its goal and its search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from models.peaks.bleed import PUBLISHED_ENERGY
from models.units import celsius, flow_mL_min
from optimizer.base.given_values import Given
from optimizer.scenario.conversion import column_of, outlet_of, total_flow_limit
from optimizer.scenario.data import COUNTED_ROLES
from optimizer.scenario.instrument_data import Inlet
from optimizer.scenario.program_tables import ConstantPressureTable, PressureProgramTable
from optimizer.scenario.schema import ScenarioTable

Bound = tuple[float, str]
CHOICE = (
    "choose_split",
    "max_split_ratio",
    "injected_volume_mL",
    "gas_saver.after_min",
)  # of a split inlet alone
PROGRAMMED_MODES = ("flow program", "pressure program")
LARGEST_LAYER = 0.25  # of the bore
PRESSURES = (ConstantPressureTable, PressureProgramTable)
SMALLEST_PHASE_RATIO = 5.0  # below it the film fills a fifth of the bore: no such open tube is made
ROUNDING = 1e-9  # by which two ways to the same number may differ


def temperature_range(table: ScenarioTable) -> tuple[Bound, Bound]:
    """The lowest and the highest temperature [K] of a program, each with the keys it comes from."""
    column, instrument = table.column, table.instrument
    lowest = [(column.min_temperature, "column.min_temperature_C")]
    if instrument.oven_min is not None:
        lowest.append((instrument.oven_min, "instrument.oven_min_C"))
    if not instrument.cryogenic:
        uncooled = instrument.ambient_temperature + instrument.above_ambient
        lowest.append((uncooled, "instrument.ambient_C + above_ambient_C, without cryogenic = true"))
    highest = [(column.max_temperature, "column.max_temperature_C")]
    if column.max_programmed_temperature is not None and column.max_time_above_continuous > 0:
        highest = [(column.max_programmed_temperature, "column.max_programmed_temperature_C")]
    highest.append((instrument.oven_max, "instrument.oven_max_C"))
    return max(lowest, key=lambda bound: bound[0]), min(highest, key=lambda bound: bound[0])


def method_problems(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What cannot be right about inlet, goal and search, one sentence each."""
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    if lowest >= highest:
        yield (
            f"no temperature is left for a program: the lowest is {celsius(lowest):g} °C ({low_key}), the highest "
            f"{celsius(highest):g} °C ({high_key})"
        )
        return
    yield from _inlet(table, given)
    yield from _goal(table, given)
    yield from _search(table, given)


def method_warnings(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What is allowed but should be known about inlet and search, one sentence each."""
    inlet, limit = table.inlet, total_flow_limit(table)
    if inlet.mode != "split" and inlet.solvent_boiling_point is None:
        yield (
            f'inlet.mode = "{inlet.mode}" without solvent_boiling_point_C: programs may start too hot to focus '
            "the solvent, nothing bounds the start"
        )
    if inlet.mode == "splitless" and inlet.purge_on is None:
        yield 'inlet.mode = "splitless" without purge_on_min: nothing bounds the first hold'
    if limit is not None and inlet.split_unknown:
        origin = "inlet.max_total_flow_mL_min" if inlet.max_total_flow is not None else "with hydrogen"
        yield split_unknown(flow_mL_min(limit), origin)
    modes = table.search.carrier_modes
    if table.search.max_carrier_ramps > 1 and not any(mode in modes for mode in PROGRAMMED_MODES):
        yield (
            f"{given('search.max_carrier_ramps')}: has no effect, carrier_modes names neither "
            '"flow program" nor "pressure program"'
        )


def split_unknown(limit: float, origin: str) -> str:
    """That a limit [mL/min] of the total flow cannot be held against all of it."""
    return (
        f"the total flow may be {limit:g} mL/min ({origin}), but without inlet.split_ratio the split flow is unknown: "
        "only column flow and septum purge are counted"
    )


def _inlet(table: ScenarioTable, given: Given) -> Iterator[str]:
    yield from _idle_keys(table.inlet, given)
    inlet, (lowest, origin) = table.inlet, temperature_range(table)[0]
    if inlet.highest_start is not None and inlet.highest_start < lowest - ROUNDING:
        yield (
            f"{given('inlet.solvent_boiling_point_C')}: a start {given.value('inlet.below_solvent_C')} °C below it "
            f"(below_solvent_C) is {celsius(inlet.highest_start):g} °C, but the lowest temperature is "
            f"{celsius(lowest):g} °C ({origin}); a higher boiling solvent, a colder start or a smaller margin is needed"
        )
    if inlet.min_split_ratio is not None:
        if inlet.split_ratio is None:
            yield f"{given('inlet.min_split_ratio')}: needs split_ratio, which it is a bound to"
        elif inlet.min_split_ratio > inlet.split_ratio:
            yield f"{given('inlet.min_split_ratio')}: expected at most {given.short('inlet.split_ratio')}"
    yield from _choice_of_split(table, given)
    limit, smallest = total_flow_limit(table), table.instrument.min_flow
    lowest_ratio = (inlet.min_split_ratio or 0.0) if inlet.choose_split else inlet.split_ratio
    least = replace(inlet, split_ratio=lowest_ratio).total_flow(smallest)
    if limit is not None and least > limit * (1 + ROUNDING):
        stated = "" if inlet.max_total_flow is not None else " (unless stated, with hydrogen)"
        yield (
            f"inlet.max_total_flow_mL_min = {flow_mL_min(limit):g}{stated}: the smallest column flow of "
            f"{flow_mL_min(smallest):g} mL/min already takes {flow_mL_min(least):g} mL/min with split_ratio and "
            "septum_purge_mL_min; lower these, or raise the limit"
        )


def _choice_of_split(table: ScenarioTable, given: Given) -> Iterator[str]:
    """A split ratio that is to be chosen needs bounds that leave one."""
    inlet, chosen = table.inlet, "inlet.choose_split = true"
    if not inlet.choose_split:
        for key in ("max_split_ratio", "injected_volume_mL"):
            if given.stated(f"inlet.{key}"):
                yield f"{given(f'inlet.{key}')}: has no effect without choose_split = true"
        return
    if inlet.split_ratio is None:
        yield f"{chosen}: needs split_ratio, that of the scouting runs, at which amounts and areas are known"
        return
    amounts = [each.amount for each in table.analytes if each.amount is not None]
    targets = [
        each.amount for each in table.analytes if each.amount is not None and each.role in COUNTED_ROLES
    ]
    low = inlet.lowest_split(amounts, table.column.capacity)
    high = inlet.highest_split(targets, table.detector.min_amount)
    if low is None:
        yield (
            f"{chosen}: needs a lowest ratio: inlet.min_split_ratio, or column.capacity_ng with analytes.amount_ng"
        )
    elif high is not None and low.ratio > high.ratio:
        yield (
            f"{chosen}: no ratio is left: at least {low.ratio:.3g}:1 ({low.name}), at most {high.ratio:.3g}:1 "
            f"({high.name}); were amounts stated that are not those at {given.short('inlet.split_ratio')}?"
        )


def _idle_keys(inlet: Inlet, given: Given) -> Iterator[str]:
    """Keys that the inlet's mode has no use for: more likely the mode is wrong than the key meant for nothing."""
    idle = {
        "split": ("solvent_boiling_point_C", "below_solvent_C", "purge_on_min"),
        "splitless": CHOICE,
        "on-column": ("purge_on_min", "split_ratio", "min_split_ratio", *CHOICE),
    }
    for key in idle[inlet.mode]:
        if given.stated(f"inlet.{key}"):
            others = " or ".join(f'"{mode}"' for mode, keys in idle.items() if key not in keys)
            stated = "" if given.stated("inlet.mode") else ", the default"
            yield (
                f'{given(f"inlet.{key}")}: has no effect with mode = "{inlet.mode}"{stated}; leave it out, or is the '
                f"mode {others}?"
            )


def _goal(table: ScenarioTable, given: Given) -> Iterator[str]:
    goal, (highest, origin) = table.goal, temperature_range(table)[1]
    if goal.latest_elution is not None and goal.latest_elution <= goal.earliest_elution:
        yield (
            f"{given('goal.latest_elution_min')}: expected above {given.short('goal.earliest_elution_min')}; were the "
            "two exchanged?"
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
    if bake.temperature > highest:
        yield f"{given('goal.bake_out.at_C')}: the highest temperature is {celsius(highest):g} °C ({origin})"
        return
    column = table.column
    if bake.temperature > column.max_temperature and bake.hold > column.max_time_above_continuous:
        longest = given.value("column.max_time_above_continuous_min")
        yield (
            f"{given('goal.bake_out.hold_min')}: above {given('column.max_temperature_C')} the column withstands "
            f"{longest} min (max_time_above_continuous_min)"
        )
    bands = table.instrument.heating_limits
    number = next((n for n, band in enumerate(bands, 1) if bake.temperature <= band.up_to), len(bands))
    if bake.rate is not None and bake.rate > bands[number - 1].rate:
        band = f"instrument.heating_limits[{number}]"
        yield (
            f"{given('goal.bake_out.rate_C_per_min')}: at {given.value('goal.bake_out.at_C')} °C the oven heats at no "
            f"more than {given.value(f'{band}.rate_C_per_min')} °C/min ({band}); leave it out for the oven's limit"
        )


def _search(table: ScenarioTable, given: Given) -> Iterator[str]:
    search, instrument = table.search, table.instrument
    for key, most in (("max_ramps", "max_oven_ramps"), ("max_carrier_ramps", "max_carrier_ramps")):
        if given.stated(f"search.{key}") and getattr(search, key) > getattr(instrument, most):
            yield f"{given(f'search.{key}')}: expected at most {given(f'instrument.{most}')}"
    for number, mode in enumerate(search.carrier_modes, 1):
        if mode in PROGRAMMED_MODES and instrument.max_carrier_ramps == 0:
            yield f'search.carrier_modes[{number}] = "{mode}": but instrument.max_carrier_ramps = 0 allows no ramp'
    if search.oven_temperature is not None:
        yield from _fixed_oven(search.oven_temperature, table, given)


def _fixed_oven(fixed: float, table: ScenarioTable, given: Given) -> Iterator[str]:
    (lowest, low_key), (highest, high_key) = temperature_range(table)
    stated = given("search.oven_temperature_C")
    if given.stated("search.max_ramps") and table.search.max_ramps > 0:
        yield f"{stated}: the oven then stays at it, but {given.short('search.max_ramps')}; keep one of them"
    if fixed < lowest:
        yield f"{stated}: the lowest temperature is {celsius(lowest):g} °C ({low_key})"
    if fixed > highest:
        yield f"{stated}: the highest temperature is {celsius(highest):g} °C ({high_key})"
    start = table.inlet.highest_start
    if start is not None and fixed > start + ROUNDING:
        yield (
            f"{stated}: with this inlet a program starts at {celsius(start):g} °C at most "
            "(inlet.solvent_boiling_point_C - below_solvent_C)"
        )


def stationary_problems(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What is on the wall or in the tube: a film, a porous layer or a packing."""
    column = table.column
    bore, film, layer = column.inner_diameter, column.film_thickness, column.layer_thickness
    yield from _segments(table, given)
    yield from _bleed(table, given)
    if column.measured is not None and column.measured.inlet_pressure <= outlet_of(table):
        yield f"{given('column.measured.inlet_kPa')}: no gas flows at that; it is a gauge pressure"
    if column.packed is not None:
        yield from _packed(table, given)
        return
    if bore is None:
        yield "column.inner_diameter_mm is missing"
    if film is None and layer is None:
        yield (
            "column.film_thickness_um is missing; a porous layer has layer_thickness_um in its place, a packed column "
            "[column.packed]"
        )
    if film is not None and layer is not None:
        yield f"{given('column.layer_thickness_um')}: expected in place of {given.short('column.film_thickness_um')}"
        return
    if bore is None:
        return
    if layer is not None and layer > LARGEST_LAYER * bore:
        yield (
            f"{given('column.layer_thickness_um')} in a bore of {given.short('column.inner_diameter_mm')}: expected to "
            "leave more than half of the bore free"
        )
    if film is None:
        return
    yield from film_in_bore("column", bore, film, given)


def film_in_bore(name: str, bore: float, film: float, given: Given) -> Iterator[str]:
    """A film that fills too much of its bore."""
    phase_ratio = bore / (4 * film)
    if phase_ratio < SMALLEST_PHASE_RATIO * (1 - ROUNDING):
        yield (
            f"{given(f'{name}.film_thickness_um')} in a bore of {given.short(f'{name}.inner_diameter_mm')} is a phase "
            f"ratio of {phase_ratio:.2g}: expected at least {SMALLEST_PHASE_RATIO:g}; check both against the column's "
            "tag"
        )


def _packed(table: ScenarioTable, given: Given) -> Iterator[str]:
    column, packed = table.column, table.column.packed
    assert packed is not None
    for name in ("inner_diameter_mm", "film_thickness_um", "layer_thickness_um"):
        if given.stated(f"column.{name}"):
            instead = "its inner_diameter_mm" if name.startswith("inner") else "nothing"
            yield f"{given(f'column.{name}')}: a packed column has {instead} in [column.packed] in its place"
    if (packed.particle is None) == (packed.mesh is None):
        yield 'column.packed: expected either particle_um, the mean diameter, or mesh, as "80/100"'
    if packed.total < packed.between:
        yield f"{given('column.packed.gas_total')}: expected at least {given.short('column.packed.gas_between')}"
    if column.adsorbent is None:
        yield (
            "column.adsorbent is missing: a packed column retains by adsorption (true: porous polymer, molecular "
            "sieve, carbon) or by a liquid on its particles (false)"
        )


def column_warnings(table: ScenarioTable, given: Given) -> Iterator[str]:
    """What should be known of columns that are no open tubes with a film."""
    column = table.column
    porous, measured = column.layer_thickness is not None, column.measured is not None
    if column.packed is not None and not measured:
        yield (
            "column.packed: what flows follows from the particles' size alone, which is good to 40 % at best, and "
            "every packed column differs; measure hold-up time and flow once and state [column.measured]"
        )
    told = [run for run in table.scouting_runs if not isinstance(run.carrier, PRESSURES)]
    to_come = [mode for mode in table.search.carrier_modes if "pressure" not in mode]
    if column.segments and (told or to_come):
        heat = " and how hot they are" if column_of(table).line else ""
        what = f"run {told[0].name} sets flow" if told else f"search.carrier_modes has {to_come[0]}"
        remedy = "state the run as the inlet pressure that it held" if told else "search by inlet pressure"
        yield (
            f"{what}: predictions take the instrument to know the pieces that are joined to the column (of one bore, "
            f"as one length){heat}; where it does not, {remedy}"
        )
    if told and (porous or column.packed is not None):
        free = "" if column.inner_diameter is None else f" of {2e3 * column_of(table).radius:.3g} mm"
        what = f"the free bore{free} in place of the tube's" if porous else "how this packing resists"
        yield (
            f"run {told[0].name} sets flow or velocity: predictions take the instrument to know {what}; where it does "
            "not, state the run as the inlet pressure that it held"
        )
    if (porous or column.adsorbent) and column.capacity is None:
        yield (
            "the column is an adsorbent, and column.capacity_ng does not say up to which amount times stay: above it "
            "peaks tail and come early, which no prediction here knows; inject half as much once and compare"
        )


def _bleed(table: ScenarioTable, given: Given) -> Iterator[str]:
    """Levels of a blank must tell how fast they rise."""
    bleed = table.column.bleed
    if bleed is None:
        return
    energy, (low, high) = "column.bleed.activation_energy_kJ_per_mol", PUBLISHED_ENERGY
    for number, each in enumerate(bleed.levels, 1):
        if bleed.concentration and each.flow is None:
            yield f"column.bleed.levels[{number}]: needs flow_mL_min, as concentration = true; the flow dilutes bleed"
        if each.flow is not None and not bleed.concentration:
            yield (
                f"column.bleed.levels[{number}].flow_mL_min: has no effect without concentration = true, since a flame "
                "or a mass spectrometer sees bleed whatever the flow"
            )
    if bleed.trace is not None:
        yield from _blank_trace(table, given)
        return
    if bleed.like_run is not None:
        yield f"{given('column.bleed.like_run')}: has no effect without column.bleed.trace"
    if not bleed.levels:
        yield "column.bleed.levels is missing: state levels of a blank, or its trace"
        return
    if len(bleed.levels) == 1:
        if bleed.activation_energy is None:
            yield (
                f"{energy} is missing: one level does not tell how fast it rises; state a second level, or the energy "
                f"(published for bulk polydimethylsiloxane: {low / 1e3:g} to {high / 1e3:g}; films may differ)"
            )
        return
    if bleed.activation_energy is not None:
        yield f"{given(energy)}: expected with one level alone; two levels tell it"
    cold, hot = bleed.levels
    if not hot.temperature > cold.temperature or not hot.level > cold.level:
        yield (
            "column.bleed.levels: expected the colder first, and the hotter with the higher level_per_s; got "
            f"{cold.level:g} at {celsius(cold.temperature):g} °C and {hot.level:g} at {celsius(hot.temperature):g} °C"
        )


def _blank_trace(table: ScenarioTable, given: Given) -> Iterator[str]:
    """A blank's trace stands in place of levels and energy, and needs a program."""
    bleed, key = table.column.bleed, "column.bleed.trace"
    assert bleed is not None
    if bleed.levels or bleed.activation_energy is not None:
        yield f"{given(key)}: expected in place of levels and activation_energy_kJ_per_mol, which it tells"
    names = [run.name for run in table.scouting_runs]
    if bleed.like_run is None:
        yield f"{given(key)}: needs like_run, the scouting run whose program the blank was made with"
    elif bleed.like_run not in names:
        yield f"{given('column.bleed.like_run')}: is no scouting run; there are {', '.join(names) or 'none'}"


def _segments(table: ScenarioTable, given: Given) -> Iterator[str]:
    """Pieces joined to the column."""
    column = table.column
    if not column.segments:
        return
    if column.measured is not None:
        yield "column.measured: it is of the column alone, and tells nothing where column.segments are joined to it"
    line = False
    for number, each in enumerate(column.segments, 1):
        key = f"column.segments[{number}]"
        if each.place == "before" and each.temperature is not None:
            yield (
                f"{given(f'{key}.temperature_C')}: a piece before the column lies in the oven; leave the key out, or "
                'was place = "after" meant?'
            )
        elif each.place == "after" and line and each.temperature is None:
            yield f"{key}: lies in the oven, but the piece before it does not; only the last ones have a temperature_C"
        line = line or (each.place == "after" and each.temperature is not None)
    runs = [(f"scouting_runs[{n}]", each.carrier) for n, each in enumerate(table.scouting_runs, 1)]
    if table.current is not None:
        runs.append(("current", table.current.carrier))
    modes = [(f"{key}.carrier.mode", carrier.mode) for key, carrier in runs]
    modes += [("search.carrier_modes", mode) for mode in table.search.carrier_modes]
    for key, mode in modes:
        if mode == "constant velocity":
            yield (
                f'{key} = "{mode}": with column.segments nobody knows what the instrument takes for the average '
                "velocity; state the flow or the inlet pressure"
            )
