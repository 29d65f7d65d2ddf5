"""A program's prediction held against the simulated instrument without noise."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from models.column.programs import Program
from optimizer.goal.goal import Problem
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.scenario.reading import program_of_tables
from tests.reference.confirmation import resolution
from tests.reference.instrument import HALF_HEIGHT, Instrument, Measured


@dataclass(frozen=True)
class Resolved:
    """A counted pair that the instrument shows next to each other: resolution predicted with its sd, and true."""

    predicted: float
    sd: float
    true: float


@dataclass(frozen=True)
class Compared:
    """What was predicted of a program, and what the instrument does.

    Attributes
    ----------
    late : seconds by which each compound leaves later than predicted
    pairs : neighbours that count, in the instrument's order of elution
    intact : predicted fractions
    share : of draws in which the prediction meets the goal
    run_time : predicted  [s]
    """

    late: dict[str, float]
    pairs: dict[tuple[str, str], Resolved]
    intact: dict[str, float]
    share: float
    run_time: float


def program_from(problem: Problem, document: dict[str, Any]) -> Program:
    """A program as a scenario writes it."""
    return program_of_tables(document, problem.scenario.ambient_pressure)


def compared(problem: Problem, instrument: Instrument, document: dict[str, Any]) -> Compared:
    """A program, as a scenario writes it, predicted and run."""
    program = program_from(problem, document)
    prediction, reliability = with_uncertainty(problem, predict(problem, program), exact=True)
    names = problem.scenario.compounds
    peaks = {name: instrument.true_peak(document, name) for name in names}
    rows = sorted(
        (
            Measured(name, peak.time, HALF_HEIGHT * peak.width, 1.0, instrument.solutes[name].tailing)
            for name, peak in peaks.items()
        ),
        key=lambda row: row.time,
    )
    true = {frozenset((a.compound, b.compound)): resolution(a, b) for a, b in pairwise(rows)}
    pairs = {}
    for (a, b), predicted, sd in zip(
        prediction.counted_pairs, prediction.resolution, prediction.resolution_sd, strict=True
    ):
        first, second = sorted((names[a], names[b]), key=lambda name: peaks[name].time)
        if frozenset((first, second)) in true:
            pairs[first, second] = Resolved(float(predicted), float(sd), true[frozenset((first, second))])
    return Compared(
        {name: peaks[name].time - float(prediction.retention[m]) for m, name in enumerate(names)},
        pairs,
        {name: float(prediction.intact_fraction[m]) for m, name in enumerate(names)},
        reliability.share,
        prediction.run_time,
    )
