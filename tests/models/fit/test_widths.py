"""Efficiency, injected band and diffusion from measured widths, and how sure they then are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.formula import diffusion_volume, molar_mass
from models.column.plate_height import typical_diffusion_constant
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem
from models.errors import InvalidInputError
from models.fit.compound_fits import Simulator
from models.fit.fit import Run
from models.fit.widths import (
    FULLER_SPREAD,
    MEAN_EXCESS,
    OWN_EXCESS,
    SHARED_EXCESS,
    Bands,
    DiffusionPrior,
    Widths,
    diffusion_prior,
    fit_widths,
)
from models.peaks.migration import migrate, migration_tables
from models.units import flow_si, kelvin

SYSTEM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0)
RETENTION = with_typical_values(np.linspace(330.0, 520.0, 12))
M = len(RETENTION)
EXCESS = MEAN_EXCESS + 0.15 * np.sin(1.7 * np.arange(M))  # true ln diffusion over typical
TRUE = replace(SYSTEM, plate_height_factor=1.3, injection_width=0.4, film_diffusion_factor=1.5)
PRIOR = diffusion_prior(SYSTEM.gas, RETENTION, SYSTEM.column, [None] * M)


def ramped(flow: float, rate: float) -> Program:
    oven = OvenProgram(kelvin(40.0), 60.0, (Ramp(rate / 60, kelvin(300.0), 1200.0),))
    return Program(oven, CarrierProgram("flow", float(flow_si(flow))))


def true_widths(program: Program, system: ColumnSystem = TRUE) -> np.ndarray:
    """(M,) standard deviations [s]."""
    diffusion = typical_diffusion_constant(SYSTEM.gas, RETENTION.T0) * np.exp(EXCESS)
    return migrate(migration_tables(system, RETENTION, "flow", diffusion), batch_of([program])).width[0]


def bands_of(programs: list[Program]) -> Bands:
    none = np.full(M, np.nan)
    simulator = Simulator(SYSTEM, [Run("", program, none, none) for program in programs])
    return simulator.bands(simulator.tables(RETENTION), np.ones(len(programs)))[1]


ONE_FLOW = [ramped(1.2, rate) for rate in (5.0, 10.0, 20.0)]
SEVERAL_FLOWS = [ramped(flow, 10.0) for flow in (0.6, 1.2, 2.5, 5.0)]


def fitted(
    programs: list[Program], noise: float = 0.02, seed: int = 1, system: ColumnSystem = TRUE
) -> Widths:
    widths = np.array([true_widths(program, system) for program in programs])
    noisy = widths * np.exp(noise * np.random.default_rng(seed).standard_normal(widths.shape))
    return fit_widths(bands_of(programs), noisy, PRIOR)


def error_of_diffusion(found: Widths) -> np.ndarray:
    return np.sqrt(np.diag(found.covariance)[3 : 3 + M])


def test_a_width_is_the_sum_of_its_parts_whatever_diffuses_how() -> None:
    parts = bands_of(ONE_FLOW)
    for r, program in enumerate(ONE_FLOW):
        column = (
            parts.along[r] * np.exp(EXCESS) + parts.across[r] * np.exp(-EXCESS)
            + parts.film[r] / TRUE.film_diffusion_factor
        )  # fmt: skip
        whole = TRUE.plate_height_factor * column + TRUE.injection_width**2 * parts.injected[r]
        np.testing.assert_allclose(np.sqrt(whole), true_widths(program), rtol=1e-5)


def test_where_widths_do_not_depend_on_diffusion_it_stays_what_was_known_of_it() -> None:
    """Where the film alone widens peaks."""
    parts = bands_of(ONE_FLOW)
    none = np.zeros_like(parts.film)
    parts = Bands(none, none, parts.along + parts.across + parts.film, parts.injected, parts.eddy)
    widths = np.sqrt(1.3 * parts.film + 0.3**2 * parts.injected)
    widths *= np.exp(0.02 * np.random.default_rng(2).standard_normal(widths.shape))
    found = fit_widths(parts, widths, PRIOR)
    np.testing.assert_allclose(error_of_diffusion(found), np.hypot(OWN_EXCESS, SHARED_EXCESS), rtol=1e-3)
    np.testing.assert_allclose(found.ln_diffusion, MEAN_EXCESS, atol=1e-3)


def test_at_one_flow_near_the_optimum_widths_say_little_of_diffusion() -> None:
    found = fitted(ONE_FLOW)
    error = error_of_diffusion(found)
    assert np.all(error < np.hypot(OWN_EXCESS, SHARED_EXCESS))
    assert np.median(error) > 1.5 * np.median(error_of_diffusion(fitted(SEVERAL_FLOWS)))
    assert np.sqrt(np.mean(((found.ln_diffusion - EXCESS) / error) ** 2)) < 1.5
    assert found.plate_height_factor == pytest.approx(TRUE.plate_height_factor, rel=0.05)


def test_runs_of_several_flows_tell_diffusion_in_gas_and_film() -> None:
    found = fitted(SEVERAL_FLOWS)
    error = error_of_diffusion(found)
    assert np.all(error < 0.4 * OWN_EXCESS)
    assert np.sqrt(np.mean(((found.ln_diffusion - EXCESS) / error) ** 2)) < 1.5
    assert np.sqrt(np.mean((found.ln_diffusion - EXCESS) ** 2)) < 0.05
    assert found.plate_height_factor == pytest.approx(TRUE.plate_height_factor, rel=0.05)
    assert found.film_diffusion_factor == pytest.approx(TRUE.film_diffusion_factor, rel=0.5)
    assert found.injection_width == pytest.approx(TRUE.injection_width, rel=0.15)


def test_nothing_measured_leaves_typical_values_and_what_formulas_say() -> None:
    formulas = ["C10H22", *[None] * (M - 1)]
    prior = diffusion_prior(SYSTEM.gas, RETENTION, SYSTEM.column, formulas)
    found = fit_widths(bands_of(ONE_FLOW), np.full((3, M), np.nan), prior)
    assert not found.fitted
    # ln D = const - ln(M12^(1/2) (V1^(1/3) + V2^(1/3))^2), decane's against that of what is typical of its T0
    typical = typical_diffusion_constant(SYSTEM.gas, RETENTION.T0[:1])[0]
    mass, volume = molar_mass("C10H22"), diffusion_volume("C10H22")
    reduced, size = 2 / (1 / mass + 1 / 4.0026), volume ** (1 / 3) + 2.67 ** (1 / 3)
    assert found.ln_diffusion[0] == pytest.approx(
        np.log(0.0143 / (reduced**0.5 * size**2) / typical), abs=1e-4
    )
    np.testing.assert_allclose(found.ln_diffusion[1:], MEAN_EXCESS)
    error = error_of_diffusion(found)
    assert error[0] == pytest.approx(FULLER_SPREAD)
    np.testing.assert_allclose(error[1:], np.hypot(OWN_EXCESS, SHARED_EXCESS))


@pytest.mark.parametrize(
    "system",
    [replace(TRUE, injection_width=4.0), replace(TRUE, plate_height_factor=4.0)],
    ids=["slow injection", "spoilt column"],
)
def test_what_is_far_from_ordinary_is_found_where_the_widths_say_so(system: ColumnSystem) -> None:
    found = fitted(SEVERAL_FLOWS, system=system)
    assert found.injection_width == pytest.approx(system.injection_width, rel=0.2)
    assert found.plate_height_factor == pytest.approx(system.plate_height_factor, rel=0.1)


def test_errors_are_as_large_as_they_are_said_to_be_whatever_the_noise() -> None:
    """ln plate height factor and diffusion over 30 samples of compounds drawn from the prior, noise of 1 to 6 %."""
    rng = np.random.default_rng(3)
    z_factor, z_diffusion = [], []
    parts = bands_of(SEVERAL_FLOWS)
    for sample in range(30):
        truth = MEAN_EXCESS + SHARED_EXCESS * rng.standard_normal() + OWN_EXCESS * rng.standard_normal(M)
        factor, film = 1.2 * np.exp(0.2 * rng.standard_normal()), np.exp(0.5 * rng.standard_normal())
        own_film = np.exp(0.25 * rng.standard_normal(M))
        column = parts.along * np.exp(truth) + parts.across * np.exp(-truth) + parts.film / (film * own_film)
        noise = (0.01, 0.03, 0.06)[sample % 3]
        widths = np.sqrt(factor * column + 0.3**2 * parts.injected)
        widths *= np.exp(noise * rng.standard_normal(widths.shape) + 0.01 * rng.standard_normal(M))
        found = fit_widths(parts, widths, PRIOR)
        z_factor.append(np.log(found.plate_height_factor / factor) / np.sqrt(found.covariance[0, 0]))
        z_diffusion.append((found.ln_diffusion - truth) / error_of_diffusion(found))
    # The sampling error of a root mean square of 30 is 13 %.
    assert 0.7 < np.sqrt(np.mean(np.square(z_factor))) < 1.3
    assert 0.85 < np.sqrt(np.mean(np.square(z_diffusion))) < 1.15


def test_a_thicker_film_does_not_make_a_compound_larger() -> None:
    """T0 rises with the film; the prior is that of the usual phase ratio."""
    column = replace(SYSTEM.column, film_thickness=4 * SYSTEM.column.film_thickness)
    more = SYSTEM.column.phase_ratio / column.phase_ratio
    thick = replace(RETENTION, T0=RETENTION.T0 + RETENTION.theta * np.log(more))
    usual, prior = PRIOR, diffusion_prior(SYSTEM.gas, thick, column, [None] * M)
    constants = [
        typical_diffusion_constant(SYSTEM.gas, of.T0) * np.exp(known.mean)
        for of, known in ((RETENTION, usual), (thick, prior))
    ]
    np.testing.assert_allclose(*constants, rtol=1e-12)


def test_widths_that_make_no_sense_leave_typical_values() -> None:
    parts = bands_of(ONE_FLOW)
    two = np.full((3, M), np.nan)
    two[0, :2] = 1.0
    prior = DiffusionPrior(np.zeros(M), np.full(M, 0.1), np.zeros(M))
    assert not fit_widths(parts, two, prior).fitted


@pytest.mark.parametrize(
    ("formula", "named"),
    [
        ("decane", "C10H22O"),
        ("C10H22Si", "Si"),
        ("c10h22", "C10H22O"),
        ("C10H0", "C10H22O"),
        ("H2O", "carbon"),
        ("C900H1802", "400"),
        ("", "C10H22O"),
    ],
)
def test_what_is_no_formula_is_refused(formula: str, named: str) -> None:
    with pytest.raises(InvalidInputError, match=named):
        molar_mass(formula)
