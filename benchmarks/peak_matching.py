"""How many peaks without names are matched to the right compound, and whether the stated confidence is right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchmarks.scouting import NOMINAL, Mixture, scouted
from benchmarks.shares import share_by_group
from models.column.programs import Array
from models.fit.matching import UnnamedRun, match_peaks

COMPOUNDS = 20
MIXTURES, SAMPLE_MIXTURES = 200, 40
# The named run first; heating rates in °C/min.
SETS = (
    ("one unnamed run, 4 times the rate", (5.0, 20.0), True, 0),
    ("two unnamed runs, 3 and 12 times the rate", (3.0, 10.0, 40.0), True, 0),
    ("one unnamed run, 3 peaks more and 2 missing", (5.0, 20.0), True, 3),
    ("one unnamed run without areas", (5.0, 20.0), False, 0),
    ("two unnamed runs without areas", (3.0, 10.0, 40.0), False, 0),
)
SURE = 0.9
BINS = (0.25, 0.5, 0.65, 0.8, 0.95, 0.99, 1.0)


def run(sample: bool) -> str:
    """The section on matching peaks without names."""
    rows = [
        "| runs | peaks | matched rightly | of those above 90 % confidence | share above 90 % |",
        "|---|---|---|---|---|",
    ]
    mixtures: list[tuple[Array, NDArray[np.bool_]]] = []  # confidence and rightness of their peaks
    for label, rates, areas, more in SETS:
        found = []
        for number in range(SAMPLE_MIXTURES if sample else MIXTURES):
            runs = _matched(scouted(COMPOUNDS, rates, 500 + number), areas, more, number)
            found.append((np.concatenate([c for c, _ in runs]), np.concatenate([good for _, good in runs])))
        mixtures += found
        cells = (
            str(sum(c.size for c, _ in found)),
            share_by_group([good for _, good in found]),
            share_by_group([good[c > SURE] for c, good in found]),
            share_by_group([c > SURE for c, _ in found]),
        )
        rows.append(f"| {label} | {' | '.join(cells)} |")
    calibration = ["| stated confidence | peaks | right |", "|---|---|---|"]
    for low, high in zip((0.0, *BINS[:-1]), BINS, strict=True):
        inside = [good[(c > low) & (c <= high)] for c, good in mixtures]
        peaks = sum(each.size for each in inside)
        if peaks:
            calibration.append(f"| {100 * low:g} to {100 * high:g} % | {peaks} | {share_by_group(inside)} |")
    return "\n".join(["## Peaks without names", "", _explained(), "", *rows, "", *calibration, ""])


def _explained() -> str:
    return (
        f"Mixtures of {COMPOUNDS} compounds as above, areas lognormal over a factor of ten (four standard deviations) "
        "with noise of 5 % a peak and 20 % an injection. The slowest run is named. In the third set three peaks of "
        "unlisted compounds lie anywhere between first and last peak and two compounds have none; a stray peak left "
        "without a name counts as right. The confidence is taken over all sets. Intervals are those of mixtures "
        "drawn anew."
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
