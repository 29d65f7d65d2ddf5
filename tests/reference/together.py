"""A second reference: many bands marched at once, each with its own steps; by thousands a hundred times as fast.

Shares no code with the packages, and with `integrator` only the Runge-Kutta coefficients; its equations are others. The
place is x, z = 1 - (1-x)^2 being the share of the length. With V = pi (1-rho) r^2/(16 eta L^2 (1+k)),
rho = (po/pi)^2 and P^2 = (p/pi)^2 = rho + (1-rho)(1-x)^2,

    dx/dt = V/(2 P (1-x)),   dw/dt = (H/L) P V + w (drho/dt) z/P^2,

w being P^2 times the variance of z. x runs away towards the outlet and t in a long hold, so both are marched in
sigma = x + a t, in which they are smooth up to the outlet, also a vacuum. There sqrt(w)/V is the peak's standard
deviation in time.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import DOP853

Array = NDArray[np.float64]

R = 8.314462618  # J/(mol K)
FLOW_T, FLOW_P = 298.15, 101325.0  # conditions of volumetric flow [K], [Pa]
ABSOLUTE = np.array([1e-2, 1e-2, 1e-10])[:, None]  # t [s], x, w below which the tolerance does not shrink
LANDED = (1e-9, 1e-12)  # how near to a corner [s] and to the outlet [x] a step must end
MOST_STEPS = 20_000


@dataclass(frozen=True)
class Bands:
    """n bands, each on its own column: (n,) arrays in SI.

    Column: length, radius of the tube and of what its film leaves free, film, outlet pressure, factors on velocity and
    plate height. Gas: viscosity a (T/298.15)^(b + c ln(T/298.15)). Compound: A, B, C of ln k = A + B/T + C ln T,
    D p/T^1.75, diffusion in the film at 100 °C and its activation energy; injected width.
    """

    length: Array
    radius: Array
    free_radius: Array
    film: Array
    outlet: Array
    flow_factor: Array
    plate_height_factor: Array
    viscosity: Array
    viscosity_exponent: Array
    viscosity_curvature: Array
    A: Array
    B: Array
    C: Array
    diffusion: Array
    film_diffusion: Array
    film_energy: Array
    injected: Array

    def __getitem__(self, rows: NDArray[Any]) -> Bands:
        return Bands(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True)
class Peaks:
    """Retention time, standard deviation [s] and temperature [K] at elution: (n,) arrays, nan where there is none."""

    time: Array
    width: Array
    temperature: Array


@dataclass(frozen=True)
class _Here:
    """What the gas and the bands do at a moment: V [1/s], rho, drho/dt [1/s], plate height A + B/P over L."""

    V: Array
    rho: Array
    rho_rate: Array
    gas_share: Array
    film_share: Array
    temperature: Array


def follow_together(bands: Bands, controlled: str, pieces: Array, rtol: float = 1e-10) -> Peaks:
    """Follow n bands to the outlet.

    Parameters
    ----------
    controlled : "pressure" [Pa absolute], "flow" [m3/s at 25 °C, 1 atm] or "velocity" [m/s, average]
    pieces : (6, S, n) array, the stretches of time along which temperature and set value are straight: start and stop
        [s], temperature [K] and its rate, set value and its rate. None of them is empty; a band that has fewer
        repeats its last
    """
    n = pieces.shape[2]
    peaks = Peaks(*(np.full(n, np.nan) for _ in fields(Peaks)))
    which, piece = np.arange(n), np.zeros(n, dtype=np.intp)
    now = pieces[:, 0].copy()
    start = _here(bands, controlled, now, now[0])
    one_plus_k = 1 + _k(bands, start.temperature)
    pace = start.V * one_plus_k
    state = np.stack([now[0], np.zeros(n), (bands.injected * start.V) ** 2])
    step = np.full(n, 1e-3)
    slopes = _slopes(bands, controlled, now, pace, state)
    for _ in range(MOST_STEPS):
        # No further than the corner or the outlet would be at today's slope; what overshoots is tried again.
        reach = (now[1] - state[0]) / np.maximum(slopes[0], 1e-300)
        outlet = np.where(state[1] > 0.5, (1 - state[1]) / np.maximum(slopes[1], 1e-300), np.inf)
        h = np.minimum(step, np.minimum(reach, outlet))
        new, new_slopes, error = _attempt(bands, controlled, now, pace, state, slopes, h, rtol)
        late, out = new[0] - now[1], new[1] - 1
        error = np.where(np.isnan(error), np.inf, np.maximum(error, 1e-12))
        bad = error > 1
        adapted = h * np.clip(0.9 * error**-0.125, 0.1, 6.0)
        over = ~bad & ((late > LANDED[0]) | (out > LANDED[1]))
        too_far = (np.stack([late, out]) / np.maximum(new_slopes[:2], 1e-300)).max(axis=0)
        accepted = ~bad & ~over
        step = np.where(
            bad,
            np.minimum(adapted, 0.9 * h),
            np.where(over, np.clip(h - too_far, 0.02 * h, h), np.maximum(adapted, step)),
        )
        state = np.where(accepted, new, state)
        slopes = np.where(accepted, new_slopes, slopes)

        eluted = accepted & (out >= -LANDED[1])
        corner = accepted & ~eluted & (late >= -LANDED[0])
        following = np.minimum(piece + 1, pieces.shape[1] - 1)
        last = corner & (pieces[1, following, which] <= now[1])
        if eluted.any():
            rows = np.flatnonzero(eluted)
            here = _here(bands[rows], controlled, now[:, rows], state[0, rows])
            peaks.time[which[rows]] = state[0, rows]
            peaks.width[which[rows]] = np.sqrt(state[2, rows]) / here.V
            peaks.temperature[which[rows]] = here.temperature
        moved = np.flatnonzero(corner & ~last)
        if moved.size:
            piece[moved] += 1
            now[:, moved] = pieces[:, piece[moved], which[moved]]
            state[0, moved] = now[0, moved]
            slopes[:, moved] = _slopes(bands[moved], controlled, now[:, moved], pace[moved], state[:, moved])
        on = ~(eluted | last)
        if not on.all():
            if not on.any():
                return peaks
            bands, which, piece, now, pace = bands[on], which[on], piece[on], now[:, on], pace[on]
            state, step, slopes = state[:, on], step[on], slopes[:, on]
    raise RuntimeError(f"{which.size} of {n} bands are still on the way after {MOST_STEPS} steps")


def _attempt(
    bands: Bands, controlled: str, now: Array, pace: Array, state: Array, slopes: Array, h: Array, rtol: float
) -> tuple[Array, Array, Array]:
    """One step of DOP853: the new state, its slopes, and the estimated error over the one allowed."""
    A, B, E3, E5 = DOP853.A, DOP853.B, DOP853.E3, DOP853.E5
    K = np.empty((len(B) + 1, *state.shape))
    K[0] = slopes
    flat = K.reshape(len(K), -1)
    for i in range(1, len(B)):
        stage = state + h * (A[i, :i] @ flat[:i]).reshape(state.shape)
        K[i] = _slopes(bands, controlled, now, pace, stage)
    new = state + h * (B @ flat[:-1]).reshape(state.shape)
    K[-1] = _slopes(bands, controlled, now, pace, new)
    scale = rtol * (ABSOLUTE + np.maximum(np.abs(state), np.abs(new)))
    fifth = np.square((E5 @ flat).reshape(state.shape) / scale).sum(axis=0)
    third = np.square((E3 @ flat).reshape(state.shape) / scale).sum(axis=0)
    whole = np.where(fifth + third > 0, fifth + 0.01 * third, 1.0)
    return new, K[-1], h * fifth / np.sqrt(whole * len(state))


def _slopes(bands: Bands, controlled: str, now: Array, pace: Array, state: Array) -> Array:
    """d(t, x, w)/dsigma, (3, n)."""
    t, x, w = state
    here = _here(bands, controlled, now, t)
    left = 1 - x
    P2 = here.rho + (1 - here.rho) * left * left
    P = np.where(here.rho == 0, left, np.sqrt(P2))  # beyond a vacuum outlet it goes on smoothly
    run = 2 * P * left  # dt/dx times V
    both = here.V + pace * run
    time = run / both
    spreading = (here.gas_share * P + here.film_share) * here.V
    drift = np.where(here.rho == 0, 0.0, w * here.rho_rate * x * (2 - x) / np.where(P2 > 0, P2, 1.0))
    return np.stack([time, here.V / both, (spreading + drift) * time])


def _k(bands: Bands, T: Array) -> Array:
    result: Array = np.exp(np.minimum(bands.A + bands.B / T + bands.C * np.log(T), 700.0))
    return result


def _here(bands: Bands, controlled: str, now: Array, t: Array) -> _Here:
    """Conditions at times t [s] within the pieces `now` (6, n); their ends hold for what oversteps them."""
    start, stop, T0, T_rate, value0, value_rate = now
    passed = np.clip(t - start, 0.0, stop - start)
    T, value = T0 + T_rate * passed, value0 + value_rate * passed
    log = np.log(T / 298.15)
    eta = bands.viscosity * np.exp(log * (bands.viscosity_exponent + bands.viscosity_curvature * log))
    eta_rate = eta * (bands.viscosity_exponent + 2 * bands.viscosity_curvature * log) / T * T_rate
    pi, pi_rate = _inlet(bands, controlled, T, T_rate, value, value_rate, eta, eta_rate)
    po = bands.outlet
    rho = (po / pi) ** 2
    k = _k(bands, T)
    # Poiseuille: u p eta is the same all along the column.
    up = bands.flow_factor * bands.radius**2 * (pi - po) * (pi + po) / (16 * eta * bands.length)
    D_over_u = bands.diffusion * T**1.75 / up
    film_D = bands.film_diffusion * np.exp(-bands.film_energy / R * (1 / T - 1 / 373.15))
    gas = 2 * D_over_u + (1 + 6 * k + 11 * k**2) / (24 * (1 + k) ** 2) * bands.free_radius**2 / D_over_u
    film = (2 / 3) * k / (1 + k) ** 2 * bands.film**2 * (up / pi) / film_D
    share = bands.plate_height_factor / bands.length
    return _Here(
        up / (pi * bands.length * (1 + k)), rho, -2 * rho * pi_rate / pi, share * gas, share * film, T
    )


def _inlet(
    bands: Bands,
    controlled: str,
    T: Array,
    T_rate: Array,
    value: Array,
    value_rate: Array,
    eta: Array,
    eta_rate: Array,
) -> tuple[Array, Array]:
    """Inlet pressure that the pneumatics set [Pa], and its rate [Pa/s]."""
    po = bands.outlet
    if controlled == "pressure":
        return value, value_rate
    if controlled == "flow":
        # value FLOW_P/FLOW_T = pi r^4 (pi^2-po^2)/(16 eta L T), laminar flow of an ideal gas
        factor = 16 * bands.length * FLOW_P / (np.pi * bands.radius**4 * FLOW_T)
        squares = factor * value * eta * T
        rate = factor * (value_rate * eta * T + value * (eta_rate * T + eta * T_rate))
        pi = np.sqrt(po**2 + squares)
        return pi, rate / (2 * pi)
    # value = L/tM, tM = (32/3) eta L^2 (pi^3-po^3)/(r^2 (pi^2-po^2)^2): with g = (32/3) eta L value/r^2
    # and both sides over pi - po, (pi-po)(pi+po)^2 = g (pi^2 + pi po + po^2), a cubic in pi.
    factor = (32 / 3) * bands.length / bands.radius**2
    g, g_rate = factor * eta * value, factor * (eta_rate * value + eta * value_rate)
    pi = po + g  # above the root, from where Newton's method goes down to it
    for _ in range(60):
        excess = (pi - po) * (pi + po) ** 2 - g * (pi * pi + pi * po + po * po)
        slope = (pi + po) * (3 * pi - po) - g * (2 * pi + po)
        change = excess / slope
        pi = pi - change
        if np.all(np.abs(change) < 1e-13 * pi):
            break
    slope = (pi + po) * (3 * pi - po) - g * (2 * pi + po)
    return pi, g_rate * (pi * pi + pi * po + po * po) / slope
