"""Peaks called wrong on an instrument that is not the model: sound ones by mistake, and how many of the wrong ones.

Mixtures are scouted, fitted and run under other programs as in `calibration`. One peak or pair is then made wrong at a
time, in a scouting run or in a confirmation run. Only `accused_in_fit` and `accused_in_run` ask the package.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from benchmarks.calibration import program_in
from benchmarks.scouted_mixtures import Mixture, mixture, write_scenario
from benchmarks.shares import share
from models.column.programs import Array, Program
from models.fit.fit import Fit
from models.units import SECONDS_PER_MINUTE
from optimizer.goal.goal import problem_of
from optimizer.goal.shared_cause import Expectation, expectation
from optimizer.methods.workflow import fit_scenario
from optimizer.methods.wrong_names import RunPeaks, wrong_names
from optimizer.scenario.data import Scenario
from optimizer.scenario.reading import load_scenario

MIXTURES, SAMPLE_MIXTURES = 100, 20
RUNS = 2  # confirmation runs of a mixture
FARTHEST = 0.2  # of its time, by which a peak is moved at most
LEAST_MOVED = 2.0  # half-height widths, by which it is moved at least
PLACES = 3  # in the order of elution between two whose names are exchanged, at most
FAULTS = ("swap", "slip", "foreign")

Accused = frozenset[int]


@dataclass(frozen=True)
class Measured:
    """A mixture as its user knows it, and R confirmation runs: programs, times and half-height widths (M,) [s]."""

    scenario: Scenario
    runs: tuple[tuple[Program, Array, Array], ...]
    repeatability: float


def measured(made: Mixture) -> Measured:
    """Scouted, and run under other programs, each on another day within the tolerances stated."""
    noise = made.instrument.reality
    with TemporaryDirectory() as name:
        folder = Path(name)
        write_scenario(made, folder)
        scenario = load_scenario(folder)
        programs = [program_in(folder, each) for each in made.programs[:RUNS]]
    rows = [made.compounds.index(compound) for compound in scenario.compounds]
    rng = np.random.default_rng(np.random.SeedSequence(entropy=made.seed, spawn_key=(7,)))
    runs = []
    for table, program, day in zip(made.programs, programs, made.days, strict=False):
        t, w = (values[rows] for values in made.truth(table, day))
        runs.append((program, t + noise.retention_noise * rng.standard_normal(len(t)), w))
    return Measured(scenario, tuple(runs), float(np.median([each.repeatability for each in scenario.runs])))


def accused_in_fit(fit: Fit) -> list[Accused]:
    """Compounds of each peak that a fit calls wrong."""
    return [frozenset({s.compound} | ({s.partner} - {None})) for s in fit.suspects]


def accused_in_run(expected: Expectation, time: Array) -> list[Accused]:
    """Compounds of each name that a comparison calls wrong."""
    unknown, none = np.full(len(time), np.nan), np.zeros(0)
    found, *_ = wrong_names(expected, RunPeaks(time, unknown, unknown, unknown, none, none))
    pairs = ("swapped", "misnamed")
    return [frozenset({c.compound} | ({c.partner} if c.kind in pairs else set())) for c in found]


def spoilt(time: Array, width: Array, kind: str, rng: np.random.Generator) -> tuple[Array, Accused] | None:
    """Times (M,) with one fault that is larger than a peak is wide, and whose; None where the draw allows none."""
    seen = [int(m) for m in np.argsort(time) if np.isfinite(time[m])]
    result, k = time.copy(), int(rng.integers(len(seen)))
    m = seen[k]
    if kind == "swap":
        other = seen[(k + 1 + int(rng.integers(PLACES))) % len(seen)]
        if not LEAST_MOVED * width[m] < abs(time[m] - time[other]) < FARTHEST * time[m]:
            return None
        result[[m, other]] = time[[other, m]]
        return result, frozenset({m, other})
    text = f"{time[m] / SECONDS_PER_MINUTE:.3f}"
    away = rng.uniform(LEAST_MOVED * width[m], FARTHEST * time[m]) * rng.choice([-1, 1])
    moved = [float(time[m] + away)] if kind == "foreign" else [*slips(text)]
    allowed = [t for t in moved if LEAST_MOVED * width[m] < abs(t - time[m]) < FARTHEST * time[m]]
    if not allowed:
        return None
    result[m] = rng.choice(allowed)
    return result, frozenset({m})


def slips(text: str) -> Iterator[float]:
    """Times [s] that differ from minutes as written by one digit, or by two neighbouring ones exchanged."""
    for i, digit in enumerate(text):
        if digit == ".":
            continue
        for other in set("0123456789") - {digit}:
            yield float(text[:i] + other + text[i + 1 :]) * SECONDS_PER_MINUTE
        j = i + 2 if text[i + 1 : i + 2] == "." else i + 1
        if j < len(text) and text[j] != digit:
            yield float(text[:i] + text[j] + text[i + 1 : j] + digit + text[j + 1 :]) * SECONDS_PER_MINUTE


Counts = Counter[tuple[str, str]]


def tried(made: Measured, seed: int) -> Counts:
    """How many sound peaks of a mixture are accused, and wrong ones found."""
    counts: Counts = Counter()
    rng = np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=(8,)))
    scenario = made.scenario
    fit = fit_scenario(scenario)
    _count(counts, "scouting", accused_in_fit(fit), len(scenario.compounds))
    for kind in FAULTS:
        r = int(rng.integers(len(scenario.runs)))
        run = scenario.runs[r]
        found = spoilt(run.peaks.retention, run.peaks.width_half, kind, rng)
        if found is None:
            continue
        time, rows = found
        wrong = frozenset(scenario.compounds.index(run.peaks.compounds[row]) for row in rows)
        runs = (
            *scenario.runs[:r],
            replace(run, peaks=replace(run.peaks, retention=time)),
            *scenario.runs[r + 1 :],
        )
        accused = accused_in_fit(fit_scenario(replace(scenario, runs=runs)))
        _count(counts, "scouting", accused, len(scenario.compounds), kind, wrong)
    problem = problem_of(scenario, fit)
    for program, time, width in made.runs:
        expected = expectation(problem, program, made.repeatability)
        _count(counts, "confirmation", accused_in_run(expected, time), len(time))
        for kind in FAULTS:
            found = spoilt(time, width, kind, rng)
            if found is not None:
                _count(counts, "confirmation", accused_in_run(expected, found[0]), len(time), kind, found[1])
    return counts


def _count(
    counts: Counts,
    where: str,
    accused: Sequence[Accused],
    compounds: int,
    kind: str = "sound",
    wrong: Accused = frozenset(),
) -> None:
    named = frozenset[int]().union(*accused)
    what = "sound" if kind == "sound" else "bystander"
    counts[where, what] += len(named - wrong)
    counts[where, f"{what} tried"] += compounds - len(wrong)
    if wrong:
        counts[where, kind] += int(wrong in accused)
        counts[where, f"{kind} tried"] += 1


def run(sample: bool) -> str:
    """The section on peaks called wrong on the other instrument."""
    count = SAMPLE_MIXTURES if sample else MIXTURES
    totals: Counts = Counter()
    for seed in range(count):
        totals += tried(measured(mixture(seed)), seed)

    def of(where: str, what: str) -> str:
        attempts = totals[where, f"{what} tried"]
        return f"{share(totals[where, what], attempts)} of {attempts}"

    lines = [
        "## Peaks called wrong on an instrument that is not the model",
        "",
        f"{count} mixtures as in the calibration, scouted, fitted and run under {RUNS} other programs, each on another "
        "day. One fault at a time, in a run drawn at random, that moves a peak by "
        f"{LEAST_MOVED:g} half-height widths at least and a fifth of its time at most: names exchanged with a peak at "
        f"most {PLACES} places away (both must be named), a slip of typing, another compound's "
        "peak (anywhere there). Areas of all compounds are alike, but for "
        "5 % of noise; of confirmation runs they are not given. Bystanders: sound peaks beside the wrong one.",
        "",
        "| peaks of | sound ones accused | bystanders accused | exchanges found | slips found | others' peaks found |",
        "|---|---|---|---|---|---|",
        *(
            f"| {where} runs | "
            + " | ".join(of(where, what) for what in ("sound", "bystander", *FAULTS))
            + " |"
            for where in ("scouting", "confirmation")
        ),
    ]
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"
