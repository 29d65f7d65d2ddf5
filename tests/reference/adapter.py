"""Puts the package's programs and compounds before the reference integrator."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from models.carrier_gas import viscosity
from models.plate_height import film_diffusion, typical_diffusion_constant
from models.programs import CarrierProgram, Controlled, OvenProgram, Program, Ramp
from models.retention import Retention, ln_retention_factor
from models.system import ColumnSystem, inlet_pressure
from models.units import flow_si
from tests.reference.integrator import Band, Peak, Stretch, Tube, follow

ENDLESS = 4e5  # s
HIGHEST = 623.0  # K, of random programs


def stretches_of(program: Program, system: ColumnSystem) -> list[Stretch]:
    """The smooth stretches of a program, the hold after its end being the last."""

    def line(times: list[float], values: list[float], at: float) -> tuple[float, float, float]:
        """Time, value and slope of the straight piece that holds the time `at`."""
        j = int(np.searchsorted(times, at, side="right"))
        if j >= len(times):
            return times[-1], values[-1], 0.0
        return times[j - 1], values[j - 1], (values[j] - values[j - 1]) / (times[j] - times[j - 1])

    oven, carrier = program.oven.knots(), program.carrier.knots()
    corners = sorted({*oven[0], *carrier[0], ENDLESS})
    result = []
    for start, stop in pairwise(corners):
        middle = (start + stop) / 2
        t_oven, T_at, T_rate = line(*oven, middle)
        t_carrier, value_at, value_rate = line(*carrier, middle)

        def temperature(t: float, t0: float = t_oven, T0: float = T_at, rate: float = T_rate) -> float:
            return T0 + rate * (t - t0)

        def pressure(
            t: float,
            t0: float = t_carrier,
            v0: float = value_at,
            rate: float = value_rate,
            temperature: Callable[[float], float] = temperature,
        ) -> float:
            value = v0 + rate * (t - t0)
            controlled = program.carrier.controlled
            return float(inlet_pressure(system, controlled, np.array(value), np.array(temperature(t))))

        result.append(Stretch(start, stop, temperature, pressure))
    return result


def bands_of(retention: Retention, system: ColumnSystem) -> list[Band]:
    """One band for each compound."""
    diffusion = typical_diffusion_constant(system.gas, retention.T0)

    def band(m: int) -> Band:
        one = retention[np.array([m])]
        return Band(
            lambda T: float(ln_retention_factor(one, np.array(T))[0]),
            float(diffusion[m]),
            lambda T: float(film_diffusion(np.array(T))),
            system.injection_width,
        )

    return [band(m) for m in range(len(retention))]


def reference_peak(
    system: ColumnSystem,
    retention: Retention,
    m: int,
    program: Program,
    method: str = "DOP853",
    rtol: float = 1e-10,
) -> Peak | None:
    """Compound m under a program, marched in time."""
    column = system.column
    tube = Tube(
        column.length,
        column.radius,
        column.film_thickness,
        system.outlet_pressure,
        system.flow_factor,
        system.plate_height_factor,
    )
    steady = program.carrier.controlled == "pressure" and not program.carrier.ramps
    return follow(
        tube,
        lambda T: float(viscosity(system.gas, T)),
        bands_of(retention[np.array([m])], system)[0],
        stretches_of(program, system),
        method,
        rtol,
        steady,
    )


def random_program(
    rng: np.random.Generator, controlled: Controlled, outlet: float, carrier_ramps: bool, steep: bool
) -> Program:
    """A program with none to three ramps, holds (some of them zero) and ramps of zero length."""
    T = float(rng.uniform(308, 420))
    ramps: list[Ramp] = []
    for _ in range(rng.integers(0, 4)):
        target = T if rng.random() < 0.1 else float(rng.uniform(T, HIGHEST))
        rate = float(rng.uniform(60, 125) if steep and rng.random() < 0.5 else rng.uniform(1, 60)) / 60
        hold = 0.0 if rng.random() < 0.4 else float(rng.uniform(0, 600))
        ramps.append(Ramp(rate, target, hold))
        T = target
    start_T = float(rng.uniform(308, min(ramp.target for ramp in ramps))) if ramps else T
    oven = OvenProgram(start_T, 0.0 if rng.random() < 0.3 else float(rng.uniform(0, 600)), tuple(ramps))

    low, high = {
        "pressure": (outlet + 30e3, outlet + 350e3),
        "flow": (float(flow_si(0.6)), float(flow_si(4.0))),
        "velocity": (0.15, 0.8),
    }[controlled]
    # Up to 100 kPa/min, 2 mL/min per min, 20 cm/s per min: as fast as pneumatics are driven in practice.
    fastest = {"pressure": 100e3, "flow": float(flow_si(2.0)), "velocity": 0.2}[controlled] / 60
    start = float(rng.uniform(low, high))
    carrier: list[Ramp] = []
    if carrier_ramps:
        for _ in range(rng.integers(1, 3)):
            rate = fastest * float(rng.uniform(0.3, 1) if steep else rng.uniform(0.02, 0.3))
            carrier.append(Ramp(rate, float(rng.uniform(low, high)), float(rng.uniform(0, 300))))
    return Program(oven, CarrierProgram(controlled, start, float(rng.uniform(0, 300)), tuple(carrier)))
