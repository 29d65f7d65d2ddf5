"""Over basins: screening, then descents and populations in turn.

A batch of quasi-random programs of each family is screened; the best member of each elution-order class is a
start. An Optuna trial is one descent or population: its parameters are a family and a start, its value what it came to.
Starts come in turn from the classes, from the best so far, and from Optuna's own sampler; populations go on from where
descents ended; and families that cannot pay are left after a few trials. Several such searches learn from one another
(`search.islands`), or, with a shared study (`search.study`), tell which start they take, learn what the others take and
find, and take none that is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import optuna

from models.column.programs import Array, Program
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.search.descent import Descent, assessed, descend, descend_by_draws, descend_from
from optimizer.search.found import FEASIBLE, Found, Searched, rank
from optimizer.search.moves import edits, holding, placed, until_end
from optimizer.search.population import SIZE, about, evolved
from optimizer.search.program_space import Family
from optimizer.search.starts import Pool, better
from optimizer.search.study import SharedStudy
from optimizer.search.study_records import Change, Claim, End

KINDS = (
    *("class", "class", "mixed", "around", "class", "class", "mixed", "restart", "class", "class"),
    *("mixed", "class", "class", "mixed", "class", "class", "mixed", "restart", "class", "sampler"),
)
KINDS_BY_DRAWS = (
    *("class", "class", "class", "around", "class", "mixed", "class", "class", "refined", "class"),
    *("class", "mixed", "restart", "class", "class", "refined"),
)
POPULATIONS = ("around", "mixed", "refined")  # of the kinds
GENERATIONS = 100  # of a population about one end, at most
FURTHER_GENERATIONS = 40  # by which that of a family goes on in a trial
LARGE = 64  # its members
KEPT_ENDS = 12  # of each family
MIXED = 6  # ends of a family that a mixed population begins from
FIRST_TRIES = 3  # of each family, before those that cannot pay are left
LEADING = 1.02  # run time over the best one up to which a descent is refined
NEARLY = -1e-4  # smallest margin of a descent that is refined
SLACK = 2e-6  # reserve of a refined descent, for it to end on the right side of its limits
WORTH = 1.25  # run time over the best one beyond which a family is no longer explored
CLOSE = -0.3  # smallest margin of a family without a feasible program from which it is explored further
UNLUCKY = 0.3  # its share of the tries, to that of a family that leads
VERIFYING = 3  # descents at most from an end that simulated draws refuse
RESERVED = 0.6  # share of descents that keep in reserve what draws ask for, where these decide
WITHIN = -0.05  # smallest margin in draws of an end from which the share of failing draws is held
PRICES = (
    0.0,
    1.3,
)  # decimal logarithms of the price, in ln(cost), of a margin that an end lacks for a population
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


@dataclass(frozen=True)
class Ended:
    """What a step of a search came to.

    Attributes
    ----------
    claim : Claim, where it began
    end : End, on nominal margins unless a population found it
    judged : Descent, the same point judged by draws where these decide
    programs : int, simulated for it, with those screened since the last one
    refused : Descent or None, what it came to before simulated draws refused it
    """

    claim: Claim
    end: End
    judged: Descent
    programs: int
    refused: Descent | None = None


class Search:
    """What a search knows: starts, ends, and whose turn it is."""

    def __init__(
        self,
        problem: Problem,
        families: list[Family],
        seed: int,
        state: Searched,
        shared: SharedStudy | None,
        part: float = 0.0,
    ) -> None:
        """`part`, from 0 to 1: where in the order of families and kinds of starts it begins, beside others."""
        self.problem, self.families, self.state, self.shared = problem, families, state, shared
        self.part = part
        self.as_predicted = nominal_problem(problem) if problem.by_draws else problem
        # Ends of descents, on margins as predicted: by draws they are judged besides, and populations begin from them.
        if problem.by_draws:
            state.nominal = {number: [] for number in state.best}
        self.nominal = state.nominal or state.best
        self.refused: Descent | None = None  # of this step
        seed += 0 if shared is None else shared.worker
        *seeds, own, editing = np.random.SeedSequence(seed).spawn(len(families) + 2)
        self.rng, self.editing = np.random.default_rng(own), np.random.default_rng(editing)
        self.edited: Found | None = None  # the best program, once it was edited
        optuna.logging.set_verbosity(optuna.logging.WARNING)
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
                keep(self.state.best[number], found)
                nominal = found
                if self.problem.by_draws:
                    nominal = Found(family, assessed(self.as_predicted, family, z))
                    keep(self.nominal[number], nominal)
                if nominal.feasible and program in wanted:  # rounding tells how probably
                    self.state.given.append(found)

    def edit(self) -> None:
        """Screen edits of the best program, once for each."""
        leader = self.state.all()[0]
        if leader is not self.edited:
            self.edited, z = leader, leader.descent.z
            made = edits(self.as_predicted, leader.family, z, self.families, self.editing)
            for number, points in made.items():
                self.pools[number].edit(points)

    def step(self) -> Ended | None:
        """One descent or population; None when another worker turned out to be at the chosen start."""
        first = int(self.part * len(self.families))
        number = _next_family(self.state, self.families, self.tries, first)
        family, pool = self.families[number], self.pools[number]
        for parent in self.simpler[number]:
            pool.inherit(self.families[parent], self.nominal[parent])
        tried = self.tries[number]
        tried += int(self.part * len(KINDS)) if tried >= FIRST_TRIES else 0
        start = _next_start(pool, self.state.best[number], self.nominal[number], tried, self.rng)
        trial = _asked(self.study, number, family, start.z)
        z = np.array([trial.params[_key(number, i)] for i in range(family.size)])
        claim = Claim(number, z, start.kind, start.key, start.merit)
        if self.shared is not None:
            free = self.shared.claim(claim)
            self.take_over()
            if not free:
                self.study.tell(trial, state=optuna.trial.TrialState.FAIL)
                return None
        if start.kind in POPULATIONS:
            found = self._populated(number, start.kind, z)
        else:
            ends = (each[0] for each in self.nominal.values() if each and each[0].feasible)
            best = min((end.descent.cost for end in ends), default=np.inf)
            found = self._descended(family, z, best, pool.known)
        key, self.refused = pool.end_class(found.descent), None
        if found.descent.backoff is not None:
            found = self._verified(found)
        judged = self._record(number, found, key)
        self.edit()
        self.study.tell(trial, _value(found))
        self.tries[number] += 1
        screened = sum(each.screened for each in self.pools)
        end = End(found.descent, key, screened - self.told)
        self.told = screened
        if self.shared is not None:
            self.shared.end(end, _value(found))
        programs = end.screened + found.descent.evaluations
        return Ended(claim, end, judged, programs, self.refused)

    def _descended(self, family: Family, z: Array, best: float, known: Callable[[Descent], bool]) -> Found:
        """A descent as predicted; where draws decide, mostly one that keeps in reserve what they ask for."""
        if not self.problem.by_draws or self.rng.random() >= RESERVED:
            return _descend(self.as_predicted, family, z, best, known)
        end = self._by_draws(family, descend(self.problem, family, z))
        return Found(family, assessed(self.as_predicted, family, end.z, end.evaluations))

    def _by_draws(self, family: Family, end: Descent) -> Descent:
        """Where draws decide, what a descent by their share makes of an end that nearly holds and may come to lead."""
        leaders = self.state.all()
        most = WORTH * leaders[0].descent.cost if leaders and leaders[0].feasible else np.inf
        if not self.problem.by_draws or end.margin < WITHIN or end.cost > most:
            return end
        return descend_by_draws(self.problem, family, end)

    def _populated(self, number: int, kind: str, z: Array) -> Found:
        """What a population comes to that begins around an end `z` (D,) of its family, or the family's own one."""
        family, pool = self.families[number], self.pools[number]
        refining, polishing = kind == "refined", 0
        if kind == "mixed":
            first, generations = self._gathered(number), FURTHER_GENERATIONS
        else:
            known = z[None]
            if refining:
                polished = descend(self.problem, family, z)
                known, polishing = np.array([polished.z, z]), polished.evaluations
            first, generations = pool.with_edits(about(family, known, SIZE, self.rng)), GENERATIONS
        last, programs = evolved(self.problem, family, first, generations, self.rng, refining)
        end = (descend if refining else assessed)(self.problem, family, last[0])
        end = self._by_draws(family, end)
        found = Found(family, replace(end, evaluations=programs + polishing + end.evaluations))
        if kind == "mixed":
            goes_on = pool.leading is None or better(found, pool.leading)
            pool.population, pool.leading = (last, found) if goes_on else (None, None)
        return found

    def _gathered(self, number: int) -> Array:
        """The population of a family with ends that it has not met in place of its worst; a new one if none."""
        family, pool = self.families[number], self.pools[number]
        ends = [found.descent.z for found in (*self.state.best[number], *self.nominal[number])]
        if pool.population is None:
            pool.met = {z.tobytes() for z in ends}
            pool.populations += 1
            if pool.populations % 2:
                some = self.rng.permutation(len(ends))[:MIXED]
                return about(family, np.array([ends[0], *(ends[at] for at in some)]), LARGE, self.rng)
            # What is best so far would only draw others to itself.
            some = self.rng.permutation(len(self.nominal[number]))[:MIXED]
            apart = np.array([self.nominal[number][at].descent.z for at in some])
            starts = pool.promising(LARGE // 2)
            return np.concatenate([about(family, apart, LARGE - len(starts), self.rng), starts])
        new = [z for z in ends if z.tobytes() not in pool.met][: LARGE // 4]
        pool.met |= {z.tobytes() for z in new}
        return np.concatenate([pool.population[: LARGE - len(new)], *(z[None] for z in new)])

    def _record(self, number: int, found: Found, key: bytes, judged: Descent | None = None) -> Descent:
        """An end, of this worker or another, which may have judged it already; as judged."""
        self.programs += found.descent.evaluations
        self.state.programs = sum(pool.screened for pool in self.pools) + self.programs
        if self.problem.by_draws and found.descent.backoff is None:
            self.pools[number].ended(key, found)
            keep(self.nominal[number], found)
            found = replace(found, descent=judged or assessed(self.problem, found.family, found.descent.z))
            found = found if judged else self._verified(found)
            self.pools[number].around.waiting.append(found)
        elif self.problem.by_draws:
            self.pools[number].near.waiting.append(found)
        else:
            self.pools[number].ended(key, found)
            self.pools[number].around.waiting.append(found)
        keep(self.state.best[number], found)
        return found.descent

    def _verified(self, found: Found) -> Found:
        """What would be the best, by simulated draws, or what a descent makes of it where these refuse it."""
        leaders = self.state.all()
        if not found.feasible or (leaders and rank(leaders[0]) <= rank(found)):
            return found
        z, programs = found.descent.z, found.descent.evaluations
        judged = Found(found.family, assessed(self.problem, found.family, z, programs, simulated=True))
        if judged.feasible:
            return judged
        self.refused = found.descent
        self.state.refuse(found)
        end = descend_by_draws(self.problem, found.family, judged.descent, simulated=True)
        if end.margin < FEASIBLE:
            end = descend_from(self.problem, found.family, end, rounds=VERIFYING, simulated=True)
        return Found(found.family, end)

    def learn(self, ended: Ended) -> None:
        """What a search beside this one found."""
        claim = ended.claim
        self.tries[claim.family] += 1
        if claim.key is not None and claim.merit is not None:
            self.pools[claim.family].taken(claim.key, claim.merit)
        self._learn_end(claim, ended.end, ended.judged)

    def _learn_end(self, claim: Claim, end: End, judged: Descent | None = None) -> None:
        """An end that another worker found."""
        found = Found(self.families[claim.family], end.descent)
        self.programs += end.screened
        self._record(claim.family, found, end.key, judged)
        params = {_key(claim.family, i): float(value) for i, value in enumerate(claim.start)}
        space = _space(claim.family, self.families[claim.family])
        self.study.add_trial(
            optuna.trial.create_trial(params=params, distributions=space, value=_value(found))
        )

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
                self._learn_end(claim, end)


def keep(ends: list[Found], new: Found) -> None:
    """Add an end to some, best first, where none better is alike; worse ones that are go."""
    alike = [each.alike(new) for each in ends]
    if any(same and rank(each) <= rank(new) for each, same in zip(ends, alike, strict=True)):
        return
    others = [each for each, same in zip(ends, alike, strict=True) if not same]
    ends[:] = sorted([*others, new], key=rank)[:KEPT_ENDS]


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


def _next_family(state: Searched, families: list[Family], tries: list[int], first: int = 0) -> int:
    """Each family gets a few tries, from the `first` on; then those near the best go on, the least tried first."""
    untried = [n for n in range(len(families)) if tries[n] < FIRST_TRIES]
    if untried:
        return min(untried, key=lambda n: (tries[n], (n - first) % len(families)))
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
    if kind in ("refined", "around"):
        found = (pool.near if kind == "refined" else pool.around).take(float(10 ** rng.uniform(*PRICES)))
        if found is not None:
            return _Start(kind, found.descent.z)
        kind = "class"
    if kind == "class":
        if tried >= FIRST_TRIES:
            pool.widen(nominal)
        taken = pool.take(niche=tried >= FIRST_TRIES and tried % 2 == 1)
        if taken is not None:
            key, z = taken
            return _Start(kind, z, key, pool.visited[key])
    if kind == "mixed" and ends:
        return _Start(kind, ends[0].descent.z)
    if kind == "restart" and nominal:
        return _Start(kind, np.clip(nominal[0].descent.z + 0.1 * rng.standard_normal(size), 0.0, 1.0))
    return _Start("sampler", None)
