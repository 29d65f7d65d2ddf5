"""What a person asks `adapt` to change, checked and converted to SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from models.column.carrier_gas import CarrierGas, carrier_gas
from models.errors import InvalidInputError
from optimizer.base.quantities import Bore, Film, Flow, GaugePressure, Length, quantity_of
from optimizer.scenario.data import Scenario

NOT_CARRIED = (
    "no method is carried to another column where this one is packed or an adsorbent: each packing resists the gas in "
    "its own way, surfaces differ from batch to batch, and water and what was injected before change an adsorbent's "
    "retention, even the order; make two scouting runs on the new column"
)


@dataclass(frozen=True)
class Change:
    """What differs from the system the method runs on now; None where nothing does.

    Attributes
    ----------
    gas : CarrierGas or None
    outlet_pressure : float or None  [Pa absolute], 0 for vacuum
    length, inner_diameter, film_thickness : float or None  [m]
    flow : float or None  [m3/s at 25 °C, 101.325 kPa], first set value of the new method
    inlet_pressure : float or None  [Pa absolute], first set value of the new method
    """

    gas: CarrierGas | None = None
    outlet_pressure: float | None = None
    length: float | None = None
    inner_diameter: float | None = None
    film_thickness: float | None = None
    flow: float | None = None
    inlet_pressure: float | None = None

    @property
    def nothing(self) -> bool:
        """Whether nothing was asked for."""
        return self == Change()


def change_of(
    scenario: Scenario,
    gas: str | None = None,
    outlet: str | None = None,
    length_m: float | None = None,
    inner_diameter_mm: float | None = None,
    film_thickness_um: float | None = None,
    flow_mL_min: float | None = None,
    inlet_kPa: float | None = None,
) -> Change:
    """The change asked for, from options in trade units.

    Raises
    ------
    InvalidInputError : naming option, value and what was expected; or when all of it is as now
    """
    ambient = scenario.ambient_pressure
    length = _si("--length-m", length_m, Length)
    inner_diameter = _si("--inner-diameter-mm", inner_diameter_mm, Bore)
    film_thickness = _si("--film-thickness-um", film_thickness_um, Film)
    flow = _si("--flow-mL-min", flow_mL_min, Flow)
    inlet_pressure = _si("--inlet-kPa", inlet_kPa, GaugePressure, ambient)
    if flow_mL_min is not None and inlet_kPa is not None:
        raise InvalidInputError("--flow-mL-min and --inlet-kPa both set the carrier; give one of them")
    if outlet not in (None, "ambient", "vacuum"):
        raise InvalidInputError(f"--outlet {outlet}: expected ambient or vacuum")
    change = Change(
        None if gas is None else carrier_gas(gas),
        None if outlet is None else 0.0 if outlet == "vacuum" else ambient,
        length,
        inner_diameter,
        film_thickness,
        flow,
        inlet_pressure,
    )
    if not change.nothing and _as_now(scenario, change):
        given = {
            "--gas": gas,
            "--outlet": outlet,
            "--length-m": length_m,
            "--inner-diameter-mm": inner_diameter_mm,
            "--film-thickness-um": film_thickness_um,
        }
        options = " ".join(f"{option} {value}" for option, value in given.items() if value is not None)
        raise InvalidInputError(
            f"{options}: that is what {scenario.path} states already, so nothing changes; to go to another flow on the "
            "same system give --flow-mL-min or --inlet-kPa"
        )
    return change


def _as_now(scenario: Scenario, change: Change) -> bool:
    """Whether gas, outlet and column stay what they are, and no set value is asked for."""
    column = scenario.column
    same = (
        (change.gas, scenario.gas),
        (change.outlet_pressure, scenario.outlet_pressure),
        (change.length, column.length),
        (change.inner_diameter, column.inner_diameter),
        (change.film_thickness, column.film_thickness),
    )
    if change.flow is not None or change.inlet_pressure is not None:
        return False
    return all(asked is None or asked == now or _close(asked, now) for asked, now in same)


def _close(asked: object, now: object) -> bool:
    """Whether two numbers are one but for rounding, as 0.25 mm in m may be."""
    return isinstance(asked, float | int) and isinstance(now, float | int) and math.isclose(asked, now)


def cut_of(scenario: Scenario, trim_m: float) -> float:
    """The length cut off [m].

    Raises
    ------
    InvalidInputError : when it is nothing, or half the column and more
    """
    length = scenario.column.inlet_length
    if not 0 < trim_m < length / 2:
        raise InvalidInputError(
            f"--trim-m {trim_m:g}: expected the length cut off in m, above 0 and below half of the {length:g} m that "
            "column.length_m states; were cm given, or the length that is left?"
        )
    return trim_m


def _si(option: str, value: float | None, kind: Any, ambient_pressure: float = 0.0) -> float | None:
    """An option in SI, held against the range its key has in a scenario file."""
    if value is None:
        return None
    allowed = quantity_of(kind)
    if not allowed.low <= value <= allowed.high:
        hint = allowed.hint(value)
        raise InvalidInputError(
            f"{option} {value:g}: expected {allowed.low:g} to {allowed.high:g} {allowed.unit.text}"
            + (f"; {hint}" if hint else "")
        )
    return allowed.unit.si(value, ambient_pressure)
