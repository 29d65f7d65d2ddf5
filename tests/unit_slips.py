"""Every quantity of a scenario written in the unit people mistake it for, and whether it is noticed.

Typical values are common practice, no source. What goes unnoticed is listed in docs/scenario.md (`make keys`).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from models.units import ZERO_CELSIUS
from optimizer.base.quantities import Quantity
from optimizer.base.tables import every_table, keys_of, quantity_in
from optimizer.scenario.schema import ScenarioTable

DEGREES = {"K": (1.0, ZERO_CELSIUS), "°F": (1.8, 32.0)}  # of temperatures, not of differences

# By unit of the key: the unit it is mistaken for, and value there = value * factor + offset.
LIKELY = {
    "min": {"s": (60.0, 0.0)},
    "s": {"min": (1 / 60, 0.0)},
    "h": {"min": (60.0, 0.0)},
    "ms": {"s": (0.001, 0.0)},
    "kPa gauge": {"psi": (1 / 6.894757, 0.0), "bar": (0.01, 0.0)},
    "kPa absolute": {"psi": (1 / 6.894757, 0.0), "bar": (0.01, 0.0), "mmHg": (7.50062, 0.0)},
    "kPa/min": {"psi/min": (1 / 6.894757, 0.0)},
    "kPa": {"psi": (1 / 6.894757, 0.0)},
    "%": {"a fraction": (0.01, 0.0)},
    "°C/min": {"°C/s": (1 / 60, 0.0)},
    "m": {"cm": (100.0, 0.0), "mm": (1000.0, 0.0)},
    "mm": {"µm": (1000.0, 0.0)},
    "µm": {"nm": (1000.0, 0.0)},
    "cm/s": {"m/s": (0.01, 0.0)},
    "mL/min": {"mL/s": (1 / 60, 0.0)},
    "mL": {"µL": (1000.0, 0.0)},
    "ng": {"pg": (1000.0, 0.0)},
    "kJ/mol": {"J/mol": (1000.0, 0.0)},
    "1/s": {"1/min": (60.0, 0.0)},
    "°C": DEGREES,
}

# A value in the key's own unit, where it is not that of its unit below.
TYPICAL = {
    "length_m": 30, "inner_diameter_mm": 0.25, "film_thickness_um": 0.25, "min_temperature_C": 40,
    "max_temperature_C": 325, "max_programmed_temperature_C": 350, "max_time_above_continuous_min": 5,
    "capacity_ng": 75, "ambient_pressure_kPa": 101.325, "max_inlet_pressure_kPa": 700,
    "min_inlet_pressure_kPa": 10, "max_pressure_rate_kPa_per_min": 300, "min_flow_mL_min": 0.5,
    "max_flow_mL_min": 5, "detector_max_flow_mL_min": 5, "oven_min_C": 35, "oven_max_C": 450, "ambient_C": 25,
    "equilibration_min": 1, "up_to_C": 175, "from_C": 300, "to_C": 200, "solvent_boiling_point_C": 69,
    "purge_on_min": 1, "septum_purge_mL_min": 3, "max_total_flow_mL_min": 100, "min_width_s": 1,
    "hold_up_min": 1.5, "repeatability_min": 0.003, "start_C": 50, "hold_min": 2, "inlet_kPa": 100,
    "flow_mL_min": 1.2, "velocity_cm_s": 35, "start_mL_min": 1.2, "to_mL_min": 3, "start_kPa": 100,
    "to_kPa": 250, "rate_kPa_per_min": 30, "rate_mL_per_min2": 2, "earliest_elution_min": 1.5,
    "latest_elution_min": 20, "shift_h": 8, "at_C": 250, "flow_percent": 1, "pressure_percent": 1,
    "hold_up_percent": 1, "trimmed_m": 0.3, "max_elution_temperature_C": 180, "amount_ng": 10,
    "temperature_C": 180, "activation_energy_kJ_per_mol": 150, "half_life_min": 10, "within_min": 2,
    "oven_temperature_C": 120, "seconds": 20, "unknown_min_area_percent": 1,
    "response_time_s": 0.05, "readings_per_s": 20, "make_up_mL_min": 30, "min_total_flow_mL_min": 20,
    "max_height_per_s": 1e4, "layer_thickness_um": 20, "particle_um": 160, "resistance_ms": 1,
    "injected_volume_mL": 0.3, "after_min": 2, "vent_flow_mL_min": 20,
    "min_amount_ng": 0.5, "bore_percent": 2, "film_percent": 10,
}  # fmt: skip
OF_A_TABLE = {
    ("CoolDown", "min"): 5.0,
    ("TimeAbove", "min"): 2.0,
    ("HeatingLimit", "rate_C_per_min"): 50.0,
    ("OvenRampTable", "rate_C_per_min"): 10.0,
    ("BakeOut", "rate_C_per_min"): 30.0,
    ("BakeOut", "hold_min"): 5.0,
    ("Steps", "pressure_kPa"): 1.0,
    ("Packed", "inner_diameter_mm"): 2.0,
    ("Segment", "length_m"): 0.3,
    ("Segment", "inner_diameter_mm"): 0.15,
    ("Segment", "temperature_C"): 280.0,
}
# The finest steps, tolerances and differences of temperature: no unit is mistaken for theirs.
LEFT_OUT = {
    "above_ambient_C", "below_solvent_C", "oven_C", "max_flow_rate_mL_per_min2", "rate_mL_per_min2",
}  # fmt: skip


class Slipped(NamedTuple):
    """A key of a table with its typical value in another unit."""

    table: str
    key: str
    quantity: Quantity
    unit: str
    value: float
    typical: float

    @property
    def noticed(self) -> str:
        """How: "error", "question" or nothing."""
        if not self.quantity.low <= self.value <= self.quantity.high:
            return "error"
        return "question" if self.quantity.question(self.value) else ""


def slips() -> Iterator[Slipped]:
    """Every key with a unit, in each unit it is mistaken for."""
    for table in dict.fromkeys(every_table(ScenarioTable)):
        for key, info in keys_of(table).items():
            quantity, name = quantity_in(info), table.__name__
            if quantity is None or not quantity.unit.text or key in LEFT_OUT:
                continue
            if name == "Steps" and (name, key) not in OF_A_TABLE:
                continue
            typical = OF_A_TABLE.get((name, key)) or TYPICAL[key]
            for unit, (factor, offset) in LIKELY.get(quantity.unit.text, {}).items():
                yield Slipped(name, key, quantity, unit, typical * factor + offset, typical)


def unseen_slips() -> list[tuple[str, ...]]:
    """Rows of docs/scenario.md: a slip that nothing notices, by keys."""
    found: dict[tuple[str, str], list[str]] = {}
    for each in slips():
        if not each.noticed:
            found.setdefault((each.quantity.unit.text, each.unit), []).append(f"`{each.key}`")
    return [(right, wrong, ", ".join(dict.fromkeys(keys))) for (right, wrong), keys in found.items()]
