"""Warnings about a fit for the person at the bench."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.column.programs import Array
from models.column.retention import enthalpy
from models.fit.compound_fits import NEVER
from models.fit.fit import LN_FLOW_SPREAD, Explanation, Fit, FlowCorrection, Run, Suspect
from models.fit.typical import ln_flow_spread, typical_of
from models.fit.widths import ASSUMED_PLATE_HEIGHT_FACTOR
from models.units import HALF_95, SECONDS_PER_MINUTE, celsius

HOLD_UP_DEVIATION = 0.03  # of a measured from a computed hold-up time, worth a word
STRANGE_THETA = 3.0  # spreads of theta from its typical value
STRANGE_FLOW = 2.0  # spreads of the flow factor
OUTLIER = 4.0  # sigmas of a residual
DISAGREEMENT = 8.0  # root mean square sigmas of a run's residuals, beyond which the run itself is suspect
UNRETAINED = 0.05  # retention over hold-up time, less one, below which a compound only marks the hold-up time
AREAS_SPEAK = 4.0  # fall of chi-square for the areas, worth a word
TIMES_SPEAK = 2.0  # standard deviations of a time, below which it says nothing of a peak
UNSETTLED = (
    "The joint fit did not come to rest: its parameters and their errors are not reliable. Runs that contradict each "
    "other do that; check what was entered for each."
)
EXPLAINED: dict[Explanation, str] = {
    "sound": "chance",
    "curved": "a compound whose retention bends unusually with temperature",
    "unusual": "an unusual compound",
    "swapped": "exchanged names",
    "misnamed": "a wrong name",
    "extra": "a wrong name",
    "mistyped": "a mistyped time",
    "foreign": "a peak of another compound",
}
LEAST_SHARE = 0.01  # probability of another explanation that is worth telling
MOST = 6  # words on single compounds; more bury the cause
PLATE_HEIGHTS = (0.6, 2.5)  # times theory, outside of which widths or column are suspect


def warnings_of(
    fit: Fit,
    runs: Sequence[Run],
    names: Sequence[str],
    uncorrected_hold_up: Array,
    flow_correction: FlowCorrection,
) -> list[str]:
    """Sentences on a fit of R runs; `uncorrected_hold_up` (R,) [s] is computed from nominal dimensions."""
    return [
        *_about_agreement(fit, runs),
        *_about_testing(fit, runs),
        *_about_hold_up(fit, runs, uncorrected_hold_up),
        *_about_flow(fit, runs, flow_correction),
        *_about_suspects(fit, runs, names),
        *_about_compounds(fit, runs, names),
        *_about_widths(fit),
    ]


def called(run: str) -> str:
    """What a run is called in a sentence: its name may say itself that it is a run."""
    return run if run.casefold().startswith("run ") else f"run {run}"


def _about_agreement(fit: Fit, runs: Sequence[Run]) -> list[str]:
    """One word ahead of all others when whole runs contradict each other."""
    rms = np.sqrt(np.nanmean(fit.standardised**2, axis=1))
    if rms.max() < DISAGREEMENT:
        return [] if fit.settled else [UNSETTLED]
    worst = ", ".join(
        f"{run.name} {np.sqrt(np.nanmean(residual**2)):.1f} s"
        for run, residual in zip(runs, fit.residual, strict=True)
    )
    return [
        f"The runs do not fit together (root mean square residuals: {worst}): first check the heating rates, holds, "
        "flows and pressures entered for each run. Candidates from this fit are not reliable."
    ]


def _about_testing(fit: Fit, runs: Sequence[Run]) -> list[str]:
    if len(runs) == 1:
        return [
            "One scouting run only: how retention depends on temperature is a typical value, not a measured one. "
            "Predictions for other programs may be off by many seconds; add a run at a quarter or four times the "
            "heating rate."
        ]
    if not fit.testable:
        return [
            "Two runs cannot show a mistake: they fit two parameters of a compound exactly, so the residuals say "
            "nothing about the error. Add a third run or a confirmation run."
        ]
    return []


def _about_hold_up(fit: Fit, runs: Sequence[Run], uncorrected: Array) -> list[str]:
    # What is known of a column less well may be further off.
    ordinary = ln_flow_spread(fit.system.column, "column") / LN_FLOW_SPREAD["column"]
    return [
        f"Run {run.name}: the measured hold-up time {run.hold_up / SECONDS_PER_MINUTE:.3f} min differs by "
        f"{100 * (run.hold_up / computed - 1):+.1f} % from the {computed / SECONDS_PER_MINUTE:.3f} min that the "
        "dimensions give; check length, bore and flow, and that the marker is unretained."
        for run, computed in zip(runs, uncorrected, strict=True)
        if run.hold_up is not None and abs(run.hold_up / computed - 1) > HOLD_UP_DEVIATION * ordinary
    ]


def _about_flow(fit: Fit, runs: Sequence[Run], flow_correction: FlowCorrection) -> list[str]:
    if flow_correction == "none":
        return []
    expected = fit.system.column.free_bore_factor
    strange = [
        (run, factor)
        for run, factor in zip(runs, fit.flow_factors, strict=True)
        if abs(np.log(factor / expected)) > STRANGE_FLOW * ln_flow_spread(fit.system.column, flow_correction)
    ]
    if flow_correction == "column":
        strange = strange[:1]  # one factor, one word
    return [
        f"{'The column' if flow_correction == 'column' else f'Run {run.name}'}: the fit wants "
        f"{100 * (factor / expected - 1):+.1f} % of the velocity that the dimensions give; check length, bore and "
        "pressure."
        for run, factor in strange
    ]


def _about_suspects(fit: Fit, runs: Sequence[Run], names: Sequence[str]) -> list[str]:
    """What is probably wrong with single peaks, or may be; the fit uses them all the same."""
    of = [run.name for run in runs]
    found = [suspicion(each, of, names) for each in fit.suspects[:MOST]]
    found += [doubt(each, of, names) for each in fit.doubts[: MOST - len(found)]]
    if len(fit.suspects) > MOST:
        found.append(f"... and {len(fit.suspects) - MOST} more peaks that are probably wrong; see fit.json.")
    return found


def suspicion(suspect: Suspect, runs: Sequence[str], names: Sequence[str]) -> str:
    """What is wrong with a peak, and what would correct it."""
    return f"{description(suspect, runs, names)} {correction_of(suspect, runs, names)}"


def others(weighed: Sequence[tuple[Explanation, float]], kind: Explanation) -> str:
    """How likely an explanation is, and what else it may be."""
    shares = dict(weighed)
    rest = [
        f"{EXPLAINED[other]} {percent_of(share)}"
        for other, share in weighed
        if other != kind and share >= LEAST_SHARE
    ]
    return f"{percent_of(shares[kind])}" + (f"; else {', '.join(rest)}" if rest else "")


def percent_of(share: float) -> str:
    """A probability in whole per cent, never certain."""
    return "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def doubt(suspect: Suspect, runs: Sequence[str], names: Sequence[str]) -> str:
    """Of a peak that is probably right, what it would be if not."""
    likeliest = suspect.weighed[0][0]
    where = called(runs[suspect.run])
    puts = "other peaks put" if len(runs) > 2 else "other peak puts"
    return (
        f"{names[suspect.compound]} in {where} is {suspect.seconds:+.1f} s off where its {puts} it; most likely "
        f"{EXPLAINED[likeliest]} ({others(suspect.weighed, likeliest)})."
    )


def description(suspect: Suspect, runs: Sequence[str], names: Sequence[str]) -> str:
    """What is wrong with a peak, and how sure that is."""
    name, where = names[suspect.compound], called(runs[suspect.run])
    if suspect.other_run is not None:
        where += f" or {called(runs[suspect.other_run])} (two runs cannot tell which)"
    other = names[suspect.partner] if suspect.partner is not None else ""
    minutes = suspect.time / SECONDS_PER_MINUTE
    what = {
        "swapped": f"{name} and {other} seem swapped in {where}",
        "misnamed": f"the peak named {name} in {where} seems to be {other}, which has none there",
        "mistyped": f"{name} in {where}: {minutes:.5g} min seems mistyped",
        "foreign": f"{name} in {where}: seems to be a peak of another compound, or its time is wrong",
    }[suspect.kind]
    what += f" ({others(suspect.weighed, suspect.kind)})"
    puts = "other peaks put" if len(runs) > 2 else "other peak puts"
    apart = f"a peak that would not elute in this run where its {puts} it"
    if suspect.expected < NEVER:
        expected, half = (
            suspect.expected / SECONDS_PER_MINUTE,
            HALF_95 * suspect.expected_error / SECONDS_PER_MINUTE,
        )
        apart = (
            f"{suspect.seconds:+.1f} s ({abs(suspect.sigmas):.1f} standard deviations) off the {expected:.4g} ± "
            f"{half:.2g} min where its {puts} it"
        )
    if _by_areas(suspect):
        return (
            f"{what}: the areas tell it (chi-square falls by {suspect.area_gain:.0f} for them when it is corrected), "
            f"the times do not: {name} is {apart} in {called(runs[suspect.run])}."
        )
    return f"{what}; {name} is {apart} in {called(runs[suspect.run])}."


def _by_areas(suspect: Suspect) -> bool:
    """Whether the areas alone speak for it."""
    return suspect.area_gain > AREAS_SPEAK and abs(suspect.sigmas) < TIMES_SPEAK


def correction_of(suspect: Suspect, runs: Sequence[str], names: Sequence[str]) -> str:
    """What would correct it. Nothing has been changed."""
    name, run = names[suspect.compound], called(runs[suspect.run])
    meant = None if suspect.intended is None else f"{suspect.intended / SECONDS_PER_MINUTE:.5g} min"
    if suspect.partner is not None:
        other = names[suspect.partner]
        if suspect.kind == "misnamed":
            return f"Named {other} it fits."
        either = "" if suspect.other_run is None else f" (or of {called(runs[suspect.other_run])})"
        return f"With their rows in the peak table of {run}{either} exchanged both fit."
    if suspect.kind == "mistyped":
        if meant is None:
            return f"Check the time of {name} in {run}: several slips of typing would explain it."
        return f"{meant} in {run} would fit."
    hint = f" (was {meant} meant?)" if meant else ""
    return f"No peak on the list fits in exchange; check the time{hint} or leave {name} out of {run}."


def _about_compounds(fit: Fit, runs: Sequence[Run], names: Sequence[str]) -> list[str]:
    found = []
    typical = typical_of(fit.system.column)
    off = (np.log(fit.retention.theta) - typical.ln_theta(fit.retention.T0)) / typical.spreads[0]
    dH = enthalpy(fit.retention) / 1e3
    trusted = not fit.suspects  # a wrong peak pulls at the flow and so at all others
    for m, name in enumerate(names):
        if abs(off[m]) > STRANGE_THETA and trusted:
            found.append(
                f"{name}: a fitted enthalpy of {dH[m]:.0f} kJ/mol at {celsius(float(fit.retention.T0[m])):.0f} °C "
                "is implausible; is its peak the right one in every run?"
            )
        elution = [run.retention[m] / hold_up for run, hold_up in zip(runs, fit.hold_up, strict=True)]
        if np.nanmax(elution) < 1 + UNRETAINED:
            found.append(
                f"{name} elutes with the hold-up time in every run and says nothing about retention; give its time "
                "as hold_up_min instead."
            )
        for r, run in enumerate(runs if trusted else ()):
            if np.abs(np.nan_to_num(fit.standardised[r, m])) > OUTLIER:
                found.append(
                    f"{name} in {called(run.name)}: {fit.residual[r, m]:+.1f} s off the fit, "
                    f"{abs(fit.standardised[r, m]):.0f} times what is expected; no exchange of peaks corrects it."
                )
    if len(found) > MOST:
        found[MOST:] = [f"... and {len(found) - MOST} more notes on single compounds; see the residuals."]
    return found


def _about_widths(fit: Fit) -> list[str]:
    factor = fit.system.plate_height_factor
    if not fit.widths_fitted:
        return [
            f"No widths were measured: predicted widths assume {ASSUMED_PLATE_HEIGHT_FACTOR} times the theoretical "
            "plate height and a sharp injection."
        ]
    if not PLATE_HEIGHTS[0] < factor < PLATE_HEIGHTS[1]:
        return [
            f"The measured widths ask for {factor:.2f} times the theoretical plate height; check their unit, the "
            "column's condition, and for overloaded or tailing peaks."
        ]
    return []
