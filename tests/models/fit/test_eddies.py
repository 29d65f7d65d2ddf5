"""Lambda of a packed column from widths at one flow and at several.

The widths are those of bands marched by the reference integrator (own), which shares no code with the packages; plate
height and permeability are written out here.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES, viscosity
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem, Packing
from models.fit.compound_fits import Simulator
from models.fit.fit import Run
from models.fit.widths import (
    ADSORBED_EXCESS,
    LN_EDDY_SPREAD,
    MEAN_EXCESS,
    Bands,
    Widths,
    diffusion_prior,
    fit_widths,
    spreads_of,
)
from models.peaks.migration import MigrationTables, migrate, migration_tables
from models.peaks.sensitivity import SHARED, sensitivity
from models.units import flow_si, kelvin
from tests.reference.adapter import bands_of, stretches_of
from tests.reference.integrator import Tube, follow

RETENTION = Retention(np.linspace(310.0, 430.0, 9), np.linspace(28.0, 37.0, 9), np.zeros(9))
M = len(RETENTION)
D_P = 163e-6  # m
COLUMN = Column(2.0, 2e-3, 0.0, packing=Packing(D_P, 0.42, 0.8), adsorbent=True, resistance=2e-3)
SYSTEM = ColumnSystem(COLUMN, CARRIER_GASES["helium"], 101325.0)
LAMBDA, FACTOR, INJECTED = 1.6, 1.1, 0.4  # in truth
THREE_FLOWS, ONE_FLOW = (8.0, 25.0, 70.0), (25.0,)  # mL/min
# of ln diffusion over typical
EXCESS = MEAN_EXCESS + ADSORBED_EXCESS + 0.2 * np.sin(1.7 * np.arange(M))
OVENS = (10.0, 20.0, 30.0)  # K/min


def programs(flows: tuple[float, ...]) -> list[Program]:
    """Three runs."""
    return [
        Program(
            OvenProgram(kelvin(50.0), 60.0, (Ramp(rate / 60, kelvin(220.0), 600.0),)),
            CarrierProgram("flow", float(flow_si(flow))),
        )
        for flow, rate in zip(flows * (3 // len(flows)), OVENS, strict=True)
    ]


@cache
def true_widths(flows: tuple[float, ...]) -> np.ndarray:
    """Standard deviations (3, M) [s]."""
    tube = Tube(
        COLUMN.length,
        1e-3,
        0.0,
        SYSTEM.outlet_pressure,
        plate_height_factor=FACTOR,
        permeability=D_P**2 * 0.42**3 / (180 * 0.58**2 * 0.8),
        eddy=2 * LAMBDA * D_P,
        along=2 * 0.7,
        across=0.1 * D_P**2,
        resistance=2e-3,
    )
    peaks = [
        follow(
            tube,
            lambda T: float(viscosity(SYSTEM.gas, T)),
            replace(band, injected=INJECTED, diffusion=band.diffusion * np.exp(excess)),
            stretches_of(program, SYSTEM),
            rtol=1e-8,
        )
        for program in programs(flows)
        for band, excess in zip(bands_of(RETENTION, SYSTEM), EXCESS, strict=True)
    ]
    return np.array([peak.width for peak in peaks if peak is not None]).reshape(3, M)


def fitted(flows: tuple[float, ...], column: Column = COLUMN, noise: float = 0.0) -> Widths:
    widths = true_widths(flows) * np.exp(noise * np.random.default_rng(1).standard_normal((3, M)))
    none = np.full(M, np.nan)
    simulator = Simulator(
        replace(SYSTEM, column=column), [Run("", program, none, none) for program in programs(flows)]
    )
    bands = simulator.bands(simulator.tables(RETENTION), np.ones(3))[1]
    prior = diffusion_prior(SYSTEM.gas, RETENTION, column, [None] * M)
    return fit_widths(bands, widths, prior, spreads_of(column))


def sd_of_eddy(found: Widths) -> float:
    return float(np.sqrt(found.covariance[-1, -1]))


@pytest.mark.parametrize("noise", [0.0, 0.01])
def test_widths_at_three_flows_tell_lambda(noise: float) -> None:
    found = fitted(THREE_FLOWS, noise=noise)
    assert len(found.covariance) == 4 + 3 * M
    assert abs(np.log(found.eddy_factor / LAMBDA)) < 2 * sd_of_eddy(found)
    assert sd_of_eddy(found) < 0.6 * LN_EDDY_SPREAD
    assert abs(np.log(found.plate_height_factor / FACTOR)) < 2 * np.sqrt(found.covariance[0, 0])
    if not noise:
        assert found.eddy_factor == pytest.approx(LAMBDA, rel=0.05)


def test_at_one_flow_lambda_stays_about_what_was_stated() -> None:
    found = fitted(ONE_FLOW)
    assert 0.8 * LN_EDDY_SPREAD < sd_of_eddy(found) < LN_EDDY_SPREAD
    assert abs(np.log(found.eddy_factor)) < 0.6 * LN_EDDY_SPREAD
    # What eddies widen the factor takes up, and the two are known together far better than either.
    share = 0.6
    both = found.covariance[0, 0] + 2 * share * found.covariance[0, -1] + share**2 * found.covariance[-1, -1]
    assert found.plate_height_factor > 1.3 * FACTOR
    assert both < found.covariance[0, 0]


def test_at_one_flow_lambda_follows_what_is_stated_at_three_the_widths() -> None:
    assert COLUMN.packing is not None
    true = replace(COLUMN, packing=replace(COLUMN.packing, eddy=LAMBDA))
    one, three = (
        LAMBDA * fitted(flows, true).eddy_factor / fitted(flows).eddy_factor
        for flows in (ONE_FLOW, THREE_FLOWS)
    )
    assert one > 1.3
    assert three < 1.05


def test_a_lambda_of_zero_is_not_fitted_nor_that_of_an_open_tube() -> None:
    assert COLUMN.packing is not None
    smooth = replace(COLUMN, packing=replace(COLUMN.packing, eddy=0.0))
    found = fitted(THREE_FLOWS, smooth)
    assert found.eddy_factor == 1.0
    assert len(found.covariance) == 3 + 3 * M
    assert len(spreads_of(Column(30.0, 0.25e-3, 0.25e-6))) == len(spreads_of(COLUMN)) - 1


def test_where_no_widths_were_measured_lambda_is_as_uncertain_as_it_was() -> None:
    none = np.full((3, M), np.nan)
    bands = Bands(none, none, none, none, none)
    prior = diffusion_prior(SYSTEM.gas, RETENTION, COLUMN, [None] * M)
    assert sd_of_eddy(fit_widths(bands, none, prior, spreads_of(COLUMN))) == pytest.approx(LN_EDDY_SPREAD)


@pytest.mark.parametrize(("load", "decay"), [(0.0, 0.0), (2e-3, 0.0), (0.0, 1.0), (2e-3, 1.0)])
def test_slopes_by_lambda_are_differences(load: float, decay: float) -> None:
    system = replace(
        SYSTEM,
        plate_height_factor=FACTOR,
        injection_width=INJECTED,
        detector_variance=0.04,
        time_constant=decay,
    )
    batch, diffusion = batch_of(programs(ONE_FLOW)[:1]), typical_diffusion_constant(SYSTEM.gas, RETENTION.T0)
    loads = np.full(M, load) if load else None

    def tables(h: float) -> MigrationTables:
        truth = replace(system, eddy_factor=1.3 * np.exp(h))
        return migration_tables(truth, RETENTION, "flow", diffusion, loads)

    above, below = (migrate(tables(h), batch) for h in (0.02, -0.02))
    slopes = sensitivity(tables(0.0), batch, 0.0, "polish")
    time, width = slopes.by_shared[:2, 0, SHARED.index("ln eddy")]
    np.testing.assert_allclose(width, (above.width - below.width)[0] / 0.04, rtol=2e-3)
    np.testing.assert_allclose(
        time, (above.retention_time - below.retention_time)[0] / 0.04, rtol=2e-3, atol=1e-4
    )
    assert (width > 0.1 * slopes.base[1, 0]).all()
    assert (np.abs(time) > 0.01).any() == bool(load or decay)
