"""Set points as typed: units, directions, gauge beside absolute."""

from __future__ import annotations

import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.units import flow_si, kelvin
from optimizer.results.set_points import (
    carrier_set_points,
    one_line,
    oven_set_points,
    pressure_text,
    set_point_lines,
    typed,
)

AMBIENT = 98_000.0


def test_oven_table() -> None:
    oven = OvenProgram(
        kelvin(60.0), 90.0, (Ramp(12.5 / 60, kelvin(180.0)), Ramp(30 / 60, kelvin(100.0), 61.0 * 60))
    )
    table = oven_set_points(oven)
    assert [(s.name, s.rate, s.to, s.hold) for s in table.steps] == [
        ("start", "-", "60", "1.5"),
        ("ramp 1", "12.5", "180", "0"),
        ("ramp 2", "-30", "100", "61"),
    ]
    assert one_line(table) == "60 °C (1.5 min), 12.5 °C/min to 180 °C, -30 °C/min to 100 °C (61 min)"


def test_pressures_are_gauge_and_absolute_with_psi_beside() -> None:
    carrier = CarrierProgram("pressure", AMBIENT + 100e3, 60.0, (Ramp(10e3 / 60, AMBIENT + 250e3, 30.0),))
    table = carrier_set_points(carrier, AMBIENT)
    assert (table.to_unit, table.beside_units) == ("kPa gauge", ("kPa absolute", "psi gauge", "psi/min"))
    # 100 and 250 kPa are 14.50 and 36.26 psi, at 6.894757 kPa/psi
    assert [(s.rate, s.to, s.beside, s.hold) for s in table.steps] == [
        ("-", "100", ("198", "14.50", "-"), "1"),
        ("10", "250", ("348", "36.26", "1.45"), "0.5"),
    ]
    assert pressure_text(AMBIENT + 100e3, AMBIENT) == "100.0 kPa gauge (198.0 kPa absolute, 14.50 psi gauge)"


def test_a_falling_pressure_falls_in_every_unit() -> None:
    carrier = CarrierProgram("pressure", AMBIENT + 250e3, 0.0, (Ramp(10e3 / 60, AMBIENT + 100e3),))
    step = carrier_set_points(carrier, AMBIENT).steps[1]
    assert (step.rate, step.to, step.beside) == ("-10", "100", ("198", "14.50", "-1.45"))


@pytest.mark.parametrize(
    ("carrier", "line"),
    [
        (CarrierProgram("flow", flow_si(1.35)), "Carrier, constant flow: 1.35 mL/min"),
        (CarrierProgram("velocity", 0.352), "Carrier, constant velocity: 35.2 cm/s"),
        (
            CarrierProgram("pressure", AMBIENT + 81e3),
            "Carrier, constant pressure: 81 kPa gauge (179 kPa absolute, 11.75 psi gauge)",
        ),
    ],
)
def test_a_constant_carrier_is_one_line(carrier: CarrierProgram, line: str) -> None:
    assert set_point_lines(Program(OvenProgram(kelvin(50.0)), carrier), AMBIENT)[-1] == line


def test_flow_and_velocity_programs() -> None:
    flow = CarrierProgram("flow", flow_si(1.0), 120.0, (Ramp(flow_si(0.5) / 60, flow_si(3.0)),))
    velocity = CarrierProgram("velocity", 0.3, 0.0, (Ramp(0.05 / 60, 0.2, 60.0),))
    assert one_line(carrier_set_points(flow, AMBIENT)) == "1 mL/min (2 min), 0.5 mL/min per min to 3 mL/min"
    assert one_line(carrier_set_points(velocity, AMBIENT)) == "30 cm/s, -5 cm/s per min to 20 cm/s (1 min)"


def test_lines_are_aligned_columns() -> None:
    program = Program(
        OvenProgram(kelvin(50.0), 60.0, (Ramp(20 / 60, kelvin(120.0), 30.0), Ramp(7.5 / 60, kelvin(260.0)))),
        CarrierProgram("flow", flow_si(1.4)),
    )
    assert set_point_lines(program, AMBIENT) == (
        "Oven",
        "          °C/min  to °C  hold min",
        "  start        -     50         1",
        "  ramp 1      20    120       0.5",
        "  ramp 2     7.5    260         0",
        "Carrier, constant flow: 1.4 mL/min",
    )


def test_numbers_are_typed_without_dust() -> None:
    assert [typed(x) for x in (60.0, 0.1 + 0.2, 1.25, -1e-9, 100.0, 0.00004)] == [
        "60",
        "0.3",
        "1.25",
        "0",
        "100",
        "0",
    ]
    assert typed(100.4, 0) == "100"
