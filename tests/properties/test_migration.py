"""What must hold for any column, compounds and program."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp
from models.column.retention import Retention, ln_retention_factor
from models.column.system import ColumnSystem, hold_up_time
from models.peaks.resolution import HALF_HEIGHT_WIDTH, pair_resolution, resolution
from tests.properties.strategies import (
    TIME,
    WIDTH,
    accuracy,
    carriers,
    compounds,
    constants,
    few,
    ovens,
    ramped_carriers,
    run,
    separable,
    systems,
)

any_carrier = st.one_of(carriers(), ramped_carriers())


def not_later(earlier: np.ndarray, later: np.ndarray, share: float) -> None:
    """`earlier` is nowhere above `later`, by more than the engine's error of the two; late or never counts as late."""
    both = np.isfinite(earlier) & np.isfinite(later)
    assert np.all(earlier[both] <= later[both] * (1 + 2 * share)), (earlier, later)
    assert not np.any(np.isnan(earlier) & np.isfinite(later)), (earlier, later)


@few
@given(systems(), compounds(), ovens(), any_carrier, st.floats(1.0, 2.0))
def test_a_longer_column_never_elutes_earlier(
    system: ColumnSystem, retention: Retention, oven: OvenProgram, carrier: CarrierProgram, share: float
) -> None:
    longer = replace(system, column=replace(system.column, length=share * system.column.length))
    program = Program(oven, carrier)
    short, long = run(system, retention, program), run(longer, retention, program)
    not_later(short.retention_time, long.retention_time, TIME)


@few
@given(
    systems(),
    compounds(),
    ovens(highest=540.0),
    st.one_of(constants("pressure"), constants("velocity")),
    st.data(),
)
def test_higher_temperature_never_elutes_later_where_retention_outweighs_viscosity(
    system: ColumnSystem,
    retention: Retention,
    oven: OvenProgram,
    carrier: CarrierProgram,
    data: st.DataObject,
) -> None:
    """A band's speed is L/(tM (1 + k)). Where tM (1 + k) falls with temperature all the way, hotter is never later.

    At constant pressure tM rises with viscosity, so a compound that is hardly retained does leave later from a hotter
    column; at constant velocity only k counts.
    """
    warmer = data.draw(st.floats(0.0, 20.0))
    hotter = OvenProgram(
        oven.start + warmer,
        oven.hold,
        tuple(replace(each, target=each.target + warmer) for each in oven.ramps),
    )
    T = np.linspace(oven.start, hotter.highest, 200)
    ln_time = np.log1p(np.exp(ln_retention_factor(retention, T)))
    if carrier.controlled == "pressure":
        tM = hold_up_time(system.column, system.gas, T, carrier.start, system.outlet_pressure)
        ln_time = ln_time + np.log(tM)[:, None]
    falls = (np.diff(ln_time, axis=0) <= 0).all(axis=0)
    assume(falls.any())
    cool, hot = (run(system, retention, Program(each, carrier)) for each in (oven, hotter))
    not_later(
        hot.retention_time[0, falls], cool.retention_time[0, falls], accuracy(system, Program(oven, carrier))
    )


@few
@given(systems(), compounds(), ovens(), any_carrier, st.floats(1.0, 1.5))
def test_more_pressure_flow_or_velocity_never_elutes_later(
    system: ColumnSystem, retention: Retention, oven: OvenProgram, carrier: CarrierProgram, share: float
) -> None:
    faster = replace(
        carrier,
        start=share * carrier.start,
        # the same corners in time
        ramps=tuple(
            replace(each, rate=share * each.rate, target=share * each.target) for each in carrier.ramps
        ),
    )
    slow, fast = (run(system, retention, Program(oven, each)) for each in (carrier, faster))
    not_later(fast.retention_time, slow.retention_time, TIME)


@few
@given(systems(), compounds(), ovens(), st.one_of(constants("pressure"), constants("velocity")), st.data())
def test_times_scaled_with_the_hold_up_time_keep_elution_temperatures(
    system: ColumnSystem,
    retention: Retention,
    oven: OvenProgram,
    carrier: CarrierProgram,
    data: st.DataObject,
) -> None:
    """At constant pressure, or velocity into a vacuum, two settings are in one ratio at all places and temperatures."""
    assume(separable(system, Program(oven, carrier)))
    other = data.draw(constants(carrier.controlled))
    if carrier.controlled == "velocity":
        share = carrier.start / other.start
    else:
        times = [
            hold_up_time(system.column, system.gas, np.array(400.0), each.start, system.outlet_pressure)
            for each in (carrier, other)
        ]
        share = float(times[1] / times[0])
    scaled = OvenProgram(
        oven.start,
        share * oven.hold,
        tuple(Ramp(each.rate / share, each.target, share * each.hold) for each in oven.ramps),
    )
    one, two = run(system, retention, Program(oven, carrier)), run(system, retention, Program(scaled, other))
    both = one.eluted & two.eluted
    assert np.allclose(two.retention_time[both], share * one.retention_time[both], rtol=2e-8, atol=0)
    assert np.allclose(two.elution_temperature[both], one.elution_temperature[both], rtol=0, atol=1e-4)


def alike(one: np.ndarray, two: np.ndarray, share: float) -> None:
    """Equal within the stated accuracy of each, or both nan."""
    assert np.allclose(one, two, rtol=2 * share, atol=0, equal_nan=True), np.nanmax(np.abs(one / two - 1))


@few
@given(systems(), compounds(), ovens(), any_carrier, st.floats(0.0, 1.0), st.floats(0.01, 2.0))
def test_a_hold_split_in_two_or_a_ramp_to_where_it_is_changes_nothing(
    system: ColumnSystem,
    retention: Retention,
    oven: OvenProgram,
    carrier: CarrierProgram,
    share: float,
    rate: float,
) -> None:
    start = OvenProgram(
        oven.start, share * oven.hold, (Ramp(rate, oven.start, (1 - share) * oven.hold), *oven.ramps)
    )
    ramps = [
        part
        for each in oven.ramps
        for part in (replace(each, hold=share * each.hold), Ramp(rate, each.target, (1 - share) * each.hold))
    ]
    ends = replace(oven, ramps=tuple(ramps))
    plain = run(system, retention, Program(oven, carrier))
    for split in (start, ends):
        other = run(system, retention, Program(split, carrier))
        alike(plain.retention_time, other.retention_time, accuracy(system, Program(oven, carrier)))
        alike(plain.width, other.width, WIDTH)


@few
@given(
    systems(),
    compounds(),
    st.lists(ovens(), min_size=2, max_size=5),
    st.sampled_from(("constant", "ramped")),
    st.data(),
)
def test_batch_order_and_size_change_nothing(
    system: ColumnSystem, retention: Retention, several: list[OvenProgram], kind: str, data: st.DataObject
) -> None:
    if kind == "constant":
        carrier = data.draw(constants("pressure"))
        programs = [Program(oven, carrier) for oven in several]
    else:
        first = data.draw(ramped_carriers())
        programs = [Program(several[0], first)]
        for oven in several[1:]:
            start = data.draw(constants(first.controlled))
            programs.append(Program(oven, replace(first, start=start.start)))
    order = data.draw(st.permutations(range(len(programs))))
    together = run(system, retention, *programs)
    shuffled = run(system, retention, *(programs[n] for n in order))
    for place, n in enumerate(order):
        alone = run(system, retention, programs[n])
        for other in (shuffled.retention_time[place], alone.retention_time[0]):
            alike(together.retention_time[n], other, accuracy(system, programs[n]))
        for other in (shuffled.width[place], alone.width[0]):
            alike(together.width[n], other, WIDTH)


@few
@given(
    systems(),
    compounds(),
    ovens(),
    st.one_of(constants("pressure"), constants("flow")),
    st.floats(0.0, 600.0),
)
def test_a_carrier_ramp_of_no_size_is_a_constant_carrier(
    system: ColumnSystem, retention: Retention, oven: OvenProgram, carrier: CarrierProgram, hold: float
) -> None:
    ramped = replace(carrier, hold=hold, ramps=(Ramp(1e-3 * carrier.start, carrier.start, 60.0),))
    one, two = (run(system, retention, Program(oven, each)) for each in (carrier, ramped))
    alike(one.retention_time, two.retention_time, TIME)
    alike(one.width, two.width, WIDTH)


@few
@given(systems(), compounds(), ovens(), any_carrier)
def test_what_elutes_has_a_time_and_a_positive_width_and_what_does_not_has_neither(
    system: ColumnSystem, retention: Retention, oven: OvenProgram, carrier: CarrierProgram
) -> None:
    found = run(system, retention, Program(oven, carrier))
    out = found.eluted
    assert np.all(found.retention_time[out] > 0)
    assert np.all(found.width[out] > 0)
    assert np.all(found.retention_factor[out] >= 0)
    for values in (found.retention_time, found.width):
        assert np.array_equal(np.isfinite(values), out)
    span = (oven.start, oven.highest)
    assert np.all(
        (found.elution_temperature[out] >= span[0] - 1e-6)
        & (found.elution_temperature[out] <= span[1] + 1e-6)
    )


times = st.floats(1.0, 1e4)
widths = st.floats(1e-3, 100.0)
tails = st.floats(0.55, 10.0)


@few
@given(times, times, widths, widths, tails, tails)
def test_resolution_is_the_same_whichever_peak_is_named_first(
    t1: float, t2: float, w1: float, w2: float, f1: float, f2: float
) -> None:
    one, two = (np.array(each) for each in ((t1, w1), (t2, w2)))
    assert resolution(one[0], two[0], one[1], two[1]) == -resolution(two[0], one[0], two[1], one[1])
    t, w = np.array([[t1, t2]]), np.array([[w1, w2]]) * HALF_HEIGHT_WIDTH
    there, back = (
        pair_resolution(t, w, np.array([pair], dtype=np.intp), np.array([f1, f2]))
        for pair in ((0, 1), (1, 0))
    )
    assert np.array_equal(np.abs(there), np.abs(back))
    assert np.isfinite(there).all()
