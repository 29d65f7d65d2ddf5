"""How a fit's time grows with the number of compounds."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from benchmarks.scouting import NOMINAL, Mixture, scouted
from models.fit.compound_fits import Simulator
from models.fit.fit import USUAL_OVEN_LAG
from models.fit.fitting import fit_retention

COMPOUNDS = (30, 100, 300)
RATES = (3.0, 10.0, 40.0)  # °C/min
MIXTURES = 5
SIMULATIONS = 5


def run(quick: bool = False) -> str:
    """A section of benchmarks/RESULTS.md."""
    fit_retention(NOMINAL, scouted(5, RATES, 1).runs)  # whatever is made at first use
    rows, seconds = [], []
    for compounds in COMPOUNDS:
        mixtures = [scouted(compounds, RATES, seed) for seed in range(1 if quick else MIXTURES)]
        each = [_seconds(partial(fit_retention, NOMINAL, mixture.runs)) for mixture in mixtures]
        seconds.append(float(np.median(each)))
        rows.append(
            f"| {compounds} | {seconds[-1]:.2f} ({min(each):.2f} to {max(each):.2f}) | "
            f"{seconds[-1] / seconds[0]:.2f} | {compounds / COMPOUNDS[0]:.2f} | "
            f"{seconds[-1] / _simulation(mixtures[0]):.0f} |"
        )
    growth = np.polyfit(np.log(COMPOUNDS), np.log(seconds), 1)[0]
    lines = [
        "## Fit",
        "",
        f"{len(RATES)} noisy runs, {'one mixture' if quick else f'{MIXTURES} mixtures'} of each size; processor time, "
        "median (least to largest). A simulation is all runs with all derivatives, tables included. "
        f"Time grows as the number of compounds to the power {growth:.2f}.",
        "",
        "| compounds | s | × the time of 30 | × the compounds | simulations |",
        "|---:|---:|---:|---:|---:|",
        *rows,
        "",
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines)


def _seconds(call: Callable[[], object]) -> float:
    began = time.process_time()
    call()
    return time.process_time() - began


def _simulation(mixture: Mixture) -> float:
    """Seconds of one simulation of the runs with their derivatives, tables included."""
    simulator = Simulator(replace(NOMINAL, oven_lag=USUAL_OVEN_LAG), mixture.runs)
    factors = np.ones(len(mixture.runs))
    return float(
        np.median(
            [
                _seconds(lambda: simulator.slopes(simulator.tables(mixture.retention), factors))
                for _ in range(SIMULATIONS)
            ]
        )
    )
