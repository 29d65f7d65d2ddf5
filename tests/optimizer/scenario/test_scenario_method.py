"""Scenario files: inlet, instrument, goal, heat limits, pairs and groups, as they are read and by default."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.scenario.data import BakeOut, Decomposition, Group, Near, Scenario, TimeAbove
from optimizer.scenario.instrument_data import Inlet
from optimizer.scenario.reading import load_scenario
from tests.optimizer.bad_inputs import SCENARIO, write_good_scenario

ML_MIN = 1e-6 / 60  # m3/s
BETWEEN = 'between = ["octane", "p-xylene"]\nmin_resolution = 2.0\n'
LIMITS = "max_programmed_temperature_C = 350\n"


def _load(folder: Path, *changes: tuple[str, str]) -> Scenario:
    write_good_scenario(folder)
    text = SCENARIO
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "scenario.toml").write_bytes(text.encode())
    return load_scenario(folder)


def _after(heading: str, lines: str) -> tuple[str, str]:
    return f"{heading}\n", f"{heading}\n{lines}\n"


def _before_goal(lines: str) -> tuple[str, str]:
    return "[goal]\n", f"{lines}\n[goal]\n"


def test_instrument(tmp_path: Path) -> None:
    lines = (
        "min_inlet_pressure_kPa = 20\nmax_pressure_rate_kPa_per_min = 150\nmax_flow_rate_mL_per_min2 = 6\n"
        "detector_max_flow_mL_min = 2\noven_min_C = 45\noven_max_C = 300\nambient_C = 22\nabove_ambient_C = 5\n"
        "cryogenic = true\nmax_oven_ramps = 5\nmax_carrier_ramps = 2\n"
        "steps = { flow_rate_mL_per_min2 = 0.2, pressure_rate_kPa_per_min = 3 }"
    )
    instrument = _load(tmp_path, _after("[instrument]", lines)).instrument
    assert instrument.min_inlet_pressure == pytest.approx(121325)
    assert instrument.max_pressure_rate == pytest.approx(2500)
    assert instrument.max_flow_rate == pytest.approx(0.1 * ML_MIN)
    assert instrument.detector_max_flow == pytest.approx(2 * ML_MIN)
    assert instrument.largest_column_flow == pytest.approx(2 * ML_MIN)
    assert (instrument.oven_min, instrument.oven_max) == pytest.approx((318.15, 573.15))
    assert (instrument.ambient_temperature, instrument.above_ambient) == pytest.approx((295.15, 5))
    assert (instrument.cryogenic, instrument.max_oven_ramps, instrument.max_carrier_ramps) == (True, 5, 2)
    assert instrument.steps.flow_rate == pytest.approx(0.2 * ML_MIN / 60)
    assert instrument.steps.pressure_rate == pytest.approx(50)


def test_defaults(tmp_path: Path) -> None:
    scenario = _load(tmp_path)
    instrument = scenario.instrument
    assert instrument.min_inlet_pressure == pytest.approx(101325)
    assert instrument.max_pressure_rate == pytest.approx(5000)
    assert instrument.max_flow_rate == pytest.approx(10 * ML_MIN / 60)
    assert instrument.steps.flow_rate == pytest.approx(0.1 * ML_MIN / 60)
    assert instrument.steps.pressure_rate == pytest.approx(1000 / 60)
    assert instrument.detector_max_flow is None
    assert instrument.largest_column_flow == instrument.max_flow
    assert (instrument.oven_min, instrument.oven_max) == (None, pytest.approx(723.15))
    assert instrument.lowest_oven_temperature == pytest.approx(308.15)
    assert (instrument.cryogenic, instrument.max_oven_ramps, instrument.max_carrier_ramps) == (False, 20, 3)
    assert scenario.inlet.septum_purge == pytest.approx(3 * ML_MIN)
    assert scenario.inlet == replace(Inlet(), septum_purge=scenario.inlet.septum_purge)
    assert (scenario.max_time_above_continuous, scenario.capacity, scenario.groups) == (0, None, ())
    goal = scenario.goal
    assert (goal.latest_elution, goal.min_retention_factor, goal.bake_out) == (None, 0, None)
    assert (goal.shift, goal.front_points) == (8 * 3600, 0)
    assert (scenario.search.max_carrier_ramps, scenario.search.oven_temperature) == (1, None)
    assert (scenario.in_order, scenario.detector_pairs) == ((), ())
    detail = scenario.detail("decane")
    assert (detail.compound, detail.role, detail.tailing, detail.near) == ("decane", "target", None, None)


def test_dataclass_defaults_are_those_of_the_file(tmp_path: Path) -> None:
    """Code that builds an instrument by hand must not get other limits than a file that states none."""
    write_good_scenario(tmp_path)
    text = SCENARIO.replace("ambient_pressure_kPa = 101.325\n", "")
    (tmp_path / "scenario.toml").write_text(text, encoding="utf-8")
    read = load_scenario(tmp_path)
    by_hand = type(read.instrument)()
    for name in (
        "max_flow_rate",
        "max_pressure_rate",
        "min_inlet_pressure",
        "oven_max",
        "lowest_oven_temperature",
    ):
        assert getattr(by_hand, name) == pytest.approx(getattr(read.instrument, name), rel=1e-12), name
    for name in ("flow_rate", "pressure_rate"):
        assert getattr(by_hand.steps, name) == pytest.approx(getattr(read.instrument.steps, name), rel=1e-12)
    by_hand_goal = type(read.goal)("run time", 1.5, 0.0)
    assert by_hand_goal == read.goal


@pytest.mark.parametrize(
    ("changes", "lowest", "highest"),
    [
        ((), 40, 325),  # the column's; the programmed maximum is not used without a time for it
        (((LIMITS, LIMITS + "max_time_above_continuous_min = 5\n"),), 40, 350),
        ((_after("[instrument]", "oven_max_C = 310"),), 40, 310),
        ((_after("[instrument]", "oven_min_C = 48"),), 48, 325),
        ((_after("[instrument]", "ambient_C = 34\nabove_ambient_C = 12"),), 46, 325),
        ((_after("[instrument]", "ambient_C = 34\nabove_ambient_C = 12\ncryogenic = true"),), 40, 325),
        ((("min_temperature_C = 40", "min_temperature_C = -60"),), 35, 325),
        (
            (
                ("min_temperature_C = 40", "min_temperature_C = -60"),
                _after("[instrument]", "oven_min_C = -20\ncryogenic = true"),
            ),
            -20,
            325,
        ),
    ],
)
def test_temperatures_a_program_may_have(
    changes: tuple[tuple[str, str], ...], lowest: float, highest: float, tmp_path: Path
) -> None:
    scenario = _load(tmp_path, *changes)
    assert scenario.lowest_temperature == pytest.approx(lowest + 273.15)
    assert scenario.highest_temperature == pytest.approx(highest + 273.15)


def test_column_keys(tmp_path: Path) -> None:
    scenario = _load(tmp_path, (LIMITS, LIMITS + "max_time_above_continuous_min = 5\ncapacity_ng = 80\n"))
    assert (scenario.max_time_above_continuous, scenario.capacity) == (300, 80)


def test_a_splitless_inlet(tmp_path: Path) -> None:
    lines = (
        '[inlet]\nmode = "splitless"\nsolvent_boiling_point_C = 69\nbelow_solvent_C = 20\npurge_on_min = 0.75\n'
        "split_ratio = 50\nseptum_purge_mL_min = 2\nmax_total_flow_mL_min = 100"
    )
    inlet = _load(tmp_path, _before_goal(lines)).inlet
    assert inlet.highest_start == pytest.approx(322.15)
    assert inlet.shortest_first_hold == pytest.approx(45)
    assert inlet.max_total_flow == pytest.approx(100 * ML_MIN)
    # 1.2 (1 + 50) + 2 mL/min
    assert inlet.total_flow(1.2 * ML_MIN) == pytest.approx(63.2 * ML_MIN)


def test_an_inlet_that_bounds_nothing(tmp_path: Path) -> None:
    inlet = _load(tmp_path, _before_goal("[inlet]\nsplit_ratio = 20")).inlet
    assert (inlet.highest_start, inlet.shortest_first_hold, inlet.max_total_flow) == (None, 0, None)


def test_on_column_the_default_margin(tmp_path: Path) -> None:
    inlet = _load(tmp_path, _before_goal('[inlet]\nmode = "on-column"\nsolvent_boiling_point_C = 69')).inlet
    assert inlet.highest_start == pytest.approx(54 + 273.15)
    assert inlet.shortest_first_hold == 0


def test_hydrogen_has_a_total_flow_limit(tmp_path: Path) -> None:
    gas = ('"helium"', '"hydrogen"')
    hold_up = ("hold_up_min = 1.73\n", "")
    for folder, lines, limit in (
        ("default", "[inlet]\nsplit_ratio = 20", 50),
        ("stated", "[inlet]\nsplit_ratio = 20\nmax_total_flow_mL_min = 80", 80),
    ):
        scenario = _load(tmp_path / folder, gas, hold_up, _before_goal(lines))
        assert scenario.inlet.max_total_flow == pytest.approx(limit * ML_MIN)


def test_goal(tmp_path: Path) -> None:
    lines = (
        'minimise = "cycle time"\nearliest_elution_min = 2\nlatest_elution_min = 20\nmin_retention_factor = 0.5\n'
        "bake_out = { at_C = 300, hold_min = 5, rate_C_per_min = 30 }\nshift_h = 12\nfront_points = 6"
    )
    goal = _load(tmp_path, _after("[goal]", lines)).goal
    assert (goal.minimise, goal.earliest_elution, goal.latest_elution) == ("cycle time", 120, 1200)
    assert goal.min_retention_factor == 0.5
    assert goal.bake_out == BakeOut(pytest.approx(573.15), 300, 0.5)
    assert (goal.shift, goal.front_points) == (43200, 6)


def test_bake_out_as_fast_as_the_oven(tmp_path: Path) -> None:
    goal = _load(tmp_path, _after("[goal]", "bake_out = { at_C = 300, hold_min = 5 }")).goal
    assert goal.bake_out is not None
    assert goal.bake_out.rate is None


def test_analytes(tmp_path: Path) -> None:
    lines = (
        'role = "internal standard"\nmax_elution_temperature_C = 190\n'
        "max_time_above = { temperature_C = 180, min = 2 }\n"
        "decomposition = { activation_energy_kJ_per_mol = 150, half_life_min = 10, at_C = 200 }\n"
        "min_intact_fraction = 0.98\namount_ng = 12\ntailing = 1.4\n"
        'near = { compounds = ["octane", "nonane"], within_min = 2.5 }'
    )
    scenario = _load(tmp_path, ('role = "matrix"', lines))
    detail = scenario.detail("toluene")
    assert detail.max_elution_temperature == pytest.approx(463.15)
    assert detail.max_time_above == TimeAbove(pytest.approx(453.15), 120)
    assert detail.decomposition == Decomposition(150e3, 600, pytest.approx(473.15))
    assert (detail.min_intact_fraction, detail.amount) == (0.98, 12)
    assert detail.near == Near(("octane", "nonane"), 150)
    assert scenario.tailing("toluene") == 1.4
    assert scenario.tailing("octane") is None
    assert scenario.role("toluene") == "internal standard"


def test_pairs_in_order_and_told_apart(tmp_path: Path) -> None:
    more = (
        BETWEEN + "in_order = true\n"
        '[[pairs]]\nbetween = ["nonane", "decane"]\nseparable_by = "detector"\n'
        '[[pairs]]\nbetween = ["decane", "octane"]\nin_order = true\n'
    )
    scenario = _load(tmp_path, (BETWEEN, more))
    assert scenario.in_order == (("octane", "p-xylene"), ("decane", "octane"))
    assert scenario.detector_pairs == (("nonane", "decane"),)
    assert scenario.required_resolution("decane", "nonane") is None
    assert scenario.required_resolution("p-xylene", "octane") == 2.0
    assert scenario.required_resolution("octane", "decane") == 1.5  # what it would need without the rule


def test_groups(tmp_path: Path) -> None:
    more = (
        '[[pairs]]\nbetween = ["octane", "decane"]\nmin_resolution = 0.8\n'
        '[[groups]]\nname = "alkanes"\nmembers = ["octane", "nonane"]\nmin_resolution = 1.2\n'
        '[[groups]]\nname = "aromatics"\nmembers = ["toluene", "p-xylene"]\n'
        '[[groups]]\nname = "rest"\nmembers = ["decane"]\nmin_resolution = 1.8\n'
    )
    scenario = _load(tmp_path, (BETWEEN, 'between = ["nonane", "p-xylene"]\nin_order = true\n' + more))
    assert scenario.groups[0] == Group("alkanes", ("octane", "nonane"), 1.2)
    needed = scenario.required_resolution
    assert needed("octane", "nonane") is None  # within a group
    assert needed("p-xylene", "toluene") is None
    assert needed("toluene", "octane") == 1.2  # the only one that is stated, below the goal's all the same
    assert needed("toluene", "decane") == 1.8  # whatever the roles: toluene is matrix
    assert needed("decane", "nonane") == 1.8  # the larger of the two
    assert needed("decane", "octane") == 0.8  # its own rule
    assert needed("p-xylene", "nonane") == 1.2  # a rule for the order only
    no_figures = replace(
        scenario, groups=tuple(replace(each, min_resolution=None) for each in scenario.groups)
    )
    assert no_figures.required_resolution("toluene", "nonane") == 1.5  # the goal's


def test_a_compound_of_no_group_counts_by_its_role(tmp_path: Path) -> None:
    groups = '[[groups]]\nname = "a"\nmembers = ["octane", "decane"]\n'
    scenario = _load(tmp_path, (BETWEEN, BETWEEN + groups))
    assert scenario.required_resolution("octane", "decane") is None
    assert scenario.required_resolution("octane", "nonane") == 1.5


@pytest.mark.parametrize(
    ("lines", "oven_ramps", "carrier_ramps", "fixed"),
    [
        ("max_ramps = 3\nmax_carrier_ramps = 2", 3, 2, None),
        ("oven_temperature_C = 120", 0, 1, 393.15),
        ("seed = 1", 3, 1, None),
    ],
)
def test_search(lines: str, oven_ramps: int, carrier_ramps: int, fixed: float | None, tmp_path: Path) -> None:
    modes = '\ncarrier_modes = ["flow program", "pressure program", "constant velocity"]'
    search = _load(tmp_path, _before_goal(f"[search]\n{lines}{modes}")).search
    assert (search.max_ramps, search.max_carrier_ramps) == (oven_ramps, carrier_ramps)
    assert search.oven_temperature == (None if fixed is None else pytest.approx(fixed))
    assert search.carrier_modes == ("flow program", "pressure program", "constant velocity")


def test_default_ramps_follow_the_instrument(tmp_path: Path) -> None:
    search = _load(tmp_path, _after("[instrument]", "max_oven_ramps = 1\nmax_carrier_ramps = 0")).search
    assert (search.max_ramps, search.max_carrier_ramps) == (1, 0)


FLOW_PROGRAM = (
    'mode = "constant pressure", inlet_kPa = 100',
    'mode = "flow program", start_mL_min = 1, ramps = [{ rate_mL_per_min2 = 20, to_mL_min = 3 }]',
)
PRESSURE_PROGRAM = (
    'mode = "constant pressure", inlet_kPa = 100',
    'mode = "pressure program", start_psi = 12, ramps = [{ rate_psi_per_min = 60, to_psi = 30 }]',
)


@pytest.mark.parametrize(
    ("changes", "fragments"),
    [
        (
            [_before_goal('[inlet]\nmode = "splitless"\npurge_on_min = 1')],
            ['inlet.mode = "splitless" without solvent_boiling_point_C'],
        ),
        (
            [_before_goal('[inlet]\nmode = "splitless"\nsolvent_boiling_point_C = 69')],
            ["without purge_on_min: nothing bounds the first hold"],
        ),
        ([_before_goal('[inlet]\nmode = "on-column"')], ['inlet.mode = "on-column" without']),
        (
            [_before_goal("[inlet]\nmax_total_flow_mL_min = 60")],
            ["60 mL/min (inlet.max_total_flow_mL_min)", "only column flow and septum purge"],
        ),
        (
            [('"helium"', '"hydrogen"'), ("hold_up_min = 1.73\n", "")],
            ["50 mL/min (with hydrogen)", "without inlet.split_ratio"],
        ),
        (
            [_before_goal("[search]\nmax_carrier_ramps = 2")],
            ["search.max_carrier_ramps = 2: has no effect"],
        ),
        (
            [_after("[instrument]", "oven_max_C = 270")],
            ["scouting_runs[1].oven.ramps[1].to_C = 280: lies above", "270 °C (instrument.oven_max_C)"],
        ),
        (
            [_after("[instrument]", "ambient_C = 45")],
            [
                "scouting_runs[2].oven.start_C = 50: lies below",
                "55 °C (instrument.ambient_C + above_ambient_C",
            ],
        ),
        (
            [
                _after("[instrument]", "oven_min_C = 20"),
                ("min_temperature_C = 40", "min_temperature_C = -60"),
            ],
            ["instrument.oven_min_C = 20: no program goes below 35 °C", "without cryogenic = true"],
        ),
        (
            [_after("[instrument]", "max_oven_ramps = 0")],
            ["scouting_runs[1].oven has 1 ramps, more than instrument.max_oven_ramps = 0"],
        ),
        (
            [_after("[instrument]", "detector_max_flow_mL_min = 1")],
            [
                "scouting_runs[1].carrier.flow_mL_min = 1.2 is more than instrument.detector_max_flow_mL_min = 1"
            ],
        ),
        (
            [_after("[instrument]", "min_inlet_pressure_psi = 20")],
            ["current.carrier.inlet_kPa = 100 is less than instrument.min_inlet_pressure_psi = 20"],
        ),
        (
            [FLOW_PROGRAM],
            ["ramps[1].rate_mL_per_min2 = 20 is more than instrument.max_flow_rate_mL_per_min2 = 10"],
        ),
        (
            [PRESSURE_PROGRAM],
            ["ramps[1].rate_psi_per_min = 60 is more than instrument.max_pressure_rate_kPa_per_min = 300"],
        ),
        (
            [PRESSURE_PROGRAM, _after("[instrument]", "max_carrier_ramps = 0")],
            ["current.carrier has 1 ramps, more than instrument.max_carrier_ramps = 0"],
        ),
        (
            [('role = "matrix"', "amount_ng = 120"), (LIMITS, LIMITS + "capacity_ng = 80\n")],
            ["analytes[1].amount_ng = 120", "'toluene' is above column.capacity_ng = 80"],
        ),
        (
            [('role = "matrix"', "max_elution_temperature_C = 330")],
            ["analytes[1].max_elution_temperature_C = 330: limits nothing"],
        ),
        (
            [('role = "matrix"', "max_time_above = { temperature_C = 325, min = 1 }")],
            ["analytes[1].max_time_above.temperature_C = 325: limits nothing"],
        ),
    ],
)
def test_warnings(changes: list[tuple[str, str]], fragments: list[str], tmp_path: Path) -> None:
    warnings = _load(tmp_path, *changes).warnings
    assert any(all(fragment in warning for fragment in fragments) for warning in warnings), warnings


def test_an_oven_that_goes_below_the_column_is_no_news(tmp_path: Path) -> None:
    assert _load(tmp_path, _after("[instrument]", "oven_min_C = 20")).warnings == ()


def _amounts(folder: Path, areas: tuple[float, ...], toml: str = "") -> list[str]:
    """What is said of amounts when the peaks of the first run have such areas."""
    write_good_scenario(folder)
    names = ("toluene", "octane", "p-xylene", "nonane", "decane")
    times = (3.61, 4.52, 6.24, 7.31, 11.02)
    rows = [f"{name},{t},{area}" for name, t, area in zip(names, times, areas, strict=True)]
    (folder / "slow.csv").write_text("compound,retention_min,area\n" + "\n".join(rows), encoding="utf-8")
    (folder / "scenario.toml").write_text(SCENARIO + toml, encoding="utf-8")
    return [warning for warning in load_scenario(folder).warnings if "-fold" in warning]


def test_amounts_far_apart(tmp_path: Path) -> None:
    # Neighbours only: toluene and p-xylene differ 25-fold too, and octane with p-xylene has its 2.0 already.
    (warning,) = _amounts(tmp_path / "a", (1000, 1000, 40, 1000, 1000))
    assert warning.startswith("p-xylene and nonane differ 25-fold in area; a resolution of 2 and more")
    assert _amounts(tmp_path / "b", (1000, 1000, 110, 1000, 1000)) == []
    stated = '[[analytes]]\ncompound = "nonane"\namount_ng = 5\n[[analytes]]\ncompound = "decane"\namount_ng = 70\n'
    (warning,) = _amounts(tmp_path / "c", (1000, 1000, 1000, 1000, 1000), stated)
    assert warning.startswith("nonane and decane differ 14-fold in amount")
    ignored = '[[pairs]]\nbetween = ["nonane", "decane"]\nignore = true\n'
    assert _amounts(tmp_path / "d", (1000, 1000, 1000, 1000, 40), ignored) == []
