"""The history of a campaign, in plain files beside the scenario: what each injection made of the best program."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from models.column.system import ColumnSystem
from optimizer.base.errors import ScenarioError
from optimizer.base.output import undisturbed
from optimizer.base.text_files import read_text
from optimizer.results.candidate import csv_bytes, json_bytes
from optimizer.results.documents import FORMAT
from optimizer.results.set_points import program_file, set_point_lines
from optimizer.scenario.data import Scenario
from optimizer.scenario.reading import SCENARIO_FILE

COMMAND = "campaign"  # under which the files are listed
STATE, HISTORY, PAGE, BEST, NEXT, SET_POINTS = (
    "campaign.json",
    "history.csv",
    "history.html",
    "best.toml",
    "next.toml",
    "set_points.txt",
)


@dataclass(frozen=True)
class Stage:
    """Where the campaign stood after so many injections; times in min, None where there is no such number.

    Attributes
    ----------
    injections : int, runs in the scenario
    last_run : name of the last of them
    run_time_min, pass_probability : of the best program then known
    meets_goal : whether it meets the goal as probably as required
    expected_min, low_min, high_min : run time expected after the proposed run, and its 80 % interval
    proposed : name of the proposed run; "" where the campaign is over
    """

    injections: int
    last_run: str
    run_time_min: float | None
    pass_probability: float | None
    meets_goal: bool
    expected_min: float | None = None
    low_min: float | None = None
    high_min: float | None = None
    proposed: str = ""


@dataclass(frozen=True)
class AddedRun:
    """A run that `add` put into the scenario.

    Attributes
    ----------
    run : its name
    peaks, peaks_sha256 : its peak table in the scenario's folder, and that file's content
    former, former_sha256 : the scenario's former version beside it, and that file's content
    text : what was added to the scenario's text
    program_from : where the program comes from
    """

    run: str
    peaks: str
    peaks_sha256: str
    former: str
    former_sha256: str
    text: str
    program_from: str


@dataclass(frozen=True)
class Campaign:
    """The history in `folder`; stages by injections."""

    folder: Path
    stages: tuple[Stage, ...] = ()
    added: tuple[AddedRun, ...] = ()

    def at(self, stage: Stage) -> Campaign:
        """With a stage in place of what was known after as many injections; later ones were taken back."""
        return replace(self, stages=(*self.until(stage.injections - 1).stages, stage))

    def until(self, injections: int) -> Campaign:
        """Without stages after so many injections."""
        return replace(self, stages=tuple(each for each in self.stages if each.injections <= injections))

    @property
    def next_file(self) -> Path:
        """The program proposed last."""
        return self.folder / NEXT

    @property
    def best_file(self) -> Path:
        """The best program of the last search."""
        return self.folder / BEST


def campaign_folder(scenario_file: Path) -> Path:
    """Where the history of a scenario is: `campaign` beside it, or `NAME-campaign` of a file with another name."""
    name = COMMAND if scenario_file.name == SCENARIO_FILE else f"{scenario_file.stem}-{COMMAND}"
    return scenario_file.parent / name


def read_campaign(scenario: Scenario) -> Campaign:
    """The history of a scenario, an empty one where there is none yet; runs no longer in the scenario are left out.

    Raises
    ------
    ScenarioError : when the file is not as `add` and `next` write it
    """
    folder = campaign_folder(scenario.path)
    file = folder / STATE
    if not folder.is_dir():
        return Campaign(folder)
    with undisturbed(folder):
        if not file.exists():
            return Campaign(folder)
        text = read_text(file)
    try:
        document = json.loads(text)
        stages = tuple(Stage(**_only(Stage, each)) for each in document["stages"])
        added = tuple(AddedRun(**_only(AddedRun, each)) for each in document["added"])
        stages = tuple(sorted(stages, key=lambda each: each.injections))
        plain = all(
            Path(each.peaks).name == each.peaks and Path(each.former).name == each.former for each in added
        )
        _numbers(stages)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        plain = False
    if not plain:
        raise ScenarioError(
            f"{file}: is not as rampwright writes it; move it away, and the history begins anew"
        )
    known = {(run.name, run.file) for run in scenario.runs}
    return Campaign(folder, stages, tuple(each for each in added if (each.run, each.peaks) in known))


def _only(of: type[Any], table: dict[str, Any]) -> dict[str, Any]:
    return {each.name: table[each.name] for each in fields(of) if each.name in table}


def _numbers(stages: Iterable[Stage]) -> None:
    """A TypeError where a number is none."""
    for each in stages:
        values = (each.run_time_min, each.pass_probability, each.expected_min, each.low_min, each.high_min)
        if not all(value is None or isinstance(value, int | float) for value in (each.injections, *values)):
            raise TypeError
        if not isinstance(each.last_run, str) or not isinstance(each.proposed, str):
            raise TypeError


def campaign_document(campaign: Campaign) -> dict[str, Any]:
    """campaign.json."""
    return {
        "format": FORMAT,
        "stages": [asdict(each) for each in campaign.stages],
        "added": [asdict(each) for each in campaign.added],
    }


def campaign_files(
    campaign: Campaign, page: str, best: bytes | None, next_program: tuple[bytes, bytes] | None = None
) -> dict[str, bytes]:
    """The files of a history.

    Parameters
    ----------
    page : history.html
    best : best.toml; None for the one there is, if any
    next_program : next.toml and set_points.txt; None where no run is proposed
    """
    columns = tuple(each.name for each in fields(Stage))
    files = {
        STATE: json_bytes(campaign_document(campaign)),
        HISTORY: csv_bytes(columns, [asdict(each) for each in campaign.stages]),
        PAGE: page.encode(),
    }
    if best is None and campaign.best_file.is_file():
        best = campaign.best_file.read_bytes()
    if best is not None:
        files[BEST] = best
    if next_program is not None:
        files[NEXT], files[SET_POINTS] = next_program
    return files


def program_to_run(scenario: Scenario, program: Any, system: ColumnSystem, name: str) -> tuple[bytes, bytes]:
    """A program as a file for `--program`, and as set points ready to type."""
    lines = [
        f"Next run: {name}",
        "",
        *set_point_lines(program, scenario.ambient_pressure, column=system.column),
    ]
    return program_file(program, system, scenario.ambient_pressure), ("\n".join(lines) + "\n").encode()


def sha256(content: bytes) -> str:
    """Of bytes."""
    return hashlib.sha256(content).hexdigest()
