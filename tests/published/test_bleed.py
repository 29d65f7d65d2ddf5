"""Bleed by temperature and in ramps.

`bleed`, `bleed_lag`: own computation, independent of this project; the activation energies are those of abstracts on
bulk polydimethylsiloxane (42 +- 3, 40 +- 2, 46 +- 2 kcal/mol; 30 +- 2 where it oxidises).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import Column, ColumnSystem, hold_up_time
from models.peaks.bleed import Bleed, activation_energy, baseline, level_at_rest, rest_of_hold_up
from models.units import kelvin
from tests.published.tables import Row, rows

OUTLET = 101325.0
PLAIN = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), OUTLET)


@pytest.mark.parametrize("row", rows("bleed"), ids=lambda row: f"{row['Ea_kJ_mol']} at {row['T_C']}")
def test_the_level_at_rest(row: Row) -> None:
    energy, T = 1e3 * float(row["Ea_kJ_mol"]), kelvin(float(row["T_C"]))
    level = level_at_rest(Bleed(1.0, kelvin(320.0), energy), np.array([T]))[0]
    assert level == pytest.approx(float(row["rate_relative_to_320C"]), rel=2e-7)
    # The table's doubling is by the slope at T: ln 2 over E/(R T^2).
    warmer = level_at_rest(Bleed(1.0, T, energy), np.array([T + 1e-3]))[0]
    assert 1e-3 * np.log(2) / np.log(warmer) == pytest.approx(float(row["kelvin_per_doubling"]), rel=1e-5)
    if kelvin(320.0) != T:
        pair = sorted([(T, float(row["rate_relative_to_320C"])), (kelvin(320.0), 1.0)])
        assert activation_energy(*pair) == pytest.approx(energy, rel=1e-6)


@pytest.mark.parametrize("row", rows("bleed_lag"), ids=lambda row: "_".join(list(row.values())[:4]))
def test_the_level_in_a_ramp(row: Row) -> None:
    """The share of the level at rest when the ramp passes 300 °C, at the hold-up time and ratio of pressures there."""
    T, rate = kelvin(300.0), float(row["rate_K_min"]) / 60
    inlet = float(row["P"]) * OUTLET
    computed = float(hold_up_time(PLAIN.column, PLAIN.gas, T, inlet, OUTLET))
    system = replace(PLAIN, flow_factor=computed / float(row["tM_s"]))
    x, weights = np.polynomial.legendre.leggauss(40)
    rest = [rest_of_hold_up(system, np.array([T]), np.array([inlet]), float(z))[0] for z in (x + 1) / 2]
    assert weights / 2 @ rest == pytest.approx(float(row["mean_remaining_holdup_s"]), rel=1e-6)
    oven = OvenProgram(kelvin(40.0), 0.0, (Ramp(rate, kelvin(340.0), 0.0),))
    batch = batch_of([Program(oven, CarrierProgram("pressure", inlet))])
    bleed = Bleed(1.0, T, 1e3 * float(row["Ea_kJ_mol"]))
    level = baseline(system, batch, np.array([[260.0 / rate]]), bleed)[0, 0]
    assert level == pytest.approx(float(row["signal_over_static"]), rel=2e-7)
