"""What to do about a compared run, in sentences."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.column.programs import Program
from optimizer.base.numbers import beside_needed, percent
from optimizer.goal.outcome import Prediction
from optimizer.goal.reliability import Reliability
from optimizer.methods.compare import SHORT, ComparedPair, Comparison, cut_of
from optimizer.methods.compare_refit import Entered, Refit
from optimizer.results.compare_words import cause_text
from optimizer.search.candidates import RISKY

WORSE = 0.1  # fall of the share of draws from which re-tuning is advised


def advice(compared: Comparison, after: Refit | None, retuned: bool) -> list[str]:
    """What to do now, a sentence each."""
    if compared.another_program:
        how = "with --candidate N and --results DIR, or with --program FILE"
        if compared.origin != "[current]":
            how = "with --candidate, with --program, or [current] without either"
        return [f"Name the program that was run, {how}, and compare again. It was not added to the fit."]
    if after is None:
        return ["Mend the table first; nothing is left to refit with."]
    lines = []
    if compared.mends:
        lines.append("Look at the peak again before believing what follows, which takes it as mended.")
    if compared.lost:
        names = ", ".join(compared.prediction.compounds[m] for m in compared.lost)
        lines.append(
            f"Find {names} first: inject it by itself with this program, or look at the mass spectrum or the shape of "
            "its neighbours. The program is not confirmed without it."
        )
    if not after.reliable:
        return [*lines, unreliable_text(after)]
    lines += [_once_more(compared, pair) for pair in compared.undecided[:2]]
    return [*lines, *_drift_advice(compared, after), _tuning_advice(compared, after, retuned)]


def _once_more(compared: Comparison, pair: ComparedPair) -> str:
    """What one more injection would tell of a pair that lacks less than one is sure of."""
    names = compared.prediction.compounds
    return (
        f"Inject once more before judging {names[pair.a]} and {names[pair.b]}: {pair.found:.2f} ± {pair.found_sd:.2f} "
        f"does not tell whether the {pair.needed:.2f} needed are missed. The mean of two is sure to "
        f"±{pair.found_sd / np.sqrt(2):.2f}, and it is enough if the second run gives "
        f"{2 * pair.needed - pair.found:.2f} or more."
    )


def unreliable_text(after: Refit) -> str:
    """That a refit is not to be relied on."""
    return (
        "Find the cause before re-tuning: with this run added the fit does not fit (residuals "
        f"{after.misfit:.0f} times what is expected, root mean square of a run), so that no program tuned by it is "
        "reliable. Check the program, flow and oven of this run, its peaks, and repeatability_min."
    )


def _drift_advice(compared: Comparison, after: Refit) -> list[str]:
    """What to do about a cause that the scenario does not allow for."""
    cause = compared.causes.cause
    if compared.verdict != "drifts" or cause is None:
        return []
    if after.entered is not None:
        return [_after_cut(compared, after.entered)]
    if cause.kind == "gas":
        return ["Check the inlet for leaks, the entered column dimensions and the set pressure or flow."]
    if cause.kind == "oven":
        return [
            f"Set every temperature {abs(cause.size):.1f} °C {'lower' if cause.size > 0 else 'higher'}, or have "
            "the oven's temperature checked."
        ]
    if cause.kind == "delay":
        return [
            "Check the start signal and the injection, and whether the oven follows its program as it used to. A delay "
            "of all peaks costs no resolution."
        ]
    return ["Check what scales times: the clock of the data system, or a table that was recalculated."]


def _after_cut(compared: Comparison, entered: Entered) -> str:
    """What entering the new length does for the program; tuning for the old one is the other way, not a second step."""
    cut = compared.problem.fit.system.column.length - entered.length
    program = "" if compared.origin == "[current]" else " --program program.toml"
    writes = "" if compared.origin == "[current]" else " (compare --out writes that file)"
    return (
        f"If the column was cut, enter its new length, {entered.length:.2f} m, in instrument and scenario: then this "
        f"program meets the goal in {share_text(entered.reliability)}, its critical pair being "
        f"{critical_text(entered.prediction)}. rampwright adapt SCENARIO{program} --trim-m {cut:.2f}{writes} says "
        "what else changes and which setting brings the old times back; with --tune it tunes for that length."
    )


def _tuning_advice(compared: Comparison, after: Refit, retuned: bool) -> str:
    """Whether to tune again, for the instrument as the run found it."""
    reasons = retuning_reasons(compared, after)
    cut = compared.verdict == "drifts" and after.entered is not None
    length = f"{compared.problem.fit.system.column.length:g} m"
    shares = f"{share_text(after.reliability)}, {share_text(compared.reliability)} without this run"
    if reasons:
        way = "Re-tuning is advised"
        if cut:
            way = f"Or leave {length} entered and re-tune for that"
        elif _drift_advice(compared, after):
            way = "Or re-tune for the instrument as it is"
        return f"{way}: {'; '.join(reasons)}." + ("" if retuned else " Add --retune.")
    asked = compared.problem.confidence
    if asked and after.reliability.share < asked:
        return (
            f"What was found does not call for re-tuning, but the program is expected to meet the goal in {shares}: "
            f"less than the {percent(asked)} asked for, and it was so before the run."
        )
    if compared.goal_met is None or after.reliability.share < RISKY:
        return f"What was found does not call for re-tuning; the program is expected to meet the goal in {shares}."
    kept = f", with {length} left entered," if cut else ""
    return f"No re-tuning is needed: with this run in the fit the program{kept} meets the goal in {shares}."


def retuned_text(old: Reliability, new: Reliability | None, asked: float) -> str:
    """Whether to run the re-tuned program or keep the old one, both as the fit with this run sees them.

    A new program is better when it meets the goal more often; one that does so less often but as often as asked, as the
    old one does, is a matter of taste.
    """
    if new is None:
        return "Keep the old program: re-tuning found none."
    shares = f"the new one meets the goal in {share_text(new)}, the old one in {share_text(old)}"
    if asked:
        shares += f"; {percent(asked)} was asked for"
    if new.share > old.share:
        return f"Take the re-tuned program: {shares}."
    if asked and new.share >= asked:
        return f"Either program will do: {shares}. Only a shorter run speaks for the change."
    return f"Keep the old program: {shares}."


def retuning_reasons(compared: Comparison, after: Refit) -> tuple[str, ...]:
    """Why the program should be tuned again; none when it is as good as it was."""
    names = compared.prediction.compounds
    reasons = [
        f"{names[pair.a]} and {names[pair.b]} were found with a resolution of {pair.found:.2f}, "
        f"{pair.needed:.2f} is needed"
        for pair in compared.short[:2]
    ]
    reasons += [wish.missed for wish in compared.wishes if wish.met is False]
    prediction = after.prediction
    lack = prediction.resolution / prediction.needed
    if not compared.short and len(lack) and lack.min() < 1 - SHORT:
        p = int(np.argmin(lack))
        a, b = sorted(prediction.counted_pairs[p], key=lambda m: prediction.retention[m])
        reasons.append(
            f"with this run {names[a]} and {names[b]} are expected at a resolution of "
            f"{prediction.resolution[p]:.2f}, {prediction.needed[p]:.2f} is needed"
        )
    before, now = compared.reliability, after.reliability
    asked = compared.problem.confidence
    if before.share - now.share > WORSE or (asked and now.share < asked <= before.share):
        reasons.append(
            f"it now meets the goal in {share_text(now)}, against {share_text(before)} without this run"
        )
    return tuple(reasons)


def share_text(reliability: Reliability) -> str:
    """In what share of draws a program meets the goal, and what fails in most of the others."""
    most = next(({"what": what, "share": share} for what, share in reliability.failures), None)
    return share_in_words(reliability.share, most)


def share_in_words(share: float, fails_most: dict[str, Any] | None) -> str:
    """The same of what a document holds."""
    text = f"{percent(share)} of draws"
    if fails_most is None:
        return text
    return f"{text} (fails most: {fails_most['what']})"


def critical_text(prediction: Prediction) -> str:
    """The critical pair and what it needs."""
    pair = prediction.critical_pair
    if pair is None:
        return "none"
    return (
        f"{pair[0]} and {pair[1]} with {beside_needed(prediction.min_resolution, prediction.critical_needed)}"
    )


def assumed(compared: Comparison, tuned: Program) -> str | None:
    """For which state of the instrument a program tuned with this run is; None where that is as it was."""
    cause = compared.causes.cause
    if cause is None or compared.tolerated or cause.kind not in ("gas", "oven"):
        return None
    text = f"For the instrument as this run found it ({cause_text(compared, cause)})"
    if cut_of(compared, cause) is None:
        return f"{text}."
    if tuned.carrier.controlled == "pressure":
        return f"{text}; it sets a pressure, so that the length entered does not matter to it."
    length = compared.problem.fit.system.column.length
    return (
        f"{text}, with {length:g} m left entered. With the new length entered it does not give what is predicted "
        "here."
    )
