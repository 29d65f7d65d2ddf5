"""The bleed's lag against parcels of gas marched through the column, an independent computation."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import pytest

from models.column.carrier_gas import carrier_gas, viscosity
from models.column.pieces import Bare
from models.column.programs import CarrierProgram, OvenProgram, Program, Ramp, batch_of
from models.column.system import Column, ColumnSystem, inlet_pressure_for_flow
from models.peaks.bleed import Bleed, baseline
from models.units import GAS_CONSTANT, flow_si, kelvin

HELIUM = carrier_gas("helium")
OUTLET = 101325.0
START, RATE, FLOW, INLET = kelvin(100.0), 15 / 60, flow_si(1.2), 2.4e5
BLEED = Bleed(1.0, kelvin(300.0), 176e3)
# length and bore [m], whether it bleeds, temperature [K] if not the oven's
Piece = tuple[float, float, bool, float | None]
PLAIN: tuple[Piece, ...] = ((30.0, 0.25e-3, True, None),)
JOINED: tuple[Piece, ...] = (
    (5.0, 0.25e-3, False, None),
    (20.0, 0.25e-3, True, None),
    (1.0, 0.15e-3, False, None),
)
HOT_LINE: tuple[Piece, ...] = (*JOINED[:2], (1.0, 0.15e-3, False, kelvin(280.0)))


def ramp(t: float) -> float:
    return START + RATE * max(t, 0.0)


def level_at_rest(T: float, bleed: Bleed = BLEED) -> float:
    return float(np.exp(-bleed.activation_energy / GAS_CONSTANT * (1 / T - 1 / bleed.temperature)))


def marched(
    pieces: tuple[Piece, ...],
    kind: Literal["pressure", "flow"],
    t: float,
    temperature: Callable[[float], float] = ramp,
    bleed: Bleed = BLEED,
    flow: float = FLOW,
    steps: int = 4000,
) -> float:
    """The signal at t: one parcel followed backwards from the outlet, what it meets on the way per share of length.

    Everything has the conditions of its own moment, so that flows that change by the ramp are counted.
    """
    shapes = [L / ((d / 2) ** 2 / 8 * np.pi * (d / 2) ** 2) for L, d, *_ in pieces]  # L/(B A)
    bleeding = sum(L for L, _, own, _ in pieces if own)

    def resistances(T: float) -> np.ndarray:
        heat = [T if own is None else own for *_, own in pieces]
        return np.array([r * float(viscosity(HELIUM, t)) * t for r, t in zip(shapes, heat, strict=True)])

    def squares(T: float) -> float:
        if kind == "pressure":
            return INLET**2 - OUTLET**2
        return 2 * float(sum(resistances(T))) * 101325.0 / 298.15 * flow

    def molar(T: float) -> float:
        return squares(T) / float(sum(resistances(T)))

    signal, then = 0.0, t
    for number, (L, d, own, heat) in reversed(list(enumerate(pieces))):
        count = steps if own else steps // 10
        for n in reversed(range(count)):
            T = temperature(then)
            ends = np.cumsum([0.0, *resistances(T)]) / sum(resistances(T))
            start, stop = ends[number], ends[number + 1]
            y = start + (stop - start) * (n + 0.5) / count
            p = np.sqrt(OUTLET**2 + squares(T) * (1 - y))
            B, eta = (d / 2) ** 2 / 8, float(viscosity(HELIUM, T if heat is None else heat))
            u = B * (stop - start) * squares(T) / (2 * eta * L * p)
            then -= L / count / u
            if own:
                rate = level_at_rest(temperature(then), bleed)
                signal += rate * L / count / bleeding * molar(temperature(t)) / molar(T)
    return signal


@pytest.mark.parametrize(
    ("pieces", "kind", "relative"),
    [
        (PLAIN, "flow", 0.003),
        (PLAIN, "pressure", 0.025),
        (JOINED, "flow", 0.003),
        (JOINED, "pressure", 0.025),
        (HOT_LINE, "flow", 0.003),
        (HOT_LINE, "pressure", 0.025),
    ],
)
def test_the_lag_is_that_of_marched_parcels(
    pieces: tuple[Piece, ...], kind: Literal["pressure", "flow"], relative: float
) -> None:
    before = tuple(Bare(L, d) for L, d, *_ in pieces[: len(pieces) // 2])
    after = tuple(Bare(L, d, heat) for L, d, _, heat in pieces[len(pieces) // 2 + 1 :])
    length, bore, *_ = pieces[len(pieces) // 2]
    system = ColumnSystem(Column(length, bore, 0.25e-6, before=before, after=after), HELIUM, OUTLET)
    program = Program(
        OvenProgram(START, 0.0, (Ramp(RATE, kelvin(320.0), 600.0),)),
        CarrierProgram(kind, INLET if kind == "pressure" else FLOW),
    )
    times = np.array([[600.0, 780.0, 860.0]])
    levels = baseline(system, batch_of([program]), times, BLEED)[0]
    at_rest = [level_at_rest(START + RATE * t) for t in times[0]]
    assert (levels < 0.75 * np.array(at_rest)).all()  # the lag is no small matter here
    expected = [marched(pieces, kind, float(t)) for t in times[0]]
    np.testing.assert_allclose(levels, expected, rtol=relative)
    held = baseline(system, batch_of([program]), np.array([[880.0 + 400.0]]), BLEED)[0, 0]
    assert held == pytest.approx(level_at_rest(kelvin(320.0)), rel=1e-9)


def test_concentration_falls_as_the_flow_rises() -> None:
    """Twice the gas past the detector, half the concentration; at rest, so that no lag is in it."""
    system = ColumnSystem(Column(30.0, 0.25e-3, 0.25e-6), HELIUM, OUTLET)
    make_up = flow_si(2.0)
    levels = []
    for flow in (1.0, 4.0):
        program = Program(OvenProgram(kelvin(300.0), 600.0), CarrierProgram("flow", flow_si(flow)))
        inlet = inlet_pressure_for_flow(system.column, HELIUM, kelvin(300.0), flow_si(flow), OUTLET)
        assert inlet > OUTLET
        levels.append(baseline(system, batch_of([program]), np.array([[500.0]]), BLEED, make_up)[0, 0])
    assert levels[0] / levels[1] == pytest.approx(2.0, rel=1e-9)
    assert levels[0] == pytest.approx(1 / flow_si(3.0), rel=1e-9)
