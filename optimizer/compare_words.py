"""A comparison in sentences: the verdict in one line, what became of the run as a whole, and what to do."""

from __future__ import annotations

import numpy as np

from models.units import SECONDS_PER_MINUTE
from optimizer.compare import ComparedPair, Comparison
from optimizer.compare_refit import Refit, retuning_reasons
from optimizer.shared_cause import LEAST_PEAKS, Cause
from optimizer.wrong_names import Mend

WIDER = 0.1  # of the widths, from which a change is worth a word
LEAST_CUT = 0.005  # m; less is nobody's cut


def verdict_line(compared: Comparison) -> str:
    """What to make of the run, in one line."""
    return f"{_judgement(compared)}; {_resolution(compared)}."


def _judgement(compared: Comparison) -> str:
    verdict, cause = compared.verdict, compared.causes.cause
    if verdict == "misnamed":
        return f"A peak is not what it was named: {mend_text(compared, compared.mends[0])}" + (
            f", and {len(compared.mends) - 1} more" if len(compared.mends) > 1 else ""
        )
    if verdict == "drifts":
        assert cause is not None
        return f"The run drifts as a whole: all deviations together look like {cause_text(compared, cause)}"
    if verdict == "departs":
        return "The run departs from its prediction, and not as a whole"
    if not compared.causes.peaks:
        return "Nothing can be said: the run has no peak that was predicted"
    if cause is not None:
        return f"The prediction holds within its tolerances: what deviates looks like {cause_text(compared, cause)}"
    return f"The prediction holds: no time is further off than {_farthest(compared)}"


def _farthest(compared: Comparison) -> str:
    off = compared.found - compared.prediction.retention
    m = int(np.nanargmax(np.abs(off)))
    return f"{abs(off[m]):.1f} s ({compared.prediction.compounds[m]})"


def _resolution(compared: Comparison) -> str:
    pair = compared.smallest_found
    if pair is None:
        return "no counted pair could be judged"
    if pair.found < 0:
        what = f"{_pair(compared, pair)} have changed places (resolution {abs(pair.found):.2f})"
    else:
        what = f"smallest resolution found {pair.found:.2f} ({_pair(compared, pair)})"
    what += f", predicted {pair.predicted:.2f}"
    return what if pair.met else f"{what}, which misses the {pair.needed:.2f} needed"


def _pair(compared: Comparison, pair: ComparedPair) -> str:
    names = compared.prediction.compounds
    return f"{names[pair.a]} and {names[pair.b]}"


def cause_text(compared: Comparison, cause: Cause) -> str:
    """A cause and how large it is."""
    if cause.kind == "delay":
        if cause.size < 0:
            return f"all peaks {-cause.size:.1f} s early, as when the clock starts after the injection"
        return (
            f"all peaks {cause.size:.1f} s late, as when the clock starts before the injection or the oven is slow to "
            "follow"
        )
    if cause.kind == "oven":
        return f"an oven {abs(cause.size):.1f} °C {'hotter' if cause.size > 0 else 'colder'}"
    share = 100 * (np.exp(cause.size) - 1)
    text = f"{abs(share):.1f} % {'faster' if share > 0 else 'slower'} gas"
    cut = cut_of(compared, cause)
    if cut is not None and cut >= LEAST_CUT:
        text += f", as after cutting {cut:.2f} m off"
    return text


def cut_of(compared: Comparison, cause: Cause) -> float | None:
    """The length [m] whose loss would have this effect, the old length still being entered; None where it is no cut."""
    if cause.kind != "gas" or cause.size <= 0:
        return None
    return float(compared.problem.fit.system.column.length * -np.expm1(-cause.size / 2))


def mend_text(compared: Comparison, mend: Mend) -> str:
    """A wrong name and the exchange that would mend it."""
    names = compared.prediction.compounds
    name = names[mend.compound]
    at, expected = _minutes(compared.named[mend.compound]), _minutes(mend.expected)
    if mend.kind == "swapped":
        assert mend.partner is not None
        return f"{name} and {names[mend.partner]} have each other's peak; exchange the two names"
    if mend.kind == "misnamed":
        assert mend.partner is not None
        return f"the peak named {name} at {at} min is {names[mend.partner]}; give it that name"
    if mend.kind == "extra":
        assert mend.partner is not None
        other, time = compared.extra[mend.partner]
        return f"{name} is the peak named {other} at {_minutes(time)} min, not the one at {at} min; exchange the two"
    if mend.kind == "mistyped":
        assert mend.intended is not None
        return f"{name} at {at} min should read {_minutes(mend.intended)} min; a slip of typing"
    return f"{name} is expected at {expected} min, and what stands at {at} min is another compound"


def _minutes(seconds: float) -> str:
    return f"{seconds / SECONDS_PER_MINUTE:.3f}"


def remarks(compared: Comparison) -> list[str]:
    """What else is to be known about the run, a sentence each."""
    lines = [f"{mend_text(compared, mend)}." for mend in compared.mends[1:]]
    lines = [line[0].upper() + line[1:] for line in lines]
    causes = compared.causes
    if compared.mends and causes.cause is not None:
        lines.append(
            f"With that mended, all deviations together look like {cause_text(compared, causes.cause)}."
        )
    lines += [f"It could as well be {cause_text(compared, each)}." for each in causes.rivals]
    if causes.cause is not None:
        lines.append(
            f"That explains {100 * (1 - causes.cause.chi_square / causes.chi_square):.0f} % of it (chi-square "
            f"{causes.chi_square:.0f} without, {causes.cause.chi_square:.0f} with it, {causes.peaks} peaks); no peak "
            f"is then off by more than {causes.cause.largest:.1f} standard deviations of fit and repeatability."
        )
    elif causes.independent:
        tried = "and neither the gas, the oven nor a delay explains them together"
        if causes.peaks < LEAST_PEAKS:
            tried = "and so few peaks do not tell whether they have one cause"
        lines.append(
            f"The deviations are larger than fit and repeatability foresee (chi-square {causes.chi_square:.0f} for "
            f"{causes.peaks} peaks), {tried}"
            + (", but they stay within the tolerances of the set points." if compared.within else ".")
        )
    if compared.missing:
        lines.append(f"No peak in the run for: {', '.join(compared.missing)}.")
    told = {mend.partner for mend in compared.mends if mend.kind == "extra"}
    lines += [
        _extra_line(compared, name, time) for e, (name, time) in enumerate(compared.extra) if e not in told
    ]
    ratio = compared.width_ratio
    if abs(ratio - 1) > WIDER:
        lines.append(
            f"Peaks are {abs(100 * (ratio - 1)):.0f} % {'wider' if ratio > 1 else 'narrower'} than predicted (median): "
            + ("look at column, liner and cut ends." if ratio > 1 else "resolutions found profit from that.")
        )
    return lines


def _extra_line(compared: Comparison, name: str, time: float) -> str:
    prediction = compared.prediction
    line = f"Peak {name} at {_minutes(time)} min is no compound of the scenario"
    absent = [m for m in range(len(prediction.compounds)) if np.isnan(compared.found[m])]
    near = [
        m for m in absent if abs(time - prediction.retention[m]) < 3 * compared.time_sd[m]
    ]  # a nan compares as false
    if near:
        return f"{line}; it is where {prediction.compounds[near[0]]}, which has no peak, is expected."
    known = np.isfinite(compared.found)
    if known.any():
        m = int(np.nanargmin(np.abs(compared.found - time)))
        line += f"; its nearest neighbour is {prediction.compounds[m]}, {abs(time - compared.found[m]):.1f} s away"
    return f"{line}."


def advice(compared: Comparison, after: Refit | None, retuned: bool) -> list[str]:
    """What to do now, a sentence each."""
    if after is None:
        return ["Mend the table first; nothing is left to refit with."]
    cause = compared.causes.cause
    lines = []
    if compared.mends:
        lines.append("Look at the peak again before believing what follows, which takes the names as mended.")
    if compared.verdict == "drifts" and cause is not None:
        cut = cut_of(compared, cause)
        if cut is not None and cut >= LEAST_CUT:
            lines.append(
                "If the column was cut, enter its new length; `rampwright adapt --trim-m` gives the setting that "
                "brings the old times back."
            )
        elif cause.kind == "gas":
            lines.append(
                "Check the inlet for leaks, the entered column dimensions and the set pressure or flow."
            )
        elif cause.kind == "oven":
            lines.append(
                f"Set every temperature {abs(cause.size):.1f} °C {'lower' if cause.size > 0 else 'higher'}, or have "
                "the oven's temperature checked."
            )
    reasons = retuning_reasons(compared, after)
    if not reasons:
        lines.append(
            "No re-tuning is needed: with this run added to the fit, the program meets the goal as before "
            f"({100 * after.reliability.share:.0f} % of draws, {100 * compared.reliability.share:.0f} % without it)."
        )
    else:
        lines.append(f"Re-tuning is advised: {'; '.join(reasons)}." + ("" if retuned else " Add --retune."))
    return lines
