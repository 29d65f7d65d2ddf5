"""Bands through pieces in series: bare tube before the coated column, the column, bare tube after it.

In shares of the whole fall of p^2 every piece obeys `migration` [1], its own w^2 B/L^2 in place of B/L^2 (`system`
[4]), so that each is one march of the engine from its first share to its last:

before     nothing is retained, so all bands reach the column at the same time t, and the program goes on from t
column     the engine, from share to share
after      nothing is retained, and the stay is short: conditions are those at half of it, exact where they rest
line       the same at a temperature of its own, the pressure at its start being that of the moment (`system` [5])

and the variance in time goes on from piece to piece: what comes in counts by the share that the engine gives of an
injected band, which at a share z of the fall starts as V^2/(1 - (1-rho) z) and not as V^2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.column.carrier_gas import viscosity
from models.column.programs import NO_TIME, Array, ProgramBatch
from models.column.retention import Retention
from models.column.system import inlet_pressure, line_of, parts_of, pressure_leaving
from models.effort import Accuracy
from models.peaks.one_piece import (
    LN_DIFFUSION,
    LN_FLOW,
    OWN_DIRECTIONS,
    Directions,
    Migration,
    MigrationTables,
    Slopes,
    march,
)

OWN = len(OWN_DIRECTIONS)
T_STEP, VALUE_STEP, LN_STEP = 0.05, 1e-4, 1e-4  # of derivatives: K, a share of a set value, a logarithm
TURNS = 2  # to the conditions at half of a stay


@dataclass(frozen=True)
class _Line:
    """Corners of one set point under N programs and their changes by E directions: (N, B) and (N, E, B) arrays."""

    times: Array
    values: Array
    d_times: Array
    d_values: Array

    def at(self, t: Array) -> tuple[Array, Array, Array]:
        """Values, their rates, and changes at fixed times (N, Q): (N, Q), (N, Q) and (N, E, Q) arrays."""
        last = self.times.shape[1] - 1
        upper = np.minimum((self.times[:, None, :] <= t[:, :, None]).sum(axis=2), last)
        lower = np.maximum(upper - 1, 0)
        rows = np.arange(len(t))[:, None]
        t0, t1 = self.times[rows, lower], self.times[rows, upper]
        v0, v1 = self.values[rows, lower], self.values[rows, upper]
        inside = (t1 - t0 > NO_TIME) & (t < t1)
        share = np.where(inside, (t - t0) / np.where(inside, t1 - t0, 1.0), 1.0)
        rate = np.where(inside, (v1 - v0) / np.where(inside, t1 - t0, 1.0), 0.0)

        def between(corners: Array) -> Array:
            each = np.arange(corners.shape[1])[None, :, None]
            low, high = (corners[rows[:, None], each, which[:, None, :]] for which in (lower, upper))
            mixed: Array = low * (1 - share)[:, None] + high * share[:, None]
            return mixed

        changes = between(self.d_values) - rate[:, None] * between(self.d_times)
        return v0 + (v1 - v0) * share, rate, changes

    def later(self, t: Array, dt: Array) -> _Line:
        """From t (N,) on, which by the directions is dt (N, E) later; t counts as nought."""
        values, rate, changes = self.at(t[:, None])
        passed = self.times <= t[:, None]
        first = changes[:, :, 0] + rate * dt
        return _Line(
            np.where(passed, 0.0, self.times - t[:, None]),
            np.where(passed, values, self.values),
            np.where(passed[:, None], 0.0, self.d_times - dt[:, :, None]),
            np.where(passed[:, None], first[:, :, None], self.d_values),
        )


@dataclass(frozen=True)
class _Programs:
    """Oven and carrier of N programs with E directions: D of the caller's, and the last, in which all begins later."""

    batch: ProgramBatch
    oven: _Line
    carrier: _Line

    @staticmethod
    def of(batch: ProgramBatch, directions: Directions | None) -> _Programs:
        given: tuple[Array | None, ...] = (None,) * 4
        if directions is not None and directions.oven_times.shape[1]:
            given = (
                directions.oven_times,
                directions.oven_temperatures,
                directions.carrier_times,
                directions.carrier_values,
            )

        def line(times: Array, values: Array, d_times: Array | None, d_values: Array | None) -> _Line:
            none = np.zeros((batch.size, 1, times.shape[1]))
            changes = [
                none if each is None else np.concatenate([each, none], axis=1) for each in (d_times, d_values)
            ]
            return _Line(times, values, *changes)

        return _Programs(
            batch,
            line(batch.oven_times, batch.oven_temperatures, *given[:2]),
            line(batch.carrier_times, batch.carrier_values, *given[2:]),
        )

    def later(self, t: Array, dt: Array) -> _Programs:
        """From t (N,) on, dt (N, E) later by the directions."""
        oven, carrier = self.oven.later(t, dt), self.carrier.later(t, dt)
        batch = replace(
            self.batch,
            oven_times=oven.times,
            oven_temperatures=oven.values,
            carrier_times=carrier.times,
            carrier_values=carrier.values,
        )
        return _Programs(batch, oven, carrier)

    @property
    def directions(self) -> Directions:
        """Of the engine."""
        return Directions(self.oven.d_times, self.oven.d_values, self.carrier.d_times, self.carrier.d_values)


def through(
    tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy, directions: Directions | None
) -> Migration:
    """Peaks of M compounds at the end of all pieces; as `one_piece.march`.

    Temperature, retention factor and heating rate at elution are those at the end of the coated column.
    """
    before, column, after = parts_of(tables.system.column)
    slopes = directions is not None
    N, M = batch.size, len(tables.retention)
    D = 0 if directions is None else directions.oven_times.shape[1]
    whole = _Programs.of(batch, directions)
    unretained = Retention(np.full(M, 60.0), np.ones(M), np.zeros(M))  # k < 1e-16 above -100 °C
    # Time, and the variance of what comes in by time, with changes by the D directions and OWN_DIRECTIONS.
    t, dt = np.zeros(N), np.zeros((N, D + OWN))
    share, d_share = np.ones((N, M)), np.zeros((N, D + OWN, M))
    variance, d_variance = np.zeros((N, M)), np.zeros((N, D + OWN, M))
    found: Migration | None = None
    for part in (*before, column):
        by_shift = np.concatenate([dt[:, :D], np.ones((N, 1))], axis=1)
        programs = whole.later(t, by_shift) if t.any() else whole
        retention = tables.retention if part is column else unretained
        here = replace(tables, part=part, retention=retention)
        found, kept, d_kept = _marched(here, programs, accuracy, slopes, part.start)
        width2 = found.width**2
        if slopes:
            assert found.slopes is not None
            times, widths, *others = (
                _by_all(each, dt, D)
                for each in (
                    found.slopes.retention_time,
                    found.slopes.width,
                    found.slopes.elution_temperature,
                    found.slopes.ln_retention_factor,
                )
            )
            d_kept = _by_all(d_kept, dt, D)
            d_variance = (
                2 * found.width[:, None] * widths + d_kept * variance[:, None] + kept[:, None] * d_variance
            )
            d_share = d_kept * share[:, None] + kept[:, None] * d_share
            found = replace(found, slopes=Slopes(dt[:, :, None] + times, widths, *others))
        variance, share = width2 + kept * variance, kept * share
        found = replace(found, retention_time=t[:, None] + found.retention_time)
        if part is not column:
            t = found.retention_time[:, 0]
            if found.slopes is not None:
                dt = found.slopes.retention_time[:, :, 0]
    assert found is not None
    time = found.retention_time
    d_time = None if found.slopes is None else found.slopes.retention_time
    for part in (*after, *line_of(tables.system.column, tables.system.gas)):
        bare = replace(tables, part=part, retention=unretained)
        time, d_time, variance, d_variance = _left(bare, whole, time, d_time, variance, d_variance)
    injected = tables.system.injection_width**2
    width = np.sqrt(variance + injected * share)
    made = found.slopes
    if made is not None and d_time is not None:
        d_width = (d_variance + injected * d_share) / (2 * width[:, None])
        made = replace(made, retention_time=d_time, width=d_width)
    return replace(found, retention_time=time, width=width, injected_share=share, slopes=made)


def _marched(
    tables: MigrationTables, programs: _Programs, accuracy: Accuracy, slopes: bool, start: float
) -> tuple[Migration, Array, Array]:
    """Peaks of a sharp band, the share of the variance in time of what comes in that is kept (N, M), and its changes.

    Changes are by all directions of the programs and OWN_DIRECTIONS, (N, E + OWN, M).
    """
    sharp = replace(tables, system=replace(tables.system, injection_width=0.0))
    found = march(sharp, programs.batch, accuracy, programs.directions if slopes else None)
    # What the engine takes V^2 for is V^2/(1 - (1-rho) start).
    T, value = programs.oven.values[:, 0], programs.carrier.values[:, 0]
    begins = _begins(tables, T, value, start)
    kept = found.injected_share * begins[:, None]
    if found.slopes is None:
        return found, kept, np.empty(0)
    broad = replace(tables, system=replace(tables.system, injection_width=1.0))
    wide = march(broad, programs.batch, accuracy, programs.directions)
    assert wide.slopes is not None
    by_T, by_value = (
        (_begins(tables, T + dT, value * (1 + dv), start) - _begins(tables, T - dT, value * (1 - dv), start))
        / step
        for dT, dv, step in ((T_STEP, 0.0, 2 * T_STEP), (0.0, VALUE_STEP, 2 * VALUE_STEP * value))
    )
    d_begins = (
        by_T[:, None] * programs.oven.d_values[:, :, 0]
        + by_value[:, None] * programs.carrier.d_values[:, :, 0]
    )
    d_begins = np.concatenate([d_begins, np.zeros((len(T), OWN))], axis=1)
    d_injected = 2 * (wide.width[:, None] * wide.slopes.width - found.width[:, None] * found.slopes.width)
    d_kept = d_injected * begins[:, None, None] + found.injected_share[:, None] * d_begins[:, :, None]
    return found, kept, d_kept


def _begins(tables: MigrationTables, T: Array, value: Array, start: float) -> Array:
    """1/(1 - (1-rho) start) (N,)."""
    system = tables.system
    pi = inlet_pressure(system, tables.controlled, value, T)
    rho = (pressure_leaving(system.column, system.gas, T, pi, system.outlet_pressure) / pi) ** 2
    result: Array = 1 / (1 - (1 - rho) * start)
    return result


def _by_all(slopes: Array, dt: Array, D: int) -> Array:
    """Changes by D directions and OWN_DIRECTIONS, (N, D + OWN, M), from those of a piece, (N, D + 1 + OWN, M).

    The programs' own begin later by dt already; of OWN_DIRECTIONS the flow alone changes when a piece is reached.
    """
    own = slopes[:, D + 1 :] + slopes[:, D : D + 1] * dt[:, D:, None]
    return np.concatenate([slopes[:, :D], own], axis=1)


def _left(
    tables: MigrationTables,
    programs: _Programs,
    time: Array,
    d_time: Array | None,
    variance: Array,
    d_variance: Array,
) -> tuple[Array, Array | None, Array, Array]:
    """Time and variance (N, M) with their changes (N, D + OWN, M) at the end of a bare piece, from the start's."""

    def conditions(t: Array) -> tuple[Array, ...]:
        return (*programs.oven.at(t), *programs.carrier.at(t))

    ln_flow = np.log(
        np.ones(len(time)) if programs.batch.velocity_factors is None else programs.batch.velocity_factors
    )[:, None]
    middle = time
    for _ in range(TURNS):
        T, T_rate, by_T, value, value_rate, by_value = conditions(middle)
        stay, added = _stay(tables, T, value, ln_flow, 0.0)
        middle = time + stay / 2
    # Conditions at the middle are those used but for what the last turn moved it.
    T, T_rate, by_T, value, value_rate, by_value = conditions(middle)
    stay, added = _stay(tables, T, value, ln_flow, 0.0)
    if d_time is None:
        return time + stay, None, variance + added, d_variance
    ups, downs = (
        [
            _stay(tables, T + sign * T_STEP, value, ln_flow, 0.0),
            _stay(tables, T, value * (1 + sign * VALUE_STEP), ln_flow, 0.0),
            _stay(tables, T, value, ln_flow + sign * LN_STEP, 0.0),
            _stay(tables, T, value, ln_flow, sign * LN_STEP),
        ]
        for sign in (1.0, -1.0)
    )
    steps = (2 * T_STEP, 2 * VALUE_STEP * value, 2 * LN_STEP, 2 * LN_STEP)
    (t_T, t_v, t_f, t_d), (a_T, a_v, a_f, a_d) = (
        [(up[which] - down[which]) / step for up, down, step in zip(ups, downs, steps, strict=True)]
        for which in (0, 1)
    )
    D = by_T.shape[1] - 1
    fixed_T, fixed_v = (
        np.concatenate([by[:, :D], np.zeros((len(time), OWN, time.shape[1]))], axis=1)
        for by in (by_T, by_value)
    )
    by_own = [np.zeros_like(fixed_T) for _ in range(2)]
    for each, (f, d) in zip(by_own, ((t_f, t_d), (a_f, a_d)), strict=True):
        each[:, D + LN_FLOW], each[:, D + LN_DIFFUSION] = f, d
    # The middle of the stay is d_time + d_stay/2 later: d_stay = fixed + rate (d_time + d_stay/2).
    rate = t_T * T_rate + t_v * value_rate
    fixed = t_T[:, None] * fixed_T + t_v[:, None] * fixed_v + by_own[0]
    d_stay = (fixed + rate[:, None] * d_time) / (1 - rate[:, None] / 2)
    d_middle = d_time + d_stay / 2
    d_added = (
        a_T[:, None] * (fixed_T + T_rate[:, None] * d_middle)
        + a_v[:, None] * (fixed_v + value_rate[:, None] * d_middle)
        + by_own[1]
    )
    return time + stay, d_time + d_stay, variance + added, d_variance + d_added


def _stay(
    tables: MigrationTables, T: Array, value: Array, ln_flow: Array, ln_diffusion: float
) -> tuple[Array, Array]:
    """Stay [s] in a bare piece and what it adds to the variance [s2], (N, M), nothing changing; as `band.hold`."""
    system, tube, part = tables.system, tables.tube, tables.part
    assert part is not None
    pi, end = inlet_pressure(system, tables.controlled, value, T), system.outlet_pressure
    leaving = pressure_leaving(system.column, system.gas, T, pi, end)
    if part.temperature is not None:
        pi, leaving, T = leaving + np.zeros_like(pi), end, np.full_like(T, part.temperature)
    rho = np.minimum((leaving / pi) ** 2, 1 - 1e-9)
    eta = viscosity(system.gas, T)
    factor = system.flow_factor * np.exp(ln_flow)
    mobility = factor * tube.permeability * pi * (1 - rho) / (2 * eta * tube.length**2)
    P = [np.sqrt(np.maximum(1 - (1 - rho) * z, 0.0)) for z in (part.start, part.stop)]
    shares = part.stop - part.start
    # Y(z1) - Y(z0) = (2/3)(P0^3 - P1^3)/(1-rho), with P0^2 - P1^2 = (1-rho)(z1 - z0) taken out
    Y = (2 / 3) * shares * (P[0] ** 2 + P[0] * P[1] + P[1] ** 2) / (P[0] + P[1])
    through_it = pi * mobility * T**-1.75
    D = tables.diffusion * np.exp(ln_diffusion)
    shape = tube.shape0 + tube.shape1 + tube.shape2
    H = tube.along / tube.length**2 / through_it * D + shape * tube.across * through_it / D
    q = (P[0] ** 2 + P[1] ** 2) / 2 * shares
    return Y / mobility, tube.plate_height_factor * H * q / mobility**2
