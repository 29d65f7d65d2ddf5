"""Which of the programs found are shown, and why each is what it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.column.programs import Program, batch_of
from optimizer.base import clock
from optimizer.goal.cycle import cycle_time, samples_per_shift
from optimizer.goal.goal import Problem, nominal_problem
from optimizer.goal.outcome import Candidate, InUse, Prediction, SearchOutcome, Tried
from optimizer.goal.predict import predict
from optimizer.goal.uncertainty import with_uncertainty
from optimizer.search.descent import judgement
from optimizer.search.found import Found, Searched, rank
from optimizer.search.program_space import WORDS, carrier_words
from optimizer.search.reasons import (
    about_flat_ramp,
    about_order,
    broken_equipment,
    broken_limits,
    compared_with,
    margins_of,
    next_seconds,
    risk_warnings,
    shortfalls,
    warnings_of,
)
from optimizer.search.rounding import Settable, settable
from optimizer.search.set_point_tolerances import moved_together, set_point_tolerances

NEAR_TIE = 1.03  # run time over the family's best within which a second program may be shown
DIFFERENT = 0.12  # on the unit cube: set points further apart than this are clearly different
SIMPLER = 1.005  # a program with more ramps must be faster than a simpler one by this to be shown
ALIKE_SHORTFALL = 0.005  # a program that fails with more ramps must come closer by this to be shown
ALIKE_MISSES, ALIKE_PROBABILITY = 3, 2  # decimals to which what two programs miss is counted
HALF = 0.5  # of the time left for rounding, for each program in turn
FURTHER_ENDS = 8  # that are rounded, at most, where they are shorter than the best rounded one
SLOW = 3.0  # families slower than this many times the best are not worth a page
CONTRADICTION = "no program found keeps all limits of column and instrument: do they contradict one another?"
NO_TIME = "not rounded to the instrument's steps for want of time"
MISSES = "short of the goal, or that cannot be run"


def outcome_of(problem: Problem, searched: Searched, until: float = np.inf) -> SearchOutcome:
    """Candidates of a search: rounded, checked, different in kind, with reasons.

    After `until` [s], on the clock of searches, nothing more is rounded that is behind what already is.
    """
    in_use = _in_use(problem)
    now = None if in_use is None else in_use.prediction
    pool = _pool(searched, problem.scenario.search.candidates)
    if given := sorted(searched.given, key=rank):  # others may become slower than these
        shorter = [each for each in given[1:] if each.descent.cost < given[0].descent.cost]
        pool += [each for each in (given[0], *shorter) if not any(each is other for other in pool)]
    if searched.refused is not None:
        pool.insert(1, searched.refused)
    rounded = _rounded(problem, searched, pool, until)
    # A program that misses the goal is no answer while another meets it; nor one that cannot be run, while one can.
    kept = [each for each in rounded if each.feasible]
    kept = kept or [each for each in rounded if not each.how_far[0]] or rounded
    scored = [score_of(problem, each) for each in kept]
    scored.sort(key=lambda each: each.key)
    chosen = worth_showing(scored, problem.scenario.search.candidates)
    made = [candidate_of(problem, each.settable, each.prediction, now) for each in chosen]
    # Draws that are simulated outright may show that a program meets the goal that by first derivatives does not.
    feasible = any(each.feasible for each in made)
    made = [each for each in made if each.feasible or not feasible]
    candidates = tuple(replace(each, rank=number) for number, each in enumerate(made, 1))
    blocking = () if feasible or not candidates else candidates[0].missed
    if blocking and chosen[0].settable.how_far[0]:
        blocking = (CONTRADICTION, *blocking)
    families = best_of_each_kind(problem, searched, scored, candidates)
    return SearchOutcome(
        feasible,
        candidates,
        blocking,
        in_use,
        families,
        searched.programs,
        searched.seconds,
        searched.interrupted,
        study=searched.study,
        candidates_note=why_fewer(problem, pool, rounded, scored, chosen, len(made)),
    )


def why_fewer(
    problem: Problem,
    pool: list[Found],
    rounded: list[Settable],
    scored: list[Scored],
    chosen: list[Scored],
    shown: int,
) -> str:
    """Why fewer candidates are shown than were asked for; empty where they are not."""
    wanted = problem.scenario.search.candidates
    if shown >= wanted:
        return ""
    left_out = [each for each in scored if not any(each is other for other in chosen)]
    reasons = [_why_left_out(each, scored, chosen) for each in left_out]
    reasons += [MISSES] * (len(rounded) - len(scored) + len(chosen) - shown)
    reasons += [NO_TIME] * (len(pool) - len(rounded))
    if not reasons:
        return f"{shown} of {wanted} candidates that were asked for: others are alike or far slower."
    counted = [f"{reasons.count(each)} {each}" for each in dict.fromkeys(reasons)]
    found = shown + len(reasons)
    return f"{shown} of {wanted} candidates that were asked for: of {found} programs {', '.join(counted)}."


def _why_left_out(each: Scored, scored: list[Scored], chosen: list[Scored]) -> str:
    program = each.prediction.program
    if not each.settable.feasible and any(other.beats(each) for other in scored):
        return "no closer to the goal than another"
    if any(_matches(other, each) for other in scored):
        return "hardly better than a simpler one"
    if any(_alike(program, other.prediction.program) for other in chosen):
        return "nearly the same as one shown"
    return f"over {100 * (NEAR_TIE - 1):.0f} % slower than the best of its kind"


def _rounded(problem: Problem, searched: Searched, pool: list[Found], until: float) -> list[Settable]:
    """The pool on the instrument's grid, and further ends that are shorter than the best there: grids differ."""
    seed = problem.scenario.search.seed
    rounded: list[Settable] = []
    for found in pool:
        if clock.now() >= until and any(each.feasible == found.feasible for each in rounded):
            break
        half = clock.now() + HALF * max(until - clock.now(), 0.0)
        sure = found.feasible and not any(each.feasible for each in rounded)  # one program is worth the time
        rounded.append(settable(problem, found.family, found.descent.z, seed, half, sure))
    done = pool[: len(rounded)]
    for found in searched.given:  # nothing that is shown is slower than these, whatever the time
        best = min((each.cost(problem) for each in rounded if each.feasible), default=np.inf)
        if found.feasible and found.descent.cost < best and not any(found is each for each in done):
            rounded.append(settable(problem, found.family, found.descent.z, seed, until))
            done.append(found)
    done += pool
    further = [
        found for found in searched.all() if found.feasible and not any(found is each for each in done)
    ]
    for found in further[:FURTHER_ENDS]:
        best = min((each.cost(problem) for each in rounded if each.feasible), default=np.inf)
        if found.descent.cost >= best or clock.now() >= until:
            break
        rounded.append(settable(problem, found.family, found.descent.z, seed, until))
    return rounded


def best_of_each_kind(
    problem: Problem,
    searched: Searched,
    scored: list[Scored],
    candidates: Sequence[Candidate],
) -> tuple[Tried, ...]:
    """Each kind of program that was tried and the least cost found [s], nan where none that meets the goal was found.

    Rounded programs count too: a step on the grid may gain a little, and a program whose ramp came out flat is of
    another kind than the family it was found in.
    """
    best = {ends[0].family.name: float("nan") for ends in searched.best.values() if ends}
    found = [(each.family.name, each.descent.cost) for each in searched.all() if each.feasible]
    found += [(family_name(each.prediction.program), each.cost) for each in scored if each.settable.feasible]
    found += [(each.family, _cost(problem, each.prediction)) for each in candidates if each.feasible]
    for name, cost in found:
        best[name] = float(np.nanmin([cost, best.get(name, cost)]))
    return tuple(Tried(name, cost) for name, cost in best.items())


def _in_use(problem: Problem) -> InUse | None:
    """The method in use as predicted, with what it breaks."""
    if problem.scenario.current is None:
        return None
    now = predict(problem, problem.scenario.current)
    now, reliability = with_uncertainty(problem, now, exact=True)
    cycle = cycle_time(problem.scenario, now.program, now.run_time)
    breaks = broken_limits(problem, now)
    shift = samples_per_shift(problem.scenario, cycle)
    return InUse(now, cycle, shift, breaks, reliability, broken_equipment(problem, now))


def _pool(searched: Searched, wanted: int) -> list[Found]:
    """The best of each family, and near-ties with clearly different set points."""
    pool: list[Found] = []
    for ends in searched.best.values():
        taken: list[Found] = []
        for found in ends:
            if taken and found.feasible != taken[0].feasible:
                continue
            if taken and found.feasible and found.descent.cost > NEAR_TIE * taken[0].descent.cost:
                continue
            if all(np.max(np.abs(found.descent.z - other.descent.z)) > DIFFERENT for other in taken):
                taken.append(found)
            if len(taken) == 2:
                break
        pool += taken
    feasible = [found for found in pool if found.feasible]
    if feasible:
        best = min(found.descent.cost for found in feasible)
        pool = [found for found in feasible if found.descent.cost <= SLOW * best]
        return sorted(pool, key=lambda found: found.descent.cost)[: 2 * wanted]
    return sorted(pool, key=rank)[:wanted]


def _cost(problem: Problem, prediction: Prediction) -> float:
    """What is minimised, of a program as shown [s]."""
    if problem.scenario.goal.minimise == "cycle time":
        return cycle_time(problem.scenario, prediction.program, prediction.run_time)
    return prediction.run_time


@dataclass(frozen=True)
class Scored:
    """A rounded program: cost [s], and what it misses.

    `misses` is what the nominal program misses of the requirements (`Problem.shortfall`), `lacks` what its pass
    probability lacks of the required one. Their sum is the measure by which programs that fail are ranked.
    """

    settable: Settable
    prediction: Prediction
    cost: float
    misses: float
    lacks: float

    @property
    def key(self) -> tuple[bool, bool, float, float, int]:
        """Sorting key: what meets the goal by cost; then what can be run by what it misses, the faster of two alike."""
        broken, equipment = self.settable.how_far
        missed = round(equipment if broken else self.misses + self.lacks, ALIKE_MISSES)
        family = self.settable.family
        feasible = self.settable.feasible
        return (
            not feasible,
            broken and not feasible,
            0.0 if feasible else missed,
            self.cost,
            family.ramps + family.carrier_ramps,
        )

    def beats(self, other: Scored) -> bool:
        """Whether it is as good in time, probability and misses, and better in one of them."""
        mine, theirs = self._measures, other._measures
        return mine != theirs and all(a <= b for a, b in zip(mine, theirs, strict=True))

    @property
    def _measures(self) -> tuple[float, float, float]:
        return self.cost, round(self.lacks, ALIKE_PROBABILITY), round(self.misses, ALIKE_MISSES)


def score_of(problem: Problem, each: Settable) -> Scored:
    """A rounded program as it is ranked; one that fails is judged by draws that no search has seen."""
    prediction = predict(problem, each.program)
    misses, lacks = 0.0, 0.0
    if not each.feasible:
        misses = judgement(nominal_problem(problem), batch_of([each.program])).shortfall
        if problem.by_draws:
            _, known = with_uncertainty(
                problem, prediction, exact=True, sources=False, known=each.reliability
            )
            lacks = max(problem.confidence - known.share, 0.0)
    return Scored(each, prediction, _cost(problem, prediction), misses, lacks)


def worth_showing(scored: list[Scored], wanted: int) -> list[Scored]:
    """Drop programs that another beats or a simpler one matches, and repeats of one another."""
    # Of those that fail, one that is no closer and takes longer is no answer; nor then what a simpler one matches.
    best = [
        each for each in scored if each.settable.feasible or not any(other.beats(each) for other in scored)
    ]
    worthy = [each for each in best if not any(_matches(other, each) for other in best)]
    firsts: dict[str, int] = {}
    for number, each in enumerate(worthy):
        firsts.setdefault(family_name(each.prediction.program), number)
    # The best of each kind come first; near-ties fill what room is left.
    chosen = sorted(firsts.values())[:wanted]
    for number, each in enumerate(worthy):
        if len(chosen) >= wanted:
            break
        program = each.prediction.program
        alike = any(_alike(program, worthy[other].prediction.program) for other in chosen)
        near = each.cost <= NEAR_TIE * worthy[firsts[family_name(program)]].cost
        if number not in chosen and not alike and near:
            chosen.append(number)
    return [worthy[number] for number in sorted(chosen)]


def _matches(other: Scored, each: Scored) -> bool:
    """Whether a simpler program is hardly slower; of those that fail, whether it comes as close."""
    feasible = each.settable.feasible
    if other.settable.feasible != feasible or not _simpler(other.prediction.program, each.prediction.program):
        return False
    if feasible:
        return other.cost <= SIMPLER * each.cost
    return other.misses + other.lacks <= each.misses + each.lacks + ALIKE_SHORTFALL


def _simpler(a: Program, b: Program) -> bool:
    """Whether a program has fewer ramps than another of the same carrier variable, and nowhere more."""
    ovens, carriers = (
        (len(a.oven.ramps), len(b.oven.ramps)),
        (len(a.carrier.ramps), len(b.carrier.ramps)),
    )
    if a.carrier.controlled != b.carrier.controlled or ovens[0] > ovens[1] or carriers[0] > carriers[1]:
        return False
    return ovens[0] < ovens[1] or carriers[0] < carriers[1]


def _alike(a: Program, b: Program) -> bool:
    """Whether two programs have nearly the same corners."""
    if a.carrier.controlled != b.carrier.controlled or len(a.oven.ramps) != len(b.oven.ramps):
        return False
    if len(a.carrier.ramps) != len(b.carrier.ramps):
        return False
    if abs(np.log(a.carrier.start / b.carrier.start)) > 0.1:
        return False
    pairs = [(a.oven.start, b.oven.start, 8.0), (a.oven.hold, b.oven.hold, 60.0)]
    for one, other in zip(a.carrier.ramps, b.carrier.ramps, strict=True):
        pairs += [(np.log(one.target), np.log(other.target), 0.1)]
    for one, other in zip(a.oven.ramps, b.oven.ramps, strict=True):
        pairs += [(one.target, other.target, 12.0), (np.log(one.rate), np.log(other.rate), 0.25)]
    return all(abs(x - y) <= scale for x, y, scale in pairs)


def family_name(program: Program) -> str:
    """A program's kind in words, as it turned out after rounding."""
    ramps = len(program.oven.ramps)
    oven = WORDS[ramps] if ramps < len(WORDS) else f"{ramps} ramps"
    return f"{oven}, {carrier_words(program.carrier.controlled, len(program.carrier.ramps))}"


def candidate_of(
    problem: Problem, each: Settable, prediction: Prediction, now: Prediction | None
) -> Candidate:
    """A program to be shown, not yet ranked."""
    prediction, reliability = with_uncertainty(problem, prediction, exact=True, known=each.reliability)
    cycle = cycle_time(problem.scenario, prediction.program, prediction.run_time)
    missed = shortfalls(problem, prediction, reliability.share)
    feasible = not missed
    set_points = set_point_tolerances(problem, prediction)
    return Candidate(
        rank=0,
        family=family_name(each.program),
        prediction=prediction,
        cycle_time=cycle,
        samples_per_shift=samples_per_shift(problem.scenario, cycle),
        margins=margins_of(problem, prediction),
        feasible=feasible,
        reliability=reliability,
        next_seconds=next_seconds(problem, each) if feasible else "",
        compared=compared_with(problem, prediction, now) if now is not None else (),
        warnings=(
            *about_flat_ramp(problem.scenario, prediction.program),
            *(risk_warnings(problem.confidence, reliability) if feasible else ()),
            *warnings_of(problem, prediction, now),
        ),
        missed=missed,
        order_changes=tuple(about_order(problem, prediction, now)),
        set_points=set_points,
        together=moved_together(problem, prediction, set_points),
    )
