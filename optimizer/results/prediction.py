"""A predicted chromatogram as a peak table: one object that JSON, CSV, console, page and Python read."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any

import numpy as np

from models.column.programs import Program
from models.peaks.resolution import BASE_WIDTH_PER_HALF, pair_resolution
from models.units import SECONDS_PER_MINUTE
from optimizer.base.numbers import MINUTES, TWO_DECIMALS, Rounded
from optimizer.base.quantities import CELSIUS, MINUTE, PERCENT
from optimizer.base.tables import BESIDE, document_of, key
from optimizer.goal.cautions import cautions_about, cautions_in_brief, without_breaks
from optimizer.goal.cycle import cycle_time
from optimizer.goal.goal import Problem
from optimizer.goal.outcome import LimitMargin, Prediction
from optimizer.goal.reliability import Reliability
from optimizer.goal.split import largest_total_flow
from optimizer.results.detector import DetectorSettings, detector_settings
from optimizer.results.plot_data import PairData, pair_data
from optimizer.results.reach import Reach, reach_of
from optimizer.results.set_points import program_file, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_tables import program_document
from optimizer.search.reasons import broken_equipment, broken_limits, margins_of, warnings_of

RETENTION, WIDTH = Rounded(MINUTE, decimals=4, shown=".3f"), Rounded(MINUTE, shown=".4f")
TIME_SD, THREE = Rounded(MINUTE, digits=3), Rounded(digits=3)
ELUTION, FACTOR, LIMIT = Rounded(CELSIUS, shown=".1f"), Rounded(), Rounded(CELSIUS, decimals=3)
INTACT, INTACT_PERCENT = Rounded(digits=5), Rounded(PERCENT, digits=5)
TIME_SHIFT = Rounded(decimals=3)
INTERVALS = "± is half of a 95 % interval, from simulated runs."


@dataclass(frozen=True)
class PredictedPeak:
    """One compound, in SI; nan where there is no number, None where no limit is stated."""

    compound: Annotated[str, key()]
    """its name"""
    role: Annotated[str, key()]
    """target, internal standard, matrix, ignore or solvent"""
    retention: Annotated[float, RETENTION, key("retention_min")]
    """retention time; nan: not eluted"""
    retention_sd: Annotated[float, TIME_SD, key("retention_sd_min")]
    """standard deviation over the draws: the fit, what the model leaves out, and how far off set points may be; 95 %
    of the draws lie within 1.96 of it"""
    width_half: Annotated[float, WIDTH, key("width_half_min")]
    """width at half height"""
    width_half_sd: Annotated[float, TIME_SD, key("width_half_sd_min")]
    """its standard deviation over the draws"""
    width_base: Annotated[float, WIDTH, key("width_base_min")]
    """width between the tangents' feet"""
    elution: Annotated[float, ELUTION, key("elution_C")]
    """column temperature when it elutes"""
    retention_factor: Annotated[float, FACTOR, key()]
    """at elution; small at the end of a fast ramp however well a compound was retained"""
    apex_shift: Annotated[float, TIME_SHIFT, key("apex_shift_s")]
    """seconds by which its amount (`overload`) and the system's decay (`response_time_s`) make the apex late"""
    resolution: Annotated[float, TWO_DECIMALS, key("resolution_to_next")]
    """half-height resolution from the next peak, tailing counted; nan for the last"""
    resolution_sd: Annotated[float, THREE, key("resolution_to_next_sd")]
    """its standard deviation over the draws, in which it is negative where the two have changed places; what moves both
    peaks alike cancels in it. nan for the last, and where the pair does not count"""
    intact: Annotated[float, INTACT, key("intact_fraction")]
    """share that survives the stay in the column; nan without `decomposition`"""
    time_above: Annotated[float, MINUTES, key("time_above_min")]
    """time above the analyte's own temperature limit; nan without one"""
    max_elution: Annotated[float | None, LIMIT, key("max_elution_C")]
    """limits stated for it, None where none is: highest elution temperature,"""
    limit_above: Annotated[float | None, LIMIT, key("limit_above_C")]
    """the temperature that `time_above_min` counts from,"""
    max_time_above: Annotated[float | None, MINUTES, key("max_time_above_min")]
    """the longest stay above it,"""
    min_intact: Annotated[float | None, key("min_intact_fraction")]
    """and the share that must survive"""

    @property
    def retention_text(self) -> str:
        """Retention time [min] with its interval."""
        return RETENTION.interval(self.retention, self.retention_sd)

    @property
    def width_text(self) -> str:
        """Width at half height [min] with its interval."""
        return WIDTH.interval(self.width_half, self.width_half_sd)

    @property
    def resolution_text(self) -> str:
        """Resolution to the next peak with its interval."""
        return TWO_DECIMALS.interval(self.resolution, self.resolution_sd)


def predicted_peaks(scenario: Scenario, prediction: Prediction) -> tuple[PredictedPeak, ...]:
    """One a compound, in order of elution."""
    order = [int(m) for m in prediction.order]
    return tuple(
        _peak(scenario, prediction, m, following)
        for m, following in zip(order, [*order[1:], None], strict=True)
    )


def _peak(scenario: Scenario, prediction: Prediction, m: int, following: int | None) -> PredictedPeak:
    name = prediction.compounds[m]
    detail = scenario.detail(name)
    above = detail.max_time_above
    resolution, sd = _resolution_to(prediction, m, following)
    return PredictedPeak(
        name,
        scenario.role(name),
        float(prediction.retention[m]),
        float(prediction.retention_sd[m]),
        float(prediction.width_half[m]),
        float(prediction.width_sd[m]),
        float(prediction.width_half[m] * BASE_WIDTH_PER_HALF),
        float(prediction.elution_temperature[m]),
        float(prediction.retention_factor[m]),
        float(prediction.apex_shift[m]),
        resolution,
        sd,
        float(prediction.intact_fraction[m]),
        float(prediction.time_above[m]),
        detail.max_elution_temperature,
        None if above is None else above.temperature,
        None if above is None else above.duration,
        detail.min_intact_fraction,
    )


def _resolution_to(prediction: Prediction, m: int, following: int | None) -> tuple[float, float]:
    """Half-height resolution of two neighbours, with their tailing, and its standard deviation.

    nan for the last; the standard deviation also where the pair does not count.
    """
    if following is None:
        return float("nan"), float("nan")
    pair = np.array([[m, following]], dtype=np.intp)
    found = pair_resolution(prediction.retention, prediction.width_half, pair, prediction.tailing)[0]
    counted = np.sort(prediction.counted_pairs, axis=1)
    at = np.flatnonzero((counted == sorted((m, following))).all(axis=1))
    return float(found), float(prediction.resolution_sd[at[0]]) if at.size else float("nan")


def peak_documents(scenario: Scenario, prediction: Prediction) -> list[dict[str, Any]]:
    """The peak table for JSON and CSV."""
    return [document_of(each, scenario.ambient_pressure) for each in predicted_peaks(scenario, prediction)]


def prediction_document(scenario: Scenario, prediction: Prediction) -> dict[str, Any]:
    """A prediction without what is known of its certainty."""
    return {
        "format": 1,
        "title": scenario.title,
        **document_of(prediction, scenario.ambient_pressure),
        "peaks": peak_documents(scenario, prediction),
    }


@dataclass(frozen=True, eq=False)
class PredictionResult:
    """The chromatogram a program is expected to give.

    Attributes
    ----------
    problem : fit and goal that it was predicted with
    prediction : optimizer.goal.outcome.Prediction, SI: arrays (M,) in the order of `prediction.compounds`
    reliability : pass probability with its reasons; None where it was not asked for
    """

    problem: Problem
    prediction: Annotated[Prediction, key(BESIDE)]
    reliability: Annotated[Reliability | None, key()] = None

    @property
    def peaks(self) -> Annotated[tuple[PredictedPeak, ...], key()]:
        """The peak table, in order of elution."""
        return predicted_peaks(self.problem.scenario, self.prediction)

    @property
    def program(self) -> Program:
        """The program that was predicted."""
        return self.prediction.program

    @property
    def run_time_min(self) -> float:
        """Run time [min]."""
        return self.prediction.run_time / SECONDS_PER_MINUTE

    @property
    def min_resolution(self) -> float:
        """Half-height resolution of the critical pair; infinite when no pair counts."""
        return self.prediction.min_resolution

    @property
    def margins(self) -> tuple[LimitMargin, ...]:
        """Every pair and every other limit with its relative margin, negative where not kept; tightest first."""
        return margins_of(self.problem, self.prediction, pairs=None)

    @property
    def reach(self) -> Reach:
        """Where its corners may lie: temperatures, heating, and the carrier's set values."""
        system = self.problem.fit.system
        return reach_of(self.problem.scenario, system, self.program, self.prediction.run_time)

    @property
    def cycle_time_min(self) -> float:
        """Run, cool-down and equilibration [min]; nan where the scenario states no cool-down that is needed."""
        scenario, prediction = self.problem.scenario, self.prediction
        return cycle_time(scenario, self.program, prediction.run_time) / SECONDS_PER_MINUTE

    def pair(self, a: str, b: str) -> PairData:
        """Two compounds enlarged, with the resolution they have and need.

        Raises
        ------
        InvalidInputError : when there is no such compound, or one of them does not elute
        """
        return pair_data(self.prediction, a, b)

    @property
    def tables(self) -> dict[str, Any]:
        """The program as the tables oven and carrier of a program file, in trade units."""
        return program_document(self.program, self.problem.scenario.ambient_pressure)

    @property
    def set_points(self) -> tuple[str, ...]:
        """The program as lines of text, as one types it into an instrument."""
        scenario = self.problem.scenario
        return set_point_lines(self.program, scenario.ambient_pressure, column=scenario.column)

    @property
    def program_file(self) -> str:
        """The program as the text of a file that `--program` reads."""
        scenario = self.problem.scenario
        return program_file(self.program, self.problem.fit.system, scenario.ambient_pressure).decode()

    @cached_property
    def breaks_equipment(self) -> Annotated[tuple[str, ...], key()]:
        """Limits of column and instrument that the program breaks, each with its value; it cannot be run as it is."""
        return broken_equipment(self.problem, self.prediction)

    @property
    def other_warnings(self) -> tuple[str, ...]:
        """Warnings but for these."""
        return without_breaks(self.warnings, self.breaks_equipment)

    @property
    def warnings(self) -> Annotated[tuple[str, ...], key()]:
        """What the program breaks and how far it may be trusted; then those of scenario and fit."""
        problem, prediction = self.problem, self.prediction
        about_program = (*broken_limits(problem, prediction), *warnings_of(problem, prediction))
        return (*about_program, *problem.warnings)

    @property
    def detector(self) -> Annotated[DetectorSettings, key()]:
        """What to set at the detector."""
        return detector_settings(self.problem.scenario, self.prediction)

    @property
    def cautions(self) -> Annotated[tuple[str, ...], key()]:
        """Hazards to know before a run."""
        return tuple(cautions_about(self.problem.scenario, [self.prediction]))

    @property
    def cautions_in_brief(self) -> tuple[str, ...]:
        """The same with one line for what every run asks for."""
        scenario = self.problem.scenario
        total = largest_total_flow(scenario, self.prediction)
        return cautions_in_brief(scenario, [self.prediction.program], total)

    def to_dict(self) -> dict[str, Any]:
        """As `rampwright predict --json`."""
        scenario = self.problem.scenario
        return {"format": 1, "title": scenario.title, **document_of(self, scenario.ambient_pressure)}
