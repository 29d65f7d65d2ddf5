"""What it takes to hold a program against draws of what is uncertain, beside simulating it.

As processor time a program, alone and in batches: the peaks in all draws by first derivatives; and the share of draws
that hold with the margin they keep, from those peaks.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks.mixtures import mixture
from models.peaks.migration import migrate
from optimizer.goal.drawn_margins import judged
from optimizer.goal.goal import Problem
from optimizer.scenario.instrument_data import Tolerances
from optimizer.search.program_space import families_of

COMPOUNDS, DRAWN = 30, 200
BATCHES = (1, 16, 64)
REPEATS, SAMPLE_REPEATS = 100, 30
WANTED = 1.0  # ms a program
MODES = ("constant pressure", "constant flow", "pressure program", "flow program")
SPREADS = (0.5, 0.02, 5.0)  # of T0 [K], ln theta, dCp [J/mol/K]
TOLERANCES = Tolerances(oven=1.0, pressure=0.01, flow=0.01, hold_up=0.01, trimmed=0.0)


def uncertain(mode: str) -> Problem:
    """A mixture whose retention parameters are uncertain, and that nine of ten draws must hold."""
    problem = mixture(COMPOUNDS, 1, 2, modes=(mode,))
    covariance = np.diag(np.append(np.repeat(np.square(SPREADS), COMPOUNDS), 0.01**2))
    scenario = problem.scenario
    goal = replace(scenario.goal, confidence=0.9)
    fit = replace(problem.fit, covariance=covariance)
    robust = replace(problem, scenario=replace(scenario, goal=goal, tolerances=TOLERANCES), fit=fit)
    # Kept where the cached property looks for it.
    robust.__dict__["robustness"] = replace(robust.robustness, count=DRAWN)
    return robust


def median_ms(work: Callable[[], object], repeats: int) -> float:
    """Median processor time [ms] of a piece of work."""
    taken = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return 1e3 * float(np.median(taken))


def costs(mode: str, size: int, repeats: int) -> tuple[float, float, float]:
    """Times a program [ms] of screening it, of its draws, and of judging it by them."""
    problem = uncertain(mode)
    family = families_of(problem.scenario)[-1]
    rng = np.random.default_rng(np.random.SeedSequence(entropy=size, spawn_key=(len(mode),)))
    z = np.array([family.ordered(each) for each in rng.random((size, family.size))])
    batch = family.batch(family.values(z))
    robustness = problem.robustness
    assessment = problem.assess(batch, "polish")
    t, w = assessment.retention, assessment.width_half
    tables = problem.tables[batch.controlled]
    plain = median_ms(lambda: migrate(tables, batch, "screen"), repeats)
    drawing = median_ms(lambda: robustness.peaks(batch, t, w), repeats)
    judging = median_ms(lambda: judged(problem, batch, assessment), repeats)
    return plain / size, drawing / size, judging / size


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    lines = [
        "## Draws of what is uncertain",
        "",
        f"{COMPOUNDS} compounds, {DRAWN} draws, ambient outlet, processor time a program in ms; wanted for the draws: "
        f"{WANTED:g} ms.",
        "",
        "| carrier | programs at a time | screening alone | peaks in all draws | the same, and judged |",
        "|---|---|---|---|---|",
    ]
    for mode in MODES:
        for size in BATCHES:
            found = costs(mode, size, SAMPLE_REPEATS if sample else REPEATS)
            lines.append(f"| {mode} | {size} | " + " | ".join(f"{ms:.3f}" for ms in found) + " |")
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"
