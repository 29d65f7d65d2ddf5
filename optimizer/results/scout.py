"""What `scout` hands on: the runs to make next, or first, as a document and as text for the scenario file."""

from __future__ import annotations

from collections.abc import Sequence

from models.column.programs import Program
from models.column.system import ColumnSystem
from optimizer.base.given_values import inline_toml
from optimizer.base.numbers import percent
from optimizer.base.tables import Shown, document_of
from optimizer.goal.cautions import cautions, cautions_in_brief
from optimizer.methods.expected_information import MERGED
from optimizer.methods.scout import AS_GOOD, NEAR_NEED, SD, WORTH, Critical, Scouted
from optimizer.methods.scout_programs import LENGTH, SPREAD, FirstRun
from optimizer.results.documents import FORMAT, Document
from optimizer.results.set_points import program_file, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document

MISSED = 3  # of what a program misses, named in the verdict
REPORTED = 0.01  # gain in the pass probability that is worth a word
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


def first_notes(scenario: Scenario, runs: Sequence[FirstRun]) -> list[str]:
    """How to make the first two runs, in sentences."""
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
    return notes


def first_document(scenario: Scenario, runs: Sequence[FirstRun]) -> Document:
    """Two runs to begin with."""
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "first runs",
        "compounds": list(scenario.compounds),
        "runs": [
            {
                **document_of(run, scenario.ambient_pressure),
                "set_points": list(
                    set_point_lines(run.program, scenario.ambient_pressure, column=scenario.column)
                ),
            }
            for run in runs
        ],
        "to_paste": first_text(scenario, runs),
        "notes": first_notes(scenario, runs),
        "warnings": list(scenario.warnings),
        "cautions": list(cautions_of(scenario, [run.program for run in runs])),
    }


def first_text(scenario: Scenario, runs: Sequence[FirstRun]) -> str:
    """The runs as they stand in a scenario file."""
    lines = [
        _run_lines(scenario, run.name, run.program, f"# hold_up_min = {Shown(run).hold_up}") for run in runs
    ]
    return "\n".join(lines)


def scout_document(found: Scouted) -> Document:
    """Which run to make next, and what each of those looked at would teach."""
    scenario, best = found.scenario, found.best
    ambient = scenario.ambient_pressure
    return {
        "format": FORMAT,
        "title": scenario.title,
        "job": "next run",
        "method": METHOD,
        "verdict": verdict(found),
        **document_of(found, ambient),
        "left_out_note": left_out_note(found),
        "critical_pairs": [
            {
                **document_of(pair, ambient),
                "sd_fit_then": None if then is None else SD.written(then),
                "sd_then": None if then is None else SD.written((then**2 + pair.sd_rest**2) ** 0.5),
            }
            for pair, then in pairs_then(found)
        ],
        "runs": [
            {"rank": n, "suggested": n - 1 == found.suggested, **document_of(each, ambient)}
            for n, each in enumerate(found.runs, 1)
        ],
        "suggestion": suggestion(found),
        "worth_share": WORTH,
        "to_paste": next_text(found),
        "set_points": []
        if best is None
        else list(set_point_lines(best.run.program, ambient, column=scenario.column)),
        "warnings": list(found.problem.warnings),
        "cautions": [] if best is None else list(cautions_of(scenario, [best.run.program])),
    }


def pairs_then(found: Scouted) -> list[tuple[Critical, float | None]]:
    """Critical pairs, each with what the fit would still not know once the suggested run was made."""
    best = found.best
    return [
        (pair, None if best is None else float(best.sd_fit_with_hold_up[n]))
        for n, pair in enumerate(found.pairs)
    ]


def next_text(found: Scouted) -> str | None:
    """The suggested run as it stands in a scenario file; None where no run is worth it."""
    if found.best is None:
        return None
    return _run_lines(found.scenario, _new_name(found.scenario), found.best.run.program, "# hold_up_min =")


def cautions_of(scenario: Scenario, programs: Sequence[Program]) -> tuple[str, ...]:
    """What to know before these runs."""
    return cautions(scenario, programs, _largest_flow(scenario, programs))


def cautions_shown(scenario: Scenario, programs: Sequence[Program]) -> tuple[str, ...]:
    """The same with one line for what every run asks for."""
    return cautions_in_brief(scenario, programs, _largest_flow(scenario, programs))


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


def left_out_note(found: Scouted) -> str | None:
    """Which candidates do not count, and why; None where all do."""
    if not found.left_out:
        return None
    *others, last = map(str, found.left_out)
    named = f"Candidates {', '.join(others)} and {last} are" if others else f"Candidate {last} is"
    return (
        f"{named} left out: what misses the goal nominally while another program does not, or passes in no simulated "
        "draw, no run will help."
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
        f"Next: {best.run.name} ({LENGTH.text(best.run.program.oven.duration)} min). It is expected to take "
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
            f"{LENGTH.text(top.run.program.oven.duration)} min; suggested is the shortest run that teaches at least "
            f"{100 * AS_GOOD:.0f} % as much."
        )
    if best.fall_with_hold_up - best.fall > 0.01:
        lines.append(
            f"That is with the hold-up time measured in it; without, {100 * best.fall:.0f} % instead of "
            f"{100 * best.fall_with_hold_up:.0f} %."
        )
    first = found.leading[0]
    if first.probability_then - first.probability >= REPORTED:
        lines.append(
            f"Should it leave the best guess where it is, candidate {first.rank} would have a probability of "
            f"{percent(first.probability_then)} of meeting every requirement instead of {percent(first.probability)}; "
            "or the next search can use the room for a shorter program."
        )
    lines.append("What another run is worth in run time, and when to stop, is said by rampwright next.")
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


def _largest_flow(scenario: Scenario, programs: Sequence[Program]) -> float | None:
    """The largest total flow [m3/s] at the stated split ratio; None where pressures or velocities are set."""
    if any(program.carrier.controlled != "flow" for program in programs):
        return None
    flows = [float(max(program.carrier.knots()[1])) for program in programs]
    return scenario.inlet.total_flow(max(flows)) if flows else None


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


def program_files(scenario: Scenario, programs: Sequence[Program]) -> dict[str, bytes]:
    """The programs of runs to make, for `--program`, by the number that each run then has."""
    system = ColumnSystem(scenario.column, scenario.gas, scenario.outlet_pressure)
    first = len(scenario.runs) + 1
    return {
        f"run_{n}.toml": program_file(program, system, scenario.ambient_pressure)
        for n, program in enumerate(programs, first)
    }


def toml_file(to_paste: str) -> bytes:
    """The runs to paste into a scenario file."""
    head = (
        "# As rampwright add puts the runs into scenario.toml once they are made, the peak tables beside it."
    )
    return f"{head}\n\n{to_paste}".encode()
