"""Over basins: screening, then Optuna proposes where to descend.

A batch of quasi-random programs of each family is screened; the best member of each elution-order class is a
start. An Optuna trial is one descent: its parameters are a family and a start, its value the polished optimum.
Starts come in turn from the classes, from perturbations of the best so far, and from Optuna's own sampler, and
families that cannot pay are left after a few trials.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import optuna
from scipy.stats import qmc

from models.programs import Array
from optimizer.descent import HOPELESS, descend
from optimizer.found import FEASIBLE, Found, Hunt, rank
from optimizer.goal import Problem
from optimizer.program_space import Family

SCREENED = 2048  # programs of each family
STARTS = 24  # elution-order classes of a family that are worth a descent
LEADING = 1.02  # run time over the best one up to which a descent is refined
WORTH = 1.25  # run time over the best one beyond which a family is no longer explored
INFEASIBLE = 1e6  # value of a trial without a feasible program, plus how far off it is
PERTURBATION = (0.02, 0.06, 0.15)  # of a restart, on the unit cube

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class _Starts:
    """Starting points of one family, most promising first."""

    points: Array  # (K, D)


def _screen(problem: Problem, family: Family, rng: np.random.Generator, count: int) -> _Starts:
    """The best member of each elution-order class among quasi-random programs."""
    sobol = qmc.Sobol(family.size, seed=rng)
    z = family.ordered(sobol.random(count))
    parts = [z[at : at + 512] for at in range(0, count, 512)]
    times, margins, orders = [], [], []
    for part in parts:
        assessment = problem.assess(family.batch(family.values(part)), "screen")
        times.append(assessment.run_time)
        margin = problem.resolution_margins(assessment)
        lack = np.minimum(margin, 0.0).sum(axis=1) + 3 * np.minimum(assessment.limits, 0.0).sum(axis=1)
        margins.append(lack)
        orders.append(np.argsort(assessment.retention, axis=1).astype(np.int16))
    merit = np.log(np.concatenate(times)) - 2.0 * np.concatenate(margins)
    by_merit = np.argsort(merit)
    seen: set[bytes] = set()
    chosen = []
    order = np.concatenate(orders)
    for n in by_merit:
        key = order[n].tobytes()
        if key not in seen:
            seen.add(key)
            chosen.append(n)
        if len(chosen) == STARTS:
            break
    return _Starts(z[chosen])


def hunt(
    problem: Problem,
    families: list[Family],
    seconds: float,
    seed: int,
    progress: Progress | None = None,
    storage: str | None = None,
) -> Hunt:
    """Search for the shortest program of each family within a time budget [s].

    A Ctrl-C ends the search with what was found so far. With a seed and the same number of trials the same
    programs are found; a time budget decides how many trials there are.
    """
    optuna.logging.set_verbosity(logging.WARNING)
    state = Hunt({number: [] for number in range(len(families))})
    began = time.perf_counter()
    root = np.random.SeedSequence(seed)
    seeds = root.spawn(len(families) + 1)
    rng = np.random.default_rng(seeds[-1])
    sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=10)
    study = optuna.create_study(direction="minimize", sampler=sampler, storage=storage)

    def spent() -> float:
        return time.perf_counter() - began

    try:
        starts: list[list[Array]] = []
        for number, family in enumerate(families):
            screened = _screen(problem, family, np.random.default_rng(seeds[number]), SCREENED)
            state.programs += SCREENED
            starts.append(list(screened.points))
            if progress:
                progress(min(spent() / seconds, 0.99), f"screening {family.name}")
        tries = [0] * len(families)
        turn = 0
        while spent() < seconds:
            number = _next_family(state, families, tries)
            family = families[number]
            kind, z = _next_start(state, families, number, starts, tries[number], turn, rng)
            trial = _asked(study, number, family, z if kind != "sampler" else None)
            z = np.array([trial.params[_key(number, i)] for i in range(family.size)])
            best = min((each[0].descent.run_time for each in state.best.values() if each and each[0].feasible), default=np.inf)
            found = _descend(problem, family, z, best)
            state.programs += found.descent.evaluations
            state.best[number].append(found)
            state.best[number].sort(key=rank)
            del state.best[number][12:]
            value = found.descent.run_time if found.feasible else INFEASIBLE - 1e4 * found.descent.margin
            study.tell(trial, value)
            tries[number] += 1
            turn += 1
            if progress:
                best = state.all()[0]
                text = f"{best.descent.run_time / 60:.2f} min" if best.feasible else "nothing feasible yet"
                progress(min(spent() / seconds, 1.0), f"best so far: {text}")
    except KeyboardInterrupt:
        state.interrupted = True
    state.seconds = spent()
    return state


def _descend(problem: Problem, family: Family, z: Array, best: float) -> Found:
    """A descent; once more with the new elution order if that changed under way; refined if it leads."""
    descent = descend(problem, family, z)
    if HOPELESS > descent.margin or descent.margin >= FEASIBLE:
        again = None
    else:
        again = descend(problem, family, descent.z)
    if again is not None:
        better = again if again.margin > descent.margin else descent
        descent = replace(better, evaluations=descent.evaluations + again.evaluations)
    if descent.margin >= -1e-4 and descent.run_time < LEADING * best:
        refined = descend(problem, family, descent.z, 40, 1e-8)
        if refined.margin >= FEASIBLE:
            descent = replace(refined, evaluations=descent.evaluations + refined.evaluations)
    return Found(family, descent)


def _key(number: int, i: int) -> str:
    return f"family {number} variable {i}"


def _asked(study: optuna.Study, number: int, family: Family, z: Array | None) -> optuna.Trial:
    """A trial of a family, at a given start or where the sampler wants it."""
    space: dict[str, optuna.distributions.BaseDistribution] = {
        _key(number, i): optuna.distributions.FloatDistribution(0.0, 1.0) for i in range(family.size)
    }
    if z is not None:
        study.enqueue_trial({_key(number, i): float(value) for i, value in enumerate(z)})
    return study.ask(space)


def _next_family(state: Hunt, families: list[Family], tries: list[int]) -> int:
    """Each family gets a few tries; then those near the best go on, the least tried first."""
    untried = [n for n in range(len(families)) if tries[n] < 3]
    if untried:
        return min(untried, key=lambda n: (tries[n], n))
    leaders = state.all()
    best = leaders[0]
    worth = []
    for n in range(len(families)):
        if not state.best[n]:
            continue
        own = state.best[n][0]
        near = own.feasible and best.feasible and own.descent.run_time <= WORTH * best.descent.run_time
        if near or not best.feasible:
            worth.append(n)
    worth = worth or list(range(len(families)))

    # More variables hold more basins: a family's share of the tries grows with its size.
    return min(worth, key=lambda n: tries[n] / families[n].size ** 2)


def _next_start(
    state: Hunt,
    families: list[Family],
    number: int,
    starts: list[list[Array]],
    tried: int,
    turn: int,
    rng: np.random.Generator,
) -> tuple[str, Array]:
    """Where to descend next in a family, and where that came from."""
    family = families[number]
    kinds = ("class", "class", "perturbed", "perturbed", "sampler", "perturbed")
    kind = "class" if tried < 4 else kinds[tried % len(kinds)]
    if kind == "class" and starts[number]:
        return kind, starts[number].pop(0)
    if kind == "sampler":
        return kind, rng.random(family.size)
    ends = state.best[number]
    if not ends:
        return kind, rng.random(family.size)
    # Mostly the best end; sometimes another good one, which may lie in a better basin's neighbourhood.
    pick = ends[min(int(rng.exponential(0.7)), len(ends) - 1)].descent.z
    scale = PERTURBATION[int(rng.integers(len(PERTURBATION)))]
    return "perturbed", np.clip(pick + scale * rng.standard_normal(family.size), 0.0, 1.0)

