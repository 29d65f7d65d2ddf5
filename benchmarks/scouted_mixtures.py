"""Random mixtures scouted on the other instrument: scenario folders as a user would write them, and what is true.

A mixture is everything drawn from one seed: compounds, phase, column, instrument, kind of scouting, and other programs
to be predicted. Its scouting runs are measured with noise and written as peak tables beside a scenario.toml, which the
package reads like any other. The truth of any program comes from the instrument without noise.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.other_instrument import (
    COMPOUNDS,
    INTERACTION,
    LATER,
    Day,
    OtherInstrument,
    drawn_reality,
    in_worse_condition,
)
from tests.reference.confirmation import write_table
from tests.reference.instrument import HALF_HEIGHT, ZERO_C, Measured, Nominal

ProgramTable = dict[str, Any]  # the tables `oven` and `carrier` of a scenario file

# Length [m], bore and film [m], and an ordinary flow of helium [mL/min]
COLUMNS = (
    (30.0, 0.25e-3, 0.25e-6, 1.2),
    (30.0, 0.25e-3, 0.25e-6, 1.2),
    (15.0, 0.25e-3, 0.25e-6, 1.5),
    (30.0, 0.32e-3, 0.50e-6, 2.0),
    (20.0, 0.18e-3, 0.18e-6, 0.7),
)
# How a mixture is scouted: multiples of the lowest heating rate, an isothermal run or none, hold-up measured or not
KINDS = {
    "two ramps": (2, False, False),
    "two ramps, hold-up": (2, False, True),
    "ramp and isothermal, hold-up": (1, True, True),
    "three ramps": (3, False, False),
    "three ramps, hold-up": (3, False, True),
}
AMBIENT = 101325.0  # Pa
HOTTEST = 300.0  # °C, where every ramp ends
LAST_HOLD = 40.0  # min there: nothing stays longer
LONGEST = 90 * 60.0  # s, after which a scouting run is stopped and what is still in the column goes unseen
DAY_TO_DAY = (0.5, 0.5)  # oven [K] and carrier [%] of another day, +-; a choice, stated in every scenario
PREDICTED = 3  # programs predicted for each mixture
FASTER = (1.5, 4.0)  # flows of as many others, in scouted ones


@dataclass(frozen=True)
class Mixture:
    """One draw: what is in the vial, the instrument, how it was scouted, and what else will be run.

    Attributes
    ----------
    kind : one of KINDS
    scouting : programs of the scouting runs by name
    programs, days : what is to be predicted, and how far off the instrument is on that day
    faster : what is to be predicted on the same days at up to four times the scouted flow
    day_to_day : +- of the oven [K] and of the carrier [%], as the scenario states them
    formulas : whether the scenario states the compounds' formulas
    scouting_days : the day of each scouting run where these are not all of one, on which nothing is off
    """

    seed: int
    kind: str
    instrument: OtherInstrument
    compounds: tuple[str, ...]
    scouting: Mapping[str, ProgramTable]
    programs: tuple[ProgramTable, ...]
    days: tuple[Day, ...]
    day_to_day: tuple[float, float]
    scouting_days: Mapping[str, Day] = field(default_factory=dict)
    faster: tuple[ProgramTable, ...] = ()
    formulas: bool = False

    def truth(self, program: ProgramTable, day: Day) -> tuple[np.ndarray, np.ndarray]:
        """True retention times and half-height widths [s] of the compounds; nan for what never comes."""
        peaks = [self.instrument.true_peak(program, compound, day) for compound in self.compounds]
        times = np.array([np.nan if peak is None else peak.time for peak in peaks])
        return times, HALF_HEIGHT * np.array([np.nan if peak is None else peak.width for peak in peaks])


def _rounded(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)


def _by_retention(instrument: OtherInstrument, without: Collection[str]) -> list[str]:
    """All compounds but those of some classes, by retention at 120 °C."""
    known = [name for name, (kind, *_) in COMPOUNDS.items() if kind not in without]
    return sorted(known, key=lambda compound: instrument.ln_k(compound)(120 + ZERO_C))


def _drawn_compounds(
    instrument: OtherInstrument, rng: np.random.Generator, without: Collection[str]
) -> tuple[str, ...]:
    """8 to 16 compounds out of a stretch of the list by retention, so that many stand close."""
    ordered, count = _by_retention(instrument, without), int(rng.integers(8, 17))
    stretch = int(rng.integers(int(1.5 * count), len(ordered) + 1))
    first = int(rng.integers(0, len(ordered) - stretch + 1))
    taken = rng.choice(stretch, count, replace=False) + first
    return tuple(ordered[i] for i in sorted(taken))


def _ramped(start: float, hold: float, rate: float) -> ProgramTable:
    ramp = {"rate_C_per_min": rate, "to_C": HOTTEST, "hold_min": LAST_HOLD}
    return {"start_C": start, "hold_min": hold, "ramps": [ramp]}


def _isothermal(instrument: OtherInstrument, compounds: Sequence[str]) -> ProgramTable:
    """Where a compound from the middle of the mixture has k = 6 or so, in steps of 10 °C."""
    middle = instrument.ln_k(compounds[len(compounds) // 2])
    at = next((T for T in range(40, int(HOTTEST), 10) if middle(T + ZERO_C) < np.log(8)), HOTTEST)
    return {"start_C": float(at), "hold_min": LONGEST / 60}


def _carrier(instrument: OtherInstrument, mode: str, flow: float) -> dict[str, Any]:
    """Constant flow, or the constant pressure that gives as much at 100 °C."""
    if mode == "constant flow":
        return {"mode": mode, "flow_mL_min": _rounded(flow, 0.05)}
    inlet = instrument.nominal.inlet_for_flow(flow * 1e-6 / 60, 100 + ZERO_C) - AMBIENT
    return {"mode": mode, "inlet_kPa": _rounded(inlet / 1e3, 1.0)}


def _other_oven(start: float, rates: tuple[float, float], rng: np.random.Generator) -> ProgramTable:
    """One or two ramps at rates within those given, perhaps with a hold between."""

    def rate() -> float:
        return max(_rounded(float(np.exp(rng.uniform(*np.log(rates)))), 0.5), 0.5)

    oven = _ramped(
        max(start + float(rng.integers(-10, 21)), 40.0), _rounded(float(rng.uniform(0, 3)), 0.1), rate()
    )
    if rng.random() < 0.6:
        between = {
            "rate_C_per_min": rate(),
            "to_C": float(rng.integers(int(oven["start_C"]) + 20, 221)),
            "hold_min": _rounded(float(rng.choice([0.0, rng.uniform(0, 4)])), 0.1),
        }
        oven["ramps"].insert(0, between)
    return oven


def mixture(
    seed: int,
    day_to_day: tuple[float, float] = DAY_TO_DAY,
    without: Collection[str] = LATER,
    poor: bool = False,
) -> Mixture:
    """The mixture of a seed, without compounds of some classes; kinds of scouting take turns.

    `poor` gives it an instrument in worse condition, too.
    """
    rng = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(4,)))
    kind = list(KINDS)[seed % len(KINDS)]
    ramps, isothermal, _ = KINDS[kind]
    length, bore, film, usual_flow = COLUMNS[int(rng.integers(len(COLUMNS)))]
    phase = list(INTERACTION)[int(rng.integers(len(INTERACTION)))]
    reality = drawn_reality(rng)
    if poor:
        own = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(9,)))
        reality = in_worse_condition(reality, own)
    instrument = OtherInstrument(Nominal(length, bore, film, AMBIENT), phase, reality)
    compounds = _drawn_compounds(instrument, rng, without)

    mode = "constant flow" if rng.random() < 0.6 else "constant pressure"
    flow = usual_flow * float(rng.uniform(0.8, 1.25))
    carrier = _carrier(instrument, mode, flow)
    start, hold = float(rng.choice([40.0, 50.0, 60.0])), float(rng.choice([0.5, 1.0, 2.0]))
    lowest = _rounded(float(rng.uniform(4, 8)), 0.5)
    spread = float(rng.uniform(3, 4))
    rates = [_rounded(lowest * spread ** (n / max(ramps - 1, 1)), 0.5) for n in range(ramps)]
    ovens = {f"ramp-{rate:g}": _ramped(start, hold, rate) for rate in rates}
    if isothermal:
        ovens["isothermal"] = _isothermal(instrument, compounds)
    scouting = {name: {"oven": oven, "carrier": carrier} for name, oven in ovens.items()}

    # Beside an isothermal run, which is no heating at all, slower ramps than the one scouted are within.
    within = (0.3 * rates[0], 1.25 * rates[0]) if isothermal else (0.8 * rates[0], 1.25 * rates[-1])
    programs = tuple(
        {
            "oven": _other_oven(start, within, rng),
            "carrier": _carrier(
                instrument,
                mode if rng.random() < 0.75 else str(rng.choice(["constant flow", "constant pressure"])),
                flow * float(rng.uniform(0.75, 1.4)),
            ),
        }
        for _ in range(PREDICTED)
    )
    oven_off, carrier_off = day_to_day
    days = tuple(
        Day(oven_off * float(rng.uniform(-1, 1)), carrier_off / 100 * float(rng.uniform(-1, 1)))
        for _ in range(PREDICTED)
    )
    # A stream of its own: what is drawn above stays what it is.
    own = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(6,)))
    times = np.append(own.uniform(*FASTER, PREDICTED - 1), FASTER[1])
    faster = tuple(
        {
            "oven": _other_oven(start, (within[0], within[1] * each), own),
            "carrier": _carrier(instrument, mode, flow * each),
        }
        for each in map(float, times)
    )
    return Mixture(seed, kind, instrument, compounds, scouting, programs, days, day_to_day, faster=faster)


def with_formulas(mixture: Mixture) -> Mixture:
    """The same, the formula of every compound being stated."""
    return replace(mixture, formulas=True)


def on_days_of_their_own(mixture: Mixture) -> Mixture:
    """The same with every scouting run made on another day, each off within what the scenario states."""
    rng = np.random.default_rng(np.random.SeedSequence(entropy=mixture.seed, spawn_key=(77,)))
    oven, carrier = mixture.day_to_day
    off = rng.uniform(-1, 1, (len(mixture.scouting), 2)) * (oven, carrier / 100)
    days = {name: Day(*map(float, each)) for name, each in zip(mixture.scouting, off, strict=True)}
    return replace(mixture, scouting_days=days)


def measured_run(
    mixture: Mixture, program: ProgramTable, day: Day, stream: int
) -> tuple[list[Measured], float]:
    """The peak table of a run as measured, in order of elution, and the hold-up time [s]; `stream` is of its noise."""
    reality = mixture.instrument.reality
    rng = np.random.default_rng(np.random.SeedSequence(entropy=mixture.seed, spawn_key=(5, stream)))
    rows = []
    times, widths = mixture.truth(program, day)
    for compound, time, width in zip(mixture.compounds, times, widths, strict=True):
        late, wider, more = rng.standard_normal(3)
        row = Measured(
            compound,
            float(time + reality.retention_noise * late),
            float(width * (1 + reality.width_noise * wider)),
            float(1000 * (1 + reality.area_noise * more)),
        )
        if time < LONGEST:
            rows.append(row)
    marker = mixture.instrument.true_peak(program, None, day)
    assert marker is not None  # gas always comes through
    hold_up = float(marker.time + reality.hold_up_noise * rng.standard_normal())
    return sorted(rows, key=lambda row: row.time), hold_up


def measured(mixture: Mixture) -> dict[str, tuple[list[Measured], float]]:
    """Peak tables of the scouting runs as measured, and the hold-up times [s]."""
    return {
        name: measured_run(mixture, program, mixture.scouting_days.get(name, Day()), number)
        for number, (name, program) in enumerate(mixture.scouting.items())
    }


def _inline(value: object) -> str:
    """A value of a program as TOML."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_inline(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(each) for each in value) + "]"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def program_lines(program: ProgramTable) -> list[str]:
    """The lines `oven = ...` and `carrier = ...` of a scenario file."""
    return [f"{key} = {_inline(program[key])}" for key in ("oven", "carrier")]


def write_scenario(
    mixture: Mixture, folder: Path, goal: Sequence[str] = (), search: Sequence[str] = ()
) -> None:
    """Scenario file and peak tables of a mixture; `goal` and `search` are lines of those tables."""
    nominal = mixture.instrument.nominal
    oven_off, carrier_off = mixture.day_to_day
    lines = [
        f'title = "Mixture {mixture.seed}: {mixture.kind}"',
        "",
        "[column]",
        f"length_m = {nominal.length:g}",
        f"inner_diameter_mm = {nominal.bore * 1e3:g}",
        f"film_thickness_um = {nominal.film * 1e6:g}",
        f'phase = "{mixture.instrument.phase}"',
        "min_temperature_C = 35",
        "max_temperature_C = 320",
        "",
        "[carrier]",
        'gas = "helium"',
        'outlet = "ambient"',
        f"ambient_pressure_kPa = {nominal.ambient / 1e3:g}",
        "",
        "[instrument]",
        "max_inlet_pressure_kPa = 400",
        "min_flow_mL_min = 0.4",
        "max_flow_mL_min = 4",
        "heating_limits = [{ up_to_C = 100, rate_C_per_min = 60 }, { up_to_C = 320, rate_C_per_min = 40 }]",
        "",
        "[tolerances]",
        f"oven_C = {oven_off:g}",
        f"flow_percent = {carrier_off:g}",
        f"pressure_percent = {carrier_off:g}",
    ]
    with_hold_up = KINDS[mixture.kind][2]
    for name, (rows, hold_up) in measured(mixture).items():
        write_table(folder / f"{name}.csv", rows, tailing=False)
        lines += ["", "[[scouting_runs]]", f'name = "{name}"', f'peaks = "{name}.csv"']
        lines += [f"hold_up_min = {hold_up / 60:.3f}"] if with_hold_up else []
        lines += [f'day = "{name}"'] if mixture.scouting_days else []
        lines += program_lines(mixture.scouting[name])
    for compound in mixture.compounds if mixture.formulas else ():
        lines += ["", "[[analytes]]", f'compound = "{compound}"', f'formula = "{COMPOUNDS[compound][1]}"']
    lines += ["", "[goal]", *goal, "", "[search]", *search]
    (folder / "scenario.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
