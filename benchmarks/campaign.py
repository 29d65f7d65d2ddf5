"""Campaigns on the instrument that is not the model: two scouting runs, then what the tool proposes until it says stop.

Every run that `next` proposes is made on the other instrument, on a day of its own, and put in by `add`, as a user
would. After each injection the best program is run on the instrument as it is and off all four ways, and its run time
is held against the shortest program found with full knowledge of that instrument (`known_instrument`).

`python -m benchmarks.campaign --mixtures 2 --seconds 5` is a small look. A mixture that is done is a line in a file,
and not begun again; the two halves take turns, so that what is done is of both. Half of the mixtures are apart, with
two classes of compounds and a variant of the instrument of their own.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from benchmarks.known_instrument import (
    ADAPTED,
    BEGUN,
    NEEDED,
    OFF,
    on_instrument,
    searched,
    shortest_that_bears,
)
from benchmarks.other_instrument import LATER, Day
from benchmarks.scouted_mixtures import AMBIENT, KINDS, Mixture, measured_run, mixture, write_scenario
from benchmarks.shares import share
from models.units import SECONDS_PER_MINUTE
from optimizer.app.interface_campaign import NextRun, add_run, next_run
from optimizer.base.clock import processor_time_counted
from optimizer.campaign.next_run import Standing
from optimizer.methods.scout_programs import same_program
from optimizer.methods.workflow import fit_scenario, optimize
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import load_scenario
from tests.reference.confirmation import write_table

ROOT = Path(__file__).resolve().parents[1]
MIXTURES, SECONDS = 20, 4.0  # of each half; s of the processor's time for each `next`, where a user has 60
SAMPLE_MIXTURES, SAMPLE_SECONDS = 1, 4.0
MORE = 4  # times the seconds for the one further look that is advised where nothing was found
REFERENCE = 1.0  # times as long, for the first search of the shortest program
INJECTIONS = 4  # after the two to begin with
APART = 100  # number from which mixtures are reported apart: nothing is tuned on them
OWN_CLASSES = ("nitrogen", "chlorinated")  # that only these have
TWO_RUNS = [number for number, (ramps, isothermal, _) in enumerate(KINDS.values()) if ramps + isothermal == 2]
ALLOWANCE = 0.05  # of the resolution, that may be missing in truth
CONFIDENCE = 0.9


@dataclass(frozen=True)
class Stage:
    """Where a campaign stands after some injections; times in min.

    Attributes
    ----------
    injections : after the two to begin with
    offered : whether a program is offered as meeting the goal
    run_time, probability : of the best program; None without one
    holds, bears : whether it has the resolutions on the instrument as it is, and off all four ways
    advice : of `next`
    kind : of the run that it proposes; "" where it proposes none
    gain, gain_error : what that run is worth, as shares of the run time; None where not said
    expected, low, high : run time after it, and the 80 % interval; None where not said
    repeated : whether that run was made already
    cannot : whether `optimize` then says that the goal cannot be met; asked where nothing is offered
    """

    injections: int
    offered: bool
    run_time: float | None
    probability: float | None
    holds: bool
    bears: bool
    advice: str
    kind: str = ""
    gain: float | None = None
    gain_error: float | None = None
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    repeated: bool = False
    cannot: bool = False


@dataclass(frozen=True)
class Line:
    """What came of one mixture; `shortest` is the known program's run time [min], None where none was found."""

    number: int
    compounds: int
    shortest: float | None
    stages: tuple[Stage, ...]

    def after(self, injections: int) -> Stage:
        """After so many; where the tool said stop before, as it stood then."""
        return next(each for each in reversed(self.stages) if each.injections <= injections)


def numbered(number: int) -> Mixture:
    """Mixtures scouted by two runs; below `APART` without some classes, from there on in worse condition."""
    kinds = len(TWO_RUNS)
    seed = number // kinds * len(KINDS) + TWO_RUNS[number % kinds]
    if number < APART:
        return mixture(seed, OFF, (*OWN_CLASSES, *LATER))
    return mixture(seed, OFF, poor=True)


def in_turn(mixtures: int, first: int = 0) -> list[int]:
    """Numbers of so many mixtures of each half."""
    return [half + number for number in range(first, first + mixtures) for half in (0, APART)]


def campaign(number: int, seconds: float, injections: int = INJECTIONS) -> Line:
    """One mixture's campaign."""
    drawn = numbered(number)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with processor_time_counted():
            known = shortest_that_bears(drawn, folder, REFERENCE * seconds)
    shortest = None if known is None else known[1] / SECONDS_PER_MINUTE
    stages: list[Stage] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        goal = [f"min_resolution = {NEEDED:g}", f"confidence = {CONFIDENCE:g}"]
        write_scenario(drawn, folder, goal, searched(drawn))
        for made in range(injections + 1):
            scenario = load_scenario(folder)
            with processor_time_counted():
                proposed = next_run(scenario, seconds=seconds, cores=1)
                if proposed.found is not None and proposed.found.advice == "hopeless":
                    proposed = next_run(scenario, seconds=MORE * seconds, cores=1)
                stage, end = _stage(drawn, made, scenario, proposed)
                if not stage.offered:
                    stage = replace(stage, cannot=_said_to_be_impossible(scenario, seconds))
            stages.append(stage)
            if stage.bears and end is not None and (shortest is None or end < shortest):
                shortest = end
            if proposed.proposed is None or made == injections:
                break
            proposed.keep()
            _make(drawn, scenario, proposed, made)
    return Line(number, len(drawn.compounds), shortest, tuple(stages))


def _stage(drawn: Mixture, made: int, scenario: Scenario, proposed: NextRun) -> tuple[Stage, float | None]:
    """Where it stands, and when the best program is over on the instrument [min]; None without one."""
    found = proposed.found
    assert isinstance(found, Standing)  # two runs are there from the beginning
    best, worth = found.best, found.of_proposed
    holds = bears = False
    end = None
    if best is not None:
        said = np.full(len(drawn.compounds), np.nan)
        said[[drawn.compounds.index(each) for each in scenario.compounds]] = best.prediction.retention
        truly = on_instrument(drawn, best.prediction.program, said)
        holds, bears = (each >= NEEDED - ALLOWANCE for each in truly.smallest)
        end = truly.end / SECONDS_PER_MINUTE if truly.smallest[1] >= NEEDED else None
    program = proposed.proposed
    said_of = {}
    if worth is not None:
        said_of = {"gain": round(worth.gain, 4), "gain_error": round(worth.gain_error, 4)}
        if np.isfinite(worth.expected):
            times = {"expected": worth.expected, "low": worth.low, "high": worth.high}
            said_of |= {
                key: round((each + found.offset) / SECONDS_PER_MINUTE, 3) for key, each in times.items()
            }
    stage = Stage(
        made,
        found.outcome.feasible,
        None if best is None else round(best.prediction.run_time / SECONDS_PER_MINUTE, 3),
        None if best is None else round(best.pass_probability, 4),
        holds,
        bears,
        found.advice,
        "" if found.proposed is None else found.proposed.kind,
        repeated=program is not None
        and any(same_program(scenario, program, run.program) for run in scenario.runs),
        **said_of,
    )
    return stage, end


def _said_to_be_impossible(scenario: Scenario, seconds: float) -> bool:
    """Whether `optimize` says that the goal cannot be met."""
    _, outcome = optimize(scenario, fit_scenario(scenario), seconds, cores=1)
    return outcome.not_met is not None and outcome.not_met.kind == "cannot be met"


def _make(drawn: Mixture, scenario: Scenario, proposed: NextRun, made: int) -> None:
    """Make the proposed run on a day of its own, and put it in."""
    program = proposed.proposed
    assert program is not None
    rng = np.random.default_rng(np.random.SeedSequence(entropy=drawn.seed, spawn_key=(8, made)))
    oven, carrier = rng.uniform(-1, 1, 2) * drawn.day_to_day
    day = Day(float(oven), float(carrier) / 100)
    table = program_document(program, AMBIENT)
    rows, hold_up = measured_run(drawn, table, day, len(drawn.scouting) + made)
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / f"injection-{len(scenario.runs) + 1}.csv"
        write_table(file, [row for row in rows if row.time < program.oven.duration], tailing=False)
        measured = hold_up / SECONDS_PER_MINUTE if KINDS[drawn.kind][2] else None
        add_run(scenario, file, program, hold_up_min=measured).write(accept=True)


def read_lines(file: Path) -> dict[int, Line]:
    """Lines of a file by number; none where there is no file yet. A last line that was cut off is left out."""
    lines = {}
    for text in file.read_text(encoding="utf-8").splitlines() if file.exists() else []:
        try:
            table = json.loads(text)
        except json.JSONDecodeError:
            continue
        stages = tuple(Stage(**each) for each in table.pop("stages"))
        lines[table["number"]] = Line(**table, stages=stages)
    return lines


def measured_lines(numbers: Iterable[int], file: Path, of_one: Callable[[int], Line]) -> list[Line]:
    """The lines of some mixtures; those not yet in the file are measured and put there."""
    file.parent.mkdir(parents=True, exist_ok=True)
    known, lines = read_lines(file), []
    for number in numbers:
        if number not in known:
            known[number] = of_one(number)
            before = file.read_text(encoding="utf-8") if file.exists() else ""
            cut_off = "\n" if before and not before.endswith("\n") else ""
            with file.open("a", encoding="utf-8") as out:
                out.write(f"{cut_off}{json.dumps(asdict(known[number]))}\n")
        lines.append(known[number])
    return lines


def table(lines: Sequence[Line], injections: int = INJECTIONS) -> list[str]:
    """What was reached, by injections."""
    solvable = [each for each in lines if each.shortest is not None]
    text = [
        "| injections after two | run time over the shortest: median, 90th percentile | below 1.15 | programs offered "
        "that hold | that bear all four ways | solved, of those that can be | false no | going on |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for made in range(injections + 1):
        at = [(each, each.after(made)) for each in lines]
        offered = [stage for _, stage in at if stage.offered]
        ratios = np.array(
            [s.run_time / each.shortest for each, s in at if s.offered and s.run_time and each.shortest]
        )
        times = "-"
        if len(ratios):
            times = f"{np.median(ratios):.2f}, {np.quantile(ratios, 0.9):.2f}"
        solved = [each.after(made) for each in solvable]
        going_on = sum(any(stage.injections > made for stage in each.stages) for each in lines)
        text.append(
            f"| {made} | {times} | {share(int((ratios < 1.15).sum()), len(ratios))} | "
            f"{share(sum(s.holds for s in offered), len(offered))} | "
            f"{share(sum(s.bears for s in offered), len(offered))} | "
            f"{share(sum(s.offered and s.holds for s in solved), len(solved))} | "
            f"{sum(s.cannot for s in solved)} | {going_on} |"
        )
    return text


def promises(lines: Sequence[Line]) -> str:
    """How what was expected of proposed runs came out."""
    pairs = [
        (before, after)
        for each in lines
        for before, after in pairwise(each.stages)
        if before.expected is not None
    ]
    met = [(before, after) for before, after in pairs if after.offered and after.run_time]
    if not met:
        return "No run was proposed for what it is worth after which a program was offered."
    ratios = [after.run_time / before.expected for before, after in met if before.expected and after.run_time]
    inside = sum(
        before.low <= after.run_time <= before.high
        for before, after in met
        if before.low is not None and before.high is not None and after.run_time is not None
    )
    return (
        f"Of {len(pairs)} runs proposed for what they are worth {len(met)} led to a program that meets the goal: its "
        f"run time over that expected if so {np.median(ratios):.2f} (median), inside the 80 % interval "
        f"{share(inside, len(met))}."
    )


def faults(lines: Sequence[Line]) -> str:
    """What no campaign should show, counted."""
    stages = [(each, stage) for each in lines for stage in each.stages]
    repeated = sum(stage.repeated for _, stage in stages)
    given_up = sum(each.shortest is not None and stage.advice == "hopeless" for each, stage in stages)
    lost = sum(stage.gain is not None and stage.gain < 0 for _, stage in stages)
    return (
        f"Runs proposed that were made already: {repeated}; proposed though expected to lose: {lost}; stops with "
        f"nothing offered where a program exists: {given_up}."
    )


def report(
    lines: Sequence[Line], seconds: float, injections: int = INJECTIONS, due: int | None = None
) -> list[str]:
    """The section's lines; `due` is how many mixtures there are to be, all those measured when None."""
    text = [
        "## Campaigns",
        "",
        "Mixtures of 8 to 16 compounds scouted by two runs on an instrument that is not the model, then what `next` "
        f"proposes ({seconds:g} s of one core each time, {MORE} times that once more where it found nothing, as it "
        f"then advises; a user has 60 s on all cores) until it says stop, {injections} injections at most, each on "
        f"another day (oven within {OFF[0]:g} °C, carrier within {OFF[1]:g} %, as the scenarios state); resolution "
        f"{NEEDED:g} of every pair with {100 * CONFIDENCE:.0f} %. A program holds where no resolution is below "
        f"{NEEDED - ALLOWANCE:g} on the instrument as it is and no pair has changed places; it bears all four ways "
        f"where that is so off by {OFF[0]:g} °C and {OFF[1]:g} % either way. The shortest is the shortest found that "
        f"keeps {NEEDED:g} in all of them: led there from a fit of seven runs without noise by what pairs lack or have "
        "to spare on the instrument itself, then by single steps of set points tried on it (a search of "
        f"{REFERENCE * seconds:g} s and {BEGUN * ADAPTED} short ones at most); or a program of the campaign's, if that "
        "is shorter. A campaign that is over stands as it stood then. A false no is a goal that "
        "`optimize` says cannot be met though a program is known.",
    ]
    if due is not None and len(lines) < due:
        text += ["", f"Measured so far: {len(lines)} of {due} mixtures, the two halves in turn."]
    halves = {
        f"Numbers below {APART}, without {' and '.join(OWN_CLASSES)}": [e for e in lines if e.number < APART],
        f"Numbers from {APART} on, with all classes, the column 0.5 to 2.5 % shorter than its tag says and the oven "
        "off by up to 1 % of what it is above 25 °C; nothing was tuned on them": [
            e for e in lines if e.number >= APART
        ],
    }
    for name, own in halves.items():
        if own:
            known = sum(each.shortest is not None for each in own)
            heading = f"{name}: {len(own)} mixtures, a program is known for {known}."
            text += ["", heading, "", *table(own, injections), "", promises(own), faults(own)]
    return text


def run(sample: bool) -> str:
    """A section of benchmarks/RESULTS.md."""
    from benchmarks.run import STATE, state_of_tree

    count, seconds = (SAMPLE_MIXTURES, SAMPLE_SECONDS) if sample else (MIXTURES, SECONDS)
    numbers = in_turn(count)
    file = STATE / state_of_tree() / f"campaign-{seconds:g}.jsonl"
    lines = report(measured_lines(numbers, file, lambda number: campaign(number, seconds)), seconds)
    print("\n".join(lines), flush=True)
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str] | None = None) -> None:
    """A small look, or more mixtures than a section has."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument(
        "--mixtures", type=int, default=SAMPLE_MIXTURES, metavar="N", help="of each half, in turn"
    )
    parser.add_argument("--from", type=int, default=0, metavar="NUMBER", dest="first")
    parser.add_argument("--measured", action="store_true", help="only report what is in the file already")
    parser.add_argument(
        "--seconds", type=float, default=SAMPLE_SECONDS, help="of the processor, for each next"
    )
    parser.add_argument("--injections", type=int, default=INJECTIONS, metavar="N")
    parser.add_argument(
        "--lines", type=Path, metavar="FILE", help="one line a mixture; those in it are not begun again"
    )
    asked = parser.parse_args(arguments)
    default = ROOT / ".bench" / f"campaign-{asked.seconds:g}-s-{asked.injections}.jsonl"

    def of_one(number: int) -> Line:
        made = campaign(number, asked.seconds, asked.injections)
        print(json.dumps(asdict(made)), flush=True)
        return made

    numbers, file = in_turn(asked.mixtures, asked.first), asked.lines or default
    if asked.measured:
        known = read_lines(file)
        lines = [known[number] for number in numbers if number in known]
    else:
        lines = measured_lines(numbers, file, of_one)
    print("\n".join(report(lines, asked.seconds, asked.injections, len(numbers))))


if __name__ == "__main__":
    main()
