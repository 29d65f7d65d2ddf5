"""Peaks moved and leant by their amount.

data/overload_shape.csv, overload_halves.csv: the closed form evaluated elsewhere, by a route of its own.
overload_cells, overload_ramp, overload_pressure_drop: cells in series with a curved isotherm, integrated in time; an
independent computation that knows nothing of the closed form. capacity: amounts from the closed form, beside what is
printed and common practice. No published measurement was found.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem
from models.peaks.migration import migrate, migration_tables
from models.peaks.overload import R_WIDER, load_of_capacity, peak, shape_of
from tests.published.isothermal_bands import retention_of
from tests.published.tables import Row, rows

PRINTED = 1e-7  # relative: eight digits are printed


def at(R: float) -> tuple[float, float, float]:
    shape = shape_of(np.array(R))
    return float(shape.apex), float(shape.width), float(shape.front)


@pytest.mark.parametrize("row", rows("overload_shape"), ids=lambda row: row["R"])
def test_apex_width_and_height_are_those_of_the_closed_form(row: Row) -> None:
    R = float(row["R"])
    apex, width, _ = at(R)
    assert apex == pytest.approx(float(row["apex_shift_over_sigma"]), rel=PRINTED)
    assert width == pytest.approx(float(row["w_half_over_gaussian"]), rel=PRINTED)
    height = float(peak(np.array(apex), np.array(R))) * math.sqrt(2 * math.pi)
    assert height == pytest.approx(float(row["height_over_gaussian"]), rel=PRINTED)


@pytest.mark.parametrize("row", rows("overload_shape"), ids=lambda row: row["R"])
def test_area_mean_and_variance_of_the_drawn_shape(row: Row) -> None:
    R = float(row["R"])
    x = np.linspace(-8.0, 8.0 + math.sqrt(2 * R), 20001)
    y = peak(x, np.array(R))
    step = x[1] - x[0]
    mean = float((x * y).sum() * step)
    assert float(y.sum() * step) == pytest.approx(1.0, rel=1e-6)
    assert mean == pytest.approx(float(row["mean_over_sigma"]), rel=1e-6)
    assert float(((x - mean) ** 2 * y).sum() * step) == pytest.approx(
        float(row["variance_over_sigma2"]), rel=1e-6
    )


@pytest.mark.parametrize("row", rows("overload_halves"), ids=lambda row: row["R"])
def test_halves_are_those_of_the_closed_form(row: Row) -> None:
    _, width, front = at(float(row["R"]))
    assert width * front == pytest.approx(float(row["front_half_ratio"]), rel=PRINTED)
    assert width * (2 - front) == pytest.approx(float(row["back_half_ratio"]), rel=PRINTED)


def test_a_negative_R_is_the_mirror_image() -> None:
    apex, width, front = at(4.0)
    assert at(-4.0) == pytest.approx((-apex, width, 2 - front), rel=1e-12)
    x = np.linspace(-6.0, 6.0, 7)
    np.testing.assert_allclose(peak(-x, np.array(-4.0)), peak(x, np.array(4.0)), rtol=1e-12)


def test_a_peak_ten_per_cent_wider_has_moved_by_half_a_unit_of_resolution() -> None:
    apex, width, _ = at(R_WIDER)
    assert width == pytest.approx(1.1, abs=1e-6)
    assert apex / 4 == pytest.approx(0.53, abs=0.005)  # Rs = distance/(4 sigma) of Gaussians


@pytest.mark.parametrize("row", rows("overload_cells"), ids=lambda row: f"{row['N_cells']}, {row['R']}")
def test_cells_in_series_move_as_the_closed_form_says(row: Row) -> None:
    """The gap falls as the square root of the number of cells: to 3.5 % at 4,000."""
    found, cells = at(float(row["R"]))[:2], int(row["N_cells"])
    allowed = 0.07 * math.sqrt(1000 / cells)
    assert found[0] == pytest.approx(float(row["apex_shift_over_sigma_cells"]), rel=allowed, abs=1e-6)
    assert found[1] == pytest.approx(float(row["width_ratio_cells"]), rel=0.5 * allowed)


@pytest.mark.parametrize("R", [1.0, 3.0, 8.0])
def test_with_cells_without_end_they_would_move_so_far(R: float) -> None:
    """a + b/N^(1/2) through what 1,000 and 4,000 cells give."""
    few, many = (
        next(
            float(row["apex_shift_over_sigma_cells"])
            for row in rows("overload_cells")
            if (row["N_cells"], float(row["R"])) == (cells, R)
        )
        for cells in ("1000", "4000")
    )
    assert at(R)[0] == pytest.approx(2 * many - few, rel=0.01)


@pytest.mark.parametrize("row", rows("overload_pressure_drop"), ids=lambda row: f"{row['P']}, {row['R']}")
def test_cells_with_a_pressure_drop_do_too(row: Row) -> None:
    assert at(float(row["R"]))[0] == pytest.approx(float(row["shift_sigma_cells"]), rel=0.05)


SYSTEM = ColumnSystem(Column(2.0, 0.53e-3, 1e-9), CARRIER_GASES["helium"], 101325.0)
LEVEL = CarrierProgram("pressure", 101325.0 * 1.01)  # as good as no pressure drop, as in the cells
ALONG = np.array([1e3])  # diffusion so fast that plates are alike whatever k is


@pytest.mark.parametrize(
    "row", rows("overload_ramp"), ids=lambda row: f"{row['k0']}, {row['tau_over_tM']}, {row['R']}"
)
def test_a_ramp_by_the_engine_moves_apexes_as_cells_do(row: Row) -> None:
    """k = k0 exp(-t/tau): the engine's own sum gives R, within 1 % of the other's, and cells in series the shift."""
    T = 400.0

    def still(k: float, load: float | None = None) -> tuple[float, float]:
        of_load = None if load is None else np.array([load])
        tables = migration_tables(SYSTEM, retention_of(k, T), "pressure", ALONG, of_load)
        run = migrate(tables, batch_of([Program(OvenProgram(T), LEVEL)]), "polish")
        return float(run.retention_time[0, 0]), float(run.width[0, 0])

    (tR, sigma), k0, tau = still(2.0), float(row["k0"]), float(row["tau_over_tM"])
    plates, tM = (tR / sigma) ** 2, tR / 3
    theta = 0.2  # so small that nothing else changes while k does; with this dCp ln k is straight in T
    T0 = T + theta * math.log(k0)
    retention = Retention(np.array([T0]), np.array([theta]), np.array([-2 * 8.314462618 * T0 / theta]))
    oven = OvenProgram(T, 0.0, (Ramp(theta / (tau * tM), T + 20 * theta),))
    wanted, mean = float(row["R"]), float(row["clock_mean_k_over_1pk_sq"])
    load = np.array([wanted / (mean * plates)])
    batch = batch_of([Program(oven, LEVEL)])
    of_trace = migrate(migration_tables(SYSTEM, retention, "pressure", ALONG), batch, "polish")
    run = migrate(migration_tables(SYSTEM, retention, "pressure", ALONG, load), batch, "polish")
    assert run.lean is not None
    assert of_trace.retention_time[0, 0] / tM == pytest.approx(float(row["tR_clock"]), rel=0.005)
    assert run.lean.R[0, 0] == pytest.approx(wanted, rel=0.01)
    shift = (run.retention_time - of_trace.retention_time)[0, 0] / of_trace.width[0, 0]
    assert shift == pytest.approx(float(row["shift_sigma_cells"]), rel=0.12)
    assert run.width[0, 0] / of_trace.width[0, 0] == pytest.approx(float(row["width_ratio_cells"]), rel=0.02)


@pytest.mark.parametrize("k", [1.0, 5.0, 20.0])
def test_at_one_temperature_R_is_the_load_times_plates_and_the_share_retained_squared(k: float) -> None:
    T, load = 400.0, np.array([1e-3])
    tables = migration_tables(SYSTEM, retention_of(k, T), "pressure", ALONG, load)
    batch = batch_of([Program(OvenProgram(T), LEVEL)])
    run = migrate(tables, batch, "polish")
    plain = migrate(migration_tables(SYSTEM, retention_of(k, T), "pressure", ALONG), batch, "polish")
    plates = float((plain.retention_time / plain.width)[0, 0] ** 2)
    assert run.lean is not None
    assert run.lean.R[0, 0] == pytest.approx(1e-3 * plates * (k / (1 + k)) ** 2, rel=1e-3)


@pytest.mark.parametrize(
    "row", rows("capacity"), ids=lambda row: f"{row['L_m']} {row['d_mm']} {row['df_um']} {row['k']}"
)
def test_capacities(row: Row) -> None:
    """load = 2 (1 + 2 chi) m/(d_s V_film), d_s 800 kg/m3, at the amount that makes a peak 10 % wider."""
    k, N = float(row["k"]), float(row["N"])
    amount, volume = float(row["ng_for_10pct_wider"]) * 1e-12, float(row["V_film_uL"]) * 1e-9
    load = 2 * (1 + 2 * float(row["chi"])) * amount / (800 * volume)
    assert at(load * N * (k / (1 + k)) ** 2)[1] == pytest.approx(1.1, abs=1e-5)
    if k == 5:  # what a capacity is taken to be stated for
        assert load_of_capacity(np.array(amount), amount, N) == pytest.approx(load, rel=1e-6)
