"""Pieces in series at rest: flows, pressures between pieces, hold-up times and variances.

`series_columns`, `series_variance`: own computation, independent of this project, by closed forms and by marching along
every piece; viscosity is that of the project, diffusion that of n-decane by Fuller's method.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas, diffusion_constant
from models.column.formula import diffusion_volume, molar_mass
from models.column.passage import length_as_alone
from models.column.programs import CarrierProgram, OvenProgram, Program, batch_of
from models.column.retention import Retention
from models.column.system import (
    Bare,
    Column,
    ColumnSystem,
    flow,
    hold_up_time,
    inlet_pressure_for_flow,
    inlet_pressure_for_velocity,
    parts_of,
)
from models.peaks.migration import migrate, migration_tables
from models.units import flow_mL_min
from tests.published.tables import Row, rows

HELIUM, T = carrier_gas("helium"), 373.15
MAIN = (30.0, 0.25e-3, 0.25e-6)
COLUMNS = {
    "single 30 m x 0.25": Column(*MAIN),
    "same column cut in two 10+20": Column(20.0, 0.25e-3, 0.25e-6, before=(Bare(10.0, 0.25e-3),)),
    "guard 5 m x 0.25 uncoated + 30 m": Column(*MAIN, before=(Bare(5.0, 0.25e-3),)),
    "gap 2 m x 0.53 uncoated + 30 m": Column(*MAIN, before=(Bare(2.0, 0.53e-3),)),
    "30 m + restrictor 1 m x 0.15 uncoated": Column(*MAIN, after=(Bare(1.0, 0.15e-3),)),
    "30 m x 0.25 + 15 m x 0.32 with 0.4 k": Column(*MAIN, after=(Bare(15.0, 0.32e-3),)),
}


@pytest.mark.parametrize("row", rows("series_columns"), ids=lambda row: f"{row['system']} {row['po_kPa']}")
def test_flow_pressures_and_hold_up_times(row: Row) -> None:
    column, po = COLUMNS[row["system"]], float(row["po_kPa"]) * 1e3
    pi, F = float(row["pi_kPa_at_100C"]) * 1e3, float(row["F_mL_min_at_100C"])
    assert flow_mL_min(float(flow(column, HELIUM, T, pi, po))) == pytest.approx(F, rel=1e-6)
    assert float(inlet_pressure_for_flow(column, HELIUM, T, F / 6e7, po)) == pytest.approx(pi, rel=1e-6)
    tM = float(hold_up_time(column, HELIUM, T, pi, po))
    assert tM == pytest.approx(float(row["tM_total_s_100C"]), rel=1e-6)
    back = inlet_pressure_for_velocity(column, HELIUM, T, column.length / tM, po)
    assert float(back) == pytest.approx(pi, rel=1e-7)
    before, own, after = parts_of(column)
    parts = [*before, own, *after]
    joint = math.sqrt(pi**2 - (pi**2 - po**2) * parts[0].stop)
    assert joint == pytest.approx(float(row["p_joint1_kPa"]) * 1e3, rel=1e-6, abs=1e-3)
    assert sum(part.share for part in parts) == pytest.approx(1)
    assert len(parts) == len(re.findall(r"\S+", row["tM_segments_s_100C"]))


PIECES = {
    "30 m x 0.25, k 4": Column(*MAIN),
    "5 m uncoated + 30 m k 4": Column(*MAIN, before=(Bare(5.0, 0.25e-3),)),
    "2 m x 0.53 uncoated + 30 m k 4": Column(*MAIN, before=(Bare(2.0, 0.53e-3),)),
    "30 m k 4 + 1 m x 0.15": Column(*MAIN, after=(Bare(1.0, 0.15e-3),)),
}


@pytest.mark.parametrize("name", PIECES)
def test_time_and_width_of_a_peak_at_rest(name: str) -> None:
    (row,) = (each for each in rows("series_variance") if each["system"] == name)
    hot, theta = 393.15, 30.0
    T0 = hot
    for _ in range(60):
        T0 = hot * (1 + math.log(4) * theta / T0)  # k = 4 at 120 °C
    tables = migration_tables(
        ColumnSystem(PIECES[name], HELIUM, 101325.0),
        Retention(*np.array([[T0], [theta], [0.0]])),
        "pressure",
        np.array([diffusion_constant(HELIUM, molar_mass("C10H22"), diffusion_volume("C10H22"))]),
    )
    pi = float(row["pi_kPa"]) * 1e3
    found = migrate(tables, batch_of([Program(OvenProgram(hot), CarrierProgram("pressure", pi))]))
    assert found.retention_time[0, 0] == pytest.approx(float(row["tR_s"]), rel=1e-6)
    assert found.width[0, 0] == pytest.approx(float(row["sigma_quadrature_s"]), rel=2e-3)


def test_a_cut_takes_from_the_guard() -> None:
    column = PIECES["5 m uncoated + 30 m k 4"]
    shorter = column.shortened(0.5)
    assert (shorter.length, shorter.before) == (30.0, (Bare(4.5, 0.25e-3),))
    # At a vacuum the stay in the coated piece goes with the root of the whole length, alone with its square.
    assert length_as_alone(ColumnSystem(column, HELIUM, 0.0)) == pytest.approx(4 * 35.0, rel=1e-4)
    assert length_as_alone(ColumnSystem(Column(*MAIN), HELIUM, 0.0)) == 30.0
    assert Column(*MAIN).shortened(0.5).length == 29.5
