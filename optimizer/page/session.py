"""What one server knows of its scenario, and what its pages may ask of it; the files remain the truth."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Lock
from typing import Any, get_args

from models.errors import InvalidInputError, RampwrightError
from optimizer.app.chosen_program import AnyPath, AnyProgram, chosen, starts_of
from optimizer.app.interface import Certainty, fit, load_scenario, predict, snap
from optimizer.app.interface_results import Fitted, Predicted
from optimizer.base.output import make_folder
from optimizer.page.messages import prediction_message, scenario_message
from optimizer.page.searching import Searching
from optimizer.results.documents import Document
from optimizer.scenario.program_files import CANDIDATES_FILE
from optimizer.scenario.program_tables import program_document
from optimizer.scenario.reading import SCENARIO_FILE

MOST_SECONDS = 3600
SEARCHED = "results"  # and a number: a folder with what a search found
SAVED, PROGRAM_FILE, SET_POINTS_FILE = "programs", "program.toml", "set_points.txt"
CRITICAL = "critical"  # asks for the pair at risk, or where none is for the critical one
NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,58}[A-Za-z0-9])?")
Stamp = tuple[tuple[str, int, int], ...]  # of files: name, ns of the last change, bytes
Start = dict[str, Any]


class Session:
    """A scenario and its fit, as read.

    Parameters
    ----------
    path : the scenario's folder, or its scenario.toml
    results, programs : folders that `optimize` wrote, and program files, that pages may start from

    Raises
    ------
    RampwrightError : when the scenario cannot be used
    """

    def __init__(self, path: AnyPath, results: Sequence[Path] = (), programs: Sequence[Path] = ()) -> None:
        self._path, self._results, self._programs = Path(path), tuple(results), tuple(programs)
        self._saving = Lock()
        self.searching = Searching()
        self._stamp: Stamp = ()
        self.fitted = self._read()

    @property
    def folder(self) -> Path:
        """The scenario's."""
        return self.fitted.scenario.path.parent

    def state(self, asked: Document) -> Document:
        """The scenario, and what to start from; `again` reads its files anew."""
        if asked.get("again"):
            self.fitted = self._read()
        starts: list[Start] = []
        notes: list[str] = []
        for label, given in self._starts():
            try:
                starts += self._tables(label, given)
            except RampwrightError as error:
                notes.append(str(error))
        return {**scenario_message(self.fitted), "starts": starts, "notes": notes, "name": self.free_name()}

    def predicted(self, asked: Document) -> Document:
        """The prediction of a program on the instrument's steps; a refusal where the oven cannot follow it."""
        certainty = asked.get("certainty", "exact")
        pair = asked.get("pair")
        if certainty not in get_args(Certainty):
            raise InvalidInputError(f"certainty = {certainty!r}: expected {', '.join(get_args(Certainty))}")
        two = isinstance(pair, list) and len(pair) == 2 and all(isinstance(each, str) for each in pair)
        if pair not in (None, CRITICAL) and not two:
            raise InvalidInputError("pair: expected the names of two compounds")
        made = self._predict(asked.get("program"), certainty)
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
        made = self._predict(asked.get("program"), "exact")
        with self._saving:
            folder = self.folder / SAVED / name
            if folder.exists():
                raise InvalidInputError(
                    f"{folder} exists already, from this page or another: nothing is replaced, choose another name"
                )
            files = made.files()  # draws pictures
            files[PROGRAM_FILE] = made.program_file.encode()
            files[SET_POINTS_FILE] = ("\n".join(made.set_points) + "\n").encode()
            make_folder(folder, files)
        return {
            "folder": str(folder),
            "files": sorted(files),
            "command": f"rampwright predict {self.folder} --program {folder / PROGRAM_FILE}",
            "name": self.free_name(),
        }

    def search(self, asked: Document) -> Document:
        """Begin a search from a program, `stop` the one at work, or tell how far it is."""
        if asked.get("stop"):
            self.searching.stop()
        elif "program" in asked:
            seconds = asked.get("seconds")
            if not isinstance(seconds, int | float) or not 1 <= seconds <= MOST_SECONDS:
                raise InvalidInputError(f"seconds = {seconds!r}: expected 1 to {MOST_SECONDS}")
            start = self._predict(asked["program"], "none").program
            self.searching.begin(self.fitted, start, float(seconds))
        return self.searching.state()

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

    def _predict(self, program: Any, certainty: Certainty) -> Predicted:
        if not isinstance(program, dict):
            raise InvalidInputError("program: expected its tables oven and carrier")
        fitted = self.fitted
        return predict(fitted, snap(fitted, program), certainty)

    def _tables(self, label: str, given: AnyProgram | None) -> list[Start]:
        scenario = self.fitted.scenario
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
        scenario, folder = self.fitted.scenario, self.folder
        if scenario.current is not None:
            yield "method in use", None
        for run in scenario.runs:
            yield f"scouting run {run.name}", run.program
        inside = sorted(folder.glob(f"*/{CANDIDATES_FILE}"))
        for results in [each / CANDIDATES_FILE if each.is_dir() else each for each in self._results] + inside:
            yield results.parent.name, results
        for file in self._programs:
            yield file.name, file
        for file in sorted(folder.glob(f"{SAVED}/*/{PROGRAM_FILE}")):
            yield file.parent.name, file
        for file in sorted(each for each in folder.glob("*.toml") if each.name != SCENARIO_FILE):
            yield file.name, file

    def _read(self) -> Fitted:
        scenario = load_scenario(self._path)
        fitted = fit(scenario)
        folder = scenario.path.parent
        self._files = [scenario.path, *(folder / run.file for run in scenario.runs if run.file)]
        self._stamp = self._stamp_now()
        return fitted

    def _stamp_now(self) -> Stamp:
        found = []
        for path in self._files:
            try:
                seen = path.stat()
                found.append((str(path), seen.st_mtime_ns, seen.st_size))
            except OSError:
                found.append((str(path), 0, -1))
        return tuple(found)
