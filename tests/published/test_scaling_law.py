"""Carrying a method over, against the equations marched in time and against the hold-up law.

Theory, not a model's own output: with time counted in hold-up times the migration of a band contains nothing but its
retention factor (docs/theory.md, section 10), so that a program whose times are all multiplied by the ratio of the
hold-up times keeps every elution temperature. Speed-optimised flows in mL/min per mm of bore: helium 8, Klee and
Blumberg, J. Chromatogr. Sci. 40 (2002) 237; hydrogen 10, common practice, no source. Retention comes from vapour
pressures (see vapour_retention).
"""

from __future__ import annotations

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas, viscosity
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import Retention
from models.column.scaling import carried, speed_optimised_flow
from models.column.system import Column, ColumnSystem, inlet_pressure_for_flow
from models.units import flow_si, kelvin
from tests.published.vapour_retention import cox_pressure, from_tables, ln_scale_for
from tests.reference.adapter import reference_peak
from tests.reference.integrator import Peak

AMBIENT = 101325.0
COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
HELIUM = ColumnSystem(COLUMN, carrier_gas("helium"), AMBIENT)
HYDROGEN = ColumnSystem(COLUMN, carrier_gas("hydrogen"), AMBIENT)
MIDDLE = kelvin(120.0)  # the middle elution temperature: there flows are set and hold-up times compared
COMPOUNDS = ("toluene", "n-nonane", "1-octanol", "naphthalene", "n-dodecane", "n-tetradecane")
# n-decane reaches k = 1 at 95 °C on a nonpolar column of phase ratio 250; common practice, no source.
LN_SCALE = ln_scale_for(1.0, kelvin(95.0), float(cox_pressure("n-decane", np.array(kelvin(95.0)))))


def retention() -> Retention:
    return from_tables(COMPOUNDS, LN_SCALE)


def head_pressure(system: ColumnSystem, mL_min: float) -> float:
    flow = flow_si(mL_min)
    return float(inlet_pressure_for_flow(system.column, system.gas, MIDDLE, flow, system.outlet_pressure))


def hold_up(system: ColumnSystem, pressure: float) -> float:
    """Hold-up time [s] at MIDDLE, by summing dz/u over the column instead of by its closed form."""
    z = (np.arange(200_000) + 0.5) / 200_000
    po, column = system.outlet_pressure, system.column
    local = np.sqrt(pressure**2 - (pressure**2 - po**2) * z)
    gradient = (pressure**2 - po**2) / (2 * column.length * local)
    velocity = column.radius**2 / (8 * float(viscosity(system.gas, MIDDLE))) * gradient
    return float(np.mean(column.length / velocity))


def peaks(system: ColumnSystem, program: Program) -> list[Peak]:
    found = [reference_peak(system, retention(), m, program) for m in range(len(COMPOUNDS))]
    assert None not in found
    return [peak for peak in found if peak is not None]


def ramp(ratio: float, pressure: float) -> Program:
    """Two ramps and three holds, all times multiplied by a ratio."""
    oven = OvenProgram(
        kelvin(45.0),
        90.0 * ratio,
        (
            Ramp(12 / 60 / ratio, kelvin(120.0), 60.0 * ratio),
            Ramp(25 / 60 / ratio, kelvin(250.0), 600.0 * ratio),
        ),
    )
    return Program(oven, CarrierProgram("pressure", pressure))


def test_helium_to_hydrogen_keeps_the_elution_pattern() -> None:
    helium, hydrogen = head_pressure(HELIUM, 8 * 0.25), head_pressure(HYDROGEN, 10 * 0.25)
    ratio = hold_up(HYDROGEN, hydrogen) / hold_up(HELIUM, helium)
    assert ratio < 0.8
    before, after = peaks(HELIUM, ramp(1.0, helium)), peaks(HYDROGEN, ramp(ratio, hydrogen))

    T_before, T_after = (np.array([each.temperature for each in run]) for run in (before, after))
    assert np.median(T_before) == pytest.approx(MIDDLE, abs=1.0)
    t_before, t_after = (np.array([each.time for each in run]) for run in (before, after))
    np.testing.assert_allclose(T_after, T_before, rtol=1e-3)
    # A thousandth of an absolute temperature would be loose by itself.
    np.testing.assert_allclose(T_after, T_before, rtol=0, atol=0.1)
    np.testing.assert_allclose(t_after / ratio, t_before, rtol=1e-3)
    relative = t_before / t_before[2], t_after / t_after[2]
    np.testing.assert_allclose(relative[1], relative[0], rtol=1e-3)

    # Without the scaling every compound misses by more than ten times that, even the one that leaves at 45 °C.
    unscaled = np.array([each.temperature for each in peaks(HYDROGEN, ramp(1.0, hydrogen))])
    assert np.abs(unscaled - T_before).min() > 1.0


def test_the_package_carries_the_program_to_the_same_set_points() -> None:
    helium, hydrogen = head_pressure(HELIUM, 8 * 0.25), head_pressure(HYDROGEN, 10 * 0.25)
    assert speed_optimised_flow(COLUMN, HELIUM.gas) == pytest.approx(flow_si(2.0))
    assert speed_optimised_flow(COLUMN, HYDROGEN.gas) == pytest.approx(flow_si(2.5))
    ratio = hold_up(HYDROGEN, hydrogen) / hold_up(HELIUM, helium)
    program, found = carried(ramp(1.0, helium), HELIUM, HYDROGEN, "pressure", hydrogen, MIDDLE)
    assert found == pytest.approx(ratio, rel=1e-5)
    expected = ramp(ratio, hydrogen)
    np.testing.assert_allclose(program.oven.knots()[0], expected.oven.knots()[0], rtol=1e-5)
    np.testing.assert_allclose(program.oven.knots()[1], expected.oven.knots()[1], rtol=1e-12)
    assert program.carrier.start == pytest.approx(hydrogen)


@pytest.mark.parametrize("cut", [0.6, 3.0])
def test_isothermal_times_fall_as_the_square_of_the_length(cut: float) -> None:
    """At constant pressure and temperature every time is proportional to the hold-up time, and that to L^2."""
    shorter = ColumnSystem(Column(30.0 - cut, 0.25e-3, 0.25e-6), HELIUM.gas, AMBIENT)
    program = Program(OvenProgram(kelvin(110.0)), CarrierProgram("pressure", AMBIENT + 100e3))
    before, after = peaks(HELIUM, program), peaks(shorter, program)
    share = np.array([b.time / a.time for a, b in zip(before, after, strict=True)])
    np.testing.assert_allclose(share, ((30.0 - cut) / 30.0) ** 2, rtol=1e-7)
