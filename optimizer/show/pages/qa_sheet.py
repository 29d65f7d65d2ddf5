"""qa_sheet.html: one page of paper a candidate, to be filed with the method."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.units import HALF_95, SECONDS_PER_MINUTE
from optimizer.base.numbers import MINUTES, NEEDED, RESOLUTION, SECONDS, percent
from optimizer.goal.cautions import PLANNING, cautions_in_short
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.goal.reliability import Moved
from optimizer.results.reliability import both_ways, critical_pair_text, probability_text, set_to
from optimizer.results.scenario_words import inputs
from optimizer.scenario.data import Scenario
from optimizer.show.pages.page import page
from optimizer.show.pages.report_candidate import set_point_tables

METHOD = ("Column", "Carrier gas", "Inlet", "Tolerances")  # of the inputs
MOST = 8  # set points one at a time; further ones are in the report


def qa_sheet(scenario: Scenario, outcome: SearchOutcome) -> str:
    """The page; only candidates that meet the goal have a sheet."""
    return page(
        "qa_sheet.html.j2",
        title=scenario.title,
        method=[each for each in inputs(scenario) if each[0] in METHOD],
        sheets=[_sheet(scenario, each) for each in outcome.candidates if each.feasible],
        planning=PLANNING,
    )


def _sheet(scenario: Scenario, candidate: Candidate) -> dict[str, Any]:
    prediction = candidate.prediction
    return {
        "rank": candidate.rank,
        "family": candidate.family,
        "run_time": MINUTES.text(prediction.run_time),
        "tables": set_point_tables(scenario, prediction),
        "probability": probability_text(candidate.reliability),
        "one": [
            (
                point.label,
                set_to(point),
                both_ways(point, _resolution),
                both_ways(point, lambda moved: SECONDS.text(moved.run_time_change)),
                ", ".join(point.breaks) or "–",
            )
            for point in candidate.set_points[:MOST]
        ],
        "more": max(len(candidate.set_points) - MOST, 0),
        "two": [
            (f"{each.first.label}; {each.second.label}", [_text(moved) for moved in each.moved])
            for each in candidate.together
        ],
        "suitability": suitability(candidate),
        "cautions": cautions_in_short(scenario, prediction),
    }


def _resolution(moved: Moved) -> str:
    return RESOLUTION.text(moved.resolution)


def _text(moved: Moved | None) -> str:
    """The smallest resolution, marked where a requirement is then missed."""
    if moved is None:
        return "–"
    return _resolution(moved) + (" ◆" if moved.breaks else "")


def suitability(candidate: Candidate) -> list[str]:
    """What a system suitability test may ask: resolution of the pairs that decide, and where the last peak elutes."""
    prediction, risk = candidate.prediction, candidate.reliability.pair_at_risk
    pair = prediction.critical_pair
    found = []
    if pair is not None:
        found.append(
            f"Resolution of {' and '.join(pair)}: at least {NEEDED.text(prediction.critical_needed)} (predicted "
            f"{critical_pair_text(prediction)})."
        )
    if risk is not None and risk.pair != pair:
        needed, predicted = _of_pair(candidate, risk.pair)
        found.append(
            f"Resolution of {' and '.join(risk.pair)}: at least {NEEDED.text(needed)} (predicted "
            f"{RESOLUTION.text(predicted)}; missed with {percent(risk.share)} probability)."
        )
    eluted = [int(m) for m in prediction.order if np.isfinite(prediction.retention[m])]
    for m in dict.fromkeys((*eluted[:1], *eluted[-1:])):
        half = HALF_95 * prediction.retention_sd[m]
        within = f" ± {half / SECONDS_PER_MINUTE:.3f}" if np.isfinite(half) else ""
        time = prediction.retention[m] / SECONDS_PER_MINUTE
        found.append(
            f"Retention of {prediction.compounds[m]}: {time:.3f}{within} min, to be set from the first runs."
        )
    return found


def _of_pair(candidate: Candidate, pair: tuple[str, str]) -> tuple[float, float]:
    """Resolution that a counted pair needs, and that it has."""
    prediction = candidate.prediction
    names = [{prediction.compounds[m] for m in each} for each in prediction.counted_pairs]
    at = names.index(set(pair))
    return float(prediction.needed[at]), float(prediction.resolution[at])
