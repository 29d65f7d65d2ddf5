"""More ways to spoil the good scenario: limits, inlet, goal, heat, pairs, groups and search; as `bad_inputs`."""

from __future__ import annotations

from tests.optimizer.bad_inputs import BadInput, toml_changes, toml_input

PAIR = "min_resolution = 2.0"
BETWEEN = 'between = ["octane", "p-xylene"]\nmin_resolution = 2.0'
KINETICS = "{ activation_energy_kJ_per_mol = 150, half_life_min = 10, at_C = 200 }"
LIMITS = "max_programmed_temperature_C = 350\n"


def _column(name: str, line: str, *fragments: str) -> BadInput:
    return toml_input(name, LIMITS, f"{LIMITS}{line}\n", *fragments)


def _bleed(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(
        name, "[carrier]\n", f"[column.bleed]\n{lines}\n[carrier]\n", "column.bleed", *fragments
    )


def _instrument(name: str, line: str, *fragments: str) -> BadInput:
    return toml_input(name, "[instrument]\n", f"[instrument]\n{line}\n", *fragments)


def _inlet(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(name, "[goal]\n", f"[inlet]\n{lines}\n[goal]\n", *fragments)


def _detector(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(name, "[goal]\n", f"[detector]\n{lines}\n[goal]\n", *fragments)


def _goal(name: str, line: str, *fragments: str) -> BadInput:
    return toml_input(name, "[goal]\n", f"[goal]\n{line}\n", *fragments)


def _analyte(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(name, 'role = "matrix"', lines, *fragments)


def _search(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(name, "[goal]\n", f"[search]\n{lines}\n[goal]\n", *fragments)


def _groups(name: str, lines: str, *fragments: str) -> BadInput:
    return toml_input(name, BETWEEN, f"{BETWEEN}\n{lines}\n", *fragments)


def _owned(name: str, lines: str, *fragments: str) -> BadInput:
    dimensions = 'name = "narrow"\nlength_m = 20\ninner_diameter_mm = 0.18\n'
    return toml_input(name, "[goal]\n", f"[[columns]]\n{dimensions}{lines}\n[goal]\n", *fragments)


COLUMN_AND_INSTRUMENT = (
    _owned("an owned column without a limit", "film_thickness_um = 0.18", "columns[1]", "max_temperature_C"),
    _owned(
        "an owned column whose film fills it",
        "film_thickness_um = 12\nmax_temperature_C = 300",
        "columns[1].film_thickness_um = 12",
        "phase ratio",
    ),
    _owned(
        "an owned column that is never warm enough",
        "film_thickness_um = 0.18\nmax_temperature_C = 20",
        "columns[1].max_temperature_C = 20",
        "expected above the lowest",
    ),
    _owned(
        "two owned columns of one name",
        'film_thickness_um = 0.18\nmax_temperature_C = 300\n[[columns]]\nname = "narrow"\nlength_m = 10\n'
        "inner_diameter_mm = 0.1\nfilm_thickness_um = 0.1\nmax_temperature_C = 300",
        "columns[2].name",
        "each needs its own",
    ),
    _owned(
        "a gas that is none",
        'film_thickness_um = 0.18\nmax_temperature_C = 300\ngases = ["steam"]',
        "columns[1].gases",
        "steam",
    ),
    _inlet(
        "lowest split above the split",
        "split_ratio = 20\nmin_split_ratio = 30",
        "inlet.min_split_ratio = 30",
        "expected at most split_ratio = 20",
    ),
    _inlet("a bound to no split", "min_split_ratio = 30", "inlet.min_split_ratio = 30", "needs split_ratio"),
    _inlet(
        "a choice without a split", "choose_split = true", "inlet.choose_split = true", "needs split_ratio"
    ),
    _inlet(
        "a choice without a lowest ratio",
        "split_ratio = 30\nchoose_split = true",
        "inlet.choose_split = true",
        "needs a lowest ratio",
    ),
    _inlet(
        "bounds that leave no ratio",
        "split_ratio = 30\nchoose_split = true\nmin_split_ratio = 25\nmax_split_ratio = 20",
        "no ratio is left",
        "at least 25:1 (inlet.min_split_ratio)",
        "at most 20:1 (inlet.max_split_ratio)",
    ),
    _inlet(
        "a bound to no choice",
        "split_ratio = 30\nmax_split_ratio = 20",
        "inlet.max_split_ratio = 20",
        "has no effect without choose_split = true",
    ),
    _inlet(
        "a gas saver without a split",
        'mode = "splitless"\ngas_saver = { after_min = 2, vent_flow_mL_min = 20 }',
        "inlet.gas_saver.after_min = 2",
        "has no effect with mode",
    ),
    _inlet("vapour in µL", "injected_volume_mL = 300", "inlet.injected_volume_mL = 300", "looks like µL"),
    _detector("points without a rate", "min_points = 12", "detector.min_points = 12", "needs readings_per_s"),
    _detector(
        "flows into the detector exchanged",
        "min_total_flow_mL_min = 60\nmax_total_flow_mL_min = 30",
        "detector.min_total_flow_mL_min = 60",
        "were the two exchanged?",
    ),
    _detector(
        "make-up above all",
        "make_up_mL_min = 40\nmax_total_flow_mL_min = 30",
        "detector.make_up_mL_min = 40",
        "which holds the column flow as well",
    ),
    _detector("response in ms", "response_time_s = 200", "response_time_s = 200", "looks like ms"),
    toml_input(
        "time above without a programmed limit",
        LIMITS,
        "max_time_above_continuous_min = 5\n",
        "column.max_time_above_continuous_min = 5",
        "needs max_programmed_temperature_C",
    ),
    _column(
        "time above in seconds",
        "max_time_above_continuous_min = 1800",
        "column.max_time_above_continuous_min = 1800",
        "looks like s, which would be 30 min",
    ),
    _bleed("one level of bleed", "levels = [{ at_C = 300, level_per_s = 2 }]", "is missing", "163 to 188"),
    _bleed(
        "levels of bleed and an energy",
        "levels = [{ at_C = 280, level_per_s = 2 }, { at_C = 300, level_per_s = 8 }]\n"
        "activation_energy_kJ_per_mol = 176",
        "activation_energy_kJ_per_mol = 176",
        "one level alone",
    ),
    _bleed(
        "bleed that falls",
        "levels = [{ at_C = 280, level_per_s = 8 }, { at_C = 300, level_per_s = 2 }]",
        "the colder first",
        "got 8 at 280 °C and 2 at 300 °C",
    ),
    _bleed(
        "bleed in J/mol",
        "levels = [{ at_C = 300, level_per_s = 2 }]\nactivation_energy_kJ_per_mol = 42000",
        "activation_energy_kJ_per_mol = 42000",
        "looks like J/mol",
    ),
    _bleed(
        "bleed by concentration without a flow",
        "levels = [{ at_C = 300, level_per_s = 2 }]\nactivation_energy_kJ_per_mol = 176\nconcentration = true",
        "levels[1]: needs flow_mL_min",
    ),
    _bleed(
        "bleed with a flow that counts for nothing",
        "levels = [{ at_C = 300, level_per_s = 2, flow_mL_min = 1 }]\nactivation_energy_kJ_per_mol = 176",
        "levels[1].flow_mL_min: has no effect",
    ),
    _bleed("bleed without a level", "max_level_per_s = 2", "levels is missing", "or its trace"),
    _bleed("a blank of no run", 'trace = "slow.csv"', "needs like_run"),
    _bleed(
        "a blank of another run",
        'trace = "slow.csv"\nlike_run = "slwo"',
        'like_run = "slwo"',
        "there are slow, fast",
    ),
    _bleed(
        "a blank beside levels",
        'trace = "slow.csv"\nlike_run = "slow"\nlevels = [{ at_C = 300, level_per_s = 2 }]',
        "expected in place of levels",
    ),
    _bleed(
        "a run without a blank",
        'levels = [{ at_C = 300, level_per_s = 2 }]\nactivation_energy_kJ_per_mol = 176\nlike_run = "slow"',
        "no effect without column.bleed.trace",
    ),
    _column("capacity zero", "capacity_ng = 0", "column.capacity_ng = 0", "above zero"),
    _column("overload in words", 'overload = "yes"', "column.overload"),
    _column("capacity in pg", "capacity_ng = 200000", "capacity_ng = 200000", "looks like pg"),
    _instrument(
        "inlet pressures exchanged",
        "min_inlet_pressure_kPa = 500",
        "instrument.min_inlet_pressure_kPa = 500",
        "expected below instrument.max_inlet_pressure_kPa = 400",
    ),
    _instrument(
        "smallest pressure in psi",
        "min_inlet_pressure_psi = 60",
        "instrument.min_inlet_pressure_psi = 60: expected below",
    ),
    toml_input(
        "smallest pressure below vacuum",
        "ambient_pressure_kPa = 101.325\n\n[instrument]\n",
        "ambient_pressure_kPa = 90\n\n[instrument]\nmin_inlet_pressure_kPa = -92\n",
        "instrument.min_inlet_pressure_kPa = -92: lies below vacuum",
        "90 kPa",
    ),
    _instrument(
        "pressure rate negative",
        "max_pressure_rate_kPa_per_min = -5",
        "instrument.max_pressure_rate_kPa_per_min = -5",
        "always positive",
    ),
    _instrument(
        "pressure rate in psi, kPa value",
        "max_pressure_rate_psi_per_min = 500",
        "instrument.max_pressure_rate_psi_per_min = 500",
        "looks like kPa",
    ),
    _instrument(
        "flow rate zero",
        "max_flow_rate_mL_per_min2 = 0",
        "instrument.max_flow_rate_mL_per_min2 = 0",
        "mL/min per min",
    ),
    _instrument(
        "detector takes nothing",
        "detector_max_flow_mL_min = 0.3",
        "instrument.detector_max_flow_mL_min = 0.3",
        "at least min_flow_mL_min = 0.5",
    ),
    _instrument(
        "detector flow in µL/min",
        "detector_max_flow_mL_min = 2000",
        "instrument.detector_max_flow_mL_min = 2000",
        "µL/min",
    ),
    _instrument(
        "oven limits exchanged",
        "oven_min_C = 300\noven_max_C = 50",
        "instrument.oven_min_C = 300: expected below oven_max_C = 50",
        "exchanged",
    ),
    _instrument(
        "oven below column",
        "oven_max_C = 38",
        "no temperature is left",
        "column.min_temperature_C",
        "instrument.oven_max_C",
    ),
    _instrument("room in °F", "ambient_C = 77", "instrument.ambient_C = 77", "looks like °F", "25 °C"),
    _instrument("offset in K", "above_ambient_C = -5", "instrument.above_ambient_C = -5", "difference"),
    _instrument("cryogenic as text", 'cryogenic = "yes"', "instrument.cryogenic", "true or false"),
    _instrument(
        "ramps of the oven",
        "max_oven_ramps = -1",
        "instrument.max_oven_ramps = -1",
        "whole number of at least 0",
    ),
    _instrument(
        "half a carrier ramp", "max_carrier_ramps = 1.5", "instrument.max_carrier_ramps = 1.5", "whole number"
    ),
    _instrument(
        "step of pressure rates",
        "steps = { pressure_rate_kPa_per_min = 0 }",
        "instrument.steps.pressure_rate_kPa_per_min = 0",
        "0.01 to 50",
    ),
    _instrument(
        "step of flow rates",
        "steps = { flow_rate_mL_per_min2 = 100 }",
        "instrument.steps.flow_rate_mL_per_min2 = 100",
        "0.001 to 10",
    ),
)

INLET = (
    _inlet("unknown inlet", 'mode = "spltless"', 'inlet.mode = "spltless"', "did you mean 'splitless'"),
    _inlet(
        "boiling point with a split",
        "solvent_boiling_point_C = 69",
        "inlet.solvent_boiling_point_C = 69",
        'mode = "split", the default',
        '"splitless" or "on-column"',
    ),
    _inlet(
        "purge on column",
        'mode = "on-column"\nsolvent_boiling_point_C = 69\npurge_on_min = 1',
        "inlet.purge_on_min = 1",
        'no effect with mode = "on-column"',
    ),
    _inlet(
        "split on column",
        'mode = "on-column"\nsolvent_boiling_point_C = 69\nsplit_ratio = 20',
        "inlet.split_ratio = 20",
        '"split" or "splitless"',
    ),
    _inlet(
        "boiling point in K",
        'mode = "splitless"\npurge_on_min = 1\nsolvent_boiling_point_C = 342',
        "inlet.solvent_boiling_point_C = 342",
        "looks like K, which would be 68.85 °C",
    ),
    _inlet(
        "purge in seconds",
        'mode = "splitless"\npurge_on_min = 45\nsolvent_boiling_point_C = 69',
        "inlet.purge_on_min = 45",
        "looks like s, which would be 0.75 min",
    ),
    _inlet(
        "margin with a sign",
        'mode = "on-column"\nbelow_solvent_C = -15\nsolvent_boiling_point_C = 69',
        "inlet.below_solvent_C = -15",
        "without a sign",
    ),
    _inlet(
        "solvent too volatile",
        'mode = "on-column"\nsolvent_boiling_point_C = 36',
        "inlet.solvent_boiling_point_C = 36",
        "is 21 °C, but the lowest temperature is 40 °C (column.min_temperature_C)",
    ),
    _inlet("no split", "split_ratio = 0", "inlet.split_ratio = 0", 'mode = "splitless"'),
    _inlet("purge in L/min", "septum_purge_mL_min = 3000", "inlet.septum_purge_mL_min = 3000", "µL/min"),
    _inlet("total flow in L/min", "max_total_flow_mL_min = 0.1", "max_total_flow_mL_min = 0.1", "L/min"),
    _inlet(
        "total flow too small",
        "split_ratio = 100\nmax_total_flow_mL_min = 40",
        "inlet.max_total_flow_mL_min = 40",
        "already takes 53.5 mL/min",
    ),
)

GOAL = (
    _goal(
        "latest before earliest",
        "earliest_elution_min = 5\nlatest_elution_min = 3",
        "goal.latest_elution_min = 3: expected above earliest_elution_min = 5",
    ),
    _goal(
        "retention factor negative",
        "min_retention_factor = -1",
        "goal.min_retention_factor = -1",
        "no compound has a negative one",
    ),
    toml_changes(
        "cycle time without cool-down",
        [
            ("cool_down = { from_C = 250, to_C = 50, min = 5 }\n", ""),
            ("[goal]\n", '[goal]\nminimise = "cycle time"\n'),
        ],
        'goal.minimise = "cycle time"',
        "needs instrument.cool_down",
    ),
    _goal(
        "bake-out above the column",
        "bake_out = { at_C = 340, hold_min = 5 }",
        "goal.bake_out.at_C = 340",
        "325 °C (column.max_temperature_C)",
    ),
    toml_changes(
        "bake-out too long",
        [
            (LIMITS, LIMITS + "max_time_above_continuous_min = 5\n"),
            ("[goal]\n", "[goal]\nbake_out = { at_C = 340, hold_min = 10 }\n"),
        ],
        "goal.bake_out.hold_min = 10",
        "withstands 5 min",
    ),
    _goal(
        "bake-out too fast",
        "bake_out = { at_C = 300, hold_min = 5, rate_C_per_min = 50 }",
        "goal.bake_out.rate_C_per_min = 50",
        "instrument.heating_limits[2]",
    ),
    _goal("bake-out without a hold", "bake_out = { at_C = 300 }", "goal.bake_out.hold_min is missing"),
    _goal("shift in minutes", "shift_h = 480", "goal.shift_h = 480", "looks like min, which would be 8 h"),
    _goal("front of one", "front_points = 1", "goal.front_points = 1", "0 (none) or 2 to 12"),
    _goal("front too long", "front_points = 20", "goal.front_points = 20", "at most 12"),
)

ANALYTES = (
    _analyte(
        "elutes colder than the oven",
        "max_elution_temperature_C = 20",
        "analytes[1].max_elution_temperature_C = 20",
        "the lowest temperature is 40 °C (column.min_temperature_C)",
    ),
    _analyte(
        "time above, no time",
        "max_time_above = { temperature_C = 200 }",
        "analytes[1].max_time_above.min is missing",
    ),
    _analyte(
        "time above in K",
        "max_time_above = { temperature_C = 473, min = 2 }",
        "analytes[1].max_time_above.temperature_C = 473",
        "looks like K",
    ),
    _analyte(
        "fraction as percentage",
        f"decomposition = {KINETICS}\nmin_intact_fraction = 98",
        "analytes[1].min_intact_fraction = 98",
        "looks like a percentage, which would be 0.98",
    ),
    _analyte(
        "fraction without kinetics",
        "min_intact_fraction = 0.98",
        "analytes[1].min_intact_fraction = 0.98",
        "needs decomposition",
        "max_time_above",
    ),
    _analyte(
        "nothing lost at all",
        f"decomposition = {KINETICS}\nmin_intact_fraction = 1",
        "analytes[1].min_intact_fraction = 1",
        "below 1",
    ),
    _analyte(
        "energy in J/mol",
        f"decomposition = {KINETICS.replace('150', '150000')}",
        "analytes[1].decomposition.activation_energy_kJ_per_mol = 150000",
        "looks like J/mol",
    ),
    _analyte(
        "energy in eV",
        f"decomposition = {KINETICS.replace('150', '1.6')}",
        "activation_energy_kJ_per_mol = 1.6",
        "looks like eV",
    ),
    _analyte("amount zero", "amount_ng = 0.0", "analytes[1].amount_ng = 0", "above zero"),
    _analyte("tailing in per cent", "tailing = 130", "analytes[1].tailing = 130", "which would be 1.3"),
    _analyte("tailing too small", "tailing = 0.4", "analytes[1].tailing = 0.4", "above 0.5 by definition"),
    _analyte(
        "near of a target",
        'near = { compounds = ["octane"], within_min = 2 }',
        "analytes[1].near",
        "the role of 'toluene' is \"target\"",
        'role = "internal standard"',
    ),
    _analyte(
        "near itself",
        'role = "internal standard"\nnear = { compounds = ["octane", "toluene"], within_min = 2 }',
        'analytes[1].near.compounds[2] = "toluene"',
        "the internal standard itself",
    ),
    _analyte(
        "near one twice",
        'role = "internal standard"\nnear = { compounds = ["octane", "octane"], within_min = 2 }',
        'analytes[1].near.compounds[2] = "octane"',
        "named twice",
    ),
    _analyte(
        "near nothing",
        'role = "internal standard"\nnear = { compounds = [], within_min = 2 }',
        "analytes[1].near.compounds",
        "at least 1 entries",
    ),
    _analyte(
        "near a stranger",
        'role = "internal standard"\nnear = { compounds = ["octan"], within_min = 2 }',
        'analytes[1].near.compounds = "octan"',
        "did you mean 'octane'",
    ),
    _analyte(
        "near within nothing",
        'role = "internal standard"\nnear = { compounds = ["octane"], within_min = 0 }',
        "analytes[1].near.within_min = 0",
        "0.01 to 1000 min",
    ),
)

PAIRS_AND_GROUPS = (
    toml_input(
        "another way to tell apart", PAIR, 'separable_by = "mass"', 'separable_by = "mass"', "'detector'"
    ),
    toml_input(
        "resolved and told apart",
        PAIR,
        f'{PAIR}\nseparable_by = "detector"',
        'pairs[1]: has both min_resolution and separable_by = "detector"',
    ),
    toml_input(
        "ignored and told apart",
        PAIR,
        'ignore = true\nseparable_by = "detector"',
        'pairs[1]: has both ignore = true and separable_by = "detector"',
    ),
    toml_input(
        "ignored in order",
        PAIR,
        "ignore = true\nin_order = true",
        "pairs[1]: has both ignore = true and in_order = true",
        "a pair whose order matters",
    ),
    toml_input(
        "told apart in order",
        PAIR,
        'separable_by = "detector"\nin_order = true',
        'pairs[1]: has both separable_by = "detector" and in_order = true',
        "in any order",
    ),
    toml_input(
        "both orders",
        PAIR,
        'in_order = true\n[[pairs]]\nbetween = ["p-xylene", "octane"]\nin_order = true',
        'pairs[2].between = ["p-xylene", "octane"]',
        "the opposite order of pairs[1]",
    ),
    toml_input(
        "pair twice",
        PAIR,
        f'{PAIR}\n[[pairs]]\nbetween = ["p-xylene", "octane"]\nmin_resolution = 1.5',
        'pairs[2].between = ["p-xylene", "octane"]: that pair is already pairs[1]',
    ),
    toml_input(
        "orders in a circle",
        PAIR,
        "in_order = true\n"
        '[[pairs]]\nbetween = ["p-xylene", "nonane"]\nin_order = true\n'
        '[[pairs]]\nbetween = ["nonane", "octane"]\nin_order = true',
        "pairs: in_order = true asks for",
        "'octane' before 'p-xylene'",
        "no run can give",
    ),
    toml_input("order as text", PAIR, 'in_order = "yes"', "pairs[1].in_order", "without quotes"),
    _groups("single group brackets", '[groups]\nname = "a"\nmembers = ["octane"]', "groups", "[[groups]]"),
    _groups("group of none", '[[groups]]\nname = "a"\nmembers = []', "groups[1].members", "at least 1"),
    _groups("group without members", '[[groups]]\nname = "a"', "groups[1].members is missing"),
    _groups(
        "group name twice",
        '[[groups]]\nname = "a"\nmembers = ["octane"]\n[[groups]]\nname = "a"\nmembers = ["decane"]',
        'groups[2].name = "a": already used by groups[1]',
    ),
    _groups(
        "member twice",
        '[[groups]]\nname = "a"\nmembers = ["octane", "octane"]',
        'groups[1].members[2] = "octane": is named twice',
    ),
    _groups(
        "member of two groups",
        '[[groups]]\nname = "a"\nmembers = ["octane"]\n[[groups]]\nname = "b"\nmembers = ["decane", "octane"]',
        'groups[2].members[2] = "octane"',
        "already in groups[1]",
    ),
    _groups(
        "unknown member",
        '[[groups]]\nname = "a"\nmembers = ["octan"]',
        'groups[1].members = "octan"',
        "did you mean 'octane'",
    ),
    _groups(
        "group clear of nothing",
        '[[groups]]\nname = "a"\nmembers = ["octane", "decane"]\nmin_resolution = 1.5',
        "groups[1].min_resolution = 1.5",
        "no other group",
    ),
)

SEARCH = (
    toml_input(
        "more ramps than the oven has",
        "[instrument]\n",
        "[search]\nmax_ramps = 3\n[instrument]\nmax_oven_ramps = 2\n",
        "search.max_ramps = 3: expected at most instrument.max_oven_ramps = 2",
    ),
    toml_input(
        "more carrier ramps than the instrument has",
        "[instrument]\n",
        "[search]\nmax_carrier_ramps = 2\n[instrument]\nmax_carrier_ramps = 1\n",
        "search.max_carrier_ramps = 2: expected at most instrument.max_carrier_ramps = 1",
    ),
    toml_input(
        "programmed carrier without ramps",
        "[instrument]\n",
        '[search]\ncarrier_modes = ["constant flow", "pressure program"]\n[instrument]\nmax_carrier_ramps = 0\n',
        'search.carrier_modes[2] = "pressure program"',
        "max_carrier_ramps = 0",
    ),
    _search("no carrier ramp", "max_carrier_ramps = 0", "search.max_carrier_ramps = 0", "at least 1"),
    _search("oven in K", "oven_temperature_C = 500", "search.oven_temperature_C = 500", "looks like K"),
    _search(
        "oven stays and ramps",
        "oven_temperature_C = 120\nmax_ramps = 2",
        "search.oven_temperature_C = 120",
        "max_ramps = 2; keep one of them",
    ),
    _search(
        "oven stays too hot",
        "oven_temperature_C = 340",
        "search.oven_temperature_C = 340: the highest temperature is 325 °C",
    ),
    _search(
        "oven stays too cold",
        "oven_temperature_C = 36",
        "search.oven_temperature_C = 36: the lowest temperature is 40 °C",
    ),
    _search(
        "oven stays above the solvent",
        'oven_temperature_C = 120\n[inlet]\nmode = "on-column"\nsolvent_boiling_point_C = 69',
        "search.oven_temperature_C = 120",
        "starts at 54 °C at most",
    ),
    _search("unknown carrier mode to search", 'carrier_modes = ["flow ramp"]', "search.carrier_modes[1]"),
)

METHOD_INPUTS = (*COLUMN_AND_INSTRUMENT, *INLET, *GOAL, *ANALYTES, *PAIRS_AND_GROUPS, *SEARCH)
