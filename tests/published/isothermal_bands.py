"""Bands at one temperature and one retention factor, run through the engine: what plate-height tables speak of."""

from __future__ import annotations

import numpy as np

from models.column.carrier_gas import CarrierGas
from models.column.programs import Array, CarrierProgram, OvenProgram, Program, batch_of
from models.column.retention import Retention
from models.column.system import Column, ColumnSystem
from models.peaks.migration import migrate, migration_tables

NO_FILM = 1e-12  # m, a film in which nothing takes time to diffuse


def retention_of(k: float, T: float) -> Retention:
    """A compound with retention factor k at T [K], whatever its course elsewhere.

    Without dCp, ln k = (T0/theta)(T0/T - 1), a quadratic in T0 for any theta; 40 K will do for k above 0.1.
    """
    theta = 40.0
    T0 = T / 2 * (1 + np.sqrt(1 + 4 * theta * np.log(k) / T))
    return Retention(np.array([T0]), np.array([theta]), np.array([0.0]))


def plate_height(
    column: Column,
    gas: CarrierGas,
    diffusion_constant: float,
    k: float,
    T: float,
    inlet_pressures: Array,
    outlet_pressure: float,
) -> tuple[Array, Array]:
    """Apparent plate height L (sigma/tR)^2 [m] and average velocity [m/s] by the engine, at each inlet pressure."""
    system = ColumnSystem(column, gas, outlet_pressure)
    tables = migration_tables(
        system,
        retention_of(k, T),
        "pressure",
        diffusion=np.array([diffusion_constant]),
    )
    programs = [Program(OvenProgram(T), CarrierProgram("pressure", float(p))) for p in inlet_pressures]
    run = migrate(tables, batch_of(programs))
    tR, sigma = run.retention_time[:, 0], run.width[:, 0]
    return column.length * (sigma / tR) ** 2, column.length * (1 + k) / tR
