"""How many peaks without names are matched to the right compound, and whether the stated confidence is right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.scouting import NOMINAL, Mixture, scouted
from models.peak_matching import UnnamedRun, match_peaks

COMPOUNDS = 20
# The named run first; heating rates in °C/min.
SETS = (
    ("one unnamed run, 4 times the rate", (5.0, 20.0), True, 0),
    ("two unnamed runs, 3 and 12 times the rate", (3.0, 10.0, 40.0), True, 0),
    ("one unnamed run, 3 peaks more and 2 missing", (5.0, 20.0), True, 3),
    ("one unnamed run without areas", (5.0, 20.0), False, 0),
    ("two unnamed runs without areas", (3.0, 10.0, 40.0), False, 0),
)
BINS = (0.25, 0.5, 0.65, 0.8, 0.95, 0.99, 1.0)


def run(quick: bool) -> str:
    """The section on matching peaks without names."""
    rows = [
        "| runs | peaks | matched rightly | of those above 90 % confidence | share above 90 % |",
        "|---|---|---|---|---|",
    ]
    confidence, right = np.zeros(0), np.zeros(0, dtype=bool)
    for label, rates, areas, more in SETS:
        sure, good = [], []
        for number in range(6 if quick else 40):
            mixture = scouted(COMPOUNDS, rates, 500 + number)
            for c, g in _matched(mixture, areas, more, number):
                sure.append(c)
                good.append(g)
        c, g = np.concatenate(sure), np.concatenate(good)
        above = c > 0.9
        rows.append(
            f"| {label} | {c.size} | {100 * g.mean():.1f} % | {100 * g[above].mean():.1f} % | "
            f"{100 * above.mean():.0f} % |"
        )
        confidence, right = np.append(confidence, c), np.append(right, g)
    calibration = [
        "| stated confidence | peaks | right |",
        "|---|---|---|",
        *(
            f"| {100 * low:g} to {100 * high:g} % | {inside.sum()} | {100 * right[inside].mean():.1f} % |"
            for low, high in zip((0.0, *BINS[:-1]), BINS, strict=True)
            if (inside := (confidence > low) & (confidence <= high)).any()
        ),
    ]
    return "\n".join(["## Peaks without names", "", _explained(), "", *rows, "", *calibration, ""])


def _explained() -> str:
    return (
        f"Mixtures of {COMPOUNDS} compounds as above, areas lognormal over a factor of ten (four standard deviations) "
        "with noise of 5 % a peak and 20 % an injection. The slowest run is named. In the third set three peaks of "
        "unlisted compounds lie anywhere between first and last peak and two compounds have none; a stray peak left "
        "without a name counts as right. The confidence is taken over all sets."
    )


def _matched(mixture: Mixture, areas: bool, more: int, number: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Confidence and rightness of each peak of each unnamed run."""
    rng = np.random.default_rng(np.random.SeedSequence(entropy=number, spawn_key=(more,)))
    truth, unnamed = [], []
    for scouting_run, area in zip(mixture.runs[1:], mixture.areas[1:], strict=True):
        compound, time = np.arange(COMPOUNDS), scouting_run.retention
        if more:
            compound = rng.permutation(COMPOUNDS)[: COMPOUNDS - more + 1]
            time, area = time[compound], area[compound]
            compound = np.append(compound, np.full(more, -1))
            time = np.append(time, rng.uniform(time.min(), time.max(), more))
            area = np.append(area, rng.choice(area, more) * np.exp(rng.normal(0.0, 0.5, more)))
        order = np.argsort(time)
        truth.append(compound[order])
        shown = area[order] if areas else np.full(order.size, np.nan)
        unnamed.append(UnnamedRun(scouting_run.name, scouting_run.program, time[order], shown))
    named = mixture.runs[0]
    if areas:
        named = replace(named, area=mixture.areas[0])
    found = match_peaks(NOMINAL, named, unnamed)
    return [(m.confidence, m.compound == t) for m, t in zip(found, truth, strict=True)]
