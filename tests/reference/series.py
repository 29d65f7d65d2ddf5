"""The reference for pieces in series: a band's place and its variance in length marched in time, piece by piece.

Shares no code with the packages, and counts metres where they count shares of the fall of p^2: in a piece whose ends
have the pressures pa and pb, p(z)^2 = pa^2 - (pa^2 - pb^2) z/L, u = B (pa^2 - pb^2)/(2 eta L p), and

    dz/dt = v = u/(1+k),     dvar/dt = H v + 2 var dv/dz

At a joint the time stays and lengths go as v. The molar flow through all pieces is one: p^2 falls by eta T L/(A B).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from tests.reference.integrator import Band, Peak, Stretch


@dataclass(frozen=True)
class Section:
    """Length, radius, film [m] of an open tube, and its temperature [K] if not the oven's; bare it retains nothing."""

    length: float
    radius: float
    film: float
    heated: float | None = None

    @property
    def resistance(self) -> float:
        """L/(A B), but for a constant."""
        return self.length / self.radius**4


def follow_series(
    sections: Sequence[Section],
    outlet: float,
    viscosity: Callable[[float], float],
    band: Band,
    stretches: Sequence[Stretch],
    flow_factor: float = 1.0,
    plate_height_factor: float = 1.0,
) -> Peak:
    """Follow one band through all sections; rtol 1e-10."""

    def edges(T: float) -> np.ndarray:
        """Shares of the fall of p^2 at the joints while the oven is at T: what flows is as eta T L/(A B) everywhere."""
        heat = [T if each.heated is None else each.heated for each in sections]
        falls = [each.resistance * viscosity(t) * t for each, t in zip(sections, heat, strict=True)]
        shares: np.ndarray = np.cumsum([0.0, *falls]) / sum(falls)
        return shares

    def rates(
        t: float, state: np.ndarray, stretch: Stretch, section: Section, number: int
    ) -> tuple[float, float, float]:
        z, var = state
        T, pi = stretch.temperature(t), stretch.pressure(t)
        start, stop = edges(T)[number : number + 2]
        T = T if section.heated is None else section.heated
        eta = viscosity(T)
        fall = pi**2 - outlet**2
        pa2, pb2 = pi**2 - fall * start, pi**2 - fall * stop
        L, r = section.length, section.radius
        p2 = max(pa2 - (pa2 - pb2) * z / L, 1e-10 * pi**2)
        p = np.sqrt(p2)
        up = flow_factor * r**2 * (pa2 - pb2) / (16 * eta * L)
        k = np.exp(min(band.ln_k(T), 600.0)) if section.film else 0.0
        v = up / p / (1 + k)
        D_over_u = band.diffusion * T**1.75 / up
        H = 2 * D_over_u + (1 + 6 * k + 11 * k**2) / (24 * (1 + k) ** 2) * r**2 / D_over_u
        H += (2 / 3) * k / (1 + k) ** 2 * section.film**2 * (up / p) / band.film_diffusion(T)
        dv_dz = v * (pa2 - pb2) / (2 * L * p2)
        return v, plate_height_factor * H * v + 2 * var * dv_dz, v

    time, in_time, temperature = 0.0, band.injected**2, np.nan
    for number, section in enumerate(sections):
        where = section, number
        state: np.ndarray | None = None

        def reached(t: float, state: np.ndarray, *_: object, section: Section = section) -> float:
            return float(state[0] - section.length)

        reached.terminal = True  # type: ignore[attr-defined]
        for stretch in stretches:
            if stretch.stop <= time:
                continue
            start = max(time, stretch.start)
            if state is None:
                v = rates(start, np.zeros(2), stretch, *where)[2]
                state = np.array([0.0, in_time * v**2])
            solution = solve_ivp(
                lambda t, s, stretch=stretch, where=where: rates(t, s, stretch, *where)[:2],
                (start, stretch.stop),
                state,
                method="DOP853",
                rtol=1e-10,
                atol=[1e-10, 1e-16],
                events=reached,
            )
            if solution.t_events[0].size:
                time, end = float(solution.t_events[0][0]), solution.y_events[0][0]
                in_time = float(end[1]) / rates(time, end, stretch, *where)[2] ** 2
                if section.film:
                    temperature = stretch.temperature(time)
                break
            state = solution.y[:, -1]
    return Peak(time, float(np.sqrt(in_time)), float(temperature))
