"""Sound scenarios and programs run to a prediction, for `benchmarks.fuzz`, and held against what must be true of it.

Parameters are fitted once for each of `SAMPLES` made-up samples; a case is one of them with a program of its own.
"""

from __future__ import annotations

import json
import math
import random
import tempfile
from collections.abc import Callable, Mapping
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

import rampwright as rw
from benchmarks.fuzz_cases import Kind
from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, typical_theta
from models.column.system import Column, ColumnSystem
from models.peaks.migration import migrate, migration_tables
from models.units import flow_si, kelvin
from optimizer.base.given_values import inline_toml
from optimizer.scenario.program_tables import program_document

SAMPLES = 24
AMBIENT = 101325.0
KPA_PER_PSI = 6.894757293168  # 0.45359237 kg * 9.80665 m/s2 / (0.0254 m)2, by definition of pound and inch
TIME = 2e-4  # relative: twice what `migrate` states for one
CASE = "case.json"
TWICE = " twice"

Tables = dict[str, Any]


def kinds() -> list[Kind]:
    """One for each thing that must be true."""
    return [Kind(name, {CASE: b""}, _read(holds), _made) for name, holds in TRUE.items()]


def _made(rng: random.Random, _: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    case = {
        "sample": rng.randrange(SAMPLES),
        "program": program(rng),
        "share": rng.uniform(1.02, 1.6),
        "seed": rng.randrange(10**6),
    }
    return {CASE: json.dumps(case).encode()}, [json.dumps(case)]


def _read(holds: Callable[[Mapping[str, Any]], None]) -> Callable[[Path], None]:
    return lambda folder: holds(json.loads((folder / CASE).read_bytes()))


def program(rng: random.Random) -> Tables:
    """Any program, as its tables, on the steps of no instrument."""
    at, ramps = rng.uniform(40, 120), []
    start = round(at, 1)
    for _ in range(rng.randrange(4)):
        at = rng.uniform(at + 1, at + 120)
        ramps.append(
            {
                "rate_C_per_min": round(rng.uniform(0.5, 30), 2),
                "to_C": round(min(at, 320), 1),
                "hold_min": rng.choice((0, round(rng.uniform(0, 10), 2))),
            }
        )
        at = ramps[-1]["to_C"]
        if at > 300:
            break
    oven = {"start_C": start, "hold_min": rng.choice((0, round(rng.uniform(0, 20), 2))), "ramps": ramps}
    carrier: Tables = rng.choice((
        {"mode": "constant flow", "flow_mL_min": round(rng.uniform(0.6, 3), 2)},
        {"mode": "constant pressure", "inlet_kPa": round(rng.uniform(60, 250), 1)},
        {"mode": "pressure program", "start_kPa": 80, "hold_min": 1, "ramps": [{"rate_kPa_per_min": 4, "to_kPa": 180}]},
    ))  # fmt: skip
    return {"oven": oven, "carrier": carrier}


def _texts(number: int, twice: bool = False) -> dict[str, str]:
    """Files of a sample: three to nine compounds, two or three runs without noise; the first compound twice, if so."""
    rng = np.random.default_rng(number)
    count = int(rng.integers(3, 10))
    T0 = np.sort(rng.uniform(320.0, 520.0, count))
    retention = Retention(
        T0, typical_theta(T0) * rng.uniform(0.93, 1.07, count), rng.uniform(20.0, 90.0, count)
    )
    gas = ("helium", "hydrogen", "nitrogen")[number % 3]
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES[gas], AMBIENT if number % 2 else 0.0)
    files, runs = {}, []
    for rate in ((4.0, 15.0), (3.0, 8.0, 20.0))[number % 2]:
        made = Program(
            OvenProgram(kelvin(40.0), 60.0, (Ramp(rate / 60, kelvin(310.0), 2400.0),)),
            CarrierProgram("flow", flow_si(1.2)),
        )
        found = (
            migrate(migration_tables(system, retention, "flow"), batch_of([made]), "polish").retention_time[0]
            / 60
        )
        rows = [f"c{n},{t:.5f}" for n, t in enumerate(found) if math.isfinite(t)]
        if twice:
            rows.append(rows[0].replace("c0", "c0" + TWICE))
        files[f"{rate:g}.csv"] = "\n".join(["compound,retention_min", *rows, ""])
        tables = "\n".join(
            f"{key} = {inline_toml(table)}" for key, table in program_document(made, AMBIENT).items()
        )
        runs.append(f'[[scouting_runs]]\nname = "{rate:g}"\npeaks = "{rate:g}.csv"\n{tables}')
    outlet = "ambient" if number % 2 else "vacuum"
    files["scenario.toml"] = "\n".join((
        'title = "Made up"', "[column]\nlength_m = 30\ninner_diameter_mm = 0.25\nfilm_thickness_um = 0.25",
        "min_temperature_C = 30\nmax_temperature_C = 320", f'[carrier]\ngas = "{gas}"\noutlet = "{outlet}"',
        "[goal]\nmin_resolution = 1.5", *runs, "",
    ))  # fmt: skip
    return files


@cache
def sample(number: int, twice: bool = False) -> rw.Fitted:
    """The fit of a sample."""
    with tempfile.TemporaryDirectory() as name:
        for file, text in _texts(number, twice).items():
            (Path(name) / file).write_text(text, encoding="utf-8")
        return rw.fit(rw.load_scenario(name))


def _times(fitted: rw.Fitted, tables: Tables) -> dict[str, float]:
    """Retention times [s] of a program; nan for what never elutes."""
    made = rw.predict(fitted, tables, "none").prediction
    return dict(zip(made.compounds, map(float, made.retention), strict=True))


def _same(one: Mapping[str, float], two: Mapping[str, float], share: float = TIME) -> None:
    for name in one:
        a, b = one[name], two[name]
        if math.isnan(a) != math.isnan(b) or abs(a - b) > share * max(abs(a), abs(b)):
            raise AssertionError(f"{name} at {a} s, and at {b} s")


def _run_time(case: Mapping[str, Any]) -> None:
    """Holds and ramps add up to the program, and no run is shorter than it or ends before its last peak."""
    tables = case["program"]
    oven, at = tables["oven"], tables["oven"]["start_C"]
    minutes = oven["hold_min"]
    for ramp in oven["ramps"]:
        minutes += abs(ramp["to_C"] - at) / ramp["rate_C_per_min"] + ramp["hold_min"]
        at = ramp["to_C"]
    made = rw.predict(sample(case["sample"]), tables, "none").prediction
    if abs(made.program.oven.duration / 60 - minutes) > 1e-9 * max(minutes, 1):
        raise AssertionError(
            f"the program takes {made.program.oven.duration / 60} min, its holds and ramps {minutes}"
        )
    last = float(np.nanmax(made.retention, initial=0.0))
    if made.run_time < 60 * minutes * (1 - 1e-9) or made.run_time < last:
        raise AssertionError(
            f"the run ends at {made.run_time} s, the program at {60 * minutes}, the last peak at {last}"
        )
    if made.run_time > 60 * minutes * (1 + 1e-9) and made.run_time > 2 * last:
        raise AssertionError(f"the run goes on to {made.run_time} s after the last peak at {last}")


def _flow(case: Mapping[str, Any]) -> None:
    """More flow at constant flow makes every peak earlier."""
    fitted, tables = sample(case["sample"]), deepcopy(case["program"])
    tables["carrier"] = {"mode": "constant flow", "flow_mL_min": 0.7 + case["seed"] % 100 / 60}
    slow = _times(fitted, tables)
    tables["carrier"]["flow_mL_min"] *= case["share"]
    fast = _times(fitted, tables)
    for name, t in slow.items():
        if math.isfinite(t) and not fast[name] < t:
            raise AssertionError(
                f"{name} at {t} s, with {case['share']:.3f} times the flow at {fast[name]} s"
            )


def _units(case: Mapping[str, Any]) -> None:
    """kPa written as psi, or converted there and back, give the same peaks."""
    fitted, tables = sample(case["sample"]), deepcopy(case["program"])
    kPa = 60 + case["seed"] % 1000 / 5
    for mode, key, more in (
        ("constant pressure", "inlet", {}),
        ("pressure program", "start", {"hold_min": 0.5}),
    ):
        ramp = {"rate": 4.0, "to": kPa * case["share"]}

        def carrier(
            unit: str,
            factor: float,
            mode: str = mode,
            key: str = key,
            more: Tables = more,
            ramp: Tables = ramp,
        ) -> Tables:
            made: Tables = {"mode": mode, f"{key}_{unit}": kPa * factor, **more}
            if more:
                made["ramps"] = [
                    {f"rate_{unit}_per_min": ramp["rate"] * factor, f"to_{unit}": ramp["to"] * factor}
                ]
            return made

        ways = [
            carrier("kPa", 1.0),
            carrier("psi", 1 / KPA_PER_PSI),
            carrier("kPa", 1 / KPA_PER_PSI * KPA_PER_PSI),
            carrier("bar", 0.01),
        ]
        found = [_times(fitted, {**tables, "carrier": each}) for each in ways]
        for each in found[1:]:
            _same(found[0], each, 1e-6)


def _order(case: Mapping[str, Any]) -> None:
    """What comes first in an isothermal run does so at any flow; the hotter run is never the later one there."""
    fitted = sample(case["sample"])
    rng = random.Random(case["seed"])
    orders = []
    for _ in range(3):
        flow = rng.uniform(0.7, 3)
        tables = {
            "oven": {"start_C": 60 + case["seed"] % 150, "hold_min": 30},
            "carrier": {"mode": "constant flow", "flow_mL_min": flow},
        }
        found = {name: t for name, t in _times(fitted, tables).items() if math.isfinite(t)}
        orders.append(found)
    for one in orders[1:]:
        for a in one:
            for b in one:
                apart = a in orders[0] and b in orders[0] and orders[0][a] < orders[0][b] * (1 - TIME)
                if apart and one[a] > one[b] * (1 + TIME):
                    raise AssertionError(f"{a} before {b} at one flow, after it at another: {orders}")


def _shift(case: Mapping[str, Any]) -> None:
    """A program and the same written otherwise: a hold split by a ramp to where it is, tables in another order."""
    fitted, tables = sample(case["sample"]), case["program"]
    other = deepcopy(tables)
    oven = other["oven"]
    part = oven["hold_min"] * (case["share"] - 1)
    oven["hold_min"] -= part
    oven["ramps"] = [{"rate_C_per_min": 10, "to_C": oven["start_C"], "hold_min": part}, *oven["ramps"]]
    _same(_times(fitted, tables), _times(fitted, dict(reversed(other.items()))))


def _left_out(case: Mapping[str, Any]) -> None:
    """At fixed parameters no peak depends on what else is in the sample."""
    fitted, rng = sample(case["sample"]), random.Random(case["seed"])
    made = rw.predict(fitted, case["program"], "none").prediction
    fit = fitted.fit
    keep = np.array(
        sorted(rng.sample(range(len(made.compounds)), max(1, len(made.compounds) - rng.randrange(1, 3))))
    )
    kind = made.program.carrier.controlled
    diffusion = None if fit.diffusion is None else fit.diffusion[keep]
    tables = migration_tables(fit.system, fit.retention[keep], kind, diffusion)
    alone = migrate(tables, batch_of([made.program]), "polish").retention_time[0]
    names = [made.compounds[n] for n in keep]
    _same(
        dict(zip(names, map(float, made.retention[keep]), strict=True)),
        dict(zip(names, map(float, alone), strict=True)),
        1e-9,
    )


def _twice(case: Mapping[str, Any]) -> None:
    """A compound under a second name elutes with the first."""
    found = _times(sample(case["sample"], twice=True), case["program"])
    _same({"c0": found["c0"]}, {"c0": found["c0" + TWICE]}, 1e-6)


TRUE: dict[str, Callable[[Mapping[str, Any]], None]] = {
    "run time": _run_time,
    "flow": _flow,
    "units": _units,
    "order": _order,
    "written otherwise": _shift,
    "left out": _left_out,
    "twice": _twice,
}
