"""What the adapt command asks for, from its options to a document, a table for people and files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

from models.column.programs import Program
from models.errors import InvalidInputError
from models.fit.fit import Fit
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import Candidate, Prediction
from optimizer.methods.adapt import adapt
from optimizer.methods.adapt_options import Change, cut_of
from optimizer.methods.trim import trim
from optimizer.methods.workflow import optimize
from optimizer.results.adapt import adapted_document, program_file, trimmed_document
from optimizer.results.candidate import candidate_document, json_bytes
from optimizer.results.documents import Document
from optimizer.scenario.reading import Scenario
from optimizer.search.found import Progress
from optimizer.show.console.adapt import show_adapted, show_trimmed


@dataclass(frozen=True)
class Made:
    """A method on its new system.

    Attributes
    ----------
    document : Document
    show : how people see it
    old, problem : Problem on the system in use and on the new one, there with the method as its current one
    before, after : Prediction of the method in use, and of the carried or restored one
    feasible : bool, False when a search was made and nothing meets the goal
    tuned : Candidate or None, the first of that search
    """

    document: Document
    show: Callable[..., None]
    old: Problem
    problem: Problem
    before: Prediction
    after: Prediction
    feasible: bool = True
    tuned: Candidate | None = None

    def files(self) -> dict[str, bytes]:
        """adapt.json, the page adapt.html, and each program as a TOML file."""
        from optimizer.show.pages.adapt import adapt_html

        system, ambient = self.problem.fit.system, self.problem.scenario.ambient_pressure
        html = adapt_html(self.document, self.old, self.problem, self.before, self.after, self.tuned)
        files = {
            "adapt.json": json_bytes(self.document),
            "adapt.html": html.encode(),
            "program.toml": program_file(self.after.program, system, ambient),
        }
        if self.tuned is not None:
            files["tuned.toml"] = program_file(self.tuned.prediction.program, system, ambient)
        return files


def carried_over(scenario: Scenario, fit: Fit, method: Program, change: Change) -> Made:
    """The method on another gas, outlet or column."""
    made = adapt(scenario, fit, method, change)
    return Made(adapted_document(made), show_adapted, made.old, made.new, made.before, made.after)


def trimmed(
    scenario: Scenario, fit: Fit, method: Program, trim_m: float, marker: str | None, change: Change
) -> Made:
    """The method on a column that lost a piece.

    Raises
    ------
    InvalidInputError : when something else changes beside
    """
    if not change.nothing:
        raise InvalidInputError(
            "--trim-m says what was cut off the column in use; leave the other changes out, or give the length that is "
            "left with --length-m"
        )
    made = trim(scenario, fit, method, cut_of(scenario, trim_m), marker)
    return Made(trimmed_document(made), show_trimmed, made.old, made.new, made.before, made.rounded)


def tuned(made: Made, seconds: float | None, progress: Progress | None, rounds: int | None = None) -> Made:
    """The same with a search on the new system, within its limits."""
    problem = made.problem
    _, outcome = optimize(problem.scenario, problem.fit, seconds, progress, rounds=rounds)
    document = {**made.document, "tuned": candidate_document(problem.scenario, outcome)}
    first = outcome.candidates[0] if outcome.candidates else None
    show = partial(made.show, tuned=(problem.scenario, outcome))
    return replace(made, document=document, show=show, feasible=outcome.feasible, tuned=first)
