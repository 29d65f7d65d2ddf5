"""A method carried to another gas, outlet or column: the program, what it gives, and what changes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Annotated, NamedTuple

import numpy as np

from models.column.plate_height import typical_diffusion_constant
from models.column.programs import Array, Controlled, OvenProgram, Program
from models.column.retention import scaled_to_phase_ratio
from models.column.scaling import (
    carried,
    hold_up_at,
    kept_temperature,
    off_its_tag,
    set_value_at,
    speed_optimised_flow,
)
from models.column.system import ColumnSystem, inlet_pressure_for_flow
from models.errors import InvalidInputError
from models.fit.fit import LN_FLOW_SPREAD, Fit
from models.peaks.resolution import order_changes
from models.units import ZERO_CELSIUS, flow_mL_min, flow_si
from optimizer.base.numbers import Rounded
from optimizer.base.quantities import CELSIUS, KPA, KPA_GAUGE, METRE, MINUTE, ML_MIN, MM, UM
from optimizer.base.tables import Heading, key
from optimizer.goal.cautions import cautions
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import Prediction, both_scales
from optimizer.goal.predict import predict
from optimizer.goal.split import flow_within_total
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.methods.adapt_options import NOT_CARRIED, Change
from optimizer.scenario.conversion import HYDROGEN_TOTAL_FLOW_ML_MIN, on_system
from optimizer.scenario.data import Scenario
from optimizer.scenario.instrument_data import EVEN
from optimizer.scenario.instrument_steps import carrier_step, on_grid, settable_carrier
from optimizer.scenario.method_checks import split_unknown
from optimizer.search.reasons import broken_equipment, broken_limits, warnings_of

SAME = 1e-9  # relative; phase ratios closer than this are one
COARSE = 0.02  # relative change of a rate by rounding that is worth a word
NEW_COLUMN = (
    "The new column is taken to have its nominal dimensions: the flow correction found for the one in use belongs to "
    "that one. Measure the hold-up time on the new column, and confirm one run."
)
SAME_COLUMN = (
    "The column stays, and with it the flow correction the fit found: an error of length or bore acts alike with any "
    "gas. An error of the pressure reading would not; confirm one run."
)

FLOW, RETENTION = Rounded(ML_MIN), Rounded(MINUTE, decimals=4, shown=".3f")
PRESSURE = Rounded(KPA, decimals=1, shown=".1f")
_BOTH_SCALES = both_scales(Rounded(KPA_GAUGE, decimals=1), PRESSURE)
_T, _RATIO, _WIDTH = (
    Rounded(CELSIUS, shown=".1f"),
    Rounded(digits=5, shown=".4f"),
    Rounded(MINUTE, shown=".4f"),
)

Pairs = tuple[tuple[str, str], ...]


class Dimensions(NamedTuple):
    """Of a column [m], and its phase ratio [-]."""

    length: Annotated[float, Rounded(METRE, 6, shown="g"), key("length_m")]
    inner_diameter: Annotated[float, Rounded(MM, shown="g"), key("inner_diameter_mm")]
    film_thickness: Annotated[float, Rounded(UM, shown="g"), key("film_thickness_um")]
    phase_ratio: Annotated[float, Rounded(shown="g"), key()]


class PressureRange(NamedTuple):
    """Inlet pressures over a run [Pa absolute]."""

    lowest: Annotated[float, _BOTH_SCALES, key()]
    highest: Annotated[float, _BOTH_SCALES, key()]


@dataclass(frozen=True)
class Method:
    """A program and what it gives on the system of a problem."""

    problem: Problem
    prediction: Prediction

    @property
    def column(self) -> Annotated[Dimensions, key()]:
        """The column's dimensions."""
        column = self.problem.fit.system.column
        return Dimensions(
            column.length, column.inner_diameter, column.film_thickness, column.known_phase_ratio
        )

    @property
    def gas(self) -> Annotated[str, key()]:
        """The carrier gas."""
        return self.problem.fit.system.gas.name

    @property
    def outlet(self) -> Annotated[str, key()]:
        """Where the column ends."""
        return "vacuum" if self.problem.fit.system.outlet_pressure == 0 else "ambient"

    @property
    def flow(self) -> Annotated[tuple[float, float], FLOW, key("flow_mL_min")]:
        """Smallest and largest column flow [m3/s]."""
        return float(self.prediction.flow.min()), float(self.prediction.flow.max())

    @property
    def inlet_pressure(self) -> Annotated[PressureRange, key()]:
        """Lowest and highest inlet pressure."""
        pressure = self.prediction.inlet_pressure
        return PressureRange(float(pressure.min()), float(pressure.max()))


@dataclass(frozen=True)
class SideBySide:
    """A method before and after a change of its system.

    Attributes
    ----------
    old, new : each with its system; the scenario of the new one has the method in use as current, or the carried one
    before, after : of the method in use and of the new one, on the instrument's steps
    notes : sentences on what was decided here
    about_after : sentences on limits and trust, about the new method
    """

    old: Problem
    new: Problem
    before: Prediction
    after: Prediction
    notes: Annotated[tuple[str, ...], key()]
    about_after: tuple[str, ...]

    @property
    def order_changes(self) -> Annotated[Pairs, key()]:
        """Pairs (a, b) of which a elutes first before and b elutes first after."""
        names = self.before.compounds
        swapped = order_changes(self.before.retention, self.after.retention)
        return tuple((names[a], names[b]) for a, b in swapped)

    @cached_property
    def breaks_equipment(self) -> Annotated[tuple[str, ...], key()]:
        """Limits of column and instrument that the new method breaks, each with its value."""
        return broken_equipment(self.new, self.after)

    @property
    def warnings(self) -> Annotated[tuple[str, ...], key()]:
        """About the new method, then those of scenario and fit."""
        return (*self.about_after, *self.old.warnings)

    @property
    def cautions(self) -> Annotated[tuple[str, ...], key()]:
        """Those that apply to the new system and did not to the old one."""
        known = cautions(self.old.scenario, [self.before.program])
        found = cautions(self.new.scenario, [self.after.program])
        return tuple(line for line in found if line not in known)


class HoldUpTimes(NamedTuple):
    """Hold-up times [s] before and after, at which temperatures [K], and their ratio before rounding."""

    T_old: Annotated[float, Rounded(CELSIUS, shown=".0f"), key("in_use_at_C")]
    T_new: Annotated[float, Rounded(CELSIUS, shown=".0f"), key("carried_at_C")]
    old: Annotated[float, RETENTION, key("in_use_min")]
    new: Annotated[float, RETENTION, key("carried_min")]
    ratio: Annotated[float, _RATIO, key()]


class CarriedPeak(NamedTuple):
    """A peak before and after: retention time and width at half height [s], elution temperature [K]."""

    compound: Annotated[str, key(), Heading("compound")]
    before: Annotated[float, RETENTION, key("in_use_min"), Heading("in use, min")]
    after: Annotated[float, RETENTION, key("carried_min"), Heading("carried, min")]
    ratio: Annotated[float, _RATIO, key(), Heading("ratio")]
    T_before: Annotated[float, _T, key("in_use_elution_C"), Heading("elutes at, in use, °C")]
    T_after: Annotated[float, _T, key("carried_elution_C"), Heading("carried, °C")]
    width_before: Annotated[
        float, _WIDTH, key("in_use_width_half_min"), Heading("width at half height, in use, min")
    ]
    width_after: Annotated[float, _WIDTH, key("carried_width_half_min"), Heading("carried, min")]


@dataclass(frozen=True)
class Adapted(SideBySide):
    """A method carried to another gas, outlet or column.

    Attributes
    ----------
    hold_up : hold-up times of the two programs as set; their ratio is the factor on all times of the program
    pass_probability : of the carried method
    """

    hold_up: Annotated[HoldUpTimes, key()]
    pass_probability: float

    @property
    def methods(self) -> dict[str, Method]:
        """Side by side, by what they are called."""
        return {"in use": Method(self.old, self.before), "carried": Method(self.new, self.after)}

    @property
    def peaks(self) -> Annotated[tuple[CarriedPeak, ...], key()]:
        """Peaks in the order of elution of the method in use."""
        a, b = self.before, self.after
        times, T = (
            (a.retention, b.retention, b.retention / a.retention),
            (a.elution_temperature, b.elution_temperature),
        )
        columns = (*times, *T, a.width_half, b.width_half)
        return tuple(CarriedPeak(a.compounds[m], *(float(each[m]) for each in columns)) for m in a.order)


def adapt(scenario: Scenario, fit: Fit, method: Program, change: Change) -> Adapted:
    """Carry a method over.

    Raises
    ------
    InvalidInputError : when nothing changes, or no set value is within the instrument's limits
    """
    if change.nothing:
        raise InvalidInputError(
            "nothing to adapt to: say what changes with --gas, --outlet, --length-m, --inner-diameter-mm, "
            "--film-thickness-um, --flow-mL-min or --inlet-kPa, or give what was cut off with --trim-m"
        )
    scenario = replace(scenario, current=method)
    old = problem_of(scenario, fit)
    before = predict(old, method)
    fresh, notes = on_new_system(scenario, fit, change)
    T_old = reference_temperature(before)

    def temperature(T: float) -> float:
        """Of the new oven, from that of the old one; moved ones lie on the instrument's grid."""
        if fresh.retention is fit.retention:
            return T
        return on_grid(
            kept_temperature(fit.retention, fresh.retention, T),
            scenario.instrument.steps.temperature,
            ZERO_CELSIUS,
        )

    T_new = temperature(T_old)
    moved_scenario, capped, doubts = scenario_on(scenario, fresh.system)
    corners = np.array([temperature(T) for T in method.oven.knots()[1]])
    controlled, start, said = _first_value(moved_scenario, fresh.system, method, change, corners, T_new)
    program, ratio = carried(method, fit.system, fresh.system, controlled, start, T_old, temperature)
    program, rounded = _settable(moved_scenario, program, start)
    new = problem_of(replace(moved_scenario, current=program), fresh)
    after, reliability = with_uncertainty(new, predict(new, program), exact=True, sources=False)
    return Adapted(
        old=old,
        new=new,
        before=before,
        after=after,
        hold_up=HoldUpTimes(
            T_old,
            T_new,
            hold_up_at(fit.system, method.carrier.controlled, method.carrier.start, T_old),
            hold_up_at(fresh.system, controlled, program.carrier.start, T_new),
            ratio,
        ),
        pass_probability=reliability.share,
        notes=(*notes, *capped, *said, *rounded),
        about_after=(*doubts, *broken_limits(new, after), *warnings_of(new, after)),
    )


def reference_temperature(prediction: Prediction) -> float:
    """The middle elution temperature [K] of a method.

    Raises
    ------
    InvalidInputError : when nothing elutes
    """
    T = prediction.elution_temperature[np.isfinite(prediction.retention)]
    if not T.size:
        raise InvalidInputError("no compound elutes with the method in use; there is no pattern to keep")
    return float(np.median(T))


def scenario_on(scenario: Scenario, system: ColumnSystem) -> tuple[Scenario, list[str], list[str]]:
    """The scenario with the column, gas and outlet of a system, what hydrogen asks for beside, and what is in doubt."""
    moved = on_system(scenario, system)
    if system.gas.name != "hydrogen" or scenario.inlet.max_total_flow is not None:
        return moved, [], []
    cap = float(flow_si(HYDROGEN_TOTAL_FLOW_ML_MIN))
    capped = replace(moved, inlet=replace(scenario.inlet, max_total_flow=cap))
    unknown = scenario.inlet.split_unknown
    held = "column flow and septum purge together are" if unknown else "the total flow is"
    note = (
        f"With hydrogen {held} held to {HYDROGEN_TOTAL_FLOW_ML_MIN:g} mL/min, as inlet.max_total_flow_mL_min sets no "
        "other limit."
    )
    doubts = [split_unknown(HYDROGEN_TOTAL_FLOW_ML_MIN, "with hydrogen")] if unknown else []
    return capped, [note], doubts


def on_new_system(scenario: Scenario, fit: Fit, change: Change) -> tuple[Fit, list[str]]:
    """The fit as it holds on the new system, and what was assumed for that.

    Plate height factor, injected width and diffusion are kept: they hold what is the compounds', the phase's and the
    inlet's as much as the column's.

    Raises
    ------
    InvalidInputError : for another column where the one in use is packed or an adsorbent
    """
    if not scenario.column.wall_coated and (change.length or change.inner_diameter or change.film_thickness):
        raise InvalidInputError(f"{scenario.path}: {NOT_CARRIED}")
    column = replace(
        scenario.column,
        length=change.length or scenario.column.length,
        inner_diameter=change.inner_diameter or scenario.column.inner_diameter,
        film_thickness=change.film_thickness or scenario.column.film_thickness,
    )
    gas = change.gas or scenario.gas
    outlet = scenario.outlet_pressure if change.outlet_pressure is None else change.outlet_pressure
    system = replace(fit.system, column=column, gas=gas, outlet_pressure=outlet)
    if column == scenario.column:
        return replace(fit, system=system), [SAME_COLUMN]
    notes = [
        NEW_COLUMN,
        "Temperature limits are kept from the scenario; thicker films withstand less, so read the new column's tag.",
    ]
    # Uncertain by how much columns differ from their tags, whatever is known of the old one.
    M = len(fit.retention)
    kept = np.delete(np.arange(len(fit.covariance)), fit.flows)
    moved = np.where(kept < 3 * M, kept, 3 * M + 1)  # the oven, and so its lag, stays what it is
    covariance = np.zeros((len(kept) + 1, len(kept) + 1))
    covariance[np.ix_(moved, moved)] = fit.covariance[np.ix_(kept, kept)]
    retention, ln_diffusion = fit.retention, fit.ln_diffusion
    films = [each.length * each.inner_diameter * each.film_thickness for each in (scenario.column, column)]
    old_ratio, new_ratio = scenario.column.phase_ratio, column.phase_ratio
    if abs(new_ratio / old_ratio - 1) > SAME:
        retention = scaled_to_phase_ratio(retention, old_ratio, new_ratio)
        # The compounds diffuse as before, whatever is typical of their new T0.
        ln_diffusion = np.log(fit.diffusion / typical_diffusion_constant(fit.system.gas, retention.T0))
        notes.append(
            f"The phase ratio goes from {old_ratio:.0f} to {new_ratio:.0f}, which multiplies every retention factor by "
            f"{old_ratio / new_ratio:.2f}: the elution pattern cannot be kept exactly. Oven temperatures are moved so "
            "that ln k of the compounds is kept on average."
        )
    bore, film = (EVEN * share**2 for share in (scenario.tolerances.bore, scenario.tolerances.film))
    off = off_its_tag(retention, new_ratio, bore, film)
    off[-1, -1] = max(off[-1, -1], LN_FLOW_SPREAD["column"] ** 2)
    covariance[: 3 * M + 1, : 3 * M + 1] += off
    return (
        replace(
            fit,
            system=replace(system, flow_factor=column.free_bore_factor),
            retention=retention,
            ln_diffusion=ln_diffusion,
            flow_factors=np.full_like(fit.flow_factors, column.free_bore_factor),
            load=None if fit.load is None else fit.load * films[0] / films[1],
            covariance=covariance,
        ),
        notes,
    )


def _first_value(
    scenario: Scenario, system: ColumnSystem, method: Program, change: Change, corners: Array, T: float
) -> tuple[Controlled, float, list[str]]:
    """What the new carrier program sets and its first value [Pa absolute, m3/s or m/s], and why."""
    kept = method.carrier.controlled
    if change.flow is not None:
        return "flow", change.flow, _about_mode(kept, "flow")
    if change.inlet_pressure is not None:
        if change.inlet_pressure <= system.outlet_pressure:
            raise InvalidInputError(
                f"--inlet-kPa gives {change.inlet_pressure / 1e3:.1f} kPa absolute, not above the outlet's "
                f"{system.outlet_pressure / 1e3:.1f} kPa; no gas would flow"
            )
        return "pressure", change.inlet_pressure, _about_mode(kept, "pressure")
    flow = speed_optimised_flow(system.column, system.gas)
    pressure = float(inlet_pressure_for_flow(system.column, system.gas, T, flow, system.outlet_pressure))
    wanted = set_value_at(system, kept, pressure, T)
    low, high = _settable_range(scenario, system, kept, corners)
    step, offset = carrier_step(scenario, kept)
    fewest, most = np.ceil((low - offset) / step - 1e-9), np.floor((high - offset) / step + 1e-9)
    if fewest > most:
        raise InvalidInputError(
            f"{scenario.path}: within the [instrument] limits of inlet pressure and column flow no constant {kept} can "
            f"be set for {system.column.length:g} m x {system.column.inner_diameter * 1e3:g} mm with "
            f"{system.gas.name}; was the bore meant in mm?"
        )
    value = float(np.clip(np.round((wanted - offset) / step), fewest, most) * step + offset)
    usual = (
        f"the usual speed-optimised flow of {system.gas.name} for this bore, {flow_mL_min(flow):.2f} mL/min"
    )
    if low <= wanted <= high:
        return kept, value, [f"The carrier is set for {usual}; --flow-mL-min or --inlet-kPa set another."]
    side = "largest" if wanted > high else "smallest"
    return kept, value, [f"Not {usual}, but the {side} that the limits of instrument and inlet allow."]


def _about_mode(old: Controlled, new: Controlled) -> list[str]:
    if old == new:
        return []
    return [
        f"The method in use holds the {old} constant or ramps it, the carried one the {new}: hold-up times change "
        "otherwise with temperature, and the pattern is kept only nearly."
    ]


def _settable_range(
    scenario: Scenario, system: ColumnSystem, controlled: Controlled, corners: Array
) -> tuple[float, float]:
    """The set values that keep pressure and flow limits at every corner of the oven program."""
    instrument = scenario.instrument
    column, gas, outlet = system.column, system.gas, system.outlet_pressure
    largest = min(instrument.largest_column_flow, flow_within_total(scenario))
    lows, highs = [], []
    for T in corners:
        least = float(inlet_pressure_for_flow(column, gas, T, instrument.min_flow, outlet))
        most = float(inlet_pressure_for_flow(column, gas, T, largest, outlet))
        # The pneumatics hold no less than the room's pressure, whatever the outlet.
        least = max(
            least, instrument.min_inlet_pressure, scenario.ambient_pressure + instrument.steps.pressure
        )
        lows.append(set_value_at(system, controlled, least, T))
        highs.append(set_value_at(system, controlled, min(most, instrument.max_inlet_pressure), T))
    return max(lows), min(highs)


def _settable(scenario: Scenario, program: Program, start: float) -> tuple[Program, list[str]]:
    """The program on the instrument's grid; temperatures are there, the first set value stays as it was asked for."""
    steps = scenario.instrument.steps
    off = 0.0
    ramps = []
    for ramp in program.oven.ramps:
        rate = max(on_grid(ramp.rate, steps.rate), steps.rate)
        off = max(off, abs(rate / ramp.rate - 1))
        ramps.append(replace(ramp, rate=rate, hold=on_grid(ramp.hold, steps.time)))
    oven = OvenProgram(program.oven.start, on_grid(program.oven.hold, steps.time), tuple(ramps))
    carrier = replace(settable_carrier(scenario, program.carrier), start=start)
    for ramp, exact in zip(carrier.ramps, program.carrier.ramps, strict=True):
        off = max(off, abs(ramp.rate / exact.rate - 1))
    said = []
    if off > COARSE:
        said.append(
            f"Rounding to the instrument's steps of rates changes a ramp's rate by {100 * off:.0f} %: elution "
            "temperatures move with it."
        )
    return Program(oven, carrier), said
