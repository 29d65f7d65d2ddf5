"""Problems for the judge of the search: mixtures invented by a seed, scouted with noise, fitted, and what is asked.

What is asked is a share of the best smallest resolution that any program reaches, so that easy, tight and impossible
mean the same for every mixture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmarks.mixtures import mixture
from benchmarks.scouting import (
    LN_FLOW_SPREAD,
    NOMINAL,
    OVEN_LAG,
    REPEATABILITY,
    TRUE,
    measured,
)
from models.column.retention import Retention, typical_theta
from models.fit.fit import Run
from models.fit.fitting import fit_retention
from optimizer.goal.goal import Problem, problem_of
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import ScoutingRun

RATES = (3.0, 6.0, 12.0, 24.0)  # °C/min, of the scouting runs
CROWDING = (
    30.0  # half-width of the range of a compound's place in equal shares, times the number of compounds
)
THETA_SCATTER, DCP_SCATTER = (
    0.1,
    20.0,
)  # of ln theta, and of dCp [J/mol/K] about a line: the problems stay what they were
CONFIDENCE = 0.9  # of the robust problems
FLOW, PRESSURE = ("constant flow",), ("constant pressure",)
FLOW_RAMPS, PRESSURE_RAMPS = (*FLOW, "flow program"), (*PRESSURE, "pressure program")
EASY, TIGHT, IMPOSSIBLE = 0.7, 0.97, 1.05  # shares of the reachable resolution


@dataclass(frozen=True)
class Case:
    """One problem.

    Attributes
    ----------
    name : str
    compounds, seed, ramps : int, the last being the most oven ramps
    modes : carrier modes
    share : float, resolution asked for over the largest smallest resolution that is known to be reachable
    robust : bool, whether draws decide
    quick : bool, whether it belongs to the sample
    """

    name: str
    compounds: int
    seed: int
    ramps: int
    modes: tuple[str, ...]
    share: float
    robust: bool = False
    quick: bool = False

    @property
    def possible(self) -> bool:
        """Whether a program is known that meets the goal."""
        return self.share <= 1


CASES = (
    Case("8-flow", 8, 1, 2, FLOW, EASY),
    Case("10-flow-robust", 10, 2, 2, FLOW, EASY, robust=True),
    Case("12-pressure-tight", 12, 3, 2, PRESSURE, TIGHT),
    Case("14-pressure-robust", 14, 4, 3, PRESSURE, EASY, robust=True),
    Case("18-one-ramp", 18, 5, 1, FLOW, EASY, quick=True),
    Case("18-one-ramp-robust", 18, 6, 1, FLOW, EASY, robust=True, quick=True),
    Case("18-one-ramp-tight", 18, 7, 1, FLOW, TIGHT),
    Case("20-flow-tight", 20, 8, 2, FLOW, TIGHT, quick=True),
    Case("20-flow-robust-tight", 20, 9, 2, FLOW, TIGHT, robust=True, quick=True),
    Case("20-flow-robust-90", 20, 10, 2, FLOW, 0.9, robust=True, quick=True),
    Case("20-pressure", 20, 11, 3, PRESSURE, EASY),
    Case("16-flow-ramp-robust", 16, 12, 2, FLOW_RAMPS, EASY, robust=True),
    Case("20-flow-ramp", 20, 13, 2, FLOW_RAMPS, EASY, quick=True),
    Case("20-pressure-ramp", 20, 14, 2, PRESSURE_RAMPS, EASY),
    Case("20-pressure-ramp-robust", 20, 15, 2, PRESSURE_RAMPS, EASY, robust=True),
    Case("23-pressure-robust", 23, 16, 3, PRESSURE, EASY, robust=True, quick=True),
    Case("30-flow-robust", 30, 17, 3, FLOW, EASY, robust=True),
    Case("30-pressure-tight", 30, 18, 2, PRESSURE, TIGHT),
    Case("40-flow", 40, 19, 3, FLOW, EASY, quick=True),
    Case("40-pressure-robust-90", 40, 20, 2, PRESSURE, 0.9, robust=True),
    Case("41-flow-robust", 41, 21, 3, FLOW, EASY, robust=True, quick=True),
    Case("40-four-ramps", 40, 22, 4, FLOW, EASY),
    Case("60-four-ramps-90", 60, 23, 4, FLOW, 0.9),
    Case("80-flow", 80, 24, 3, FLOW, EASY, quick=True),
    Case("80-pressure-robust", 80, 25, 3, PRESSURE, EASY, robust=True),
    Case("12-flow-robust-impossible", 12, 26, 2, FLOW, IMPOSSIBLE, robust=True, quick=True),
    Case("20-pressure-impossible", 20, 27, 2, PRESSURE, IMPOSSIBLE),
    Case("41-flow-robust-impossible", 41, 28, 3, FLOW, IMPOSSIBLE, robust=True),
)


def fitted(case: Case, needed: float) -> Problem:
    """The problem of a case that asks for a resolution of `needed` of every pair."""
    scenario = mixture(
        case.compounds, case.seed, case.ramps, min_resolution=needed, modes=case.modes
    ).scenario
    runs = _scouted(case)
    tables = []
    for run in runs:
        order, unknown = np.argsort(run.retention), np.full(case.compounds, np.nan)
        peaks = PeakTable(
            tuple(scenario.compounds[m] for m in order),
            run.retention[order],
            run.width_half[order],
            unknown,
            unknown,
        )
        tables.append(ScoutingRun(run.name, run.program, peaks, None, REPEATABILITY))
    goal = replace(scenario.goal, confidence=CONFIDENCE if case.robust else 0.0)
    scenario = replace(scenario, title=case.name, goal=goal, runs=tuple(tables))
    return problem_of(scenario, fit_retention(NOMINAL, runs, scenario.compounds))


def _scouted(case: Case) -> tuple[Run, ...]:
    """Scouting runs of compounds that lie closer by chance than in other benchmarks, the closer the fewer they are."""
    rng = np.random.default_rng(np.random.SeedSequence(entropy=case.seed, spawn_key=(13, case.compounds)))
    places = np.arange(case.compounds) + 0.5 + CROWDING / case.compounds * rng.uniform(-1, 1, case.compounds)
    T0 = 330.0 + 190.0 * np.sort(places) / case.compounds
    theta = typical_theta(T0) * np.exp(rng.normal(0.0, THETA_SCATTER, case.compounds))
    retention = Retention(
        T0, theta, 30.0 + 0.33 * (T0 - 273.0) + rng.normal(0.0, DCP_SCATTER, case.compounds)
    )
    system = replace(TRUE, flow_factor=float(np.exp(rng.normal(0.0, LN_FLOW_SPREAD))), oven_lag=OVEN_LAG[0])
    return measured(retention, system, RATES, rng)
