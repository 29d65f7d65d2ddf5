"""Camphor and linalool on polyethylene glycol: the order of elution turns round with the heating rate.

Published (an editorial of a trade journal on retention cross-over; details from memory): camphor leaves before linalool
at 3 °C/min and after it at 5 °C/min. Sorption enthalpies of 56 (linalool) and 50 kJ/mol (camphor) with equal retention
factors of 6 at 100 °C, on 30 m x 0.25 mm x 0.25 µm with helium at 1.2 mL/min, from 60 °C after 1 min, reproduce it
(own arithmetic: the swap lies near 4.6 °C/min).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.mixtures import mixture
from models.carrier_gas import CARRIER_GASES
from models.column import Column
from models.migration import migrate, migration_tables
from models.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.retention import Retention
from models.system import ColumnSystem
from models.units import GAS_CONSTANT, flow_si, kelvin
from optimizer.goal import Problem, problem_of
from optimizer.program_space import families_of
from optimizer.scenario_data import PairRule
from optimizer.search import hunt
from tests.reference.adapter import reference_peak

CAMPHOR, LINALOOL = 0, 1
SYSTEM = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0, 1.0, 1.15, 0.2)


def retention() -> Retention:
    """ln k = ln 6 + H/R (1/T - 1/373.15): T0 where it is zero, theta = R T0^2/H there, no change of heat capacity."""
    H = np.array([50e3, 56e3])
    T0 = 1 / (1 / 373.15 - np.log(6.0) * GAS_CONSTANT / H)
    return Retention(T0, GAS_CONSTANT * T0**2 / H, np.zeros(2))


def program(rate: float) -> Program:
    oven = OvenProgram(kelvin(60.0), 60.0, (Ramp(rate / 60, kelvin(240.0)),))
    return Program(oven, CarrierProgram("flow", float(flow_si(1.2))))


def lead(rate: float) -> float:
    """By how much camphor leads [s]; negative when linalool comes first."""
    tables = migration_tables(SYSTEM, retention(), "flow")
    t = migrate(tables, batch_of([program(rate)]), "polish").retention_time[0]
    return float(t[LINALOOL] - t[CAMPHOR])


def test_the_model_says_what_the_figures_say() -> None:
    k = np.exp(-56e3 / GAS_CONSTANT * (1 / 373.15 - 1 / retention().T0[LINALOOL]) * -1)
    assert k == pytest.approx(6.0)


def test_the_order_reverses_between_3_and_5_degrees_a_minute() -> None:
    assert lead(3.0) > 0
    assert lead(5.0) < 0
    rates = np.linspace(3.0, 6.0, 61)
    swap = rates[np.argmin(np.abs([lead(float(rate)) for rate in rates]))]
    assert swap == pytest.approx(4.6, abs=0.25)


@pytest.mark.parametrize(("rate", "first"), [(3.0, CAMPHOR), (8.0, LINALOOL)])
def test_the_same_from_the_equations_marched_in_time(rate: float, first: int) -> None:
    peaks = [reference_peak(SYSTEM, retention(), m, program(rate)) for m in (CAMPHOR, LINALOOL)]
    assert int(np.argmin([peak.time for peak in peaks if peak is not None])) == first


def two() -> Problem:
    """A scenario of these two compounds, which need a resolution of 1.5."""
    some = mixture(2, 1, 1)
    fit = replace(
        some.fit,
        system=SYSTEM,
        retention=retention(),
        covariance=np.zeros((7, 7)),
    )
    scenario = replace(some.scenario, compounds=("camphor", "linalool"))
    return problem_of(scenario, fit)


@pytest.mark.parametrize("order", [("camphor", "linalool"), ("linalool", "camphor")])
def test_the_search_finds_both_islands(order: tuple[str, str]) -> None:
    """Asked for either order it finds a program that resolves the pair; in between nothing does."""
    some = two()
    rules = (PairRule(*order, None, False, in_order=True),)
    asked = problem_of(replace(some.scenario, pairs=rules), some.fit)
    best = hunt(asked, families_of(asked.scenario), 2.0, 1).all()[0]
    assert best.feasible
    found = asked.assess(best.family.batch(best.family.values(best.descent.z[None])), "polish")
    first = asked.scenario.compounds[int(np.argmin(found.retention[0]))]
    assert first == order[0]


def test_between_the_islands_the_pair_runs_together() -> None:
    some = two()
    Rs = [
        float(some.pair_resolutions(a.retention, a.width_half)[0, 0])
        for a in (some.assess(batch_of([program(rate)]), "polish") for rate in (2.0, 4.6, 12.0))
    ]
    assert Rs[1] < 0.5
    assert Rs[0] > 1.5
    assert Rs[2] > 1.0
