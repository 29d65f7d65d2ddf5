"""Joined columns: the engine, piece by piece, against pieces marched in metres (own, in tests/reference/series)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.column.carrier_gas import CARRIER_GASES, viscosity
from models.column.pieces import Bare
from models.column.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp, batch_of
from models.column.retention import with_typical_values
from models.column.system import Column, ColumnSystem
from models.fit.fit import Run
from models.fit.fitting import fit_retention
from models.peaks.migration import OWN_DIRECTIONS, Migration, migrate, migration_tables
from models.peaks.resolution import HALF_HEIGHT_WIDTH
from models.peaks.sensitivity import off_set_points
from models.units import flow_si, kelvin
from tests.reference.adapter import bands_of, stretches_of
from tests.reference.series import Section, follow_series

RETENTION = with_typical_values(np.array([350.0, 400.0, 460.0]))
AMBIENT = 101325.0
LOW = 300.0  # Pa: next to a vacuum, in which metres marched become endless
MAIN = Column(30.0, 0.25e-3, 0.25e-6)
HOT = kelvin(280.0)
JOINED = {
    "guard": replace(MAIN, before=(Bare(5.0, 0.25e-3),)),
    "gap": replace(MAIN, before=(Bare(2.0, 0.53e-3),)),
    "gap and guard": replace(MAIN, before=(Bare(2.0, 0.53e-3), Bare(1.0, 0.25e-3))),
    "restrictor": replace(MAIN, after=(Bare(1.0, 0.15e-3),)),
    "both": replace(MAIN, before=(Bare(5.0, 0.25e-3),), after=(Bare(1.0, 0.15e-3),)),
    "hot line": replace(MAIN, after=(Bare(1.0, 0.15e-3, HOT),)),
    "guard, restrictor, two of a line": replace(
        MAIN,
        before=(Bare(5.0, 0.25e-3),),
        after=(Bare(0.5, 0.18e-3), Bare(0.3, 0.25e-3, HOT), Bare(0.2, 0.15e-3, kelvin(200.0))),
    ),
}
# Held until the band is in the column, and heated at once.
OVENS = {
    "held": OvenProgram(kelvin(50.0), 60.0, (Ramp(10 / 60, kelvin(300.0), 600.0),)),
    "heated at once": OvenProgram(kelvin(50.0), 0.0, (Ramp(20 / 60, kelvin(300.0), 600.0),)),
}
CARRIERS: dict[str, CarrierProgram] = {
    "pressure": CarrierProgram("pressure", 2.0e5),
    "flow": CarrierProgram("flow", flow_si(1.2)),
    "pressure ramp": CarrierProgram("pressure", 1.8e5, 30.0, (Ramp(1500.0, 2.8e5),)),
}


def system_of(column: Column, outlet: float = AMBIENT) -> ColumnSystem:
    return ColumnSystem(
        column,
        CARRIER_GASES["helium"],
        outlet,
        flow_factor=1.02,
        plate_height_factor=1.1,
        injection_width=0.5,
        oven_lag=3.0,
    )


def sections_of(column: Column) -> list[Section]:
    before, after = (
        [Section(each.length, each.inner_diameter / 2, 0.0, each.temperature) for each in pieces]
        for pieces in (column.before, column.after)
    )
    return [*before, Section(column.length, column.radius, column.film_thickness), *after]


@pytest.mark.parametrize("oven", OVENS)
@pytest.mark.parametrize("carrier", CARRIERS)
@pytest.mark.parametrize("outlet", [AMBIENT, LOW])
@pytest.mark.parametrize("joined", JOINED)
def test_times_and_widths_are_those_of_every_piece_marched(
    joined: str, outlet: float, carrier: str, oven: str
) -> None:
    column = JOINED[joined]
    system, program = system_of(column, outlet), Program(OVENS[oven], CARRIERS[carrier])
    found = migrate(migration_tables(system, RETENTION, program.carrier.controlled), batch_of([program]))
    sections = sections_of(column)
    for m, band in enumerate(bands_of(RETENTION, system)):
        true = follow_series(
            sections,
            outlet,
            lambda T: float(viscosity(system.gas, T)),
            band,
            stretches_of(program, system),
            system.flow_factor,
            system.plate_height_factor,
        )
        assert found.retention_time[0, m] == pytest.approx(true.time, rel=2e-5)
        assert found.width[0, m] == pytest.approx(true.width, rel=2e-3)
        assert found.elution_temperature[0, m] == pytest.approx(true.temperature, abs=0.01)


@pytest.mark.parametrize(("carrier", "values"), [("pressure", (2.0e5, 2.4e5)), ("flow", (1.2, 1.5))])
@pytest.mark.parametrize("outlet", [AMBIENT, LOW])
@pytest.mark.parametrize(("length", "bore", "off"), [(0.3, 0.25e-3, 0.1), (1.0, 0.15e-3, 0.5)])
def test_a_ramp_not_fitted_is_predicted_where_the_line_is_as_hot_as_stated(
    length: float, bore: float, off: float, outlet: float, carrier: Controlled, values: tuple[float, float]
) -> None:
    """Two ramps, marched with a line at 280 °C, are fitted: by how much another ramp, from another start at another
    pressure or flow, is then off [s]. As if the line lay in the oven it is off by more. An own computation."""
    column = replace(MAIN, after=(Bare(length, bore, HOT),))
    true = ColumnSystem(column, CARRIER_GASES["helium"], outlet, oven_lag=5.0)

    def program(rate: float, start: float, value: float) -> Program:
        oven = OvenProgram(kelvin(start), 60.0, (Ramp(rate / 60, kelvin(300.0), 600.0),))
        set_value = float(flow_si(value)) if carrier == "flow" else value
        return Program(oven, CarrierProgram(carrier, set_value))

    def marched(program: Program) -> Run:
        """As measured: times and half-height widths."""
        peaks = [
            follow_series(
                sections_of(column),
                outlet,
                lambda T: float(viscosity(true.gas, T)),
                band,
                stretches_of(program, true),
            )
            for band in bands_of(RETENTION, true)
        ]
        times, widths = np.array([(peak.time, peak.width * HALF_HEIGHT_WIDTH) for peak in peaks]).T
        return Run("", program, times, widths)

    runs = [marched(program(rate, 50.0, values[0])) for rate in (5.0, 20.0)]
    other = marched(program(15.0, 80.0, values[1]))
    worst = []
    for after in (column.after, (Bare(length, bore),)):
        fit = fit_retention(replace(true, column=replace(MAIN, after=after)), runs)
        tables = migration_tables(fit.system, fit.retention, carrier, fit.diffusion)
        found = migrate(tables, batch_of([other.program])).retention_time[0]
        worst.append(float(np.abs(found - other.retention).max()))
    assert worst[0] < 0.005
    assert worst[1] > off


@pytest.mark.parametrize("carrier", CARRIERS)
@pytest.mark.parametrize("oven", OVENS)
@pytest.mark.parametrize(
    ("joined", "outlet"),
    [("both", AMBIENT), ("guard, restrictor, two of a line", AMBIENT), ("hot line", 0.0)],
)
def test_slopes_are_differences(joined: str, outlet: float, carrier: str, oven: str) -> None:
    """Of time and width, by set points, by what compounds are, and by flow, all pieces joined."""
    system, program = system_of(JOINED[joined], outlet), Program(OVENS[oven], CARRIERS[carrier])
    batch, controlled = batch_of([program]), program.carrier.controlled
    diffusion = migration_tables(system, RETENTION, controlled).diffusion
    given = off_set_points(batch, 0.0)

    def run(sign: float, which: int, step: float) -> Migration:
        """With the direction `which` of the set points, or beyond them a property, changed."""
        here, retention, D, programs = system, RETENTION, diffusion, batch
        if which < 3:
            programs = replace(
                batch,
                oven_times=batch.oven_times + sign * step * given.oven_times[:, which],
                oven_temperatures=batch.oven_temperatures + sign * step * given.oven_temperatures[:, which],
                carrier_values=batch.carrier_values + sign * step * given.carrier_values[:, which],
            )
        name = OWN_DIRECTIONS[which - 3] if which >= 3 else ""
        if name == "T0":
            retention = replace(RETENTION, T0=RETENTION.T0 + sign * step)
        elif name == "ln theta":
            retention = replace(RETENTION, theta=RETENTION.theta * np.exp(sign * step))
        elif name == "dCp":
            retention = replace(RETENTION, dCp=RETENTION.dCp + sign * step)
        elif name == "ln flow factor":
            here = replace(system, flow_factor=system.flow_factor * float(np.exp(sign * step)))
        elif name == "ln diffusion":
            D = diffusion * np.exp(sign * step)
        elif name == "ln film diffusion":
            here = replace(system, film_diffusion_factor=float(np.exp(sign * step)))
        # Every panel counts, as in slopes.
        return migrate(migration_tables(here, retention, controlled, D), programs, directions=given)

    found = run(0.0, 0, 0.0).slopes
    assert found is not None
    steps = (0.05, 1e-4, 0.05, 0.02, 5e-4, 0.2, 5e-4, 5e-4, 5e-4)
    for which, step in enumerate(steps):
        up, down = (run(sign, which, step) for sign in (1.0, -1.0))
        times = (up.retention_time - down.retention_time)[0] / (2 * step)
        widths = (up.width - down.width)[0] / (2 * step)
        np.testing.assert_allclose(found.retention_time[0, which], times, rtol=2e-3, atol=2e-3)
        np.testing.assert_allclose(found.width[0, which], widths, rtol=5e-3, atol=2e-3)


def test_a_program_by_itself_or_in_company_gives_the_same() -> None:
    tables = migration_tables(system_of(JOINED["guard, restrictor, two of a line"]), RETENTION, "flow")
    programs = [
        Program(oven, CarrierProgram("flow", flow_si(F))) for oven in OVENS.values() for F in (0.8, 1.6)
    ]
    together = migrate(tables, batch_of(programs), "screen")
    for n, program in enumerate(programs):
        alone = migrate(tables, batch_of([program]), "screen")
        np.testing.assert_array_equal(together.retention_time[n], alone.retention_time[0])
        np.testing.assert_array_equal(together.width[n], alone.width[0])
