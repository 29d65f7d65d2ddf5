"""A compared confirmation run as a plain document and as rows of a table."""

from __future__ import annotations

import numpy as np

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import minutes, number, two_decimals
from optimizer.base.tables import document_of
from optimizer.goal.outcome import Prediction, SearchOutcome
from optimizer.goal.reliability import Reliability
from optimizer.goal.shared_cause import Cause
from optimizer.methods.compare import ComparedPair, Comparison, cut_of
from optimizer.methods.compare_refit import Entered, Refit
from optimizer.methods.wrong_names import Mend
from optimizer.results.candidate import candidate_document
from optimizer.results.compare_advice import advice, assumed, retuned_text, retuning_reasons, unreliable_text
from optimizer.results.compare_words import cause_text, mend_text, remarks, verdict_line
from optimizer.results.documents import FORMAT, Document, program_document

COLUMNS = (
    "compound",
    "predicted_min",
    "predicted_sd_min",
    "found_min",
    "deviation_s",
    "deviation_sd",
    "left_by_shared_cause_s",
    "width_half_predicted_min",
    "width_half_found_min",
    "width_ratio",
)
CAUSE_KEYS = {
    "gas": "velocity_percent",
    "oven": "oven_K",
    "delay": "delay_s",
    "stretch": "longer_percent",
}


def compared_document(
    compared: Comparison, after: Refit | None, outcome: SearchOutcome | None = None
) -> Document:
    """What compare.json holds.

    Parameters
    ----------
    after : Refit or None, where nothing was left to refit with
    outcome : SearchOutcome or None, of a search with the refit
    """
    scenario, prediction = compared.problem.scenario, compared.prediction
    document: Document = {
        "format": FORMAT,
        "title": scenario.title,
        "run": compared.name,
        "program_from": compared.origin,
        **program_document(prediction.program, scenario.ambient_pressure),
        "run_time_min": minutes(prediction.run_time),
        "repeatability_min": number(compared.repeatability / SECONDS_PER_MINUTE),
        "verdict": compared.verdict,
        "says": verdict_line(compared),
        "goal_met": compared.goal_met,
        "remarks": remarks(compared),
        "advice": advice(compared, after, outcome is not None),
        "smallest_resolution": _smallest(compared),
        "peaks": [_peak(compared, int(m)) for m in prediction.order],
        "missing": list(compared.missing),
        "extra": [{"name": name, "found_min": minutes(time)} for name, time in compared.extra],
        "pairs": [_pair(compared, pair) for pair in compared.pairs],
        "wishes": [
            {"wish": each.name, "met": each.met, "missed": each.missed or None} for each in compared.wishes
        ],
        "wrong_names": [_mend(compared, mend) for mend in compared.mends],
        "width_ratio": number(compared.width_ratio),
        "deviations": _deviations(compared),
        "reliability": document_of(compared.reliability, scenario.ambient_pressure),
        "refit": None if after is None else _refit(compared, after),
        "retuned": None,
        "retuned_for": None,
    }
    if after is not None and outcome is not None:
        document["retuned"] = candidate_document(after.problem.scenario, outcome)
        if after.reliable:
            best = outcome.candidates[0].reliability if outcome.candidates else None
            document["advice"].append(retuned_text(after.reliability, best, compared.problem.confidence))
        if outcome.candidates:
            document["retuned_for"] = retuned_for(compared, after, outcome.candidates[0].prediction.program)
    return document


def retuned_for(compared: Comparison, after: Refit, tuned: Program) -> str | None:
    """What a program tuned with this run rests on, where that is to be known before it is used."""
    said = [] if after.reliable else [f"NOT RELIABLE. {unreliable_text(after)}"]
    state = assumed(compared, tuned)
    return " ".join(said + ([] if state is None else [state])) or None


def compared_rows(document: Document) -> list[dict[str, str | float | None]]:
    """One row a compound, for compare.csv; the keys are `COLUMNS`."""
    return [{key: row[key] for key in COLUMNS} for row in document["peaks"]]


def _peak(compared: Comparison, m: int) -> Document:
    prediction = compared.prediction
    predicted, width = prediction.retention[m], prediction.width_half[m]
    wrong = {each.compound for each in compared.mends}
    wrong |= {each.partner for each in compared.mends if each.kind == "swapped" and each.partner is not None}
    return {
        "compound": prediction.compounds[m],
        "role": compared.problem.scenario.role(prediction.compounds[m]),
        "predicted_min": minutes(predicted),
        "predicted_sd_min": number(compared.time_sd[m] / SECONDS_PER_MINUTE, 3),
        "found_min": minutes(compared.named[m]),
        "deviation_s": _hundredths(compared.deviation[m]),
        "deviation_sd": _hundredths(compared.deviation[m] / compared.time_sd[m]),
        "left_by_shared_cause_s": None if compared.causes.cause is None else _hundredths(compared.rest[m]),
        "width_half_predicted_min": number(width / SECONDS_PER_MINUTE),
        "width_half_found_min": number(compared.found_width[m] / SECONDS_PER_MINUTE),
        "width_ratio": number(compared.found_width[m] / width, 3),
        "width_deviation_sd": _hundredths(compared.width_sigmas[m]),
        "wrongly_named": m in wrong,
        "lost": m in compared.lost,
    }


def _hundredths(value: float) -> float | None:
    value = float(value)
    return round(value, 2) + 0.0 if np.isfinite(value) else None


def _pair(compared: Comparison, pair: ComparedPair) -> Document:
    names = compared.prediction.compounds
    return {
        "between": [names[pair.a], names[pair.b]],
        "needed": number(pair.needed),
        "predicted": two_decimals(pair.predicted),
        "predicted_sd": _hundredths(pair.predicted_sd),
        "found": two_decimals(pair.found),
        "found_less_predicted_sd": _hundredths(pair.sigmas),
        "distance_change_base_widths": _hundredths(pair.apart),
        "found_sd": _hundredths(pair.found_sd),
        "met": None if np.isnan(pair.found) else pair.met,
        "within_noise": None if np.isnan(pair.found) else pair.in_noise,
    }


def _smallest(compared: Comparison) -> Document:
    prediction, found = compared.prediction, compared.critical_found
    pair = prediction.critical_pair
    sd = None if prediction.critical is None else _hundredths(prediction.resolution_sd[prediction.critical])
    names = prediction.compounds
    return {
        "predicted": two_decimals(prediction.min_resolution),
        "predicted_sd": sd,
        "predicted_between": None if pair is None else list(pair),
        "predicted_needed": number(prediction.critical_needed),
        "found": None if found is None else two_decimals(found.found),
        "found_between": None if found is None else [names[found.a], names[found.b]],
        "found_needed": None if found is None else number(found.needed),
    }


def _mend(compared: Comparison, mend: Mend) -> Document:
    names = compared.prediction.compounds
    partner: str | None = None
    if mend.partner is not None:
        partner = compared.extra[mend.partner][0] if mend.kind == "extra" else names[mend.partner]
    return {
        "compound": names[mend.compound],
        "kind": mend.kind,
        "partner": partner,
        "expected_min": minutes(mend.expected),
        "off_sd": number(mend.sigmas, 3),
        "intended_min": None if mend.intended is None else minutes(mend.intended),
        "says": mend_text(compared, mend),
    }


def _deviations(compared: Comparison) -> Document:
    causes = compared.causes
    return {
        "peaks": causes.peaks,
        "chi_square": number(causes.chi_square),
        "independent": causes.independent,
        "chi_square_with_tolerances": number(causes.tolerant),
        "fall_with_tolerances": number(causes.fall),
        "beyond_tolerances": causes.beyond,
        "cause": None if causes.cause is None else _cause(compared, causes.cause),
        "as_well": [_cause(compared, each) for each in causes.rivals],
    }


def _cause(compared: Comparison, cause: Cause) -> Document:
    shared = cause.kind in ("gas", "stretch")
    size = 100 * (np.expm1(cause.size) if cause.kind == "gas" else cause.size) if shared else cause.size
    cut = cut_of(compared, cause)
    return {
        "kind": cause.kind,
        CAUSE_KEYS[cause.kind]: number(size, 3),
        "sd": number(100 * cause.sd if shared else cause.sd, 2),
        "as_cut_off_m": None if cut is None else round(cut, 3),
        "chi_square": number(cause.chi_square),
        "says": cause_text(compared, cause),
    }


def _refit(compared: Comparison, after: Refit) -> Document:
    """The fit before and after, and what becomes of the compared program."""
    moved = after.problem.fit.retention.T0 - compared.problem.fit.retention.T0
    m = int(np.argmax(np.abs(moved)))
    return {
        "before": _seen(compared.problem.fit.system.flow_factor, compared.prediction, compared.reliability),
        "after": _seen(after.problem.fit.system.flow_factor, after.prediction, after.reliability),
        "misfit": number(after.misfit, 3),
        "reliable": after.reliable,
        "new_length_entered": None if after.entered is None else _entered(after.entered),
        "largest_change_of_T0": {
            "compound": compared.prediction.compounds[m],
            "K": _hundredths(moved[m]),
            "sd_before_K": number(compared.problem.fit.standard_error[m, 0], 3),
        },
        "left_out": list(after.left_out),
        "retuning_advised": list(retuning_reasons(compared, after)),
    }


def _entered(entered: Entered) -> Document:
    return {
        "length_m": number(entered.length, 5),
        **_expected(entered.prediction, entered.reliability),
    }


def _seen(flow_factor: float, prediction: Prediction, reliability: Reliability) -> Document:
    return {"flow_factor": number(flow_factor, 6), **_expected(prediction, reliability)}


def _expected(prediction: Prediction, reliability: Reliability) -> Document:
    pair = prediction.critical_pair
    return {
        "min_resolution": two_decimals(prediction.min_resolution),
        "critical_pair": None if pair is None else list(pair),
        "critical_pair_needs": number(prediction.critical_needed),
        "pass_probability": number(reliability.share, 3),
        "fails_most": next(
            ({"what": what, "share": number(share, 3)} for what, share in reliability.failures), None
        ),
    }
