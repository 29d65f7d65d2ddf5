"""What one server knows of its scenario, and what its pages may ask of it; the files remain the truth."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import Any, get_args

from models.errors import InvalidInputError, RampwrightError
from optimizer.app.chosen_program import AnyPath, AnyProgram, chosen, kept_candidate, starts_of
from optimizer.app.interface import Certainty, fit, load_scenario, predict, snap
from optimizer.app.interface_results import Fitted, Predicted
from optimizer.base.errors import ScenarioError
from optimizer.base.output import make_folder
from optimizer.campaign.history import read_campaign
from optimizer.page.messages import prediction_message, scenario_message
from optimizer.page.searching import Searching, Wanted
from optimizer.page.switches import Switches, switched, switches_of
from optimizer.results.documents import Document
from optimizer.scenario.data import Scenario
from optimizer.scenario.program_files import CANDIDATES_FILE
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import SCENARIO_FILE

MOST_SECONDS = 3600
SEARCHED = "results"  # and a number: a folder with what a search found
SAVED, PROGRAM_FILE, SET_POINTS_FILE = "programs", "program.toml", "set_points.txt"
WHAT_IF_FILE = "what_if.txt"  # beside a program that was predicted with switches: how to keep them
CRITICAL = "critical"  # asks for the pair at risk, or where none is for the critical one
NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,58}[A-Za-z0-9])?")
MOST_SWITCHED = 8  # fits with switches that are kept
Stamp = tuple[tuple[str, int, int], ...]  # of files: name, ns of the last change, bytes
Start = dict[str, Any]


class Session:
    """A scenario and its fit, as read; while there is none that can be used, one can still be set up.

    Parameters
    ----------
    path : the scenario's folder, or its scenario.toml; the folder need not exist yet
    results, programs : folders that `optimize` wrote, and program files, that pages may start from

    Attributes
    ----------
    scenario : as read, with or without scouting runs; None where it cannot be used
    problems : why there is no scenario or no fit, a sentence each
    """

    def __init__(self, path: AnyPath, results: Sequence[Path] = (), programs: Sequence[Path] = ()) -> None:
        self._path, self._results, self._programs = Path(path), tuple(results), tuple(programs)
        self._saving = Lock()
        self.searching = Searching()
        self._searched_under: Document = {}
        self.ends: list[Callable[[], None]] = [self.searching.end]
        self.scenario: Scenario | None = None
        self.problems: tuple[str, ...] = ()
        self._fitted: Fitted | None = None
        self._switched: dict[Switches, Fitted] = {}
        self._files: list[Path] = []
        self._stamp: Stamp = ()
        if not self.file.exists():
            self.problems = (f"{self.file}: is not there yet; fill in what is needed below, and write it",)
            return
        with suppress(RampwrightError):
            self.read()

    @property
    def fitted(self) -> Fitted:
        """The fit, without which nothing is predicted.

        Raises
        ------
        ScenarioError : when there is none yet
        """
        if self._fitted is None:
            raise ScenarioError(self.problems)
        return self._fitted

    def end(self) -> None:
        """End what works for it."""
        for each in self.ends:
            each()

    @property
    def file(self) -> Path:
        """The scenario's file, which may not be there yet."""
        if self.scenario is not None:
            return self.scenario.path
        return self._path if self._path.suffix == ".toml" else self._path / SCENARIO_FILE

    @property
    def folder(self) -> Path:
        """The scenario's."""
        return self.file.parent

    @property
    def title(self) -> str:
        """Of the scenario, or where it will be."""
        return str(self.folder) if self.scenario is None else self.scenario.title

    def _readable(self) -> Scenario:
        if self.scenario is None:
            raise ScenarioError(self.problems)
        return self.scenario

    def read(self) -> None:
        """Read the scenario and fit its runs.

        Raises
        ------
        RampwrightError : when they cannot be used; what was read before then stays
        """
        try:
            scenario = load_scenario(self._path, runs_needed=False)
            if not scenario.runs:
                self.scenario, self._fitted = scenario, None
                raise ScenarioError(
                    f"{scenario.path}: there are no scouting runs yet. Campaign works the first one out, and takes "
                    "it in once it was made; runs that were made before can be entered under Set up"
                )
            fitted = fit(scenario)
        except RampwrightError as error:
            self.problems = getattr(error, "problems", (str(error),))
            raise
        self.scenario, self._fitted, self.problems, self._switched = scenario, fitted, (), {}
        self.searching.forget()
        self._mark()

    def read_again(self) -> None:
        """Read what the page wrote; a scenario without enough for a fit is no mistake then."""
        try:
            self.read()
        except RampwrightError:
            if self.scenario is None:
                raise

    def state(self, asked: Document) -> Document:
        """The scenario, and what to start from; `again` reads its files anew."""
        if asked.get("again"):
            self.read()
        starts: list[Start] = []
        notes: list[str] = []
        for label, given in self._starts() if self.scenario is not None else ():
            try:
                starts += self._tables(label, given)
            except RampwrightError as error:
                notes.append(str(error))
        found = {"path": str(self.folder), "starts": starts, "notes": notes, "new": not self.file.exists()}
        if self._fitted is None:
            return {**found, "ready": False, "title": self.title, "problems": list(self.problems)}
        return {**found, "ready": True, **scenario_message(self.fitted), "name": self.free_name()}

    def program_meant(self, given: Any) -> AnyProgram | None:
        """A program as a page names it: its tables, or the label of one to start from; None where it names none."""
        if given is None or isinstance(given, dict):
            return given
        scenario = self._readable()
        for label, start in self._starts():
            if label == given:
                return chosen(scenario, start)
            rank = str(given).removeprefix(f"{label}, candidate ")
            if isinstance(start, Path) and start.name == CANDIDATES_FILE and rank.isdecimal():
                return kept_candidate(scenario, start, int(rank))
        raise InvalidInputError(f"program {given!r}: is none of those to start from")

    def predicted(self, asked: Document) -> Document:
        """The prediction of a program on the instrument's steps; a refusal where the oven cannot follow it."""
        certainty = asked.get("certainty", "exact")
        pair = asked.get("pair")
        if certainty not in get_args(Certainty):
            raise InvalidInputError(f"certainty = {certainty!r}: expected {', '.join(get_args(Certainty))}")
        two = isinstance(pair, list) and len(pair) == 2 and all(isinstance(each, str) for each in pair)
        if pair not in (None, CRITICAL) and not two:
            raise InvalidInputError("pair: expected the names of two compounds")
        made = self._predict(asked, certainty)
        if pair == CRITICAL:
            risk = None if made.reliability is None else made.reliability.pair_at_risk
            pair = made.prediction.critical_pair if risk is None else risk.pair
        message = prediction_message(made, None if pair is None else (pair[0], pair[1]), certainty)
        return {**message, "changed": self._stamp != self._stamp_now()}

    def program(self, asked: Document) -> Document:
        """The tables of a program file whose text is given."""
        text, name = str(asked.get("text", "")), str(asked.get("name", "program file"))
        try:
            tables = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise InvalidInputError(f"{name}: is no TOML file ({error})") from None
        return {"starts": self._tables(name, tables)}

    def saved(self, asked: Document) -> Document:
        """A new folder beside the scenario with a program and its prediction; none that exists is ever touched."""
        name = asked.get("name")
        if not isinstance(name, str) or not NAME.fullmatch(name):
            raise InvalidInputError(
                f"name = {name!r}: expected up to 60 letters, digits, spaces, points, dashes or underscores"
            )
        made, switches = self._predict(asked, "exact"), switches_of(asked)
        with self._saving:
            folder = self.folder / SAVED / name
            if folder.exists():
                raise InvalidInputError(
                    f"{folder} exists already, from this page or another: nothing is replaced, choose another name"
                )
            files = made.files()  # draws pictures
            files[PROGRAM_FILE] = made.program_file.encode()
            files[SET_POINTS_FILE] = ("\n".join(made.set_points) + "\n").encode()
            if switches.any:
                files[WHAT_IF_FILE] = ("\n".join(switches.lines(self.fitted)) + "\n").encode()
            make_folder(folder, files)
        return {
            "folder": str(folder),
            "files": sorted(files),
            "command": f"rampwright predict {self.folder} --program {folder / PROGRAM_FILE}",
            "name": self.free_name(),
        }

    def search(self, asked: Document) -> Document:
        """Begin a search from a program, `stop` the one at work, or tell how far it is, and under which switches."""
        if asked.get("stop"):
            self.searching.stop()
        elif "program" in asked:
            seconds = asked.get("seconds")
            if not isinstance(seconds, int | float) or not 1 <= seconds <= MOST_SECONDS:
                raise InvalidInputError(f"seconds = {seconds!r}: expected 1 to {MOST_SECONDS}")
            start = self._predict(asked, "none").program
            self.searching.begin(Wanted(self._with(asked), start, float(seconds)))
            self._searched_under = {"what_if": asked.get("what_if")}
        return {**self.searching.state(), **self._searched_under}

    def saved_search(self, asked: Document) -> Document:
        """A new folder beside the scenario with all that `optimize` writes of the search that ended."""
        with self._saving:
            folder = next(
                each for n in range(1, 10_000) if not (each := self.folder / f"{SEARCHED}-{n}").exists()
            )
            done = self.searching.save(folder)
        return {**done, "command": f"rampwright predict {self.folder} --candidate 1 --results {folder}"}

    def free_name(self) -> str:
        """A name for the next program that is not taken."""
        return next(
            name for n in range(1, 10_000) if not (self.folder / SAVED / (name := f"program {n}")).exists()
        )

    def _predict(self, asked: Document, certainty: Certainty) -> Predicted:
        program = asked.get("program")
        if not isinstance(program, dict):
            raise InvalidInputError("program: expected its tables oven and carrier")
        fitted = self._with(asked)
        return predict(fitted, snap(fitted, program), certainty)

    def _with(self, asked: Document) -> Fitted:
        """The fit under the switches that a page has set."""
        fitted, switches = self.fitted, switches_of(asked)
        if not switches.any:
            return fitted
        if switches not in self._switched:
            if len(self._switched) >= MOST_SWITCHED:
                self._switched.clear()
            self._switched[switches] = switched(fitted, switches)
        return self._switched[switches]

    def _tables(self, label: str, given: AnyProgram | None) -> list[Start]:
        scenario = self._readable()
        if given is not None and isinstance(given, Path) and given.name == CANDIDATES_FILE:
            programs = starts_of(scenario, given)
            labels = [f"{label}, candidate {rank}" for rank in range(1, len(programs) + 1)]
        else:
            programs, labels = [chosen(scenario, given).program], [label]
        return [
            {"label": text, "program": program_document(program, scenario.ambient_pressure)}
            for text, program in zip(labels, programs, strict=True)
        ]

    def _starts(self) -> Iterator[tuple[str, AnyProgram | None]]:
        scenario, folder = self._readable(), self.folder
        if scenario.current is not None:
            yield "method in use", None
        for run in scenario.runs:
            yield f"scouting run {run.name}", run.program
        if (proposed := read_campaign(scenario).next_file).exists():
            yield "next run proposed", proposed
        inside = sorted(folder.glob(f"*/{CANDIDATES_FILE}"))
        for results in [each / CANDIDATES_FILE if each.is_dir() else each for each in self._results] + inside:
            yield results.parent.name, results
        for file in self._programs:
            yield file.name, file
        for file in sorted(folder.glob(f"{SAVED}/*/{PROGRAM_FILE}")):
            yield file.parent.name, file
        for file in sorted(each for each in folder.glob("*.toml") if each.name != SCENARIO_FILE):
            yield file.name, file

    def _mark(self) -> None:
        """Remember the state of the files that were read."""
        runs = self.fitted.scenario.runs
        self._files = [self.file, *(self.folder / run.file for run in runs if run.file)]
        self._stamp = self._stamp_now()

    def _stamp_now(self) -> Stamp:
        found = []
        for path in self._files:
            try:
                seen = path.stat()
                found.append((str(path), seen.st_mtime_ns, seen.st_size))
            except OSError:
                found.append((str(path), 0, -1))
        return tuple(found)
