"""Scenario files: what they become, their defaults and spellings; `test_bad_inputs` has what is refused."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import pytest
from pydantic import TypeAdapter, ValidationError

from models.column.programs import CarrierProgram, OvenProgram, Ramp
from optimizer.base.errors import ScenarioError
from optimizer.base.quantities import KPA_PER
from optimizer.base.tables import every_table, keys_of, tables_in
from optimizer.scenario.data import Scenario
from optimizer.scenario.messages import SPELLINGS
from optimizer.scenario.reading import load_scenario, read_program
from optimizer.scenario.schema import ScenarioTable
from tests.optimizer.bad_inputs import SCENARIO, write_good_scenario

AMBIENT = 101325.0
# 60 s/min, 1e-6 m3/mL, 273.15 K at 0 °C
ML_MIN = 1e-6 / 60


def _load(folder: Path, *changes: tuple[str, str]) -> Scenario:
    write_good_scenario(folder)
    text = SCENARIO
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "scenario.toml").write_bytes(text.encode())
    return load_scenario(folder)


def test_everything_is_converted_to_si(tmp_path: Path) -> None:
    scenario = _load(tmp_path)
    assert scenario.title == "Five solvents"
    assert scenario.path == tmp_path / "scenario.toml"
    column = scenario.column
    assert (column.length, column.inner_diameter, column.film_thickness) == pytest.approx(
        (30, 2.5e-4, 2.5e-7)
    )
    limits = (scenario.min_temperature, scenario.max_temperature, scenario.max_programmed_temperature)
    assert limits == pytest.approx((313.15, 598.15, 623.15))
    assert scenario.gas.name == "helium"
    assert (scenario.outlet_pressure, scenario.ambient_pressure) == pytest.approx((AMBIENT, AMBIENT))
    instrument = scenario.instrument
    assert instrument.max_inlet_pressure == pytest.approx(501325)
    assert (instrument.min_flow, instrument.max_flow) == pytest.approx((0.5 * ML_MIN, 4 * ML_MIN))
    assert [each for band in instrument.heating_limits for each in band] == pytest.approx(
        [373.15, 1.0, 623.15, 0.5]
    )
    assert instrument.cool_down is not None
    assert instrument.cool_down.duration == pytest.approx(300)
    assert instrument.equilibration == pytest.approx(60)
    assert instrument.steps.rate == pytest.approx(0.5 / 60)
    assert instrument.steps.pressure == pytest.approx(1000)
    slow, fast = scenario.runs
    assert slow.program.oven == OvenProgram(323.15, 120, (Ramp(5 / 60, 553.15, 300),))
    assert slow.program.carrier.controlled == "flow"
    assert slow.program.carrier.start == pytest.approx(1.2 * ML_MIN)
    assert slow.hold_up == pytest.approx(1.73 * 60)
    assert fast.hold_up is None
    assert fast.repeatability == pytest.approx(0.18)
    assert fast.peaks.retention[0] == pytest.approx(192)
    assert scenario.current is not None
    assert scenario.current.carrier == CarrierProgram("pressure", 201325)
    assert (scenario.goal.minimise, scenario.goal.min_resolution) == ("run time", 1.5)
    assert scenario.compounds == ("toluene", "octane", "p-xylene", "nonane", "decane")
    search = scenario.search
    assert (search.carrier_modes, search.max_ramps, search.seconds) == (("constant flow",), 3, 20)
    assert (search.candidates, search.seed, scenario.flow_correction) == (5, 1, "column")


def test_defaults_of_a_minimal_scenario(tmp_path: Path) -> None:
    write_good_scenario(tmp_path)
    block = re.search(r"```toml\n(.*?)```", _reference(), re.S)
    assert block is not None
    (tmp_path / "scenario.toml").write_text(block[1], encoding="utf-8")
    scenario = load_scenario(tmp_path / "scenario.toml")
    assert scenario.title == tmp_path.name
    assert scenario.max_programmed_temperature == scenario.max_temperature
    assert scenario.instrument.max_inlet_pressure == pytest.approx(501325)
    assert list(scenario.instrument.heating_limits[0]) == pytest.approx([723.15, 0.5])
    assert scenario.instrument.cool_down is None
    assert (scenario.analytes, scenario.pairs, scenario.current) == ((), (), None)
    assert scenario.required_resolution("toluene", "decane") == 1.5


@pytest.mark.parametrize(
    ("up_to", "rate", "warned"),
    [(100, 10, True), (120, 10, True), (130, 10, False), (130, 15, False)],
    ids=["5.33 min", "6.67 min", "7.33 min", "not too steep"],
)
def test_a_ramp_too_steep_counts_until_the_last_peak(
    tmp_path: Path, up_to: int, rate: int, warned: bool
) -> None:
    """The fast run heats at 15 °C/min from 2 min and 50 °C on; its last peak leaves at 6.85 min."""
    bands = "{ up_to_C = 100, rate_C_per_min = 60 }, { up_to_C = 350, rate_C_per_min = 30 }"
    slower = bands.replace("= 100", f"= {up_to}").replace("= 30 }", f"= {rate} }}")
    told = [line for line in _load(tmp_path, (bands, slower)).warnings if "heating_limits" in line]
    assert len(told) == warned
    assert all(
        "scouting_runs[2].oven.ramps[1]" in line and "take that for retention" in line for line in told
    )


def test_a_steep_method_in_use_is_told_without_a_fit(tmp_path: Path) -> None:
    ramp = "{ start_C = 50, ramps = [{ rate_C_per_min = 70, to_C = 110 }] }"
    (told,) = _load(tmp_path, ("{ start_C = 110, hold_min = 90 }", ramp)).warnings
    assert told.startswith(
        "current.oven.ramps[1].rate_C_per_min = 70 is more than instrument.heating_limits[1]"
    )
    assert "fit" not in told


def test_pairs_that_count(tmp_path: Path) -> None:
    more = (
        '[[analytes]]\ncompound = "nonane"\nrole = "ignore"\n'
        '[[analytes]]\ncompound = "decane"\nrole = "internal standard"\n'
        '[[pairs]]\nbetween = ["octane", "toluene"]\nignore = true\n'
    )
    scenario = _load(tmp_path, ("[goal]", more + "[goal]"))
    assert scenario.role("p-xylene") == "target"
    assert scenario.required_resolution("nonane", "toluene") is None  # ignore and matrix
    assert scenario.required_resolution("toluene", "decane") == 1.5  # matrix and internal standard
    assert scenario.required_resolution("nonane", "octane") is None  # ignore and target
    assert scenario.required_resolution("p-xylene", "octane") == 2.0  # its own rule
    assert scenario.required_resolution("toluene", "octane") is None  # ignored by its rule


@pytest.mark.parametrize("written", ["inlet_psi = 14.503773773", "inlet_bar = 1.0"])
def test_pressures_in_other_units(written: str, tmp_path: Path) -> None:
    scenario = _load(tmp_path, ("inlet_kPa = 100", written))
    assert scenario.current is not None
    assert scenario.current.carrier.start == pytest.approx(201325, rel=1e-9)


def test_every_pressure_key_has_three_spellings(tmp_path: Path) -> None:
    in_bar = (
        ("ambient_pressure_kPa = 101.325", "ambient_pressure_bar = 1.01325"),
        (
            "max_inlet_pressure_kPa = 400",
            "steps = { pressure_bar = 0.02, pressure_rate_bar_per_min = 0.05 }\nmax_inlet_pressure_bar = 4\n"
            "min_inlet_pressure_bar = 0.2\nmax_pressure_rate_bar_per_min = 1.5",
        ),
        (
            'mode = "constant pressure", inlet_kPa = 100',
            'mode = "pressure program", start_bar = 1, ramps = [{ rate_bar_per_min = 0.1, to_bar = 2 }]',
        ),
    )
    scenario = _load(tmp_path, *in_bar)
    assert scenario.ambient_pressure == pytest.approx(AMBIENT)
    assert scenario.instrument.max_inlet_pressure == pytest.approx(501325)
    assert scenario.instrument.steps.pressure == pytest.approx(2000)
    assert scenario.instrument.steps.pressure_rate == pytest.approx(5000 / 60)
    assert scenario.instrument.min_inlet_pressure == pytest.approx(121325)
    assert scenario.instrument.max_pressure_rate == pytest.approx(1.5e5 / 60)
    assert scenario.current is not None
    carrier = scenario.current.carrier
    assert carrier.controlled == "pressure"
    assert carrier.start == pytest.approx(201325)
    ramp = carrier.ramps[0]
    assert (ramp.rate, ramp.target) == pytest.approx((1e4 / 60, 301325))
    kPa_keys = {key for table in every_table(ScenarioTable) for key in keys_of(table) if "kPa" in key}
    assert {key for key, _ in SPELLINGS.values()} == kPa_keys
    assert len(SPELLINGS) == len(kPa_keys) * len(KPA_PER)


def test_mark_and_line_ends_of_the_scenario_file(tmp_path: Path) -> None:
    write_good_scenario(tmp_path)
    plain = load_scenario(tmp_path)
    (tmp_path / "scenario.toml").write_bytes(("\ufeff" + SCENARIO.replace("\n", "\r\n")).encode())
    other = load_scenario(tmp_path)
    assert [run.program for run in other.runs] == [run.program for run in plain.runs]
    assert (other.instrument, other.column, other.title) == (plain.instrument, plain.column, plain.title)


def test_one_run_is_allowed_with_a_warning(tmp_path: Path) -> None:
    start, end = SCENARIO.index('[[scouting_runs]]\nname = "fast"'), SCENARIO.index("[current]")
    scenario = _load(tmp_path, (SCENARIO[start:end], ""))
    assert len(scenario.runs) == 1
    assert [warning for warning in scenario.warnings if "only one scouting run" in warning]


@pytest.mark.parametrize(
    ("change", "fragment"),
    [
        (("hold_up_min = 1.73", "hold_up_min = 1.5"), "1.729 min"),
        (
            ("rate_C_per_min = 60", "rate_C_per_min = 10"),
            "scouting_runs[2].oven.ramps[1].rate_C_per_min = 15",
        ),
        (
            ("max_temperature_C = 325", "max_temperature_C = 270"),
            "above the column's limit for continuous use",
        ),
        (("max_flow_mL_min = 4", "max_flow_mL_min = 1"), "flow_mL_min = 1.2 lies outside"),
        (("max_inlet_pressure_kPa = 400", "max_inlet_pressure_kPa = 110"), "at the oven's hottest"),
        (("= 15, to_C = 280, hold_min = 5", "= 15, to_C = 120"), "after the oven program ends"),
    ],
)
def test_warnings(change: tuple[str, str], fragment: str, tmp_path: Path) -> None:
    warnings = _load(tmp_path, change).warnings
    assert any(fragment in warning for warning in warnings), warnings


def test_a_cooling_ramp_that_says_so(tmp_path: Path) -> None:
    new = "to_C = 280, hold_min = 90 }, { rate_C_per_min = 20, to_C = 60, cooling = true }"
    scenario = _load(tmp_path, ("to_C = 280, hold_min = 5 }", new))
    assert scenario.runs[0].program.oven.ramps[1] == Ramp(20 / 60, 333.15)


def test_vacuum_outlet_and_inlet_below_ambient(tmp_path: Path) -> None:
    scenario = _load(
        tmp_path,
        ('outlet = "ambient"', 'outlet = "vacuum"'),
        ("inlet_kPa = 100", "inlet_kPa = -20"),
        ("hold_up_min = 1.73", "hold_up_min = 1.26"),
    )
    assert scenario.outlet_pressure == 0
    assert scenario.current is not None
    assert scenario.current.carrier.start == pytest.approx(81325)


def test_read_program(tmp_path: Path) -> None:
    file = tmp_path / "program.toml"
    file.write_text(
        "[oven]\nstart_C = 60\nramps = [{ rate_C_per_min = 12, to_C = 180 }]\n"
        '[carrier]\nmode = "flow program"\nstart_mL_min = 1\nhold_min = 2\n'
        "ramps = [{ rate_mL_per_min2 = 0.5, to_mL_min = 3 }]\n",
        encoding="utf-8",
    )
    program = read_program(file, 9e4)
    assert program.oven == OvenProgram(333.15, 0, (Ramp(0.2, 453.15),))
    assert program.carrier.mode == "flow program"
    assert program.carrier.knots()[0] == pytest.approx([0, 120, 360, 360])
    file.write_text(
        '[oven]\nstart_C = 60\n[carrier]\nmode = "constant pressure"\ninlet_kPa = -92', encoding="utf-8"
    )
    with pytest.raises(ScenarioError, match=r"program\.toml: carrier\.inlet_kPa = -92: lies below vacuum"):
        read_program(file, 9e4)
    file.write_text(file.read_text("utf-8").replace("-92", "0.9"), encoding="utf-8")
    assert read_program(file, 9e4).carrier.start == pytest.approx(90900)
    needed = r"carrier\.inlet_kPa = 0\.9: an inlet at an ambient outlet needs at least 1 kPa.*looks like bar"
    with pytest.raises(ScenarioError, match=needed):
        read_program(file, 9e4, 9e4)
    file.write_text("[oven]\nstart = 60\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match=r"unknown key oven\.start; did you mean start_C\?"):
        read_program(file, 9e4)


def test_several_mistakes_are_all_named(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError) as caught:
        _load(
            tmp_path, ("length_m = 30", "length_m = 3000"), ('"helium"', '"neon"'), ("_min = 90", "_min = -1")
        )
    keys = [problem.split(": ")[1].split(" = ")[0] for problem in caught.value.problems]
    assert keys == ["column.length_m", "carrier.gas", "current.oven.hold_min"]


def test_every_key_is_documented() -> None:
    text = _reference()
    keys = {key for table in every_table(ScenarioTable) for key in keys_of(table)}
    assert {"start_mL_min", "at_C", "rate_kPa_per_min"} <= keys
    assert [key for key in sorted(keys) if f"`{key}`" not in text] == []


def test_documented_keys_exist() -> None:
    """First cells of the tables under the headings `[...]` and `[[...]]` are keys of that section."""
    sections = re.findall(r"### `\[+(\w+)\]+`\n(.*?)(?=\n##|\Z)", _reference(), re.S)
    assert len(sections) == 14
    for section, body in sections:
        (table,) = tables_in(keys_of(ScenarioTable)[section].annotation)
        assert re.findall(r"^\| `(\w+)`", body, re.M) == list(keys_of(table))


def _reference() -> str:
    return (Path(__file__).parents[3] / "docs" / "scenario.md").read_text(encoding="utf-8")


def test_a_name_in_one_run_only_is_held_against_its_namesakes(tmp_path: Path) -> None:
    folder = tmp_path / "five"
    write_good_scenario(folder)
    table = folder / "fast.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("p-xylene", "p-xylen"), encoding="utf-8")
    warnings = " ".join(load_scenario(folder).warnings)
    assert "or is it p-xylene?" in warnings


def floats_in(table: type) -> Iterator[tuple[str, Any]]:
    """Every float key of a table, with its type and validators as written."""
    for name, field in keys_of(table).items():
        if "float" in str(field.annotation):
            yield f"{table.__name__}.{name}", Annotated[field.annotation, *field.metadata, None]


def test_every_number_has_a_range_which_refuses_what_is_not_finite() -> None:
    fields = dict(field for table in every_table(ScenarioTable) for field in floats_in(table))
    assert len(fields) > 60
    for name, hint in fields.items():
        adapter = TypeAdapter(hint)
        for value in (math.inf, -math.inf, math.nan):
            with pytest.raises(ValidationError) as raised:
                adapter.validate_python(value, context={"ambient_pressure": AMBIENT})
            assert "out_of_range" in [error["type"] for error in raised.value.errors()], name
