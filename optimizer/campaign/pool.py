"""Programs among which the best is looked up once a run has told more: found for what may prove to be true.

A search at the required probability gives the present best. Others ask for less of it, down to none: what would be the
method if the doubtful held; and for more: what stays where a run tells bad news. And draws of the fit's posterior are
each taken for the truth, known exactly: the best program of each may lie elsewhere altogether, also where nothing that
is found now meets the goal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models import cores as available
from models.column.programs import Program
from models.column.retention import shifted
from optimizer.base.clock import Progress, now
from optimizer.goal.goal import Problem, problem_of
from optimizer.goal.outcome import SearchOutcome
from optimizer.methods.workflow import NEVER
from optimizer.search.candidates import outcome_of
from optimizer.search.descent import descend
from optimizer.search.found import Found, Searched
from optimizer.search.program_space import families_of

# Of the time: the search, rounding, each search at another probability, all truths together, and descents.
MAIN, ROUNDED, OTHERS, TRUTHS, DESCENTS = 0.5, 0.1, 0.06, 0.14, 0.08
ASKED = (0.98, 0.5, 0.0)  # required probabilities of the other searches; 0 is the nominal goal
TRUTH_DRAWS, MOST_DESCENTS = (
    6,
    30,
)  # taken for the truth in a search; and in a descent, as many as the time holds
# Times as slow: the best programs with all rates divided and holds multiplied.
SLOWER = (1.02, 1.05, 1.1, 1.2, 1.4)
SLOWED = 4  # of those searches' best
KEPT = 12  # ends of a search that go into the pool


@dataclass(frozen=True)
class Pool:
    """What was found.

    Attributes
    ----------
    outcome : candidates of the search at the required probability, rounded and judged
    programs : those of all searches and those known before, their last hold without end
    interrupted : whether somebody ended it
    """

    outcome: SearchOutcome
    programs: tuple[Program, ...]
    interrupted: bool


def pool_of(
    problem: Problem,
    seconds: float,
    cores: int | None = None,
    progress: Progress | None = None,
    known: Sequence[Program] = (),
) -> Pool:
    """Search within a budget [s] on the clock of searches, from programs that are known already."""
    from optimizer.search.islands import search  # optuna is slow to import and only needed here

    families, seed = families_of(problem.scenario), problem.scenario.search.seed
    many = cores or available.cores_here()
    spent = 0.0

    def told(what: str, share: float) -> Progress | None:
        if progress is None:
            return None
        return lambda done, text: progress(spent + share * done, f"{what}: {text}")

    found = search(
        problem, families, MAIN * seconds, seed, told("best program", MAIN), given=list(known), cores=many
    )
    spent, main = spent + MAIN, found
    outcome = outcome_of(problem, found, now() + ROUNDED * seconds)
    programs = [each.prediction.program for each in outcome.candidates]
    programs += [without_end(each) for each in known] + programs_of(problem, found)
    interrupted = found.interrupted
    best = [each.prediction.program for each in outcome.candidates[:1]]
    for confidence in ASKED:
        if interrupted or confidence == problem.confidence:
            continue
        easier = _asking(problem, confidence)
        found = search(
            easier, families, OTHERS * seconds, seed, told("other programs", OTHERS), given=best, cores=many
        )
        spent += OTHERS
        programs += programs_of(problem, found)
        best += programs_of(problem, found)[:1]
        interrupted = found.interrupted
    for number in range(TRUTH_DRAWS):
        if interrupted:
            break
        share = TRUTHS / TRUTH_DRAWS
        truth = _taken_for_true(problem, number)
        found = search(
            truth, families, share * seconds, seed + number, told("what may be true", share), given=best
        )
        spent += share
        programs += programs_of(problem, found)
        interrupted = found.interrupted
    if not interrupted:
        near = _of_further_truths(problem, main, now() + DESCENTS * seconds)
        programs += near + [slower(each, SLOWER[1]) for each in near]
    programs += [slower(each, by) for each in best[:SLOWED] for by in SLOWER]
    return Pool(outcome, tuple(dict.fromkeys(programs)), interrupted)


def _of_further_truths(problem: Problem, searched: Searched, until: float) -> list[Program]:
    """Programs next to the best end, descended to from it for truths that no search was made for."""
    ends = searched.all()[:1]
    step = problem.scenario.instrument.steps.time
    found = []
    for number in range(TRUTH_DRAWS, TRUTH_DRAWS + MOST_DESCENTS):
        if not ends or now() > until:
            break
        family = ends[0].family
        end = descend(_taken_for_true(problem, number), family, ends[0].descent.z)
        found.append(family.program(family.values(end.z), NEVER, step))
    return found


def without_end(program: Program) -> Program:
    """A program whose last hold goes on."""
    oven = program.oven
    if not oven.ramps:
        return replace(program, oven=replace(oven, hold=NEVER))
    ramps = (*oven.ramps[:-1], replace(oven.ramps[-1], hold=NEVER))
    return replace(program, oven=replace(oven, ramps=ramps))


def slower(program: Program, by: float) -> Program:
    """A program whose oven takes so many times as long for everything."""
    oven = program.oven
    ramps = tuple(replace(each, rate=each.rate / by, hold=each.hold * by) for each in oven.ramps)
    return replace(program, oven=replace(oven, hold=oven.hold * by, ramps=ramps))


def _asking(problem: Problem, confidence: float) -> Problem:
    """The same problem with another required probability."""
    goal = replace(problem.scenario.goal, confidence=confidence)
    return replace(problem, scenario=replace(problem.scenario, goal=goal))


def _taken_for_true(problem: Problem, number: int) -> Problem:
    """The problem as it were if a draw of the fit's posterior were the truth, and known."""
    fit = problem.fit
    draws = problem.afresh.robustness.draws("flow")
    flow, lag = draws.fitted[number, 0], draws.fitted[number, 5]
    system = replace(
        fit.system,
        flow_factor=fit.system.flow_factor * float(np.exp(flow)),
        oven_lag=fit.system.oven_lag + lag,
    )
    retention = shifted(fit.retention, *draws.retention[number])
    known = replace(fit, system=system, retention=retention, covariance=np.zeros_like(fit.covariance))
    return problem_of(problem.scenario, known)


def programs_of(problem: Problem, searched: Searched) -> list[Program]:
    """The best ends of each family, those by nominal margins among them."""
    ends: list[Found] = []
    for kept in (searched.best, searched.nominal):
        for each in kept.values():
            ends += each[:KEPT]
    step = problem.scenario.instrument.steps.time
    return [each.family.program(each.family.values(each.descent.z), NEVER, step) for each in ends]
