"""Packed and porous-layer columns: what they let through, and their plate height.

`packed_flow`, `packed_plate_height`, `thick_film`: own computation, independent of this project, by closed forms and by
integration along the column. `packed_permeability` and `open_tube_flow_oracle`: the library fluids 1.3.1, whose
correlations of packed beds carry published constants (Ergun, Carman, Erdim, Brauer, KTA); sieves' openings from memory.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas
from models.column.passage import passage_of
from models.column.plate_height import Terms, plate_height, terms_of
from models.column.programs import CarrierProgram, OvenProgram, Program, batch_of
from models.column.retention import Retention, ln_retention_factor
from models.column.system import (
    Column,
    ColumnSystem,
    Packing,
    Passage,
    flow,
    hold_up_time,
    inlet_pressure_for_flow,
)
from models.peaks.migration import migrate, migration_tables
from models.units import flow_mL_min, flow_si, kelvin
from optimizer.base.quantities import mean_particle
from tests.published.tables import Row, rows, within

AMBIENT = 101325.0
VISCOSITY = 3.4e-4  # largest relative deviation of our viscosity from the reference equations
GASES = {"He": "helium", "N2": "nitrogen", "H2": "hydrogen"}
GAS_CONSTANT = 8.314462618

FLOWS, HEIGHTS = rows("packed_flow"), rows("packed_plate_height")


def column_of(row: Row) -> Column:
    packing = Packing(mean_particle(row["mesh"]), float(row["eps"]), float(row["eps_total"]))
    return Column(float(row["L_m"]), float(row["dc_mm"]) * 1e-3, 0.0, packing=packing)


@pytest.mark.parametrize("row", FLOWS, ids=[f"{i}" for i in range(len(FLOWS))])
def test_permeability_pressure_and_hold_up_time_of_packed_columns(row: Row) -> None:
    column, gas = column_of(row), carrier_gas(GASES[row["gas"]])
    T, F = kelvin(float(row["T_C"])), flow_si(float(row["F_mL_min_25C_1atm"]))
    assert column.permeability == pytest.approx(float(row["B_m2"]), rel=1e-7)
    pi = float(row["pi_kPa_abs"]) * 1e3
    assert within(float(inlet_pressure_for_flow(column, gas, T, F, AMBIENT)), pi, VISCOSITY)
    tM = float(hold_up_time(column, gas, T, pi, AMBIENT))
    assert within(tM, float(row["tM_s"]), VISCOSITY)
    # Viscosity drops out of F tM.
    assert float(flow(column, gas, T, pi, AMBIENT)) * tM == pytest.approx(F * float(row["tM_s"]), rel=1e-6)


@pytest.mark.parametrize("row", FLOWS[::4], ids=str)
def test_one_measurement_gives_permeability_and_cross_section(row: Row) -> None:
    """From the table's pressure, hold-up time and flow, whatever the column was taken for."""
    gas, T = carrier_gas(GASES[row["gas"]]), kelvin(float(row["T_C"]))
    truth, F = column_of(row), flow_si(float(row["F_mL_min_25C_1atm"]))
    assert truth.packing is not None
    guess = replace(truth, packing=replace(truth.packing, particle=200e-6, between=0.45, total=0.7))
    pi, tM = float(row["pi_kPa_abs"]) * 1e3, float(row["tM_s"])
    found = passage_of(guess, gas, T, pi, AMBIENT, tM, F)
    area = float(row["eps_total"]) * math.pi / 4 * (float(row["dc_mm"]) * 1e-3) ** 2
    assert within(found.permeability, float(row["B_m2"]), VISCOSITY)
    # The cross-section is F tM over a volume's mean pressure: no viscosity in it.
    assert found.gas_area == pytest.approx(area, rel=1e-6)
    assert passage_of(guess, gas, T, pi, AMBIENT, tM).gas_area == guess.gas_area


@pytest.mark.parametrize("row", rows("packed_permeability"), ids=lambda row: row["mesh"])
def test_permeability_is_carmans_and_within_40_percent_of_other_published_constants(row: Row) -> None:
    e = float(row["interparticle_porosity"])
    packing = Packing(mean_particle(row["mesh"]), e, 0.8)
    K = Column(2.0, 2e-3, 0.0, packing=packing).permeability * 0.8
    assert pytest.approx(float(row["dp_um"]), rel=1e-12) == packing.particle * 1e6
    assert pytest.approx(float(row["K_carman_m2"]), rel=2e-5) == K
    for other in ("ergun", "erdim", "brauer", "kta"):
        assert abs(float(row[f"K_{other}_m2"]) / K - 1) < 0.4


@pytest.mark.parametrize("row", rows("open_tube_flow_oracle"), ids=lambda row: row["gas"])
def test_an_open_tube_passes_what_a_library_of_pipe_flow_says(row: Row) -> None:
    gas, T = carrier_gas(GASES[row["gas"]]), kelvin(float(row["T_C"]))
    column = Column(float(row["L_m"]), float(row["d_mm"]) * 1e-3, 1e-7)
    F = float(flow(column, gas, T, float(row["pi_kPa"]) * 1e3, float(row["po_kPa"]) * 1e3))
    mass = F * AMBIENT / (GAS_CONSTANT * 298.15) * gas.molar_mass * 1e-3
    assert within(mass, float(row["mdot_fluids_kg_s"]), VISCOSITY)


@pytest.mark.parametrize("row", rows("thick_film"), ids=lambda row: f"{row['d_mm']} {row['layer_um']}")
def test_a_porous_layer_narrows_the_bore(row: Row) -> None:
    d, layer = float(row["d_mm"]) * 1e-3, float(row["layer_um"]) * 1e-6
    bare, coated = Column(30.0, d, 1e-9), Column(30.0, d, layer, porous=True, adsorbent=True)
    assert coated.permeability / bare.permeability - 1 == pytest.approx(
        float(row["velocity_change"]), rel=1e-5
    )
    per_drop = coated.permeability * coated.gas_area / (bare.permeability * bare.gas_area)
    assert per_drop - 1 == pytest.approx(float(row["flow_change_at_equal_pressure"]), rel=1e-5)


def system_of(row: Row) -> tuple[ColumnSystem, float, float, Retention]:
    """A column with the row's plate height and outlet velocity, its inlet pressure and T; one compound."""
    P, u = float(row["P"]), float(row["u_outlet_m_s"])
    gas, T, L = carrier_gas("helium"), 373.15, 2.0
    eta = 23.1e-6
    gas = replace(gas, viscosity_25C=eta, exponent=0.0, curvature=0.0)
    B = u * 2 * eta * L * AMBIENT / ((P**2 - 1) * AMBIENT**2)
    k = float(row["k"])
    packing = Packing(
        float(row["dp_um"]) * 1e-6,
        eddy=float(row["lambda"]),
        obstruction=float(row["gamma"]),
        # The table adds a hundredth of Golay's form to omega.
        transfer=float(row["omega"]) + 0.01 * (k / (1 + k)) ** 2,
    )
    resistance = 8 / math.pi**2 * (float(row["df_um"]) * 1e-6) ** 2 / float(row["Ds_m2_s"])
    column = Column(L, 2e-3, 0.0, packing=packing, resistance=resistance, measured=Passage(B, 2.5e-6))
    theta, T0 = 30.0, T  # ln k = (T0/theta)(T0/T - 1), solved for T0
    for _ in range(50):
        T0 = T * (1 + math.log(k) * theta / T0)
    return ColumnSystem(column, gas, AMBIENT), P * AMBIENT, T, Retention(*np.array([[T0], [theta], [0.0]]))


@pytest.mark.parametrize("row", HEIGHTS, ids=[f"{i}" for i in range(len(HEIGHTS))])
def test_plate_height_of_a_packed_column(row: Row) -> None:
    """Term by term at the outlet, and marched along the column against the closed form and its quadrature."""
    system, pi, T, retention = system_of(row)
    k, D, u = float(row["k"]), float(row["Dg_outlet_m2_s"]), float(row["u_outlet_m_s"])
    terms = terms_of(system.column)
    names = ("A_mm", "B_term_mm", "Cg_term_mm", "Cs_term_at_uo_mm")
    alone = (
        Terms(terms.eddy, 0, 0, terms.shape, 0, 0),
        Terms(0, terms.along, 0, terms.shape, 0, 0),
        Terms(0, 0, terms.across, terms.shape, 0, 0),
        Terms(0, 0, 0, terms.shape, terms.resistance, 0),
    )
    for name, each in zip(names, alone, strict=True):
        local = plate_height(each, *map(np.array, (k, D / u, u, T)))
        assert 1e3 * float(local) == pytest.approx(float(row[name]), rel=1e-6)
    assert float(np.exp(ln_retention_factor(retention, np.array(T))[0])) == pytest.approx(k, rel=1e-9)
    tables = migration_tables(system, retention, "pressure", np.array([D * AMBIENT / T**1.75]))
    found = migrate(tables, batch_of([Program(OvenProgram(T), CarrierProgram("pressure", pi))]))
    H = system.column.length * (found.width[0, 0] / found.retention_time[0, 0]) ** 2
    assert pytest.approx(float(row["H_closed_mm"]), rel=1e-5) == 1e3 * H
    assert pytest.approx(float(row["H_numeric_mm"]), rel=1e-5) == 1e3 * H
    assert flow_mL_min(float(flow(system.column, system.gas, T, pi, AMBIENT))) > 0
