"""The fast reference against the slow one, and against what needs neither."""

from __future__ import annotations

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, OvenProgram, Program
from models.column.retention import ln_retention_factor, with_typical_values
from models.column.system import Column, ColumnSystem, hold_up_time
from tests.reference.adapter import reference_peak, reference_peaks
from tests.reference.cases import AMBIENT, KINDS, OUTLETS, random_cases


def test_two_references_agree() -> None:
    """A third of the kinds, two compounds each: different equations, variables and steps."""
    cases = list(random_cases(seed=3, count=len(KINDS)))[::3]
    runs = [(case.system, case.retention[np.array(case.compared[:2])], case.program) for case in cases]
    compared = 0
    for case, (system, retention, program), peaks in zip(cases, runs, reference_peaks(runs), strict=True):
        for m in range(2):
            slow = reference_peak(system, retention, m, program)
            found = (peaks.time[m], peaks.width[m], peaks.temperature[m])
            if slow is None:
                assert np.isnan(found).all(), f"{case.kind}, {program}"
                continue
            assert found == pytest.approx((slow.time, slow.width, slow.temperature), rel=1e-7), (
                f"{case.kind}, {program}"
            )
            assert peaks.time[m] == pytest.approx(slow.time, rel=1e-8), f"{case.kind}, {program}"
            compared += 1
    assert compared > 30


@pytest.mark.parametrize("outlet", OUTLETS)
def test_isothermal_retention_is_hold_up_time_times_one_plus_k(outlet: float) -> None:
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), CARRIER_GASES["hydrogen"], outlet)
    retention = with_typical_values(np.linspace(330.0, 560.0, 8))
    T, pressure = 450.0, AMBIENT + 80e3
    (peaks,) = reference_peaks(
        [(system, retention, Program(OvenProgram(T), CarrierProgram("pressure", pressure)))]
    )
    k = np.exp(ln_retention_factor(retention, np.array(T)))
    hold_up = hold_up_time(system.column, system.gas, T, pressure, outlet)
    np.testing.assert_allclose(peaks.time, hold_up * (1 + k), rtol=1e-9)
