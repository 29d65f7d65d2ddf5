"""Cautions appear where they apply and only there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from models.column.pieces import Bare
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import flow_si, kelvin
from optimizer.goal.cautions import cautions, cautions_in_brief, extrapolation, minutes_to_explosive
from optimizer.scenario.instrument_data import Inlet
from optimizer.scenario.reading import load_scenario
from tests.optimizer.made_up import compounds, made_up_scenario, names_of, sensitive

SCENARIO = made_up_scenario(names_of(3), compounds(3))
HYDROGEN = made_up_scenario(names_of(3), compounds(3), gas="hydrogen", outlet=0.0)


def program_to(celsius: float) -> Program:
    return Program(
        OvenProgram(kelvin(50.0), 0.0, (Ramp(0.2, kelvin(celsius)),)), CarrierProgram("flow", flow_si(1.0))
    )


def test_hydrogen_lines_come_with_hydrogen_only() -> None:
    program = program_to(200.0)
    with_hydrogen = [line for line in cautions(HYDROGEN, [program]) if "ydrogen" in line]
    assert len(with_hydrogen) == 3
    assert any("4 % in air" in line for line in with_hydrogen)
    assert any("at its source" in line for line in with_hydrogen)
    assert any("unsaturated" in line for line in with_hydrogen)
    assert any("not the column flow" in line for line in cautions(HYDROGEN, [program]))
    everything = " ".join(cautions(SCENARIO, [program]))
    assert "ydrogen" not in everything
    assert "column flow" not in everything


def test_in_brief_nothing_about_this_gas_is_left_out() -> None:
    program = program_to(200.0)
    full, brief = cautions(HYDROGEN, [program]), cautions_in_brief(HYDROGEN, [program])
    assert [line for line in brief if "ydrogen" in line] == [line for line in full if "ydrogen" in line]
    assert len(brief) == len([line for line in full if line in brief]) + 1
    assert len(cautions_in_brief(SCENARIO, [program])) == 1 < len(cautions(SCENARIO, [program]))
    assert "instrument's manual, local rules and qualified staff" in brief[-1]


def test_time_to_an_explosive_oven() -> None:
    """A well mixed 14-litre oven: under two minutes at 500 mL/min, about eleven at 50; own arithmetic."""
    assert minutes_to_explosive(500) < 2
    assert minutes_to_explosive(50) == pytest.approx(11, abs=0.5)


@pytest.mark.parametrize(("ratio", "column_mL_min"), [(50.0, 2.0), (10.0, 1.2)])
def test_the_total_flow_of_a_known_inlet_is_what_counts(ratio: float, column_mL_min: float) -> None:
    scenario = replace(HYDROGEN, inlet=Inlet(split_ratio=ratio, septum_purge=flow_si(3.0)))
    total = column_mL_min * (1 + ratio) + 3.0
    line = next(x for x in cautions(scenario, [], flow_si(total)) if "not the column flow" in x)
    assert f"{total:.0f} mL/min" in line
    assert f"in some {minutes_to_explosive(total):.2g} min (a rough figure" in line
    assert "500 mL/min" not in line


def test_stated_decomposition_brings_the_caution_of_toxic_gas() -> None:
    names = names_of(3)
    stated = replace(SCENARIO, analytes=sensitive(names)[:1])
    line = next(x for x in cautions(stated, [program_to(200.0)]) if "toxic" in x)
    assert names[0] in line
    limits_only = replace(SCENARIO, analytes=sensitive(names)[1:])
    assert "toxic" not in " ".join(cautions(limits_only, [program_to(200.0)]))


def test_a_line_colder_than_the_oven_gets_or_hotter_than_the_column_may_be() -> None:
    def said(celsius: float | None, highest: float) -> str:
        piece = Bare(1.5, 0.15e-3, None if celsius is None else kelvin(celsius))
        scenario = replace(SCENARIO, column=replace(SCENARIO.column, after=(piece,)))
        found = [
            line for line in cautions_in_brief(scenario, [program_to(highest)]) if "behind the oven" in line
        ]
        assert len(found) <= 1
        return "".join(found)

    cold, hot = said(200.0, 300.0), said(350.0, 300.0)
    assert "entered as 200 °C, and a program here heats the oven to 300 °C" in cold
    assert "above the column's continuous limit of 325 °C" in hot
    assert "manuals" in cold
    assert "manuals" in hot
    assert said(280.0, 280.0) == said(None, 300.0) == ""


def test_the_short_term_limit_of_the_column() -> None:
    scenario = replace(SCENARIO, max_time_above_continuous=300.0)
    everything = " ".join(cautions(scenario, [program_to(335.0)]))
    assert "above the column's continuous limit of 325 °C, to 335 °C" in everything
    assert "entered here as 5 min" in everything
    assert "entered here as 350 °C" in everything
    assert "passes it" not in everything
    assert "continuous limit" not in " ".join(cautions(scenario, [program_to(320.0)]))


def test_transfer_line_and_pump_only_with_vacuum() -> None:
    assert "transfer line" in " ".join(cautions(HYDROGEN, []))
    assert "pump exhaust" in " ".join(cautions(HYDROGEN, []))
    assert "transfer line" not in " ".join(cautions(SCENARIO, []))


@pytest.mark.parametrize(("top", "words"), [(320.0, "goes to 320 °C"), (335.0, "passes it, to 335 °C")])
def test_the_columns_limit_names_a_program_close_to_it(top: float, words: str) -> None:
    assert words in " ".join(cautions(SCENARIO, [program_to(200.0), program_to(top)]))
    assert words not in " ".join(cautions(SCENARIO, [program_to(200.0)]))


def test_decomposition_is_warned_of_where_no_run_has_been() -> None:
    assert "scouting runs only to 280 °C" in " ".join(cautions(SCENARIO, [program_to(300.0)]))
    assert "toxic" not in " ".join(cautions(SCENARIO, [program_to(280.0)]))


def test_every_caution_is_one_line() -> None:
    lines = cautions(replace(HYDROGEN, outlet_pressure=0.0), [program_to(335.0)])
    assert len(lines) == 9
    assert len(set(lines)) == 9
    for line in lines:
        assert "\n" not in line
        assert line.endswith(".")


def test_what_was_not_scouted_is_named() -> None:
    """The demo's scouting runs go from 50 to 220 °C."""
    scenario = load_scenario(Path("scenarios/slow_isothermal"))

    def said(low: float, high: float) -> tuple[str, ...]:
        return extrapolation(scenario, kelvin(low), kelvin(high))

    assert said(50.0, 220.5) == ()
    assert said(42.0, 200.0) == ("Extrapolates: 42 to 50 °C was not scouted.",)
    assert said(40.0, 250.0) == ("Extrapolates: 40 to 50 °C and 220 to 250 °C was not scouted.",)
    assert said(230.0, 250.0) == ("Extrapolates: 230 to 250 °C was not scouted.",)
    assert extrapolation(replace(scenario, runs=()), kelvin(40.0), kelvin(250.0)) == ()
