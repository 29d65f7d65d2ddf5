"""Every run that was weighed for a campaign, by what it does to the goal, and what it would teach beside that."""

from __future__ import annotations

from dataclasses import dataclass

from models.column.programs import Program
from optimizer.base.numbers import number
from optimizer.base.tables import document_of
from optimizer.campaign.next_run import Standing
from optimizer.campaign.words import METHOD, advised, candidate_document, stands, worth_document
from optimizer.goal.asides import WORTH
from optimizer.goal.outcome import Candidate
from optimizer.methods.scout import LEADING, Critical, leading_pairs, taught
from optimizer.results.documents import FORMAT, Document
from optimizer.results.scout import cautions_of, next_text
from optimizer.results.set_points import set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document


@dataclass(frozen=True)
class Scouted:
    """Runs that may come next.

    Attributes
    ----------
    standing : what each is worth, best first, and which is proposed
    pairs : critical pairs of the leading candidates
    taught : of each run of `standing.worth`, the share it takes off the variance of their resolutions; empty where
        there are none
    """

    standing: Standing
    pairs: tuple[Critical, ...]
    taught: tuple[float, ...]

    @property
    def scenario(self) -> Scenario:
        """What is scouted."""
        return self.standing.problem.scenario

    @property
    def leading(self) -> tuple[Candidate, ...]:
        """The candidates whose pairs count."""
        return self.standing.outcome.candidates[:LEADING]

    @property
    def suggested(self) -> Program | None:
        """The program of the run to make; None where no run is worth it."""
        run = self.standing.proposed
        return None if run is None else run.program


def scouted(found: Standing) -> Scouted:
    """The runs that were weighed, with what each would teach."""
    problem = found.problem
    pairs, slopes = leading_pairs(problem, found.outcome.candidates[:LEADING])
    teach = [taught(problem, each.run.program, pairs, slopes) for each in found.worth if pairs]
    return Scouted(found, tuple(pairs), tuple(teach))


def scout_document(found: Scouted) -> Document:
    """As `rampwright scout --json` where there are runs."""
    scenario, now, program = found.scenario, found.standing, found.suggested
    ambient = scenario.ambient_pressure
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "next run",
        "method": METHOD,
        "advice": now.advice,
        "stands": stands(now),
        "suggestion": advised(now),
        "candidates": [
            {"rank": each.rank, **candidate_document(each, ambient), "missed": list(each.missed)}
            for each in found.leading
        ],
        "critical_pairs": [document_of(pair, ambient) for pair in found.pairs],
        "runs": [
            {
                "rank": n,
                "suggested": now.proposes(each),
                **worth_document(now, each),
                "taught": number(found.taught[n - 1], 3) if found.taught else None,
                **program_document(each.run.program, ambient),
                "set_points": _lines(scenario, each.run.program),
            }
            for n, each in enumerate(now.worth, 1)
        ],
        "worth_share": WORTH,
        "programs_looked_up": now.looked_up,
        "to_paste": None if program is None else next_text(scenario, program),
        "set_points": [] if program is None else _lines(scenario, program),
        "warnings": list(now.problem.warnings),
        "cautions": [] if program is None else list(cautions_of(scenario, [program])),
    }


def _lines(scenario: Scenario, program: Program) -> list[str]:
    return list(set_point_lines(program, scenario.ambient_pressure, column=scenario.column))
