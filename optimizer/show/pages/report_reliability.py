"""How sure a candidate is, as the report shows it: sentences and two small tables, and one of its set points."""

from __future__ import annotations

from typing import Any

from optimizer.base.numbers import percent
from optimizer.goal.outcome import Candidate
from optimizer.results.reliability import (
    costs,
    failures,
    judged_text,
    set_point_tolerance_document,
    set_to,
    worse_of,
)
from optimizer.scenario.data import Scenario
from optimizer.show.pages.page import number_text

View = dict[str, Any]


def reliability_view(scenario: Scenario, candidate: Candidate) -> View:
    """What the template needs to say how sure a candidate is."""
    reliability = candidate.reliability
    return {
        "holds": percent(reliability.share),
        "judged": judged_text(scenario.goal.confidence, reliability),
        "failures": failures(reliability),
        "costs": costs(reliability),
        "set_points_off": set_point_rows(candidate),
    }


def set_point_rows(candidate: Candidate) -> list[View]:
    """One row a set point, the most critical first: what it does when off by its tolerance, down and up."""
    critical = candidate.prediction.critical_pair
    rows = []
    for each in map(set_point_tolerance_document, candidate.set_points):
        worse = worse_of(each)
        pair = worse["critical_pair"]
        rows.append(
            {
                "label": each["label"],
                "set_to": set_to(each),
                "end": _both(each, "run_time_change_s", "+.1f"),
                "resolution": _both(each, "min_resolution", ".2f"),
                "pair": ""
                if pair is None or tuple(pair) == critical
                else f"{' and '.join(pair)} ({worse['critical_pair_needs']:.2f} needed)",
                "breaks": each["breaks"],
            }
        )
    return rows


def _both(point: View, key: str, form: str) -> str:
    """A value with the set point moved down and up; a dash where there is no such program."""
    return " / ".join(
        number_text(None if point[which] is None else point[which][key], form)
        for which in ("lower", "higher")
    )
