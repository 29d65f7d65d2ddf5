"""Results as plain documents (dicts of numbers and text in trade units) for --json and the files left behind."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from models.column.retention import enthalpy, entropy
from models.fit.diagnosis import description, mend
from models.fit.fit import Fit
from models.peaks.resolution import BASE_WIDTH_PER_HALF, HALF_HEIGHT_WIDTH, pair_resolution
from models.units import SECONDS_PER_MINUTE, celsius
from optimizer.base.numbers import minutes, number, two_decimals
from optimizer.base.tables import document_of, written
from optimizer.goal.outcome import Prediction
from optimizer.scenario.conversion import tables_of
from optimizer.scenario.data import AnalyteDetail
from optimizer.scenario.program_tables import carrier_document, oven_document, program_document
from optimizer.scenario.reading import SCENARIO_FILE, Scenario

__all__ = [
    "FORMAT",
    "Document",
    "carrier_document",
    "check_document",
    "fit_document",
    "minutes",
    "number",
    "oven_document",
    "peak_documents",
    "prediction_document",
    "program_document",
    "two_decimals",
]

FORMAT = 1
Document = dict[str, Any]


def fit_document(scenario: Scenario, fit: Fit) -> Document:
    """What was fitted, how well, and how sure it is."""
    dH = enthalpy(fit.retention) / 1e3
    dS = entropy(fit.retention, scenario.column.phase_ratio)
    return {
        "format": FORMAT,
        "title": scenario.title,
        "flow_factor": number(fit.system.flow_factor, 6),
        "flow_factors": {
            run.name: number(f, 6) for run, f in zip(scenario.runs, fit.flow_factors, strict=True)
        },
        "plate_height_factor": number(fit.system.plate_height_factor),
        "injected_width_s": number(fit.system.injection_width),
        **_injected_at_half_height(fit),
        "oven_lag_s": number(fit.system.oven_lag),
        "oven_lag_sd_s": number(float(np.sqrt(fit.covariance[-1, -1]))) if fit.lag_fitted else None,
        "widths_fitted": fit.widths_fitted,
        "testable": fit.testable,
        "chi_square": number(fit.chi_square),
        "degrees_of_freedom": number(fit.degrees_of_freedom, 3),
        "hold_up_min": {run.name: minutes(t) for run, t in zip(scenario.runs, fit.hold_up, strict=True)},
        "compounds": [
            {
                "compound": name,
                "T0_C": round(float(celsius(fit.retention.T0[m])), 3),
                "T0_sd_K": number(fit.standard_error[m, 0]),
                "theta_K": number(fit.retention.theta[m], 6),
                "theta_sd_K": number(fit.standard_error[m, 1] * fit.retention.theta[m]),
                "heat_capacity_change_J_per_mol_K": number(fit.retention.dCp[m]),
                "heat_capacity_change_sd_J_per_mol_K": number(fit.standard_error[m, 2]),
                "enthalpy_kJ_per_mol": number(dH[m]),
                "entropy_J_per_mol_K": number(dS[m]),
                "from_typical_values": {
                    "theta": number(fit.prior_weight[m, 1], 2),
                    "heat_capacity_change": number(fit.prior_weight[m, 2], 2),
                },
                "residual_s": {
                    run.name: number(r, 3) for run, r in zip(scenario.runs, fit.residual[:, m], strict=True)
                },
            }
            for m, name in enumerate(scenario.compounds)
        ],
        "suspects": suspect_documents(scenario, fit),
        "warnings": [*scenario.warnings, *fit.warnings],
    }


def _injected_at_half_height(fit: Fit) -> Document:
    """The injected band as a width at half height with its standard deviation, and whether the runs tell it.

    What is fitted is its variance. The standard deviation of the width is what one of the variance adds to it: of a
    variance that is well known that is the usual first derivative, and it still says something where the variance is
    nought.
    """
    variance, sd = fit.system.injection_width**2, float(np.sqrt(fit.width_covariance[1, 1]))
    width = HALF_HEIGHT_WIDTH * fit.system.injection_width
    width_sd = HALF_HEIGHT_WIDTH * float(np.sqrt(variance + sd)) - width
    return {
        "injected_width_half_s": number(width),
        "injected_width_half_sd_s": number(width_sd, 3) if fit.widths_fitted else None,
        "injected_width_known": bool(fit.widths_fitted and width_sd <= width / 2),
    }


def injected_width_text(fitted: Document) -> str:
    """The injected width of a fit's document in words."""
    text = f"injected width at half height {fitted['injected_width_half_s']:.2f} s"
    if fitted["injected_width_half_sd_s"] is None:
        return text
    told = "" if fitted["injected_width_known"] else ", so the runs do not tell it"
    return f"{text}, standard deviation {fitted['injected_width_half_sd_s']:.2f} s{told}"


def prediction_document(scenario: Scenario, prediction: Prediction) -> Document:
    """A predicted chromatogram as a peak table."""
    return {
        "format": FORMAT,
        "title": scenario.title,
        **document_of(prediction, scenario.ambient_pressure),
        "peaks": peak_documents(scenario, prediction),
    }


def peak_documents(scenario: Scenario, prediction: Prediction) -> list[Document]:
    """One row a compound, in order of elution; what an analyte bears beside what it meets."""
    return [
        {
            "compound": prediction.compounds[m],
            "role": scenario.role(prediction.compounds[m]),
            "retention_min": minutes(prediction.retention[m]),
            "retention_sd_min": number(prediction.retention_sd[m] / SECONDS_PER_MINUTE, 3),
            "width_half_min": number(prediction.width_half[m] / SECONDS_PER_MINUTE),
            "width_half_sd_min": number(prediction.width_sd[m] / SECONDS_PER_MINUTE, 3),
            "width_base_min": number(prediction.width_half[m] * BASE_WIDTH_PER_HALF / SECONDS_PER_MINUTE),
            "elution_C": number(celsius(float(prediction.elution_temperature[m]))),
            "retention_factor": number(prediction.retention_factor[m]),
            "resolution_to_next": two_decimals(resolution_to_next(prediction, m)),
            "resolution_to_next_sd": number(resolution_to_next_sd(prediction, m), 3),
            "intact_fraction": number(prediction.intact_fraction[m], 5),
            "time_above_min": minutes(prediction.time_above[m]),
            **limits_of_analyte(scenario.detail(prediction.compounds[m])),
        }
        for m in prediction.order
    ]


def resolution_to_next(prediction: Prediction, m: int) -> float:
    """Half-height resolution of a compound and the next one out, with their tailing; nan for the last."""
    following = _next(prediction, m)
    if following is None:
        return float("nan")
    pair = np.array([[m, following]], dtype=np.intp)
    return float(pair_resolution(prediction.retention, prediction.width_half, pair, prediction.tailing)[0])


def resolution_to_next_sd(prediction: Prediction, m: int) -> float:
    """Its standard deviation; nan for the last and where the pair does not count."""
    following = _next(prediction, m)
    if following is None:
        return float("nan")
    counted = np.sort(prediction.counted_pairs, axis=1)
    at = np.flatnonzero((counted == sorted((m, following))).all(axis=1))
    return float(prediction.resolution_sd[at[0]]) if at.size else float("nan")


def _next(prediction: Prediction, m: int) -> int | None:
    """The compound that leaves after another; None after the last."""
    order = [int(each) for each in prediction.order]
    at = order.index(m)
    return order[at + 1] if at + 1 < len(order) else None


def check_document(scenario: Scenario) -> Document:
    """What was understood of a scenario, key by key as its file has them, and what to do next without runs to fit."""
    room, instrument = scenario.ambient_pressure, scenario.instrument
    highest_start = scenario.inlet.highest_start
    return {
        "format": FORMAT,
        "title": scenario.title,
        "matching": scenario.matching,
        **{name: written(table, room) for name, table in tables_of(scenario).items()},
        "scouting_runs": [
            {
                "name": run.name,
                "peaks": len(run.peaks.compounds),
                "peaks_file": run.file or None,
                **asdict(run.detection),
                "hold_up_min": None if run.hold_up is None else minutes(run.hold_up),
                "repeatability_min": number(run.repeatability / SECONDS_PER_MINUTE),
                "day": run.day or None,
                **program_document(run.program, room),
            }
            for run in scenario.runs
        ],
        "current": None if scenario.current is None else program_document(scenario.current, room),
        "analytes": [written(each) for each in scenario.analytes],
        "pairs": [written(each) for each in scenario.pairs],
        "groups": [written(each) for each in scenario.groups],
        "compounds": [{"compound": name, "role": scenario.role(name)} for name in scenario.compounds],
        "pairs_counted": scenario.number_of_counted_pairs,
        "derived": {
            "phase_ratio": number(scenario.column.phase_ratio),
            "oven_C": [
                number(celsius(instrument.lowest_oven_temperature))
                if instrument.lowest_oven_temperature
                else None,
                number(celsius(instrument.oven_max)),
            ],
            "highest_start_C": None if highest_start is None else number(celsius(highest_start)),
        },
        "warnings": list(scenario.warnings),
        "next": None if scenario.runs else _first_step(scenario),
    }


def limits_of_analyte(detail: AnalyteDetail) -> Document:
    """What an analyte bears, with the keys of a peak table: None where nothing is stated."""
    stated = written(detail)
    above = stated["max_time_above"] or {}
    return {
        "max_elution_C": stated["max_elution_temperature_C"],
        "limit_above_C": above.get("temperature_C"),
        "max_time_above_min": above.get("min"),
        "min_intact_fraction": detail.min_intact_fraction,
    }


def _first_step(scenario: Scenario) -> str:
    named = scenario.path.parent if scenario.path.name == SCENARIO_FILE else scenario.path
    return f"No [[scouting_runs]] yet, and nothing to fit; rampwright scout {named} says which two to make first."


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
