"""Random columns, compounds and programs within what people have."""

from __future__ import annotations

import os

import numpy as np
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st

from models.column.carrier_gas import CARRIER_GASES
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import Retention, typical_theta
from models.column.system import Column, ColumnSystem
from models.peaks.migration import Migration, migrate, migration_tables
from models.units import flow_si

AMBIENT = 101325.0
TIME, SEPARABLE, WIDTH = 1e-4, 1e-8, 1e-3  # relative accuracies that `migrate` states for "polish"

# The same examples at every run: a test that fails now and then helps nobody. With PROPERTY_EXAMPLES the given number
# of others is tried, see DEVELOPERS.md.
_ASKED = os.environ.get("PROPERTY_EXAMPLES")
_EXAMPLES = int(_ASKED or 60)


def examples(share: float = 1.0, shrink: bool = True) -> settings:
    """How many examples a property is held against: a share of the usual number, for those that take long."""
    return settings(
        max_examples=max(1, round(share * _EXAMPLES)),
        deadline=None,
        derandomize=_ASKED is None,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate, *([Phase.shrink] if shrink else [])],
    )


few = examples()


@st.composite
def systems(draw: st.DrawFn) -> ColumnSystem:
    """A column with its gas: 5 to 60 m, bores from narrow to megabore, at the room's pressure or a vacuum."""
    bore = draw(st.sampled_from((0.1e-3, 0.18e-3, 0.25e-3, 0.32e-3, 0.53e-3)))
    film = bore / (4 * draw(st.floats(60.0, 400.0)))
    gas = CARRIER_GASES[draw(st.sampled_from(("helium", "hydrogen", "nitrogen", "argon")))]
    outlet = draw(st.sampled_from((AMBIENT, 0.0)))
    return ColumnSystem(
        Column(draw(st.floats(5.0, 60.0)), bore, film), gas, outlet, draw(st.floats(0.9, 1.1))
    )


@st.composite
def compounds(draw: st.DrawFn, most: int = 6) -> Retention:
    """One to six compounds, retained less the hotter it is; theta within 15 % of what is typical."""
    T0 = np.array(sorted(draw(st.lists(st.floats(330.0, 520.0), min_size=1, max_size=most))))
    share = np.array(draw(st.lists(st.floats(0.85, 1.15), min_size=len(T0), max_size=len(T0))))
    dCp = np.array(draw(st.lists(st.floats(0.0, 120.0), min_size=len(T0), max_size=len(T0))))
    return Retention(T0, typical_theta(T0) * share, dCp)


@st.composite
def ovens(draw: st.DrawFn, lowest: float = 310.0, highest: float = 560.0, most: int = 3) -> OvenProgram:
    """Up to three ramps, mostly up, with and without holds."""
    start = draw(st.floats(lowest, highest - 60.0))
    hold = draw(st.sampled_from((0.0, 30.0, 300.0)) | st.floats(0.0, 1200.0))
    ramps, at = [], start
    for _ in range(draw(st.integers(0, most))):
        target = draw(st.floats(at, highest))
        ramps.append(Ramp(draw(st.floats(0.5 / 60, 1.5)), target, draw(st.floats(0.0, 900.0))))
        at = target
    return OvenProgram(start, hold, tuple(ramps))


def constants(controlled: Controlled) -> st.SearchStrategy[CarrierProgram]:
    """Constant carriers that flow through any of the columns."""
    values = {
        "pressure": st.floats(AMBIENT + 20e3, AMBIENT + 400e3),
        "flow": st.floats(flow_si(0.4), flow_si(5.0)),
        "velocity": st.floats(0.1, 0.8),
    }
    return values[controlled].map(lambda value: CarrierProgram(controlled, value))


def carriers() -> st.SearchStrategy[CarrierProgram]:
    """Constant pressure, flow or velocity."""
    return st.one_of(constants("pressure"), constants("flow"), constants("velocity"))


@st.composite
def ramped_carriers(draw: st.DrawFn) -> CarrierProgram:
    """A pressure or flow program, up or down."""
    constant = draw(st.one_of(constants("pressure"), constants("flow")))
    target = draw(constants(constant.controlled)).start
    seconds = draw(st.floats(10.0, 1200.0))
    rate = max(abs(target - constant.start) / seconds, 1e-3 * constant.start / 60)
    return CarrierProgram(
        constant.controlled,
        constant.start,
        draw(st.floats(0.0, 300.0)),
        (Ramp(rate, target, draw(st.floats(0.0, 60.0))),),
    )


def run(system: ColumnSystem, retention: Retention, *programs: Program) -> Migration:
    """What the engine gives for programs of one kind of carrier."""
    return migrate(
        migration_tables(system, retention, programs[0].carrier.controlled),
        batch_of(programs),
        "polish",
    )


def separable(system: ColumnSystem, program: Program) -> bool:
    """Whether a band's place and the temperature act on its speed as factors of their own."""
    carrier = program.carrier
    return not carrier.ramps and (carrier.controlled == "pressure" or system.outlet_pressure == 0)


def accuracy(system: ColumnSystem, program: Program) -> float:
    """Stated relative accuracy of a retention time; see `models.peaks.migration.migrate`."""
    return SEPARABLE if separable(system, program) else TIME
