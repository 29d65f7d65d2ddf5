"""Puts the package's programs and compounds before the reference integrator."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from models.column.carrier_gas import viscosity
from models.column.plate_height import (
    FILM_DIFFUSION_100C,
    FILM_DIFFUSION_ENERGY,
    film_diffusion,
    typical_diffusion_constant,
)
from models.column.programs import NO_TIME, Program
from models.column.retention import Retention, coefficients, ln_retention_factor
from models.column.system import ColumnSystem, inlet_pressure
from tests.reference.integrator import Band, Peak, Stretch, Tube, follow
from tests.reference.together import Bands, Peaks, follow_together

ENDLESS = 4e5  # s


Line = tuple[float, float, float, float, float, float]


def lines_of(program: Program, lag: float) -> list[Line]:
    """Stretches along which temperature and set value are straight; the last is the hold after the program's end.

    Start and stop [s], temperature of the column [K] and its rate, set value and its rate. The column feels what the
    oven does, but its start, `lag` [s] late.
    """

    def line(times: list[float], values: list[float], start: float, middle: float) -> tuple[float, float]:
        """Value at `start` and slope of the straight piece that holds the time `middle`."""
        j = int(np.searchsorted(times, middle, side="right"))
        if j >= len(times):
            return values[-1], 0.0
        rate = (values[j] - values[j - 1]) / (times[j] - times[j - 1])
        return values[j - 1] + rate * (start - times[j - 1]), rate

    set_times, temperatures = program.oven.knots()
    oven = [0.0, *(time + lag for time in set_times[1:])], temperatures
    carrier = program.carrier.knots()
    corners = [0.0]
    for time in sorted({*oven[0], *carrier[0]}):
        if time > corners[-1] + NO_TIME:
            corners.append(time)
    return [
        (start, stop, *line(*oven, start, (start + stop) / 2), *line(*carrier, start, (start + stop) / 2))
        for start, stop in pairwise([*corners, ENDLESS])
    ]


def stretches_of(program: Program, system: ColumnSystem) -> list[Stretch]:
    """The smooth stretches of a program."""
    result = []
    for start, stop, T0, T_rate, value0, value_rate in lines_of(program, system.oven_lag):

        def temperature(t: float, t0: float = start, T0: float = T0, rate: float = T_rate) -> float:
            return T0 + rate * (t - t0)

        def pressure(
            t: float,
            t0: float = start,
            v0: float = value0,
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
            lambda T: float(film_diffusion(np.array(T))) * system.film_diffusion_factor,
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
        column.free_radius,
        column.film_thickness,
        system.outlet_pressure,
        system.flow_factor,
        system.plate_height_factor,
        column.radius**2 / 8,  # the factor on velocity is over the bare tube
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


def reference_peaks(
    runs: Sequence[tuple[ColumnSystem, Retention, Program]], rtol: float = 1e-10
) -> list[Peaks]:
    """The peaks of all compounds of each run, all marched together."""
    result: dict[int, Peaks] = {}
    for controlled in {program.carrier.controlled for _, _, program in runs}:
        numbers = [i for i, (_, _, program) in enumerate(runs) if program.carrier.controlled == controlled]
        lines = [lines_of(runs[i][2], runs[i][0].oven_lag) for i in numbers]
        most = max(map(len, lines))
        counts = [len(runs[i][1]) for i in numbers]
        pieces = np.array([line + line[-1:] * (most - len(line)) for line in lines])
        columns = [_columns(system, retention) for system, retention, _ in (runs[i] for i in numbers)]
        bands = Bands(*np.concatenate(columns, axis=1))
        peaks = follow_together(bands, controlled, np.repeat(pieces, counts, axis=0).transpose(2, 1, 0), rtol)
        edges = np.cumsum(counts)[:-1]
        parts = [np.split(values, edges) for values in (peaks.time, peaks.width, peaks.temperature)]
        result |= {i: Peaks(*part) for i, *part in zip(numbers, *parts, strict=True)}
    return [result[i] for i in range(len(runs))]


def _columns(system: ColumnSystem, retention: Retention) -> np.ndarray:
    """What `Bands` names, of M compounds on a column: (17, M)."""
    column, gas = system.column, system.gas
    A, B, C = coefficients(retention)
    return np.stack(
        np.broadcast_arrays(
            column.length,
            column.radius,
            column.free_radius,
            column.film_thickness,
            system.outlet_pressure,
            system.flow_factor,
            system.plate_height_factor,
            gas.viscosity_25C,
            gas.exponent,
            gas.curvature,
            A,
            B,
            C,
            typical_diffusion_constant(gas, retention.T0),
            FILM_DIFFUSION_100C,
            FILM_DIFFUSION_ENERGY,
            system.injection_width,
        )
    )
