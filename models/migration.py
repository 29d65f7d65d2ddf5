"""Retention time and peak width of M compounds under N programs: the engine.

With V = pi (1 - rho) r^2 / (16 eta L^2 (1+k)), rho = (po/pi)^2, a band at z (share of the length) moves as

    dz/dt = V(t) / (1 - (1 - rho) z)^(1/2)                                            [1]

so that s = integral of V dt, which depends on the program and on k(T) alone, is a clock in which migration is
a gentle equation, dz/ds = (1 - (1-rho) z)^(-1/2): everything stiff has gone into s. Along a linear ramp,

    s = (1/rate) integral of c(T) w(T)/(1+k) dT,                                        [2]

where w(T) is a fixed weight and c the rest of V: constant (constant pressure), or a quadratic in time on each
section of the program. With tables of integral ((T-Tc)/X)^n w/(1+k) dT, n = 0, 1, 2, for each compound, a ramp
is a table difference and the time at which s reaches a value is an inverse look-up. A band at constant pressure, or
at any pressure with a vacuum outlet, leaves the column at s = S(rho) exactly,

    S(rho) = (2/3) (1 - rho^(3/2)) / (1 - rho).                                          [3]

Elsewhere rho changes while the band travels. With rho frozen at its value at elution, rho*, the function
Y(z) = (2/3) (1 - (1 - (1-rho*) z)^(3/2)) / (1-rho*) obeys

    dY/ds = R(s, z) = P*/P,   P^2 = 1 - (1-rho) z,   P*^2 = 1 - (1-rho*) z,              [4]

close to one, solved by Picard iteration on the nodes of `panels`; elution is Y = S(rho*). Any rho* near its
value at elution serves.

Band width: the variance of the band in Y grows as

    d(var)/ds = (H/L) P*^2/P + 2 var dR/dY,    dR/dY = R (rho* - rho) / (2 P*^3 P^2),     [5]

and at elution the standard deviation of the peak in time is sqrt(var)/V. With rho constant this is the familiar
quadrature of H p over the hold-up time passed.

[1] is Poiseuille's law in quasi-steady flow, see `carrier_flow`; [2] to [5] are derived in docs/theory.md and
held by tests against the equations marched in time.

A change delta(T) of a compound's ln k slows s by the share k/(1+k) delta wherever the band is. rho* being kept, what Y
lacks at the outlet for it, and the later arrival, are

    integral of R k/(1+k) delta exp(integral from s to the end of dR/dY) ds = V R* delta t,               [6]

R* being dY/ds at the outlet.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import viscosity
from models.effort import EFFORTS, Accuracy, Effort
from models.elution import Arrival, arrival
from models.interpolation import AntiderivativeTable, antiderivative_table
from models.legs import by_cuts
from models.panels import Panels, nodes_of, panels_of, rule
from models.plate_height import typical_diffusion_constant
from models.plate_height_tables import PlateHeightTables, plate_height_tables
from models.precision import in_precision
from models.programs import Array, Controlled, ProgramBatch, delayed
from models.retention import Retention, ln_retention_factor_of_each, ln_retention_factor_slopes
from models.sections import Sections, has_constant_c, sections_of
from models.system import ColumnSystem, clock_weight, flow_group

LONGEST_RETENTION = 100 * 3600.0  # s; anything later is reported as not eluted
LOOK_UPS = 24_000  # programs x compounds x nodes worked on at a time, so that work arrays stay in the cache
PASSES = 6  # at most
PICARD_SWEEPS = 8  # at most
LOOSE = 1.0  # tolerance in s that one Newton step meets: enough to lay out panels and choose rho*
FINE = 1e-8  # relative tolerance in s for retention times
EXACT = 1e-12  # the same where the separable form is exact


def _keep_freed_memory() -> None:
    """Have the allocator hand freed work arrays out again; worth a fifth of the time with the GNU C library.

    Above a size that it learns from what is freed, it returns memory to the system and takes it back page by page.
    One large block, freed untouched, teaches it. Elsewhere this does nothing.
    """
    np.empty(30 * 2**20, dtype=np.uint8)


_keep_freed_memory()


Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class MigrationTables:
    """Everything that depends on column system and compounds but not on the program.

    Attributes
    ----------
    system : ColumnSystem
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 in the carrier gas
    antiderivatives : AntiderivativeTable
    heights : PlateHeightTables
    """

    system: ColumnSystem
    retention: Retention
    controlled: Controlled
    diffusion: Array
    antiderivatives: AntiderivativeTable
    heights: PlateHeightTables


@dataclass(frozen=True)
class Migration:
    """Peaks of M compounds under N programs: (N, M) arrays, nan where not eluted.

    Attributes
    ----------
    retention_time : [s]
    width : [s], standard deviation of the peak in time
    elution_temperature : [K]
    retention_factor : [-], at elution
    heating_rate : [K/s], of the oven at elution
    injected_share : [-], variance in time that the injected band leaves in the peak, by its own
    eluted : bool
    retention_time_slopes : (N, 3, M) array, derivatives of the time by T0 [s/K], ln theta [s] and dCp [s mol K/J];
        0 where not asked for, and without compounds (N, 3, 0) where of no program
    """

    retention_time: Array
    width: Array
    elution_temperature: Array
    retention_factor: Array
    heating_rate: Array
    injected_share: Array
    eluted: NDArray[np.bool_]
    retention_time_slopes: Array


def migration_tables(
    system: ColumnSystem,
    retention: Retention,
    controlled: Controlled,
    lowest: float = 223.15,
    highest: float = 673.15,
    step: float = 0.35,
    diffusion: Array | None = None,
) -> MigrationTables:
    """Tables for M compounds, valid for programs between two temperatures.

    Parameters
    ----------
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    lowest, highest : float  [K]
    step : float  [K], spacing; the relative error of a time goes as its fourth power, a few 1e-9 at 0.35 K
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 of the compounds; estimated from T0 when None
    """
    if diffusion is None:
        diffusion = typical_diffusion_constant(system.gas, retention.T0)

    def weight(T: Array) -> Array:
        return clock_weight(controlled, T, viscosity(system.gas, T))

    table = antiderivative_table(retention, weight, lowest, highest, step)
    heights = plate_height_tables(system, retention, diffusion, table)
    return MigrationTables(system, retention, controlled, diffusion, table, heights)


def migrate(
    tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy = "polish", slopes: Mask | None = None
) -> Migration:
    """Retention times and widths of M compounds under N programs; eqs. [1] to [5].

    Parameters
    ----------
    tables : MigrationTables, for the carrier variable that the batch controls
    batch : ProgramBatch of N programs
    accuracy : "screen" or "polish": widths within 1 % or 0.1 %; times within 1e-4, and
        1e-8 where [3] is exact, either way
    slopes : (N,) array, of which programs to work out how times answer to the compounds' retention parameters, eq. [6]

    Returns
    -------
    Migration with (N, M) arrays

    Raises
    ------
    OutsideValidityError : when a program leaves the temperatures of the tables
    ValueError : when the batch controls another carrier variable than the tables
    """
    if batch.controlled != tables.controlled:
        raise ValueError(f"tables are for controlled {tables.controlled}, the batch for {batch.controlled}")
    batch = delayed(batch, tables.system.oven_lag)
    effort = EFFORTS[accuracy]
    constant_c = has_constant_c(tables.system, batch)
    nodes = effort.nodes_frozen if constant_c else 2 * effort.nodes
    rows = max(1, LOOK_UPS // (nodes * len(tables.retention)))
    if batch.size <= rows:
        return _migrate(tables, batch, effort, slopes)
    order = None if constant_c else by_cuts(tables.system, batch, effort.misfit)
    ordered = batch if order is None else batch[order]
    if slopes is not None and order is not None:
        slopes = slopes[order]
    parts = [
        _migrate(tables, ordered[at : at + rows], effort, None if slopes is None else slopes[at : at + rows])
        for at in range(0, batch.size, rows)
    ]
    together = [np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Migration)]
    if order is not None:
        back = np.argsort(order)
        together = [values[back] for values in together]
    return Migration(*together)


def _migrate(tables: MigrationTables, batch: ProgramBatch, effort: Effort, slopes: Mask | None) -> Migration:
    # Bands that never leave make infinities, and sections that are not theirs make nonsense; both are masked.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
        sections = sections_of(tables.antiderivatives, tables.system, tables.retention, batch, effort.misfit)
        march = _march_frozen if sections.frozen else _march
        end, column, stretched, missed = march(tables, sections, effort, slopes)
        share = _injected(tables, sections) * stretched
        width = np.sqrt(column + tables.system.injection_width**2 * share) / end.velocity
        eluted = (end.time <= LONGEST_RETENTION) & np.isfinite(width)
        shape = (batch.size, len(tables.retention))
        answers = np.where(eluted, missed / end.velocity, np.nan) if missed.size else missed

        def table(values: Array) -> Array:
            return np.where(eluted, values, np.nan).reshape(shape)

        return Migration(
            table(end.time),
            table(width),
            table(end.temperature),
            table(end.one_plus_k - 1.0),
            table(end.heating_rate),
            table(share / end.velocity**2),
            eluted.reshape(shape),
            answers.reshape(3, batch.size, -1).swapaxes(0, 1),
        )


def _clock_at_elution(rho: Array) -> Array:
    """S(rho), eq. [3], with 1 - rho^(3/2) = (1-q)(1+q+q^2), q = rho^(1/2), so that q -> 1 is exact."""
    q = np.sqrt(rho)
    result: Array = (2 / 3) * (1 + q + q * q) / (1 + q)
    return result


def _march_frozen(
    tables: MigrationTables, sections: Sections, effort: Effort, slopes: Mask | None
) -> tuple[Arrival, Array, Array | float, Array]:
    """What `_march` gives, with rho constant: eq. [3], and the sum for [5].

    The sum is over q = integral of P ds = (1 - P^4)/(2 (1-rho)), the share of the hold-up time. The film term goes
    as 1/P, that is, with ds = P^-1 dq. Towards a vacuum both are steep; s and q are polynomials in P, so the nodes lie
    on P where they can, and the weights of a panel add up to its exact s and q.
    """
    system, nodes = tables.system, rule(effort.nodes_frozen)
    M = sections.compounds
    rho = (system.outlet_pressure / sections.pressure[0]) ** 2
    lack = np.repeat(1 - rho, M)
    s_end = np.repeat(_clock_at_elution(rho), M)
    end = arrival(sections, s_end, EXACT)
    panels = panels_of(sections, s_end, effort.negligible)
    lack = lack.take(panels.band)
    start, stop = (np.cbrt(1 - 1.5 * lack * s) for s in (panels.clock, panels.clock + panels.gain))
    first, last = np.square(np.square(start)), np.square(np.square(stop))
    dq = (first - last) / (2 * lack)
    if sections.legs is not None:
        node = nodes_of(panels, sections.legs, tables.heights, end, nodes, effort.curved)
        s = panels.clock + nodes.to_node @ node.density
        P = np.cbrt(np.maximum(1 - 1.5 * lack * s, 0.0))
        places, pressure = node.places, node.pressure
        weight = node.density * P * nodes.weight[:, None]
        weight *= dq / weight.sum(axis=0)
        per_pressure = panels.gain / ((weight / P).sum(axis=0) * pressure * P)
        group = _flow_group(sections, panels, pressure)
        part = (weight * places.plate_height_share(group, per_pressure)).sum(axis=0)
        of_s = node.density
    else:
        stretch = sections.stretch(panels.which)
        c_per_kelvin = stretch.c0 * stretch.per_kelvin
        chord = np.where(c_per_kelvin != 0.0, 1 / (1.5 * lack * c_per_kelvin), 0.0)
        start_cubed = start * start * start
        share, slope = nodes.spread(
            panels.phi_start, panels.phi_start + chord * (start_cubed - stop * stop * stop)
        )
        P = start + share * (stop - start)
        square = P * P
        phi = panels.phi_start + chord * (start_cubed - square * P)
        places = tables.heights.at(phi, panels.compound, effort.curved)
        if sections.controlled == "pressure":
            pressure = stretch.carrier
        else:
            pressure = sections.inlet_pressure(stretch, places.temperature)
        of_s = slope * square
        weight = of_s * P
        sum_s, sum_q = nodes.weight @ of_s, nodes.weight @ weight
        per_pressure = panels.gain * sum_q / (dq * sum_s * pressure * P)
        terms = places.plate_height_share(_flow_group(sections, panels, pressure), per_pressure)
        part = nodes.weight @ (terms * weight) * (dq / sum_q)
    kept = panels.sums(dq)
    whole = (1 - rho**2) / (2 * (1 - rho))
    variance = panels.sums(part) * (system.plate_height_factor * np.repeat(whole, M) / kept)
    missed = np.empty((3, 0))
    if slopes is not None:
        ds = of_s * nodes.weight[:, None]
        ds *= panels.gain / ds.sum(axis=0)
        missed = _missed(tables, panels, places.temperature, ds, _asked(sections, panels, slopes))
    return end, variance, 1.0, missed


def _march(
    tables: MigrationTables, sections: Sections, effort: Effort, slopes: Mask | None
) -> tuple[Arrival, Array, Array | float, Array]:
    """Arrivals at the outlet by eq. [4], the column's variances in s there by [5], what stretches the injected
    band's variance on the way, each (N M,); and if asked for the integrals of [6], (3, N M).
    """
    system, legs = tables.system, sections.legs
    nodes, precision = rule(effort.nodes, effort.precision), effort.precision
    heights = tables.heights.single if precision == "single" else tables.heights

    def at_nodes(values: Array) -> Array:
        return in_precision(values.take(panels.band), precision)

    assert legs is not None  # c is constant only where rho is
    po = system.outlet_pressure
    s_end = _first_guess(sections)
    variance, stretched, rho_frozen = np.empty_like(s_end), np.empty_like(s_end), np.empty_like(s_end)
    missed = np.empty((3, 0 if slopes is None else s_end.size))
    first_end, bands = None, None  # all of them at first, then those whose s at elution has not settled
    for _ in range(PASSES):
        clock_end = s_end.copy() if bands is None else s_end.take(bands)
        end = arrival(sections, clock_end, LOOSE, bands)
        rho_end = (po / end.pressure) ** 2
        s_full = _clock_at_elution(rho_end)
        panels = panels_of(sections, clock_end, effort.negligible, bands)
        node = nodes_of(panels, legs, heights, end, nodes, effort.curved)
        lack, lack_end = 1 - (po / node.pressure) ** 2, at_nodes(1 - rho_end)
        tilt = lack / lack_end
        flat, steep = 1 - tilt, 1.5 * lack_end
        least = (1 - lack_end) ** 1.5
        Y = in_precision(panels.clock, precision) + nodes.to_node @ node.density
        Y *= at_nodes(s_full / clock_end)
        for _ in range(PICARD_SWEEPS):
            P_end2 = np.maximum(1 - steep * Y, least) ** (2 / 3)  # at the outlet P*^2 is rho*
            P2 = flat + tilt * P_end2
            R = np.sqrt(P_end2 / P2)
            was, (Y, totals) = Y, panels.running(node.density * R, nodes)
            if not np.abs(Y - was).max(initial=0.0) > effort.steady:
                break
        # 2 dR/dY, and the factor by which it stretches the variance from each node to the outlet
        P = np.sqrt(P2)
        growth, total_growth = panels.running(node.density * (lack - lack_end) / (P_end2 * P2 * P), nodes)
        whole = panels.sums(total_growth)
        stretch = np.exp(at_nodes(whole) - growth)
        weight = node.density * (P_end2 / P) * stretch
        group = _flow_group(sections, panels, node.pressure)
        terms = node.places.plate_height_share(group, 1 / (node.pressure * P))
        # What was left out is taken to have broadened like the rest.
        rescaled = system.plate_height_factor * clock_end / (clock_end - panels.left_out)
        missing = s_full - panels.sums(totals) - panels.left_out  # R is one where next to nothing happens
        where = slice(None) if bands is None else bands
        variance[where] = panels.sums(nodes.weight @ (weight * terms)) * rescaled
        stretched[where], rho_frozen[where] = np.exp(whole), rho_end
        if slopes is not None:
            ds = nodes.weight[:, None] * node.density * R * np.sqrt(stretch)
            asked = _asked(sections, panels, slopes)
            missed[:, where] = _missed(tables, panels, node.places.temperature, ds, asked)
        s_end[where] += missing
        first_end = first_end or end
        unsettled = np.flatnonzero(np.abs(missing) > effort.settled)
        if not unsettled.size:
            break
        bands = unsettled if bands is None else bands[unsettled]
    end = arrival(sections, s_end, FINE, near=first_end)
    # From Y to s at the outlet: R there, which is one when the last change of s at elution was nothing.
    to_s = (po / end.pressure) ** 2 / rho_frozen
    if slopes is not None:
        missed *= np.sqrt(to_s)
    return end, variance * to_s, stretched * to_s, missed


def _asked(sections: Sections, panels: Panels, slopes: Mask) -> NDArray[np.intp]:
    """Numbers of the panels of the programs asked for."""
    return np.flatnonzero(slopes.take(panels.which % sections.programs))


def _missed(tables: MigrationTables, panels: Panels, T: Array, ds: Array, asked: NDArray[np.intp]) -> Array:
    """The integral of eq. [6] by T0, ln theta and dCp, (3, F), from its weights at the nodes (G, E); 0 if not asked."""
    own = tables.retention[panels.compound.take(asked)]
    T, ds = (values.take(asked, axis=1).astype(np.float64) for values in (T, ds))
    k = np.exp(np.minimum(ln_retention_factor_of_each(own, T), 700.0))
    slowed = (ds * k / (1 + k) * ln_retention_factor_slopes(own, T)).sum(axis=1)
    band = panels.band.take(asked)
    return np.stack([np.bincount(band, each, panels.bands) for each in slowed])


def _flow_group(sections: Sections, panels: Panels, pressure: Array) -> Array:
    """u p eta [m Pa2] of panels (E,) at inlet pressures that broadcast to (G, E)."""
    group = flow_group(sections.system, pressure)
    if sections.velocity_factors is None:
        return group
    factors = sections.velocity_factors.take(panels.which % sections.programs)
    result: Array = group * factors.astype(group.dtype)
    return result


def _first_guess(sections: Sections) -> Array:
    """s at elution (N M,) from eq. [4] with everything straight within sections."""
    bands = sections.clock.shape[1]
    rho = (sections.system.outlet_pressure / sections.pressure) ** 2
    # Where s passes S(rho), as if the band had travelled at its last rho.
    lead = sections.clock - np.repeat(_clock_at_elution(rho), sections.compounds, axis=1)
    section = (lead[1:] <= 0).sum(axis=0)
    following = np.minimum(section + 1, lead.shape[0] - 1)
    before = lead.ravel().take(section * bands + np.arange(bands))
    after = lead.ravel().take(following * bands + np.arange(bands))
    share = np.where(following > section, -before / (after - before), 0.0)
    program = np.arange(bands) // sections.compounds
    rho_before = rho.ravel().take(section * sections.programs + program)
    rho_after = rho.ravel().take(following * sections.programs + program)
    rho_end = rho_before + share * (rho_after - rho_before)
    s_full = _clock_at_elution(rho_end)
    # One step of Picard's for R, by the trapezoidal rule; single precision is plenty for a guess.
    s = np.minimum(sections.clock, s_full).astype(np.float32)
    steep = (1.5 * (1 - rho_end)).astype(np.float32)
    P_end2 = np.maximum(1 - steep * s, (rho_end**1.5).astype(np.float32)) ** np.float32(2 / 3)
    P2 = 1 - np.repeat((1 - rho).astype("single"), sections.compounds, axis=1) * (
        (1 - P_end2) / (steep / 1.5)
    )
    R = np.sqrt(P_end2 / P2)
    R[s >= s_full.astype(np.float32)] = 1.0
    last = s_full - s[-1]
    Y_end = ((s[1:] - s[:-1]) * (R[1:] + R[:-1])).sum(axis=0) / 2 + last * (R[-1] + 1) / 2
    result: Array = 2 * s_full - Y_end
    return result


def _injected(tables: MigrationTables, sections: Sections) -> Array:
    """(ds/dt)^2 at the start [1/s2], (N M,): what makes the injected band's variance in time one in s."""
    _, rate = tables.antiderivatives.phi(
        np.repeat(sections.values[2, : sections.programs], sections.compounds),
        np.tile(np.arange(sections.compounds), sections.programs),
    )
    result: Array = (np.repeat(sections.values[6, : sections.programs], sections.compounds) * rate) ** 2
    return result
