"""A comparison in sentences: the verdict in one line, remarks on the whole run, and what to do."""

from __future__ import annotations

import numpy as np

from models.column.programs import Program
from models.fit.diagnosis import EXPLAINED, others
from models.units import HALF_95, SECONDS_PER_MINUTE
from optimizer.base.numbers import beside_needed, percent
from optimizer.goal.outcome import Prediction
from optimizer.goal.reliability import Failure, Reliability
from optimizer.goal.shared_cause import BEYOND, LEAST_PEAKS, Causes
from optimizer.methods.compare import SHORT, ComparedPair, Comparison
from optimizer.methods.compare_refit import Entered, Refit
from optimizer.methods.wrong_names import Correction
from optimizer.search.reasons import RISKY

WIDER = 0.1  # of the widths, from which a change is reported
WIDTHS_OFF = 3.0  # sd of the median width, likewise
TO_CORRECT = ("misnamed", "drifts", "departs")  # verdicts that ask for something to be put right first
WORSE = 0.1  # fall of the pass probability from which re-tuning is advised


def verdict_line(compared: Comparison) -> str:
    """What to make of the run, in one line."""
    if compared.another_program:
        return (
            "The run deviates from its prediction by so much that it was probably made with another program than "
            f"{compared.origin}."
        )
    parts = [_judgement(compared), _resolution(compared)]
    parts += [each.missed or "" for each in compared.requirements]
    return f"{'; '.join(part for part in parts if part)}."


def _judgement(compared: Comparison) -> str:
    verdict, cause = compared.verdict, compared.causes.cause
    if verdict == "misnamed":
        first, *more = compared.corrections
        what = "A time looks mistyped" if first.kind == "mistyped" else "A peak has a wrong name"
        sure = others(first.weighed, first.kind)
        return f"{what} ({sure}): {correction_text(compared, first)}" + (
            f", and {len(more)} more" if more else ""
        )
    if verdict == "departs":
        return "The run deviates from its prediction, and no single cause explains it"
    if not compared.causes.peaks:
        return "The run has no peak that was predicted, and confirms nothing"
    if verdict == "drifts":
        assert cause is not None
        what = f"The whole run has shifted: the likely cause is {cause.text}"
        return "; ".join([what, *_lost(compared)])
    times = f"the largest deviation of a time is {_farthest(compared)}"
    if cause is not None:
        times = f"the deviations are within the tolerances of set points and look like {cause.text}"
    if verdict == "unconfirmed":
        return f"Not confirmed: {'; '.join(_lost(compared))}; of the peaks found, {times}"
    if verdict == "unresolved":
        return f"Times as predicted, resolution lower than predicted: {times}"
    open_yet = ", but one run cannot tell whether it meets the goal" if compared.undecided else ""
    return f"The prediction is confirmed{open_yet}: {times}"


def _lost(compared: Comparison) -> list[str]:
    """Targets and internal standards without a peak, and where to look for it."""
    found, names = [], compared.prediction.compounds
    for m in compared.lost:
        text, expected = f"no peak for {names[m]}", compared.expected_at(m)
        if np.isfinite(expected):
            text += f", expected at {_minutes(expected)} min"
        k = compared.hiding(m)
        if k is not None:
            later = expected - float(compared.found[k])
            side = "before" if later > 0 else "after"
            text += f" (it may lie under {names[k]}, which elutes {abs(later):.1f} s {side} that)"
        found.append(text)
    return found


def _farthest(compared: Comparison) -> str:
    off = compared.found - compared.prediction.retention
    m = int(np.nanargmax(np.abs(off)))
    return f"{abs(off[m]):.1f} s ({compared.prediction.compounds[m]})"


def _resolution(compared: Comparison) -> str:
    """The pair to report: the worst that is lower than predicted, else the critical one of those found."""
    if not compared.causes.peaks:
        return ""
    pair = compared.weaker[0] if compared.verdict == "unresolved" else compared.critical_found
    if pair is None:
        return "no counted pair could be judged"
    predicted = f"predicted {pair.predicted:.2f} ± {HALF_95 * pair.predicted_sd:.2f}"
    if pair.found < 0:
        return (
            f"{_pair(pair)} have changed places (resolution {abs(pair.found):.2f} the other way round; {predicted}, "
            f"{pair.needed:.2f} needed)"
        )
    critical = "critical pair " if pair is compared.critical_found else ""
    what = f"{critical}{_pair(pair)}: found {pair.found:.2f}, {predicted}"
    if pair.met:
        return f"{what} ({pair.needed:.2f} needed)"
    expected = ", as predicted" if pair.predicted < pair.needed - SHORT else ""
    short = f"{what}, {pair.needed - pair.found:.2f} less than the {pair.needed:.2f} needed{expected}"
    if pair.within_noise:
        return f"{short}; that is within the noise of one run (± {HALF_95 * pair.found_sd:.2f})"
    return short


def _pair(pair: ComparedPair) -> str:
    return " and ".join(pair.between)


def correction_text(compared: Comparison, correction: Correction) -> str:
    """A wrong name and its correction."""
    names, other = compared.prediction.compounds, correction.partner
    name = names[correction.compound]
    at, expected = _minutes(compared.named[correction.compound]), _minutes(correction.expected)
    if correction.kind == "swapped" and other is not None:
        return f"{name} and {names[other]} have each other's peak; exchange the two names"
    if correction.kind == "misnamed" and other is not None:
        return f"the peak named {name} at {at} min is {names[other]}; give it that name"
    if correction.kind == "extra" and other is not None:
        own, time = compared.extra[other]
        return f"{name} is the peak named {own} at {_minutes(time)} min, not the one at {at} min; exchange the two"
    if correction.intended is not None:
        return f"{name} at {at} min should probably read {_minutes(correction.intended)} min"
    if correction.kind == "mistyped":
        return f"{name} is expected at {expected} min, and several slips lead from there to {at} min; check its time"
    return f"{name} is expected at {expected} min, and the peak at {at} min is another compound"


def doubt_text(compared: Comparison, doubt: Correction) -> str:
    """Of a peak that is probably right, what else it may be."""
    off = float(compared.named[doubt.compound]) - doubt.expected
    likeliest, name = doubt.weighed[0][0], compared.prediction.compounds[doubt.compound]
    return (
        f"{name} is {off:+.1f} s off where the other peaks put it; most likely {EXPLAINED[likeliest]} "
        f"({others(doubt.weighed, likeliest)})."
    )


def _minutes(seconds: float) -> str:
    return f"{seconds / SECONDS_PER_MINUTE:.3f}"


def remarks(compared: Comparison) -> list[str]:
    """What else the run shows, a sentence each."""
    lines = [f"{correction_text(compared, each)}." for each in compared.corrections[1:]]
    lines = [line[0].upper() + line[1:] for line in lines]
    lines += [doubt_text(compared, each) for each in compared.doubts]
    lines += _cause_remarks(compared)
    reported = compared.lost if compared.verdict in ("unconfirmed", "drifts") else ()
    names = {compared.prediction.compounds[m] for m in reported}
    missing = [name for name in compared.missing if name not in names]
    if missing:
        lines.append(f"No peak in the run for: {', '.join(missing)}.")
    exchanged = {each.partner for each in compared.corrections if each.kind == "extra"}
    lines += [
        _extra_line(compared, name, time)
        for e, (name, time) in enumerate(compared.extra)
        if e not in exchanged
    ]
    return lines if compared.another_program else lines + _width_lines(compared)


def _cause_remarks(compared: Comparison) -> list[str]:
    """On what all deviations together look like."""
    causes = compared.causes
    if causes.cause is None:
        return [_independent_text(compared)] if causes.independent else []
    lines = []
    if compared.corrections:
        lines.append(f"Once corrected, all deviations together look like {causes.cause.text}.")
    lines += [f"It could as well be {each.text}." for each in causes.rivals]
    lines.append(
        f"That explains {100 * (1 - causes.cause.chi_square / causes.chi_square):.0f} % of it (chi-square "
        f"{causes.chi_square:.0f} without, {causes.cause.chi_square:.0f} with it, {causes.peaks} peaks); no peak then "
        f"deviates by more than {causes.cause.largest:.1f} standard deviations of fit and repeatability."
    )
    return [*lines, _allowed_text(causes)]


def _independent_text(compared: Comparison) -> str:
    causes = compared.causes
    tried = "and neither the gas, the oven, a delay nor a stretch explains them together"
    if causes.peaks < LEAST_PEAKS:
        tried = "and so few peaks do not show whether they have one cause"
    chance = ", but no single time or close pair deviates by more than chance" if compared.within else ""
    return (
        "The deviations together are larger than expected from fit, repeatability and the tolerances of set points "
        f"(chi-square {causes.tolerant:.0f} for {causes.peaks} peaks), {tried}{chance}."
    )


def _allowed_text(causes: Causes) -> str:
    """What the tolerances of set points leave of a cause."""
    verdict = "which is a drift" if causes.beyond else f"a drift being more than {BEYOND:.0f}"
    fall = max(causes.fall, 0.0)
    units = f", {fall / causes.scale:.1f} in units of what remains for each peak" if causes.scale > 1 else ""
    return (
        "With oven and carrier anywhere within their tolerances one cause lowers chi-square by "
        f"{fall:.1f} (from {causes.tolerant:.0f}){units}, {verdict}."
    )


def _width_lines(compared: Comparison) -> list[str]:
    """By how much the widths differ, where that is worth reporting, and how sure it is."""
    ratio, sigmas = compared.width_ratio, compared.width_sigmas
    known = sigmas[np.isfinite(sigmas)]
    off = float(np.median(known)) if len(known) else 0.0
    if not (abs(ratio - 1) > WIDER or abs(off) > WIDTHS_OFF):
        return []
    line = f"Peaks are {abs(100 * (ratio - 1)):.0f} % {'wider' if ratio > 1 else 'narrower'} than predicted (median)"
    if abs(off) > WIDTHS_OFF:
        line += f", {abs(off):.0f} standard deviations of a predicted width"
    what = "check column, liner and cut ends" if ratio > 1 else "the resolutions found are the better for it"
    return [f"{line}: {what}."]


def _extra_line(compared: Comparison, name: str, time: float) -> str:
    prediction = compared.prediction
    line = f"Peak {name} at {_minutes(time)} min is no compound of the scenario"
    absent = [m for m in range(len(prediction.compounds)) if np.isnan(compared.found[m])]
    near = [m for m in absent if abs(time - prediction.retention[m]) < 3 * compared.time_sd[m]]
    if near:
        return f"{line}; it is where {prediction.compounds[near[0]]}, which has no peak, is expected."
    if np.isfinite(compared.found).any():
        m = int(np.nanargmin(np.abs(compared.found - time)))
        line += f"; its nearest neighbour is {prediction.compounds[m]}, {abs(time - compared.found[m]):.1f} s away"
    return f"{line}."


def advice(compared: Comparison, after: Refit | None, retuned: bool) -> list[str]:
    """What to do now, a sentence each."""
    if compared.another_program:
        how = "with --candidate N and --results DIR, or with --program FILE"
        if compared.origin != "[current]":
            how = "with --candidate, with --program, or [current] without either"
        return [f"Name the program that was run, {how}, and compare again. It was not added to the fit."]
    if after is None:
        return ["Correct the table first; too few peaks are left for a refit."]
    lines = []
    if compared.corrections:
        lines.append("Check the peak itself before relying on what follows, which assumes the correction.")
    if compared.lost:
        names = ", ".join(compared.prediction.compounds[m] for m in compared.lost)
        lines.append(
            f"Find {names} first: inject it by itself with this program, or look at the mass spectrum or the shape of "
            "its neighbours. The program is not confirmed without it."
        )
    if not after.reliable:
        return [*lines, unreliable_text(after)]
    lines += [_once_more(pair) for pair in compared.undecided[:2]]
    return [*lines, *_drift_advice(compared, after), _tuning_advice(compared, after, retuned)]


def _once_more(pair: ComparedPair) -> str:
    """What one more injection would show of a pair that is too low within the noise of one."""
    half = HALF_95 * pair.found_sd
    return (
        f"Inject once more before judging {_pair(pair)}: {pair.found:.2f} ± {half:.2f} does not show whether it is "
        f"below the {pair.needed:.2f} needed. The mean of two is known to ± {half / np.sqrt(2):.2f}, and it is enough "
        f"if the second run gives {2 * pair.needed - pair.found:.2f} or more."
    )


def unreliable_text(after: Refit) -> str:
    """That a refit is not to be relied on."""
    return (
        "Find the cause before re-tuning: the fit with this run added is poor (residuals "
        f"{after.misfit:.0f} times what is expected, root mean square of a run), and no program tuned by it is "
        "reliable. Check the program, flow and oven of this run, its peaks, and repeatability_min."
    )


def _drift_advice(compared: Comparison, after: Refit) -> list[str]:
    """What to do about a cause that is beyond the tolerances of the scenario."""
    cause = compared.causes.cause
    if compared.verdict != "drifts" or cause is None:
        return []
    if after.entered is not None:
        return [_after_cut(compared, after.entered)]
    if cause.kind == "gas":
        return ["Check the inlet for leaks, the entered column dimensions and the set pressure or flow."]
    if cause.kind == "oven":
        side = "lower" if cause.size > 0 else "higher"
        return [
            f"Set every temperature {abs(cause.size):.1f} °C {side}, or have the oven's temperature checked."
        ]
    if cause.kind == "delay":
        return [
            "Check the start signal and the injection, and whether the oven follows its program as it used to. A delay "
            "of all peaks costs no resolution."
        ]
    return ["Check what scales times: the clock of the data system, or a table that was recalculated."]


def _after_cut(compared: Comparison, entered: Entered) -> str:
    """What entering the new length does; tuning for the old one is the alternative, not a second step."""
    cut = compared.problem.fit.system.column.inlet_length - entered.length
    program = "" if compared.origin == "[current]" else " --program program.toml"
    writes = "" if compared.origin == "[current]" else " (compare --out writes that file)"
    return (
        f"If the column was cut, enter its new length, {entered.length:.2f} m, in instrument and scenario: then this "
        f"program meets every requirement with {pass_text(entered.reliability)}, its critical pair being "
        f"{critical_text(entered.prediction)}. rampwright adapt SCENARIO{program} --trim-m {cut:.2f}{writes} says "
        "what else changes and which setting restores the old times; with --tune it tunes for that length."
    )


def _tuning_advice(compared: Comparison, after: Refit, retuned: bool) -> str:
    """Whether to tune again, for the instrument as the run found it."""
    reasons = retuning_reasons(compared, after)
    cut = compared.verdict == "drifts" and after.entered is not None
    length = f"{compared.problem.fit.system.column.inlet_length:g} m"
    both = f"{pass_text(after.reliability)}; without this run {pass_text(compared.reliability)}"
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
            "The run gives no reason for re-tuning, but the program meets every requirement with less than the "
            f"required {percent(asked)}, as it did before the run: {both}."
        )
    if compared.goal_met is None or after.reliability.share < RISKY:
        return f"The run gives no reason for re-tuning; the program meets every requirement with {both}."
    kept = f", with {length} left entered," if cut else ""
    return f"No re-tuning is needed: with this run in the fit the program{kept} meets every requirement with {both}."


def retuned_text(old: Reliability, new: Reliability | None, asked: float) -> str:
    """Whether to run the re-tuned program or keep the old one, both by the fit with this run.

    The new program is better when its pass probability is higher; where it is lower, but both reach the required one,
    either will do.
    """
    if new is None:
        return "Keep the old program: re-tuning found none."
    both = f"the new one meets every requirement with {pass_text(new)}, the old one with {pass_text(old)}"
    if asked:
        both += f"; {percent(asked)} is required"
    if new.share > old.share:
        return f"Use the re-tuned program: {both}."
    if asked and new.share >= asked:
        return f"Either program will do: {both}. Only a shorter run is a reason to change."
    return f"Keep the old program: {both}."


def retuning_reasons(compared: Comparison, after: Refit) -> tuple[str, ...]:
    """Why the program should be tuned again; none when it is as good as it was."""
    names = compared.prediction.compounds
    reasons = [
        f"{_pair(pair)} were found with a resolution of {pair.found:.2f}, {pair.needed:.2f} is needed"
        for pair in compared.short[:2]
    ]
    reasons += [each.missed for each in compared.requirements if each.missed is not None]
    prediction = after.prediction
    ratio = prediction.resolution / prediction.needed
    if not compared.short and len(ratio) and ratio.min() < 1 - SHORT:
        p = int(np.argmin(ratio))
        a, b = sorted(prediction.counted_pairs[p], key=lambda m: prediction.retention[m])
        reasons.append(
            f"with this run {names[a]} and {names[b]} are expected at a resolution of "
            f"{prediction.resolution[p]:.2f}, {prediction.needed[p]:.2f} is needed"
        )
    before, now = compared.reliability, after.reliability
    asked = compared.problem.confidence
    if before.share - now.share > WORSE or (asked and now.share < asked <= before.share):
        reasons.append(
            f"it now meets every requirement with {pass_text(now)}; without this run with {pass_text(before)}"
        )
    return tuple(reasons)


def pass_text(known: Reliability) -> str:
    """The pass probability, and what is missed most often."""
    return with_missed(f"{percent(known.share)} probability", next(iter(known.failures), None))


def with_missed(probability: str, missed: Failure | None) -> str:
    """A probability with what is missed most often."""
    return probability if missed is None else f"{probability} (most often missed: {missed.what})"


def critical_text(prediction: Prediction) -> str:
    """The critical pair and what it needs."""
    if prediction.critical_pair is None:
        return "none"
    pair = " and ".join(prediction.critical_pair)
    return f"{pair} with {beside_needed(prediction.min_resolution, prediction.critical_needed)}"


def retuned_for(compared: Comparison, after: Refit, tuned: Program) -> str | None:
    """What a program tuned with this run rests on, where that must be known before it is used."""
    said = [] if after.reliable else [f"NOT RELIABLE. {unreliable_text(after)}"]
    return " ".join([*said, *_instrument_text(compared, tuned)]) or None


def _instrument_text(compared: Comparison, tuned: Program) -> list[str]:
    """For which state of the instrument a re-tuned program is, where that is not as it was."""
    cause = compared.causes.cause
    if cause is None or compared.tolerated or cause.kind not in ("gas", "oven"):
        return []
    text = f"For the instrument as this run found it ({cause.text})"
    if cause.cut is None:
        return [f"{text}."]
    if tuned.carrier.controlled == "pressure":
        return [f"{text}; it sets a pressure, so that the length entered does not matter to it."]
    length = compared.problem.fit.system.column.inlet_length
    return [
        f"{text}, with {length:g} m left entered. With the new length entered it does not give what is predicted here."
    ]
