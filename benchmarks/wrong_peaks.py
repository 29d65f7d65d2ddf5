"""How many wrong peaks are found, and how often a right one is suspected."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from benchmarks.scouting import NOMINAL, Mixture, scouted
from benchmarks.shares import share
from models.column.programs import Array
from models.fit.compound_fits import Simulator, fit_each
from models.fit.fit import MODEL_ERROR, Fit, Run
from models.fit.fitting import fit_retention
from models.units import SECONDS_PER_MINUTE

COMPOUNDS = 20
RATES = {2: (5.0, 20.0), 3: (3.0, 10.0, 40.0)}
MIXTURES, SAMPLE_MIXTURES = 24, 5
SWAPS = 6  # a mixture
CLEAR = 5.0  # standard deviations
NEIGHBOURS = 3  # places in the order of elution between exchanged peaks, at most


def run(sample: bool) -> str:
    """The section on wrong peaks."""
    counts: Counter[tuple[int, bool, str]] = Counter()
    for number in range(SAMPLE_MIXTURES if sample else MIXTURES):
        for R, rates in RATES.items():
            mixture = scouted(COMPOUNDS, rates, 100 + number)
            for with_areas in (False, True):
                _tried(mixture, with_areas, number, counts, R)
    rows = [
        "| runs | areas | swaps beyond 5 sd found | of 3 to 5 sd | beyond 5 sd of the measurement alone | slips "
        "found | time restored | other compound's peak found | clean compounds suspected | bystanders suspected |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for R in RATES:
        for with_areas in (False, True):

            def found(what: str, R: int = R, with_areas: bool = with_areas) -> str:
                tried = counts[R, with_areas, f"{what} tried"]
                return f"{share(counts[R, with_areas, what], tried)} of {tried}"

            cells = [found(w) for w in ("swap", "small swap", "swap by noise", "slip", "restored", "foreign")]
            cells += [found("alarm"), found("bystander")]
            rows.append(f"| {R} | {'yes' if with_areas else 'no'} | " + " | ".join(cells) + " |")
    return "\n".join(["## Wrong peaks", "", _explained(), "", *rows, ""])


def _explained() -> str:
    return (
        f"Mixtures of {COMPOUNDS} compounds, thetas scattered by 8, 12 or 15 % and dCp by 15 J/mol/K about typical "
        "values, times with noise of 0.18 s, areas over a factor of ten with noise of 5 %, flow off by 1.5 %, the oven "
        "lagging by 4 ± 3 s (standard deviations). One wrong peak a fit, in a run drawn at random. Swapped: with a "
        "peak at most three places away; "
        "found when both names and the run (with two runs: one of the two) are right. A standard deviation (sd) is "
        "that of a peak's time as foreseen from the compound's other runs and typical values, the measurement's own "
        "noise included: with two runs it is mostly the spread of typical values. A slip is one digit mistyped or two "
        "exchanged that moves the peak by more than 5 sd; a peak of a compound that is not on the list lies anywhere "
        "beyond 5 sd, within a tenth of the retention time or 20 sd. Suspected: named in a fit without a wrong peak, "
        "or named besides the wrong one. The intervals count every peak as independent."
    )


def _tried(
    mixture: Mixture, with_areas: bool, number: int, counts: Counter[tuple[int, bool, str]], R: int
) -> None:
    runs = [
        replace(run, area=areas if with_areas else None)
        for run, areas in zip(mixture.runs, mixture.areas, strict=True)
    ]
    rng = np.random.default_rng(np.random.SeedSequence(entropy=number, spawn_key=(R,)))

    def count(what: str, found: bool | int, tried: int = 1) -> None:
        counts[R, with_areas, what] += int(found)
        counts[R, with_areas, f"{what} tried"] += tried

    clean = fit_retention(NOMINAL, runs)
    count("alarm", sum(1 if s.partner is None else 2 for s in clean.suspects), COMPOUNDS)
    times = np.array([run.retention for run in runs])
    error = _foreseen(mixture, times)
    for _ in range(SWAPS):
        r = int(rng.integers(R))
        order = np.argsort(times[r])
        i = int(rng.integers(COMPOUNDS - NEIGHBOURS))
        a, b = int(order[i]), int(order[i + 1 + int(rng.integers(NEIGHBOURS))])
        moved = abs(times[r, a] - times[r, b])
        size = float(moved / min(error[r, a], error[r, b]))
        fit = fit_retention(NOMINAL, _swapped(runs, r, a, b))
        found = any(
            s.kind == "swapped" and {s.compound, s.partner} == {a, b} and r in (s.run, s.other_run)
            for s in fit.suspects
        )
        if size > 3:
            count("swap" if size > CLEAR else "small swap", found)
        if moved > CLEAR * np.hypot(runs[r].repeatability, MODEL_ERROR * times[r, a]):
            count("swap by noise", found)
        count("bystander", _others(fit, {a, b}), COMPOUNDS - 2)
    for kind in ("slip", "foreign"):
        r, m = int(rng.integers(R)), int(rng.integers(COMPOUNDS))
        wrong = (_slip if kind == "slip" else _foreign)(times[r, m], error[r, m], rng)
        if wrong is None:
            continue
        retention = runs[r].retention.copy()
        retention[m] = wrong
        changed = replace(runs[r], retention=retention)
        if kind == "foreign" and with_areas:
            area = mixture.areas[r].copy()
            area[m] *= np.exp(rng.normal(0.0, np.sqrt(2) * np.log(10.0) / 4))
            changed = replace(changed, area=area)
        fit = fit_retention(NOMINAL, [*runs[:r], changed, *runs[r + 1 :]])
        mine = [
            s for s in fit.suspects if s.compound == m and r in (s.run, s.other_run) and s.partner is None
        ]
        count(kind, bool(mine))
        if kind == "slip":
            count(
                "restored", any(s.intended is not None and abs(s.intended - times[r, m]) < 0.06 for s in mine)
            )
        count("bystander", _others(fit, {m}), COMPOUNDS - 1)


def _others(fit: Fit, wrong: set[int]) -> int:
    named = {n for s in fit.suspects for n in (s.compound, s.partner) if n is not None}
    return len(named - wrong)


def _foreseen(mixture: Mixture, times: Array) -> Array:
    """Standard deviation (R, M) [s] of a peak's time as foreseen from the compound's other runs, with its noise."""
    simulator = Simulator(mixture.system, mixture.runs)
    sigma = np.hypot(mixture.runs[0].repeatability, MODEL_ERROR * times)
    factors = np.full(len(times), mixture.system.flow_factor)
    result = np.empty_like(times)
    for r in range(len(times)):
        others = times.copy()
        others[r] = np.nan
        result[r] = np.hypot(fit_each(simulator, others, sigma, factors).time_error[r], sigma[r])
    return result


def _swapped(runs: list[Run], r: int, a: int, b: int) -> list[Run]:
    """All of two peaks under each other's name, in one run."""
    order = np.arange(len(runs[r].retention))
    order[[a, b]] = b, a
    run = runs[r]
    area = None if run.area is None else run.area[order]
    exchanged = replace(run, retention=run.retention[order], width_half=run.width_half[order], area=area)
    return [*runs[:r], exchanged, *runs[r + 1 :]]


def _slip(time: float, error: float, rng: np.random.Generator) -> float | None:
    """A time [s] with a digit mistyped or two exchanged, of three decimals of a minute."""
    text = f"{time / SECONDS_PER_MINUTE:.3f}"
    slips = []
    for i, digit in enumerate(text):
        if digit == ".":
            continue
        slips += [text[:i] + other + text[i + 1 :] for other in "0123456789"]
        j = i + 2 if text[i + 1 : i + 2] == "." else i + 1
        if j < len(text):
            slips.append(text[:i] + text[j] + text[i + 1 : j] + digit + text[j + 1 :])
    moved = [
        t
        for t in (float(each) * SECONDS_PER_MINUTE for each in slips)
        # Beyond twice the time or below half of it the checks of a scenario refuse it.
        if abs(t - time) > CLEAR * error and time / 2 < t < 2 * time
    ]
    return float(rng.choice(moved)) if moved else None


def _foreign(time: float, error: float, rng: np.random.Generator) -> float | None:
    """The time [s] of another compound's peak in the neighbourhood."""
    away = rng.uniform(CLEAR * error, max(0.1 * time, 4 * CLEAR * error))
    wrong = time + away * rng.choice([-1, 1])
    return float(wrong) if wrong > time / 2 else None
