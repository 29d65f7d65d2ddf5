"""Compressible flow in 18 columns, each at its nominal bore and at the bore that the film leaves free.

Source: the hold-up time, velocity and flow of `flow_cases.csv` were integrated numerically along the column for
an ideal gas, with viscosities of the reference equations (see test_viscosity); own computation, independent of this
project, checked there against a real-gas equation of state (largest effect 0.05 %, columns *_realgas).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from models.column.carrier_gas import CarrierGas, carrier_gas, viscosity
from models.column.system import (
    Column,
    compressibility,
    flow,
    hold_up_time,
    inlet_pressure_for_flow,
    inlet_pressure_for_velocity,
    velocity_outlet,
)
from models.units import flow_mL_min, flow_si, kelvin
from tests.published.tables import Row, half_unit, rows, within

VISCOSITY = 3.4e-4  # largest relative deviation of our viscosity from the reference equations
CUTOFF = 2e-8  # of the numerical integration towards a vacuum outlet, column rel_diff_tM

CASES = rows("flow_cases")
ALL = pytest.mark.parametrize("row", CASES, ids=[f"{row['case']} {row['bore'].split()[0]}" for row in CASES])


@dataclass(frozen=True)
class Case:
    """A row in SI, with the gas as the project knows it."""

    column: Column
    gas: CarrierGas
    T: float
    inlet: float
    outlet: float

    def with_viscosity(self, value: float) -> Case:
        """The same with a gas that has exactly this viscosity [Pa s] at T."""
        scale = value / float(viscosity(self.gas, self.T))
        return replace(self, gas=replace(self.gas, viscosity_25C=self.gas.viscosity_25C * scale))


def case_of(row: Row) -> Case:
    bore, film = float(row["id_mm"]) * 1e-3, float(row["df_um"]) * 1e-6
    free = bore - 2 * film if row["bore"].startswith("free") else bore
    return Case(
        Column(float(row["L_m"]), free, film),
        carrier_gas(row["gas"].lower()),
        kelvin(float(row["T_C"])),
        float(row["pin_abs_Pa"]),
        float(row["pout_abs_Pa"]),
    )


def test_there_are_36_cases_of_both_outlets_and_four_gases() -> None:
    assert len(CASES) == 36
    assert {row["pout_abs_Pa"] == "0.0" for row in CASES} == {True, False}
    assert len({row["gas"] for row in CASES}) >= 3


@ALL
def test_geometry_and_expansion(row: Row) -> None:
    """With the table's own viscosity only the rounding of the printed digits is left: 1e-8 to 1e-6 relative."""
    mu = float(row["mu_uPas"])
    case = case_of(row).with_viscosity(mu * 1e-6)
    # Inlet pressures are round, but for two that were found from a flow and are printed to 0.1 Pa.
    found = len(row["pin_gauge_kPa"]) > 5
    squares = 2 * half_unit(1) * case.inlet / (case.inlet**2 - case.outlet**2) if found else 0.0
    rounding = half_unit(5) / mu + squares + CUTOFF
    args = (case.column, case.gas, case.T, case.inlet, case.outlet)

    t = float(hold_up_time(*args))
    t_table = float(row["tM_s_numeric"])
    assert within(t, t_table, rounding, half_unit(5))

    u_table = float(row["ubar_cm_s_numeric"])
    assert within(100 * case.column.length / t, u_table, rounding, half_unit(5))

    F = flow_mL_min(float(flow(*args)))
    F_table = float(row["F_mL_min_25C_1atm_numeric"])
    assert within(F, F_table, rounding, half_unit(6))
    # Viscosity drops out of F tM: geometry and pressures alone.
    digits = half_unit(6) / F_table + half_unit(5) / t_table
    assert within(F * t, F_table * t_table, digits + squares + CUTOFF)

    back = inlet_pressure_for_flow(case.column, case.gas, case.T, flow_si(F_table), case.outlet)
    assert float(back) == pytest.approx(case.inlet, rel=rounding + half_unit(6) / F_table)
    back = inlet_pressure_for_velocity(case.column, case.gas, case.T, u_table / 100, case.outlet)
    assert float(back) == pytest.approx(case.inlet, rel=rounding + half_unit(5) / u_table)

    if case.outlet > 0:
        # James and Martin's factor and the velocity at the outlet; their product is the average velocity.
        j = float(compressibility(case.inlet, case.outlet))
        u_out = 100 * float(velocity_outlet(*args))
        assert j == pytest.approx(float(row["j_James_Martin"]), abs=half_unit(6))
        assert within(u_out, float(row["uo_cm_s"]), rounding, half_unit(4))
        assert within(j * u_out, float(row["j_times_uo_cm_s"]), rounding, half_unit(4))
    else:
        assert np.isinf(velocity_outlet(*args))


@ALL
def test_with_our_viscosity(row: Row) -> None:
    """The same with the compact viscosity, which is within 0.034 % of the table's; everything goes as 1/viscosity."""
    case = case_of(row)
    args = (case.column, case.gas, case.T, case.inlet, case.outlet)
    limit = VISCOSITY + 2e-6
    assert float(viscosity(case.gas, case.T)) * 1e6 == pytest.approx(float(row["mu_uPas"]), rel=limit)
    assert float(hold_up_time(*args)) == pytest.approx(float(row["tM_s_numeric"]), rel=limit)
    assert within(flow_mL_min(float(flow(*args))), float(row["F_mL_min_25C_1atm_numeric"]), limit)


@ALL
def test_size_of_gas_imperfection(row: Row) -> None:
    """What the ideal gas law leaves out, against the real-gas columns.

    Hold-up time: as much as the table itself states for the case. Flow: a limit of this project's own, 0.2 %;
    0.12 % was found (hydrogen at 300 kPa), part of it the density of the gas at the reference conditions.
    """
    case = case_of(row)
    args = (case.column, case.gas, case.T, case.inlet, case.outlet)
    stated = (abs(float(row["realgas_effect_tM_pct"])) + half_unit(3)) / 100
    assert within(float(hold_up_time(*args)), float(row["tM_s_realgas"]), VISCOSITY + stated + 1e-6)
    assert within(flow_mL_min(float(flow(*args))), float(row["F_realgas"]), 2e-3)
