"""Over basins: screening, then Optuna proposes where to descend.

A batch of quasi-random programs of each family is screened; the best member of each elution-order class is a
start. An Optuna trial is one descent: its parameters are a family and a start, its value the polished optimum.
Starts come in turn from the classes, from perturbations of the best so far, and from Optuna's own sampler, and
families that cannot pay are left after a few trials.
"""

from __future__ import annotations

import logging
import time
from dataclasses import replace

import numpy as np
import optuna
from scipy.stats import qmc

from models.programs import Array
from optimizer.descent import HOPELESS, OVERSHOOT, STEADY, Descent, descend, preference
from optimizer.found import FEASIBLE, Found, Hunt, Progress, rank
from optimizer.goal import Problem
from optimizer.program_space import Family
from optimizer.robustness import Backoff

SCREENED = 2048  # programs of each family before the first descent
SCREENED_PER_SECOND = 1600  # and of all families together, for each second of the budget
LEAST_SCREENED = 256
INHERITED = 24  # programs made of each of the best ends of a family with a ramp less
BATCH, CENTRES = 64, 3  # programs screened between descents: anywhere, and around each of the best ends
PERTURBATION = (-2.3, -0.5)  # decimal logarithms of their distances on the unit cube
LACK_WEIGHT, LIMIT_WEIGHT = 2.0, 3.0  # of margins not kept, against ln(run time), in the merit of a start
AGAIN = 0.1  # by how much a start must beat what is known of its class, in ln(run time), to be tried again
FRESH = 1.0  # how far behind the best start an untried combination of heating bands may lie
KINDS = ("class", "class", "class", "class", "class", "restart", "class", "class", "class", "sampler")
FIRST_TRIES = 3  # of each family, before those that cannot pay are left
LEADING = 1.02  # run time over the best one up to which a descent is refined
NEARLY = -1e-4  # smallest margin of a descent that is refined
# Where draws decide: cost over the best up to which a descent goes on from its end, its iterations and tolerance.
FURTHER = ((1.25, 12, 1e-4), (1.06, 12, 1e-4), (1.02, 20, 1e-6))
USUAL_ROOM = 0.12  # relative margin that draws ask of a pair before more is known
SLACK = 2e-6  # margins that a refined descent keeps in hand, for it to end on the right side of its limits
WORTH = 1.25  # run time over the best one beyond which a family is no longer explored
CLOSE = -0.3  # smallest margin of a family without a feasible program from which it is explored further
UNLUCKY = 0.3  # its share of the tries, to that of a family that leads
INFEASIBLE = 1e6  # value of a trial without a feasible program, plus how far off it is


class _Pool:
    """Starts of one family: the most promising member of each class not yet descended into.

    Quasi-random programs and perturbations of good ends are screened in batches; a class that was a start or an end
    of a descent comes back only with a clearly better start.
    """

    def __init__(self, problem: Problem, family: Family, rng: np.random.Generator) -> None:
        self.problem, self.family, self.rng = problem, family, rng
        self.judge = (
            problem  # by which starts are told apart: where draws decide, with room for what they ask
        )
        self.sobol = qmc.Sobol(family.size, seed=rng)
        self.waiting: dict[bytes, tuple[float, Array]] = {}
        self.visited: dict[bytes, float] = {}
        self.bands_tried: set[bytes] = set()
        self.screened = 0

    def _classes(self, z: Array, retention: Array) -> list[bytes]:
        """Basins: elution order, how many peaks have left by each corner of oven and carrier, and heating bands.

        A resolution has a kink where a peak passes from a hold into a ramp, and limits step from band to band: a
        descent crosses neither.
        """
        batch = self.family.batch(self.family.values(z))
        corners = np.concatenate([batch.oven_times[:, 1:], batch.carrier_times[:, 1:]], axis=1)
        left = (retention[:, :, None] < corners[:, None, :]).sum(axis=1)
        orders = np.argsort(retention, axis=1)
        return [
            row.tobytes()
            for row in np.concatenate([orders, left, self.family.bands(z)], axis=1).astype(np.int16)
        ]

    def screen(self, z: Array) -> None:
        """Add points (K, D) to the waiting starts."""
        z = self.family.ordered(z)
        assessment = self.judge.assess(self.family.batch(self.family.values(z)), "screen")
        self.screened += len(z)
        lack = np.minimum(self.judge.resolution_margins(assessment), 0.0).sum(axis=1)
        lack += LIMIT_WEIGHT * np.minimum(assessment.limits, 0.0).sum(axis=1)
        merit = np.log(assessment.cost) - LACK_WEIGHT * lack
        for value, point, key in zip(merit, z, self._classes(z, assessment.retention), strict=True):
            known = self.waiting[key][0] if key in self.waiting else self.visited.get(key, np.inf) - AGAIN
            if value < known:
                self.waiting[key] = (float(value), point)

    def widen(self, ends: list[Found]) -> None:
        """Screen new points: some anywhere, more around good ends at several distances."""
        points = [self.sobol.random(BATCH)]
        for found in ends[:CENTRES]:
            scale = 10 ** self.rng.uniform(*PERTURBATION, (BATCH, 1))
            points.append(found.descent.z + scale * self.rng.standard_normal((BATCH, self.family.size)))
        self.screen(np.concatenate(points))

    def inherit(self, simpler: Family, ends: list[Found]) -> None:
        """Screen good programs of a family with a ramp less, each with all kinds of ramps added."""
        if ends:
            z = np.repeat([found.descent.z for found in ends[:CENTRES]], INHERITED, axis=0)
            more = self.family.split if simpler.ramps < self.family.ramps else self.family.widened
            self.screen(more(simpler, z, self.rng))

    def take(self) -> Array | None:
        """The most promising start, which is then visited."""
        if not self.waiting:
            return None
        best = min(merit for merit, _ in self.waiting.values())
        suffix = 2 * self.family.stepping.size  # bytes of the bands in a key

        def order(key: bytes) -> tuple[bool, float]:
            merit = self.waiting[key][0]
            # Each combination of heating bands is tried once before others again, unless it is far behind.
            fresh = key[len(key) - suffix :] not in self.bands_tried and merit < best + FRESH
            return (not fresh, merit)

        key = min(self.waiting, key=order)
        self.bands_tried.add(key[len(key) - suffix :])
        self.visited[key], point = self.waiting.pop(key)
        return point

    def visit(self, found: Found) -> None:
        """Mark the class in which a descent ended."""
        z = found.descent.z[None]
        assessment = self.problem.assess(self.family.batch(self.family.values(z)), "screen")
        key = self._classes(z, assessment.retention)[0]
        merit = float(np.log(found.descent.cost)) if found.feasible else np.inf
        self.visited[key] = min(merit, self.visited.get(key, np.inf))
        if key in self.waiting and self.waiting[key][0] >= self.visited[key] - AGAIN:
            self.waiting.pop(key)


class _Room:
    """What draws are known to ask of margins, for telling starts apart: of each pair what its last descent found."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        counts, _ = problem.partners
        self.pairs = np.where(counts, USUAL_ROOM, 0.0)
        self.limits = np.zeros(len(problem.limit_names))
        self.judge = problem.holding(Backoff(1.0, self.pairs, self.limits))

    def learn(self, backoff: Backoff) -> None:
        """Take over what a descent ended with."""
        known = backoff.pairs > 0
        self.pairs = np.where(known, backoff.kappa * backoff.pairs, self.pairs)
        self.limits = backoff.kappa * backoff.limits
        self.judge = self.problem.holding(Backoff(1.0, self.pairs, self.limits))


def hunt(
    problem: Problem,
    families: list[Family],
    seconds: float,
    seed: int,
    progress: Progress | None = None,
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
    evaluated: list[int] = []
    sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=10)
    study = optuna.create_study(direction="minimize", sampler=sampler)

    def spent() -> float:
        return time.perf_counter() - began

    try:
        pools = [
            _Pool(problem, family, np.random.default_rng(seeds[number]))
            for number, family in enumerate(families)
        ]
        room = _Room(problem) if problem.by_draws else None
        if room is not None:
            for pool in pools:
                pool.judge = room.judge
        share = int(SCREENED_PER_SECOND * seconds / max(len(families), 1)) // 256 * 256
        simpler = [
            _simpler(families, family) for family in families
        ]  # numbers of the families with a ramp less
        for pool in pools:
            for _ in range(min(max(share, LEAST_SCREENED), SCREENED) // 256):
                pool.screen(pool.sobol.random(256))
                if spent() > seconds:
                    break
            if progress:
                progress(min(spent() / seconds, 0.99), f"screening {pool.family.name}")
        tries = [0] * len(families)
        while spent() < seconds:
            number = _next_family(state, families, tries)
            family = families[number]
            for parent in simpler[number]:
                pools[number].inherit(families[parent], state.best[parent])
            kind, z = _next_start(pools[number], state.best[number], tries[number], rng)
            trial = _asked(study, number, family, z if kind != "sampler" else None)
            z = np.array([trial.params[_key(number, i)] for i in range(family.size)])
            best = min(
                (each[0].descent.cost for each in state.best.values() if each and each[0].feasible),
                default=np.inf,
            )
            found = _descend(problem, family, z, best)
            if room is not None and found.descent.backoff is not None:
                room.learn(found.descent.backoff)
                for pool in pools:
                    pool.judge = room.judge
            evaluated.append(found.descent.evaluations)
            pools[number].visit(found)
            state.programs = sum(pool.screened for pool in pools) + sum(evaluated)
            state.best[number].append(found)
            state.best[number].sort(key=rank)
            del state.best[number][12:]
            value = found.descent.cost if found.feasible else INFEASIBLE - 1e4 * found.descent.margin
            study.tell(trial, value)
            tries[number] += 1
            if progress:
                leader = state.all()[0]
                text = (
                    f"{leader.descent.cost / 60:.2f} min" if leader.feasible else "nothing meets the goal yet"
                )
                progress(min(spent() / seconds, 1.0), f"best so far: {text}")
    except KeyboardInterrupt:
        state.interrupted = True
    state.seconds = spent()
    return state


def _descend(problem: Problem, family: Family, z: Array, best: float) -> Found:
    """A descent; once more with the new elution order if that changed under way; refined if it leads."""
    if problem.by_draws:
        return Found(family, _descend_by_draws(problem, family, z, best))
    descent = descend(problem, family, z)
    if HOPELESS <= descent.margin < FEASIBLE:
        again = descend(problem, family, descent.z, rounds=1)
        better = again if again.margin > descent.margin else descent
        descent = replace(better, evaluations=descent.evaluations + again.evaluations)
    if descent.margin >= NEARLY and descent.cost < LEADING * best:
        refined = descend(problem, family, descent.z, 40, 1e-8, SLACK)
        if refined.margin >= FEASIBLE:
            descent = replace(refined, evaluations=descent.evaluations + refined.evaluations)
    return Found(family, descent)


def _descend_by_draws(problem: Problem, family: Family, z: Array, best: float) -> Descent:
    """The same where draws decide: what they ask for is known only where a descent ends, so it goes on from there."""
    descent = descend(problem, family, z, rounds=1)
    for worth, iterations, tolerance in FURTHER:
        if descent.margin < CLOSE or descent.cost > worth * best or 0 <= descent.margin < STEADY:
            break
        more = max(0.0, -OVERSHOOT * descent.margin)
        again = descend(problem, family, descent.z, iterations, tolerance, SLACK + more, rounds=1)
        evaluations = descent.evaluations + again.evaluations
        descent = replace(min(descent, again, key=preference), evaluations=evaluations)
    return descent


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


def _simpler(families: list[Family], family: Family) -> list[int]:
    """Numbers of the families with one ramp less, of carrier or oven, that are not isothermal and else alike."""
    found = []
    for number, other in enumerate(families):
        fewer = (family.ramps - other.ramps, family.carrier_ramps - other.carrier_ramps)
        if other.controlled == family.controlled and (fewer == (0, 1) or (fewer == (1, 0) and other.ramps)):
            found.append(number)
    return found


def _next_family(state: Hunt, families: list[Family], tries: list[int]) -> int:
    """Each family gets a few tries; then those near the best go on, the least tried first."""
    untried = [n for n in range(len(families)) if tries[n] < FIRST_TRIES]
    if untried:
        return min(untried, key=lambda n: (tries[n], n))
    leaders = state.all()
    best = leaders[0]
    shares = {}
    for n in range(len(families)):
        if not state.best[n]:
            continue
        own = state.best[n][0]
        # More variables hold more basins: a family's share of the tries grows with its size.
        if not best.feasible or (own.feasible and own.descent.cost <= WORTH * best.descent.cost):
            shares[n] = float(families[n].size ** 2)
        elif not own.feasible and own.descent.margin > CLOSE:
            # It may only have been unlucky: a few tries more.
            shares[n] = UNLUCKY * families[n].size ** 2
    if not shares:
        shares = dict.fromkeys(range(len(families)), 1.0)
    return min(shares, key=lambda n: tries[n] / shares[n])


def _next_start(pool: _Pool, ends: list[Found], tried: int, rng: np.random.Generator) -> tuple[str, Array]:
    """Where to descend next in a family, and who proposes it."""
    size = pool.family.size
    kind = KINDS[tried % len(KINDS)]
    if kind == "class":
        if tried >= FIRST_TRIES:
            pool.widen(ends)
        start = pool.take()
        if start is not None:
            return kind, start
    if kind == "restart" and ends:
        return kind, np.clip(ends[0].descent.z + 0.1 * rng.standard_normal(size), 0.0, 1.0)
    return "sampler", rng.random(size)
