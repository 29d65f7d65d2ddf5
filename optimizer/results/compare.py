"""A compared confirmation run as one frozen object, from which JSON, CSV, tables, page and files are made."""

from __future__ import annotations

import json
import textwrap
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from models.column.programs import Program
from models.units import SECONDS_PER_MINUTE
from optimizer.base.given_values import inline_toml
from optimizer.base.numbers import MINUTES, NEEDED, SHARE, TWO_DECIMALS, Rounded, number
from optimizer.base.quantities import METRE, MINUTE, NUMBER, SECOND
from optimizer.base.tables import BESIDE, WrittenBy, declared_in, document_of, key
from optimizer.goal.outcome import Candidate, SearchOutcome
from optimizer.goal.reliability import Failure
from optimizer.methods.compare import Comparison
from optimizer.methods.compare_refit import Entered, Refit, day_of, refit_notes
from optimizer.results.candidate import candidate_document, csv_bytes
from optimizer.results.compare_words import (
    TO_CORRECT,
    advice,
    correction_text,
    remarks,
    retuned_for,
    retuned_text,
    retuning_reasons,
    verdict_line,
)
from optimizer.results.documents import FORMAT, Document
from optimizer.results.set_points import program_file
from optimizer.runs.peak_tables import COLUMNS
from optimizer.scenario.program_tables import program_document
from optimizer.search.reasons import broken_limits, warnings_of

Text = Annotated[str, key()]
Yes = Annotated[bool, key()]
Texts = Annotated[tuple[str, ...], key()]

TIME = Rounded(MINUTE, decimals=4, shown=".3f")
TIME_SD = Rounded(MINUTE, digits=3, shown=".3f")
WIDTH = Rounded(MINUTE)
DEVIATION = Rounded(SECOND, decimals=2, shown="+.2f")
DEVIATION_SD = Rounded(NUMBER, decimals=2, shown="+.1f")
RATIO = Rounded(digits=3)
KELVIN = Rounded(decimals=2, shown="+.2f")
FLOW_FACTOR = Rounded(digits=6, shown=".4f")

RUN_TABLE = "scouting_run.csv"
COMMENT = 110  # characters a line


@dataclass(frozen=True)
class ComparedPeak:
    """One compound, predicted and found as named in the table; nan without a peak or measured width."""

    compound: Text
    """its name"""
    role: Text
    """target, internal standard, matrix, ignore or solvent"""
    predicted: Annotated[float, TIME, key("predicted_min")]
    """retention time as predicted"""
    predicted_sd: Annotated[float, TIME_SD, key("predicted_sd_min")]
    """standard deviation of found - predicted, tolerances of set points and repeatability included"""
    found: Annotated[float, TIME, key("found_min")]
    """retention time as named in the table; nan without a peak"""
    deviation: Annotated[float, DEVIATION, key("deviation_s")]
    """found - predicted"""
    deviation_sd: Annotated[float, DEVIATION_SD, key()]
    """the same in standard deviations"""
    rest: Annotated[float | None, DEVIATION, key("left_by_shared_cause_s")]
    """deviation without the shared cause; None where there is no such cause"""
    width_predicted: Annotated[float, WIDTH, key("width_half_predicted_min")]
    """width at half height as predicted"""
    width_found: Annotated[float, WIDTH, key("width_half_found_min")]
    """as found; nan where not measured"""
    width_ratio: Annotated[float, RATIO, key()]
    """of the two"""
    width_deviation_sd: Annotated[float, DEVIATION_SD, key()]
    """logarithm of that ratio, in standard deviations of the predicted width"""
    wrongly_named: Yes
    """whether its name is probably wrong, or its time mistyped"""
    lost: Yes
    """whether it is a target or internal standard without a peak"""


# Of compare.csv: what its page shows, too.
CSV_COLUMNS = tuple(
    name
    for attribute, name, *_ in declared_in(ComparedPeak)
    if attribute not in ("role", "width_deviation_sd", "wrongly_named", "lost")
)


@dataclass(frozen=True)
class SmallestResolution:
    """The pair nearest to what it needs, or furthest below, as predicted and as found."""

    predicted: Annotated[float, TWO_DECIMALS, key()]
    """as predicted"""
    predicted_sd: Annotated[float | None, TWO_DECIMALS, key()]
    """its standard deviation"""
    predicted_between: Annotated[tuple[str, str] | None, key()]
    """the pair"""
    predicted_needed: Annotated[float, NEEDED, key()]
    """what that pair needs"""
    found: Annotated[float | None, TWO_DECIMALS, key()]
    """as found"""
    found_between: Annotated[tuple[str, str] | None, key()]
    """the pair that is then critical"""
    found_needed: Annotated[float | None, NEEDED, key()]
    """what that pair needs"""


@dataclass(frozen=True)
class WrongName:
    """A name that is probably wrong, and its correction."""

    compound: Text
    """whose name stands in the table"""
    kind: Text
    """what is wrong: "swapped" with `partner`; "misnamed": it is the peak of `partner`, which has none; "extra":
    its peak is the one listed as `partner`; "mistyped"; "foreign": no peak of this sample"""
    partner: Annotated[str | None, key()]
    """the other name; None without one"""
    expected: Annotated[float, TIME, key("expected_min")]
    """where it is expected"""
    off_sd: Annotated[float, RATIO, key()]
    """how far off that it is, in standard deviations"""
    intended: Annotated[float | None, TIME, key("intended_min")]
    """the time that was probably meant; None unless mistyped, and where several slips would do"""
    weighed: Annotated[dict[str, float], SHARE, key()]
    """how likely all that may be the matter is: `sound`, `curved` (bent unusually), `unusual`, and each `kind`"""
    says: Text
    """the correction in words"""


@dataclass(frozen=True)
class Expected:
    """What the compared program is expected to give."""

    min_resolution: Annotated[float, TWO_DECIMALS, key()]
    """of the critical pair"""
    critical_pair: Annotated[tuple[str, str] | None, key()]
    """its names"""
    needed: Annotated[float, NEEDED, key("critical_pair_needs")]
    """what it needs"""
    pass_probability: Annotated[float, SHARE, key()]
    """simulated"""
    fails_most: Annotated[Failure | None, key()]
    """what is missed most often: `what`, and in what `share` of the draws; None where nothing is"""


@dataclass(frozen=True)
class ExpectedByFit(Expected):
    """The same by the fit before or after the run is added."""

    flow_factor: Annotated[float, FLOW_FACTOR, key()]
    """as fitted"""


@dataclass(frozen=True)
class ExpectedAfterCut(Expected):
    """The same once the new length is entered."""

    length: Annotated[float, Rounded(METRE, digits=5), key("length_m")]


@dataclass(frozen=True)
class LargestChange:
    """The characteristic temperature that the run changed most [K]."""

    compound: Text
    change: Annotated[float, KELVIN, key("K")]
    sd_before: Annotated[float, RATIO, key("sd_before_K")]


@dataclass(frozen=True)
class RefitResult:
    """The fit before and after the run is added."""

    before: Annotated[ExpectedByFit, key()]
    """by the fit without this run, see below"""
    after: Annotated[ExpectedByFit, key()]
    """by the fit with it"""
    misfit: Annotated[float, RATIO, key()]
    """root mean square of the residuals of the run that fits worst, in standard deviations"""
    reliable: Yes
    """whether that is below 3"""
    new_length_entered: Annotated[ExpectedAfterCut | None, key()]
    """after a cut, the same once the new length, `length_m`, is entered; else None"""
    largest_change: Annotated[LargestChange, key("largest_change_of_T0")]
    """the characteristic temperature that changed most: `compound`, by how much (`K`), and its `sd_before_K`"""
    left_out: Texts
    """compounds that the refit leaves out"""
    retuning_advised: Texts
    """reasons; empty when none is needed"""


@dataclass(frozen=True)
class CompareResult:
    """A compared run, numbers in SI: what has a key is the content of compare.json.

    Attributes
    ----------
    after : Refit or None, where nothing was left to refit with
    outcome : SearchOutcome or None, of a search with the refit
    """

    comparison: Annotated[Comparison, key(BESIDE)]
    after: Refit | None
    outcome: SearchOutcome | None
    format: Annotated[int, key()]
    """1"""
    title: Text
    """of the scenario"""
    program: Annotated[Program, WrittenBy(program_document), key(BESIDE)]
    """the program of the run"""
    run_time: Annotated[float, TIME, key("run_time_min")]
    """its run time"""
    says: Text
    """the verdict in one line"""
    remarks: Texts
    """sentences"""
    advice: Texts
    """sentences: what to do next"""
    smallest: Annotated[SmallestResolution, key("smallest_resolution")]
    """of the critical pair, the one nearest to what it needs or furthest below, see below"""
    peaks: Annotated[tuple[ComparedPeak, ...], key()]
    """in order of predicted elution, see below"""
    wrong_names: Annotated[tuple[WrongName, ...], key()]
    """names that are probably wrong, see below"""
    refit: Annotated[RefitResult | None, key()]
    """what the refit with this run changes, see below; None where nothing is left to fit, or the run was made
    with another program"""
    retuned_for: Annotated[str | None, key()]
    """what the search rests on: that its fit is not reliable, or for which state of the instrument its first
    program is; else None"""
    warnings: Texts
    """sentences"""

    @property
    def tuned(self) -> Candidate | None:
        """The best program of the search; None without one."""
        return _best(self.outcome)

    @property
    def retuned(self) -> Annotated[Document | None, key()]:
        """As candidates.json; None without a search."""
        if self.outcome is None or self.after is None:
            return None
        return candidate_document(self.after.problem.scenario, self.outcome)

    def to_dict(self) -> Document:
        """compare.json."""
        return document_of(self, self.comparison.problem.scenario.ambient_pressure)


def _best(outcome: SearchOutcome | None) -> Candidate | None:
    return outcome.candidates[0] if outcome is not None and outcome.candidates else None


def compare_result(
    compared: Comparison, after: Refit | None, outcome: SearchOutcome | None = None
) -> CompareResult:
    """All that is reported of a compared run; parameters as the attributes of the same names."""
    scenario, prediction, best = compared.problem.scenario, compared.prediction, _best(outcome)
    lines = advice(compared, after, outcome is not None)
    if outcome is not None and after is not None and after.reliable:
        new = None if best is None else best.reliability
        lines.append(retuned_text(after.reliability, new, compared.problem.confidence))
    on = None if best is None or after is None else retuned_for(compared, after, best.prediction.program)
    return CompareResult(
        compared,
        after,
        outcome,
        FORMAT,
        scenario.title,
        program=prediction.program,
        run_time=prediction.run_time,
        says=verdict_line(compared),
        remarks=tuple(remarks(compared)),
        advice=tuple(lines),
        smallest=_smallest(compared),
        peaks=tuple(_peak(compared, int(m)) for m in prediction.order),
        wrong_names=_wrong_names(compared),
        refit=None if after is None else _refit(compared, after),
        retuned_for=on,
        warnings=_warnings(compared, after),
    )


def _peak(compared: Comparison, m: int) -> ComparedPeak:
    prediction, name = compared.prediction, compared.prediction.compounds[m]
    return ComparedPeak(
        name,
        compared.problem.scenario.role(name),
        predicted=prediction.retention[m],
        predicted_sd=compared.time_sd[m],
        found=compared.named[m],
        deviation=compared.deviation[m],
        deviation_sd=compared.deviation[m] / compared.time_sd[m],
        rest=None if compared.causes.cause is None else compared.rest[m],
        width_predicted=prediction.width_half[m],
        width_found=compared.found_width[m],
        width_ratio=compared.found_width[m] / prediction.width_half[m],
        width_deviation_sd=compared.width_sigmas[m],
        wrongly_named=m in compared.wrongly_named,
        lost=m in compared.lost,
    )


def _smallest(compared: Comparison) -> SmallestResolution:
    prediction, found = compared.prediction, compared.critical_found
    return SmallestResolution(
        prediction.min_resolution,
        None if prediction.critical is None else prediction.resolution_sd[prediction.critical],
        prediction.critical_pair,
        prediction.critical_needed,
        *((None, None, None) if found is None else (found.found, found.between, found.needed)),
    )


def _wrong_names(compared: Comparison) -> tuple[WrongName, ...]:
    names = compared.prediction.compounds

    def partner(kind: str, number: int | None) -> str | None:
        return None if number is None else compared.extra[number][0] if kind == "extra" else names[number]

    return tuple(
        WrongName(
            names[each.compound],
            each.kind,
            partner(each.kind, each.partner),
            each.expected,
            each.sigmas,
            each.intended,
            dict(each.weighed),
            correction_text(compared, each),
        )
        for each in compared.corrections
    )


def _refit(compared: Comparison, after: Refit) -> RefitResult:
    old, new, entered = compared.problem.fit, after.problem.fit, after.entered
    moved = new.retention.T0 - old.retention.T0
    m = int(np.argmax(np.abs(moved)))
    return RefitResult(
        before=ExpectedByFit(*_expected(compared), old.system.flow_factor),
        after=ExpectedByFit(*_expected(after), new.system.flow_factor),
        misfit=after.misfit,
        reliable=after.reliable,
        new_length_entered=None if entered is None else ExpectedAfterCut(*_expected(entered), entered.length),
        largest_change=LargestChange(
            compared.prediction.compounds[m], moved[m], sd_before=old.standard_error[m, 0]
        ),
        left_out=after.left_out,
        retuning_advised=retuning_reasons(compared, after),
    )


def _expected(
    by: Comparison | Refit | Entered,
) -> tuple[float, tuple[str, str] | None, float, float, Failure | None]:
    prediction, reliability = by.prediction, by.reliability
    return (
        prediction.min_resolution,
        prediction.critical_pair,
        prediction.critical_needed,
        reliability.share,
        next(iter(reliability.failures), None),
    )


def _warnings(compared: Comparison, after: Refit | None) -> tuple[str, ...]:
    """Of the program, the run, the scenario and the fit."""
    problem, prediction = compared.problem, compared.prediction
    # Of a refit that is not reliable, a note on every peak would bury the advice.
    usable = after is not None and after.reliable
    return (
        *broken_limits(problem, prediction),
        *warnings_of(problem, prediction, prediction),
        *compared.peaks.notes,
        *problem.scenario.warnings,
        *(refit_notes(compared, after) if after is not None and usable else problem.fit.warnings),
    )


def compare_rows(result: CompareResult) -> list[dict[str, Any]]:
    """Rows of compare.csv, one a compound; the keys are `CSV_COLUMNS`."""
    rows: list[dict[str, Any]] = result.to_dict()["peaks"]
    return [{name: row[name] for name in CSV_COLUMNS} for row in rows]


def next_files(result: CompareResult) -> dict[str, bytes]:
    """program.toml, tuned.toml where there is one, scouting_run.toml and its peak table."""
    compared, tuned = result.comparison, result.tuned
    system, ambient = compared.problem.fit.system, compared.problem.scenario.ambient_pressure
    files = {
        "program.toml": program_file(compared.prediction.program, system, ambient),
        "scouting_run.toml": _as_scouting_run(compared).encode(),
        RUN_TABLE: csv_bytes(COLUMNS, _as_given(compared)),
    }
    if tuned is not None:
        head = "".join(f"{line}\n" for line in _comment(result.retuned_for or ""))
        files["tuned.toml"] = head.encode() + program_file(tuned.prediction.program, system, ambient)
    return files


def _as_scouting_run(compared: Comparison) -> str:
    """The run as it stands in a scenario file."""
    scenario = compared.problem.scenario
    used = {run.name for run in scenario.runs}
    name = compared.name if compared.name not in used else f"{compared.name}, confirmation"
    head = [
        f"As rampwright add puts it into scenario.toml, {RUN_TABLE} beside it; the fit then uses it in every command."
    ]
    if compared.verdict in TO_CORRECT:
        head.append(f"Put this right first: {verdict_line(compared)}")
    program = program_document(compared.prediction.program, scenario.ambient_pressure)
    lines = [
        *(line for sentence in head for line in _comment(sentence)),
        "",
        "[[scouting_runs]]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f'peaks = "{RUN_TABLE}"',
        f"{'# hold_up_min =':<30} # enter the measured hold-up time and delete the first #",
        f"repeatability_min = {number(compared.repeatability / SECONDS_PER_MINUTE)}",
        f"day = {json.dumps(day_of(name), ensure_ascii=False)}",
        *(f"{name} = {inline_toml(table)}" for name, table in program.items()),
    ]
    return "\n".join(lines) + "\n"


def _as_given(compared: Comparison) -> list[dict[str, str | float | None]]:
    """The run's peaks of the scenario's compounds as they were given, uncorrected."""
    peaks = compared.peaks.only(compared.prediction.compounds)
    widths = [number(width / SECONDS_PER_MINUTE) for width in peaks.width_half]
    areas, tailings = [number(area, 6) for area in peaks.area], [number(each) for each in peaks.tailing]
    cells = zip(peaks.compounds, map(MINUTES.written, peaks.retention), widths, areas, tailings, strict=True)
    return [dict(zip(COLUMNS, row, strict=True)) for row in cells]


def _comment(sentence: str) -> list[str]:
    """A sentence as comment lines."""
    return [f"# {line}" for line in textwrap.wrap(sentence, COMMENT)]
