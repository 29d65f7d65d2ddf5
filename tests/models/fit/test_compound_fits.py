"""Runs simulated for a fit: what stands for a compound that a run never elutes."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.programs import CarrierProgram, OvenProgram, Program
from models.column.retention import with_typical_values
from models.fit.compound_fits import Simulator
from models.fit.fit import Run
from models.peaks.migration import LONGEST_RETENTION
from tests.models.fit.test_fitting import NOMINAL

COLD = Program(OvenProgram(300.0), CarrierProgram("pressure", 2e5))


@pytest.mark.parametrize("of", ["times", "peaks", "slopes"])
def test_a_compound_that_never_elutes_is_later_than_any_measured_time(of: str) -> None:
    """One that needs 250 °C for k = 1, in an oven at 27 °C: a fit that puts a peak there must be far off, not blank."""
    nothing = np.full(2, np.nan)
    simulator = Simulator(NOMINAL, [Run("cold", COLD, nothing, nothing)])
    tables = simulator.tables(with_typical_values(np.array([330.0, 523.0])))
    factors = np.ones(1)
    times = {
        "times": lambda: simulator.times(tables, factors),
        "peaks": lambda: simulator.peaks(tables, factors)[0],
        "slopes": lambda: simulator.slopes(tables, factors).times,
    }[of]()
    assert 0 < times[0, 0] < 3600.0
    assert times[0, 1] > LONGEST_RETENTION
