"""The reference: migration and band broadening marched in time with an adaptive Runge-Kutta method.

Shares no code with the packages. Each band is followed in y, the share of the hold-up time that lies behind it,
with the variance of y beside it:

    dy/dt   = 1/(tM (1+k)) + a(y, pi) dpi/dt
    a       = 3 pi [pi (1-y) - p (p^2-po^2)/(pi^2-po^2)] / (pi^3-po^3),   p^3 = pi^3 - y (pi^3-po^3)
    dvar/dt = H p/(L pbar) / (tM (1+k)) + 2 var (da/dy) dpi/dt,   pbar = (2/3)(pi^3-po^3)/(pi^2-po^2)

and the peak's standard deviation in time is sqrt(var)/(dy/dt) at y = 1, dpi/dt included in neither when the
outlet is reached (a = 0 there). Slow (tens of milliseconds a compound) and meant to be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class Tube:
    """Length, radius, film [m]; outlet pressure [Pa]; factors on velocity and plate height.

    What is no open tube with a film states its permeability [m2], the factors of its plate height
    `eddy + along D/u + across u/D + resistance k/(1+k)^2 u` ([m], [-], [m2], [s]), or some of them.
    """

    length: float
    radius: float
    film: float
    outlet: float
    flow_factor: float = 1.0
    plate_height_factor: float = 1.0
    permeability: float | None = None
    eddy: float = 0.0
    along: float = 2.0
    across: float | None = None
    resistance: float | None = None


@dataclass(frozen=True)
class Band:
    """One compound: ln k(T), D p/T^1.75 [m2 Pa/(s K^1.75)], film diffusion(T) [m2/s], injected width [s]."""

    ln_k: Callable[[float], float]
    diffusion: float
    film_diffusion: Callable[[float], float]
    injected: float = 0.0


@dataclass(frozen=True)
class Stretch:
    """A stretch of the run along which temperature [K] and inlet pressure [Pa] are smooth functions of time [s]."""

    start: float
    stop: float
    temperature: Callable[[float], float]
    pressure: Callable[[float], float]


@dataclass(frozen=True)
class Peak:
    """Retention time and standard deviation of the peak [s], temperature at elution [K]."""

    time: float
    width: float
    temperature: float


def _slope(function: Callable[[float], float], t: float, h: float = 0.02) -> float:
    """Derivative by a five-point stencil; the functions of a stretch are smooth beyond its ends."""
    return (function(t - 2 * h) - 8 * function(t - h) + 8 * function(t + h) - function(t + 2 * h)) / (12 * h)


def follow(
    tube: Tube,
    viscosity: Callable[[float], float],
    band: Band,
    stretches: Sequence[Stretch],
    method: str = "DOP853",
    rtol: float = 1e-10,
    steady: bool = False,
) -> Peak | None:
    """Follow one band to the outlet; None when the stretches end before it is there.

    `steady` says that the inlet pressure is constant, which spares its derivative.
    """
    po = tube.outlet
    B = tube.radius**2 / 8 if tube.permeability is None else tube.permeability

    def rates(t: float, state: np.ndarray, stretch: Stretch) -> tuple[float, float, float]:
        y, var = min(state[0], 1.02), state[1]
        T, pi = stretch.temperature(t), stretch.pressure(t)
        eta = viscosity(T)
        squares, cubes = pi**2 - po**2, pi**3 - po**3
        hold_up = (4 / 3) * eta * tube.length**2 * cubes / (B * squares**2) / tube.flow_factor
        one_plus_k = 1 + np.exp(min(band.ln_k(T), 600.0))
        k = one_plus_k - 1
        p = max(pi**3 - y * cubes, 1e-12 * pi**3) ** (1 / 3)
        mean_p = (2 / 3) * cubes / squares
        up = tube.flow_factor * B * squares / (2 * eta * tube.length)
        D_over_u = band.diffusion * T**1.75 / up
        H = tube.eddy + tube.along * D_over_u
        if tube.across is None:
            H += (1 + 6 * k + 11 * k**2) / (24 * one_plus_k**2) * tube.radius**2 / D_over_u
        else:
            H += tube.across / D_over_u
        slow = tube.resistance
        if slow is None:
            slow = (2 / 3) * tube.film**2 / band.film_diffusion(T)
        H += slow * k / one_plus_k**2 * up / p
        steady_rate = 1 / (hold_up * one_plus_k)
        dy = steady_rate
        dvar = tube.plate_height_factor * H * p / (tube.length * mean_p) * steady_rate
        if not steady and po > 0:
            drift = _slope(stretch.pressure, t)
            dy += drift * 3 * pi * (pi * (1 - y) - p * (p**2 - po**2) / squares) / cubes
            a_y = 3 * pi * (-pi + (3 * p**2 - po**2) / squares * cubes / (3 * p**2)) / cubes
            dvar += 2 * var * drift * a_y
        return dy, dvar, steady_rate

    first = stretches[0]
    state = np.array([0.0, (band.injected * rates(first.start, np.zeros(2), first)[2]) ** 2])

    def reached(t: float, state: np.ndarray, stretch: Stretch) -> float:
        return float(state[0] - 1.0)

    reached.terminal = True  # type: ignore[attr-defined]
    for stretch in stretches:
        if stretch.stop <= stretch.start:
            continue
        solution = solve_ivp(
            lambda t, s, stretch: rates(t, s, stretch)[:2],
            (stretch.start, stretch.stop),
            state,
            method=method,
            rtol=rtol,
            atol=[1e-14, 1e-20],
            events=reached,
            args=(stretch,),
        )
        if not solution.success:
            raise RuntimeError(solution.message)
        if solution.t_events[0].size:
            time, end = float(solution.t_events[0][0]), solution.y_events[0][0]
            speed = rates(time, end, stretch)[2]
            return Peak(time, float(np.sqrt(end[1]) / speed), float(stretch.temperature(time)))
        state = solution.y[:, -1]
    return None
