"""Random scenario folders: made-up compounds, what scouting runs would show of them, and a method in use."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, typical_theta
from models.column.system import Column, ColumnSystem
from models.peaks.migration import migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.units import flow_si, kelvin
from optimizer.base.given_values import inline_toml
from optimizer.scenario.program_tables import program_document

AMBIENT = 101325.0
# Names that mean something to one of the languages they pass through.
ODD = (
    "[/bold]",
    "<script>alert(1)</script>",
    'say "x"',
    "a\\\\b\\\\",
    "β-pinene µ",
    "{{ 7*7 }}",
    "1,2-diol; x",
    "$x_{1}$",
    "&amp;",
)
BAKE_OUT = "bake_out = { at_C = 310, hold_min = 1 }"


@dataclass(frozen=True)
class Made:
    """A scenario folder by the names of its files, and the peak table of a run of [current]."""

    files: dict[str, str]
    confirmation: str

    def __repr__(self) -> str:
        return self.files["scenario.toml"]


@st.composite
def made_scenarios(draw: st.DrawFn) -> Made:
    """Up to eight compounds, of which some leave the method in use never, at the hold-up time, or at the same time."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(2, 8))
    names = [*draw(st.permutations(ODD))[: count // 2], *(f"c{n}" for n in range(count - count // 2))]
    T0 = np.sort(rng.uniform(310.0, 540.0, count))
    if draw(st.booleans()):
        T0[-1] = T0[-2] + 0.01  # a pair that nothing separates
    retention = Retention(
        T0, typical_theta(T0) * rng.uniform(0.93, 1.07, count), rng.uniform(20.0, 90.0, count)
    )
    gas, outlet = (
        draw(st.sampled_from(("helium", "hydrogen", "nitrogen"))),
        draw(st.sampled_from(("ambient", "vacuum"))),
    )
    system = ColumnSystem(
        Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES[gas], 0.0 if outlet == "vacuum" else AMBIENT
    )
    carrier = draw(
        st.sampled_from(
            (
                CarrierProgram("flow", flow_si(1.2)),
                CarrierProgram("pressure", AMBIENT + 90e3),
                CarrierProgram("pressure", AMBIENT + 60e3, 60.0, (Ramp(100.0, AMBIENT + 150e3),)),
            )
        )
    )
    rates = draw(st.sampled_from(((5.0,), (3.0, 12.0), (4.0, 10.0, 25.0))))
    files, runs = {}, []
    for rate in rates:
        program = Program(OvenProgram(kelvin(40.0), 60.0, (Ramp(rate / 60, kelvin(300.0), 1200.0),)), carrier)
        seen = rng.random(count) < 0.9
        seen[[0, names.index("c0")]] = True
        files[f"{rate:g}.csv"] = _peaks(system, retention, program, names, rng, seen)
        runs.append(_run(f"{rate:g}", program))
    current = Program(_oven_in_use(draw), carrier)
    lines = [
        'title = "Made up [/] <b> $"',
        "[column]\nlength_m = 30\ninner_diameter_mm = 0.25\nfilm_thickness_um = 0.25\nmin_temperature_C = 30",
        "max_temperature_C = 320",
        f'[carrier]\ngas = "{gas}"\noutlet = "{outlet}"',
        "[goal]",
        f"min_resolution = {draw(st.sampled_from((0.5, 1.5, 4)))}",
        draw(st.sampled_from(("", 'confidence = "nominal"', "front_points = 3", BAKE_OUT))),
        draw(st.sampled_from(("", "[[analytes]]\ncompound = 'c0'\ndecomposition = "
                                  "{ activation_energy_kJ_per_mol = 130, half_life_min = 5, at_C = 150 }"))),
        "[search]\ncandidates = 1",
        f"[current]\n{_tables(current)}",
        *runs,
    ]  # fmt: skip
    files["scenario.toml"] = "\n".join(lines) + "\n"
    every = np.ones(count, dtype=bool)
    return Made(files, _peaks(system, retention, current, names, rng, every) if draw(st.booleans()) else files["5.csv"]
                if "5.csv" in files else next(iter(files.values())))  # fmt: skip


def _oven_in_use(draw: st.DrawFn) -> OvenProgram:
    """Too cold for some compounds, hot enough for all to leave at once, with a cooling ramp, or sound."""
    return draw(
        st.sampled_from(
            (
                OvenProgram(kelvin(35.0), 300.0),
                OvenProgram(kelvin(315.0), 300.0),
                OvenProgram(
                    kelvin(50.0), 0.0, (Ramp(0.5, kelvin(200.0), 60.0), Ramp(0.5, kelvin(80.0), 600.0))
                ),
                OvenProgram(kelvin(50.0), 60.0, (Ramp(12 / 60, kelvin(300.0), 300.0),)),
                OvenProgram(kelvin(60.0), 0.0, (Ramp(1.0, kelvin(60.0), 0.0),)),
            )
        )
    )


def _peaks(
    system: ColumnSystem,
    retention: Retention,
    program: Program,
    names: list[str],
    rng: np.random.Generator,
    seen: np.ndarray,
) -> str:
    tables = migration_tables(system, retention, program.carrier.controlled)
    found = migrate(tables, batch_of([program]), "polish")
    t = found.retention_time[0] / 60
    w = found.width[0] * HALF_HEIGHT_WIDTH / 60
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["compound", "retention_min", "width_half_min", "area"])
    for m, name in enumerate(names):
        if seen[m] and math.isfinite(t[m]) and t[m] < 900:
            writer.writerow(
                [name, f"{t[m] + rng.normal(0, 0.002):.4f}", f"{w[m]:.4f}", f"{rng.uniform(50, 900):.1f}"]
            )
    return out.getvalue()


def _run(name: str, program: Program) -> str:
    return f'[[scouting_runs]]\nname = "{name}"\npeaks = "{name}.csv"\n{_tables(program)}'


def _tables(program: Program) -> str:
    return "\n".join(
        f"{key} = {inline_toml(table)}" for key, table in program_document(program, AMBIENT).items()
    )
