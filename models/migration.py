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

close to one, solved by Picard iteration on Gauss nodes in s; elution is Y = S(rho*).

Band width: the variance of the band in Y grows as

    d(var)/ds = (H/L) P*^2/P + 2 var dR/dY,    dR/dY = R (rho* - rho) / (2 P*^3 P^2),     [5]

and at elution the standard deviation of the peak in time is sqrt(var)/V. With rho constant this is the familiar
quadrature of H p over the hold-up time passed.

[1] is Poiseuille's law in quasi-steady flow, see `carrier_flow`; [2] to [5] are derived in docs/theory.md and
held by tests against the equations marched in time.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.carrier_gas import DIFFUSION_TEMPERATURE_EXPONENT, viscosity
from models.interpolation import AntiderivativeTable, antiderivative_table
from models.plate_height import (
    film_diffusion,
    film_plate_height,
    gas_plate_height,
    typical_diffusion_constant,
)
from models.programs import Array, Controlled, ProgramBatch
from models.retention import Retention
from models.sections import Bands, Index, Place, Sections, sections_of
from models.system import ColumnSystem, clock_weight, velocity_scale

Accuracy = Literal["screen", "polish"]

# Gauss nodes on each section of the program; share of s at elution below which a section is not looked at; passes
# allowed to settle s at elution, and the relative change below which it is taken for settled.
RULES: dict[Accuracy, tuple[int, float, int, float]] = {
    "screen": (3, 1e-3, 3, 2e-2),
    "polish": (6, 1e-5, 6, 2e-3),
}
LONGEST_RETENTION = 100 * 3600.0  # s; anything later is reported as not eluted
ELEMENTS = 40_000  # programs x nodes x compounds worked on at a time, so that work arrays stay in the cache
PICARD_SWEEPS = 6  # at most; they end when Y changes by less than PICARD_SETTLED
PICARD_SETTLED = 1e-5
LOOSE = 1e-3  # relative tolerance in s where only temperature and pressure are wanted
FINE = 1e-8  # the same for retention times
EXACT = 1e-12  # the same where the separable form is exact


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
    """

    system: ColumnSystem
    retention: Retention
    controlled: Controlled
    diffusion: Array
    antiderivatives: AntiderivativeTable


@dataclass(frozen=True)
class Migration:
    """Peaks of M compounds under N programs: (N, M) arrays, nan where not eluted.

    Attributes
    ----------
    retention_time : [s]
    width : [s], standard deviation of the peak in time
    elution_temperature : [K]
    retention_factor : [-], at elution
    eluted : bool
    """

    retention_time: Array
    width: Array
    elution_temperature: Array
    retention_factor: Array
    eluted: NDArray[np.bool_]


@dataclass(frozen=True)
class _Rule:
    """Gauss-Legendre on [0, 1] with the integrals of its Lagrange basis, and what `RULES` asks for beside it.

    Attributes
    ----------
    node, weight : (G,) arrays
    to_node : (G, G) array, integrals from 0 to each node
    negligible, settled : float
    passes : int
    """

    node: Array
    weight: Array
    to_node: Array
    negligible: float
    passes: int
    settled: float


@cache
def _rule(count: int, negligible: float, passes: int, settled: float) -> _Rule:
    x, w = np.polynomial.legendre.leggauss(count)
    values = np.polynomial.legendre.legvander(x, count - 1)
    antiderivatives = np.stack(
        [
            np.polynomial.legendre.legval(x, np.polynomial.legendre.legint(row, lbnd=-1)) / 2
            for row in np.eye(count)
        ],
        axis=1,
    )
    return _Rule((x + 1) / 2, w / 2, antiderivatives @ np.linalg.inv(values), negligible, passes, settled)


def migration_tables(
    system: ColumnSystem,
    retention: Retention,
    controlled: Controlled,
    lowest: float = 223.15,
    highest: float = 673.15,
    step: float = 0.45,
    diffusion: Array | None = None,
) -> MigrationTables:
    """Tables for M compounds, valid for programs between two temperatures.

    Parameters
    ----------
    retention : Retention of M compounds
    controlled : the carrier variable that the programs set
    lowest, highest : float  [K]
    step : float  [K], spacing; the relative error of a time goes as its fourth power, about 1e-9 at 0.45 K
    diffusion : (M,) array  [m2 Pa/(s K^1.75)], D p/T^1.75 of the compounds; estimated from T0 when None
    """
    if diffusion is None:
        diffusion = typical_diffusion_constant(system.gas, retention.T0)

    def weight(T: Array) -> Array:
        return clock_weight(controlled, T, viscosity(system.gas, T))

    table = antiderivative_table(retention, weight, lowest, highest, step)
    return MigrationTables(system, retention, controlled, diffusion, table)


def migrate(tables: MigrationTables, batch: ProgramBatch, accuracy: Accuracy = "polish") -> Migration:
    """Retention times and widths of M compounds under N programs; eqs. [1] to [5].

    Parameters
    ----------
    tables : MigrationTables, for the carrier variable that the batch controls
    batch : ProgramBatch of N programs
    accuracy : "screen" or "polish": widths within 1 % or 0.1 % (times are the same)

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
    rule = _rule(*RULES[accuracy])
    rows = max(1, ELEMENTS // (2 * rule.node.size * len(tables.retention)))
    parts = [_migrate(tables, batch[at : at + rows], rule) for at in range(0, batch.size, rows)]
    if len(parts) == 1:
        return parts[0]
    return Migration(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Migration)))


def _migrate(tables: MigrationTables, batch: ProgramBatch, rule: _Rule) -> Migration:
    system = tables.system
    # Bands that never leave make infinities, and sections that are not theirs make nonsense; both are masked.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore", under="ignore"):
        sections = sections_of(tables.antiderivatives, system, tables.retention, batch)
        end, variance = _march(tables, sections, rule)
        speed = velocity_scale(system, end.pressure) / (end.viscosity * end.one_plus_k)
        width = np.sqrt(variance) / speed
        eluted = (end.time <= LONGEST_RETENTION) & np.isfinite(width)
        shape = (batch.size, len(tables.retention))

        def table(values: Array) -> Array:
            return np.where(eluted, values, np.nan).reshape(shape)

        return Migration(
            table(end.time),
            table(width),
            table(end.temperature),
            table(end.one_plus_k - 1.0),
            eluted.reshape(shape),
        )


def _clock_at_elution(rho: Array) -> Array:
    """S(rho), eq. [3], with 1 - rho^(3/2) = (1-q)(1+q+q^2), q = rho^(1/2), so that q -> 1 is exact."""
    q = np.sqrt(rho)
    result: Array = (2 / 3) * (1 + q + q * q) / (1 + q)
    return result


@dataclass(frozen=True)
class _Panels:
    """The sections in which bands spend their s, E of them, ordered by band.

    Attributes
    ----------
    bands : Bands, (E, 1)
    band : (E,) array, number of the band among N M
    section : (E, 1) array
    stop : (E, 1) array, the share of the section after which the band is out of the column, at most 1
    clock, gain : (E, 1) arrays, s at the start and over the section
    first : (E,) array, number of the band's first panel
    """

    bands: Bands
    band: Index
    section: Index
    stop: Array
    clock: Array
    gain: Array
    first: Index


def _panels(sections: Sections, s_end: Array, end: Place, negligible: float) -> _Panels:
    """Panels of all bands, given s at elution (N, M) and the places there (N M, 1)."""
    programs, count, compounds = sections.clock.shape
    edges = np.empty((programs, compounds, count + 1))
    np.minimum(sections.clock.transpose(0, 2, 1), s_end[:, :, None], out=edges[:, :, :-1])
    edges[:, :, -1] = s_end
    gain = edges[:, :, 1:] - edges[:, :, :-1]
    at = np.flatnonzero(gain > negligible * s_end[:, :, None])
    band, section = at // count, at % count
    return _Panels(
        Bands((band // compounds)[:, None], (band % compounds)[:, None]),
        band,
        section[:, None],
        np.where(end.section[band, 0] == section, end.share[band, 0], 1.0)[:, None],
        edges.ravel().take(at + band)[:, None],
        gain.ravel().take(at)[:, None],
        np.searchsorted(band, band),
    )


def _integrals(panels: _Panels, integrand: Array, rule: _Rule, bands: int) -> tuple[Array, Array]:
    """Integrals of (E, G) values from s = 0 to each node (E, G) and to the end of each band (bands, 1)."""
    totals = integrand @ rule.weight
    before = np.cumsum(totals) - totals
    inner = integrand @ rule.to_node.T
    to_end: Array = np.bincount(panels.band, totals, bands)[:, None]
    return inner + (before - before[panels.first])[:, None], to_end


def _march(tables: MigrationTables, sections: Sections, rule: _Rule) -> tuple[Place, Array]:
    """Places at elution (N M, 1) and variances in s there (N M, 1): eqs. [3] to [5]."""
    po = tables.system.outlet_pressure
    programs, _, compounds = sections.clock.shape
    row = np.arange(programs * compounds)[:, None]
    everyone = Bands(row // compounds, row % compounds)

    def elution(s_end: Array, tolerance: float) -> Place:
        section = sections.section_of(s_end.reshape(programs, compounds)).reshape(-1, 1)
        return sections.find(everyone, section, s_end, tolerance)

    def nodes_before(end: Place, s_end: Array) -> tuple[_Panels, Place, Array, Array]:
        """Panels, places of the nodes, weights ds/d(node) and s at the nodes; the last three (E, G)."""
        panels = _panels(sections, s_end.reshape(programs, compounds), end, rule.negligible)
        place = sections.at(panels.bands, panels.section, panels.stop * rule.node)
        # Scaled so that the quadrature gives the gain over the section, which is known exactly.
        density = place.clock_rate * (panels.gain / (place.clock_rate @ rule.weight)[:, None])
        return panels, place, density, panels.clock + density @ rule.to_node.T

    rho_start = np.broadcast_to((po / sections.pressure[0, :, :1]) ** 2, (programs, compounds))
    s_end = _clock_at_elution(rho_start.reshape(-1, 1))
    injected = _injected(tables, sections, everyone)
    if sections.frozen:
        end = elution(s_end, EXACT)
        panels, place, density, s = nodes_before(end, s_end)
        lack = 1 - rho_start.reshape(-1, 1)[panels.band]

        def P_squared(s: Array) -> Array:
            return np.cbrt(np.maximum(1 - 1.5 * lack * s, 0.0)) ** 2

        P2 = P_squared(s)
        # Towards a vacuum outlet P goes to zero like a cube root, which a few nodes cannot follow; they are
        # weighted to sum to the exact integral of P ds over the panel, (P^4 - P^4)/(2 (1-rho)).
        weight = density * np.sqrt(P2) * rule.weight
        exact = P_squared(panels.clock) ** 2 - P_squared(panels.clock + panels.gain) ** 2
        weight *= exact / (2 * lack * weight.sum(axis=1, keepdims=True))
        return end, _variance(tables, panels, place, weight, P2, row.size) + injected

    s_end = _clock_at_elution((po / elution(s_end, LOOSE).pressure) ** 2)
    for _ in range(rule.passes):
        end = elution(s_end, LOOSE)
        rho_end = (po / end.pressure) ** 2
        panels, place, density, s = nodes_before(end, s_end)
        lack, lack_end = 1 - (po / place.pressure) ** 2, 1 - rho_end[panels.band]
        s_full = _clock_at_elution(rho_end)
        Y = s * (s_full / s_end)[panels.band]
        for _ in range(PICARD_SWEEPS):
            P_end2 = np.cbrt(np.maximum(1 - 1.5 * lack_end * Y, 0.0)) ** 2
            P2 = 1 - lack * (1 - P_end2) / lack_end
            R = np.sqrt(P_end2 / P2)
            was, (Y, Y_end) = Y, _integrals(panels, density * R, rule, row.size)
            if not np.any(np.abs(Y - was) > PICARD_SETTLED):
                break
        left_out = s_end - np.bincount(panels.band, panels.gain[:, 0], row.size)[:, None]
        missing = s_full - Y_end - left_out  # R is one where next to nothing happens
        s_end = s_end + missing
        if not np.any(np.abs(missing) > rule.settled):
            break
    end = elution(s_end, FINE)
    stretch = _integrals(
        panels, density * R * (lack - lack_end) / (P_end2 * np.sqrt(P_end2) * P2), rule, row.size
    )  # of 2 dR/dY
    weight = density * (P_end2 / np.sqrt(P2)) * np.exp(stretch[1][panels.band] - stretch[0]) * rule.weight
    return end, _variance(tables, panels, place, weight, P2, row.size) + injected * np.exp(stretch[1])


def _variance(
    tables: MigrationTables, panels: _Panels, place: Place, weight: Array, P2: Array, bands: int
) -> Array:
    """Variance in s at elution (bands, 1): eq. [5] integrated, with the weights (E, G) of H/L at the nodes."""
    height = _plate_height_share(tables, panels.bands, place, np.sqrt(P2))
    result: Array = np.bincount(panels.band, (height * weight).sum(axis=1), bands)[:, None]
    return result


def _plate_height_share(tables: MigrationTables, bands: Bands, place: Place, P: Array) -> Array:
    """H/L at the places of bands; P is the local over the inlet pressure."""
    system = tables.system
    column = system.column
    T, k = place.temperature, place.one_plus_k - 1.0
    # u p, the same all along the column; u and D both go as 1/p
    up = velocity_scale(system, place.pressure) * place.pressure * (column.length / place.viscosity)
    ratio = tables.diffusion[bands.compound] * T**DIFFUSION_TEMPERATURE_EXPONENT / up
    height = gas_plate_height(k, ratio, column.radius) + film_plate_height(
        k, up / (place.pressure * P), column.film_thickness, film_diffusion(T)
    )
    result: Array = height * (system.plate_height_factor / column.length)
    return result


def _injected(tables: MigrationTables, sections: Sections, everyone: Bands) -> Array:
    """Variance in s of the injected band, (N M, 1): its variance in time times V^2 at the start."""
    width = tables.system.injection_width
    if width == 0.0:
        return np.zeros_like(everyone.program, dtype=float)
    zero = np.zeros_like(everyone.program)
    start = sections.at(everyone, zero, zero.astype(float))
    speed = velocity_scale(tables.system, start.pressure) / (start.viscosity * start.one_plus_k)
    result: Array = (width * speed) ** 2
    return result
