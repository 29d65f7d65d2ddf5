"""The instrument of a scenario: what its oven, pneumatics and inlet can do, in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.units import PA_PER_KPA, REFERENCE_PRESSURE, SECONDS_PER_MINUTE, Number, flow_si, kelvin

InletMode = Literal["split", "splitless", "on-column"]


@dataclass(frozen=True)
class Steps:
    """The smallest changes of set points the instrument accepts [K, K/s, s, m3/s, Pa, m3/s2, Pa/s]."""

    temperature: float
    rate: float
    time: float
    flow: float
    pressure: float
    flow_rate: float = float(flow_si(0.1)) / SECONDS_PER_MINUTE
    pressure_rate: float = PA_PER_KPA / SECONDS_PER_MINUTE


@dataclass(frozen=True)
class Tolerances:
    """How far a run may be off what is entered; errors lie anywhere within. Common practice, no source.

    Attributes
    ----------
    oven : float  [K], +- on the whole oven program
    flow, pressure : float, +- shares of a set column flow (or velocity), and of a set gauge pressure
    hold_up : float, +- share by which the hold-up time may drift between the scouting runs and the next
    trimmed : float  [m], how much may be cut off the column by then
    """

    oven: float = 1.0
    flow: float = 0.01
    pressure: float = 0.01
    hold_up: float = 0.0
    trimmed: float = 0.0


USUAL_TOLERANCES = Tolerances()
EVEN = 1 / 3  # variance of an error anywhere within +- 1; also the mean square of one from 0 to 1


@dataclass(frozen=True)
class CoolDown:
    """How long the oven takes to cool from one temperature to another [K, K, s]."""

    from_temperature: float
    to_temperature: float
    duration: float


@dataclass(frozen=True)
class Instrument:
    """What oven and pneumatics can do.

    Attributes
    ----------
    max_inlet_pressure : float  [Pa absolute]
    min_flow, max_flow : float  [m3/s at 25 °C, 101.325 kPa]
    heating_limits : tuple of (temperature up to which the rate holds [K], rate [K/s]), rising in temperature;
        above the last temperature the last rate holds
    cool_down : CoolDown or None when not stated
    equilibration : float  [s]
    steps : Steps
    min_inlet_pressure : float  [Pa absolute]
    max_pressure_rate, max_flow_rate : float  [Pa/s, m3/s2], of carrier ramps
    detector_max_flow : float or None  [m3/s], largest column flow that detector or vacuum pump takes
    oven_min, oven_max : float  [K]; None when no lowest temperature is stated
    ambient_temperature, above_ambient : float  [K]; without a coolant (`cryogenic`) the oven holds nothing
        below their sum
    max_oven_ramps, max_carrier_ramps : int, of one program
    """

    max_inlet_pressure: float
    min_flow: float
    max_flow: float
    heating_limits: tuple[tuple[float, float], ...]
    cool_down: CoolDown | None
    equilibration: float
    steps: Steps
    min_inlet_pressure: float = REFERENCE_PRESSURE
    max_pressure_rate: float = 300.0 * PA_PER_KPA / SECONDS_PER_MINUTE
    max_flow_rate: float = float(flow_si(10.0)) / SECONDS_PER_MINUTE
    detector_max_flow: float | None = None
    oven_min: float | None = None
    oven_max: float = kelvin(450.0)
    ambient_temperature: float = kelvin(25.0)
    above_ambient: float = 10.0
    cryogenic: bool = False
    max_oven_ramps: int = 20
    max_carrier_ramps: int = 3

    @property
    def lowest_oven_temperature(self) -> float:
        """The lowest temperature [K] the oven can be asked for; 0 when nothing bounds it."""
        uncooled = 0.0 if self.cryogenic else self.ambient_temperature + self.above_ambient
        return max(self.oven_min or 0.0, uncooled)

    @property
    def largest_column_flow(self) -> float:
        """The largest column flow [m3/s] that pneumatics and detector both bear."""
        if self.detector_max_flow is None:
            return self.max_flow
        return min(self.max_flow, self.detector_max_flow)


@dataclass(frozen=True)
class Inlet:
    """How the sample gets onto the column.

    Attributes
    ----------
    solvent_boiling_point : float or None  [K]
    below_solvent : float  [K], by how much the start must lie below it to focus the solvent
    purge_on : float or None  [s], when a splitless inlet opens its split vent
    split_ratio : float or None  [-], flow out of the split vent over column flow
    septum_purge : float  [m3/s]
    max_total_flow : float or None  [m3/s]
    """

    mode: InletMode = "split"
    solvent_boiling_point: float | None = None
    below_solvent: float = 15.0
    purge_on: float | None = None
    split_ratio: float | None = None
    septum_purge: float = float(flow_si(3.0))
    max_total_flow: float | None = None

    @property
    def highest_start(self) -> float | None:
        """The highest oven temperature [K] a program may start at; None when the inlet sets no bound."""
        if self.mode == "split" or self.solvent_boiling_point is None:
            return None
        return self.solvent_boiling_point - self.below_solvent

    @property
    def shortest_first_hold(self) -> float:
        """The shortest first hold of the oven [s]."""
        return self.purge_on or 0.0 if self.mode == "splitless" else 0.0

    @property
    def split_unknown(self) -> bool:
        """Whether gas may leave by a split vent without its ratio being stated."""
        return self.split_ratio is None and self.mode != "on-column"

    def total_flow(self, column_flow: Number) -> Number:
        """Flow the inlet takes [m3/s] at a column flow [m3/s], any shape; without a split ratio, no split."""
        return column_flow * (1 + (self.split_ratio or 0.0)) + self.septum_purge


UNBOUNDED_INLET = Inlet()  # a split inlet of which nothing is known
