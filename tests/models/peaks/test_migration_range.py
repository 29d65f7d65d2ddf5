"""The engine against the reference over all that a scenario file allows; see `tests.reference.cases`.

Both integrate the same equations, the reference without tables, clock or quadrature. A peak is lost when only one of
the two lets it elute by the longest time looked at.
"""

from __future__ import annotations

import os
import random

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem
from models.units import flow_si
from tests.reference.cases import AMBIENT, KINDS, Case, Kind, Outcome, against_reference, random_cases

SEED = "REFERENCE_SEED"  # environment variable: repeats the random programs of another run

AT_120_C, WARMING = OvenProgram(393.15), OvenProgram(333.15, 60.0, (Ramp(10 / 60, 573.15, 600.0),))
SLOW, FAST = float(flow_si(0.6)), float(flow_si(4.0))
PLAIN = {
    Kind("pressure", "ambient", "up", "constant"): Program(
        AT_120_C, CarrierProgram("pressure", 120e3, 480.0, (Ramp(300e3 / 60, 300e3),))
    ),
    Kind("pressure", "ambient", "up", "up"): Program(
        WARMING, CarrierProgram("pressure", 120e3, 480.0, (Ramp(1000e3 / 60, 300e3),))
    ),
    Kind("flow", "ambient", "up", "constant"): Program(
        AT_120_C, CarrierProgram("flow", SLOW, 240.0, (Ramp(float(flow_si(10.0)) / 60, FAST),))
    ),
    Kind("flow", "ambient", "constant", "down"): Program(
        OvenProgram(423.15, 0.0, (Ramp(5 / 60, 373.15),)), CarrierProgram("flow", SLOW)
    ),
    Kind("velocity", "ambient", "constant", "down"): Program(
        OvenProgram(473.15, 0.0, (Ramp(30 / 60, 323.15),)), CarrierProgram("velocity", 0.2)
    ),
}


@pytest.mark.parametrize("kind", PLAIN, ids=str)
def test_usual_columns_with_steep_or_cooling_ramps(kind: Kind) -> None:
    """All of 24 compounds, so that one lost to a moment of the ramp is seen."""
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["helium"], AMBIENT)
    retention = with_typical_values(np.linspace(320.0, 540.0, 24))
    outcomes = against_reference([Case(kind, system, retention, PLAIN[kind], tuple(range(24)))])
    assert sum(outcome.due > 0 for outcome in outcomes) > 12
    assert not [fault for outcome in outcomes for fault in outcome.faults()]


@pytest.fixture(scope="module")
def fixed() -> dict[Kind, list[Outcome]]:
    """One program of each kind, the same ones in every run."""
    outcomes = against_reference(list(random_cases(seed=1, count=len(KINDS))))
    return {kind: [outcome for outcome in outcomes if outcome.case.kind == kind] for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_a_program_of_each_kind(fixed: dict[Kind, list[Outcome]], kind: Kind) -> None:
    outcomes = fixed[kind]
    assert outcomes
    faults = [fault for outcome in outcomes for fault in outcome.faults()]
    assert not faults, "\n".join([*faults, str(outcomes[0].case.system), str(outcomes[0].case.program)])


def test_the_fixed_programs_let_most_compounds_elute(fixed: dict[Kind, list[Outcome]]) -> None:
    """So that times and widths are compared at all; the rest does not elute, in the reference either."""
    outcomes = [outcome for kind in KINDS for outcome in fixed[kind]]
    assert sum(outcome.due > 0 for outcome in outcomes) > 200


def test_programs_that_differ_in_every_run() -> None:
    seed = int(os.environ.get(SEED) or random.SystemRandom().randrange(2**32))
    print(f"{SEED}={seed}")
    cases = list(random_cases(seed, len(KINDS)))
    chosen = [cases[i] for i in sorted(random.Random(seed).sample(range(len(cases)), 40))]
    faults = [fault for outcome in against_reference(chosen) for fault in outcome.faults()]
    assert not faults, "\n".join([f"repeat with {SEED}={seed}", *faults])
