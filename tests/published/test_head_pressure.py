"""Head pressure and flow as two methods of the United States Environmental Protection Agency state them.

Sources: EPA Method 526 rev. 1.0 (2000), section 10.2.2.1, and EPA Method 527 rev. 1.0 (2005), section 10.2.2.1: a
column of 30 m x 0.25 mm, helium, 55 °C, mass spectrometer (vacuum outlet), constant flow 1.4 mL/min, head pressure
12.2 and 12.0 psi (gauge).
"""

from __future__ import annotations

import pytest

from models.column.carrier_gas import carrier_gas
from models.column.system import Column, flow, hold_up_time, inlet_pressure_for_flow
from models.units import PA_PER_PSI, REFERENCE_PRESSURE, flow_mL_min, flow_si, kelvin
from tests.published.tables import within

COLUMN = Column(30.0, 0.25e-3, 0.25e-6)  # the film does not enter the flow
HELIUM = carrier_gas("helium")
OVEN = kelvin(55.0)
STATED_FLOW, FLOW_ROUNDING = 1.4, 0.05  # mL/min, half a unit of the last printed digit
PRESSURE_ROUNDING = 0.05  # psi, likewise
METHODS = pytest.mark.parametrize(
    ("head_psi", "computed_flow", "computed_velocity"),
    # The last two were computed independently of this project, for the stated head pressure.
    [pytest.param(12.2, 1.3949, 42.72, id="526"), pytest.param(12.0, 1.3743, 42.41, id="527")],
)


def absolute(head_psi: float) -> float:
    return head_psi * PA_PER_PSI + REFERENCE_PRESSURE


@METHODS
def test_flow_from_the_stated_head_pressure(
    head_psi: float, computed_flow: float, computed_velocity: float
) -> None:
    inlet = absolute(head_psi)
    ours = flow_mL_min(float(flow(COLUMN, HELIUM, OVEN, inlet, 0.0)))
    # Flow into vacuum goes as the square of the absolute inlet pressure.
    from_pressure = 2 * PRESSURE_ROUNDING * PA_PER_PSI / inlet * STATED_FLOW
    assert ours == pytest.approx(STATED_FLOW, abs=FLOW_ROUNDING + from_pressure)
    # Four printed digits, and our viscosity of helium within 0.0087 % of the reference equation.
    assert within(ours, computed_flow, 8.7e-5, 5e-5)
    velocity = 100 * COLUMN.length / float(hold_up_time(COLUMN, HELIUM, OVEN, inlet, 0.0))
    assert within(velocity, computed_velocity, 8.7e-5, 5e-3)


@METHODS
def test_head_pressure_from_the_stated_flow(
    head_psi: float, computed_flow: float, computed_velocity: float
) -> None:
    def gauge_psi(mL_min: float) -> float:
        inlet = float(inlet_pressure_for_flow(COLUMN, HELIUM, OVEN, flow_si(mL_min), 0.0))
        return (inlet - REFERENCE_PRESSURE) / PA_PER_PSI

    lowest, highest = gauge_psi(STATED_FLOW - FLOW_ROUNDING), gauge_psi(STATED_FLOW + FLOW_ROUNDING)
    assert lowest - PRESSURE_ROUNDING <= head_psi <= highest + PRESSURE_ROUNDING
    assert gauge_psi(STATED_FLOW) == pytest.approx(head_psi, rel=0.025)
    assert gauge_psi(computed_flow) == pytest.approx(head_psi, abs=2e-3)
