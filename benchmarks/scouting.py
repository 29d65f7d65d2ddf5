"""Made-up scouting runs for the benchmarks of peak tables: true parameters scattered wider than typical values say."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem
from models.fit.compound_fits import Simulator, retention_of
from models.fit.fit import Run
from models.fit.typical import Typical
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import flow_si

NOMINAL = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], 101325.0)
TRUE = replace(NOMINAL, plate_height_factor=1.2, injection_width=0.3)
REPEATABILITY = 0.18  # s
THETA_SCATTERS = (0.08, 0.12, 0.15)  # of ln theta, each for a third of the mixtures
DCP_SCATTER = 15.0  # J/mol/K, about that of compounds of such a theta
LN_AREA_SPREAD = np.log(10.0) / 4  # so that four standard deviations span a factor of ten
AREA_NOISE = 0.05  # of an area
INJECTED_NOISE = 0.2  # of all areas of a run together
LN_FLOW_SPREAD = 0.015
OVEN_LAG = 4.0, 3.0  # s, mean and standard deviation


@dataclass(frozen=True)
class Mixture:
    """M true compounds, and the runs of a system whose flow is not quite nominal; areas (R, M)."""

    retention: Retention
    system: ColumnSystem
    runs: tuple[Run, ...]
    areas: Array


def ramp(rate: float) -> Program:
    """50 °C for 1 min, then to 300 °C at so many °C/min; helium, 1.2 mL/min."""
    oven = OvenProgram(323.15, 60.0, (Ramp(rate / 60, 573.15, 600.0),))
    return Program(oven, CarrierProgram("flow", float(flow_si(1.2))))


def scouted(compounds: int, rates: tuple[float, ...], seed: int) -> Mixture:
    """A mixture and its scouting runs at the given heating rates [°C/min]: noisy times, widths and areas."""
    rng = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(compounds, len(rates))))
    # One compound to an equal share of the range: crowded enough for crossings, no two at the same place.
    T0 = 330.0 + 190.0 * (np.arange(compounds) + rng.uniform(0.125, 0.875, compounds)) / compounds
    scatter = THETA_SCATTERS[seed % len(THETA_SCATTERS)]
    off = rng.normal(0.0, scatter, compounds), rng.normal(0.0, DCP_SCATTER, compounds)
    retention = retention_of(Typical().parameters(T0, np.transpose(off)))
    factor = float(np.exp(rng.normal(0.0, LN_FLOW_SPREAD)))
    lag = max(0.0, float(rng.normal(*OVEN_LAG)))
    system = replace(TRUE, flow_factor=factor, oven_lag=lag)
    runs = measured(retention, system, rates, rng)
    amounts = np.exp(rng.normal(0.0, LN_AREA_SPREAD, compounds))
    injected = np.exp(rng.normal(0.0, INJECTED_NOISE, len(rates)))[:, None]
    areas = 1e5 * amounts * injected * np.exp(rng.normal(0.0, AREA_NOISE, (len(rates), compounds)))
    return Mixture(retention, system, runs, areas)


def measured(
    retention: Retention, system: ColumnSystem, rates: tuple[float, ...], rng: np.random.Generator
) -> tuple[Run, ...]:
    """Scouting runs of a system at the given heating rates [°C/min], with noisy times."""
    programs = [ramp(rate) for rate in rates]
    unmeasured = np.full(len(retention), np.nan)
    empty = [
        Run(f"{rate:g} °C/min", program, unmeasured, unmeasured)
        for rate, program in zip(rates, programs, strict=True)
    ]
    simulator = Simulator(system, empty)
    factors = np.full(len(rates), system.flow_factor)
    times, widths, _ = simulator.peaks(simulator.tables(retention), factors)
    times = times + rng.normal(0.0, REPEATABILITY, times.shape)
    return tuple(
        replace(run, retention=t, width_half=w * HALF_HEIGHT_WIDTH, repeatability=REPEATABILITY)
        for run, t, w in zip(empty, times, widths, strict=True)
    )
