"""A comparison in sentences: the verdict in one line, and what became of the run as a whole."""

from __future__ import annotations

import numpy as np

from models.units import SECONDS_PER_MINUTE
from optimizer.goal.shared_cause import BEYOND, LEAST_PEAKS, Cause, Causes
from optimizer.methods.compare import SHORT, ComparedPair, Comparison, cut_of
from optimizer.methods.wrong_names import Mend

WIDER = 0.1  # of the widths, from which a change is worth a word
WIDTHS_OFF = 3.0  # standard deviations of the median width, likewise


def verdict_line(compared: Comparison) -> str:
    """What to make of the run, in one line."""
    if compared.another_program:
        return (
            "The run departs from its prediction by so much that it was probably made with another program than "
            f"{compared.origin}."
        )
    parts = [_judgement(compared), _resolution(compared)]
    parts += [wish.missed for wish in compared.wishes if wish.met is False]
    return f"{'; '.join(part for part in parts if part)}."


def _judgement(compared: Comparison) -> str:
    verdict, cause = compared.verdict, compared.causes.cause
    if verdict == "misnamed":
        what = (
            "A time looks mistyped"
            if compared.mends[0].kind == "mistyped"
            else "A peak is not what it was named"
        )
        return f"{what}: {mend_text(compared, compared.mends[0])}" + (
            f", and {len(compared.mends) - 1} more" if len(compared.mends) > 1 else ""
        )
    if verdict == "departs":
        return "The run departs from its prediction, and not as a whole"
    if not compared.causes.peaks:
        return "Nothing can be said: the run has no peak that was predicted"
    if verdict == "drifts":
        assert cause is not None
        what = f"The run drifts as a whole: all deviations together look like {cause_text(compared, cause)}"
        return "; ".join([what, *_lost(compared)])
    times = f"no time is further off than {_farthest(compared)}"
    if cause is not None:
        times = f"within the tolerances of set points, what deviates looks like {cause_text(compared, cause)}"
    if verdict == "unconfirmed":
        return f"Not confirmed: {'; '.join(_lost(compared))}; of the peaks found, {times}"
    if verdict == "unresolved":
        return f"The times hold, the resolution does not: {times}"
    return f"The prediction holds: {times}"


def _lost(compared: Comparison) -> list[str]:
    """Peaks that are missing although they count, in words."""
    found = []
    for m in compared.lost:
        text, expected = f"no peak for {compared.prediction.compounds[m]}", compared.expected_at(m)
        if np.isfinite(expected):
            text += f", expected at {_minutes(expected)} min"
        k = compared.hiding(m)
        if k is not None:
            later = expected - float(compared.found[k])
            text += (
                f" (it may lie under {compared.prediction.compounds[k]}, "
                f"{abs(later):.1f} s {'before' if later > 0 else 'after'} that)"
            )
        found.append(text)
    return found


def _farthest(compared: Comparison) -> str:
    off = compared.found - compared.prediction.retention
    m = int(np.nanargmax(np.abs(off)))
    return f"{abs(off[m]):.1f} s ({compared.prediction.compounds[m]})"


def _resolution(compared: Comparison) -> str:
    """The pair that says most: what does not hold, else the critical one of those found."""
    if not compared.causes.peaks:
        return ""
    pair = compared.critical_found
    if compared.verdict == "unresolved":
        pair = compared.weaker[0]
    if pair is None:
        return "no counted pair could be judged"
    predicted = f"predicted {pair.predicted:.2f} ± {pair.predicted_sd:.2f}"
    if pair.found < 0:
        return (
            f"{_pair(compared, pair)} have changed places (resolution {abs(pair.found):.2f} the other way round; "
            f"{predicted}, {pair.needed:.2f} needed)"
        )
    critical = "critical pair " if pair is compared.critical_found else ""
    what = f"{critical}{_pair(compared, pair)}: found {pair.found:.2f}, {predicted}"
    if pair.met:
        return f"{what} ({pair.needed:.2f} needed)"
    expected = ", as was predicted" if pair.predicted < pair.needed - SHORT else ""
    if pair.in_noise:
        return (
            f"{what}, {pair.needed - pair.found:.2f} less than the {pair.needed:.2f} needed{expected}; that is within "
            f"the noise of one run (±{pair.found_sd:.2f})"
        )
    return f"{what}, which misses the {pair.needed:.2f} needed{expected}"


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
    if cause.kind == "stretch":
        late = "late" if cause.size > 0 else "early"
        return f"all times {100 * abs(cause.size):.1f} % {late}, in proportion, as from a clock that is wrong"
    if cause.kind == "oven":
        return f"an oven {abs(cause.size):.1f} °C {'hotter' if cause.size > 0 else 'colder'}"
    share = 100 * (np.exp(cause.size) - 1)
    text = f"{abs(share):.1f} % {'faster' if share > 0 else 'slower'} gas"
    cut = cut_of(compared, cause)
    if cut is not None:
        text += f", as after cutting {cut:.2f} m off"
    return text


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
        return f"{name} at {at} min should probably read {_minutes(mend.intended)} min"
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
        lines.append(_allowed_text(causes))
    elif causes.independent:
        tried = "and neither the gas, the oven, a delay nor a stretch explains them together"
        if causes.peaks < LEAST_PEAKS:
            tried = "and so few peaks do not tell whether they have one cause"
        lines.append(
            "The deviations together are larger than fit, repeatability and the tolerances of set points foresee "
            f"(chi-square {causes.tolerant:.0f} for {causes.peaks} peaks), {tried}"
            + (", but no single time or close pair is off by more than chance." if compared.within else ".")
        )
    told = (
        {compared.prediction.compounds[m] for m in compared.lost}
        if compared.verdict in ("unconfirmed", "drifts")
        else set()
    )
    missing = [name for name in compared.missing if name not in told]
    if missing:
        lines.append(f"No peak in the run for: {', '.join(missing)}.")
    exchanged = {mend.partner for mend in compared.mends if mend.kind == "extra"}
    lines += [
        _extra_line(compared, name, time)
        for e, (name, time) in enumerate(compared.extra)
        if e not in exchanged
    ]
    if not compared.another_program:
        lines += _width_lines(compared)
    return lines


def _allowed_text(causes: Causes) -> str:
    """What the tolerances of set points leave of a cause."""
    verdict = "which is a drift" if causes.beyond else f"a drift being more than {BEYOND:.0f}"
    fall = max(causes.fall, 0.0)
    units = (
        f", {fall / causes.scale:.1f} in units of what it leaves for each peak" if causes.scale > 1 else ""
    )
    return (
        "With oven and carrier anywhere within their tolerances one cause lowers chi-square by "
        f"{fall:.1f} (from {causes.tolerant:.0f}){units}, {verdict}."
    )


def _width_lines(compared: Comparison) -> list[str]:
    """By how much the widths are off, where that is worth a word, and whether it is more than the fit foresees."""
    ratio, sigmas = compared.width_ratio, compared.width_sigmas
    known = sigmas[np.isfinite(sigmas)]
    off = float(np.median(known)) if len(known) else 0.0
    if not (abs(ratio - 1) > WIDER or abs(off) > WIDTHS_OFF):
        return []
    line = f"Peaks are {abs(100 * (ratio - 1)):.0f} % {'wider' if ratio > 1 else 'narrower'} than predicted (median)"
    if abs(off) > WIDTHS_OFF:
        line += f", {abs(off):.0f} standard deviations of a predicted width"
    return [
        f"{line}: "
        + ("look at column, liner and cut ends." if ratio > 1 else "resolutions found profit from that.")
    ]


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
