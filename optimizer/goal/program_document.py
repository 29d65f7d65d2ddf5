"""Programs with the keys of a scenario file, rounded to the digits of a document."""

from __future__ import annotations

from typing import Any

from models.column.programs import CarrierProgram, OvenProgram, Program
from models.units import SECONDS_PER_MINUTE, celsius, flow_mL_min, gauge_kPa
from optimizer.base.numbers import minutes


def oven_document(oven: OvenProgram) -> dict[str, Any]:
    """An oven program with the keys of a scenario file, which asks for a word where a ramp cools."""
    before = (oven.start, *(ramp.target for ramp in oven.ramps))
    return {
        "start_C": round(celsius(oven.start), 3),
        "hold_min": minutes(oven.hold),
        "ramps": [
            {
                "rate_C_per_min": round(ramp.rate * SECONDS_PER_MINUTE, 4),
                "to_C": round(celsius(ramp.target), 3),
                "hold_min": minutes(ramp.hold),
                **({"cooling": True} if ramp.target < came_from else {}),
            }
            for ramp, came_from in zip(oven.ramps, before, strict=False)
        ],
    }


def carrier_document(carrier: CarrierProgram, ambient_pressure: float) -> dict[str, Any]:
    """A carrier program with the keys of a scenario file; pressures in kPa gauge."""
    document: dict[str, Any] = {"mode": carrier.mode}
    if carrier.controlled == "velocity":
        document["velocity_cm_s"] = round(carrier.start * 100, 4)
    elif carrier.controlled == "flow":
        start = round(float(flow_mL_min(carrier.start)), 5)
        document["start_mL_min" if carrier.ramps else "flow_mL_min"] = start
    else:
        start = round(float(gauge_kPa(carrier.start, ambient_pressure)), 4)
        document["start_kPa" if carrier.ramps else "inlet_kPa"] = start
    if not carrier.ramps:
        return document
    document["hold_min"] = minutes(carrier.hold)
    flow = carrier.controlled == "flow"
    document["ramps"] = [
        {
            ("rate_mL_per_min2" if flow else "rate_kPa_per_min"): round(
                float(flow_mL_min(ramp.rate) if flow else ramp.rate / 1e3) * SECONDS_PER_MINUTE, 5
            ),
            ("to_mL_min" if flow else "to_kPa"): round(
                float(flow_mL_min(ramp.target) if flow else gauge_kPa(ramp.target, ambient_pressure)), 5
            ),
            "hold_min": minutes(ramp.hold),
        }
        for ramp in carrier.ramps
    ]
    return document


def program_document(program: Program, ambient_pressure: float) -> dict[str, Any]:
    """Oven and carrier."""
    return {
        "oven": oven_document(program.oven),
        "carrier": carrier_document(program.carrier, ambient_pressure),
    }
