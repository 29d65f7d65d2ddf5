"""A made-up scenario, fit and outcome of a search for the tests of reports and pictures; peaks from the engine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.column.carrier_gas import carrier_gas
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of, values_at
from models.column.retention import Retention, with_typical_values
from models.column.system import Column, ColumnSystem, flow, inlet_pressure
from models.fit.fit import Fit
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH, pair_resolution
from models.peaks.thermal_exposure import decomposition, intact_fraction, time_above
from models.units import flow_si, kelvin
from optimizer.goal.outcome import Candidate, InUse, LimitMargin, Prediction, SearchOutcome, Tried
from optimizer.goal.reliability import Failure, Reliability, Source
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.data import (
    AnalyteDetail,
    Decomposition,
    Goal,
    Scenario,
    ScoutingRun,
    SearchSettings,
    TimeAbove,
)
from optimizer.scenario.instrument_data import HeatingLimit, Instrument, Steps

AMBIENT = 101325.0
COLUMN = Column(30.0, 0.25e-3, 0.25e-6)
TWO_RAMPS = Program(
    OvenProgram(
        kelvin(50.0), 60.0, (Ramp(20 / 60, kelvin(120.0), 30.0), Ramp(12.5 / 60, kelvin(260.0), 0.0))
    ),
    CarrierProgram("flow", flow_si(1.4)),
)
PRESSURE_RAMP = Program(
    OvenProgram(kelvin(60.0), 0.0, (Ramp(15 / 60, kelvin(260.0), 60.0),)),
    CarrierProgram("pressure", AMBIENT + 80e3, 60.0, (Ramp(10e3 / 60, AMBIENT + 180e3, 0.0),)),
)
ISOTHERMAL = Program(OvenProgram(kelvin(130.0), 5400.0), CarrierProgram("pressure", AMBIENT + 100e3))


def names_of(count: int) -> tuple[str, ...]:
    """Plausible names of uneven length."""
    stems = ("octane", "limonene", "2-ethylhexyl hexanoate", "p-cymene", "1,2,4-trimethylbenzene", "nonanal")
    return tuple(f"{stems[i % len(stems)]} {i + 1}" for i in range(count))


def compounds(count: int, seed: int = 5) -> Retention:
    """Random compounds between 330 and 520 K, every fifth of them close behind another."""
    rng = np.random.default_rng(seed)
    T0 = np.sort(rng.uniform(335.0, 515.0, count))
    T0[4::5] = T0[3::5][: len(T0[4::5])] + 0.25
    return with_typical_values(T0)


def predicted(
    retention: Retention,
    names: Sequence[str],
    program: Program = TWO_RAMPS,
    system: ColumnSystem | None = None,
    needed: float = 1.5,
) -> Prediction:
    """What the engine gives for a program; every pair counts."""
    system = system or ColumnSystem(COLUMN, carrier_gas("helium"), AMBIENT, plate_height_factor=1.1)
    batch = batch_of([program])
    tables = migration_tables(system, retention, program.carrier.controlled)
    peaks = migrate(tables, batch, "polish")
    t, w = peaks.retention_time[0], peaks.width[0] * HALF_HEIGHT_WIDTH
    pairs = np.array([(i, j) for i in range(len(t)) for j in range(i + 1, len(t))], dtype=np.intp).reshape(
        -1, 2
    )
    tailing = np.full(len(t), 1.1)
    Rs = pair_resolution(t, w, pairs, tailing)
    run_time = max(program.oven.duration, float(np.nanmax(t + 1.5 * w)))
    times = np.linspace(0.0, run_time, 200)[None]
    T = values_at(times, batch.oven_times, batch.oven_temperatures)
    value = values_at(times, batch.carrier_times, batch.carrier_values)
    pressure = inlet_pressure(system, program.carrier.controlled, value, T)
    rng = np.random.default_rng(3)
    return Prediction(
        program=program,
        compounds=tuple(names),
        retention=t,
        retention_sd=np.full(len(t), 0.4),
        width_half=w,
        width_sd=0.03 * w,
        elution_temperature=peaks.elution_temperature[0],
        retention_factor=peaks.retention_factor[0],
        tailing=tailing,
        overload=np.zeros(len(t)),
        apex_shift=np.zeros(len(t)),
        area=rng.uniform(0.2, 1.0, len(t)),
        counted_pairs=pairs,
        needed=np.full(len(pairs), needed),
        resolution=Rs,
        resolution_sd=0.04 * Rs,
        critical=int(np.argmin(Rs)) if len(Rs) else None,
        intact_fraction=np.full(t.shape, np.nan),
        time_above=np.full(t.shape, np.nan),
        run_time=run_time,
        trace_times=times[0],
        inlet_pressure=pressure[0],
        flow=flow(COLUMN, system.gas, T, pressure, system.outlet_pressure)[0],
        ignored=np.zeros(len(t), dtype=bool),
    )


def made_up_scenario(
    names: Sequence[str], retention: Retention, gas: str = "helium", outlet: float = AMBIENT
) -> Scenario:
    """Two scouting ramps of the given compounds."""
    runs = []
    for name, rate in (("slow", 5 / 60), ("fast", 15 / 60)):
        program = Program(
            OvenProgram(kelvin(50.0), 120.0, (Ramp(rate, kelvin(280.0), 300.0),)),
            CarrierProgram("flow", flow_si(1.2)),
        )
        seen = predicted(retention, names, program)
        nothing = np.full(len(names), np.nan)
        table = PeakTable(tuple(names), seen.retention, seen.width_half, nothing, nothing)
        runs.append(ScoutingRun(name, program, table, None, 0.18))
    return Scenario(
        title="A made-up mixture",
        path=Path("made_up/scenario.toml"),
        column=COLUMN,
        phase="5 % phenyl methylpolysiloxane",
        min_temperature=kelvin(40.0),
        max_temperature=kelvin(325.0),
        max_programmed_temperature=kelvin(350.0),
        gas=carrier_gas(gas),
        outlet_pressure=outlet,
        ambient_pressure=AMBIENT,
        instrument=Instrument(
            max_inlet_pressure=AMBIENT + 400e3,
            min_flow=flow_si(0.5),
            max_flow=flow_si(4.0),
            heating_limits=(HeatingLimit(kelvin(450.0), 0.5),),
            steps=Steps(1.0, 0.5 / 60, 6.0, flow_si(0.05), 1e3),
        ),
        runs=tuple(runs),
        current=ISOTHERMAL,
        goal=Goal("run time", 1.5, 0.0),
        analytes=(),
        pairs=(),
        search=SearchSettings(("constant flow",), 2, seconds=20.0, candidates=5, seed=1),
        flow_correction="column",
        compounds=tuple(names),
        warnings=(),
    )  # fmt: skip


def made_up_fit(retention: Retention, runs: int = 2) -> Fit:
    """A fit with residuals of a few tenths of a second, one of them missing."""
    M = len(retention)
    rng = np.random.default_rng(8)
    residual = rng.normal(0.0, 0.15, (runs, M))
    residual[1, 0] = np.nan
    return Fit(
        system=ColumnSystem(COLUMN, carrier_gas("helium"), AMBIENT, 1.006, 1.12, 0.4),
        retention=retention,
        standard_error=np.full((M, 3), 0.05),
        prior_weight=np.full((M, 3), 0.3),
        residual=residual,
        standardised=residual / 0.18,
        flow_factors=np.full(runs, 1.006),
        covariance=np.eye(3 * M + 1) * 1e-4,
        hold_up=np.full(runs, 95.0),
        widths_fitted=True,
        chi_square=2.0,
        degrees_of_freedom=3,
        testable=False,
        warnings=("Two runs cannot show a mistake: add a third.",),
        ln_diffusion=np.zeros(M),
        width_covariance=np.zeros((3 + 3 * M, 3 + 3 * M)),
        width_scatter=0.0,
        scouted=np.tile([[-np.inf], [np.inf]], M),
        scouted_velocity=np.array([-np.inf, np.inf]),
    )


def made_up_outcome(
    predictions: Sequence[Prediction],
    feasible: bool = True,
    current: Prediction | None = None,
    breaks: tuple[str, ...] = (),
) -> SearchOutcome:
    """Candidates of given predictions, ranked in the order given."""
    candidates = []
    for rank, prediction in enumerate(predictions, 1):
        a, b = prediction.critical_pair or ("", "")
        margins = (
            LimitMargin(
                f"resolution of {a} and {b}",
                f"resolution of {a} and {b} {prediction.min_resolution:.2f} (needs 1.50)",
                prediction.min_resolution / 1.5 - 1,
                True,
            ),
            LimitMargin(
                "largest inlet pressure", "inlet pressure up to 150 kPa gauge (limit 400)", 0.62, False
            ),
        )
        candidates.append(
            Candidate(
                rank=rank,
                family=f"family {rank}",
                prediction=prediction,
                cycle_time=prediction.run_time + 240.0,
                samples_per_shift=float(int(8 * 3600 / (prediction.run_time + 240.0))),
                margins=margins,
                feasible=feasible,
                reliability=Reliability(
                    0.93,
                    400,
                    0.93,
                    (Failure("resolution of the tightest pair", 0.05),),
                    (
                        Source("oven temperature", 0.96, "clear", True),
                        Source("retention and flow as fitted", 0.95, "clear", True),
                    ),
                ),
                next_seconds="10 s faster: resolution of a and b 1.43 (needs 1.50).",
                compared=(),
                warnings=("Extrapolates: 20 to 40 °C was not scouted.",),
            )
        )
    blocking = () if feasible else ("resolution of a and b 0.62 (needs 1.50): 58.7 % short",)
    families = (Tried("isothermal, constant flow", float("nan")), Tried("one ramp, constant flow", 402.0))
    in_use = None
    if current is not None:
        cycle = current.run_time + 300.0
        in_use = InUse(current, cycle, float(int(8 * 3600 / cycle)), breaks)
    return SearchOutcome(feasible, tuple(candidates), blocking, in_use, families, 12345, 3.21, False)


def sensitive(names: Sequence[str]) -> tuple[AnalyteDetail, ...]:
    """Limits of heat for three compounds: kinetics, a time above a temperature, and a largest elution temperature."""
    return (
        AnalyteDetail(
            names[0],
            "target",
            decomposition=Decomposition(140e3, 600.0, kelvin(160.0)),
            min_intact_fraction=0.95,
        ),
        AnalyteDetail(names[1], "target", max_time_above=TimeAbove(kelvin(80.0), 60.0)),
        AnalyteDetail(names[2], "target", max_elution_temperature=kelvin(150.0)),
    )


def exposed(prediction: Prediction, details: Sequence[AnalyteDetail]) -> Prediction:
    """A prediction with the intact fractions and times above that the models give for some analytes."""
    batch, times = batch_of([prediction.program]), prediction.retention[None]
    intact, above = np.full(times.size, np.nan), np.full(times.size, np.nan)
    for detail in details:
        m = prediction.compounds.index(detail.compound)
        at = np.array([m])
        if detail.decomposition is not None:
            k = detail.decomposition
            kinetics = decomposition(
                np.array([k.activation_energy]), np.array([k.half_life]), np.array([k.temperature])
            )
            intact[m] = intact_fraction(batch, times, at, kinetics)[0, 0]
        if detail.max_time_above is not None:
            above[m] = time_above(batch, times, at, np.array([detail.max_time_above.temperature]))[0, 0]
    return replace(prediction, intact_fraction=intact, time_above=above)
