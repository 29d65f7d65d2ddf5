"""The simulated instrument of the scenarios: its pneumatics."""

from __future__ import annotations

import pytest

from tests.published.tables import rows as published
from tests.reference.instrument import Nominal


def test_the_pneumatics_set_the_pressure_of_independently_integrated_flows() -> None:
    cases = [
        row
        for row in published("flow_cases")
        if row["gas"] == "Helium" and row["bore"] == "nominal" and float(row["pout_abs_Pa"]) > 0
    ]
    assert cases
    for row in cases:
        length, bore, ambient = float(row["L_m"]), float(row["id_mm"]) * 1e-3, float(row["pout_abs_Pa"])
        nominal = Nominal(length, bore, 0.25e-6, ambient)
        flow = float(row["F_mL_min_25C_1atm_numeric"]) * 1e-6 / 60
        inlet = nominal.inlet_for_flow(flow, float(row["T_C"]) + 273.15)
        assert inlet == pytest.approx(float(row["pin_abs_Pa"]), rel=1e-4), row["case"]
