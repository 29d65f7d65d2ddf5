"""What a program is run on: column, gas and outlet; and the compressible laminar flow of an ideal gas through it.

Local pressure      p(z)^2 = pi^2 - (pi^2 - po^2) z                                  [1]
Local velocity      u(z) = B (pi^2 - po^2) / (2 eta L p(z))                          [1]
Hold-up time        tM = (4/3) eta L^2 (pi^3 - po^3) / (B (pi^2 - po^2)^2)           [1]
Flow at reference   F = A B (pi^2 - po^2) / (2 eta L p_ref) * T_ref / T              [1]
conditions
Compressibility     j = (3/2) (P^2 - 1) / (P^3 - 1),  P = pi/po                      [2]

pi and po are the absolute inlet and outlet pressures, z is the share of the length passed. B is the permeability in
Darcy's law, u = -(B/eta) dp/dz, and A the cross-section that the gas flows through: B = r^2/8 and A = 3.14159 r^2 of an
open tube, whose porous layer takes from r; in a packed one, with e the share of the gas between particles and e_t that
of all gas, pores included, and d the particles' diameter,

    B = d^2 e^3 / (180 (1 - e)^2 e_t),   A = e_t times the empty tube's                [3]

Where pieces are joined, p^2 falls along each in proportion to r = L/(A B), so that each takes the share

    w = r / sum of r                                                                   [4]

of the whole fall at every temperature, and each obeys [1] between the pressures at its ends. A line behind
the oven, at its own temperature Tl, takes of it, as p^2 falls by eta T r for the moles that flow through all,

    (px^2 - po^2)/(pi^2 - po^2) = R/(eta T sum of r + R),   R = sum of eta(Tl) Tl r of the line      [5]

and what is in the oven has px as its outlet pressure: constant at a set flow, else following the oven.

[1] Poiseuille's law with the ideal gas law, integrated along the column; Cramers, Janssen, van Deursen and
    Leclercq, J. Chromatogr. A 856 (1999) 315, where the same expressions are derived.
[2] James and Martin, Biochem. J. 50 (1952) 679.
[3] Kozeny and Carman, from memory; published constants in place of 180 run from 150 to 267, and e is not known well, so
    that B from a sieve's mesh is good to some 40 % (own judgement). `passage_of` finds both from a measurement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple, assert_never

import numpy as np

from models.column.carrier_gas import CarrierGas, viscosity
from models.column.pieces import Bare, Packing, Passage, line_resistance
from models.column.programs import Array, Controlled
from models.errors import InvalidInputError
from models.units import REFERENCE_PRESSURE, REFERENCE_TEMPERATURE

# Film [m] from which the gas is taken to see the free bore: below it the velocity is off by less than 2 %, which the
# flow factor takes up (common practice, no source).
THICK_FILM = 1e-6
KOZENY_CARMAN = 180.0
USUAL_PHASE_RATIO = 250.0


@dataclass(frozen=True)
class Column:
    """Dimensions as the column's tag states them.

    Attributes
    ----------
    length : float  [m]
    inner_diameter : float  [m], of the bare tube
    film_thickness : float  [m], of the film or porous layer on the wall; 0 of a packed column
    porous : bool, whether what is on the wall is a porous layer, which narrows the bore
    packing : Packing or None
    adsorbent : bool, whether it retains by adsorption, not by solution in a liquid
    resistance : float or None  [s], C of the term C k/(1+k)^2 u of the plate height; None: that of a film as thick
    measured : Passage or None, in place of what dimensions say
    before, after : tuples of Bare, what is joined to its ends in the order of the gas, in the oven but for a last line
    bare : bool, whether it is such a piece itself
    """

    length: float
    inner_diameter: float
    film_thickness: float
    porous: bool = False
    packing: Packing | None = None
    adsorbent: bool = False
    resistance: float | None = None
    measured: Passage | None = None
    before: tuple[Bare, ...] = ()
    after: tuple[Bare, ...] = ()
    bare: bool = False

    def __post_init__(self) -> None:
        if (
            self.packing is None
            and not self.bare
            and not (self.length > 0 and self.inner_diameter > 0 and self.film_thickness > 0)
        ):
            raise InvalidInputError("column length, inner diameter and film thickness must all be above zero")
        if self.film_thickness >= self.inner_diameter / 2:
            raise InvalidInputError("the film would fill the column: check film thickness (µm) and bore (mm)")

    @property
    def wall_coated(self) -> bool:
        """Whether it is an open tube with a film of liquid."""
        return not (self.porous or self.packing or self.adsorbent)

    @property
    def radius(self) -> float:
        """Radius of the tube that the gas sees [m], the one the pneumatics compute with: the bare one, unless a layer
        is porous."""
        return self.inner_diameter / 2 - (self.film_thickness if self.porous else 0.0)

    @property
    def phase_ratio(self) -> float:
        """Mobile over stationary phase volume [-]: d/(4 df) of a thin film, the ratio of cross-sections of a thick one.

        Of an adsorbent or a packing none is known, and the usual 250 stands in.

        Source: Ettre, Pure Appl. Chem. 65 (1993) 819, phase ratio of an open tubular column (thin film).
        """
        if not self.wall_coated:
            return USUAL_PHASE_RATIO
        if self.film_thickness < THICK_FILM:
            return self.inner_diameter / (4 * self.film_thickness)
        return self.free_radius**2 / (self.radius**2 - self.free_radius**2)

    @property
    def free_radius(self) -> float:
        """Radius [m] that the gas sees: less the film, from `THICK_FILM` on."""
        thick = self.wall_coated and self.film_thickness >= THICK_FILM
        return self.radius - (self.film_thickness if thick else 0.0)

    @property
    def free_bore_factor(self) -> float:
        """Velocity of the gas over that in the bare tube, which the pneumatics compute, at equal pressures [-]; [1]."""
        return (self.free_radius / self.radius) ** 2

    @property
    def joined(self) -> bool:
        """Whether anything is joined to it."""
        return bool(self.before or self.after)

    @property
    def length_over_passage(self) -> float:
        """Sum of L/(A B) over all that is joined [m^-3], to which the fall of p^2 is proportional in one oven; [4]."""
        bare = sum(each.length_over_passage for each in (*self.before, *self.after))
        return bare + self.length / (self.permeability * self.gas_area)

    @property
    def line(self) -> tuple[Bare, ...]:
        """What is joined to it at temperatures of its own."""
        return tuple(each for each in self.after if each.temperature is not None)

    @property
    def in_oven(self) -> Column:
        """It with all that is joined to it in the oven."""
        after = tuple(each for each in self.after if each.temperature is None)
        return self if after == self.after else replace(self, after=after)

    @property
    def inlet_length(self) -> float:
        """Of the piece that is cut when the inlet end is [m]."""
        return self.before[0].length if self.before else self.length

    def shortened(self, cut: float) -> Column:
        """The column without so much [m] of its inlet end: of what is joined there, else of its own."""
        if not self.before:
            return replace(self, length=self.length - cut)
        first, *others = self.before
        return replace(self, before=(first._replace(length=first.length - cut), *others))

    @property
    def known_phase_ratio(self) -> float:
        """The same, nan where none is known."""
        return self.phase_ratio if self.wall_coated else math.nan

    @property
    def flow_known(self) -> bool:
        """Whether what flows follows from more than a sieve's mesh."""
        return self.packing is None or self.measured is not None

    @property
    def permeability(self) -> float:
        """B [m2]; as measured, else [1] and [3]."""
        if self.measured is not None:
            return self.measured.permeability
        if self.packing is None:
            return self.radius**2 / 8
        e = self.packing.between
        kozeny_carman = self.packing.particle**2 * e**3 / (KOZENY_CARMAN * (1 - e) ** 2)
        return kozeny_carman / self.packing.total

    @property
    def gas_area(self) -> float:
        """Cross-section that the gas flows through [m2]; as measured, else [1] and [3]."""
        if self.measured is not None:
            return self.measured.gas_area
        return math.pi * self.radius**2 * (1.0 if self.packing is None else self.packing.total)


class Part(NamedTuple):
    """A part of all that is joined in the oven, or of a line: its share of the fall of p^2 there, from which share to
    which, and the temperature [K] of a line's."""

    column: Column
    share: float
    start: float
    stop: float
    temperature: float | None = None


def parts_of(column: Column) -> tuple[tuple[Part, ...], Part, tuple[Part, ...]]:
    """The parts in the oven: before the coated one, that one, and those after it; [4]."""
    own = replace(column, before=(), after=())
    columns = [*map(_bare, column.before), own, *map(_bare, column.in_oven.after)]
    found = _parts(columns, [each.length_over_passage for each in columns])
    first = len(column.before)
    return tuple(found[:first]), found[first], tuple(found[first + 1 :])


def line_of(column: Column, gas: CarrierGas) -> tuple[Part, ...]:
    """The parts of the line behind it; [5]."""
    line = column.line
    parts = _parts([*map(_bare, line)], [each.resistance(gas) for each in line])
    return tuple(part._replace(temperature=each.temperature) for part, each in zip(parts, line, strict=True))


def _bare(piece: Bare) -> Column:
    return Column(piece.length, piece.inner_diameter, 0.0, bare=True)  # of its plate height no film counts


def _parts(columns: list[Column], resistances: list[float]) -> list[Part]:
    edges = np.cumsum([0.0, *resistances])
    edges[1:] /= edges[-1]
    found = [
        Part(each, float(stop - start), float(start), float(stop))
        for each, start, stop in zip(columns, edges[:-1], edges[1:], strict=True)
    ]
    return [each._replace(stop=1.0) if each is found[-1] else each for each in found]


def pressure_leaving(
    column: Column,
    gas: CarrierGas,
    T: Array | float,
    inlet_pressure: Array | float,
    outlet_pressure: Array | float,
) -> Array | float:
    """Pressure [Pa] at which the gas leaves the oven, any matching shapes: the outlet's where no line follows; [5]."""
    if not column.line:
        return outlet_pressure
    R, end = line_resistance(column.line, gas), outlet_pressure**2
    share = R / (viscosity(gas, T) * T * column.in_oven.length_over_passage + R)
    result: Array = np.sqrt(end + (np.asarray(inlet_pressure) ** 2 - end) * share)
    return result


def _require_drop(inlet_pressure: Array | float, outlet_pressure: Array | float) -> None:
    if (np.asarray(inlet_pressure) <= outlet_pressure).any():
        raise InvalidInputError(
            f"the inlet pressure ({float(np.min(inlet_pressure)):.6g} Pa absolute) must be above the outlet "
            f"pressure ({float(np.max(outlet_pressure)):.6g} Pa absolute); was a gauge pressure given as absolute?"
        )


def hold_up_time(
    column: Column,
    gas: CarrierGas,
    T: Array | float,
    inlet_pressure: Array | float,
    outlet_pressure: Array | float,
) -> Array:
    """Hold-up time [s] at temperature T [K] and absolute pressures [Pa], any matching shapes; [1].

    Raises
    ------
    InvalidInputError : when the inlet pressure is not above the outlet pressure
    """
    _require_drop(inlet_pressure, outlet_pressure)
    if column.joined:
        before, own, after = parts_of(column)
        leaving = pressure_leaving(column, gas, T, inlet_pressure, outlet_pressure)
        in_oven = passing(gas, (*before, own, *after), T, inlet_pressure, leaving)
        return in_oven + passing(gas, line_of(column, gas), T, leaving, outlet_pressure)
    pi = np.asarray(inlet_pressure, dtype=float)
    rho = outlet_pressure / pi
    # (pi^3 - po^3)/(pi^2 - po^2)^2 with the common factor (pi - po) taken out, so that a vanishing drop is exact.
    shape = (1 + rho + rho**2) / (pi * (1 - rho) * (1 + rho) ** 2)
    return (4 / 3) * viscosity(gas, T) * column.length**2 / column.permeability * shape


def passing(
    gas: CarrierGas, parts: tuple[Part, ...], T: Array | float, first: Array | float, last: Array | float
) -> Array:
    """Hold-up time [s] of parts in the oven at T [K], or of a line, from the pressure `first` to `last` [Pa]."""
    squares = np.asarray(first, dtype=float) ** 2
    drop = squares - np.asarray(last) ** 2
    result = np.zeros(np.broadcast(squares, drop, np.asarray(T)).shape)
    for part in parts:
        high, low = (np.sqrt(np.maximum(squares - drop * z, 0.0)) for z in (part.start, part.stop))
        # (pi^3 - po^3)/(pi^2 - po^2)^2 = (pi^2 + pi po + po^2)/((pi + po)(pi^2 - po^2))
        result = result + (4 / 3) * viscosity(gas, T if part.temperature is None else part.temperature) * (
            part.column.length**2 / part.column.permeability
        ) * (high**2 + high * low + low**2) / ((high + low) * part.share * drop)
    return result


def flow(
    column: Column, gas: CarrierGas, T: Array | float, inlet_pressure: Array | float, outlet_pressure: float
) -> Array:
    """Flow [m3/s at 25 °C, 101.325 kPa] from temperature [K] and absolute pressures [Pa]; [1].

    Raises
    ------
    InvalidInputError : when the inlet pressure is not above the outlet pressure
    """
    _require_drop(inlet_pressure, outlet_pressure)
    squares = np.asarray(inlet_pressure, dtype=float) ** 2 - outlet_pressure**2
    return squares / squares_per_flow(column, gas, T)


def inlet_pressure_for_flow(
    column: Column, gas: CarrierGas, T: Array | float, flow: Array | float, outlet_pressure: float
) -> Array:
    """Absolute inlet pressure [Pa] that gives a flow [m3/s, reference conditions] at T [K]; [1] inverted."""
    return np.sqrt(outlet_pressure**2 + flow * squares_per_flow(column, gas, T))


def inlet_pressure_for_velocity(
    column: Column, gas: CarrierGas, T: Array | float, velocity: Array | float, outlet_pressure: float
) -> Array:
    """Absolute inlet pressure [Pa] that gives an average velocity L/tM [m/s] at T [K].

    The expression for tM is inverted by Newton's method on pi - po, which converges from above for any drop.
    """
    T, velocity = np.broadcast_arrays(np.asarray(T, dtype=float), np.asarray(velocity, dtype=float))
    if column.joined:
        return _joined_inlet_pressure(column, gas, T, velocity, outlet_pressure)
    # target = pi (1-rho)(1+rho)^2/(1+rho+rho^2), the part of L/tM that depends on pressure
    target = velocity * (4 / 3) * viscosity(gas, T) * column.length / column.permeability
    po = outlet_pressure
    drop = target * 1.0  # exact for a vacuum outlet; elsewhere the first iterate of a monotone sequence
    if po == 0:
        return drop
    for _ in range(60):
        pi = po + drop
        rho = po / pi
        value = drop * (1 + rho) ** 2 / (1 + rho + rho**2)
        # d(value)/d(drop): the shape factor g(rho) changes slowly, d rho/d drop = -rho/pi
        slope_g = (1 + rho) * (1 - rho) / (1 + rho + rho**2) ** 2
        slope = (1 + rho) ** 2 / (1 + rho + rho**2) - drop * slope_g * rho / pi
        step = (value - target) / slope
        drop = np.maximum(drop - step, drop * 0.1)
        if np.all(np.abs(step) <= 1e-8 * pi):  # what a step leaves is its square
            break
    return po + drop


def _joined_inlet_pressure(
    column: Column, gas: CarrierGas, T: Array, velocity: Array, outlet_pressure: float
) -> Array:
    """The same for a joined column, the coated piece's length over the hold-up time of all, by halving."""
    low, high = np.full(T.shape, np.log(1.0)), np.full(T.shape, np.log(1e9))  # of pi - po [Pa]
    for _ in range(60):
        middle = (low + high) / 2
        tM = hold_up_time(column, gas, T, outlet_pressure + np.exp(middle), outlet_pressure)
        slow = tM > column.length / velocity
        low, high = np.where(slow, middle, low), np.where(slow, high, middle)
    result: Array = outlet_pressure + np.exp((low + high) / 2)
    return result


def velocity_outlet(
    column: Column, gas: CarrierGas, T: Array | float, inlet_pressure: Array | float, outlet_pressure: float
) -> Array:
    """Velocity at the column outlet [m/s] (infinite at a vacuum outlet); [1]."""
    _require_drop(inlet_pressure, outlet_pressure)
    if outlet_pressure == 0:
        return np.full(np.broadcast(np.asarray(T), np.asarray(inlet_pressure)).shape, np.inf)
    squares = np.asarray(inlet_pressure, dtype=float) ** 2 - outlet_pressure**2
    return column.permeability * squares / (2 * viscosity(gas, T) * column.length * outlet_pressure)


def compressibility(inlet_pressure: Array | float, outlet_pressure: float) -> Array:
    """James and Martin's compressibility factor j [-]; [2]."""
    _require_drop(inlet_pressure, outlet_pressure)
    rho = outlet_pressure / np.asarray(inlet_pressure, dtype=float)
    return 1.5 * rho * (1 + rho) / (1 + rho + rho**2)


def squares_per_flow(column: Column, gas: CarrierGas, T: Array | float) -> Array:
    """(pi^2 - po^2)/F [Pa2 s/m3]; [1] and [5]."""
    of_moles = 2 * REFERENCE_PRESSURE / REFERENCE_TEMPERATURE
    in_oven = of_moles * column.in_oven.length_over_passage
    result: Array = viscosity(gas, T) * np.asarray(T, dtype=float) * in_oven
    return result + of_moles * line_resistance(column.line, gas) if column.after else result


@dataclass(frozen=True)
class ColumnSystem:
    """Column, carrier gas and outlet.

    Attributes
    ----------
    column : Column, with its nominal dimensions (the pneumatics compute with them)
    gas : CarrierGas
    outlet_pressure : float  [Pa absolute]; 0 for vacuum
    flow_factor : float  [-], true over computed velocity at the same inlet pressure
    plate_height_factor : float  [-], true over computed plate height
    injection_width : float  [s], standard deviation of the injected band in time
    film_diffusion_factor : float  [-], true over typical diffusion in the film
    eddy_factor : float  [-], true over stated lambda of a packing
    oven_lag : float  [s], by which the column's temperature follows the set point of a ramp
    detector_variance : float  [s2], that readings add to that of every peak
    time_constant : float  [s], of the decay behind the column by which every peak tails
    """

    column: Column
    gas: CarrierGas
    outlet_pressure: float
    flow_factor: float = 1.0
    plate_height_factor: float = 1.0
    injection_width: float = 0.0
    oven_lag: float = 0.0
    detector_variance: float = 0.0
    time_constant: float = 0.0
    film_diffusion_factor: float = 1.0
    eddy_factor: float = 1.0


def inlet_pressure(system: ColumnSystem, controlled: Controlled, value: Array, T: Array) -> Array:
    """Absolute inlet pressure [Pa] at a set value [Pa, m3/s or m/s] and column temperature [K].

    In the flow and velocity modes the pneumatics compute it from the nominal dimensions.
    """
    if controlled == "pressure":
        return value + np.zeros(np.shape(T))
    if controlled == "flow":
        return inlet_pressure_for_flow(system.column, system.gas, T, value, system.outlet_pressure)
    if controlled == "velocity":
        return inlet_pressure_for_velocity(system.column, system.gas, T, value, system.outlet_pressure)
    assert_never(controlled)
