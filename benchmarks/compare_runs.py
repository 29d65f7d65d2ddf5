"""What `compare` says of runs whose truth is known: how often it finds fault with good ones, and how often with bad.

Truths are drawn from the package's own fit of each shipped scenario, set points off by anything within tolerances, and
simulated one by one; so what is measured is the verdicts, not the fit (for that see `calibration`). Runs of mixtures on
an instrument that is not the model (`other_instrument`) show how the verdicts stand what the model leaves out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import get_args

import numpy as np

from benchmarks.calibration import program_in
from benchmarks.scouted_mixtures import KINDS, Mixture, mixture, write_scenario
from benchmarks.shares import share
from models.column.programs import Array, Program, batch_of
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.limits import LATE
from optimizer.goal.robustness import Draws, draws_of
from optimizer.goal.uncertainty import exact_peaks
from optimizer.methods.compare import Comparison, Verdict, compare
from optimizer.methods.workflow import fit_scenario
from optimizer.runs.peak_tables import PeakTable
from optimizer.scenario.reading import load_scenario, read_program

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
RUNS, SAMPLE_RUNS = 60, 40
SOUND = 5  # times as many runs with nothing wrong: what is rare needs more of them
SEED = 4242
APART = 5.0  # standard deviations of the difference of two times, from which an exchange must be seen
GAS, OVEN, CUT = 0.03, 3.0, 0.6  # share, K, m
MIXTURES, SAMPLE_MIXTURES = 200, 20  # on the outside instrument
FIRST_MIXTURE = 500  # seed; others than those that anything here was chosen by
OUTSIDE_RUNS = 2  # of each
# As a search of 20 s gives them.
PROGRAMS = {
    "slow_isothermal": """
oven = { start_C = 42, hold_min = 0.6, ramps = [
    { rate_C_per_min = 31, to_C = 84, hold_min = 0.7 }, { rate_C_per_min = 50, to_C = 174, hold_min = 1 } ] }
carrier = { mode = "constant flow", flow_mL_min = 4 }
""",
    "rescued_pair": """
oven = { start_C = 46, hold_min = 0.4, ramps = [
    { rate_C_per_min = 50, to_C = 116, hold_min = 4.6 }, { rate_C_per_min = 30, to_C = 250, hold_min = 0.3 } ] }
carrier = { mode = "constant flow", flow_mL_min = 2.85 }
""",
    "heat_sensitive": """
oven = { start_C = 37, hold_min = 2.6, ramps = [
    { rate_C_per_min = 45, to_C = 95, hold_min = 0.6 }, { rate_C_per_min = 14.5, to_C = 104, hold_min = 4.9 } ] }
carrier = { mode = "pressure program", start_kPa = 59, hold_min = 0, ramps = [
    { rate_kPa_per_min = 56, to_kPa = 342, hold_min = 0 } ] }
""",
}


@dataclass(frozen=True)
class Bench:
    """A program of a scenario and what its runs may be.

    Attributes
    ----------
    problem : Problem
    program : Program
    repeatability : float  [s]
    """

    problem: Problem
    program: Program
    repeatability: float

    def runs(self, count: int, change: Callable[[Draws, Bench], Draws]) -> tuple[Array, Array]:
        """Times, the run's noise included, and half-height widths of as many truths (count, M) [s]; no peak is nan."""
        batch = batch_of([self.program])
        scenario, fit = self.problem.scenario, self.problem.fit
        truths = draws_of(
            fit, scenario.tolerances, batch.controlled, fit.system.column.length, count, seed=SEED
        )
        peaks = exact_peaks(self.problem, batch, self.problem.assess(batch, "polish"), change(truths, self))
        t, w = peaks.retention[0].T, peaks.width[0].T
        noise = np.random.default_rng(SEED).normal(0.0, self.repeatability, t.shape)
        return np.where(t < LATE, t + noise, np.nan), w

    def compared(self, names: tuple[str, ...], t: Array, w: Array) -> Comparison:
        """One run, its peaks under the names given to them; nan for no peak."""
        order = [int(m) for m in np.argsort(t) if np.isfinite(t[m])]
        unknown = np.full(len(order), np.nan)
        table = PeakTable(tuple(names[m] for m in order), t[order], w[order], unknown, unknown)
        return compare(self.problem, self.program, table, "run", "benchmark", self.repeatability)


def bench(name: str) -> Bench:
    """A shipped scenario, fitted, with its program."""
    scenario = load_scenario(SCENARIOS / name)
    with TemporaryDirectory() as folder:
        file = Path(folder) / "program.toml"
        file.write_text(PROGRAMS[name], encoding="utf-8")
        program = read_program(file, scenario.ambient_pressure)
    repeatability = float(np.median([each.repeatability for each in scenario.runs]))
    return Bench(problem_of(scenario, fit_scenario(scenario)), program, repeatability)


def off(draws: Draws, at: Bench, by: tuple[float, ...] = ()) -> Draws:
    """Truths with something added to what all compounds share (`models.peaks.sensitivity.SHARED`)."""
    shared = draws.shared.copy()
    shared[:, : len(by)] += by
    return replace(draws, shared=shared)


def cut(draws: Draws, at: Bench) -> Draws:
    """Truths of a column that a piece was cut off, the old length still entered."""
    length = at.problem.fit.system.column.length
    lost = float(np.log(length / (length - CUT)))
    return off(draws, at, (2 * lost, lost))


def swap(t: Array, at: Bench, rng: np.random.Generator) -> tuple[int, int] | None:
    """Two neighbours far enough apart to be told from each other; None where there are none."""
    order = np.argsort(t)[: int(np.isfinite(t).sum())]
    apart = np.diff(t[order]) > APART * np.sqrt(2) * at.repeatability
    if not apart.any():
        return None
    k = int(rng.choice(np.flatnonzero(apart)))
    return int(order[k]), int(order[k + 1])


def drifted(kind: str, made: Comparison) -> bool:
    """Whether a run is called a drift of a kind, or that kind is among those that would do as well."""
    causes = made.causes
    named = () if causes.cause is None else (causes.cause, *causes.rivals)
    return made.verdict == "drifts" and any(each.kind == kind for each in named)


def tried(at: Bench, what: str, count: int) -> Counter[str]:
    """How many of some runs of which something is known got which verdict, were told rightly, and lacked resolution."""
    gas, oven = partial(off, by=(float(np.log1p(GAS)),)), partial(off, by=(0.0, 0.0, 0.0, OVEN))
    change = {"gas": gas, "oven": oven, "cut": cut}.get(what, off)
    names = at.problem.scenario.compounds
    rng = np.random.default_rng(SEED + 1)
    counts: Counter[str] = Counter()
    for t, w in zip(*at.runs(count, change), strict=True):
        called = names
        if what == "swap":
            pair = swap(t, at, rng)
            if pair is None:
                continue
            a, b = pair
            called = tuple(names[{a: b, b: a}.get(m, m)] for m in range(len(names)))
        if what == "missing":
            m = int(rng.choice([n for n in at.problem.targets if np.isfinite(t[n])]))
            t[m] = np.nan
        made = at.compared(called, t, w)
        if what == "swap":
            right = [{each.compound, each.partner} for each in made.corrections] == [{a, b}]
        elif what == "missing":
            right = made.verdict == "unconfirmed" and made.lost == (m,)
        found = judged(what, made)
        if what in ("swap", "missing"):
            found["right"] = int(right)
        counts += found
    return counts


def outside(made: Mixture) -> Iterator[tuple[str, Comparison]]:
    """Runs of a mixture on the instrument that is not the model, sound and faulty ones, and what is wrong with them.

    Each is of another program on another day, off within the tolerances stated.
    """
    noise = made.instrument.reality
    with TemporaryDirectory() as folder:
        write_scenario(made, Path(folder))
        scenario = load_scenario(Path(folder))
        programs = [program_in(Path(folder), each) for each in made.programs[:OUTSIDE_RUNS]]
    problem = problem_of(scenario, fit_scenario(scenario))
    repeatability = float(np.median([each.repeatability for each in scenario.runs]))
    rows = [made.compounds.index(name) for name in scenario.compounds]
    rng = np.random.default_rng(np.random.SeedSequence(entropy=made.seed, spawn_key=(6,)))
    for table, program, day in zip(made.programs, programs, made.days, strict=False):
        at = Bench(problem, program, repeatability)
        late, wider = rng.standard_normal((2, len(rows)))
        for what, then in (
            ("nothing", day),
            ("gas", replace(day, carrier=day.carrier + GAS)),
            ("oven", replace(day, oven=day.oven + OVEN)),
        ):
            t, w = (values[rows] for values in made.truth(table, then))
            t = t + noise.retention_noise * late
            yield what, at.compared(scenario.compounds, t, w * (1 + noise.width_noise * wider))


def judged(what: str, made: Comparison) -> Counter[str]:
    """One run of which something is known: its verdict, and whether it was told rightly."""
    right = drifted(DRIFTS[what], made) if what in DRIFTS else made.verdict in ("holds", "unresolved")
    cause = made.causes.cause
    first = what in DRIFTS and right and cause is not None and cause.kind == DRIFTS[what]
    return Counter(
        {
            "runs": 1,
            "right": int(right),
            "first": int(first),
            made.verdict: 1,
            "short": int(bool(made.short)),
            "in noise": int(bool(made.undecided) and not made.short),
        }
    )


def outside_counts(count: int) -> dict[tuple[str, str], Counter[str]]:
    """Verdicts on runs of the outside instrument, by what is wrong; of sound ones by the kind of scouting, too."""
    counts: dict[tuple[str, str], Counter[str]] = {(ALL, what): Counter() for what in OUTSIDE}
    counts |= {(kind, "nothing"): Counter() for kind in KINDS}
    for seed in range(FIRST_MIXTURE, FIRST_MIXTURE + count):
        drawn = mixture(seed)
        for what, made in outside(drawn):
            found = judged(what, made)
            counts[ALL, what] += found
            if what == "nothing":
                counts[drawn.kind, what] += found
    return counts


ALL = "all"
OUTSIDE = {
    "nothing": "good runs",
    "gas": f"carrier set {100 * GAS:g} % higher",
    "oven": f"oven {OVEN:g} °C hotter",
}
DRIFTS = {"gas": "gas", "oven": "oven", "cut": "gas"}
WHAT = {
    "nothing": "nothing",
    "gas": f"gas {100 * GAS:g} % faster",
    "oven": f"oven {OVEN:g} °C hotter",
    "cut": f"{CUT:g} m cut off",
    "swap": "two names exchanged",
    "missing": "one peak missing",
}


def _row(name: str, words: str, a_drift: bool, counts: Counter[str]) -> str:
    shares = [
        share(counts[each], counts["runs"])
        for each in ("right", "first", *get_args(Verdict), "short", "in noise")
    ]
    if not a_drift:
        shares[1] = ""
    return f"| {name} | {words} | {counts['runs']} | {' | '.join(shares)} |"


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    count = SAMPLE_RUNS if sample else RUNS
    verdicts = get_args(Verdict)
    lines = [
        "## Verdicts on confirmation runs",
        "",
        "Runs whose truth is drawn from the fit of a shipped scenario with oven and carrier anywhere "
        "within the tolerances, simulated outright, with the noise of the scouting runs; the program is one that a "
        f"search of 20 s found. Exchanged are neighbours {APART:g} standard deviations apart. Right: `holds` or "
        "`unresolved`; `drifts` with the cause named first or among those that would do as well (first: named first); "
        "the exchange told; the missing peak alone told. Short: some pair below what it needs by more than the run's "
        "noise; within noise: by less. Outside instrument: mixtures scouted, fitted and run on an instrument that is "
        "not the model, each run on a day within the tolerances stated (0.5 °C, 0.5 %); the intervals "
        f"count its {OUTSIDE_RUNS} runs of one mixture as independent.",
        "",
        f"| scenario | wrong | runs | right | first | {' | '.join(verdicts)} | short | within noise |",
        f"|---|---|---|---|---|{len(verdicts) * '---|'}---|---|",
    ]
    for name in PROGRAMS:
        at = bench(name)
        for what, words in WHAT.items():
            counts = tried(at, what, SOUND * count if what == "nothing" else count)
            lines.append(_row(name, words, what in DRIFTS, counts))
    for (kind, what), counts in outside_counts(SAMPLE_MIXTURES if sample else MIXTURES).items():
        words = OUTSIDE[what] if kind == ALL else f"{OUTSIDE[what]}, {kind}"
        lines.append(_row("outside instrument", words, what in DRIFTS, counts))
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"
