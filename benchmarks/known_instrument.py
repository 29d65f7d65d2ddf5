"""The shortest program that an instrument bears, found with full knowledge of that instrument.

The engine cannot be the other instrument exactly. So a fit of many runs without noise, over all rates and flows that a
search may use, gives the programs to begin with. Each is then run on the instrument, on its day and off all four ways;
what every pair lacks or has to spare there is asked for, or conceded, of the next search, which begins from it
(modifier adaptation: Marchetti, Chachuat, Bonvin, Ind. Eng. Chem. Res. 48 (2009) 6022; cited from memory). At the end
single steps of set points are tried on the instrument itself. What is found truly bears it all, so that the shortest is
no longer.
"""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.other_instrument import Day
from benchmarks.scouted_mixtures import (
    AMBIENT,
    HOTTEST,
    LAST_HOLD,
    Mixture,
    ProgramTable,
    write_scenario,
)
from models.column.programs import Array, Program, batch_of
from models.column.system import ColumnSystem
from models.errors import RampwrightError
from models.fit.fit import Fit
from models.fit.fitting import Run, fit_retention
from models.peaks.resolution import resolution
from optimizer.goal.goal import END_OF_PEAK as END
from optimizer.goal.goal import Pairs, Problem, problem_of
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import load_scenario, program_of_tables
from optimizer.search.candidates import outcome_of
from optimizer.search.found import FEASIBLE
from optimizer.search.islands import search
from optimizer.search.program_space import families_of

NEEDED = 1.5  # resolution asked of every pair
OFF = (0.7, 0.7)  # oven [K] and carrier [%], all four ways, that a program must bear
WAYS = (Day(), *(Day(T * OFF[0], c * OFF[1] / 100) for T in (-1, 1) for c in (-1, 1)))
RATES, FLOWS = (3.0, 6.0, 12.0, 24.0, 40.0), (0.6, 1.8)  # °C/min; of the scouted flow or pressure, in others
REPEATABILITY = 0.02  # s, of runs without noise
AT_FIRST = 1.08  # times the resolution needed, of the first search: what being off costs, roughly
BEGUN = 3  # candidates that are led to where they bear it all
ADAPTED = 4  # times each
SHORT_SEARCH = 0.12  # of the first search's time
LEAST, MOST = 0.8, 3.0  # what a pair may be asked for, times the resolution needed
TRIED = 60  # programs on the instrument itself at most, single steps from the best
STEPS = {
    "start_C": 1.0,
    "hold_min": 0.1,
    "rate_C_per_min": 0.5,
    "to_C": 1.0,
    "flow_mL_min": 0.05,
    "inlet_kPa": 1.0,
}
GAIN = 0.05  # s, that a step must save


@dataclass(frozen=True)
class OnInstrument:
    """A program on the instrument, on its day and off all four ways.

    Attributes
    ----------
    smallest : smallest resolution of any two peaks, on the day and the least of all ways; below 0 where two have
        changed places, 0 when something never leaves
    pairs : (M, M) array, the least of each two in all ways, in the order of the day
    end : float  [s], when the last peak is over in the latest way
    """

    smallest: tuple[float, float]
    pairs: Array
    end: float


def on_instrument(drawn: Mixture, program: Program, said: Array | None = None) -> OnInstrument:
    """Run a program; `said` are the times (M,) that give the order expected, those of the day when None."""
    table = program_document(program, AMBIENT)
    runs = [drawn.truth(table, way) for way in WAYS]
    if any(np.isnan(t).any() for t, _ in runs):
        return OnInstrument((0.0, 0.0), np.zeros((len(drawn.compounds),) * 2), np.inf)
    expected = runs[0][0] if said is None else said
    sign = np.sign(expected[None, :] - expected[:, None])
    each = []
    for t, w in runs:
        Rs = resolution(t[:, None], t[None, :], w[:, None], w[None, :])
        each.append(np.where(sign == 0, np.inf, sign * np.sign(t[None, :] - t[:, None]) * np.abs(Rs)))
    least = np.min(each, axis=0)
    end = max(float((t + END * w).max()) for t, w in runs)
    return OnInstrument((float(each[0].min()), float(least.min())), least, end)


def shortest_that_bears(drawn: Mixture, folder: Path, seconds: float) -> tuple[Program, float] | None:
    """The shortest program found and when it is over [s]; None where none was found that bears it all.

    Parameters
    ----------
    folder : an empty one
    seconds : budget of the first search, on the clock of searches
    """
    scenario, fit = _known(drawn, folder)
    problem = problem_of(scenario, fit)
    rows = np.array([drawn.compounds.index(compound) for compound in scenario.compounds])
    found = _programs(_asking(problem, np.full(len(problem.pairs.needed), AT_FIRST)), seconds, [])
    best: tuple[Program, float] | None = None
    share = np.full(len(problem.pairs.needed), AT_FIRST)
    for begun in found[:BEGUN]:
        program = begun
        for _ in range(ADAPTED):
            truly = on_instrument(drawn, program)
            if truly.smallest[1] >= NEEDED and (best is None or truly.end < best[1]):
                best = program, truly.end
            own = _shares(problem, program, truly.pairs[np.ix_(rows, rows)])
            if best is not None and best[0] is program:
                share = own
            again = _programs(_asking(problem, own), SHORT_SEARCH * seconds, [program])
            if not again or again[0] == program:
                break
            program = again[0]
    return None if best is None else _stepped(drawn, _asking(problem, share), best)


def _known(drawn: Mixture, folder: Path) -> tuple[Scenario, Fit]:
    """The scenario, judged nominally, and a fit of runs without noise."""
    goal = [f"min_resolution = {NEEDED:g}", 'confidence = "nominal"']
    write_scenario(drawn, folder, goal, searched(drawn))
    scenario = load_scenario(folder)
    carrier = next(iter(drawn.scouting.values()))["carrier"]
    ramps = [(rate, carrier) for rate in RATES]
    ramps += [
        (RATES[2], {key: times * value if key in STEPS else value for key, value in carrier.items()})
        for times in FLOWS
    ]
    runs = []
    for number, (rate, gas) in enumerate(ramps):
        ramp = {"rate_C_per_min": rate, "to_C": HOTTEST, "hold_min": LAST_HOLD}
        table: ProgramTable = {"oven": {"start_C": 40.0, "hold_min": 1.0, "ramps": [ramp]}, "carrier": gas}
        t, w = drawn.truth(table, Day())
        rows = [drawn.compounds.index(compound) for compound in scenario.compounds]
        made = program_of_tables(table, AMBIENT)
        runs.append(Run(str(number), made, t[rows], w[rows], REPEATABILITY, None))
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    return scenario, fit_retention(system, runs, scenario.compounds)


def searched(drawn: Mixture) -> list[str]:
    """What is searched of a mixture: lines of the table `search`, the same for everybody."""
    mode = next(iter(drawn.scouting.values()))["carrier"]["mode"]
    return [f'carrier_modes = ["{mode}"]', "max_ramps = 2", f"seed = {drawn.seed}"]


def _asking(problem: Problem, share: Array) -> Problem:
    """The same problem with every pair asked for a share (P,) of the resolution it needs."""
    return replace(problem, pairs=Pairs(problem.pairs.index, NEEDED * share))


def _programs(problem: Problem, seconds: float, given: list[Program]) -> list[Program]:
    """Programs that keep the goal, on the instrument's grid, best first."""
    scenario = problem.scenario
    found = search(problem, families_of(scenario), seconds, scenario.search.seed, cores=1, given=given)
    made = outcome_of(problem, found)
    return [each.prediction.program for each in made.candidates if each.feasible]


def _shares(problem: Problem, program: Program, truly: Array) -> Array:
    """What to ask of pairs (P,), in what they need, so that they have it on the instrument in every way."""
    assessment = problem.assess(batch_of([program]), "polish")
    said = problem.pair_resolutions(assessment.retention, assessment.width_half)[0]
    least = truly[*problem.pairs.index.T]
    ratio = np.where(least > 0, said / np.maximum(least, 1e-3), MOST)
    result: Array = np.clip(ratio, LEAST, MOST)
    return result


def _stepped(drawn: Mixture, problem: Problem, best: tuple[Program, float]) -> tuple[Program, float]:
    """Single steps of set points that save time, tried on the instrument, the likeliest first."""
    program, end = best
    left = TRIED
    improved = True
    while improved and left > 0:
        improved = False
        for each in _faster(problem, program):
            left -= 1
            truly = on_instrument(drawn, each)
            if truly.smallest[1] >= NEEDED and truly.end < end - GAIN:
                program, end, improved = each, truly.end, True
                break
            if left <= 0:
                break
    return program, end


def _faster(problem: Problem, program: Program) -> list[Program]:
    """Neighbours by one step or two that are faster, those with the largest smallest margin first."""
    tables = list(_neighbours(program_document(program, AMBIENT)))
    made = []
    for table in tables:
        try:
            made.append(program_of_tables(table, AMBIENT))
        except RampwrightError:
            continue  # a ramp that would not rise, a hold below nought
    batch = batch_of([program, *made])
    assessment = problem.assess(batch, "polish")
    margin = problem.resolution_margins(assessment).min(axis=1)
    runs = problem.equipment_margin(assessment) >= FEASIBLE
    good = [
        n
        for n in range(1, len(made) + 1)
        if runs[n] and margin[n] > -0.05 and assessment.cost[n] < assessment.cost[0] - GAIN
    ]
    return [made[n - 1] for n in sorted(good, key=lambda n: -margin[n])]


def _neighbours(table: ProgramTable) -> Iterator[ProgramTable]:
    """A program's tables with one set point, or two of them, moved by a step."""
    parts: list[list[Any]] = [["oven"], ["carrier"]]
    parts += [["oven", "ramps", number] for number in range(len(table["oven"].get("ramps", [])))]

    def at(whole: Any, path: list[Any]) -> Any:
        for key in path:
            whole = whole[key]
        return whole

    points = [(path, key) for path in parts for key in at(table, path) if key in STEPS]
    moves = [(path, key, sign * STEPS[key]) for path, key in points for sign in (-1, 1)]
    twice = ((a, b) for a in moves for b in moves if a[:2] < b[:2])
    for several in chain(((a,) for a in moves), twice):
        changed = deepcopy(table)
        for path, key, by in several:
            part = at(changed, path)
            part[key] = round(part[key] + by, 6)
        yield changed
