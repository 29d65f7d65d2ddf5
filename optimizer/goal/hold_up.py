"""The hold-up time of a program: when a compound that is not retained leaves the column."""

from __future__ import annotations

from models.column.programs import Program, batch_of
from models.column.retention import UNRETAINED
from models.column.system import ColumnSystem
from models.peaks.migration import migrate, migration_tables


def hold_up_time_of(system: ColumnSystem, program: Program) -> float:
    """Hold-up time [s] under a program, oven and carrier as they run; nan when nothing leaves in reasonable time."""
    tables = migration_tables(system, UNRETAINED, program.carrier.controlled)
    return float(migrate(tables, batch_of([program]), "polish").retention_time[0, 0])
