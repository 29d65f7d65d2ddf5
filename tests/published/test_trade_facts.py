"""What every bench knows about temperature and retention; common practice, no source.

Retention comes from vapour pressures (see vapour_retention), on a nonpolar column of phase ratio 250 on which n-decane
reaches k = 1 at 95 °C (common practice, no source), so that nothing here rests on a retention model fitted to runs.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import spearmanr

from models.column.carrier_gas import carrier_gas
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, joined, ln_retention_factor
from models.column.system import Column, ColumnSystem, inlet_pressure_for_velocity
from models.peaks.migration import migrate, migration_tables
from models.units import SECONDS_PER_MINUTE, absolute_pressure, flow_si, kelvin
from tests.published.tables import rows
from tests.published.vapour_retention import (
    Array,
    cox_pressure,
    fitted,
    from_tables,
    ln_scale_for,
    tabulated_pressures,
)

AMBIENT = 101325.0
SYSTEM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), carrier_gas("helium"), AMBIENT)
DECANE_AT = kelvin(95.0)
LN_SCALE = ln_scale_for(1.0, DECANE_AT, float(cox_pressure("n-decane", np.array(DECANE_AT))))
BOILING = {
    row["compound"]: float(row["Tb_K_CRC_ORG"]) for row in rows("boiling_points") if row["Tb_K_CRC_ORG"]
}  # CRC Handbook of Chemistry and Physics
ALKANES = [row["compound"] for row in rows("nalkane_cox")]  # C8 to C20


def carrier(controlled: Controlled) -> CarrierProgram:
    start = {"pressure": absolute_pressure(80.0, AMBIENT), "flow": flow_si(1.2), "velocity": 0.35}[controlled]
    return CarrierProgram(controlled, start)


def retention_times(
    system: ColumnSystem, retention: Retention, oven: OvenProgram, carrier: CarrierProgram
) -> Array:
    """Retention times [s] of all compounds, which must all elute."""
    tables = migration_tables(system, retention, carrier.controlled)
    run = migrate(tables, batch_of([Program(oven, carrier)]))
    assert run.eluted.all()
    times: Array = run.retention_time[0]
    return times


def alkanes(ln_scale: float, lowest_C: float = 40.0, highest_C: float = 320.0) -> Retention:
    T = kelvin(np.linspace(lowest_C, highest_C, 60))
    return joined(*(fitted(T, cox_pressure(name, T), ln_scale)[0] for name in ALKANES))


def test_vapour_pressures_fit_the_three_term_curve() -> None:
    """ln k = A + B/T + C ln T follows 280 °C of vapour pressure within 5 % in k for the n-alkanes."""
    for name in (name for name in BOILING if name.startswith("n-") and name.endswith("ane")):
        T, pressure = tabulated_pressures(name)
        assert fitted(T, pressure)[1] < 0.05, name


@pytest.mark.parametrize("rate", [4.0, 10.0, 25.0])
def test_boiling_point_order_on_a_nonpolar_phase(rate: float) -> None:
    names = [name for name in BOILING if tabulated_pressures(name)[0].size >= 8]
    assert len(names) == 70
    ramp = OvenProgram(kelvin(40.0), 60.0, (Ramp(rate / 60, kelvin(320.0), 600.0),))
    times = retention_times(SYSTEM, from_tables(names, LN_SCALE), ramp, carrier("flow"))
    t, boiling = dict(zip(names, times, strict=True)), np.array([BOILING[name] for name in names])

    # Within a class, strictly.
    classes = {
        "n-alkanes": [n for n in names if n.startswith("n-") and n.endswith("ane")],
        "alkylbenzenes": ["benzene", "toluene", "ethylbenzene", "o-xylene", "n-propylbenzene"],
        "1-alkanols": ["1-propanol", "1-butanol", "1-pentanol", "1-hexanol", "1-octanol", "1-decanol"],
        "2-alkanones": ["acetone", "2-butanone", "2-pentanone", "2-heptanone", "2-octanone"],
    }
    assert len(classes["n-alkanes"]) == 16
    for members in classes.values():
        in_order = sorted(members, key=BOILING.__getitem__)
        assert [t[name] for name in in_order] == sorted(t[name] for name in members)

    # Across classes, vapour pressure curves of unlike slope cross: inversions of up to 23 °C in boiling point are found
    # (an alkanol before an aromatic that boils higher), never one of 30; rank correlation 0.994 to 0.996.
    assert spearmanr(times, boiling).statistic > 0.99
    inverted = (boiling[:, None] > boiling[None, :] + 30.0) & (times[:, None] < times[None, :])
    assert not inverted.any()


@pytest.mark.parametrize("controlled", ["pressure", "flow", "velocity"])
@pytest.mark.parametrize("rate", [1.0, 5.0, 20.0, 60.0])
def test_a_ramp_keeps_a_homologous_series_in_order(rate: float, controlled: Controlled) -> None:
    ramp = OvenProgram(kelvin(50.0), 120.0, (Ramp(rate / 60, kelvin(300.0), 900.0),))
    times = retention_times(SYSTEM, alkanes(LN_SCALE), ramp, carrier(controlled))
    assert (np.diff(times) > 0).all()


def test_isothermal_times_of_a_homologous_series_grow_geometrically() -> None:
    """Adjusted retention times grow by nearly the same factor a carbon; a linear ramp makes even steps of it."""
    T = kelvin(150.0)
    retention = alkanes(LN_SCALE)
    held = retention_times(SYSTEM, retention, OvenProgram(T), carrier("pressure"))
    hold_up = held / (1 + np.exp(ln_retention_factor(retention, np.array(T))))
    assert np.ptp(hold_up) < 1e-6 * hold_up.mean()
    factor = (held - hold_up)[1:] / (held - hold_up)[:-1]
    assert 1.4 < factor.min() < factor.max() < 2.5
    assert factor.max() / factor.min() < 1.15

    ramp = OvenProgram(kelvin(50.0), 0.0, (Ramp(8 / 60, kelvin(320.0), 0.0),))
    steps = np.diff(retention_times(SYSTEM, retention, ramp, carrier("flow"))[2:])
    assert steps.max() / steps.min() < 2.0
    assert np.diff(held)[-1] / np.diff(held)[2] > 50


# The fact: isothermal at 150 °C a C15 alkane took about 90 min, where 50 to 250 °C at 8 °C/min took about 19 min.
HELD, HELD_MIN = kelvin(150.0), 90.0
RAMP = OvenProgram(kelvin(50.0), 0.0, (Ramp(8 / 60, kelvin(250.0)),))
# Columns on which a hold-up time of minutes at most makes 90 min of it: length [m], bore [mm], film [µm].
THICK_FILMS = [(15.0, 0.53, 5.0), (30.0, 0.53, 3.0), (30.0, 0.53, 5.0), (50.0, 0.53, 5.0)]


def pentadecane_in_the_ramp(
    length: float, bore_mm: float, film_um: float, controlled: Controlled
) -> tuple[float, float]:
    """Retention time in the ramp [min] and k at 150 °C, the carrier being set so that 90 min are taken at 150 °C."""
    column = Column(length, bore_mm * 1e-3, film_um * 1e-6)
    system = ColumnSystem(column, carrier_gas("helium"), AMBIENT)
    T = kelvin(np.linspace(100.0, 270.0, 60))
    scale = LN_SCALE + np.log(250.0 / column.phase_ratio)
    retention, misfit = fitted(T, cox_pressure("n-pentadecane", T), scale)
    assert misfit < 0.01
    k = float(np.exp(ln_retention_factor(retention, np.array(HELD)))[0])
    hold_up = HELD_MIN * SECONDS_PER_MINUTE / (1 + k)
    inlet = float(inlet_pressure_for_velocity(column, system.gas, HELD, length / hold_up, AMBIENT))
    if controlled == "pressure":
        program = CarrierProgram("pressure", inlet)
    else:
        program = CarrierProgram("velocity", length / hold_up)
    held = retention_times(system, retention, OvenProgram(HELD), program)[0]
    assert held / SECONDS_PER_MINUTE == pytest.approx(HELD_MIN, rel=1e-3)
    return float(retention_times(system, retention, RAMP, program)[0]) / SECONDS_PER_MINUTE, k


def without_the_engine(k_held: float) -> float:
    """The same ramp at constant average velocity [min]: quadrature of dt/(tM (1 + k)), vapour pressure as it is."""
    hold_up = HELD_MIN / (1 + k_held)

    def k(T: float) -> float:
        ratio = cox_pressure("n-pentadecane", np.array(HELD)) / cox_pressure("n-pentadecane", np.array(T))
        return float(k_held * T / HELD * ratio)

    def passed(t: float) -> float:
        def speed(at: float) -> float:
            return 1 / (hold_up * (1 + k(kelvin(min(50.0 + 8 * at, 250.0)))))

        return float(quad(speed, 0, min(t, 25.0))[0]) + max(t - 25.0, 0.0) * speed(25.0)

    return float(brentq(lambda t: passed(t) - 1, 5.0, 60.0))


@pytest.mark.parametrize(("length", "bore_mm", "film_um"), THICK_FILMS)
def test_pentadecane_comes_much_sooner_in_the_ramp(length: float, bore_mm: float, film_um: float) -> None:
    """The direction and size of the fact, and the prediction itself against a quadrature without engine or fit."""
    ramped, k = pentadecane_in_the_ramp(length, bore_mm, film_um, "velocity")
    # The three-term curve is within 1 % of the vapour pressure.
    assert ramped == pytest.approx(without_the_engine(k), rel=0.005)
    assert ramped < HELD_MIN / 3
