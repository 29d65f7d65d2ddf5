"""Over basins: screening, then Optuna proposes where to descend.

A batch of quasi-random programs of each family is screened; the best member of each elution-order class is a
start. An Optuna trial is one descent: its parameters are a family and a start, its value the polished optimum.
Starts come in turn from the classes, from perturbations of the best so far, and from Optuna's own sampler, and
families that cannot pay are left after a few trials. With a shared study (`search.study`) several workers do this
together: each tells which start it takes, learns what the others take and find, and takes none that is taken.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import optuna

from models.column.programs import Array, Program
from optimizer.base.clock import now, round_done, wall
from optimizer.base.interruption import postponed, signals_so_far
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.search.descent import Descent, assessed, descend
from optimizer.search.found import FEASIBLE, Found, Progress, Searched, rank
from optimizer.search.moves import edits, holding, placed, until_end
from optimizer.search.population import SIZE, about, evolved
from optimizer.search.program_space import Family
from optimizer.search.starts import CENTRES, Pool
from optimizer.search.study import SharedStudy
from optimizer.search.study_records import Change, Claim, End

SCREENED = 2048  # programs of each family before the first descent
SCREENED_PER_SECOND = 1600  # and of all families together, for each second of the budget
LEAST_SCREENED = 256
KINDS = (
    *("class", "class", "class", "around", "class", "class", "class", "restart", "class", "class"),
    *("mixed", "class", "class", "class", "class", "class", "class", "restart", "class", "sampler"),
)
KINDS_BY_DRAWS = (
    *("class", "class", "class", "around", "mixed", "class", "class", "mixed", "class", "class"),
    *("mixed", "class", "restart"),
)
GENERATIONS = 100  # of a population about one end, at most
FURTHER_GENERATIONS = 40  # by which that of a family goes on in a trial
LARGE = 64  # its members
NARROW = 0.02  # on the unit cube: where it is no wider it has come to its end, and a new one begins
KEPT_ENDS = 12  # of each family
SAME_PLACE = 0.01  # on the unit cube: ends nearer to one another are one
MIXED = 6  # ends of a family that a mixed population begins from
FIRST_TRIES = 3  # of each family, before those that cannot pay are left
LEADING = 1.02  # run time over the best one up to which a descent is refined
NEARLY = -1e-4  # smallest margin of a descent that is refined
SLACK = 2e-6  # reserve of a refined descent, for it to end on the right side of its limits
WORTH = 1.25  # run time over the best one beyond which a family is no longer explored
CLOSE = -0.3  # smallest margin of a family without a feasible program from which it is explored further
UNLUCKY = 0.3  # its share of the tries, to that of a family that leads
INFEASIBLE = 1e6  # value of a trial without a feasible program, plus how far off it is


@dataclass(frozen=True)
class _Start:
    """A point (D,) to descend from, who proposed it, and its class with what speaks for it there.

    Starts of the sampler have no point until the sampler is asked.
    """

    kind: str
    z: Array | None
    key: bytes | None = None
    merit: float | None = None


def search(
    problem: Problem,
    families: list[Family],
    seconds: float,
    seed: int,
    progress: Progress | None = None,
    clock: Callable[[], float] = now,
    shared: SharedStudy | None = None,
    given: Sequence[Program] = (),
) -> Searched:
    """Search for the shortest program of each family within a time budget [s].

    A Ctrl-C ends the search with what was found so far. With a seed and the same number of trials the same
    programs are found; a time budget decides how many trials there are. `clock` tells what is spent of it: benchmarks
    on a machine with other work give the processor's time. With a shared study what other workers found belongs to
    what is found, and the seed is this worker's own. What is found is no worse than the `given` programs and the method
    in use, where a family holds them.
    """
    optuna.logging.set_verbosity(logging.WARNING)
    state = Searched({number: [] for number in range(len(families))})
    started, began, signals = wall(), clock(), signals_so_far()

    def spent() -> float:
        if signals_so_far() > signals:  # one that was lost on its way here
            raise KeyboardInterrupt
        return clock() - began

    running: _Search | None = None
    try:
        running = _Search(problem, families, seed, state, shared)
        share = int(SCREENED_PER_SECOND * seconds / max(len(families), 1)) // 256 * 256
        screened = min(max(share, LEAST_SCREENED), SCREENED)
        if shared is not None:  # others screen, too
            screened = max(screened // shared.at_work, LEAST_SCREENED)
        running.begin(given)
        for pool in running.pools:
            for _ in range(screened // 256):
                pool.screen(pool.sobol.random(256))
                if spent() > seconds:
                    break
            if progress:
                progress(min(spent() / seconds, 0.99), f"screening {pool.family.name}")
        while spent() < seconds:
            ended = running.step()
            round_done()
            if ended and progress:
                progress(min(spent() / seconds, 1.0), f"best so far: {running.best_so_far()}")
    except KeyboardInterrupt:
        state.interrupted = True
    if shared is not None:
        with postponed(
            1
        ) as stop_asked:  # what was found is not lost to a Ctrl-C that comes a moment too late
            shared.leave()
            if running is not None:
                running.take_over()
        state.interrupted |= stop_asked()
        state.study = shared.note
    state.seconds = wall() - started
    return state


class _Search:
    """What a search knows: starts, ends, and whose turn it is."""

    def __init__(
        self, problem: Problem, families: list[Family], seed: int, state: Searched, shared: SharedStudy | None
    ) -> None:
        self.problem, self.families, self.state, self.shared = problem, families, state, shared
        self.as_predicted = nominal_problem(problem) if problem.by_draws else problem
        # Ends of descents, on margins as predicted: by draws they are judged besides, and populations begin from them.
        if problem.by_draws:
            state.nominal = {number: [] for number in state.best}
        self.nominal = state.nominal or state.best
        seed += 0 if shared is None else shared.worker
        *seeds, own, editing = np.random.SeedSequence(seed).spawn(len(families) + 2)
        self.rng, self.editing = np.random.default_rng(own), np.random.default_rng(editing)
        self.edited: Found | None = None  # the best program, once it was edited
        # The sampler's own study, in memory: it holds what is known, whoever found it.
        sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=10)
        self.study = optuna.create_study(direction="minimize", sampler=sampler)
        self.pools = [
            Pool(self.as_predicted, family, np.random.default_rng(seeds[number]))
            for number, family in enumerate(families)
        ]
        # Numbers of the families with a ramp less.
        self.simpler = [_simpler(families, family) for family in families]
        self.tries = [0] * len(families)
        self.programs = 0  # simulated in descents, and by other workers
        self.told = 0  # programs screened here that the shared study knows of
        self.take_over()

    def begin(self, given: Sequence[Program]) -> None:
        """Programs that are known: kept as they are, screened, and all but the scouting runs descended from first."""
        scenario = self.problem.scenario
        wanted = [*given, *([] if scenario.current is None else [scenario.current])]
        known = dict.fromkeys([*wanted, *(run.program for run in scenario.runs)])
        for program in known:
            ended = until_end(self.as_predicted, program)
            for further, number in enumerate(holding(self.families, ended)):
                family, pool = self.families[number], self.pools[number]
                z = placed(family, ended)
                pool.screen(z[None])
                if further:  # the first family is the one with the fewest ramps
                    continue
                if program in wanted:
                    pool.give(z)
                found = Found(family, assessed(self.problem, family, z))
                _keep(self.state.best[number], found)
                if self.problem.by_draws:
                    _keep(self.nominal[number], Found(family, assessed(self.as_predicted, family, z)))
                if found.feasible and program in wanted:
                    best = self.state.given
                    self.state.given = found if best is None else min(best, found, key=rank)

    def edit(self) -> None:
        """Screen edits of the best program, once for each."""
        leader = self.state.all()[0]
        if leader is not self.edited:
            self.edited, z = leader, leader.descent.z
            made = edits(self.as_predicted, leader.family, z, self.families, self.editing)
            for number, points in made.items():
                self.pools[number].edit(points)

    def step(self) -> bool:
        """One descent; False when another worker turned out to be at the chosen start."""
        number = _next_family(self.state, self.families, self.tries)
        family, pool = self.families[number], self.pools[number]
        for parent in self.simpler[number]:
            pool.inherit(self.families[parent], self.nominal[parent])
        start = _next_start(pool, self.state.best[number], self.nominal[number], self.tries[number], self.rng)
        trial = _asked(self.study, number, family, start.z)
        z = np.array([trial.params[_key(number, i)] for i in range(family.size)])
        if self.shared is not None:
            free = self.shared.claim(Claim(number, z, start.kind, start.key, start.merit))
            self.take_over()
            if not free:
                self.study.tell(trial, state=optuna.trial.TrialState.FAIL)
                return False
        if start.kind in ("around", "mixed"):
            found = self._populated(number, start.kind, z)
        else:
            ends = (each[0] for each in self.nominal.values() if each and each[0].feasible)
            best = min((end.descent.cost for end in ends), default=np.inf)
            found = _descend(self.as_predicted, family, z, best, pool.known)
        key = pool.end_class(found.descent)
        self._record(number, found, key)
        self.edit()
        self.study.tell(trial, _value(found))
        self.tries[number] += 1
        if self.shared is not None:
            screened = sum(each.screened for each in self.pools)
            self.shared.end(End(found.descent, key, screened - self.told), _value(found))
            self.told = screened
        return True

    def _populated(self, number: int, kind: str, z: Array) -> Found:
        """What a population comes to that begins around an end `z` (D,) of its family, or the family's own one."""
        family, pool = self.families[number], self.pools[number]
        if kind == "around":
            first, generations = pool.with_edits(about(family, z[None], SIZE, self.rng)), GENERATIONS
            pool.populated.add(z.tobytes())
        else:
            first, generations = self._gathered(number), FURTHER_GENERATIONS
        last, programs = evolved(self.problem, family, first, generations, self.rng)
        pool.populated.add(last[0].tobytes())
        if kind == "mixed":
            pool.population = last if np.ptp(last, axis=0).max() > NARROW else None
        return Found(family, assessed(self.problem, family, last[0], programs))

    def _gathered(self, number: int) -> Array:
        """The population of a family with ends that it has not met in place of its worst; a new one if none."""
        family, pool = self.families[number], self.pools[number]
        ends = [found.descent.z for found in (*self.state.best[number], *self.nominal[number])]
        if pool.population is None:
            pool.met = {z.tobytes() for z in ends}
            some = self.rng.permutation(len(ends))[:MIXED]
            return about(family, np.array([ends[0], *(ends[at] for at in some)]), LARGE, self.rng)
        new = [z for z in ends if z.tobytes() not in pool.met][: LARGE // 4]
        pool.met |= {z.tobytes() for z in new}
        return np.concatenate([pool.population[: LARGE - len(new)], *(z[None] for z in new)])

    def best_so_far(self) -> str:
        """The best so far in words."""
        leader = self.state.all()[0]
        return f"{leader.descent.cost / 60:.2f} min" if leader.feasible else "nothing meets the goal yet"

    def _record(self, number: int, found: Found, key: bytes) -> None:
        """An end, of this worker or another."""
        self.programs += found.descent.evaluations
        self.state.programs = sum(pool.screened for pool in self.pools) + self.programs
        if self.problem.by_draws and found.descent.backoff is None:
            self.pools[number].ended(key, found)
            _keep(self.nominal[number], found)
            found = replace(found, descent=assessed(self.problem, found.family, found.descent.z))
        elif not self.problem.by_draws:
            self.pools[number].ended(key, found)
        _keep(self.state.best[number], found)

    def take_over(self) -> None:
        """What other workers, or this study's earlier ones, took and found since the last time."""
        if self.shared is None:
            return
        for change, claim, end in self.shared.news():
            number, pool = claim.family, self.pools[claim.family]
            if change is Change.TAKEN:
                self.tries[number] += 1
                if claim.key is not None and claim.merit is not None:
                    pool.taken(claim.key, claim.merit)
            elif change is Change.GIVEN_UP:
                self.tries[number] -= 1
                if claim.key is not None and claim.merit is not None:
                    pool.freed(claim.key, claim.merit)
            elif end is not None:
                found = Found(self.families[number], end.descent)
                self.programs += end.screened
                self._record(number, found, end.key)
                params = {_key(number, i): float(value) for i, value in enumerate(claim.start)}
                self.study.add_trial(
                    optuna.trial.create_trial(
                        params=params,
                        distributions=_space(number, self.families[number]),
                        value=_value(found),
                    )
                )


def _keep(ends: list[Found], new: Found) -> None:
    """Add an end to some, best first, where none better is next to it; worse ones there go."""

    def beside(other: Found) -> bool:
        return bool(np.abs(new.descent.z - other.descent.z).max() < SAME_PLACE)

    if any(beside(each) and rank(each) <= rank(new) for each in ends):
        return
    ends[:] = sorted([*(each for each in ends if not beside(each)), new], key=rank)[:KEPT_ENDS]


def _value(found: Found) -> float:
    """What is reported to Optuna of a descent."""
    return found.descent.cost if found.feasible else INFEASIBLE - 1e4 * found.descent.margin


def _descend(
    problem: Problem, family: Family, z: Array, best: float, known: Callable[[Descent], bool]
) -> Found:
    """A descent on margins as predicted, refined if it leads.

    One that ended where another did before, as `known` tells, is not worth more work.
    """
    descent = descend(problem, family, z)
    if descent.margin >= NEARLY and descent.cost < LEADING * best and not known(descent):
        refined = descend(problem, family, descent.z, 40, 1e-8, SLACK)
        if refined.margin >= FEASIBLE:
            descent = replace(refined, evaluations=descent.evaluations + refined.evaluations)
    return Found(family, descent)


def _key(number: int, i: int) -> str:
    return f"family {number} variable {i}"


def _asked(study: optuna.Study, number: int, family: Family, z: Array | None) -> optuna.Trial:
    """A trial of a family, at a given start or where the sampler wants it."""
    if z is not None:
        study.enqueue_trial({_key(number, i): float(value) for i, value in enumerate(z)})
    return study.ask(_space(number, family))


def _space(number: int, family: Family) -> dict[str, optuna.distributions.BaseDistribution]:
    """The sampler's space of a family: its unit cube."""
    return {_key(number, i): optuna.distributions.FloatDistribution(0.0, 1.0) for i in range(family.size)}


def _simpler(families: list[Family], family: Family) -> list[int]:
    """Numbers of the families with one ramp less, of carrier or oven, that are not isothermal and else alike."""
    found = []
    for number, other in enumerate(families):
        fewer = (family.ramps - other.ramps, family.carrier_ramps - other.carrier_ramps)
        if other.controlled == family.controlled and (fewer == (0, 1) or (fewer == (1, 0) and other.ramps)):
            found.append(number)
    return found


def _next_family(state: Searched, families: list[Family], tries: list[int]) -> int:
    """Each family gets a few tries; then those near the best go on, the least tried first."""
    untried = [n for n in range(len(families)) if tries[n] < FIRST_TRIES]
    if untried:
        return min(untried, key=lambda n: (tries[n], n))
    leaders = state.all()
    if not leaders:  # other workers have all tries in work
        return min(range(len(families)), key=lambda n: (tries[n], n))
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


def _next_start(
    pool: Pool, ends: list[Found], nominal: list[Found], tried: int, rng: np.random.Generator
) -> _Start:
    """Where to descend next in a family, and who proposes it."""
    size = pool.family.size
    kinds = KINDS_BY_DRAWS if nominal is not ends else KINDS
    kind = kinds[tried % len(kinds)]
    if kind == "class":
        if tried >= FIRST_TRIES:
            pool.widen(nominal)
        other = tried >= FIRST_TRIES and tried % 2 == 1
        taken = pool.take([found.descent.z for found in nominal[:CENTRES]] if other else None)
        if taken is not None:
            key, z = taken
            return _Start(kind, z, key, pool.visited[key])
    if kind == "around" and ends:
        new = [found for found in (*nominal, *ends) if found.descent.z.tobytes() not in pool.populated]
        return _Start(kind, (new or ends)[0].descent.z)
    if kind == "mixed" and ends:
        return _Start(kind, ends[0].descent.z)
    if kind == "restart" and nominal:
        return _Start(kind, np.clip(nominal[0].descent.z + 0.1 * rng.standard_normal(size), 0.0, 1.0))
    rng.random(size)  # drawn as it always was: a seed keeps giving the programs it gave
    return _Start("sampler", None)
