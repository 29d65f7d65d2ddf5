"""Synthetic mixtures for the search benchmarks: typical retention, with thetas scattered so that pairs cross."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.retention import Retention, with_typical_values
from models.column.system import Column, ColumnSystem
from models.fit.fitting import Fit
from models.units import flow_si, kelvin
from optimizer.goal.goal import Problem, problem_of
from optimizer.scenario.data import Goal, Scenario, SearchSettings
from optimizer.scenario.instrument_data import HeatingLimit, Instrument, Steps


def mixture(
    compounds: int,
    seed: int,
    max_ramps: int,
    crossing: float = 0.08,
    min_resolution: float = 1.5,
    modes: tuple[str, ...] = ("constant flow",),
) -> Problem:
    """A problem with known retention: no fit error, so that only the search is measured.

    `crossing` is the scatter of ln theta: at 0.08 about one neighbouring pair in four changes its order within
    the heating rates of an ordinary oven.
    """
    rng = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(compounds, max_ramps)))
    # One compound to an equal share of the range, anywhere in the middle three quarters of it: random enough to
    # leave hard pairs, and not so random that some pair is beyond any program.
    places = np.arange(compounds) + rng.uniform(0.125, 0.875, compounds)
    T0 = 330.0 + 190.0 * places / compounds
    typical = with_typical_values(T0)
    retention = Retention(
        T0,
        typical.theta * np.exp(rng.normal(0.0, crossing, compounds)),
        typical.dCp + rng.normal(0.0, 10.0, compounds),
    )
    column = Column(30.0, 0.25e-3, 0.25e-6)
    system = ColumnSystem(column, CARRIER_GASES["helium"], 101325.0, 1.0, 1.15, 0.2)
    none = np.zeros((0, compounds))
    fit = Fit(
        system=system,
        retention=retention,
        standard_error=np.zeros((compounds, 3)),
        prior_weight=np.zeros((compounds, 3)),
        residual=none,
        standardised=none,
        flow_factors=np.ones(0),
        covariance=np.zeros((3 * compounds + 1, 3 * compounds + 1)),
        hold_up=np.zeros(0),
        widths_fitted=True,
        chi_square=0.0,
        degrees_of_freedom=0,
        testable=False,
        warnings=(),
        ln_diffusion=np.zeros(compounds),
        width_covariance=np.zeros((3 + 3 * compounds, 3 + 3 * compounds)),
        width_scatter=0.0,
        scouted=np.tile([[-np.inf], [np.inf]], compounds),
        scouted_velocity=np.array([-np.inf, np.inf]),
    )
    instrument = Instrument(
        max_inlet_pressure=501325.0,
        min_flow=float(flow_si(0.5)),
        max_flow=float(flow_si(4.0)),
        heating_limits=(
            HeatingLimit(kelvin(100.0), 1.0),
            HeatingLimit(kelvin(200.0), 50 / 60),
            HeatingLimit(kelvin(350.0), 0.5),
        ),
        cool_down=None,
        equilibration=60.0,
        steps=Steps(1.0, 0.5 / 60, 6.0, float(flow_si(0.05)), 1e3),
    )
    scenario = Scenario(
        title=f"{compounds} compounds",
        path=Path("synthetic"),
        column=column,
        phase="nonpolar",
        min_temperature=kelvin(40.0),
        max_temperature=kelvin(320.0),
        max_programmed_temperature=kelvin(320.0),
        gas=system.gas,
        outlet_pressure=101325.0,
        ambient_pressure=101325.0,
        instrument=instrument,
        runs=(),
        current=None,
        goal=Goal("run time", min_resolution, 0.0, confidence=0.0),
        analytes=(),
        pairs=(),
        search=SearchSettings(modes, max_ramps, seconds=5.0, candidates=5, seed=1),
        flow_correction="column",
        compounds=tuple(f"c{m + 1}" for m in range(compounds)),
        warnings=(),
    )
    return problem_of(scenario, fit)
