"""Peaks that are probably wrong, as fit.json lists them."""

from __future__ import annotations

from typing import Any

from models.fit import Fit
from models.fit_diagnosis import description, mend
from models.units import SECONDS_PER_MINUTE
from optimizer.document_numbers import minutes, number
from optimizer.scenario import Scenario


def suspect_documents(scenario: Scenario, fit: Fit) -> list[dict[str, Any]]:
    """One entry a suspect, the clearest first; `with` and `or_run` are null where there is none."""
    names, runs = scenario.compounds, [run.name for run in scenario.runs]
    return [
        {
            "compound": names[suspect.compound],
            "run": runs[suspect.run],
            "or_run": None if suspect.other_run is None else runs[suspect.other_run],
            "kind": suspect.kind,
            "with": None if suspect.partner is None else names[suspect.partner],
            "seconds": number(suspect.seconds, 3),
            "sigmas": number(suspect.sigmas, 3),
            "expected_min": minutes(suspect.expected),
            "expected_sd_min": number(suspect.expected_error / SECONDS_PER_MINUTE, 3),
            "intended_min": None if suspect.intended is None else minutes(suspect.intended),
            "chi_square_falls_by": number(suspect.gain, 3),
            "for_the_areas": number(suspect.area_gain, 3),
            "words": description(suspect, runs, names),
            "mend": mend(suspect, runs, names),
        }
        for suspect in fit.suspects
    ]
