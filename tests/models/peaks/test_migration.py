"""The engine against facts that mostly need no integrator; `test_migration_range` holds it against one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

import models.cores
from models.column.carrier_gas import CARRIER_GASES, diffusion
from models.column.plate_height import gas_plate_height
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, ln_retention_factor, with_typical_values
from models.column.system import Column, ColumnSystem, hold_up_time, inlet_pressure
from models.errors import OutsideValidityError
from models.peaks import one_piece
from models.peaks.migration import LONGEST_RETENTION, Migration, migrate, migration_tables
from models.units import flow_si
from tests.reference.adapter import reference_peak
from tests.reference.cases import CONTROLLED, OUTLETS

AMBIENT = 101325.0
whole = one_piece.tube_of  # as it is for a column of one piece
COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
HELIUM = CARRIER_GASES["helium"]
SYSTEM = ColumnSystem(COLUMN, HELIUM, AMBIENT)
RETENTION = with_typical_values(np.linspace(330.0, 560.0, 8))
SET_VALUES: dict[Controlled, float] = {"pressure": 2e5, "flow": 2e-8, "velocity": 0.35}


def run(
    oven: OvenProgram,
    carrier: CarrierProgram,
    system: ColumnSystem = SYSTEM,
    retention: Retention = RETENTION,
) -> Migration:
    tables = migration_tables(system, retention, carrier.controlled)
    return migrate(tables, batch_of([Program(oven, carrier)]))


@pytest.mark.parametrize("controlled", CONTROLLED)
def test_isothermal_batches_of_any_size_are_run(controlled: Controlled) -> None:
    """More programs than are migrated at a time, none of which ramps anything: one by one they give the same."""
    carrier = CarrierProgram(controlled, SET_VALUES[controlled])
    programs = [Program(OvenProgram(T), carrier) for T in np.linspace(370.0, 520.0, 1500)]
    tables = migration_tables(SYSTEM, RETENTION, controlled)
    together = migrate(tables, batch_of(programs)).retention_time
    for at in (0, 700, 1499):
        alone = migrate(tables, batch_of([programs[at]])).retention_time[0]
        np.testing.assert_allclose(together[at], alone, rtol=1e-12)


@pytest.mark.parametrize("outlet", OUTLETS)
@pytest.mark.parametrize("controlled", CONTROLLED)
def test_isothermal_retention_is_hold_up_time_times_one_plus_k(controlled: Controlled, outlet: float) -> None:
    T = 450.0
    system = ColumnSystem(COLUMN, HELIUM, outlet)
    result = run(OvenProgram(T), CarrierProgram(controlled, SET_VALUES[controlled]), system)
    pi = inlet_pressure(system, controlled, np.array(SET_VALUES[controlled]), np.array(T))
    k = np.exp(ln_retention_factor(RETENTION, np.array(T)))
    np.testing.assert_allclose(
        result.retention_time[0], hold_up_time(COLUMN, HELIUM, T, pi, outlet) * (1 + k), rtol=1e-9
    )
    np.testing.assert_allclose(result.elution_temperature, T)
    np.testing.assert_allclose(result.retention_factor[0], k, rtol=1e-9)


@pytest.mark.parametrize("ratio", [1.05, 2.0, 5.0])
def test_expansion_of_the_gas_comes_out_of_the_quadrature(ratio: float) -> None:
    """A slice dz of the column adds H p^2 dz to the variance in time and p dz to the time.

    So (width/tR)^2 L is H times mean(p^2)/mean(p)^2 over the length, H being the same everywhere without a film.
    """
    column = Column(30.0, 0.25e-3, 1e-12)
    system = ColumnSystem(column, HELIUM, AMBIENT)
    T, pi = 500.0, ratio * AMBIENT
    tables = migration_tables(system, RETENTION, "pressure")
    result = migrate(tables, batch_of([Program(OvenProgram(T), CarrierProgram("pressure", pi))]))

    def p(z: float) -> float:
        return float(np.sqrt(pi**2 - (pi**2 - AMBIENT**2) * z))

    mean, mean_square = quad(p, 0, 1)[0], quad(lambda z: p(z) ** 2, 0, 1)[0]
    tM = hold_up_time(column, HELIUM, T, pi, AMBIENT)
    u_at_mean = (
        column.length / tM
    )  # time per length is p/(u p), so the mean pressure goes with the mean velocity
    D = diffusion(tables.diffusion, T, mean)
    k = np.exp(ln_retention_factor(RETENTION, np.array(T)))
    expected = gas_plate_height(k, D / u_at_mean, column.radius) * mean_square / mean**2
    measured = column.length * (result.width[0] / result.retention_time[0]) ** 2
    np.testing.assert_allclose(measured, expected, rtol=1e-4)


def test_vanishing_pressure_drop() -> None:
    """Without expansion the width is sqrt(H/L) tR."""
    short = Column(0.5, 0.53e-3, 1e-12)
    system = ColumnSystem(short, HELIUM, AMBIENT)
    tables = migration_tables(system, RETENTION, "pressure")
    pi, T = AMBIENT + 20.0, 500.0
    result = migrate(tables, batch_of([Program(OvenProgram(T), CarrierProgram("pressure", pi))]))
    tM = hold_up_time(short, HELIUM, T, pi, AMBIENT)
    k = np.exp(ln_retention_factor(RETENTION, np.array(T)))
    H = gas_plate_height(k, diffusion(tables.diffusion, T, AMBIENT) / (short.length / tM), short.radius)
    np.testing.assert_allclose(result.retention_time[0], tM * (1 + k), rtol=1e-8)
    np.testing.assert_allclose(
        result.width[0], np.sqrt(H / short.length) * result.retention_time[0], rtol=2e-4
    )


@pytest.mark.parametrize("controlled", CONTROLLED)
def test_ramps_of_no_length_are_holds(controlled: Controlled) -> None:
    T, value = 430.0, SET_VALUES[controlled]
    plain = run(OvenProgram(T), CarrierProgram(controlled, value))
    oven = OvenProgram(T, 30.0, (Ramp(0.5, T, 20.0), Ramp(0.1, T)))
    idle = run(oven, CarrierProgram(controlled, value, 10.0, (Ramp(value / 100, value, 5.0),)))
    np.testing.assert_allclose(idle.retention_time, plain.retention_time, rtol=1e-8)
    np.testing.assert_allclose(idle.width, plain.width, rtol=1e-5)


@pytest.mark.parametrize("controlled", CONTROLLED)
def test_a_ramp_in_steps_of_holds_approaches_the_ramp(controlled: Controlled) -> None:
    """A staircase of 400 short holds needs none of the tables, only the exact speed at each temperature."""
    steps = 400
    rise, length = 200.0 / steps, 600.0 / steps
    stairs = OvenProgram(
        350.0 + rise / 2,
        length,
        tuple(Ramp(1e6, 350.0 + (i + 0.5) * rise, length) for i in range(1, steps)),
    )
    carrier = CarrierProgram(controlled, SET_VALUES[controlled])
    smooth = run(OvenProgram(350.0, 0.0, (Ramp(1 / 3, 550.0, 600.0),)), carrier)
    rough = run(stairs, carrier)
    within = (smooth.retention_time > 60) & (smooth.retention_time < 590)
    assert within.sum() >= 4
    np.testing.assert_allclose(rough.retention_time[within], smooth.retention_time[within], rtol=2e-4)


@pytest.mark.parametrize("controlled", CONTROLLED)
def test_longer_column_elutes_later(controlled: Controlled) -> None:
    oven = OvenProgram(340.0, 60.0, (Ramp(0.2, 570.0, 60.0),))
    carrier = CarrierProgram(controlled, SET_VALUES[controlled])
    results = [
        run(oven, carrier, ColumnSystem(Column(length, 0.25e-3, 0.25e-6), HELIUM, AMBIENT))
        for length in (15.0, 30.0, 60.0)
    ]
    times = np.concatenate([result.retention_time for result in results])
    assert np.all(np.diff(times, axis=0) > 0)


def test_injected_width_passes_through_an_isothermal_column_unchanged() -> None:
    """Where nothing changes in time, variances in time add."""
    carrier = CarrierProgram("pressure", 2e5)
    sharp = run(OvenProgram(420.0), carrier)
    wide = run(OvenProgram(420.0), carrier, ColumnSystem(COLUMN, HELIUM, AMBIENT, injection_width=1.5))
    np.testing.assert_allclose(wide.width**2 - sharp.width**2, 1.5**2, rtol=1e-3)


def test_factors_of_flow_and_plate_height() -> None:
    """At constant temperature a faster flow shortens all times alike; the plate height enters as its root."""
    carrier = CarrierProgram("pressure", 2e5)
    plain = run(OvenProgram(420.0), carrier)
    faster = run(OvenProgram(420.0), carrier, ColumnSystem(COLUMN, HELIUM, AMBIENT, flow_factor=1.02))
    np.testing.assert_allclose(faster.retention_time, plain.retention_time / 1.02, rtol=1e-9)
    worse = run(OvenProgram(420.0), carrier, ColumnSystem(COLUMN, HELIUM, AMBIENT, plate_height_factor=1.44))
    np.testing.assert_allclose(worse.width, plain.width * 1.2, rtol=1e-9)


def test_one_that_takes_too_long_is_not_eluted_in_any_field() -> None:
    retention = with_typical_values(np.array([400.0, 900.0]))
    result = run(OvenProgram(310.0), CarrierProgram("pressure", 2e5), retention=retention)
    assert result.eluted.tolist() == [[True, False]]
    for values in (result.retention_time, result.width, result.elution_temperature, result.retention_factor):
        assert np.isfinite(values[0, 0])
        assert np.isnan(values[0, 1])
    assert result.retention_time[0, 0] < LONGEST_RETENTION


@pytest.mark.parametrize("controlled", CONTROLLED)
def test_dead_time_marker_takes_the_hold_up_time(controlled: Controlled) -> None:
    retention = Retention(np.array([120.0]), np.array([4.0]), np.array([0.0]))
    result = run(OvenProgram(450.0), CarrierProgram(controlled, SET_VALUES[controlled]), retention=retention)
    pi = inlet_pressure(SYSTEM, controlled, np.array(SET_VALUES[controlled]), np.array(450.0))
    assert result.retention_time[0, 0] == pytest.approx(
        float(hold_up_time(COLUMN, HELIUM, 450.0, pi, AMBIENT)), rel=1e-6
    )


def test_many_compounds() -> None:
    many = with_typical_values(np.linspace(320.0, 600.0, 4000))
    tables = migration_tables(SYSTEM, many, "pressure")
    oven, carrier = OvenProgram(330.0, 0.0, (Ramp(0.3, 600.0),)), CarrierProgram("pressure", 2e5)
    times = migrate(tables, batch_of([Program(oven, carrier)])).retention_time
    assert times.shape == (1, 4000)
    assert np.all(np.diff(times[0]) > 0)


def test_programs_outside_known_temperatures_are_refused() -> None:
    tables = migration_tables(SYSTEM, RETENTION, "pressure")
    hot = batch_of([Program(OvenProgram(310.0, 0.0, (Ramp(1.0, 733.15),)), CarrierProgram("pressure", 2e5))])
    with pytest.raises(OutsideValidityError, match=r"460\.0 °C.*450\.0 °C"):
        migrate(tables, hot)


def test_tables_and_batch_must_agree_on_the_carrier() -> None:
    tables = migration_tables(SYSTEM, RETENTION, "flow")
    with pytest.raises(ValueError, match="flow"):
        migrate(tables, batch_of([Program(OvenProgram(400.0), CarrierProgram("pressure", 2e5))]))


@pytest.mark.parametrize(
    ("controlled", "start", "target", "rate"),
    [
        ("pressure", 120e3, 300e3, 300e3 / 60),
        ("pressure", 120e3, 300e3, 1000e3 / 60),
        ("flow", float(flow_si(0.6)), float(flow_si(4.0)), float(flow_si(10.0)) / 60),
    ],
)
def test_steep_carrier_ramps_lose_no_peak(
    controlled: Controlled, start: float, target: float, rate: float
) -> None:
    """A band near the outlet while the carrier rises: P* has the outlet's value as its bound, not zero."""
    carrier = CarrierProgram(controlled, start, 240.0, (Ramp(rate, target),))
    retention = with_typical_values(np.linspace(300.0, 480.0, 49))
    oven = OvenProgram(393.0)
    found = run(oven, carrier, retention=retention)
    assert found.eluted.all()
    for m in range(0, 49, 4):
        true = reference_peak(SYSTEM, retention, m, Program(oven, carrier))
        assert true is not None
        assert found.retention_time[0, m] == pytest.approx(true.time, rel=1e-4)


def test_any_number_of_threads_gives_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    programs = [
        Program(
            OvenProgram(T, 30.0, (Ramp(rate, 560.0, 60.0),)),
            CarrierProgram("flow", 2e-8, 60.0, (Ramp(1e-10, 4e-8),)),
        )
        for T, rate in zip(rng.uniform(310, 400, 2000), rng.uniform(0.05, 1.5, 2000), strict=True)
    ]
    batch, tables = batch_of(programs), migration_tables(SYSTEM, RETENTION, "flow")
    found = []
    for cores in (1, 2, 3):
        monkeypatch.setattr(models.cores, "cores_here", lambda cores=cores: cores)
        found.append(migrate(tables, batch, "screen"))
    for other in found[1:]:
        np.testing.assert_array_equal(other.retention_time, found[0].retention_time)
        np.testing.assert_array_equal(other.width, found[0].width)


@pytest.mark.parametrize(("start", "stop"), [(0.0, 0.4), (0.4, 1.0), (0.2, 0.9)])
def test_a_piece_of_the_way_takes_its_share_of_the_clock(
    start: float, stop: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From z0 to z1 at constant temperature and pressure: (Y(z1) - Y(z0))/V, eq. [3] and [4]."""
    monkeypatch.setattr(one_piece, "tube_of", lambda *given: whole(*given)._replace(start=start, stop=stop))
    T, pi = 420.0, 2.2e5
    found = run(OvenProgram(T), CarrierProgram("pressure", pi))
    rho = (AMBIENT / pi) ** 2
    Y0, Y1 = ((2 / 3) * (1 - (1 - (1 - rho) * z) ** 1.5) / (1 - rho) for z in (start, stop))
    S = (2 / 3) * (1 - rho**1.5) / (1 - rho)
    k = np.exp(ln_retention_factor(RETENTION, np.array(T)))
    tR = float(hold_up_time(COLUMN, HELIUM, T, pi, AMBIENT)) * (1 + k)
    np.testing.assert_allclose(found.retention_time[0], tR * (Y1 - Y0) / S, rtol=1e-10)
