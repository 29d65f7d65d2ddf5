"""Decomposition kinetics from the literature, and what is known of compounds that break on the way through a column.

Sources: `degradation.csv`, Arrhenius parameters of first order, the paper named in each line; all of them from memory,
to be checked before quoting. They were measured in bulk, film or gas, so none says how much is lost in a column.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from models.column.carrier_gas import carrier_gas
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem, inlet_pressure_for_velocity
from models.peaks.migration import migrate, migration_tables
from models.peaks.thermal_exposure import Decomposition, intact_fraction, ln_decomposed, rate_constant
from models.units import GAS_CONSTANT, kelvin
from tests.published.tables import Row, half_unit, rows

KINETICS = {row["analyte"]: row for row in rows("degradation")}
EACH = pytest.mark.parametrize("row", KINETICS.values(), ids=KINETICS)
AMBIENT = 101325.0
KJ_PER_KCAL = 4.184  # thermochemical calorie
YEAR = 365.25 * 24 * 3600.0


def kinetics_of(row: Row, count: int = 1) -> Decomposition:
    """The kinetics of a line, for as many analytes as are asked for."""
    return Decomposition(
        np.full(count, 1e3 * float(row["Ea_kJ_mol"])), np.full(count, np.log(10) * float(row["logA_s-1"]))
    )


def half_life(row: Row, T_C: float) -> float:
    return float(np.log(2) / rate_constant(kinetics_of(row), kelvin(T_C))[0])


@EACH
def test_activation_energies_agree_in_both_units(row: Row) -> None:
    """What the papers printed in kcal/mol is what is used, within its last digit."""
    if row["Ea_kcal_mol"]:
        allowed = KJ_PER_KCAL * half_unit(1) + half_unit(1)
        assert abs(float(row["Ea_kJ_mol"]) - KJ_PER_KCAL * float(row["Ea_kcal_mol"])) <= allowed
    else:
        assert row["analyte"] == "THCA-A"
        # k0 = 3.7e8 1/s, printed to two digits and as its logarithm to two decimals
        assert 10 ** float(row["logA_s-1"]) == pytest.approx(
            3.7e8, abs=0.05e8 + 3.7e8 * np.log(10) * half_unit(2)
        )


def measurable(row: Row) -> bool:
    """Half-lives between a tenth of a second and a day over the range of temperature of the paper."""
    return (
        half_life(row, float(row["lowest_C"])) < 24 * 3600.0 and half_life(row, float(row["highest_C"])) > 0.1
    )


@EACH
def test_half_lives_can_be_measured_where_they_were_measured(row: Row) -> None:
    """Flow reactors reach down to a tenth of a second, manometers up to a day; common practice, no source."""
    assert measurable(row)
    # The check would see the likely slip in every line.
    assert not measurable(row | {"Ea_kJ_mol": str(float(row["Ea_kJ_mol"]) / KJ_PER_KCAL)})


@EACH
@pytest.mark.parametrize("rate", [2.0, 10.0, 40.0])
def test_the_fastest_loss_on_a_ramp_is_where_kissinger_puts_it(row: Row, rate: float) -> None:
    """Kissinger, Anal. Chem. 29 (1957) 1702: Ea beta/(R Tp^2) = A exp(-Ea/(R Tp)), exact for first order.

    What is still whole there follows from the integral up to Tp in the rational form of Senum and Yang, J. Therm.
    Anal. 11 (1977) 445, as corrected by Flynn, Thermochim. Acta 300 (1997) 83 (both from memory): good to 1e-6.
    """
    energy, ln_A = 1e3 * float(row["Ea_kJ_mol"]), np.log(10) * float(row["logA_s-1"])
    a, beta = energy / GAS_CONSTANT, rate / 60
    Tp = float(brentq(lambda T: np.log(a * beta / T**2) - ln_A + a / T, 250.0, 1500.0))

    start, step = Tp - 200.0, 0.02  # K
    T = Tp + np.arange(-100, 101) * step
    oven = batch_of([Program(OvenProgram(start, 0.0, (Ramp(beta, Tp + 50),)), CarrierProgram("flow", 2e-8))])
    whole = intact_fraction(oven, (T - start)[None] / beta, np.arange(T.size), kinetics_of(row, T.size))[0]
    loss = -np.diff(whole)
    between = (T[1:] + T[:-1]) / 2
    assert between[np.argmax(loss)] == pytest.approx(Tp, abs=step)

    x = a / Tp
    senum_yang = (x**3 + 18 * x**2 + 86 * x + 96) / (x**4 + 20 * x**3 + 120 * x**2 + 240 * x + 120)
    assert whole[100] == pytest.approx(np.exp(-x * senum_yang), rel=1e-5)
    assert 0.36 < whole[100] < 0.41  # a little above 1/e, as thermal analysis knows it


def elute(column: Column, velocity: float, T0: Array, oven: OvenProgram, row: Row) -> Array:
    """Intact fractions of analytes of the same kinetics and different retention, at constant pressure."""
    gas = carrier_gas("helium")
    system = ColumnSystem(column, gas, AMBIENT)
    pressure = float(inlet_pressure_for_velocity(column, gas, oven.start, velocity, AMBIENT))
    batch = batch_of([Program(oven, CarrierProgram("pressure", pressure))])
    run = migrate(migration_tables(system, with_typical_values(T0), "pressure"), batch)
    assert run.eluted.all()
    kept: Array = intact_fraction(batch, run.retention_time, np.arange(T0.size), kinetics_of(row, T0.size))[0]
    return kept


def test_explosives_ask_for_a_short_column_and_a_fast_carrier() -> None:
    """EPA Method 529 (2002) sec. 6.9.1 and 13.5: longer stays degrade more; 15 m, not longer; higher velocity.

    With the kinetics of RDX. Its retention is left open: k = 1 anywhere from 170 to 230 °C.
    """
    T0, rdx = kelvin(np.array([170.0, 190.0, 210.0, 230.0])), KINETICS["RDX"]
    oven = OvenProgram(kelvin(80.0), 60.0, (Ramp(10 / 60, kelvin(280.0), 1800.0),))
    usual = elute(Column(15.0, 0.25e-3, 0.25e-6), 0.4, T0, oven, rdx)
    longer = elute(Column(30.0, 0.25e-3, 0.25e-6), 0.4, T0, oven, rdx)
    faster = elute(Column(15.0, 0.25e-3, 0.25e-6), 0.8, T0, oven, rdx)
    assert (longer < usual).all()
    assert (usual < faster).all()
    assert (np.diff(usual) < 0).all()  # what stays longer loses more
    assert longer[-1] < 0.9  # a loss that a bench would see, or the rest means little


def test_acidic_cannabinoids_do_not_survive_a_column() -> None:
    """Without derivatisation a gas chromatogram shows the neutral cannabinoids only; common practice, no source."""
    oven = OvenProgram(kelvin(100.0), 60.0, (Ramp(15 / 60, kelvin(300.0), 600.0),))
    batch = batch_of([Program(oven, CarrierProgram("flow", 2e-8))])
    at_280_C = np.array([[60.0 + 180.0 * 4]])
    lost = ln_decomposed(batch, at_280_C, np.array([0]), kinetics_of(KINETICS["THCA-A"]))[0, 0]
    assert np.exp(-lost) < 1e-3


def test_dicyclopentadiene_keeps_on_the_shelf_and_cracks_at_its_boiling_point() -> None:
    """Cracked to cyclopentadiene by boiling it (170 °C) for some hours; common practice, no source."""
    row = KINETICS["endo-dicyclopentadiene"]
    assert half_life(row, 25.0) > YEAR
    assert 600.0 < half_life(row, 170.0) < 6 * 3600.0


def test_plain_esters_and_chloroalkanes_come_through_whole() -> None:
    """Ten minutes at 300 °C do nothing to ethyl acetate or chloroethane; common practice, no source."""
    batch = batch_of([Program(OvenProgram(kelvin(300.0)), CarrierProgram("flow", 2e-8))])
    for name in ("ethyl acetate", "chloroethane"):
        kept = intact_fraction(batch, np.array([[600.0]]), np.array([0]), kinetics_of(KINETICS[name]))[0, 0]
        assert kept > 0.99, name
