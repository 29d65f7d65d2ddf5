"""What `scout` hands on: the runs to make next, or first, as a document and as text for the scenario file."""

from __future__ import annotations

from collections.abc import Sequence

from models.column.programs import Program
from optimizer.base.inline_toml import inline_toml
from optimizer.base.numbers import percent
from optimizer.goal.cautions import cautions
from optimizer.goal.cycle import cycle_time
from optimizer.methods.expected_information import MERGED
from optimizer.methods.scout import AS_GOOD, NEAR_NEED, WORTH, Critical, RunValue, Scouted
from optimizer.methods.scout_programs import SPREAD, FirstRun
from optimizer.results.documents import FORMAT, Document, minutes, number, program_document, two_decimals
from optimizer.results.set_points import set_point_lines
from optimizer.scenario.data import Scenario

MISSED = 3  # of what a program misses, told in the verdict
TOLD = 0.01  # gain in the share of draws that is worth a word
METHOD = (
    "Expected information, linear and Gaussian: the covariance of the fitted retention parameters and flow, updated by "
    "the derivatives of the retention times that a run would give, each time with the error the fit allows for. Runs "
    "are ranked by the fall of the summed variance of the critical pairs' resolutions (each over what its pair needs), "
    f"over all leading candidates. Peaks with a resolution below {MERGED:g} in a run are not counted as seen there."
)
HOLD_UP_ADVICE = (
    "Measure the hold-up time in each run: inject a little of a gas or vapour that the column does not hold and the "
    "detector sees (methane, or air with a mass spectrometer), and enter its time as hold_up_min. A computed one is "
    "only as right as the entered length and bore."
)


def first_document(scenario: Scenario, runs: Sequence[FirstRun]) -> Document:
    """Two runs to begin with."""
    programs = [run.program for run in runs]
    listed = f"; compounds: {', '.join(scenario.compounds)}" if scenario.compounds else ""
    notes = [
        HOLD_UP_ADVICE,
        f"Each run gets a peak table with the headings compound, retention_min, width_half_min and area{listed}.",
    ]
    if any(run.clipped for run in runs):
        notes.append(
            "The fast run is as fast as the oven can heat; the slow one is slower than usual, to keep the rates a "
            f"factor of {SPREAD:g} apart."
        )
    notes += [
        "Run both on one day, on one column, with the same sample. Widths tell how many plates the column has, areas "
        "which peak is which.",
        "If a peak is still missing at the end, lengthen the last hold of both runs rather than heat further.",
    ]
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "first runs",
        "compounds": list(scenario.compounds),
        "runs": [
            {
                "name": run.name,
                **program_document(run.program, scenario.ambient_pressure),
                "run_min": minutes(run.program.oven.duration),
                "hold_up_min": minutes(run.hold_up),
                "heating_C_per_hold_up": number(run.heating, 3),
                "set_points": list(set_point_lines(run.program, scenario.ambient_pressure)),
            }
            for run in runs
        ],
        "to_paste": "\n".join(
            _run_lines(scenario, run.name, run.program, f"# hold_up_min = {run.hold_up / 60:.2f}")
            for run in runs
        ),
        "notes": notes,
        "warnings": list(scenario.warnings),
        "cautions": list(cautions(scenario, programs, _largest_flow(programs))),
    }


def scout_document(found: Scouted, warnings: Sequence[str]) -> Document:
    """Which run to make next, and what each of those looked at would teach."""
    scenario = found.scenario
    best = None if found.suggested is None else found.runs[found.suggested]
    programs = [] if best is None else [best.run.program]
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "next run",
        "method": METHOD,
        "verdict": verdict(found),
        "candidates": [
            {
                "rank": each.rank,
                **program_document(each.prediction.program, scenario.ambient_pressure),
                "run_time_min": minutes(each.prediction.run_time),
                "min_resolution": two_decimals(each.prediction.min_resolution),
                "holds": number(each.share, 3),
                "holds_then": number(each.share_then, 3),
                "missed": list(each.missed),
            }
            for each in found.leading
        ],
        "left_out": list(found.left_out),
        "left_out_note": _left_out(found),
        "critical_pairs": [
            _pair(found, pair, None if best is None else float(best.sd_fit_with_hold_up[n]))
            for n, pair in enumerate(found.pairs)
        ],
        "runs": [
            _run(scenario, n, each, suggested=n - 1 == found.suggested)
            for n, each in enumerate(found.runs, 1)
        ],
        "suggestion": suggestion(found),
        "worth_share": WORTH,
        "to_paste": None
        if best is None
        else _run_lines(scenario, _new_name(scenario), best.run.program, "# hold_up_min ="),
        "set_points": []
        if best is None
        else list(set_point_lines(best.run.program, scenario.ambient_pressure)),
        "warnings": [*scenario.warnings, *warnings],
        "cautions": list(cautions(scenario, programs, _largest_flow(programs))) if programs else [],
    }


def verdict(found: Scouted) -> str | None:
    """That no candidate meets the goal, and what the closest one misses; None where one does."""
    if not found.leading or not all(each.missed for each in found.leading):
        return None
    closest = found.leading[0]
    missed = closest.missed
    more = len(missed) - MISSED
    return (
        f"No program here meets the goal. The closest one, candidate {closest.rank}, misses it by this: "
        + "; ".join(missed[:MISSED])
        + (f"; and {more} more." if more > 0 else ".")
    )


def _left_out(found: Scouted) -> str | None:
    """Which candidates do not count, and why; None where all do."""
    if not found.left_out:
        return None
    *others, last = map(str, found.left_out)
    named = f"Candidates {', '.join(others)} and {last} are" if others else f"Candidate {last} is"
    return (
        f"{named} left out: what misses the goal on paper while another program does not, or holds in no draw, no run "
        "will help."
    )


def suggestion(found: Scouted) -> list[str]:
    """What to do, in sentences."""
    if not found.pairs:
        return ["No pair counts that a run could teach anything about: no further run is suggested."]
    top = max(found.runs, key=lambda each: each.fall_of_all, default=None)
    if top is None:
        return [
            "No run was found that fits column, oven, inlet and pneumatics and ends within reasonable time."
        ]
    if found.suggested is None:
        return [
            f"No further scouting run is worth it: the best of those looked at, {top.run.name}, would take "
            f"{100 * top.fall_of_all:.0f} % off the variance of the critical resolutions; from {100 * WORTH:.0f} % on "
            "it would be suggested. The rest is the set points' tolerances, peak widths and what the model leaves out. "
            "Confirm a candidate instead."
        ]
    best = found.runs[found.suggested]
    lines = [
        f"Next: {best.run.name} ({best.run.program.oven.duration / 60:.1f} min). It is expected to take "
        f"{_percent(max(best.fall, best.fall_with_hold_up))} off what the fit does not know of the critical "
        f"resolutions, and {_percent(best.fall_of_all)} off their whole variance, tolerances included."
    ]
    if best.run.kind == "candidate":
        itself = next(each for each in found.leading if each.prediction.program == best.run.program)
        lines.append(
            "It is a candidate itself, which does not meet the goal: the run teaches, there is no method to confirm."
            if itself.missed
            else "It is a candidate itself, so the same run confirms it."
        )
    if best is not top:
        lines.append(
            f"{_capital(top.run.name)} would teach more ({100 * top.fall_of_all:.0f} %) but takes "
            f"{top.run.program.oven.duration / 60:.1f} min; suggested is the shortest run that teaches at least "
            f"{100 * AS_GOOD:.0f} % as much."
        )
    if best.fall_with_hold_up - best.fall > 0.01:
        lines.append(
            f"That is with the hold-up time measured in it; without, {100 * best.fall:.0f} % instead of "
            f"{100 * best.fall_with_hold_up:.0f} %."
        )
    first = found.leading[0]
    if first.share_then - first.share >= TOLD:
        lines.append(
            f"Should it leave the best guess where it is, candidate {first.rank} would hold in "
            f"{percent(first.share_then)} of draws instead of {percent(first.share)}; or the next search can use the "
            "room for a shorter program."
        )
    if all(pair.doubt < -NEAR_NEED for pair in found.pairs):
        lines.append(
            f"All critical pairs lie more than {NEAR_NEED:g} standard deviations short of what they need: knowing "
            "retention better will not change that. See what optimize says stands in the way first."
        )
    return lines


def _percent(share: float) -> str:
    """A share in words; nothing is ever known for certain."""
    return "over 99 %" if share > 0.995 else f"{100 * share:.0f} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _pair(found: Scouted, pair: Critical, after: float | None) -> Document:
    names = found.scenario.compounds
    return {
        "candidate": pair.candidate,
        "between": [names[pair.a], names[pair.b]],
        "resolution": two_decimals(pair.resolution),
        "needed": number(pair.needed),
        "sd_fit": number(pair.sd_fit, 3),
        "sd_rest": number(pair.sd_rest, 3),
        "sd": number(pair.sd, 3),
        "sd_fit_then": None if after is None else number(after, 3),
        "sd_then": None if after is None else number((after**2 + pair.sd_rest**2) ** 0.5, 3),
    }


def _run(scenario: Scenario, rank: int, value: RunValue, suggested: bool) -> Document:
    program = value.run.program
    return {
        "rank": rank,
        "name": value.run.name,
        "kind": value.run.kind,
        "suggested": suggested,
        **program_document(program, scenario.ambient_pressure),
        "run_min": minutes(program.oven.duration),
        "cycle_min": minutes(cycle_time(scenario, program, program.oven.duration)),
        "fall": number(value.fall, 3),
        "fall_with_hold_up": number(value.fall_with_hold_up, 3),
        "fall_of_all": number(value.fall_of_all, 3),
        "merged_peaks": value.merged,
        "sd_fit_then": [number(float(each), 3) for each in value.sd_fit_with_hold_up],
    }


def _largest_flow(programs: Sequence[Program]) -> float | None:
    """The largest set column flow [m3/s]; None where pressures or velocities are set."""
    if any(program.carrier.controlled != "flow" for program in programs):
        return None
    return max((max(program.carrier.knots()[1]) for program in programs), default=None)


def _new_name(scenario: Scenario) -> str:
    """A name that no run has yet."""
    taken = {run.name for run in scenario.runs}
    return next(f"run {n}" for n in range(len(taken) + 1, 2 * len(taken) + 3) if f"run {n}" not in taken)


def _run_lines(scenario: Scenario, name: str, program: Program, hold_up: str) -> str:
    """A run as it stands in a scenario file."""
    document = program_document(program, scenario.ambient_pressure)
    lines = [
        "[[scouting_runs]]",
        f'name = "{name}"',
        f'peaks = "{name.replace(" ", "_")}.csv"',
        f"{hold_up:<30} # put the measured hold-up time here and take the first # away",
        *(f"{key} = {inline_toml(table)}" for key, table in document.items()),
        "",
    ]
    return "\n".join(lines)


def toml_file(document: Document) -> bytes:
    """The runs to paste into a scenario file."""
    head = "# To paste into scenario.toml once the runs are made; the peak tables go beside it."
    return f"{head}\n\n{document['to_paste']}".encode()
