"""Three kinds of no: what cannot be met, what is not sure enough, and what was not found in the time given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import optimizer.methods.why_not
from benchmarks.mixtures import mixture
from optimizer.base.clock import rounds_counted
from optimizer.goal.asides import NotMet
from optimizer.goal.goal import NEARLY, Pairs, Problem, problem_of
from optimizer.goal.outcome import SearchOutcome
from optimizer.goal.uncertainty import SOURCE_TEXTS
from optimizer.methods.why_not import SEARCHES, asked_alone, beyond_reach, furthest_of, out_of_reach, why_not
from optimizer.results.candidate import candidate_document, first_line, scouting_advice
from optimizer.search.candidates import outcome_of
from optimizer.search.descent import assessed
from optimizer.search.found import Found, Searched
from optimizer.search.program_space import families_of, family
from optimizer.search.reasons import in_short
from tests.optimizer.search.test_infeasible import against_nature, unsure

UNLIMITED = 1e9  # s


def with_one_pair(problem: Problem, pair: tuple[int, int], needed: float) -> Problem:
    """The problem with the resolution of one pair required and no other."""
    at = np.flatnonzero((problem.pairs.index == pair).all(axis=1))
    return replace(problem, pairs=Pairs(problem.pairs.index[at], np.array([needed])))


def failed(problem: Problem) -> tuple[SearchOutcome, Searched]:
    """A search that knows one program of each family, anywhere, and its outcome."""
    families = families_of(problem.scenario)
    found = {
        number: [Found(each, assessed(problem, each, each.ordered(np.full(each.size, 0.4))))]
        for number, each in enumerate(families)
    }
    searched = Searched(best=found)
    made = outcome_of(problem, searched)
    assert not made.feasible
    return replace(made, not_met=why_not(problem, made, searched)), searched


def shown(problem: Problem) -> NotMet | None:
    made, searched = failed(problem)
    return out_of_reach(problem, made, searched, UNLIMITED)


def reachable(problem: Problem, pair: tuple[int, int]) -> float:
    """The best resolution of a pair that nine searches reach, none of which the tool itself makes."""
    much = with_one_pair(problem, pair, 60.0)
    alone, families = asked_alone(much, 0), families_of(problem.scenario)
    ends = [furthest_of(alone, families, np.random.default_rng(seed), UNLIMITED, None) for seed in range(9)]
    return 60.0 * (1 + max(end.descent.margin for end in ends if end is not None))


@pytest.fixture(scope="module")
def hard() -> tuple[Problem, tuple[int, int], float]:
    """A mixture, the pair of it that is hardest, and the best resolution it can have."""
    known = mixture(8, 1, 1)
    pair = (2, 3)
    best = reachable(known, pair)
    assert best < 60  # the limit is not that of the search for it
    return known, pair, best


def test_a_resolution_that_nothing_gives_cannot_be_met(hard: tuple[Problem, tuple[int, int], float]) -> None:
    known, pair, best = hard
    asked = with_one_pair(known, pair, 1.5 * best)
    found = shown(asked)
    assert found is not None
    assert found.kind == "cannot be met"
    assert found.requirement == f"a resolution of {1.5 * best:g} between c3 and c4"
    reached = float(found.best_reachable.split(": ")[1].split()[0])
    assert reached == pytest.approx(best, rel=0.02)
    assert found.text.startswith("Cannot be met: a resolution of ")


@pytest.mark.parametrize("share", [0.97, 0.999, 1.05])
def test_a_goal_about_as_tight_as_can_be_met_is_never_called_impossible(
    hard: tuple[Problem, tuple[int, int], float], share: float
) -> None:
    known, pair, best = hard
    made, searched = failed(with_one_pair(known, pair, share * best))
    assert out_of_reach(with_one_pair(known, pair, share * best), made, searched, UNLIMITED) is None
    assert made.not_met is not None
    assert made.not_met.kind == "not found in this time"


def test_requirements_that_only_together_cannot_be_met_are_not_called_impossible(
    hard: tuple[Problem, tuple[int, int], float],
) -> None:
    """A resolution that takes long, and little time: each can be had alone."""
    known, pair, best = hard
    late = replace(known.scenario, goal=replace(known.scenario.goal, latest_elution=150.0))
    both = with_one_pair(problem_of(late, known.fit), pair, 0.95 * best)
    assert shown(both) is None


def test_an_order_against_nature_cannot_be_met() -> None:
    found = shown(against_nature())
    assert found is not None
    assert found.requirement == "c8 before c2"
    assert "must elute before it" in found.best_reachable


def test_without_the_time_for_three_searches_nothing_is_called_impossible(
    hard: tuple[Problem, tuple[int, int], float],
) -> None:
    known, pair, best = hard
    asked = with_one_pair(known, pair, 1.5 * best)
    _, searched = failed(asked)
    assert beyond_reach(asked, searched, 0.0, None) is None


def test_searches_that_differ_show_nothing(
    hard: tuple[Problem, tuple[int, int], float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of three ends two per cent behind the others."""
    known, pair, best = hard
    asked = with_one_pair(known, pair, 1.5 * best)
    real, calls = optimizer.methods.why_not.furthest_of, []

    def behind(*given: object) -> Found | None:
        end = real(*given)  # type: ignore[arg-type]
        calls.append(end)
        if end is None or len(calls) < SEARCHES:
            return end
        return replace(end, descent=replace(end.descent, margin=1.02 * (1 + end.descent.margin) - 1))

    monkeypatch.setattr(optimizer.methods.why_not, "furthest_of", behind)
    assert shown(asked) is None
    assert len(calls) == SEARCHES


def test_ctrl_c_ends_the_proof_and_shows_nothing(
    hard: tuple[Problem, tuple[int, int], float], monkeypatch: pytest.MonkeyPatch
) -> None:
    known, pair, best = hard

    def stopped(*given: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(optimizer.methods.why_not, "furthest_of", stopped)
    assert shown(with_one_pair(known, pair, 1.5 * best)) is None


def test_the_equipment_is_kept_where_a_requirement_is_brought_furthest(
    hard: tuple[Problem, tuple[int, int], float],
) -> None:
    known, pair, _ = hard
    alone = asked_alone(with_one_pair(known, pair, 60.0), 0)
    end = furthest_of(alone, families_of(known.scenario), np.random.default_rng(4), UNLIMITED, None)
    assert end is not None
    assert end.descent.equipment >= NEARLY
    assert alone.problem.requirements == ()


def test_programs_that_pass_only_nominally_are_not_sure_enough() -> None:
    """The program, its time and probability, and the main risk of it: what is asked of the fit is asked there."""
    problem, searched = unsure()
    made = outcome_of(problem, searched)
    found = why_not(problem, made, searched)
    made = replace(made, not_met=found)
    assert found.kind == "not sure enough yet"
    assert found.nominal is not None
    assert found.nominal.cost == made.candidates[0].prediction.run_time
    assert found.nominal.reliability == made.candidates[0].reliability
    assert found.nominal.reliability.main_risks[0].text == SOURCE_TEXTS["retention"]
    text = first_line(made)
    assert text.startswith(
        f"Not sure enough yet: {found.nominal.cost / 60:.2f} min meets every requirement nominally"
    )
    assert SOURCE_TEXTS["retention"] in text
    assert "rampwright next" in (scouting_advice(problem.scenario, made) or "")
    document = candidate_document(problem.scenario, made)["not_met"]
    assert document["kind"] == "not sure enough yet"
    assert document["text"] == text
    assert document["nominal"]["cost_min"] == pytest.approx(found.nominal.cost / 60, abs=1e-3)
    assert out_of_reach(problem, made, searched, UNLIMITED) is None


def test_the_best_nominal_end_of_the_search_is_shown_where_no_candidate_is_one() -> None:
    """The closest by draws may miss something nominally; the search's own nominal ends are asked then."""
    problem, searched = unsure()
    made = outcome_of(problem, searched)
    one = family(problem.scenario, 1, "flow")
    end = searched.best[0][0]
    nominal = replace(end.descent, margin=0.0, backoff=None)
    known = replace(searched, nominal={0: [Found(one, nominal)]})
    found = why_not(problem, replace(made, candidates=()), known)
    assert found.kind == "not sure enough yet"
    told = why_not(problem, replace(made, candidates=()), searched, "--seconds 80")
    assert told.kind == "not found in this time"
    assert told.closest == in_short(made.blocking) != ""
    assert f"no program that was tried meets the goal; the closest misses {made.blocking[0]}" in told.text
    assert told.text.endswith("to search on from here: --seconds 80 --start-from FOLDER (of this result).")


def test_rounds_in_place_of_time_give_the_same_answer(hard: tuple[Problem, tuple[int, int], float]) -> None:
    known, pair, best = hard
    asked = with_one_pair(known, pair, 1.5 * best)
    made, searched = failed(asked)
    found = []
    for _ in range(2):
        with rounds_counted():
            found.append(out_of_reach(asked, made, searched, 8.0))
    assert found[0] is not None
    assert found[0] == found[1]
