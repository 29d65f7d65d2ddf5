"""How much of the peroxides can be kept whole at best: by oven ramps alone, and with a pressure ramp.

    python scenarios/heat_sensitive/best_intact.py

Minimises not the time but the loss: the smallest intact fraction as large as possible, every other limit of the
scenario kept (resolution, latest elution, inlet, pneumatics, oven). Independent of the search of the package: Sobol
points over each family of programs, then descents from the best of them.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import qmc

from models.column.programs import Controlled, ProgramBatch
from models.peaks.thermal_exposure import intact_fraction
from models.units import celsius
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.requirements import decomposition_of
from optimizer.methods.workflow import fit_scenario
from optimizer.scenario.reading import load_scenario

Array = NDArray[np.float64]

HERE = Path(__file__).resolve().parent
PROGRAM = "pressure program"
FAMILIES: tuple[tuple[Controlled, bool, int], ...] = (
    *(("flow", False, ramps) for ramps in (1, 2, 3)),
    *(("pressure", False, ramps) for ramps in (1, 2, 3)),
    *(("pressure", True, ramps) for ramps in (0, 1, 2)),
)
LONGEST_HOLD = 900.0  # s
STEP = 1e-6  # of the unit cube, for derivatives
PENALTY = 30.0  # weight of what is broken against ln of what decomposes, to rank Sobol points


@dataclass(frozen=True)
class Family:
    """Programs with a number of oven ramps and a carrier that stays or is ramped once; low and high in SI."""

    controlled: Controlled
    carrier_ramp: bool
    oven_ramps: int
    low: Array
    high: Array
    logarithmic: NDArray[np.bool_]

    @property
    def name(self) -> str:
        carrier = PROGRAM if self.carrier_ramp else f"constant {self.controlled}"
        return f"{carrier}, {self.oven_ramps} oven ramp{'' if self.oven_ramps == 1 else 's'}"

    def batch(self, z: Array) -> ProgramBatch:
        """Programs from points (N, D) of the unit cube."""
        ratio = np.where(self.logarithmic, self.high / np.where(self.logarithmic, self.low, 1.0), 1.0)
        v = np.where(self.logarithmic, self.low * ratio**z, self.low + z * (self.high - self.low))
        N, R = len(z), self.oven_ramps
        times, T = np.zeros((N, 2 + 2 * R)), np.empty((N, 2 + 2 * R))
        T[:, :2], times[:, 1] = v[:, :1], v[:, 1]
        for i in range(R):
            rate, target, hold = (
                v[:, 2 + 3 * i],
                np.maximum(v[:, 3 + 3 * i], T[:, 2 * i + 1]),
                v[:, 4 + 3 * i],
            )
            times[:, 2 * i + 2] = times[:, 2 * i + 1] + (target - T[:, 2 * i + 1]) / rate
            times[:, 2 * i + 3] = times[:, 2 * i + 2] + (hold if i < R - 1 else 0.0)
            T[:, 2 * i + 2] = T[:, 2 * i + 3] = target
        if not self.carrier_ramp:
            return ProgramBatch(self.controlled, times, T, np.zeros((N, 1)), v[:, -1:])
        start, hold, rate, end = v[:, -4:].T
        clock = np.stack([np.zeros(N), hold, hold + np.abs(end - start) / rate], axis=1)
        return ProgramBatch(self.controlled, times, T, clock, np.stack([start, start, end], axis=1))


def family_of(problem: Problem, controlled: Controlled, carrier_ramp: bool, oven_ramps: int) -> Family:
    """A family within the limits of the scenario."""
    scenario, instrument = problem.scenario, problem.scenario.instrument
    fastest = max(rate for _, rate in instrument.heating_limits)
    T = (scenario.lowest_temperature, min(scenario.highest_temperature, 273.15 + 220), False)
    hold = (0.0, LONGEST_HOLD, False)
    variables: list[tuple[float, float, bool]] = [T, hold]
    for _ in range(oven_ramps):
        variables += [(0.5 / 60, fastest, True), T, hold]
    if controlled == "flow":
        variables += [(instrument.min_flow, instrument.largest_column_flow, True)]
    else:
        pressure = (scenario.ambient_pressure + 2e4, instrument.max_inlet_pressure, False)
        rate = (1e3 / 60, instrument.max_pressure_rate, True)
        variables += [pressure, hold, rate, pressure] if carrier_ramp else [pressure]
    low, high, logarithmic = (np.array(column) for column in zip(*variables, strict=True))
    return Family(controlled, carrier_ramp, oven_ramps, low, high, logarithmic)


def margins(problem: Problem, family: Family, z: Array) -> tuple[Array, Array]:
    """Margins of intact fractions (N, Q), -ln of decomposed over allowed, and of all else (N, K)."""
    assessment = problem.assess(family.batch(z), "polish")
    intact = np.array([name.startswith("intact fraction of") for name in problem.limit_names])
    others = np.concatenate([problem.resolution_margins(assessment), assessment.limits[:, ~intact]], axis=1)
    return assessment.limits[:, intact], np.clip(others, -5.0, 5.0)


def descend(problem: Problem, family: Family, start: Array) -> Array:
    """From a point of the unit cube to the largest smallest margin of the intact fractions nearby."""
    D = len(start)

    def together(x: Array) -> tuple[Array, Array]:
        """Constraints on (z, s): others >= 0 and intact >= s; and their derivatives."""
        z = x[:-1]
        steps = np.where(z > 0.5, -STEP, STEP)
        intact, others = margins(problem, family, np.vstack([z, z + np.diag(steps)]))
        values = np.concatenate([intact - x[-1], others], axis=1)
        slopes = np.zeros((values.shape[1], D + 1))
        slopes[:, :-1] = ((values[1:] - values[0]) / steps[:, None]).T
        slopes[: intact.shape[1], -1] = -1.0
        return values[0], slopes

    known: dict[bytes, tuple[Array, Array]] = {}

    def at(x: Array) -> tuple[Array, Array]:
        key = x.tobytes()
        if key not in known:
            known.clear()
            known[key] = together(x)
        return known[key]

    intact, _ = margins(problem, family, start[None])
    first = np.append(start, np.clip(intact.min(), -8.0, 4.0))
    along = np.append(np.zeros(D), -1.0)
    found = minimize(
        lambda x: -x[-1],
        first,
        jac=lambda x: along,
        bounds=[(0.0, 1.0)] * D + [(-8.0, 5.0)],
        constraints={"type": "ineq", "fun": lambda x: at(x)[0], "jac": lambda x: at(x)[1]},
        method="SLSQP",
        options={"maxiter": 80, "ftol": 1e-6},
    )
    result: Array = np.clip(found.x[:-1], 0.0, 1.0)
    return result


def with_one_ramp_more(family: Family, z: Array) -> Array:
    """A point of the family with one oven ramp less as a point of this one: a gentle rise after its last ramp."""
    at = 2 + 3 * (family.oven_ramps - 1)
    before, carrier = z[:at].copy(), z[at:]
    last = before[-2] if family.oven_ramps > 1 else before[0]
    if family.oven_ramps > 1:
        before[-1] = 0.05  # the hold after the ramp that was the last, which counted for nothing
    return np.concatenate([before, [0.1, min(last + 0.05, 1.0), 0.0], carrier])


def best_of(
    problem: Problem, family: Family, points: int, descents: int, seed: int, simpler: Array | None
) -> tuple[float, Array | None]:
    """Largest smallest intact margin that keeps all else, and where; -inf and None where nothing does.

    `simpler` is the best point of the family with one oven ramp less.
    """
    z = qmc.Sobol(family.low.size, seed=seed).random(points)
    intact, others = margins(problem, family, z)
    rank = np.minimum(intact.min(axis=1), 3.0) + PENALTY * np.minimum(others.min(axis=1), 0.0)
    starts = [z[i] for i in np.argsort(-rank)[:descents]]
    if simpler is not None:
        starts.insert(0, with_one_ramp_more(family, simpler))
    best, where = -np.inf, None
    rng = np.random.default_rng(seed)
    for n in range(len(starts) + 3 * descents):
        if n < len(starts):
            start = starts[n]
        elif where is None:
            break
        else:  # some of the best point's variables moved, a little or a lot
            moved = rng.normal(0.0, rng.choice([0.02, 0.1, 0.3]), where.size) * (rng.random(where.size) < 0.5)
            start = np.clip(where + moved, 0.0, 1.0)
        end = descend(problem, family, start)
        intact, others = margins(problem, family, end[None])
        if others.min() >= -1e-4 and intact.min() > best:
            best, where = float(intact.min()), end
    return best, where


def described(problem: Problem, family: Family, z: Array) -> str:
    """The program, what survives it, and which limits it touches."""
    batch = family.batch(z[None])
    assessment = problem.assess(batch, "polish")
    names = tuple(each.compound for each in problem.scenario.analytes if each.decomposition)
    at = np.array([problem.scenario.compounds.index(name) for name in names])
    whole = intact_fraction(batch, assessment.retention, at, decomposition_of(problem.scenario, names))[0]
    oven = "  ".join(
        f"{t / 60:.2f} min {celsius(float(T)):.1f} °C"
        for t, T in zip(batch.oven_times[0], batch.oven_temperatures[0], strict=True)
    )
    scale, unit = (6e7, "mL/min") if family.controlled == "flow" else (1e-3, "kPa abs.")
    carrier = "  ".join(
        f"{t / 60:.2f} min {value * scale:.4g} {unit}"
        for t, value in zip(batch.carrier_times[0], batch.carrier_values[0], strict=True)
    )
    names_of_pairs = [
        f"{problem.scenario.compounds[a]}/{problem.scenario.compounds[b]}" for a, b in problem.pairs.index
    ]
    labels = [*names_of_pairs, *problem.limit_names]
    values = [*problem.resolution_margins(assessment)[0], *assessment.limits[0]]
    touched = ", ".join(label for label, value in zip(labels, values, strict=True) if abs(value) < 2e-3)
    survivors = ", ".join(f"{name} {share:.4f}" for name, share in zip(names, whole, strict=True))
    last = assessment.retention[0].max() / 60
    return f"    {survivors}; last peak {last:.2f} min\n    oven {oven}\n    carrier {carrier}\n    touches {touched}"


def main(arguments: list[str] | None = None) -> None:
    """The best of each family."""
    parser = argparse.ArgumentParser(description="Largest intact fraction by family of programs.")
    parser.add_argument("--points", type=int, default=4096, help="Sobol points a family (default 4096)")
    parser.add_argument(
        "--descents",
        type=int,
        default=12,
        help="descents from the best of them, then thrice as many from near the best end (12)",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--latest", type=float, metavar="MIN", help="another latest elution, in minutes")
    parser.add_argument(
        "--resolution", type=float, metavar="RS", help="another resolution needed of every pair"
    )
    options = parser.parse_args(arguments)
    scenario = load_scenario(HERE)
    if options.latest is not None:
        scenario = replace(scenario, goal=replace(scenario.goal, latest_elution=options.latest * 60))
    if options.resolution is not None:
        scenario = replace(scenario, goal=replace(scenario.goal, min_resolution=options.resolution))
    problem = problem_of(scenario, fit_scenario(scenario))
    allowed = min(each.min_intact_fraction or 1.0 for each in scenario.analytes if each.decomposition)
    bests: dict[bool, float] = {}
    where: Array | None = None
    carrier_before: tuple[Controlled, bool] | None = None
    for controlled, carrier_ramp, oven_ramps in FAMILIES:
        family = family_of(problem, controlled, carrier_ramp, oven_ramps)
        simpler = where if carrier_before == (controlled, carrier_ramp) else None
        carrier_before = (controlled, carrier_ramp)
        margin, where = best_of(problem, family, options.points, options.descents, options.seed, simpler)
        share: Any = allowed ** np.exp(-margin)
        bests[carrier_ramp] = max(bests.get(carrier_ramp, 0.0), float(share))
        print(f"{family.name:38s}{'no program keeps the other limits' if where is None else f'{share:.4f}'}")
        if where is not None:
            print(described(problem, family, where), flush=True)
    print(
        f"smallest intact fraction at best: {bests[False]:.4f} by oven ramps, {bests[True]:.4f} with a pressure ramp"
    )


if __name__ == "__main__":
    main()
